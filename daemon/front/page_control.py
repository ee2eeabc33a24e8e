"""What a person does through the page: asks worker and guardian at their sockets, and never touches an instrument.

Every call waits in a thread of its own kind: nothing else that is asked can stand in STOP's way.
"""

import asyncio
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from benchwarden.daemon.bench import Bench
from benchwarden.daemon.guard.state_folder import WORKER_SOCKET
from benchwarden.daemon.planning.jobs import prepare
from benchwarden.daemon.serving import asking
from benchwarden.daemon.serving.bay_keeper import digest
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.plan import describe

AT_ONCE = 4


class Refused(Exception):
    """The worker refuses, or nobody answers; the message says why."""


class Controls:
    """The page's commands. Each returns JSON data, or raises Refused."""

    def __init__(self, bench: Bench, bench_path: Path, state: Path) -> None:
        self._bench, self._bench_path, self._state = bench, bench_path, state
        self._stopping = ThreadPoolExecutor(len(bench.bay) + 1, thread_name_prefix="stop")
        self._asking = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="ask")
        self._stops: dict[str | None, asyncio.Task[dict[str, Any]]] = {}

    def close(self) -> None:
        """Wait for nothing more."""
        self._stopping.shutdown(wait=False, cancel_futures=True)
        self._asking.shutdown(wait=False, cancel_futures=True)

    async def stop(self, bay: str | None) -> dict[str, Any]:
        """Stop one bay or all (None) and return once off was read back, or cannot be.

        Whoever presses again meanwhile waits for the same answer; it goes on though the page that asked leaves.
        """
        task = self._stops.get(bay)
        if task is None:
            task = self._stops[bay] = asyncio.create_task(self._stop(bay), name="stop")
            task.add_done_callback(lambda _: self._stops.pop(bay, None))
        return await asyncio.shield(task)

    async def _stop(self, bay: str | None) -> dict[str, Any]:
        request = {"do": "stop"} | ({} if bay is None else {"bay": bay})
        loop = asyncio.get_running_loop()
        answers = await loop.run_in_executor(self._stopping, asking.ask_both, self._state, request)
        lines, off = asking.stop_outcome(answers)
        return {"off": off is True, "words": stop_words(off), "lines": lines}

    async def before_start(self, bay: str) -> dict[str, Any]:
        """Return what `start` would begin: each waiting test with its plan, and what only a person can check."""
        found = (await self._asked(do="list", bay=bay))["bays"][bay]
        waiting = [test for test in found["tests"] if test["fate"] == "waiting"]
        loop = asyncio.get_running_loop()
        plans = await loop.run_in_executor(self._asking, self._plans, bay, found["pack"], waiting)
        return {
            "bay": bay,
            "pack": found["pack_name"],
            "stand": found["stand"],
            "numbers": [test["number"] for test in waiting],
            "tests": plans,
            "cautions": found["cautions"],
            "first": asking.COME_FIRST,
        }

    def _plans(self, bay: str, pack: str, waiting: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        plans: list[dict[str, Any]] = []
        for test in waiting:
            lines: list[str]
            try:
                [job] = prepare(self._bench, self._bench_path, str(test["profile"]), {bay: Path(pack)})
                lines, wrong = describe(job.plan), ""
                if digest(job) != test["digest"]:
                    wrong = "its pack's or its profile's file has changed since it was added: it would be refused"
            except FileMistakes as error:
                lines, wrong = [], "; ".join(error.mistakes)
            plans.append({"number": test["number"], "title": test["title"], "plan": lines, "wrong": wrong})
        return plans

    async def start(self, bay: str, numbers: object, checked: object) -> dict[str, Any]:
        """Let a bay's list go on, once every caution that holds now was checked off."""
        found = (await self._asked(do="list", bay=bay))["bays"][bay]
        ticked = [str(one) for one in checked] if isinstance(checked, list) else []
        missing = [text for text in found["cautions"] if text not in ticked]
        if missing:
            raise Refused(f"not checked: {missing[0]}")
        return await self._asked(do="start", bay=bay, numbers=numbers)

    async def acknowledge(self, bay: str) -> dict[str, Any]:
        """Say that a person has looked at a bay that tripped."""
        return await self._asked(do="acknowledge", bay=bay)

    async def answer(self, bay: str, text: str) -> dict[str, Any]:
        """Answer what a running test asks."""
        return await self._asked(do="answer", bay=bay, text=text)

    async def _asked(self, **request: Any) -> dict[str, Any]:
        loop = asyncio.get_running_loop()
        try:
            answer = await loop.run_in_executor(self._asking, asking.ask, self._state / WORKER_SOCKET, request)
        except asking.NoAnswer as error:
            raise Refused(str(error)) from error
        if "error" in answer:
            raise Refused("; ".join(map(str, answer.get("mistakes") or [answer["error"]])))
        return answer


def stop_words(off: bool | None) -> str:
    """Return a stop's outcome for a person who needs to know at once whether the pack is off."""
    if off:
        return "Off: read back and measured."
    called = "the guardian was called" if off is False else "neither worker nor guardian could say so"
    return (
        f"NOT CONFIRMED: {called}. Use the stop that needs no computer and unplug the pack, if you can do so safely. "
        "A pack that is hot, swells or smokes: keep away and call the fire service."
    )
