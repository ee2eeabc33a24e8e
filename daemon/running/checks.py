"""Carries out the checks before a run's first step: one look at everything, then a test pulse. The rules are pure.

What they are is in profiles/preflight.py. Everything that is wrong is reported at once.
"""

import asyncio
import math
from collections.abc import Callable, Mapping

from benchwarden.daemon.bench import BayEntry, LoadEntry, SupplyEntry
from benchwarden.daemon.running.eyes import Eyes, Trip
from benchwarden.daemon.running.hands import Hands
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.drivers.errors import InstrumentError
from benchwarden.profiles import preflight
from benchwarden.profiles.plan import Plan
from benchwarden.profiles.planned import FAST_KINDS
from benchwarden.profiles.preflight import PULSE_S, Meter, Pace, Pulse
from benchwarden.profiles.steps import Draw, Off

# If nobody ends the pulse, the load's own timer does.
TIMER_S = 4.0


async def first_look(
    entry: BayEntry, instruments: Instruments, plan: Plan, still_there: Callable[[], None] = lambda: None
) -> list[str]:
    """Read every instrument once, ask for its ratings, and return everything that speaks against a start.

    `still_there` is called after each instrument.
    """
    problems: list[str] = []
    read: dict[str, Mapping[str, float | None]] = {}
    for role in instruments.watched:
        try:
            read[role], slow = await _read(entry, instruments, plan, role)
            problems += slow
        except InstrumentError as error:
            problems.append(str(error))
        still_there()
    problems += await _ratings(entry, instruments)
    still_there()
    load_v = read.get("load", {}).get("voltage_v")
    voltmeter = read.get("voltmeter", {}).get("voltage_v")
    groups_v = tuple(read.get("cells", {}).values())
    problems += preflight.check(groups_v, load_v if voltmeter is None else voltmeter, plan)
    meters = [Meter("load", load_v, entry.loads[0].accuracy.voltage)]
    if entry.supply and "supply" in read:
        meters.append(Meter("supply", read["supply"]["voltage_v"], entry.supply.accuracy.voltage, isolated=True))
    if entry.voltmeter and "voltmeter" in read:
        meters.append(Meter("voltmeter", voltmeter, entry.voltmeter.accuracy.voltage))
    problems += preflight.meters_agree(meters)
    if "temperature" in read:
        probes_c = {place: read["temperature"].get(f"{place}_c") for place in entry.places}
        # A plan in which nothing flows may begin warm: it is how a pack is watched while it cools.
        flows = plan.limits.max_draw_a > 0 or plan.limits.max_feed_a > 0
        problems += preflight.check_probes(probes_c, rested=flows)
    elif entry.temperature is None and preflight.pulse_current_a(plan) is not None:
        problems += preflight.check_probes({})
    return problems


async def _read(
    entry: BayEntry, instruments: Instruments, plan: Plan, role: str
) -> tuple[Mapping[str, float | None], list[str]]:
    """Return one reading, and what speaks against the time that it took; one hesitation is none. InstrumentError."""
    loop = asyncio.get_running_loop()
    for again in (True, False):
        began_s = loop.time()
        values = await instruments.watched[role].role.read()
        slow = preflight.keeps_pace(_pace(entry, instruments, plan, role, loop.time() - began_s))
        if not (slow and again):
            break
    return values, slow


def _pace(entry: BayEntry, instruments: Instruments, plan: Plan, role: str, answer_s: float) -> Pace:
    limits = plan.limits
    blind_s = {
        "cells": limits.blind_groups_s,
        "temperature": limits.blind_temperature_s,
        "voltmeter": 2 * limits.blind_voltage_s,
    }.get(role, limits.blind_voltage_s)
    loads = [one for name, one in instruments.outputs.items() if name.startswith("load")]
    bursts = role == "load" and any(step.kind in FAST_KINDS for step in plan.steps)
    timed = not any("timer" in load.command_map.lacking() for load in loads)
    timeout_s = min(one.timeout_s for name, one in entry.entries.items() if name.startswith(role))
    return Pace(
        f"{entry.name} {role}",
        answer_s,
        timeout_s,
        instruments.watched[role].every_s,
        blind_s,
        drives=role in ("load", "supply"),
        pulse_spare_s=TIMER_S - PULSE_S if role == "load" and preflight.pulse_current_a(plan) is not None else None,
        burst_blind_s=limits.blind_burst_s if bursts and not timed else None,
    )


