// A bay's card: what it does, what it needs, what is measured. And what a run's record says of it, kept once fetched.

import { questionForm } from "/control.js";
import { duration, get, known, make, number, say, when } from "/dom.js";
import { freshness, live, need, sampleAge } from "/live.js";

export const details = new Map(); // run: what the record says of it, fetched once and after events

export async function detailOf(run, afresh = false) {
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

/** Return a bay's card as { element, update() }. */
export function bayCard(name) {
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
