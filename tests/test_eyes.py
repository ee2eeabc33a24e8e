"""Readings are judged as they arrive, each role at its own pace; virtual time, scripted instruments."""

import asyncio
from collections.abc import Callable, Mapping, Sequence

import pytest

from benchwarden.daemon.running.eyes import LEAD_S, Eyes, Trip, Watched
from benchwarden.daemon.safety import Limit, Limits
from benchwarden.drivers.errors import (
    IdentityChanged,
    InstrumentDead,
    InstrumentError,
    InstrumentSilent,
    NotSharing,
    ReplyRefused,
)
from benchwarden.simulators.clock import START_S
from tests.virtual_bench import on_virtual_time

LIMITS: Limits = {
    ("load", "voltage_v"): Limit(13.2, 25.5, 3.0),
    ("load", "current_a"): Limit(-20.0, 0.1, 3.0),
    ("cells", "group_1_v"): Limit(2.2, 4.25, 3.0),
    ("temperature", "middle_c"): Limit(-20.0, 80.0, 10.0),
}
GOOD: Mapping[str, Mapping[str, float | None]] = {
    "load": {"voltage_v": 21.6, "current_a": -10.0},
    "cells": {"group_1_v": 3.6},
    "temperature": {"middle_c": 25.0},
}
EVERY_S = {"load": 1.0, "cells": 1.0, "temperature": 2.0}
STALE_S = {"load": 2.0, "cells": 2.0, "temperature": 10.0}


def silent() -> InstrumentSilent:
    return InstrumentSilent("left load", "MEMORY::load", "MEAS?", None, "no reply")


class Scripted:
    """Answers from a list, then for ever with what is good; an error in the list is raised. Notes when it was asked."""

    def __init__(self, role: str, script: Sequence[object] = (), takes_s: float = 0.0) -> None:
        self.role, self.script, self.takes_s = role, list(script), takes_s
        self.asked_s: list[float] = []

    async def read(self) -> Mapping[str, float | None]:
        self.asked_s.append(asyncio.get_running_loop().time() - START_S)
        answer = self.script.pop(0) if self.script else GOOD[self.role]
        await asyncio.sleep(self.takes_s)
        if isinstance(answer, InstrumentError):
            raise answer
        assert isinstance(answer, Mapping)
        return answer


def eyes_on(*roles: Scripted, missed: Callable[[str, str], None] = lambda role, error: None) -> Eyes:
    watched = {
        one.role: Watched(one, EVERY_S[one.role], STALE_S[one.role], tuple(GOOD[one.role]), 0.5) for one in roles
    }
    limits = {key: limit for key, limit in LIMITS.items() if key[0] in watched}
    return Eyes(watched, limits, missed)


def test_a_good_reading_is_the_newest_with_the_time_of_its_request() -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("load", takes_s=0.3))
        reading = await eyes.look("load")
        assert (reading.role, reading.asked_s) == ("load", START_S)
        assert reading.values == GOOD["load"]
        assert eyes.newest == {"load": reading}
        assert (eyes.has("load"), eyes.has("cells")) == (True, False)

    on_virtual_time(work())


@pytest.mark.parametrize(
    ("role", "values", "reason"),
    [
        ("load", {"voltage_v": 13.1, "current_a": -10.0}, "load voltage_v is 13.1, allowed 13.2 to 25.5"),
        ("load", {"voltage_v": 21.0, "current_a": -20.5}, "load current_a is -20.5, allowed -20 to 0.1"),
        ("cells", {"group_1_v": 2.1}, "cells group_1_v is 2.1, allowed 2.2 to 4.25"),
        ("temperature", {"middle_c": 81.0}, "temperature middle_c is 81, allowed -20 to 80"),
    ],
)
def test_a_reading_outside_a_hard_limit_trips_before_it_is_used(
    role: str, values: Mapping[str, float], reason: str
) -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted(role, [values]))
        with pytest.raises(Trip) as trip:
            await eyes.look(role)
        assert str(trip.value) == reason
        assert eyes.newest == {}

    on_virtual_time(work())


@pytest.mark.parametrize("error", [InstrumentSilent, InstrumentDead, ReplyRefused])
def test_a_failed_exchange_is_a_missing_value_and_is_told(error: type[InstrumentError]) -> None:
    async def work() -> None:
        told: list[tuple[str, str]] = []
        failing = Scripted("load", [error("left load", "MEMORY::load", "MEAS?", None, "went wrong")])
        eyes = eyes_on(failing, missed=lambda role, text: told.append((role, text)))
        reading = await eyes.look("load")
        assert reading.values == {"voltage_v": None, "current_a": None}
        [(role, text)] = told
        assert role == "load"
        assert text.startswith("left load at MEMORY::load: went wrong (sent 'MEAS?'")

    on_virtual_time(work())


@pytest.mark.parametrize("error", [IdentityChanged, NotSharing])
def test_a_finding_about_the_instrument_itself_trips_at_once(error: type[InstrumentError]) -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("load", [error("left load", "MEMORY::load", "*IDN?", "X", "a finding")]))
        with pytest.raises(Trip, match="left load at MEMORY::load: a finding"):
            await eyes.look("load")

    on_virtual_time(work())


def test_an_instrument_that_stays_silent_trips_when_its_time_is_over() -> None:
    async def work() -> float:
        load = Scripted("load", [GOOD["load"], *(silent() for _ in range(100))], takes_s=0.5)
        eyes = eyes_on(load)
        with pytest.raises(Trip, match="load voltage_v has not been seen for"):
            await eyes.keep_looking("load")
        return asyncio.get_running_loop().time() - START_S

    assert 3.0 < on_virtual_time(work()) <= 3.0 + 1.0 + 0.5


