// Axes: where their ticks lie and how far they reach. Nothing here draws.

import { instant, wall } from "./zone.js";

const minute = 60e3, hour = 60 * minute, dayLength = 24 * hour;

// scale maps a range onto pixels; its ends may run either way.
export function scale(low, high, first, last) {
  const slope = (last - first) / (high - low || 1);
  return (value) => first + (value - low) * slope;
}

// nice is the axis that reaches from low to high with at most so many steps of 1,
// 2 or 5 times a power of ten, both ends on a tick.
export function nice(low, high, most) {
  if (!(high > low)) [low, high] = [low - 0.5, low + 0.5];
  const least = (high - low) / most;
  const power = 10 ** Math.floor(Math.log10(least));
  const step = power * [1, 2, 5, 10].find((times) => power * times >= least * (1 - 1e-9));
  const first = Math.floor(low / step + 1e-9), last = Math.ceil(high / step - 1e-9);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const ticks = Array.from({ length: last - first + 1 }, (_, i) => Number(((first + i) * step).toFixed(decimals)));
  return { low: ticks[0], high: ticks.at(-1), ticks, decimals };
}

// steps of an axis of time within a day: all of them divide it.
const within = [1e3, 2e3, 5e3, 10e3, 15e3, 30e3, minute, 2 * minute, 5 * minute, 10 * minute, 15 * minute, 30 * minute,
  hour, 2 * hour, 3 * hour, 6 * hour, 12 * hour];
const days = [1, 2, 7, 14, 28, 91, 182, 364];

// timeTicks are the instants (ms) between from and to at which clocks in the zone
// show round times, at most so many. `day` says that a tick is the begin of a
// day, `step` is their distance in ms.
export function timeTicks(from, to, most, zone) {
  const fits = (step) => (to - from) / step <= most;
  const step = within.find(fits);
  if (step) return { step, ticks: clockTicks(from, to, step, zone) };
  const count = days.find((n) => fits(n * dayLength)) ?? days.at(-1);
  return { step: count * dayLength, ticks: dayTicks(from, to, count, zone) };
}

function clockTicks(from, to, step, zone) {
  const ticks = [];
  const over = (at) => mod(wall(at, zone), step);
  let last = -Infinity;
  for (let at = from - over(from); at <= to; ) {
    const off = over(at);
    if (off === 0) {
      if (at >= from) ticks.push({ at, day: mod(wall(at, zone), dayLength) === 0 });
      last = at;
      at += step;
    } else if (at - off > last && over(at - off) === 0) at -= off; // clocks went forward
    else at += step - off; // clocks went back
  }
  return ticks;
}

const aMonday = Date.UTC(2024, 0, 1);

function dayTicks(from, to, count, zone) {
  const ticks = [];
  const length = count * dayLength;
  for (let midnight = aMonday + Math.floor((wall(from, zone) - aMonday) / length) * length; ; midnight += length) {
    const at = instant(midnight, zone);
    if (at > to) return ticks;
    if (at >= from) ticks.push({ at, day: true });
  }
}

// midnights are the begins of days between from and to, as lines behind a plot.
export function midnights(from, to, zone) {
  return dayTicks(from, to, 1, zone).map((tick) => tick.at);
}

function mod(a, n) {
  return ((a % n) + n) % n;
}

// apart moves labels at wanted heights so that none is nearer to the next than
// gap, as little as may be, and all stay between top and bottom where there is
// room. It answers the new heights in the order given.
export function apart(wanted, gap, top, bottom) {
  const order = wanted.map((_, i) => i).sort((a, b) => wanted[a] - wanted[b]);
  const placed = wanted.map((at) => Math.min(Math.max(at, top), bottom));
  for (let round = 0; round < 20; round++) {
    let moved = false;
    for (let k = 1; k < order.length; k++) {
      const [above, below] = [order[k - 1], order[k]];
      const short = gap - (placed[below] - placed[above]);
      if (short <= 1e-6) continue;
      placed[above] -= short / 2;
      placed[below] += short / 2;
      moved = true;
    }
    pushInside(placed, order, gap, top, bottom);
    if (!moved) break;
  }
  return placed;
}

function pushInside(placed, order, gap, top, bottom) {
  order.forEach((i, k) => (placed[i] = Math.max(placed[i], top + k * gap)));
  order.toReversed().forEach((i, k) => (placed[i] = Math.min(placed[i], bottom - k * gap)));
}
