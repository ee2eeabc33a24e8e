// The views: overview, one bay, past runs, one run. Each is { element, update(), close(), on(kind, message) }.

import { Chart } from "/chart.js";
import { acknowledgeButton, askToStart, noteForm, questionForm } from "/control.js";
import { bytes, duration, get, make, number, post, runName, say, when } from "/dom.js";
import { freshness, live, need, neediestFirst, sampleAge } from "/live.js";
import { stop } from "/stop.js";

const DETAIL_MS = 1200; // events come in groups
const TAIL = 3000; // points added live before the whole is thinned anew
const details = new Map(); // run: what the record says of it, fetched once and after events

async function detailOf(run, afresh = false) {
  if (run && (afresh || !details.has(run))) {
    details.set(run, null);
    try {
      details.set(run, await get(`/api/runs/${run}`));
    } catch {
      details.delete(run);
    }
  }
  return details.get(run);
}

const stepOf = (run, count) => details.get(run)?.steps.find((step) => step.number === count);
const known = (values) => values.filter((value) => value !== null);

const FIGURES = [
  ["V", "V", (one) => number(one.voltage_v, 3)],
  ["A", "A", (one) => number(one.current_a, 3)],
  ["W", "W", (one) => number(one.power_w, 1)],
  ["hottest", "°C", (one) => number(hottest(one), 1)],
  ["lowest group", "V", (one) => number(known(one.groups_v).length ? Math.min(...known(one.groups_v)) : null, 3)],
  ["out", "Ah", (one) => number(one.discharging_ah, 3)],
  ["out", "Wh", (one) => number(one.discharging_wh, 2)],
  ["in", "Ah", (one) => number(one.charging_ah, 3)],
  ["in", "Wh", (one) => number(one.charging_wh, 2)],
];

function hottest(sample) {
  const on = Object.entries(sample.temperatures_c).filter(([place, value]) => place !== "ambient" && value !== null);
  return on.length ? Math.max(...on.map(([, value]) => value)) : null;
}

/** What a bay is doing, in a few words that a person in a hurry understands. */
function standWords(state) {
  if (!state) return "nothing heard of it yet";
  const flows = { load: "drawing", supply: "charging", off: "output off" }[live.bays[state.bay].sample?.output];
  const words = { idle: "idle", running: flows ? "running" : "running: checks before anything is on", cooling: "cooling between tests", stopped: "stopped", tripped: "TRIPPED", interrupted: "interrupted" }[state.stand];
  return state.stand === "running" && flows ? `running, ${flows}` : words;
}

function testWords(state) {
  if (!state || !state.tests.length) return state?.pack ? "no test in its list" : "";
  const place = state.tests.findIndex((test) => test.fate === "running");
  const waiting = state.tests.filter((test) => test.fate === "waiting").length;
  const where = place >= 0 ? `test ${place + 1} of ${state.tests.length}: ${state.tests[place].title}` : "";
  return [where, waiting ? `${waiting} waiting` : ""].filter(Boolean).join(", ");
}

