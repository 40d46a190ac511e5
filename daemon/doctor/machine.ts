/** The little of a Linux machine that the examination reads. A root other than `/` is a folder that looks like one. */
import {
  accessSync,
  constants,
  readdirSync,
  readFileSync,
  readlinkSync,
  realpathSync,
  statSync,
} from 'node:fs';
import { basename, join } from 'node:path';

/** Everything is asked by absolute path; what is not there or may not be read is null or empty, never an error. */
export class Machine {
  readonly root: string;

  constructor(root = '/') {
    this.root = root;
  }

  /** Content of a small text file without the white space at its ends. */
  text(path: string): string | null {
    return this.ask(() => readFileSync(this.at(path), 'utf8').trim());
  }

  /** Names in a folder, sorted. */
  names(path: string): string[] {
    return this.ask(() => readdirSync(this.at(path)).sort()) ?? [];
  }

  has(path: string): boolean {
    return this.ask(() => accessSync(this.at(path), constants.F_OK)) !== null;
  }

  mayReadAndWrite(path: string): boolean {
    return this.ask(() => accessSync(this.at(path), constants.R_OK | constants.W_OK)) !== null;
  }

  /** Permission bits and owner of what a path ends at after all links. */
  rights(path: string): { mode: number; uid: number } | null {
    return this.ask(() => statSync(this.at(path)));
  }

  /** What a link says, unresolved. */
  link(path: string): string | null {
    return this.ask(() => readlinkSync(this.at(path)));
  }

  /** Where a path ends after all links, as a path of this machine. */
  real(path: string): string | null {
    const real = this.ask(() => realpathSync(this.at(path)));
    if (real === null || this.root === '/') return real;
    const root = realpathSync(this.root);
    return real.startsWith(root) ? real.slice(root.length) : real;
  }

  /** Last part of what a link points at. */
  linkName(path: string): string | null {
    const target = this.link(path);
    return target === null ? null : basename(target);
  }

  private at(path: string): string {
    return this.root === '/' ? path : join(this.root, path);
  }

  /** null stands for "the system does not say", whatever its reason. */
  private ask<T>(read: () => T): T | null {
    try {
      return read();
    } catch {
      return null;
    }
  }
}
