// The closed loop at one corner: stage and compensation network together, ripple at the comparator included.
//
// The stage knows of the compensation only by the instant at which the comparator trips, and the average output fixes
// that instant: parts change neither duty nor waveforms of the stage, but the control voltage, the slope at which the
// threshold is crossed, the map of a period and the loop gain. Where the engine solves for an orbit by Newton's method,
// the network's state at the clock and the reference follow here from one linear system, exactly.
import { apply, dot, eigenvalues, exponential, identity, multiply, solve, solveShifted } from "./algebra.js";
import { compensatorSystem } from "./compensator.js";
import { curveAt } from "./curve.js";
import { whyNotHeld } from "./held.js";
import { jointFlow, stepsOf, thresholdRow } from "./joint.js";

/** Close the loop of every prepared stage with one set of parts. */
export function closeLoops(data, stages, parts) {
  const period = 1 / data.switching_frequency;
  const network = compensatorSystem(parts, data.amplifier, data.divider, period);
  const gain = networkGain(network);
  const poles = eigenvalues(exponential(network.A, network.n), network.n);
  return stages.map((stage) => closeLoop(stage, network, poles, gain));
}

/** Gain [re, im] of the network from v(sense) to v(control) as a function of the turn per period. */
function networkGain(network) {
  const known = new Map();
  return (angle) => {
    let found = known.get(angle);
    if (found === undefined) {
      const x = solveShifted(network.A, network.n, 0, angle, network.S, null, false);
      found = [network.direct - dot(network.C, x, network.n), -dot(network.C, x.subarray(network.n), network.n)];
      known.set(angle, found);
    }
    return found;
  };
}

function closeLoop(stage, network, poles, gain) {
  const loop = { stage, network, gain, size: stage.n + network.n, poles };
  loop.flows = stage.configurations.map((c) => jointFlow(stage, network, c));
  loop.steps = stage.intervals.map((interval) => stepsOf(loop, interval.configuration, interval.length));
  solveOrbit(loop);
  loop.edges = stage.edges.map((edge, k) => jointEdge(loop, edge, k));
  loop.map = mapOfPeriod(loop);
  loop.multipliers = eigenvalues(loop.map, loop.size);
  loop.held = whyNotHeld(loop);
  readWorst(loop);
  return loop;
}

/** Find the network's state at the clock and the reference: it repeats itself, and the threshold is met at the trip. */
function solveOrbit(loop) {
  const { stage, network, size } = loop;
  const n = stage.n;
  const m = network.n;
  const wide = size + 2;
  let total = identity(wide);
  let met = null;
  loop.steps.forEach((step, k) => {
    total = multiply(step.whole, total, wide);
    if (k !== stage.trip) return;
    const row = thresholdRow(loop, stage.intervals[k].configuration);
    met = new Float64Array(wide);
    for (let i = 0; i < wide; i++) for (let j = 0; j < wide; j++) met[j] += row[i] * total[i * wide + j];
    met[size] += stage.corner.ramp * stage.tripTime;
  });
  const known = new Float64Array(wide);
  known.set(stage.states[0]);
  known[size] = 1;
  const unknowns = m + 1;
  const matrix = new Float64Array(unknowns * unknowns);
  const right = new Float64Array(unknowns);
  for (let i = 0; i <= m; i++) {
    const row = i < m ? total.subarray((n + i) * wide, (n + i + 1) * wide) : met;
    for (let j = 0; j < m; j++) matrix[i * unknowns + j] = -row[n + j];
    if (i < m) matrix[i * unknowns + i] += 1;
    matrix[i * unknowns + m] = -row[wide - 1];
    right[i] = dot(row, known, wide);
  }
  const solution = solve(matrix, right, unknowns, 1);
  if (solution === null) throw new Error("no operating point: the compensation network does not come to rest");
  known.set(solution.subarray(0, m), n);
  known[size + 1] = solution[m];
  loop.states = [known];
  loop.steps.forEach((step, k) => {
    const next = apply(step.whole, loop.states[k], wide);
    next.set(stage.states[k + 1]);
    loop.states.push(next);
  });
}

