"""A web server on this machine only, which keeps what is sent to it: for tests of what goes to the outside."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Listener:
    """Keeps paths fetched and JSON posted; `refuse` answers 503, `hang` not at all, until told otherwise."""

    def __init__(self) -> None:
        self.fetched: list[str] = []
        self.posted: list[dict[str, Any]] = []
        self.refuse = False
        self.hang = threading.Event()
        self.hang.set()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.fetched.append(self.path)
                self.answer()

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.hang.wait(60)
                if not outer.refuse:
                    outer.posted.append(json.loads(body))
                self.answer()

            def answer(self) -> None:
                self.send_response(503 if outer.refuse else 200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def address(self) -> str:
        """The same as an alarm address."""
        return f"json://127.0.0.1:{self.port}/"

    def texts(self) -> list[str]:
        return [f"{one['title']}\n{one['message']}" for one in self.posted]


@contextmanager
def listening() -> Iterator[Listener]:
    found = Listener()
    thread = threading.Thread(target=found.server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield found
    finally:
        found.hang.set()
        found.server.shutdown()
        found.server.server_close()
        thread.join(60.0)
