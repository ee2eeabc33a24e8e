"""The bench file: which instruments are wired to which bay, what they can do, and how they are reached."""

import base64
import math
import re
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from benchwarden.drivers.sensors import Ntc, Platinum, Probe, SteinhartHart, TypeK
from benchwarden.profiles.mistakes import keys_of, read_toml
from benchwarden.profiles.plan import BayAbilities
from benchwarden.profiles.quantity import Accuracy, AccuracyOf, Beta, Current, Duration, Power, Resistance, Voltage

_STRICT = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
_Sense = Literal["pack connector", "instrument terminals"]
# Off means a current below this, or below twice the meter's own offset if that is more (common practice, no source).
OFF_A = 0.05
# So long a pack rests after the test pulse before the plan begins (common practice, no source).
PULSE_RECOVERY_S = 10.0
_ONE_LINE = r"^[ -~]*[!-~][ -~]*$"  # of printable ASCII, and not of blanks alone
_CHANNELS = re.compile(r"\s*(\d{1,9})\s*(?::\s*(\d{1,9})\s*)?", re.ASCII)


class Limits(BaseModel):
    """What an instrument is rated for: volts, amperes, watts; `min_voltage`: lowest volts for full current."""

    model_config = _STRICT
    voltage_v: Voltage = Field(alias="voltage")
    current_a: Current = Field(alias="current")
    power_w: Power | None = Field(default=None, alias="power")
    min_voltage_v: Voltage | None = Field(default=None, alias="min_voltage")


class Accuracies(BaseModel):
    """Largest errors of an instrument's readings, from its data sheet."""

    model_config = _STRICT
    voltage: AccuracyOf | None = None
    current: AccuracyOf | None = None
    temperature: AccuracyOf | None = None


class Instrument(BaseModel):
    """What every instrument's entry may say; seconds for `every`, `stale_after` and `timeout`."""

    model_config = _STRICT
    at: str = Field(min_length=1)
    map: str = Field(min_length=1)
    via: Literal["visa"] | None = None
    visa_library: str = "@py"
    baud: int = Field(default=9600, ge=50, le=4_000_000, strict=True)
    accuracy: Accuracies = Accuracies()
    every_s: Duration = Field(default=1.0, alias="every")
    stale_after_s: Duration = Field(default=2.0, alias="stale_after")
    timeout_s: Duration = Field(default=0.5, alias="timeout")

    @model_validator(mode="after")
    def _can_be_missed_once(self) -> "Instrument":
        if self.timeout_s > 1.0:
            raise ValueError(
                f"timeout is {self.timeout_s:g} s; one missed reply and a new connection must fit into the 3 s "
                "in which a voltage may be missing, so 1 s at most"
            )
        return self


class LoadEntry(Instrument):
    """A programmable DC load; one without an under-voltage trip of its own is used only if a line accepts that."""

    sense: _Sense
    limits: Limits
    accepts_no_under_voltage_trip: bool = Field(default=False, strict=True)

    @field_validator("limits")
    @classmethod
    def _complete(cls, limits: Limits) -> Limits:
        if limits.power_w is None:
            raise ValueError('power is missing; a load\'s rating says it, such as "1500 W"')
        return limits


class SupplyEntry(Instrument):
    """A DC supply that charges; `isolation` says what keeps the pack from feeding back into it."""

    isolation: Literal["diode", "relay", "none"]
    sense: _Sense = "pack connector"
    limits: Limits


class CellsEntry(Instrument):
    """A meter of the groups' voltages; `burst_every`: how often it is asked in a burst, if that is more often."""

    channels: str
    burst_every_s: Duration | None = Field(default=None, alias="burst_every")


