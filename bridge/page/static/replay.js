// The replayed flight: its altitude over time, where it is, and how fast it goes.

import { button, el, put, set, svg } from "./dom.js";
import { amount, minutes, title } from "./words.js";

const SPEEDS = [0.25, 0.5, 1, 2, 4, 8, 16];
/** What the program takes; by keys every speed in between is reached. */
const [SLOWEST, FASTEST] = [0.1, 100];
const WIDE = 1000;
const TALL = 100;
/** The same keys as in the terminal's view. */
const SMALL_S = 10;
const LARGE_S = 60;
const FASTER = { "+": 2, "=": 2, "-": 0.5 };
const KEYS = "space: pause; left, right: 10 s; down, up: 60 s; Home, End; − +: speed";
const SEEK_MS = 200;

export class Replay {
  /** `command(name, fields)` asks the program. */
  constructor(place, command) {
    this.place = place;
    this.command = command;
    this.flight = null;
    this.described = "";
    this.now = null;
    this.wished = null;
    this.sentMs = 0;
  }

  describe(flight, mayMove) {
    const described = JSON.stringify([flight, mayMove]);
    if (described === this.described) return; // a hand may be on it
    this.described = described;
    this.flight = flight;
    this.place.hidden = !flight;
    if (!flight) return;
    this.play = button("Play", () => this.pauseOrPlay(), { class: "play" });
    const speeds = SPEEDS.map((factor) => el("option", { value: factor }, `${factor} ×`));
    const speed = { change: () => this.command("speed", { factor: Number(this.speed.value) }) };
    this.speed = el("select", speed, ...speeds);
    this.at = el("span", { class: "at" });
    this.cursor = svg("line", { y1: 0, y2: TALL, class: "cursor" });
    this.line = el("div", {
      class: "time-line",
      role: "slider",
      tabindex: "0",
      "aria-label": "Time in the flight",
      "aria-valuemin": flight.start_s,
      "aria-valuemax": flight.end_s,
      "aria-valuenow": flight.start_s,
      title: KEYS,
      keydown: (event) => this.key(event),
      pointerdown: (event) => this.press(event),
      pointermove: (event) => this.drag(event),
      pointerup: (event) => this.release(event),
      pointercancel: () => (this.wished = null),
    });
    this.line.append(
      svg("svg", { viewBox: `0 0 ${WIDE} ${TALL}`, preserveAspectRatio: "none", "aria-hidden": "true" }, ...this.hills(), this.cursor),
    );
    for (const control of [this.play, this.speed]) control.disabled = !mayMove;
    set(this.line, "aria-disabled", mayMove ? null : "true");
    const altitude = flight.altitude ? `${title(flight.altitude.quantity)} over time` : "";
    this.place.replaceChildren(
      el(
        "div",
        { class: "replay-keys" },
        el("h3", {}, el("span", { class: "unseen" }, "Recorded flight "), flight.file),
        this.play,
        el("label", {}, "Speed ", this.speed),
        this.at,
        el("span", { class: "quiet" }, altitude),
      ),
      this.line,
    );
  }

  hills() {
    const points = this.flight.altitude?.points ?? [];
    if (points.length < 2) return [];
    const values = points.map(([, value]) => value);
    const [low, high] = [Math.min(...values), Math.max(...values)];
    const x = (at) => (this.share(at) * WIDE).toFixed(1);
    const y = (value) => (TALL - 4 - ((value - low) / (high - low || 1)) * (TALL - 12)).toFixed(1);
    const along = points.map(([at, value]) => `L${x(at)} ${y(value)}`).join(" ");
    const [first, last] = [points[0][0], points.at(-1)[0]];
    return [
      svg("path", { d: `M${x(first)} ${TALL} ${along} L${x(last)} ${TALL} Z`, class: "hill" }),
      svg("path", { d: `M${along.slice(1)}`, class: "ridge" }),
    ];
  }

  share(at) {
    const { start_s, end_s } = this.flight;
    return (at - start_s) / (end_s - start_s || 1);
  }

  altitudeAt(at) {
    const points = this.flight.altitude?.points ?? [];
    return points.findLast(([time]) => time <= at)?.[1] ?? null;
  }

  show(replay) {
    if (!this.flight || !replay) return;
    this.now = replay;
    const at = this.wished ?? replay.time_s;
    const x = (this.share(at) * WIDE).toFixed(1);
    set(this.cursor, "x1", x);
    set(this.cursor, "x2", x);
    put(this.play, replay.playing ? "Pause" : "Play");
    if (document.activeElement !== this.speed) this.showSpeed(replay.speed);
    const of = `${minutes(at)} of ${minutes(this.flight.end_s)}`;
    const altitude = this.flight.altitude ? `, ${amount(this.altitudeAt(at), 0, this.flight.altitude.unit)}` : "";
    put(this.at, of + altitude);
    set(this.line, "aria-valuenow", Math.round(at));
    set(this.line, "aria-valuetext", of + altitude);
  }

  showSpeed(factor) {
    const value = String(factor);
    if (![...this.speed.options].some((option) => option.value === value)) {
      this.speed.append(el("option", { value }, `${Number(factor.toFixed(3))} ×`));
    }
    this.speed.value = value;
  }

  key(event) {
    const { start_s, end_s } = this.flight;
    const at = this.now?.time_s ?? start_s;
    const goals = {
      ArrowLeft: at - SMALL_S,
      ArrowRight: at + SMALL_S,
      ArrowDown: at - LARGE_S,
      ArrowUp: at + LARGE_S,
      PageDown: at - LARGE_S,
      PageUp: at + LARGE_S,
      Home: start_s,
      End: end_s,
    };
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key in goals) this.seek(goals[event.key]);
    else if (event.key === " ") this.pauseOrPlay();
    else if (event.key in FASTER) this.faster(FASTER[event.key]);
    else return;
    event.preventDefault();
  }

  pauseOrPlay() {
    this.command(this.now?.playing ? "pause" : "play");
  }

  faster(times) {
    this.command("speed", { factor: Math.min(Math.max((this.now?.speed ?? 1) * times, SLOWEST), FASTEST) });
  }

  seek(at) {
    const { start_s, end_s } = this.flight;
    this.command("seek", { time_s: Math.min(Math.max(at, start_s), end_s) });
  }

  place_s(event) {
    const box = this.line.getBoundingClientRect();
    const share = Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
    return this.flight.start_s + share * (this.flight.end_s - this.flight.start_s);
  }

  press(event) {
    if (event.button !== 0) return;
    this.line.setPointerCapture(event.pointerId);
    this.wished = this.place_s(event);
    this.show(this.now);
  }

  drag(event) {
    if (this.wished === null) return;
    this.wished = this.place_s(event);
    this.show(this.now);
    if (event.timeStamp - this.sentMs > SEEK_MS) {
      this.sentMs = event.timeStamp;
      this.seek(this.wished);
    }
  }

  release() {
    if (this.wished === null) return;
    this.seek(this.wished);
    this.wished = null;
  }
}
