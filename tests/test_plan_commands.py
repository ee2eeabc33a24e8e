"""What a plan shows is what the instruments get: every set-point, protection, on and off, in order, line by line.

The witness is the SCPI text that the simulated instruments received, read here by a table of its own.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import NamedTuple

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.commands.show_plan import as_text
from benchwarden.daemon.planning.jobs import Job
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.planned import PlannedLadder
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import SimulatedBench
from tests.virtual_bench import Done, on_virtual_time, run_test

DEMO = Path(__file__).parents[1] / "daemon" / "commands"
LEFT, _, RIGHT = demo_bench()
LOAD = {
    "SOURce:VOLTage:PROTection:UNDer": "load: under-voltage trip at {} V",
    "SOURce:CURRent:PROTection": "load: over-current trip at {} A",
    "SOURce:POWer:PROTection": "load: over-power trip at {} W",
    "INPut:TIMer": "load: timer {} s",
    "SOURce:POWer": "load: power {} W",
    "SOURce:CURRent": "load: current {} A",
    "SOURce:RESistance": "load: resistance {} ohm",
}
SUPPLY = {
    "SOURce:VOLTage:PROTection": "supply: over-voltage trip at {} V",
    "SOURce:CURRent:PROTection": "supply: over-current trip at {} A",
    "SOURce:VOLTage": "supply: at most {} V",
    "SOURce:CURRent": ", {} A",
}
SHARED = ("SOURce:CURRent:PROTection", "SOURce:POWer:PROTection", "SOURce:POWer", "SOURce:CURRent")
OFF = "load, supply: off"


@dataclass
class Heard:
    """Every message unit that changed something at one bay's load and supply, in the order it came."""

    units: list[tuple[str, str]] = field(default_factory=list)


def listening(heard: Heard) -> type[SimulatedBench]:
    """A simulated bench that writes down what loads and supply are told."""

    class Listening(SimulatedBench):
        def memory(self) -> Mapping[str, Callable[[str], str | None]]:
            return {name: self._heard(name, handle) for name, handle in super().memory().items()}

        def _heard(self, name: str, handle: Callable[[str], str | None]) -> Callable[[str], str | None]:
            role = name.partition("/")[2]

            def handled(message: str) -> str | None:
                if role.startswith(("load", "supply")):
                    units = (unit.strip().lstrip(":") for unit in message.split(";"))
                    heard.units += [(role, unit) for unit in units if unit and "?" not in unit]
                return handle(message)

            return handled

    return Listening


def lines_of(heard: Heard, role: str, loads: int) -> Iterator[str]:
    """One load's and the supply's commands in the words of a plan; what loads share is counted for all of them."""
    ceiling, voltage = "", ""
    quiet: set[str] = set()
    for who, unit in heard.units:
        if who not in (role, "supply"):
            continue
        what, _, value = unit.partition(" ")
        if unit in ("INPut OFF", "OUTPut OFF"):
            quiet.add(who)
            if quiet == {role, "supply"}:
                yield OFF
                quiet = set()
        elif unit in ("INPut ON", "OUTPut ON"):
            yield f"{'supply' if who == 'supply' else 'load'}: on"
        elif what == "SOURce:CURRent:LIMit":
            ceiling = f", ceiling {round(loads * float(value), 4):.10g} A"
        elif who == "supply" and what == "SOURce:VOLTage":
            voltage = SUPPLY[what].format(f"{float(value):g}")
        elif who == "supply" and what == "SOURce:CURRent":
            yield voltage + SUPPLY[what].format(f"{float(value):g}")
        elif what in (table := SUPPLY if who == "supply" else LOAD):
            number = float(value) * (loads if who != "supply" and what in SHARED else 1)
            line = table[what].format(f"{round(number, 4):.10g}")
            yield line + (ceiling if line.startswith(("load: power", "load: current", "load: resistance")) else "")


def blocks(lines: Iterator[str]) -> list[list[str]]:
    """The commands from one off to the next; an off that changes nothing is none."""
    found: list[list[str]] = [[]]
    for line in lines:
        if line != OFF:
            found[-1].append(line)
        elif found[-1]:
            found[-1].append(OFF)
            found.append([])
    return [block for block in found if block]


class Shown(NamedTuple):
    """A block of commands as `plan --commands` prints it: in which step, how often, and what."""

    step: int
    times: str
    lines: list[str]


def shown(text: str) -> list[Shown]:
    """Every block of commands, in the order of the plan."""
    found: list[Shown] = []
    step = 0
    for line in text.splitlines():
        word = line.strip()
        if heading := STEP.match(line):
            step = int(heading[1])
        elif word.startswith("sends "):
            found.append(Shown(step, word.removeprefix("sends ").strip(" :"), []))
        elif word.startswith(("load:", "supply:", "load, supply:")) and found and line.startswith(" " * 12):
            found[-1].lines.append(word)
    return found


def may_be_missed(block: Shown, done: Done, received: Sequence[Shown]) -> bool:
    """Whether the run was right to leave this block out, by what its own record says of the step.

    A side of storing or a pause that was not needed; a step that a repeat left out; and of a ladder that came to its
    floor the bursts above the one that did, so none after which another of that ladder was received.
    """
    if block.times == SOMETIMES:
        return True
    if any(done.run.events_named("step_left_out", block.step)):
        return True
    step = next(one for one in done.plan.steps if one.number == block.step)
    return (
        isinstance(step, PlannedLadder)
        and [event["ended_by"] for event in done.run.events_named("step_ended", block.step)] == ["cut-off"]
        and not any(one.step == block.step and _amperes(one) > _amperes(block) for one in received)
    )


