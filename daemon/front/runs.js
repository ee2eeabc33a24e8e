// The views of past runs and of one of them.

import { noteForm } from "/control.js";
import { bytes, get, make, post, say, when } from "/dom.js";
import { eventLines, factLists, runChart, section } from "/record.js";

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
