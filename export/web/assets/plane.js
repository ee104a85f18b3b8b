// The operating plane: every fan of the campus as a mark at its speed and the
// error of what it holds. Those that are stopped gather at the left, those that
// have no more to give at the right, and those that read with the wrong sign
// beyond the line. It is drawn on two canvases, the marks below and what is
// pointed at above, and only when something changed.

import { h, renew, say } from "./dom.js";
import { ground, palette } from "./plane_ground.js";
import { grid, nearest } from "./plane_grid.js";
import { frame, fresh, place } from "./plane_scale.js";
import { stampsOf } from "./plane_stamps.js";

const glideFor = 200; // ms that a mark takes to its new place
const glidesUpTo = 500; // fans; more of them move at once
const cell = 32; // px of the grid
const reach = { touch: 28, other: 14 }; // px around a mark that mean it

// Plane is the picture. It asks what it cannot know of `told`: open(fan) goes to a
// fan's page, card(fan, others) makes what is shown of one, line(fan) says it in
// a sentence, modes names the modes by their index.
export class Plane {
  constructor(told) {
    this.told = told;
    this.base = h("canvas", { role: "img" });
    this.over = h("canvas", { "aria-hidden": "true" });
    this.card = h("div", { class: "fan-card", hidden: true });
    this.spoken = h("p", { class: "unseen", role: "status" });
    this.element = h("div", {
      class: "stage", role: "application", tabindex: 0, "aria-roledescription": "picture of fans",
      "aria-label": "Operating plane. The arrow keys walk through the fans from the worst on, Enter opens one.",
    }, this.base, this.over, h("p", { class: "keys", "aria-hidden": "true" }, "Arrow keys walk from the worst on, Enter opens"), this.card, this.spoken);
    this.all = []; // the fans by their index
    this.fans = []; // those that are shown and have a place, the worst first
    this.marks = tracks(0);
    this.picked = null; // { fan, others, by: "mouse" | "touch" | "keys" }
    this.stamps = [];
    this.listen();
  }

  // set takes all fans, and those of them to show, the worst first.
  set(all, shown) {
    if (this.all !== all) {
      this.marks = tracks(all.length);
      this.stamps = [];
    }
    this.all = all;
    this.fans = shown.filter(fresh);
    this.lay(false);
    if (this.picked) this.pick(this.fans.find((fan) => fan.id === this.picked.fan.id), this.picked.by, this.picked.others);
    this.ask();
  }

  // summary sets what the picture shows in words.
  summary(text) {
    this.base.setAttribute("aria-label", text);
  }

  close() {
    this.watching.abort();
    this.sizes.disconnect();
    clearTimeout(this.leaving);
    cancelAnimationFrame(this.asked);
  }

  // lay finds every mark's place; with `jump` they are there at once.
  lay(jump) {
    if (!this.frame) return;
    const { now, to, from } = this.marks;
    const glides = !jump && this.all.length <= glidesUpTo && !this.still.matches;
    from.x.set(now.x);
    from.y.set(now.y);
    to.x.fill(NaN);
    for (const fan of this.fans) {
      const i = fan.index;
      [to.x[i], to.y[i]] = place(this.frame, fan, this.told.modes[fan.mode]);
      if (!glides || Number.isNaN(now.x[i])) [from.x[i], from.y[i]] = [to.x[i], to.y[i]];
    }
    this.laid = performance.now();
    this.cells = null;
  }

  // step puts the marks as far on their way as the time is, and reports whether
  // one is still on it.
  step(time) {
    const part = Math.min(Math.max((time - this.laid) / glideFor, 0), 1);
    const eased = 1 - (1 - part) ** 3;
    const { now, to, from } = this.marks;
    let moving = false;
    for (let i = 0; i < now.x.length; i++) {
      const across = to.x[i] - from.x[i];
      const up = to.y[i] - from.y[i];
      now.x[i] = from.x[i] + across * eased;
      now.y[i] = from.y[i] + up * eased;
      moving ||= Math.abs(across) + Math.abs(up) > 0.25;
    }
    return moving && part < 1;
  }

  // ask has the next frame draw the marks, point only what is pointed at.
  ask() {
    this.dirty = true;
    this.point();
  }

  point() {
    this.asked ||= requestAnimationFrame((time) => this.draw(time));
  }

  draw(time) {
    this.asked = 0;
    if (!this.frame) return;
    if (this.dirty) {
      this.dirty = this.step(time);
      this.drawMarks();
      if (this.dirty) this.point();
    }
    this.drawPicked();
  }

  drawMarks() {
    const pen = this.clean(this.base);
    ground(pen, this.frame, this.colours, this.size);
    if (this.stamps.length === 0) this.stamps = stampsOf(this.colours, this.size, this.all.length);
    const { x, y } = this.marks.now;
    for (let n = this.fans.length - 1; n >= 0; n--) { // the worst on top
      const { index, rank } = this.fans[n];
      const { image, half } = this.stamps[rank];
      pen.drawImage(image, x[index] - half, y[index] - half, 2 * half, 2 * half);
    }
    if (this.all.length > 0 && !this.drawn) this.drawn = performance.mark("fleet-drawn");
  }

