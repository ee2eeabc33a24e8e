"""Draws what `benchwarden watch` shows: pure functions from what the feed told to lines of text.

Made for 80 columns by 24 lines; a wider terminal gets wider charts, a narrower one loses their right ends. Words are
never cut at the right end: a reason or a question goes on in the next line.
"""

import textwrap
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

OLD_S, VERY_OLD_S = 3.0, 10.0
# Points kept for a chart; twice as many are thinned to half by joining neighbours.
POINTS = 512
EVENTS = 200
_BLOCKS = " ▁▂▃▄▅▆▇█"
_PLAIN = " .:-=+*#@"

Message = Mapping[str, Any]


class Point(NamedTuple):
    """What a chart shows of a stretch of time: run time in seconds, lowest and highest volts, amperes and °C in it."""

    time_s: float
    voltage_v: tuple[float, float]
    current_a: tuple[float, float]
    hottest_c: tuple[float, float] | None


@dataclass
class History:
    """One run's points, evenly thinned so that the whole run fits a terminal."""

    run: str = ""
    points: list[Point] = field(default_factory=list)
    stride: int = 1
    _pending: list[Point] = field(default_factory=list)

    def add(self, point: Point) -> None:
        """Take one sample's point."""
        self._pending.append(point)
        if len(self._pending) < self.stride:
            return
        self.points.append(joined(self._pending))
        self._pending = []
        if len(self.points) >= 2 * POINTS:
            self.points = [joined(self.points[place : place + 2]) for place in range(0, len(self.points), 2)]
            self.stride *= 2


def joined(points: Sequence[Point]) -> Point:
    """Return neighbouring points as one, with the extremes of all of them."""
    heat = [point.hottest_c for point in points if point.hottest_c]
    return Point(
        points[0].time_s,
        (min(one.voltage_v[0] for one in points), max(one.voltage_v[1] for one in points)),
        (min(one.current_a[0] for one in points), max(one.current_a[1] for one in points)),
        (min(low for low, _ in heat), max(high for _, high in heat)) if heat else None,
    )


def point_of(sample: Message) -> Point | None:
    """Return a sample as a point; None if its voltage or current is missing."""
    voltage_v, current_a = sample["voltage_v"], sample["current_a"]
    if voltage_v is None or current_a is None:
        return None
    hottest_c = hottest(sample)
    heat = None if hottest_c is None else (hottest_c, hottest_c)
    return Point(sample["test_time_s"], (voltage_v, voltage_v), (current_a, current_a), heat)


def hottest(sample: Message) -> float | None:
    """Return the hottest temperature on the pack in °C, ambient left out."""
    known = [value for place, value in sample["temperatures_c"].items() if value is not None and place != "ambient"]
    return max(known, default=None)


@dataclass
class Told:
    """All that the feed has told so far; `seen_s` when each bay was last heard of, on the caller's clock."""

    states: dict[str, Message] = field(default_factory=dict)
    samples: dict[str, Message] = field(default_factory=dict)
    seen_s: dict[str, float] = field(default_factory=dict)
    histories: dict[str, History] = field(default_factory=dict)
    events: deque[Message] = field(default_factory=lambda: deque(maxlen=EVENTS))
    connected: bool = False

    def begin(self, bay: str, run: str, points: Sequence[Point], events: Sequence[Message]) -> None:
        """Take what a run had measured and told before anybody watched."""
        had = {(event["run"], event["seq"]) for event in self.events}
        new = [{**one, "bay": bay, "run": run} for one in events if (run, one.get("seq")) not in had]
        # Of all bays by their time: each run's are read from its record, one run after the other.
        self.events = deque(sorted([*self.events, *new], key=lambda one: str(one["utc"])), maxlen=EVENTS)
        history = self.histories[bay] = History(run)
        for point in points:
            history.add(point)

    def take(self, message: Message, now_s: float) -> None:
        """Take one message of the feed."""
        kind = message["kind"]
        if kind in ("found", "lost"):
            self.connected = kind == "found"
            return
        bay = message.get("bay")
        if bay is None:
            return
        if kind == "state":
            self.states[bay] = message
            if message["run"] is None:
                self.samples.pop(bay, None)
        elif kind == "sample":
            self.samples[bay], self.seen_s[bay] = message, now_s
            history = self.histories.get(bay)
            if history is None or history.run != message["run"]:
                history = self.histories[bay] = History(message["run"])
            point = point_of(message)
            if point:
                history.add(point)
        elif kind == "event":
            self.events.append(message)


