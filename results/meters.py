"""What the instruments of a run may be wrong by, as uncertain inputs that its figures share.

Accuracy limits come from the bench file, as run.json holds them, and are taken as rectangular (JCGM 100, 4.3.7). One
meter has one error of gain, common to all its readings, and one offset, common too: fully correlated within a run, and
between runs with the very same meter by maker, model and serial number. So a gain cancels in a ratio and an offset in a
difference. The channels of a scanner are the exception: see `group_v`. Where no accuracy is stated there is no
uncertainty, and the missing line is named.
"""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.profiles.quantity import Accuracy, accuracy, last_digit_kg
from benchwarden.results.run import RunInfo
from benchwarden.results.uncertain import Inputs, Uncertain

CLOCK_SHARE = 1e-4
"""The computer's clock may run fast or slow by this share: ±100 ppm, any crystal (common practice, no source)."""
_UNITS = {"voltage": "V", "current": "A", "temperature": "K"}


@dataclass(frozen=True, slots=True)
class _Meter:
    """One instrument's entry in run.json; `weight` is its part in a reading that several make together."""

    name: str
    entry: Mapping[str, Any]
    weight: float = 1.0

    @property
    def who(self) -> str | None:
        identity = self.entry.get("identity")
        if not isinstance(identity, Mapping):
            return None
        words = [str(identity.get(key) or "").strip() for key in ("maker", "model", "serial")]
        return " ".join(words) if words[2] and words[2] != "0" else None


