"""The rules of one bay's waiting list: pure functions from a list and what happened to the list after it.

A list is one pack's tests; the next pack waits for a person (common practice, no source: nobody changes packs while
nobody is there). A list starts only when a person says so, never by itself and never after a restart; a trip stops it
until a person has acknowledged it. daemon/serving/service.py carries out what is decided here.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from benchwarden.daemon.safety import Heat

# Between two tests (common practice, no source): lithium packs are not charged hot, and the checks before a test take a
# probe for wrong that is 3 K off its surroundings at rest.
COOL_BELOW_C = 35.0
COOL_WITHIN_K = 2.0
COOL_AT_MOST_H = 3.0
# Where no sensor sits on the pack nothing can be asked but time.
COOL_UNSEEN_H = 1.0


# How a reason begins that was found when the service switched everything off at its start, and how it ends.
AT_START = "at the start: "
_FOUND_AT_START = re.compile(rf"(^|; ){AT_START}.*?: unplug it")


class Refused(Exception):
    """A list cannot be changed or started as asked; the message says why and what would be right."""


class Stand(Enum):
    """Where a list stands. Only RUNNING and COOLING do anything by themselves."""

    IDLE = "idle"
    RUNNING = "running"
    COOLING = "cooling"
    STOPPED = "stopped"
    TRIPPED = "tripped"  # until a person has acknowledged it
    INTERRUPTED = "interrupted"  # the service ended while it ran; it waits for `start`


class Fate(Enum):
    """What became of one test."""

    WAITING = "waiting"
    RUNNING = "running"
    FINISHED = "finished"
    STOPPED = "stopped"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"
    REFUSED = "refused"  # could no longer be done as it was planned when it was added


GOING_ON = frozenset({Stand.RUNNING, Stand.COOLING})


@dataclass(frozen=True, slots=True)
class Entry:
    """One test of a list: `profile` is a shipped name or a path; `digest` tells the plan that was shown when added.

    `estimate_s`: roughly how long it takes, seconds. `charges`: whether the bay's supply will charge the pack. `run` is
    its run folder; `off_confirmed` None until it has ended.
    """

    number: int
    profile: str
    title: str
    digest: str
    estimate_s: float = 0.0
    charges: bool = False
    fate: Fate = Fate.WAITING
    why: str = ""
    run: str | None = None
    off_confirmed: bool | None = None
    began_utc: str | None = None
    ended_utc: str | None = None


@dataclass(frozen=True, slots=True)
class WaitingList:
    """One bay's list: the tests of one pack, in their order. `pack` is the path of its file, "" before the first.

    `heat`: what the reason of a trip that nobody has acknowledged says of the pack's warmth.
    """

    bay: str
    pack: str = ""
    pack_name: str = ""
    tests: tuple[Entry, ...] = ()
    stand: Stand = Stand.IDLE
    why: str = ""
    heat: Heat = Heat.NO

    @property
    def waiting(self) -> tuple[Entry, ...]:
        """The tests that have not begun, in their order."""
        return tuple(test for test in self.tests if test.fate is Fate.WAITING)

    @property
    def running(self) -> Entry | None:
        """The test that runs now."""
        return next((test for test in self.tests if test.fate is Fate.RUNNING), None)

    @property
    def finished(self) -> bool:
        """Whether nothing waits and nothing runs."""
        return not self.waiting and self.running is None and self.stand not in GOING_ON


def add(found: WaitingList, pack: str, pack_name: str, tests: Sequence[Entry]) -> WaitingList:
    """Return the list with tests at its end, numbered on; their own numbers are ignored.

    A finished list makes room for another pack. Raises Refused for another pack while the list is not finished, and
    after a trip that nobody has acknowledged.
    """
    if not tests:
        raise Refused(f"bay {found.bay}: no test named; at least one profile would be right")
    same = (found.pack, found.pack_name) == (pack, pack_name)
    if found.stand is Stand.TRIPPED and not same:
        raise Refused(f"bay {found.bay} tripped: {found.why}; `acknowledge {found.bay}` comes before another pack")
    if not same and not found.finished:
        raise Refused(
            f"bay {found.bay}: its list is {found.pack_name}'s ({found.pack}) and is not finished; a list is one "
            f"pack's tests, so let it finish, or `drop {found.bay} all`, before {pack_name} ({pack}) is put in"
        )
    if not same:
        found = WaitingList(found.bay, pack, pack_name)
    first = max((test.number for test in found.tests), default=0) + 1
    more = tuple(replace(test, number=first + place, fate=Fate.WAITING) for place, test in enumerate(tests))
    return replace(found, tests=found.tests + more)


def move(found: WaitingList, number: int, where: str) -> WaitingList:
    """Return the list with a waiting test one place "up" or "down", or "first" of those that wait; else Refused."""
    waiting = list(found.waiting)
    place = _place(found, number)
    target = {"up": place - 1, "down": place + 1, "first": 0}.get(where)
    if target is None:
        raise Refused(f"move: found {where!r}; right would be up, down or first")
    if not 0 <= target < len(waiting) or target == place:
        raise Refused(f"bay {found.bay}: test {number} is already {'last' if where == 'down' else 'first'} in line")
    waiting.insert(target, waiting.pop(place))
    others = tuple(test for test in found.tests if test.fate is not Fate.WAITING)
    return replace(found, tests=others + tuple(waiting))


def drop(found: WaitingList, number: int | None) -> WaitingList:
    """Return the list without one waiting test, or without all that wait (None); Refused if there is none such."""
    if number is None:
        if not found.waiting:
            raise Refused(f"bay {found.bay}: nothing waits that could be dropped")
        return replace(found, tests=tuple(test for test in found.tests if test.fate is not Fate.WAITING))
    _place(found, number)
    return replace(found, tests=tuple(test for test in found.tests if test.number != number))


def _place(found: WaitingList, number: int) -> int:
    for place, test in enumerate(found.waiting):
        if test.number == number:
            return place
    there = next((test for test in found.tests if test.number == number), None)
    if there:
        raise Refused(f"bay {found.bay}: test {number} is {there.fate.value}; only what waits can be moved or dropped")
    numbers = ", ".join(str(test.number) for test in found.waiting) or "none"
    raise Refused(f"bay {found.bay}: there is no test {number}; waiting: {numbers}")


def start(found: WaitingList, numbers: Sequence[int] | None = None) -> WaitingList:
    """Return the list going on with what waits, as a person asked; Refused where that must not be.

    `numbers`: the waiting tests in the order that the person was shown; another order now is refused.
    """
    if found.stand is Stand.TRIPPED:
        raise Refused(f"bay {found.bay} tripped: {found.why}; look at it, then `acknowledge {found.bay}`")
    if found.stand in GOING_ON:
        raise Refused(f"bay {found.bay}: its list is {found.stand.value} already")
    if not found.waiting:
        raise Refused(f"bay {found.bay}: nothing waits; `add {found.bay}=PACK PROFILE` comes first")
    now = [test.number for test in found.waiting]
    if numbers is not None and list(numbers) != now:
        raise Refused(f"bay {found.bay}: the list has changed since it was shown (tests {now}); look at it again")
    return replace(found, stand=Stand.RUNNING, why="")


def next_up(found: WaitingList) -> Entry | None:
    """Return the test that begins now, or None: nothing waits, or the list does not go on."""
    return found.waiting[0] if found.stand in GOING_ON and found.waiting and not found.running else None


def cools_first(found: WaitingList) -> bool:
    """Tell whether the pack rests until it is cool before the next test: something flowed in an earlier one."""
    return any(test.run is not None for test in found.tests)


def cooling(found: WaitingList) -> WaitingList:
    """Return the list while its pack cools before the next test."""
    return replace(found, stand=Stand.COOLING, why="")


def begun(found: WaitingList, number: int, utc: str) -> WaitingList:
    """Return the list with its waiting test `number` running since `utc`; Refused if it was stopped meanwhile."""
    if found.stand not in GOING_ON:
        raise Refused(f"bay {found.bay}: its list is {found.stand.value}: nothing begins")
    _place(found, number)
    tests = tuple(
        replace(test, fate=Fate.RUNNING, began_utc=utc) if test.number == number else test for test in found.tests
    )
    return replace(found, tests=tests, stand=Stand.RUNNING, why="")


def not_begun(found: WaitingList, number: int) -> WaitingList:
    """Return the list with its running test `number` waiting again: it was to begin, and did not."""
    tests = tuple(
        replace(test, fate=Fate.WAITING, began_utc=None)
        if test.number == number and test.fate is Fate.RUNNING
        else test
        for test in found.tests
    )
    return replace(found, tests=tests)


def ended(
    found: WaitingList,
    fate: Fate,
    why: str,
    *,
    run: str | None,
    off_confirmed: bool,
    utc: str,
    heat: Heat = Heat.NO,
) -> WaitingList:
    """Return the list after its running test ended: on to the next one only if it finished and off is confirmed."""
    over = found.running
    if over is None:
        raise Refused(f"bay {found.bay}: no test runs that could have ended")
    done = replace(over, fate=fate, why=why, run=run, off_confirmed=off_confirmed, ended_utc=utc)
    tests = tuple(done if test.number == over.number else test for test in found.tests)
    return _after(replace(found, tests=tests), f"test {over.number} ({over.title})", fate, why, off_confirmed, heat)


def cooled(found: WaitingList, fate: Fate, why: str, *, off_confirmed: bool, heat: Heat = Heat.NO) -> WaitingList:
    """Return the list after the rest between two tests: on only if the pack is cool."""
    return _after(found, "cooling", fate, why, off_confirmed, heat)


def _after(found: WaitingList, what: str, fate: Fate, why: str, off_confirmed: bool, heat: Heat) -> WaitingList:
    if fate is Fate.TRIPPED or not off_confirmed:
        words = f"{what} {fate.value}: {why}"
        return tripped(found, words if off_confirmed else f"{words}; OFF NOT CONFIRMED", heat)
    if found.stand not in GOING_ON:
        return found  # stopped or tripped meanwhile: its own reason stands
    if fate is not Fate.FINISHED:
        return replace(found, stand=Stand.STOPPED, why=f"{what} {fate.value}: {why}")
    return replace(found, stand=Stand.RUNNING if found.waiting else Stand.IDLE, why="")


def refused(found: WaitingList, number: int, why: str) -> WaitingList:
    """Return the list stopped because its waiting test `number` can no longer be done as it was planned."""
    _place(found, number)
    tests = tuple(replace(test, fate=Fate.REFUSED, why=why) if test.number == number else test for test in found.tests)
    return stopped(replace(found, tests=tests), f"test {number} refused: {why}")


def at_rest(found: WaitingList) -> WaitingList:
    """Return the list idle if it goes on though nothing waits any more and nothing runs."""
    over = found.stand in GOING_ON and not found.waiting and found.running is None
    return replace(found, stand=Stand.IDLE, why="") if over else found


def stopped(found: WaitingList, why: str) -> WaitingList:
    """Return the list that goes on with nothing more; one that did not go on is left as it is."""
    return replace(found, stand=Stand.STOPPED, why=why) if found.stand in GOING_ON else found


def tripped(found: WaitingList, why: str, heat: Heat = Heat.NO) -> WaitingList:
    """Return the list stopped until somebody acknowledges; an earlier trip's reason is kept beside the new one.

    Reasons that differ only in a measured value are one: "0.001 A" and "0.002 A" would else stand there after each
    start and stop. What was found at this start (`AT_START`) takes the place of what was found at an earlier one.
    """
    worst = max(found.heat, heat, key=list(Heat).index)
    if found.stand is not Stand.TRIPPED:
        return replace(found, stand=Stand.TRIPPED, why=why, heat=worst)
    earlier = found.why
    if why.startswith(AT_START):
        earlier = _FOUND_AT_START.sub("", earlier).removeprefix("; ")
    known = _without_values(why) in _without_values(earlier)
    return replace(found, why=earlier if known else "; ".join(part for part in (earlier, why) if part), heat=worst)


def _without_values(reason: str) -> str:
    return re.sub(r"-?\d+\.\d+", "#", reason)


def acknowledged(found: WaitingList) -> WaitingList:
    """Return the list after a person has looked; it waits for `start` all the same. Refused without a trip."""
    if found.stand is not Stand.TRIPPED:
        raise Refused(f"bay {found.bay}: there is no trip to acknowledge; its list is {found.stand.value}")
    return replace(found, stand=Stand.STOPPED, why=f"acknowledged: {found.why}", heat=Heat.NO)


def after_restart(found: WaitingList) -> WaitingList:
    """Return the list as a new start of the service finds it: nothing goes on; what ran was interrupted."""
    over = found.running
    if over is None and found.stand not in GOING_ON:
        return found
    what = f"test {over.number} ({over.title}) ran" if over else "its list was on its way"
    why = f"the service ended while {what}"
    tests = tuple(
        replace(test, fate=Fate.INTERRUPTED, why="the service ended while it ran") if test is over else test
        for test in found.tests
    )
    stand = Stand.TRIPPED if found.stand is Stand.TRIPPED else Stand.INTERRUPTED
    return replace(found, tests=tests, stand=stand, why=f"{found.why}; {why}" if stand is Stand.TRIPPED else why)


def lost(bay: str, why: str) -> WaitingList:
    """Return an empty list in place of one that could not be read; nothing of it is guessed."""
    return WaitingList(bay, stand=Stand.STOPPED, why=why)


def reaches_every_bay(fate: Fate, marked: bool, off_confirmed: bool) -> bool:
    """Tell whether one bay's end switches every bay off and stops every list: off not confirmed, or marked so.

    `marked`: its trip's reason is one that nobody waits with anywhere, such as a temperature's rate or smoke.
    """
    return not off_confirmed or (fate is Fate.TRIPPED and marked)


def cooling_profile(*, pack_sensor: bool, ambient: bool) -> str:
    """Return, as a profile's text, the rest between two tests: everything off and looked at."""
    rest = ['title = "Cooling between tests"', "[[step]]", 'do = "rest"', 'every = "10 s"']
    if not pack_sensor:
        return "\n".join([*rest, f'at_least = "{COOL_UNSEEN_H:g} h"'])
    rest += ['at_least = "1 min"', f'until_below = "{COOL_BELOW_C:g} °C"']
    if ambient:
        rest.append(f'until_within = "{COOL_WITHIN_K:g} K"')
    return "\n".join([*rest, f'at_most = "{COOL_AT_MOST_H:g} h"'])


def cautions(found: WaitingList) -> list[str]:
    """Return what only a person at the bench can check before a list starts."""
    said = [
        f"The pack in bay {found.bay} is {found.pack_name}, and is what its file says: chemistry, cells in series, "
        "capacity, full voltage. No instrument can tell an empty pack of one chemistry from another.",
        "It is not swollen, dented, wet or leaking, and nobody dropped it.",
        "Polarity was checked at the connector. There is a fuse at the pack and one in each balance tap.",
        "The temperature sensors sit where the bench file says, and hold.",
        "It lies on what cannot burn, away from what can, with a smoke alarm that somebody hears and a way out.",
        "A stop that needs no computer is within reach, and was tried.",
    ]
    if any(test.charges for test in found.waiting):
        said.append(
            "This list charges the pack. A pack's first charge is attended, from its beginning to 30 min after its end."
        )
    said += [
        f"Test {test.number} ({test.title}) was {test.fate.value}: {test.why}. The reason is known, and the pack was "
        "looked at since."
        for test in found.tests
        if test.fate in (Fate.TRIPPED, Fate.INTERRUPTED)
    ]
    return said
