/**
 * Carries out the steps of a Dockerfile in a clean folder, for machines without a container engine.
 * Stands in for the engine with: one folder a stage as its file system, the machine's shell for RUN (so base images are not
 * checked), a shell function in place of `chown` to users that only the image has. USER is honoured by the caller.
 */
import { execFileSync } from 'node:child_process';
import { cpSync, mkdirSync, mkdtempSync, readFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';

export interface Stage {
  readonly name: string;
  readonly root: string;
  workdir: string;
  user: string;
  entrypoint: string[];
  command: string[];
  healthcheck: string;
  env: Record<string, string>;
}

/** Runs every stage over the tracked files of `context`; returns the last one. Throws with the step that failed. */
export function buildStages(context: string, nodeBinFolder: string): Stage {
  const base = mkdtempSync(join(tmpdir(), 'image-'));
  execFileSync('chmod', ['755', base]);
  const source = join(base, 'context');
  mkdirSync(source);
  copyContext(context, source);
  const stages: Stage[] = [];
  for (const [instruction, rest] of steps(readFileSync(join(context, 'Dockerfile'), 'utf8'))) {
    if (instruction === 'FROM') {
      const name = /\bAS (\S+)/i.exec(rest)?.[1] ?? String(stages.length);
      const root = join(base, `stage-${stages.length}`);
      mkdirSync(root);
      stages.push({
        name,
        root,
        workdir: '/',
        user: 'root',
        entrypoint: [],
        command: [],
        healthcheck: '',
        env: {},
      });
      continue;
    }
    const stage = stages.at(-1);
    if (stage === undefined) throw new Error(`${instruction} before FROM`);
    carryOut(stage, instruction, rest, source, stages, nodeBinFolder);
  }
  return stages.at(-1)!;
}

function steps(text: string): [string, string][] {
  return text
    .replace(/\\\n\s*/g, ' ')
    .split('\n')
    .filter((line) => line.trim() !== '' && !line.startsWith('#'))
    .map((line) => {
      const [instruction = '', ...rest] = line.trim().split(' ');
      return [instruction.toUpperCase(), rest.join(' ')];
    });
}

function carryOut(
  stage: Stage,
  instruction: string,
  rest: string,
  source: string,
  stages: Stage[],
  nodeBinFolder: string,
): void {
  const inStage = (path: string) => join(stage.root, path.startsWith('/') ? path : join(stage.workdir, path));
  switch (instruction) {
    case 'WORKDIR':
      stage.workdir = rest;
      mkdirSync(inStage(rest), { recursive: true });
      return;
    case 'ENV': {
      const [name = '', value = ''] = rest.split('=');
      stage.env[name] = value;
      return;
    }
    case 'COPY': {
      const words = rest.split(/\s+/);
      const from = words[0]?.startsWith('--from=') ? words.shift()!.slice(7) : null;
      const to = words.pop()!;
      const root = from === null ? source : stages.find((other) => other.name === from)!.root;
      for (const word of words) {
        const isFolder = to.endsWith('/') && word !== '.';
        cpSync(join(root, word), isFolder ? join(inStage(to), word) : inStage(to), {
          recursive: true,
          verbatimSymlinks: true,
        });
      }
      return;
    }
    case 'RUN':
      execFileSync('bash', ['-e', '-c', `chown() { :; }; ${rest.replaceAll('/app', inStage('/app'))}`], {
        cwd: inStage(stage.workdir),
        env: { ...process.env, ...stage.env, PATH: `${nodeBinFolder}:${process.env['PATH']}` },
        stdio: 'pipe',
      });
      return;
    case 'USER':
      stage.user = rest;
      return;
    case 'ENTRYPOINT':
      stage.entrypoint = JSON.parse(rest) as string[];
      return;
    case 'CMD':
      stage.command = JSON.parse(rest) as string[];
      return;
    case 'HEALTHCHECK':
      stage.healthcheck = rest.slice(rest.indexOf('CMD ') + 4);
      return;
    case 'VOLUME':
    case 'EXPOSE':
      return;
    default:
      throw new Error(`Dockerfile: ${instruction} is not one of the steps this script knows`);
  }
}

/** Tracked files as they are in the working tree, less what .dockerignore names. */
function copyContext(context: string, target: string): void {
  const ignored = readFileSync(join(context, '.dockerignore'), 'utf8').split('\n').filter(Boolean);
  const tracked = execFileSync('git', ['ls-files', '-z', '--cached', '--others', '--exclude-standard'], {
    cwd: context,
    encoding: 'utf8',
  });
  for (const file of tracked.split('\0').filter(Boolean)) {
    if (ignored.some((entry) => file === entry || file.startsWith(`${entry}/`))) continue;
    cpSync(join(context, file), join(target, file), { verbatimSymlinks: true });
  }
}
