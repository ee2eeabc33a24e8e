"""`benchwarden drill`: freezes the worker while a small current flows, and times the guardian that must switch off.

This process is the guardian, exactly as in a run; the worker of the drill is daemon/serving/drill_worker.py.
"""

import json
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from benchwarden.daemon.guard import instrument_lock, raw_wire
from benchwarden.daemon.guardian import SILENCE_S, TOOK_OVER, Guardian, to_terminal
from benchwarden.daemon.running.drilled import FILE
from benchwarden.results.folder import FolderError, write_json

PASSED, FAILED, BAD_INPUT = 0, 1, 2
ASSERT_OFF_S = 3.0
# From the first missing sign of life to off read back and measured everywhere; the guardian's silence is part of it.
ALLOWED_S = SILENCE_S + 3.0

Timeline = Sequence[tuple[float, str, str]]


def drill(bench: Path, bay: str, pack: Path | None) -> int:
    """Hold a drill in one bay and print how long each layer took; returns 0 only if the guardian confirmed off.

    Raises InstrumentsTaken where another program has the bay.
    """
    with tempfile.TemporaryDirectory(prefix="benchwarden-drill-") as folder:
        marker = Path(folder) / "frozen.json"
        orders = {"bench": str(bench), "bay": bay, "pack": str(pack) if pack else None, "marker": str(marker)}
        command = [sys.executable, "-m", "benchwarden.daemon.serving.drill_worker", json.dumps(orders)]
        with instrument_lock.held(bench, [bay]) as hold:
            guardian = Guardian(command, assert_off_s=ASSERT_OFF_S, tell=to_terminal, hold=hold)
            code = guardian.run()
        frozen = json.loads(marker.read_text("utf-8")) if marker.exists() else None
    if code == BAD_INPUT:
        return BAD_INPUT
    lines, passed = report(bay, frozen, guardian.timeline, guardian.outcomes, took_over=code == TOOK_OVER)
    if frozen:
        kept = {"passed": passed, "bay": bay, **frozen, "timeline": guardian.timeline, "outcomes": guardian.outcomes}
        try:
            write_json(Path(frozen["run"]) / FILE, kept)
        except FolderError as error:
            lines.append(f"it could not be kept, so a run on this bench will ask for another drill: {error}")
    print(*lines, sep="\n", flush=True)
    return PASSED if passed else FAILED


def report(
    bay: str, frozen: Mapping[str, Any] | None, timeline: Timeline, outcomes: Mapping[str, str], *, took_over: bool
) -> tuple[list[str], bool]:
    """Return the drill's table as lines, and whether it was passed.

    `frozen`: when (`s`, the system's monotonic clock) the worker froze while drawing `drawn_a`, None if it never did.
    `timeline`, `outcomes`: the guardian's.
    """
    if frozen is None:
        return [f"DRILL FAILED in bay {bay}: it never came to a current that could be switched off; see above"], False
    rows = [(0.0, f"worker frozen, load drawing {frozen['drawn_a']:.2f} A")]
    seen: set[tuple[str, str]] = set()
    for at_s, what, who in sorted(timeline):
        if (what, who) in seen:
            continue  # off is asserted again and again; the first time counts
        seen.add((what, who))
        words = {
            "noticed": "guardian noticed the silence, killed the worker",
            "sent": f"{who}: off sent",
            "read back": f"{who}: state read back",
            "measured": f"{who}: current measured",
        }[what]
        rows.append((at_s - frozen["s"], words))
    confirmed = took_over and bool(outcomes) and all(map(raw_wire.is_confirmed, outcomes.values()))
    needed_s = max(after_s for after_s, _ in rows)
    passed = confirmed and needed_s <= ALLOWED_S
    lines = [f"Fire drill in bay {bay}", "  after (s)  what"]
    lines += [f"  {after_s:9.3f}  {words}" for after_s, words in rows]
    lines += [f"{name}: {outcome}" for name, outcome in sorted(outcomes.items())]
    if passed:
        lines.append(f"DRILL PASSED: off, read back and measured {needed_s:.1f} s after the freeze")
    elif confirmed:
        lines.append(f"DRILL FAILED: off was confirmed, but only after {needed_s:.1f} s; {ALLOWED_S:g} s are allowed")
    else:
        lines.append("DRILL FAILED: the guardian could not confirm off. Look at the bench now; unplug the pack")
    return lines, passed
