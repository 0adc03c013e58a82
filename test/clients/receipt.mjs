// fhir-kit-client, following a response to the hospital: by its receipt, and by a
// Subscription.
import assert from 'node:assert/strict';
import { createServer } from 'node:http';
import { setTimeout as sleep } from 'node:timers/promises';
import { Client } from 'fhir-kit-client';
import { base, response, scoreIs } from './story.mjs';

const patience = 60_000;
const client = new Client({ baseUrl: base() });
const hospital = new Client({ baseUrl: process.env.TIDEMARK_CHECK_HOSPITAL });
const guide = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-';

// until asks again and again for what will be there.
async function until(what, ask) {
  for (const end = Date.now() + patience; Date.now() < end; await sleep(100)) {
    const found = await ask();
    if (found) return found;
  }
  throw new Error(`waited in vain until ${what}`);
}

// An endpoint of our own, which keeps the notifications.
const notifications = [];
const endpoint = createServer((request, answer) => {
  let body = '';
  request.on('data', (part) => { body += part; });
  request.on('end', () => {
    notifications.push(JSON.parse(body));
    answer.end();
  });
});
await new Promise((listening) => { endpoint.listen(0, '127.0.0.1', listening); });
const parameter = (of, name) => of.find((p) => p.name === name);
const status = (bundle) => bundle.entry[0].resource.parameter;
const kind = (bundle) => parameter(status(bundle), 'type').valueCode;

const subscription = await client.create({ resourceType: 'Subscription', body: {
  resourceType: 'Subscription', status: 'requested', reason: 'To show scores as they come',
  criteria: 'https://tidemark.example/fhir/SubscriptionTopic/score',
  _criteria: { extension: [{ url: `${guide}filter-criteria`, valueString: 'Observation?patient=Patient/oona-receipt' }] },
  channel: { type: 'rest-hook', endpoint: `http://127.0.0.1:${endpoint.address().port}/`, payload: 'application/fhir+json',
    _payload: { extension: [{ url: `${guide}payload-content`, valueCode: 'id-only' }] } } } });
await until('the subscription is active', async () =>
  (await client.read({ resourceType: 'Subscription', id: subscription.id })).status === 'active');
assert.equal(kind(notifications[0]), 'handshake');

// delivered polls the receipt until it says so, and reads what it names where it
// is.
async function delivered(id, version) {
  const receipt = await until(`version ${version} is delivered`, async () => {
    const found = await client.search({ resourceType: 'Task', searchParams: { focus: `QuestionnaireResponse/${id}` } });
    assert.equal(found.total, 1);
    const task = found.entry[0].resource;
    const [score] = task.output ?? [];
    const current = score?.valueReference.reference.endsWith(`/_history/${version}`);
    return current && task.businessStatus.coding[0].code === 'delivered' && task;
  });
  assert.equal(receipt.status, 'completed');
  assert.equal(receipt.output.length, 2, 'the score, and one hospital');
  const [, type, at, , remote] = receipt.output[1].valueReference.reference.match(/\/(\w+)\/([^/]+)(\/_history\/(.+))?$/);
  assert.ok(receipt.output[1].valueReference.reference.startsWith(process.env.TIDEMARK_CHECK_HOSPITAL));
  return hospital.vread({ resourceType: type, id: at, version: remote });
}

const created = await client.create({ resourceType: 'QuestionnaireResponse', body: response('receipt') });
scoreIs(await delivered(created.id, 1), 37.5, 'final');
const amended = { ...created, ...response('receipt', 1, 6.5), id: created.id, status: 'amended' };
await client.update({ resourceType: 'QuestionnaireResponse', id: created.id, body: amended });
scoreIs(await delivered(created.id, 2), 40.5, 'amended');
await client.update({ resourceType: 'QuestionnaireResponse', id: created.id, body: { ...amended, status: 'entered-in-error' } });
scoreIs(await delivered(created.id, 3), 40.5, 'entered-in-error');
assert.equal((await hospital.search({ resourceType: 'Observation' })).total, 1, 'one resource, whatever became of it');

// The endpoint hears of each version once or more, in order, without a word about
// the patient; what it hears of is read here.
const events = () => notifications.filter((n) => kind(n) === 'event-notification')
  .flatMap((n) => status(n).filter((p) => p.name === 'notification-event').map((p) => ({ bundle: n, part: p.part })));
await until('all three events have come', () => new Set(events().map((e) => parameter(e.part, 'event-number').valueString)).size === 3);
const numbers = events().map((e) => Number(parameter(e.part, 'event-number').valueString));
assert.deepEqual([...numbers].sort(), numbers);
for (const { bundle, part } of events()) {
  const focus = parameter(part, 'focus').valueReference.reference;
  assert.equal(focus, `${base()}/Observation/${created.id}`);
  assert.ok(bundle.entry.slice(1).some((e) => e.fullUrl === focus && e.response.etag === `W/"${parameter(part, 'event-number').valueString}"`));
  assert.ok(!JSON.stringify(bundle).includes('oona'));
}
scoreIs(await client.read({ resourceType: 'Observation', id: created.id }), 40.5, 'entered-in-error');
endpoint.close();
console.log('fhir-kit-client: receipt followed to the hospital, three events heard');
