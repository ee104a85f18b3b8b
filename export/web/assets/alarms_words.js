// How alarms stand, in words.

import * as format from "./format.js";

// severityWords say what each severity asks for.
export const severityWords = { page: "Pages: somebody is to go now", ticket: "Tickets: within days", note: "Notes: worth knowing" };

// doneWords say what was done.
export const doneWords = {
  acknowledge: "Acknowledged", shelve: "Shelved", unshelve: "Taken back from the shelf", takeOut: "Fan taken out of service", putIn: "Fan put back in service",
};

// reasons say why an alarm is over; that it recovered goes without saying.
const reasons = {
  silenced: "another condition explains it", disarmed: "it is no longer judged", superseded: "it came back more urgent",
};

// life says how an alarm stands, without its shelf.
export function life(alarm) {
  const at = alarm.cleared ? ` ${format.clock(alarm.cleared)}` : "";
  switch (alarm.state) {
    case "unacknowledged": return "stands, not acknowledged";
    case "acknowledged": return `stands, acknowledged ${by(alarm.acknowledgement)}`;
    case "returned": return `came back to normal${at}, not acknowledged`;
  }
  if (alarm.suppressed_by) return `explained by ${format.words(alarm.suppressed_by)}`;
  const why = reasons[alarm.reason];
  return `over${at && ` since${at}`}${why ? `: ${why}` : ""}`;
}

// by says when somebody did something, who, and why.
export function by(act) {
  return act ? `${format.clock(act.time)} by ${act.who}${act.why ? `: ${act.why}` : ""}` : "by somebody";
}

// aside says why nobody is told of an alarm, or "".
export function aside(alarm) {
  if (alarm.shelf) return `shelved until ${format.clock(alarm.shelf.until)} by ${alarm.shelf.who}: ${alarm.shelf.why}`;
  if (alarm.out_of_service) return "its fan is out of service";
  return alarm.suppressed_by && alarm.state !== "normal" ? `explained by ${format.words(alarm.suppressed_by)}` : "";
}

// often says how often an alarm came and went, or "".
export function often(alarm) {
  if (alarm.chattering) return `comes and goes: raised ${alarm.times} times`;
  return alarm.times > 1 ? `raised ${alarm.times} times` : "";
}

// lasted says since when an alarm stands and for how long, or how long it stood.
export function lasted(alarm) {
  const from = alarm.raised ?? alarm.since;
  if (alarm.cleared) return `${format.clock(from)}, stood ${format.span((Date.parse(alarm.cleared) - Date.parse(from)) / 1000)}`;
  return `${format.clock(from)}, for ${format.span(format.age(from))}`;
}

// arrived says how many alarms of which severity there are: "1 page, 2 notes".
export function arrived(alarms) {
  return ["page", "ticket", "note"].map((severity) => [severity, alarms.filter((alarm) => alarm.severity === severity).length])
    .filter(([, n]) => n > 0).map(([severity, n]) => format.counted(n, severity)).join(", ");
}

// called is how an alarm is named in a sentence.
export function called(alarm) {
  return `${format.words(alarm.condition)} of ${alarm.name || alarm.fan || alarm.gateway}`;
}

// nothing says why a list is empty.
export function nothing(filter) {
  if (filter.building || filter.severity || filter.condition || filter.q) return "No alarm is like that. Widen the filter to see others.";
  switch (filter.state) {
    case "standing": return "Nothing is wrong that the rules would see.";
    case "shelved": return "Nothing is put aside.";
    case "out": return "No alarm is of a fan that is out of service.";
    case "all": return "There was no alarm in the last week.";
  }
  return "Nothing is to be seen to: whatever stands is known, shelved or explained.";
}
