// The page of one fan.

import { h, replace, say } from "./dom.js";
import { get, path } from "./api.js";
import { follow } from "./live.js";
import { failed } from "./parts.js";
import { headOf } from "./fan_head.js";
import { standingOf } from "./fan_standing.js";
import { settingsOf } from "./fan_settings.js";
import { trend } from "./trend.js";
import * as format from "./format.js";

export const name = "fan";
export const section = "fleet";
export const title = "Fan";

// show shows the fan of the path until the function that it answers is called.
export function show(main, { parts: [id] }, site) {
  let over = false, end = () => {};
  replace(main, h("h1", null, h("bdi", null, id)), h("p", { class: "quiet" }, "Asking for it."));
  const look = async () => {
    const fan = await get(path("api", "v1", "fans", id));
    const gateway = await get(path("api", "v1", "gateways", fan.gateway));
    if (!over) end = present(main, fan, gateway, new URLSearchParams(location.search), site, again);
  };
  const again = () => {
    end();
    end = () => {};
    look().catch((error) => over || missing(main, id, error));
  };
  again();
  return () => {
    over = true;
    end();
  };
}

function missing(main, id, error) {
  const why = h("div", null);
  replace(main, h("h1", null, h("bdi", null, id)), why, h("p", null, h("a", { href: "/" }, "The whole fleet")));
  failed(why, error);
}

// present lays the page out and keeps it up to date. Where the fleet file says
// something else of the fan than before, again lays it out anew.
function present(main, fan, gateway, query, site, again) {
  document.title = `${fan.name} · ${site.name}`;
  const head = headOf(fan, gateway, site), standing = standingOf(site, (quiet) => seen.classList.toggle("quietly", quiet)), settings = settingsOf(fan);
  const place = h("div", null), links = h("p", { class: "links quiet" });
  const gone = h("p", { class: "failed", role: "alert", hidden: true }, "This fan is not in the fleet file any more. What you see is the last that is known of it.");
  const seen = h("div", { class: "seen" },
    h("section", { class: "stands", "aria-labelledby": "stands" }, h("h2", { id: "stands" }, "What stands"), standing.element),
    h("section", { class: "trend", "aria-labelledby": "trend" }, h("h2", { id: "trend" }, "Trend"), place, links));
  replace(main, gone, head.element, seen, settings.element);
  const curve = trend(place, site, fan, gateway.poll_every_s * 1000, query, () => showLinks(links, fan, site, curve.shown()));
  showLinks(links, fan, site, curve.shown());
  settings.limits((limits) => {
    head.know(limits);
    curve.know({ limits });
  });
  const take = (now) => {
    if (fileSays(now) !== fileSays(fan)) return again();
    head.take(now);
    standing.take(now);
    curve.take(now);
    settings.take(now);
  };
  take(fan);
  const timer = setInterval(() => {
    head.tick();
    curve.tick();
  }, 1000);
  const leave = follow(["fan:" + fan.id], { fan: take, gone: () => (gone.hidden = false) });
  return () => {
    clearInterval(timer);
    leave();
    curve.close();
    settings.close();
  };
}

function fileSays(fan) {
  return JSON.stringify(["name", "building", "gateway", "unit", "pointmap", "location", "serves", "duty", "group", "role", "controls", "probe", "life_safety"].map((key) => fan[key]));
}

// showLinks leads to what is shown as files.
function showLinks(place, fan, site, { from, to }) {
  const of = path("api", "v1", "fans", fan.id);
  const span = `from=${Math.floor(from / 1000)}&to=${Math.ceil(to / 1000)}`;
  replace(place,
    site.history && [h("a", { href: `${of}/history.csv?${span}`, download: `${fan.id}.csv` }, "Readings of the time shown as CSV"), " · "],
    h("a", { href: of, "data-out": true }, "This fan as JSON"));
}
