// What a person does with the operator's token: start, acknowledge, answer, write notes.

import { announce, get, make, post } from "/dom.js";
import { live } from "/live.js";

/** Show what would start and what only a person can check; start it when all of it is ticked. */
export async function askToStart(bay) {
  const dialog = document.getElementById("dialog");
  const problem = make("p", { class: "problem", role: "alert" });
  const close = () => dialog.close();
  const cancel = make("button", { type: "button", onclick: close }, "Do not start");
  const title = make("h2", { tabindex: "-1" }, `Start bay ${bay}`);
  dialog.onkeydown = (event) => event.key === "Escape" && close();
  dialog.replaceChildren(title, make("p", {}, "Working out the plan…"), cancel);
  dialog.show(); // not modal: STOP must stay within reach
  title.focus();
  let found;
  try {
    found = await get(`/api/bays/${bay}/start`);
  } catch (error) {
    dialog.replaceChildren(title, make("p", { class: "problem" }, error.message), cancel);
    return;
  }
  const boxes = found.cautions.map((text) => make("input", { type: "checkbox", value: text }));
  const begin = make("button", { type: "submit", class: "go", disabled: true }, "All of this is so: start");
  const ready = () => (begin.disabled = !found.tests.length || !boxes.every((box) => box.checked));
  const form = make(
    "form",
    {
      method: "dialog",
      onchange: ready,
      onsubmit: async (event) => {
        event.preventDefault();
        begin.disabled = true;
        try {
          await post(`/api/bays/${bay}/start`, {
            numbers: found.numbers,
            checked: boxes.filter((box) => box.checked).map((box) => box.value),
          });
          close();
          announce(`bay ${bay} started`);
        } catch (error) {
          problem.textContent = error.message;
          ready();
        }
      },
    },
    make("fieldset", {}, [
      make("legend", {}, "Only you can check:"),
      ...found.cautions.map((text, place) => make("label", { class: "check" }, boxes[place], make("span", {}, text))),
    ]),
    make("p", { class: "first" }, found.first),
    problem,
    make("div", { class: "row" }, cancel, begin),
  );
  const plans = found.tests.map((test) =>
    make(
      "details",
      { open: true },
      make("summary", {}, `${test.number}. ${test.title}`),
      test.wrong ? make("p", { class: "problem" }, test.wrong) : "",
      make("pre", { tabindex: "0" }, test.plan.join("\n")),
    ),
  );
  const nothing = make("p", { class: "problem" }, "Nothing waits in this bay.");
  title.textContent = `Start bay ${bay}: ${found.pack || "no pack"}`;
  dialog.replaceChildren(title, ...(plans.length ? plans : [nothing]), form);
  title.focus();
}

/** Return the form for a question, or what to say to somebody who may not answer it. */
export function questionForm(bay, question) {
  const problem = make("p", { class: "problem", role: "alert" });
  const send = async (text) => {
    try {
      await post(`/api/bays/${bay}/answer`, { text });
    } catch (error) {
      problem.textContent = error.message;
    }
  };
  const parts = [make("p", { class: "asked" }, question.text)];
  if (!live.you.operates) {
    parts.push(make("p", { class: "soft" }, `To answer, log in as operator, or: benchwarden answer ${bay} …`));
  } else if (question.answers.length) {
    parts.push(
      make(
        "div",
        { class: "row" },
        question.answers.map((text) => make("button", { type: "button", onclick: () => send(text) }, text)),
      ),
    );
  } else {
    const field = make("input", { type: "text", maxlength: "200", "aria-label": "answer" });
    const submit = (event) => {
      event.preventDefault();
      send(field.value);
    };
    parts.push(make("form", { class: "row", onsubmit: submit }, field, make("button", {}, "Answer")));
  }
  return make("div", { class: "question", role: "group", "aria-label": "question to the operator" }, ...parts, problem);
}

/** Return a button that says that a person has looked at a bay that tripped. */
export function acknowledgeButton(bay) {
  const problem = make("span", { class: "problem", role: "alert" });
  const act = async () => {
    try {
      await post(`/api/bays/${bay}/acknowledge`, {});
      problem.textContent = "";
    } catch (error) {
      problem.textContent = error.message;
    }
  };
  const sure = make("button", { type: "button", class: "go", onclick: act }, "So it is: acknowledge");
  const question = make(
    "div",
    { class: "question", hidden: true },
    make("p", {}, `You have looked at bay ${bay}, and know why it tripped. The bay is switched off once more.`),
    make("div", { class: "row" }, sure),
  );
  const first = () => {
    question.hidden = false;
    sure.focus();
  };
  return make("div", {}, make("button", { type: "button", onclick: first }, "Acknowledge the trip…"), question, problem);
}

/** Return a run's note, to be written by whoever operates. */
export function noteForm(run, note) {
  if (!live.you.operates) return note ? make("p", { class: "note" }, note) : null;
  const field = make("textarea", { rows: "3", maxlength: "2000", "aria-label": "note on this run" });
  field.value = note;
  const answer = make("span", { role: "status" });
  const submit = async (event) => {
    event.preventDefault();
    try {
      await post(`/api/runs/${run}/note`, { text: field.value });
      answer.textContent = "kept";
    } catch (error) {
      answer.textContent = error.message;
    }
  };
  return make("form", { class: "note-form", onsubmit: submit }, field, make("div", { class: "row" }, make("button", {}, "Keep note"), answer));
}
