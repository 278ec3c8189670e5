// The pictures of the live desk: loop gain over frequency, loop gain near -1, a step of the load.
import { stepMeans } from "../engine/step.js";
import { createChart, element, evenTicks } from "./chart.js";
import { axisPrefix, plain, quantity } from "./numbers.js";
import { wordOf } from "./verdict.js";

const LIMIT_OF = (data, name) => data.limits.find((x) => x.name === name)?.value ?? null;
const MOST_CYCLES = 4000;

/**
 * Put the pictures into their hosts. Returns draw(shown, reference, selected), whose loops `prepare` found, and
 * measure(isPrinting), to be called whenever the hosts change their width.
 */
export function createPictures(data, hosts) {
  const charts = {
    size: createChart(hosts.size, { bottom: 22 }),
    phase: createChart(hosts.phase),
    near: createChart(hosts.near),
    step: createChart(hosts.step),
  };
  const widths = {};
  const cycles = new Map();
  return {
    measure(isPrinting) {
      for (const [name, host] of Object.entries(hosts)) {
        widths[name] = Math.max(isPrinting ? Number(host.dataset.print) : host.clientWidth || 640, 260);
      }
    },
    draw(shown, reference, selected) {
      const bode = bodeOf(data, shown, reference, selected);
      charts.size.draw({ width: widths.size, height: 250, ...bode.size });
      charts.phase.draw({ width: widths.phase, height: 230, ...bode.phase });
      charts.near.draw(nearOf(data, shown, reference, selected, widths.near));
      if (!cycles.has(selected)) cycles.set(selected, cyclesOf(reference.loops[selected]));
      const step = stepOf(data, shown, reference, selected, cycles.get(selected));
      charts.step.draw({ width: widths.step, height: 250, ...step });
    },
  };
}

/** Points of a loop over frequency [Hz]: size [dB] and unwrapped phase [deg]; none where the point is not held. */
function curveOf(data, loop) {
  loop.curve ??= curveFrom(data, loop);
  return loop.curve;
}

function curveFrom(data, loop) {
  if (loop.held !== null) return { size: [], phase: [] };
  const size = [];
  const phase = [];
  let turns = 0;
  let before = null;
  for (const p of loop.margins.points) {
    const hz = (p.w * data.switching_frequency) / (2 * Math.PI);
    const angle = Math.atan2(p.im, p.re);
    if (before !== null && angle - before > Math.PI) turns -= 1;
    if (before !== null && angle - before < -Math.PI) turns += 1;
    before = angle;
    size.push([hz, (20 * p.size) / Math.LN10]);
    phase.push([hz, ((angle + 2 * Math.PI * turns) * 180) / Math.PI]);
  }
  return { size, phase };
}

function bodeOf(data, shown, reference, selected) {
  const fs = data.switching_frequency;
  const all = shown.loops.map((loop) => curveOf(data, loop));
  const dashed = curveOf(data, reference.loops[selected]);
  const x = frequencyAxis(3e-5 * fs, 0.5 * fs);
  const lines = (key) => [
    ...all.filter((_, k) => k !== selected).map((c) => ({ points: thinned(c[key]), kind: "other" })),
    { points: dashed[key], kind: "reference" },
    { points: all[selected][key], kind: "shown" },
  ];
  const across = (value) => [[x.min, value], [x.max, value]];
  const highest = data.limits.filter((l) => l.reading === "crossover_hz" && l.is_highest);
  const limit = Math.min(...highest.map((l) => l.value));
  const upright = (y) => ({ points: [[limit, y.min], [limit, y.max]], kind: "limit" });
  const [marginDeg, marginDb] = [LIMIT_OF(data, "phase_margin"), LIMIT_OF(data, "gain_margin")];
  const y = spanOf([...all, dashed].map((c) => c.size), 20, -80, 100);
  const turn = spanOf([...all, dashed].map((c) => c.phase), 45, -540, 180);
  const { told, marksOf } = readingsOf(data, shown, selected);
  return {
    size: {
      x: { ...x, name: "", label: () => "" },
      y: { ...y, ticks: stepped(y, 20), name: "|T| / dB", label: (v) => plain(v) },
      lines: [
        { points: across(0), kind: "zero" },
        { points: across(-marginDb), kind: "limit" },
        upright(y),
        ...lines("size"),
      ],
      marks: marksOf.size,
      notes: [
        ...absent(shown, selected, x, y),
        { at: [x.min, -marginDb], text: `gain margin ${plain(marginDb)} dB`, shift: [6, 14] },
        { at: [limit, y.max], text: `crossover limit ${quantity(limit, "Hz", 3)}`, anchor: "end", shift: [-5, 14] },
      ],
      describe: `Size of the loop gain over frequency. ${told}`,
    },
    phase: {
      x: { ...x, name: "frequency / Hz" },
      y: { ...turn, ticks: stepped(turn, 45), name: "phase of T / °", label: (v) => plain(v) },
      lines: [
        { points: across(-180), kind: "zero" },
        { points: across(marginDeg - 180), kind: "limit" },
        upright(turn),
        ...lines("phase"),
      ],
      marks: marksOf.phase,
      notes: [
        ...absent(shown, selected, x, turn),
        { at: [x.min, marginDeg - 180], text: `phase margin ${plain(marginDeg)}°`, shift: [6, -5] },
      ],
      describe: `Phase of the loop gain over frequency. ${told}`,
    },
  };
}

