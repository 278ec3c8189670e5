// From parts to the state space of everything between the sensed output and the control voltage.
// The netlist is that of loopdesign/compensation/netlist.py, the nodal equations those of network/nodal.py.
import { solve } from "./algebra.js";

const BUFFER_TRANSCONDUCTANCE = 1e-3; // of the stage that makes an amplifier's pole; drops out of every response
const FILTER_RESISTANCE = 1e3; // of the stage that makes the optocoupler's pole; drops out as well
const TWO_PI = 2 * Math.PI;

/** Parts that each network has; any other is not fitted. */
export const PARTS_OF_NETWORK = {
  "type I": ["C1"],
  "type II": ["R1", "C1", "C2"],
  "type III": ["R1", "C1", "C2", "R2", "C3"],
};

/**
 * Derive dx/dt = A x + S v(sense) + R v(reference), v(control) = C x + direct v(sense) + drive v(reference), with time
 * in switching periods and states sqrt(C) v. Throws an Error with a sentence where the network has no solution.
 */
export function compensatorSystem(parts, amplifier, divider, period) {
  const elements = netlist(parts, amplifier, divider);
  const capacitors = elements.filter((e) => e.kind === "capacitor");
  const nodes = [...new Set(elements.flatMap((e) => [e.a, e.b, e.plus, e.minus]))].filter((x) => x && x !== "0");
  for (const name of ["sense", "reference"]) if (!nodes.includes(name)) nodes.push(name);
  const branches = elements.filter((e) => e.kind === "capacitor" || e.kind === "gain");
  branches.push({ kind: "source", a: "sense", b: "0" }, { kind: "source", a: "reference", b: "0" });
  const size = nodes.length + branches.length;
  const count = capacitors.length;
  const columns = count + 2;
  const matrix = new Float64Array(size * size);
  const right = new Float64Array(size * columns);
  const add = (row, node, value) => {
    if (node !== "0") matrix[row * size + nodes.indexOf(node)] += value;
  };
  const leave = (node, write) => {
    if (node !== "0") write(nodes.indexOf(node));
  };
  for (const e of elements) {
    if (e.kind === "resistor") {
      leave(e.a, (row) => (add(row, e.a, 1 / e.value), add(row, e.b, -1 / e.value)));
      leave(e.b, (row) => (add(row, e.b, 1 / e.value), add(row, e.a, -1 / e.value)));
    } else if (e.kind === "transconductor") {
      leave(e.a, (row) => (add(row, e.plus, e.value), add(row, e.minus, -e.value)));
      leave(e.b, (row) => (add(row, e.plus, -e.value), add(row, e.minus, e.value)));
    }
  }
  branches.forEach((e, k) => {
    const row = nodes.length + k;
    leave(e.a, (node) => (matrix[node * size + row] += 1));
    leave(e.b, (node) => (matrix[node * size + row] -= 1));
    add(row, e.a, 1);
    add(row, e.b, -1);
    if (e.kind === "capacitor") {
      matrix[row * size + row] -= e.esr;
      right[row * columns + capacitors.indexOf(e)] = 1;
    } else if (e.kind === "gain") {
      add(row, e.plus, -e.value);
      add(row, e.minus, e.value);
    } else {
      right[row * columns + count + (e.a === "sense" ? 0 : 1)] = 1;
    }
  });
  const solution = solve(matrix, right, size, columns);
  if (solution === null || !solution.every((x) => Math.abs(x) < 1e12)) {
    throw new Error("the network has a loop of capacitors without resistance: give one of them a resistor");
  }
  return reduced({ capacitors, branches, nodes, solution, columns, period });
}

/** Read the state space from the solved nodal equations. */
function reduced({ capacitors, branches, nodes, solution, columns, period }) {
  const n = capacitors.length;
  const A = new Float64Array(n * n);
  const S = new Float64Array(n);
  const R = new Float64Array(n);
  const C = new Float64Array(n);
  const scale = capacitors.map((e) => Math.sqrt(e.value));
  capacitors.forEach((e, i) => {
    const row = (nodes.length + branches.indexOf(e)) * columns;
    const rate = period / scale[i];
    for (let j = 0; j < n; j++) A[i * n + j] = (rate * solution[row + j]) / scale[j];
    S[i] = rate * solution[row + n];
    R[i] = rate * solution[row + n + 1];
  });
  const control = nodes.indexOf("control") * columns;
  for (let j = 0; j < n; j++) C[j] = solution[control + j] / scale[j];
  return { n, A, S, R, C, direct: solution[control + n], drive: solution[control + n + 1] };
}