class ProbeEntry(BaseModel):
    """What is wired to every channel of a thermometer that answers volts or ohms.

    `r0` in ohm at 0 °C (platinum); `r25` in ohm at 25 °C and `beta` in K (ntc); `a`, `b`, `c` in 1/K for ohms
    (steinhart-hart). Formulas and ranges are in drivers/sensors.py.
    """

    model_config = _STRICT
    kind: Literal["type-k", "platinum", "ntc", "steinhart-hart"]
    r0_ohm: Resistance | None = Field(default=None, alias="r0", ge=1.0, le=1e5)
    r25_ohm: Resistance | None = Field(default=None, alias="r25", ge=1.0)
    beta_k: Beta | None = Field(default=None, alias="beta")
    a: Annotated[float, Field(strict=True, ge=-0.1, le=0.1)] | None = None
    b: Annotated[float, Field(strict=True, gt=0.0, le=0.1)] | None = None
    c: Annotated[float, Field(strict=True, ge=0.0, le=1e-3)] | None = None

    @model_validator(mode="after")
    def _whole(self) -> "ProbeEntry":
        needed = _PROBE_NEEDS[self.kind]
        given = {
            field.alias or name for name, field in ProbeEntry.model_fields.items() if getattr(self, name) is not None
        }
        missing = [key for key in needed if key not in given]
        idle = sorted(given - {"kind", *needed})
        if missing or idle:
            wrong = [f"{', '.join(missing)} missing"] * bool(missing) + [f"{', '.join(idle)} given"] * bool(idle)
            raise ValueError(
                f'kind = "{self.kind}" takes {" and ".join(needed) or "nothing else"}; found {" and ".join(wrong)}'
            )
        if self.kind == "steinhart-hart" and not self._is_a_thermistor():
            raise ValueError(
                f"a = {self.a:g}, b = {self.b:g}, c = {self.c:g} make no thermistor: at 25 °C it would have less than "
                "1 ohm or more than 10 Mohm; right would be such as a = 1.0e-3, b = 2.4e-4, c = 2.0e-7"
            )
        return self

    def _is_a_thermistor(self) -> bool:
        """Whether it has 1 ohm to 10 Mohm at 25 °C (common practice, no source)."""
        a, b, c = self.a or 0.0, self.b or 0.0, self.c or 0.0
        most = math.log(1e7)
        return a <= 1.0 / 298.15 <= a + b * most + c * most**3

    def probe(self) -> Probe:
        """Return what turns its volts or ohms into degrees Celsius."""
        match self.kind:
            case "type-k":
                return TypeK()
            case "platinum":
                return Platinum(self.r0_ohm or 0.0)
            case "ntc":
                return Ntc(self.r25_ohm or 0.0, self.beta_k or 0.0)
            case "steinhart-hart":
                return SteinhartHart(self.a or 0.0, self.b or 0.0, self.c or 0.0)


_PROBE_NEEDS = {
    "type-k": (),
    "platinum": ("r0",),
    "ntc": ("r25", "beta"),
    "steinhart-hart": ("a", "b", "c"),
}


class TemperatureEntry(Instrument):
    """A thermometer; `sensors` names where each channel's sensor sits, `probe` what they are if it answers no °C."""

    every_s: Duration = Field(default=2.0, alias="every")
    stale_after_s: Duration = Field(default=10.0, alias="stale_after")
    sensors: dict[str, Annotated[int, Field(strict=True, ge=0, le=999_999_999)]] = Field(min_length=1)
    probe: ProbeEntry | None = None

    @field_validator("sensors")
    @classmethod
    def _places(cls, sensors: dict[str, int]) -> dict[str, int]:
        wrong = [place for place in sensors if not place.isidentifier()]
        if wrong:
            raise ValueError(f'places {wrong} must be one word of letters, such as "middle"')
        if set(sensors) == {"ambient"}:
            raise ValueError('only "ambient" is named; at least one sensor sits on the pack')
        return sensors


class VoltmeterEntry(Instrument):
    """An independent meter of the pack's voltage."""

    every_s: Duration = Field(default=2.0, alias="every")
    stale_after_s: Duration = Field(default=5.0, alias="stale_after")


