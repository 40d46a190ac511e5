/** Bodies held to the written schema of their topics by an independent reader of JSON Schema. */
import { readFileSync } from 'node:fs';
import { Ajv2020, type ValidateFunction } from 'ajv/dist/2020.js';
import addFormats from 'ajv-formats';

const file = new URL('../../config/mqtt.schema.json', import.meta.url);

/** What is wrong with the body of a topic of a station; empty when nothing is. */
export function topicFaults(): (topic: string, body: string) => string {
  const ajv = new Ajv2020({ allErrors: true, strict: false });
  addFormats.default(ajv);
  ajv.addSchema({ ...JSON.parse(readFileSync(file, 'utf8')), $id: 'topics' });
  const compiled = new Map<string, ValidateFunction>();
  return (topic, body) => {
    const [, , first, second] = topic.split('/') as [string, string, string, string?];
    const name = first === 'answer' ? 'answer' : second === undefined ? first : `${first}-${second}`;
    const validate = compiled.get(name) ?? ajv.compile({ $ref: `topics#/$defs/${name}` });
    compiled.set(name, validate);
    return validate(JSON.parse(body)) ? '' : `${topic}: ${ajv.errorsText(validate.errors)}: ${body}`;
  };
}
