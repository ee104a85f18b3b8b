import test from "node:test";
import assert from "node:assert/strict";
import * as data from "../../assets/trend_data.js";

const one = (v) => ({ min: v, max: v, mean: v });
// made makes steps of 10 s from letters: a value, "." nothing, "x" a time-out, "?" a read without a value.
const made = (text, length = 10e3) => [...text].flatMap((c, i) => {
  if (c === ".") return [];
  const value = /\d/.test(c) ? one(Number(c)) : null;
  return [{ from: i * length, to: (i + 1) * length, readings: 2, value, speed: value, setpoint: value ? 5 : null, contact: value ? 1 : null,
    modes: { [value ? "controlling" : "unknown"]: 1 }, outcomes: { [c === "x" ? "timeout" : c === "y" ? "reset" : "ok"]: 1 } }];
});

test("gaps are told for what they are", () => {
  for (const [name, text, want] of [
    ["none", "1234", []],
    ["nothing recorded", "12..34", ["nothing 20-40"]],
    ["at both ends", "..12....", ["nothing 0-20", "nothing 40-80"]],
    ["failed reads", "12xxx3", ["failed timeout 20-50"]],
    ["two ways to fail", "1xxyy2", ["failed timeout 10-30", "failed reset 30-50"]],
    ["reads without a value", "1??2", ["unusable ok 10-30"]],
    ["failed around nothing", "1x...x2", ["failed timeout 10-20", "nothing 20-50", "failed timeout 50-60"]],
    ["all of it", "....", ["nothing 0-40"]],
  ]) {
    const got = data.gaps(made(text), 0, text.length * 10e3, 5e3);
    assert.deepEqual(got.map((g) => `${g.kind} ${g.outcome ?? ""} ${g.from / 1e3}-${g.to / 1e3}`.replace("  ", " ")), want, name);
  }
});

test("steps finer than the polling leave no gaps, and lines go on", () => {
  const fine = made("1.2.3..4", 3e3); // a reading every 5 s or so
  assert.deepEqual(data.gaps(fine, 0, 24e3, 5e3), []);
  assert.deepEqual(data.runs(fine, (s) => s.value, 5e3), [[0, 3]]);
});

test("no line is drawn over a gap", () => {
  for (const [text, want] of [["123", [[0, 2]]], ["12..34", [[0, 1], [2, 3]]], ["1xx2", [[0, 0], [3, 3]]], ["x12", [[1, 2]]], ["", []], ["xx", []]]) {
    assert.deepEqual(data.runs(made(text), (s) => s.value, 5e3), want, text);
  }
});

test("the step under a time", () => {
  const list = made("12..5");
  assert.equal(data.stepAt(list, 5e3, 0).value.mean, 1);
  assert.equal(data.stepAt(list, 15e3, 0).value.mean, 2);
  assert.equal(data.stepAt(list, 30e3, 0), null);
  assert.equal(data.stepAt(list, 23e3, 5e3).value.mean, 2);
  assert.equal(data.stepAt(list, 39e3, 5e3).value.mean, 5);
  assert.equal(data.stepAt([], 0, 1e9), null);
});

test("a spike of one reading is never averaged away", () => {
  const list = made("111");
  list[1].value = { min: -40, max: 300, mean: 1.4 };
  const got = data.reach(list, (s) => s.value);
  assert.deepEqual([got.low, got.lowAt, got.high, got.highAt], [-40, 10e3, 300, 10e3]);
  assert.ok(Math.abs(got.mean - 3.4 / 3) < 1e-9);
  assert.equal(data.reach(made("xx"), (s) => s.value), null);
});

test("what steps come to", () => {
  const list = made("12x");
  list[0].contact = 0.25;
  list[1].outcomes = { ok: 0.9999, timeout: 0.0001 };
  assert.deepEqual(data.tally(list), { readings: 6, outcomes: { ok: 4, timeout: 2 }, modes: { controlling: 20, unknown: 10 }, closed: 12.5, open: 7.5 });
});

test("a single failed read of a month counts as one", () => {
  const list = made("1");
  list[0].outcomes = { ok: 0.9999, timeout: 0.0001 };
  assert.equal(data.tally(list).outcomes.timeout, 1);
});

