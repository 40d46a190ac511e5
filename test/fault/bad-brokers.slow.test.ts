import { badBrokers, describeBadBrokers } from '../support/bad-brokers.ts';

describeBadBrokers(badBrokers.slow);
