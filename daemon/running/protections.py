"""What the instruments of a bay cannot do for themselves: the layer of protection that needs no computer.

Pure, but for `maps_of`. What is lacking is said in the plan, in each run and in its report; a load without an
under-voltage trip of its own also needs a line in the bench file that accepts it.
"""

from collections.abc import Mapping
from pathlib import Path

from benchwarden.daemon.bench import BayEntry, LoadEntry, SupplyEntry
from benchwarden.daemon.running.instruments import map_path
from benchwarden.drivers.command_map import CommandMap, load_map

ACCEPTS = "accepts_no_under_voltage_trip"
WORDS = {
    "under_voltage": "under-voltage trip",
    "over_voltage": "over-voltage trip",
    "over_current": "over-current trip",
    "over_power": "over-power trip",
    "timer": "timer",
    "power_on_off": "off at power-on",
}


def maps_of(entry: BayEntry, folder: Path) -> dict[str, CommandMap]:
    """Return the command map of each load and of the supply, by name; raises MapError."""
    return {
        name: load_map(map_path(one, folder))
        for name, one in entry.entries.items()
        if isinstance(one, LoadEntry | SupplyEntry)
    }


def lacking(maps: Mapping[str, CommandMap]) -> dict[str, tuple[str, ...]]:
    """Return, by instrument, which protections its map cannot program and read back; keys of `WORDS`."""
    return {name: found for name, one in maps.items() if (found := one.lacking())}


def in_words(entry: BayEntry, lacks: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Return what a bay's instruments lack as people read it, one line for each."""
    lines: list[str] = []
    for name, keys in lacks.items():
        accepted = getattr(entry.entries[name], ACCEPTS, False)
        words = [
            f"{WORDS[key]} (accepted in the bench file)" if accepted and key == "under_voltage" else WORDS[key]
            for key in keys
        ]
        lines.append(f"{name}: no {', no '.join(words)} of its own")
    return lines


def refusals(where: str, entry: BayEntry, lacks: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Return why a bay may not be used as its bench file `where` stands, in words.

    A line that accepts what is not lacking is refused, too: it would accept unseen what a changed map then lacks.
    """
    mistakes: list[str] = []
    for name, one in entry.entries.items():
        if not isinstance(one, LoadEntry):
            continue
        place = f"{where}: [[bay]] {entry.name}: {name}"
        missing = "under_voltage" in lacks.get(name, ())
        if missing and not one.accepts_no_under_voltage_trip:
            mistakes.append(
                f"{place}: its map {one.map!r} has no under-voltage trip of the load's own, so only this program ends "
                f"a draw from an empty pack; {ACCEPTS} = true in its entry would accept that"
            )
        elif one.accepts_no_under_voltage_trip and not missing:
            mistakes.append(
                f"{place}: {ACCEPTS} = true accepts what is not lacking: its map {one.map!r} has the trip; take the "
                "line out"
            )
    return mistakes
