// One gauge drawn: still layers are pictures, moving ones inline SVG whose pointer groups are turned.

import { el, put, svg } from "./dom.js";
import { number } from "./words.js";

/** A ghost appears when the pointer is further than this from where it should be. */
const GHOST_DEG = 2;
/** A change smaller than this is not drawn. */
const FINEST_DEG = 0.02;
/** Boards report about ten times a second: a pointer glides from one report to the next, no longer than this. */
const GLIDE_MS = 150;

const drawings = new Map();

/** The layer's document, fetched once. An XML response, since a parser of strings is not allowed here. */
function fetched(url) {
  if (!drawings.has(url)) {
    const coming = new Promise((done, failed) => {
      const request = new XMLHttpRequest();
      request.open("GET", url);
      request.responseType = "document";
      request.overrideMimeType("image/svg+xml");
      request.onload = () => (request.responseXML ? done(request.responseXML) : failed(new Error(url)));
      request.onerror = () => failed(new Error(url));
      request.send();
    });
    drawings.set(url, coming);
    coming.catch(() => drawings.delete(url));
  }
  return drawings.get(url);
}

/** Forget the drawings of descriptions before. */
export function forgetDrawings(inUse) {
  for (const url of drawings.keys()) if (!inUse.has(url)) drawings.delete(url);
}

let made = 0;

/** Give the drawing's identifiers a prefix, so that one gauge can be drawn twice on the page. */
function claim(root) {
  const prefix = `d${++made}-`;
  for (const node of root.querySelectorAll("[id]")) node.id = prefix + node.id;
  for (const name of ["mask", "clip-path"]) {
    for (const node of root.querySelectorAll(`[${name}]`)) {
      node.setAttribute(name, node.getAttribute(name).replace("url(#", `url(#${prefix}`));
    }
  }
}

/** The text in the window of the altimeter setting. */
function written(group) {
  const { setting, xMm, yMm, heightMm } = group.dataset;
  const text = svg("text", { class: "in-window", x: xMm, y: yMm, "font-size": 0.75 * heightMm, "data-unit": setting });
  group.append(text);
  return text;
}

function turned(from, to) {
  return ((((to - from) % 360) + 540) % 360) - 180;
}

class Part {
  constructor(group) {
    this.group = group;
    this.pointer = group.dataset.pointer;
    this.crank = group.dataset.crankMm === undefined ? null : Number(group.dataset.crankMm);
    this.carriedBy = group.dataset.carriedBy ?? null;
    this.drawn = "";
    this.ghost = null;
    this.ghostDrawn = "";
  }

  transform(angles) {
    const angle = angles(this.pointer);
    if (angle === null) return null;
    if (this.crank === null) return `rotate(${angle.toFixed(3)})`;
    const carried = this.carriedBy === null ? 0 : angles(this.carriedBy);
    if (carried === null) return null;
    const slid = -this.crank * Math.cos((angle * Math.PI) / 180);
    return `rotate(${carried.toFixed(3)}) translate(0 ${slid.toFixed(4)})`;
  }

  /** The outline of what is printed, dashed; where that is lettering and lines only, a mark at the rim. */
  makeGhost() {
    const shapes = this.group.firstElementChild.cloneNode(true);
    shapes.removeAttribute("mask");
    for (const letter of shapes.querySelectorAll("[aria-label]")) letter.remove();
    const lines = shapes.querySelectorAll("line");
    if (lines.length > 6) for (const line of lines) line.remove();
    for (const hidden of shapes.querySelectorAll("circle")) hidden.remove();
    if (!shapes.childElementCount) {
      const mask = /#([^)]+)/.exec(this.group.firstElementChild.getAttribute("mask"))[1];
      const rim = -Number(this.group.ownerSVGElement.querySelector(`#${CSS.escape(mask)} rect`).getAttribute("y"));
      const mark = `M-3 ${-rim} L0 ${-rim + 9} L3 ${-rim} Z`;
      shapes.append(svg("path", { d: mark }));
    }
    const under = shapes.cloneNode(true);
    under.setAttribute("class", "ghost-ground");
    shapes.setAttribute("class", "ghost-dashes");
    this.ghost = svg("g", { class: "ghost" }, under, shapes);
    this.ghost.style.display = "none";
    this.group.after(this.ghost);
  }
}

