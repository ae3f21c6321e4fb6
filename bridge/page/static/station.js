// One gauge at the bench: what to do next, the needle, ways to move it, marks, captures, the curve.

import { curves } from "./curve.js";
import { button, el, put, rebuild, set } from "./dom.js";
import { GaugeDrawing } from "./gauge.js";
import { WORK, captured, decimalsOf, next, same } from "./guide.js";
import { Knob, holdButton } from "./knob.js";
import { amount, number, plain, signed, spoken, title, unit } from "./words.js";

const SPOKEN_MS = 1000;
/** Commands that drive the needle to a mark. */
const SENDING = ["mark", "other_side", "capture"];

/** A round reading of about a hundredth of the scale: what one jog by the reading moves. */
function readingJog({ low, high }) {
  const rough = Math.abs(high - low) / 100;
  const ten = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((n) => n * ten).findLast((n) => n <= rough * 1.0001);
}

function group(heading, ...children) {
  return el("fieldset", { class: "group" }, el("legend", {}, heading), ...children);
}

export class Station {
  constructor(panel, gauge, you, port) {
    this.you = you;
    this.port = port;
    this.gauge = gauge;
    this.at = undefined;
    this.stopped = null;
    this.saved = false;
    this.sent = false;
    this.leaving = false;
    this.between = false;
    this.owed = 0;
    this.sending = false;
    this.spokenMs = 0;
    this.drawing = new GaugeDrawing(gauge);
    this.describe(panel);
    this.build();
  }

  introduce(you) {
    this.you = you;
    this.update();
  }

  describe(panel) {
    this.panel = panel;
    const gauge = panel.gauges.find((gauge) => gauge.name === this.gauge.name);
    if (gauge && gauge.layers[0]?.url !== this.gauge.layers[0]?.url) {
      const before = this.drawing.node;
      this.drawing = new GaugeDrawing(gauge);
      before.replaceWith(this.drawing.node);
    }
    this.gauge = gauge ?? this.gauge;
    this.driven = this.gauge.pointers.filter((pointer) => !pointer.driven_by);
    if (this.node) this.update();
  }

  get pointer() {
    const key = this.at?.pointer ?? `${this.gauge.name}.${this.which?.value ?? ""}`;
    return this.driven.find((pointer) => pointer.key === key) ?? this.driven[0];
  }

  // -- what is on the page --------------------------------------------------------------------------

  build() {
    this.holder = el("span", { class: "state" });
    this.way = el("ol", { class: "way" }, ...WORK.map((step) => el("li", {}, step)));
    this.now = el("p", { class: "now-text", "aria-live": "polite" });
    this.trouble = el("p", { class: "trouble", role: "alert" });
    this.note = el("p", { class: "quiet", role: "status" });
    this.actions = this.buildActions();
    this.which = el("select", { id: "which-pointer" }, ...this.driven.map((p) => el("option", { value: p.name }, plain(p.name))));
    this.whichLabel = el("label", { for: "which-pointer" }, "Pointer ", this.which);
    this.work = [
      el("div", { class: "work" }, this.buildTurning(), this.buildDriving()),
      el("div", { class: "work results" }, this.buildMarks(), this.buildResults()),
    ];
    this.node = el(
      "div",
      { class: "station", "data-gauge": this.gauge.name },
      el(
        "div",
        { class: "station-head" },
        el("a", { href: "#/bench" }, "‹ all gauges"),
        (this.heading = el("h3", { tabindex: "-1" }, title(this.gauge.name))),
        this.holder,
      ),
      el("div", { class: "column" }, this.buildNow(), this.work[0]),
      el(
        "div",
        { class: "column" },
        el("div", { class: "look" }, this.drawing.node, (this.where = el("p", { class: "where" }))),
        this.work[1],
      ),
    );
    this.update();
  }

  buildNow() {
    return el(
      "section",
      { class: "now", "aria-label": "What to do next" },
      this.way,
      this.now,
      this.whichLabel,
      el("div", { class: "actions" }, ...Object.values(this.actions)),
      this.trouble,
      this.note,
    );
  }

