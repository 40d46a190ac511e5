/** `tripwave schema`: writes config/rig.schema.json, which editors use to complete and check rig files. */
import { Command } from 'commander';
import { writeJsonSchema } from '../../config/schema.ts';

/** The command; only of use inside the checkout. */
export function schemaCommand(): Command {
  return new Command('schema')
    .description('Write config/rig.schema.json from the schema in the code (for contributors).')
    .action(() => writeJsonSchema());
}
