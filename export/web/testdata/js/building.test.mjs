// What a building's page makes of its fans and gateways.

import test from "node:test";
import assert from "node:assert/strict";
import { setNow, setSite } from "../../assets/format.js";
import { distance, doing, ordered, place, valueOf } from "../../assets/building_fans.js";
import { brief, gatewayRank, hourOf, lately, load, missed } from "../../assets/building_gateways.js";
import { tally } from "../../assets/building.js";

setSite({ zone: "UTC", units: { ratio: { unit: "%", factor: 0.01, offset: 0, decimals: 0 } } });
setNow("2026-01-05T06:00:00Z");

const fan = (id, rank, value, speed, good, more) => ({
  id, name: id, rank, controls: "pressure", setpoint: -30, last_good: good,
  values: { ...(value === null ? {} : { pressure_pa: value }), ...(speed === null ? {} : { speed }) }, ...more,
});
const fans = [
  fan("ef10", 0, -30, 0.5, "2026-01-05T05:59:58Z"), fan("ef2", 5, -10, 1, "2026-01-05T05:59:59Z"),
  fan("ef1", 2, null, null, null), fan("ef3", 0, 12, 0.2, "2026-01-05T05:00:00Z"),
];
const ids = (by, turned) => ordered(fans, by, turned).map((one) => one.id).join(" ");

test("fans are ordered by their columns, and what is not known comes last", () => {
  for (const [by, turned, order] of [
    ["state", false, "ef2 ef1 ef3 ef10"], // alike: by name, with numbers as numbers
    ["state", true, "ef3 ef10 ef1 ef2"],
    ["fan", false, "ef1 ef2 ef3 ef10"], ["fan", true, "ef10 ef3 ef2 ef1"],
    ["value", false, "ef3 ef2 ef10 ef1"], ["value", true, "ef10 ef2 ef3 ef1"],
    ["speed", false, "ef2 ef10 ef3 ef1"], ["speed", true, "ef3 ef10 ef2 ef1"],
    ["age", false, "ef1 ef3 ef10 ef2"],
  ]) assert.equal(ids(by, turned), order, `${by} ${turned}`);
});

test("the distance from setpoint is a share of it", () => {
  for (const [of, want] of [[fans[0], 0], [fans[1], 2 / 3], [fans[3], 1.4], [fans[2], null], [fan("x", 0, 1, 1, null, { setpoint: null }), null]]) {
    const got = distance(of);
    assert.ok(got === want || Math.abs(got - want) < 1e-9, `${of.id}: ${got}`);
  }
  assert.equal(valueOf({ controls: "airflow", values: { airflow_m3s: 0.4, pressure_pa: 1 } }), 0.4);
});

test("what a fan does is said, or why it is not known", () => {
  for (const [of, words] of [
    [{ up: null }, "not polled yet"], [{ up: false, outcome: "unit_silent" }, "no answer: unit silent"],
    [{ up: true, outcome: "invalid", mode: "unknown" }, "values marked invalid"],
    [{ up: true, outcome: "exception", mode: "unknown" }, "refuses to answer"], [{ up: true, outcome: "ok", mode: "at_max" }, "at max"],
  ]) assert.equal(doing(of), words);
  assert.equal(place({ id: "ef1", name: "ef1", location: "roof", group: "north", role: "lead" }), "roof · lead of north");
});

test("fans are counted by how they are", () => {
  assert.deepEqual(tally(fans), { well: 2, ill: [["page", 1], ["unanswered", 1]] });
});

test("a gateway's rank is that of its worst condition, or whether it answers", () => {
  for (const [gateway, rank] of [
    [{ conditions: [], up: true }, "well"], [{ conditions: [], up: false }, "unanswered"], [{ conditions: [], up: null }, "unjudged"],
    [{ conditions: [{ severity: "note" }, { severity: "ticket" }], up: true }, "ticket"],
  ]) assert.equal(gatewayRank(gateway), rank);
});

test("a cycle that takes much of its period is warned of in words", () => {
  for (const [share, up, words, warning] of [
    [null, null, /No cycle/, /^$/], [0.06, true, /0\.3 s of its 5 s period \(6 %\)/, /^$/], [0.8, true, /80 %/, /^$/],
    [0.92, true, /92 %/, /Little/], [1.4, true, /140 %/, /does not fit/], [0.92, false, /92 %/, /do not come/], [0.0001, true, /less than 0\.01 s.*under 1 %/, /^$/],
  ]) {
    const got = load({ bus_share: share, poll_every_s: 5, up });
    assert.match(got.words, words);
    assert.match(got.warning, warning, String(share));
  }
  for (const [seconds, text] of [[0.314, "0.31 s"], [5, "5 s"], [30, "30 s"], [300, "5 min"]]) assert.equal(brief(seconds), text);
});

test("the readings of the last hour are told, and nearly all is not all", () => {
  const since = "2026-01-05T05:00:00Z";
  for (const [polls, good, bad] of [
    [{}, "no reading yet", []], [{ ok: 7200 }, "all 7,200 good", []],
    [{ ok: 7199, timeout: 1 }, "7,199 of 7,200 good (99.9 %)", ["1 no answer in time"]],
    [{ ok: 50, garbled: 10, refused: 40 }, "50 of 100 good (50 %)", ["40 connection refused", "10 garbled"]],
    [{ unheard_of: 2 }, "0 of 2 good (0 %)", ["2 unheard of"]],
  ]) assert.deepEqual(lately({ polls, since }), { good, bad });
  for (const [all, late, text] of [[0, 0, "none"], [7, 7, "7 since the start"], [4000, 2, "2 in the last hour, 4,000 since the start"]]) {
    assert.equal(missed({ missed: all, lately: { missed: late, since } }), text);
  }
  assert.equal(hourOf(since), "Last hour");
  assert.equal(hourOf("2026-01-05T05:48:00Z"), "Last 12 min");
  assert.equal(hourOf(null), "Readings");
});
