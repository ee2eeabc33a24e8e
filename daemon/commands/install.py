"""`benchwarden install`: the systemd unit of the service, shown, and written only when asked.

Directives and their escapes: systemd.service(5), systemd.exec(5), systemd.unit(5), systemd.syntax(7).
"""

import getpass
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from benchwarden.daemon.guardian import ASSERT_OFF_S

WRITTEN, BAD_INPUT = 0, 2
NAME = "benchwarden.service"
MARK = "# Written by `benchwarden install`; changes are lost when it is written again."
WATCHDOG_S = 10
# Longer than the guardian asserts off, so that it is never killed while it does.
STOP_S = 150
assert STOP_S > ASSERT_OFF_S


@dataclass(frozen=True, slots=True)
class Unit:
    """What a unit is made of: the program's interpreter, the bench file (both absolute), and who runs it.

    `state` is the service's folder (absolute), None for the one beside the bench file. `user` is the account of a unit
    of the system, None for a unit of the user who installs it; `groups` are further groups, such as that of the serial
    ports.
    """

    python: Path
    bench: Path
    user: str | None
    groups: tuple[str, ...] = ()
    state: Path | None = None

    def text(self) -> str:
        """Return the unit file."""
        program = f"{_word(self.python)} -m benchwarden.daemon.main"
        bench = _word(self.bench)
        state = f" --state {_word(self.state)}" if self.state else ""
        own = [f"User={self.user}"] if self.user else []
        own += [f"SupplementaryGroups={' '.join(self.groups)}"] if self.user and self.groups else []
        # A user's own manager may not make its children less likely to be killed when memory runs out.
        own += ["OOMScoreAdjust=-900"] if self.user else []
        network = ["Wants=network-online.target", "After=network-online.target"] if self.user else []
        lines = [
            MARK,
            "[Unit]",
            "Description=benchwarden, watches over the bench where packs are tested",
            *network,
            "# Five starts in ten minutes: what fails again and again is for a person.",
            "StartLimitIntervalSec=600",
            "StartLimitBurst=5",
            "",
            "[Service]",
            "# The guardian is the main process; it says that it is ready, and that it lives.",
            "Type=notify",
            f"WatchdogSec={WATCHDOG_S}",
            f"ExecStart={program} serve --bench {bench}{state}",
            "# However it ended: once more, by a process that has nothing to do with it.",
            f"ExecStopPost={program} off --all --bench {bench}",
            f"WorkingDirectory={_escaped(str(self.bench.parent))}",
            *own,
            "# It comes back idle; nothing goes on by itself. 2: what it was given is wrong.",
            "Restart=on-failure",
            "RestartSec=5",
            "RestartPreventExitStatus=2",
            "# The guardian alone is asked to stop; it switches off, confirms, and ends the rest.",
            "KillMode=mixed",
            f"TimeoutStopSec={STOP_S}",
            "NoNewPrivileges=yes",
            "",
            "[Install]",
            f"WantedBy={'multi-user.target' if self.user else 'default.target'}",
        ]
        return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("%", "%%")


def _word(path: Path) -> str:
    """Return a path as one word of a command line: specifiers, variables, quotes and backslashes escaped."""
    text = _escaped(str(path)).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return f'"{text}"' if any(not (sign.isalnum() or sign in "/._-+:@%") for sign in text) else text


def unit_path(environment: Mapping[str, str], *, for_user: bool) -> Path:
    """Return where the unit file goes."""
    if not for_user:
        return Path("/etc/systemd/system") / NAME
    home = environment.get("XDG_CONFIG_HOME") or str(Path(environment.get("HOME", "~")).expanduser() / ".config")
    return Path(home) / "systemd" / "user" / NAME


def install(bench: Path, state: Path | None = None, *, for_user: bool, account: str | None, write: bool) -> int:
    """Print the unit and where it goes; with `write`, write it. Starts nothing and enables nothing."""
    if not bench.is_file():
        print(f"{bench}: there is no such bench file", file=sys.stderr)
        return BAD_INPUT
    user = None if for_user else account or os.environ.get("SUDO_USER") or getpass.getuser()
    if user == "root":
        print("the service needs no rights of root: right would be --as ACCOUNT, or --user", file=sys.stderr)
        return BAD_INPUT
    if state and state.exists() and not state.is_dir():
        print(f"{state}: is no folder; one of the service's own would be right", file=sys.stderr)
        return BAD_INPUT
    # The interpreter by the name it was started by: resolved, it would forget its virtual environment.
    whole_state = state.absolute() if state else None
    unit = Unit(Path(sys.executable).absolute(), bench.resolve(), user, _groups(), whole_state).text()
    path = unit_path(os.environ, for_user=for_user)
    print(unit, end="")
    if not write:
        print(f"\nThis would go to {path}; nothing was written. Add --write to write it.")
        return WRITTEN
    try:
        if path.exists() and not path.read_text("utf-8").startswith(MARK):
            print(f"{path}: is there already, and not by this program; move it away first", file=sys.stderr)
            return BAD_INPUT
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_name(path.name + ".new")
        beside.write_text(unit, "utf-8")
        beside.replace(path)
    except OSError as error:
        print(f"{path}: cannot be written: {error.strerror}", file=sys.stderr)
        return BAD_INPUT
    manager = "systemctl --user" if for_user else "sudo systemctl"
    print(f"\nWritten to {path}. Nothing was started. Now:")
    print(f"  {manager} daemon-reload\n  {manager} enable --now {NAME}")
    if for_user:
        print(f"  loginctl enable-linger {getpass.getuser()}    # or it ends when you log out")
    return WRITTEN


def _groups() -> tuple[str, ...]:
    """Return the group that owns serial ports on this machine, if there is one by its usual name."""
    import grp

    return tuple(name for name in ("dialout",) if any(group.gr_name == name for group in grp.getgrall()))
