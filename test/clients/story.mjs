// What every client does: the same story, told with whatever verbs its library
// has. The figures are worked out by hand from the published formula,
// A/5 + 7B/2 + C: 20/5 + 7*8/2 + 5.5 = 37.5, and with itch 6.5 instead of 3.5,
// 40.5.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';

export const canonical = 'https://tidemark.example/fhir/Questionnaire/scorad-self-assessment';
const scorad = 'https://tidemark.example/fhir/CodeSystem/scorad';
const grade = 'https://tidemark.example/fhir/CodeSystem/scorad-grade';

// response is a completed self-assessment of an invented child; each client has
// a child of its own, so that they do not see each other's.
export function response(client, number = 1, itch = 3.5) {
  const coding = (system, code) => [{ valueCoding: { system, code } }];
  const grades = { erythema: 'moderate', oedema: 'mild', oozing: 'mild', excoriation: 'moderate', lichenification: 'mild', dryness: 'mild' };
  return {
    resourceType: 'QuestionnaireResponse',
    identifier: { system: 'https://fernway-portal.example/responses', value: `${client}-${number}` },
    questionnaire: `${canonical}|1.0.0`,
    status: 'completed',
    subject: { reference: `Patient/oona-${client}` },
    authored: `2026-03-0${number}T18:20:00+01:00`,
    source: { reference: `RelatedPerson/bram-${client}` },
    item: [
      { linkId: 'extent', item: [
        { linkId: 'extent.method', answer: coding(scorad, 'direct') },
        { linkId: 'extent.direct', answer: [{ valueDecimal: 20 }] }] },
      { linkId: 'intensity', item: Object.entries(grades).map(([sign, code]) => (
        { linkId: `intensity.${sign}`, answer: coding(grade, code) })) },
      { linkId: 'symptoms', item: [
        { linkId: 'symptoms.itch', answer: [{ valueDecimal: itch }] },
        { linkId: 'symptoms.sleep-loss', answer: [{ valueDecimal: 2 }] }] },
    ],
  };
}

// scoreIs holds an Observation against the figure worked out by hand.
export function scoreIs(observation, value, status) {
  assert.equal(observation.resourceType, 'Observation');
  assert.equal(observation.status, status);
  assert.equal(observation.valueQuantity.value, value);
  assert.equal(observation.valueQuantity.code, '{score}');
  assert.ok(observation.code.coding.some((c) => c.system === scorad && c.code === 'scorad'));
}

// outcomeIs holds an error against what a portal developer must be told.
export function outcomeIs(outcome, code, expression) {
  assert.equal(outcome?.resourceType, 'OperationOutcome');
  assert.ok(outcome.issue.some((i) => i.code === code && (i.expression ?? []).includes(expression)),
    `${code} at ${expression} in ${JSON.stringify(outcome.issue)}`);
}

export function base() {
  const url = process.env.TIDEMARK_CHECK_BASE;
  if (!url) throw new Error('TIDEMARK_CHECK_BASE names the FHIR base of a running server; use ./run');
  return url;
}

export const example = JSON.parse(readFileSync(new URL('../../examples/response.json', import.meta.url)));
