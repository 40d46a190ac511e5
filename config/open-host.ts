/** An address of the pages that other machines reach: refused until there are users, but for one switch. */

/** What a person writes under `server.openNetwork` to let other machines in while there are no users. */
export const openNetworkWords = 'no users, closed test network';

/** What is wrong with an address that other machines reach, and what is allowed; `how` is the switch at hand. */
export function openHostFault(host: string, how = `openNetwork: ${openNetworkWords}`): string {
  return (
    `found "${host}": other machines could reach the dashboard, and there are no users yet; 127.0.0.1, ::1 and localhost are allowed, ` +
    `others on a closed test network only, with ${how}`
  );
}