  buildActions() {
    const main = { class: "main" };
    return {
      take: button("Take it to the bench", () => this.take(), { ...main, "data-do": "take" }),
      home: button("Find the home position", () => this.ask("home"), main),
      here: button("It is at its home position", () => this.ask("here")),
      approach: button("Drive to the mark", () => this.approach(), { ...main, "data-do": "approach" }),
      capture: button("It covers the mark", () => this.capture(), { ...main, "data-do": "capture" }),
      save: button("Save the calibration", () => this.save(), { ...main, "data-do": "save" }),
      sweep: button("Sweep the scale", () => this.ask("sweep")),
      undo: button("Undo the last capture", () => this.ask("undo"), main),
      release: button("Give the gauge back", () => this.release(), { "data-do": "release" }),
    };
  }

  buildTurning() {
    const jog = readingJog(this.driven[0]);
    const sizes = [
      ["step", 1, "1 step"],
      ["step", 10, "10 steps"],
      ["deg", 1, "1 degree"],
      ["reading", jog, `${jog}\u202f${unit(this.driven[0].unit)}`],
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
    this.knob = new Knob({ jog: (n) => this.jog(n), mark: (by) => this.ask("mark", { by }), capture: () => this.capture() }, "knob-keys");
    const turn = (way, fast) => (on) => this.turn(on ? way : 0, fast);
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
      (this.covers = button("", () => this.capture(), { class: "main covers" })),
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
    const field = (id, label, does) => {
      const input = el("input", { id, inputmode: "decimal", size: 6, autocomplete: "off" });
      return el(
        "form",
        {
          submit: (event) => {
            event.preventDefault();
            this.withReading(input, does);
          },
        },
        el("label", { for: id }, label),
        el("span", {}, input, ` ${unit(this.driven[0].unit)}`),
        el("button", { type: "submit" }, "Do"),
      );
    };
    return el(
      "details",
      { class: "group" },
      el("summary", {}, "Drive it elsewhere; find its place again"),
      field("go-reading", "Drive to", (reading) => this.ask("go", { reading })),
      field("here-reading", "It is on", (reading) => this.ask("here", { reading })),
      field("capture-reading", "Capture: it covers", (reading) => this.ask("capture", { reading })),
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

  buildMarks() {
    this.marks = el("div", { class: "marks" });
    this.side = button("", () => this.ask("other_side"));
    return group(
      "Marks",
      el("p", { class: "keys" }, "▲ captured from below, ▽ from above. Choose one to go there."),
      this.marks,
      el(
        "div",
        { class: "buttons" },
        button("Mark before", () => this.ask("mark", { by: -1 })),
        button("Mark after", () => this.ask("mark", { by: 1 })),
        this.side,
      ),
    );
  }

  buildResults() {
    this.captures = el("div", {});
    this.mistakes = el("ul", { class: "faults" });
    this.plots = el("div", { class: "plots" });
    this.drawnWidth = 0;
    new ResizeObserver(() => this.plot()).observe(this.plots);
    return el(
      "section",
      { class: "group", "aria-label": "Captures and curve" },
      el("h4", {}, "Captures and curve"),
      this.mistakes,
      this.plots,
      this.captures,
      el(
        "div",
        { class: "buttons" },
        button("Undo the last capture", () => this.ask("undo")),
        button("Save", () => this.save()),
        button("Give back", () => this.release()),
      ),
    );
  }

  // -- what people ask for --------------------------------------------------------------------------

  async ask(command, fields = {}) {
    const error = await this.port.command(command, { gauge: this.gauge.name, ...fields });
    put(this.trouble, error ?? "");
    // From now on the needle is where somebody sent it, or on its way.
    if (!error && SENDING.includes(command)) {
      this.sent = true;
      this.update();
    }
    return error;
  }

  async take() {
    const fields = this.driven.length > 1 ? { pointer: this.which.value } : {};
    await this.ask("take", fields);
  }

  async approach() {
    if (!(await this.ask("mark", { by: 0 }))) this.knob.node.focus({ preventScroll: true });
  }

  capture() {
    return this.ask("capture");
  }

  async save() {
    if (!(await this.ask("save"))) {
      this.saved = true;
      this.leaving = false;
      this.update();
    }
  }

  /** What is captured and not saved goes only when asked for twice. */
  async release() {
    if (this.at?.unsaved && !this.leaving) {
      this.leaving = true;
      put(this.trouble, "Captures are not saved. Save them, or press again to give the gauge back without: they wait here until the program ends.");
      return;
    }
    this.leaving = false;
    if (!(await this.ask("release"))) {
      this.saved = false;
      this.heading.focus();
    }
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

  turn(way, fast) {
    return this.ask("turn", { way, fast });
  }

  withReading(input, does) {
    const reading = Number(input.value.trim().replace(",", ".").replace("−", "-"));
    if (input.value.trim() === "" || !Number.isFinite(reading)) {
      put(this.trouble, `Found ‘${input.value}’; expected a reading in ${unit(this.pointer.unit)}, such as ${this.pointer.low}.`);
      input.focus();
    } else {
      does(reading);
    }
  }

  // -- what the program reports ---------------------------------------------------------------------

  arrive() {
    this.heading.focus({ preventScroll: true });
  }

  show({ gauges, stopped }) {
    const before = this.at;
    this.at = gauges[this.gauge.name];
    this.stopped = stopped;
    if (!this.at?.yours) this.saved = this.leaving = this.sent = false;
    if (this.at?.unsaved && !before?.unsaved) this.saved = false;
    this.update();
  }

  update() {
    const { at, gauge, pointer, stopped } = this;
    const board = this.panel.boards.find((board) => board.name === pointer.board);
    const mayMove = this.you.may_move;
    const told = at && { ...at, saved: this.saved, sent: this.sent };
    const { step, text, actions } = next({ at: told, gauge, pointer, board, mayMove, stopped });
    put(this.now, text);
    [...this.way.children].forEach((item, i) => {
      set(item, "aria-current", i === step ? "step" : null);
      set(item, "data-done", step !== null && i < step);
    });
    this.showActions(actions);
    this.whichLabel.hidden = Boolean(at) || this.driven.length < 2 || !mayMove;
    put(this.holder, at ? (at.yours ? "● at the bench with you" : `◐ at the bench with ${at.holder}`) : "flies on telemetry");
    const yours = Boolean(at?.yours);
    for (const part of this.work) {
      part.hidden = !at;
      set(part, "inert", !yours);
    }
    put(this.note, yours ? (at.note ?? "") : "");
    this.where.hidden = !at;
    if (at) this.showNeedle(at, pointer);
  }

  /** Those that are wanted now; where one with the focus goes, the focus goes on to what comes next. */
  showActions(names) {
    const active = document.activeElement;
    const focused = Object.keys(this.actions).find((name) => this.actions[name] === active);
    for (const [name, node] of Object.entries(this.actions)) node.hidden = !names.includes(name);
    const goes = focused !== undefined && !names.includes(focused);
    if (goes || (this.between && active === this.heading && names.length)) {
      (this.actions[names[0]] ?? this.heading).focus({ preventScroll: true });
    }
    if (goes || names.length) this.between = !names.length;
    const { at, pointer } = this;
    if (!at || at.mark === null) return;
    const mark = amount(at.mark, decimalsOf(at.mark, pointer), pointer.unit);
    put(this.actions.capture, `It covers ${mark}`);
    put(this.covers, `It covers ${mark}`);
    put(this.actions.approach, `Drive to ${mark}`);
  }

  showNeedle(at, pointer) {
    const finer = Math.min(pointer.decimals + 1, 3);
    const rests = at.moving ? "moving" : "at rest";
    const known = at.known
      ? `${amount(at.reading, finer, pointer.unit)} by the curve in force, ${number(at.steps)} steps, drive ${number(at.drive_deg, 2)}°, ${rests}`
      : `where the needle is, is not known: ${at.state}`;
    put(this.where, known);
    const nowMs = performance.now();
    if (nowMs - this.spokenMs > SPOKEN_MS) {
      this.spokenMs = nowMs;
      const [low, high] = [Math.min(pointer.low, pointer.high), Math.max(pointer.low, pointer.high)];
      const value = Math.min(Math.max(at.reading ?? low, low), high);
      this.knob.show(low, high, value.toFixed(finer), at.known ? `${spoken(at.reading, finer, pointer.unit)}, ${rests}` : "not known");
    }
    this.showMarks(at, pointer);
    put(this.side, at.falling ? "Come from below instead" : "Come from above instead");
    rebuild(this.mistakes, at.mistakes, (mistakes) => mistakes.map((text) => el("li", {}, el("strong", {}, `▲ ${text}`))));
    this.showCaptures(at, pointer);
    this.plot();
  }

  showMarks(at, pointer) {
    const has = (mark, falling) => at.captures.some((c) => c.falling === falling && same(c.reading, mark));
    const data = at.marks.map((mark) => [mark, has(mark, false), has(mark, true)]);
    rebuild(this.marks, data, () =>
      data.map(([mark, below, above], i) => {
        const shown = number(mark, decimalsOf(mark, pointer));
        const done = [below ? "captured from below" : "", above ? "captured from above" : ""].filter(Boolean).join(", ");
        const label = `${shown} ${unit(pointer.unit)}${done ? `, ${done}` : ""}`;
        const go = () => this.ask("mark", { by: i - this.at.marks.findIndex((m) => same(m, this.at.mark)) });
        return button("", go, { class: "mark", "aria-label": label });
      }),
    );
    [...this.marks.children].forEach((chip, i) => {
      const [mark, below, above] = data[i];
      put(chip, `${number(mark, decimalsOf(mark, pointer))} ${below ? "▲" : "·"}${above ? "▽" : "·"}`);
      set(chip, "aria-current", at.mark !== null && same(mark, at.mark) ? "true" : null);
    });
    put(this.way.children[2], `${WORK[2]}: ${captured(at, false)} of ${at.marks.length}`);
    put(this.way.children[3], `${WORK[3]}: ${captured(at, true)} of ${at.marks.length}`);
  }

  showCaptures(at, pointer) {
    rebuild(this.captures, [at.captures, at.backlash_deg], () => {
      if (!at.captures.length) return el("p", { class: "quiet" }, "Nothing is captured yet.");
      const backlash = (reading) => at.backlash_deg.find(([mark]) => same(mark, reading))?.[1];
      const rows = at.captures.map((c) => {
        const play = backlash(c.reading);
        return el(
          "tr",
          {},
          el("th", { scope: "row" }, amount(c.reading, decimalsOf(c.reading, pointer), pointer.unit)),
          el("td", {}, c.falling ? "▽ above" : "▲ below"),
          el("td", {}, `${number(c.drive_deg, 2)}°`),
          el("td", {}, signed(c.residual_deg, 2, "deg")),
          el("td", {}, play === undefined ? "–" : signed(play, 2, "deg")),
        );
      });
      const heads = ["Mark", "From", "Drive at", "Residual", "Backlash"];
      return el(
        "div",
        { class: "wide", tabindex: "0", role: "region", "aria-label": "Captures" },
        el(
          "table",
          {},
          el("caption", { class: "unseen" }, "Captures"),
          el("thead", {}, el("tr", {}, ...heads.map((head) => el("th", { scope: "col" }, head)))),
          el("tbody", {}, ...rows),
        ),
      );
    });
  }

  plot() {
    const width = Math.floor(this.plots.clientWidth);
    if (!this.at || width < 100) return;
    const { curve, captures } = this.at;
    const data = { curve, captures, unitName: this.pointer.unit, width };
    rebuild(this.plots, data, () => curves(data, Math.min(width, 640)));
  }

  needles(message, nowMs, still) {
    for (const pointer of this.gauge.pointers) {
      const values = message.p[pointer.key];
      if (values) this.drawing.report(pointer.name, values[0], this.at ? null : values[1], nowMs);
    }
    this.drawing.showFlags(message.flags);
    this.drawing.draw(nowMs, still);
  }
}
