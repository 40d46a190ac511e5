/**
 * Every counter that status, API, metrics and receivers see: one row each, whoever counts it. Data without imports, so that the
 * dashboard can read it as well. `test/unit/counters.test.ts` holds code and table together, both ways.
 */

/** Who counts: a line (in `lines[].counters`), the recorder or the server (in `counters`), a receiver (in its own `counters`). */
export type CounterOwner = 'line' | 'recorder' | 'server' | 'receiver';

/**
 * `data`: measurements or events are gone for good, which is a trouble at once. `other`: something failed or was left out that
 * is tried again, or costs no measurement; it is shown first. `none`: plain work.
 */
export type CounterLoss = 'none' | 'other' | 'data';

export interface CounterRow {
  readonly owner: CounterOwner;
  /** What is counted. */
  readonly unit: string;
  readonly meaning: string;
  readonly loss: CounterLoss;
  /** May happen now and then by design: a trouble only where it stays a large share. */
  readonly tolerated?: Tolerance;
}

export interface Tolerance {
  /** Counter that it is a share of. */
  readonly of: string;
  /** Whether `of` counts what was lost along. */
  readonly isPart: boolean;
  readonly remedy: string;
}

const damagedRemedy =
  'Much of what arrives is damaged or nonsense. Check the speed, the shield and earth of the cable, and the device itself.';

const row = (owner: CounterOwner, unit: string, meaning: string, loss: CounterLoss = 'none'): CounterRow => ({
  owner,
  unit,
  meaning,
  loss,
});

