"""Counts charge and energy while a run goes on: the trapezoid rule between readings, and known moments at edges."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# Between an edge and the nearest reading under current lies a small part of the usual period; more than this share of
# it means that a reading was lost there.
NEAR_PERIODS = 0.5
# A step is flagged if more than this share of its charge is uncertain at its edges: charges are to be right within
# 0.5 %, and the rule between readings needs its part, too.
BLURRED_SHARE = 0.004


@dataclass(frozen=True, slots=True)
class Point:
    """A time of the loop's clock, and the current (A) and power (W) then; positive charges."""

    time_s: float
    current_a: float
    power_w: float


@dataclass(slots=True)
class Ledger:
    """Charge (Ah) and energy (Wh) since the start of the run, all zero or above.

    Between valid readings the trapezoid rule holds. An output goes on or off halfway between its order and the answer
    to it; from there to the nearest reading under current, that reading's current is taken. `blurred_ah` bounds how far
    the charge may be off by that: half of the time between order and answer, and all of the time to the nearest reading
    if one was lost there. `period_s` is the usual time between readings. `unmeasured_s` is time that is not counted.
    """

    charging_ah: float = 0.0
    discharging_ah: float = 0.0
    charging_wh: float = 0.0
    discharging_wh: float = 0.0
    unmeasured_s: float = 0.0
    blurred_ah: float = 0.0
    period_s: float = 1.0
    last: Point | None = None
    _on: tuple[float, float] | None = None  # order and answer of an edge to on that no reading has followed yet

    def add(self, time_s: float, voltage_v: float | None, current_a: float | None, longest_s: float) -> None:
        """Count the interval since the last valid sample; a longer one than `longest_s` is not measured."""
        if voltage_v is None or current_a is None:
            return
        point = Point(time_s, current_a, voltage_v * current_a)
        if self._on is not None:
            ordered_s, answered_s = self._on
            self._on = None
            self._blur(point.current_a, answered_s - ordered_s, time_s - answered_s)
            self.last = Point((ordered_s + answered_s) / 2.0, point.current_a, point.power_w)
        if self.last is not None:
            self._count(self.last, point, longest_s)
        self.last = point

    def went_on(self, ordered_s: float, answered_s: float) -> None:
        """Note that an output went on between these two times; until then nothing flowed."""
        self._on = (ordered_s, answered_s)

    def went_off(self, ordered_s: float, answered_s: float, longest_s: float) -> None:
        """Note that the output went off between these two times; nothing flows from then on."""
        moment_s = (ordered_s + answered_s) / 2.0
        if self._on is not None:  # no reading at all under this current
            self.unmeasured_s += max(0.0, answered_s - self._on[0])
            self._on = None
        elif self.last is not None:
            self._blur(self.last.current_a, answered_s - ordered_s, ordered_s - self.last.time_s)
            self._count(self.last, Point(moment_s, self.last.current_a, self.last.power_w), longest_s)
        self.last = Point(moment_s, 0.0, 0.0)

    def _blur(self, current_a: float, window_s: float, away_s: float) -> None:
        blurred_s = window_s / 2.0 + (away_s if away_s > NEAR_PERIODS * self.period_s else 0.0)
        self.blurred_ah += abs(current_a) * blurred_s / 3600.0

    def _count(self, before: Point, point: Point, longest_s: float) -> None:
        span_s = point.time_s - before.time_s
        if span_s > longest_s:
            self.unmeasured_s += span_s
            return
        charge_ah = (before.current_a + point.current_a) / 2.0 * span_s / 3600.0
        energy_wh = (before.power_w + point.power_w) / 2.0 * span_s / 3600.0
        if charge_ah > 0:
            self.charging_ah += charge_ah
            self.charging_wh += energy_wh
        else:
            self.discharging_ah -= charge_ah
            self.discharging_wh -= energy_wh


@dataclass(frozen=True, slots=True)
class Counted:
    """What a ledger had counted at one moment, so that a step can be told from the run."""

    charge_ah: float
    blurred_ah: float
    unmeasured_s: float

    @classmethod
    def of(cls, ledger: Ledger) -> "Counted":
        """Return what stands in the ledger now."""
        return cls(ledger.charging_ah + ledger.discharging_ah, ledger.blurred_ah, ledger.unmeasured_s)


def blur_in_words(before: Counted, after: Counted) -> str | None:
    """Say what of the charge counted between two moments is not certain because of lost readings; None if enough is."""
    charge_ah = after.charge_ah - before.charge_ah
    blurred_ah = after.blurred_ah - before.blurred_ah
    unmeasured_s = after.unmeasured_s - before.unmeasured_s
    found: list[str] = []
    if blurred_ah > BLURRED_SHARE * charge_ah:
        share = f" of {charge_ah:.4g} Ah" if charge_ah > 0 else ""
        found.append(
            f"{blurred_ah:.2g} Ah{share} are uncertain where an output went on or off: a late answer or a lost reading"
        )
    if unmeasured_s > 0.0:
        found.append(f"{unmeasured_s:.2g} s were not measured")
    return "charge: " + "; ".join(found) if found else None


def count_in_step(counts: Sequence[Mapping[str, float] | str]) -> dict[str, float | str]:
    """Return what a load's own counters say of one step, drawn once or several times: sums, or "lacking" with a reason.

    A count that is missing once is missing of the step; so is a name (charge_ah, energy_wh) that is.
    """
    known = [one for one in counts if not isinstance(one, str)]
    if len(known) < len(counts):
        return {"lacking": next(one for one in counts if isinstance(one, str))}
    names = [name for name in known[0] if all(name in one for one in known)]
    return {name: round(sum(one[name] for one in known), 9) for name in names}
