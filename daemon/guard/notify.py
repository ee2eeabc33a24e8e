"""Tells the service manager that started this process how it is: one datagram to the socket in NOTIFY_SOCKET.

Protocol: sd_notify(3). Without that variable nothing is sent. Standard library only, since the guardian calls it.
"""

import os
import socket
from contextlib import suppress

READY, ALIVE, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"


def notify(state: str) -> None:
    """Send one state; never waits and never raises for what the other end does."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    if address:
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as line:
            line.connect(address)
            line.send(state.encode())
