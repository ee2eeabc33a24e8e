"""`benchwarden run` with shorter times, for tests that end hundreds of workers; prints the guardian's timeline.

`python -m tests.quick_run SILENCE_S ASSERT_OFF_S ORDERS`; the same program, but for two times: after how much silence
the guardian acts, and for how long it asserts off.
"""

import json
import sys

from benchwarden.daemon.guardian import Guardian, worker_command


def guardian(silence_s: str, assert_off_s: str, orders: str) -> int:
    """Be the guardian, and print when it did what, on the system's monotonic clock."""
    one = Guardian(worker_command(orders), silence_s=float(silence_s), assert_off_s=float(assert_off_s))
    code = one.run()
    print(json.dumps({"timeline": one.timeline}), flush=True)
    return code


if __name__ == "__main__":
    sys.exit(guardian(*sys.argv[1:]))
