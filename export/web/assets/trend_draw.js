// Draws a trend: the value over its setpoint and the speed below it, over one axis
// of time. What lies beneath them on the same axis is in trend_lanes.js.
//
// A picture is what is drawn:
//   { width, from, to (ms), list (steps), period (ms), fan, tolerance, limits, lanes, acts, zone, nothing (what a gap is) }

import { midnights, nice, scale, timeTicks } from "./axis.js";
import { fit, inks, rule, snapped, weave, write } from "./ink.js";
import { bounds, label, titles } from "./trend_labels.js";
import { drawLanes, lanesHeight } from "./trend_lanes.js";
import { gaps, most, reach, runs } from "./trend_data.js";
import { wall } from "./zone.js";
import * as format from "./format.js";

// plan lays a picture out: where its plots, lanes and axis lie.
export function plan(picture) {
  const { width } = picture, wide = width >= 720;
  const left = width < 560 ? 50 : 64, right = wide ? 118 : 8;
  const tall = Math.round(Math.min(Math.max(width * 0.2, 170), 480));
  const value = { top: 24, bottom: 24 + tall };
  const speed = { top: value.bottom + 30, bottom: value.bottom + 30 + Math.round(tall * 0.48) };
  const lanes = speed.bottom + 12;
  const axis = lanes + lanesHeight(picture);
  return { wide, left, right: width - right, value, speed, lanes, axis, height: axis + 24,
    x: scale(picture.from, picture.to, left, width - right) };
}

// draw draws a picture on a canvas and answers its plan.
export function draw(canvas, picture) {
  const at = plan(picture), colours = inks();
  const ink = fit(canvas, picture.width, at.height);
  const axes = axesOf(picture, at);
  const holes = gaps(picture.list, picture.from, picture.to, picture.period);
  shade(ink, picture, at, colours);
  grid(ink, picture, at, axes, colours);
  const labels = bounds(ink, picture, at, axes, colours);
  clipped(ink, at, () => {
    drawHoles(ink, picture, holes, at, colours);
    curve(ink, picture, at, axes.value, (step) => step.value, colours.air);
    labels.push(...setpoint(ink, picture, at, axes.value, colours));
    curve(ink, picture, at, axes.speed, (step) => step.speed, colours.drive);
  });
  label(ink, picture, at, axes, colours, labels);
  drawLanes(ink, picture, at, colours, holes);
  return { ...at, axes };
}

// axesOf finds how far the two plots reach: zero and the setpoint are always in
// sight.
function axesOf({ list, fan, tolerance, limits }, at) {
  const dimension = format.held(fan.controls);
  let low = 0, high = 0;
  const see = (value) => {
    low = Math.min(low, value);
    high = Math.max(high, value);
  };
  const found = reach(list, (step) => step.value);
  if (found) [found.low, found.high].forEach(see);
  for (const step of list) {
    if (step.setpoint === null) continue;
    const within = tolerance(step.setpoint);
    see(step.setpoint - within);
    see(step.setpoint + within);
  }
  const room = (high - low) * 0.04;
  for (const end of limits.probe ?? []) if (end >= low - (high - low) * 0.15 && end <= high + (high - low) * 0.15) see(end);
  const shown = nice(format.shown(low - (low < 0 ? room : 0), dimension), format.shown(high + (high > 0 ? room : 0), dimension), at.wide ? 6 : 5);
  const place = scale(shown.low, shown.high, at.value.bottom, at.value.top);
  const turn = scale(0, 1, at.speed.bottom, at.speed.top);
  return { value: { ...shown, y: (base) => place(format.shown(base, dimension)), dimension },
    speed: { ticks: [0, 50, 100], decimals: 0, y: (ratio) => turn(Math.min(Math.max(ratio, -0.05), 1.05)) } };
}

