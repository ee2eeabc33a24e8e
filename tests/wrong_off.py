"""`benchwarden run` whose worker, once an output is on, switches off by a wrong command; for one test.

`python -m tests.wrong_off ORDERS`: the guardian is the program's own, and was given its bytes at arming.
"""

import sys
from collections.abc import Sequence

from benchwarden.daemon.guardian import Guardian

ASSERT_OFF_S = 1.0


def worker(arguments: Sequence[str]) -> int:
    """Be the worker with the fault."""
    from benchwarden.daemon.running import checks
    from benchwarden.daemon.worker import main
    from benchwarden.drivers.errors import NotOff
    from benchwarden.drivers.role import Driving

    right_on, right_off = Driving.on, Driving.off
    drawing = False

    async def on(self: Driving) -> None:
        nonlocal drawing
        await right_on(self)
        drawing = drawing or self.who.endswith("load")

    async def off(self: Driving) -> None:
        if not drawing or not self.who.endswith("load"):
            await right_off(self)
            return
        [reply] = await self.instrument.order(["INPut ON"], ["INPut?"], urgent=True, check=False)
        raise NotOff(self.who, self.address, "INPut ON; INPut?", reply, "is not off")

    async def no_pulse(*_: object) -> None:
        return None

    checks.pulse = no_pulse  # type: ignore[assignment]  # it switches off before the step begins
    Driving.on, Driving.off = on, off  # type: ignore[method-assign]
    return main(arguments)


def guardian(orders: str) -> int:
    """Be the guardian, and assert off for a second only."""
    command = [sys.executable, "-m", "tests.wrong_off", "worker", orders]
    return Guardian(command, assert_off_s=ASSERT_OFF_S).run()


if __name__ == "__main__":
    sys.exit(worker(sys.argv[2:]) if sys.argv[1] == "worker" else guardian(sys.argv[1]))
