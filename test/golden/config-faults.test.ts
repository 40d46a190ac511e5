import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { formatFault } from '../../config/fault.ts';
import { parseRig } from '../../config/load.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';

const folder = new URL('./config-ten-faults/', import.meta.url);

describe('a rig file with ten faults', () => {
  it('prints ten messages a technician can act on', () => {
    const text = readFileSync(new URL('config.yaml', folder), 'utf8');
    const expected = readFileSync(new URL('expected.txt', folder), 'utf8').trimEnd().split('\n');
    const { config, findings } = parseRig(text, 'config.yaml', physics);
    expect(config).toBeNull();
    expect(findings.map(formatFault)).toEqual(expected);
    expect(expected).toHaveLength(10);
  });
});
