// What the fleet page makes of the marks, the alarms, the summary and the journal.

import test from "node:test";
import assert from "node:assert/strict";
import * as model from "../../assets/fleet_model.js";
import { stories } from "../../assets/fleet_changes.js";

const site = {
  buildings: [{ id: "alder", name: "Alder Hall" }, { id: "birch", name: "Birch Court" }],
  conditions: [{ name: "pinned_at_max" }, { name: "hunting" }],
};

const first = () => ({
  full: true,
  fans: [["a1", "One", 0, "bath"], ["a2", "Two", 0, "kitchen"], ["b1", "Three", 1, "bath"], ["b2", "", 1, "garage"]],
  marks: [[0, 100, 2, 0, 6, []], [1, 200, -40, 4, 7, [0]], [2, 80, 20, 3, 6, [1]], [3, null, null, 2, 0, []]],
});

test("marks become fans, and later ones change them", () => {
  const fans = model.fansOf(first());
  assert.deepEqual(fans[1], { index: 1, id: "a2", name: "Two", building: 0, duty: "kitchen", x: 200, y: -40, rank: 4, mode: 7, conditions: [0] });
  for (const [what, mark, changed] of [
    ["only moved", [0, 104, 5, 0, 6, []], false],
    ["a condition", [0, 104, 5, 4, 6, [1]], true],
    ["no longer fresh", [2, null, 20, 3, 6, [1]], true],
    ["a fan that is not known", [9, 1, 1, 0, 6, []], false],
  ]) assert.equal(model.apply(fans, [mark]).changed, changed, what);
  assert.equal(fans[0].x, 104);
});

test("filters pass what they say, and come back from an address", () => {
  const fans = model.fansOf(first());
  for (const [address, want] of [
    ["/", ["a1", "a2", "b1", "b2"]],
    ["/?building=birch", ["b1", "b2"]],
    ["/?duty=bath", ["a1", "b1"]],
    ["/?condition=hunting", ["b1"]],
    ["/?needs=somebody", ["a2", "b1"]],
    ["/?building=alder&duty=bath&condition=hunting", []],
    ["/?building=nowhere", []],
    ["/?condition=no_such", []],
  ]) {
    const filter = model.filterOf(new URL(address, "http://site").searchParams);
    assert.deepEqual(fans.filter(model.passing(filter, site)).map((fan) => fan.id), want, address);
    assert.equal(model.addressOf(filter), address);
    assert.equal(model.filtering(filter), address !== "/");
  }
});

test("fans are walked from the worst on, those alike in the file's order", () => {
  assert.deepEqual(model.worstFirst(model.fansOf(first())).map((fan) => fan.id), ["a2", "b1", "b2", "a1"]);
  assert.deepEqual(model.countRanks(model.fansOf(first())), [1, 0, 1, 1, 1, 0]);
  assert.deepEqual([...model.countConditions(model.fansOf(first()))], [[0, 1], [1, 1]]);
});

const alarm = (id, more) => ({ id, building: "alder", gateway: "g", condition: "hunting", severity: "ticket", state: "unacknowledged", raised: "2026-01-05T06:00:00Z", ...more });

test("alarms are learned and forgotten as they come", () => {
  const alarms = new Map();
  model.learn(alarms, { full: true, alarms: [alarm("1"), alarm("2")] });
  model.learn(alarms, { alarms: [alarm("1", { state: "normal" }), alarm("2", { state: "normal", shelf: { who: "jo" } }), alarm("3")] });
  assert.deepEqual([...alarms.keys()], ["2", "3"]);
  model.learn(alarms, { full: true, alarms: [] });
  assert.equal(alarms.size, 0);
});

test("who needs somebody: the worst first, then what nobody took on, then the newest; gateways among them", () => {
  const fans = model.fansOf(first());
  const everything = model.filterOf(new URLSearchParams());
  const alarms = new Map([
    alarm("1", { fan: "a2", condition: "pinned_at_max", acknowledgement: { who: "jo" }, state: "acknowledged", raised: "2026-01-05T09:00:00Z" }),
    alarm("2", { fan: "b1", building: "birch", severity: "note" }),
    alarm("3", { condition: "gateway_down" }),
    alarm("4", { condition: "data_not_moving", severity: "note" }),
    alarm("5", { gateway: "h", building: "birch", state: "returned" }),
    alarm("6", { gateway: "k", suppressed_by: "gateway_down" }),
  ].map((a) => [a.id, a]));
  const rows = model.needy(fans, alarms, everything, site);
  assert.deepEqual(rows.map((row) => row.key), ["gateway g", "fan a2", "fan b1"]);
  assert.deepEqual(rows[0].alarms.map((a) => a.id), ["3", "4"]);
  assert.deepEqual(rows.map((row) => row.quiet), [false, true, false]);
  const birch = model.filterOf(new URLSearchParams("building=birch"));
  assert.deepEqual(model.needy(fans, alarms, birch, site).map((row) => row.key), ["fan b1"]);
});

test("buildings: pages before a lost gateway before tickets, those alike in the file's order", () => {
  const none = { page: 0, ticket: 0, note: 0, unanswered: 0, unjudged: 0, gateways_down: 0, fans: 2, well: 2 };
  const listed = [{ id: "fine", ...none }, { id: "fine too", ...none }, { id: "ticket", ...none, ticket: 3 }, { id: "down", ...none, gateways_down: 1 }, { id: "page", ...none, page: 1 }];
  assert.deepEqual(model.worstBuildings(listed).map((b) => b.id), ["page", "down", "ticket", "fine", "fine too"]);
  assert.deepEqual(listed.map(model.allWell), [true, true, true, false, true]);
});

const entry = (time, what, fan, more) => ({ time: `2026-01-05T${time}:00Z`, what, fan, building: "alder", condition: "hunting", severity: "ticket", alarm: `hunting-${fan}`, ...more });

test("one alarm's day is one story, told by its last word", () => {
  const told = stories([entry("09:00", "raised again", "a1"), entry("08:00", "cleared", "a1"), entry("07:00", "raised", "a1")]);
  assert.deepEqual(told.map((s) => [s.what, s.raised, s.fans]), [["raised again", 2, ["a1"]]]);
});

test("the same at one building within a quarter of an hour is one story of several fans", () => {
  const told = stories([
    entry("09:10", "raised", "a1"), entry("09:05", "raised", "b1", { building: "birch" }), entry("09:00", "raised", "a2"),
    entry("08:50", "raised", "a3"), entry("08:59", "acknowledged", "a4", { who: "jo" }),
  ]);
  assert.deepEqual(told.map((s) => [s.what, s.fans]), [
    ["raised", ["a1", "a2"]], ["raised", ["b1"]], ["raised", ["a3"]], ["acknowledged", ["a4"]]]);
});

test("what was done to a fan and to a gateway stands by itself", () => {
  const out = { time: "2026-01-05T09:00:00Z", what: "taken out of service", who: "jo", why: "belt", fan: "a1" };
  const gateway = { time: "2026-01-05T08:00:00Z", what: "raised", condition: "gateway_down", severity: "page", gateway: "g", building: "alder", alarm: "gateway_down-g" };
  assert.deepEqual(stories([out, gateway]).map((s) => [s.what, s.fans]), [["taken out of service", ["a1"]], ["raised", []]]);
});
