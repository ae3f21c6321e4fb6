// Training: an instructor switches failures, and sees the true readings beside those that the trainee sees.

import { button, el, put, rebuild } from "./dom.js";
import { table } from "./health.js";
import { amount, plain, title } from "./words.js";

/** The page's address with this is a trainee's: it may only watch, and is not sent what is true. */
export const TRAINEE = "?trainee";

/** The needle `altimeter.hundreds` as people call it. */
function needle(key) {
  return plain(key.replace(".", ", "));
}

export class Training {
  /** `command` asks the program; it resolves to null, or to a sentence that tells why it was not done. */
  constructor(root, command) {
    this.command = command;
    this.locked = el("p", { class: "sheet" }, "Only an instructor may switch failures: open the link that was printed at the start.");
    this.note = el("p", { role: "status" });
    this.now = el("section", { class: "sheet" });
    this.kinds = el("section", { class: "sheet" });
    const link = `${location.origin}/${TRAINEE}`;
    this.trainee = el("p", { class: "soft" }, "For the trainee, without what is true: ", el("a", { href: link, target: "_blank" }, link));
    this.body = el("div", { class: "health", hidden: true }, this.note, this.trainee, this.now, this.kinds);
    root.append(this.locked, this.body);
  }

  introduce(you) {
    this.locked.hidden = you.may_move;
    this.body.hidden = !you.may_move;
  }

  show({ scenario, kinds, needles, in_force, truth }) {
    const active = document.activeElement;
    const undone = this.now.contains(active) ? active.dataset.failure : null;
    rebuild(this.now, { scenario, in_force, truth }, () => this.inForce(scenario, in_force, truth));
    if (undone) this.now.querySelector(`[data-failure="${CSS.escape(undone)}"]`)?.focus();
    rebuild(this.kinds, { kinds, needles }, () => [
      el("h3", {}, "What can fail"),
      el("p", { class: "soft" }, "For training only. A number marked (choice) is invented: no source states it."),
      ...kinds.map((kind) => this.form(kind, needles)),
    ]);
  }

  inForce(scenario, inForce, truth) {
    const rows = truth.map((it) => [needle(it.pointer), amount(it.shown, 1, it.unit), amount(it.true, 1, it.unit)]);
    return [
      el("h3", {}, "In force"),
      scenario === null ? null : el("p", { class: "soft" }, `Scenario: ${scenario}`),
      inForce.length ? null : el("p", { class: "fine" }, "● Nothing has failed."),
      el(
        "ul",
        { class: "faults" },
        ...inForce.map(({ name, meaning }) =>
          el(
            "li",
            {},
            el("strong", {}, title(name)),
            el("span", {}, `${meaning} `),
            button("Undo", () => this.ask("repair", { failure: name }), { "data-failure": name, "aria-label": `Undo ${plain(name)}` }),
          ),
        ),
      ),
      inForce.some(({ name }) => name.startsWith("needle_sticks")) ? button("Tap the glass", () => this.ask("tap", {})) : null,
      rows.length ? table("What the trainee sees, and what is true", ["Needle", "Trainee sees", "True"], rows) : null,
    ];
  }

  form({ kind, meaning, of_a_needle, parameters }, needles) {
    const fields = parameters.map((it) =>
      el(
        "label",
        {},
        `${plain(it.name)}: ${it.meaning}, ${it.unit} `,
        el("input", { type: "number", name: it.name, step: "any", min: it.low, max: it.high, value: it.default, required: it.needed }),
      ),
    );
    const which = of_a_needle
      ? el("label", {}, "Needle ", el("select", { name: "pointer" }, ...needles.map((key) => el("option", { value: key }, needle(key)))))
      : null;
    const submit = (event) => {
      event.preventDefault();
      const filled = parameters.map((it) => [it.name, event.target.elements[it.name].value]).filter(([, text]) => text !== "");
      const stated = Object.fromEntries(filled.map(([name, text]) => [name, Number(text)]));
      this.ask("fail", { kind, parameters: stated, pointer: of_a_needle ? event.target.elements.pointer.value : "" });
    };
    return el(
      "details",
      { class: "failure" },
      el("summary", {}, `${title(kind)}: ${meaning}`),
      el("form", { submit, "data-kind": kind }, which, ...fields, el("button", { type: "submit", "aria-label": `Put in force: ${plain(kind)}` }, "Put in force")),
    );
  }

  async ask(name, fields) {
    put(this.note, (await this.command(name, fields)) ?? "");
  }
}
