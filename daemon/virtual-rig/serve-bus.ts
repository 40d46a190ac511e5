/** Joins the units of a rig to their port: requests and replies take their time, on the wire or in the unit. */
import type { Clock } from '../../drivers/clock.ts';
import { ModbusTcpFace } from './modbus-tcp.ts';
import type { Outlet } from './outlets.ts';
import { longestHold_s, runAt } from './precise-wait.ts';

/** Time as the ports of a running rig have it. */
export interface RigTime {
  readonly clock: Clock;
  /** Reading of `clock` at the plant's time 0, in s. */
  readonly base_s: number;
  /** Brings the plant up to now. */
  readonly catchUp: () => void;
  readonly isStopped: () => boolean;
}

/** Joins a bus to its port: requests take their time on the wire, so do replies, and silence ends a frame. */
export function serveBus({ face, port }: Outlet, { clock, base_s, catchUp, isStopped }: RigTime): void {
  const now_s = () => clock.monotonic_s() - base_s;
  const { wire } = face;
  const bus = face.bus!;
  const gap_s = bus.gap_s;
  let pending = 0;
  const release = () => {
    if (isStopped()) return;
    wire.take(now_s(), (part) => port.write(part));
    const { nextByte_s, nextEnd_s } = wire;
    if (nextEnd_s === null || nextByte_s === null) return;
    // The first byte and the last come on time; those between come in lumps of a millisecond, as adapters deliver them.
    if (wire.isAtStart) runAt(clock, base_s + nextByte_s, release);
    else if (nextEnd_s - now_s() > longestHold_s) clock.setTimeout(release, 1);
    else runAt(clock, base_s + nextEnd_s, release);
  };
  port.onData = (bytes) => {
    const start_s = now_s();
    bus.receive(wire.receive(bytes, start_s), start_s);
    const end_s = wire.received_s;
    pending++;
    // Most of the way now, the rest when the reply is made: the values in it must be fresh, and it must not be late.
    catchUp();
    runAt(clock, base_s + end_s + gap_s, () => {
      pending--;
      // More came in the meantime: the silence begins anew.
      if (pending > 0 || isStopped()) return;
      catchUp();
      const reply = bus.finish(end_s);
      if (reply === null) return;
      runAt(clock, base_s + reply.earliest_s, () => {
        const replyStart_s = Math.max(reply.earliest_s, wire.sent_s);
        bus.replied(replyStart_s, wire.send(reply.bytes, reply.earliest_s));
        release();
      });
    });
  };
}

/** Joins a bus to a TCP port: the network takes no time, the unit does. */
export function serveTcp({ face, port }: Outlet, { clock, base_s, catchUp, isStopped }: RigTime): void {
  let end_s = 0;
  const tcp = new ModbusTcpFace(face.bus!, (frame, after_s) => {
    runAt(clock, base_s + end_s + after_s, () => {
      if (!isStopped()) port.write(frame);
    });
  });
  port.onOpen = () => tcp.clear();
  port.onData = (bytes) => {
    catchUp();
    end_s = clock.monotonic_s() - base_s;
    tcp.receive(bytes);
  };
}
