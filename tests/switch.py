"""A load on a socket that knows on and off: for tests of what arrives, and in which order."""

import socket
import threading
from collections.abc import Callable


class Switch:
    """A load on a socket that many may speak to: keeps its state and every order, in the order of arrival."""

    def __init__(self, host: str = "127.0.0.1", port: int = 0, tell: Callable[[str], None] = lambda line: None) -> None:
        """`tell` gets each line as it comes."""
        self.on = False
        self.lines: list[str] = []
        self._tell = tell
        self._server = socket.create_server((host, port))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                wire, _ = self._server.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(wire,), daemon=True).start()

    def _serve(self, wire: socket.socket) -> None:
        with wire, wire.makefile("rb") as lines:
            try:
                for line in lines:
                    text = line.decode().strip()
                    self.lines.append(text)
                    self._tell(text)
                    if text in ("INP ON", "INP OFF"):
                        self.on = text == "INP ON"
                    elif text == "INP?":
                        wire.sendall(b"1\n" if self.on else b"0\n")
                    elif text == "MEAS:VOLT?;:MEAS:CURR?":
                        wire.sendall(b"21.6;9.500\n" if self.on else b"21.6;0.004\n")
            except OSError:
                return

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
