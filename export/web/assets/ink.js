// What canvases draw with: the colours of the style sheet, so that both themes
// hold, and patterns, so that nothing is told by colour alone.

import { outlines } from "./parts.js";

const names = ["paper", "card", "ink", "soft", "line", "rule", "accent", "page", "page-soft", "ticket", "ticket-soft", "note", "note-soft",
  "air", "want", "drive", "gap", "forced", "rest", "bar"];

// inks reads the colours as they are now; ask again when the theme changes.
export function inks() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue("--" + name).trim()]));
}

// onTheme calls back when the theme changes; the function that it returns ends
// that.
export function onTheme(changed) {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", changed);
  return () => dark.removeEventListener("change", changed);
}

// enlarged is how much larger than usual the page's own text is, as on a very wide
// screen; canvases are drawn as much larger.
export function enlarged() {
  return parseFloat(getComputedStyle(document.body).fontSize) / 16;
}

let dense = 1; // pixels of the screen for one that is drawn, of the last canvas

// snapped is the nearest place that is a whole pixel of this screen: bars that
// touch then show no seam.
export function snapped(place) {
  return Math.round(place * dense) / dense;
}

// fit gives a canvas as many pixels as its place has on this screen, and answers
// its context, which reckons in CSS pixels of the usual size.
export function fit(canvas, width, height) {
  const larger = enlarged();
  dense = Math.min(devicePixelRatio || 1, 3) * larger;
  const [across, down] = [Math.round(width * dense), Math.round(height * dense)];
  if (canvas.width !== across || canvas.height !== down) {
    canvas.width = across;
    canvas.height = down;
    canvas.style.width = width * larger + "px";
    canvas.style.height = height * larger + "px";
  }
  const ink = canvas.getContext("2d");
  ink.setTransform(dense, 0, 0, dense, 0, 0);
  ink.clearRect(0, 0, width, height);
  return ink;
}

const strokes = {
  slant: "M-2 2L2 -2M0 8L8 0M6 10L10 6",
  cross: "M0 8L8 0M0 0L8 8",
  upright: "M2 0V8M6 0V8",
  dots: "M1.500 2h1.500M5.500 6h1.500",
  level: "M0 2H8M0 6H8",
};

// weave makes a pattern of one of the strokes in a colour, over a ground where
// there is one. Slanted: nothing is recorded; crossed: reads that failed. Both are
// faint where they cover much, unless they are to be strong.
export function weave(stroke, colour, ground, strong = false) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 16;
  const ink = tile.getContext("2d");
  ink.scale(2, 2);
  if (ground) {
    ink.fillStyle = ground;
    ink.fillRect(0, 0, 8, 8);
  }
  ink.strokeStyle = colour;
  ink.lineWidth = stroke === "dots" ? 1.5 : 1;
  ink.globalAlpha = ["slant", "cross"].includes(stroke) && !strong ? 0.45 : 1;
  ink.stroke(new Path2D(strokes[stroke]));
  const pattern = ink.createPattern(tile, "repeat");
  pattern.setTransform(new DOMMatrix([0.5, 0, 0, 0.5, 0, 0]));
  return pattern;
}

// shape draws the outline of a rank with its centre at a place.
export function shape(ink, rank, x, y, size, colour) {
  ink.save();
  ink.translate(x - size / 2, y - size / 2);
  ink.scale(size / 16, size / 16);
  const outline = new Path2D(outlines[rank]);
  ink.fillStyle = ink.strokeStyle = colour;
  ink.lineWidth = 1.5;
  if (["note", "ticket", "page"].includes(rank)) ink.fill(outline);
  else ink.stroke(outline);
  ink.restore();
}

// write puts a text at a place; `under` is the colour of a ground that keeps it
// readable over lines.
export function write(ink, text, x, y, colour, { align = "left", under = null, bold = false, size = 12 } = {}) {
  ink.font = `${bold ? "600 " : ""}${size}px system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif`;
  ink.textAlign = align;
  ink.textBaseline = "middle";
  if (under) {
    const wide = ink.measureText(text).width, left = align === "right" ? x - wide : align === "center" ? x - wide / 2 : x;
    ink.fillStyle = under;
    ink.fillRect(left - 3, y - size / 2 - 1, wide + 6, size + 2);
  }
  ink.fillStyle = colour;
  ink.fillText(text, x, y);
}

// rule draws one straight line on whole pixels.
export function rule(ink, x1, y1, x2, y2, colour, dash = [], width = 1) {
  ink.strokeStyle = colour;
  ink.lineWidth = width;
  ink.setLineDash(dash);
  ink.beginPath();
  const half = width % 2 ? 0.5 : 0;
  ink.moveTo(x1 === x2 ? Math.round(x1) + half : x1, y1 === y2 ? Math.round(y1) + half : y1);
  ink.lineTo(x1 === x2 ? Math.round(x2) + half : x2, y1 === y2 ? Math.round(y2) + half : y2);
  ink.stroke();
  ink.setLineDash([]);
}