def overview(told: Told, now_s: float, width: int, height: int) -> list[str]:
    """Return where each bay stands and what it measures, in `height` lines at most.

    Where that is too little, bays that need a person come first, and the last line says how many lines are left out.
    """
    if not told.states:
        return ["nothing is heard from the bench yet"]
    blocks = {bay: of_bay(told, bay, now_s, width) for bay in told.states}
    if sum(map(len, blocks.values())) > height:
        blocks = {bay: blocks[bay] for bay in sorted(blocks, key=lambda bay: not _needs_person(told.states[bay]))}
    lines = [line for block in blocks.values() for line in block]
    if len(lines) <= height:
        return lines
    shown = max(height - 1, 0)
    return [*lines[:shown], f"({len(lines) - shown} lines more: a higher window, or `benchwarden watch BAY`)"]


def _needs_person(state: Message) -> bool:
    off = state["off"]
    return bool(state["stand"] == "tripped" or state["question"] or (off and not off["confirmed"]))


def of_bay(told: Told, bay: str, now_s: float, width: int) -> list[str]:
    """Return where one bay stands, what it asks, and what it measures."""
    state, sample = told.states[bay], told.samples.get(bay)
    lines = wrapped(f"{bay}: {stand_words(state)}", width)
    for text in question_lines(bay, state):
        lines += wrapped(f"  {text}", width)
    if sample:
        lines += [f"  {words}" for words in sample_words(sample)]
        age = age_words(told, bay, now_s)
        lines += [f"  {age}"] if age else []
    elif state["off"]:
        lines += wrapped(f"  {state['off']['words']}, {state['off']['utc']}", width)
    return lines


def question_lines(bay: str, state: Message) -> list[str]:
    """Return what a bay's test asks, and in a line of its own how it is answered; nothing if it asks nothing."""
    asked = state["question"]
    if not asked:
        return []
    right = " or ".join(asked["answers"]) or "any text"
    return [f"ASKS: {' '.join(asked['text'].split())}", f"answer with: benchwarden answer {bay} … ({right})"]


def wrapped(text: str, width: int) -> list[str]:
    """Return a text in lines shorter than `width`; those after the first stand further in."""
    begin = " " * (len(text) - len(text.lstrip(" ")) + 4)
    return textwrap.wrap(text, max(width - 1, 20), subsequent_indent=begin) or [text]


def stand_words(state: Message) -> str:
    """Return where a bay's list stands in one line."""
    running = next((test for test in state["tests"] if test["fate"] == "running"), None)
    stand = state["stand"].upper() if state["stand"] == "tripped" else state["stand"]
    parts = [stand + (f" ({state['why']})" if state["why"] else "")]
    if state["pack"]:
        parts.append(state["pack"])
    if running:
        parts.append(f"test {running['number']} of {len(state['tests'])}: {running['title']}")
    waiting = sum(test["fate"] == "waiting" for test in state["tests"])
    if waiting:
        parts.append(f"{waiting} waiting")
    return ", ".join(parts)


def sample_words(sample: Message) -> list[str]:
    """Return a sample in two lines: step, V, A, W, time left; lowest group, hottest place, charge and energy out."""
    groups = [value for value in sample["groups_v"] if value is not None]
    hottest_c = hottest(sample)
    now = [
        f"step {sample['step']}/{sample['steps']} {sample['step_kind']}",
        f"{number(sample['voltage_v'], 2)} V",
        f"{number(sample['current_a'], 2)} A",
        f"{number(sample['power_w'], 0)} W",
        f"{duration(sample['left_s'])} left",
    ]
    more = [f"lowest group {min(groups):.3f} V"] if groups else []
    more += [] if hottest_c is None else [f"{hottest_c:.1f} °C"]
    more.append(f"out {sample['discharging_ah']:.3f} Ah {sample['discharging_wh']:.1f} Wh")
    more += [f"in {sample['charging_ah']:.3f} Ah"] if sample["charging_ah"] else []
    return ["  ".join(now), "  ".join(more)]


def age_words(told: Told, bay: str, now_s: float) -> str:
    """Return how old what is shown of a bay is, where that is more than it should be."""
    age_s = now_s - told.seen_s.get(bay, now_s)
    if not told.connected:
        return "NO CONNECTION to the worker: this is old"
    if age_s > VERY_OLD_S:
        return f"OLD: nothing was heard for {age_s:.0f} s"
    return f"{age_s:.0f} s old" if age_s > OLD_S else ""


