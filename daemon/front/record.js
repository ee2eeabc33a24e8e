// Parts of a run that the views of a bay and of a past run share: its chart, limits, protections, events.

import { Chart } from "/chart.js";
import { get, known, make, number } from "/dom.js";

const TAIL = 3000; // points added live before the whole is thinned anew

/** A run's chart, filled from the record and, while it runs, from the stream. */
export function runChart(places) {
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

export function section(title, ...children) {
  return make("section", { class: "card" }, make("h2", {}, title), ...children);
}

export function factLists(found) {
  return [
    make("h3", {}, "Limits: beyond these it switches off"),
    make("dl", { class: "pairs" }, found.limits.map(([what, much]) => make("div", {}, make("dt", {}, what), make("dd", {}, much)))),
    make("h3", {}, "What the bench itself protects"),
    make("ul", {}, found.protections.map((text) => make("li", {}, text))),
    found.notes.length ? make("ul", { class: "soft" }, found.notes.map((text) => make("li", {}, text))) : "",
  ].filter(Boolean);
}

export function eventLines(found) {
  const time = (event) => `${(event.utc || "").slice(11, 19)}`;
  return found.toReversed().map((event) => make("li", {}, make("time", { datetime: event.utc || "" }, time(event)), ` ${event.words}`));
}
