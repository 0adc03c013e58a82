/** tolerance is in points: engines in JavaScript compute with binary floats. */
export const tolerance = 1e-9;

/**
 * compare gives a sentence for each calculated item whose result is not the one
 * wanted, and for each result wanted that no item calculates.
 */
export function compare(got, wanted) {
  const faults = [];
  for (const [linkId, values] of got) {
    if (!agrees(values, wanted[linkId])) {
      faults.push(`${linkId} is ${JSON.stringify(values)}, want ${wanted[linkId] ?? 'empty'}`);
    }
  }
  for (const linkId of Object.keys(wanted).filter((name) => !got.has(name))) {
    faults.push(`${linkId} is calculated by no item, want ${wanted[linkId]}`);
  }
  return faults;
}

function agrees(values, wanted) {
  if (wanted === undefined) {
    return values.length === 0;
  }
  return values.length === 1 && typeof values[0] === 'number' && Math.abs(values[0] - wanted) <= tolerance;
}