def one_bay(told: Told, bay: str, now_s: float, width: int, height: int, *, plain: bool = False) -> list[str]:
    """Return one bay: words, three charts of the whole run, groups, and the last events, in `height` lines at most."""
    state = told.states.get(bay)
    if state is None:
        return [f"nothing is heard from bay {bay} yet"]
    lines = of_bay(told, bay, now_s, width)
    sample, history = told.samples.get(bay), told.histories.get(bay)
    if history and history.points:
        chart_width = max(width - 24, 10)
        for name, unit, digits, least, band in (
            ("voltage", "V", 2, 0.1, [point.voltage_v for point in history.points]),
            ("current", "A", 1, 1.0, [point.current_a for point in history.points]),
            ("hottest", "°C", 0, 4.0, [point.hottest_c for point in history.points if point.hottest_c]),
        ):
            if band:
                low, high = scale(band, least)
                lines.append("")
                lines += chart(
                    band, low, high, chart_width, f"{number(high, digits)} {unit}", number(low, digits), plain=plain
                )
                lines[-2] = f"{name:<8}{lines[-2]}"
                lines[-1] = f"{'':<8}{lines[-1]}"
    if sample and sample["groups_v"]:
        lines.append("")
        lines.append(
            "groups  " + "  ".join(f"{place} {number(value, 3)}" for place, value in enumerate(sample["groups_v"], 1))
        )
    room = height - len(lines) - 1
    events = last_events([event for event in told.events if event["bay"] == bay], width, room)
    lines += ["", *events] if events else []
    return lines[:height]


def last_events(events: Sequence[Message], width: int, room: int) -> list[str]:
    """Return the last events that find room, each whole."""
    lines: list[str] = []
    for event in reversed(events):
        one = wrapped(event_line(event), width)
        if len(lines) + len(one) > room:
            break
        lines = one + lines
    return lines


def scale(band: Sequence[tuple[float, float]], least: float) -> tuple[float, float]:
    """Return the ends of a chart's scale, at least `least` apart, so that noise at rest looks like what it is."""
    low, high = min(one[0] for one in band), max(one[1] for one in band)
    room = max((least - (high - low)) / 2.0, 0.0)
    return low - room, high + room


def chart(
    band: Sequence[tuple[float, float]],
    low: float,
    high: float,
    width: int,
    top: str,
    bottom: str,
    *,
    plain: bool = False,
) -> list[str]:
    """Return a chart of two lines, `width` columns and a scale at its right: the highest value of each column."""
    blocks = _PLAIN if plain else _BLOCKS
    columns = min(width, len(band))
    upper, lower = [], []
    for place in range(columns):
        first, last = (
            place * len(band) // columns,
            max((place + 1) * len(band) // columns, place * len(band) // columns + 1),
        )
        # Away from zero, so that a short burst is seen whichever way its current flows.
        value = max((one for pair in band[first:last] for one in pair), key=abs)
        share = (value - low) / (high - low) if high > low else 0.5
        level = 1 + round(share * 15)
        lower.append(blocks[min(level, 8)])
        upper.append(blocks[max(level - 8, 0)])
    return [f"{''.join(upper):<{width}} {top}", f"{''.join(lower):<{width}} {bottom}"]


# What the end of a name says of its value (see DEVELOPERS.md), and what a level is that an output was set to.
_UNITS = {"v": "V", "a": "A", "w": "W", "s": "s", "ah": "Ah", "wh": "Wh", "ohm": "Ω", "c": "°C", "k": "K"}
_LEVELS = {"current": "A", "power": "W", "resistance": "Ω"}


def event_line(event: Message) -> str:
    """Return one event in one line: UTC, bay, what, and why; values with their units."""
    known = {"kind", "bench", "bay", "run", "seq", "utc", "test_time_s", "event"}
    details = ", ".join(
        _detail(key, value, _LEVELS.get(str(event.get("quantity")), "") if key == "level" else "")
        for key, value in event.items()
        if key not in known and value not in (None, [], "")
    )
    return f"{event['utc'][11:19]} {event['bay']}: {event['event'].replace('_', ' ')}{': ' if details else ''}{details}"


def _detail(key: str, value: Any, unit: str) -> str:
    """Return one thing that an event says; a unit at the end of its name goes behind its numbers."""
    name, _, ending = key.rpartition("_")
    if name and ending in _UNITS and not isinstance(value, str | bool):
        key, unit = name, _UNITS[ending]
    return f"{key.replace('_', ' ')} {_shown(value, unit)}"


def _shown(value: Any, unit: str) -> str:
    if isinstance(value, list):
        return " ".join(_shown(one, unit) for one in value)
    if isinstance(value, Mapping):
        return " ".join(
            _detail(str(key), one, "") if not unit else f"{key} {_shown(one, unit)}" for key, one in value.items()
        )
    if value is None:
        return "-"
    if isinstance(value, str | bool):
        return str(value)
    return f"{value:.4g} {unit}".rstrip() if isinstance(value, float) else f"{value} {unit}".rstrip()


def number(value: float | None, digits: int) -> str:
    """Return a value for people, a dash for a missing one; a zero has no sign."""
    return "-" if value is None else f"{round(value, digits) + 0.0:.{digits}f}"


def duration(seconds: float) -> str:
    """Return a time for people: "1 h 05" or "12 min"."""
    minutes = int(max(seconds, 0.0) // 60)
    return f"{minutes // 60} h {minutes % 60:02d}" if minutes >= 60 else f"{minutes} min"
