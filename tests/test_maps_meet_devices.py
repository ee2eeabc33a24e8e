"""Every command of every shipped map on the simulated instrument, in its long, its short and a wrong form.

Maps and instruments were written apart, each from the standard's table of mnemonics. The short form is what a map
writes in capitals (SCPI-1999 Volume 1, 6.2.1: only the exact short or long form of a mnemonic is legal).
"""

import re
from collections.abc import Iterator

import pytest
from pydantic import BaseModel

from benchwarden.drivers.command_map import load_map, shipped_maps
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.start import THERMOMETERS, SimulatedBench

WHERE = {
    "load-function": "left/load",
    "load-mode": "middle/load",
    "supply": "left/supply",
    "scanner": "left/cells",
    "thermometer": "left/temperature",
    "thermometer-resistance": "left/temperature",
    "thermometer-voltage": "left/temperature",
    "voltmeter": "left/voltmeter",
}
TEXTS = {"ask", "set", "level", "release", "clear", "off", "on", "question", "on_open", "on_close", "error_question"}
CHANNELS = {"scanner": "101:106", **dict.fromkeys(THERMOMETERS, "1,2,3")}
UNDEFINED_HEADER = -113


def messages(table: BaseModel) -> Iterator[str]:
    """Give every message of a map, one message unit each."""
    for name in type(table).model_fields:
        found = getattr(table, name)
        for one in found if isinstance(found, tuple) else (found,):
            if isinstance(one, BaseModel):
                yield from messages(one)
            elif isinstance(one, str) and name in TEXTS and one:
                yield from re.split(r";:?", one)


def filled(name: str) -> list[str]:
    sample = {"level": "2", "ceiling": "40", "value": "12", "voltage": "20", "current": "1"}
    channels = CHANNELS.get(name, "")
    return [text.format(**sample, channels=channels) for text in dict.fromkeys(messages(load_map(name)))]


def header(text: str) -> tuple[str, str]:
    """Split a message unit into its header, question mark included, and the rest."""
    found = re.fullmatch(r"(\S+?\??)(\s.*)?", text)
    assert found is not None, text
    return found[1], found[2] or ""


def short(text: str) -> str:
    head, rest = header(text)
    return re.sub(r"[a-z]", "", head) + rest


def wrong(text: str) -> str:
    """The longest mnemonic without its last letter: neither the long nor the short form, unless it was short."""
    head, rest = header(text)
    longest = max(re.findall(r"[A-Za-z]+", head), key=len)
    return head.replace(longest, longest[:-1] if len(longest) > 5 else longest + "X", 1) + rest


CASES = [pytest.param(name, text, id=f"{name} {text}") for name in shipped_maps() for text in filled(name)]


def device(name: str) -> Device:
    bays = [bay.with_thermometer(name) if name in THERMOMETERS else bay for bay in demo_bench()]
    bench = SimulatedBench(bays, now=lambda: 1000.0)
    return bench.instruments[WHERE[name]].endpoint.device


def errors(box: Device) -> list[int]:
    found: list[int] = []
    while not (reply := box.handle("SYST:ERR?") or "").startswith("0,"):
        found.append(int(reply.split(",")[0]))
    return found


def test_every_shipped_map_has_its_instrument() -> None:
    assert set(shipped_maps()) == set(WHERE)
    assert len(CASES) > 80


@pytest.mark.parametrize(("name", "text"), CASES)
def test_a_map_s_command_is_understood_long_and_short_and_not_when_it_is_wrong(name: str, text: str) -> None:
    for form in (text, text.upper(), short(text), short(text).lower()):
        box = device(name)
        answer = box.handle(form)
        assert (answer is not None) == ("?" in form), form
        assert errors(box) == [], form
    if text.startswith("*"):
        return  # a common command has one form only
    box = device(name)
    assert box.handle(wrong(text)) is None
    assert errors(box) == [UNDEFINED_HEADER], wrong(text)