function bayCard(name) {
  const stand = make("p", { class: "stand" });
  const pack = make("p", { class: "pack" });
  const test = make("p", {});
  const step = make("p", {});
  const ends = make("p", { class: "soft" });
  const values = FIGURES.map(() => make("dd", {}));
  const figures = make("dl", { class: "figures" });
  FIGURES.forEach(([words, unit], place) => figures.append(make("div", {}, make("dt", {}, words === unit ? unit : `${words}, ${unit}`), values[place])));
  const left = make("p", { class: "left" });
  const off = make("p", {});
  const meanwhile = make("p", {});
  const why = make("p", { class: "why" });
  const question = make("div", {});
  let asked = "";
  const element = make(
    "article",
    { class: "card bay", "aria-labelledby": `bay-${name}` },
    make("h2", { id: `bay-${name}` }, make("a", { href: `#/bay/${name}` }, `Bay ${name}`)),
    stand, why, question, pack, meanwhile, test, step, ends, figures, left, off,
  );
  const update = () => {
    const { state, sample } = live.bays[name] || {};
    const planned = sample && stepOf(sample.run, sample.step);
    if (sample && !details.has(sample.run)) detailOf(sample.run);
    const needed = need(state);
    element.dataset.stand = needed || state?.stand || "unknown";
    element.dataset.age = sample ? freshness(sampleAge(name), (planned?.every_s ?? 10) - 1) : "fresh";
    say(stand, needed === "asks" ? "asks you:" : standWords(state));
    say(meanwhile, needed === "asks" ? standWords(state) : "");
    say(pack, state?.pack || "no pack");
    say(test, testWords(state));
    say(step, sample ? `step ${sample.step} of ${sample.steps}: ${planned ? planned.title : sample.step_kind}` : "");
    say(ends, planned?.ends ? `ends: ${planned.ends}` : "");
    figures.hidden = !sample;
    if (sample) FIGURES.forEach(([, , shown], place) => say(values[place], shown(sample)));
    say(left, sample ? `about ${duration(sample.left_s)} left` : "");
    say(off, state?.off ? `${state.off.words}, ${when(state.off.utc)}` : "");
    off.className = state?.off && !state.off.confirmed ? "problem" : "soft";
    say(why, state?.why || "");
    const now = state?.question ? JSON.stringify([state.question, live.you.operates]) : "";
    if (now !== asked) {
      asked = now;
      question.replaceChildren(...(now ? [questionForm(name, state.question)] : []));
    }
  };
  return { element, update };
}

export function overview() {
  const morning = make("div", {}, make("p", { class: "soft" }, "Reading lists and runs…"));
  const cards = make("div", { class: "cards" });
  const first = make("section", { class: "card morning", "aria-labelledby": "morning-title" }, make("h2", { id: "morning-title" }, "This morning"), morning);
  const element = make("div", {}, make("h1", { tabindex: "-1", class: "unseen" }, "Overview"), first, cards);
  let bays = {};
  let order = "";
  let due = null;
  let report = null;
  let stood = "";
  const show = () => {
    stood = standsNow();
    morning.replaceChildren(...morningLines(report));
  };
  const read = async () => {
    due = null;
    try {
      report = await get("/api/morning");
    } catch (error) {
      report = { error: `the report cannot be had: ${error.message}` };
    }
    show();
    if (!report.error && Object.keys(report.bays).some((bay) => isOld(report, bay))) later(12000);
  };
  const later = (ms) => (due ||= setTimeout(read, ms));
  // Whoever takes the phone out sees first what needs them, also above the morning's report.
  const arrange = (names) => {
    const needed = names.some((name) => need(live.bays[name].state));
    if (order === `${needed} ${names}`) return;
    order = `${needed} ${names}`;
    const had = document.activeElement;
    cards.append(...names.map((name) => bays[name].element));
    element.append(...(needed ? [cards, first] : [first, cards]));
    if (element.contains(had)) had.focus({ preventScroll: true });
  };
  read();
  const again = setInterval(read, 60000);
  return {
    element,
    update() {
      const names = Object.keys(live.bays);
      if (names.length !== Object.keys(bays).length) {
        bays = Object.fromEntries(names.map((name) => [name, bayCard(name)]));
        order = "";
      }
      names.forEach((name) => bays[name].update());
      arrange(neediestFirst(names));
    },
    on(kind) {
      if (kind !== "state" && kind !== "refill") return;
      if (report && standsNow() !== stood) show();
      later(12000);
    },
    close() {
      clearInterval(again);
      clearTimeout(due);
    },
  };
}

const standsNow = () => JSON.stringify(Object.values(live.bays).map((one) => [one.state?.stand, one.state?.question?.text]));

/** Tell whether a bay stands elsewhere by now than the morning's report says; another one is on its way. */
function isOld(report, bay) {
  const stand = live.bays[bay]?.state?.stand;
  return stand !== undefined && stand !== report.bays[bay].stand;
}

