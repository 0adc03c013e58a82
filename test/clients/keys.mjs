// keys.mjs DIRECTORY: the keys of two invented backend services, one for each
// algorithm that SMART asks for, and the file that registers them.
import { generateKeyPairSync } from 'node:crypto';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';

const directory = process.argv[2];
const pairs = {
  ES384: generateKeyPairSync('ec', { namedCurve: 'P-384' }),
  RS384: generateKeyPairSync('rsa', { modulusLength: 2048 }),
};
const clients = Object.entries(pairs).map(([alg, { publicKey, privateKey }]) => {
  const members = { alg, kid: `fernway-${alg}`, use: 'sig' };
  writeFileSync(join(directory, `${alg}.json`), JSON.stringify({ ...privateKey.export({ format: 'jwk' }), alg, kid: members.kid }), { mode: 0o600 });
  return { client_id: `fernway-${alg}`, jwks: { keys: [{ ...publicKey.export({ format: 'jwk' }), ...members }] },
    scope: 'system/QuestionnaireResponse.cru system/Observation.rs system/Questionnaire.rs' };
});
writeFileSync(join(directory, 'clients.json'), JSON.stringify({ clients }));
