import { execFileSync } from 'node:child_process';
import { expect, it } from 'vitest';

/** Lists the packages of the registry that loading a module brings with it. */
const lister = `
import { registerHooks } from 'node:module';
const found = new Set();
registerHooks({
  load(url, context, next) {
    const package_ = /node_modules\\/((?:@[^/]+\\/)?[^/]+)/.exec(url);
    if (package_ !== null) found.add(package_[1]);
    return next(url, context);
  },
});
await import(process.argv[1]);
console.log(JSON.stringify([...found]));
`;

function packagesOf(module: string): string[] {
  const url = new URL(module, import.meta.url).href;
  const text = execFileSync(process.execPath, ['--input-type=module', '-e', lister, url], {
    encoding: 'utf8',
  });
  return JSON.parse(text) as string[];
}

it('loads no package with the recorder: what is loaded stays in memory for months', () => {
  expect(packagesOf('../../../daemon/recorder/recorder.ts')).toEqual([]);
});

it('sees a package that is loaded', () => {
  expect(packagesOf('../../../config/schema-disk.ts')).toContain('typebox');
});
