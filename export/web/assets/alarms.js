// The alarms: what is to be seen to, the worst first. It is worked through with a
// pointer or with keys alone, and it holds still under both.

import { h, replace } from "./dom.js";
import { loginLink } from "./parts.js";
import { mayOf } from "./acts.js";
import { showJournal } from "./journal.js";
import { showList } from "./alarms_list.js";

export const name = "alarms";
export const section = "alarms";
export const title = "Alarms";

export function show(main, { query }, site) {
  const journal = query.get("show") === "journal";
  const tab = (words, href, current) => h("a", { href, "aria-current": current && "page" }, words);
  const body = h("div");
  replace(main,
    h("header", { class: "top" }, h("h1", null, journal ? "Journal of alarms" : "Alarms"),
      h("nav", { class: "tabs", "aria-label": "Of alarms" }, tab("List", "/alarms", !journal), tab("Journal and figures", "/alarms?show=journal", journal))),
    body);
  if (!site.desk) {
    replace(body, h("p", { class: "failed" }, "This daemon handles no alarms: the pages of the fans show which conditions stand."));
    return null;
  }
  return journal ? showJournal(body, query, site) : showList(body, query, site, mayOf(site), notice(site));
}

function notice(site) {
  switch (mayOf(site)) {
    case "login":
      return h("p", { class: "notice" }, loginLink("Log in"), " to acknowledge and shelve; reading needs no more than this.");
    case "read":
      return h("p", { class: "notice" }, "Nobody has a login here, so alarms can be read but not acknowledged. To give people one, put a hash that ", h("code", null, "fanwarden hash"), " makes under ", h("code", null, "[web] users"), " of the fleet file.");
  }
  return null;
}
