// STOP: at once and without a question; then what came of it and when, for as long as that is so.

import { announce, make, runName, say, secondOf } from "/dom.js";
import { listen, live } from "/live.js";

const TRIES = 3;
const WAIT_MS = 45000;
const LATE_MS = 5000; // a sample of the run that was stopped may still have been on its way to this page
const presses = new Map(); // of each bay, of all (null): the newest press

/** Press STOP for one bay, or for all (null): at once, without a question, as often as one likes. */
export async function stop(bay) {
  if (bay === null) presses.clear(); // what was said of single bays is said anew
  const press = { bay, box: make("div", { class: "answer" }), off: false, runs: {} };
  presses.set(bay, press);
  document.getElementById("stop-answer").replaceChildren(...[...presses.values()].map((one) => one.box));
  const what = bay === null ? "everything" : `bay ${bay}`;
  const began = performance.now();
  const waiting = () => {
    const seconds = Math.round((performance.now() - began) / 1000);
    show(press, "waiting", `STOP ${what}: sent, ${seconds} s. Off counts only when it was read back.`);
  };
  waiting();
  announce(`STOP ${what} sent`, "assertive");
  const ticking = setInterval(waiting, 1000);
  let trouble = "";
  for (let attempt = 0; attempt < TRIES; attempt += 1) {
    try {
      const response = await fetch("/api/stop", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(bay === null ? {} : { bay }),
        signal: AbortSignal.timeout(WAIT_MS),
      });
      const answer = await response.json();
      if (!response.ok) throw new Error(answer.error);
      clearInterval(ticking);
      told(press, answer);
      return;
    } catch (error) {
      trouble = error.message;
      await new Promise((resolve) => setTimeout(resolve, 700));
    }
  }
  clearInterval(ticking);
  show(press, "not-off", `NOT CONFIRMED: the page got no answer (${trouble}).`, secondOf(Date.now()), [
    "Press STOP again, use the stop that needs no computer, or type `benchwarden stop --all` on the bench's machine.",
  ]);
}

/** Show the server's answer, and keep which runs it was about. */
function told(press, answer) {
  const { bay } = press;
  for (const [name, run] of Object.entries(answer.runs)) {
    if (bay !== null && bay !== name) continue;
    const { state, sample } = live.bays[name] || {};
    press.runs[name] = new Set([run, state?.run, sample?.run, ...(state?.tests || []).map((test) => runName(test.run))]);
  }
  Object.assign(press, { off: answer.off, utc: answer.utc, answered: performance.now() });
  const what = bay === null ? "STOP everything" : `STOP bay ${bay}`;
  show(press, answer.off ? "off" : "not-off", answer.words, `${what}: answered at ${secondOf(answer.utc)}`, answer.lines);
}

function show(press, kind, words, time = "", lines = []) {
  if (presses.get(press.bay) !== press) return; // pressed again since
  const { box } = press;
  box.dataset.kind = kind;
  const close = () => {
    presses.delete(press.bay);
    box.remove();
  };
  box.replaceChildren(make("p", { class: "words" }, words));
  if (time) box.append(make("p", { class: "time" }, time));
  if (lines.length) box.append(make("ul", {}, lines.map((text) => make("li", {}, text))));
  if (kind === "waiting") return;
  box.append(make("button", { type: "button", class: "small", onclick: close }, "close"));
  announce(words, "assertive");
}

/** Tell whether current may flow again in a bay that was off: a new run, or the old one later than it can be late. */
function goesAgain(press, name, kind, message) {
  const known = press.runs[name];
  const run = live.bays[name]?.state?.run;
  if (run && !known.has(run)) return true;
  if (kind !== "sample" || message.bay !== name) return false;
  return !known.has(message.run) || (message.output !== "off" && performance.now() - press.answered > LATE_MS);
}

listen((kind, message) => {
  for (const press of presses.values()) {
    if (!press.off) continue; // an off that nobody confirmed stays until somebody closes it
    const again = Object.keys(press.runs).filter((name) => goesAgain(press, name, kind, message));
    again.forEach((name) => (press.again ||= new Set()).add(name));
    if (!again.length) continue;
    const bays = [...press.again].join(", ");
    const run = press.again.size > 1 ? `bays ${bays} run` : `bay ${bays} runs`;
    const words = `Was off at ${secondOf(press.utc)}. Since then ${run} again.`;
    if (press.box.dataset.kind !== "was-off") show(press, "was-off", words);
    else say(press.box.querySelector(".words"), words);
  }
});
