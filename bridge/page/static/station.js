// One gauge at the bench: what to do next, the needle; moving.js has the ways to move it, results.js the captures.

import { button, el, put, throttled, set } from "./dom.js";
import { GaugeDrawing } from "./gauge.js";
import { WORK, captured, decimalsOf, next } from "./guide.js";
import { Moving } from "./moving.js";
import { Results } from "./results.js";
import { amount, number, plain, title } from "./words.js";

const SPOKEN_MS = 1000;
/** Commands that drive the needle to a mark. */
const SENDING = ["mark", "other_side", "capture"];

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
    this.now = el("p", { class: "now-text" });
    this.told = el("p", { class: "unseen told", role: "status" });
    this.tell = throttled(SPOKEN_MS, (text) => put(this.told, text));
    this.tellKnob = throttled(SPOKEN_MS, ([at, pointer, decimals]) => this.moving.tell(at, pointer, decimals));
    this.trouble = el("p", { class: "trouble", role: "alert" });
    this.note = el("p", { class: "quiet", role: "status" });
    this.actions = this.buildActions();
    this.which = el("select", { id: "which-pointer" }, ...this.driven.map((p) => el("option", { value: p.name }, plain(p.name))));
    this.whichLabel = el("label", { for: "which-pointer" }, "Pointer ", this.which);
    const asks = {
      ask: (command, fields) => this.ask(command, fields),
      capture: () => this.capture(),
      refuse: (text) => put(this.trouble, text),
      save: () => this.save(),
      release: () => this.release(),
    };
    this.ways = (pointer) => new Moving(pointer, asks);
    this.moving = this.ways(this.pointer);
    this.results = new Results(asks);
    this.work = [
      el("div", { class: "work" }, ...this.moving.nodes),
      el("div", { class: "work results" }, ...this.results.nodes),
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
      this.told,
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
    if (!(await this.ask("mark", { by: 0 }))) this.moving.knob.node.focus({ preventScroll: true });
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
    const { step, text, actions, passing } = next({ at: told, gauge, pointer, board, mayMove, stopped });
    put(this.now, text);
    if (!passing) this.tell(text);
    [...this.way.children].forEach((item, i) => {
      set(item, "aria-current", i === step ? "step" : null);
      set(item, "data-done", step !== null && i < step);
    });
    this.whichLabel.hidden = Boolean(at) || this.driven.length < 2 || !mayMove;
    put(this.holder, at ? (at.yours ? "● at the bench with you" : `◐ at the bench with ${at.holder}`) : "flies on telemetry");
    const yours = Boolean(at?.yours);
    if (this.moving.pointer.key !== pointer.key) {
      this.moving = this.ways(pointer); // of another unit
      this.work[0].replaceChildren(...this.moving.nodes);
    }
    for (const part of this.work) {
      part.hidden = !at;
      set(part, "inert", !yours);
    }
    this.showActions(actions);
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
    this.moving.coversMark(`It covers ${mark}`);
    put(this.actions.approach, `Drive to ${mark}`);
  }

  showNeedle(at, pointer) {
    const finer = Math.min(pointer.decimals + 1, 3);
    const rests = at.moving ? "moving" : "at rest";
    const known = at.known
      ? `${amount(at.reading, finer, pointer.unit)} by the curve in force, ${number(at.steps)} steps, drive ${number(at.drive_deg, 2)}°, ${rests}`
      : `where the needle is, is not known: ${at.state}`;
    put(this.where, known);
    this.tellKnob([at, pointer, finer]);
    put(this.way.children[2], `${WORK[2]}: ${captured(at, false)} of ${at.marks.length}`);
    put(this.way.children[3], `${WORK[3]}: ${captured(at, true)} of ${at.marks.length}`);
    this.results.show(at, pointer);
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
