// The power stage at one corner, which no compensation part changes: its orbit, how an edge moves it, and what the
// output answers to a later turn-off. Time counts in switching periods, states are normalised as in the engine.
import { apply, dot, eigenvalues, exponential, identity, multiply, solveShifted } from "./algebra.js";
import { smoothCurve } from "./curve.js";

/** Prepare one corner of the data that travel with the page. */
export function prepareStage(corner) {
  const n = corner.start.length;
  const stage = {
    n,
    corner,
    configurations: corner.configurations.map((c) => ({
      A: Float64Array.from(c.A.flat()),
      drive: Float64Array.from(c.drive),
      load: Float64Array.from(c.load),
      regulated: Float64Array.from(c.regulated),
      output: Float64Array.from(c.output),
      sensed: c.sensed === null ? null : Float64Array.from(c.sensed),
    })),
    intervals: corner.intervals,
  };
  followOrbit(stage);
  mapOfPeriod(stage);
  stage.curve = smoothCurve((angle) => answerWithoutPoles(stage, angle));
  return stage;
}

/** Configuration of interval k. */
export function configurationAt(stage, k) {
  return stage.configurations[stage.intervals[k].configuration];
}

/** Value of a row [states, constant, load] at a state, with nothing added to the load. */
export function valueOf(row, x, n) {
  return dot(row, x, n) + row[n];
}

/** States at every edge, transition matrices, and at each edge the jump of the state and of the outputs. */
function followOrbit(stage) {
  const { n, intervals } = stage;
  const size = n + 1;
  stage.transitions = [];
  stage.begins = [0];
  stage.states = [Float64Array.from(stage.corner.start)];
  intervals.forEach((interval, k) => {
    const c = configurationAt(stage, k);
    const flow = new Float64Array(size * size);
    for (let i = 0; i < n; i++) {
      for (let j = 0; j < n; j++) flow[i * size + j] = c.A[i * n + j] * interval.length;
      flow[i * size + n] = c.drive[i] * interval.length;
    }
    const E = exponential(flow, size);
    const next = new Float64Array(n);
    const transition = new Float64Array(n * n);
    for (let i = 0; i < n; i++) {
      for (let j = 0; j < n; j++) transition[i * n + j] = E[i * size + j];
      next[i] = dot(transition.subarray(i * n), stage.states[k], n) + E[i * size + n];
    }
    stage.transitions.push(transition);
    stage.states.push(next);
    stage.begins.push(stage.begins[k] + interval.length);
  });
  stage.trip = intervals.findIndex((x) => x.edge === "comparator");
  stage.tripTime = stage.begins[stage.trip + 1];
  stage.edges = intervals.slice(0, -1).map((interval, k) => edgeAt(stage, interval, k));
}

function edgeAt(stage, interval, k) {
  const { n } = stage;
  const before = configurationAt(stage, k);
  const after = configurationAt(stage, k + 1);
  const x = stage.states[k + 1];
  const rate = flowOf(before, x, n);
  const same = before === after || interval.edge === "clock";
  const later = flowOf(after, x, n);
  const row = interval.row === null ? null : Float64Array.from(interval.row);
  return {
    kind: interval.edge,
    jump: rate.map((v, i) => (same ? 0 : v - later[i])),
    regulated: same ? 0 : valueOf(before.regulated, x, n) - valueOf(after.regulated, x, n),
    output: same ? 0 : valueOf(before.output, x, n) - valueOf(after.output, x, n),
    row,
    slope: row === null ? 0 : dot(row, rate, n),
    rate,
  };
}

function flowOf(c, x, n) {
  const rate = apply(c.A, x, n);
  for (let i = 0; i < n; i++) rate[i] += c.drive[i];
  return rate;
}

