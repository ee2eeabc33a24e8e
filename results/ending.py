"""What ended a step: the pack's voltage, its temperature, or the bench; decided from the events."""

import re
from dataclasses import dataclass

from benchwarden.results.run import Run

_TEMPERATURE = re.compile(r"°C|degC|temperature|hottest|too hot", re.IGNORECASE)
_VOLTAGE = re.compile(r"\b(group|cut-off|floor|pack)\b.*\d\s*V\b", re.IGNORECASE)
_WORDS = {"cut-off": "voltage", "temperature": "temperature"}


@dataclass(frozen=True, slots=True)
class StepEnding:
    """`by` is "voltage", "temperature" or "bench" (a trip, a stop, a time limit, the plan's end)."""

    by: str
    words: str


def step_ending(run: Run, count: int) -> StepEnding:
    """Return what ended the step with this count.

    A step that a trip, a stop or an interruption cut short ended by "bench", or by "temperature" if the
    reason is one. Otherwise its "step_ended" event decides: by its "ended_by" ("cut-off", "temperature",
    anything else), or by its words where it has none.
    """
    inside = False
    tripped = ""
    for event in run.events:
        name = event.get("event")
        if name == "step_began":
            inside = event.get("step") == count
        elif name == "tripped" and inside:
            tripped = str(event.get("reason") or event.get("why") or "tripped")
        elif name == "step_ended" and event.get("step") == count and not tripped:
            words = str(event.get("why") or "")
            by = _WORDS.get(str(event.get("ended_by")), "bench") if event.get("ended_by") else _by(words)
            return StepEnding(by, words or "no reason was written")
    if tripped:
        return StepEnding("temperature" if _TEMPERATURE.search(tripped) else "bench", f"tripped: {tripped}")
    ending = run.ending
    words = f"{ending.how}: {ending.why}" if ending.why else ending.how
    return StepEnding("temperature" if _TEMPERATURE.search(ending.why) else "bench", words)


def _by(words: str) -> str:
    if _TEMPERATURE.search(words):
        return "temperature"
    return "voltage" if _VOLTAGE.search(words) else "bench"
