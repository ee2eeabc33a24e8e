from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.drivers.command_map import MAPS_FOLDER, MapError
from benchwarden.drivers.errors import InstrumentError, NotOff, NotOffered, NotOn, ReadBackDiffers, ReplyRefused
from benchwarden.drivers.fitting import Wire
from benchwarden.drivers.roles import Cells, Load, Supply, parse_channels
from tests.scripted_instrument import Settings

pytestmark = pytest.mark.asyncio
OWN_MAP = Path(__file__).parent / "maps" / "load-words.toml"
MEASURED = "MEASure:VOLTage?;:MEASure:CURRent?"


def wire(far_end: Settings, name: str | Path) -> Wire:
    return Wire("MEMORY::box", name, timeout_s=0.02, memory={"box": far_end})


async def load_of(far_end: Settings, name: str = "load-function") -> Load:
    load = wire(far_end, name).load("left load")
    await load.open()
    far_end.heard.clear()
    return load


async def supply_of(far_end: Settings) -> Supply:
    supply = wire(far_end, "supply").supply("left supply")
    await supply.open()
    far_end.heard.clear()
    return supply


async def test_a_draw_is_negative_and_a_feed_positive() -> None:
    load = await load_of(Settings({MEASURED: "22.1840;4.5000"}))
    assert await load.read() == {"voltage_v": 22.184, "current_a": -4.5}
    supply = await supply_of(Settings({MEASURED: "22.1840;4.5000"}))
    assert await supply.read() == {"voltage_v": 22.184, "current_a": 4.5}


async def test_no_draw_is_no_negative_zero() -> None:
    load = await load_of(Settings({MEASURED: "22.1840;0.0000"}))
    assert str((await load.read())["current_a"]) == "0.0"


async def test_overload_is_no_value() -> None:
    load = await load_of(Settings({MEASURED: "9.9E+37;9.91E+37"}))  # SCPI-1999 section 7.2.1.4
    assert await load.read() == {"voltage_v": None, "current_a": None}


@pytest.mark.parametrize("reply", ["", "22.1840", "22.1840;", "22.1840;4.5;1", "junk;4.5", "SHED,BOX,7,1.0"])
async def test_a_reading_that_is_none_closes_the_line(reply: str) -> None:
    far_end = Settings({MEASURED: reply})
    load = await load_of(far_end)
    with pytest.raises(ReplyRefused, match="left load at MEMORY::box"):
        await load.read()
    far_end.fixed[MEASURED] = "22.0;1.0"
    assert await load.read() == {"voltage_v": 22.0, "current_a": -1.0}
    assert "*IDN?" in far_end.heard


@pytest.mark.parametrize("name", ["load-function", "load-mode"])
async def test_off_and_on_are_read_back(name: str) -> None:
    far_end = Settings()
    load = await load_of(far_end, name)
    header = "INPut" if name == "load-function" else "LOAD"
    await load.on()
    assert await load.is_on()
    await load.off()
    assert not await load.is_on()
    assert far_end.heard[:1] == [f"{header} ON;:{header}?;:SYSTem:ERRor?"]
    assert far_end.heard[2] == f"{header} OFF;:{header}?"
    far_end.fixed[f"{header}?"] = "1"
    with pytest.raises(NotOff, match="is not off"):
        await load.off()
    far_end.fixed[f"{header}?"] = "0"
    with pytest.raises(NotOn, match="is not on"):
        await load.on()
    far_end.fixed[f"{header}?"] = "PERHAPS"
    with pytest.raises(ReplyRefused, match="wanted one of"):
        await load.is_on()


@pytest.mark.parametrize(
    ("quantity", "word"), [("current", "CURRent"), ("power", "POWer"), ("resistance", "RESistance")]
)
async def test_a_draw_sets_mode_then_ceiling_then_level_and_reads_them_back(quantity: str, word: str) -> None:
    far_end = Settings()
    load = await load_of(far_end)
    await load.set_draw(quantity, 12.5, 30.0)  # type: ignore[arg-type]
    (message,) = far_end.heard
    assert message.startswith(
        f"SOURce:FUNCtion {word};:SOURce:CURRent:LIMit 30.0000;:SOURce:{word} 12.5000;:SOURce:FUNCtion?"
    )
    await load.set_level(quantity, 13.0)  # type: ignore[arg-type]
    assert far_end.heard[1].startswith(f"SOURce:{word} 13.0000;:")
    assert not any("INPut" in text for text in far_end.heard)


@given(level=st.floats(1.0, 1500.0), off_by=st.floats(-0.05, 0.05))
async def test_a_level_is_accepted_within_a_thousandth_or_the_resolution_and_never_else(
    level: float, off_by: float
) -> None:
    far_end = Settings()
    load = await load_of(far_end)
    shown = level * (1.0 + off_by)
    far_end.fixed["SOURce:POWer?"] = repr(shown)
    allowed = max(0.01, 0.001 * level)
    if abs(shown - level) <= allowed:
        await load.set_draw("power", level, 30.0)
    else:
        with pytest.raises(ReadBackDiffers, match="SOURce:POWer"):
            await load.set_draw("power", level, 30.0)


