"""Shows what every bay does, from a thread of its own: a closed or frozen terminal never delays the worker."""

import shutil
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from benchwarden.daemon import clock
from benchwarden.profiles.plan import Plan
from benchwarden.results.sample import Sample

TERMINAL_EVERY_S = 0.5
PIPED_EVERY_S = 5.0
LAST_WORDS_S = 2.0
LONGEST_S = 999 * 3600.0  # shown at most, so that no line grows


@dataclass(frozen=True, slots=True)
class View:
    """What is shown of one bay: its plan's names and times, the newest sample, its run's folder below the runs."""

    pack: str
    steps: int
    sample: Sample
    left_s: float
    ended: str = ""
    run: str = ""


def left_s(plan: Plan, sample: Sample) -> float:
    """Return about how many seconds of the plan are left at a sample."""
    now, later = 0.0, 0.0
    for step in plan.steps:
        if step.number == sample.step_count:
            now = max(step.estimate_s - sample.step_time_s, 0.0)
        elif step.number > sample.step_count:
            later += step.estimate_s
    return now + later


HEADER = (
    f"{'bay':<7} {'pack':<8} {'step':<13} {'V':>6} {'A':>6} {'°C':>3} {'Ah out':>6} {'Wh out':>6} {'Ah in':>6}  left"
)


def line(bay: str, view: View) -> str:
    """Return one line under `HEADER`, at most 79 columns: V, A, hottest °C, Ah and Wh since the start, time left."""
    sample = view.sample
    warmth = [value for value in sample.temperatures_c if value is not None]
    step = f"{sample.step_count}/{view.steps} {sample.step_type}"
    minutes = int(min(max(view.left_s, 0.0), LONGEST_S) // 60)
    return (
        f"{bay:<7.7} {view.pack:<8.8} {step:<13.13} {_shown(sample.voltage_v, 6, 2)} {_shown(sample.current_a, 6, 1)}"
        f" {_shown(max(warmth) if warmth else None, 3, 0)} {sample.discharging_ah:6.3f} {sample.discharging_wh:6.1f}"
        f" {sample.charging_ah:6.3f}  {view.ended or f'{minutes // 60} h {minutes % 60:02d}'}"
    )


def _shown(value: float | None, width: int, digits: int) -> str:
    return "-".rjust(width) if value is None else f"{value:{width}.{digits}f}"


class Shown(Protocol):
    """Whatever shows what the bays do."""

    def show(self, bay: str, view: View) -> None:
        """Replace what is shown of a bay."""

    def end(self, bay: str, how: str) -> None:
        """Show how a bay's run ended."""

    def note(self, text: str) -> None:
        """Say something that people want to read."""

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        """Pass on one event of a bay's run as it stands in its record."""


class Progress:
    """Prints the newest view of each bay: redrawn in a terminal, a line now and then in a pipe."""

    def __init__(self) -> None:
        self._views: dict[str, View] = {}
        self._notes: list[str] = []
        self._lock = threading.Lock()
        self._done = threading.Event()
        self._drawn = 0
        self._terminal = sys.stdout.isatty()
        self._thread = threading.Thread(target=self._run, name="progress", daemon=True)
        self._thread.start()

    def show(self, bay: str, view: View) -> None:
        """Replace what is shown of a bay."""
        self._views[bay] = view

    def end(self, bay: str, how: str) -> None:
        """Show how a bay's run ended in place of the time left."""
        if bay in self._views:
            self._views[bay] = replace(self._views[bay], ended=how)

    def note(self, text: str) -> None:
        """Print a line that stays: an event people want to read."""
        with self._lock:
            if len(self._notes) < 200:
                self._notes.append(text)

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        """Nothing: what people want to read at a terminal is noted."""

    def close(self) -> None:
        """Print what is left; waits at most `LAST_WORDS_S` for a terminal that does not take it."""
        self._done.set()
        self._thread.join(LAST_WORDS_S)

    def _run(self) -> None:
        every_s = TERMINAL_EVERY_S if self._terminal else PIPED_EVERY_S
        lines_due_s = clock.real_s()
        while True:
            ended = self._done.wait(TERMINAL_EVERY_S)
            with self._lock:
                notes, self._notes = self._notes, []
            try:
                if notes or ended or clock.real_s() >= lines_due_s:
                    lines_due_s = clock.real_s() + every_s
                    self._draw(notes)
            except OSError:
                return
            if ended:
                return

    def _draw(self, notes: list[str]) -> None:
        lines = [line(bay, view) for bay, view in sorted(self._views.items())]
        if lines:
            lines.insert(0, HEADER)
        if self._terminal:
            width = shutil.get_terminal_size().columns - 1  # a line that wraps could not be redrawn
            lines = [one[:width] for one in lines]
            back = f"\x1b[{self._drawn}F\x1b[J" if self._drawn else ""
            self._drawn = len(lines)
            text = back + "".join(f"{one}\n" for one in [*notes, *lines])
        else:
            text = "".join(f"{one}\n" for one in [*notes, *lines])
        sys.stdout.write(text)
        sys.stdout.flush()