/** Map of the stage over one period with the instant of the trip held, and what a unit shift of the trip adds. */
function mapOfPeriod(stage) {
  const { n } = stage;
  let map = identity(n);
  let push = new Float64Array(n);
  stage.transitions.forEach((E, k) => {
    map = multiply(E, map, n);
    push = apply(E, push, n);
    if (k >= stage.edges.length) return;
    const edge = stage.edges[k];
    if (edge.row !== null) {
      const shift = new Float64Array(n);
      for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) shift[j] -= (edge.row[i] * map[i * n + j]) / edge.slope;
      const own = -dot(edge.row, push, n) / edge.slope;
      for (let i = 0; i < n; i++) {
        for (let j = 0; j < n; j++) map[i * n + j] += edge.jump[i] * shift[j];
        push[i] += edge.jump[i] * own;
      }
    } else if (edge.kind === "comparator" || edge.kind === "delayed") {
      for (let i = 0; i < n; i++) push[i] += edge.jump[i];
    }
  });
  stage.map = map;
  stage.push = push;
  stage.poles = eigenvalues(map, n);
}

/**
 * What the sensed output answers, at its own frequency, to a turn-off that is late by one period times exp(jw t),
 * the phase counted from the trip, times prod(z - p) over the poles of the stage with the trip held. `angle` is the
 * turn of the frequency over one period. Returns [re, im].
 */
function answerWithoutPoles(stage, angle) {
  let [re, im] = answerToShift(stage, angle);
  const half = Math.sin(angle / 2);
  for (let i = 0; i < stage.n; i++) {
    // z - p = (1 - p) + (z - 1), with z - 1 free of cancellation at low frequency
    const a = 1 - stage.poles.re[i] - 2 * half * half;
    const b = Math.sin(angle) - stage.poles.im[i];
    [re, im] = [re * a - im * b, re * b + im * a];
  }
  return [re, im];
}

function answerToShift(stage, angle) {
  const { n, edges } = stage;
  const rows = stage.configurations.map((c) => solveShifted(c.A, n, 0, angle, c.regulated, null, true));
  let z = solveShifted(stage.map, n, Math.cos(angle), Math.sin(angle), stage.push.map((v) => -v), null, false);
  let sumRe = 0;
  let sumIm = 0;
  const add = (re, im, time) => {
    const turn = -angle * (time - stage.tripTime);
    sumRe += re * Math.cos(turn) - im * Math.sin(turn);
    sumIm += re * Math.sin(turn) + im * Math.cos(turn);
  };
  for (let k = 0; k < stage.transitions.length; k++) {
    const E = stage.transitions[k];
    const r = rows[stage.intervals[k].configuration];
    const end = new Float64Array(2 * n);
    for (let i = 0; i < n; i++) {
      end[i] = dot(E.subarray(i * n), z, n);
      end[n + i] = dot(E.subarray(i * n), z.subarray(n), n);
    }
    // row (A - jw)^-1 times what stands at the end, less what stood at the begin, each in its own phase
    const [endRe, endIm] = product(r, end, n);
    const [beginRe, beginIm] = product(r, z, n);
    add(endRe, endIm, stage.begins[k + 1]);
    add(-beginRe, -beginIm, stage.begins[k]);
    if (k < edges.length) {
      const edge = edges[k];
      let shiftRe = 0;
      let shiftIm = 0;
      if (edge.row !== null) {
        shiftRe = -dot(edge.row, end, n) / edge.slope;
        shiftIm = -dot(edge.row, end.subarray(n), n) / edge.slope;
      } else if (edge.kind === "comparator" || edge.kind === "delayed") {
        shiftRe = 1;
      }
      for (let i = 0; i < n; i++) {
        end[i] += edge.jump[i] * shiftRe;
        end[n + i] += edge.jump[i] * shiftIm;
      }
      add(edge.regulated * shiftRe, edge.regulated * shiftIm, stage.begins[k + 1]);
    }
    z = end;
  }
  return [sumRe, sumIm];
}

/** Complex product of a row and a column, each as real parts followed by imaginary ones. */
function product(row, z, n) {
  let re = 0;
  let im = 0;
  for (let i = 0; i < n; i++) {
    re += row[i] * z[i] - row[n + i] * z[n + i];
    im += row[i] * z[n + i] + row[n + i] * z[i];
  }
  return [re, im];
}