/** What the selected corner reads, in a sentence and as marks on both curves. */
function readingsOf(data, shown, selected) {
  const loop = shown.loops[selected];
  const corner = shown.corners[selected];
  const place = `${plain(corner.input_voltage, 4)} V, ${plain(corner.load_current)} A`;
  if (loop.held !== null) {
    return { told: `${place}: ${wordOf(corner)}, no loop gain.`, marksOf: { size: [], phase: [] } };
  }
  const hz = (w) => (w * data.switching_frequency) / (2 * Math.PI);
  const curve = curveOf(data, loop);
  const phaseAt = (f) => interpolated(curve.phase, f);
  const marksOf = { size: [], phase: [] };
  for (const { w } of loop.margins.gain) {
    marksOf.size.push({ at: [hz(w), 0], kind: "crossover" });
    marksOf.phase.push({ at: [hz(w), phaseAt(hz(w))], kind: "crossover" });
  }
  for (const { w, db } of loop.margins.phase) {
    marksOf.size.push({ at: [hz(w), -db], kind: "crossing", shape: "square" });
    marksOf.phase.push({ at: [hz(w), phaseAt(hz(w))], kind: "crossing", shape: "square" });
  }
  const word = `${wordOf(corner)}${corner.stable ? "" : ", its margins prove nothing"}`;
  const told =
    `${place}: ${word}; crossover ${quantity(corner.crossover_hz, "Hz", 3)}, ` +
    `phase margin ${plain(corner.phase_margin_deg)} degrees, gain margin ${plain(corner.gain_margin_db)} dB.`;
  return { told, marksOf };
}

/** What stands in a picture in place of a curve that would show an operating point at which the converter is not. */
function absent(shown, selected, x, y) {
  if (shown.loops[selected].held === null) return [];
  const middle = x.log ? Math.sqrt(x.min * x.max) : (x.min + x.max) / 2;
  return [{ at: [middle, (y.min + y.max) / 2], text: wordOf(shown.corners[selected]), anchor: "middle", shift: [0, -8] }];
}

function interpolated(points, hz) {
  const k = Math.max(1, points.findIndex((p) => p[0] >= hz));
  const [a, b] = [points[k - 1], points[k]];
  return a[1] + ((b[1] - a[1]) * Math.log(hz / a[0])) / Math.log(b[0] / a[0]);
}

/** Every third point: enough for a thin line. */
function thinned(points) {
  return points.filter((_, k) => k % 3 === 0 || k === points.length - 1);
}

function frequencyAxis(min, max) {
  const ticks = [];
  for (let power = Math.ceil(Math.log10(min)); 10 ** power <= max; power++) ticks.push(10 ** power);
  return { min, max, log: true, ticks, label: (v) => quantity(v, "") };
}

/** Range of some curves, rounded outwards to whole steps and kept within bounds. */
function spanOf(curves, step, least, most) {
  const values = curves.flat().map((p) => p[1]);
  const low = values.length ? Math.min(...values) : -2 * step;
  const high = values.length ? Math.max(...values) : 2 * step;
  const min = Math.max(least, step * Math.floor(low / step - 0.02));
  return { min, max: Math.max(min + 4 * step, Math.min(most, step * Math.ceil(high / step + 0.02))) };
}

function stepped({ min, max }, step) {
  const count = Math.round((max - min) / step);
  const every = Math.ceil(count / 7);
  const ticks = [];
  for (let v = Math.ceil(min / (step * every)) * step * every; v <= max + 1e-9; v += step * every) ticks.push(v);
  return ticks;
}

