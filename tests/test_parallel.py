import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.drivers.errors import InstrumentError, NotSharing
from benchwarden.drivers.fitting import Wire
from benchwarden.drivers.parallel import ParallelLoad, _part
from tests.scripted_instrument import Settings

pytestmark = pytest.mark.asyncio
MEASURED = "MEASure:VOLTage?;:MEASure:CURRent?"


async def pair(*ratings_a: float) -> tuple[ParallelLoad, list[Settings]]:
    ends = [Settings({MEASURED: "22.0;0.0"}, f"SHED,BOX,{place},1.0") for place in range(len(ratings_a))]
    members = [
        Wire(f"MEMORY::{place}", "load-function", timeout_s=0.02, memory={str(place): end}).load(f"right load {place}")
        for place, end in enumerate(ends)
    ]
    load = ParallelLoad(members, ratings_a, who="right load")
    await load.open()
    return load, ends


async def test_set_points_are_shared_by_rating() -> None:
    load, ends = await pair(60.0, 30.0)
    await load.set_draw("power", 900.0, 60.0)
    assert [end.values["SOURce:POWer"] for end in ends] == ["600.0000", "300.0000"]
    assert [end.values["SOURce:CURRent:LIMit"] for end in ends] == ["40.0000", "20.0000"]
    await load.set_level("power", 600.0)
    assert [end.values["SOURce:POWer"] for end in ends] == ["400.0000", "200.0000"]
    assert await load.protect(15.0, 66.0, 990.0, None) == ()
    assert [end.values["SOURce:CURRent:PROTection"] for end in ends] == ["44.0000", "22.0000"]
    assert [end.values["SOURce:VOLTage:PROTection:UNDer"] for end in ends] == ["15.0000", "15.0000"]
    assert load.identity.serial == "0 + 1"


@given(st.lists(st.floats(1.0, 200.0), min_size=1, max_size=5), st.floats(0.1, 100.0), st.floats(5.0, 60.0))
async def test_parts_add_up_to_the_whole(ratings: list[float], level: float, voltage_v: float) -> None:
    shares = [rating / sum(ratings) for rating in ratings]
    assert sum(_part("power", level, share) for share in shares) == pytest.approx(level)
    # Kirchhoff's current law and Ohm's law: resistors in parallel draw what the whole resistance would
    currents = [voltage_v / _part("resistance", level, share) for share in shares]
    assert sum(currents) == pytest.approx(voltage_v / level)
    assert currents == pytest.approx([voltage_v / level * share for share in shares])


async def test_currents_are_summed() -> None:
    load, ends = await pair(60.0, 30.0)
    ends[0].fixed[MEASURED] = "22.0;40.0"
    ends[1].fixed[MEASURED] = "22.2;20.0"
    assert await load.read() == {"voltage_v": pytest.approx(22.1), "current_a": -60.0}
    ends[1].fixed[MEASURED] = "22.2;9.9E37"
    assert await load.read() == {"voltage_v": pytest.approx(22.1), "current_a": None}


async def test_a_member_that_stops_sharing_is_named_at_the_second_reading() -> None:
    load, ends = await pair(60.0, 30.0)
    ends[0].fixed[MEASURED] = "22.0;40.0"
    ends[1].fixed[MEASURED] = "22.0;0.0"
    await load.read()
    with pytest.raises(NotSharing, match=r"right load 1 at MEMORY::1.*its part of -40\.000 A is -13\.333 A"):
        await load.read()


async def test_one_reading_across_a_change_and_small_currents_are_forgiven() -> None:
    load, ends = await pair(60.0, 60.0)
    for first, second in [("40.0", "0.0"), ("40.0", "40.5"), ("0.0", "40.0"), ("0.15", "-0.15"), ("0.15", "-0.15")]:
        ends[0].fixed[MEASURED] = f"22.0;{first}"
        ends[1].fixed[MEASURED] = f"22.0;{second}"
        await load.read()


async def test_off_goes_to_all_although_one_fails() -> None:
    load, ends = await pair(60.0, 60.0, 60.0)
    await load.on()
    assert await load.is_on()
    ends[0].silent = True
    ends[1].fixed["INPut?"] = "1"
    with pytest.raises(InstrumentError, match="right load 0") as caught:
        await load.off()
    assert any("right load 1" in note for note in caught.value.__notes__)
    assert ends[2].values["INPut"] == "OFF"


async def test_if_one_cannot_go_on_all_go_off() -> None:
    load, ends = await pair(60.0, 60.0)
    ends[1].fixed["INPut?"] = "0"
    with pytest.raises(InstrumentError, match=r"right load 1.*not on"):
        await load.on()
    assert [end.values["INPut"] for end in ends] == ["OFF", "OFF"]


async def test_trips_ratings_and_plans_of_all() -> None:
    load, ends = await pair(60.0, 30.0)
    assert await load.tripped() is None
    ends[1].fixed["INPut:PROTection:TRIPped?"] = "1"
    assert await load.tripped() == "right load 1: under-voltage"
    await load.clear_protection()
    for end, current, power in zip(ends, ("60", "30"), ("900", "300"), strict=True):
        end.fixed |= {"SOURce:CURRent? MAXimum": current, "SOURce:POWer? MAXimum": power}
    assert await load.ratings() == {"current_a": pytest.approx(90.0), "power_w": pytest.approx(900.0)}
    assert load.off_plans() == ()
    await load.close()


@pytest.mark.parametrize("ratings_a", [(), (60.0,), (60.0, 0.0), (60.0, float("nan"))])
async def test_each_load_needs_a_rating(ratings_a: tuple[float, ...]) -> None:
    load, _ = await pair(60.0, 60.0)
    with pytest.raises(ValueError, match="right load: 2 loads"):
        ParallelLoad(load.members, ratings_a, who="right load")
