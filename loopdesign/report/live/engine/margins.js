// Every crossing of a loop gain and the headline margins: the rules of loopdesign/margins.
//
// The loop gain is scanned on a grid that is even in ln w + 4 w, with points beside every lightly damped
// multiplier, and refined where it changes fast or turns back close to a line; crossings and dips are then refined with
// the loop gain itself.
import { curveAt, NEAR_DC, spreadEvenly } from "./curve.js";
import { loopGain } from "./loop.js";

const PER_UNIT = 20; // points per unit of ln w + 4 w
const LOWEST = 2 * Math.PI * 3e-5; // lowest turn examined [rad]
const LARGEST_STEP = 0.35; // change of ln T between neighbours above which a point is added
const FINEST_RATIO = 1e-7; // relative spacing below which nothing is added
const MOST_ADDED = 2000;
const HIDDEN = 3; // a curve that turns back is followed where this many times its parabola's dip reaches the line
const SPENT = 0.03; // size of a multiplier that makes no dip
const SHARP = 0.3; // half width over frequency of a dip that the even grid resolves
const CANDIDATES = 3; // dips that are followed to their bottom

/** Points of a loop gain (see `at`) on the grid that all parts share; what the stage answers there is remembered. */
function scanned(loop, low) {
  const { stage } = loop;
  stage.scans ??= new Map();
  if (!stage.scans.has(low)) {
    const angles = [...spreadEvenly(low, Math.PI, PER_UNIT)];
    stage.scans.set(low, angles.map((w) => [w, curveAt(stage.curve, w)]));
  }
  return stage.scans.get(low).map(([w, answer]) => at(loop, w, answer));
}

/** One point of a loop gain: turn w, T, ln |T|, the phase of -T, ln w. */
function at(loop, w, answer) {
  const [re, im] = loopGain(loop, w, answer);
  return { w, re, im, size: 0.5 * Math.log(re * re + im * im), phase: Math.atan2(-im, -re), place: Math.log(w) };
}

/** Turns beside every dip of |1 + T| that an even grid may step over. */
function besideDips(loop, low) {
  const { re, im } = loop.multipliers;
  const turns = [];
  for (let i = 0; i < loop.size; i++) {
    const size = Math.hypot(re[i], im[i]);
    const w = Math.atan2(im[i], re[i]);
    if (size < SPENT || !(w > 0)) continue;
    const width = Math.max(Math.abs(Math.log(size)), 1e-9 * w);
    if (width >= SHARP * w) continue;
    turns.push(w, w + 0.5 * width, w - 0.5 * width);
    for (let k = 0; k < 8; k++) {
      const away = width * ((0.12 * w) / width) ** (k / 7);
      turns.push(w + away, w - away);
    }
  }
  return turns.filter((w) => w > low * (1 + 1e-5) && w < Math.PI * (1 - 1e-5));
}

function inOrder(points) {
  points.sort((a, b) => a.w - b.w);
  return points.filter((p, i) => i === 0 || p.w > points[i - 1].w);
}

/** Add points where ln T changes fast between neighbours, or where a crossing may hide. */
function refined(loop, points) {
  const most = points.length + MOST_ADDED;
  for (let round = 0; round < 12; round++) {
    const hidden = turnsBack(points);
    const added = [];
    for (let i = 0; i + 1 < points.length && points.length + added.length < most; i++) {
      const [a, b] = [points[i], points[i + 1]];
      if (!(b.place - a.place > FINEST_RATIO)) continue;
      const change = b.size - a.size;
      const apart = Math.abs(b.phase - a.phase);
      const turn = Math.min(apart, 2 * Math.PI - apart);
      const fast = change * change + turn * turn > LARGEST_STEP * LARGEST_STEP;
      if (fast || hidden[i] || hidden[i + 1]) added.push(at(loop, Math.sqrt(a.w * b.w)));
    }
    if (!added.length) break;
    points = inOrder([...points, ...added]);
  }
  return points;
}

/** Inner points at which size or phase comes near its line and turns back, so near that it may have crossed between. */
function turnsBack(points) {
  const found = new Uint8Array(points.length);
  for (let i = 1; i + 1 < points.length; i++) {
    const [a, b, c] = [points[i - 1], points[i], points[i + 1]];
    const [left, right] = [b.place - a.place, c.place - b.place];
    if (left <= FINEST_RATIO || right <= FINEST_RATIO) continue;
    if (hides(a.size, b.size, c.size, left, right) || hides(a.phase, b.phase, c.phase, left, right)) found[i] = 1;
  }
  return found;
}

function hides(before, near, after, left, right) {
  const sign = Math.sign(near);
  [before, near, after] = [sign * before, sign * near, sign * after];
  if (!(before >= near && after >= near && near < 1)) return false;
  const fall = (near - before) / left;
  const rise = (after - near) / right;
  const bend = (rise - fall) / (left + right);
  const slope = (fall * right + rise * left) / (left + right);
  return near < (HIDDEN * slope * slope) / (4 * bend);
}

