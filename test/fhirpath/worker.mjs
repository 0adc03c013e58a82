// Checks one form: its cases against its expressions, then its expressions
// broken one at a time against some of its cases.

import { parentPort, workerData } from 'node:worker_threads';

import { breakEach } from './break.mjs';
import { compare } from './compare.mjs';
import { evaluator, expressionsOf, responder } from './form.mjs';

/** often is how many cases pass between two reports of progress. */
const often = 500;

/** telling is how many cases at the start show most; of the rest every stride-th is as good as all. */
const telling = 1800;
const stride = 31;

/** shown bounds the differences that are told; all are counted. */
const shown = 20;

const { questionnaire, lines } = workerData;
const expressions = expressionsOf(questionnaire);
const respond = responder(questionnaire);
const evaluate = evaluator(expressions);

/** tally notes with what, and how often, each expression was compared. */
const tally = new Map(expressions.results.map(({ name }) => [name, { values: 0, empties: 0 }]));

const differences = [];
let differing = 0;

function check({ form, shape, answers, results }) {
  for (const difference of compare(evaluate(respond({ shape, answers })), results)) {
    differing++;
    if (differences.length < shown) {
      differences.push(`${form} ${difference} for ${shape} ${JSON.stringify(answers)}`);
    }
  }
  for (const [linkId, seen] of tally) {
    seen[linkId in results ? 'values' : 'empties']++;
  }
}

/** untried lists expressions that were never compared with a value, or never with an empty result. */
function untried() {
  const faults = tally.size === 0 ? [`${questionnaire.id} has no calculatedExpression`] : [];
  for (const [linkId, seen] of tally) {
    for (const kind of Object.keys(seen).filter((kind) => seen[kind] === 0)) {
      faults.push(`${questionnaire.id} ${linkId} was compared with no ${kind}`);
    }
  }
  return faults;
}

for (const [n, line] of lines.entries()) {
  check(JSON.parse(line));
  if ((n + 1) % often === 0) {
    parentPort.postMessage({ responses: often });
  }
}

const faults = [...differences, ...untried()];
let broken = 0;
if (faults.length === 0) {
  const some = lines.filter((_, n) => n < telling || n % stride === 0).map((line) => JSON.parse(line));
  const { count, unnoticed } = breakEach(expressions, some, respond, () => parentPort.postMessage({ broken: 1 }));
  broken = count;
  faults.push(...unnoticed.map((sentence) => `${questionnaire.id} ${sentence}`));
}
const total = (kind) => [...tally.values()].reduce((sum, seen) => sum + seen[kind], 0);
parentPort.postMessage({ done: { faults, differing, broken, values: total('values'), empties: total('empties') } });
