"""Where pack, loads and supply settle: the voltage at the pack connector, solved exactly.

With V at the connector the pack gives (E - V)/R, and every load on it is a constant current, a conductance
or a constant power, so the balance is a quadratic in V. Ceilings turn single loads into constant currents.
Where that does not settle (a pack that breaks down) the balance is searched for. Pure functions.
"""

import math
from collections.abc import Sequence

from benchwarden.simulators.pack import constant_power_current_a
from benchwarden.simulators.terminals import LoadState


def ceiling_a(load: LoadState) -> float:
    """Return the most a load draws in any mode, in A: its set ceiling or its rating."""
    return min(load.limit_a, load.max_current_a)


def floor_ohm(load: LoadState) -> float:
    """Return the least resistance of a load and its leads, in ohm: it cannot draw more at a low voltage."""
    return load.min_voltage_v / load.max_current_a + load.lead_ohm


def balance(
    emf_v: float, ohm: float, loads: Sequence[LoadState], extra_a: float = 0.0, extra_s: float = 0.0
) -> tuple[float, list[float]]:
    """Return the connector voltage (V) and what each load draws (A) on a source of `emf_v` behind `ohm`.

    `extra_a` and `extra_s` are a further constant current (A, positive draws) and conductance (S) there. A
    load that asks for more power than there is runs to its ceiling, as a real one does.
    """
    if extra_s == 0.0:
        quick = _single(emf_v - ohm * extra_a, ohm, loads)
        if quick is not None:
            return quick
    kinds = [load.mode if load.on else "off" for load in loads]
    for _ in range(1 + len(loads)):
        voltage = _connector_v(emf_v, ohm, loads, kinds, extra_a, extra_s)
        if voltage is None:
            break
        asked = [_asked_a(load, kind, voltage) for load, kind in zip(loads, kinds, strict=True)]
        over = False
        for k, load in enumerate(loads):
            if kinds[k] not in ("off", "ceiling") and asked[k] > ceiling_a(load):
                kinds[k] = "ceiling"
                over = True
        if over:
            continue
        drawn = held(voltage, loads)
        if all(abs(a - b) <= 1e-9 * a for a, b in zip(asked, drawn, strict=True)):
            return voltage, asked
        break
    voltage = _search_v(emf_v, ohm, loads, extra_a, extra_s)
    return voltage, held(voltage, loads)


def _single(emf_v: float, ohm: float, loads: Sequence[LoadState]) -> tuple[float, list[float]] | None:
    """Return the balance of at most one load that is inside all its bounds; None leaves it to the long way."""
    drawn = [0.0] * len(loads)
    active = -1
    for k, load in enumerate(loads):
        if load.on:
            if active >= 0:
                return None
            active = k
    if active < 0:
        return emf_v, drawn
    load = loads[active]
    if load.mode == "power":
        lead = _lead_in_loop_ohm(load)
        current_a = constant_power_current_a(emf_v, ohm + lead, load.power_w)
        if current_a is None:
            return None
    elif load.mode == "current":
        current_a = load.current_a
    else:
        current_a = emf_v / max(ohm + load.resistance_ohm + _lead_in_loop_ohm(load), 1e-6)
    voltage = emf_v - ohm * current_a
    if current_a > ceiling_a(load) or current_a < 0.0 or voltage < current_a * floor_ohm(load):
        return None
    drawn[active] = current_a
    return voltage, drawn


def _search_v(emf_v: float, ohm: float, loads: Sequence[LoadState], extra_a: float, extra_s: float) -> float:
    """Return the highest balance by search: for a pack that breaks down, where no closed form holds."""

    def surplus_v(voltage_v: float) -> float:
        return voltage_v - emf_v + ohm * (sum(held(voltage_v, loads)) + extra_a + voltage_v * extra_s)

    high = emf_v + ohm * max(0.0, -extra_a)
    step = high / 400.0
    low = high - step
    while low > 0.0 and surplus_v(low) > 0.0:
        high, low = low, low - step
    low = max(low, 0.0)
    for _ in range(60):
        middle = (low + high) / 2.0
        if surplus_v(middle) > 0.0:
            high = middle
        else:
            low = middle
    return (low + high) / 2.0


def held(voltage_v: float, loads: Sequence[LoadState]) -> list[float]:
    """Return what each load draws (A) while a supply holds the connector at a voltage (V)."""
    drawn = []
    for load in loads:
        if not load.on:
            drawn.append(0.0)
            continue
        least = floor_ohm(load)
        most_a = voltage_v / least if least > 0.0 else math.inf
        drawn.append(max(0.0, min(_asked_a(load, load.mode, voltage_v), ceiling_a(load), most_a)))
    return drawn


def sense_drop_v(lead_ohm: float, sense: str, current_a: float) -> float:
    """Return how far an instrument's own reading differs from the connector's voltage, in V."""
    return current_a * lead_ohm if sense != "pack connector" else 0.0


def _lead_in_loop_ohm(load: LoadState) -> float:
    return 0.0 if load.sense == "pack connector" else load.lead_ohm


def _asked_a(load: LoadState, kind: str, voltage_v: float) -> float:
    if kind == "current":
        return load.current_a
    if kind == "power":
        if voltage_v <= 0.0:
            return math.inf
        under = voltage_v * voltage_v - 4.0 * load.power_w * _lead_in_loop_ohm(load)
        return 2.0 * load.power_w / (voltage_v + math.sqrt(under)) if under >= 0.0 else math.inf
    if kind == "resistance":
        return voltage_v / max(load.resistance_ohm + _lead_in_loop_ohm(load), 1e-6)
    return ceiling_a(load) if kind == "ceiling" else 0.0


def _connector_v(
    emf_v: float,
    ohm: float,
    loads: Sequence[LoadState],
    kinds: Sequence[str],
    extra_a: float,
    extra_s: float,
) -> float | None:
    """Return the connector voltage for these kinds of load, or None if the power is more than there is.

    V·(1 + R·G) + R·P/V = E - R·I. A constant power held behind leads heats the leads too, P + I²·r: found by
    repetition, each round some fifty times closer.
    """
    amps = extra_a
    siemens = extra_s
    watts = 0.0
    behind = False
    for load, kind in zip(loads, kinds, strict=True):
        if kind == "power":
            watts += load.power_w
            behind = behind or _lead_in_loop_ohm(load) > 0.0
        elif kind == "current":
            amps += load.current_a
        elif kind == "ceiling":
            amps += ceiling_a(load)
        elif kind == "resistance":
            siemens += 1.0 / max(load.resistance_ohm + _lead_in_loop_ohm(load), 1e-6)
    b = emf_v - ohm * amps
    a = 1.0 + ohm * siemens
    if watts <= 0.0:
        return b / a
    lost = 0.0
    voltage = 0.0
    for _ in range(60):
        under = b * b - 4.0 * a * ohm * (watts + lost)
        if under < 0.0 or b <= 0.0:
            return None
        before = voltage
        voltage = (b + math.sqrt(under)) / (2.0 * a)
        if not behind or abs(voltage - before) <= 1e-13 * voltage:
            return voltage
        lost = 0.0
        for load, kind in zip(loads, kinds, strict=True):
            if kind == "power":
                current_a = _asked_a(load, kind, voltage)
                if math.isinf(current_a):
                    return None
                lost += current_a * current_a * _lead_in_loop_ohm(load)
    return voltage
