/** Messages -> topics and JSON bodies. The schema of every body is in schemas.ts. */
import type { Message } from '../messages.ts';

/** Where the station says whether it is there; retained, and the topic of the last will. */
export function statusTopic(prefix: string, node: string): string {
  return `${prefix}/${node}/status`;
}

export function topicOf(prefix: string, { node, payload }: Message): string {
  return `${prefix}/${node}/${payload.kind}`;
}

/** All commands to a station; the name of one stands for the plus. */
export function commandTopic(prefix: string, node: string): string {
  return `${prefix}/${node}/command/+`;
}

export function answerTopic(prefix: string, node: string, command: string): string {
  return `${prefix}/${node}/answer/${command}`;
}

/** Who, which and when, then the payload as it stands. */
export function bodyOf({ node, boot, seq, at_ms, payload }: Message, historical: boolean): string {
  return JSON.stringify({ node, boot, seq, ts: new Date(at_ms).toISOString(), historical, ...payload });
}

export function onlineBody(node: string, boot: string, software: string, now_ms: number): string {
  return JSON.stringify({ state: 'online', node, boot, software, ts: new Date(now_ms).toISOString() });
}

/** The last will, and the goodbye. */
export const offlineBody = JSON.stringify({ state: 'offline' });
