// What the list of alarms and the journal make of what the daemon says.

import test from "node:test";
import assert from "node:assert/strict";
import { setNow, setSite } from "../../assets/format.js";
import * as model from "../../assets/alarms_model.js";
import * as words from "../../assets/alarms_words.js";
import { rateWords } from "../../assets/alarms_figures.js";
import { entryKey, instantsOf, matches, sentence } from "../../assets/journal_words.js";

setSite({ zone: "America/Chicago", units: {} });
setNow("2026-01-05T12:31:00Z"); // 06:31 on site
const now = Date.parse("2026-01-05T12:31:00Z");

const alarm = (id, more) => ({
  id, building: "alder", gateway: "alder-roof", fan: id, name: `Fan ${id}`, condition: "hunting", severity: "ticket", state: "unacknowledged",
  since: "2026-01-05T10:00:00Z", raised: "2026-01-05T10:00:00Z", cleared: null, times: 1, chattering: false, summary: "swings by itself",
  acknowledgement: null, shelf: null, out_of_service: false, quiet: false, ...more,
});
const act = { time: "2026-01-05T12:02:00Z", who: "jo", why: "on my way" };
const shelf = { ...act, why: "belt on order", until: "2026-01-05T20:31:00Z" };

test("each state of the list has its alarms", () => {
  const all = {
    fresh: alarm("fresh"), known: alarm("known", { state: "acknowledged" }), back: alarm("back", { state: "returned", cleared: "2026-01-05T11:00:00Z" }),
    put: alarm("put", { shelf, quiet: true }), out: alarm("out", { out_of_service: true, quiet: true, state: "normal", cleared: "2026-01-05T11:00:00Z" }),
    over: alarm("over", { state: "normal", cleared: "2026-01-01T11:00:00Z" }), old: alarm("old", { state: "normal", cleared: "2025-12-20T11:00:00Z" }),
    explained: alarm("explained", { suppressed_by: "gateway_down", quiet: true }),
  };
  for (const [state, want] of [
    ["open", "fresh back"], ["standing", "fresh known put explained"], ["shelved", "put"], ["out", "out"], ["all", "fresh known back put out over explained"],
  ]) assert.equal(Object.keys(all).filter((key) => model.inState(all[key], state, now)).join(" "), want, state);
});

test("a filter goes into the address and comes back", () => {
  for (const [query, written] of [
    ["", ""], ["state=shelved&building=alder", "?state=shelved&building=alder"], ["state=open&q=bath+riser", "?q=bath+riser"], ["state=nonsense", ""],
    ["severity=page&condition=hunting", "?severity=page&condition=hunting"],
  ]) assert.equal(model.queryOf(model.filterOf(new URLSearchParams(query))), written, query);
});

test("every word that is searched for must be somewhere", () => {
  const one = alarm("ef1", { acknowledgement: act, name: "Bath riser D" });
  for (const [filter, fits] of [
    [{}, true], [{ q: "bath HUNT" }, true], [{ q: "bath pinned" }, false], [{ q: "alder hall" }, true], [{ q: "jo" }, true], [{ q: " swings " }, true],
    [{ building: "alder" }, true], [{ building: "birch" }, false], [{ severity: "page" }, false], [{ condition: "hunting", severity: "ticket" }, true],
  ]) assert.equal(model.fits(one, { state: "open", building: "", severity: "", condition: "", q: "", ...filter }, now, "Alder Hall"), fits, JSON.stringify(filter));
});

test("the worst comes first, then what stands, then the newest", () => {
  const list = [
    alarm("note", { severity: "note" }), alarm("old"), alarm("new", { raised: "2026-01-05T11:00:00Z" }), alarm("page", { severity: "page", raised: "2026-01-01T00:00:00Z" }),
    alarm("back", { state: "returned", raised: "2026-01-05T12:00:00Z" }), alarm("also-old"),
  ];
  assert.equal(list.sort(model.worseFirst).map((one) => one.id).join(" "), "page new also-old old back note");
});

test("what went wrong together is one group, also who was raised before it was seen", () => {
  const incident = { id: "hunting-alder-1", condition: "hunting", fans: ["a", "b"], gateways: [], cause: "wind" };
  const by = model.memberships([incident]);
  const list = [alarm("a", { severity: "page" }), alarm("x"), alarm("b", { incident: incident.id }), alarm("c", { incident: "over-1", condition: "stuck_idle" }), alarm("a2", { fan: "a", condition: "no_effect" })];
  const groups = model.grouped(list, by);
  assert.deepEqual(groups.map((group) => group.alarms.map((one) => one.id).join("+")), ["a+b", "x", "c", "a2"]);
  assert.equal(groups[0].incident.cause, "wind");
  assert.equal(groups[2].incident, null, "an incident that is over is none any more");
  assert.deepEqual(model.sections(groups).map((part) => [part.severity, part.n]), [["page", 2], ["ticket", 3]]);
  const boxes = model.memberships([{ id: "g", condition: "gateway_down", fans: [], gateways: ["alder-roof"] }]);
  assert.equal(model.incidentOf(alarm("g", { fan: undefined, condition: "gateway_down" }), boxes).id, "g");
  assert.equal(model.incidentOf(alarm("a", { state: "returned" }), by), null, "one that is over is no part of what stands");
});

test("the list holds still: nothing moves, what is new waits, what was done may go", () => {
  const a = alarm("a"), b = alarm("b"), c = alarm("c"), d = alarm("d", { severity: "page" });
  const known = new Map([a, b, c, d].map((one) => [one.id, one]));
  const { list, waiting } = model.holdStill(["c", "a", "b", "gone"], [d, a], known, new Set(["b"]));
  assert.deepEqual(list.map((one) => one.id), ["c", "a"]); // c is no longer asked for, but stays
  assert.deepEqual(waiting.map((one) => one.id), ["d"]);
});

