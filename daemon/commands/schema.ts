/**
 * `tripwave schema`: writes config/rig.schema.json, which editors use to complete and check rig files, the tables of
 * config/README.md, and config/mqtt.schema.json, which receivers of JSON topics use.
 */
import { writeFileSync } from 'node:fs';
import { Command } from 'commander';
import { writeKeyPage } from '../../config/key-tables.ts';
import { writeJsonSchema } from '../../config/schema.ts';
import { topicSchemaText } from '../publish/mqtt/schemas.ts';

/** The command; only of use inside the checkout. */
export function schemaCommand(): Command {
  return new Command('schema')
    .description(
      'Write config/rig.schema.json, the tables of config/README.md and config/mqtt.schema.json from the code (for contributors).',
    )
    .action(() => {
      writeJsonSchema();
      writeKeyPage();
      writeFileSync(new URL('../../config/mqtt.schema.json', import.meta.url), topicSchemaText());
    });
}