test("modes stay as long as they are the most of each step", () => {
  const list = made("11x11");
  list[0].modes = { idle: 0.6, controlling: 0.4 };
  assert.deepEqual(data.stays(list, 5e3).map((s) => `${s.mode} ${s.from / 1e3}-${s.to / 1e3}`),
    ["idle 0-10", "controlling 10-20", "unknown 20-30", "controlling 30-50"]);
});

test("spans are laid out by condition, the gravest first", () => {
  const at = (s) => new Date(s * 1000).toISOString();
  const span = (condition, severity, from, to) => ({ condition, severity, from: at(from), to: to === null ? null : at(to) });
  const got = data.lanes([
    span("hunting", "note", -50, 10), span("pinned_at_max", "ticket", 20, 30), span("hunting", "note", 60, null),
    span("inverted_sign", "ticket", 5, 90), span("creeping_load", "page", 200, 300), span("stuck_idle", "page", 99, 400),
  ], 0, 100e3);
  assert.deepEqual(got.map((l) => `${l.condition} ${l.spans.length} ${l.stood} ${l.stands}`),
    ["stuck_idle 1 1 false", "inverted_sign 1 85 false", "pinned_at_max 1 10 false", "hunting 2 50 true"]);
  assert.ok(got[3].spans[0].cameBefore && got[3].spans[1].goesOn);
});

test("steps are as many as there is room for", () => {
  for (const [length, pixels, period, want] of [
    [3600e3, 960, 5e3, 6], [86400e3, 960, 5e3, 135], [30 * 86400e3, 3000, 5e3, 2595], [3600e3, 300, 5e3, 18], [10e3, 960, 5e3, 3], [3600e3, 960, 30e3, 30],
  ]) assert.equal(data.stepFor(length, pixels, period), want);
});

const fan = (more) => ({ controls: "pressure", polled: "2026-01-05T06:31:10Z", read: "2026-01-05T06:31:10Z", outcome: "ok", mode: "idle",
  values: { pressure_pa: -12, speed: 0, high_speed: false }, setpoint_pa: -30, tolerance_pa: 5, ...more });

test("a live reading is a step of its own", () => {
  const step = data.stepOf(fan(), 5e3);
  assert.deepEqual([step.to - step.from, step.value.mean, step.speed.max, step.setpoint, step.contact, step.modes.idle], [5e3, -12, 0, -30, 0, 1]);
  const failed = data.stepOf(fan({ outcome: "timeout", polled: "2026-01-05T06:31:15Z" }), 5e3);
  assert.deepEqual([failed.value, failed.setpoint, failed.contact, failed.outcomes], [null, null, null, { timeout: 1 }]);
  assert.equal(data.stepOf(fan({ polled: null }), 5e3), null);
});

test("what came live is put behind what was asked for", () => {
  const kept = made("12"), came = made("1234").map((s) => ({ ...s, live: true }));
  assert.deepEqual(data.append(kept, came).map((s) => Boolean(s.live)), [false, false, true, true]);
  assert.equal(data.append([], came).length, 4);
});

test("the setpoint of the fleet file stands where the controller tells none", () => {
  const list = made("1x2").map((step) => ({ ...step, setpoint: null }));
  list[2].setpoint = 7;
  assert.deepEqual(data.filled(list, fan({ setpoint_from: "fleet_file" })).map((s) => s.setpoint), [-30, null, 7]);
  assert.deepEqual(data.filled(list, fan({ setpoint_from: "controller" })).map((s) => s.setpoint), [null, null, 7]);
});

test("the tolerance of an earlier setpoint", () => {
  assert.deepEqual([-20, -100].map(data.toleranceAt(fan())), [5, 15]);
  assert.deepEqual([-20, -100].map(data.toleranceAt(fan({ tolerance_pa: 8 }))), [8, 15]);
  assert.equal(data.toleranceAt(fan({ controls: "airflow", setpoint_pa: undefined, tolerance_pa: undefined, setpoint_m3s: 1, tolerance_m3s: 0.15 }))(2), 0.3);
});

test("an answer of history is read", () => {
  const [step] = data.steps({ to: "2026-01-05T06:31:40Z", step_s: 60, steps: [{ start: "2026-01-05T06:31:00Z", readings: 3, value: null, speed: null, setpoint: null, high_speed: null, modes: {}, outcomes: {} }] });
  assert.equal(step.to - step.from, 40e3); // not beyond what was asked for
});