test("how an alarm stands is said in words", () => {
  for (const [more, life, aside] of [
    [{}, "stands, not acknowledged", ""],
    [{ state: "acknowledged", acknowledgement: act }, "stands, acknowledged 06:02 by jo: on my way", ""],
    [{ state: "acknowledged", acknowledgement: { ...act, why: undefined } }, "stands, acknowledged 06:02 by jo", ""],
    [{ state: "returned", cleared: "2026-01-05T12:10:00Z" }, "came back to normal 06:10, not acknowledged", ""],
    [{ state: "normal", cleared: "2026-01-04T12:10:00Z", reason: "recovered" }, "over since Sun 4 Jan 06:10", ""],
    [{ state: "normal", cleared: "2026-01-05T12:10:00Z", reason: "disarmed" }, "over since 06:10: it is no longer judged", ""],
    [{ state: "normal", suppressed_by: "gateway_down" }, "explained by gateway down", ""],
    [{ suppressed_by: "gateway_down" }, "stands, not acknowledged", "explained by gateway down"],
    [{ shelf }, "stands, not acknowledged", "shelved until 14:31 by jo: belt on order"],
    [{ out_of_service: true }, "stands, not acknowledged", "its fan is out of service"],
  ]) {
    assert.equal(words.life(alarm("x", more)), life);
    assert.equal(words.aside(alarm("x", more)), aside);
  }
  for (const [more, often] of [[{}, ""], [{ times: 3 }, "raised 3 times"], [{ times: 9, chattering: true }, "comes and goes: raised 9 times"]]) assert.equal(words.often(alarm("x", more)), often);
  assert.equal(words.lasted(alarm("x")), "04:00, for 2 h 31 min");
  assert.equal(words.lasted(alarm("x", { cleared: "2026-01-05T10:20:00Z" })), "04:00, stood 20 min");
});

test("what came is counted by severity", () => {
  assert.equal(words.arrived([alarm("a"), alarm("b", { severity: "page" }), alarm("c")]), "1 page, 2 tickets");
  assert.equal(words.called(alarm("a")), "hunting of Fan a");
  assert.equal(words.called(alarm("a", { name: undefined, fan: undefined })), "hunting of alder-roof");
  assert.match(words.nothing({ state: "open", q: "x" }), /Widen/);
  for (const [state] of model.states) assert.ok(words.nothing({ state }).endsWith("."));
});

test("a rate is judged against the targets", () => {
  const targets = { acceptable_an_hour: 6, most_an_hour: 12 };
  for (const [rate, judged] of [[0, /within/], [6, /within/], [6.1, /comfortable/], [13, /more than one person/]]) assert.match(rateWords(rate, targets), judged);
});

test("the days of the journal are days on site", () => {
  for (const [days, want] of [
    [{ from: "", to: "" }, { from: "", to: "" }],
    [{ from: "2026-01-04", to: "2026-01-04" }, { from: "2026-01-04T06:00:00.000Z", to: "2026-01-05T06:00:00.000Z" }],
    [{ from: "", to: "2026-03-08" }, { from: "", to: "2026-03-09T05:00:00.000Z" }], // the clocks change on that day
    [{ from: "yesterday", to: "" }, { from: "", to: "" }],
    [{ from: "", to: "2025-12-31" }, { from: "", to: "2026-01-01T06:00:00.000Z" }],
  ]) assert.deepEqual(instantsOf(days, "America/Chicago"), want, JSON.stringify(days));
});

test("an entry says who did what, or what became of what", () => {
  for (const [entry, want] of [
    [{ what: "acknowledged", who: "jo", why: "on my way", condition: "stuck_idle" }, { who: "jo", did: "acknowledged", what: "stuck idle", why: "on my way" }],
    [{ what: "raised", condition: "hunting" }, { who: "", did: "raised", what: "hunting", why: "" }],
    [{ what: "cleared", condition: "hunting", why: "recovered" }, { who: "", did: "is over", what: "hunting", why: "" }],
    [{ what: "cleared", condition: "hunting", why: "disarmed" }, { who: "", did: "is over", what: "hunting", why: "it is no longer judged" }],
    [{ what: "suppressed", condition: "off_setpoint", why: "gateway_down" }, { who: "", did: "is explained by gateway down", what: "off setpoint", why: "" }],
    [{ what: "taken out of service", who: "jo", why: "belt", fan: "ef1" }, { who: "jo", did: "took out of service", what: "", why: "belt" }],
    [{ what: "put into service", who: "jo", fan: "ef1", condition: "hunting" }, { who: "jo", did: "put the fan back in service, with", what: "hunting", why: "" }],
    [{ what: "something new", condition: "hunting" }, { who: "", did: "something new", what: "hunting", why: "" }],
  ]) assert.deepEqual(sentence(entry), want);
});

test("entries are found by their words, and by who did them", () => {
  const entry = { time: "2026-01-05T12:00:00Z", what: "acknowledged", who: "jo", why: "on my way", fan: "ef1", building: "alder", condition: "stuck_idle" };
  for (const [filter, fits] of [[{ q: "", people: false }, true], [{ q: "", people: true }, true], [{ q: "stuck jo" }, true], [{ q: "alder hall" }, true], [{ q: "birch" }, false]]) {
    assert.equal(matches(entry, filter, "Alder Hall"), fits, JSON.stringify(filter));
  }
  assert.equal(matches({ ...entry, who: undefined }, { q: "", people: true }), false);
  assert.notEqual(entryKey(entry), entryKey({ ...entry, who: "kim" }));
});
