// Compares the published calculatedExpressions, as a FHIRPath engine evaluates
// them, with what package scoring makes of the same answers. The cases come on
// standard input, one JSON object a line, from the program in grid.
//
// Exit code 0: all agree; 1: something differs, or was not compared.

import { createInterface } from 'node:readline';
import { Worker } from 'node:worker_threads';

import { tolerance } from './compare.mjs';
import { readForms } from './form.mjs';

const published = new URL('../../questionnaire/published/', import.meta.url);

/** readCases gives the lines of standard input by the form they answer. */
async function readCases(forms) {
  const lines = new Map([...forms.keys()].map((id) => [id, []]));
  for await (const line of createInterface({ input: process.stdin })) {
    const { form } = JSON.parse(line);
    if (!lines.has(form)) {
      throw new Error(`no published form ${form}`);
    }
    lines.get(form).push(line);
  }
  return lines;
}

/** checkForm checks one form on a thread of its own. */
function checkForm(questionnaire, lines, progress) {
  return new Promise((resolve, reject) => {
    const worker = new Worker(new URL('worker.mjs', import.meta.url), { workerData: { questionnaire, lines } });
    let outcome;
    worker.on('message', (message) => {
      if (message.done) {
        outcome = message.done;
      } else {
        progress(message);
      }
    });
    worker.on('error', reject);
    worker.on('exit', (code) => (outcome ? resolve(outcome) : reject(new Error(`${questionnaire.id}: no outcome, exit code ${code}`))));
  });
}

/** progressOf counts on a terminal. */
function progressOf(total) {
  const seen = { responses: 0, broken: 0 };
  return ({ responses = 0, broken = 0 }) => {
    seen.responses += responses;
    seen.broken += broken;
    if (process.stderr.isTTY) {
      process.stderr.write(`\r${seen.responses} of ${total} responses, ${seen.broken} expressions broken on purpose`);
    }
  };
}

async function main() {
  const forms = readForms(published);
  const lines = await readCases(forms);
  const responses = [...lines.values()].reduce((sum, some) => sum + some.length, 0);
  const progress = progressOf(responses);
  const outcomes = await Promise.all(
    [...forms].map(([id, questionnaire]) => checkForm(questionnaire, lines.get(id), progress)),
  );
  if (process.stderr.isTTY) {
    process.stderr.write('\n');
  }
  return report(outcomes, responses);
}

function report(outcomes, responses) {
  const faults = outcomes.flatMap((outcome) => outcome.faults);
  for (const fault of faults) {
    console.error(fault);
  }
  const total = (kind) => outcomes.reduce((sum, outcome) => sum + outcome[kind], 0);
  const [values, empties] = [total('values'), total('empties')];
  const ok = values + empties > 0 && faults.length === 0;
  console.log(
    `${ok ? 'agree' : 'FAIL'}: ${values + empties} results compared (${values} values within ${tolerance}, ` +
      `${empties} empty) in ${responses} responses to ${outcomes.length} forms, ${total('differing')} differences; ` +
      `${total('broken')} expressions broken on purpose`,
  );
  return ok ? 0 : 1;
}

process.exitCode = await main();
