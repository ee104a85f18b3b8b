// Where marks stand, how that is said, and how one is found under a finger.

import test from "node:test";
import assert from "node:assert/strict";
import { above, across, errorWords, farthest, frame, fresh, lane, place, rise, speedWords, tolerance } from "../../assets/plane_scale.js";
import { grid, nearest } from "../../assets/plane_grid.js";

test("errors rise evenly within the tolerance, ever slower beyond it, and end at the edges", () => {
  assert.equal(rise(0), 0);
  assert.ok(Math.abs(rise(farthest) - 1) < 1e-12);
  assert.ok(Math.abs(rise(-farthest) + 1) < 1e-12);
  assert.equal(rise(900), rise(farthest), "what the daemon would cut off stays on the plane");
  assert.ok(Math.abs(rise(tolerance / 2) - rise(tolerance) / 2) < 1e-12);
  assert.ok(Math.abs(rise(60) - rise(30) - (rise(120) - rise(60))) < 1e-12, "each doubling takes the same room");
  for (let e = -farthest; e < farthest; e++) assert.ok(rise(e) < rise(e + 1), `rises from ${e}`);
});

test("the scale has no bend where the two parts meet", () => {
  const inside = rise(tolerance) - rise(tolerance - 0.01);
  const outside = rise(tolerance + 0.01) - rise(tolerance);
  assert.ok(Math.abs(inside / outside - 1) < 0.01);
});

test("fans that are stopped or at their top have lanes of their own", () => {
  for (const [x, mode, want] of [
    [0, "idle", "stopped"], [9, "controlling", "stopped"], [10, "controlling", "running"], [30, "disabled", "stopped"],
    [40, "idle", "stopped"], [198, "controlling", "running"], [199, "controlling", "top"], [180, "at_max", "top"], [200, "forced", "top"],
  ]) assert.equal(lane({ x }, mode), want, `${x} ${mode}`);
});

test("every mark lies inside the frame and in its lane, on a phone and on a wall", () => {
  for (const [width, height, rem] of [[330, 350, 16], [900, 560, 16], [2000, 1500, 18]]) {
    const f = frame(width, height, rem);
    assert.ok(f.left < f.from && f.from < f.to && f.to < f.right && f.right <= width && f.top < f.bottom && f.bottom < height);
    for (let index = 0; index < 300; index++) {
      const stopped = place(f, { index, x: 0, y: -100 }, "idle");
      assert.ok(stopped[0] > f.left && stopped[0] < f.from);
      const top = place(f, { index, x: 200, y: -30 }, "at_max");
      assert.ok(top[0] > f.to && top[0] < f.right);
      assert.equal(top[1], above(f, -30));
    }
    assert.deepEqual(place(f, { index: 0, x: 100, y: 0 }, "controlling"), [across(f, 100), (f.top + f.bottom) / 2]);
  }
});

test("fans that would lie on one line of a lane keep apart", () => {
  const f = frame(900, 560, 16);
  const xs = Array.from({ length: 8 }, (_, index) => place(f, { index, x: 200, y: -30 }, "at_max")[0]).sort((a, b) => a - b);
  for (let i = 1; i < xs.length; i++) assert.ok(xs[i] - xs[i - 1] > (f.right - f.to) / 24);
});

test("what has no fresh value has no place", () => {
  for (const [x, y, want] of [[0, 0, true], [null, 0, false], [10, null, false]]) assert.equal(fresh({ x, y }), want);
});

test("errors and speeds in words", () => {
  for (const [error, want] of [
    [null, "reading or setpoint unknown"], [0, "at setpoint"], [-15, "at setpoint, 15 % short"], [3, "at setpoint, 3 % over"], [16, "16 % more than setpoint"],
    [400, "five times its setpoint or more"], [-40, "40 % short of setpoint"], [-100, "holds next to nothing"],
    [-200, "wrong sign, at 100 % of its setpoint"], [-400, "wrong sign, three times its setpoint or more"],
  ]) assert.equal(errorWords(error), want);
  assert.equal(speedWords(167), "84 % speed");
  assert.equal(speedWords(null), "speed unknown");
});

test("the nearest mark is found as a search through all finds it", () => {
  let seed = 3;
  const random = () => (seed = (seed * 1664525 + 1013904223) % 2 ** 32) / 2 ** 32;
  const xs = Float32Array.from({ length: 2000 }, () => random() * 900);
  const ys = Float32Array.from({ length: 2000 }, () => random() * 560);
  const all = Array.from(xs.keys());
  const g = grid(xs, ys, all, 32);
  for (let n = 0; n < 300; n++) {
    const [x, y] = [random() * 950 - 25, random() * 600 - 20];
    const near = all.filter((i) => Math.hypot(xs[i] - x, ys[i] - y) <= 14);
    const best = Math.min(...near.map((i) => Math.hypot(xs[i] - x, ys[i] - y)));
    const { found, others } = nearest(g, x, y, 14, () => 0);
    assert.equal(others, Math.max(0, near.length - 1));
    if (near.length === 0) assert.equal(found, -1);
    else assert.equal(Math.hypot(xs[found] - x, ys[found] - y), best);
  }
});

test("of two marks as near, the larger is meant, and only what is shown is found", () => {
  const g = grid([10, 20, 15], [10, 10, 10], [0, 1], 32);
  assert.equal(nearest(g, 15, 10, 14, (i) => (i === 1 ? 8 : 3)).found, 1);
  assert.equal(nearest(g, 15, 10, 14, (i) => (i === 0 ? 8 : 3)).found, 0);
});