def _amperes(block: Shown) -> float:
    return next(float(line.split()[2]) for line in block.lines if line.startswith("load: current"))


SOMETIMES = "none, once or several times"
STEP = re.compile(r" ?(\d+)\. ")
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def alike(one: list[str], other: list[str]) -> bool:
    """Whether lines are the same but for what halving a number of four decimals between two loads costs."""
    return [NUMBER.sub("#", line) for line in one] == [NUMBER.sub("#", line) for line in other] and all(
        abs(float(a) - float(b)) < 2.1e-4
        for line, like in zip(one, other, strict=True)
        for a, b in zip(NUMBER.findall(line), NUMBER.findall(like), strict=True)
    )


def follows(block: list[str], wanted: list[str]) -> bool:
    """Whether a draw's power stays at or below what is shown, and all else is as shown."""
    most = next(line for line in wanted if line.startswith("load: power at most"))
    most_w, ceiling = float(most.split()[4]), most.partition(", ")[2]
    levels = [line for line in block if line.startswith("load: power")]
    kept = [line for line in block if line not in levels]
    return alike(kept, [line for line in wanted if line != most]) and all(
        float(line.split()[2]) <= most_w and line.endswith(ceiling) for line in levels
    )


def fits(block: list[str], wanted: list[str]) -> bool:
    """Whether these commands are those of the plan; a supply's voltage follows the pack below what is shown."""
    if any(line.startswith("load: power at most") for line in wanted):
        return follows(block, wanted)
    most = next((line for line in wanted if line.startswith("supply: at most")), None)
    if most is None:
        return alike(block, wanted)
    most_v, amperes = float(most.split()[3]), most.partition(", ")[2]
    kept = [line for line in block if not line.startswith("supply: at most")]
    set_points = [line for line in block if line.startswith("supply: at most")]
    before_on = block.index("supply: on") - 1 if "supply: on" in block else -1
    return (
        kept == [line for line in wanted if line != most]
        and all(float(line.split()[3]) <= most_v + 1e-6 and line.endswith(f", {amperes}") for line in set_points)
        and block[before_on] in set_points
    )


def text_of(name: str) -> str:
    """The profile as shipped, but for the number of cycles: a hundred would be two weeks on any clock."""
    return library_text(name).replace("times = 100", "times = 2")


def run_and_plan(tmp_path: Path, bay: str, pack: str, profile: str) -> tuple[Done, list[list[str]], str]:
    scenario = LEFT if bay == "left" else RIGHT
    heard = Heard()
    text: list[str] = []

    def before(bench: SimulatedBench) -> None:
        # Shown with addresses of a network (RFC 5737): what is in memory no guardian reaches.
        numbers = count(1)
        toml = re.sub(r"MEMORY::[^\"]+", lambda _: f"TCPIP::192.0.2.{next(numbers)}::5025::SOCKET", bench.bench_toml())
        entry = read_bench(toml, "bench.toml").bay[0]
        wanted = read_profile(text_of(profile), profile)
        job = Job(entry, read_pack(pack), wanted, profile, work_out(wanted, read_pack(pack), entry.abilities()))
        text.append(as_text([job], tmp_path / "bench.toml", every_command=True))

    done = on_virtual_time(
        run_test(tmp_path, scenario, pack, text_of(profile), before=before, make_bench=listening(heard), soc=0.4)
    )
    loads = 2 if bay == "right" else 1
    received = blocks(lines_of(heard, "load" if loads == 1 else "load 1", loads))
    if loads == 2:
        assert received == blocks(lines_of(heard, "load 2", loads))
    return done, received, text[0]


@pytest.mark.parametrize(
    ("profile", "bay", "pack"),
    [
        ("capacity", "left", "heron"),
        ("burst", "left", "heron"),
        *(
            pytest.param(name, "left", "heron", marks=pytest.mark.endure)
            for name in library_names()
            if name not in ("capacity", "burst")
        ),
        pytest.param("standard", "right", "tern", marks=pytest.mark.endure),
        pytest.param("capacity", "right", "tern", marks=pytest.mark.endure),
    ],
)
def test_the_plan_shown_is_what_the_instruments_get(tmp_path: Path, profile: str, bay: str, pack: str) -> None:
    """Each block of commands, in order, is the next that the plan shows; what may be missed was ended before."""
    done, received, text = run_and_plan(tmp_path, bay, (DEMO / f"demo_{pack}.toml").read_text("utf-8"), profile)
    assert done.ending.how == "finished", done.ending
    planned = shown(text)
    assert bool(received) == (profile != "inspection")
    place, missed, met = 0, [], []
    for block in received:
        while not fits(block, planned[place].lines):
            missed.append(planned[place])
            place += 1
            assert place < len(planned), f"not in the plan, or out of order: {block}"
        met.append(planned[place])
        if planned[place].times != SOMETIMES:
            place += 1
    missed += planned[place:]
    assert [block for block in missed if not may_be_missed(block, done, met)] == []
    powers = sum(line.startswith("load: power") for block in received for line in block)
    assert profile == "flight" or powers == sum(line.startswith("load: power") for one in planned for line in one.lines)
