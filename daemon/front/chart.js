// Curves over time on a canvas: panels below each other with one axis of time. Knows light and dark, a finger, a
// keyboard; what it shows stands in a table as well. Points are [seconds, value], null where nothing was measured.

import { make, number } from "/dom.js";

const LEFT = 46;
const RIGHT = 46;
const TITLE = 26;
const FOOT = 22;
const TIMES = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800, 86400];
const ROWS = 24;

/** Return seconds of a test as "1:02:03", "2:03" or "3.4 s", and where `step` is whole minutes as "10 min" or "1 h 20". */
export function clock(seconds, step = 1) {
  const sign = seconds < 0 ? "\u2212" : "";
  const whole = Math.abs(seconds);
  if (step < 1) return `${sign}${whole.toFixed(1)} s`;
  const h = Math.floor(whole / 3600);
  const m = Math.floor((whole % 3600) / 60);
  const s = Math.floor(whole % 60);
  const two = (value) => String(value).padStart(2, "0");
  if (step >= 60) return sign + (h ? `${h} h${m ? ` ${two(m)}` : ""}` : `${m} min`);
  return h ? `${sign}${h}:${two(m)}:${two(s)}` : `${sign}${m}:${two(s)}`;
}

/** Return round values from low to high, about `count` of them. */
export function ticks(low, high, count) {
  const rough = (high - low) / Math.max(count, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough) || 10 * power;
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high + step * 1e-6; value += step) found.push(value);
  return { step, found };
}

/** Return the value of a curve at a time, null in a gap: the nearest point before it. */
export function at(points, time) {
  let low = 0;
  let high = points.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (points[middle][0] <= time) low = middle + 1;
    else high = middle;
  }
  return low ? points[low - 1][1] : null;
}

export class Chart {
  /**
   * `panels`: [{ title, height, axes: [{ unit, digits, curves: [{ name, words, colour, dash }] }] }], one or two axes.
   * `wanted(from, to)` is called when another time is looked at: null, null for all of it.
   */
  constructor(panels, wanted) {
    this.panels = panels;
    this.wanted = wanted;
    this.curves = {};
    this.steps = [];
    this.range = null; // [from, to] that is looked at; null: all
    this.follow = null; // seconds at the end that are looked at
    this.cursor = null;
    this.dragged = null;
    this.canvas = make("canvas", { tabindex: "0", role: "img", "aria-label": "chart" });
    this.readout = make("output", { class: "readout" });
    this.table = make("table", { class: "numbers" });
    this.details = make("details", { ontoggle: () => this.fillTable() }, make("summary", {}, "These curves as a table"));
    this.details.append(make("div", { class: "scroll", tabindex: "0" }, this.table));
    const button = (words, title, act) => make("button", { type: "button", class: "small", title, onclick: act }, words);
    this.element = make(
      "div",
      { class: "chart" },
      make(
        "div",
        { class: "chart-tools", role: "group", "aria-label": "time shown" },
        button("all", "the whole run", () => this.look(null, null)),
        button("10 min", "the last 10 minutes", () => this.look(null, 600)),
        button("1 min", "the last minute", () => this.look(null, 60)),
        button("◂", "earlier", () => this.shift(-0.5)),
        button("▸", "later", () => this.shift(0.5)),
        button("+", "closer", () => this.zoom(0.5)),
        button("\u2212", "wider", () => this.zoom(2)),
      ),
      this.canvas,
      this.readout,
      this.details,
    );
    this.canvas.addEventListener("pointerdown", (event) => this.press(event));
    this.canvas.addEventListener("pointermove", (event) => this.move(event));
    this.canvas.addEventListener("pointerup", (event) => this.release(event));
    this.canvas.addEventListener("pointerleave", () => this.point(null));
    this.canvas.addEventListener("keydown", (event) => this.key(event));
    this.resized = new ResizeObserver(() => this.draw());
    this.resized.observe(this.canvas);
    this.dark = matchMedia("(prefers-color-scheme: dark)");
    this.redraw = () => this.draw();
    this.dark.addEventListener("change", this.redraw);
  }

  close() {
    this.resized.disconnect();
    this.dark.removeEventListener("change", this.redraw);
  }

  /** Show what the server sent: { curves, steps, from_s, to_s }. */
  set(data) {
    this.curves = data.curves;
    this.steps = data.steps;
    this.first = data.from_s ?? 0;
    this.last = data.to_s ?? 0;
    this.draw();
    this.fillTable();
  }

  /** Add one moment at the end: { curve: value }. */
  add(time, values) {
    if (time <= this.last) return;
    if (!this.last) this.first = time; // what came before it, came without a sample
    this.last = time;
    for (const [name, value] of Object.entries(values)) (this.curves[name] ||= []).push([time, value]);
    if (this.steps.length) this.steps[this.steps.length - 1].to_s = time;
    if (!this.due) this.due = requestAnimationFrame(() => ((this.due = null), this.draw()));
  }

