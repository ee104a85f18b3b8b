// What stands behind the marks of the operating plane: its lanes, the band of the
// tolerance, the line beyond which a sign is wrong, and their words.

import { above, across, tolerance } from "./plane_scale.js";

const names = ["card", "ink", "soft", "line", "rule", "accent", "accent-soft", "gap", "rest", "page", "ticket", "note"];

// palette reads the colours of the page as they are now.
export function palette(element) {
  const style = getComputedStyle(element);
  const colours = { family: style.fontFamily };
  for (const name of names) colours[name] = style.getPropertyValue(`--${name}`).trim();
  return colours;
}

// ground draws it.
export function ground(pen, f, colours, { rem }) {
  const g = { pen, f, colours, rem };
  areas(g);
  lines(g);
  heights(g);
  speeds(g);
  regions(g);
}

function areas({ pen, f, colours }) {
  const band = (top, bottom, colour) => {
    pen.fillStyle = colour;
    pen.fillRect(f.left, top, f.right - f.left, bottom - top);
  };
  pen.fillStyle = colours.rest;
  pen.fillRect(f.left, f.top, f.from - f.left, f.bottom - f.top);
  pen.fillRect(f.to, f.top, f.right - f.to, f.bottom - f.top);
  band(above(f, -100), f.bottom, colours.gap);
  band(above(f, tolerance), above(f, -tolerance), colours["accent-soft"]);
}

function lines({ pen, f, colours }) {
  const across1 = (y, colour, width = 1) => stroke(pen, f.left, y, f.right, y, colour, width);
  across1(above(f, 0), colours.accent);
  across1(above(f, -100), colours.rule, 1.5);
  for (const x of [f.from, f.to]) stroke(pen, x, f.top, x, f.bottom, colours.line);
  for (const x of f.wide ? [20, 40, 60, 80] : [20, 50, 80]) stroke(pen, across(f, 2 * x), f.bottom, across(f, 2 * x), f.bottom + 4, colours.rule);
  across1(f.bottom, colours.rule);
}

function stroke(pen, x1, y1, x2, y2, colour, width = 1) {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.beginPath();
  pen.moveTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  pen.lineTo(Math.round(x2) + 0.5, Math.round(y2) + 0.5);
  pen.stroke();
}

// write sets a text; size in rem, `align` and `base` as of the canvas.
function write({ pen, colours, rem }, text, x, y, { size = 0.78, weight = 400, colour = colours.soft, align = "left", base = "middle" } = {}) {
  pen.font = `${weight} ${size * rem}px ${colours.family}`;
  pen.fillStyle = colour;
  pen.textAlign = align;
  pen.textBaseline = base;
  pen.fillText(text, x, y);
}

// heights are the words and numbers at the left, on a small picture one word below
// the other.
function heights(g) {
  const { f, colours, rem, pen } = g;
  for (const [error, text] of [[400, "+400 %"], [100, "+100 %"], [50, "+50 %"], [0, "at setpoint"], [-50, "−50 %"],
    [-100, "no pressure"], [-200, "−200 %"], [-400, "−400 %"]]) {
    const y = above(f, error);
    const style = { align: "right", ...(error === 0 && { weight: 600, colour: colours.ink }) };
    const lines = /\d/.test(text) || f.wide ? [text] : text.split(" ");
    lines.forEach((line, i) => write(g, line, f.left - 0.45 * rem, y + (i - (lines.length - 1) / 2) * 0.9 * rem, style));
    stroke(pen, f.left - 4, y, f.left, y, colours.rule);
  }
}

// speeds are the words and numbers at the foot, and the heads of the lanes.
function speeds(g) {
  const { f, colours, rem } = g;
  const at = f.bottom + 0.5 * rem;
  for (const x of f.wide ? [20, 40, 60, 80] : [20, 50, 80]) write(g, `${x} %`, across(f, 2 * x), at, { align: "center", base: "top" });
  write(g, "commanded speed →", f.to - 0.5 * rem, at + 1.15 * rem, { align: "right", base: "top" });
  const head = f.top - 0.55 * rem;
  if (f.wide) write(g, "↑ pressure against setpoint", f.from + 0.6 * rem, head, { base: "bottom" });
  write(g, "stopped", (f.left + f.from) / 2, head, { align: "center", base: "bottom", colour: colours.ink, weight: 600 });
  write(g, "at its top", f.right, head, { align: "right", base: "bottom", colour: colours.ink, weight: 600 });
}

// regions are named quietly, where marks seldom are.
function regions(g) {
  const { f, rem } = g;
  const x = f.from + 0.6 * rem;
  write(g, "more than setpoint", x, f.top + 0.9 * rem);
  write(g, "short of setpoint", x, above(f, -100) - 0.8 * rem);
  write(g, "wrong sign", x, above(f, -100) + 0.95 * rem);
  write(g, "pinned", f.to - 0.5 * rem, above(f, -45), { align: "right" });
}