/** Edge of the whole network: the jump of all states, and the row whose zero it is, per unit of its slope. */
function jointEdge(loop, edge, k) {
  const { stage, network, size } = loop;
  const jump = new Float64Array(size);
  jump.set(edge.jump);
  for (let i = 0; i < network.n; i++) jump[stage.n + i] = network.S[i] * edge.regulated;
  const row = new Float64Array(size);
  if (edge.row !== null) {
    for (let i = 0; i < stage.n; i++) row[i] = edge.row[i] / edge.slope;
  } else if (edge.kind === "comparator") {
    const whole = thresholdRow(loop, stage.intervals[k].configuration);
    const rate = apply(loop.flows[stage.intervals[k].configuration], loop.states[k + 1], size + 2);
    loop.slope = dot(whole, rate, size) + stage.corner.ramp;
    for (let i = 0; i < size; i++) row[i] = whole[i] / loop.slope;
  }
  return { kind: edge.kind, jump, row, output: edge.output };
}

/** Carry every unit perturbation through one period. */
function mapOfPeriod(loop) {
  const { size } = loop;
  let total = identity(size);
  let tripped = null;
  loop.steps.forEach((step, k) => {
    total = multiply(cut(step.whole, size + 2, size), total, size);
    if (k >= loop.edges.length) return;
    const edge = loop.edges[k];
    let shift = new Float64Array(size);
    for (let i = 0; i < size; i++) for (let j = 0; j < size; j++) shift[j] -= edge.row[i] * total[i * size + j];
    if (edge.kind === "comparator") tripped = shift;
    if (edge.kind === "delayed") shift = tripped;
    for (let i = 0; i < size; i++) for (let j = 0; j < size; j++) total[i * size + j] += edge.jump[i] * shift[j];
  });
  return total;
}

/** The first rows and columns of a matrix. */
function cut(matrix, wide, size) {
  const part = new Float64Array(size * size);
  for (let i = 0; i < size; i++) part.set(matrix.subarray(i * wide, i * wide + size), i * size);
  return part;
}

/** Largest multiplier, and how its mode turns and grows. */
function readWorst(loop) {
  const { re, im } = loop.multipliers;
  let worst = 0;
  for (let i = 0; i < loop.size; i++) if (Math.hypot(re[i], im[i]) > Math.hypot(re[worst], im[worst])) worst = i;
  loop.largest = Math.hypot(re[worst], im[worst]);
  loop.turn = Math.abs(Math.atan2(im[worst], re[worst])) / (2 * Math.PI);
}

/**
 * Loop gain T = -Y/X across a source injected between output and divider, at one turn per period. Returns [re, im].
 *
 * The comparator acts once a period, so that with s the shift of the trip and v the injected voltage
 *
 *     s slope prod(z - m) / (prod(z - p) prod(z - q)) = -H v,    Y = P s,    X = Y - v,
 *
 * where m are the multipliers of the closed loop, p and q those of stage and network with the trip held, H is the gain
 * of the network and P what the output answers to a shift. The product over m holds the ripple at the comparator.
 * The stage knows P prod(z - p), its curve.
 */
export function loopGain(loop, angle, answer = curveAt(loop.stage.curve, angle)) {
  const { multipliers, poles, size } = loop;
  const half = Math.sin(angle / 2);
  const turnRe = -2 * half * half; // z - 1, free of cancellation at low frequency
  const turnIm = Math.sin(angle);
  let re = loop.slope;
  let im = 0;
  for (let i = 0; i < size; i++) {
    const a = 1 - multipliers.re[i] + turnRe;
    const b = turnIm - multipliers.im[i];
    const old = re;
    re = re * a - im * b;
    im = old * b + im * a;
  }
  for (let i = 0; i < poles.re.length; i++) {
    const a = 1 - poles.re[i] + turnRe;
    const b = turnIm - poles.im[i];
    const size2 = a * a + b * b;
    const old = re;
    re = (re * a + im * b) / size2;
    im = (im * a - old * b) / size2;
  }
  const [hRe, hIm] = loop.gain(angle);
  const pRe = hRe * answer[0] - hIm * answer[1];
  const pIm = hRe * answer[1] + hIm * answer[0];
  const bRe = re + pRe;
  const bIm = im + pIm;
  const square = bRe * bRe + bIm * bIm;
  return [-(pRe * bRe + pIm * bIm) / square, -(pIm * bRe - pRe * bIm) / square];
}
