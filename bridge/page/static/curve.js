// Two drawings of a calibration in the making: the curve with its points, and the residuals.

import { el, svg } from "./dom.js";
import { number, signed, unit } from "./words.js";

const MARGIN = { left: 46, right: 12, top: 10, bottom: 26 };

class Axes {
  constructor(width, height, xs, ys) {
    const [left, right] = [MARGIN.left, width - MARGIN.right];
    const [top, bottom] = [MARGIN.top, height - MARGIN.bottom];
    Object.assign(this, { left, right, top, bottom, xs, ys });
    this.node = svg("svg", { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
    this.node.style.width = `${width / 16}rem`; // it grows with the letters of the page
    this.node.append(
      svg("path", { d: `M${left} ${top} V${bottom} H${right}`, class: "axis" }),
      ...ticks(xs, Math.max(2, Math.floor((right - left) / 64))).map((x) => this.label(this.x(x), bottom + 18, number(x, decimals(xs)), "middle")),
      ...ticks(ys, 4).map((y) => this.label(left - 6, this.y(y) + 4, number(y, decimals(ys)), "end")),
    );
  }

  x(value) {
    const [low, high] = this.xs;
    return this.left + ((value - low) / (high - low || 1)) * (this.right - this.left);
  }

  y(value) {
    const [low, high] = this.ys;
    return this.bottom - ((value - low) / (high - low || 1)) * (this.bottom - this.top);
  }

  label(x, y, text, anchor) {
    return svg("text", { x, y, "text-anchor": anchor }, text);
  }

  line(points, name) {
    if (points.length < 2) return;
    const way = points.map(([x, y]) => `${this.x(x).toFixed(1)} ${this.y(y).toFixed(1)}`).join(" L");
    this.node.append(svg("path", { d: `M${way}`, class: name }));
  }

  /** A triangle: pointing up when the mark was reached from below, down and open from above. */
  point([x, y], falling) {
    const [px, py, s] = [this.x(x), this.y(y), falling ? -1 : 1];
    const d = `M${px - 5} ${py + 4 * s} L${px + 5} ${py + 4 * s} L${px} ${py - 5 * s} Z`;
    this.node.append(svg("path", { d, class: falling ? "point from-above" : "point from-below" }));
  }
}

function decimals([low, high]) {
  const span = high - low;
  return span >= 8 ? 0 : span >= 0.8 ? 1 : 2;
}

/** Round values within the range, about so many. */
function ticks([low, high], about) {
  const rough = (high - low) / about || 1;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= rough);
  const found = [];
  for (let n = Math.ceil(low / step); n * step <= high + step / 1e6; n++) found.push(n * step);
  return found;
}

function range(values, least = 1) {
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const pad = Math.max((high - low) * 0.06, (least - (high - low)) / 2);
  return [low - pad, high + pad];
}

/** Pairs of neighbouring points between which the curve does not go on its way. */
function backwards(points) {
  if (points.length < 2) return [];
  const way = Math.sign(points.at(-1)[1] - points[0][1]) || 1;
  return points.slice(1).flatMap((point, i) => ((point[1] - points[i][1]) * way > 0 ? [] : [[points[i], point]]));
}

function figure(axes, caption) {
  return el("figure", {}, axes.node, el("figcaption", {}, caption));
}

/** The drawings of one pointer at the bench, for this width in px. */
export function curves({ curve, captures, unitName }, width) {
  const all = [...curve.rising, ...curve.falling];
  if (all.length < 2) return [];
  const readings = range(all.map(([reading]) => reading));
  const angles = range([...all.map(([, angle]) => angle), ...captures.map((c) => c.drive_deg)]);
  const whole = new Axes(width, 240, readings, angles);
  whole.line(curve.rising, "from-below");
  whole.line(curve.falling, "from-above");
  for (const pair of [...backwards(curve.rising), ...backwards(curve.falling)]) whole.line(pair, "turns-back");
  for (const c of captures) whole.point([c.reading, c.drive_deg], c.falling);
  const drawn = [
    figure(whole, `Drive angle in degrees, over the reading in ${unit(unitName)}. ▲ solid: from below. ▽ dashed: from above.`),
  ];
  if (captures.length) {
    const off = new Axes(width, 170, readings, range([0, ...captures.map((c) => c.residual_deg)], 0.5));
    off.line([[readings[0], 0], [readings[1], 0]], "zero");
    for (const falling of [false, true]) {
      const side = captures.filter((c) => c.falling === falling).map((c) => [c.reading, c.residual_deg]);
      off.line(side, falling ? "from-above" : "from-below");
      for (const point of side) off.point(point, falling);
    }
    const worst = captures.reduce((a, b) => (Math.abs(b.residual_deg) > Math.abs(a.residual_deg) ? b : a));
    drawn.push(
      figure(
        off,
        `Residuals in degrees: captured drive angle less that of the curve in force. ` +
          `Largest ${signed(worst.residual_deg, 2, "deg")} at ${number(worst.reading)} ${unit(unitName)}.`,
      ),
    );
  }
  return drawn;
}
