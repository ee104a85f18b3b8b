// Pieces that several pages share.

import { h, s, replace } from "./dom.js";
import * as format from "./format.js";
import { path } from "./api.js";

// ranks are how the daemon orders what it lists, from well to what pages.
export const ranks = ["well", "unjudged", "unanswered", "note", "ticket", "page"];

// rankWords say a rank where no condition does.
export const rankWords = {
  well: "well", unjudged: "not judged yet", unanswered: "does not answer", note: "note", ticket: "ticket", page: "page",
};

// rankOf is the index of a severity among the ranks.
export function rankOf(severity) {
  return ranks.indexOf(severity);
}

// outlines are the shapes of the ranks in a box of 16 by 16: what a rank means is
// never told by colour alone. The operating plane draws the same.
export const outlines = {
  well: "M8 4.500a3.500 3.500 0 1 0 0 7a3.500 3.500 0 1 0 0 -7z",
  unjudged: "M3 8h10",
  unanswered: "M4 4l8 8M12 4l-8 8",
  note: "M4 4h8v8h-8z",
  ticket: "M8 1.500l6.500 6.500l-6.500 6.500l-6.500 -6.500z",
  page: "M8 1l7.500 13.500h-15z",
};

// mark is the small sign of a rank; its word stands beside it or is given as a
// label.
export function mark(rank, label) {
  return s("svg", { class: `mark ${rank}`, viewBox: "0 0 16 16", width: 16, height: 16, role: label ? "img" : null, "aria-label": label, "aria-hidden": label ? null : "true" },
    s("path", { d: outlines[rank] }));
}

// tag is a condition's severity and name in one piece.
export function tag(severity, condition) {
  return h("span", { class: `tag ${severity}`, "data-condition": condition }, mark(severity), h("span", { class: "unseen" }, `${severity}: `), format.words(condition));
}

// fanLink and buildingLink lead to a page of their own.
export function fanLink(id, name) {
  return h("a", { href: path("fans", id), "data-fan": id }, h("bdi", null, name || id));
}

export function buildingLink(id, name) {
  return h("a", { href: path("buildings", id), "data-building": id }, h("bdi", null, name || id));
}

// when writes a time with its full form behind it.
export function when(time, text = format.clock(time)) {
  return h("time", { datetime: time, title: format.exact(time) }, text);
}

// finding tells of one condition or alarm: what is wrong, the first check, and
// folded away the causes and the figures it rests on.
export function finding(c, head, ...rest) {
  return h("article", { class: `finding ${c.severity}`, "data-condition": c.condition },
    h("h3", null, mark(c.severity), h("span", { class: "severity" }, c.severity), " ", head ?? format.words(c.condition)),
    h("p", null, c.summary),
    c.since && h("p", { class: "quiet" }, "Since ", when(c.since), `, ${format.span(format.age(c.since))}`),
    c.first_check && h("p", { class: "check" }, h("strong", null, "First: "), coded(plain(c.first_check))),
    cautionOf(c),
    rest,
    (c.causes?.length > 0 || Object.keys(c.evidence ?? {}).length > 0) && h("details", null,
      h("summary", null, "Likely causes and evidence"), causes(c), evidence(c)));
}

// causes lists what would explain a condition, the likeliest first: what speaks
// for each, and the first thing to look at.
export function causes(c) {
  if (!c.causes?.length) return null;
  return h("ol", { class: "causes" }, c.causes.map((what, i) => h("li", null, what,
    c.speaks?.[i] && h("span", { class: "speaks" }, ` (${c.speaks[i]})`),
    c.checks?.[i] && h("small", null, coded(plain(c.checks[i]))))));
}

// The daemon ends every check at an exhaust that protects people with the same
// caution; a card says it once.
const caution = /; (this is an? \S+ exhaust: only look.*)$/;

function plain(check) {
  return check.replace(caution, "");
}

function cautionOf({ first_check: check }) {
  const found = caution.exec(check ?? "");
  return found && h("p", { class: "caution" }, found[1][0].toUpperCase() + found[1].slice(1) + ".");
}

// coded sets what stands between backticks as what one types.
export function coded(text) {
  return text.split("`").map((part, i) => (i % 2 ? h("code", null, part) : part));
}

// evidence lists the figures that a condition rests on.
export function evidence(c) {
  return h("dl", { class: "figures" }, Object.entries(c.evidence ?? {}).map(([name, value]) => {
    const [called, text] = format.figure(name, value);
    return h("div", null, h("dt", null, called), h("dd", null, text));
  }));
}

// empty says that there is nothing to list, and why.
export function empty(...text) {
  return h("p", { class: "empty" }, text);
}

// failed shows what went wrong where it went wrong.
export function failed(place, error) {
  replace(place, h("p", { class: "failed", role: "alert" }, error.message));
}

// ask opens a dialog over the page with fields and answers what its form holds,
// or null where it was given up. `act` does the thing: as long as it fails, its
// sentence is shown and the dialog stays, so that nothing typed is lost.
export function ask(title, fields, does, act) {
  return new Promise((done) => {
    const trouble = h("p", { class: "failed", role: "alert", hidden: true });
    const send = h("button", { class: "main", type: "submit" }, does);
    const form = h("form", { method: "dialog" },
      h("h2", { id: "dialog-title" }, title), fields, trouble,
      h("p", { class: "buttons" }, send, h("button", { type: "button", onclick: () => dialog.close() }, "Leave it")));
    const dialog = h("dialog", { "aria-labelledby": "dialog-title" }, form);
    let answer = null;
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const given = Object.fromEntries(new FormData(form));
      send.disabled = true;
      try {
        await act(given);
        answer = given;
        dialog.close();
      } catch (error) {
        replace(trouble, error.message, error.status === 401 || error.status === 403 ? loginHint() : null);
        trouble.hidden = false;
        send.disabled = false;
      }
    });
    dialog.addEventListener("close", () => {
      dialog.remove();
      done(answer);
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}

function loginHint() {
  return h("span", null, " ", loginLink("Log in"), ".");
}

// loginLink leads through the browser's own question for name and password.
export function loginLink(text) {
  return h("a", { href: `/login?back=${encodeURIComponent(location.pathname + location.search)}`, "data-out": true }, text);
}