  // drawPicked draws a ring around what is pointed at.
  drawPicked() {
    const pen = this.clean(this.over);
    if (!this.picked) return;
    const { index, rank } = this.picked.fan;
    pen.beginPath();
    pen.arc(this.marks.now.x[index], this.marks.now.y[index], this.stamps[rank].radius + 5, 0, 2 * Math.PI);
    for (const [width, colour] of [[5, this.colours.card], [2, this.colours.accent]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.stroke();
    }
  }

  clean(canvas) {
    const { width, height, dots } = this.size;
    const pen = canvas.getContext("2d");
    pen.setTransform(dots, 0, 0, dots, 0, 0);
    pen.clearRect(0, 0, width, height);
    return pen;
  }

  // fit makes the canvases as large as the stage and as fine as the screen.
  fit() {
    const { width, height } = this.element.getBoundingClientRect();
    if (width === 0) return;
    this.size = { width, height, rem: parseFloat(getComputedStyle(this.element).fontSize), dots: devicePixelRatio || 1 };
    for (const canvas of [this.base, this.over]) {
      canvas.width = Math.round(width * this.size.dots);
      canvas.height = Math.round(height * this.size.dots);
    }
    this.frame = frame(width, height, this.size.rem);
    this.lay(true);
    this.repaint();
    this.showCard();
  }

  // repaint draws in the colours that the page has now.
  repaint() {
    this.colours = palette(this.element);
    this.stamps = [];
    this.ask();
  }

  // pick points at a fan, or at none.
  pick(fan, by, others = 0) {
    this.picked = fan ? { fan, by, others } : null;
    this.showCard();
    this.point();
  }

  showCard() {
    this.card.hidden = !this.picked;
    this.element.classList.toggle("opens", this.picked?.by === "mouse");
    if (!this.picked || !this.frame) return;
    renew(this.card, this.told.card(this.picked.fan, this.picked.others));
    const { to } = this.marks;
    const i = this.picked.fan.index;
    const [left, top] = beside(to.x[i], to.y[i], this.card, this.size);
    this.card.style.left = `${left}px`;
    this.card.style.top = `${top}px`;
  }

  listen() {
    this.watching = new AbortController();
    const on = (target, event, act) => target.addEventListener(event, act, { signal: this.watching.signal });
    on(this.element, "pointerdown", (event) => {
      this.kind = event.pointerType;
    });
    on(this.element, "pointermove", (event) => this.hover(event));
    on(this.element, "pointerleave", () => this.leave());
    on(this.element, "click", (event) => this.press(event));
    on(this.element, "keydown", (event) => this.key(event));
    on(this.element, "focusout", (event) => {
      if (this.picked?.by === "keys" && !this.element.contains(event.relatedTarget)) this.pick(null);
    });
    for (const what of ["(prefers-color-scheme: dark)", "(forced-colors: active)"]) on(matchMedia(what), "change", () => this.repaint());
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.sizes = new ResizeObserver(() => this.fit());
    this.sizes.observe(this.element);
  }

  // under is the fan at the place of an event, and how many others are there.
  under(event, around) {
    if (this.stamps.length === 0) return { others: 0 };
    const box = this.element.getBoundingClientRect();
    const { x, y } = this.marks.to;
    this.cells ??= grid(x, y, this.fans.map((fan) => fan.index), cell);
    const radius = (i) => this.stamps[this.all[i].rank].radius;
    const { found, others } = nearest(this.cells, event.clientX - box.left, event.clientY - box.top, around, radius);
    return { fan: this.all[found], others };
  }

  // hover shows a fan's card on a mouse's way.
  hover(event) {
    if (event.pointerType === "touch") return;
    clearTimeout(this.leaving);
    if (this.card.contains(event.target)) return;
    const { fan, others } = this.under(event, reach.other);
    if (!fan) this.leave();
    else if (fan !== this.picked?.fan) this.pick(fan, "mouse", others);
  }

  // leave lets the card stay for a moment, so that the mouse can reach it.
  leave() {
    clearTimeout(this.leaving);
    if (this.picked?.by === "mouse") this.leaving = setTimeout(() => this.pick(null), 200);
  }

  // press opens the fan under a mouse; a finger, which cannot hover, gets the
  // card, whose link leads on.
  press(event) {
    if (this.card.contains(event.target)) return;
    const finger = this.kind === "touch";
    const { fan, others } = this.under(event, finger ? reach.touch : reach.other);
    if (fan && !finger) this.told.open(fan);
    else this.pick(fan, "touch", others);
  }

  // key walks from the worst fan on.
  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || this.card.contains(event.target)) return;
    const last = this.fans.length - 1;
    const at = this.picked ? this.fans.indexOf(this.picked.fan) : -1;
    const [next, before] = [Math.min(at + 1, last), at < 0 ? last : Math.max(at - 1, 0)];
    const to = { ArrowRight: next, ArrowDown: next, ArrowLeft: before, ArrowUp: before, Home: 0, End: last }[event.key];
    if (to >= 0 && last >= 0) this.walk(to);
    else if (event.key === "Enter" && this.picked) this.told.open(this.picked.fan);
    else if (event.key === "Escape" && this.picked) this.pick(null);
    else return;
    event.preventDefault();
  }

  walk(to) {
    this.pick(this.fans[to], "keys");
    say(this.spoken, `${to + 1} of ${this.fans.length}: ${this.told.line(this.fans[to])}`);
  }
}

// tracks are where marks are drawn now, where they go and where they come from, by
// the fans' indexes.
function tracks(count) {
  const one = () => ({ x: new Float32Array(count).fill(NaN), y: new Float32Array(count).fill(NaN) });
  return { now: one(), to: one(), from: one() };
}

// beside finds the place of a card: next to its mark, or on a small picture at the
// edge that is farther from it.
function beside(x, y, card, { width, height, rem }) {
  const [wide, high] = [card.offsetWidth, card.offsetHeight];
  if (width < 34 * rem) return [(width - wide) / 2, y > height / 2 ? 8 : height - high - 8];
  const gap = 18;
  const left = x + gap + wide < width ? x + gap : x - gap - wide;
  return [Math.max(0, left), Math.min(Math.max(4, y - high / 2), height - high - 4)];
}
