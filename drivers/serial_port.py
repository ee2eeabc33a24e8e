"""A line over a serial port, read in blocks by the running loop."""

import contextlib
import fcntl
import termios

import serial

from benchwarden.drivers.descriptor import DescriptorLine

WRITE_TIMEOUT_S = 1.0


class SerialLine(DescriptorLine):
    """A serial port: `path` (such as /dev/serial/by-id/…), `baud` in bit/s, 8N1, no flow control.

    The port is exclusive twice over: an advisory lock, and the kernel's own refusal of a second open. DTR and
    RTS are set before the port opens, because an edge on them resets some instruments.
    """

    def __init__(self, path: str, *, baud: int = 9600, terminator: str = "\n") -> None:
        super().__init__(f"ASRL{path}::INSTR", terminator)
        self._path = path
        self._baud = baud
        self._port: serial.Serial | None = None

    async def _connect(self) -> int:
        port = serial.Serial(exclusive=True, timeout=0, write_timeout=WRITE_TIMEOUT_S)
        port.port = self._path
        port.baudrate = self._baud
        port.dtr = True
        port.rts = True
        try:
            port.open()
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
            _wait_for_a_byte(port.fileno())
            termios.tcflush(port.fileno(), termios.TCIOFLUSH)
        except (termios.error, ValueError) as error:
            with contextlib.suppress(OSError, termios.error):
                port.close()
            raise OSError(str(error)) from error
        self._port = port
        return int(port.fileno())

    async def tell(self, text: str, timeout_s: float) -> None:
        """Send one line that is not answered; a port that takes no bytes for 1 s is dead.

        Raises LineError.
        """
        await super().tell(text, min(timeout_s, WRITE_TIMEOUT_S))

    def _disconnect(self, *, abandon: bool) -> None:
        port, self._port = self._port, None
        if port is None:
            return
        with contextlib.suppress(OSError, termios.error):
            if abandon:
                termios.tcflush(port.fileno(), termios.TCOFLUSH)
            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        with contextlib.suppress(OSError, termios.error):
            port.close()


def _wait_for_a_byte(fd: int) -> None:
    """Let an empty read mean "try again", so that zero bytes mean the end (termios(3), VMIN = 1, VTIME = 0)."""
    settings = termios.tcgetattr(fd)
    settings[6][termios.VMIN] = 1
    settings[6][termios.VTIME] = 0
    termios.tcsetattr(fd, termios.TCSANOW, settings)
