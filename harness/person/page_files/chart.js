// The response as it builds up, in dB against its lowest frequency: a picture to see the search by, not a result.

import { drawn } from "./graticule.js";
import { tr } from "./texts.js";

const HIGH = 260, LEFT = 44, BELOW = 28;

export function frequency(hertz) {
  const [unit, size] = [["GHz", 1e9], ["MHz", 1e6], ["kHz", 1e3], ["Hz", 1]].find(([, size]) => hertz >= size) ?? ["Hz", 1];
  return `${Number((hertz / size).toPrecision(3))} ${unit}`;
}

export function chart(place, { title, points }) {
  const WIDE = Math.max(300, Math.min(640, place.clientWidth || 640));
  const low = Math.log10(points[0][0]), high = Math.max(Math.log10(points.at(-1)[0]), low + 0.3);
  const bottom = Math.min(-6, Math.floor(Math.min(...points.map(point => point[1])) - 1));
  const x = hertz => LEFT + ((Math.log10(hertz) - low) / (high - low)) * (WIDE - LEFT - 16);
  const y = decibels => 14 + ((1.5 - decibels) / (1.5 - bottom)) * (HIGH - BELOW - 14);
  const last = points.at(-1);
  const svg = drawn("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img",
    "aria-label": tr("Response of {title}, uncorrected: {decibels} dB at {there}, relative to {reference}",
      { title, decibels: last[1].toFixed(2), there: frequency(last[0]), reference: frequency(points[0][0]) }) });
  for (const level of [0, -3, -6, -9, -12].filter(level => level >= bottom)) {
    svg.append(drawn("line", { class: level === -3 ? "limit" : "rule", x1: LEFT, x2: WIDE - 8, y1: y(level), y2: y(level) }));
    svg.append(drawn("text", { x: LEFT - 6, y: y(level) + 4, "text-anchor": "end" }, `${level} dB`));
  }
  let free = -Infinity;
  for (const [hertz] of [...points].reverse()) {
    if (Math.abs(x(hertz) - free) < 70) continue;
    free = x(hertz);
    svg.append(drawn("text", { x: free, y: HIGH - 8, "text-anchor": free > WIDE - 60 ? "end" : "middle" }, frequency(hertz)));
  }
  svg.append(drawn("polyline", { class: "curve", points: points.map(([f, d]) => `${x(f)},${y(d)}`).join(" ") }));
  for (const [f, d] of points) svg.append(drawn("circle", { class: "point", cx: x(f), cy: y(d), r: 4 }));
  const heading = document.createElement("h2");
  heading.textContent = tr("Response of {title}, uncorrected", { title });
  place.replaceChildren(heading, svg);
}
