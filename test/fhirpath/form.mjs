// A published form as a portal uses it: read its expressions, answer it, evaluate.
// Nothing here knows the formula; all of it comes from the Questionnaire.

import { readFileSync, readdirSync } from 'node:fs';

import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';

const variableURL = 'http://hl7.org/fhir/StructureDefinition/variable';
const calculatedURL = 'http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-calculatedExpression';

/** readForms gives every published Questionnaire by its id. */
export function readForms(directory) {
  const forms = new Map();
  for (const name of readdirSync(directory).filter((file) => /^Questionnaire-.*\.json$/.test(file))) {
    const questionnaire = JSON.parse(readFileSync(new URL(name, directory), 'utf8'));
    if (forms.has(questionnaire.id)) {
      throw new Error(`${name}: two versions of ${questionnaire.id}; say which one the grid means`);
    }
    forms.set(questionnaire.id, questionnaire);
  }
  return forms;
}

/** expressionsOf lists the root variables and the calculated items, in the order of the form. */
export function expressionsOf(questionnaire) {
  const variables = extensions(questionnaire, variableURL);
  const results = [];
  for (const item of allItems(questionnaire)) {
    for (const { expression } of extensions(item, calculatedURL)) {
      results.push({ name: item.linkId, expression });
    }
  }
  return { variables, results };
}

function extensions(element, url) {
  return (element.extension ?? [])
    .filter((extension) => extension.url === url)
    .map(({ valueExpression: { name, language, expression } }) => {
      if (language !== 'text/fhirpath') {
        throw new Error(`${expression}: the language is ${language}, not text/fhirpath`);
      }
      return { name, expression };
    });
}

function* allItems(parent) {
  for (const item of parent.item ?? []) {
    yield item;
    yield* allItems(item);
  }
}

/**
 * evaluator compiles expressions once and gives a function from a response to a
 * Map from linkId to the result, an array as FHIRPath has it.
 */
export function evaluator({ variables, results }) {
  const steps = variables.map(compile);
  const outputs = results.map(compile);
  return (response) => {
    const environment = { resource: response };
    for (const { name, evaluate } of steps) {
      environment[name] = evaluate(response, environment);
    }
    return new Map(outputs.map(({ name, evaluate }) => [name, evaluate(response, environment)]));
  };
}

function compile({ name, expression }) {
  try {
    return { name, evaluate: fhirpath.compile(expression, r4) };
  } catch (cause) {
    throw new Error(`${name}: ${expression}`, { cause });
  }
}

/** responder gives a function from a case of the grid to a completed response. */
export function responder(questionnaire) {
  const known = new Set([...allItems(questionnaire)].map((item) => item.linkId));
  return ({ shape, answers }) => {
    const stranger = Object.keys(answers).find((linkId) => !known.has(linkId));
    if (stranger !== undefined) {
      throw new Error(`${questionnaire.id} has no item ${stranger}`);
    }
    return {
      resourceType: 'QuestionnaireResponse',
      questionnaire: `${questionnaire.url}|${questionnaire.version}`,
      status: 'completed',
      item: shapes[shape](questionnaire, answers),
    };
  };
}

const shapes = { nested, flat, leftovers };

/** nested has groups with their answered items, and no more. */
function nested(parent, answers) {
  const items = [];
  for (const item of parent.item ?? []) {
    const children = nested(item, answers);
    const answer = answerTo(item, answers[item.linkId]);
    if (children.length > 0 || answer !== undefined) {
      items.push(responseItem(item, answer, children));
    }
  }
  return items;
}

/** flat has every answered item at the root. */
function flat(questionnaire, answers) {
  return [...allItems(questionnaire)]
    .map((item) => ({ item, answer: answerTo(item, answers[item.linkId]) }))
    .filter(({ answer }) => answer !== undefined)
    .map(({ item, answer }) => responseItem(item, answer, []));
}

/**
 * leftovers keeps every item, with or without answer, with initial values where
 * the item is switched off and with results of an earlier state.
 */
function leftovers(parent, answers) {
  return (parent.item ?? []).map((item) => {
    const answer = answerTo(item, answers[item.linkId]) ?? leftBehind(item, answers);
    return responseItem(item, answer, leftovers(item, answers));
  });
}

/** stale is no value of any result. */
const stale = 999.99;

function leftBehind(item, answers) {
  if (extensions(item, calculatedURL).length > 0) {
    return [{ valueDecimal: stale }];
  }
  const enabled = (item.enableWhen ?? []).every(({ question, operator, answerCoding }) => {
    if (operator !== '=' || answerCoding === undefined) {
      throw new Error(`${item.linkId}: this check understands no enableWhen but = with a Coding`);
    }
    return answers[question] === answerCoding.code;
  });
  return enabled ? undefined : item.initial;
}

function responseItem(item, answer, children) {
  const out = { linkId: item.linkId };
  if (item.text !== undefined) {
    out.text = item.text;
  }
  if (answer !== undefined) {
    out.answer = answer;
  }
  if (children.length > 0 && answer !== undefined) {
    out.answer = [{ ...answer[0], item: children }];
  } else if (children.length > 0) {
    out.item = children;
  }
  return out;
}

function answerTo(item, value) {
  if (value === undefined) {
    return undefined;
  }
  switch (item.type) {
    case 'choice':
      return [{ valueCoding: optionOf(item, value) }];
    case 'integer':
      return [{ valueInteger: value }];
    case 'decimal':
      return [{ valueDecimal: value }];
    case 'boolean':
      return [{ valueBoolean: value }];
    default:
      throw new Error(`${item.linkId}: an item of type ${item.type} takes no answer of the grid`);
  }
}

function optionOf(item, code) {
  const option = item.answerOption.find(({ valueCoding }) => valueCoding.code === code);
  if (option === undefined) {
    throw new Error(`${item.linkId} has no option ${code}`);
  }
  const { system, display } = option.valueCoding;
  return { system, code, display };
}