  get shown() {
    if (this.range) return this.range;
    return [this.follow === null ? this.first : Math.max(this.last - this.follow, this.first), this.last];
  }

  look(range, follow) {
    this.range = range;
    this.follow = follow;
    const [from, to] = this.shown;
    this.wanted(range || follow ? from : null, range ? to : null);
    this.draw();
  }

  zoom(factor) {
    const [from, to] = this.shown;
    const middle = this.cursor ?? (from + to) / 2;
    const span = Math.max((to - from) * factor, 1);
    const begin = Math.max(middle - span / 2, this.first);
    const end = Math.min(begin + span, this.last);
    this.look(span >= this.last - this.first ? null : [Math.max(end - span, this.first), end], null);
  }

  shift(share) {
    const [from, to] = this.shown;
    const by = Math.min(Math.max((to - from) * share, this.first - from), this.last - to);
    if (by) this.look([from + by, to + by], null);
  }

  timeAt(event) {
    const [from, to] = this.shown;
    const box = this.canvas.getBoundingClientRect();
    const share = (event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT);
    return from + Math.min(Math.max(share, 0), 1) * (to - from);
  }

  press(event) {
    if (event.pointerType === "mouse") this.dragged = this.timeAt(event);
  }

  move(event) {
    this.point(this.timeAt(event));
  }

  release(event) {
    const [begin, end] = [this.dragged, this.timeAt(event)].sort((a, b) => a - b);
    const [from, to] = this.shown;
    const drawn = this.dragged !== null && end - begin > (to - from) / 50;
    this.dragged = null;
    if (drawn) this.look([begin, end], null);
  }

  key(event) {
    const [from, to] = this.shown;
    const by = { ArrowLeft: -1, ArrowRight: 1, PageUp: -10, PageDown: 10 }[event.key];
    if (by) this.point(Math.min(Math.max((this.cursor ?? to) + (by * (to - from)) / 100, from), to));
    else if (event.key === "+") this.zoom(0.5);
    else if (event.key === "-") this.zoom(2);
    else if (event.key === "0" || event.key === "Escape") this.look(null, null);
    else return;
    event.preventDefault();
  }

  point(time) {
    this.cursor = time;
    if (time === null) this.dragged = null;
    this.draw();
  }

  get drawn() {
    return this.panels.flatMap((panel) => panel.axes.flatMap((axis) => axis.curves.map((curve) => ({ ...curve, axis }))));
  }

  read() {
    if (this.cursor === null) {
      this.readout.textContent = "";
      return;
    }
    const step = this.steps.findLast((one) => one.from_s <= this.cursor);
    const parts = this.drawn
      .filter(({ name }) => this.curves[name])
      .map(({ name, words, axis }) => `${words} ${number(at(this.curves[name], this.cursor), axis.digits)} ${axis.unit}`);
    const where = step ? `, step ${step.step} ${step.kind}` : "";
    this.readout.textContent = `${clock(this.cursor)}${where}: ${parts.join(", ")}`;
  }

