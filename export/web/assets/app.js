// The frame of the page: which view is shown, the way between them, and what
// stands above all of them.

import { h, replace, say } from "./dom.js";
import { get } from "./api.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { loginLink, mark } from "./parts.js";
import * as fleet from "./fleet.js";
import * as building from "./building.js";
import * as fan from "./fan.js";
import * as alarms from "./alarms.js";
import * as reports from "./reports.js";

// The views by path. Each shows itself in the main element, and returns what
// ends it again.
const views = [
  [/^\/$/, fleet],
  [/^\/buildings\/([^/]+)$/, building],
  [/^\/fans\/([^/]+)$/, fan],
  [/^\/alarms$/, alarms],
  [/^\/reports$/, reports],
];

const main = document.querySelector("main");
let site = null;
let leave = null; // ends the view that is shown

start();

async function start() {
  live.watch(document.querySelector("#status"), document.querySelector("#lost"));
  live.always("summary", showSummary);
  document.addEventListener("click", follow);
  addEventListener("popstate", () => show(false));
  if (location.hash.startsWith("#fan-")) { // a link of an older message
    history.replaceState(null, "", "/fans/" + encodeURIComponent(location.hash.slice(5)));
  }
  await knowSite();
  show(false);
}

// knowSite asks until the daemon says what it watches.
async function knowSite() {
  for (;;) {
    try {
      site = await get("/api/v1/site");
      break;
    } catch (error) {
      replace(main, h("p", { class: "failed", role: "alert" }, error.message, error.status === 401 ? [" ", loginLink("Log in"), "."] : null));
      await new Promise((again) => setTimeout(again, 2000));
    }
  }
  format.setSite(site);
  replace(document.querySelector("#site"), h("bdi", null, site.name));
  replace(document.querySelector("#who"), site.who ? ["Logged in as ", h("bdi", null, site.who)] : site.users ? loginLink("Log in") : "Reading only");
  say(document.querySelector("#version"), site.version);
}

// follow shows a link to another view without loading the page again.
function follow(event) {
  const link = event.target.closest?.("a[href]");
  if (!link || event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  if (link.target || link.hasAttribute("download") || "out" in link.dataset || link.origin !== location.origin) return;
  if (!views.some(([pattern]) => pattern.test(link.pathname))) return;
  if (link.pathname === location.pathname && link.search === location.search && link.hash) return; // a place on this page
  event.preventDefault();
  go(link.pathname + link.search + link.hash);
}

// go shows a path of the page.
export function go(to) {
  if (!site) return;
  history.pushState(null, "", to);
  show(true);
}

function show(moved) {
  leave?.();
  leave = null;
  for (const [pattern, view] of views) {
    const found = pattern.exec(location.pathname);
    if (!found) continue;
    present(view, found.slice(1).map(decodeURIComponent), moved);
    return;
  }
  replace(main, h("h1", null, "There is no such page"), h("p", null, h("a", { href: "/" }, "The whole fleet")));
}

function present(view, parts, moved) {
  replace(main);
  main.className = view.name;
  document.title = `${view.title} · ${site.name}`;
  for (const link of document.querySelectorAll("nav a")) {
    if (link.dataset.view === view.section) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  live.follow([], {}); // for a view that follows nothing of its own
  leave = view.show(main, { parts, query: new URLSearchParams(location.search), go }, site);
  if (moved) {
    scrollTo(0, 0);
    const heading = main.querySelector("h1");
    heading?.setAttribute("tabindex", "-1");
    heading?.focus({ preventScroll: true });
  }
}

// showSummary says above every view what wants somebody.
function showSummary(now) {
  const counts = ["page", "ticket", "note"].filter((severity) => now[severity] > 0);
  replace(document.querySelector("#standing"), counts.length
    ? counts.map((severity) => h("span", { class: severity }, mark(severity), ` ${now[severity]} `, h("span", null, now[severity] === 1 ? severity : severity + "s")))
    : h("span", { class: "quiet" }, "nothing stands"));
  const open = document.querySelector("#open");
  open.hidden = !now.unacknowledged;
  say(open, String(now.unacknowledged));
  open.setAttribute("aria-label", `${now.unacknowledged} not acknowledged`);
  showTrouble(now);
}

// showTrouble says what is wrong with the daemon itself.
function showTrouble(now) {
  const troubles = [
    !now.reload.good && `The fleet file on disk has a fault and was refused; the one ${now.reload.good_at ? "of " + format.clock(now.reload.good_at) : "before"} is in force. The daemon's log lists the faults.`,
    now.store.used && !now.store.up && "Alarms cannot be written to disk now: what happens may be lost when the daemon stops. Look at the disk of [store] dir.",
    now.history.used && !now.history.up && "Readings cannot be written to disk now: the trends have a gap. Look at the disk of [store] dir.",
    now.flood && "More alarms come than one person can handle: look at the buildings and gateways first, the cause is likely one.",
  ].filter(Boolean);
  const place = document.querySelector("#trouble");
  if (place.textContent === troubles.join("")) return;
  replace(place, troubles.map((text) => h("p", { class: "trouble" }, text)));
}
