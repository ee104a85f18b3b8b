// One building: how its gateways do, its fans in one table, and what went wrong
// together.

import { h, replace, say } from "./dom.js";
import { get, path } from "./api.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { empty, failed, fanLink, mark, ranks, when } from "./parts.js";
import { fanTable } from "./building_fans.js";
import { showGateways, tickGateways } from "./building_gateways.js";

export const name = "building";
export const section = "fleet";
export const title = "Building";

const trendsEach = 5 * 60e3; // ms: a third of a trend's step

export function show(main, { parts: [id] }, site) {
  const known = site.buildings.find((one) => one.id === id);
  if (!known) {
    replace(main, h("h1", null, "There is no such building"), h("p", null, "The fleet file has none with the id ", h("code", null, id), ". ", h("a", { href: "/" }, "The whole fleet"), " lists those that there are."));
    return null;
  }
  document.title = `${known.name} · ${site.name}`;
  const page = frame(known, site);
  replace(main, page.all);
  let gateways = new Map();
  let stands = "";

  const stream = live.follow([`building:${id}`], {
    building(change) {
      if (change.full) gateways = new Map();
      for (const gateway of change.gateways) gateways.set(gateway.id, gateway);
      showGateways(page.gateways, [...gateways.values()]);
      page.fans.show(change.fans, change.full);
      page.waiting.remove();
      page.none.hidden = page.fans.fans().length > 0;
      page.fans.table.hidden = !page.none.hidden;
      replace(page.count, headline(page.fans.fans(), [...gateways.values()]));
      const now = standing(page.fans.fans(), gateways);
      if (now !== stands) knowIncidents();
      stands = now;
    },
    gone: () => replace(main, h("h1", null, known.name), h("p", { class: "failed", role: "alert" }, "This building is no longer in the fleet file. ", h("a", { href: "/" }, "The whole fleet"))),
  });

  async function knowIncidents() {
    try {
      const { incidents } = await get(`/api/v1/incidents?building=${encodeURIComponent(id)}`);
      showIncidents(page.incidents, incidents, page.fans.fans());
    } catch (error) {
      failed(page.incidents, error);
    }
  }

  async function knowTrends() {
    try {
      page.fans.trends(await get(path("api", "v1", "buildings", id, "trends") + "?hours=24"));
    } catch (error) {
      say(page.legend, `No trends: ${error.message}`);
    }
  }

  if (site.history) knowTrends();
  const again = site.history && setInterval(knowTrends, trendsEach);
  const ticking = setInterval(() => {
    page.fans.tick();
    tickGateways(page.gateways);
  }, 1000);
  return () => {
    stream();
    clearInterval(again);
    clearInterval(ticking);
  };
}

// frame makes the parts of the page, empty.
function frame(building, site) {
  const fans = fanTable(site.history);
  const count = h("p", { class: "count" });
  const waiting = empty("Waiting for what the daemon knows of this building.");
  const none = empty("No fan of the fleet file is in this building.");
  none.hidden = true;
  fans.table.hidden = true;
  const gateways = h("div", { class: "gateways" });
  const incidents = h("div", { class: "incidents" });
  const legend = h("p", { class: "quiet legend" }, site.history
    ? "Last 24 h: above, what was held, from lowest to highest, and its setpoint (dashed); below, the speed. Shaded: nothing was read."
    : "No trends: this daemon keeps no readings, because [store] dir is not set.");
  const query = `?building=${encodeURIComponent(building.id)}`;
  const all = [
    h("header", { class: "top" },
      h("div", null, h("p", { class: "way" }, h("a", { href: "/" }, "Fleet"), " / building"), h("h1", null, h("bdi", null, building.name)), count),
      h("p", { class: "leads" }, h("a", { class: "button", href: "/" + query }, "On the fleet's picture"), h("a", { class: "button", href: "/alarms" + query }, "Its alarms"))),
    waiting, incidents,
    h("section", { "aria-labelledby": "gateways" }, h("h2", { id: "gateways" }, "Gateways"), gateways),
    h("section", { "aria-labelledby": "fans" }, h("h2", { id: "fans" }, "Fans"), none, fans.table, legend),
  ];
  return { all, count, waiting, none, gateways, incidents, fans, legend };
}

// tally counts fans by rank, the worst first, without those that are well.
export function tally(fans) {
  const counts = ranks.map((rank, i) => [rank, fans.filter((fan) => fan.rank === i).length]);
  return { well: counts[0][1], ill: counts.slice(1).reverse().filter(([, n]) => n > 0) };
}

const illWords = {
  page: (n) => `${n} to page for`, ticket: (n) => format.counted(n, "ticket"), note: (n) => format.counted(n, "note"),
  unanswered: (n) => `${format.counted(n, "fan")} without an answer`, unjudged: (n) => `${n} not judged yet`,
};

function headline(fans, gateways) {
  const { well, ill } = tally(fans);
  const out = fans.filter((fan) => fan.out_of_service).length;
  return [h("span", null, `${well} of ${format.counted(fans.length, "fan")} well`),
    ill.map(([rank, n]) => h("span", { class: rank }, mark(rank), ` ${illWords[rank](n)}`)),
    gateways.some((gateway) => gateway.up === false) && h("span", { class: "unanswered" }, mark("unanswered"), ` ${format.counted(gateways.filter((gateway) => gateway.up === false).length, "gateway")} without an answer`),
    out > 0 && h("span", { class: "quiet" }, `${out} out of service`)];
}

// standing is what stands in the building, to notice a change of it.
function standing(fans, gateways) {
  return [...fans, ...gateways.values()].map((one) => one.id + one.conditions.map((c) => c.condition)).join();
}

function showIncidents(place, incidents, fans) {
  const known = new Map(fans.map((fan) => [fan.id, fan]));
  replace(place, incidents.map((incident) => {
    const name = format.words(incident.condition);
    const severity = severityOf(incident, known);
    return h("article", { class: `incident ${severity}` },
      h("h2", null, mark(severity, severity), " Went wrong together: ", name),
      h("p", null, incident.summary.replaceAll(incident.condition, name)),
      h("p", null, h("strong", null, "Likely common cause: "), incident.cause),
      incident.check && h("p", null, h("strong", null, "First: "), incident.check),
      h("p", { class: "quiet" }, incident.since && ["Since ", when(incident.since), ". "],
        [...incident.gateways.map((id) => h("bdi", null, id)), ...incident.fans.map((id) => fanLink(id, known.get(id)?.name))].map((one, i) => [i > 0 && ", ", one])));
  }));
}

// severityOf is the severity that an incident has at its first fan that tells.
function severityOf(incident, fans) {
  const told = incident.fans.flatMap((id) => fans.get(id)?.conditions ?? []);
  return told.find((c) => c.condition === incident.condition)?.severity ?? "ticket";
}
