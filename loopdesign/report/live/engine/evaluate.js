// What a check of nominal parts says at every corner, for any parts of the compensation network.
import { PARTS_OF_NETWORK } from "./compensator.js";
import { closeLoops } from "./loop.js";
import { readMargins } from "./margins.js";
import { prepareStage } from "./stage.js";

/** Prepare the data that travel with the page. Returns evaluate(parts), which returns {corners, loops}. */
export function prepare(data) {
  const stages = data.corners.map(prepareStage);
  return (given) => {
    const parts = completeParts(data, given);
    const loops = closeLoops(data, stages, parts);
    // what a converter does at too light a load was stepped in time with the parts of the report, and is told of no others
    const asReported = Object.keys(parts).every((name) => parts[name] === data.parts[name]);
    return { parts, loops, corners: loops.map((loop) => cornerOf(data, loop, asReported)) };
  };
}

/** Parts of the network, the chosen ones where none are given. Throws where a name or a value is wrong. */
export function completeParts(data, given) {
  const known = PARTS_OF_NETWORK[data.network];
  for (const name of Object.keys(given)) {
    const isAbsent = PARTS_OF_NETWORK["type III"].includes(name) && !given[name];
    if (known.includes(name) || isAbsent) continue;
    throw new Error(`no part ${name} in a ${data.network} network: it has ${known.join(", ")}`);
  }
  const parts = {};
  for (const name of known) {
    const value = given[name] ?? data.parts[name];
    const least = name === "C1" ? "above zero" : "zero (not fitted) or above";
    if (typeof value !== "number" || !Number.isFinite(value) || value < 0 || (name === "C1" && value === 0)) {
      throw new Error(`${name} must be a number ${least}, in ${name.startsWith("R") ? "ohms" : "farads"}`);
    }
    parts[name] = value;
  }
  return parts;
}

/** One corner as `check --json` has it: no margin without its verdict, and none at a point that is not held. */
function cornerOf(data, loop, asReported) {
  const { corner } = loop.stage;
  const fs = data.switching_frequency;
  const hz = (w) => (w === null ? null : (w / (2 * Math.PI)) * fs);
  const margins = readMargins(loop);
  loop.margins = margins;
  const read = loop.held === null;
  return {
    input_voltage: corner.input_voltage,
    load_current: corner.load_current,
    mode: corner.mode,
    duty: corner.duty,
    stable: read && loop.largest < 1,
    held: loop.held,
    regime: asReported && !read ? corner.regime : null,
    largest_multiplier: loop.largest,
    worst_mode: { frequency_hz: loop.turn * fs, growth_per_s: Math.log(Math.max(loop.largest, 1e-300)) * fs },
    current_loop_stable: corner.current_loop_stable,
    current_loop_fails: corner.current_loop_fails,
    crossover_hz: read ? hz(margins.crossover) : null,
    phase_margin_deg: read ? margins.phaseMargin : null,
    gain_margin_db: read ? margins.gainMargin : null,
    modulus_margin: read ? margins.modulus : null,
  };
}
