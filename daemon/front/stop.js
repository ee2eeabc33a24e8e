// STOP: at once and without a question; then what came of it and when, for as long as that is so.

import { announce, make, runName, say, secondOf } from "/dom.js";
import { listen, live } from "/live.js";

const ONE_MS = 10000; // for one request; the next one joins the same stop at the server
const AGAIN_MS = 700;
const END_MS = 35000; // the server itself has given up after 30 s
const SLOW_MS = 10000; // without an answer for so long a person must not go on waiting
const FAILING_MS = 2000; // nor where requests fail at once
const LATE_MS = 5000; // a sample of the run that was stopped may still have been on its way to this page
const INSTEAD =
  "Use the stop that needs no computer and unplug the pack, if you can do so safely. " +
  "A pack that is hot, swells or smokes: keep away and call the fire service.";
const presses = new Map(); // of each bay, of all (null): the newest press

/** Press STOP for one bay, or for all (null): at once, without a question, as often as one likes. */
export async function stop(bay) {
  // What an earlier press still waits for would hold one of the browser's six connections; this one covers it.
  for (const one of presses.values()) if (bay === null || bay === one.bay) one.cut?.();
  if (bay === null) presses.clear();
  const what = bay === null ? "everything" : `bay ${bay}`;
  const press = { bay, what, box: make("div", { class: "answer" }), began: performance.now(), off: false, runs: {} };
  presses.set(bay, press);
  document.getElementById("stop-answer").replaceChildren(...[...presses.values()].map((one) => one.box));
  announce(`STOP ${what} sent`, "assertive");
  wait(press);
  const ticking = setInterval(() => wait(press), 1000);
  const answer = await answerTo(press);
  clearInterval(ticking);
  if (answer?.refused) {
    end(press, "not-off", `NOT STOPPED: the server refuses it: ${answer.refused}. ${INSTEAD}`, `refused at ${secondOf(Date.now())}`);
  } else if (answer) {
    told(press, answer);
  } else {
    const words = `NOT CONFIRMED: the page got no answer in ${seconds(press)} s (${press.trouble}). ${INSTEAD}`;
    end(press, "not-off", words, `given up at ${secondOf(Date.now())}`, [
      "Press STOP again, or type `benchwarden stop --all` on the bench's machine.",
    ]);
  }
}

const isNewest = (press) => presses.get(press.bay) === press;
const seconds = (press) => Math.round((performance.now() - press.began) / 1000);

/** Ask until there is an answer, a refusal ({ refused: why }), too much time has gone, or STOP was pressed again. */
async function answerTo(press) {
  while (isNewest(press) && performance.now() - press.began < END_MS) {
    const cut = new AbortController();
    press.cut = () => cut.abort();
    const late = setTimeout(press.cut, Math.min(ONE_MS, press.began + END_MS - performance.now()));
    try {
      const response = await fetch("/api/stop", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(press.bay === null ? {} : { bay: press.bay }),
        signal: cut.signal,
      });
      const answer = await response.json();
      if (response.ok) return answer;
      if (response.status < 500) return { refused: answer.error };
      press.trouble = answer.error;
    } catch (error) {
      press.trouble = cut.signal.aborted ? "it hangs" : error.message;
    } finally {
      clearTimeout(late);
    }
    if (!cut.signal.aborted) await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
  return null;
}

/** Show that the answer is waited for, and soon what to do without one. */
function wait(press) {
  const waited = performance.now() - press.began;
  if (waited < (press.trouble ? FAILING_MS : SLOW_MS)) {
    show(press, "waiting", `STOP ${press.what}: sent, ${seconds(press)} s. Off counts only when it was read back.`);
    return;
  }
  const why = press.trouble ? ` (${press.trouble})` : "";
  show(press, "not-off", `NO ANSWER YET after ${seconds(press)} s${why}. ${INSTEAD}`, "The page goes on trying.");
  if (!press.warned && isNewest(press)) announce(`no answer to STOP yet. ${INSTEAD}`, "assertive");
  press.warned = true;
}

/** Show the server's answer, and keep which runs it was about. */
function told(press, answer) {
  const { bay } = press;
  for (const [name, run] of Object.entries(answer.runs || {})) {
    if (bay !== null && bay !== name) continue;
    const { state, sample } = live.bays[name] || {};
    press.runs[name] = new Set([run, state?.run, sample?.run, ...(state?.tests || []).map((test) => runName(test.run))]);
  }
  Object.assign(press, { off: answer.off, utc: answer.utc, answered: performance.now() });
  end(press, answer.off ? "off" : "not-off", answer.words, `answered at ${secondOf(answer.utc)}`, answer.lines);
}

function show(press, kind, words, time = "", lines = []) {
  if (!isNewest(press)) return;
  press.box.dataset.kind = kind;
  press.box.replaceChildren(make("p", { class: "words" }, words));
  if (time) press.box.append(make("p", { class: "time" }, time));
  if (lines.length) press.box.append(make("ul", {}, lines.map((text) => make("li", {}, text))));
}

/** Show what does not change by itself any more, and tell it aloud. */
function end(press, kind, words, time, lines) {
  if (!isNewest(press)) return;
  const close = () => {
    presses.delete(press.bay);
    press.box.remove();
  };
  show(press, kind, words, time && `STOP ${press.what}: ${time}`, lines);
  press.box.append(make("button", { type: "button", class: "small", onclick: close }, "close"));
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
    if (press.box.dataset.kind !== "was-off") end(press, "was-off", words, "", []);
    else say(press.box.querySelector(".words"), words);
  }
});