async def _ratings(entry: BayEntry, instruments: Instruments) -> list[str]:
    problems: list[str] = []
    for name, output in instruments.outputs.items():
        found = entry.entries[name]
        assert isinstance(found, LoadEntry | SupplyEntry)
        limits = found.limits
        stated = {"current_a": limits.current_a, "power_w": limits.power_w, "voltage_v": limits.voltage_v}
        try:
            problems += preflight.ratings_fit(f"{entry.name} {name}", stated, await output.ratings())
        except InstrumentError as error:
            problems.append(str(error))
    return problems


async def pulse(
    entry: BayEntry, plan: Plan, eyes: Eyes, hands: Hands, say: Callable[..., None], alive: Callable[[int, bool], None]
) -> float | None:
    """Draw a small current for a second; returns the pack's resistance in ohms, None if nothing was drawn.

    Raises Trip if the pulse shows that something is wrong; the caller switches off.
    """
    level_a = preflight.pulse_current_a(plan)
    if level_a is None:
        return None
    await _look(eyes, alive)
    before = eyes.newest["load"].values["voltage_v"]
    groups_before = _groups(eyes)
    low = preflight.too_low_for_a_pulse(groups_before, before, plan)
    if low:
        say("test_pulse_left_out", why=low)
        return None
    ceiling_a = min(1.1 * level_a, plan.limits.max_draw_a)
    await hands.bring(Draw("current", level_a, ceiling_a, plan.limits.pack_low_v, TIMER_S))
    for _ in range(2):
        await asyncio.sleep(PULSE_S / 2)
        await eyes.look("load")
        alive(0, True)
    for role in ("cells", "voltmeter"):
        if eyes.has(role):
            await eyes.look(role)
            alive(0, True)
    load = eyes.newest["load"].values
    found = Pulse(
        level_a,
        before,
        load["voltage_v"],
        load["current_a"],
        groups_before,
        _groups(eyes),
        eyes.newest["voltmeter"].values["voltage_v"] if eyes.has("voltmeter") else None,
    )
    await hands.bring(Off())
    alive(0, False)
    say(
        "test_pulse",
        set_a=level_a,
        measured_a=found.in_a,
        before_v=before,
        in_v=found.in_v,
        resistance_ohm=found.ohm,
        groups_before_v=list(groups_before),
        groups_in_v=list(found.groups_in_v),
    )
    meters = [entry.loads[0].accuracy.voltage]
    if entry.voltmeter:
        meters.append(entry.voltmeter.accuracy.voltage)
    offset_a = entry.role_off_thresholds_a()["load"]
    problems = preflight.check_pulse(found, plan, offset_a, meters, entry.path_ohm)
    if problems:
        raise Trip("not as planned: " + "; ".join(problems))
    for _ in range(math.ceil(entry.pulse_recovery_s)):
        await asyncio.sleep(1.0)
        await _look(eyes, alive)
    if not await hands.all_off():
        raise Trip(f"off is not confirmed after the test pulse: {hands.why_not_off()}")
    return found.ohm


async def open_path(instruments: Instruments, plan: Plan) -> str | None:
    """Say after a trip, with all off, that the groups are well while the load sees no pack (fault 69); else None."""
    if instruments.cells is None:
        return None
    try:
        load_v = (await instruments.load.read())["voltage_v"]
        groups_v = tuple((await instruments.cells.read()).values())
    except InstrumentError:
        return None
    return preflight.open_path(groups_v, load_v, plan)


async def _look(eyes: Eyes, alive: Callable[[int, bool], None]) -> None:
    """Look at every role once, all off, and trip on what has not been seen for too long."""
    for role in ("load", "supply", "cells", "temperature", "voltmeter"):
        if eyes.has(role):
            await eyes.look(role)
            alive(0, False)
    eyes.check_overdue()


def _groups(eyes: Eyes) -> tuple[float | None, ...]:
    return tuple(eyes.newest["cells"].values.values()) if eyes.has("cells") else ()
