import test from "node:test";
import assert from "node:assert/strict";
import { readout } from "../../assets/trend_words.js";
import { holeText, plan } from "../../assets/trend_draw.js";
import { setSite } from "../../assets/format.js";

setSite({ zone: "America/Chicago", units: { pressure: { unit: "inH2O", factor: 249.08891, offset: 0, decimals: 3 }, ratio: { unit: "%", factor: 0.01, offset: 0, decimals: 0 } } });

const start = Date.parse("2026-01-05T12:30:00Z");
const step = (more) => ({ from: start, to: start + 90e3, readings: 18, value: { min: -49.8, max: 10, mean: -29.9 }, speed: { min: 0.2, max: 1, mean: 0.5 },
  setpoint: -29.890669, contact: 0.25, modes: { controlling: 0.9, at_max: 0.1 }, outcomes: { ok: 1 }, ...more });
const state = (list, cursor, more) => ({ list, cursor, end: start + 90e3, period: 5000, step: 90e3, fan: { controls: "pressure" }, lanes: [], acts: [], ...more });
const told = (from) => Object.fromEntries(readout(from).map(([name, text]) => [name, text]));

test("the readout says what lies under the cursor, in the site's units and zone", () => {
  const { At, ...rest } = told(state([step()], start + 30e3));
  assert.match(At, /^Mon,? 5 Jan 06:30:30, step of 90 s$/);
  assert.deepEqual(rest, { Reading: "-0.120 inH2O (-0.200 to 0.040)", Setpoint: "-0.120 inH2O", Speed: "50 % (20 to 100)",
    Contact: "closed 25 % of it", Reads: "18", Mode: "controlling 90 %, at max 10 %", Stood: "nothing" });
});

test("without a cursor it says the latest", () => assert.ok("Latest" in told(state([step()], null))));

test("a gap is said for what it is", () => {
  for (const [name, list, want] of [
    ["nothing recorded", [], "nothing recorded"],
    ["failed", [step({ value: null, outcomes: { timeout: 1 } })], "no answer: timeout"],
    ["unusable", [step({ value: null, outcomes: { ok: 1 } })], "read, but no usable value"],
  ]) assert.equal(told(state(list, start + 30e3)).Reading, want, name);
  assert.equal(told(state([], start)).Reads, "none");
  assert.equal(holeText({ kind: "failed", outcome: "unit_silent" }), "no answer: unit silent");
});

test("one failed read of many is counted", () => assert.equal(told(state([step({ outcomes: { ok: 0.9999, reset: 0.0001 } })], start)).Reads, "18, reset 1"));

test("it says what stood then, and who did something near", () => {
  const lanes = [{ condition: "hunting", severity: "ticket", spans: [{ begin: start - 10, end: start + 60e3 }] }, { condition: "pinned_at_max", severity: "page", spans: [{ begin: start + 70e3, end: start + 80e3, goesOn: true }] }];
  const acts = [{ time: new Date(start + 20e3).toISOString(), what: "acknowledged", who: "jo", why: "belt", condition: "hunting" }];
  assert.equal(told(state([step()], start + 30e3, { lanes, acts })).Stood, "hunting (ticket); jo acknowledged hunting: belt");
  assert.equal(told(state([step()], null, { lanes, acts })).Stood, "pinned at max (page)");
});

test("a picture keeps to its width, and its parts lie under each other", () => {
  for (const width of [280, 332, 520, 719, 720, 960, 1400, 3700]) {
    for (const lanes of [[], [{}, {}, {}]]) {
      const at = plan({ width, from: 0, to: 1, lanes, acts: [{}] });
      assert.ok(at.left >= 0 && at.right <= width && at.right - at.left > width / 2, `${width}`);
      assert.deepEqual([at.x(0), at.x(1)], [at.left, at.right]);
      const down = [at.value.top, at.value.bottom, at.speed.top, at.speed.bottom, at.lanes, at.axis, at.height];
      assert.deepEqual(down, [...down].sort((a, b) => a - b));
    }
  }
});
