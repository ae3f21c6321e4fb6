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
