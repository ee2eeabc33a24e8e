"""A Unix socket for control, made in one way for guardian and worker. Nothing but the standard library."""

import os
import socket
from pathlib import Path


def private_socket(path: Path) -> socket.socket:
    """Return a Unix stream socket bound at `path`, in place of what was left there; only its owner may use it.

    Raises OSError. Whoever takes it sets it to listen.
    """
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o177)  # not chmod afterwards: nobody may come in between
    try:
        path.unlink(missing_ok=True)
        made.bind(str(path))
    except OSError:
        made.close()
        raise
    finally:
        os.umask(before)
    return made
