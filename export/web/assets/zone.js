// Times as the clocks on site show them. Clocks jump twice a year: every way
// between an instant and what a clock shows goes through the zone, never
// through the length of a day.

const clocks = new Map(); // by zone: making one is slow

function clockOf(zone) {
  let clock = clocks.get(zone);
  if (!clock) {
    clock = new Intl.DateTimeFormat("en-US", {
      timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric",
      hour: "numeric", minute: "numeric", second: "numeric",
    });
    clocks.set(zone, clock);
  }
  return clock;
}

// wall is what clocks in the zone show at an instant (ms since 1970), written as
// if it were UTC: in ms, so that it can be reckoned with.
export function wall(instant, zone) {
  const part = {};
  for (const { type, value } of clockOf(zone).formatToParts(instant)) part[type] = Number(value);
  return Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) + (((instant % 1000) + 1000) % 1000);
}

// instant is when clocks in the zone show a wall time: the first time where they
// show it twice, and where they skip it, as much later as they skip.
export function instant(shown, zone) {
  const before = wall(shown - 86400e3, zone) - (shown - 86400e3); // how far clocks are ahead of UTC
  const after = wall(shown + 86400e3, zone) - (shown + 86400e3);
  const early = shown - before;
  if (wall(early, zone) === shown) return early;
  const late = shown - after;
  return wall(late, zone) === shown ? late : early;
}

// local writes an instant as a field for date and time holds it:
// "2026-01-05T06:31".
export function local(at, zone) {
  return new Date(wall(at, zone)).toISOString().slice(0, 16);
}

// fromLocal reads what such a field holds; NaN where it holds no time.
export function fromLocal(text, zone) {
  const shown = Date.parse(text + "Z");
  return Number.isNaN(shown) ? NaN : instant(shown, zone);
}
