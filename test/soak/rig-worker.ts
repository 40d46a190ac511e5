/** The instruments in a process of their own. It notes what it sampled, sent, damaged and lost; at the end it writes that down. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { UnitFaults } from '../../daemon/virtual-rig/modbus-unit.ts';
import type { LineFaults } from '../../daemon/virtual-rig/paced-line.ts';
import type { PortAddress } from '../../daemon/virtual-rig/port.ts';
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { BusPlayer } from './bus-player.ts';
import { type HoldUp, HoldUps } from './hold-ups.ts';
import type { SoakLine } from './lines.ts';
import type { BusNotes, StreamNotes } from './notes.ts';
import { StreamPlayer } from './stream-player.ts';

export type ToRig =
  | {
      readonly start: { readonly folder: string; readonly seed: number; readonly lines: readonly SoakLine[] };
    }
  | { readonly wire: { readonly line: string; readonly faults: Partial<LineFaults> } }
  | { readonly units: { readonly line: string; readonly faults: Partial<UnitFaults> } }
  | { readonly unplug: string }
  | { readonly replug: string }
  | { readonly stop: true };

export type FromRig =
  | { readonly kind: 'started'; readonly addresses: Readonly<Record<string, PortAddress>> }
  | { readonly kind: 'done' }
  | { readonly kind: 'stopped'; readonly holdUps: readonly HoldUp[] };

const holdUps = new HoldUps();
let folder = '';
const players = new Map<string, StreamPlayer | BusPlayer>();
let timer: NodeJS.Timeout | null = null;

process.on('message', (message: ToRig) => void handle(message));
process.on('disconnect', () => process.exit(0));
// Ctrl-C reaches the whole group; the runner decides.
process.on('SIGINT', () => undefined);

function tell(message: FromRig): void {
  process.send?.(message);
}

function player(line: string): StreamPlayer | BusPlayer {
  const found = players.get(line);
  if (found === undefined) throw new Error(`no line ${line}`);
  return found;
}

async function handle(message: ToRig): Promise<void> {
  if ('start' in message) {
    await start(message.start);
    return;
  }
  if ('stop' in message) {
    await stop();
    return;
  }
  if ('wire' in message) Object.assign(player(message.wire.line).wire.faults, message.wire.faults);
  else if ('unplug' in message) player(message.unplug).unplug();
  else if ('replug' in message) await player(message.replug).port.replug();
  else {
    const bus = player(message.units.line);
    if (bus instanceof BusPlayer)
      for (const unit of bus.line.units) bus.bus.setFaults(unit, message.units.faults);
  }
  tell({ kind: 'done' });
}

async function start(options: { folder: string; seed: number; lines: readonly SoakLine[] }): Promise<void> {
  sharpenTimers();
  folder = options.folder;
  const addresses: Record<string, PortAddress> = {};
  for (const line of options.lines) {
    const path = join(folder, 'ports', line.id);
    const port = line.transport === 'pty' ? new PtyPort(path) : await TcpPort.open();
    addresses[line.id] = port.address;
    players.set(
      line.id,
      line.kind === 'stream'
        ? new StreamPlayer(line, port, options.seed)
        : new BusPlayer(line, port, options.seed),
    );
  }
  const streams = [...players.values()].filter((each) => each instanceof StreamPlayer);
  const play = () => {
    for (const each of streams) each.play(monotonic_s());
  };
  if (streams.length > 0) timer = setInterval(play, 2);
  tell({ kind: 'started', addresses });
}

async function stop(): Promise<void> {
  if (timer !== null) clearInterval(timer);
  for (const [id, each] of players) {
    const notes = each instanceof StreamPlayer ? streamNotes(each) : busNotes(each);
    writeFileSync(join(folder, `${id}.notes.json`), JSON.stringify(notes));
    if (each instanceof BusPlayer) each.stop();
    await each.port.close();
  }
  tell({ kind: 'stopped', holdUps: holdUps.take() });
  process.disconnect();
}

function streamNotes({ start_s, period_s, frames, fates, wire }: StreamPlayer): StreamNotes {
  return {
    start_s,
    period_s,
    frames,
    fates: Buffer.from(fates.subarray(0, frames)).toString('base64'),
    bitsTurned: wire.bitsTurned,
  };
}

function busNotes({ heard_s, replies, bus, wire }: BusPlayer): BusNotes {
  return { replies, heard_s, counters: bus.counters, bitsTurned: wire.bitsTurned };
}
