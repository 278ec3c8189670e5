// Sliders and boxes of the compensation parts: they hold the parts, and say when one has changed.
import { nearest, preferredBetween, quantity, readPart, unitOf } from "./numbers.js";

const REACH = 100; // a slider spans from the chosen value over this to the chosen value times this
const FREE_STEPS = 600;
const WORDS = { R: "resistance", C: "capacitance" };

/** Build the controls of every part of the network into `host`. Returns {parts, isFree, set, free}. */
export function createControls(data, host, changed) {
  const state = { parts: { ...data.parts }, isFree: false };
  const rows = Object.keys(data.parts).map((name) => partRow(data, name, state, changed));
  host.append(...rows.map((row) => row.element));
  const show = () => rows.forEach((row) => row.show());
  show();
  return {
    get parts() {
      return { ...state.parts };
    },
    get isFree() {
      return state.isFree;
    },
    set(parts) {
      Object.assign(state.parts, parts);
      show();
    },
    free(isFree) {
      state.isFree = isFree;
      show();
    },
  };
}

function partRow(data, name, state, changed) {
  const kind = name[0];
  const series = data.series[kind];
  const chosen = data.parts[name] || { R: 1e3, C: 1e-9 }[kind];
  const [low, high] = [chosen / REACH, chosen * REACH];
  const preferred = preferredBetween(series.decade, low, high);
  const row = document.createElement("div");
  row.className = "part";
  row.setAttribute("role", "group");
  row.setAttribute("aria-label", `${name}, ${WORDS[kind]}`);
  const label = document.createElement("label");
  label.textContent = name;
  label.htmlFor = `box-${name}`;
  const box = input({ type: "text", id: `box-${name}`, autocomplete: "off" });
  box.spellcheck = false;
  box.setAttribute("aria-describedby", `fault-${name}`);
  const slider = input({ type: "range", id: `slider-${name}`, min: 0, step: 1 });
  slider.setAttribute("aria-label", `${name}, ${WORDS[kind]}, slider`);
  const fault = Object.assign(document.createElement("p"), { className: "fault", id: `fault-${name}` });
  row.append(label, box, slider, fault);
  const fitted = name === "C1" || name === "R1" ? null : fittedBox(name);
  if (fitted) label.after(fitted.label);
  const places = () => (state.isFree ? FREE_STEPS : preferred.length - 1);
  const freeAt = (k) => Number((low * (high / low) ** (k / FREE_STEPS)).toPrecision(3));
  let remembered = data.parts[name] || nearest(preferred, chosen);

  function show() {
    const value = state.parts[name];
    if (value > 0) remembered = value;
    box.value = value > 0 ? quantity(value, unitOf(name)) : "none";
    slider.max = places();
    const inside = Math.min(Math.max(remembered, low), high);
    slider.value = state.isFree
      ? Math.round((FREE_STEPS * Math.log(inside / low)) / Math.log(high / low))
      : preferred.indexOf(nearest(preferred, inside));
    slider.setAttribute("aria-valuetext", box.value);
    slider.disabled = !(value > 0);
    if (fitted) fitted.input.checked = value > 0;
    fault.textContent = "";
    box.removeAttribute("aria-invalid");
  }

  slider.addEventListener("input", () => {
    state.parts[name] = state.isFree ? freeAt(Number(slider.value)) : preferred[Number(slider.value)];
    show();
    changed();
  });
  box.addEventListener("change", () => {
    const read = readPart(box.value, name);
    const isOptional = fitted !== null;
    if (read === null || !Number.isFinite(read) || (read === 0 && !isOptional)) {
      fault.textContent = `not a ${WORDS[kind]}: write it as ${kind === "R" ? "12k or 4k7" : "10n or 4n7"}`;
      box.setAttribute("aria-invalid", "true");
      return;
    }
    const snaps = read > 0 && !state.isFree;
    state.parts[name] = snaps ? nearest(preferredBetween(series.decade, read / 2, read * 2), read) : read;
    show();
    changed();
  });
  if (fitted) {
    fitted.input.addEventListener("change", () => {
      state.parts[name] = fitted.input.checked ? remembered : 0;
      show();
      changed();
    });
  }
  return { element: row, show };
}

function fittedBox(name) {
  const label = Object.assign(document.createElement("label"), { className: "fitted" });
  const box = input({ type: "checkbox", id: `fitted-${name}` });
  label.append(box, " fitted");
  box.setAttribute("aria-label", `${name} fitted`);
  return { label, input: box };
}

function input(properties) {
  return Object.assign(document.createElement("input"), properties);
}
