/** Secrets of receivers that other users of the machine may read or change. */
import type { PublishConfig } from '../../config/publish.ts';
import { exposureOf, secretFilesOf } from '../publish/secret.ts';
import { type Finding, good, warning } from './finding.ts';
import type { Machine } from './machine.ts';

/** Each file with a password, a token or a key that the rig file names. `own_uid`: the user this runs as. */
export function examineSecrets(
  machine: Machine,
  publish: PublishConfig | undefined,
  own_uid: number | null,
): Finding[] {
  return (publish?.sinks ?? []).flatMap((sink) =>
    secretFilesOf(sink).map((file) => {
      const subject = `secret of ${sink.name}`;
      const rights = machine.rights(file);
      if (rights === null)
        return warning(
          subject,
          `${file} is not there, or its folder may not be read`,
          'Put it there, readable by the service alone.',
        );
      const exposure = exposureOf(file, rights, own_uid);
      if (exposure === null) return good(subject, `${file}, read by its owner and group at most`);
      return warning(subject, `${file}: ${exposure.found}`, exposure.remedy);
    }),
  );
}
