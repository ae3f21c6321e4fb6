// Numbers and names as people read them.

const SPOKEN_UNITS = {
  ft: "feet",
  kt: "knots",
  "ft/min": "feet per minute",
  deg: "degrees",
  "deg/s": "degrees per second",
  hPa: "hectopascals",
  inHg: "inches of mercury",
  rpm: "revolutions per minute",
  psi: "pounds per square inch",
  degC: "degrees Celsius",
  L: "litres",
};
const SHOWN_UNITS = { deg: "°", "deg/s": "°/s", degC: "°C", 1: "" };

const formats = new Map();

/** A number with so many decimals; a dash where it is not known. */
export function number(value, decimals = 0) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  if (!formats.has(decimals)) {
    const digits = { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
    formats.set(decimals, new Intl.NumberFormat("en", { ...digits, signDisplay: "negative" }));
  }
  return formats.get(decimals).format(value).replace("-", "−");
}

/** As `amount`, with a plus sign too. */
export function signed(value, decimals, unitName) {
  const text = amount(value, decimals, unitName);
  return value > 0 && /[1-9]/.test(text) ? `+${text}` : text;
}

export function unit(name) {
  return SHOWN_UNITS[name] ?? name;
}

/** A value with its unit, as shown. */
export function amount(value, decimals, unitName) {
  const shown = unit(unitName);
  const space = shown.startsWith("°") && shown.length === 1 ? "" : "\u202f";
  return value === null || value === undefined ? "–" : `${number(value, decimals)}${space}${shown}`;
}

/** A value with its unit, as read out. */
export function spoken(value, decimals, unitName) {
  if (value === null || value === undefined) return "not known";
  return `${number(value, decimals).replace("−", "minus ")} ${SPOKEN_UNITS[unitName] ?? unit(unitName)}`;
}

/** `vertical_speed` as "vertical speed". */
export function plain(name) {
  return name.replaceAll("_", " ");
}

/** `vertical_speed` as "Vertical speed". */
export function title(name) {
  const words = plain(name);
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/** Seconds as minutes and seconds. */
export function minutes(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** How long, in a word or two. */
export function span(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  return seconds < 100 ? `${number(seconds, 0)} s` : `${minutes(seconds)} min`;
}

/** How long ago, in a word or two. */
export function age(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  return seconds < 1 ? "now" : `${span(seconds)} ago`;
}

/** One thing, two things. */
export function count(n, one, many = `${one}s`) {
  return `${number(n)} ${n === 1 ? one : many}`;
}

/** How bad a state is, by the word that the program has for it: its sign and its class. */
export function sign(state) {
  if (["live", "ready", "taken", "lit", "dark"].includes(state)) return ["●", "good"];
  if (["faulted", "lost", "error", "absent", "silent", "refused", "off"].includes(state)) return ["▲", "bad"];
  return ["◐", "warn"];
}
