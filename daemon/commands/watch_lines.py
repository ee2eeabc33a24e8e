"""What `benchwarden watch` prints into a pipe: pure functions from the feed to lines that each stand by themselves."""

from collections.abc import Mapping
from typing import Any

from benchwarden.daemon.commands.watch_view import (
    Told,
    age_words,
    event_line,
    question_lines,
    sample_words,
    stand_words,
)

Message = Mapping[str, Any]


class Lines:
    """Keeps what was printed, so that each state is printed once at the start and then at each change.

    `bay`: the only one that is meant, None for all.
    """

    def __init__(self, bay: str | None) -> None:
        self._bay = bay
        self._states: dict[str, list[str]] = {}
        self._lost = False

    def _means(self, bay: str | None) -> bool:
        return bay is not None and self._bay in (None, bay)

    def take(self, message: Message, utc: str) -> list[str]:
        """Return what a message of the feed changes, as lines; `utc` is the time now."""
        match message["kind"]:
            case "lost" if not self._lost:
                self._lost = True
                return [f"{utc[11:19]} NO CONNECTION to the worker: what was said before is old"]
            case "found" if self._lost:
                self._lost = False
                return [f"{utc[11:19]} connected to the worker again"]
            case "event" if self._means(message["bay"]):
                return [event_line(message)]
            case "state" if self._means(message["bay"]):
                return self._state(message)
        return []

    def _state(self, state: Message) -> list[str]:
        """Return where a bay stands, what it asks, and whether it is off, without what was said of it before."""
        bay = state["bay"]
        now = [stand_words(state), *question_lines(bay, state)]
        now += [state["off"]["words"]] if state["off"] else []
        before, self._states[bay] = self._states.get(bay, []), now
        new = [text for text in now if text not in before]
        if not state["question"] and any(text.startswith("ASKS: ") for text in before):
            new.append("asks nothing any more")
        return [f"{state['utc'][11:19]} {bay}: {text}" for text in new]

    def samples(self, told: Told, now_s: float) -> list[str]:
        """Return each bay's newest sample in a line; nothing while nobody is connected."""
        lines = []
        for bay, sample in told.samples.items() if told.connected else ():
            if self._means(bay):
                words = [*sample_words(sample), age_words(told, bay, now_s)]
                lines.append(f"{sample['utc'][11:19]} {bay}: {'  '.join(word for word in words if word)}")
        return lines
