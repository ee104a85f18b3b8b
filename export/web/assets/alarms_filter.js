// The filters above the list and the journal. On a phone the fields are folded
// away until they are wanted.

import { h, say } from "./dom.js";
import * as format from "./format.js";
import { open, states } from "./alarms_model.js";

// folding shows its fields wherever there is room, and else behind a word.
export function folding(inUse, ...fields) {
  const wide = matchMedia("(min-width: 44.01rem)");
  const fold = h("details", { class: "fold", open: wide.matches || Boolean(inUse) }, h("summary", null, "Narrow it down"), h("div", { class: "fields" }, fields));
  wide.addEventListener("change", () => {
    if (wide.matches) fold.open = true;
  });
  return fold;
}

// choice is a field with a fixed list of values; "" is any of them.
export function choice(title, now, choices, chosen) {
  return h("label", null, h("span", null, title),
    h("select", { onchange: (event) => chosen(event.target.value) }, h("option", { value: "" }, "any"),
      choices.map(([value, words]) => h("option", { value, selected: value === now }, words))));
}

// buildingChoice is the field for a building, where there are several.
export function buildingChoice(site, now, chosen) {
  return site.buildings.length > 1 && choice("Building", now, site.buildings.map((one) => [one.id, one.name]), chosen);
}

// filterForm makes the filter of the list; `changed` is told the new one.
export function filterForm(filter, site, changed, help) {
  const now = { ...filter };
  const set = (key) => (value) => {
    now[key] = value;
    changed({ ...now });
  };
  const buttons = states.map(([state, words]) => {
    const n = h("span", { class: "n", hidden: true });
    const button = h("button", { type: "button", "aria-pressed": String(state === now.state), onclick: () => {
      for (const one of buttons) one.button.setAttribute("aria-pressed", String(one === mine));
      set("state")(state);
    } }, words, " ", n);
    const mine = { state, n, button };
    return mine;
  });
  const search = h("input", { type: "search", value: now.q, placeholder: "fan, place, words", oninput: () => set("q")(search.value.trim()) });
  const form = h("form", { class: "filter", role: "search", "aria-label": "Which alarms", onsubmit: (event) => event.preventDefault() },
    h("div", { class: "states", role: "group", "aria-label": "State" }, buttons.map((one) => one.button)),
    folding(now.building || now.severity || now.condition || now.q,
      buildingChoice(site, now.building, set("building")),
      choice("Severity", now.severity, ["page", "ticket", "note"].map((one) => [one, one]), set("severity")),
      choice("Condition", now.condition, site.conditions.map((one) => [one.name, format.words(one.name)]), set("condition")),
      h("label", { class: "search" }, h("span", null, "Search"), search),
      h("button", { type: "button", class: "plain askkeys", onclick: help, "aria-label": "Keys of this page" }, "Keys ", h("kbd", null, "?"))));
  return {
    form,
    focus() {
      search.closest("details").open = true;
      search.focus();
    },
    // counts writes how many there are of the states that want somebody.
    counts(alarms) {
      for (const { state, n } of buttons) {
        const many = state === "open" ? alarms.filter(open).length : state === "shelved" ? alarms.filter((alarm) => alarm.shelf !== null).length : 0;
        n.hidden = many === 0;
        say(n, String(many));
      }
    },
  };
}