/** By name. `name:device` counts the same for one device of a line. */
export const counters = {
  linksOpened: row('line', 'openings', 'Times the port or connection was opened.'),
  linksLost: row('line', 'losses of the link', 'Times an open port or connection was lost.', 'other'),
  openErrorsSeen: row('line', 'attempts', 'Attempts to open it that failed.'),
  bytesReceived: row('line', 'bytes', 'Bytes that arrived.'),
  bytesSent: row('line', 'bytes', 'Bytes that were sent.'),
  writesLost: row('line', 'writes', 'Writes of bytes that the line did not take.', 'other'),
  requestsSent: row('line', 'requests', 'Requests sent, probes not counted.'),
  repliesReceived: row('line', 'replies', 'Replies that answered a request.'),
  probesSent: row('line', 'requests', 'Probes sent after a time-out, to make the line unambiguous again.'),
  probesAnswered: row('line', 'replies', 'Probes that were answered.'),
  requestsTimedOut: row(
    'line',
    'requests',
    'Requests without a whole reply in time, a damaged one included; also for each device.',
  ),
  requestsRepeated: row('line', 'requests', 'Reads asked again within their slot.'),
  exceptionsReceived: row(
    'line',
    'replies',
    'Replies that refuse a request (exception codes); also for each device.',
  ),
  lateRepliesDiscarded: row(
    'line',
    'replies',
    'Replies to requests that had been given up; never taken for another.',
    'other',
  ),
  repliesMismatched: row('line', 'replies', 'Modbus TCP: replies that fit no request on its way.'),
  streamsRejected: row(
    'line',
    'connections',
    'Modbus TCP: connections closed because their bytes could not be framed.',
    'other',
  ),
  crcErrorsSeen: row('line', 'frames', 'Frames whose check sum was wrong.'),
  echoesMismatched: row(
    'line',
    'frames',
    'Echoes of our own requests that differed: something else talked at the same time.',
  ),
  bytesDiscarded: {
    ...row('line', 'bytes', 'Bytes that belonged to no awaited frame.', 'other'),
    tolerated: { of: 'bytesReceived', isPart: true, remedy: damagedRemedy },
  },
  slotsLost: {
    ...row('line', 'polls', 'Polls that could not start in their slot, two or more in a row.', 'other'),
    tolerated: {
      of: 'requestsSent',
      isPart: false,
      remedy: 'The devices answer more slowly than they are polled. Poll slower or raise the baud rate.',
    },
  },
  slotsDelayed: row('line', 'polls', 'Single polls that started one slot late; the value counts.'),
  slotsWithheld: row('line', 'polls', 'Polls not asked because their device was unconfirmed or suspended.'),
  readsParted: row('line', 'reads', 'Reads that a device refused whole and that were asked in two parts.'),
  unitsSuspended: row('line', 'suspensions', 'Times a device that did not answer was left out for a while.'),
  valuesRejected: row('line', 'values', 'Register values that are no number; marked as invalid.', 'other'),
  blocksDiscarded: row(
    'line',
    'reads',
    'Reads of a ring in a device whose scans were overwritten meanwhile.',
    'data',
  ),
  writesAccepted: row('line', 'writes', 'Writes to a device that it confirmed, or that were sent to all.'),
  writesRefused: row('line', 'writes', 'Writes to a device that were not sent.', 'other'),
  writesFailed: row('line', 'writes', 'Writes to a device that it refused or did not confirm.', 'other'),
  framesReceived: row('line', 'frames', 'Whole frames of a converter.'),
  framesRefused: row('line', 'frames', 'Whole frames with fewer channels than configured.', 'other'),
  statusFaultsSeen: row('line', 'frames', 'Frames in which the converter reports a fault.'),
  overRangesSeen: row('line', 'frames', 'Frames in which the converter reports over-range.'),
  linesReceived: row('line', 'lines', 'Lines of text of a converter.'),
  linesRefused: row('line', 'lines', 'Lines of text that could not be read; each costs its scan.', 'other'),
  bytesSkipped: {
    ...row('line', 'bytes', 'Bytes of no accepted frame or line.', 'other'),
    tolerated: { of: 'bytesReceived', isPart: true, remedy: damagedRemedy },
  },
  scansReceived: row('line', 'scans', 'Scans that arrived.'),
  scansLost: row('line', 'scans', 'Scans that never arrived.', 'data'),
  scansDiscarded: row('line', 'scans', 'Scans that arrived but were taken before earlier ones.', 'data'),
  restartsSeen: row('line', 'restarts', 'Times the count of scans of the device began anew.'),
  rowsRefused: row('line', 'rows', 'Rows of a CSV that could not be read.', 'other'),
  cellsMissed: row('line', 'cells', 'Cells of a CSV without a number; marked as suspect.'),
  tripsDeclared: row('recorder', 'trips', 'Trips that were declared.'),
  aftershocksSeen: row('recorder', 'surges', 'Later slams counted to an event that had closed.'),
  startSurgesSeen: row('recorder', 'surges', 'Surges within two seconds of the start of a pump; no event.'),
  samplesLate: row(
    'recorder',
    'samples',
    'Samples that came too late for their 50 ms summary; the records have them.',
  ),
  tornSetAside: row(
    'recorder',
    'folders',
    'Half-written event folders of an earlier run that were set aside.',
  ),
  ringTailsRecovered: row('recorder', 'files', 'Tails of the disk ring of an earlier run that were kept.'),
  ringBytesTorn: row(
    'recorder',
    'bytes',
    'Bytes at the ends of ring files of an earlier run that were no whole chunk.',
  ),
  tripLinesTorn: row('recorder', 'lines', 'Damaged lines found in the ledger of trips.'),
  ringCommitsDone: row('recorder', 'writes', 'Writes of the disk ring that were synced.'),
  ringCommitsFailed: row('recorder', 'writes', 'Writes of the disk ring that the disk refused.', 'other'),
  ringScansRefused: row(
    'recorder',
    'scans',
    'Scans not kept in the disk ring because the disk refused them.',
    'other',
  ),
  ringScansOutrun: row(
    'recorder',
    'scans',
    'Scans not kept in the disk ring because they came faster than the disk took them.',
  ),
  ringBytesWritten: row('recorder', 'bytes', 'Bytes written to the disk ring.'),
  ringFilesRemoved: row('recorder', 'files', 'Files of the disk ring removed by age or quota.'),
  tornFoldersRemoved: row('recorder', 'folders', 'Half-written event folders removed by age.'),
  spaceChecksFailed: row('recorder', 'checks', 'Checks of the free space that failed.', 'other'),
  clockStepsSeen: row('recorder', 'steps', 'Steps of the wall clock.'),
  calibrationEntriesFailed: row(
    'recorder',
    'entries',
    'Calibrations that could not be entered into the ledger; events carry them.',
    'other',
  ),
  eventsWritten: row('recorder', 'events', 'Events whose folder is closed on the disk.'),
  eventWritesFailed: row(
    'recorder',
    'attempts',
    'Attempts to write an event that failed; tried again.',
    'other',
  ),
  eventsDropped: row('recorder', 'events', 'Events lost: no memory and no disk could hold them.', 'data'),
  tripsRebuilt: row(
    'recorder',
    'events',
    'Events made from the ring because the run that declared the trip had died.',
  ),
  tripsLost: row('recorder', 'trips', 'Declared trips whose samples cannot be had any more.', 'other'),
  tripsUnrecorded: row('recorder', 'trips', 'Trips that fell into the time without a recorder.'),
  tripLinesWritten: row('recorder', 'lines', 'Lines written to the ledger of trips.'),
  tripLineWritesFailed: row(
    'recorder',
    'attempts',
    'Attempts to write the ledger of trips that failed; tried again.',
    'other',
  ),
  tripLinesGivenUp: row('recorder', 'lines', 'Lines of the ledger of trips that were given up.'),
  summariesSent: row('recorder', 'summaries', 'Live summaries sent to the server.'),
  summariesDropped: {
    ...row(
      'recorder',
      'summaries',
      'Live summaries dropped because the server was slow or away; the records have every sample.',
      'other',
    ),
    tolerated: {
      of: 'summariesSent',
      isPart: false,
      remedy: 'The live picture lags behind, the records do not. Lighten the load of this machine.',
    },
  },
  statusesReplaced: row(
    'recorder',
    'messages',
    'Status messages replaced by a newer one before they were sent.',
  ),
  serverStarts: row('recorder', 'starts', 'Starts of the server process.'),
  serverExits: row('recorder', 'exits', 'Ends of the server process.'),
  serverSendsFailed: row('recorder', 'messages', 'Messages that the server process did not take.', 'other'),
  hintsDropped: row(
    'recorder',
    'messages',
    'Hints of a new event not sent to a busy server; it finds the folder by itself.',
    'other',
  ),
  viewersOpened: row('server', 'viewers', 'Browsers that began to watch live.'),
  viewersClosed: row('server', 'viewers', 'Browsers closed because they read too slowly.'),
  viewersRefused: row('server', 'viewers', 'Browsers refused because too many watch.', 'other'),
  connectionsRefused: row('server', 'connections', 'Connections refused because too many are open.', 'other'),
  framesSent: row('server', 'frames', 'Live frames sent to browsers.'),
  framesSkipped: row('server', 'frames', 'Live frames that a slow browser missed.', 'other'),
  messagesDelivered: row('receiver', 'messages', 'Messages that the receiver took.'),
  messagesRejected: row(
    'receiver',
    'messages',
    'Messages that it will never take; they are dead letters.',
    'other',
  ),
  messagesShed: row(
    'receiver',
    'messages',
    'Messages removed for want of space before the receiver had them.',
  ),
  deliveriesSettled: row('receiver', 'deliveries', 'Batches that were settled.'),
  deliveriesFailed: row(
    'receiver',
    'deliveries',
    'Batches that the receiver did not take; sent again.',
    'other',
  ),
  deliveriesBroken: row(
    'receiver',
    'deliveries',
    'Batches that ended in an error of the sink itself; sent again.',
  ),
  commandsDone: row('receiver', 'commands', 'Commands that were carried out.'),
  commandsRefused: row('receiver', 'commands', 'Commands that were refused.', 'other'),
  commandsRepeated: row(
    'receiver',
    'commands',
    'Commands that came again and were answered once more from memory.',
  ),
  commandsDropped: row(
    'receiver',
    'commands',
    'Commands beyond the permitted rate; neither read nor answered.',
    'other',
  ),
  answersLost: row('receiver', 'answers', 'Answers to commands that could not be sent.', 'other'),
} as const satisfies Readonly<Record<string, CounterRow>>;

/** The row of a counter; `null` for a name that is in no row, such as that of a single device. */
export function counterRow(name: string): CounterRow | null {
  return Object.hasOwn(counters, name) ? counters[name as keyof typeof counters] : null;
}
