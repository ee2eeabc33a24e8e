// Begins here: which view is shown, how old its data are, and what is told to whoever cannot see it.

import { bayView } from "/bay.js";
import { announce, say } from "/dom.js";
import { age, freshness, listen, live, open } from "/live.js";
import { overview } from "/overview.js";
import { runView, runsView } from "/runs.js";
import { stop } from "/stop.js";

const EVERY_MS = 250;
const ICONS = {
  fresh: '<circle cx="16" cy="16" r="12" fill="#17605f"/>',
  on: '<circle cx="16" cy="16" r="12" fill="#17605f"/><circle cx="16" cy="16" r="5" fill="#fff"/>',
  late: '<circle cx="16" cy="16" r="11" fill="none" stroke="#77838a" stroke-width="5"/>',
  lost: '<path d="M4 4 28 28M28 4 4 28" stroke="#a8201a" stroke-width="6"/>',
  tripped: '<path d="M16 3 30 29H2z" fill="#a8201a"/>',
  asks: '<rect x="3" y="3" width="26" height="26" rx="4" fill="#a8201a"/><path d="M11 12q1-5 5-5t5 4-5 6v3m0 3v3" fill="none" stroke="#fff" stroke-width="3"/>',
};
const main = document.getElementById("main");
let view = null;
let shown = "";
let before = "fresh";
const stands = {};
const questions = {};

function route() {
  const parts = decodeURI(location.hash.slice(2)).split("/");
  view?.close();
  if (parts[0] === "bay" && live.bays[parts[1]]) view = bayView(parts[1]);
  else if (parts[0] === "runs") view = runsView();
  else if (parts[0] === "run" && parts.length === 3) view = runView(`${parts[1]}/${parts[2]}`);
  else view = overview();
  main.replaceChildren(view.element);
  for (const link of document.querySelectorAll("nav a")) {
    if (link.hash === (parts[0].startsWith("run") ? "#/runs" : "#/")) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  view.update();
}

window.addEventListener("hashchange", () => {
  if (!live.known) return;
  route();
  scrollTo(0, 0);
  main.querySelector("h1")?.focus({ preventScroll: true });
});

listen((kind, message) => {
  if (kind === "now" && view === null) route();
  view?.on(kind, message);
  if (kind === "state" || kind === "now") Object.entries(live.bays).forEach(([bay, one]) => tellChanges(bay, one.state));
  if (kind !== "sample") update();
});

/** Tell what a person would want to be interrupted for, once. */
function tellChanges(bay, state) {
  if (!state) return;
  const had = stands[bay];
  stands[bay] = state.stand;
  if (had && had !== state.stand) {
    announce(`Bay ${bay}: ${state.stand}${state.why ? `: ${state.why}` : ""}`, state.stand === "tripped" ? "assertive" : "polite");
  }
  const asked = state.question?.text || "";
  if (asked && asked !== questions[bay]) announce(`Bay ${bay} asks: ${asked}`);
  questions[bay] = asked;
}

function update() {
  const seconds = age();
  const fresh = live.known ? freshness(seconds) : "late";
  document.body.dataset.age = fresh;
  say(document.getElementById("bench"), live.bench || "benchwarden");
  say(document.getElementById("age"), ageWords(seconds));
  const banner = document.getElementById("lost");
  banner.hidden = fresh !== "lost" || !live.known;
  say(banner, `NO NEW DATA FOR ${Number.isFinite(seconds) ? Math.round(seconds) : "MANY"} s. What stands here is old: the bench may do something else. STOP still works while the server answers.`);
  if (fresh !== before && live.known) {
    if (fresh === "lost") announce("no new data: what is shown is old", "assertive");
    else if (fresh === "fresh" && before === "lost") announce("data are new again");
    before = fresh;
  }
  const needsToken = live.refused === "token" || new URLSearchParams(location.search).has("login");
  document.getElementById("login").hidden = !needsToken || live.you.operates;
  document.getElementById("log-in").hidden = !live.you.tokens || live.you.operates || needsToken;
  document.getElementById("log-out").hidden = !live.you.tokens || !live.known;
  say(document.getElementById("who"), whoWords());
  say(document.getElementById("guardian"), guardianWords());
  head(fresh, seconds);
  view?.update();
}

function ageWords(seconds) {
  if (live.refused === "token") return "log in to see data";
  if (!live.known) return "connecting…";
  if (!Number.isFinite(seconds)) return "the worker has not been heard yet";
  return `data ${seconds < 10 ? seconds.toFixed(1) : Math.round(seconds)} s old`;
}

function whoWords() {
  const { role } = live.you;
  if (role === "operate") return "You operate this bench.";
  if (role === "view") return "You may look, and press STOP.";
  return role === "local" ? "No tokens are set: whoever is on this machine may look, and press STOP." : "";
}

function guardianWords() {
  if (live.guardian.took_over) return `The guardian took over: ${Object.entries(live.guardian.took_over).map(([name, words]) => `${name} ${words}`).join("; ")}`;
  if (live.guardian.there === undefined) return "";
  return live.guardian.there ? "guardian: there" : "guardian: NO ANSWER";
}

/** Title and icon follow, for whoever has this page behind another one. */
function head(fresh, seconds) {
  const bays = Object.entries(live.bays).filter(([, one]) => one.state);
  const tripped = bays.filter(([, one]) => one.state.stand === "tripped").map(([name]) => name);
  const asking = bays.filter(([, one]) => one.state.question).map(([name]) => name);
  const running = bays.filter(([, one]) => ["running", "cooling"].includes(one.state.stand)).map(([name]) => name);
  let words = running.length ? `${running.join(", ")} running` : "idle";
  const urgent = [tripped.length && `TRIPPED: ${tripped.join(", ")}`, asking.length && `ASKS: ${asking.join(", ")}`].filter(Boolean);
  if (urgent.length) words = urgent.join("; ");
  if (fresh === "lost" && live.known) words = `NO DATA ${Number.isFinite(seconds) ? Math.round(seconds) : ""} s`;
  const title = `${words} · ${live.bench || "benchwarden"}`;
  if (document.title !== title) document.title = title;
  const icon = fresh === "fresh" ? (tripped.length ? "tripped" : asking.length ? "asks" : running.length ? "on" : "fresh") : fresh;
  if (icon !== shown) {
    shown = icon;
    const drawing = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32">${ICONS[icon]}</svg>`;
    document.getElementById("icon").href = `data:image/svg+xml,${encodeURIComponent(drawing)}`;
  }
}

document.getElementById("stop").addEventListener("click", () => stop(null));
document.getElementById("log-in").addEventListener("click", () => {
  history.replaceState(null, "", `/?login=more${location.hash}`);
  update();
  document.getElementById("token").focus();
});
if (new URLSearchParams(location.search).get("login") === "wrong") {
  document.getElementById("wrong").hidden = false;
}
setInterval(update, EVERY_MS);
document.addEventListener("visibilitychange", update);
open();
update();
