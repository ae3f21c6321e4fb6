// A test under way: what is asked of the person, and what the needle shows, typed in.

import { button, el, put } from "./dom.js";

const PURPOSES = {
  before: "First reading, to come back to at the end",
  scale: "Scale",
  after: "Back at the first place",
  friction: "Friction",
  setting: "Barometric scale",
};

export class Reading {
  /** Shows itself in `place`; `ask` sends a command and resolves to why it was not done, or null. */
  constructor(place, ask) {
    this.place = place;
    this.ask = ask;
    this.value = el("input", { id: "reading-value", type: "text", inputmode: "decimal", autocomplete: "off", size: 9 });
    this.what = el("p", { class: "asked" });
    this.note = el("p", { class: "note", role: "status" });
    const hidden = "The panel is not shown during a test, so that the needle itself is read.";
    this.trouble = el("p", { class: "note", role: "alert" });
    this.asked = el("label", { for: "reading-value" });
    this.form = el(
      "form",
      { submit: (event) => this.submit(event) },
      this.asked,
      this.value,
      el("button", { type: "submit", class: "main" }, "Take this reading"),
      button("It can't be read", () => this.send("unreadable")),
    );
    this.set = button("It is set", () => this.send("is_set"), { class: "main" });
    this.again = button("Read the one before again", () => this.send("read_again"));
    this.title = el("h2", { id: "reading-title" });
    this.place.replaceChildren(this.title, this.what, this.form, this.set, this.again, this.note, this.trouble, el("p", { class: "quiet" }, hidden));
  }

  show(test) {
    const { asks } = test;
    this.place.hidden = false;
    // The panel shows what is to be read: it is out of sight until all is read.
    document.body.dataset.test = asks === "done" ? "no" : "yes";
    put(this.title, `Test of ${test.pointer}: ${test.taken} of ${test.planned} readings`);
    const side = test.falling ? "from above" : "from below";
    const pass = test.cycle ? `, pass ${test.cycle}` : "";
    const where = `${PURPOSES[test.purpose] ?? test.purpose}, ${side}${pass}.`;
    if (asks === "done") put(this.what, "Every reading is taken: the sheet is being written.");
    else if (asks === "wait" && test.hindered) put(this.what, `${where} The needle is not driven: ${test.hindered}.`);
    else if (asks === "wait") put(this.what, `${where} The needle is on its way: wait until it is at rest.`);
    else if (asks === "set") put(this.what, `Set ${test.setting_inhg.toFixed(2)} inHg on the altimeter's own scale.`);
    else put(this.what, `${where} ${test.tapped ? "Tap beside the gauge, then read" : "Read"} the needle.`);
    put(this.asked, `It shows, ${test.unit}`);
    put(this.trouble, test.trouble && `The readings are not written: ${test.trouble}`);
    const opened = asks === "read" && this.form.hidden;
    this.form.hidden = asks !== "read";
    this.set.hidden = asks !== "set";
    this.again.hidden = asks === "done" || test.taken === 0;
    if (opened) this.value.focus({ preventScroll: true });
  }

  async submit(event) {
    event.preventDefault();
    const value = Number(this.value.value.trim().replace(",", "."));
    if (this.value.value.trim() === "" || !Number.isFinite(value)) {
      put(this.note, `Found “${this.value.value}”; expected a number.`);
      return;
    }
    await this.send("read", { value });
    this.value.value = "";
  }

  async send(command, fields = {}) {
    put(this.note, "");
    const error = await this.ask(command, fields);
    if (error) put(this.note, error);
  }
}
