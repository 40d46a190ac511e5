/** The faces of a rig at their ports. */
import { isAbsolute, join } from 'node:path';
import type { Port } from './port.ts';
import { PtyPort, whyNoPty } from './pty.ts';
import type { Face, Rig } from './rig.ts';
import { TcpPort } from './tcp-port.ts';

export interface Outlet {
  readonly face: Face;
  readonly port: Port;
}

/** Opens the port of a line; `path` is its name when it is serial, and means nothing when it is not. */
export type MakePort = (path: string, isSerial: boolean) => Port | Promise<Port>;

interface OpenPortsOptions {
  /** Port names of the rig are relative to it. */
  readonly folder: string;
  readonly makePort?: MakePort;
  /** Gets the one sentence that must be said when there are no pseudo-terminals. */
  readonly warn?: (sentence: string) => void;
}

/** What a line of this face carries. */
export function speaks({ spec }: Face): 'rtu' | 'tcp' {
  return spec.face === 'modbus' ? (spec.speaks ?? 'rtu') : 'rtu';
}

/** Opens a port for each face; closes all when one cannot be had. */
export async function openPorts(
  rig: Rig,
  { folder, makePort, warn }: OpenPortsOptions,
): Promise<readonly Outlet[]> {
  let { transport } = rig.spec;
  if (makePort === undefined && transport === 'auto') {
    const why = whyNoPty();
    transport = why === null ? 'pty' : 'tcp';
    if (why !== null)
      warn?.(`No pseudo-terminals here (${why}): the lines of this rig are TCP ports on 127.0.0.1 instead.`);
  }
  const make = makePort ?? ((path, isSerial) => (isSerial ? new PtyPort(path) : TcpPort.open()));
  const outlets: Outlet[] = [];
  try {
    for (const face of rig.faces) {
      const name = face.spec.port;
      const path = isAbsolute(name) ? name : join(folder, name);
      const isPty = transport !== 'tcp' && speaks(face) === 'rtu';
      outlets.push({ face, port: await make(path, isPty) });
    }
  } catch (error) {
    await Promise.all(outlets.map(({ port }) => port.close()));
    throw error;
  }
  return outlets;
}
