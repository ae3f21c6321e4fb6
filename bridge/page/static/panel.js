// The panel: every gauge at its place in mm, with its exact reading in a strip below it.

import { el, put, set } from "./dom.js";
import { GaugeDrawing, forgetDrawings } from "./gauge.js";
import { amount, plain, sign, signed, spoken, title } from "./words.js";

const LEAST_DIAL_PX = 130;
/**
 * Strips below their gauges: the width that one is given and the least that can be read, in its own letters, and how
 * many lines it takes. Folded, title and readings have a line more each, and are as narrow as upright tablets need.
 */
const ONE_LINE = { given_em: 18.9, least_em: 17.8, lines: (pointers) => 1.25 + pointers.length };
const FOLDED = { given_em: 18.9, least_em: 13.5, lines: (pointers) => 2.25 + 2 * pointers.length };
/** The width of a strip beside its gauge, in its own letters. */
const STRIP_BESIDE_EM = 12.8;
const EDGE_PX = 8;
/** Left free around the gauges, in their own scale. */
const MARGIN_MM = 4;
const TEXT_MS = 200;
const SPOKEN_MS = 1000;
const CALM_MS = 500;

const calm = matchMedia("(prefers-reduced-motion: reduce)");

/** One pointer's line in a gauge's strip. */
class Reading {
  constructor(gauge, pointer) {
    this.pointer = pointer;
    this.spokenMs = -Infinity;
    this.shows = el("b", { class: "shows" });
    this.error = el("span", { class: "error" });
    const name = gauge.pointers.length > 1 ? el("span", { class: "which" }, plain(pointer.name)) : null;
    this.node = el("div", { class: "reading", "data-key": pointer.key }, name, this.shows, this.error);
    const [low, high] = [Math.min(pointer.low, pointer.high), Math.max(pointer.low, pointer.high)];
    const label = gauge.pointers.length > 1 ? `${title(gauge.name)}, ${plain(pointer.name)}` : title(gauge.name);
    const range = { "aria-valuemin": low, "aria-valuemax": high, "aria-valuenow": low };
    this.range = [low, high];
    for (const [key, value] of Object.entries({ role: "meter", "aria-label": label, ...range })) {
      this.node.setAttribute(key, value);
    }
    this.node.setAttribute("aria-valuetext", "not known");
  }

  /** The error; where there is none to speak of (parked, stopped, off the scale), what it should show. */
  off([, , indication, shows, error]) {
    const { decimals, unit: unitName } = this.pointer;
    if (error !== null) return `error ${signed(error, Math.min(decimals + 1, 3), unitName)}`;
    if (indication === null) return "";
    const should = amount(indication, decimals, unitName);
    return should === amount(shows, decimals, unitName) ? "" : `should be ${should}`;
  }

  show(values, nowMs, state) {
    const [, , indication, shows, error] = values;
    const { decimals, unit: unitName } = this.pointer;
    const value = shows ?? indication;
    put(this.shows, shows === null ? "where, is not known" : amount(shows, decimals, unitName));
    put(this.error, this.off(values));
    if (nowMs - this.spokenMs < SPOKEN_MS) return;
    this.spokenMs = nowMs;
    const [low, high] = this.range;
    if (value !== null) {
      set(this.node, "aria-valuenow", Math.min(Math.max(value, low), high).toFixed(decimals));
    }
    const parts = [shows === null ? "where the needle is, is not known" : spoken(shows, decimals, unitName)];
    if (error !== null) parts.push(`error ${spoken(error, Math.min(decimals + 1, 3), unitName)}`);
    if (state !== "live") parts.push(state);
    set(this.node, "aria-valuetext", parts.join(", "));
  }
}

class PanelGauge {
  constructor(gauge) {
    this.gauge = gauge;
    this.drawing = new GaugeDrawing(gauge);
    this.state = el("span", { class: "state" });
    this.bench = el("a", { class: "to-bench", href: `#/bench/${encodeURIComponent(gauge.name)}` }, "calibrate");
    this.bench.setAttribute("aria-label", `calibrate ${plain(gauge.name)} at the bench`);
    this.readings = gauge.pointers.map((pointer) => new Reading(gauge, pointer));
    this.why = el("p", { class: "why", hidden: true });
    this.flagged = el("p", { class: "why flagged", hidden: true });
    this.strip = el(
      "div",
      { class: "strip" },
      el("div", { class: "strip-head" }, el("h3", {}, title(gauge.name)), this.state, this.bench),
      el("div", { class: "readings" }, ...this.readings.map((reading) => reading.node)),
      this.why,
      this.flagged,
    );
    this.node = el("article", { class: "gauge", "data-name": gauge.name }, this.drawing.node, this.strip);
    this.word = "";
  }

