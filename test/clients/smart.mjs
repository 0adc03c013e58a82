// fhirclient, SMART's own JavaScript client, used without authorisation.
import assert from 'node:assert/strict';
import FHIR from 'fhirclient';
import { base, canonical, response, scoreIs } from './story.mjs';

const request = { headers: {}, url: '/', method: 'GET', protocol: 'http', get: () => undefined };
const client = FHIR(request, { setHeader() {} }).client(base());

const [form] = await client.request(`Questionnaire?url=${encodeURIComponent(canonical)}`, { flat: true });
assert.equal(form.url, canonical);
const created = await client.create(response('smart'));
assert.equal(created.meta.versionId, '1');
await client.create(response('smart', 2, 6.5));

// Pages are followed and references resolved by the library.
const scores = await client.request(`Observation?patient=Patient/oona-smart&_sort=date&_count=1`, {
  pageLimit: 0, flat: true, resolveReferences: ['derivedFrom.0'] });
assert.equal(scores.length, 2);
scoreIs(scores[0], 37.5, 'final');
scoreIs(scores[1], 40.5, 'final');
assert.equal(scores[0].derivedFrom[0].id, created.id, 'the reference was replaced by what it refers to');

const both = await client.request(`Observation?patient=Patient/oona-smart&_include=Observation:derived-from`);
assert.deepEqual(both.entry.map((e) => e.search.mode).sort(), ['include', 'include', 'match', 'match']);

const updated = await client.update({ ...created, status: 'entered-in-error' });
assert.equal(updated.meta.versionId, '2');
scoreIs(await client.request(`Observation/${scores[0].id}`), 37.5, 'entered-in-error');
await client.delete(`QuestionnaireResponse/${created.id}`);

const wrong = { ...response('smart', 3), status: 'final' };
const error = await client.create(wrong).then(() => undefined, (e) => e);
assert.equal(error.status ?? error.statusCode, 400);
assert.match(error.message, /status/, 'the library tells the text of the outcome');
console.log('fhirclient: story told, figures right');