def test_what_was_asked_before_a_switch_is_judged_as_before() -> None:
    async def work() -> None:
        resting = {**LIMITS, ("load", "current_a"): Limit(-0.1, 0.1, 3.0)}
        load = Scripted("load", takes_s=0.3)  # -10 A
        eyes = eyes_on(load)
        asked = asyncio.ensure_future(eyes.look("load"))
        await asyncio.sleep(0.1)
        eyes.allow({key: limit for key, limit in resting.items() if key[0] == "load"})
        await asked  # was asked while drawing was allowed
        with pytest.raises(Trip, match=r"load current_a is -10, allowed -0\.1 to 0\.1"):
            await eyes.look("load")

    on_virtual_time(work())


def test_stricter_cuts_one_role_s_blind_time() -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("load"), Scripted("cells"))
        eyes.be_stricter("load", 0.5)
        await asyncio.sleep(0.6)
        with pytest.raises(Trip, match=r"load voltage_v has not been seen for 0\.6 s, allowed 0\.5 s"):
            eyes.check_overdue()

    on_virtual_time(work())


def test_overdue_is_noticed_without_any_reading() -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("load"), Scripted("cells"))
        await asyncio.sleep(2.9)
        await eyes.look("load")
        eyes.check_overdue()
        await asyncio.sleep(0.2)
        with pytest.raises(Trip, match=r"cells group_1_v has not been seen for 3\.1 s, allowed 3 s"):
            eyes.check_overdue()

    on_virtual_time(work())


def test_a_slow_thermometer_delays_no_voltage() -> None:
    async def work() -> tuple[list[float], list[float]]:
        load, slow = Scripted("load"), Scripted("temperature", takes_s=4.0)
        eyes = eyes_on(load, slow)
        tasks = [asyncio.ensure_future(eyes.keep_looking(role)) for role in ("load", "temperature")]
        await asyncio.sleep(20.5)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        return load.asked_s, slow.asked_s

    load_s, slow_s = on_virtual_time(work())
    assert load_s == [float(n) for n in range(21)]
    assert slow_s == [0.0, 4.0, 8.0, 12.0, 16.0, 20.0]


def test_a_role_is_asked_just_before_each_beat_of_its_own_period() -> None:
    async def work() -> list[float]:
        cells = Scripted("cells")
        eyes = eyes_on(cells)
        task = asyncio.ensure_future(eyes.keep_looking("cells"))
        for n in range(1, 6):
            eyes.next_beat_s = START_S + n * 1.0
            await asyncio.sleep(eyes.next_beat_s - asyncio.get_running_loop().time())
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return cells.asked_s

    asked_s = on_virtual_time(work())
    assert asked_s == pytest.approx([0.0, *(n - LEAD_S for n in range(1, 6))])


def test_in_a_burst_a_role_is_asked_as_often_as_its_burst_period_says() -> None:
    async def work() -> list[float]:
        cells = Scripted("cells")
        eyes = eyes_on(cells)
        eyes.bursting = True
        task = asyncio.ensure_future(eyes.keep_looking("cells"))
        await asyncio.sleep(2.1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return cells.asked_s

    assert on_virtual_time(work()) == [0.0, 0.5, 1.0, 1.5, 2.0]


def test_when_the_beats_move_every_role_falls_into_step() -> None:
    async def work() -> list[float]:
        cells = Scripted("cells")
        eyes = eyes_on(cells)
        task = asyncio.ensure_future(eyes.keep_looking("cells"))
        await asyncio.sleep(0.4)  # it would be asked again at 1.0
        eyes.announce(START_S + 1.3)
        await asyncio.sleep(1.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return cells.asked_s

    assert on_virtual_time(work()) == pytest.approx([0.0, 1.3 - LEAD_S])


def test_who_stands_in_asks_only_when_nobody_else_does() -> None:
    async def work() -> list[float]:
        load = Scripted("load")
        eyes = eyes_on(load)
        await eyes.look("load")
        task = asyncio.ensure_future(eyes.stand_in("load"))
        for _ in range(5):  # the conductor looks each second: nothing to do
            await asyncio.sleep(1.0)
            await eyes.look("load")
        await asyncio.sleep(3.1)  # it looks elsewhere: each second and a half
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return load.asked_s

    assert on_virtual_time(work()) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.5, 8.0]


def test_fresh_is_not_stale_and_not_from_before_a_switch() -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("load"), Scripted("cells"))
        assert eyes.fresh("cells", START_S, since_switching=True) is None
        await asyncio.sleep(1.0)
        reading = await eyes.look("cells")
        asked_s = START_S + 1.0
        assert eyes.fresh("cells", asked_s + 2.0, since_switching=True) is reading
        assert eyes.fresh("cells", asked_s + 2.001, since_switching=True) is None
        eyes.switched()
        assert eyes.fresh("cells", asked_s, since_switching=True) is None
        assert eyes.fresh("cells", asked_s, since_switching=False) is reading
        again = await eyes.look("cells")
        assert eyes.fresh("cells", asked_s, since_switching=True) is again

    on_virtual_time(work())


def test_an_answer_to_a_question_from_before_a_switch_is_from_before() -> None:
    async def work() -> None:
        eyes = eyes_on(Scripted("cells", takes_s=0.3))
        asked = asyncio.ensure_future(eyes.look("cells"))
        await asyncio.sleep(0.1)
        eyes.switched()
        await asked
        assert eyes.fresh("cells", START_S + 0.3, since_switching=True) is None

    on_virtual_time(work())
