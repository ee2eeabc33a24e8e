"""The figures of a pulse series by what their names say: charge drawn, rate, time."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

_POWER = re.compile(r"pulse_drawn_([0-9.]+)_power_w")
_OHM = re.compile(r"pulse_drawn_([0-9.]+)_([0-9.]+)c_([0-9.]+)s_ohm")


@dataclass(frozen=True, slots=True, order=True)
class PulseOhm:
    """A resistance of a series: percent of the charge drawn before it, rate in C, seconds after the pulse began."""

    percent: float
    rate_c: float
    time_s: float
    name: str


def pulse_powers(names: Iterable[str]) -> list[tuple[float, str]]:
    """Return percent drawn and name of each pulse power among figures' names, by percent."""
    return sorted((float(match[1]), name) for name in names if (match := _POWER.fullmatch(name)))


def pulse_ohms(names: Iterable[str]) -> list[PulseOhm]:
    """Return the resistances of the series' strongest pulse at every time among figures' names, by percent and time."""
    found = [
        PulseOhm(float(match[1]), float(match[2]), float(match[3]), name)
        for name in names
        if (match := _OHM.fullmatch(name))
    ]
    strongest = max((one.rate_c for one in found), default=0.0)
    return sorted(one for one in found if one.rate_c == strongest)


def longest(ohms: Iterable[PulseOhm]) -> list[PulseOhm]:
    """Return those at the longest time that there is: the ones that pulse powers are worked out from."""
    ohms = list(ohms)
    last_s = max((one.time_s for one in ohms), default=0.0)
    return [one for one in ohms if one.time_s == last_s]


def half_power(names: Iterable[str]) -> str | None:
    """Return the name of the pulse power nearest to half of the charge drawn, None without any."""
    return min(pulse_powers(names), key=lambda one: abs(one[0] - 50.0), default=(0.0, None))[1]


def half_ohm(names: Iterable[str]) -> str | None:
    """Return the name of the resistance of the strongest and longest pulse nearest to half of the charge drawn."""
    found = min(longest(pulse_ohms(names)), key=lambda one: abs(one.percent - 50.0), default=None)
    return None if found is None else found.name
