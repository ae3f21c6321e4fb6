// Ways to move the needle at the bench: by clicks, while a button is held, to a reading, by itself.

import { button, el, group, put } from "./dom.js";
import { Knob, holdButton } from "./knob.js";
import { spoken, unit } from "./words.js";

/** A round reading of about a hundredth of the scale: what one jog by the reading moves. */
function readingJog({ low, high }) {
  const rough = Math.abs(high - low) / 100;
  const ten = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((n) => n * ten).findLast((n) => n <= rough * 1.0001);
}

export class Moving {
  /** `ask(command, fields)` and `capture()` are the station's; `refuse(text)` shows why something was not asked. */
  constructor(pointer, { ask, capture, refuse }) {
    this.pointer = pointer;
    this.ask = ask;
    this.refuse = refuse;
    this.owed = 0;
    this.sending = false;
    this.nodes = [this.buildTurning(capture), this.buildDriving()];
  }

  buildTurning(capture) {
    const jog = readingJog(this.pointer);
    const sizes = [
      ["step", 1, "1 step"],
      ["step", 10, "10 steps"],
      ["deg", 1, "1 degree"],
      ["reading", jog, `${jog}\u202f${unit(this.pointer.unit)}`],
    ];
    this.size = sizes[0];
    const radios = sizes.map((size, i) =>
      el(
        "label",
        { class: "pick" },
        el("input", { type: "radio", name: "jog-size", checked: i === 0, change: () => (this.size = size) }),
        el("span", {}, size[2]),
      ),
    );
    this.knob = new Knob({ jog: (n) => this.jog(n), mark: (by) => this.ask("mark", { by }), capture }, "knob-keys");
    const turn = (way, fast) => (on) => this.ask("turn", { way: on ? way : 0, fast });
    return group(
      "Turn the needle",
      el("div", { class: "sizes", role: "radiogroup", "aria-label": "One click is" }, el("span", {}, "One click is"), ...radios),
      el(
        "div",
        { class: "knob-row" },
        button("−", () => this.jog(-1), { class: "click", "aria-label": "One click back" }),
        this.knob.node,
        button("+", () => this.jog(1), { class: "click", "aria-label": "One click on" }),
      ),
      (this.covers = button("", capture, { class: "main covers" })),
      el(
        "p",
        { class: "keys", id: "knob-keys" },
        "Drag the knob round, or on it: left and right arrow for one click, down and up for ten, Enter when the needle covers the mark, " +
          "Page Up and Page Down for another mark.",
      ),
      el(
        "div",
        { class: "holds" },
        el("span", {}, "Turns while held"),
        holdButton("↺↺", "Turn counter-clockwise fast while held", turn(-1, true)),
        holdButton("↺", "Turn counter-clockwise while held", turn(-1, false)),
        holdButton("↻", "Turn clockwise while held", turn(1, false)),
        holdButton("↻↻", "Turn clockwise fast while held", turn(1, true)),
      ),
    );
  }

  buildDriving() {
    this.refusal = el("p", { class: "trouble" }); // here, too: what is read out may be out of sight
    const field = (id, label, command) => {
      const input = el("input", { id, inputmode: "decimal", size: 6, autocomplete: "off" });
      return el(
        "form",
        {
          submit: (event) => {
            event.preventDefault();
            this.withReading(input, async (reading) => put(this.refusal, (await this.ask(command, { reading })) ?? ""));
          },
        },
        el("label", { for: id }, label),
        el("span", {}, input, ` ${unit(this.pointer.unit)}`),
        el("button", { type: "submit" }, "Do"),
      );
    };
    return el(
      "details",
      { class: "group" },
      el("summary", {}, "Drive it elsewhere; find its place again"),
      field("go-reading", "Drive to", "go"),
      field("here-reading", "It is on", "here"),
      field("capture-reading", "Capture: it covers", "capture"),
      this.refusal,
      el(
        "div",
        { class: "buttons" },
        button("Sweep the scale slowly", () => this.ask("sweep")),
        button("Halt this needle", () => this.ask("halt")),
        button("Find the home position", () => this.ask("home")),
        button("It is at its home position", () => this.ask("here")),
      ),
    );
  }

  /** Clicks that come while one is on its way are sent together after it. */
  async jog(clicks) {
    this.owed += clicks;
    if (this.sending) return;
    this.sending = true;
    try {
      while (this.owed) {
        const [unitOf, by] = this.size;
        const owed = this.owed;
        this.owed = 0;
        if (await this.ask("jog", { by: owed * by, unit: unitOf })) this.owed = 0;
      }
    } finally {
      this.sending = false;
    }
  }

  withReading(input, does) {
    const reading = Number(input.value.trim().replace(",", ".").replace("−", "-"));
    if (input.value.trim() === "" || !Number.isFinite(reading)) {
      const why = `Found ‘${input.value}’; expected a reading in ${unit(this.pointer.unit)}, such as ${this.pointer.low}.`;
      this.refuse(why);
      put(this.refusal, why);
      input.focus();
    } else {
      does(reading);
    }
  }

  /** The words of the button that captures. */
  coversMark(text) {
    put(this.covers, text);
  }

  /** What a screen reader has of the knob: where the needle is. */
  tell(at, pointer, decimals) {
    this.pointer = pointer;
    const [low, high] = [Math.min(pointer.low, pointer.high), Math.max(pointer.low, pointer.high)];
    const value = Math.min(Math.max(at.reading ?? low, low), high);
    const where = `${spoken(at.reading, decimals, pointer.unit)}, ${at.moving ? "moving" : "at rest"}`;
    this.knob.show(low, high, value.toFixed(decimals), at.known ? where : "not known");
  }
}
