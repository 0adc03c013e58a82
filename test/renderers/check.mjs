// Fills the published forms in general SDC renderers as a person without a
// mouse would, and holds the total that the renderer shows against the score
// that the server makes of the response, and both against a figure worked out by
// hand from A/5 + 7B/2 + C.
import assert from 'node:assert/strict';
import { chromium } from 'playwright-core';
import { serve } from './pages.mjs';

const grades = (form, values) => Object.fromEntries(
  ['erythema', 'oedema', 'oozing', 'excoriation', 'lichenification', 'dryness'].map((sign, i) => [`intensity.${sign}`, values[i]]));
const regions = ['head-front', 'head-back', 'trunk-front', 'trunk-back', 'arm-right-front', 'arm-right-back', 'arm-left-front',
  'arm-left-back', 'leg-right-front', 'leg-right-back', 'leg-left-front', 'leg-left-back', 'genitals'];

// An answer is the place of an option, or the text typed.
const stories = [
  { name: 'a child by percent', form: 'scorad-self-assessment', rater: 'RelatedPerson/bram-thistledown', total: 39.8, // 3.7 + 28 + 8.1
    answers: { 'extent.method': 2, 'extent.direct': '18.5', ...grades(0, [2, 1, 1, 2, 1, 1]), 'symptoms.itch': '5.7', 'symptoms.sleep-loss': '2.4' } },
  { name: 'an infant by regions', form: 'scorad-self-assessment', rater: 'RelatedPerson/wren-quillfeather', total: 33.12, // 5220 quarter percents of percents are 13.1 %: 2.62 + 17.5 + 13
    answers: { 'extent.method': 0, 'extent.age-group': 2,
      ...Object.fromEntries(regions.map((r, i) => [`extent.${r}`, ['50', '20', '10', '10', '20', '20', '0', '0', '5', '5', '0', '0', '0'][i]])),
      ...grades(0, [1, 1, 0, 1, 0, 2]), 'symptoms.itch': '7', 'symptoms.sleep-loss': '6', 'also-seen.bleeding': 0 } },
  { name: 'a clinician by palms', form: 'scorad-clinician-assessment', rater: 'Practitioner/ilse-varnholt', total: 24.4, // 0.9 + 14 + 9.5
    answers: { 'extent.method': 1, 'extent.hands': '4.5', ...grades(0, [1, 0, 0, 1, 1, 1]), 'symptoms.itch': '5', 'symptoms.sleep-loss': '4.5', 'bonus.face-hands': 0 } },
];

// How each renderer's page tells which question has the focus, and what it shows
// for a result.
const renderers = {
  lforms: {
    focused: () => (document.activeElement.name || document.activeElement.id).match(/^(?:radiogroup_)?([a-z-]+\.[a-z-]+)\/1\/1/)?.[1],
    shown: (linkId) => document.getElementById(`${linkId}/1/1`)?.value,
  },
  smart: {
    focused: () => document.activeElement.closest('[data-linkid]')?.dataset.linkid,
    shown: (linkId) => document.querySelector(`[data-linkid="${linkId}"] input`)?.value,
  },
};

// fill walks the form with the tab key until it is back at the start.
async function fill(page, renderer, answers) {
  const done = new Set();
  for (let idle = 0; idle < 2;) {
    await page.keyboard.press('Tab');
    if (await page.evaluate(() => document.activeElement === document.body)) { idle += 1; continue; }
    const linkId = await page.evaluate(renderer.focused);
    if (!(linkId in answers) || done.has(linkId)) continue;
    done.add(linkId);
    const answer = answers[linkId];
    if (typeof answer === 'number') {
      await page.keyboard.press('Space');
      for (let i = 0; i < answer; i += 1) await page.keyboard.press('ArrowDown');
    } else {
      await page.keyboard.press('Control+A');
      await page.keyboard.type(answer);
    }
    // No person goes on at once, and both renderers take up what was entered a
    // moment later.
    await page.waitForTimeout(500);
    idle = 0;
  }
  assert.deepEqual(Object.keys(answers).filter((linkId) => !done.has(linkId)), [], 'questions the keyboard did not reach');
}

// differing are the results in a response that the server finds to be others than its own.
async function differing(origin, response) {
  const outcome = await (await fetch(`${origin}/fhir/QuestionnaireResponse/$validate`, { method: 'POST', body: JSON.stringify(response),
    headers: { 'Content-Type': 'application/fhir+json' } })).json();
  assert.equal(outcome.resourceType, 'OperationOutcome');
  return outcome.issue.filter((i) => /result sent differs/.test(i.details?.text)).map((i) => i.expression);
}

// altered is a response whose total is another.
function altered(response) {
  const copy = structuredClone(response);
  const find = (items) => items?.find((i) => i.linkId === 'result.scorad') ?? items?.map((i) => find(i.item)).find(Boolean);
  find(copy.item).answer[0].valueDecimal = 1;
  return copy;
}

async function tell(browser, origin, name, story) {
  const renderer = renderers[name];
  const page = await browser.newPage({ viewport: { width: 1200, height: 2400 } });
  const faults = [];
  page.on('pageerror', (e) => faults.push(e.message));
  await page.goto(`${origin}/${name}`);
  await page.waitForFunction(() => window.show);
  await page.evaluate(async (form) => window.show(await (await fetch(`/fhir/Questionnaire/${form}`)).json()), story.form);
  await page.waitForFunction(() => document.querySelectorAll('input').length > 10);
  await fill(page, renderer, story.answers);
  await page.waitForFunction(([shown, total]) => Number(eval(shown)('result.scorad')) === total, [`(${renderer.shown})`, story.total], { timeout: 15000 })
    .catch(async () => assert.fail(`${name} shows ${await page.evaluate(renderer.shown, 'result.scorad')}, by hand it is ${story.total}`));
  const response = { ...await page.evaluate(() => window.response()),
    questionnaire: `https://tidemark.example/fhir/Questionnaire/${story.form}|1.0.0`, status: 'completed',
    subject: { reference: 'Patient/oona-thistledown' }, source: { reference: story.rater }, authored: '2026-03-04T18:20:00+01:00' };
  for (const member of ['id', 'meta', 'author', 'text']) delete response[member];
  assert.deepEqual(await differing(origin, response), [], 'live results differ from the server\'s');
  assert.equal((await differing(origin, altered(response))).length, 1, 'a total that differs is found');
  const answer = await fetch(`${origin}/fhir/QuestionnaireResponse`, { method: 'POST', body: JSON.stringify(response),
    headers: { 'Content-Type': 'application/fhir+json', Prefer: 'return=representation' } });
  const stored = await answer.json();
  assert.equal(answer.status, 201, JSON.stringify(stored));
  const score = (await (await fetch(`${origin}/fhir/Observation?derived-from=QuestionnaireResponse/${stored.id}`)).json()).entry[0].resource;
  assert.equal(score.valueQuantity.value, story.total);
  assert.deepEqual(faults, [], 'faults on the page');
  await page.close();
  console.log(`${name}: ${story.name}, filled by keyboard, shows ${story.total}, as the server`);
}

const base = process.env.TIDEMARK_CHECK_BASE;
if (!base) throw new Error('TIDEMARK_CHECK_BASE names the FHIR base of a running server; use ./run');
const site = await serve(base);
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args: ['--no-sandbox', '--disable-gpu', '--disable-quic',
  '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
try {
  for (const name of Object.keys(renderers)) for (const story of stories) await tell(browser, site.origin, name, story);
} finally {
  await browser.close();
  site.close();
}
