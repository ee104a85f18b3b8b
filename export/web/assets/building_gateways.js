// A building's gateways: whether each answers, how much of its period a cycle
// takes, which period it holds, and what went wrong lately.

import { h, s, keyed, replace, say } from "./dom.js";
import * as format from "./format.js";
import { finding, mark, rankOf, ranks, rankWords, when } from "./parts.js";

// A cycle that takes more than this share of its period leaves too little for
// one that has to wait for an answer.
export const muchOfPeriod = 0.8;

// outcomes says how polls can end badly, in words for people.
const outcomes = {
  timeout: "no answer in time", refused: "connection refused", reset: "connection lost", exception: "refused by the device",
  unit_silent: "unit silent, says the gateway", path_unavailable: "no path, says the gateway", garbled: "garbled", invalid: "marked invalid",
};

// gatewayRank is the name of a gateway's rank.
export function gatewayRank(gateway) {
  const worst = Math.max(0, ...gateway.conditions.map((c) => rankOf(c.severity)));
  if (worst > 0) return ranks[worst];
  if (gateway.lent || gateway.up === null) return "unjudged";
  return gateway.up ? "well" : "unanswered";
}

// stateOf says in words whether a gateway answers, or why nobody asks it.
export function stateOf({ lent, up }) {
  if (lent) return "lent to a turnover";
  if (up === null) return "not polled yet";
  return up ? "answers" : "does not answer";
}

// load says what share of its period a gateway's cycle took in the last hour, and
// what follows from it.
export function load({ bus_share: share, poll_every_s: period, up }) {
  if (share === null) return { share, words: "No cycle has ended yet.", warning: "" };
  const words = `A cycle takes ${brief(share * period)} of its ${brief(period)} period (${share < 0.005 ? "under 1 %" : format.ratio(share)}).`;
  if (!up) return { share, words, warning: share > muchOfPeriod ? "Most of it is spent waiting for answers that do not come." : "" };
  if (share > 1) return { share, words, warning: "It does not fit into its period: cycles are missed. Lengthen poll_every, or move fans to another gateway." };
  if (share > muchOfPeriod) return { share, words, warning: "Little of the period is left: one slow answer more and a cycle is missed. Lengthen poll_every, or move fans to another gateway." };
  return { share, words, warning: "" };
}

// brief writes a short time with the digits that count: "0.31 s", "5 s", "4 min".
export function brief(seconds) {
  if (seconds < 0.01) return "less than 0.01 s";
  return seconds < 10 ? `${Number(seconds.toPrecision(2))} s` : format.span(seconds);
}

// lately says in words how the readings of the last hour ended.
export function lately({ polls, since }) {
  const all = Object.values(polls).reduce((sum, n) => sum + n, 0);
  if (!since || all === 0) return { good: "no reading yet", bad: [] };
  const good = polls.ok ?? 0;
  const bad = Object.entries(polls).filter(([outcome, n]) => outcome !== "ok" && n > 0).sort((a, b) => b[1] - a[1])
    .map(([outcome, n]) => `${grouped(n)} ${outcomes[outcome] ?? format.words(outcome)}`);
  return { good: good === all ? `all ${grouped(all)} good` : `${grouped(good)} of ${grouped(all)} good (${share(good / all)})`, bad };
}

// share writes a share so that what is nearly all is not said to be all.
function share(ratio) {
  if (ratio > 0.99 && ratio < 1) return `${(Math.floor(ratio * 1000) / 10).toFixed(1)} %`;
  return `${Math.round(ratio * 100)} %`;
}

const grouped = (n) => n.toLocaleString("en-US");

// hourOf names the time that "lately" covers.
export function hourOf(since) {
  if (!since) return "Readings";
  const seconds = format.age(since);
  return seconds >= 3300 ? "Last hour" : `Last ${format.span(seconds)}`;
}

// showGateways brings a list of gateways up to date in place.
export function showGateways(parent, gateways) {
  const order = [...gateways].sort((a, b) => ranks.indexOf(gatewayRank(b)) - ranks.indexOf(gatewayRank(a)));
  keyed(parent, order, (gateway) => gateway.id, make, update);
}

