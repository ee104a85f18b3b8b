// What lies beneath the curves of a trend, on the same axis of time: the
// high-speed contact, the mode, how the reads went, when conditions stood and
// what people did.

import { rule, shape, snapped, weave, write } from "./ink.js";
import { stays } from "./trend_data.js";
import * as format from "./format.js";

const contact = { top: 0, height: 10 }, mode = { top: 18, height: 22 }, reads = { top: 48, height: 10 };
const fixed = 66, each = 32, did = 24;

// lanesHeight is how high the lanes of a picture are together.
export function lanesHeight({ lanes, acts }) {
  return fixed + lanes.length * each + (acts.length ? did : 0) + 6;
}

export function drawLanes(ink, picture, at, colours, holes) {
  const top = at.lanes;
  if (picture.list.some((step) => step.contact !== null)) label(ink, "contact", top + contact.top + contact.height / 2, at, colours);
  label(ink, "mode", top + mode.top + mode.height / 2, at, colours);
  label(ink, "reads", top + reads.top + reads.height / 2, at, colours);
  drawContact(ink, picture, at, top + contact.top, colours);
  drawModes(ink, picture, at, top + mode.top, colours, holes);
  drawReads(ink, picture, at, top + reads.top, colours, holes);
  picture.lanes.forEach((lane, i) => drawCondition(ink, lane, at, top + fixed + i * each, colours));
  if (picture.acts.length) drawActs(ink, picture, at, top + fixed + picture.lanes.length * each, colours);
}

function label(ink, text, y, at, colours) {
  write(ink, text, at.left - 7, y, colours.soft, { align: "right", size: at.left < 60 ? 11 : 12 });
}

// across calls for each step with where it lies, within the plot.
function across(list, at, each) {
  for (const step of list) {
    const x = snapped(Math.max(at.x(step.from), at.left)), end = snapped(Math.min(at.x(step.to), at.right));
    if (end > at.left && x < at.right) each(step, x, Math.max(end - x, 0.5));
  }
}

// The contact is a bar as high as its share of the step, over a line while it is
// known.
function drawContact(ink, { list }, at, top, colours) {
  across(list, at, (step, x, wide) => {
    if (step.contact === null) return;
    const high = step.contact > 0 ? Math.max(2, step.contact * contact.height) : 0;
    ink.fillStyle = colours.drive;
    ink.fillRect(x, top + contact.height - high, wide, high);
    ink.fillStyle = colours.rule;
    ink.fillRect(x, top + contact.height, wide, 1);
  });
}

// A mode is told by where its bar lies and how it is woven, and by its word where
// there is room: at the top, in the middle, at the bottom, or over all of it.
const looks = {
  at_max: [0, 7], controlling: [7.5, 7], at_min: [15, 7], run_on: [15, 7, "upright"], idle: [15, 7, "dots"],
  starting: [0, 22, "upright"], forced: [0, 22, "slant"], stopped: [15, 7, "level"], disabled: [0, 22, "level"], unknown: [0, 22, "cross"],
};

function drawModes(ink, { list, period }, at, top, colours, holes) {
  const woven = {};
  for (const stroke of ["upright", "dots", "slant", "level"]) woven[stroke] = weave(stroke, colours.soft, stroke === "slant" ? colours.forced : colours.rest, true);
  woven.cross = weave("cross", colours.rule, colours.card);
  across(list, at, (step, x, wide) => {
    for (const [name, share] of Object.entries(step.modes)) {
      const [down, high, stroke] = looks[name] ?? looks.unknown;
      ink.globalAlpha = share >= 0.5 ? 1 : 0.45;
      ink.fillStyle = stroke ? woven[stroke] : colours.soft;
      ink.fillRect(x, top + down, wide, high);
    }
  });
  ink.globalAlpha = 1;
  drawNothing(ink, holes, at, top, mode.height, colours);
  for (const stay of stays(list, period)) word(ink, stay, at, top + mode.height / 2, colours);
}

function word(ink, stay, at, y, colours) {
  const x = Math.max(at.x(stay.from), at.left), end = Math.min(at.x(stay.to), at.right);
  const text = stay.mode === "unknown" ? "not known" : format.words(stay.mode);
  ink.font = "11px system-ui";
  const needs = ink.measureText(text).width + 10;
  if (end - x < needs + 8) return;
  ink.fillStyle = colours.card;
  ink.fillRect((x + end - needs) / 2, y - 8, needs, 16);
  write(ink, text, (x + end) / 2, y + 0.5, colours.ink, { align: "center", size: 11 });
}

// Reads that went well are a thin line; those that failed rise over it by their
// share, a single one visibly.
function drawReads(ink, { list }, at, top, colours, holes) {
  across(list, at, (step, x, wide) => {
    ink.fillStyle = colours.rule;
    ink.fillRect(x, top + reads.height - 2, wide, 2);
    const failed = 1 - (step.outcomes.ok ?? 0);
    if (failed <= 0) return;
    ink.fillStyle = colours.ticket;
    const high = Math.max(4, failed * reads.height);
    ink.fillRect(x, top + reads.height - high, Math.max(wide, 1.5), high);
  });
  drawNothing(ink, holes, at, top, reads.height, colours);
}

function drawNothing(ink, holes, at, top, height, colours) {
  ink.fillStyle = weave("slant", colours.rule, colours.gap);
  for (const hole of holes) {
    if (hole.kind !== "nothing") continue;
    const x = Math.max(at.x(hole.from), at.left), end = Math.min(at.x(hole.to), at.right);
    ink.fillRect(x, top, Math.max(end - x, 1), height);
  }
}

// A condition has its name above its bars; one that stands goes on beyond the
// end.
function drawCondition(ink, lane, at, top, colours) {
  const colour = colours[lane.severity];
  shape(ink, lane.severity, at.left + 7, top + 8, 12, colour);
  const times = lane.spans.length > 1 ? ` in ${lane.spans.length} spells` : "";
  const told = at.wide ? `${lane.severity}: ${format.words(lane.condition)} · ${format.span(lane.stood)}${times}${lane.stands ? " · stands" : ""}`
    : `${lane.severity}: ${format.words(lane.condition)} · ${format.span(lane.stood)}`;
  write(ink, told, at.left + 17, top + 8.5, colours.ink);
  for (const span of lane.spans) drawSpan(ink, span, at, top + 17, colour);
}

function drawSpan(ink, span, at, top, colour) {
  const x = at.x(span.begin), end = Math.max(at.x(span.end), x + 2);
  ink.fillStyle = colour;
  ink.fillRect(x, top, end - x, 8);
  if (!span.cameBefore) ink.fillRect(x, top - 3, 1.5, 14);
  if (!span.goesOn) return;
  ink.beginPath();
  ink.moveTo(end, top - 3);
  ink.lineTo(end + 6, top + 4);
  ink.lineTo(end, top + 11);
  ink.fill();
}

function drawActs(ink, { acts }, at, top, colours) {
  label(ink, "acts", top + 10, at, colours);
  rule(ink, at.left, top + 16, at.right, top + 16, colours.line);
  for (const act of acts) {
    const x = at.x(Date.parse(act.time));
    if (x < at.left || x > at.right) continue;
    rule(ink, x, top + 4, x, top + 16, colours.accent, [], 2);
    ink.fillStyle = colours.accent;
    ink.beginPath();
    ink.arc(x, top + 5, 3, 0, 7);
    ink.fill();
  }
}