async def test_what_was_set_is_confirmed_later_and_nothing_is_sent_but_questions() -> None:
    far_end = Settings()
    load = await load_of(far_end)
    await load.set_draw("power", 216.0, 15.84)
    before = len(far_end.heard)
    await load.confirm_draw("power", 216.0, 15.84)
    (message,) = far_end.heard[before:]
    assert [unit[-1] for unit in message.split(";")] == ["?"] * 3
    far_end.fixed["SOURce:CURRent:LIMit?"] = "100"
    with pytest.raises(ReadBackDiffers, match=r"LIMit\? reads back 100\.0 where 15\.84 was set"):
        await load.confirm_draw("power", 216.0, 15.84)
    supply = await supply_of(far_end)
    await supply.set_feed(25.2, 2.5)
    await supply.confirm_feed(25.2, 2.5)
    far_end.fixed["SOURce:VOLTage?"] = "25.3"
    with pytest.raises(ReadBackDiffers, match=r"VOLTage\? reads back 25\.3"):
        await supply.confirm_feed(25.2, 2.5)


async def test_a_line_that_was_opened_again_is_counted() -> None:
    load = await load_of(Settings())
    assert load.openings == 1
    await load.close()
    await load.read()
    assert load.openings == 2


async def test_silent_clipping_is_found() -> None:
    far_end = Settings()
    load = await load_of(far_end)
    far_end.largest["SOURce:CURRent:LIMit"] = 20.0
    with pytest.raises(ReadBackDiffers, match=r"LIMit\? reads back 20\.0 where 30 was set"):
        await load.set_draw("power", 100.0, 30.0)


async def test_a_mode_that_did_not_change_is_found() -> None:
    far_end = Settings({"SOURce:FUNCtion?": "CURR"})
    load = await load_of(far_end)
    with pytest.raises(ReadBackDiffers, match="POW or POWER"):
        await load.set_draw("power", 100.0, 30.0)


@pytest.mark.parametrize("level", [float("nan"), float("inf"), -1.0])
async def test_a_level_that_is_none_is_not_sent(level: float) -> None:
    far_end = Settings()
    load = await load_of(far_end)
    with pytest.raises(ValueError, match="left load: level is"):
        await load.set_draw("power", level, 30.0)
    assert far_end.heard == []


@pytest.mark.parametrize("name", ["load-function", "load-mode"])
async def test_protections_are_programmed_read_back_and_released(name: str) -> None:
    far_end = Settings()
    load = await load_of(far_end, name)
    assert await load.protect(15.0, 60.0, 900.0, 20.0) == ()
    under = "SOURce:VOLTage:PROTection:UNDer" if name == "load-function" else "UVP"
    assert far_end.values[under] == "15.0000"
    assert far_end.values[f"{under}:STATe"] == "ON"
    assert await load.protect(None, 60.0, 900.0, None) == ()
    assert far_end.values[f"{under}:STATe"] == "OFF"
    far_end.fixed[f"{under}?"] = "0.0"
    with pytest.raises(ReadBackDiffers):
        await load.protect(15.0, 60.0, 900.0, None)


async def test_protections_are_confirmed_as_they_were_programmed_last() -> None:
    """Faults 20 and 21: what the instrument itself would trip at is read back later, and nothing is set anew."""
    far_end = Settings()
    load = await load_of(far_end)
    await load.confirm_protection()  # nothing was programmed yet
    assert far_end.heard == []
    await load.stay_off_at_power_on()
    await load.protect(15.0, 60.0, 900.0, None)
    before = len(far_end.heard)
    await load.confirm_protection()
    units = [unit for message in far_end.heard[before:] for unit in message.split(";")]
    assert len(units) == 8  # three levels, three switches, the timer that was released, the power-on state
    assert all(unit.endswith("?") for unit in units)
    for question, reply in [
        ("SOURce:VOLTage:PROTection:UNDer?", "14.9"),
        ("SOURce:VOLTage:PROTection:UNDer:STATe?", "0"),
        ("INPut:TIMer:STATe?", "1"),
        ("INPut:PON:STATe?", "LAST"),
    ]:
        far_end.fixed[question] = reply
        with pytest.raises(ReadBackDiffers, match="reads back"):
            await load.confirm_protection()
        del far_end.fixed[question]
    await load.confirm_protection()


