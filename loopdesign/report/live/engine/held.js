// Whether the controller keeps the orbit: the rules of loopdesign/orbit/holding.py.
import { apply, dot, exponential } from "./algebra.js";
import { controlRow, stepsOf, thresholdRow } from "./joint.js";

const FINE = 512; // samples where something comes near zero between the 16 of an interval
const TOLERANCE = 1e-7; // share of a signal's own range that counts as rounding of an edge
const ROUNDING = 1e-9; // share of an instant or a voltage that is rounding

/** Say what keeps the converter from staying on the orbit that its equations have; null where nothing does. */
export function whyNotHeld(loop) {
  const { corner, tripTime } = loop.stage;
  if (tripTime <= corner.armed * (1 + ROUNDING)) return "minimum on-time";
  if (!(loop.slope > 0) || crosses(loop, thresholdRow, corner.ramp)) return "comparator";
  if (corner.current_limit !== null && crosses(loop, sensedAboveLimit, null)) return "current limit";
  if (beyond(loop, corner.lowest, corner.highest)) return "clamp";
  if (corner.pull_up !== null && beyond(loop, corner.pull_up[0], corner.pull_up[1])) return "pull-up";
  return null;
}

function sensedAboveLimit(loop, configuration) {
  const row = new Float64Array(loop.size + 2);
  const { n, corner, configurations } = loop.stage;
  const { sensed } = configurations[configuration];
  row.set(sensed.subarray(0, n));
  row[loop.size] = sensed[n] - corner.current_limit;
  return row;
}

/** Whether a row, with a ramp or without (null), reaches zero before the trip once the comparator is heard. */
function crosses(loop, rowOf, ramp) {
  const { stage } = loop;
  for (let k = 0; k <= stage.trip; k++) {
    const { configuration, length } = stage.intervals[k];
    const end = stage.begins[k + 1];
    const begin = Math.max(stage.begins[k], stage.corner.armed);
    if (stage.configurations[configuration].sensed === null || !(begin < end)) continue;
    const part = { begin, length: end - begin, configuration, state: loop.states[k], steps: loop.steps[k] };
    const late = begin - stage.begins[k];
    if (late > 0) {
      const size = loop.size + 2;
      part.state = apply(exponential(loop.flows[configuration].map((v) => v * late), size), part.state, size);
    }
    if (part.length !== length) part.steps = stepsOf(loop, configuration, part.length);
    if (reachesZero(loop, part, rowOf(loop, configuration), ramp, ramp !== null && k === stage.trip)) return true;
  }
  return false;
}

/** Whether the row reaches zero in this part; where `last`, its end is the trip itself. */
function reachesZero(loop, part, row, ramp, last) {
  const begin = sampled(loop, part.steps.finest, part, row, ramp, 16, 1 / 16);
  const values = [...begin, ...sampled(loop, part.steps.coarse, part, row, ramp, 16, 1).slice(2)];
  const span = TOLERANCE * Math.max(...values.map(Math.abs));
  if (Math.max(...values.slice(0, -1)) > span || (!last && values.at(-1) > span)) return true;
  const near = values.some((middle, i) => {
    if (i === 0 || i === values.length - 1 || middle < values[i - 1] || middle < values[i + 1]) return false;
    return middle + Math.max(middle - values[i - 1], middle - values[i + 1]) > 0;
  });
  if (!near) return false;
  const size = loop.size + 2;
  const step = exponential(loop.flows[part.configuration].map((v) => (v * part.length) / FINE), size);
  return Math.max(...sampled(loop, step, part, row, ramp, FINE, 1).slice(0, -1)) > span;
}

/** Values of a row at even steps over a share of a part. */
function sampled(loop, step, part, row, ramp, count, share) {
  const size = loop.size + 2;
  const values = [];
  for (let i = 0, state = part.state; i <= count; i++) {
    values.push(dot(row, state, size) + (ramp ?? 0) * (part.begin + (part.length * share * i) / count));
    if (i < count) state = apply(step, state, size);
  }
  return values;
}

/** Whether the control voltage leaves its range anywhere in the period; null has no bound. */
function beyond(loop, lowest, highest) {
  if (lowest === null && highest === null) return false;
  const part = (k) => ({ begin: 0, length: 0, state: loop.states[k] });
  return loop.stage.intervals.some(({ configuration }, k) => {
    const values = sampled(loop, loop.steps[k].coarse, part(k), controlRow(loop, configuration), null, 16, 1);
    const spare = ROUNDING * Math.max(...values.map(Math.abs));
    if (highest !== null && Math.max(...values) > highest + spare) return true;
    return lowest !== null && Math.min(...values) < lowest - spare;
  });
}