// tickGateways writes anew how old the last cycles are.
export function tickGateways(parent) {
  for (const card of parent.children) tick(card);
}

function make(gateway) {
  const part = {
    sign: h("span"), state: h("span", { class: "state" }), url: h("code", null, gateway.url),
    fill: s("rect", { class: "taken", x: 0, y: 0, width: 0, height: 8 }), words: h("span"), warning: h("strong"),
    wanted: h("dd"), hour: h("dt"), read: h("dd"), missed: h("dd"), last: h("dd"), found: h("div"), explained: h("p", { class: "quiet", hidden: true }),
  };
  const pair = (name, value) => h("div", null, typeof name === "string" ? h("dt", null, name) : name, value);
  const card = h("article", { class: "gateway", "data-gateway": gateway.id },
    h("header", null, h("h3", null, part.sign, " ", h("bdi", null, gateway.id)), part.state, part.url),
    s("svg", { class: "bus", viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" },
      s("rect", { class: "period", x: 0, y: 0, width: 100, height: 8 }), part.fill, s("path", { class: "edge", d: `M${100 * muchOfPeriod} 0V8` })),
    h("p", { class: "load" }, part.words, " ", part.warning),
    h("dl", null, pair("Period", part.wanted), pair(part.hour, part.read), pair("Missed cycles", part.missed), pair("Last cycle", part.last)),
    part.explained, part.found);
  card.pieces = part;
  return card;
}

function update(card, gateway) {
  const part = card.pieces;
  card.gateway = gateway;
  const rank = gatewayRank(gateway);
  if (card.dataset.rank !== rank) {
    card.dataset.rank = rank;
    replace(part.sign, mark(rank, rankWords[rank]));
  }
  say(part.state, stateOf(gateway));
  say(part.url, gateway.url);
  const { share, words, warning } = load(gateway);
  part.fill.setAttribute("width", Math.min(100, 100 * (share ?? 0)));
  card.classList.toggle("tight", share > muchOfPeriod);
  say(part.words, words);
  say(part.warning, warning);
  showLately(part, gateway);
  showFound(part, gateway);
  tick(card);
}

function showLately(part, gateway) {
  const past = gateway.lately;
  say(part.wanted, `wanted ${brief(gateway.poll_every_s)}, held ${past.period_s ? `${past.period_s.toFixed(past.period_s < 10 ? 2 : 1)} s` : "not known yet"}`);
  say(part.hour, hourOf(past.since));
  const { good, bad } = lately(past);
  const text = [good, ...bad].join("|");
  if (part.readText !== text) {
    part.readText = text;
    replace(part.read, good, bad.map((one) => h("span", { class: "bad" }, one)));
  }
  say(part.missed, missed(gateway));
}

// missed says how many cycles did not begin when they were due.
export function missed({ missed: all, lately: { missed: late, since } }) {
  if (!all) return "none";
  return late === all ? `${grouped(all)} since the start` : `${grouped(late)} in the ${hourOf(since).toLowerCase()}, ${grouped(all)} since the start`;
}

// showFound tells of the conditions that stand; what a reader unfolded stays so.
function showFound(part, gateway) {
  const text = JSON.stringify([gateway.conditions, gateway.suppressed]);
  if (part.foundText === text) return;
  part.foundText = text;
  const open = new Set([...part.found.querySelectorAll("details[open]")].map((one) => one.closest("article").dataset.condition));
  replace(part.found, gateway.conditions.map((c) => finding(c)));
  for (const article of part.found.children) {
    const details = article.querySelector("details");
    if (details) details.open = open.has(article.dataset.condition);
  }
  part.explained.hidden = gateway.suppressed.length === 0;
  say(part.explained, gateway.suppressed.map((c) => `${format.words(c.condition)}, explained by ${format.words(c.silenced_by)}`).join("; "));
}

function tick(card) {
  const { gateway, pieces: part } = card;
  if (!gateway.last_cycle) return say(part.last, "none yet");
  if (part.lastTime !== gateway.last_cycle) {
    part.lastTime = gateway.last_cycle;
    replace(part.last, when(gateway.last_cycle, ""));
  }
  say(part.last.firstChild, format.ago(gateway.last_cycle));
}
