// The live desk: holds what is shown, evaluates it when it changes, and keeps it in the address of the page.
import { completeParts, prepare } from "../engine/evaluate.js";
import { stepMeans } from "../engine/step.js";
import { createControls } from "./controls.js";
import { caseLines, plain } from "./numbers.js";
import { createPictures } from "./pictures.js";
import { createTable, verdictOf, wordOf } from "./verdict.js";

const SPOKEN_AFTER = 500; // ms without a change before the verdict is read aloud
const WARMING = [1.02, 1.05, 1.1, 1.2]; // C1 is varied by these once: a script that has run a few times runs faster
const KEPT_AFTER = 200; // ms without a change before the address takes the parts: browsers refuse it more often
const $ = (id) => document.getElementById(id);

/** Corner with the input voltage and load current nearest to those given. */
function cornerNear(corners, line, load) {
  const far = (c) => Math.abs(Math.log(c.input_voltage / line)) + Math.abs(Math.log(c.load_current / load));
  let best = 0;
  corners.forEach((c, k) => (best = far(c) < far(corners[best]) ? k : best));
  return best;
}

/** Start the desk on the data of the page. */
function start(data) {
  const evaluate = prepare(data);
  const reference = evaluate({});
  for (const factor of WARMING) evaluate({ C1: factor * data.parts.C1 });
  window.loopdesign = {
    parts: { ...data.parts },
    evaluate: (parts) => ({ corners: evaluate(parts ?? {}).corners }),
    stepMeans: (parts, cycles) => evaluate(parts ?? {}).loops.map((loop) => [...stepMeans(loop, cycles)]),
  };
  const state = { selected: data.first_corner, shown: reference, waiting: false, spoken: 0, kept: 0, touched: false };
  const hosts = Object.fromEntries(["size", "phase", "near", "step"].map((name) => [name, $(`picture-${name}`)]));
  const pictures = createPictures(data, hosts);
  const table = createTable(data, $("margins-body"), (k) => choose(k));
  const controls = createControls(data, $("parts"), changed);
  const lines = [...new Set(data.corners.map((c) => c.input_voltage))];
  const loads = [...new Set(data.corners.map((c) => c.load_current))];
  fillSelect($("line"), lines, "V");
  fillSelect($("load"), loads, "A");

  function changed() {
    state.touched = true;
    if (state.waiting) return;
    state.waiting = true;
    requestAnimationFrame(() => {
      state.waiting = false;
      update();
    });
  }

  function update() {
    const began = performance.now();
    try {
      state.shown = evaluate(controls.parts);
    } catch (fault) {
      say({ word: "unstable", sentence: `These parts cannot be evaluated: ${fault.message}. No verdict, no margins.` });
      $("desk").classList.add("stale");
      remember();
      return;
    }
    $("desk").classList.remove("stale");
    show();
    $("desk").dataset.milliseconds = (performance.now() - began).toFixed(1);
  }

  function show() {
    const { corners, parts } = state.shown;
    pictures.draw(state.shown, reference, state.selected);
    table(corners, state.selected);
    const corner = corners[state.selected];
    $("line").value = String(corner.input_voltage);
    $("load").value = String(corner.load_current);
    const place = `${plain(corner.input_voltage, 4)} V, ${plain(corner.load_current)} A, ${corner.mode}, nominal parts`;
    const word = wordOf(corner);
    for (const node of document.querySelectorAll(".shown-corner")) node.textContent = `${place}: ${word}`;
    say(verdictOf(data, corners));
    $("case-lines").value = caseLines(parts);
    $("case-lines").rows = Object.keys(parts).length;
    remember();
  }

  function redraw(isPrinting) {
    pictures.measure(isPrinting);
    pictures.draw(state.shown, reference, state.selected);
  }

  function say({ word, sentence }) {
    $("live-verdict").className = `live-verdict ${word}`;
    $("live-word").textContent = { stable: "✓", missed: "!", unstable: "✕" }[word];
    $("live-sentence").textContent = sentence;
    clearTimeout(state.spoken);
    state.spoken = setTimeout(() => {
      if ($("spoken").textContent !== sentence) $("spoken").textContent = sentence;
    }, SPOKEN_AFTER);
  }

  function choose(k) {
    state.touched = true;
    state.selected = k;
    show();
  }

  function remember() {
    clearTimeout(state.kept);
    if (state.touched) state.kept = setTimeout(keep, KEPT_AFTER);
  }

  function keep() {
    const corner = data.corners[state.selected];
    const words = new URLSearchParams(controls.parts);
    words.set("line", corner.input_voltage);
    words.set("load", corner.load_current);
    if (controls.isFree) words.set("values", "free");
    const fragment = `#${words}`;
    if (location.hash !== fragment) history.replaceState(null, "", fragment);
  }

  /** Take parts and corner from the address; what makes no sense there is passed over. */
  function recall() {
    if (!location.hash.includes("=")) {
      remember(); // a chapter of the page was gone to: the address keeps the parts
      return;
    }
    const words = new URLSearchParams(location.hash.slice(1));
    const given = {};
    state.touched = true;
    for (const name of Object.keys(data.parts)) {
      if (!words.has(name)) continue;
      try {
        given[name] = completeParts(data, { [name]: Number(words.get(name) || NaN) })[name];
      } catch {
        // not a value of this part: the chosen one stays
      }
    }
    const [line, load] = [Number(words.get("line")), Number(words.get("load"))];
    if (line > 0 && load > 0) state.selected = cornerNear(data.corners, line, load);
    const isFree = words.get("values") === "free";
    $(isFree ? "values-free" : "values-series").checked = true;
    controls.free(isFree);
    controls.set({ ...data.parts, ...given });
    update();
  }

  for (const id of ["line", "load"]) {
    $(id).addEventListener("change", () => {
      choose(cornerNear(data.corners, Number($("line").value), Number($("load").value)));
    });
  }
  for (const id of ["values-series", "values-free"]) {
    $(id).addEventListener("change", () => {
      state.touched = true;
      controls.free($("values-free").checked);
      remember();
    });
  }
  $("back").addEventListener("click", () => {
    controls.set(data.parts);
    changed();
  });
  $("copy").addEventListener("click", copyLines);
  addEventListener("hashchange", recall);
  addEventListener("resize", () => requestAnimationFrame(() => redraw(false)));
  addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("details")) folded.open = true;
    redraw(true);
  });
  addEventListener("afterprint", () => redraw(false));
  $("desk").hidden = false;
  pictures.measure(false);
  recall();
  show();
}

function fillSelect(select, values, unit) {
  for (const value of values) select.append(new Option(`${plain(value, 4)} ${unit}`, String(value)));
}

async function copyLines() {
  const box = $("case-lines");
  try {
    await navigator.clipboard.writeText(box.value);
  } catch {
    box.focus();
    box.select();
    document.execCommand("copy");
  }
  $("copied").textContent = "Copied: lines of the table [compensation].";
}

/** Say why there is no desk where it cannot start. */
function refuse(fault) {
  const said = document.createElement("p");
  said.className = "note";
  said.textContent = `The live desk cannot show this design: ${fault.message}. The report can be read without it.`;
  $("desk").replaceChildren($("desk-heading"), said);
  $("desk").hidden = false;
}

try {
  start(JSON.parse($("live-data").textContent));
} catch (fault) {
  refuse(fault);
}
