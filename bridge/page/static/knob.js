// Ways to turn a needle by hand: a knob with clicks, and buttons that turn while they are held.

import { el, set } from "./dom.js";

const CLICK_DEG = 15;
/** The program ends a turn that is not repeated within 250 ms. */
const REPEAT_MS = 100;

/** A knob: dragged round, each click calls `jog(±1)`; by key `jog(±1 or ±10)`, `mark(±1)`, `capture()`. */
export class Knob {
  constructor({ jog, mark, capture }, describedBy) {
    this.jog = jog;
    this.last = null;
    this.turnedDeg = 0;
    this.shownDeg = 0;
    this.grip = el("span", { class: "grip" });
    this.node = el(
      "div",
      {
        class: "knob",
        role: "slider",
        tabindex: "0",
        "aria-label": "Knob: turns the needle",
        "aria-describedby": describedBy,
        "aria-valuemin": 0,
        "aria-valuemax": 1,
        "aria-valuenow": 0,
        pointerdown: (event) => this.press(event),
        pointermove: (event) => this.drag(event),
        pointerup: () => (this.last = null),
        pointercancel: () => (this.last = null),
      },
      this.grip,
    );
    const keys = {
      ArrowRight: () => jog(1),
      ArrowLeft: () => jog(-1),
      ArrowUp: () => jog(10),
      ArrowDown: () => jog(-10),
      PageUp: () => mark(1),
      PageDown: () => mark(-1),
      Enter: () => capture(),
    };
    this.node.addEventListener("keydown", (event) => {
      if (!(event.key in keys) || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      // A capture held down is one capture.
      if (!event.repeat || event.key.startsWith("Arrow")) keys[event.key]();
    });
  }

  angle(event) {
    const box = this.node.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2];
    return (Math.atan2(x, -y) * 180) / Math.PI;
  }

  press(event) {
    if (event.button !== 0) return;
    this.node.setPointerCapture(event.pointerId);
    this.last = this.angle(event);
    this.turnedDeg = 0;
  }

  drag(event) {
    if (this.last === null) return;
    const now = this.angle(event);
    const way = ((now - this.last + 540) % 360) - 180;
    this.last = now;
    this.turnedDeg += way;
    this.shownDeg += way;
    this.grip.style.transform = `rotate(${this.shownDeg.toFixed(1)}deg)`;
    const clicks = Math.trunc(this.turnedDeg / CLICK_DEG);
    if (clicks) {
      this.turnedDeg -= clicks * CLICK_DEG;
      this.jog(clicks);
    }
  }

  show(low, high, value, text) {
    set(this.node, "aria-valuemin", low);
    set(this.node, "aria-valuemax", high);
    set(this.node, "aria-valuenow", value);
    set(this.node, "aria-valuetext", text);
  }
}

/** A button that calls `turn(true)` again and again while it is held, by pointer or key, and `turn(false)` after. */
export function holdButton(label, spokenLabel, turn) {
  let timer = null;
  const start = () => {
    if (timer !== null) return;
    turn(true);
    timer = setInterval(() => turn(true), REPEAT_MS);
  };
  const end = () => {
    if (timer === null) return;
    clearInterval(timer);
    timer = null;
    turn(false);
  };
  const held = (event) => event.key === " " || event.key === "Enter";
  document.addEventListener("visibilitychange", end);
  return el(
    "button",
    {
      type: "button",
      class: "hold",
      "aria-label": spokenLabel,
      pointerdown: (event) => {
        event.currentTarget.setPointerCapture(event.pointerId);
        start();
      },
      pointerup: end,
      pointercancel: end,
      lostpointercapture: end,
      blur: end,
      contextmenu: (event) => event.preventDefault(),
      keydown: (event) => {
        if (!held(event)) return;
        event.preventDefault();
        start();
      },
      keyup: (event) => held(event) && end(),
    },
    label,
  );
}
