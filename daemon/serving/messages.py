"""What is told about a bench while it works, as JSON: on the worker's feed, over MQTT, and to the page.

SI units in the names. Numbers are finite or null, never NaN. `seq` counts within a run: samples and events each from 1,
as in the run folder, so that a reader can tell what it has had and what it has missed.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import PurePath
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from benchwarden.daemon.running.progress import View

# A retained message is said anew more often than this; whoever finds an older one shows "unknown".
VALID_FOR_S = 60.0


class Message(BaseModel):
    """What every message says: `bench` as it is named in topics, and UTC."""

    model_config = ConfigDict(extra="forbid")
    bench: str
    utc: str


class SampleMessage(Message):
    """One sample of a run: volts, amperes (positive charges the pack), watts, degrees Celsius, Ah, Wh, seconds."""

    kind: Literal["sample"] = "sample"
    bay: str
    run: str
    seq: int = Field(ge=1)
    test_time_s: FiniteFloat
    pack: str
    step: int
    steps: int
    step_kind: str
    step_time_s: FiniteFloat
    phase: str
    output: Literal["off", "load", "supply"]
    voltage_v: FiniteFloat | None
    current_a: FiniteFloat | None
    power_w: FiniteFloat | None
    groups_v: list[FiniteFloat | None]
    temperatures_c: dict[str, FiniteFloat | None]
    charging_ah: FiniteFloat
    discharging_ah: FiniteFloat
    charging_wh: FiniteFloat
    discharging_wh: FiniteFloat
    left_s: FiniteFloat


class Off(BaseModel):
    """Whether a bay was confirmed off when it was last looked at: read back, and measured on each instrument (A)."""

    model_config = ConfigDict(extra="forbid")
    confirmed: bool
    current_a: dict[str, FiniteFloat | None]
    why: str
    utc: str
    words: str


class Asked(BaseModel):
    """What a test asks its operator; an empty list of answers takes any text."""

    model_config = ConfigDict(extra="forbid")
    text: str
    answers: list[str]


class Waiting(BaseModel):
    """One test of a bay's list; `profile` is a shipped name or a file's, `run` that of its folder below the runs."""

    model_config = ConfigDict(extra="forbid")
    number: int
    profile: str
    title: str
    fate: str
    why: str
    run: str | None
    estimate_s: FiniteFloat
    charges: bool


class StateMessage(Message):
    """Where a bay stands: its list in one word (`stand`) and why, what runs, what is asked, whether it is off.

    `heat`: what the reason of a trip says of the pack's warmth.
    """

    kind: Literal["state"] = "state"
    bay: str
    valid_for_s: FiniteFloat
    stand: Literal["idle", "running", "cooling", "stopped", "tripped", "interrupted"]
    why: str
    heat: Literal["no", "unknown", "hot"]
    pack: str
    run: str | None
    tests: list[Waiting]
    question: Asked | None
    off: Off | None


class EventMessage(Message):
    """One line of a run's events.jsonl; what it says beside time and name depends on the event."""

    model_config = ConfigDict(extra="allow")
    kind: Literal["event"] = "event"
    bay: str
    run: str
    seq: int = Field(ge=1)
    test_time_s: FiniteFloat
    event: str


class ResultMessage(Message):
    """How a run ended and its figures: value, unit and what flags them, as in result.json.

    An empty `result` has its reason in `flag`.
    """

    kind: Literal["result"] = "result"
    bay: str
    run: str
    valid_for_s: FiniteFloat
    how: str
    why: str
    result: dict[str, Any]
    flag: str = ""


class AlarmMessage(Message):
    """What a person is needed for; `alarm` is its kind, `title` and `text` are what people get by other ways, too.

    `off`: whether off was read back and measured, null where that is not the matter. `bay` may be empty: the bench.
    `heat`: what a trip's reason says of the pack's warmth. `output`: what is on where nothing ended; else empty.
    """

    kind: Literal["alarm"] = "alarm"
    bay: str
    pack: str
    alarm: str
    why: str
    off: bool | None
    heat: Literal["no", "unknown", "hot"]
    output: Literal["", "off", "load", "supply", "unconfirmed"]
    title: str = ""
    text: str = ""


class StatusMessage(Message):
    """Whether a bench is watched; `boot` changes with every start of the program that says it.

    `worker`: whether the program that runs the tests is heard. Since that start: `dropped` live samples found no
    room on the way, and `refused` messages to the bench were refused.
    """

    kind: Literal["status"] = "status"
    state: Literal["online", "offline"]
    valid_for_s: FiniteFloat
    boot: str
    worker: bool = False
    dropped: int = Field(default=0, ge=0)
    refused: int = Field(default=0, ge=0)


