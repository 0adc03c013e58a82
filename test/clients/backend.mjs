// fhirclient, SMART's own JavaScript client, as a backend service: it finds the
// token endpoint, signs its assertion, and tells its story with the token.
import assert from 'node:assert/strict';
import { randomUUID } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import FHIR from 'fhirclient';
import security from 'fhirclient/lib/security/server.js';
import smart from 'fhirclient/lib/smart.js';
import { base, canonical, response, scoreIs } from './story.mjs';

const request = { headers: {}, url: '/', method: 'GET', protocol: 'http', get: () => undefined };
const connect = (tokenResponse) => FHIR(request, { setHeader() {} }).client({ serverUrl: base(), tokenResponse });
const status = (promise) => promise.then(() => 200, (e) => e.status ?? e.statusCode);

const wellKnown = await smart.fetchWellKnownJson(base());
assert.ok(wellKnown.capabilities.includes('client-confidential-asymmetric'));
assert.equal(await status(connect({}).request('Observation')), 401, 'nothing without a token');

// token asks for one as SMART's backend services do (13.1 of the client's side).
async function token(jwk, scope, jti = randomUUID()) {
  const now = Math.floor(Date.now() / 1000);
  const claims = { iss: jwk.kid, sub: jwk.kid, aud: wellKnown.token_endpoint, jti, iat: now, exp: now + 120 };
  const assertion = await security.signCompactJws(jwk.alg, await security.importJWK({ ...jwk }), { typ: 'JWT', kid: jwk.kid }, claims);
  const answer = await fetch(wellKnown.token_endpoint, { method: 'POST', body: new URLSearchParams({
    grant_type: 'client_credentials', scope, client_assertion: assertion,
    client_assertion_type: 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer' }) });
  return { status: answer.status, ...await answer.json() };
}

for (const alg of wellKnown.token_endpoint_auth_signing_alg_values_supported) {
  const jwk = JSON.parse(readFileSync(join(process.env.TIDEMARK_CHECK_KEYS, `${alg}.json`)));
  const granted = await token(jwk, 'system/*.cruds');
  assert.equal(granted.status, 200);
  assert.equal(granted.token_type.toLowerCase(), 'bearer');
  assert.ok(granted.expires_in <= 300);
  assert.ok(!granted.scope.includes('*'), 'no more than what is registered');

  const client = connect(granted);
  const [form] = await client.request(`Questionnaire?url=${encodeURIComponent(canonical)}`, { flat: true });
  assert.equal(form.url, canonical);
  const created = await client.create(response(`backend-${alg}`));
  const scores = await client.request(`Observation?patient=Patient/oona-backend-${alg}`, { flat: true });
  assert.equal(scores.length, 1);
  scoreIs(scores[0], 37.5, 'final');
  assert.equal(await status(client.delete(`QuestionnaireResponse/${created.id}`)), 403, 'deleting is not registered');
  assert.equal(await status(client.request('AuditEvent')), 403);

  const reading = connect(await token(jwk, 'system/Observation.rs'));
  assert.equal(await status(reading.create(response(`backend-${alg}`, 2))), 403, 'this token is for reading');
  assert.equal(await status(reading.request(`Observation/${scores[0].id}`)), 200);

  const jti = randomUUID();
  assert.equal((await token(jwk, 'system/Observation.rs', jti)).status, 200);
  assert.equal((await token(jwk, 'system/Observation.rs', jti)).error, 'invalid_client', 'an assertion is used once');
}
console.log('fhirclient as a backend service: ES384 and RS384, story told, figures right');