export class GaugeDrawing {
  /** `gauge` as the panel message describes it. `node` is the drawing; it fills the width it is given. */
  constructor(gauge) {
    this.gauge = gauge;
    this.node = el("div", { class: "dial", "aria-hidden": "true", "data-gauge": gauge.name });
    this.node.style.aspectRatio = `${gauge.width_mm} / ${gauge.height_mm}`;
    this.parts = [];
    this.flags = [];
    this.settings = [];
    this.reports = new Map(gauge.pointers.map((p) => [p.name, { from: null, to: null, sinceMs: 0, spanMs: 0 }]));
    this.wanted = new Map();
    this.ready = this.load();
  }

  async load() {
    const places = this.gauge.layers.map((layer) => {
      if (!layer.moving) return el("img", { src: layer.url, alt: "", draggable: "false" });
      return el("div", { class: "moving" });
    });
    this.node.append(...places);
    await Promise.all(
      this.gauge.layers.map(async (layer, i) => {
        if (!layer.moving) return;
        const drawing = document.importNode((await fetched(layer.url)).documentElement, true);
        claim(drawing);
        drawing.setAttribute("class", "moving");
        drawing.querySelector("title")?.remove();
        places[i].replaceWith(drawing);
        for (const group of drawing.querySelectorAll("[data-pointer]")) this.parts.push(new Part(group));
        this.flags.push(...drawing.querySelectorAll("[data-flag]"));
        for (const group of drawing.querySelectorAll("[data-setting]")) this.settings.push(written(group));
      }),
    );
    // What lies furthest in front of a pointer's parts is what people look at: that has the ghost.
    for (const name of this.reports.keys()) this.parts.findLast((part) => part.pointer === name)?.makeGhost();
  }

  /** Bring into sight the flags that have a reason. `whys` has it by gauge and flag. */
  showFlags(whys) {
    for (const flag of this.flags) {
      const seen = whys[`${this.gauge.name}.${flag.dataset.flag}`] ? "visible" : "hidden";
      if (flag.getAttribute("visibility") !== seen) flag.setAttribute("visibility", seen);
    }
  }

  /** Write the altimeter setting into its window. */
  showSetting({ inhg, hpa }) {
    for (const text of this.settings) {
      put(text, text.dataset.unit === "hPa" ? number(hpa, 0) : number(inhg, 2));
    }
  }

  /** The newest report of a pointer, and where it should be; null where that is not known. */
  report(name, faceDeg, wantedDeg, nowMs) {
    const report = this.reports.get(name);
    this.wanted.set(name, wantedDeg);
    if (faceDeg === null) {
      report.from = report.to = null;
    } else if (report.to === null) {
      report.from = report.to = faceDeg;
    } else if (faceDeg !== report.to) {
      report.from = this.angle(name, nowMs);
      report.to = faceDeg;
      report.spanMs = Math.min(nowMs - report.sinceMs, GLIDE_MS);
      report.sinceMs = nowMs;
    }
  }

  angle(name, nowMs) {
    const report = this.reports.get(name);
    if (!report || report.to === null) return null;
    const share = report.spanMs > 0 ? Math.min((nowMs - report.sinceMs) / report.spanMs, 1) : 1;
    const way = turned(report.from, report.to);
    if (Math.abs(way) < FINEST_DEG) return report.to;
    return report.from + way * share;
  }

  /** Draw what has moved. `still`: no gliding, for those who want little motion. Returns whether more is to come. */
  draw(nowMs, still) {
    const angles = (name) => this.angle(name, still ? Infinity : nowMs);
    const wanted = (name) => this.wanted.get(name) ?? null;
    for (const part of this.parts) {
      const place = part.transform(angles);
      if (place !== part.drawn) {
        part.drawn = place;
        if (place !== null) part.group.setAttribute("transform", place);
        part.group.style.visibility = place === null ? "hidden" : "";
      }
      if (part.ghost) this.drawGhost(part, angles(part.pointer), wanted);
    }
    if (still) return false;
    return [...this.reports.values()].some((r) => r.to !== null && nowMs < r.sinceMs + r.spanMs);
  }

  drawGhost(part, shown, wanted) {
    const should = wanted(part.pointer);
    const differs = should !== null && (shown === null || Math.abs(turned(shown, should)) > GHOST_DEG);
    const place = differs ? part.transform(wanted) : null;
    if (place === part.ghostDrawn) return;
    part.ghostDrawn = place;
    part.ghost.style.display = place === null ? "none" : "";
    if (place !== null) part.ghost.setAttribute("transform", place);
  }
}
