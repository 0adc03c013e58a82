// Breaks a form's expressions one at a time and looks whether the cases notice.
// A check that passes says something only about what would have made it fail.

import { compare } from './compare.mjs';
import { evaluator } from './form.mjs';

/** token is a string, a name (left alone, it may end in digits) or a number. */
const token = /'[^']*'|%?[A-Za-z]\w*|\d+(?:\.\d+)?/g;

/** brokenExpressions gives each expression emptied, with each string changed and each number off by 2. */
function* brokenExpressions(expression) {
  yield '{}';
  for (const { 0: text, index } of expression.matchAll(token)) {
    const changed = breakToken(text);
    if (changed !== text) {
      yield expression.slice(0, index) + changed + expression.slice(index + text.length);
    }
  }
}

function breakToken(text) {
  if (text.startsWith("'")) {
    return `${text.slice(0, -1)}-broken'`;
  }
  // By 2, since every weight from two years on is even: the rounding shows 1 nowhere.
  return /^\d/.test(text) ? String(Number(text) + 2) : text;
}

/** brokenForms gives the form's expressions with one of them broken. */
function* brokenForms(expressions) {
  for (const kind of ['variables', 'results']) {
    for (const [at, { name, expression }] of expressions[kind].entries()) {
      for (const broken of brokenExpressions(expression)) {
        const changed = expressions[kind].with(at, { name, expression: broken });
        yield { name, broken, expressions: { ...expressions, [kind]: changed } };
      }
    }
  }
}

/** breakEach counts the broken forms and lists those that no case noticed; it calls progress at each. */
export function breakEach(expressions, cases, respond, progress) {
  const prepared = spread(cases).map((wanted) => ({ response: respond(wanted), results: wanted.results }));
  let count = 0;
  const unnoticed = [];
  for (const { name, broken, expressions: brokenForm } of brokenForms(expressions)) {
    count++;
    progress();
    if (!noticed(evaluator(brokenForm), prepared)) {
      unnoticed.push(`${name} as ${broken} goes unnoticed`);
    }
  }
  return { count, unnoticed };
}

/** spread mixes neighbours, which are alike, so that a break shows early. */
function spread(cases) {
  const step = 97;
  return Array.from({ length: step }, (_, start) => cases.filter((_, n) => n % step === start)).flat();
}

/** noticed also holds where the broken expression has no result at all. */
function noticed(evaluate, prepared) {
  return prepared.some(({ response, results }) => {
    let got;
    try {
      got = evaluate(response);
    } catch {
      return true;
    }
    return compare(got, results).length > 0;
  });
}