function nearOf(data, shown, reference, selected, width) {
  const reach = 2.2;
  const [left, right] = [-1 - reach, -1 + reach];
  const x = { min: left, max: right, ticks: evenTicks(left, right, 5), name: "Re T", label: plain };
  const tall = Math.min(width, 420);
  const upright = (reach * (tall - 50)) / (width - 70);
  const y = { min: -upright, max: upright, ticks: evenTicks(-upright, upright, 5), name: "Im T", label: plain };
  const far = 4 * reach;
  const line = (loop, kind) => {
    const points = loop.held === null ? loop.margins.points.map((p) => [p.re, p.im]) : [];
    // what lies far outside the frame is left out, but for the point next to what is seen
    const near = points.findIndex(([a, b]) => Math.hypot(a, b) < far);
    return { kind, points: near < 0 ? [] : points.slice(Math.max(near - 1, 0)) };
  };
  const circle = (radius, a, kind) => (px, py) =>
    element("ellipse", {
      class: kind, cx: px(a), cy: py(0), rx: px(a + radius) - px(a), ry: py(0) - py(radius),
    });
  const limit = LIMIT_OF(data, "modulus_margin");
  const corner = shown.corners[selected];
  const least = corner.modulus_margin === null ? "none" : plain(corner.modulus_margin);
  return {
    width,
    height: tall,
    x,
    y,
    shapes: [circle(1, 0, "unit"), circle(limit, -1, "forbidden")],
    lines: [
      ...shown.loops.filter((_, k) => k !== selected).map((loop) => line(loop, "other")),
      line(reference.loops[selected], "reference"),
      line(shown.loops[selected], "shown"),
    ],
    marks: [{ at: [-1, 0], kind: "critical", shape: "cross" }],
    notes: [
      ...absent(shown, selected, x, { min: 0, max: y.max }),
      { at: [-1, -limit], text: `modulus margin ${plain(limit)}`, anchor: "middle", shift: [0, 14] },
    ],
    describe: `Loop gain near -1. Verdict: ${wordOf(corner)}; modulus margin ${least}.`,
  };
}

/** Cycles that a step is followed for: a few times the time in which the chosen design answers. */
function cyclesOf(loop) {
  const crossover = loop.margins.crossover ?? 0.05;
  return Math.min(MOST_CYCLES, Math.max(40, Math.round((6 * 2 * Math.PI) / crossover)));
}

/** A linear axis whose numbers share one prefix. */
function axisOf(min, max, what, unit) {
  const [factor, prefix] = axisPrefix(max);
  const label = (v) => plain(v / factor);
  return { min, max, ticks: evenTicks(min, max, 5), name: `${what} / ${prefix}${unit}`, label };
}

function stepOf(data, shown, reference, selected, cycles) {
  const corner = shown.corners[selected];
  const given = data.load_step;
  const amperes = given ? given.to - given.from : 0.1 * corner.load_current;
  const period = 1 / data.switching_frequency;
  const means = (loop) => {
    if (loop.held !== null) return [];
    loop.means ??= stepMeans(loop, cycles);
    const every = Math.max(1, Math.floor(cycles / 600)); // a point each few cycles where there are thousands
    const points = [];
    for (let k = 0; k < cycles; k += every) points.push([(k + 0.5) * period, loop.means[k] * amperes]);
    return points;
  };
  const dashed = means(reference.loops[selected]);
  const solid = means(shown.loops[selected]);
  const values = dashed.length ? dashed : solid;
  const largest = Math.max(...values.map((p) => Math.abs(p[1])), 1e-9);
  const seen = Math.max(largest, ...(corner.stable ? solid.map((p) => Math.abs(p[1])) : []));
  const reach = 1.25 * Math.min(seen, 4 * largest);
  const x = axisOf(0, cycles * period, "time", "s");
  const y = axisOf(-reach, reach, "departure", "V");
  const word = ` Verdict: ${wordOf(corner)}.`;
  const deepest = solid.length ? quantity(Math.max(...solid.map((p) => Math.abs(p[1]))), "V", 3) : "none";
  return {
    x,
    y,
    notes: absent(shown, selected, x, { min: 0, max: y.max }),
    lines: [
      { points: [[0, 0], [x.max, 0]], kind: "zero" },
      { points: dashed, kind: "reference" },
      { points: solid, kind: "shown" },
    ],
    describe: `Mean output after a load step of ${plain(amperes)} A. Largest departure ${deepest}.${word}`,
  };
}
