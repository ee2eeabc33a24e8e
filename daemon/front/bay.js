// The view of one bay: card, curves, groups, plan, waiting list, events, and what may be done.

import { details, detailOf, bayCard } from "/card.js";
import { acknowledgeButton, askToStart } from "/control.js";
import { duration, known, make, number, runName, say } from "/dom.js";
import { live } from "/live.js";
import { eventLines, factLists, runChart, section } from "/record.js";
import { stop } from "/stop.js";

const DETAIL_MS = 1200; // events come in groups

export function bayView(name) {
  const card = bayCard(name);
  const places = Object.keys(live.bays[name]?.sample?.temperatures_c || {});
  const chart = runChart(places.length ? places : ["middle", "joint", "ambient"]);
  const groups = make("div", {});
  const temperatures = make("dl", { class: "pairs" });
  const plan = make("ol", { class: "plan" });
  const tests = make("ol", { class: "tests" });
  const facts = make("div", {});
  const events = make("ol", { class: "events", tabindex: "0", "aria-label": "events" });
  const acts = make("div", { class: "row acts" });
  const nothing = make("p", { class: "soft" }, "No run has begun in this bay.");
  const which = make("p", { class: "soft" });
  const charted = section("The run", nothing, which, chart.element);
  const element = make(
    "div",
    { class: "one" },
    make("h1", { tabindex: "-1" }, `Bay ${name}`),
    make("div", { class: "columns" }, make("div", {}, card.element, section("What to do", acts)), charted),
    make("div", { class: "columns" },
      make("div", {}, section("Groups", groups), section("Temperatures", temperatures), section("Waiting list", tests), section("In force", facts)),
      make("div", {}, section("Plan", plan), section("Events", events))),
  );
  let run;
  let shownActs = "";
  let shownTests = "";
  let due = null;
  const detail = async (afresh) => {
    due = null;
    const found = await detailOf(run, afresh);
    if (found) fillDetail(found);
  };
  const fillDetail = (found) => {
    plan.replaceChildren(...found.steps.map((step) => make("li", { value: step.number, "data-step": step.number }, make("strong", {}, step.title), make("span", { class: "soft" }, ` about ${duration(step.estimate_s)}${step.ends ? `; ends: ${step.ends}` : ""}`))));
    facts.replaceChildren(...factLists(found));
    events.replaceChildren(...eventLines(found.events));
    mark();
  };
  const mark = () => {
    const now = live.bays[name]?.sample?.step;
    for (const item of plan.children) {
      const current = Number(item.dataset.step) === now;
      if (current) item.setAttribute("aria-current", "step");
      else item.removeAttribute("aria-current");
      item.classList.toggle("done", now !== undefined && Number(item.dataset.step) < now);
    }
  };
  return {
    element,
    update() {
      card.update();
      const { state, sample } = live.bays[name] || {};
      const newest = runName(state?.tests.findLast((test) => test.run)?.run);
      const wanted = state?.run ?? newest ?? null;
      say(which, state?.run ? "" : wanted ? "No run goes on in this bay: this is its last one." : "");
      if (wanted !== run) {
        run = wanted;
        nothing.hidden = run !== null;
        chart.element.hidden = run === null;
        [plan, facts, events].forEach((one) => one.replaceChildren());
        if (run) {
          chart.show(run);
          detail(true);
        }
      }
      if (sample) groupBars(groups, sample, details.get(sample.run)?.group_limits_v);
      else groups.replaceChildren(make("p", { class: "soft" }, "not measured now"));
      temperatures.replaceChildren(...Object.entries(sample?.temperatures_c || {}).map(([place, value]) => make("div", {}, make("dt", {}, place), make("dd", {}, `${number(value, 1)} °C`))));
      mark();
      const nowActs = JSON.stringify([state?.stand, live.you, state?.tests.some((test) => test.fate === "waiting")]);
      if (nowActs !== shownActs) {
        shownActs = nowActs;
        acts.replaceChildren(...actsFor(name, state));
      }
      const nowTests = JSON.stringify(state?.tests);
      if (nowTests !== shownTests) {
        shownTests = nowTests;
        tests.replaceChildren(...testItems(state));
      }
    },
    on(kind, message) {
      if (kind === "sample" && message.bay === name) chart.add(message);
      if (kind === "event" && message.bay === name) due ||= setTimeout(() => detail(true), DETAIL_MS);
      if (kind === "refill") {
        chart.refill();
        detail(true);
      }
    },
    close() {
      chart.close();
      clearTimeout(due);
    },
  };
}

function actsFor(name, state) {
  const parts = [make("button", { type: "button", class: "stop-bay", onclick: () => stop(name) }, `Stop bay ${name} only`)];
  if (!live.you.operates) {
    parts.push(make("p", { class: "soft" }, live.you.tokens ? "To start, acknowledge or answer, log in with the operator's token." : "No tokens are set: tests are started, and trips acknowledged, at the command line."));
    return parts;
  }
  if (state?.stand === "tripped") parts.push(acknowledgeButton(name));
  const goes = ["running", "cooling", "tripped"].includes(state?.stand);
  if (!goes && state?.tests.some((test) => test.fate === "waiting")) {
    parts.push(make("button", { type: "button", class: "go", onclick: () => askToStart(name) }, "Start what waits…"));
  }
  return parts;
}

function testItems(state) {
  if (!state?.tests.length) return [make("li", { class: "soft" }, "nothing waits")];
  return state.tests.map((test) => {
    const run = runName(test.run);
    return make("li", { value: test.number }, run ? make("a", { href: `#/run/${run}` }, test.title) : test.title, `: ${test.fate}${test.fate === "waiting" ? `, about ${duration(test.estimate_s)}` : ""}${test.charges ? ", charges" : ""}${test.why ? `: ${test.why}` : ""}`);
  });
}

/** Bars between the group limits in force; the spread in millivolts, since no bar shows that. */
function groupBars(place, sample, limits) {
  const there = known(sample.groups_v);
  if (!there.length) {
    place.replaceChildren(make("p", { class: "soft" }, "no group was measured"));
    return;
  }
  const low = Math.min(limits?.[0] ?? Infinity, ...there);
  const high = Math.max(limits?.[1] ?? -Infinity, ...there);
  if (place.querySelectorAll(".bar").length !== sample.groups_v.length) {
    const bars = sample.groups_v.map((_, group) => make("div", { class: "bar-row" }, make("span", {}, `${group + 1}`), make("div", { class: "track", "aria-hidden": "true" }, make("div", { class: "bar" })), make("span", { class: "value" })));
    place.replaceChildren(make("p", { class: "spread" }), ...bars, make("p", { class: "soft scale" }));
  }
  const mean = there.reduce((sum, value) => sum + value, 0) / there.length;
  const least = Math.min(...there);
  say(place.querySelector(".spread"), `spread ${number((Math.max(...there) - least) * 1000, 1)} mV, lowest is group ${sample.groups_v.indexOf(least) + 1}`);
  say(place.querySelector(".scale"), limits?.[0] ? `bars from ${number(low, 2)} V to ${number(high, 2)} V, the limits in force` : "");
  place.querySelectorAll(".bar-row").forEach((row, group) => {
    const value = sample.groups_v[group];
    row.querySelector(".bar").style.width = value === null || high <= low ? "0" : `${(100 * (value - low)) / (high - low)}%`;
    row.querySelector(".bar").classList.toggle("least", value === least);
    const apart = value === null ? "" : ` (${value >= mean ? "+" : ""}${number((value - mean) * 1000, 1)} mV)`;
    say(row.querySelector(".value"), `${number(value, 4)} V${apart}`);
  });
}