function morningLines(report) {
  if (report.error) return [make("p", { class: "problem" }, report.error)];
  const parts = [];
  if (report.guardian_log.length) {
    const lines = report.guardian_log;
    parts.push(
      report.guardian_why
        ? make("p", { class: "problem" }, `The guardian had to act: ${report.guardian_why}`)
        : make("p", { class: "flag" }, `The guardian wrote: ${lines.at(-1)}`),
      make("details", {}, make("summary", {}, `its last ${lines.length} lines`), make("ul", {}, lines.map((text) => make("li", {}, text)))),
    );
  }
  const names = Object.keys(report.bays);
  const fine = (name) => report.bays[name].fine || isOld(report, name);
  const rows = neediestFirst([...names.filter((name) => !fine(name)), ...names.filter(fine)]).map((name) => {
    const bay = report.bays[name];
    const state = live.bays[name]?.state;
    const asks = state?.question ? make("p", { class: "urgent" }, make("strong", {}, "asks you: "), make("a", { href: `#/bay/${name}` }, state.question.text)) : "";
    if (isOld(report, name)) {
      const head = make("strong", {}, `${state.pack ? `${name}, ${state.pack}` : name}: `);
      const tripped = state.stand === "tripped";
      const words = tripped ? make("strong", { class: "urgent" }, `TRIPPED${state.why ? `: ${state.why}` : ""}`) : state.stand;
      return make("div", { class: need(state) ? "told not-fine" : "told" }, make("p", {}, head, words, "; more in a moment"), asks);
    }
    const over = bay.tests.filter((test) => test.fate !== "running");
    const on = bay.tests.some((test) => test.fate === "running");
    const off = on ? "a test runs" : { true: "off confirmed", false: "OFF NOT CONFIRMED", null: "off: not known" }[bay.off];
    const now = bay.pack_now;
    const tripped = bay.stand === "tripped";
    const stands = make(tripped ? "strong" : "span", { class: tripped ? "urgent" : "" }, `${tripped ? "TRIPPED" : bay.stand}${bay.why ? `: ${bay.why}` : ""}`);
    const told = make("div", {}, make("p", {}, make("strong", {}, `${name}${bay.pack ? `, ${bay.pack}` : ""}: `), stands, "; ", bay.off === false && !on ? make("strong", { class: "urgent" }, off) : off), asks);
    if (over.length || bay.not_run.length) {
      told.append(
        make("ul", {}, [
          ...over.map((test) => make("li", {}, testLine(test), ...test.flags.map((text) => make("span", { class: "flag" }, ` ⚑ ${text}`)))),
          ...bay.not_run.map((test) => make("li", { class: "soft" }, `${on ? "comes next" : "did not run"}: ${test.title}${test.why && !on ? `: ${test.why}` : ""}`)),
        ]),
      );
    }
    if (now && !on) {
      const groups = known(now.groups_v).length ? `${now.groups_v.map((value) => number(value, 3)).join(" ")} V per group` : `${number(now.voltage_v, 2)} V`;
      told.append(make("p", {}, `the pack now: ${now.charge}; ${groups}, ${number(now.hottest_c, 1)} °C. Within 24 h: ${now.need}`));
      if (now.doubts.length) told.append(make("p", { class: "soft" }, `but ${now.doubts.join("; ")}`));
    }
    told.className = bay.fine && !need(state) ? "told" : "told not-fine";
    return told;
  });
  return [...parts, ...rows];
}

function testLine(test) {
  const run = runName(test.run);
  const shown = test.shown
    .slice(0, 4)
    .map(([words]) => words.split(", "))
    .map(([words, unit], place) => `${words} ${test.shown[place][1]} ${unit || ""}`.trim())
    .join(", ");
  return make("span", {}, run ? make("a", { href: `#/run/${run}` }, test.title) : test.title, `: ${test.fate}${test.why ? `: ${test.why}` : ""}${shown ? `. ${shown}` : ""}`);
}

