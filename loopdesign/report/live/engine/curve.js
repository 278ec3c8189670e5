// A response without its poles is the transform of a signal that ends after a few periods: smooth however sharply the
// loop gain rises and falls. Samples give it everywhere between them, as in loopdesign/margins/curve.py.

const CROWDED = 0.25; // turn per period [rad] above which samples stand evenly rather than by decades
const PER_UNIT = 5; // samples per unit of ln w + w / CROWDED
const NEIGHBOURS = 10; // samples that each value draws on
const TOLERANCE = 1e-9; // how well samples must meet the curve through their neighbours
const MOST_ROUNDS = 3;
export const NEAR_DC = 2 * Math.PI * 1e-9; // lowest turn per period [rad]
const DECADES_BELOW = 0.5; // samples per unit below `LOW`, where nothing happens any more
const LOW = 2 * Math.PI * 1e-6;

/** Turns per period from `low` to `high`, evenly spaced in ln w + w / CROWDED. */
export function spreadEvenly(low, high, perUnit) {
  const place = (w) => Math.log(w) + w / CROWDED;
  const first = place(low);
  const span = place(high) - first;
  const count = Math.max(NEIGHBOURS, Math.round(span * perUnit) + 1);
  const angles = new Float64Array(count);
  for (let i = 0, w = low; i < count; i++) {
    const wanted = first + (span * i) / (count - 1);
    for (let k = 0; k < 50; k++) {
      const step = (place(w) - wanted) / (1 / w + 1 / CROWDED);
      w = Math.max(w - step, w / 4);
      if (Math.abs(step) < 1e-13 * w) break;
    }
    angles[i] = w;
  }
  angles[0] = low;
  angles[count - 1] = high;
  return angles;
}

/** Sample a smooth complex function from NEAR_DC to pi, as densely as it needs. */
export function smoothCurve(sample) {
  const below = [...spreadEvenly(NEAR_DC, LOW, DECADES_BELOW)].slice(0, -1);
  let curve = null;
  for (let round = 0; round < MOST_ROUNDS; round++) {
    const above = [...spreadEvenly(LOW, Math.PI, PER_UNIT * 2 ** round)];
    curve = sampled(Float64Array.from([...below, ...above]), sample);
    if (worstBetween(curve, sample) < TOLERANCE) break;
  }
  return curve;
}

function sampled(angles, sample) {
  const count = angles.length;
  const re = new Float64Array(count);
  const im = new Float64Array(count);
  for (let i = 0; i < count; i++) [re[i], im[i]] = sample(angles[i]);
  const weights = new Float64Array((count - NEIGHBOURS + 1) * NEIGHBOURS);
  for (let first = 0; first + NEIGHBOURS <= count; first++) {
    const scale = 4 / (angles[first + NEIGHBOURS - 1] - angles[first]);
    for (let k = 0; k < NEIGHBOURS; k++) {
      let product = 1;
      for (let j = 0; j < NEIGHBOURS; j++) {
        if (j !== k) product *= (angles[first + k] - angles[first + j]) * scale;
      }
      weights[first * NEIGHBOURS + k] = 1 / product;
    }
  }
  return { angles, re, im, weights };
}

/** Largest relative error of the curve half way between some of its samples. */
function worstBetween(curve, sample) {
  let worst = 0;
  for (let i = 1; i < curve.angles.length; i += 3) {
    const w = Math.sqrt(curve.angles[i - 1] * curve.angles[i]);
    const [re, im] = sample(w);
    const [a, b] = curveAt(curve, w);
    worst = Math.max(worst, Math.hypot(a - re, b - im) / Math.hypot(re, im));
  }
  return worst;
}

/** Value [re, im] of a sampled curve at any turn between its ends, by barycentric interpolation. */
export function curveAt(curve, w) {
  const { angles, weights } = curve;
  let low = 0;
  let high = angles.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (angles[middle] <= w) low = middle;
    else high = middle;
  }
  const first = Math.min(Math.max(low + 1 - NEIGHBOURS / 2, 0), angles.length - NEIGHBOURS);
  let re = 0;
  let im = 0;
  let total = 0;
  for (let k = 0; k < NEIGHBOURS; k++) {
    const away = w - angles[first + k];
    if (away === 0) return [curve.re[first + k], curve.im[first + k]];
    const share = weights[first * NEIGHBOURS + k] / away;
    total += share;
    re += share * curve.re[first + k];
    im += share * curve.im[first + k];
  }
  return [re / total, im / total];
}
