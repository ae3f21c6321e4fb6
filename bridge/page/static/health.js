// Health: first what needs somebody, then telemetry, boards, gauges, files and the log.

import { el, rebuild } from "./dom.js";
import { age, amount, count, number, plain, sign, span, title } from "./words.js";

const LOG_LINES = 12;
/** Columns that a phone has room for. */
const MOST_ABREAST = 5;

/** The state in a word with its sign: shape and word, so that colour is not needed. */
function state(word) {
  const [shape, kind] = sign(word);
  return el("span", { class: "state", "data-kind": kind }, `${shape} ${word}`);
}

function facts(pairs) {
  const list = el("dl", { class: "facts" });
  for (const [name, value] of pairs) {
    if (value !== null && value !== undefined && value !== "") {
      list.append(el("div", {}, el("dt", {}, name), el("dd", {}, value)));
    }
  }
  return list;
}

/** A table that scrolls by itself; the first cell of a row is its head. */
export function table(caption, heads, rows) {
  return el(
    "div",
    { class: heads.length > MOST_ABREAST ? "wide stacks" : "wide", tabindex: "0", role: "region", "aria-label": caption },
    el(
      "table",
      {},
      el("caption", { class: "unseen" }, caption),
      el("thead", {}, el("tr", {}, ...heads.map((head) => el("th", { scope: "col" }, head)))),
      el(
        "tbody",
        {},
        ...rows.map(([first, ...others]) =>
          el("tr", {}, el("th", { scope: "row" }, first), ...others.map((cell, i) => el("td", { "data-head": heads[i + 1] }, cell))),
        ),
      ),
    ),
  );
}

function faults(list) {
  if (!list.length) return el("p", { class: "fine" }, "● Nothing needs you.");
  return el(
    "ul",
    { class: "faults" },
    ...list.map(({ text, cure }) =>
      el("li", {}, el("strong", {}, `▲ ${text}`), cure ? el("span", {}, `What to do: ${cure}`) : null),
    ),
  );
}

function telemetry({ state: word, age_s, setting, senders }) {
  const set = setting && setting.inhg !== null && setting.inhg !== undefined;
  return [
    el("p", {}, state(word), ` newest ${age(age_s)}`),
    facts([
      [
        "Altimeter setting",
        set ? `${number(setting.inhg, 2)} inHg, ${number(setting.hpa, 1)} hPa (${setting.source})` : "not known yet",
      ],
    ]),
    ...senders.map((sender) => {
      const causes = Object.entries(sender.causes);
      return el(
        "div",
        { class: "sender" },
        el("h4", {}, sender.address),
        facts([
          ["Layout", sender.layout],
          ["Rate", sender.rate_hz === null ? "" : `${number(sender.rate_hz, 1)} a second`],
          ["Datagrams", number(sender.datagrams)],
          ["Not used", number(sender.unused)],
          ["Because", causes.map(([cause, n]) => `${cause}: ${number(n)}`).join("; ")],
          ["Trouble", sender.trouble],
        ]),
      );
    }),
    senders.length ? null : el("p", {}, "No sender has been heard."),
  ];
}

function boardRows(boards) {
  const ms = (value) => (value ? number(value, 1) : "–");
  return boards.map((it) => [
    title(it.name),
    el("span", {}, state(it.state), [it.virtual ? " virtual" : "", it.detail].filter(Boolean).join(", ")),
    `${ms(it.round_trip_ms)}, worst ${ms(it.worst_round_trip_ms)}`,
    number(it.sent),
    number(it.lost),
    number(it.corrupted),
    number(it.unanswered),
  ]);
}

function pointerRows(pointers) {
  return Object.entries(pointers).map(([key, it]) => [
    plain(key.replace(".", ", ")),
    el("span", {}, state(it.lost.length ? "lost" : it.parked ? "parked" : it.state), it.detail ? ` ${it.detail}` : ""),
    it.missed_steps === null ? "not audited" : number(it.missed_steps),
    span(it.held_s),
  ]);
}

/** Fields that change all the time, without what makes no difference to a reader. */
function shownAge(seconds) {
  return seconds === null || seconds === undefined ? seconds : Math.round(seconds);
}