class ContactorEntry(BaseModel):
    """A normally open contactor between the pack and every instrument, held closed by `renew` each second.

    `renew` must hold it for longer than that second, and for not much longer: two seconds are right. `open` opens
    it at once. Each is one line of text; the line's end is added.
    """

    model_config = _STRICT
    at: str = Field(pattern=r"^(?i:TCPIP\d*::.+::\d+::SOCKET|ASRL.+::INSTR|MEMORY::.+)$")
    renew: str = Field(pattern=_ONE_LINE)
    open: str | None = Field(default=None, pattern=_ONE_LINE)
    baud: int = Field(default=9600, ge=50, le=4_000_000, strict=True)

    def for_guardian(self, bay: str) -> dict[str, object]:
        """Return what daemon/guard/contactor.py takes, as JSON data; bytes in base 64."""
        return {
            "name": f"{bay} contactor",
            "address": self.at,
            "baud": self.baud,
            "renew": _line(self.renew),
            "open": _line(self.open) if self.open else None,
        }


def _line(text: str) -> str:
    return base64.b64encode(f"{text}\n".encode()).decode()


class Alarms(BaseModel):
    """Whom to tell when a person is needed; where they are reached is a secret and stands in a file of its own.

    `urls_file`: one address a line, readable by its owner only. `alive_url` is fetched each minute while an output is
    on; `alive_end_url` once, when the last output is confirmed off.
    """

    model_config = _STRICT
    urls_file: str | None = Field(default=None, min_length=1)
    alive_url: str | None = Field(default=None, pattern=r"^https?://\S+$")
    alive_end_url: str | None = Field(default=None, pattern=r"^https?://\S+$")


class Mqtt(BaseModel):
    """Where what happens is published: `url` is mqtt:// or mqtts://; a sample at most once in `every` for each bay.

    User and password stand in `secret_file` (two lines `user = …` and `password = …`, readable by its owner only) or
    in the environment. `ca_file` names who signed the broker's certificate, where it is none that the machine knows;
    `certificate_file` and `key_file` are a client's own. Paths count from the bench file.
    """

    model_config = _STRICT
    url: str = Field(pattern=r"^mqtts?://[^\s/@:]+(:\d+)?$")
    every_s: Duration = Field(default=1.0, alias="every", ge=0.1)
    secret_file: str | None = Field(default=None, min_length=1)
    ca_file: str | None = Field(default=None, min_length=1)
    certificate_file: str | None = Field(default=None, min_length=1)
    key_file: str | None = Field(default=None, min_length=1)


class Page(BaseModel):
    """The page: where it listens, and the names by which browsers may ask for it beside that.

    `tokens_file`: lines `view = …` and `operate = …`, readable by its owner only. Without it, it listens on this
    machine only and nobody operates through it.
    """

    model_config = _STRICT
    at: str = Field(default="127.0.0.1:8640", pattern=r"^(\[[0-9a-fA-F:]+\]|[^\s:/]+):\d{1,5}$")
    hosts: list[str] = Field(default_factory=list)
    tokens_file: str | None = Field(default=None, min_length=1)


def _several(found: object) -> object:
    return [found] if isinstance(found, dict) else found


# One table or a list of tables; read as a list, so that a mistake is reported once and with its place.
Loads = Annotated[
    list[LoadEntry], BeforeValidator(_several, json_schema_input_type=LoadEntry | list[LoadEntry]), Field(min_length=1)
]


