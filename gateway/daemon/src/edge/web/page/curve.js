// One curve over a stretch of time: a line in its band, limits dashed, ticks where something happened. Text says what the
// picture shows.

import { shownAs } from "./units.js";
import { ahead, amount, clock, day, drawing, element, withUnit } from "./words.js";

const LEFT = 46;
const RIGHT = 8;
const BOTTOM = 18;
const HEIGHT = 132;
// Wider than this many buckets, a gap is a gap.
const GAP = 2.5;

// Round steps for about `count` lines between low and high.
function steps(low, high, count) {
  const rough = (high - low) / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough);
  const found = [];
  for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-9; at += step) found.push(at);
  return { found, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// Stretches without a gap.
function stretches(points, width) {
  const found = [];
  for (const point of points) {
    const last = found.at(-1);
    if (last !== undefined && point[0] - last.at(-1)[0] <= GAP * width) last.push(point);
    else found.push([point]);
  }
  return found;
}

function span(points, limits) {
  const all = [...points.flatMap(([, , low, high]) => [low, high]), ...limits.map((limit) => limit.at)];
  const low = Math.min(...all);
  const high = Math.max(...all);
  const margin = (high - low || Math.abs(high) || 1) * 0.08;
  return [low - margin, high + margin];
}

// Words of the time axis, by how much of it is shown.
const HOUR = 3_600_000;
export function timeSteps(from, until, width) {
  const spans = [5 / 60, 0.25, 0.5, 1, 3, 6, 12, 24, 48, 168, 336, 730.5, 2191.5, 8766].map((hours) => hours * HOUR);
  const rough = (until - from) / Math.max(2, Math.floor(width / 90));
  const step = spans.find((one) => one >= rough) ?? spans.at(-1);
  const offset = -ahead(from);
  const found = [];
  for (let at = Math.ceil((from - offset) / step) * step + offset; at < until; at += step) found.push(at);
  const words = (at) => {
    const date = new Date(at);
    if (step < 24 * HOUR) return clock(date);
    return day(date, step > 700 * HOUR ? { month: "short", year: "numeric" } : { day: "numeric", month: "short" });
  };
  return found.map((at) => ({ at, text: words(at) }));
}

// `series` as the gateway gives it; `limits` as { at, text }; `events` as times. `width` in pixels.
export function curve({ title, series, quantity, limits: given, events, from, until, width }) {
  const figure = element("figure", undefined, { class: "curve" });
  const as = shownAs(quantity, series.unit);
  const own = (value) => (as === null ? value : value * as.factor + as.offset);
  const points = series.points.map(([at, ...values]) => [at, ...values.map(own)]);
  const limits = given.map((limit) => ({ ...limit, at: own(limit.at) }));
  if (points.length === 0) {
    figure.append(element("figcaption", `${title}: nothing kept of this time`));
    return figure;
  }
  const [low, high] = span(points, limits);
  const text = (value) => (as === null ? amount(value, quantity, series.unit) : withUnit(value.toFixed(as.digits), series.unit, quantity));
  // Of an estimate the ends are its interval's, not what it has been.
  const values = series.estimated ? points.map(([, mean]) => mean) : points.flatMap(([, , bottom, top]) => [bottom, top]);
  const caption = element("figcaption");
  caption.append(element("b", title), ` ${text(points.at(-1)[1])}`);
  const around = `lowest ${text(Math.min(...values))}, highest ${text(Math.max(...values))}`;
  caption.append(" ", element("span", around, { class: "small" }));

  const height = HEIGHT + BOTTOM;
  const x = (at) => LEFT + ((at - from) / (until - from)) * (width - LEFT - RIGHT);
  const y = (value) => 6 + (1 - (value - low) / (high - low)) * (HEIGHT - 12);
  const drawn = drawing("svg", { viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": `${title}: ${around}` });
  const scale = steps(low, high, 4);
  for (const at of scale.found) {
    drawn.append(drawing("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: y(at), y2: y(at) }));
    drawn.append(drawing("text", { class: "scale", x: LEFT - 6, y: y(at) + 4, "text-anchor": "end" }, at.toFixed(scale.digits)));
  }
  for (const { at, text: words } of timeSteps(from, until, width)) {
    drawn.append(drawing("line", { class: "grid", x1: x(at), x2: x(at), y1: 6, y2: HEIGHT - 6 }));
    drawn.append(drawing("text", { class: "scale", x: x(at), y: HEIGHT + 12, "text-anchor": "middle" }, words));
  }
  const bucket = points.length > 1 ? Math.min(...points.slice(1).map((point, i) => point[0] - points[i][0]).filter((gap) => gap > 0)) : HOUR;
  const usual = Math.max(bucket, (until - from) / 400);
  for (const stretch of stretches(points, usual)) {
    const upper = stretch.map(([at, , , top]) => `${x(at).toFixed(1)},${y(top).toFixed(1)}`);
    const lower = stretch.map(([at, , bottom]) => `${x(at).toFixed(1)},${y(bottom).toFixed(1)}`).reverse();
    drawn.append(drawing("polygon", { class: "band", points: [...upper, ...lower].join(" ") }));
    const line = stretch.map(([at, mean]) => `${x(at).toFixed(1)},${y(mean).toFixed(1)}`);
    if (line.length === 1) drawn.append(drawing("circle", { class: "line", cx: x(stretch[0][0]), cy: y(stretch[0][1]), r: 1.5 }));
    else drawn.append(drawing("polyline", { class: "line", points: line.join(" ") }));
  }
  for (const { at, text: words } of limits) {
    drawn.append(drawing("line", { class: "limit", x1: LEFT, x2: width - RIGHT, y1: y(at), y2: y(at) }));
    drawn.append(drawing("text", { class: "scale", x: width - RIGHT, y: y(at) - 3, "text-anchor": "end" }, `${words} ${text(at)}`));
  }
  for (const at of events) drawn.append(drawing("line", { class: "event", x1: x(at), x2: x(at), y1: HEIGHT - 10, y2: HEIGHT }));
  figure.append(caption, drawn);
  return figure;
}