  /** What the state is, in a word: the worst of the gauge's and its pointers'. Whether its line has come or gone. */
  health(health, held, stopped) {
    const gauge = health?.gauges[this.gauge.name];
    let [word, why] = [gauge?.state ?? "", gauge?.why ?? ""];
    for (const pointer of this.gauge.pointers) {
      const is = health?.pointers[pointer.key];
      if (is && is.state !== "ready") [word, why] = [is.state, is.detail];
      else if (is?.parked && word === "live") word = "parked";
    }
    if (stopped && word !== "lost") [word, why] = ["stopped", ""];
    if (held) [word, why] = ["at the bench", `with ${held.yours ? "you" : held.holder}`];
    this.word = word;
    const [shape, kind] = sign(word);
    put(this.state, word ? `${shape} ${word}` : "");
    set(this.state, "data-kind", kind);
    put(this.why, why || this.gauge.trouble);
    if (health) this.drawing.showSetting(health.telemetry.setting);
    return hide(this.why, !this.why.textContent);
  }

  /** The flags in sight, in words; whether their line has come or gone. */
  flags(whys) {
    const own = Object.entries(whys).filter(([key, why]) => why && key.startsWith(`${this.gauge.name}.`));
    put(this.flagged, own.map(([key, why]) => `flag ${plain(key.slice(this.gauge.name.length + 1))}: ${why}`).join("; "));
    return hide(this.flagged, !own.length);
  }
}

export class Panel {
  constructor(place) {
    this.place = place;
    this.gauges = [];
    this.newest = null;
    this.asked = false;
    this.textMs = -Infinity;
    this.drawnMs = -Infinity;
    this.description = null;
    this.onDraw = () => {};
    new ResizeObserver(() => this.arrange()).observe(document.documentElement);
  }

  describe(description) {
    this.description = description;
    this.newest = null;
    this.gauges = inOrder(description.gauges).map((gauge) => new PanelGauge(gauge));
    forgetDrawings(new Set(description.gauges.flatMap((g) => g.layers.map((layer) => layer.url))));
    const least = (edge) => Math.min(...description.gauges.map((gauge) => gauge[edge])) - MARGIN_MM;
    this.corner = { x_mm: least("x_mm"), y_mm: least("y_mm") };
    this.width_mm = description.width_mm - this.corner.x_mm;
    this.height_mm = description.height_mm - this.corner.y_mm;
    this.place.replaceChildren(...this.gauges.map((gauge) => gauge.node));
    this.arrange();
  }

  /** Places in mm scaled to the window, readings below or beside the gauges; a list where those had no room. */
  arrange() {
    if (!this.gauges.length || !this.place.offsetParent) return;
    this.place.removeAttribute("style");
    for (const { node, drawing } of this.gauges) {
      node.removeAttribute("style");
      drawing.node.style.width = "";
    }
    const style = getComputedStyle(this.gauges[0].strip);
    const letters = { em: parseFloat(style.fontSize), line: parseFloat(style.lineHeight) };
    const room = { width: this.place.clientWidth - 2 * EDGE_PX, height: this.height() - 2 * EDGE_PX };
    const [below, beside] = [this.stripsBelow(room, letters, ONE_LINE), this.stripsBeside(room, letters)];
    const folded = this.stripsBelow(room, letters, FOLDED);
    const chosen = [beside.scale > below.scale ? beside : below, folded].find((one) => one.legible);
    if (!chosen) {
      this.place.className = "gauges listed";
      return;
    }
    const kind = new Map([[beside, "beside"], [below, "below"], [folded, "below folded"]]).get(chosen);
    this.place.className = `gauges placed ${kind}`;
    for (const { gauge, node, drawing } of this.gauges) {
      node.style.left = `${EDGE_PX + (gauge.x_mm - this.corner.x_mm) * chosen.scale + chosen.right(gauge)}px`;
      node.style.top = `${EDGE_PX + (gauge.y_mm - this.corner.y_mm) * chosen.scale + chosen.down(gauge)}px`;
      node.style.width = `${gauge.width_mm * chosen.scale + chosen.wider}px`;
      drawing.node.style.width = `${gauge.width_mm * chosen.scale}px`;
    }
    this.place.style.width = `${this.width_mm * chosen.scale + chosen.across + 2 * EDGE_PX}px`;
    this.place.style.height = `${this.height_mm * chosen.scale + chosen.upright + 2 * EDGE_PX}px`;
  }

  /** What the window has for the gauges beside all else that is always in sight (px). */
  height() {
    const view = this.place.parentElement;
    const box = this.place.getBoundingClientRect();
    const under = view.getBoundingClientRect().bottom - box.bottom;
    const foot = parseFloat(getComputedStyle(view.parentElement).paddingBottom);
    const sill = document.querySelector(".sill").offsetHeight;
    return window.innerHeight - (box.top + window.scrollY) - under - foot - sill;
  }

