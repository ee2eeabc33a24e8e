// The stream from the server, what is newest of every bay, and how old it is.

const LATE_S = 3;
const LOST_S = 10;
const SILENT_MS = 7000; // three beats of the server: the connection is dead, whatever the browser thinks
const AGAIN_MS = 1500;
const HIDDEN_MS = 1000;
const POLL_MS = 2000;

export const live = {
  bench: "",
  bays: {}, // name: { state, sample, sampleAt }
  you: { role: null, operates: false, tokens: false },
  guardian: {},
  connected: false,
  known: false,
  refused: "",
};

const listeners = [];
let source = null;
let lastAt = -Infinity; // any message
let heardAt = -Infinity; // the worker, by what the server knows
let reopening = null;
let polling = null;
let hiding = null;

/** Call `listener(kind, message)` for all that comes; "refill" follows a stream that was lost. */
export function listen(listener) {
  listeners.push(listener);
}

function tell(kind, message) {
  for (const listener of listeners) listener(kind, message);
}

/** Return how old what is shown is, in seconds. */
export function age() {
  return (performance.now() - heardAt) / 1000;
}

/** Return "fresh", "late" or "lost" for an age; `every` is how long nothing new is expected for. */
export function freshness(seconds, every = 0) {
  if (seconds > LOST_S + every) return "lost";
  return seconds > LATE_S + every ? "late" : "fresh";
}

/** Return how old a bay's newest sample is, in seconds; null without one. */
export function sampleAge(bay) {
  const one = live.bays[bay];
  return one && one.sample ? (performance.now() - one.sampleAt) / 1000 : null;
}

/** Tell what a bay needs a person for: "tripped", "asks", or "" where it needs nobody. */
export function need(state) {
  if (state?.stand === "tripped") return "tripped";
  return state?.question ? "asks" : "";
}

/** Return names of bays with those first that need a person; else their order stays. */
export function neediestFirst(names) {
  const place = (name) => ["tripped", "asks", ""].indexOf(need(live.bays[name]?.state));
  return names.slice().sort((one, other) => place(one) - place(other));
}

/** Open the stream, and again whenever it is lost; a stranger is asked for a token instead. */
export async function open() {
  reopening = null;
  try {
    const response = await fetch("/api/now");
    if (response.status === 401) {
      live.refused = "token";
      tell("refused", null);
      return; // a login loads the page anew
    }
  } catch {
    again();
    return;
  }
  if (polling !== null) return;
  source?.close();
  source = new EventSource("/api/stream");
  lastAt = performance.now();
  source.onmessage = (event) => take(JSON.parse(event.data));
  source.onerror = () => {
    if (source.readyState === EventSource.CLOSED) again();
  };
}

function again() {
  if (reopening !== null || polling !== null) return;
  source?.close();
  reopening = setTimeout(open, AGAIN_MS);
}

// A browser opens six connections to one server (HTTP/1.1): pages that nobody sees must leave some for STOP. They ask
// now and then instead, so that title and icon still follow.
document.addEventListener("visibilitychange", () => {
  clearTimeout(hiding);
  if (document.hidden) {
    hiding = setTimeout(() => {
      source?.close();
      source = null;
      polling ??= setInterval(poll, POLL_MS);
    }, HIDDEN_MS);
  } else if (polling !== null) {
    clearInterval(polling);
    polling = null;
    open();
  }
});

async function poll() {
  try {
    take({ ...(await (await fetch("/api/now")).json()), kind: "now", polled: true });
  } catch {
    tell("refused", null); // its age goes on
  }
}

setInterval(() => {
  if (source !== null && performance.now() - lastAt > SILENT_MS) again();
}, 1000);

function take(message) {
  const at = performance.now();
  lastAt = at;
  switch (message.kind) {
    case "now": {
      const before = live.known;
      Object.assign(live, { bench: message.bench, you: message.you, known: true, refused: "" });
      for (const [name, one] of Object.entries(message.bays)) {
        const utc = one.sample ? Date.parse(message.utc) - Date.parse(one.sample.utc) : 0;
        live.bays[name] = { ...one, sampleAt: at - Math.max(utc, 0) };
      }
      beat(message, at);
      tell("now", message);
      if (before && !message.polled) tell("refill", null);
      return;
    }
    case "beat":
      beat(message, at);
      break;
    case "sample":
      Object.assign(live.bays[message.bay], { sample: message, sampleAt: at });
      heardAt = at;
      break;
    case "state":
      live.bays[message.bay].state = message;
      if (message.run === null) live.bays[message.bay].sample = null;
      heardAt = at;
      break;
    case "lost":
      live.connected = false;
      break;
    case "found":
      live.connected = true;
      tell("refill", null);
      break;
    case "gap":
    case "dropped":
      tell("refill", null);
      break;
  }
  tell(message.kind, message);
}

function beat(message, at) {
  live.connected = message.connected;
  live.guardian = message.guardian || {};
  if (message.worker_age_s !== null) heardAt = Math.max(heardAt, at - message.worker_age_s * 1000);
}
