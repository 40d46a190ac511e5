/** Modbus lines as written: what cannot be right, and what the driver takes. */
import type {
  BurstSpec,
  LineSpec,
  LinkSpec,
  ModbusChannelSpec,
  ModbusTransport,
  ModbusUnitSpec,
} from '../drivers/line-spec.ts';
import { leastReadsInRing, scansPerRead } from '../drivers/modbus/burst-reader.ts';
import { typeLength } from '../drivers/modbus/decode.ts';
import type { Findings } from './fault.ts';
import type { ModbusLineText } from './schema-modbus.ts';
import type { DeepPartial } from './yaml-load.ts';

type LinePart = DeepPartial<ModbusLineText>;
type UnitText = ModbusLineText['units'][number];
type UnitPart = DeepPartial<UnitText>;
type ChannelPart = DeepPartial<UnitText['channels'][number]>;
type BurstText = NonNullable<UnitText['burst']>;

/** Port that is Modbus TCP's by registration (MODBUS Messaging on TCP/IP V1.0b, 4.2.2). */
const modbusPort = 502;

/** Faults of a line and all its devices. */
export function checkModbusLine(line: LinePart, path: string, findings: Findings): void {
  checkTransport(line, path, findings);
  line.units?.forEach((unit, u) => {
    if (unit === undefined) return;
    const place = `${path}.units[${u}]`;
    if (unit.channels?.length === 0 && unit.burst === undefined) {
      findings.fault(place, 'the device has no channels; "channels", "burst" or both are allowed');
    }
    unit.channels?.forEach((text, c) => {
      if (text) checkRegister(text, unit, `${place}.channels[${c}]`, findings);
    });
    if (unit.burst !== undefined) checkBurst(unit.burst, unit, `${place}.burst`, findings);
  });
}

function checkTransport(
  { port, transport, outstanding, echo }: LinePart,
  path: string,
  findings: Findings,
): void {
  if (port?.kind === 'serial' && transport !== undefined && transport !== 'rtu') {
    findings.fault(
      `${path}.transport`,
      `found "${transport}" on a serial port; "rtu" is allowed, or a tcp:// port`,
    );
  }
  if (port?.kind === 'tcp' && transport === 'rtu') {
    findings.fault(
      `${path}.transport`,
      'found "rtu" on a tcp:// port; "tcp" (Modbus TCP) or "rtu-over-tcp" (a serial server) is allowed',
    );
  }
  if (port?.kind === 'tcp' && port.port !== modbusPort && transport === undefined) {
    findings.fault(
      path,
      `add \`transport\`: port ${port.port} may carry either; ` +
        '"tcp" (Modbus TCP) or "rtu-over-tcp" (a serial server that passes bytes on) is allowed',
    );
  }
  const isTcp = transport === 'tcp' || (port?.kind === 'tcp' && transport === undefined);
  if (!isTcp && (outstanding ?? 1) > 1) {
    findings.fault(
      `${path}.outstanding`,
      `found ${outstanding}; only Modbus TCP numbers its requests: 1 is allowed here`,
    );
  }
  if (isTcp && (echo ?? 'none') !== 'none') {
    findings.fault(`${path}.echo`, `found "${echo}"; Modbus TCP has no echo: "none" is allowed`);
  }
}

function checkRegister(text: ChannelPart, unit: UnitPart, path: string, findings: Findings): void {
  const { register, type, bit } = text;
  if (register?.table === undefined || register.address === undefined || type === undefined) return;
  const maxRegisters = unit.maxRegisters ?? 125;
  const isBitTable = register.table === 'coil' || register.table === 'discrete';
  if (isBitTable && type !== 'bit') {
    findings.fault(`${path}.type`, `found "${type}"; a ${register.table} holds one bit: "bit" is allowed`);
  }
  if (!isBitTable && type === 'bit') {
    findings.fault(
      `${path}.type`,
      `found "bit"; a register of the ${register.table} table is not a bit: write "uint16" and add "bit: 0" for its lowest bit`,
    );
  }
  if (bit !== undefined && type !== 'uint16') {
    findings.fault(
      `${path}.bit`,
      `found a bit of a value of type ${type}; "bit" is allowed with uint16 only`,
    );
  }
  checkBits(text, path, findings);
  const end = register.address + typeLength[type];
  if (end > 65536) {
    findings.fault(
      `${path}.register`,
      `found ${register.table} ${register.address}; a ${type} does not fit below 65536`,
    );
  }
  if (!isBitTable && typeLength[type] > maxRegisters) {
    findings.fault(
      `${path}.type`,
      `found "${type}", ${typeLength[type]} registers; this device answers ${maxRegisters} at most (maxRegisters)`,
    );
  }
  const { table, address } = register;
  const hole = unit.noRead?.find(
    (span) =>
      span?.table === table &&
      span.address !== undefined &&
      span.address < end &&
      address < span.address + (span.count ?? 1),
  );
  if (hole !== undefined) {
    findings.fault(`${path}.register`, `found ${table} ${address}; "noRead" of this device forbids it`);
  }
}