  /** Scale and shifts (px) when each row of gauges has its readings below it. */
  stripsBelow({ width, height }, { em, line }, strip) {
    const { gauges } = this.description;
    const [rows, columns] = [bands(gauges, "y_mm", "height_mm"), bands(gauges, "x_mm", "width_mm")];
    const strips = [];
    for (const { gauge, why, flagged } of this.gauges) {
      const row = rows.get(gauge);
      const lines = strip.lines(gauge.pointers) + !why.hidden + !flagged.hidden;
      strips[row] = Math.max(strips[row] ?? 0, lines * line);
    }
    const gaps = this.gapsBelow(rows);
    // A strip has the gap below its row, too: only what it is taller than that pushes the next row down.
    const pushed = (scale) => strips.map((tall, row) => Math.max(0, tall - gaps[row] * scale));
    const sum = (list) => list.reduce((total, one) => total + one, 0);
    let tall = height / this.height_mm;
    for (const _ of strips) {
      const taller = strips.map((high, row) => high > gaps[row] * tall);
      const counted = (list) => sum(list.filter((_, row) => taller[row]));
      tall = (height - counted(strips)) / (this.height_mm - counted(gaps));
    }
    const narrowest = Math.min(...gauges.map((gauge) => gauge.width_mm));
    const many = Math.max(...columns.values());
    const scale = Math.min(Math.max(tall, LEAST_DIAL_PX / narrowest), width / this.width_mm);
    // Where height is short the columns move apart, so that the readings have room.
    const spare = (width - this.width_mm * scale) / (many + 1);
    const wider = Math.max(0, Math.min(strip.given_em * em - narrowest * scale, spare));
    return {
      scale,
      wider,
      legible: narrowest * scale + wider >= strip.least_em * em,
      across: wider * (many + 1),
      upright: sum(pushed(scale)),
      right: (gauge) => wider * columns.get(gauge),
      down: (gauge) => sum(pushed(scale).slice(0, rows.get(gauge))),
    };
  }

  /** From the lowest edge of each row of gauges to the next row, or to the panel's end (mm). */
  gapsBelow(rows) {
    const [tops, bottoms] = [[], []];
    for (const [gauge, row] of rows) {
      tops[row] = Math.min(tops[row] ?? Infinity, gauge.y_mm);
      bottoms[row] = Math.max(bottoms[row] ?? 0, gauge.y_mm + gauge.height_mm);
    }
    return bottoms.map((bottom, row) => Math.max(0, (tops[row + 1] ?? this.description.height_mm) - bottom));
  }

  /** The same when each column of gauges has its readings on the right. */
  stripsBeside({ width, height }, { em }) {
    const columns = bands(this.description.gauges, "x_mm", "width_mm");
    const strip = STRIP_BESIDE_EM * em;
    const across = (1 + Math.max(...columns.values())) * strip;
    return {
      scale: Math.min(height / this.height_mm, (width - across) / this.width_mm),
      wider: strip,
      legible: true,
      across,
      upright: 0,
      right: (gauge) => strip * columns.get(gauge),
      down: () => 0,
    };
  }

  needles(message) {
    this.newest = message;
    this.ask();
  }

  ask() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame((nowMs) => this.frame(nowMs));
  }

  frame(nowMs) {
    this.asked = false;
    const message = this.newest;
    if (!message) return;
    const still = calm.matches;
    if (still && nowMs - this.drawnMs < CALM_MS) {
      setTimeout(() => this.ask(), CALM_MS / 4);
      return;
    }
    this.drawnMs = nowMs;
    const text = nowMs - this.textMs >= TEXT_MS;
    if (text) this.textMs = nowMs;
    let [more, taller] = [false, false];
    for (const gauge of this.gauges) {
      for (const reading of gauge.readings) {
        const values = message.p[reading.pointer.key];
        if (!values) continue;
        gauge.drawing.report(reading.pointer.name, values[0], gauge.word === "at the bench" ? null : values[1], nowMs);
        if (text) reading.show(values, nowMs, gauge.word);
      }
      gauge.drawing.showFlags(message.flags);
      if (text) taller = gauge.flags(message.flags) || taller;
      more = gauge.drawing.draw(nowMs, still) || more;
    }
    if (taller) this.arrange();
    this.onDraw(message, nowMs, still);
    if (more) this.ask();
  }

  health(health, bench) {
    let taller = false;
    for (const gauge of this.gauges) {
      taller = gauge.health(health, bench?.gauges[gauge.gauge.name], bench?.stopped) || taller;
    }
    if (taller) this.arrange();
  }
}

/** Whether it was the other way before. */
function hide(node, hidden) {
  const changed = node.hidden !== hidden;
  node.hidden = hidden;
  return changed;
}

/** Row by row from the left, as one reads: so they are listed, read out and reached by Tab. */
function inOrder(gauges) {
  const rows = bands(gauges, "y_mm", "height_mm");
  return [...gauges].sort((a, b) => rows.get(a) - rows.get(b) || a.x_mm - b.x_mm);
}

/** In which row (or column) each gauge is: one more than the gauges that lie wholly before it. */
function bands(gauges, place, size) {
  const found = new Map();
  for (const gauge of [...gauges].sort((a, b) => a[place] - b[place])) {
    let band = 0;
    for (const [other, its] of found) {
      const overlap = 0.25 * Math.min(other[size], gauge[size]);
      if (other[place] + other[size] <= gauge[place] + overlap) band = Math.max(band, its + 1);
    }
    found.set(gauge, band);
  }
  return found;
}
