/** Defects in the Modbus master. */
import type { Mutant, Room } from './mutant.ts';

const unit = (name: string) => `test/unit/drivers/modbus/${name}.test.ts`;
const place = (file: string, ...tests: readonly string[]) => {
  return (name: string, find: string, replace: string): Mutant => ({
    name,
    file: `drivers/modbus/${file}.ts`,
    find,
    replace,
    tests,
  });
};
const owed = place('unanswered', unit('unanswered'));
const late = place('rtu-wire', 'test/property/modbus-late-reply.test.ts');
const timing = place(
  'rtu-wire',
  'test/property/modbus-timing.test.ts',
  unit('held-up-write'),
  unit('rtu-wire'),
);
const form = place('requests', unit('requests'), unit('protocol'));
const frames = place('rtu-framer', 'test/property/modbus-framer.test.ts', unit('protocol'));
const tcpFrames = place('mbap-framer', unit('mbap-framer'));
const tcp = place('tcp-wire', unit('tcp-wire'));
const plan = place('poll-plan', 'test/property/modbus-poll-plan.test.ts', unit('poller'));
const values = place('decode', unit('decode'));
const polls = (file: string) => place(file, unit('poller'));
const writes = place('writer', 'test/integration/modbus-write.test.ts');

export const modbus: Room = {
  room: 'modbus',
  mutants: [
    owed('a time-out is no doubt', 'doubt(): void {\n    this.#isConfirmed = false;', 'doubt(): void {'),
    owed('a poll block confirms its unit', 'if (asked.isProbe && !this', 'if (!this'),
    owed(
      'an answer strikes out what was asked later',
      'this.#strikeOut(index + 1);',
      'this.#strikeOut(this.#asked.length);',
    ),
    owed('the newest request gets the reply', '#asked.findIndex(', '#asked.findLastIndex('),
    owed(
      'trusted from the start',
      '#requests: Request[] = [];\n  #isConfirmed = false;',
      '#requests: Request[] = [];\n  #isConfirmed = true;',
    ),
    owed(
      'a probe like a poll block is asked at once',
      'return this.#isProbeDistinct || last',
      'return true || last',
    ),
    owed('a new plan does not wait', 'this.#barredUntil_s = last.sent_s + this.#lateness_s;', ''),
    owed('nothing is ever forgotten', 'this.#asked[0]!.sent_s <= oldest_s', 'false'),
    late(
      'a late reply is the answer',
      'if (exchange === null || answered !== exchange.asked) {',
      'if (exchange === null) {',
    ),
    late(
      'a time-out raises no doubt',
      'unit.unanswered.ask(asked);',
      'unit.unanswered.ask(asked);\n    unit.unanswered.release();',
    ),
    timing(
      'no silence before a request',
      'this.#busyUntil_s + Math.max(this.#silence_s, gap_s)',
      'this.#busyUntil_s + gap_s',
    ),
    timing('no gap of the unit', 'Math.max(this.#silence_s, gap_s)', 'this.#silence_s'),
    timing(
      'a value is as old as its last byte',
      'isPaced ? frame.start_s : frame.arrival_s',
      'frame.arrival_s',
    ),
    timing(
      'the end of a held-up write is believed',
      'const from_s = isPaced ? leastEnd_s : written_s;',
      'const from_s = asked.sent_s;',
    ),
    place('rtu-wire', unit('rtu-wire'))(
      'no quarantine after a time-out',
      'this.#busyUntil_s = Math.max(this.#busyUntil_s, this.#clock.now_s() + replyTime_s);',
      '',
    ),
    form(
      'the length of a reply is not compared',
      'return bytes[at + 1] === form.byteCount ? 2 + form.byteCount : 0;',
      'return 2 + form.byteCount;',
    ),
    form('the reply to a write may say anything', 'if (bytes[at + 1 + i] !== form.bytes[i]) return 0;', ''),
    form(
      'an exception is no reply',
      'if (functionCode === (request.functionCode | exceptionBit)) return 2;',
      '',
    ),
    form('126 registers in one read', 'isBitTable(table) ? readLimit.bits : readLimit.registers);', '2000);'),
    form('a read past the last address', 'address + count <= 0x10000', 'address <= 0x10000'),
    form('a mask is no write', 'new Set([5, 6, 15, 16, 22, 23])', 'new Set([5, 6, 15, 16, 23])'),
    place('crc', unit('protocol'))('another polynomial', '0xa001', '0xa011'),
    place('crc', unit('protocol'))('another start of the CRC', 'let crc = 0xffff;', 'let crc = 0;'),
    frames(
      'a CRC that is not looked at',
      'if (size > 0 && crc16(this.#bytes, start, start + size) === 0) {',
      'if (size > 0) {',
    ),
    frames(
      'one bad byte gives up what lies behind it',
      'start += 1;\n      bad += 1;',
      'bad += this.#length - start;\n      start = this.#length;',
    ),
    frames('bytes given up are not counted', 'if (bad > 0) this.#events.discarded(bad);', ''),
    tcpFrames('the protocol number is not looked at', 'this.#view.getUint16(2) !== 0 || ', ''),
    tcpFrames('any length of a frame', ' || length > longestPdu + 1', ''),
    tcp('any reply answers', 'this.#exchanges.get(transaction)', '[...this.#exchanges.values()][0]'),
    tcp(
      'a mismatched reply is a value',
      'if (unit !== exchange.unit || !isReply(exchange.request, pdu)) {',
      'if (false) {',
    ),
    tcp('the unit is not compared', 'unit !== exchange.unit || ', ''),
    tcp('a number is used twice', 'while (this.#exchanges.has(this.#transaction));', 'while (false);'),
    plan('a block longer than the unit answers', ' || Math.max(end, channelEnd) - from > limit', ''),
    plan(
      'registers that must not be read are read along',
      '(unit.noRead ?? []).some(',
      '([] as never[]).some(',
    ),
    plan('blocks never merge', 'channel.address > end + gap', 'channel.address > end - 1'),
    plan('a probe as long as a block', 'if (taken.has(bytes) || isTaken(table, bytes)) continue;', ''),
    place('poll-plan', unit('block-parts'))(
      'a value that is none spoils its neighbours',
      'const isAlone = canBeInvalid(channel.type);',
      'const isAlone = false;',
    ),
    values(
      'words of DCBA in order',
      "channel.wordOrder === 'CDAB' || channel.wordOrder === 'DCBA'",
      "channel.wordOrder === 'CDAB'",
    ),
    values('bytes of BADC in order', "channel.wordOrder === 'BADC' || channel", 'channel'),
    values('digits above nine', 'if (tens > 9 || ones > 9) return Number.NaN;', ''),
    values('bits from the top', '>> (offset & 7)) & 1', '>> (7 - (offset & 7))) & 1'),
    values('a signed field without its sign', "type.startsWith('int') &&", 'false &&'),
    polls('unit-health')('a dead unit is asked for ever', 'const patience = 3;', 'const patience = 1e9;'),
    polls('unit-health')(
      'a dead unit is asked each second',
      'suspensions_s = [5, 10, 30, 60]',
      'suspensions_s = [1, 1, 1, 1]',
    ),
    place('unit-health', unit('unit-health'))(
      'silent since the last request',
      'this.#failedSince_s ??= now_s;',
      'this.#failedSince_s = now_s;',
    ),
    place('block-slots', unit('late-slots'))(
      'a late slot is lost',
      'if (this.#passed > 1) count',
      'if (this.#passed > 0) count',
    ),
    place('block-slots', unit('late-slots'))(
      'a late slot is not counted',
      "count(this.#counters, 'slotsDelayed');",
      '',
    ),
    place('schedule', unit('schedule'))(
      'the grid moves with a late poll',
      '#next[block]! += lost;',
      '#next[block]! += 0;',
    ),
    polls('orders')('a write to a unit in doubt', 'if (!unit.unanswered.isConfirmed) {', 'if (false) {'),
    polls('orders')(
      'an order waits for a closed line',
      "for (const { settle } of this.#waiting.splice(0)) settle({ kind: 'unsent', why: 'the line is closed' });",
      '',
    ),
    writes(
      'a write before its record',
      'record = await audit.asked(order, unit);',
      'record = 0;\n      void audit.asked(order, unit).catch(() => undefined);',
    ),
    writes(
      'a device that is not writable is written',
      'return unit.isWritable ? unit :',
      'return true ? unit :',
    ),
    writes('a broadcast reaches every device', 'if (locked !== undefined) return', 'if (false) return'),
    writes('a read in disguise', 'if (!isWrite(request)) return', 'if (false) return'),
    place('echo-filter', unit('echo-filter'))(
      'the echo is taken for the reply',
      'if (at < chunk.length) this.#pass(chunk.subarray(at), time_s);',
      'this.#pass(chunk, time_s);',
    ),
    place('count-clock', unit('count-clock'))(
      'a half-width of nothing',
      'return allowance_s + doubt_s + Math.abs(this.#published.lag_s);',
      'return allowance_s;',
    ),
  ],
};
