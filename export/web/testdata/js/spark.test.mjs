// A fan's last day in small: gaps stay gaps, and words say what is drawn.

import test from "node:test";
import assert from "node:assert/strict";
import { setSite } from "../../assets/format.js";
import { band, extent, gaps, inWords, lane, line, runs, scale, shares } from "../../assets/spark.js";

setSite({ zone: "UTC", units: {
  pressure: { unit: "inH2O", factor: 249.08891, offset: 0, decimals: 2 },
  ratio: { unit: "%", factor: 0.01, offset: 0, decimals: 0 },
  flow: { unit: "cfm", factor: 0.0004719474432, offset: 0, decimals: 0 },
} });

const x = (i) => 10 * i, y = (value) => value;

test("runs and gaps part a list", () => {
  for (const [values, good, bad] of [
    [[], [], []],
    [[null, null], [], [[0, 2]]],
    [[1, 2, 3], [[0, 3]], []],
    [[1, null, 2, 3, null], [[0, 1], [2, 4]], [[1, 2], [4, 5]]],
    [[null, 0, undefined, 0], [[1, 2], [3, 4]], [[0, 1], [2, 3]]],
  ]) {
    assert.deepEqual(runs(values), good, `runs of ${values}`);
    assert.deepEqual(gaps(values), bad, `gaps of ${values}`);
  }
});

test("a line ends at a gap and begins anew behind it", () => {
  for (const [values, path] of [
    [[], ""],
    [[null, null], ""],
    [[1, 2], "M5 1L15 2"],
    [[1, 2, null, 4, 5], "M5 1L15 2M35 4L45 5"],
    [[null, 7, null], "M10 7H20"], // one by itself is as wide as its step
  ]) assert.equal(line(values, x, y), path, String(values));
});

test("a band is a block a step, and one piece a run", () => {
  for (const [low, high, path] of [
    [[null], [null], ""],
    [[1], [4], "M0 1V4H10V1H0z"],
    [[1, 2], [4, 5], "M0 1V4H10V5H20V2H10V1H0z"],
    [[1, null, 3], [2, null, 6], "M0 1V2H10V1H0zM20 3V6H30V3H20z"],
  ]) assert.equal(band(low, high, x, y), path, String(low));
});

test("the extent of lists leaves out what is not known", () => {
  assert.equal(extent([null, undefined], []), null);
  assert.deepEqual(extent([null, 3, -2], [0, null]), [-2, 3]);
});

test("the lane of a calm fan is calm, and one spike flattens nothing", () => {
  assert.deepEqual(lane(null), [0.5, 1.5]);
  assert.deepEqual(lane([0.98, 1.03]), [0.5, 1.5]);
  assert.deepEqual(lane([0, 1.6]), [0, 1.6]);
  assert.deepEqual(lane([-50, 40]), [-1, 3]);
});

test("a scale goes up and holds what lies beyond at its edge", () => {
  const up = scale([0, 1], { from: 10, to: 30 });
  for (const [value, at] of [[0, 30], [1, 10], [0.5, 20], [-4, 30], [4, 10]]) assert.equal(up(value), at, String(value));
  assert.equal(scale([1, 1], { from: 0, to: 10 })(1), 10);
});

test("more than setpoint is up whatever its sign", () => {
  assert.deepEqual(shares([-60, -30, null], -30), [2, 1, null]);
  assert.deepEqual(shares([60, 30], 30), [2, 1]);
  assert.deepEqual(shares([-10, 20], null, 20), [-0.5, 1]);
  assert.deepEqual(shares([0], 0, 0), [0]);
});

test("words say what is drawn", () => {
  const fan = { controls: "pressure", setpoint: -30 };
  for (const [trend, of, words] of [
    [{ speed: [0.4, 0.62, 0.5], low: [-33, -32, -30], high: [-30, -28, -29] }, fan, "speed 40 to 62 %, pressure -0.13 to -0.11 inH2O"],
    [{ speed: [0.5, 0.5], low: [-30, -30], high: [-30, -30] }, fan, "speed 50 %, pressure -0.12 inH2O"],
    [{ speed: [0.5, null, null], low: [-30, null, null], high: [-30, null, null] }, fan, "speed 50 %, pressure -0.12 inH2O, nothing read for 30 min"],
    [{ speed: [0.5, 0.5], low: [null, null], high: [null, null] }, fan, "speed 50 %"],
    [{ speed: [null], low: [null], high: [null] }, fan, "nothing was read in the last 24 h"],
    [{ speed: [1], low: [0.2], high: [0.2] }, { controls: "airflow", setpoint: 0.4 }, "speed 100 %, airflow 424 cfm"],
  ]) assert.equal(inWords(trend, of, 900), words);
});
