// The bench: which gauges there are, who has which, and the station at which one is calibrated.

import { el, put, rebuild } from "./dom.js";
import { Station } from "./station.js";
import { title } from "./words.js";

const CAUTION =
  "Needles and gears move without warning. Keep fingers, hair and eyes away, and the motors' switch within reach. " +
  "Stop is at the foot of the page, and the Escape key. Nothing here is for a real aircraft.";

export class Bench {
  /** `port`: `command(name, fields)`, `rename(name)`, both resolve to null or why not; `holding(whether)`. */
  constructor(place, port) {
    this.port = port;
    this.panel = null;
    this.state = null;
    this.whoIsThis = { name: "", may_move: false };
    this.chosen = "";
    this.station = null;
    this.list = el("ul", { class: "bench-list" });
    this.you = el("p", { class: "quiet" });
    this.name = el("input", { id: "your-name", maxlength: 24, autocomplete: "off", size: 14 });
    const named = el(
      "form",
      {
        class: "name",
        submit: (event) => {
          event.preventDefault();
          this.rename();
        },
      },
      el("label", { for: "your-name" }, "Your name, for others at the bench"),
      this.name,
      el("button", { type: "submit" }, "Set"),
    );
    this.choice = el(
      "div",
      { class: "choice" },
      el("p", {}, "Choose the gauge whose needle is not where it should be. One at a time; the others fly on."),
      this.list,
      el("p", { class: "caution" }, el("strong", {}, "Caution. "), CAUTION),
      this.you,
      named,
    );
    this.at = el("div", {});
    place.replaceChildren(this.choice, this.at);
  }

  async rename() {
    const name = this.name.value.trim();
    if (!name) return;
    const error = await this.port.rename(name);
    if (error) put(this.you, error);
  }

  introduce(you) {
    this.whoIsThis = you;
    put(this.you, `The others see you as ${you.name}.`);
    this.station?.introduce(you);
  }

  describe(panel) {
    this.panel = panel;
    if (this.station) this.station.describe(panel);
    this.choose(this.chosen);
    this.showList();
  }

  choose(name) {
    this.chosen = name;
    const gauge = this.panel?.gauges.find((gauge) => gauge.name === name);
    this.choice.hidden = Boolean(gauge);
    if (!gauge) {
      this.station = null;
      this.at.replaceChildren();
      return;
    }
    if (this.station?.gauge.name === name) return;
    this.station = new Station(this.panel, gauge, this.whoIsThis, this.port);
    this.at.replaceChildren(this.station.node);
    this.station.arrive();
    if (this.state) this.station.show(this.state);
  }

  show(state) {
    this.state = state;
    this.port.holding(Object.values(state.gauges).some((at) => at.yours));
    this.showList();
    this.station?.show(state);
  }

  needles(message, nowMs, still) {
    this.station?.needles(message, nowMs, still);
  }

  showList() {
    if (!this.panel) return;
    const held = (name) => this.state?.gauges[name];
    const rows = this.panel.gauges.map(({ name }) => {
      const at = held(name);
      return [name, !at ? "flies" : at.yours ? "at the bench with you" : `at the bench with ${at.holder}`];
    });
    rebuild(this.list, rows, () =>
      rows.map(([name, where]) =>
        el(
          "li",
          {},
          el(
            "a",
            { href: `#/bench/${encodeURIComponent(name)}` },
            el("strong", {}, title(name)),
            el("span", { class: "quiet" }, where),
          ),
        ),
      ),
    );
  }
}