async def test_which_protection_has_latched() -> None:
    far_end = Settings({"INPut:PROTection:TRIPped?": "0"})
    load = await load_of(far_end)
    for reply, name in [
        ("0", None),
        ("1", "under-voltage"),
        ("6", "over-current, over-power"),
        ("16", "unknown protection 16"),
    ]:
        far_end.fixed["INPut:PROTection:TRIPped?"] = reply
        assert await load.tripped() == name
    await load.clear_protection()
    assert far_end.heard[-1] == "INPut:PROTection:CLEar;:SYSTem:ERRor?"
    other = Settings({"TRIP?": "UVP"})
    load = await load_of(other, "load-mode")
    assert await load.tripped() == "under-voltage"
    other.fixed["TRIP?"] = "FUSE"
    with pytest.raises(ReplyRefused, match="NONE, UVP"):
        await load.tripped()


async def test_ratings_come_from_the_instrument() -> None:
    far_end = Settings({"SOURce:CURRent? MAXimum": "120.0", "SOURce:POWer? MAXimum": "9.9E37"})
    assert await (await load_of(far_end)).ratings() == {"current_a": 120.0}


async def test_the_supply() -> None:
    far_end = Settings({"SOURce:VOLTage:PROTection:TRIPped?": "1", "SOURce:CURRent:PROTection:TRIPped?": "0"})
    supply = await supply_of(far_end)
    await supply.set_feed(25.2, 2.5)
    assert far_end.values["SOURce:VOLTage"] == "25.2000"
    assert await supply.protect(25.8, 3.0) == ()
    assert far_end.values["SOURce:CURRent:PROTection:STATe"] == "ON"
    assert await supply.tripped() == "over-voltage"
    await supply.on()
    await supply.off()
    assert not await supply.is_on()
    far_end.largest["SOURce:VOLTage"] = 20.0
    with pytest.raises(ReadBackDiffers):
        await supply.set_feed(25.2, 2.5)


async def test_groups_from_single_and_from_cumulative_taps() -> None:
    question = "MEASure:VOLTage? (@101:103)"
    each = wire(Settings({question: "3.7000,3.7100,9.91E37"}), "scanner").cells("left cells", "101:103")
    await each.open()
    assert await each.read() == {"group_1_v": 3.7, "group_2_v": 3.71, "group_3_v": None}
    taps = wire(Settings({question: "3.7000,7.4100,11.1000"}), "scanner").cells("left cells", "101:103", "cumulative")
    await taps.open()
    assert await taps.read() == {
        "group_1_v": 3.7,
        "group_2_v": pytest.approx(3.71),
        "group_3_v": pytest.approx(3.69),
    }
    gap = wire(Settings({question: "3.7,9.91E37,11.1"}), "scanner").cells("left cells", "101:103", "cumulative")
    await gap.open()
    assert await gap.read() == {"group_1_v": 3.7, "group_2_v": None, "group_3_v": None}
    with pytest.raises(ValueError, match="right would be 'each'"):
        wire(Settings(), "scanner").cells("left cells", "101:103", "some")  # type: ignore[arg-type]


async def test_what_answers_in_millivolts_is_read_in_volts(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    text = 'title = "t"\nrole = "cells"\n[measure]\nask = "SCAN? {channels}"\neach = { unit = "MV", factor = 0.001 }\n'
    own.write_text(text, encoding="utf-8")
    cells = wire(Settings({"SCAN? 1:3": "3700MV,3710MV,9.91E37MV"}), own).cells("left cells", "1:3")
    await cells.open()
    assert await cells.read() == {"group_1_v": 3.7, "group_2_v": pytest.approx(3.71), "group_3_v": None}


async def test_places_of_the_thermometer_and_the_voltmeter() -> None:
    far_end = Settings({"MEASure:TEMPerature? (@1,3)": "23.5,22.9"})
    thermometer = wire(far_end, "thermometer").thermometer("left temperature", {"middle": 1, "ambient": 3})
    await thermometer.open()
    assert await thermometer.read() == {"middle_c": 23.5, "ambient_c": 22.9}
    voltmeter = wire(Settings({"MEASure:VOLTage?": "22.2"}), "voltmeter").voltmeter("left voltmeter")
    await voltmeter.open()
    assert await voltmeter.read() == {"voltage_v": 22.2}
    assert voltmeter.identities == (voltmeter.identity,)


@pytest.mark.parametrize(
    ("text", "channels"),
    # SCPI-1999 volume 1, section 8.3.2 (from memory): ranges of a channel list run in the order they are written
    [("101:103", [101, 102, 103]), ("101,103", [101, 103]), ("3:1", [3, 2, 1]), ("1, 5:6", [1, 5, 6])],
)
async def test_channel_lists(text: str, channels: list[int]) -> None:
    assert parse_channels(text) == channels


@pytest.mark.parametrize("text", ["", "a", "1:", "1,1", "1:3,2", "(@1)", "1:99999"])
async def test_channel_lists_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="channels = "):
        parse_channels(text)


