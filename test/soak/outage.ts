/** `node test/soak/outage.ts [hours]`: 72 h without a receiver, ten kills, then the drain. Prints its figures as JSON. */
import { runOutage } from '../support/outage.ts';

const hours = Number(process.argv[2] ?? 72);
const figures = await runOutage({
  outage_s: hours * 3600,
  channels: 8,
  eventEvery_s: 600,
  backlogRate_Hz: 2500,
  kills: 8,
  drainKills: 2,
});
const { drainRss_MB, eventsMissing, liveDelay_s, messagesRepeated, outOfOrder, rss_MB, secondsMissing } =
  figures;
/** A batch holds so many at the most; each kill while the backlog drains may send one again. */
const mostBatch = 500;
const meets =
  eventsMissing === 0 &&
  secondsMissing === 0 &&
  outOfOrder === 0 &&
  messagesRepeated <= 2 * mostBatch &&
  liveDelay_s.worst <= 2 &&
  rss_MB[1] < 1.2 * rss_MB[0] &&
  drainRss_MB[1] < 1.2 * drainRss_MB[0];
process.stdout.write(`${JSON.stringify({ hours, ...figures, meets })}\n`);
process.exit(meets ? 0 : 1);
