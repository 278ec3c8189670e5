// A small step of the load current at the clock: the mean of the output over every cycle after it, per ampere, from the
// linearised map of a period. It is exact for small steps; a large one meets limits and clamps that it does not know.
import { dot, exponential, identity, multiply } from "./algebra.js";

/** Means [V/A] of the output over `cycles` periods after a step of the load current, its value before taken as zero. */
export function stepMeans(loop, cycles) {
  const { size } = loop;
  const { map, row, direct, push } = periodWithLoad(loop);
  const means = new Float64Array(cycles);
  let x = new Float64Array(size);
  for (let k = 0; k < cycles; k++) {
    means[k] = dot(row, x, size) + direct;
    const next = new Float64Array(size);
    for (let i = 0; i < size; i++) next[i] = dot(map.subarray(i * size), x, size) + push[i];
    x = next;
  }
  return means;
}

/** Carry [integral of the output, states, load] through one period. */
function periodWithLoad(loop) {
  const { stage, size } = loop;
  const wide = size + 2;
  let total = identity(wide);
  let tripped = null;
  stage.intervals.forEach((interval, k) => {
    total = multiply(exponential(flowWithLoad(loop, interval), wide), total, wide);
    if (k >= loop.edges.length) return;
    const edge = loop.edges[k];
    let shift = new Float64Array(wide);
    for (let j = 0; j < wide; j++) {
      for (let i = 0; i < size; i++) shift[j] -= edge.row[i] * total[(i + 1) * wide + j];
    }
    shift[wide - 1] -= loadShare(loop, k, edge);
    if (edge.kind === "comparator") tripped = shift;
    if (edge.kind === "delayed") shift = tripped;
    for (let j = 0; j < wide; j++) {
      total[j] += edge.output * shift[j];
      for (let i = 0; i < size; i++) total[(i + 1) * wide + j] += edge.jump[i] * shift[j];
    }
  });
  const map = new Float64Array(size * size);
  const push = new Float64Array(size);
  for (let i = 0; i < size; i++) {
    map.set(total.subarray((i + 1) * wide + 1, (i + 1) * wide + 1 + size), i * size);
    push[i] = total[(i + 1) * wide + wide - 1];
  }
  return { map, push, row: total.slice(1, 1 + size), direct: total[wide - 1] };
}

function flowWithLoad(loop, { configuration, length }) {
  const { stage, network, size } = loop;
  const wide = size + 2;
  const c = stage.configurations[configuration];
  const joint = loop.flows[configuration];
  const flow = new Float64Array(wide * wide);
  for (let i = 0; i < stage.n; i++) flow[i + 1] = c.output[i] * length;
  flow[wide - 1] = c.output[stage.n + 1] * length;
  for (let i = 0; i < size; i++) {
    for (let j = 0; j < size; j++) flow[(i + 1) * wide + j + 1] = joint[i * wide + j] * length;
    const load = i < stage.n ? c.load[i] : network.S[i - stage.n] * c.regulated[stage.n + 1];
    flow[(i + 1) * wide + wide - 1] = load * length;
  }
  return flow;
}

/** How far one ampere of load moves an edge by itself [periods/A]. */
function loadShare(loop, k, edge) {
  const { stage, network } = loop;
  const c = stage.configurations[stage.intervals[k].configuration];
  const own = stage.edges[k];
  if (own.row !== null) return own.row[stage.n + 1] / own.slope;
  if (edge.kind !== "comparator") return 0;
  return (c.sensed[stage.n + 1] - network.direct * c.regulated[stage.n + 1]) / loop.slope;
}