class Meters:
    """The errors of one run's instruments, clock and scale. Readings in V, A, °C; errors are zero ± something."""

    def __init__(self, info: RunInfo) -> None:
        """Take what run.json says of the instruments."""
        self.inputs = Inputs()
        self._info = info
        self._bay = info.bay or "?"
        self._gains: dict[tuple[str, str, str], Uncertain] = {}
        self._offsets: dict[tuple[str, str, str], Uncertain] = {}

    def gain(self, role: str, quantity: str, channel: str = "") -> Uncertain:
        """Return the relative error of readings of "voltage", "current" or "temperature"; `channel` as in `offset`."""
        if (role, quantity, channel) not in self._gains:
            self._gains[role, quantity, channel] = self._make_gain(role, quantity, channel)
        return self._gains[role, quantity, channel]

    def _make_gain(self, role: str, quantity: str, channel: str) -> Uncertain:
        total: Uncertain = 0.0
        for meter in self._meters(role, quantity):
            limits = self._limits(meter, quantity)
            if limits is None:
                total = total + meter.weight * self._unknown(meter, quantity)
            elif limits.of_reading:
                total = total + meter.weight * self._one(meter, f"{quantity} gain", channel, limits.of_reading)
        return total

    def offset(self, role: str, quantity: str, channel: str = "") -> Uncertain:
        """Return the absolute error in V, A or K; `channel` names one of several inputs with an error of its own."""
        if (role, quantity, channel) not in self._offsets:
            self._offsets[role, quantity, channel] = self._make_offset(role, quantity, channel)
        return self._offsets[role, quantity, channel]

    def _make_offset(self, role: str, quantity: str, channel: str) -> Uncertain:
        total: Uncertain = 0.0
        for meter in self._meters(role, quantity):
            limits = self._limits(meter, quantity)
            weight = 1.0 if quantity == "current" else meter.weight
            if limits is None:
                total = total + weight * self._unknown(meter, quantity)
            elif limits.absolute:
                total = total + weight * self._one(meter, f"{quantity} offset", channel, limits.absolute)
        return total

    def reading(self, role: str, quantity: str, value: float, channel: str = "") -> Uncertain:
        """Return one reading with the errors of its meter."""
        return value * (1.0 + self.gain(role, quantity)) + self.offset(role, quantity, channel)

    def pack_v(self, role: str, value: float, amperes: float) -> Uncertain:
        """Return a reading of the pack's voltage, with the drop in the leads if sensed at the instrument."""
        return self.reading(role, "voltage", value) + amperes * self.leads_ohm()

    def group_v(self, value: float, number: int) -> Uncertain:
        """Return one group's reading, with the errors of its own channel (of two, where taps are cumulative).

        What an accuracy says holds for each channel; whether two channels of a scanner err alike it does not say (one
        converter behind all of them, but a relay, a divider and a common-mode voltage for each). So in a difference of
        groups nothing is taken to cancel. In a sum, `groups_sum_v` takes the other extreme.
        """
        own = self.offset("cells", "voltage", self._tap(number))
        if self._info.taps == "cumulative" and number > 1:
            own = own - self.offset("cells", "voltage", self._tap(number - 1))
        return value * (1.0 + self.group_gain(number)) + own

    def group_gain(self, number: int) -> Uncertain:
        """Return the relative error of one group's readings.

        With cumulative taps it is the difference of two readings that are `number` and `number` − 1 times as large, as
        far as groups are alike.
        """
        own = self.gain("cells", "voltage", self._tap(number))
        if self._info.taps != "cumulative" or number < 2:
            return own
        return number * own - (number - 1) * self.gain("cells", "voltage", self._tap(number - 1))

    def _tap(self, number: int) -> str:
        return f"{'tap' if self._info.taps == 'cumulative' else 'group'} {number}"

    def group_limit_v(self, value: float, number: int) -> float:
        """Return by how much one group's reading may be off, as half-width in V; zero where no accuracy is stated."""
        readings = (2 * number - 1, 2) if self._info.taps == "cumulative" and number > 1 else (1, 1)
        stated = [self._limits(meter, "voltage") for meter in self._meters("cells", "voltage")]
        known = [one for one in stated if one is not None]
        return sum(readings[0] * abs(value) * one.of_reading + readings[1] * one.absolute for one in known)

    def groups_sum_v(self, values: Sequence[float]) -> Uncertain:
        """Return the sum of all groups; its channels are taken to err alike, which is the worst for a sum.

        With cumulative taps the sum is one reading, that of the uppermost tap.
        """
        readings = 1.0 if self._info.taps == "cumulative" else float(len(values))
        offset = readings * self.offset("cells", "voltage")
        return math.fsum(values) * (1.0 + self.gain("cells", "voltage")) + offset

    def temperature_c(self, value: float, place: int, when: str) -> Uncertain:
        """Return one sensor's reading.

        Each sensor has an error of its own, and `when` names the moment: a probe's errors tens of kelvins apart are not
        alike, so that they are not taken to cancel in a rise.
        """
        places = self._info.places
        name = places[place] if place < len(places) else f"T{place + 1}"
        return self.reading("temperature", "temperature", value, f"{name}, {when}")

    def leads_ohm(self) -> Uncertain:
        """Return zero, or what the leads may have where the pack is sensed at the instrument's terminals."""
        if self._info.sense != "instrument terminals":
            return 0.0
        if self._info.path_ohm is None:
            line = "run.json: path_ohm (leads between pack and terminals)"
            return self.inputs.unknown("leads, sensed at the instrument's terminals", line)
        return self.inputs.limits("leads, sensed at the instrument's terminals", self._info.path_ohm, "pack")

    def clock(self) -> Uncertain:
        """Return the relative error of the time base."""
        return self.inputs.limits(f"clock of bench {self._info.bench or '?'}", CLOCK_SHARE, "bench")

    def mass_kg(self, kg: float) -> Uncertain:
        """Return the pack's mass: ± `mass_accuracy` of the pack file, else ± one in the last digit written."""
        words = f"mass of {self._info.pack_name}"
        half = self._info.pack.get("mass_accuracy")
        if not isinstance(half, int | float) or isinstance(half, bool):
            text = self._written("mass")
            half = None if text is None else last_digit_kg(text)
            words += " (± one in the last digit written)"
        if half is None:
            return kg + self.inputs.unknown(words, "pack file: mass_accuracy")
        return kg + self.inputs.limits(words, float(half), "bench")

    def _written(self, key: str) -> str | None:
        sources = self._info.others.get("sources")
        text = sources.get("pack") if isinstance(sources, Mapping) else None
        try:
            found = tomllib.loads(text).get(key) if isinstance(text, str) else None
        except tomllib.TOMLDecodeError:
            return None
        return found if isinstance(found, str) else None

    def _meters(self, role: str, quantity: str) -> list[_Meter]:
        entries = {
            name: entry
            for name, entry in self._info.instruments.items()
            if isinstance(entry, Mapping) and (name == role or (role == "load" and name.startswith("load ")))
        }
        if not entries:
            return [_Meter(role, {})]
        weights = {name: _rating_a(entry) if quantity == "current" else 1.0 for name, entry in entries.items()}
        total = sum(weights.values())
        return [_Meter(name, entry, weights[name] / total) for name, entry in entries.items()]

    def _limits(self, meter: _Meter, quantity: str) -> Accuracy | None:
        stated = meter.entry.get("accuracy")
        found = stated.get(quantity) if isinstance(stated, Mapping) else None
        try:
            if isinstance(found, Mapping):
                limits = Accuracy(float(found["of_reading"]), float(found["absolute"]), str(found["unit"]))
            else:
                limits = accuracy(found)
        except (KeyError, TypeError, ValueError):
            return None
        return limits if limits.unit == _UNITS[quantity] else None

    def _unknown(self, meter: _Meter, quantity: str) -> Uncertain:
        line = f"bench.toml: bay {self._bay!r}, {meter.name}: accuracy = {{ {quantity} = … }}"
        if self._info.imported:
            line = f"import's file: [accuracy] {'group_' if meter.name == 'cells' else ''}{quantity} = …"
        return self.inputs.unknown(f"{meter.name} {quantity}", line)

    def _one(self, meter: _Meter, what: str, channel: str, half_width: float) -> Uncertain:
        who = meter.who
        words = f"{what} of {who or f'the {meter.name}'}{f' ({channel})' if channel else ''}"
        return self.inputs.limits(words, half_width, "pack" if who is None else "bench")


def _rating_a(entry: Mapping[str, Any]) -> float:
    limits = entry.get("limits")
    found = limits.get("current") if isinstance(limits, Mapping) else None
    return float(found) if isinstance(found, int | float) and found > 0 else 1.0
