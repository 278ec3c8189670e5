// What is said of a set of parts: the verdict in words, limits that are missed, the table of margins.
import { plain, quantity } from "./numbers.js";

const grows = (corner) => corner.largest_multiplier >= 1;

/** One corner's verdict in a word: what grows is unstable whether it is held or not, too light a load is neither. */
export function wordOf(corner) {
  if (corner.stable) return "stable";
  if (corner.regime !== null) return corner.regime;
  return grows(corner) ? "UNSTABLE" : `NOT HELD (${corner.held})`;
}

/** What one corner misses, in the words of the limits; stability first. */
export function missed(data, corner) {
  if (corner.regime !== null) return [corner.regime];
  const told = corner.stable ? [] : [grows(corner) ? "stability" : "not held"];
  if (corner.current_loop_fails) told.push("current loop");
  for (const limit of data.limits) {
    const value = corner[limit.reading];
    if (value === null) {
      if (limit.reading === "crossover_hz" && corner.held === null) told.push("crossover");
      continue;
    }
    const beyond = limit.is_highest ? value > limit.value : value < limit.value;
    if (beyond) told.push(limit.reading === "crossover_hz" ? "crossover" : limit.words);
  }
  return [...new Set(told)];
}

const placeOf = (corner) => `${plain(corner.input_voltage, 4)} V, ${plain(corner.load_current)} A`;

/** The verdict over all corners: {word, sentence}; word is "stable", "missed" or "unstable". */
export function verdictOf(data, corners) {
  const total = `${corners.length} nominal corner${corners.length > 1 ? "s" : ""}`;
  const bad = corners.filter((c) => !c.stable && c.regime === null);
  const light = corners.filter((c) => c.regime !== null);
  const places = light.map((c) => `${placeOf(c)} (${c.regime})`).join(", ");
  const lightly = light.length ? ` Not regulated by a pulse every period at ${places}.` : "";
  if (bad.length) {
    const growing = bad.filter(grows);
    const head = `${growing.length ? "UNSTABLE" : "NOT HELD"} at ${bad.length} of ${total}`;
    if (!growing.length) {
      const cause = `at ${placeOf(bad[0])} the controller does not keep its operating point (${bad[0].held})`;
      return { word: "unstable", sentence: `${head}: ${cause}. No margin is shown there.${lightly}` };
    }
    const worst = growing.reduce((a, b) => (b.largest_multiplier > a.largest_multiplier ? b : a));
    const growth = 100 * (worst.largest_multiplier - 1);
    const share = growth >= 99.5 ? growth.toFixed(0) : plain(growth, 2);
    const hz = quantity(worst.worst_mode.frequency_hz, "Hz", 3);
    const mode = `a mode at ${hz} grows by ${share} % per switching period`;
    const rest = bad.length - growing.length;
    const others = rest ? `; at ${rest} the controller does not keep its operating point` : "";
    const sentence = `${head}: at ${placeOf(worst)} ${mode}${others}. A margin read from a plot proves nothing there.${lightly}`;
    return { word: "unstable", sentence };
  }
  if (light.length) {
    const rest = corners.filter((c) => c.regime === null);
    const failing = rest.filter((c) => missed(data, c).length);
    const words = [...new Set(failing.flatMap((c) => missed(data, c)))].join(", ");
    const fails = failing.length ? `, but targets are MISSED at ${failing.length}: ${words}` : "";
    const head = rest.length ? `Stable at the other ${rest.length} of ${total}${fails}.` : "";
    return { word: "missed", sentence: `${head}${lightly}`.trim() };
  }
  const failing = corners.filter((c) => missed(data, c).length);
  const least = leastMargin(corners);
  if (!failing.length) return { word: "stable", sentence: `Stable, every target of the loop met at ${total}${least}.` };
  const words = [...new Set(failing.flatMap((c) => missed(data, c)))].join(", ");
  const sentence = `Stable at ${total}, but targets are MISSED at ${failing.length}: ${words}${least}.`;
  return { word: "missed", sentence };
}

function leastMargin(corners) {
  const read = corners.filter((c) => c.phase_margin_deg !== null);
  if (!read.length) return "";
  const worst = read.reduce((a, b) => (b.phase_margin_deg < a.phase_margin_deg ? b : a));
  return `; least phase margin ${tenths(worst.phase_margin_deg)}° at ${placeOf(worst)}`;
}

/** One place behind the point, more where the number would read as nothing. */
const tenths = (v) => (Math.abs(v) < 0.5 ? plain(v, 2) : v.toFixed(1));

const READINGS = [
  ["crossover_hz", (v) => quantity(v, "Hz", 3)],
  ["phase_margin_deg", (v) => (v === null ? "none" : `${tenths(v)}°`)],
  ["gain_margin_db", (v) => (v === null ? "none" : `${tenths(v)} dB`)],
  ["modulus_margin", (v) => (v === null ? "none" : v.toPrecision(3))],
];

/** Rows of the table of margins: one button for each corner, and its cells, made once and rewritten by `show`. */
export function createTable(data, body, select) {
  const rows = data.corners.map((corner, k) => {
    const row = document.createElement("tr");
    const head = document.createElement("th");
    head.scope = "row";
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: placeOf(corner) });
    button.addEventListener("click", () => select(k));
    head.append(button);
    const cells = Array.from({ length: 8 }, () => document.createElement("td"));
    row.append(head, ...cells);
    return { row, button, cells };
  });
  body.append(...rows.map((r) => r.row));
  return (corners, selected) =>
    rows.forEach(({ row, button, cells }, k) => {
      const corner = corners[k];
      const misses = missed(data, corner);
      row.classList.toggle("selected", k === selected);
      row.classList.toggle("bad", !corner.stable);
      button.setAttribute("aria-pressed", String(k === selected));
      const verdict = wordOf(corner);
      const readings = READINGS.map(([name, write]) => (corner.held === null ? write(corner[name]) : "-"));
      const multiplier = corner.largest_multiplier.toPrecision(5);
      const targets = misses.length ? `MISSED: ${misses.join(", ")}` : "met";
      [corner.mode, verdict, ...readings, multiplier, targets].forEach((text, i) => {
        if (cells[i].textContent !== text) cells[i].textContent = text;
      });
      READINGS.forEach(([name], i) => cells[i + 2].classList.toggle("missed", isMissed(data, corner, name)));
    });
}

function isMissed(data, corner, reading) {
  const value = corner[reading];
  if (value === null) return false;
  return data.limits.some((l) => l.reading === reading && (l.is_highest ? value > l.value : value < l.value));
}
