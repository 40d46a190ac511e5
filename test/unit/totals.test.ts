/** What the last line of CI says: whatever is not a passed test counts against it. */
import { expect, test } from 'vitest';
import { readRun, type SuiteReport, totalsOf } from '../support/totals.ts';

const file = (name: string, statuses: readonly string[], status = 'passed', message = '') => ({
  name,
  status,
  message,
  assertionResults: statuses.map((each, k) => ({ fullName: ` test ${k}`, status: each })),
});
const report = (...testResults: SuiteReport['testResults'][number][]): SuiteReport => ({ testResults });
const good = { name: 'test', exitCode: 0, report: report(file('a', ['passed', 'passed'])) };

test('the totals of two suites are added up', () => {
  const other = { name: 'test:slow', exitCode: 0, report: report(file('b', ['passed'])) };
  expect(totalsOf([good, other])).toEqual({ passed: 3, failed: 0, skipped: 0, troubles: [] });
});

test.each([
  ['a failed test', 1, report(file('b', ['passed', 'failed'], 'failed')), 'failed: b: test 1'],
  [
    'a file that does not load',
    1,
    report(file('b', [], 'failed', 'no such module')),
    'failed: b: no such module',
  ],
  [
    'a file that did not come to its end',
    1,
    report(file('b', ['passed'], 'failed')),
    'failed: b: the file did not come to its end',
  ],
  [
    'an unhandled error',
    1,
    report(file('b', ['passed'])),
    'failed: slow: exit code 1 without a failed test: a crash or an unhandled error',
  ],
  ['a runner that crashed', 137, null, 'failed: slow: no report (exit code 137)'],
  ['a suite without a test', 0, report(), 'failed: slow: not one test passed'],
])('%s is one failure', (_, exitCode, of, trouble) => {
  const { failed, skipped, troubles } = totalsOf([good, { name: 'slow', exitCode, report: of }]);
  expect({ failed, skipped, troubles }).toEqual({ failed: 1, skipped: 0, troubles: [trouble] });
});

test.each(['skipped', 'pending', 'todo', 'a word of a later version'])('%s is a skip', (status) => {
  const suite = { name: 'slow', exitCode: 0, report: report(file('b', ['passed', status])) };
  expect(totalsOf([good, suite])).toEqual({
    passed: 3,
    failed: 0,
    skipped: 1,
    troubles: ['skipped: b: test 1'],
  });
});

test('a step without tests counts when it failed', () => {
  expect(readRun('lint=0')).toBeNull();
  expect(totalsOf([readRun('lint=2')!, good])).toMatchObject({
    passed: 2,
    failed: 1,
    troubles: ['failed: lint: exit code 2'],
  });
});

test('a report that is not there or half written is none', () => {
  const run = readRun(`test=0=${import.meta.filename}`);
  expect(run).toEqual({ name: 'test', exitCode: 0, report: null });
  expect(readRun('test=0=/nowhere/report.json')).toEqual(run);
});