/** A run's chart, filled from the record and, while it runs, from the stream. */
function runChart(places) {
  const temperatures = places.map((place, number) => ({ name: `${place}_c`, words: place, colour: `--curve-t${(number % 3) + 1}`, dash: place === "ambient" ? [2, 3] : number ? [7, 3] : [] }));
  const panels = [
    { title: "voltage and current", height: 190, axes: [
      { unit: "V", digits: 3, least: 0.1, curves: [{ name: "voltage_v", words: "voltage", colour: "--curve-v" }] },
      { unit: "A", digits: 2, least: 1, curves: [{ name: "current_a", words: "current", colour: "--curve-a", dash: [6, 2] }] },
    ] },
    { title: "power", height: 120, axes: [{ unit: "W", digits: 1, least: 10, curves: [{ name: "power_w", words: "power", colour: "--curve-w" }] }] },
    { title: "groups", height: 130, axes: [{ unit: "V", digits: 3, least: 0.05, curves: [
      { name: "highest_v", words: "highest group", colour: "--curve-w", dash: [6, 2] },
      { name: "lowest_v", words: "lowest group", colour: "--curve-v" },
    ] }] },
    { title: "temperature", height: 130, axes: [{ unit: "°C", digits: 1, least: 4, curves: temperatures }] },
  ];
  let run = null;
  let tail = 0;
  let asked = 0;
  let looked = [null, null];
  const fill = async (from, to) => {
    looked = [from, to];
    const mine = ++asked;
    const width = Math.max(chart.canvas.clientWidth, 300) * Math.min(devicePixelRatio || 1, 2);
    const times = (from === null ? "" : `&from=${from}`) + (to === null ? "" : `&to=${to}`);
    try {
      const data = await get(`/api/runs/${run}/curves?slices=${Math.min(Math.round(width), 1500)}${times}`);
      if (mine !== asked) return;
      tail = 0;
      chart.set(data);
    } catch (error) {
      chart.readout.textContent = `the record cannot be read now: ${error.message}`;
    }
  };
  const chart = new Chart(panels, fill);
  return {
    element: chart.element,
    show(name) {
      run = name;
      chart.range = chart.follow = null;
      chart.readout.textContent = "reading the record…";
      setTimeout(() => fill(null, null)); // once its width is known
    },
    refill: () => run && (chart.range ? fill(...looked) : chart.look(null, chart.follow)),
    add(sample) {
      if (sample.run !== run) return;
      const groups = known(sample.groups_v);
      const values = { voltage_v: sample.voltage_v, current_a: sample.current_a, power_w: sample.power_w };
      if (groups.length) Object.assign(values, { lowest_v: Math.min(...groups), highest_v: Math.max(...groups) });
      for (const [place, value] of Object.entries(sample.temperatures_c)) values[`${place}_c`] = value;
      if (!chart.steps.length || chart.steps.at(-1).step !== sample.step) chart.steps.push({ step: sample.step, kind: sample.step_kind, from_s: sample.test_time_s, to_s: sample.test_time_s });
      chart.add(sample.test_time_s, values);
      if (++tail > TAIL) this.refill();
    },
    close: () => chart.close(),
  };
}

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

function section(title, ...children) {
  return make("section", { class: "card" }, make("h2", {}, title), ...children);
}

function factLists(found) {
  return [
    make("h3", {}, "Limits: beyond these it switches off"),
    make("dl", { class: "pairs" }, found.limits.map(([what, much]) => make("div", {}, make("dt", {}, what), make("dd", {}, much)))),
    make("h3", {}, "What the bench itself protects"),
    make("ul", {}, found.protections.map((text) => make("li", {}, text))),
    found.notes.length ? make("ul", { class: "soft" }, found.notes.map((text) => make("li", {}, text))) : "",
  ].filter(Boolean);
}

function eventLines(found) {
  const time = (event) => `${(event.utc || "").slice(11, 19)}`;
  return found.toReversed().map((event) => make("li", {}, make("time", { datetime: event.utc || "" }, time(event)), ` ${event.words}`));
}

export function runsView() {
  const list = make("div", { class: "runs" });
  const more = make("button", { type: "button", hidden: true, onclick: () => read() }, "older runs");
  const chosen = new Set();
  const compare = make("button", { type: "button", disabled: true }, "Compare ticked runs");
  const told = make("p", { class: "soft", role: "status" }, "Tick two or more runs to compare them.");
  const bar = make("div", { class: "row compare" }, compare, told);
  const element = make("div", { class: "one" }, make("h1", { tabindex: "-1" }, "Past runs"), bar, list, more);
  const tick = (run, ticked) => {
    ticked ? chosen.add(run) : chosen.delete(run);
    compare.disabled = chosen.size < 2;
    told.className = "soft";
    say(told, chosen.size ? `${chosen.size} run${chosen.size > 1 ? "s" : ""} ticked` : "Tick two or more runs to compare them.");
  };
  compare.addEventListener("click", async () => {
    compare.disabled = true;
    told.className = "soft";
    say(told, "comparing…");
    try {
      const made = await post("/api/comparisons", { runs: [...chosen] });
      told.replaceChildren(make("a", { href: made.at, target: "_blank", rel: "noopener" }, `The comparison of ${chosen.size} runs`));
    } catch (error) {
      told.className = "problem";
      say(told, error.message);
    }
    compare.disabled = chosen.size < 2;
  });
  let shown = 0;
  const read = async () => {
    try {
      const found = await get(`/api/runs?first=${shown}`);
      list.append(...found.runs.map((run) => runCard(run, tick)));
      shown += found.runs.length;
      more.hidden = shown >= found.count;
      if (!shown) list.replaceChildren(make("p", { class: "soft" }, "No run has been recorded yet."));
    } catch (error) {
      list.append(make("p", { class: "problem" }, error.message));
    }
  };
  read();
  return { element, update() {}, on() {}, close() {} };
}

