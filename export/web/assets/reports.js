// The reports: choose a building and a month, and read the month as a page that
// can be printed, or take it as tables and data.

import { h, replace } from "./dom.js";
import { get, path } from "./api.js";
import * as format from "./format.js";
import { empty, failed } from "./parts.js";

export const name = "reports";
export const section = "reports";
export const title = "Reports";

export function show(main, { query }, site) {
  const body = h("div", null, h("p", { class: "quiet" }, "Asking what is kept."));
  replace(main,
    h("h1", null, "Reports"),
    h("p", null, "What the fans of a building did in a month: hours at setpoint and at the limits of speed, the conditions, the load that creeps, and what the motors took."),
    body);
  if (!site.history) {
    replace(body, empty("Nothing is kept to report on: give the daemon a folder for its readings, [store] dir in the fleet file."));
    return null;
  }
  const gone = new AbortController();
  get("/api/v1/reports", gone.signal).then(
    ({ months, oldest }) => offer(body, site, months, oldest, query.get("building")),
    (error) => error.name === "AbortError" || failed(body, error));
  return () => gone.abort();
}

// offer lets somebody choose, and keeps the links at what is chosen.
function offer(body, site, months, oldest, wanted) {
  if (site.buildings.length === 0) {
    replace(body, empty("The fleet file has no buildings yet. Enter them in [[buildings]] and say of each gateway which one it is in."));
    return;
  }
  const building = h("select", { name: "building", onchange: renew },
    site.buildings.map((one) => h("option", { value: one.id, selected: one.id === wanted }, one.name)));
  const month = h("select", { name: "month", onchange: renew },
    months.map((one) => h("option", { value: one.month }, monthName(one))));
  const links = h("div", { class: "chosen", role: "group", "aria-label": "The report that is chosen", "aria-live": "polite" });
  replace(body, h("div", { class: "panel" },
    h("form", { class: "fields", onsubmit: (event) => event.preventDefault() },
      h("label", null, h("span", null, "Building"), building),
      h("label", null, h("span", null, "Month"), month)),
    links),
    h("p", { class: "quiet" }, `Readings are kept for ${format.span(site.keep_s)}${oldest ? `, at present since ${format.day(oldest)}` : ""}. Print a report before its month is gone, or keep it as a file.`));
  renew();

  function renew() {
    const id = building.value;
    const chosen = months[month.selectedIndex];
    const to = path("reports", id, chosen.month);
    const called = `${site.buildings[building.selectedIndex].name}, ${monthName(chosen)}`;
    replace(links,
      h("h2", null, h("bdi", null, called)),
      h("p", null, state(chosen, oldest)),
      h("p", { class: "buttons" },
        h("a", { class: "button first", href: to }, "Read or print it"),
        h("a", { class: "button", href: `${to}.csv`, download: true }, "Hours and energy, CSV"),
        h("a", { class: "button", href: `${to}.csv?of=conditions`, download: true }, "Conditions, CSV"),
        h("a", { class: "button", href: `/api/v1${to}`, "data-out": true }, "JSON")));
  }
}

// monthName writes a month, which is told as "2026-01", in words.
function monthName({ month }) {
  return new Intl.DateTimeFormat("en-GB", { month: "long", year: "numeric", timeZone: "UTC" }).format(new Date(`${month}-15T00:00:00Z`));
}

// state says how much of a month there is.
function state(one, oldest) {
  const late = oldest && Date.parse(oldest) > Date.parse(one.from) && `readings are kept from ${format.day(oldest)} on`;
  const until = Date.parse(one.to) > format.now() && "the month is not over, and is counted up to now";
  const words = [until, late].filter(Boolean).join("; ");
  return words ? `${words[0].toUpperCase()}${words.slice(1)}.` : "The whole month.";
}
