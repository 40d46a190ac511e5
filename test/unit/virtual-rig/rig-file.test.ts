import { readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import { ConfigError } from '../../../config/fault.ts';
import { loadRigFile } from '../../../daemon/virtual-rig/rig-file.ts';

const demo = 'config/demo.rig.yaml';
const file = join(tmpdir(), `tripwave-rig-file-${process.pid}.yaml`);
afterEach(() => rmSync(file, { force: true }));

/** Faults of the demo file after some texts were replaced. */
function faultsOf(changes: Record<string, string>): string[] {
  let text = readFileSync(demo, 'utf8');
  for (const [from, to] of Object.entries(changes)) {
    expect(text).toContain(from);
    text = text.replace(from, to);
  }
  writeFileSync(file, text);
  try {
    loadRigFile(file);
  } catch (error) {
    expect(error).toBeInstanceOf(ConfigError);
    return (error as Error).message.split('\n').map((line) => line.replace(`${file}:`, ''));
  }
  return [];
}

describe('the rig file', () => {
  it('takes effects, and names those it does not know', () => {
    const named = (effects: string) => faultsOf({ 'seed: 20260611': `effects: [${effects}]` });
    expect(named('gas-pocket=0.3, leak@B')).toEqual([]);
    const [first, second] = named('gas, leak=11@A');
    expect(first).toContain('effects[0]: effect: found "gas"; allowed: plastic-wall');
    expect(second).toContain(
      'effects[1]: effect leak: found "11"; a number from 0.001 to 10 (% area) is allowed',
    );
  });

  it('of the demo becomes a rig in SI', () => {
    const spec = loadRigFile(demo);
    expect(spec.plant).toMatchObject({
      dt_s: 2e-4,
      atmosphere_PaAbs: 100_800,
      pressureSwitch: { setPoint_Pa: 5.4e5, contactorDelay_s: 0.04 },
    });
    expect(spec.plant.legs.map(({ id, downstream }) => [id, downstream.length_m])).toEqual([
      ['A', 9],
      ['B', 11.5],
    ]);
    expect(spec.plant.pumps[1]).toEqual(spec.plant.pumps[0]);
    expect(spec.plant.legs[0]!.valve).toMatchObject({ spring: null, dashpot: { engage_rad: 0.15 } });
    expect(spec.sensors.find(({ id }) => id === 'TT-301')).toMatchObject({
      noise: 0.02,
      range: [273.15, 333.15],
    });
    const [bus, stream] = spec.lines;
    expect(bus).toMatchObject({ face: 'modbus', baud: 115_200, characterBits: 11 });
    expect(stream).toMatchObject({
      face: 'converter',
      converter: { rate_Hz: 5000, clockError_ratio: 2.3e-5 },
    });
    const registers = bus?.face === 'modbus' ? bus.units[0]!.registers : [];
    expect(registers[0]).toMatchObject({ sources: ['FT-101'], scale: 1 / 3600, offset: 0 });
    expect(registers.find(({ sources }) => sources[0] === 'TT-301')).toMatchObject({
      scale: 0.1,
      offset: 273.15,
    });
    expect(registers.find(({ sources }) => sources.length === 2)).toMatchObject({
      type: 'uint16',
      address: 9,
    });
  });

  it('reports every fault at once with its place', () => {
    const faults = faultsOf({
      'setPoint: 5.4 bar': 'setPoint: 5.4 m',
      'exitLoss: 1\n': 'exitLos: 1\n',
      'clockError: 23 ppm': 'clockError: 23 %',
    });
    expect(faults).toHaveLength(3);
    expect(faults[0]).toMatch(/^\d+:\d+: .*unknown key "exitLos"; did you mean "exitLoss"\?/);
    expect(faults[1]).toMatch(/pressureSwitch.setPoint: found "5.4 m"; m measures length/);
    expect(faults[2]).toMatch(/clockError: found "23 %"; .* is allowed/);
  });

  it('finds names that lead nowhere and registers that make no sense', () => {
    const faults = faultsOf({
      'legs: [[A], [B]]': 'legs: [[A], [C]]',
      'shows: FT-101': 'shows: FT-109',
      'unit: rpm }': 'unit: bar }',
      'type: uint16, shows: [run': 'type: int16, shows: [run',
      'type: bit, shows: run-contact': 'type: int16, shows: run-contact',
      'channels: [PT-101': 'channels: [PT-999',
      'measures: pump-speed, pump: 2': 'measures: pump-speed, pump: 3',
      'id: ZT-201': 'id: ZT-101',
    }).join('\n');
    expect(faults).toMatch(/found "C"; a leg of this file is allowed: A, B/);
    expect(faults).toMatch(/found "FT-109"; a sensor of this file is allowed: run-contact/);
    expect(faults).toMatch(/unit: found "bar"; a unit of rotation is allowed/);
    expect(faults).toMatch(/type: found int16; a status word is allowed to be uint16/);
    expect(faults).toMatch(/type: found int16; bit is allowed in this table/);
    expect(faults).toMatch(/found "PT-999"; a sensor/);
    expect(faults).toMatch(/found pump 3; 1 to 2 are allowed/);
    expect(faults).toMatch(/found "ZT-101" a second time/);
  });

  it('refuses a stream that does not fit its line', () => {
    expect(faultsOf({ 'baud: 921600': 'baud: 460800' }).join()).toMatch(
      /lines\[1\].baud: found 460800; this stream fills it to 160 %: 817800 or more is allowed/,
    );
  });

  it('takes faults that are there from the start', () => {
    const text = readFileSync(demo, 'utf8');
    writeFileSync(
      file,
      `${text}
faults:
  - { kind: line, line: bus, bitErrors: 100 ppm }
  - { kind: unit, line: bus, unit: 2, dead: true }
  - { kind: frozen, sensor: PT-101 }
  - { kind: spikes, sensor: PT-201, rate: 2 Hz, height: 5e5 }
  - { kind: clipped, sensor: PT-102, range: [-1e5, 6e5] }
`,
    );
    expect(loadRigFile(file).faults).toEqual([
      { line: 'bus', bitErrors_ratio: expect.closeTo(1e-4, 9), lostBytes_ratio: 0 },
      { line: 'bus', unit: 2, isDead: true, late_ratio: 0, latest_s: 0 },
      { sensor: 'PT-101', fault: { kind: 'frozen' } },
      { sensor: 'PT-201', fault: { kind: 'spikes', rate_Hz: 2, height: 5e5 } },
      { sensor: 'PT-102', fault: { kind: 'clipped', range: [-1e5, 6e5] } },
    ]);
  });
});
