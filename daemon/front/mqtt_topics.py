"""The topics of one bench: what is published, the one thing that is taken, and what is refused aloud."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchwarden.results.folder import slug

ROOT = "benchwarden"
# Words that somebody might take for orders: the socket's own and near ones. All are refused and logged.
REFUSED = (
    "start",
    "run",
    "add",
    "move",
    "drop",
    "continue",
    "acknowledge",
    "answer",
    "on",
    "off",
    "set",
    "cmd",
    "command",
)


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

    def answer(self, bay: str | None) -> str:
        """Return where a STOP is answered."""
        return f"{ROOT}/{self.name}/stop/answer" if bay is None else self.of_bay(bay, "stop/answer")

    def refused(self) -> list[str]:
        """Return the topics on which whatever comes is refused."""
        return [f"{ROOT}/{self.name}/{word}" for word in REFUSED] + [
            self.of_bay(bay, word) for bay in self.bays for word in REFUSED
        ]
