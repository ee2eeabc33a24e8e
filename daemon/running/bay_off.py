"""Switches one bay off where no run is under way: at the service's start, for a stop, before an acknowledgement."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

from benchwarden.daemon import safety
from benchwarden.daemon.running.instruments import Instruments

CONFIRM_S = 2.0
CONFIRM_EVERY_S = 0.1


@dataclass(frozen=True, slots=True)
class BayOff:
    """Whether a bay is off: read back, and by the current in amperes measured at each load and the supply."""

    confirmed: bool
    currents_a: Mapping[str, float | None] = field(default_factory=dict)
    why: str = ""

    def in_words(self) -> str:
        """Say it for people."""
        shown = ", ".join(
            f"{name} {'no current' if current is None else f'{current:.3f} A'}"
            for name, current in self.currents_a.items()
        )
        if self.confirmed:
            return f"off confirmed ({shown})" if shown else "off confirmed"
        return f"OFF NOT CONFIRMED ({'; '.join(part for part in (shown, self.why) if part)}): unplug it"


async def switch_bay_off(instruments: Instruments, thresholds_a: Mapping[str, float]) -> BayOff:
    """Order off on every load and supply of a bay at once, read back, measure; again until `CONFIRM_S` have passed.

    Never raises for what an instrument does. `thresholds_a`: the currents that count as off, by the same names as
    `instruments.outputs`.
    """
    loop = asyncio.get_running_loop()
    end_s = loop.time() + CONFIRM_S
    while True:
        found = await _once(instruments, thresholds_a)
        if found.confirmed or loop.time() >= end_s:
            return found
        await asyncio.sleep(CONFIRM_EVERY_S)


async def _once(instruments: Instruments, thresholds_a: Mapping[str, float]) -> BayOff:
    outputs = instruments.outputs
    said = await asyncio.gather(*(_quietly(output.off) for output in outputs.values()))
    readings = await asyncio.gather(*(_quietly(output.read) for output in outputs.values()))
    currents_a = {
        name: reading["current_a"] if isinstance(reading, Mapping) else None
        for name, reading in zip(outputs, readings, strict=True)
    }
    against = [str(answer) for answer in said if answer is not None]
    confirmed = not against and safety.is_off(currents_a, thresholds_a)
    return BayOff(confirmed, currents_a, "; ".join(against))


async def _quietly(exchange: Callable[[], Awaitable[object]]) -> object:
    try:
        return await exchange()
    except Exception as error:  # noqa: BLE001  whatever one instrument's driver does, the others are switched off too
        return error