function clipped(ink, at, drawIt) {
  ink.save();
  ink.beginPath();
  ink.rect(at.left, at.value.top - 6, at.right - at.left, at.speed.bottom - at.value.top + 12);
  ink.clip();
  drawIt();
  ink.restore();
}

// shade marks behind both plots when the fan was at rest or forced.
function shade(ink, { list }, at, colours) {
  const grounds = { idle: colours.rest, stopped: colours.rest, disabled: colours.rest, forced: colours.forced };
  for (const step of list) {
    const ground = grounds[most(step.modes)];
    if (!ground) continue;
    const x = snapped(Math.max(at.x(step.from), at.left)), end = snapped(Math.min(at.x(step.to), at.right));
    ink.fillStyle = ground;
    for (const plot of [at.value, at.speed]) ink.fillRect(x, plot.top, end - x, plot.bottom - plot.top);
  }
}

function grid(ink, { from, to, zone, fan, width }, at, axes, colours) {
  for (const [plot, axis] of [[at.value, axes.value], [at.speed, axes.speed]]) {
    const y = scale(axis.ticks[0], axis.ticks.at(-1), plot.bottom, plot.top);
    for (const tick of axis.ticks) {
      rule(ink, at.left, y(tick), at.right, y(tick), tick === 0 ? colours.rule : colours.line);
      write(ink, tick.toFixed(axis.decimals), at.left - 7, y(tick), colours.soft, { align: "right" });
    }
  }
  entitle(ink, fan, at, colours);
  const nights = midnights(from, to, zone);
  if ((at.right - at.left) / nights.length > 36) for (const midnight of nights) rule(ink, at.x(midnight), at.value.top, at.x(midnight), at.axis, colours.rule, [1, 3]);
  axisOfTime(ink, { from, to, zone, width }, at, colours);
}

function entitle(ink, fan, at, colours) {
  const title = titles(fan, at.wide);
  write(ink, title.value, at.left, at.value.top - 13, colours.air, { bold: true });
  write(ink, title.speed, at.left, at.speed.top - 13, colours.drive, { bold: true });
}

function axisOfTime(ink, { from, to, zone, width }, at, colours) {
  rule(ink, at.left, at.axis, at.right, at.axis, colours.rule);
  const each = to - from > 86400e3 && at.wide ? 84 : 62; // what a label takes with the room beside it
  const { ticks, step } = timeTicks(from, to, Math.max(2, Math.floor((at.right - at.left) / each)), zone);
  for (const tick of ticks) {
    const x = at.x(tick.at);
    rule(ink, x, at.axis, x, at.axis + 5, colours.rule);
    const text = tickText(tick, step, zone, at.wide);
    ink.font = "600 12px system-ui";
    const half = ink.measureText(text).width / 2 + 2;
    write(ink, text, Math.min(Math.max(x, half), width - half), at.axis + 14, tick.day ? colours.ink : colours.soft, { align: "center", bold: tick.day });
  }
}

function tickText(tick, step, zone, wide) {
  const day = format.day(tick.at).replace(",", "");
  if (tick.day) return wide ? day : day.slice(day.indexOf(" ") + 1); // without the day of the week
  return new Date(wall(tick.at, zone)).toISOString().slice(11, step < 60e3 ? 19 : 16);
}

// curve draws a value: from its least to its greatest in each step, and the mean
// as a line that no gap is bridged by.
function curve(ink, { list, period }, at, axis, of, colour) {
  ink.fillStyle = ink.strokeStyle = colour;
  for (const [first, last] of runs(list, of, period)) {
    const line = new Path2D();
    for (let i = first; i <= last; i++) {
      const step = list[i], extent = of(step);
      const x = snapped(at.x(step.from)), wide = Math.max(snapped(at.x(step.to)) - x, 0.5);
      const top = axis.y(extent.max), bottom = axis.y(extent.min);
      if (bottom - top > 0.5) {
        ink.globalAlpha = 0.32;
        ink.fillRect(x, top, wide, bottom - top);
        ink.globalAlpha = 1;
      }
      const [px, py] = [x + wide / 2, axis.y(extent.mean)];
      if (i === first) line.moveTo(px, py);
      else line.lineTo(px, py);
    }
    ink.lineWidth = 1.6;
    ink.lineJoin = "round";
    ink.stroke(line);
    dots(ink, list, first, last, at, axis, of);
  }
}

