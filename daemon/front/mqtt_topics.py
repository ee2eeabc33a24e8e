"""The topics of one bench: what is published, the one thing that is taken, and what is refused aloud."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from benchwarden.results.folder import slug

ROOT = "benchwarden"
# Words that somebody might take for orders: the socket's own and near ones. All are refused and logged. Nothing else is
# listened for, beside STOP: everything below the bench would be its own samples, too.
REFUSED = (
    "acknowledge",
    "add",
    "answer",
    "charge",
    "cmd",
    "command",
    "continue",
    "discharge",
    "drop",
    "move",
    "off",
    "on",
    "output",
    "pause",
    "resume",
    "run",
    "set",
    "start",
)
# As in a bench file: nothing else is answered, since a topic's length and letters are the sender's.
_BAY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


@dataclass(frozen=True, slots=True)
class Topics:
    """Topics of a bench: `name` as it stands in them, `bays` with their names as in the bench file."""

    name: str
    bays: tuple[str, ...]

    @classmethod
    def of(cls, bench: str, bays: Sequence[str]) -> "Topics":
        """Return the topics of a bench by its name for people; FolderError where nothing of the name is left."""
        return cls(slug(bench), tuple(bays))

    @property
    def status(self) -> str:
        """Whether the bench is watched; retained."""
        return f"{ROOT}/{self.name}/status"

    def of_bay(self, bay: str, kind: str) -> str:
        """Return where one kind of a bay's messages goes."""
        return f"{ROOT}/{self.name}/{bay}/{kind}"

    def alarm(self, bay: str) -> str:
        """Return where alarms of a bay go, of the bench itself if `bay` is empty."""
        return self.of_bay(bay, "alarm") if bay else f"{ROOT}/{self.name}/alarm"

    def stops(self) -> dict[str, str | None]:
        """Return the topics on which a STOP is taken, with the bay that it means; None: all."""
        return {f"{ROOT}/{self.name}/stop": None} | {self.of_bay(bay, "stop"): bay for bay in self.bays}

    def wrong_bay(self, topic: str) -> str | None:
        """Return the bay that a STOP means if this bench has none of that name, None if the topic is anything else."""
        if topic in self.stops():
            return None
        begin, end = f"{ROOT}/{self.name}/", "/stop"
        bay = topic.removeprefix(begin).removesuffix(end)
        return bay if topic == f"{begin}{bay}{end}" and _BAY.fullmatch(bay) else None

    def answer(self, bay: str | None) -> str:
        """Return where a STOP is answered."""
        return f"{ROOT}/{self.name}/stop/answer" if bay is None else self.of_bay(bay, "stop/answer")

    def heard(self) -> list[str]:
        """Return what is subscribed to for STOP: of the bench, and of every bay, whether or not there is one."""
        return [f"{ROOT}/{self.name}/stop", self.of_bay("+", "stop")]

    def refused(self) -> list[str]:
        """Return what is subscribed to so that whatever comes is refused; never what the bench itself publishes."""
        of_bench = [f"{ROOT}/{self.name}/{word}" for word in REFUSED]
        of_any = [self.of_bay("+", word) for word in REFUSED if word != "answer"]
        # "+/answer" would also be that of a STOP for all bays.
        return of_bench + of_any + [self.of_bay(bay, "answer") for bay in self.bays]