class StopRequest(BaseModel):
    """STOP, the only thing that a bench takes: a `nonce` never used before, and the time at which it was sent."""

    model_config = ConfigDict(extra="forbid", strict=True)
    nonce: str = Field(pattern=r"^[A-Za-z0-9_-]{8,64}$")
    utc: str = Field(max_length=40)


class AnswerMessage(Message):
    """What became of a STOP with this `nonce`: whether it was `taken`, whether everything meant is confirmed off.

    `bay`: null for all. `off`: null if nobody could tell. `current_a`: what each instrument measured, by bay (A).
    """

    kind: Literal["answer"] = "answer"
    bay: str | None
    nonce: str
    taken: bool
    off: bool | None
    words: list[str]
    current_a: dict[str, dict[str, FiniteFloat | None]]


MESSAGES: tuple[type[Message], ...] = (
    SampleMessage,
    StateMessage,
    EventMessage,
    ResultMessage,
    AlarmMessage,
    StatusMessage,
    AnswerMessage,
)


def utc_ms(unix_s: float) -> str:
    """Return a time in seconds since 1970 as "2026-11-25T21:04:11.250Z"."""
    return f"{datetime.fromtimestamp(unix_s, tz=UTC):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z"


def sample_message(bench: str, bay: str, view: View, places: Sequence[str]) -> dict[str, Any]:
    """Return a `SampleMessage` as JSON data; `places` are those of the temperatures."""
    sample = view.sample
    voltage_v, current_a = sample.voltage_v, sample.current_a
    return {
        "kind": "sample",
        "bench": bench,
        "bay": bay,
        "run": view.run,
        "seq": sample.sequence,
        "utc": utc_ms(sample.unix_time_s),
        "test_time_s": round(sample.test_time_s, 3),
        "pack": view.pack,
        "step": sample.step_count,
        "steps": view.steps,
        "step_kind": sample.step_type,
        "step_time_s": round(sample.step_time_s, 3),
        "phase": sample.phase,
        "output": sample.output,
        "voltage_v": voltage_v,
        "current_a": current_a,
        "power_w": None if voltage_v is None or current_a is None else round(voltage_v * current_a, 4),
        "groups_v": list(sample.groups_v),
        "temperatures_c": dict(zip(places, sample.temperatures_c, strict=True)),
        "charging_ah": round(sample.charging_ah, 6),
        "discharging_ah": round(sample.discharging_ah, 6),
        "charging_wh": round(sample.charging_wh, 5),
        "discharging_wh": round(sample.discharging_wh, 5),
        "left_s": round(view.left_s, 1),
    }


def state_message(bench: str, bay: str, unix_s: float, found: Mapping[str, Any], run: str | None) -> dict[str, Any]:
    """Return a `StateMessage` as JSON data; `found` is what the worker's socket says of a bay, `run` its run now."""
    one = found["list"]
    return {
        "kind": "state",
        "bench": bench,
        "bay": bay,
        "utc": utc_ms(unix_s),
        "valid_for_s": VALID_FOR_S,
        "stand": one["stand"],
        "why": one["why"],
        "heat": one["heat"],
        "pack": one["pack_name"],
        "run": run,
        "tests": [_waiting(test) for test in one["tests"]],
        "question": found["question"],
        "off": found["off"],
    }


def _waiting(test: Mapping[str, Any]) -> dict[str, Any]:
    """Return a test of a list as it is told outside: profile and run without where they lie on this machine."""
    told = {key: test[key] for key in Waiting.model_fields}
    told["profile"] = PurePath(told["profile"]).name
    if told["run"]:
        told["run"] = "/".join(PurePath(told["run"]).parts[-2:])
    return told


def event_message(bench: str, bay: str, run: str, event: Mapping[str, Any]) -> dict[str, Any]:
    """Return an `EventMessage` as JSON data from one line of events.jsonl."""
    return {**event, "kind": "event", "bench": bench, "bay": bay, "run": run}


def alarm_message(bench: str, unix_s: float, fact: Mapping[str, Any]) -> dict[str, Any]:
    """Return an `AlarmMessage` as JSON data; `fact` is what daemon/alarm/alarms.py is told."""
    return {
        "kind": "alarm",
        "bench": bench,
        "bay": fact["bay"],
        "utc": utc_ms(unix_s),
        "pack": fact["pack"],
        "alarm": fact["kind"],
        "why": fact["why"],
        "off": fact["off"],
        "heat": fact["heat"],
        "output": fact["output"],
    }
