// The overview: this morning's report and a card for each bay; what needs a person comes first.

import { bayCard } from "/card.js";
import { get, known, make, number, runName } from "/dom.js";
import { live, need, neediestFirst } from "/live.js";

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
        ? make("p", { class: "problem" }, `${report.guardian_words[0].toUpperCase()}${report.guardian_words.slice(1)} ${report.guardian_why}`)
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