async def test_a_third_dialect_is_one_file_and_no_code() -> None:
    far_end = Settings({"READ?": "22.184V,-4.500A"})
    far_end.values = {"STATE": "STANDBY"}

    def with_units(message: str) -> str | None:
        reply = far_end(message)
        return f"{reply}{dict(zip(('IMAX?', 'SET?'), 'AW', strict=True)).get(message, '')}" if reply else reply

    load = Wire("MEMORY::box", OWN_MAP, memory={"box": with_units}).load("left load")
    await load.open()
    assert far_end.heard == ["*IDN?", "*IDN?", "SYST:REM", "*IDN?"]
    assert not await load.is_on()
    await load.set_draw("power", 100.0, 30.0)
    await load.on()
    assert await load.read() == {"voltage_v": 22.184, "current_a": -4.5}
    await load.set_level("power", 110.0)
    await load.off()
    with pytest.raises(NotOffered, match=r"no draw\.current"):
        await load.set_draw("current", 1.0, 1.0)
    assert await load.protect(15.0, 60.0, 900.0, None) == ("under_voltage", "over_current", "over_power")
    assert await load.tripped() is None
    with pytest.raises(NotOffered, match=r"protect\.clear"):
        await load.clear_protection()
    assert await load.ratings() == {}
    await load.close()
    assert far_end.heard[-1] == "SYST:LOC"


async def test_the_off_plan_is_bytes_for_a_socket_or_a_port_only() -> None:
    assert wire(Settings(), OWN_MAP).load("left load").off_plan() is None
    address = "ASRL/dev/ttyUSB0::INSTR"
    plan = Wire(address, OWN_MAP, baud=115200).load("left load").off_plan()
    assert plan is not None
    assert (plan.name, plan.address, plan.baud) == ("left load", address, 115200)
    assert plan.off == b"SYST:REM\r\nSTATE OFF\r\n"
    assert plan.question == b"STATE?\r\n"
    assert plan.off_replies == ("OFF", "STANDBY")
    assert plan.current_question == b"READ?\r\n"
    assert (plan.current_field, plan.current_separator, plan.current_unit) == (1, ",", "A")
    supply = Wire("TCPIP::192.0.2.11::5025::SOCKET", "supply").supply("left supply")
    (plan,) = supply.off_plans()
    assert plan.off == b"OUTPut OFF\n"
    assert (plan.current_field, plan.current_separator, plan.reply_end) == (1, ";", b"\n")


async def test_a_map_for_another_role_is_refused() -> None:
    with pytest.raises(MapError, match="is for the role supply, not load"):
        wire(Settings(), "supply").load("left load")


async def test_every_message_names_who_and_where() -> None:
    far_end = Settings()
    cells: Cells = wire(far_end, "scanner").cells("left cells", "101:102")
    await cells.open()
    far_end.silent = True
    with pytest.raises(InstrumentError) as caught:
        await cells.read()
    for part in ("left cells", "MEMORY::box", "MEASure:VOLTage? (@101:102)", "nothing came back"):
        assert part in str(caught.value)


async def test_off_at_power_on_is_asked_first_and_written_only_if_it_is_not_so() -> None:
    far_end = Settings({"INPut:PON:STATe?": "OFF"})
    load = await load_of(far_end)
    assert await load.stay_off_at_power_on()
    assert far_end.heard == ["INPut:PON:STATe?"]  # instruments keep it in a memory that wears
    del far_end.fixed["INPut:PON:STATe?"]
    assert await load.stay_off_at_power_on()
    assert any(text.startswith("INPut:PON:STATe OFF;:INPut:PON:STATe?") for text in far_end.heard)
    far_end.fixed["INPut:PON:STATe?"] = "LAST"
    with pytest.raises(ReadBackDiffers, match=r"PON:STATe\? reads back not OFF"):
        await load.stay_off_at_power_on()
    other = await load_of(Settings(), "load-mode")
    assert not await other.stay_off_at_power_on()


async def test_a_supply_with_a_timer_of_its_own_is_given_one(tmp_path: Path) -> None:
    assert await (await supply_of(Settings())).protect(25.5, 2.6, 3660.0) == ("timer",)
    own = tmp_path / "timed.toml"
    own.write_text(
        (MAPS_FOLDER / "supply.toml").read_text("utf-8")
        + """
[protect.timer]
set = ["OUTPut:TIMer {value}", "OUTPut:TIMer:STATe ON"]
check = [{ ask = "OUTPut:TIMer?", of = "value", resolution = 0.01 }]
"""
    )
    far_end = Settings()
    supply = wire(far_end, own).supply("left supply")
    await supply.open()
    assert await supply.protect(25.5, 2.6, 3660.0) == ()
    assert any("OUTPut:TIMer 3660.0000" in text for text in far_end.heard)