class BayEntry(BaseModel):
    """One place for a pack, with the instruments wired to it.

    `unattended_charge`: the supply may charge with nobody there; what else that needs is in profiles/attendance.py.
    `pulse_recovery`: so long the pack rests after the test pulse, 1 s to 10 min; below 10 s only if simulated.
    """

    model_config = _STRICT
    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")
    unattended_charge: bool = Field(default=False, strict=True)
    taps: Literal["each", "cumulative"] = "each"
    cooling: Literal["still air", "fan", "box"]
    charge: Literal["supply", "operator"] | None = None
    load: Loads
    supply: SupplyEntry | None = None
    cells: CellsEntry | None = None
    temperature: TemperatureEntry | None = None
    voltmeter: VoltmeterEntry | None = None
    contactor: ContactorEntry | None = None
    # Between the outer taps and where load or supply sense the pack: leads, connector; common practice, no source.
    path_ohm: Resistance = Field(default=0.005, alias="path_resistance")
    pulse_recovery_s: Duration = Field(default=PULSE_RECOVERY_S, alias="pulse_recovery", ge=1.0, le=600.0)

    @property
    def loads(self) -> list[LoadEntry]:
        """The bay's loads; several work in parallel as one."""
        return self.load

    @property
    def entries(self) -> dict[str, Instrument]:
        """Every instrument of the bay by the name of its role; loads in parallel are numbered."""
        loads = self.loads
        named: dict[str, Instrument] = (
            {"load": loads[0]} if len(loads) == 1 else {f"load {n}": load for n, load in enumerate(loads, 1)}
        )
        for name in ("supply", "cells", "temperature", "voltmeter"):
            entry = getattr(self, name)
            if entry is not None:
                named[name] = entry
        return named

    def voltage_accuracies(self) -> dict[str, Accuracy | None]:
        """Return by role how accurately load, supply and voltmeter measure voltage; None where nothing is stated."""
        found: dict[str, Accuracy | None] = {"load": self.loads[0].accuracy.voltage}
        if self.supply:
            found["supply"] = self.supply.accuracy.voltage
        if self.voltmeter:
            found["voltmeter"] = self.voltmeter.accuracy.voltage
        return found

    @model_validator(mode="after")
    def _charge_fits(self) -> "BayEntry":
        wrong: list[str] = []
        if self.charge == "supply" and self.supply is None:
            wrong.append('charge is "supply", but the bay has none; name one or say charge = "operator"')
        if len({load.sense for load in self.loads}) > 1:
            wrong.append("loads in parallel sense at different points; one and the same would be right")
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    @property
    def places(self) -> tuple[str, ...]:
        """Where the bay's temperature sensors sit."""
        return tuple(self.temperature.sensors) if self.temperature else ()

    def off_thresholds_a(self) -> dict[str, float]:
        """Return the currents below which each load and the supply count as off, by name."""
        return {
            name: threshold_a(entry)
            for name, entry in self.entries.items()
            if name.startswith("load") or name == "supply"
        }

    def role_off_thresholds_a(self) -> dict[str, float]:
        """Return the same by role: what loads in parallel together may draw and still be off."""
        by_name = self.off_thresholds_a()
        found = {"load": sum(value for name, value in by_name.items() if name.startswith("load"))}
        return found | {"supply": by_name["supply"]} if "supply" in by_name else found

    def abilities(self) -> BayAbilities:
        """Return what a plan must know of the bay; rated currents of loads in parallel are added up."""
        rated_a = sum(load.limits.current_a for load in self.loads)
        return BayAbilities(
            name=self.name,
            has_supply=self.supply is not None,
            charge=self.charge or ("supply" if self.supply else "operator"),
            load_max_current_a=rated_a,
            # Loads in parallel share by rated current, so the weakest in watts bounds them all.
            load_max_power_w=min((load.limits.power_w or 0.0) * rated_a / load.limits.current_a for load in self.loads),
            load_max_voltage_v=min(load.limits.voltage_v for load in self.loads),
            load_min_voltage_v=max(load.limits.min_voltage_v or 0.0 for load in self.loads),
            supply_max_voltage_v=self.supply.limits.voltage_v if self.supply else None,
            supply_max_current_a=self.supply.limits.current_a if self.supply else None,
            group_channels=_count(self.cells.channels) if self.cells else 0,
            temperature_places=self.places,
            has_ambient="ambient" in self.places,
            sense=self.loads[0].sense,
            taps=self.taps,
            cooling=self.cooling,
            load_off_a=self.role_off_thresholds_a()["load"],
            load_offset_a=sum(_offset_a(load) or 0.0 for load in self.loads),
            supply_offset_a=(_offset_a(self.supply) or 0.0) if self.supply else 0.0,
            supply_least_a=_least_told_a(self.supply) if self.supply else None,
        )


