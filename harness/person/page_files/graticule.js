// The graticule of the display that is read: what is expected on it, and the lines a person lays on the trace.

import { tr } from "./texts.js";

const SVG = "http://www.w3.org/2000/svg";

export function drawn(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

const RIM = 0.45; // divisions around the graticule, so that a line at its edge can be held
const NAMES = { ground: [tr("Trace")], upright: [tr("Top"), tr("Bottom")], across: [tr("Left"), tr("Right")], none: [] };
const LAY = {
  [tr("Top")]: tr("Now lay the top line."), [tr("Bottom")]: tr("Now lay the bottom line."),
  [tr("Left")]: tr("Now lay the left line."), [tr("Right")]: tr("Now lay the right line."),
};
const path = points => points.map(([x, y]) => `${x.toFixed(3)},${(-y).toFixed(3)}`).join(" ");
const decimals = step => Math.max(0, Math.min(3, -Math.floor(Math.log10(step) + 1e-9)));

// Draws a graticule into a place; calls `read` with the reading, as text in divisions, each time a line is moved.
export function graticule(place, on, read) {
  const { height, width, ground, step, cursors } = on;
  const across = cursors === "across", half = (across ? width : height) / 2;
  const digits = decimals(step), lines = [];
  const svg = drawn("svg", { viewBox: `${-width / 2 - RIM} ${-height / 2 - RIM} ${width + 2 * RIM} ${height + 2 * RIM}` });
  for (let x = -width / 2; x <= width / 2; x += 1)
    svg.append(drawn("line", { class: x ? "grid" : "axis", x1: x, x2: x, y1: -height / 2, y2: height / 2 }));
  for (let y = -height / 2; y <= height / 2; y += 1)
    svg.append(drawn("line", { class: y ? "grid" : "axis", y1: y, y2: y, x1: -width / 2, x2: width / 2 }));
  if (!across) {
    svg.append(drawn("line", { class: "ground", y1: -ground, y2: -ground, x1: -width / 2, x2: width / 2 }));
    svg.append(drawn("text", { class: "label", x: -width / 2 + 0.1, y: -ground - 0.1 }, tr("ground")));
  }
  const within = { x: -width / 2, y: -height / 2, width, height, viewBox: `${-width / 2} ${-height / 2} ${width} ${height}` };
  const traces = drawn("svg", within, ...on.expected.map(points => drawn("polyline", { class: "expected", points: path(points) })));
  if (on.seen) traces.append(drawn("polyline", { class: "seen", points: path(on.seen) }));
  svg.append(traces);
  NAMES[cursors].forEach((name, n) => lines.push(cursor(name, (n === 0) === across ? -half : half)));
  if (cursors === "ground") lines[0].at = ground;
  lines.forEach(lay);

  function cursor(name, at) {
    const ends = across ? { x1: 0, x2: 0, y1: -height / 2, y2: height / 2 } : { y1: 0, y2: 0, x1: -width / 2, x2: width / 2 };
    const knob = across ? { cx: 0, cy: height / 2 } : { cx: width / 2, cy: 0 };
    const group = drawn(
      "g",
      { class: "cursor parked", role: "slider", tabindex: 0, "aria-label": tr("{name} line", { name }), "aria-valuemin": -half, "aria-valuemax": half,
        "aria-orientation": across ? "horizontal" : "vertical" },
      drawn("line", { ...ends, class: "hit" }), drawn("line", ends), drawn("circle", { ...knob, r: 0.36 }),
      drawn("text", { x: knob.cx, y: knob.cy }, name[0]),
    );
    svg.append(group);
    const made = { name, at, group, laid: false };
    group.addEventListener("keydown", event => {
      const by = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 1 / step, PageDown: -1 / step }[event.key];
      if (by === undefined) return;
      event.preventDefault();
      move(made, made.at + by * step);
    });
    return made;
  }

  function lay(line) {
    const at = Math.abs(line.at).toFixed(digits), second = line.at < 0 ? 1 : 0;
    const beside = [tr("{at} divisions right of the centre", { at }), tr("{at} divisions left of the centre", { at })];
    const over = [tr("{at} divisions above the centre", { at }), tr("{at} divisions below the centre", { at })];
    line.group.setAttribute("transform", across ? `translate(${line.at} 0)` : `translate(0 ${-line.at})`);
    line.group.setAttribute("aria-valuenow", line.at.toFixed(digits));
    line.group.setAttribute("aria-valuetext", (across ? beside : over)[second]);
    line.group.classList.toggle("parked", !line.laid);
  }

  function move(line, to) {
    line.at = Math.max(-half, Math.min(half, Math.round(to / step) * step));
    line.laid = true;
    lay(line);
    const missing = lines.find(each => !each.laid);
    if (missing) read("", LAY[missing.name]);
    else read((cursors === "ground" ? line.at - ground : Math.abs(lines[0].at - lines[1].at)).toFixed(digits), "");
  }

  let held = null;
  const where = event => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return across ? point.x : -point.y;
  };
  svg.addEventListener("pointerdown", event => {
    if (!lines.length || event.button) return;
    const at = where(event);
    held = lines.reduce((near, each) => (Math.abs(each.at - at) < Math.abs(near.at - at) ? each : near));
    svg.setPointerCapture(event.pointerId);
    move(held, at);
    held.group.focus({ preventScroll: true });
    event.preventDefault();
  });
  svg.addEventListener("pointermove", event => held && move(held, where(event)));
  for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => (held = null));
  svg.setAttribute("role", "group");
  svg.setAttribute("aria-label", tr("Graticule, {width} by {height} divisions", { width, height }));
  place.replaceChildren(svg);
}
