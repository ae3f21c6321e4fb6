// What has been captured at the bench: the marks, the captures with their residuals, the curve.

import { curves } from "./curve.js";
import { button, el, group, put, rebuild, set } from "./dom.js";
import { decimalsOf, same } from "./guide.js";
import { amount, number, signed, unit } from "./words.js";

export class Results {
  /** `ask(command, fields)`, `save()` and `release()` are the station's. `nodes` go on the page. */
  constructor({ ask, save, release }) {
    this.ask = ask;
    this.at = null;
    this.pointer = null;
    this.nodes = [this.buildMarks(), this.buildResults(save, release)];
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

  buildResults(save, release) {
    this.captures = el("div", {});
    this.mistakes = el("ul", { class: "faults" });
    this.suggestions = el("ul", { class: "suggestions" });
    this.plots = el("div", { class: "plots" });
    new ResizeObserver(() => this.plot()).observe(this.plots);
    return el(
      "section",
      { class: "group", "aria-label": "Captures and curve" },
      el("h4", {}, "Captures and curve"),
      this.mistakes,
      this.suggestions,
      this.plots,
      this.captures,
      el(
        "div",
        { class: "buttons" },
        button("Undo the last capture", () => this.ask("undo")),
        button("Save", save),
        button("Give back", release),
      ),
    );
  }

  /** `at` is the gauge's entry in the bench message, `pointer` of the panel message. */
  show(at, pointer) {
    [this.at, this.pointer] = [at, pointer];
    this.showMarks();
    put(this.side, at.falling ? "Come from below instead" : "Come from above instead");
    rebuild(this.mistakes, at.mistakes, (mistakes) => mistakes.map((text) => el("li", {}, el("strong", {}, `▲ ${text}`))));
    rebuild(this.suggestions, at.suggestions, (suggestions) => suggestions.map((text) => el("li", {}, `◐ ${text}.`)));
    this.showCaptures();
    this.plot();
  }

  showMarks() {
    const { at, pointer } = this;
    const has = (mark, falling) => at.captures.some((c) => c.falling === falling && same(c.reading, mark));
    const data = at.marks.map((mark) => [mark, has(mark, false), has(mark, true)]);
    rebuild(this.marks, data, () =>
      data.map(([mark, below, above], i) => {
        const shown = number(mark, decimalsOf(mark, pointer));
        const done = [below ? "captured from below" : "", above ? "captured from above" : ""].filter(Boolean).join(", ");
        const label = `${shown} ${unit(pointer.unit)}${done ? `, ${done}` : ""}`;
        return button("", () => this.goTo(i), { class: "mark", "aria-label": label });
      }),
    );
    [...this.marks.children].forEach((chip, i) => {
      const [mark, below, above] = data[i];
      put(chip, `${number(mark, decimalsOf(mark, pointer))} ${below ? "▲" : "·"}${above ? "▽" : "·"}`);
      set(chip, "aria-current", at.mark !== null && same(mark, at.mark) ? "true" : null);
    });
  }

  /** Drive to mark number i; from a reading between marks, one place up is the next above it. */
  goTo(i) {
    const { marks, mark } = this.at;
    const here = marks.findIndex((m) => same(m, mark));
    const above = marks.findIndex((m) => m > mark);
    const beyond = above < 0 ? marks.length : above;
    return this.ask("mark", { by: here >= 0 ? i - here : i - beyond + (i >= beyond ? 1 : 0) });
  }

  showCaptures() {
    const { at, pointer } = this;
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
    const letters = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    const width = Math.min(Math.floor(this.plots.clientWidth / letters), 640);
    if (!this.at || width < 100) return;
    const { curve, captures } = this.at;
    const data = { curve, captures, unitName: this.pointer.unit, width };
    rebuild(this.plots, data, () => curves(data, width));
  }
}
