/** What the configuration hands to a driver: resolved, validated, SI. One type a driver; no units, no YAML. */

/** A serial port by stable name, or the same bytes over TCP. */
export type LinkSpec =
  | {
      readonly kind: 'serial';
      readonly path: string;
      readonly baud: number;
      readonly dataBits: 7 | 8;
      readonly parity: 'none' | 'even' | 'odd';
      readonly stopBits: 1 | 2;
    }
  | { readonly kind: 'tcp'; readonly host: string; readonly port: number };

export type ModbusTable = 'coil' | 'discrete' | 'holding' | 'input';
export type ModbusType =
  | 'bit'
  | 'int16'
  | 'uint16'
  | 'int32'
  | 'uint32'
  | 'float32'
  | 'int64'
  | 'uint64'
  | 'float64'
  | 'bcd16'
  | 'bcd32'
  | 'bcd64';
/** Byte order of a multi-register value; A is the most significant byte. 1.0f = 3F80 0000 reads `ABCD` as 3F80, 0000. */
export type WordOrder = 'ABCD' | 'CDAB' | 'BADC' | 'DCBA';

export interface ModbusChannelSpec {
  readonly id: string;
  readonly table: ModbusTable;
  /** Zero-based address on the wire. */
  readonly address: number;
  readonly type: ModbusType;
  readonly wordOrder: WordOrder;
  /** Take this bit (0 = least significant) of a uint16 register; null for the whole value. */
  readonly bit: number | null;
  /** Take `width` bits from bit `offset` (0 = least significant) of an integer of 16 or 32 bits; signed where the type is. */
  readonly bits?: { readonly offset: number; readonly width: number };
}

/** Registers of one table, zero-based; `count` from `address` on. */
export interface RegisterSpan {
  readonly table: ModbusTable;
  readonly address: number;
  readonly count: number;
}

/** A device that samples by itself and keeps what it sampled until it is fetched: `modbus/burst-reader.ts`. */
export interface BurstSpec {
  readonly store:
    | {
        /** A ring of scans in registers, and how many scans were written so far. */
        readonly kind: 'ring';
        readonly table: 'holding' | 'input';
        /** First register of the ring. */
        readonly address: number;
        /** Scans it holds. */
        readonly depth: number;
        readonly index: {
          readonly address: number;
          readonly type: 'uint16' | 'uint32';
          readonly wordOrder: WordOrder;
        };
        /** The count of scans begins at 0 again when it reaches this. */
        readonly indexWraps: number;
      }
    | {
        /** A queue (function 24): its first register is the number of the first scan in it. */
        readonly kind: 'queue';
        readonly address: number;
      };
  /** Registers of one scan. */
  readonly width: number;
  readonly rate_Hz: number;
  readonly channels: readonly {
    readonly id: string;
    /** Place in the scan, from 0. */
    readonly position: number;
    readonly type: 'int16' | 'uint16';
  }[];
}

export interface ModbusUnitSpec {
  readonly id: string;
  /** Slave address 1..247. */
  readonly unit: number;
  /** Wanted spacing between polls of this unit, in s. */
  readonly poll_s: number;
  readonly timeout_s: number;
  /** Extra silence that the device wants before a request, in s. */
  readonly gap_s: number;
  /** Largest block the device answers, registers (bits: 16 times as many). */
  readonly maxRegisters: number;
  /** Unused registers that may be read along to merge two blocks. */
  readonly maxGap: number;
  /** A reply later than this after its request never comes, in s; absent: 10, or 2 for some units (modbus/unanswered.ts). */
  readonly lateness_s?: number;
  /** Registers that must not be read along. */
  readonly noRead?: readonly RegisterSpan[];
  /** How often a read is asked again within its slot after a time-out or the exceptions 05 and 06; absent: 1. */
  readonly retries?: number;
  /** Whether this device may be written to at all; absent: no. */
  readonly isWritable?: boolean;
  readonly burst?: BurstSpec;
  readonly channels: readonly ModbusChannelSpec[];
}

/** How requests travel: frames with CRC on a serial line, the same bytes over TCP, or Modbus TCP with its header. */
export type ModbusTransport = 'rtu' | 'rtu-over-tcp' | 'tcp';

/** What comes back of our own requests on a two-wire line: nothing, or all of it, then taken away or compared as well. */
export type EchoMode = 'none' | 'strip' | 'verify';

export interface ModbusLineSpec {
  readonly driver: 'modbus';
  readonly id: string;
  readonly link: LinkSpec;
  /** Absent: RTU, over TCP where the link is. */
  readonly transport?: ModbusTransport;
  /** Requests on their way at a time, Modbus TCP only; absent: 1. */
  readonly outstanding?: number;
  /** Absent: none. */
  readonly echo?: EchoMode;
  readonly units: readonly ModbusUnitSpec[];
}

export interface FrameChannelSpec {
  readonly id: string;
  /** `analog`: 0-based position among the samples of a scan. `digital`: bit of the digital word. */
  readonly source: 'analog' | 'digital';
  readonly index: number;
}

export interface SerialFramesLineSpec {
  readonly driver: 'serial-frames';
  readonly id: string;
  readonly link: LinkSpec;
  /** `binary`: our open framing. `ascii`: one delimited line a scan. */
  readonly framing:
    | { readonly kind: 'binary' }
    | { readonly kind: 'ascii'; readonly delimiter: string; readonly decimalComma: boolean };
  /** Nominal scan rate of the converter, in Hz. */
  readonly rate_Hz: number;
  /** Fixed delay between the sampling of a scan and its arrival, besides what is estimated, in s. */
  readonly delay_s: number;
  /** The port carries bytes at a speed of its own, as USB inside the device does: no time on the wire is taken off. Absent: no. */
  readonly ignoresBaud?: boolean;
  readonly channels: readonly FrameChannelSpec[];
}

export interface RecordingLineSpec {
  readonly driver: 'recording';
  readonly id: string;
  /** An event folder, its trace.bin, or a CSV file. */
  readonly path: string;
  /** 1 = as recorded; 0 = as fast as the sink takes it. */
  readonly speed: number;
  readonly channels: readonly {
    readonly id: string;
    /** Column name in the CSV, or channel id in the trace. */
    readonly column: string;
  }[];
  readonly csv: CsvSpec;
}

/** How to read a CSV; nulls are found from the file. */
export interface CsvSpec {
  readonly delimiter: string | null;
  readonly decimalComma: boolean | null;
  readonly headerRows: number | null;
  /** Column with the time in s; null: find one, else `rate_Hz` must be given. */
  readonly timeColumn: string | null;
  readonly rate_Hz: number | null;
}

export type LineSpec = ModbusLineSpec | SerialFramesLineSpec | RecordingLineSpec;
