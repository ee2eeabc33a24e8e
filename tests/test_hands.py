"""Switching by the safety table alone, off confirmed by read-back and current; against the simulated instruments."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.running.eyes import Trip
from benchwarden.daemon.running.hands import CONFIRM_S, DEAD_TIME_S, Hands
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.safety import Event, State
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.steps import Draw, Feed, Off, Question
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import HERON, LEFT, device, placed
from tests.virtual_bench import on_virtual_time

# Both directions, so that the plan allows both.
BOTH = """
title = "Both ways"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
FEED = Feed(voltage_v=25.2, current_a=2.5)


def draw(level: float = 100.0, timer_s: float | None = None) -> Draw:
    return Draw(quantity="power", level=level, ceiling_a=15.0, trip_voltage_v=14.0, timer_s=timer_s)


class Rig:
    """Hands on a simulated bay, with what they said."""

    def __init__(self) -> None:
        self.bench = SimulatedBench([LEFT], soc=0.5)
        entry = read_bench(self.bench.bench_toml(), "bench.toml").bay[0]
        self.instruments = Instruments(entry, self.bench.memory())
        self.said: list[tuple[str, dict[str, object]]] = []
        plan = work_out(read_profile(BOTH, "profile"), read_pack(HERON), entry.abilities())
        self.hands = Hands(
            self.instruments.load,
            self.instruments.supply,
            self.instruments.outputs,
            plan,
            entry.off_thresholds_a(),
            lambda event, **details: self.said.append((event, details)),
        )

    @property
    def journal(self) -> list[tuple[float, str]]:
        return self.bench.journals()["left"]

    def sent(self, name: str) -> list[str]:
        return [text for _, text in placed(self.bench, name).endpoint.log]


def with_rig(work: Callable[[Rig], Awaitable[None]], *, ready: bool = True) -> None:
    async def prepared() -> None:
        rig = Rig()
        await rig.instruments.open()
        if ready:
            rig.hands.go(Event.BEGIN)
            rig.hands.go(Event.CHECKED)
        try:
            await work(rig)
        finally:
            await rig.instruments.close()

    on_virtual_time(prepared())


def test_draw_off_draw_follows_the_table() -> None:
    async def work(rig: Rig) -> None:
        hands = rig.hands
        assert (hands.state, hands.output) == (State.READY, "off")
        assert await hands.bring(draw())
        assert (hands.state, hands.output) == (State.DRAWING, "load")
        assert not await hands.bring(draw())  # the same again is nothing
        assert await hands.bring(Off())
        assert (hands.state, hands.output) == (State.READY, "off")
        assert not await hands.bring(Off())
        assert [what for _, what in rig.journal] == ["load 1 on", "load 1 off"]

    with_rig(work)


@pytest.mark.parametrize(("first", "second"), [(draw(), FEED), (FEED, draw())])
def test_a_change_goes_through_both_off_and_a_dead_time(first: Draw | Feed, second: Draw | Feed) -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(first)
        await asyncio.sleep(5.0)
        assert await rig.hands.bring(second)
        whats = [what for _, what in rig.journal]
        off_s, on_s = rig.journal[1][0], rig.journal[2][0]
        assert "load and supply on together" not in whats
        assert len(whats) == 3
        assert whats[1].endswith("off")
        assert on_s - off_s >= DEAD_TIME_S

    with_rig(work)


def test_protections_are_programmed_before_the_output_goes_on() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw(timer_s=6.0))
        sent = rig.sent("load")
        on = next(n for n, text in enumerate(sent) if "INPut ON" in text)
        for what in (
            "PROTection:UNDer 14",
            "CURRent:PROTection ",
            "POWer:PROTection ",
            "INPut:TIMer 6",
            "CURRent:LIMit 15",
        ):
            assert any(what in text for text in sent[:on]), what
        load = rig.bench.bays["left"].loads[0]
        assert (load.under_voltage_on, load.timer_on, load.mode) == (True, True, "power")
        assert rig.hands.unprotected == ()

    with_rig(work)


def test_a_new_level_in_the_same_circuit_does_not_switch() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw(100.0))
        assert not await rig.hands.bring(draw(120.0))
        assert rig.bench.bays["left"].loads[0].power_w == pytest.approx(120.0)
        assert await rig.hands.bring(draw(120.0, timer_s=6.0))  # another protection: off, and on anew
        assert [what for _, what in rig.journal] == ["load 1 on", "load 1 off", "load 1 on"]

    with_rig(work)


def test_a_new_feed_does_not_switch() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(FEED)
        assert not await rig.hands.bring(Feed(voltage_v=25.1, current_a=2.0))
        supply = rig.bench.bays["left"].supply
        assert supply is not None
        assert (round(supply.voltage_v, 3), round(supply.current_a, 3), supply.on) == (25.1, 2.0, True)

    with_rig(work)


def test_a_question_is_off() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        assert await rig.hands.bring(Question("Ready?", ("yes",)))
        assert [what for _, what in rig.journal] == ["load 1 on", "load 1 off"]

    with_rig(work)


@pytest.mark.parametrize("want", [draw(), FEED], ids=["draw", "feed"])
def test_nothing_goes_on_before_the_bay_was_checked(want: Draw | Feed) -> None:
    async def work(rig: Rig) -> None:
        with pytest.raises(Trip, match="is not allowed while idle"):
            await rig.hands.bring(want)
        assert rig.hands.state is State.TRIPPED
        assert rig.journal == []

    with_rig(work, ready=False)


