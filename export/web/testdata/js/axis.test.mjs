import test from "node:test";
import assert from "node:assert/strict";
import { apart, midnights, nice, scale, timeTicks } from "../../assets/axis.js";

const chicago = "America/Chicago";
const ms = (text) => Date.parse(text);

test("a scale maps both ways and survives a range of nothing", () => {
  const y = scale(-1, 1, 100, 0);
  assert.deepEqual([y(-1), y(0), y(1)], [100, 50, 0]);
  assert.equal(scale(3, 3, 0, 10)(3), 0);
});

test("ticks of values are round, reach over the range and are not too many", () => {
  for (const [low, high, most, want] of [
    [0, 1, 5, [0, 0.2, 0.4, 0.6, 0.8, 1]],
    [-0.23, 0.02, 5, [-0.25, -0.2, -0.15, -0.1, -0.05, 0, 0.05]],
    [0, 100, 4, [0, 50, 100]],
    [-0.3, 0, 3, [-0.3, -0.2, -0.1, 0]],
    [0, 2150, 5, [0, 500, 1000, 1500, 2000, 2500]],
    [5, 5, 4, [4.4, 4.6, 4.8, 5, 5.2, 5.4, 5.6].filter((v) => v >= 4.5 && v <= 5.5)],
  ]) {
    const got = nice(low, high, most);
    if (low !== high) assert.deepEqual(got.ticks, want, `${low}..${high}`);
    assert.ok(got.low <= low && got.high >= high);
    assert.ok(got.ticks.length <= most + 3);
    for (const tick of got.ticks) assert.equal(Number(tick.toFixed(got.decimals)), tick);
  }
});

test("ticks of time are round on the clocks on site", () => {
  for (const [name, from, to, most, zone, want] of [
    ["an hour", "2026-01-05T12:20:00Z", "2026-01-05T13:20:00Z", 5, chicago, ["12:30", "12:45", "13:00", "13:15"]],
    ["a day", "2026-01-05T12:20:00Z", "2026-01-06T12:20:00Z", 5, chicago, ["18:00", "00:00", "06:00", "12:00"]],
    ["half a zone", "2026-01-05T00:00:00Z", "2026-01-05T06:00:00Z", 6, "Asia/Kolkata", ["00:30", "01:30", "02:30", "03:30", "04:30", "05:30"]],
    ["clocks go forward", "2026-03-08T03:00:00Z", "2026-03-09T03:00:00Z", 5, chicago, ["06:00", "11:00", "17:00", "23:00"]],
    ["clocks go back", "2026-11-01T03:00:00Z", "2026-11-02T03:00:00Z", 5, chicago, ["05:00", "12:00", "18:00", "00:00"]],
    ["hours while they go back", "2026-11-01T05:30:00Z", "2026-11-01T09:30:00Z", 5, chicago, ["06:00", "07:00", "08:00", "09:00"]],
  ]) {
    const { ticks } = timeTicks(ms(from), ms(to), most, zone);
    assert.deepEqual(ticks.map((t) => new Date(t.at).toISOString().slice(11, 16)), want, name);
  }
});

test("days begin at midnight on site, also when clocks change", () => {
  const { ticks } = timeTicks(ms("2026-10-30T00:00:00Z"), ms("2026-11-04T00:00:00Z"), 6, chicago);
  assert.deepEqual(ticks.map((t) => new Date(t.at).toISOString()), [
    "2026-10-30T05:00:00.000Z", "2026-10-31T05:00:00.000Z", "2026-11-01T05:00:00.000Z", "2026-11-02T06:00:00.000Z", "2026-11-03T06:00:00.000Z",
  ]);
  assert.ok(ticks.every((t) => t.day));
  assert.equal(midnights(ms("2026-11-01T00:00:00Z"), ms("2026-11-03T00:00:00Z"), chicago).length, 2);
});

test("never too many ticks and always at least one in a range of a year", () => {
  for (const zone of [chicago, "Australia/Lord_Howe", "UTC"]) {
    for (const length of [5e3, 60e3, 3600e3, 6 * 3600e3, 86400e3, 7 * 86400e3, 30 * 86400e3, 366 * 86400e3]) {
      for (let from = ms("2026-01-01T00:00:00Z"); from < ms("2026-12-31T00:00:00Z"); from += 11 * 86400e3 + 1234567) {
        const { ticks } = timeTicks(from, from + length, 8, zone);
        assert.ok(ticks.length <= 10, `${ticks.length} in ${length}`);
        assert.ok(ticks.length >= 1, `none in ${length}`);
        for (let i = 1; i < ticks.length; i++) assert.ok(ticks[i].at > ticks[i - 1].at);
      }
    }
  }
});

test("labels are moved apart, in their order and inside", () => {
  assert.deepEqual(apart([10, 50], 12, 0, 100), [10, 50]);
  const got = apart([50, 52, 49], 12, 0, 100);
  assert.ok(got[2] < got[0] && got[0] < got[1]);
  assert.ok(got[0] - got[2] >= 11.9 && got[1] - got[0] >= 11.9);
  const low = apart([99, 100, 98], 12, 0, 100);
  assert.ok(Math.max(...low) <= 100);
  assert.deepEqual(apart([], 12, 0, 100), []);
});
