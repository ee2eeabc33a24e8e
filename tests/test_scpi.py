"""SCPI text, the engine and the status registers of the simulated instruments.

Rules checked against SCPI-1999 and IEEE 488.2-1992; the clause stands beside each check.
"""

import math
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.simulators import scpi_text
from benchwarden.simulators.scpi import COMMON, Device
from benchwarden.simulators.scpi_commands import Action, Choice, Command, Level, Query, Switch
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.status import QUEUE_DEPTH


class Box(Device):
    """A small instrument for these tests."""

    table: ClassVar[tuple[Command, ...]] = (
        Level(header="[SOURce:]VOLTage[:LEVel][:IMMediate]", clause="test", name="volts", unit="V"),
        Level(header="[SOURce:]RESistance", clause="test", name="ohms", unit="OHM"),
        Switch(header="OUTPut[:STATe]", clause="test", name="on"),
        Switch(header="OUTPut:PROTection", clause="test", name="guard"),
        Choice(header="FUNCtion", clause="test", name="mode", words=(("CURRent", "c"), ("POWer", "p"))),
        Query(header="MEASure:VOLTage[:DC]", clause="test", answer=lambda d: f"{d.settings['volts']:.3f}"),
        Action(header="SYSTem:BEEPer", clause="test", do=lambda d: d.settings.update(beeps=1.0)),
    )

    def __init__(self) -> None:
        super().__init__(model="SIM-BOX", serial="1", firmware="0", now=lambda: 0.0)
        self.settings: dict[str, float | str] = {}
        self.reset()

    def reset(self) -> None:
        self.settings = {"volts": 0.0, "ohms": 1.0, "on": False, "guard": False, "mode": "c", "beeps": 0.0}

    def limits(self, name: str) -> tuple[float, float, float]:
        return {"volts": (0.0, 60.0, 0.0), "ohms": (0.001, 1e7, 1.0)}[name]

    def get(self, name: str) -> float | str:
        return self.settings[name]

    def put(self, name: str, value: float | str) -> None:
        self.settings[name] = value


def errors(box: Device) -> list[int]:
    found: list[int] = []
    while True:
        answer = box.handle("SYST:ERR?")
        assert answer is not None
        number = int(answer.partition(",")[0])
        if number == 0:
            return found
        found.append(number)