  fillTable() {
    if (!this.details.open) return;
    const shown = this.drawn.filter(({ name }) => this.curves[name]);
    const [from, to] = this.shown;
    const head = shown.map(({ words, axis }) => make("th", { scope: "col" }, `${words}, ${axis.unit}`));
    const rows = Array.from({ length: ROWS + 1 }, (_, place) => from + ((to - from) * place) / ROWS);
    this.table.replaceChildren(
      make("caption", {}, `${clock(from)} to ${clock(to)}, test time`),
      make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "test time"), ...head)),
      make(
        "tbody",
        {},
        rows.map((time) =>
          make(
            "tr",
            {},
            make("th", { scope: "row" }, clock(time)),
            ...shown.map(({ name, axis }) => make("td", {}, number(at(this.curves[name], time), axis.digits))),
          ),
        ),
      ),
    );
  }

  draw() {
    const width = this.canvas.clientWidth;
    if (!width) return;
    const panels = this.panels.filter((panel) => panel.axes.some((axis) => axis.curves.some(({ name }) => this.curves[name])));
    const height = panels.reduce((sum, panel) => sum + panel.height, 0) + FOOT;
    const ratio = devicePixelRatio || 1;
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.canvas.style.height = `${height}px`;
    }
    const style = getComputedStyle(this.canvas);
    this.colour = (name) => style.getPropertyValue(name).trim();
    const pen = this.canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = `12px ${style.fontFamily}`;
    const [from, to] = this.shown;
    const x = (time) => LEFT + ((time - from) / Math.max(to - from, 1e-9)) * (width - LEFT - RIGHT);
    let top = 0;
    for (const panel of panels) {
      this.drawPanel(pen, panel, top, width, x);
      top += panel.height;
    }
    this.drawTimes(pen, top, width, x);
    if (this.cursor !== null) {
      pen.strokeStyle = this.colour("--ink");
      line(pen, x(this.cursor), 0, x(this.cursor), top);
    }
    this.read();
    this.canvas.setAttribute("aria-label", this.inWords(panels));
  }

  inWords(panels) {
    const [from, to] = this.shown;
    const titles = panels.map((panel) => panel.title).join("; ");
    return `Chart of ${titles}, from ${clock(from)} to ${clock(to)} of the test. Arrow keys read values; the table below has them.`;
  }

  drawTimes(pen, top, width, x) {
    const [from, to] = this.shown;
    const step = TIMES.find((one) => (to - from) / one <= (width - LEFT - RIGHT) / 70) || 86400;
    pen.fillStyle = this.colour("--soft");
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (let time = Math.ceil(from / step) * step; time <= to; time += step) pen.fillText(clock(time, step), x(time), top + 5);
  }

  drawPanel(pen, panel, top, width, x) {
    const [from, to] = this.shown;
    const floor = top + panel.height - 8;
    const roof = top + TITLE;
    pen.textBaseline = "middle";
    for (const step of this.steps) {
      if (step.from_s <= from || step.from_s > to) continue;
      pen.strokeStyle = this.colour("--line");
      line(pen, x(step.from_s), roof, x(step.from_s), floor);
    }
    pen.textAlign = "left";
    let label = LEFT;
    panel.axes.forEach((axis, side) => {
      const curves = axis.curves.filter(({ name }) => this.curves[name]);
      const scale = this.scale(curves, axis.least);
      const y = (value) => floor - ((value - scale.low) / (scale.high - scale.low)) * (floor - roof);
      const { step, found } = ticks(scale.low, scale.high, (floor - roof) / 32);
      const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      for (const value of found) {
        if (side === 0) {
          pen.strokeStyle = this.colour("--line");
          line(pen, LEFT, y(value), width - RIGHT, y(value));
        }
        pen.fillStyle = this.colour("--soft");
        pen.textAlign = side === 0 ? "right" : "left";
        pen.fillText(number(value, digits), side === 0 ? LEFT - 6 : width - RIGHT + 6, y(value));
      }
      pen.textAlign = "left";
      for (const curve of curves) {
        pen.save();
        pen.beginPath();
        pen.rect(LEFT, roof - 2, width - LEFT - RIGHT, floor - roof + 4);
        pen.clip();
        this.stroke(pen, this.curves[curve.name], curve, x, y);
        pen.restore();
        const words = `${curve.words}, ${axis.unit}`;
        pen.strokeStyle = this.colour(curve.colour);
        pen.setLineDash(curve.dash || []);
        pen.lineWidth = 2;
        line(pen, label, top + 13, label + 18, top + 13);
        pen.setLineDash([]);
        pen.lineWidth = 1;
        pen.fillStyle = this.colour("--ink");
        pen.fillText(words, label + 23, top + 14);
        label += pen.measureText(words).width + 38;
      }
    });
  }

  scale(curves, least = 0.1) {
    const [from, to] = this.shown;
    let low = Infinity;
    let high = -Infinity;
    for (const { name } of curves) {
      for (const [time, value] of this.curves[name]) {
        if (value === null || time < from || time > to) continue;
        if (value < low) low = value;
        if (value > high) high = value;
      }
    }
    if (low > high) return { low: 0, high: 1 };
    const room = Math.max((high - low) * 0.06, (least - (high - low)) / 2);
    return { low: low - room, high: high + room };
  }

  stroke(pen, points, curve, x, y) {
    const [from, to] = this.shown;
    pen.strokeStyle = this.colour(curve.colour);
    pen.setLineDash(curve.dash || []);
    pen.lineWidth = 1.6;
    pen.lineJoin = "round";
    pen.beginPath();
    let down = false;
    for (let place = 0; place < points.length; place += 1) {
      const [time, value] = points[place];
      if (place + 1 < points.length && points[place + 1][0] < from) continue;
      if (value === null) down = false;
      else if (down) pen.lineTo(x(time), y(value));
      else {
        pen.moveTo(x(time), y(value));
        if (points[place + 1]?.[1] === null) pen.lineTo(x(time) + 1.5, y(value)); // alone between two gaps
      }
      if (value !== null) down = true;
      if (time > to) break;
    }
    pen.stroke();
    pen.setLineDash([]);
    pen.lineWidth = 1;
  }
}

function line(pen, x1, y1, x2, y2) {
  pen.beginPath();
  pen.moveTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  pen.lineTo(Math.round(x2) + 0.5, Math.round(y2) + 0.5);
  pen.stroke();
}