// dots mark single readings where they stand far enough from each other, and one
// that stands alone.
function dots(ink, list, first, last, at, axis, of) {
  const far = at.x(list[first].to) - at.x(list[first].from) >= 7;
  if (!far && last > first) return;
  for (let i = first; i <= last; i++) {
    ink.beginPath();
    ink.arc(at.x((list[i].from + list[i].to) / 2), axis.y(of(list[i]).mean), far ? 2.2 : 1.4, 0, 7);
    ink.fill();
  }
}

const wanted = [7, 4]; // how the line of the setpoint is dashed

// setpoint draws the setpoint as it stood, and faintly how far the value may be
// from it. It answers the label of the last one.
function setpoint(ink, { list, period, tolerance }, at, axis, colours) {
  ink.lineWidth = 1.5;
  const all = runs(list, (step) => step.setpoint, period);
  for (const [first, last] of all) {
    const line = new Path2D();
    for (let i = first; i <= last; i++) {
      const { from, to, setpoint } = list[i];
      const x = snapped(at.x(from)), end = snapped(at.x(i < last ? list[i + 1].from : to)), within = tolerance(setpoint);
      ink.globalAlpha = 0.07;
      ink.fillStyle = colours.want;
      ink.fillRect(x, axis.y(setpoint + within), end - x, axis.y(setpoint - within) - axis.y(setpoint + within));
      ink.globalAlpha = 1;
      if (i === first) line.moveTo(x, axis.y(setpoint));
      line.lineTo(x, axis.y(setpoint));
      line.lineTo(end, axis.y(setpoint));
    }
    ink.strokeStyle = colours.want;
    ink.setLineDash(wanted);
    ink.stroke(line);
    ink.setLineDash([]);
  }
  if (!all.length) return [];
  const { setpoint: final, to: until } = list[all.at(-1)[1]];
  const label = { y: axis.y(final), text: `setpoint ${format.number(final, axis.dimension)}`, colour: colours.want, dash: wanted };
  if (at.right - at.x(until) < 40) return [label];
  write(ink, label.text, at.x(until) + 6, label.y, label.colour, { under: colours.card });
  return [];
}

// drawHoles shows gaps for what they are, with words where there is room.
function drawHoles(ink, { nothing }, holes, at, colours) {
  const slant = weave("slant", colours.rule, colours.gap), cross = weave("cross", colours.rule, colours.card);
  for (const hole of holes) {
    const x = Math.max(at.x(hole.from), at.left), end = Math.min(at.x(hole.to), at.right);
    ink.fillStyle = hole.kind === "nothing" ? slant : cross;
    for (const plot of [at.value, at.speed]) ink.fillRect(x, plot.top, Math.max(end - x, 1), plot.bottom - plot.top);
    const text = holeText(hole, nothing);
    ink.font = "12px system-ui";
    const needs = ink.measureText(text).width + 14;
    if (end - x < needs) continue;
    ink.fillStyle = colours.card;
    ink.fillRect((x + end - needs) / 2, (at.value.top + at.value.bottom) / 2 - 11, needs, 22);
    write(ink, text, (x + end) / 2, (at.value.top + at.value.bottom) / 2, colours.ink, { align: "center" });
  }
}

// holeText says what a gap is; `nothing` says it where nothing is kept.
export function holeText(hole, nothing = "nothing recorded") {
  if (hole.kind === "nothing") return nothing;
  if (hole.kind === "unusable") return "read, but no usable value";
  return `no answer: ${format.words(hole.outcome)}`;
}
