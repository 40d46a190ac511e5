/** What pages and receivers outside may read of an error: no folder of this machine. */

/** Each quoted absolute path, which may hold any character but the quote. */
const quoted = /'\/(?!dev\/|api\/)[^']*\/([^/']*)'/g;
/** Each absolute path without spaces; a path of an address or a device stays. */
const bare = /(?<![\w./:])\/(?!dev\/|api\/)(?:[^\s/'",:;]+\/)+([^\s/'",:;]*)/g;

/** Every absolute path of a sentence as its last name alone. */
export function withoutPaths(text: string): string {
  return text.replace(quoted, "'$1'").replace(bare, '$1');
}
