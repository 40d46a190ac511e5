import { badServers, describeBadServers } from '../support/bad-servers.ts';

describeBadServers(badServers.slow);
