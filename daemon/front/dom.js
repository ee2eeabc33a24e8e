// Small helpers for what every view does: elements, numbers and times in words, asking the server.

/** Return a new element; attributes named on… take functions, others text; children are elements or text. */
export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...children.flat().filter((one) => one !== null && one !== undefined && one !== ""));
  return element;
}

/** Change an element's text only if it differs, so that screen readers and selections are left in peace. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Return the values that were measured. */
export const known = (values) => values.filter((value) => value !== null);

/** Return a number with its digits, or a dash where nothing was measured; with a true minus sign. */
export function number(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
}

/** Return seconds as "2 h 05 min", "14 min" or "40 s". */
export function duration(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "–";
  const whole = Math.max(Math.round(seconds), 0);
  if (whole < 60) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 60) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

/** Return a UTC time as date and minute. */
export function when(utc) {
  return utc ? `${utc.slice(0, 10)} ${utc.slice(11, 16)} UTC` : "–";
}

/** Return a time as its second in UTC, and by this device's own clock where that shows another one. */
export function secondOf(utc) {
  const at = new Date(utc);
  const here = at.getTimezoneOffset() ? ` (${[at.getHours(), at.getMinutes(), at.getSeconds()].map((one) => String(one).padStart(2, "0")).join(":")} here)` : "";
  return `${at.toISOString().slice(11, 19)} UTC${here}`;
}

/** Return bytes as people say them. */
export function bytes(count) {
  if (count < 1000) return `${count} B`;
  return count < 1e6 ? `${(count / 1e3).toFixed(0)} kB` : `${(count / 1e6).toFixed(1)} MB`;
}

/** The last two parts of a run folder's path: the run's name everywhere. */
export function runName(path) {
  return path ? path.split("/").slice(-2).join("/") : null;
}

/** Fetch JSON; throws an Error in the server's words. */
export async function get(path) {
  return answered(await fetch(path, { headers: { Accept: "application/json" } }));
}

/** Post JSON; throws an Error in the server's words. */
export async function post(path, data) {
  return answered(
    await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", Accept: "application/json" },
      body: JSON.stringify(data),
    }),
  );
}

async function answered(response) {
  let data;
  try {
    data = await response.json();
  } catch {
    throw new Error(`the server answered ${response.status} and nothing that can be read`);
  }
  if (!response.ok) throw new Error(data.error || `the server answered ${response.status}`);
  return data;
}

/** Tell a screen reader what has changed; "assertive" interrupts it. */
export function announce(text, urgency = "polite") {
  document.getElementById(urgency === "assertive" ? "urgent-news" : "news").textContent = text;
}
