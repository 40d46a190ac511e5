/** Keys that every sink has that connects to a message broker; spread into its object. */
import Type, { type Static } from 'typebox';
import { Secret } from './schema-publish-sink.ts';
import { Formed, Quantity } from './schema-types.ts';

const pemFile = (description: string) => Type.Optional(Type.String({ minLength: 1, description }));

export const brokerKeys = {
  url: Type.String({ minLength: 1, description: 'For example mqtts://broker.example:8883.' }),
  version: Type.Enum(['auto', '5', '3.1.1'], {
    default: 'auto',
    description: 'Protocol; `auto` tries 5, then 3.1.1.',
  }),
  clientId: Type.Optional(
    Formed(/^[A-Za-z0-9_-]{1,64}$/, 'a name of letters, digits, "-" and "_", at most 64,', {
      description: 'Unique at the broker and always the same; `tripwave-NODE-NAME` when left out.',
    }),
  ),
  user: Type.Optional(Type.String({ minLength: 1, description: 'Together with `password`.' })),
  password: Type.Optional(Secret('Password of the user.')),
  authority: pemFile("PEM file of the authority that signed the broker's certificate."),
  certificate: pemFile('PEM file of the certificate that this machine shows to the broker.'),
  key: pemFile('PEM file of its private key, readable by this user alone.'),
  timeout: Quantity('time', {
    min: '1 s',
    max: '60 s',
    default: '10 s',
    description: 'A broker that does not answer for so long has failed.',
  }),
};

const brokerSchema = Type.Object(brokerKeys);

export type BrokerText = Static<typeof brokerSchema>;
