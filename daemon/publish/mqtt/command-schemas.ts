/** What may be asked of a station by message, and what it answers: JSON Schema (2020-12), also in config/mqtt.schema.json. */
import Type, { type TSchema } from 'typebox';
import type { CommandName } from '../../../config/publish.ts';
import { captureForms } from '../../store/capture-request.ts';

const closed = { additionalProperties: false };
const idWords = 'an id has up to 64 letters, digits, "_", ".", ":" and "-"';
const id = Type.String({
  pattern: '^[A-Za-z0-9_.:-]{1,64}$',
  description:
    'Chosen by the sender, never used again. Each id is carried out and answered once, also where the answer is a refusal, while among the last 1000 ids; a restart clears them.',
});

/** `description` says in words what is allowed; refusals repeat it. */
export const commandSchemas: Readonly<Record<CommandName, TSchema & { readonly description: string }>> = {
  capture: Object.assign(Type.Union(captureForms.map((form) => Type.Object({ id, ...form }, closed))), {
    description: `a window of the disk ring as an event: {"id": "k7", "last_s": 60} (up to 900) or {"id": "k7", "from_ms": 1767225600000, "to_ms": 1767225660000}; ${idWords}`,
  }),
  status: Object.assign(Type.Object({ id }, closed), {
    description: `the state of lines, rig and alarms once more: {"id": "k8"}; ${idWords}`,
  }),
};

const answerHead = {
  node: Type.String({ minLength: 1, description: 'Name of the station.' }),
  boot: Type.String({ minLength: 1, description: 'Run of its recorder.' }),
  command: Type.String({ description: 'What was asked.' }),
  id: Type.Union([Type.String(), Type.Null()], { description: 'Of the command; null when it had none.' }),
  ts: Type.String({ format: 'date-time', description: 'When it was answered, UTC.' }),
};

const answerSchema = Type.Union(
  [
    Type.Object(
      {
        ...answerHead,
        ok: Type.Literal(true),
        event: Type.Optional(Type.String({ description: 'Of `capture`: the new event.' })),
        trouble: Type.Optional(
          Type.String({ description: 'Of `capture`: why the verdict of the new event is not written yet.' }),
        ),
      },
      closed,
    ),
    Type.Object(
      {
        ...answerHead,
        ok: Type.Literal(false),
        error: Type.String({ description: 'What was found and what is allowed, or why it did not work.' }),
      },
      closed,
    ),
  ],
  { description: 'The one answer to a command.' },
);

/** Name of the definition -> schema, for the document of all topics. */
export function commandDefinitions(): Record<string, TSchema> {
  const commands = Object.entries(commandSchemas).map(([name, schema]) => [`command-${name}`, schema]);
  return { ...Object.fromEntries(commands), answer: answerSchema };
}
