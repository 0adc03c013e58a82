// fhir-kit-client, a general FHIR client for Node.js.
import assert from 'node:assert/strict';
import { Client } from 'fhir-kit-client';
import { base, canonical, outcomeIs, response, scoreIs } from './story.mjs';

const client = new Client({ baseUrl: base() });
const found = (bundle) => (bundle.entry ?? []).map((e) => e.resource);

const statement = await client.capabilityStatement();
assert.equal(statement.fhirVersion, '4.0.1');
const forms = await client.search({ resourceType: 'Questionnaire', searchParams: { url: canonical, status: 'active' } });
assert.equal(found(forms)[0].url, canonical);
await client.read({ resourceType: 'Questionnaire', id: found(forms)[0].id });

const created = await client.create({ resourceType: 'QuestionnaireResponse', body: response('kit') });
assert.equal(created.meta.versionId, '1');
const search = (searchParams) => client.search({ resourceType: 'Observation', searchParams });
let [score] = found(await search({ 'derived-from': `QuestionnaireResponse/${created.id}` }));
scoreIs(score, 37.5, 'final');

// The answers were corrected: itch was 6.5.
const amended = { ...created, ...response('kit', 1, 6.5), id: created.id, status: 'amended' };
const updated = await client.update({ resourceType: 'QuestionnaireResponse', id: created.id, body: amended,
  options: { headers: { 'If-Match': 'W/"1"' } } });
assert.equal(updated.meta.versionId, '2');
score = await client.read({ resourceType: 'Observation', id: score.id });
scoreIs(score, 40.5, 'amended');
scoreIs(await client.vread({ resourceType: 'Observation', id: score.id, version: '1' }), 37.5, 'final');
const stale = await client.update({ resourceType: 'QuestionnaireResponse', id: created.id, body: { ...amended, language: 'en' },
  options: { headers: { 'If-Match': 'W/"1"' } } }).catch((e) => e.response);
assert.equal(stale.status, 412);

// One request with several responses; then pages of one.
const bundle = await client.transaction({ body: { resourceType: 'Bundle', type: 'transaction',
  entry: [2, 3].map((n) => ({ resource: response('kit', n), request: { method: 'POST', url: 'QuestionnaireResponse' } })) } });
assert.deepEqual(bundle.entry.map((e) => e.response.status.slice(0, 3)), ['201', '201']);
const batch = await client.batch({ body: { resourceType: 'Bundle', type: 'batch', entry: [
  { request: { method: 'GET', url: `Observation/${score.id}` } }, { request: { method: 'GET', url: 'Observation/nowhere' } }] } });
assert.deepEqual(batch.entry.map((e) => e.response.status.slice(0, 3)), ['200', '404']);
const dates = [];
for (let page = await search({ patient: 'Patient/oona-kit', _sort: '-date', _count: 1 }); page; page = await client.nextPage({ bundle: page })) {
  assert.equal(page.total, 3);
  dates.push(...found(page).map((o) => o.effectivePeriod.end));
}
assert.deepEqual(dates, [3, 2, 1].map((n) => response('kit', n).authored));
const posted = await client.search({ resourceType: 'Observation', searchParams: { patient: 'Patient/oona-kit', date: 'ge2026-03-03' }, options: { postSearch: true } });
assert.equal(posted.total, 1);

// Everything that is wrong, at once and where.
const wrong = response('kit', 4);
wrong.item[1].item.pop();
wrong.item[2].item[0].answer[0].valueDecimal = 11;
const refused = await client.create({ resourceType: 'QuestionnaireResponse', body: wrong }).catch((e) => e.response);
assert.equal(refused.status, 422);
outcomeIs(refused.data, 'required', 'QuestionnaireResponse');
outcomeIs(refused.data, 'value', 'QuestionnaireResponse.item[2].item[0].answer[0].value');

// Asking without storing; the statistics; the past; and taking back.
const checked = await client.operation({ name: 'validate', resourceType: 'QuestionnaireResponse', input: response('kit', 5) });
assert.ok(checked.issue.every((i) => i.severity !== 'error'));
const extracted = await client.operation({ name: 'extract', resourceType: 'QuestionnaireResponse', input: response('kit', 5) });
scoreIs(extracted, 37.5, 'final');
const last = await client.operation({ name: 'lastn', resourceType: 'Observation', method: 'GET', input: { patient: 'Patient/oona-kit', category: 'survey', max: 1 } });
assert.equal(found(last).length, 1);
await client.delete({ resourceType: 'QuestionnaireResponse', id: created.id });
const gone = await client.read({ resourceType: 'QuestionnaireResponse', id: created.id }).catch((e) => e.response);
assert.equal(gone.status, 410);
const history = await client.resourceHistory({ resourceType: 'Observation', id: score.id });
assert.deepEqual(found(history).map((o) => o.status), ['entered-in-error', 'amended', 'final']);
assert.equal((await search({ patient: 'Patient/oona-kit' })).total, 2, 'what was taken back is not listed');
console.log('fhir-kit-client: story told, figures right');