@pytest.mark.parametrize(
    ("mnemonic", "short"),
    # SCPI-1999 volume 1, 6.2.1: four letters, three if the fourth is a vowel; up to four letters stay whole.
    [
        ("FREQuency", "FREQ"),
        ("VOLTage", "VOLT"),
        ("POWer", "POW"),
        ("IMMediate", "IMM"),
        ("DELay", "DEL"),
        ("OUTPut", "OUTP"),
        ("INPut", "INP"),
        ("TEMPerature", "TEMP"),
        ("MODE", "MODE"),
        ("DC", "DC"),
    ],
)
def test_short_forms(mnemonic: str, short: str) -> None:
    assert scpi_text.short_form(mnemonic) == short
    assert scpi_text.forms(mnemonic)[-1] == short


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # IEEE 488.2 7.7.2: NR1, NR2, NR3, blanks round the exponent.
        ("273", "V", 273.0),
        ("+0.273", "V", 0.273),
        ("2.73E+2", "V", 273.0),
        (".5", "V", 0.5),
        ("5.", "V", 5.0),
        ("1 e 2", "V", 100.0),
        # IEEE 488.2 7.7.3 and table 7-2: suffixes; M is milli except in MOHM and MHZ.
        ("5 MA", "A", 0.005),
        ("5MA", "A", 0.005),
        ("5 a", "A", 5.0),
        ("1 MOHM", "OHM", 1e6),
        ("2 kohm", "OHM", 2000.0),
        ("1 MV", "V", 0.001),
        ("1 MAV", "V", 1e6),
        ("20 US", "S", 20e-6),
        ("1.5 KW", "W", 1500.0),
        # IEEE 488.2 7.7.4: non-decimal numbers.
        ("#H1F", "", 31.0),
        ("#q17", "", 15.0),
        ("#B101", "", 5.0),
        # SCPI-1999 7.2.1: words.
        ("INF", "V", math.inf),
        ("NINF", "V", -math.inf),
        ("MIN", "V", "MIN"),
        ("maximum", "V", "MAX"),
        ("DEF", "V", "DEF"),
    ],
)
def test_numbers(text: str, unit: str, value: float | str) -> None:
    found = scpi_text.number(text, unit)
    assert found == value if isinstance(value, str) else found == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "code"),
    # SCPI-1999 21.8.9: the command errors.
    [
        ("MAXI", "V", -104),
        ('"5"', "V", -104),
        ("1.2.3", "V", -131),
        ("+-1", "V", -121),
        ("1e99999", "V", -123),
        ("5 A", "V", -131),
        ("5 XV", "V", -131),
        ("5 V", "", -138),
        ("", "V", -109),
    ],
)
def test_numbers_that_are_none(text: str, unit: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        scpi_text.number(text, unit)
    assert caught.value.number == code


@given(st.floats(-1e30, 1e30), st.sampled_from(["{!r}", "{:.9E}", "{:+.12g}"]))
def test_numbers_come_back(value: float, style: str) -> None:
    found = scpi_text.number(style.format(value), "V")
    assert isinstance(found, float)
    assert math.isclose(found, value, rel_tol=1e-9, abs_tol=1e-300)


@pytest.mark.parametrize(
    ("text", "numbers"),
    # SCPI-1999 volume 1, 8.3.2: channel lists.
    [
        ("(@101)", (101,)),
        ("(@101:106,201)", (101, 102, 103, 104, 105, 106, 201)),
        ("(@3:1)", (3, 2, 1)),
        ("(@ 1 , 2 )", (1, 2)),
    ],
)
def test_channel_lists(text: str, numbers: tuple[int, ...]) -> None:
    assert scpi_text.channels(text) == numbers


@pytest.mark.parametrize(("text", "code"), [("101", -104), ("(101)", -171), ("(@1,)", -171), ("(@1:2000)", -223)])
def test_channel_lists_that_are_none(text: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        scpi_text.channels(text)
    assert caught.value.number == code


@pytest.mark.parametrize("text", ["ON", "on", "1", "5", "0.6", "-3"])
def test_true(text: str) -> None:
    assert scpi_text.boolean(text)  # SCPI-1999 7.3: a number is rounded, anything but zero is ON


@pytest.mark.parametrize("text", ["OFF", "off", "0", "0.4"])
def test_false(text: str) -> None:
    assert not scpi_text.boolean(text)


def test_header_path_memory() -> None:
    # SCPI-1999 volume 1, 6.2.4: a header goes on from the path of the one before, a colon starts at the root,
    # a common command leaves the path alone.
    box = Box()
    assert box.handle("SOUR:VOLT 5;RES 2;*OPC;VOLT?;:OUTP ON;PROT ON;:MEAS:VOLT?") == "5.000"
    # OUTP ON leaves the path at the root, so PROT alone is undefined and ends the message.
    assert errors(box) == [-113]
    assert box.handle("SOUR:VOLT 5;RES 2;*OPC;VOLT?;RES?") == "5.000;2.000"
    assert box.handle("OUTP:STAT ON;PROT ON;:MEAS:VOLT?;VOLT:DC?;:OUTP?;OUTP:PROT?") == "5.000;5.000;1;1"
    assert errors(box) == []


def test_answers_before_an_error_are_kept_and_the_rest_is_not_executed() -> None:
    box = Box()
    assert box.handle("VOLT 3;VOLT?;:BOGUS 1;:VOLT 9;VOLT?") == "3.000"
    assert (box.handle("VOLT?"), errors(box)) == ("3.000", [-113])


def test_an_execution_error_ends_only_its_unit() -> None:
    box = Box()
    assert box.handle("VOLT 3;VOLT 99;VOLT?") == "3.000"
    assert errors(box) == [-222]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLTA 1", -113),
        ("VOL 1", -113),
        ("MEAS:VOLT", -113),
        ("SYST:BEEP?", -113),
        ("VOLT2 1", -114),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("MEAS:VOLT? 1", -108),
        ("SYST:BEEP 1", -108),
        ("VOLT 1 A", -131),
        ("VOLT -0.001", -222),
        ("VOLT INF", -222),
        ("VOLT NAN", -222),
        ("OUTP MAYBE", -224),
        ("FUNC VOLT", -224),
        ("FUNC 1", -104),
        ("VOLT? 5", -104),
        ("*ESE 256", -222),
        ("*ESE MAX", -104),
        ("VOLTAGEVOLTAGE 1", -112),
        ("VOLT:;", -101),
        ("VOLT 1;;VOLT 2", -102),
        ("V\u00e9LT 1", -101),
        ('VOLT "1', -151),
        ("\x00", -102),
    ],
)
def test_errors_by_number(message: str, code: int) -> None:
    box = Box()
    before = dict(box.settings)
    assert box.handle(message) is None
    assert errors(box) == [code]
    if ";" not in message:
        assert box.settings == before


def test_suffix_one_is_the_default() -> None:
    box = Box()
    assert box.handle("VOLT1 5;VOLT1?") == "5.000"  # SCPI-1999 volume 1, 6.2.5.2


