// Numbers as people write them: quantities with prefixes, preferred values, lines of a case file.

const PREFIXES = [
  [1e-15, "f"], [1e-12, "p"], [1e-9, "n"], [1e-6, "µ"], [1e-3, "m"], [1, ""], [1e3, "k"], [1e6, "M"], [1e9, "G"],
];
const FACTORS = { f: 1e-15, p: 1e-12, n: 1e-9, u: 1e-6, µ: 1e-6, μ: 1e-6, m: 1e-3, k: 1e3, K: 1e3, M: 1e6, G: 1e9 };
const WRITTEN = /^([0-9]*[.,]?[0-9]+(?:e[+-]?[0-9]+)?)\s*(meg|[fpnuµμmkKMG])?\s*(ohms?|Ω|Ω|F|R)?$/i;
const SHORT = /^([0-9]+)([pnuµμmkKMR])([0-9]+)$/;

/** Unit of a part by its designator. */
export function unitOf(name) {
  return name.startsWith("R") ? "Ω" : "F";
}

/** Mantissa with so many significant digits, and prefix. */
function engineering(value, digits) {
  if (value === 0) return ["0", ""];
  const rounded = Number(value.toPrecision(digits));
  const size = Math.abs(rounded);
  const [factor, prefix] = PREFIXES.findLast(([f]) => size >= f * (1 - 1e-12)) ?? PREFIXES[0];
  return [String(Number((rounded / factor).toPrecision(digits))), prefix];
}

/** Write a quantity: 12000, "Ω" becomes "12 kΩ". */
export function quantity(value, unit, digits = 4) {
  if (value === null) return "none";
  const [mantissa, prefix] = engineering(value, digits);
  return `${mantissa} ${prefix}${unit}`.trim();
}

/** Prefix and factor in which the numbers of an axis up to `largest` are written: [1e-3, "m"] for milliseconds. */
export function axisPrefix(largest) {
  return PREFIXES.findLast(([f]) => largest >= f) ?? PREFIXES[0];
}

/** Read what a person writes for a part: "12k", "4.7 nF", "4n7", "none". Returns null where it makes no sense. */
export function readPart(text, name) {
  const trimmed = text.trim();
  if (/^none$/i.test(trimmed)) return 0;
  const short = SHORT.exec(trimmed);
  if (short) {
    const factor = short[2] === "R" ? 1 : FACTORS[short[2]];
    return Number(`${short[1]}.${short[3]}`) * factor;
  }
  const found = WRITTEN.exec(trimmed);
  if (!found) return null;
  const [, digits, prefix, unit] = found;
  if (unit && (unit.toUpperCase() === "F") !== (unitOf(name) === "F")) return null;
  const factor = !prefix ? 1 : /^meg$/i.test(prefix) ? 1e6 : FACTORS[prefix];
  if (factor === undefined) return null;
  // one decimal number, so that "4.7 nF" is exactly 4.7e-9
  return Number(`${Number(digits.replace(",", "."))}e${Math.round(Math.log10(factor))}`) || Number(digits) * factor;
}

/** Preferred values from low to high; `decade` holds one decade in hundredths. */
export function preferredBetween(decade, low, high) {
  const values = [];
  for (let power = Math.floor(Math.log10(low)) - 1; power <= Math.log10(high); power++) {
    for (const hundredth of decade) values.push(Number(`${hundredth}e${power - 2}`));
  }
  return values.filter((v) => v >= low * (1 - 1e-9) && v <= high * (1 + 1e-9));
}

/** Nearest of some values by ratio. */
export function nearest(values, value) {
  let best = values[0];
  for (const v of values) if (Math.abs(Math.log(v / value)) < Math.abs(Math.log(best / value))) best = v;
  return best;
}

/** Lines of the table [compensation] of a case file. */
export function caseLines(parts) {
  return Object.entries(parts)
    .map(([name, value]) => {
      if (value === 0) return `${name} = "none"`;
      const [mantissa, prefix] = engineering(value, 6);
      return `${name} = "${mantissa} ${prefix.replace("µ", "u")}${name.startsWith("R") ? "ohm" : "F"}"`;
    })
    .join("\n");
}

/** A number with so many significant digits, without an exponent where it can be. */
export function plain(value, digits = 3) {
  return value === null ? "none" : String(Number(value.toPrecision(digits)));
}
