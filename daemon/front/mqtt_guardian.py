"""Finds out whether the guardian took over when the worker is heard no more: its socket and its log tell."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon.alarm.alarms import Fact, Kind
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.guard import raw_wire, state_folder
from benchwarden.daemon.serving.asking import NoAnswer, ask

ASK_EVERY_S, ASK_S = 1.0, 2.0
WATCH_S = 150.0  # a guardian asserts off for two minutes
_TAKING_OVER = "; taking over bays "


def facts(answer: Mapping[str, Any], states: Mapping[str, Mapping[str, Any]], log: str) -> list[Fact]:
    """Return what a person is to be told by a guardian's answer, its log and the last known states of the bays."""
    if answer.get("by") != "guardian":
        return []
    last = next((line for line in reversed(log.splitlines()) if _TAKING_OVER in line), "")
    why, _, named = last.partition(_TAKING_OVER)
    _, _, why = why.partition(" ")  # the time before it
    bays = [bay for bay in named.split(", ") if bay] or [bay for bay, state in states.items() if state["run"]]
    found: list[Fact] = []
    for bay in bays:
        said = [one for name, one in answer.get("outcomes", {}).items() if name.startswith(f"{bay} ")]
        off = bool(said) and all(map(raw_wire.is_confirmed, said))
        found.append(Fact(Kind.TOOK_OVER, bay, states.get(bay, {}).get("pack", ""), why, off))
    return found


async def keep_watching(reader: FeedReader, state: Path, alarm: Callable[[Fact], None]) -> None:
    """After a worker was lost ask its guardian, until off is confirmed or a worker is there again."""
    loop = asyncio.get_running_loop()
    lost_s = float("-inf")
    while True:
        await asyncio.sleep(ASK_EVERY_S)
        if reader.connected:
            lost_s = loop.time()
            continue
        if loop.time() - lost_s > WATCH_S:
            continue
        answer, log = await asyncio.to_thread(_ask, state)
        told = facts(answer, reader.states, log)
        for fact in told:
            alarm(fact)
        if told and all(fact.off for fact in told):
            lost_s = float("-inf")


def _ask(state: Path) -> tuple[dict[str, Any], str]:
    try:
        answer = ask(state / state_folder.GUARDIAN_SOCKET, {"do": "status"}, ASK_S)
        return answer, (state / state_folder.GUARDIAN_LOG).read_text(encoding="utf-8", errors="replace")
    except (NoAnswer, OSError):
        return {}, ""
