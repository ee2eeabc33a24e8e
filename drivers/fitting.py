"""From what a bench file says about an instrument to the role that talks to it; nothing is opened here."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from benchwarden.drivers.address import open_line
from benchwarden.drivers.command_map import CommandMap, load_map
from benchwarden.drivers.roles import Cells, Load, Supply, Thermometer, Voltmeter
from benchwarden.drivers.sensors import Probe


@dataclass(frozen=True, slots=True)
class Wire:
    """Where an instrument is and how to reach it: the line's part of a bench file's entry.

    `at` is a VISA resource string, `command_map` a map, a shipped map's name or the path of one. `via="visa"`
    uses PyVISA with `backend`; `baud` in bit/s is for serial ports; `timeout_s` is for each exchange.
    `memory` holds what answers at "MEMORY::<name>".
    """

    at: str
    command_map: str | Path | CommandMap
    via: str | None = None
    backend: str = "@py"
    baud: int = 9600
    timeout_s: float = 0.5
    memory: Mapping[str, Callable[[str], str | None]] | None = None

    def _options(self, who: str) -> dict[str, Any]:
        given = self.command_map
        found = given if isinstance(given, CommandMap) else load_map(given)
        line = open_line(
            self.at,
            via=self.via,
            backend=self.backend,
            baud=self.baud,
            terminator=found.terminator,
            memory=self.memory,
        )
        return {
            "line": line,
            "command_map": found,
            "who": who,
            "address": self.at,
            "timeout_s": self.timeout_s,
            "baud": self.baud,
        }

    def load(self, who: str) -> Load:
        """Return the load here; `who` names bay and role. Raises AddressError, MapError."""
        return Load(**self._options(who))

    def supply(self, who: str) -> Supply:
        """Return the supply here. Raises AddressError, MapError."""
        return Supply(**self._options(who))

    def cells(self, who: str, channels: str, taps: Literal["each", "cumulative"] = "each") -> Cells:
        """Return the scanner here. Raises AddressError, MapError, ValueError."""
        return Cells(**self._options(who), channels=channels, taps=taps)

    def thermometer(self, who: str, sensors: Mapping[str, int], probe: Probe | None = None) -> Thermometer:
        """Return the thermometer here; `sensors` maps a place to its channel, `probe` is what is wired to them.

        Raises AddressError, MapError.
        """
        return Thermometer(**self._options(who), sensors=sensors, probe=probe)

    def voltmeter(self, who: str) -> Voltmeter:
        """Return the voltmeter here. Raises AddressError, MapError."""
        return Voltmeter(**self._options(who))
