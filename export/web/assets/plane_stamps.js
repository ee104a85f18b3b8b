// The marks of the operating plane, each rank drawn once to be copied to wherever
// it stands.

import { outlines, ranks } from "./parts.js";

// How large a rank is drawn beside a ticket.
const sizes = { well: 0.9, unjudged: 0.8, unanswered: 0.8, note: 0.95, ticket: 1, page: 1.1 };
const firstLoud = 3; // of the ranks: what stands is filled and keeps its size

// stampsOf draws the ranks for a picture of a size (CSS pixels, and dots for each
// of them) that shows so many fans: what is well steps back the more there are.
export function stampsOf(colours, size, many) {
  const unit = Math.min(Math.max(Math.sqrt(size.width * size.height) / 42, 13), 26);
  const crowd = Math.min(1, Math.max(0.42, 2.2 / Math.log10(Math.max(many, 10)) - 0.15));
  return ranks.map((name, rank) => {
    const loud = rank >= firstLoud;
    const box = unit * sizes[name] * (loud ? Math.max(crowd, 0.7) : crowd);
    const half = box / 2 + 2;
    const shape = new Path2D(outlines[name]);
    const image = sheet(half, box, size.dots, (pen) => (loud ? fill(pen, shape, box, colours[name], colours.card) : line(pen, shape, box, colours.soft, many)));
    return { image, half, radius: box * (name === "well" ? 0.22 : 0.5) };
  });
}

// sheet is a small canvas with a box of 16 by 16 in its middle.
function sheet(half, box, dots, draw) {
  const image = document.createElement("canvas");
  image.width = image.height = Math.ceil(2 * half * dots);
  const pen = image.getContext("2d");
  const scale = image.width / (2 * half);
  pen.scale(scale, scale);
  pen.translate(2, 2);
  pen.scale(box / 16, box / 16);
  pen.lineJoin = "round";
  draw(pen);
  return image;
}

function line(pen, shape, box, colour, many) {
  pen.globalAlpha = many > 2000 ? 0.75 : 0.9;
  pen.lineWidth = 1.3 * (16 / box);
  pen.strokeStyle = colour;
  pen.stroke(shape);
}

// fill leaves a rim of the ground's colour, so that marks that overlap stay two.
function fill(pen, shape, box, colour, rim) {
  pen.lineWidth = 3 * (16 / box);
  pen.strokeStyle = rim;
  pen.stroke(shape);
  pen.fillStyle = colour;
  pen.fill(shape);
}
