"""What simulated probes give at a temperature: tables, with straight lines between their points.

Tables and not the formulas by which drivers turn it back, so that a fault in one is no fault in the other.
"""

import math
from bisect import bisect_left

_ZERO_K = 273.15

# °C, mV with the cold junction at 0 °C: NIST SRD 60 (its90.nist.gov), "ITS-90 Table for type K thermocouple". Straight
# lines between points 10 K apart are off by 0.5 µV at most, that is 0.013 K.
TYPE_K_MV = (
    (-50.0, -1.889),
    (-40.0, -1.527),
    (-30.0, -1.156),
    (-20.0, -0.778),
    (-10.0, -0.392),
    (0.0, 0.000),
    (10.0, 0.397),
    (20.0, 0.798),
    (30.0, 1.203),
    (40.0, 1.612),
    (50.0, 2.023),
    (60.0, 2.436),
    (70.0, 2.851),
    (80.0, 3.267),
    (90.0, 3.682),
    (100.0, 4.096),
    (110.0, 4.509),
    (120.0, 4.920),
    (130.0, 5.328),
    (140.0, 5.735),
    (150.0, 6.138),
    (200.0, 8.138),
    (250.0, 10.153),
    (300.0, 12.209),
)

# °C, ohm of an invented thermistor, 10 kohm at 25 °C with B = 3950 K all over, as its data sheet would list it.
NTC_R25_OHM, NTC_BETA_K = 10_000.0, 3950.0
NTC_OHM = (
    (-10.0, 58245.71),
    (0.0, 33620.60),
    (10.0, 20174.58),
    (25.0, 10000.00),
    (40.0, 5301.47),
    (50.0, 3588.18),
    (60.0, 2486.16),
    (70.0, 1759.84),
    (80.0, 1270.32),
)

_NTC_LINE = tuple((1.0 / (t_c + _ZERO_K), math.log(ohm)) for t_c, ohm in reversed(NTC_OHM))


def type_k_mv(t_c: float) -> float:
    """Return a type K thermocouple's voltage at `t_c` (°C) in mV, its cold junction at 0 °C."""
    return _between(TYPE_K_MV, t_c)


def ntc_ohm(t_c: float) -> float:
    """Return the thermistor's resistance at `t_c` (°C) in ohm: ln R is a straight line over 1/T."""
    return math.exp(_between(_NTC_LINE, 1.0 / (t_c + _ZERO_K)))


def _between(points: tuple[tuple[float, float], ...], x: float) -> float:
    """Return y on the line between the points around `x`, or on the outermost one beyond them."""
    place = min(max(bisect_left(points, (x,)), 1), len(points) - 1)
    (x0, y0), (x1, y1) = points[place - 1], points[place]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
