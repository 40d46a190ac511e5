// Plain JavaScript: it runs before anything may be loaded from the cache it chooses.
import { lstatSync, mkdirSync, realpathSync } from 'node:fs';
import { homedir } from 'node:os';
import { basename, dirname, isAbsolute, join, resolve } from 'node:path';

/*
 * The cache holds compiled code that is run as it lies there: whoever can write it runs code as this user. Node's own place is a
 * guessable name in the shared temporary folder, which any local user can make first.
 */

/**
 * A private folder for compiled sources, made when it is not there; null when none can be had safely: then nothing is cached.
 * The service manager's cache folder comes first, then the user's own.
 */
export function privateCacheFolder(environment) {
  for (const candidate of candidates(environment)) {
    try {
      mkdirSync(candidate, { recursive: true, mode: 0o700 });
      if (whyUnsafe(candidate) === null) return realpathSync(candidate);
    } catch {
      // Not to be had there: the next one, or none.
    }
  }
  return null;
}

function candidates(environment) {
  const { CACHE_DIRECTORY, XDG_CACHE_HOME } = environment;
  const found = [];
  // systemd.exec(5): several folders stand in one value with colons between.
  if (CACHE_DIRECTORY) found.push(join(CACHE_DIRECTORY.split(':')[0], 'compiled'));
  try {
    const home = XDG_CACHE_HOME && isAbsolute(XDG_CACHE_HOME) ? XDG_CACHE_HOME : join(homedir(), '.cache');
    found.push(join(home, 'tripwave', 'compiled'));
  } catch {
    // A user without a home.
  }
  return found;
}

/**
 * Why somebody else could change what lies in a folder, in words; null when nobody but this user and root can. The folder itself
 * must be of mode 0700 and no link; above it only this user and root may rename (a sticky folder lets nobody else).
 */
export function whyUnsafe(folder) {
  const own = process.geteuid?.();
  if (own === undefined) return 'this system has no owners of files';
  let path;
  try {
    path = join(realpathSync(dirname(resolve(folder))), basename(resolve(folder)));
    const facts = lstatSync(path);
    if (facts.isSymbolicLink()) return 'it is a symbolic link';
    if (!facts.isDirectory()) return 'it is no folder';
    if (facts.uid !== own) return 'it belongs to another user';
    if ((facts.mode & 0o077) !== 0) return 'other users may enter it (chmod 700 it)';
    for (let above = dirname(path); ; above = dirname(above)) {
      const { uid, mode } = lstatSync(above);
      if (uid !== own && uid !== 0) return `${above} belongs to another user`;
      const isSticky = (mode & 0o1000) !== 0;
      if ((mode & 0o022) !== 0 && !isSticky) return `other users may write into ${above}`;
      if (above === dirname(above)) return null;
    }
  } catch (error) {
    return error instanceof Error ? error.message : String(error);
  }
}