@pytest.mark.parametrize("want", [draw(), FEED], ids=["draw", "feed"])
def test_after_a_trip_nothing_goes_on(want: Draw | Feed) -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        assert await rig.hands.make_safe("a reason")
        assert rig.hands.state is State.TRIPPED
        with pytest.raises(Trip):
            await rig.hands.bring(want)
        assert [what for _, what in rig.journal] == ["load 1 on", "load 1 off"]

    with_rig(work)


def test_events_of_switching_say_when_it_was_ordered_and_answered() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        await rig.hands.bring(Off())
        for name in ("output_on", "output_off"):
            said: dict[str, Any] = next(details for event, details in reversed(rig.said) if event == name)
            assert said["ordered_ago_s"] >= said["answered_ago_s"] >= 0.0, name
        assert await rig.hands.all_off()
        assert "ordered_ago_s" not in rig.said[-1][1], "nothing was on that could be switched off"

    with_rig(work)


def test_off_goes_to_both_and_both_are_measured() -> None:
    async def work(rig: Rig) -> None:
        assert await rig.hands.all_off()
        assert set(rig.hands.currents_a) == {"load", "supply"}
        assert any("INPut OFF" in text for text in rig.sent("load"))
        assert any("OUTPut OFF" in text for text in rig.sent("supply"))
        assert rig.said[-1] == ("output_off", {"confirmed": True, "current_a": rig.hands.currents_a})

    with_rig(work)


def test_a_mute_supply_does_not_keep_the_load_on() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        placed(rig.bench, "supply").endpoint.faults.deaf = True
        asked_s = asyncio.get_running_loop().time()
        assert not await rig.hands.make_safe("a reason")
        assert rig.journal[-1] == (asked_s, "load 1 off")  # at once, not after the other's silence
        assert rig.hands.currents_a["supply"] is None
        assert "left supply at MEMORY::left/supply: " in rig.hands.why_not_off()

    with_rig(work)


def test_off_is_tried_again_until_two_seconds_are_over() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        faults = placed(rig.bench, "load").endpoint.faults
        faults.lost = "INPut OFF"
        loop = asyncio.get_running_loop()
        loop.call_later(CONFIRM_S / 2, setattr, faults, "lost", None)
        assert await rig.hands.all_off()
        faults.lost = "INPut OFF"
        await rig.hands.make_safe(None)
        began_s = loop.time()
        rig.bench.bays["left"].switch_load(0, True, began_s)
        assert not await rig.hands.all_off()
        assert CONFIRM_S <= loop.time() - began_s <= CONFIRM_S + 0.2
        assert "is not off" in rig.hands.why_not_off()

    with_rig(work)


def test_a_current_that_goes_on_flowing_is_not_off_whatever_the_read_back_says() -> None:
    async def work(rig: Rig) -> None:
        await rig.hands.bring(draw())
        device(rig.bench, "load").welded = True  # type: ignore[attr-defined]
        with pytest.raises(Trip, match=r"off is not confirmed: measured load -\d+\.\d\d A, supply"):
            await rig.hands.bring(Off())
        assert rig.hands.state is State.OPENING

    with_rig(work)


def test_a_refused_order_is_a_trip_that_names_the_instrument() -> None:
    async def work(rig: Rig) -> None:
        rig.bench.bays["left"].loads[0].max_power_w = 50.0
        with pytest.raises(Trip, match="left load at MEMORY::left/load: command refused with error -222"):
            await rig.hands.bring(draw())
        assert rig.journal == []

    with_rig(work)


def test_a_latched_protection_is_named_when_the_output_does_not_go_on() -> None:
    async def work(rig: Rig) -> None:
        load = rig.bench.bays["left"].loads[0]
        load.tripped = 1
        with pytest.raises(Trip, match=r"left load at MEMORY::left/load: "):
            await rig.hands.bring(draw())
        assert rig.journal == []
        assert await rig.hands.own_protection() == "load: under-voltage"

    with_rig(work)


def supply_on_by_hand(rig: Rig) -> None:
    bay = rig.bench.bays["left"]
    assert bay.supply is not None
    bay.supply.voltage_v, bay.supply.current_a = 25.2, 2.0
    bay.switch_supply(True, rig.bench.now())


def test_nothing_goes_on_against_what_somebody_switched_on_at_the_front_panel() -> None:
    async def work(rig: Rig) -> None:
        supply_on_by_hand(rig)
        with pytest.raises(Trip, match=r"on before its turn: supply; measured load .* A, supply 2\.00 A"):
            await rig.hands.bring(draw())
        assert [what for _, what in rig.journal] == ["supply on"]
        assert await rig.hands.make_safe("a trip")
        assert [what for _, what in rig.journal] == ["supply on", "supply off"]

    with_rig(work)


def test_who_judges_is_told_what_is_allowed_with_every_state() -> None:
    async def work(rig: Rig) -> None:
        states: list[State] = []
        rig.hands.allow = states.append
        await rig.hands.bring(draw())
        await rig.hands.bring(Off())
        assert states == [State.DRAWING, State.OPENING, State.READY]

    with_rig(work)
