"""`benchwarden run` with shorter times, for tests that end hundreds of workers; prints the guardian's timeline.

`python -m tests.quick_run SILENCE_S ASSERT_OFF_S ORDERS`; the same program, but for three times: after how much silence
the guardian acts, for how long it asserts off, and how long a pack recovers from the test pulse.
"""

import json
import sys
from collections.abc import Sequence

from benchwarden.daemon.guardian import Guardian

RECOVER_S = 1.0


def worker(arguments: Sequence[str]) -> int:
    """Be the worker, with a short recovery."""
    from benchwarden.daemon import checks
    from benchwarden.daemon.worker import main

    checks.RECOVER_S = RECOVER_S
    return main(arguments)


def guardian(silence_s: str, assert_off_s: str, orders: str) -> int:
    """Be the guardian, and print when it did what, on the system's monotonic clock."""
    command = [sys.executable, "-m", "tests.quick_run", "worker", orders]
    one = Guardian(command, silence_s=float(silence_s), assert_off_s=float(assert_off_s))
    code = one.run()
    print(json.dumps({"timeline": one.timeline}), flush=True)
    return code


if __name__ == "__main__":
    sys.exit(worker(sys.argv[2:]) if sys.argv[1] == "worker" else guardian(*sys.argv[1:]))
