import test from "node:test";
import assert from "node:assert/strict";
import { fromLocal, instant, local, wall } from "../../assets/zone.js";

const chicago = "America/Chicago";
const utc = (text) => Date.parse(text);

test("clocks on site show their own time", () => {
  for (const [at, zone, shown] of [
    ["2026-01-05T12:31:00Z", chicago, "2026-01-05T06:31"],
    ["2026-07-05T12:31:00Z", chicago, "2026-07-05T07:31"],
    ["2026-01-05T00:00:00Z", "Asia/Kolkata", "2026-01-05T05:30"],
    ["2026-01-05T23:59:00Z", "UTC", "2026-01-05T23:59"],
    ["2026-11-01T06:30:00Z", chicago, "2026-11-01T01:30"], // still summer time
    ["2026-11-01T07:30:00Z", chicago, "2026-11-01T01:30"], // the same hour again
  ]) assert.equal(local(utc(at), zone), shown, at);
});

test("what a clock shows leads back to its instant", () => {
  for (const [shown, zone, at] of [
    ["2026-01-05T06:31", chicago, "2026-01-05T12:31:00Z"],
    ["2026-03-08T01:59", chicago, "2026-03-08T07:59:00Z"],
    ["2026-03-08T03:00", chicago, "2026-03-08T08:00:00Z"],
    ["2026-03-08T02:30", chicago, "2026-03-08T08:30:00Z"], // skipped: as much later
    ["2026-11-01T01:30", chicago, "2026-11-01T06:30:00Z"], // twice: the first
    ["2026-11-01T02:00", chicago, "2026-11-01T08:00:00Z"],
    ["2026-10-04T02:15", "Australia/Lord_Howe", "2026-10-03T15:45:00Z"], // half an hour is skipped
    ["2026-01-05T00:00", "Pacific/Kiritimati", "2026-01-04T10:00:00Z"],
  ]) assert.equal(fromLocal(shown, zone), utc(at), shown);
});

test("every hour of a year goes there and back", () => {
  for (const zone of [chicago, "Europe/Berlin", "Australia/Lord_Howe", "UTC"]) {
    for (let at = utc("2026-01-01T00:00:00Z"); at < utc("2027-01-01T00:00:00Z"); at += 3600e3) {
      const shown = wall(at, zone);
      const back = instant(shown, zone);
      assert.equal(wall(back, zone), shown, `${zone} ${new Date(at).toISOString()}`);
      assert.ok(back <= at);
    }
  }
});

test("a field without a time is no time", () => assert.ok(Number.isNaN(fromLocal("", chicago))));
