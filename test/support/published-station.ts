/** A real recorder with its real server, fed by hand, that publishes to the receivers of a test. */
import type { SinkConfig } from '../../config/publish.ts';
import { startRecorder } from '../../daemon/recorder/recorder.ts';
import { temporaryFolder } from './event-builder.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';
import { feedInterval_s, TripFeed } from './trip-feed.ts';

const serverModule = new URL('../../daemon/server/main.ts', import.meta.url).pathname;

/** Nothing is fed before the test does. `remove` ends the recorder, if it has not ended, and takes its folder away. */
export async function publishedStation(node: string, sinks: readonly SinkConfig[]) {
  const folder = temporaryFolder();
  const driver = new PushedDriver(feedInterval_s);
  const config = {
    ...recorderRig({ dataFolder: folder.path }),
    lines: [pushedLine],
    server: { host: '127.0.0.1', port: 0 },
    publish: { node, quota_bytes: 1e8, backlogRate_Hz: 200, sinks },
  };
  const recorder = await startRecorder(config, {
    serverModule,
    createDriver: () => driver,
    log: silentLog(),
  });
  const remove = async () => {
    await recorder.stop();
    folder.remove();
  };
  return { recorder, driver, feed: new TripFeed(driver), remove };
}
