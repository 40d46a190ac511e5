/** `tripwave run CONFIG`: the daemon. */
import { fileURLToPath } from 'node:url';
import { Command } from 'commander';
import { ConfigError } from '../../config/fault.ts';
import { openHostFault } from '../../config/open-host.ts';
import { isLoopbackHost, type RigConfig, type ServerConfig } from '../../config/rig.ts';
import { createLog, runUntilSignal } from '../recorder/run.ts';
import { readConfigApart } from './config-apart.ts';
import { makeDriver } from './make-driver.ts';
import { portNumber } from './port-number.ts';

interface Options {
  readonly data?: string;
  readonly host?: string;
  readonly port?: number;
  readonly openNetwork?: boolean;
  readonly json?: boolean;
  readonly quiet?: boolean;
}

/** The module that the recorder starts as its server. */
export const serverModule = fileURLToPath(new URL('../server/main.ts', import.meta.url));

/** The command; throws `ConfigError` or `UnavailableError`, and returns after a signal. */
export function runCommand(): Command {
  return new Command('run')
    .description('Record the rig: reads its lines, keeps every trip, serves the dashboard.')
    .argument('<config>', 'rig file, for example config/station.yaml')
    .option('--data <folder>', 'data folder instead of the one in the rig file')
    .option('--host <address>', 'address of the dashboard instead of the one in the rig file')
    .option(
      '--port <number>',
      'port of the dashboard instead of the one in the rig file; 0 takes a free one',
      portNumber,
    )
    .option(
      '--open-network',
      'allow an address that other machines reach though there are no users: for a closed test network only',
    )
    .option(
      '--json',
      'trips, closed events, verdicts and a page that is not served, on standard output, one JSON object a line',
    )
    .option('--quiet', 'log warnings and errors only')
    .addHelpText(
      'after',
      '\nCtrl-C or SIGTERM stops in order: an open event is closed as truncated. A second one exits at once.' +
        '\nTripwave records, it does not protect: switches and trips stay hard-wired.',
    )
    .action(async (file: string, options: Options) => {
      const config = await readConfigApart(file, (line) => process.stderr.write(`${line}\n`));
      await runUntilSignal(withOptions(config, options), {
        serverModule,
        createDriver: makeDriver,
        log: createLog(options.quiet === true || process.stderr.isTTY ? 'warn' : 'info'),
        hasJson: options.json === true,
        hasProgress: process.stderr.isTTY && options.quiet !== true,
      });
    });
}

/** Throws `ConfigError` for an address that other machines reach, unless one of the two switches is set. */
function withOptions(config: RigConfig, { data, host, port, openNetwork }: Options): RigConfig {
  const server: ServerConfig = {
    host: host ?? config.server.host,
    port: port ?? config.server.port,
    isOpenNetwork: openNetwork === true || config.server.isOpenNetwork === true,
  };
  if (!isLoopbackHost(server.host) && !server.isOpenNetwork) {
    const message = openHostFault(server.host, '--open-network');
    throw new ConfigError([{ severity: 'fault', file: '--host', place: null, path: '', message }]);
  }
  return { ...config, dataFolder: data ?? config.dataFolder, server };
}