class Bench(BaseModel):
    """A bench file: its name, where runs are kept, and its bays. `simulated`: none of its instruments is real."""

    model_config = _STRICT
    name: str = Field(min_length=1, max_length=60)
    runs: str = "runs"
    simulated: bool = Field(default=False, strict=True)
    alarms: Alarms = Alarms()
    mqtt: Mqtt | None = None
    page: Page | None = None
    bay: list[BayEntry] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_and_addresses_differ(self) -> "Bench":
        names = [bay.name for bay in self.bay]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"bays named twice: {', '.join(twice)}; each needs a name of its own")
        switched = [
            entry.at for bay in self.bay for name, entry in bay.entries.items() if name.startswith(("load", "supply"))
        ]
        switched += [bay.contactor.at for bay in self.bay if bay.contactor]
        shared = sorted({at for at in switched if switched.count(at) > 1})
        if shared:
            raise ValueError(f"addresses used twice for a load, supply or contactor: {', '.join(shared)}")
        return self

    @model_validator(mode="after")
    def _real_packs_recover(self) -> "Bench":
        short = [
            f"{bay.name} ({bay.pulse_recovery_s:g} s)" for bay in self.bay if bay.pulse_recovery_s < PULSE_RECOVERY_S
        ]
        if short and not self.simulated:
            raise ValueError(
                f"pulse_recovery is too short in {', '.join(short)}; {PULSE_RECOVERY_S:g} s or longer is right where "
                "the bench is not simulated"
            )
        return self

    def find(self, name: str) -> BayEntry | None:
        """Return the bay of this name, or None."""
        return next((bay for bay in self.bay if bay.name == name), None)


def read_bench(text: str, where: str) -> Bench:
    """Return the checked content of a bench file; FileMistakes with every mistake it has."""
    known = {
        "": keys_of(Bench),
        "alarms": keys_of(Alarms),
        "mqtt": keys_of(Mqtt),
        "page": keys_of(Page),
        "bay": keys_of(BayEntry),
    }
    known["bay.contactor"] = keys_of(ContactorEntry)
    known["bay.temperature.probe"] = keys_of(ProbeEntry)
    for role, model in _ENTRIES.items():
        known[f"bay.{role}"] = keys_of(model)
        known[f"bay.{role}.limits"] = keys_of(Limits)
        known[f"bay.{role}.accuracy"] = keys_of(Accuracies)
    return read_toml(Bench, text, where, known)


_ENTRIES: dict[str, type[Instrument]] = {
    "load": LoadEntry,
    "supply": SupplyEntry,
    "cells": CellsEntry,
    "temperature": TemperatureEntry,
    "voltmeter": VoltmeterEntry,
}


def threshold_a(entry: Instrument) -> float:
    """Return the current in amperes below which an instrument counts as off."""
    return max(OFF_A, 2.0 * (_offset_a(entry) or 0.0))


def _offset_a(entry: Instrument) -> float | None:
    """By how much a reading of current may be off at none, in A; None where the bench file does not say."""
    return entry.accuracy.current.absolute if entry.accuracy.current else None


def _least_told_a(entry: Instrument) -> float:
    """The least current in A that a reading tells from none: twice its offset, or what off is where none is said."""
    offset_a = _offset_a(entry)
    return OFF_A if offset_a is None else 2.0 * offset_a


def _count(channels: str) -> int:
    """Return how many channels a list such as "101:106,201" names; 0 if it is not such a list."""
    total = 0
    for part in channels.split(","):
        found = _CHANNELS.fullmatch(part)
        if found is None:
            return 0
        total += abs(int(found[2]) - int(found[1])) + 1 if found[2] else 1
    return total
