// The order of work at the bench, and what is to be done next, from what the program reports.

import { amount, plain } from "./words.js";

export const WORK = [
  "Take the gauge",
  "Find out where the needle is",
  "Capture every mark from below",
  "Capture every mark from above",
  "Look at the curve, and save",
  "Check it, and give it back",
];

export function captured(at, falling) {
  return at.marks.filter((mark) => at.captures.some((c) => c.falling === falling && same(c.reading, mark))).length;
}

export function same(a, b) {
  return Math.abs(a - b) < 1e-6 * Math.max(1, Math.abs(a));
}

/**
 * What is next: `step` is a place in WORK, `text` a sentence or two, `actions` the names of the buttons that it needs;
 * `passing` where it is only so until the needle rests, as after every jog: that is not read out.
 * `at` is the gauge's entry in the bench message, or undefined; `pointer` and `board` are of the panel message.
 */
export function next({ at, gauge, pointer, board, mayMove, stopped }) {
  const name = plain(gauge.name);
  if (!mayMove) {
    const text = "This browser may look, not move. Open the link that the program printed at its start: it carries the token.";
    return { step: 0, text, actions: [] };
  }
  if (!at) {
    const text = `Take the ${name} off telemetry. It then moves only when somebody here moves it; the other gauges fly on.`;
    return { step: 0, text, actions: ["take"] };
  }
  if (!at.yours) {
    return { step: 0, text: `${at.holder} has the ${name} at the bench. You can watch; ask them to give it back.`, actions: [] };
  }
  if (stopped) {
    return { step: null, text: `Stopped by ${stopped}: nothing moves until somebody presses “Go on”, at the foot of the page.`, actions: [] };
  }
  if (!at.known) {
    if (at.moving || at.state === "homing") return { step: 1, text: "The needle looks for its home position. Wait.", actions: [] };
    const detail = at.detail ? ` (${at.detail})` : "";
    const text =
      `Where the needle is, is not known${detail}. Let it find its home position by itself. ` +
      "If it has no index mark and no stop: set it to its home position by hand, with the power off, and confirm it.";
    return { step: 1, text, actions: ["home", "here"] };
  }
  if (at.unsaved && at.done && at.mistakes.length) {
    const text = `The curve can't be used as it is: ${at.mistakes.join(" ")}`;
    return { step: 4, text, actions: ["undo", "capture"] };
  }
  if (at.unsaved && at.done) {
    const more = at.suggestions.length ? " Captures between some marks would make it nearer: see there." : "";
    const text = `Every mark is captured both ways. Look at the curve and the residuals below, then save.${more}`;
    return { step: 4, text, actions: ["save"] };
  }
  if (!at.unsaved && at.saved) {
    const text = "Saved. Drive the needle to a few readings, or over its scale, and see that it is right. Then give the gauge back.";
    return { step: 5, text, actions: ["sweep", "release"] };
  }
  const mark = amount(at.mark, decimalsOf(at.mark, pointer), pointer.unit);
  const step = at.falling ? 3 : 2;
  const side = at.falling ? "above" : "below";
  const taken = at.captures.some((c) => c.falling === at.falling && same(c.reading, at.mark));
  if (taken && !at.marks.some((other) => same(other, at.mark))) {
    return { step, text: `${mark} is captured. Go on with one of the marks: choose it under “Marks”.`, actions: [] };
  }
  if (!at.sent) {
    const eye = board?.virtual ? "" : " Keep your fingers away.";
    return { step, text: `Press the button: the needle goes to ${mark}, coming from ${side}.${eye}`, actions: ["approach"] };
  }
  if (at.moving) {
    const text = `The needle is on its way to ${mark}, from ${side}. Wait until it rests.`;
    return { step, text, actions: ["capture"], passing: true };
  }
  const eye = board?.virtual
    ? "This board is virtual: look at the needle drawn here."
    : "Look at the real needle, straight on, not at the drawing.";
  const text = `Turn the needle until it covers ${mark} exactly. ${eye} Then press the button below; it goes on to the next mark.`;
  return { step, text, actions: ["capture"] };
}

/** Marks are round numbers: no more decimals than they need. */
export function decimalsOf(value, pointer) {
  const fraction = String(value ?? 0).split(".")[1] ?? "";
  return Math.min(fraction.length, Math.max(pointer.decimals, 2));
}
