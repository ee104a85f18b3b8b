// The names of a trend's lines, at the lines themselves: beside the plot where there
// is room, and else over it, with a piece of each line.
//
// A label is { plot ("speed", else the value's), y, text, brief, colour, dash, bold }.

import { apart } from "./axis.js";
import { rule, write } from "./ink.js";
import * as format from "./format.js";

const bound = [2, 3], threshold = [8, 3, 1.5, 3]; // how their lines are dashed

// bounds draws what the speed and the reading are bound to, and answers the
// labels.
export function bounds(ink, { limits }, at, axes, colours) {
  const labels = [];
  for (const [value, names] of speeds(limits)) {
    const dash = names.includes("contact") || names.includes("opens") ? threshold : bound;
    rule(ink, at.left, axes.speed.y(value), at.right, axes.speed.y(value), colours.soft, dash);
    labels.push({ plot: "speed", y: axes.speed.y(value), text: `${names.join(", ")} ${format.ratio(value)}`, brief: `${names.join(", ")} ${format.number(value, "ratio")}`, colour: colours.soft, dash });
  }
  for (const end of limits.probe ?? []) {
    const y = axes.value.y(end);
    if (y < at.value.top - 1 || y > at.value.bottom + 1) continue;
    rule(ink, at.left, y, at.right, y, colours.soft, bound);
    labels.push({ y, text: "sensor's end", colour: colours.soft, dash: bound });
  }
  return labels;
}

// titles name the two plots.
export function titles(fan, wide) {
  const what = fan.controls === "airflow" ? "Airflow" : wide ? `Pressure, ${fan.probe}` : "Pressure";
  return { value: `${what} · ${format.unitOf(format.held(fan.controls))}`, speed: `Speed · ${format.unitOf("ratio")}` };
}

// speeds are the speeds that matter, each with all its names, the most telling
// last.
export function speeds(limits) {
  const by = new Map();
  const named = [["max", limits.max_speed], ["idle", limits.idle_below], ["min", limits.min_speed], ["opens", limits.high_speed_off_at], ["contact", limits.high_speed_at]];
  for (const [name, value] of named) if (value !== null && value !== undefined) by.set(value, [...(by.get(value) ?? []), name]);
  return [...by].map(([value, names]) => [value, names.includes("contact") ? names.filter((name) => name !== "opens") : names]);
}

// label puts the labels where they belong.
export function label(ink, picture, at, axes, colours, labels) {
  const all = at.wide ? [...labels, ...latest(picture, at, axes, colours)] : labels;
  for (const plot of ["value", "speed"]) {
    const own = all.filter((one) => (one.plot ?? "value") === plot);
    if (at.wide) beside(ink, own, at, at[plot]);
    else over(ink, own, at, at[plot], titles(picture.fan, false)[plot]);
  }
}

// latest labels the curves with what was read last, where they reach the end.
function latest({ list }, at, axes, colours) {
  const final = list.at(-1);
  if (!final || at.right - at.x(final.to) > 40) return [];
  return [
    final.value && { y: axes.value.y(final.value.mean), text: `reading ${format.number(final.value.mean, axes.value.dimension)}`, colour: colours.air, bold: true },
    final.speed && { plot: "speed", y: axes.speed.y(final.speed.mean), text: `speed ${format.ratio(final.speed.mean)}`, colour: colours.drive, bold: true },
  ].filter(Boolean);
}

function beside(ink, labels, at, plot) {
  const heights = apart(labels.map((one) => one.y), 14, plot.top - 6, plot.bottom + 6);
  labels.forEach((one, i) => {
    ink.strokeStyle = one.colour;
    ink.lineWidth = 1;
    ink.beginPath();
    ink.moveTo(at.right + 1, one.y);
    ink.lineTo(at.right + 8, heights[i]);
    ink.stroke();
    write(ink, one.text, at.right + 11, heights[i], one.colour, { bold: one.bold });
  });
}

// over sets the labels in the line of the plot's title, from its right end, as
// many as the title leaves room for.
function over(ink, labels, at, plot, title) {
  const y = plot.top - 12;
  ink.font = "600 12px system-ui";
  const least = at.left + ink.measureText(title).width + 12;
  let end = at.right;
  for (const one of labels.toReversed()) {
    const text = one.brief ?? one.text;
    ink.font = "11px system-ui";
    const begin = end - ink.measureText(text).width - 22;
    if (begin < least) return;
    write(ink, text, end, y, one.colour, { align: "right", size: 11 });
    rule(ink, begin, y, begin + 18, y, one.colour, one.dash, one.dash === bound ? 1 : 1.5);
    end = begin - 10;
  }
}