function checkBits({ type, bit, bits }: ChannelPart, path: string, findings: Findings): void {
  if (bits?.offset === undefined || bits.width === undefined || type === undefined) return;
  const width = /^u?int(16|32)$/.exec(type)?.[1];
  if (width === undefined) {
    findings.fault(`${path}.bits`, `found bits of a ${type}; int16, uint16, int32 and uint32 are allowed`);
  } else if (bits.offset + bits.width > Number(width)) {
    findings.fault(
      `${path}.bits`,
      `found ${bits.width} bits from bit ${bits.offset} on; a ${type} ends at bit ${Number(width) - 1}`,
    );
  }
  if (bit !== undefined) findings.fault(path, 'found "bit" and "bits"; one of the two is allowed');
}

function checkBurst(burst: DeepPartial<BurstText>, unit: UnitPart, path: string, findings: Findings): void {
  const { ring, index, depth, queue } = burst;
  if ((ring === undefined) === (queue === undefined)) {
    findings.fault(path, 'exactly one of "ring" (registers) and "queue" (function 24) is allowed');
    return;
  }
  const width = widthOf(burst);
  const highest = Math.max(...(burst.channels ?? []).map((channel) => channel?.position ?? 0));
  if (highest >= width) {
    findings.fault(
      `${path}.width`,
      `found ${width}; a channel stands at position ${highest}, so ${highest + 1} or more is allowed`,
    );
  }
  const { most, least } = scansPerRead(
    { kind: queue === undefined ? 'ring' : 'queue' },
    width,
    unit.maxRegisters ?? 125,
  );
  if (queue !== undefined) {
    if (most < least)
      findings.fault(path, `scans of ${width} registers do not fit a queue, which returns 30 at most`);
    return;
  }
  if (index === undefined || depth === undefined) {
    findings.fault(
      path,
      'a ring needs "index" (how many scans were written) and "depth" (how many it holds)',
    );
    return;
  }
  for (const [key, register] of [
    ['ring', ring],
    ['index', index],
  ] as const) {
    if (register?.table !== undefined && register.table !== 'holding' && register.table !== 'input') {
      findings.fault(`${path}.${key}`, `found a ${register.table}; holding and input registers are allowed`);
    }
  }
  if (ring?.table !== index.table) {
    findings.fault(
      `${path}.index`,
      `found ${index.table}; the index stands in the table of the ring, ${ring?.table}`,
    );
  }
  if ((ring?.address ?? 0) + depth * width > 65536) {
    findings.fault(
      `${path}.depth`,
      `found ${depth}; ${depth} scans of ${width} registers do not fit below 65536`,
    );
  }
  if (most < least) {
    findings.fault(
      path,
      `a read of the ring takes ${least * width} registers or more; this device answers ${unit.maxRegisters ?? 125} at most`,
    );
  }
  if (depth < leastReadsInRing * least) {
    findings.fault(
      `${path}.depth`,
      `found ${depth}; a ring of scans of ${width} registers can be read from ${leastReadsInRing * least} scans on`,
    );
  }
  const wraps = wrapsOf(burst);
  if (wraps % depth !== 0) {
    findings.fault(
      `${path}.depth`,
      `found ${depth}; the index wraps at ${wraps}, which must be a multiple of it: take a power of two, or let it wrap elsewhere (indexWraps)`,
    );
  }
}

function widthOf({ width, channels }: DeepPartial<BurstText>): number {
  return width ?? 1 + Math.max(0, ...(channels ?? []).map((channel) => channel?.position ?? 0));
}

function wrapsOf({ indexWraps, indexType }: DeepPartial<BurstText>): number {
  return indexWraps ?? (indexType === 'uint16' ? 2 ** 16 : 2 ** 32);
}

/** A whole, checked line as the driver takes it. */
export function modbusSpec(line: ModbusLineText, link: LinkSpec): LineSpec {
  const byPort: ModbusTransport = link.kind === 'serial' ? 'rtu' : 'tcp';
  return {
    driver: 'modbus',
    id: line.id,
    link,
    transport: line.transport ?? byPort,
    outstanding: line.outstanding ?? 1,
    echo: line.echo,
    units: line.units.map(unitSpec),
  };
}

function unitSpec(unit: UnitText): ModbusUnitSpec {
  return {
    id: unit.id,
    unit: unit.unit,
    poll_s: unit.poll,
    timeout_s: unit.timeout,
    gap_s: unit.gap,
    maxRegisters: unit.maxRegisters,
    maxGap: unit.maxGap,
    ...(unit.lateness === undefined ? {} : { lateness_s: unit.lateness }),
    noRead: unit.noRead,
    retries: unit.retries,
    isWritable: unit.writable,
    ...(unit.burst === undefined ? {} : { burst: burstSpec(unit.burst) }),
    channels: unit.channels.map(
      ({ id, register, type, wordOrder, bit, bits }): ModbusChannelSpec => ({
        id,
        ...register,
        type,
        wordOrder,
        bit: bit ?? null,
        ...(bits === undefined ? {} : { bits }),
      }),
    ),
  };
}

function burstSpec(burst: BurstText): BurstSpec {
  const { ring, index, depth } = burst;
  return {
    store:
      ring === undefined
        ? { kind: 'queue', address: burst.queue ?? 0 }
        : {
            kind: 'ring',
            table: ring.table === 'input' ? 'input' : 'holding',
            address: ring.address,
            depth: depth ?? 0,
            index: { address: index?.address ?? 0, type: burst.indexType, wordOrder: burst.indexWordOrder },
            indexWraps: wrapsOf(burst),
          },
    width: widthOf(burst),
    rate_Hz: burst.rate,
    channels: burst.channels.map(({ id, position, type }) => ({ id, position, type })),
  };
}
