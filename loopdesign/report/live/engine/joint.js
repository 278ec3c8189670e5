// Stage and compensation network as one linear network over [stage, network, 1, reference], interval by interval.
import { exponential, multiply } from "./algebra.js";

/** Flow of [stage, network, 1, reference] in one configuration. */
export function jointFlow(stage, network, c) {
  const n = stage.n;
  const m = network.n;
  const size = n + m + 2;
  const flow = new Float64Array(size * size);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) flow[i * size + j] = c.A[i * n + j];
    flow[i * size + n + m] = c.drive[i];
  }
  for (let i = 0; i < m; i++) {
    const row = (n + i) * size;
    for (let j = 0; j < n; j++) flow[row + j] = network.S[i] * c.regulated[j];
    for (let j = 0; j < m; j++) flow[row + n + j] = network.A[i * m + j];
    flow[row + n + m] = network.S[i] * c.regulated[n];
    flow[row + n + m + 1] = network.R[i];
  }
  return flow;
}

/** Transition over one interval, and over 1/16 and 1/256 of it. */
export function stepsOf(loop, configuration, length) {
  const size = loop.size + 2;
  const finest = exponential(loop.flows[configuration].map((v) => (v * length) / 256), size);
  let step = finest;
  for (let k = 0; k < 4; k++) step = multiply(step, step, size);
  const coarse = step;
  for (let k = 0; k < 4; k++) step = multiply(step, step, size);
  return { finest, coarse, whole: step };
}

/** Row of v(control) over [stage, network, 1, reference] in one configuration. */
export function controlRow(loop, configuration) {
  const { stage, network, size } = loop;
  const { regulated } = stage.configurations[configuration];
  const row = new Float64Array(size + 2);
  for (let i = 0; i < stage.n; i++) row[i] = network.direct * regulated[i];
  row.set(network.C, stage.n);
  row[size] = network.direct * regulated[stage.n];
  row[size + 1] = network.drive;
  return row;
}

/** Row of the comparator's threshold less its ramp: sensed signal minus control voltage. */
export function thresholdRow(loop, configuration) {
  const row = controlRow(loop, configuration).map((v) => -v);
  const { sensed } = loop.stage.configurations[configuration];
  for (let i = 0; i < loop.stage.n; i++) row[i] += sensed[i];
  row[loop.size] += sensed[loop.stage.n];
  return row;
}