export class Health {
  constructor(place) {
    this.parts = {};
    const part = (key, heading) => {
      this.parts[key] = el("div", {});
      return el("section", { class: "sheet" }, el("h3", {}, heading), this.parts[key]);
    };
    place.className = "health";
    place.replaceChildren(
      part("faults", "What needs you"),
      part("boards", "Boards"),
      el(
        "div",
        { class: "columns" },
        part("telemetry", "Telemetry"),
        part("files", "Recording and description"),
        part("pointers", "Pointers"),
        part("lamps", "Lamps"),
        part("readings", "Readings"),
      ),
      part("log", "Log, newest first"),
    );
  }

  show(health) {
    const { parts } = this;
    rebuild(parts.faults, health.faults, faults);
    const senders = health.telemetry.senders.map((s) => ({ ...s, rate_hz: s.rate_hz && Math.round(s.rate_hz * 10) / 10 }));
    rebuild(parts.telemetry, { ...health.telemetry, senders, age_s: shownAge(health.telemetry.age_s) }, telemetry);
    const figures = ["Round trip, ms", "Sent", "Lost", "Corrupted", "Unanswered"];
    this.table(parts.boards, "Boards", ["Board", "State", ...figures], boardRows(health.boards));
    const pointers = Object.fromEntries(
      Object.entries(health.pointers).map(([key, it]) => [key, { ...it, held_s: shownAge(it.held_s) }]),
    );
    this.table(parts.pointers, "Pointers", ["Pointer", "State", "Missed steps", "Coils held"], pointerRows(pointers));
    const lamps = health.lamps.map((it) => [
      title(it.name),
      el("span", {}, state(it.state), it.detail ? ` ${it.detail}` : ""),
      `${number(100 * it.brightness)} %`,
    ]);
    this.table(parts.lamps, "Lamps", ["Lamp", "State", "Brightness"], lamps);
    parts.lamps.parentElement.hidden = !lamps.length;
    const readings = health.readings.map((r) => [
      plain(r.name),
      amount(r.value, 2, r.unit),
      r.lost ? state("lost") : r.derived ? "derived" : r.age_s === null ? "fixed" : "arrives",
      age(shownAge(r.age_s)),
    ]);
    this.table(parts.readings, "Readings", ["Quantity", "Value", "From", "Age"], readings);
    rebuild(parts.files, { recording: health.recording, reload: health.reload }, ({ recording, reload }) =>
      facts([
        ["Recording", recording ? `${recording.file}, ${count(recording.rows, "row")}` : "nothing is recorded"],
        ["Trouble", recording?.trouble],
        ["Description", reload ? `${reload.taken ? "taken" : "refused"} at ${reload.at}` : "as at the start"],
        ["Outcome", reload?.text],
      ]),
    );
    rebuild(parts.log, health.log.slice(-LOG_LINES), (lines) =>
      lines.length
        ? el(
            "ol",
            { class: "log" },
            ...lines.toReversed().map(({ at, level, text }) =>
              el("li", { "data-level": level }, el("time", {}, at), el("b", {}, level), el("span", {}, text)),
            ),
          )
        : el("p", {}, "Nothing has been logged."),
    );
  }

  /** A table that keeps its scroll position and focus: only cells that differ are replaced. */
  table(place, caption, heads, rows) {
    const names = rows.map(([first]) => first);
    rebuild(place, [heads, names], () => table(caption, heads, rows));
    const body = place.querySelector("tbody");
    rows.forEach(([, ...cells], r) =>
      cells.forEach((cell, c) => {
        const place = body.rows[r].cells[c + 1];
        const text = typeof cell === "string" ? cell : cell.textContent;
        if (place.textContent !== text) place.replaceChildren(cell);
      }),
    );
  }
}

/** One line for the foot of every view. */
export function summary(health) {
  const ready = health.boards.filter((board) => board.state === "ready").length;
  const words = [
    `Telemetry ${health.telemetry.state}`,
    `${ready} of ${count(health.boards.length, "board")} ready`,
    health.recording ? (health.recording.trouble ? "recording in trouble" : "recording") : null,
    health.faults.length ? `▲ ${count(health.faults.length, "fault")}: see Health` : "● no faults",
  ];
  return words.filter(Boolean).join("  ·  ");
}
