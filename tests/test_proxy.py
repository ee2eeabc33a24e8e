"""The proxy itself: each of its faults happens on real sockets, as seen by both ends of them."""

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from tests.proxy import Connection, Faults, Proxy, before
from tests.shed import wait_for

pytestmark = pytest.mark.realtime

QUIET_S = 0.1


class Echo:
    """Sends back each line; `heard` has all lines, `ends` how many connections have ended, `clients` how many came."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.clients = self.ends = 0
        self._wires: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                wire, _ = self._server.accept()
                self.clients += 1
                self._wires.append(wire)
                threading.Thread(target=self._serve, args=(wire,), daemon=True).start()

    def _serve(self, wire: socket.socket) -> None:
        with contextlib.suppress(OSError), wire, wire.makefile("rb") as lines:
            for line in lines:
                self.heard.append(line)
                wire.sendall(line)
        self.ends += 1

    def hang_up(self) -> None:
        for wire in self._wires:
            with contextlib.suppress(OSError):
                wire.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.hang_up()


@pytest.fixture
def echo() -> Iterator[Echo]:
    made = Echo()
    yield made
    made.close()


@pytest.fixture
def proxy(echo: Echo) -> Iterator[Proxy]:
    with before(echo.port) as made:
        yield made


@contextlib.contextmanager
def client(proxy: Proxy) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", proxy.port), 5.0) as wire:
        yield wire


def is_quiet(wire: socket.socket, seconds: float = QUIET_S) -> bool:
    """Nothing comes, neither a byte nor an end."""
    return not select.select([wire], [], [], seconds)[0]


def says(wire: socket.socket, text: bytes) -> bytes:
    wire.sendall(text)
    return wire.recv(100)


def test_without_faults_bytes_and_the_end_pass(proxy: Proxy, echo: Echo) -> None:
    with client(proxy) as wire:
        assert says(wire, b"A?\n") == b"A?\n"
        assert bytes(proxy.connections[0].orders) == b"A?\n"
    wait_for(lambda: echo.ends == 1, 60)
    wait_for(lambda: not proxy.open, 60)
    with client(proxy) as wire:
        assert says(wire, b"B?\n") == b"B?\n"
        echo.hang_up()
        assert wire.recv(100) == b""


def test_delay(proxy: Proxy, echo: Echo) -> None:
    proxy.faults.delay_s = 0.3
    with client(proxy) as wire:
        wire.sendall(b"A?\n")
        wait_for(lambda: echo.heard == [b"A?\n"], 5)  # the order is not delayed
        assert is_quiet(wire)
        assert wire.recv(100) == b"A?\n"
        proxy.faults.delay_s = 0.0  # also on the connection that there is
        assert says(wire, b"B?\n") == b"B?\n"


def test_slices(proxy: Proxy) -> None:
    proxy.faults.cut_at, proxy.faults.gap_s, proxy.faults.cuts = 3, 0.3, 1
    with client(proxy) as wire:
        assert says(wire, b"25.2004\n") == b"25."
        assert is_quiet(wire)
        assert wire.recv(100) == b"2004\n"
        assert says(wire, b"25.2004\n") == b"25.2004\n"  # one cut was ordered


@pytest.mark.parametrize("which", ["swallow_orders", "swallow_replies"])
def test_bytes_are_swallowed_in_one_direction(proxy: Proxy, echo: Echo, which: str) -> None:
    with client(proxy) as wire:
        assert says(wire, b"A?\n") == b"A?\n"
        setattr(proxy.faults, which, True)
        wire.sendall(b"B?\n")
        assert is_quiet(wire)
        assert (b"B?\n" in echo.heard) is (which == "swallow_replies")
        setattr(proxy.faults, which, False)
        assert says(wire, b"C?\n") == b"C?\n"  # nothing of B? comes later


def test_a_held_wire_loses_nothing_and_delivers_all_at_once(proxy: Proxy, echo: Echo) -> None:
    with client(proxy) as wire:
        assert says(wire, b"A?\n") == b"A?\n"
        proxy.faults.hold = True
        time.sleep(0.02)
        for text in (b"B?\n", b"C?\n", b"D?\n"):
            wire.sendall(text)
        assert is_quiet(wire)
        assert echo.heard == [b"A?\n"]
        proxy.faults.hold = False
        with wire.makefile("rb") as lines:
            assert [lines.readline() for _ in range(3)] == [b"B?\n", b"C?\n", b"D?\n"]


def test_half_open_is_accepted_and_never_answered(proxy: Proxy, echo: Echo) -> None:
    proxy.faults.answerless = True
    with client(proxy) as wire:
        wire.sendall(b"A?\n")
        assert is_quiet(wire)
        assert echo.clients == 0


@pytest.mark.parametrize("how", [Proxy.reset, Proxy.finish])
def test_the_end_by_rst_and_by_fin(proxy: Proxy, echo: Echo, how: Callable[[Proxy], None]) -> None:
    with client(proxy) as wire:
        assert says(wire, b"A?\n") == b"A?\n"
        how(proxy)
        if how is Proxy.reset:
            with pytest.raises(ConnectionResetError):
                wire.recv(100)
        else:
            assert wire.recv(100) == b""
    wait_for(lambda: echo.ends == 1, 60)
    with client(proxy) as wire:
        assert says(wire, b"B?\n") == b"B?\n"


def test_refused_and_accepted_again_at_the_same_port(proxy: Proxy) -> None:
    with client(proxy) as wire:
        assert says(wire, b"A?\n") == b"A?\n"
        proxy.refuse()
        with pytest.raises(ConnectionRefusedError), client(proxy):
            pass
        assert says(wire, b"B?\n") == b"B?\n"
        proxy.listen()
        with client(proxy) as other:
            assert says(other, b"C?\n") == b"C?\n"


def test_a_single_session_is_served_and_the_next_waits(echo: Echo) -> None:
    with before(echo.port, single=True) as proxy:
        with client(proxy) as first, client(proxy) as second:
            assert says(first, b"A?\n") == b"A?\n"
            second.sendall(b"B?\n")
            assert is_quiet(second)
            assert echo.clients == 1
            first.close()
            assert second.recv(100) == b"B?\n"


def test_faults_of_one_connection_only(proxy: Proxy) -> None:
    with client(proxy) as one, client(proxy) as two:
        assert says(one, b"A?\n") == b"A?\n"
        assert says(two, b"A?\n") == b"A?\n"
        first: Connection = next(each for each in proxy.open if each.orders == b"A?\n")
        first.faults = Faults(swallow_replies=True)
        one.sendall(b"B?\n")
        two.sendall(b"B?\n")
        heard, _, _ = select.select([one, two], [], [], 5.0)
        assert len(heard) == 1
        proxy.reset(first)
        deaf = two if heard == [one] else one
        with pytest.raises(ConnectionResetError):
            deaf.recv(100)
        assert heard[0].recv(100) == b"B?\n"
        assert says(heard[0], b"C?\n") == b"C?\n"


def test_another_target_for_new_connections(proxy: Proxy, echo: Echo) -> None:
    other = Echo()
    try:
        with client(proxy) as wire:
            assert says(wire, b"A?\n") == b"A?\n"
            proxy.target = ("127.0.0.1", other.port)
            assert says(wire, b"B?\n") == b"B?\n"
            with client(proxy) as again:
                assert says(again, b"C?\n") == b"C?\n"
        assert (echo.heard, other.heard) == ([b"A?\n", b"B?\n"], [b"C?\n"])
    finally:
        other.close()
