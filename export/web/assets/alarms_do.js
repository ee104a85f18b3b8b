// What is done to alarms from the list: to one, or to several at once.

import { h } from "./dom.js";
import { path, post } from "./api.js";
import * as acts from "./acts.js";
import { ask, mark } from "./parts.js";
import { counted } from "./format.js";
import { called } from "./alarms_words.js";

// doOne does something to an alarm or its fan and answers whether it was done.
// What can be done at once asks nothing.
export async function doOne(what, alarm, atOnce) {
  if (what === "acknowledge" && atOnce) return post(of(alarm), { note: "" });
  const ofFan = what === "takeOut" || what === "putIn";
  return acts[what](ofFan ? { id: alarm.fan, name: alarm.name } : alarm);
}

// acknowledgeThem asks once and acknowledges alarms one by one; `done` is told
// each. Where one fails, the dialog stays and what is left can be tried again.
export function acknowledgeThem(alarms, done) {
  const left = [...alarms];
  return ask(`Acknowledge ${counted(alarms.length, "alarm")}`, [
    h("ul", { class: "names" }, alarms.map((alarm) => h("li", null, mark(alarm.severity, alarm.severity), " ", called(alarm)))),
    h("label", null, h("span", null, "Note for all of them (may be empty)"), h("textarea", { name: "note", rows: 2, maxlength: 500 })),
  ], "Acknowledge", async ({ note }) => {
    while (left.length) {
      await post(of(left[0]), { note });
      done(left.shift());
    }
  });
}

function of(alarm) {
  return path("api", "v1", "alarms", alarm.id, "acknowledge");
}
