// A fan's last day in small: above, between which values the controlled value
// went, around its setpoint; below, the speed. A time in which nothing good was
// read is a gap and is drawn as one.

import { s } from "./dom.js";
import * as format from "./format.js";

// In which box it is drawn: the value's lane, the space between, the speed's.
const width = 192;
const top = { from: 1, to: 27 };
const bottom = { from: 32, to: 46 };
const height = 47;

// runs are the stretches of a list without a null, as [first, after the last].
export function runs(values) {
  const all = [];
  for (let i = 0; i < values.length; i++) {
    if (values[i] === null || values[i] === undefined) continue;
    if (all.length && all.at(-1)[1] === i) all.at(-1)[1] = i + 1;
    else all.push([i, i + 1]);
  }
  return all;
}

// gaps are the stretches between the runs.
export function gaps(values) {
  return runs(values.map((value) => (value === null || value === undefined ? 1 : null)));
}

// line is the path through the middles of a list's steps. It ends at a gap and
// begins anew behind it; one value by itself is as wide as its step.
export function line(values, x, y) {
  return runs(values).map(([from, to]) => {
    if (to - from === 1) return `M${x(from)} ${y(values[from])}H${x(to)}`;
    return values.slice(from, to).map((value, i) => `${i ? "L" : "M"}${x(from + i + 0.5)} ${y(value)}`).join("");
  }).join("");
}

// band is the area between the lows and the highs, a block a step and one piece a
// run: nothing is drawn that was not read.
export function band(low, high, x, y) {
  return runs(low).map(([from, to]) => {
    const there = [], back = [];
    for (let i = from; i < to; i++) {
      there.push(`V${y(high[i])}H${x(i + 1)}`);
      back.unshift(`V${y(low[i])}H${x(i)}`);
    }
    return `M${x(from)} ${y(low[from])}${there.join("")}${back.join("")}z`;
  }).join("");
}

// extent is the lowest and highest of some lists, or null where all are empty.
export function extent(...lists) {
  const known = lists.flat().filter((value) => value !== null && value !== undefined);
  return known.length ? [Math.min(...known), Math.max(...known)] : null;
}

// The lane of the value shows at least from half of the setpoint to half more of
// it, so that a fan that holds well looks as calm as it is; and nothing beyond
// these, which would flatten all the rest.
const atLeast = [0.5, 1.5];
const atMost = [-1, 3];

// lane is the part of a value's lane that is to be shown.
export function lane(found) {
  if (!found) return atLeast;
  return [Math.max(atMost[0], Math.min(found[0], atLeast[0])), Math.min(atMost[1], Math.max(found[1], atLeast[1]))];
}

const rounded = (n) => Math.round(n * 10) / 10;

// scale maps a range to a lane, upwards, and holds what lies beyond at its edge.
export function scale([low, high], { from, to }) {
  return (value) => rounded(to - Math.min(1, Math.max(0, (value - low) / (high - low || 1))) * (to - from));
}

// shares are a list's values as shares of the setpoint, so that "more" is up
// whatever the sign of the setpoint is. Without a setpoint they are shares of the
// largest value.
export function shares(values, setpoint, largest) {
  const whole = setpoint || largest || 1;
  return values.map((value) => (value === null || value === undefined ? null : value / whole));
}

// spark draws a trend of the API: speed, low and high, of one length each.
export function spark(trend, fan, stepS) {
  const { speed, low, high } = trend;
  const n = speed.length || 1;
  const x = (i) => rounded((i / n) * width);
  const found = extent(low, high);
  const largest = found && Math.max(Math.abs(found[0]), Math.abs(found[1]));
  const lows = shares(low, fan.setpoint, largest), highs = shares(high, fan.setpoint, largest);
  const y = scale(lane(extent(lows, highs)), top);
  const turn = scale([0, 1], bottom);
  const away = speed.map((value, i) => value ?? low[i] ?? null);
  return s("svg", { class: "spark", viewBox: `0 0 ${width} ${height}`, width, height, preserveAspectRatio: "none", role: "img", "aria-label": inWords(trend, fan, stepS) },
    gaps(away).map(([from, to]) => s("rect", { class: "gap", x: x(from), y: 0, width: rounded(x(to) - x(from)), height })),
    s("path", { class: "foot", d: `M0 ${bottom.to}H${width}` }),
    fan.setpoint ? s("path", { class: "want", d: `M0 ${y(1)}H${width}` }) : null,
    s("path", { class: "band", d: band(lows, highs, x, y) }),
    s("path", { class: "speed", d: line(speed, x, turn) }));
}

// inWords says what a trend shows to those who do not see it.
export function inWords({ speed, low, high }, fan, stepS) {
  const turned = extent(speed), found = extent(low, high);
  const away = gaps(speed.map((value, i) => value ?? low[i] ?? null)).reduce((sum, [from, to]) => sum + to - from, 0);
  if (away === speed.length) return "nothing was read in the last 24 h";
  const dimension = format.held(fan.controls);
  return [
    turned && `speed ${between(turned, "ratio")}`,
    found && `${fan.controls === "airflow" ? "airflow" : "pressure"} ${between(found, dimension)}`,
    away && `nothing read for ${format.span(away * stepS)}`,
  ].filter(Boolean).join(", ");
}

function between([low, high], dimension) {
  const from = format.number(low, dimension), to = format.number(high, dimension);
  return from === to ? format.quantity(low, dimension) : `${from} to ${format.quantity(high, dimension)}`;
}