@given(st.text(max_size=40))
def test_no_text_makes_the_instrument_fall_over(text: str) -> None:
    box = Box()
    box.handle(text)
    box.handle("*CLS")
    assert box.handle("*IDN?") == "BENCHWARDEN,SIM-BOX,1,0"


@given(st.text(st.sampled_from("VOLT:;?*()@,0123456789 .E+-#\"'"), max_size=30))
def test_no_punctuation_makes_the_instrument_fall_over(text: str) -> None:
    box = Box()
    box.handle(text)
    assert box.handle("SYST:VERS?") == "1999.0"


def test_identity_has_four_fields_and_ends_the_answers() -> None:
    box = Box()
    answer = box.handle("*IDN?")
    assert answer is not None
    assert len(answer.split(",")) == 4  # IEEE 488.2 10.14
    assert len(answer) <= 72  # IEEE 488.2 10.14.3, from memory
    assert box.handle("*IDN?;VOLT?") == answer
    assert errors(box) == [-440]


def test_all_mandatory_common_commands_are_there() -> None:
    # IEEE 488.2 chapter 10, the thirteen that every device has.
    wanted = {"*CLS", "*ESE", "*ESR", "*IDN", "*OPC", "*RST", "*SRE", "*STB", "*TST", "*WAI"}
    assert wanted <= {command.header for command in COMMON}
    box = Box()
    assert box.handle("*ESE 1;*ESE?;*SRE 255;*SRE?;*OPC?;*TST?;*WAI") == "1;191;1;0"
    assert errors(box) == []


def test_event_register_is_read_once() -> None:
    box = Box()
    assert box.handle("*ESR?") == "128"  # power-on, IEEE 488.2 11.5.1
    assert box.handle("*ESR?") == "0"
    box.handle("BOGUS")
    box.handle("VOLT 99")
    box.handle("*OPC")
    assert box.handle("*ESR?") == str(32 + 16 + 1)  # command error, execution error, operation complete
    box.handle("*IDN?;*TST?")
    assert box.handle("*ESR?") == "4"  # query error


def test_status_byte() -> None:
    box = Box()
    assert box.handle("*CLS;*ESE 32;*SRE 32;*STB?") == "0"
    box.handle("BOGUS")
    # Error queue not empty 4, event summary 32, master summary 64 (IEEE 488.2 11.2, SCPI-1999 20).
    assert box.handle("*STB?") == "100"
    assert box.handle("*CLS;*STB?") == "0"
    assert box.handle("*OPC?;*STB?") == "1;16"  # an answer waits: message available


def test_reset_leaves_status_alone() -> None:
    box = Box()
    box.handle("*ESE 60;*SRE 32;VOLT 5")
    box.handle("BOGUS")
    # IEEE 488.2 10.32: *RST touches neither the event and enable registers nor, in SCPI, the error queue.
    assert box.handle("*RST;VOLT?;*ESE?;*SRE?;*ESR?;SYST:ERR:COUN?") == "0.000;60;32;160;1"


def test_queue_overflow() -> None:
    box = Box()
    for n in range(QUEUE_DEPTH + 5):
        box.handle(f"VOLT {100 + n}")
    # SCPI-1999 21.8.1: the newest place says -350, the oldest errors stay.
    assert box.handle("SYST:ERR:COUN?") == str(QUEUE_DEPTH)
    assert errors(box) == [-222] * (QUEUE_DEPTH - 1) + [-350]
    assert box.handle("SYST:ERR?") == '0,"No error"'


def test_error_answers_stay_within_their_length() -> None:
    box = Box()
    box.handle("FUNC " + "A" * 600)
    answer = box.handle("SYST:ERR?")
    assert answer is not None
    number, _, text = answer.partition(",")
    assert number == "-224"
    assert len(text) <= 257  # SCPI-1999 21.8.2: 255 characters between the quotes
    assert text.startswith('"')
    assert text.endswith('"')


def test_all_errors_at_once() -> None:
    box = Box()
    box.handle("VOLT 99;VOLT 98")
    answer = box.handle("SYST:ERR:ALL?")
    assert answer is not None
    assert answer.count("-222") == 2
    assert box.handle("SYST:ERR:ALL?") == '0,"No error"'


def test_masks_of_the_status_registers() -> None:
    box = Box()
    assert box.handle("STAT:OPER:ENAB 5;ENAB?;:STAT:QUES:ENAB #H7FFF;ENAB?") == "5;32767"
    assert box.handle("STAT:PRES;:STAT:OPER:ENAB?;:STAT:QUES:ENAB?") == "0;0"
    box.handle("STAT:QUES:ENAB 32768")
    assert errors(box) == [-222]
