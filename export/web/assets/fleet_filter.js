// The filters of the fleet page. What is chosen stands in the address, so that a
// link shows the same.

import { h, replace, say } from "./dom.js";
import * as format from "./format.js";
import { countConditions, filtering } from "./fleet_model.js";

// filterBar makes the row of filters. It changes `filter` in place and then calls
// act.
export function filterBar(site, filter, act) {
  const choose = (name, value) => {
    filter[name] = value;
    clear.hidden = !filtering(filter);
    act();
  };
  const building = choice("Building", "all", filter.building, (value) => choose("building", value));
  const duty = choice("Duty", "all", filter.duty, (value) => choose("duty", value));
  const condition = choice("Condition", "all", filter.condition, (value) => choose("condition", value));
  const needs = h("input", { type: "checkbox", onchange: () => choose("needs", needs.checked) });
  needs.checked = filter.needs;
  const count = h("p", { class: "count", role: "status" });
  const clear = h("button", { type: "button", onclick: () => {
    Object.assign(filter, { building: "", duty: "", condition: "", needs: false });
    for (const one of [building, duty, condition]) one.select.value = "";
    needs.checked = false;
    choose("needs", false);
  } }, "Show all");
  clear.hidden = !filtering(filter);

  building.offer([["", site.buildings.map((b) => [b.id, b.name])]]);
  duty.offer([["", site.duties.map((d) => [d, format.words(d)])]]);
  condition.offer([["", site.conditions.map((c) => [c.name, format.words(c.name)])]]);

  return {
    element: h("search", { class: "fields filters", "aria-label": "Which fans are shown" },
      building.element, duty.element, condition.element,
      h("label", { class: "check-field" }, needs, " Only what needs somebody"), clear, count),
    // show brings counts up to date: all fans, and how many are shown.
    show(fans, shown) {
      condition.offer(conditionsOf(fans, site));
      count.classList.toggle("everything", !filtering(filter));
      say(count, filtering(filter) ? `${shown} of ${format.counted(fans.length, "fan")} shown` : `${format.counted(fans.length, "fan")} shown`);
    },
  };
}

// conditionsOf groups the conditions: first those that fans show now.
function conditionsOf(fans, site) {
  const counts = countConditions(fans);
  const now = [];
  const rest = [];
  site.conditions.forEach(({ name }, i) => {
    if (counts.has(i)) now.push([name, `${format.words(name)} (${counts.get(i)})`]);
    else rest.push([name, format.words(name)]);
  });
  return now.length ? [["Standing now", now], ["On no fan now", rest]] : [["", rest]];
}

// choice is a labelled list. Its options are left alone while somebody chooses.
function choice(label, every, chosen, act) {
  const select = h("select", { onchange: () => act(select.value) });
  let offered = "";
  return {
    select,
    element: h("label", null, h("span", null, label), select),
    offer(groups) {
      const told = JSON.stringify(groups);
      if (told === offered || document.activeElement === select) return;
      offered = told;
      const value = select.value || chosen;
      const known = groups.some(([, options]) => options.some(([id]) => id === value));
      replace(select, option("", every), groups.map(([name, options]) => {
        const made = options.map(([id, text]) => option(id, text));
        return name ? h("optgroup", { label: name }, made) : made;
      }), value && !known ? option(value, `${format.words(value)} (unknown)`) : null);
      select.value = value;
      chosen = "";
    },
  };
}

function option(value, text) {
  return h("option", { value }, text);
}