/** Elements between the nodes sense, reference and control; a part of zero is not fitted. */
function netlist(parts, amplifier, divider) {
  const { R1 = 0, C1 = 0, C2 = 0, R2 = 0, C3 = 0 } = parts;
  const elements = [resistor("sense", "feedback", divider.upper)];
  const lead = branch("sense", "feedback", divider.feedforward, R2, C3);
  if (divider.lower !== null) elements.push(resistor("feedback", "0", divider.lower));
  if (amplifier.kind === "transconductance") {
    elements.push(...lead, ...branch("control", "0", C2, R1, C1));
    elements.push(transconductor("0", "control", "reference", "feedback", amplifier.gm));
    if (amplifier.output_resistance !== null) elements.push(resistor("control", "0", amplifier.output_resistance));
    return elements;
  }
  const output = amplifier.kind === "operational" ? "control" : "cathode";
  elements.push(...met(lead, branch("feedback", output, C2, R1, C1)), ...gainStage(amplifier, output));
  if (amplifier.kind === "shunt optocoupler") elements.push(...optocoupler(amplifier));
  return elements;
}

/** An amplifier of one pole: a transconductor into a resistor and a capacitor, and a buffer. */
function gainStage(amplifier, output) {
  const gm = BUFFER_TRANSCONDUCTANCE;
  return [
    transconductor("0", "amplifier", "reference", "feedback", gm),
    { kind: "capacitor", a: "amplifier", b: "0", value: gm / (TWO_PI * amplifier.gain_bandwidth), esr: 0 },
    { kind: "gain", a: output, b: "0", plus: "amplifier", minus: "0", value: 1 },
    resistor("amplifier", "0", amplifier.dc_gain / gm),
  ];
}

/** The light source's resistor, the filtered transfer ratio and the pull-up resistor. */
function optocoupler(amplifier) {
  const supply = amplifier.fed_from_output ? "sense" : "0";
  const capacitance = 1 / (TWO_PI * amplifier.bandwidth * FILTER_RESISTANCE);
  return [
    resistor(supply, "cathode", amplifier.led_resistance),
    resistor("control", "0", amplifier.pull_up),
    transconductor("0", "light", supply, "cathode", amplifier.transfer_ratio / amplifier.led_resistance),
    resistor("light", "0", FILTER_RESISTANCE),
    { kind: "capacitor", a: "light", b: "0", value: capacitance, esr: 0 },
    transconductor("control", "0", "light", "0", 1 / FILTER_RESISTANCE),
  ];
}

/** A capacitor alone and one in series with a resistor, side by side; merged where neither has a resistor. */
function branch(a, b, plain, resistance, capacitance) {
  const fitted = [];
  const together = capacitance > 0 && !(resistance > 0) ? plain + capacitance : plain;
  if (together > 0) fitted.push({ kind: "capacitor", a, b, value: together, esr: 0 });
  if (capacitance > 0 && resistance > 0) fitted.push({ kind: "capacitor", a, b, value: capacitance, esr: resistance });
  return fitted;
}

/** A capacitor from sense and one from an amplifier's output without resistance: one to the mean of both voltages. */
function met(lead, across) {
  const one = lead.find((e) => e.esr === 0);
  const other = across.find((e) => e.esr === 0);
  if (!one || !other) return [...lead, ...across];
  const value = one.value + other.value;
  return [
    ...[...lead, ...across].filter((e) => e !== one && e !== other),
    { kind: "gain", a: "mean", b: "share", plus: one.a, minus: "0", value: one.value / value },
    { kind: "gain", a: "share", b: "0", plus: other.b, minus: "0", value: other.value / value },
    { kind: "capacitor", a: "feedback", b: "mean", value, esr: 0 },
  ];
}

function resistor(a, b, value) {
  return { kind: "resistor", a, b, value };
}

function transconductor(a, b, plus, minus, value) {
  return { kind: "transconductor", a, b, plus, minus, value };
}