function runCard(run, tick = null) {
  const off = run.off_confirmed === false ? "; OFF NOT CONFIRMED" : "";
  return make(
    "article",
    { class: "card run", "data-how": run.how },
    make("h2", {}, make("a", { href: `#/run/${run.run}` }, `${run.pack}: ${run.title}`)),
    make("p", { class: "only-here" }, run.title),
    make("p", { class: "soft" }, `${when(run.started_utc)}, ${run.imported ? `IMPORTED from ${run.imported}` : `bay ${run.bay}`}${run.simulated ? ", simulated" : ""}`),
    make("p", {}, make("strong", {}, run.how), `${run.why ? `: ${run.why}` : ""}${off}`),
    run.figures.length ? make("dl", { class: "pairs" }, run.figures.map(([words, value]) => make("div", {}, make("dt", {}, words), make("dd", {}, value)))) : "",
    ...run.flags.map((text) => make("p", { class: "flag" }, `⚑ ${text}`)),
    run.note ? make("p", { class: "note" }, run.note) : "",
    run.report ? make("p", {}, make("a", { href: `/api/runs/${run.run}/report`, target: "_blank", rel: "noopener" }, "Report")) : "",
    tick ? make("p", {}, make("label", {}, make("input", { type: "checkbox", onchange: (event) => tick(run.run, event.target.checked) }), ` compare ${run.pack}, ${when(run.started_utc)}`)) : "",
  );
}

export function runView(name) {
  const chart = runChart(["middle", "joint", "ambient"]);
  const top = make("div", {}, make("p", { class: "soft" }, "Reading the record…"));
  const facts = make("div", {});
  const events = make("ol", { class: "events", tabindex: "0", "aria-label": "events" });
  const files = make("ul", { class: "files" });
  const plan = make("ol", { class: "plan" });
  const title = make("h1", { tabindex: "-1" }, "A run");
  const noted = make("div", {});
  const element = make(
    "div",
    { class: "one" },
    title,
    top,
    section("Curves", chart.element),
    make("div", { class: "columns" },
      make("div", {}, noted, section("Files", files), section("Limits and protections", facts)),
      make("div", {}, section("Plan", plan), section("Events", events))),
  );
  const read = async () => {
    try {
      const found = await get(`/api/runs/${name}`);
      const note = noteForm(name, found.note);
      say(title, `${found.pack}, ${when(found.started_utc)}`);
      top.replaceChildren(runCard({ ...found, note: "" }), ...found.problems.map((text) => make("p", { class: "problem" }, text)));
      noted.replaceChildren(...(note ? [section("Note", note)] : []));
      facts.replaceChildren(...factLists(found));
      events.replaceChildren(...eventLines(found.events));
      plan.replaceChildren(...found.steps.map((step) => make("li", { value: step.number }, make("strong", {}, step.title), make("span", { class: "soft" }, step.ends ? ` ends: ${step.ends}` : ""))));
      files.replaceChildren(...found.files.map(([file, size]) => make("li", {}, make("a", { href: `/api/runs/${name}/files/${file}`, download: true }, file), ` ${bytes(size)}`)));
    } catch (error) {
      top.replaceChildren(make("p", { class: "problem" }, error.message));
    }
  };
  read();
  chart.show(name);
  return {
    element,
    update() {},
    on(kind, message) {
      if (kind === "sample") chart.add(message);
      if (kind === "refill") chart.refill();
    },
    close: () => chart.close(),
  };
}