/** Root of a function of ln w in a bracket by Chandrupatla's method (1997, from memory); returns the point there. */
function root(loop, from, to, residual) {
  let [a, b] = [to.place, from.place];
  let [pa, pb] = [to, from];
  let [fa, fb] = [residual(to), residual(from)];
  let part = 0.5;
  for (let k = 0; k < 60; k++) {
    const x = a + part * (b - a);
    const p = at(loop, Math.exp(x));
    const f = residual(p);
    const same = f >= 0 === fa >= 0;
    const [c, fc] = same ? [a, fa] : [b, fb];
    if (!same) [b, fb, pb] = [a, fa, pa];
    [a, fa, pa] = [x, f, p];
    const least = 0.5e-10 / Math.max(Math.abs(b - a), 1e-10);
    if (least >= 0.5 || fa === 0 || fb === 0) break;
    const xi = (a - b) / (c - b);
    const phi = (fa - fb) / (fc - fb);
    part = 0.5;
    if (phi * phi < xi && (1 - phi) ** 2 < 1 - xi) {
      const step = ((fa / (fb - fa)) * fc) / (fb - fc) + ((((c - a) / (b - a)) * fa) / (fc - fa)) * (fb / (fc - fb));
      if (Number.isFinite(step)) part = step;
    }
    part = Math.min(Math.max(part, least), 1 - least);
  }
  return Math.abs(fa) <= Math.abs(fb) ? pa : pb;
}

const square = (p) => p.re * p.re + p.im * p.im;
const peak = (p) => 1 / Math.max((1 + p.re) ** 2 + p.im ** 2, 1e-300);

/** Where |T| is one, with the phase margin, and where T is real and negative, with the gain margin. */
function crossings(loop, points) {
  const gain = [];
  const phase = [];
  for (let i = 0; i + 1 < points.length; i++) {
    const [a, b] = [points[i], points[i + 1]];
    if (square(a) >= 1 !== square(b) >= 1) {
      const p = root(loop, a, b, (q) => q.size);
      gain.push({ w: p.w, deg: (p.phase * 180) / Math.PI });
    }
    if (a.im >= 0 !== b.im >= 0 && (a.re * b.im - b.re * a.im) * Math.sign(b.im - a.im) < 0) {
      const p = root(loop, a, b, (q) => -q.phase);
      phase.push({ w: p.w, db: (-20 * p.size) / Math.LN10 });
    }
  }
  return { gain, phase };
}

/** Least |1 + T| and where: the deepest dips are followed to their bottom by golden section. */
function leastDistance(loop, points) {
  const tops = [];
  for (let i = 0; i < points.length; i++) {
    const here = peak(points[i]);
    const left = i ? peak(points[i - 1]) : 0;
    const right = i + 1 < points.length ? peak(points[i + 1]) : 0;
    if (here < left || here < right) continue;
    tops.push({ i, bound: i && i + 1 < points.length ? here + 3 * (vertex(points.slice(i - 1, i + 2)) - here) : here });
  }
  tops.sort((a, b) => b.bound - a.bound);
  let best = points[tops[0].i];
  for (const { i } of tops.slice(0, CANDIDATES)) {
    const p = bottom(loop, points[Math.max(i - 1, 0)], points[Math.min(i + 1, points.length - 1)]);
    for (const q of [points[i], p]) if (peak(q) > peak(best)) best = q;
  }
  return { w: best.w, least: 1 / Math.sqrt(peak(best)) };
}

/** Height of the parabola through three peaks over ln w, or that of the middle one. */
function vertex([a, b, c]) {
  const left = b.place - a.place;
  const right = c.place - b.place;
  const rise = (peak(b) - peak(a)) / left;
  const fall = (peak(c) - peak(b)) / right;
  const bend = (fall - rise) / (left + right);
  const slope = (rise * right + fall * left) / (left + right);
  const height = peak(b) - (slope * slope) / (4 * bend);
  return bend < 0 && Number.isFinite(height) ? Math.max(height, peak(b)) : peak(b);
}

function bottom(loop, from, to) {
  const share = (Math.sqrt(5) - 1) / 2;
  let [low, high] = [from.place, to.place];
  let left = at(loop, Math.exp(high - share * (high - low)));
  let right = at(loop, Math.exp(low + share * (high - low)));
  for (let k = 0; k < 16; k++) {
    if (peak(left) > peak(right)) {
      high = right.place;
      right = left;
      left = at(loop, Math.exp(high - share * (high - low)));
    } else {
      low = left.place;
      left = right;
      right = at(loop, Math.exp(low + share * (high - low)));
    }
  }
  return peak(left) > peak(right) ? left : right;
}

/**
 * Every margin of one closed loop. `points` is the refined scan {w, re, im}, w the turn per period; crossovers and
 * phase crossings rise in frequency. A margin that does not exist is null. The caller binds it all to the verdict.
 */
export function readMargins(loop) {
  let found = readFrom(loop, LOWEST);
  if (found.crossover === null) {
    const again = readFrom(loop, NEAR_DC);
    if (again.crossover !== null) found = again;
  }
  return found;
}

function readFrom(loop, low) {
  const points = refined(loop, inOrder([...scanned(loop, low), ...besideDips(loop, low).map((w) => at(loop, w))]));
  if (!points.every((p) => Number.isFinite(p.re) && Number.isFinite(p.im))) {
    throw new Error("the loop gain is not finite");
  }
  const { gain, phase } = crossings(loop, points);
  const { w, least } = leastDistance(loop, points);
  const crossover = gain.length ? gain.at(-1).w : null;
  const beyond = phase.filter((x) => crossover === null || x.w >= crossover).map((x) => x.db);
  let gainMargin = beyond.length ? Math.min(...beyond) : null;
  const below = phase.filter((x) => crossover !== null && x.w < crossover);
  // an unstable reading at the last crossover: what the gain may fall by counts
  if (gain.length && gain.at(-1).deg < 0 && below.length) gainMargin = below.at(-1).db;
  return {
    points,
    gain,
    phase,
    crossover,
    phaseMargin: gain.length ? Math.min(...gain.map((x) => x.deg)) : null,
    gainMargin,
    modulus: least,
    modulusAt: w,
  };
}
