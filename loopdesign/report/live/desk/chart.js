// One drawing area with two axes, as SVG: ticks, lines, marks. It knows nothing of loops.

const NAMESPACE = "http://www.w3.org/2000/svg";
let charts = 0;
/** Make an SVG element with attributes. */
export function element(name, attributes = {}, text = null) {
  const made = document.createElementNS(NAMESPACE, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== null) made.textContent = text;
  return made;
}

/** Ticks between two numbers at a multiple of 1, 2 or 5. */
export function evenTicks(low, high, wanted) {
  const raw = (high - low) / wanted;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw * (1 - 1e-9));
  const ticks = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) ticks.push(k * step);
  return ticks;
}

/**
 * Put a chart into a host element. `describe` names it for those who do not see it. Width and height [px] and the axes
 * are given with every drawing: {min, max, log, ticks, name, label(tick)}.
 */
export function createChart(host, { left = 58, bottom = 40 } = {}) {
  charts += 1;
  const clip = `chart-${charts}`;
  const svg = element("svg", { role: "img", class: "chart" });
  host.append(svg);
  return {
    draw({ width, height, x, y, lines = [], marks = [], notes = [], shapes = [], describe }) {
      const frame = { left, right: width - 12, top: 10, bottom: height - bottom };
      const scale = (axis, from, to) => {
        const value = axis.log ? Math.log10 : (v) => v;
        const [a, b] = [value(axis.min), value(axis.max)];
        return (v) => from + ((value(v) - a) / (b - a)) * (to - from);
      };
      const px = scale(x, frame.left, frame.right);
      const py = scale(y, frame.bottom, frame.top);
      svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      svg.setAttribute("aria-label", describe);
      const inside = element("g", { "clip-path": `url(#${clip})` });
      svg.replaceChildren(clipOf(clip, frame), ...axes(x, y, px, py, frame, height), inside);
      for (const shape of shapes) inside.append(shape(px, py));
      for (const line of lines) inside.append(drawnLine(line, px, py, frame));
      for (const mark of marks) inside.append(drawnMark(mark, px, py));
      for (const note of notes) svg.append(drawnNote(note, px, py, frame));
    },
  };
}

function clipOf(id, frame) {
  const clip = element("clipPath", { id });
  const [width, height] = [frame.right - frame.left, frame.bottom - frame.top];
  clip.append(element("rect", { x: frame.left, y: frame.top, width, height }));
  return clip;
}

function axes(x, y, px, py, frame, tall) {
  const drawn = [];
  for (const tick of x.ticks) {
    const at = px(tick).toFixed(1);
    drawn.push(element("line", { class: "grid", x1: at, x2: at, y1: frame.top, y2: frame.bottom }));
    drawn.push(element("text", { class: "tick", x: at, y: frame.bottom + 15, "text-anchor": "middle" }, x.label(tick)));
  }
  for (const tick of y.ticks) {
    const at = py(tick).toFixed(1);
    drawn.push(element("line", { class: "grid", x1: frame.left, x2: frame.right, y1: at, y2: at }));
    const label = { class: "tick", x: frame.left - 6, y: Number(at) + 4, "text-anchor": "end" };
    drawn.push(element("text", label, y.label(tick)));
  }
  const [width, height] = [frame.right - frame.left, frame.bottom - frame.top];
  drawn.push(element("rect", { class: "frame", x: frame.left, y: frame.top, width, height }));
  const middle = (frame.left + frame.right) / 2;
  drawn.push(element("text", { class: "axis", x: middle, y: tall - 6, "text-anchor": "middle" }, x.name));
  const turned = `translate(13 ${(frame.top + frame.bottom) / 2}) rotate(-90)`;
  drawn.push(element("text", { class: "axis", transform: turned, "text-anchor": "middle" }, y.name));
  return drawn;
}

/** A line through points [[x, y], ...]; far outside the frame it is cut, so that no coordinate grows without end. */
function drawnLine({ points, kind }, px, py, frame) {
  const limit = 4 * (frame.bottom - frame.top);
  let path = "";
  let pen = "M";
  for (const [a, b] of points) {
    if (!Number.isFinite(a) || !Number.isFinite(b)) {
      pen = "M";
      continue;
    }
    const y = Math.min(Math.max(py(b), frame.top - limit), frame.bottom + limit);
    path += `${pen}${Math.round(10 * px(a)) / 10} ${Math.round(10 * y) / 10}`;
    pen = "L";
  }
  return element("path", { class: `line ${kind}`, d: path });
}

function drawnMark({ at: [a, b], kind, shape = "circle" }, px, py) {
  const [x, y] = [px(a), py(b)];
  if (shape === "cross") return element("path", { class: `mark ${kind}`, d: `M${x - 6} ${y}h12M${x} ${y - 6}v12` });
  const looks = { class: `mark ${kind}` };
  if (shape === "square") return element("rect", { ...looks, x: x - 4.5, y: y - 4.5, width: 9, height: 9 });
  return element("circle", { ...looks, cx: x, cy: y, r: 4.5 });
}

function drawnNote({ at: [a, b], text, anchor = "start", shift = [0, 0] }, px, py, frame) {
  const x = Math.min(Math.max(px(a), frame.left), frame.right) + shift[0];
  const y = Math.min(Math.max(py(b), frame.top), frame.bottom) + shift[1];
  return element("text", { class: "note", x, y, "text-anchor": anchor }, text);
}
