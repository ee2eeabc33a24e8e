"""Remembers what the rules of supervision.py and warmth.py need, and trips when one of them says so."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchwarden.daemon.running.eyes import Trip
from benchwarden.daemon.running.supervision import (
    Apart,
    Astray,
    Beat,
    Scan,
    Still,
    StillScan,
    Sums,
    groups_add_up,
    meter_moves,
    scanner_moves,
    set_point_held,
    voltmeter_agrees,
)
from benchwarden.daemon.running.warmth import Probes, PutIn, probes_plausible, warmed
from benchwarden.daemon.safety import Heat
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.preflight import resistance_is_sane
from benchwarden.profiles.quantity import Accuracy
from benchwarden.results.sample import Reading

# A current stands that changed by less than this share from beat to beat; so long after rest its step is no longer
# resistance alone (common practice, no source).
STANDS, BEGUN_S = 0.1, 5.0


@dataclass(frozen=True, slots=True)
class Wiring:
    """What the bench file says: ohms between taps and meter, and the currents of each role that count as none (A).

    `accuracy`: by role, of the voltage.
    """

    path_ohm: float
    offset_a: Mapping[str, float]
    accuracy: Mapping[str, Accuracy | None] = field(default_factory=dict)


class Supervisor:
    """Sees every beat of one run; `ohm` is the pack's resistance (ohms) as far as it is known yet."""

    def __init__(self, pack: PackValues, wiring: Wiring, ohm: float | None = None) -> None:
        self._pack, self._wiring = pack, wiring
        self.ohm = ohm
        self._sums, self._astray, self._still, self._still_scan = Sums(), Astray(), Still(), StillScan()
        self._apart = Apart()
        self._last: Beat | None = None
        self._rest: Beat | None = None
        self._heat: PutIn | None = None
        self._probes = Probes({})
        self._felt_s = float("-inf")

    def see(
        self,
        reading: Reading,
        output: str,
        want: object,
        net_ah: float,
        cells: Reading | None,
        warmth: Reading | None,
        voltmeter: Reading | None = None,
    ) -> None:
        """Judge one beat; raises Trip. `net_ah`: charge put in; the others: the newest fresh readings."""
        voltage_v, current_a = reading.values["voltage_v"], reading.values["current_a"]
        if voltage_v is not None and current_a is not None:
            self._see_beat(Beat(reading.asked_s, output, voltage_v, current_a), want, net_ah, cells, voltmeter)
        if warmth is not None and self._heat is not None and warmth.asked_s > self._felt_s:
            self._felt_s = warmth.asked_s
            self._feel(warmth, self._heat)

    def _see_beat(
        self, beat: Beat, want: object, net_ah: float, cells: Reading | None, voltmeter: Reading | None
    ) -> None:
        pack, wiring = self._pack, self._wiring
        scan = _whole(cells)
        measuring = "supply" if beat.output == "supply" else "load"
        offset_a = wiring.offset_a[measuring]
        self._astray, reason = set_point_held(self._astray, beat, want, offset_a)
        if scan is not None:
            self._sums, astray = groups_add_up(self._sums, beat, scan, wiring.path_ohm, offset_a)
            self._still_scan, still = scanner_moves(self._still_scan, beat, scan)
            reason = reason or astray or still
        self._still, still = meter_moves(
            self._still,
            beat,
            scan,
            net_ah,
            rated_ah=pack.rated_capacity_ah,
            series=pack.series,
            plateau=pack.storage_v is None,
        )
        accuracy = (wiring.accuracy.get(measuring), wiring.accuracy.get("voltmeter"))
        self._apart, apart = voltmeter_agrees(self._apart, beat, _at_pack(voltmeter), accuracy, wiring.path_ohm)
        reason = reason or still or apart
        if reason:
            raise Trip(reason)
        self._learn(beat, offset_a)
        before = self._heat or PutIn(beat.time_s)
        self._heat = warmed(
            before, beat.time_s, beat.current_a, self.ohm, pack.lightest_kg, drawing=beat.output == "load"
        )
        self._last = beat

    def _learn(self, beat: Beat, offset_a: float) -> None:
        """Where a current has begun and stands, the voltage's step from rest tells the resistance.

        A first reading may lie on the ramp, with all of the sag and a part of the current. The supply is another meter
        than the one that saw the rest, so its word counts only where there is no better one.
        """
        if beat.output == "off":
            self._rest = beat
            return
        rest, last = self._rest, self._last
        if rest is None or last is None or last.output != beat.output:
            return
        if abs(beat.current_a) <= 4 * offset_a or abs(beat.current_a - last.current_a) > STANDS * abs(beat.current_a):
            return
        self._rest = None
        if beat.time_s - rest.time_s > BEGUN_S or (beat.output == "supply" and self.ohm is not None):
            return
        ohm = (beat.voltage_v - rest.voltage_v) / beat.current_a
        if resistance_is_sane(ohm, self._pack.series):
            self.ohm = ohm

    def _feel(self, warmth: Reading, heat: PutIn) -> None:
        seen = {place: value for place, value in warmth.values.items() if value is not None}
        weighed = self._pack.mass_kg is not None
        self._probes, breach = probes_plausible(self._probes, seen, heat, weighed=weighed)
        if breach:
            raise Trip(breach.why, every_bay=breach.heat is Heat.HOT, heat=breach.heat)


def _at_pack(voltmeter: Reading | None) -> tuple[float, float] | None:
    """Return when the voltmeter was asked, and its volts; None without a value."""
    voltage_v = voltmeter.values["voltage_v"] if voltmeter else None
    return None if voltmeter is None or voltage_v is None else (voltmeter.asked_s, voltage_v)


def _whole(cells: Reading | None) -> Scan | None:
    """Return the scan if every group was read."""
    if cells is None:
        return None
    values = tuple(cells.values.values())
    known = tuple(value for value in values if value is not None)
    return Scan(cells.asked_s, known) if len(known) == len(values) else None
