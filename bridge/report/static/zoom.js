// Zooming: on a screen with scripts each chart of errors becomes one that can be dragged over; print keeps the SVG.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("tracks").textContent);
  const sync = uPlot.sync("flight");
  const two = (value) => String(value).padStart(2, "0");
  const clock = (s) => {
    const whole = Math.floor(Math.abs(s));
    const rest = Math.abs(s) - whole;
    const text = `${Math.floor(whole / 60)}:${two(whole % 60)}`;
    return (s < 0 ? "-" : "") + text + (rest > 0.005 ? rest.toFixed(2).slice(1) : "");
  };
  // As on the SVG: the builder's tolerance, dashed, and the worst moments by their number in the table.
  const marked = (track) => (u) => {
    const { ctx, bbox } = u;
    const radius = 7 * devicePixelRatio;
    const within = (value, low, size) => Math.min(Math.max(value, low), low + size);
    ctx.save();
    ctx.strokeStyle = "#c2621a";
    ctx.lineWidth = devicePixelRatio;
    for (const limit of track.tolerance === null ? [] : [track.tolerance, -track.tolerance]) {
      const y = u.valToPos(limit, "y", true);
      if (y !== within(y, bbox.top, bbox.height)) continue;
      ctx.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, y);
      ctx.lineTo(bbox.left + bbox.width, y);
      ctx.stroke();
    }
    ctx.setLineDash([]);
    ctx.font = `${10 * devicePixelRatio}px system-ui, sans-serif`;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    track.worst.forEach(([time, error], n) => {
      const x = u.valToPos(time, "x", true);
      if (x !== within(x, bbox.left, bbox.width)) return;
      const off = error > 0 ? -1.2 * radius : 1.2 * radius;
      const y = within(u.valToPos(error, "y", true) + off, bbox.top + radius, bbox.height - 2 * radius);
      ctx.beginPath();
      ctx.arc(x, y, radius, 0, 2 * Math.PI);
      ctx.fillStyle = "#fff";
      ctx.fill();
      ctx.stroke();
      ctx.fillStyle = "#222";
      ctx.fillText(String(n + 1), x, y);
    });
    ctx.restore();
  };
  for (const place of document.querySelectorAll("[data-track]")) {
    const track = data.tracks[place.dataset.track];
    const holder = document.createElement("div");
    holder.className = "zoom";
    place.append(holder);
    const altitude = data.altitude !== "";
    const options = {
      width: place.clientWidth || 900,
      height: 250,
      cursor: { sync: { key: sync.key }, drag: { x: true, y: false } },
      scales: { x: { time: false }, ft: { auto: true } },
      hooks: { draw: [marked(track)] },
      series: [
        { label: "time", value: (u, v) => (v == null ? "" : clock(v)) },
        { label: `error, ${track.unit}`, stroke: "#1f5fa8", width: 1.2, value: (u, v) => (v == null ? "" : String(v)) },
        ...(altitude ? [{ label: data.altitude, scale: "ft", stroke: "#8a8f94", width: 1 }] : []),
      ],
      axes: [
        { values: (u, all) => all.map(clock), incrs: [0.01, 0.05, 0.1, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600] },
        { label: `error, ${track.unit}`, size: 64 },
        ...(altitude ? [{ scale: "ft", side: 1, size: 64, grid: { show: false } }] : []),
      ],
    };
    const chart = new uPlot(options, altitude ? [track.x, track.e, track.a] : [track.x, track.e], holder);
    place.classList.add("live");
    addEventListener("resize", () => chart.setSize({ width: place.clientWidth, height: 250 }));
  }
})();
