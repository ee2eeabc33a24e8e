"""The page's routes: what is asked for, and who answers it."""

import asyncio
import json
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from benchwarden.daemon import clock
from benchwarden.daemon.front.page_access import COOKIE, LOOKS_FOR_S, Access, Rate, may_operate
from benchwarden.daemon.front.page_compare import REPORT, Comparisons, NotCompared
from benchwarden.daemon.front.page_control import Controls, Refused
from benchwarden.daemon.front.page_guard import REPORT_POLICY, STOP, WRONG_TOKENS, Guard, client_of
from benchwarden.daemon.front.page_journal import Journal
from benchwarden.daemon.front.page_morning import Morning
from benchwarden.daemon.front.page_notes import Notes, NotesRefused
from benchwarden.daemon.front.page_runs import NoSuchRun, Record
from benchwarden.daemon.front.page_stream import CLIENTS, Hub
from benchwarden.daemon.serving.messages import utc_ms
from benchwarden.results.folder import FolderError

REPORT_FILE = "report.html"

STATIC = {
    "page.html": "text/html",
    "page.css": "text/css",
    "page.js": "text/javascript",
    "dom.js": "text/javascript",
    "chart.js": "text/javascript",
    "overview.js": "text/javascript",
    "bay.js": "text/javascript",
    "runs.js": "text/javascript",
    "card.js": "text/javascript",
    "record.js": "text/javascript",
    "live.js": "text/javascript",
    "stop.js": "text/javascript",
    "control.js": "text/javascript",
}
LONGEST_BODY = 65536
CONTROLS = 30  # in a minute from one address; STOP is never counted
RUNS_AT_ONCE = 50
BLOCK = 1 << 16
SHOWN = 200  # characters of a text in the journal

Handler = Callable[[Request], Awaitable[Response]]


class TooLong(Exception):
    """A request's body is longer than any that the page sends."""


class Server:
    """Everything that the page answers; `app` is what a server of ASGI runs."""

    def __init__(
        self,
        access: Access,
        bays: list[str],
        hub: Hub,
        record: Record,
        controls: Controls,
        notes: Notes,
        morning: Morning,
        journal: Journal,
        comparisons: Comparisons,
        now_s: Callable[[], float] = clock.unix_s,
    ) -> None:
        self._access, self._bays, self._hub, self._record = access, bays, hub, record
        self._controls, self._notes, self._morning, self._journal = controls, notes, morning, journal
        self._comparisons, self._now_s = comparisons, now_s
        self._wrong, self._control_rate = Rate(WRONG_TOKENS), Rate(CONTROLS)
        self._compare_rate, self._refusals = Rate(CONTROLS), Rate(CONTROLS)
        self._static = {name: (files("benchwarden.daemon.front") / name).read_bytes() for name in STATIC}
        looks = {
            "/api/now": self._now,
            "/api/status": self._now,
            "/api/stream": self._stream,
            "/api/morning": self._morning_report,
            "/api/runs": self._runs,
            "/api/runs/{pack}/{run}": self._run,
            "/api/runs/{pack}/{run}/curves": self._curves,
            "/api/runs/{pack}/{run}/report": self._report,
            "/api/runs/{pack}/{run}/files/{name}": self._file,
            "/api/comparisons/{name}": self._comparison,
            "/api/comparisons/{name}/files/{file}": self._comparison_file,
        }
        does = {
            "/api/bays/{bay}/start": self._start,
            "/api/bays/{bay}/acknowledge": self._acknowledge,
            "/api/bays/{bay}/answer": self._answer,
            "/api/runs/{pack}/{run}/note": self._note,
        }
        self.app = Starlette(
            routes=[
                Route("/", self._file_of_page),
                *(Route(f"/{name}", self._file_of_page) for name in STATIC if name != "page.html"),
                Route("/login", self._login, methods=["POST"]),
                Route("/logout", self._logout, methods=["POST"]),
                Route(STOP, self._answered(self._stop), methods=["POST"]),
                Route("/api/comparisons", self._answered(self._compare), methods=["POST"]),
                Route("/api/bays/{bay}/start", self._answered(self._before_start), methods=["GET"]),
                *(Route(path, self._answered(handler), methods=["POST"]) for path, handler in does.items()),
                *(Route(path, self._answered(handler), methods=["GET"]) for path, handler in looks.items()),
            ],
            middleware=[
                Middleware(Guard, access=access, wrong=self._wrong, now_s=now_s, refused=self._refused),
                # Level 9, which is usual, holds the loop for half a second where this takes some milliseconds.
                Middleware(GZipMiddleware, minimum_size=1000, compresslevel=1),
            ],
        )

    def _answered(self, handler: Handler) -> Handler:
        async def answer(request: Request) -> Response:
            try:
                return await handler(request)
            except NoSuchRun as error:
                return _error(404, str(error))
            except (Refused, NotesRefused, NotCompared, FolderError) as error:
                return _error(409, str(error))
            except TooLong as error:
                return _error(413, str(error))
            except OSError as error:
                return _error(404, f"cannot be read: {error.strerror}")

        return answer

    async def _file_of_page(self, request: Request) -> Response:
        name = request.url.path.lstrip("/") or "page.html"
        return Response(self._static[name], media_type=STATIC[name])

    # who is asking

    def _role(self, request: Request) -> str | None:
        role = request.scope["state"]["role"]
        return str(role) if role is not None else None

    def _you(self, request: Request) -> dict[str, Any]:
        role = self._role(request)
        return {"role": role, "operates": may_operate(role), "tokens": bool(self._access.tokens)}

    async def _login(self, request: Request) -> Response:
        address, now_s = client_of(request.scope), self._now_s()
        try:
            text = (await _body(request)).decode("utf-8", "replace")
        except TooLong as error:
            self._journal.note(None, address, {"do": "log in"}, f"refused: {error}")
            return _error(413, str(error))
        if self._wrong.full(address, now_s):
            self._journal.note(None, address, {"do": "log in"}, "too many wrong tokens")
            return _error(429, "too many wrong tokens; wait a minute")
        token = parse_qs(text).get("token", [""])[0]
        role = self._access.role_of_token(token) if self._access.tokens else None
        if role is None:
            self._wrong.count(address, now_s)
            self._journal.note(None, address, {"do": "log in"}, "wrong token")
            return RedirectResponse("/?login=wrong", 303)
        self._journal.note(role, address, {"do": "log in"}, "ok")
        response = RedirectResponse("/", 303)
        response.set_cookie(
            COOKIE,
            self._access.cookie_for(role, now_s),
            max_age=int(LOOKS_FOR_S),
            path="/",
            secure=request.url.scheme == "https",
            httponly=True,
            samesite="strict",
        )
        return response

    async def _logout(self, request: Request) -> Response:
        response = RedirectResponse("/", 303)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return response

    # what is shown

    async def _now(self, request: Request) -> Response:
        return JSONResponse({**self._hub.now(), "you": self._you(request)})

    async def _stream(self, request: Request) -> Response:
        if self._hub.clients >= CLIENTS:
            return _error(503, f"{CLIENTS} pages are open; close one")
        return _Stream(self._hub, {"you": self._you(request)})

    async def _morning_report(self, request: Request) -> Response:
        return _json(await self._morning.report(self._hub.changed))

    async def _runs(self, request: Request) -> Response:
        first = max(int(_number(request, "first") or 0), 0)

        def found() -> bytes:
            data = self._record.listed(first, RUNS_AT_ONCE)
            notes = self._notes.all()
            return _text({**data, "runs": [one | {"note": notes.get(one["run"], "")} for one in data["runs"]]})

        return _json(await asyncio.to_thread(found))

    async def _run(self, request: Request) -> Response:
        run = _run_of(request)

        def found() -> bytes:
            return _text({**self._record.detail(run), "note": self._notes.all().get(run, "")})

        return _json(await asyncio.to_thread(found))

    async def _curves(self, request: Request) -> Response:
        run, from_s, to_s = _run_of(request), _number(request, "from"), _number(request, "to")
        slices = int(min(max(_number(request, "slices") or 600, 10), 2000))
        return _json(await asyncio.to_thread(lambda: _text(self._record.drawn(run, from_s, to_s, slices))))

    async def _file(self, request: Request) -> Response:
        run, name = _run_of(request), request.path_params["name"]
        return _sent(await asyncio.to_thread(self._record.file, run, name), f"{run.replace('/', '_')}_{name}")

    async def _report(self, request: Request) -> Response:
        run = _run_of(request)
        return _shown(await asyncio.to_thread(self._record.file, run, REPORT_FILE))

    async def _comparison(self, request: Request) -> Response:
        return _shown(await asyncio.to_thread(self._comparisons.file, request.path_params["name"], REPORT))

    async def _comparison_file(self, request: Request) -> Response:
        name, file = request.path_params["name"], request.path_params["file"]
        return _sent(await asyncio.to_thread(self._comparisons.file, name, file), file)

    async def _compare(self, request: Request) -> Response:
        """Compare runs; whoever may look may ask, at most so often: nothing but the state folder changes."""
        address, now_s = client_of(request.scope), self._now_s()
        if self._role(request) is None:
            return _error(401, "a token is needed: log in on the page, or send Authorization: Bearer …")
        if self._compare_rate.full(address, now_s):
            return _error(429, f"more than {CONTROLS} comparisons in a minute; wait")
        self._compare_rate.count(address, now_s)
        name = await self._comparisons.compare((await _data(request)).get("runs"))
        return JSONResponse({"comparison": name, "at": f"/api/comparisons/{name}"})

    # what is done

    async def _stop(self, request: Request) -> Response:
        """Stop one bay or all; whatever else is wrong with the request is taken down with why it was refused."""
        what: dict[str, Any] = {"do": "stop"}
        try:
            bay = (await _data(request)).get("bay")
        except Exception as error:
            self._noted(request, what, f"refused: {error}")
            raise
        what["bay"] = str(bay or "all")[:SHOWN]
        if bay is not None and bay not in self._bays:
            self._noted(request, what, "refused: there is no such bay")
            return _error(404, f"there is no bay {bay!r}; known: {', '.join(self._bays)}")
        done = await self._controls.stop(bay)
        # A page takes an "off" for over once a bay has another run than this.
        done |= {"utc": utc_ms(self._now_s()), "runs": self._hub.runs()}
        self._noted(request, what, "; ".join([done["words"], *done["lines"]]))
        return JSONResponse(done)

    async def _before_start(self, request: Request) -> Response:
        if not may_operate(self._role(request)):
            return _error(403, _OPERATORS)
        return JSONResponse(await self._controls.before_start(self._bay(request)))

    async def _start(self, request: Request) -> Response:
        return await self._operated(
            request,
            {"do": "start", "bay": request.path_params["bay"]},
            ("numbers",),
            lambda data: self._controls.start(self._bay(request), data.get("numbers"), data.get("checked")),
        )

    async def _acknowledge(self, request: Request) -> Response:
        return await self._operated(
            request,
            {"do": "acknowledge", "bay": request.path_params["bay"]},
            (),
            lambda data: self._controls.acknowledge(self._bay(request)),
        )

    async def _answer(self, request: Request) -> Response:
        return await self._operated(
            request,
            {"do": "answer", "bay": request.path_params["bay"]},
            ("text",),
            lambda data: self._controls.answer(self._bay(request), str(data.get("text") or "")[:SHOWN]),
        )

    async def _note(self, request: Request) -> Response:
        run = _run_of(request)

        def keep(text: str) -> dict[str, Any]:
            self._record.folder(run)
            self._notes.keep(run, text)
            return {"ok": True}

        return await self._operated(
            request,
            {"do": "note", "run": run},
            ("text",),
            lambda data: asyncio.to_thread(keep, str(data.get("text") or "")),
        )

    async def _operated(
        self,
        request: Request,
        what: Mapping[str, Any],
        told: tuple[str, ...],
        do: Callable[[Mapping[str, Any]], Awaitable[dict[str, Any]]],
    ) -> Response:
        """Do what only an operator may, at most so often, and take it down with its answer.

        `told`: keys of the body that are taken down as well.
        """
        address, now_s = client_of(request.scope), self._now_s()
        if not may_operate(self._role(request)):
            self._noted(request, what, "refused: not the operator")
            return _error(403, _OPERATORS)
        if self._control_rate.full(address, now_s):
            self._noted(request, what, "refused: too often")
            return _error(429, f"more than {CONTROLS} commands in a minute; wait")
        self._control_rate.count(address, now_s)
        try:
            data = await _data(request)
            what = {**what, **{key: _told(data.get(key)) for key in told}}
            answer = await do(data)
        except Exception as error:
            self._noted(request, what, f"refused: {error}")
            raise
        self._noted(request, what, "ok")
        return JSONResponse(answer)

    def _noted(self, request: Request, what: Mapping[str, Any], answer: str) -> None:
        self._journal.note(self._role(request), client_of(request.scope), what, answer)

    def _refused(self, address: str, path: str, why: str) -> None:
        """Take down what the guard let nobody do, at most so often: a stranger must not fill the journal."""
        now_s = self._now_s()
        if not self._refusals.full(address, now_s):
            self._refusals.count(address, now_s)
            self._journal.note(None, address, {"do": path[:SHOWN]}, f"refused: {why}")

    def _bay(self, request: Request) -> str:
        bay = str(request.path_params["bay"])
        if bay not in self._bays:
            raise Refused(f"there is no bay {bay!r}; known: {', '.join(self._bays)}")
        return bay


_OPERATORS = "only with the operator's token ([page] tokens_file in the bench file)"


class _Stream(Response):
    """Server-sent events until the page goes."""

    def __init__(self, hub: Hub, hello: Mapping[str, Any]) -> None:
        super().__init__()
        self._hub, self._hello = hub, hello

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve."""
        await self._hub.serve(receive, send, self._hello)


def _told(value: Any) -> Any:
    """Return what is taken down of a value that came from outside: numbers, and not too much text."""
    return value if value is None or isinstance(value, int | float) else str(value)[:SHOWN]


def _run_of(request: Request) -> str:
    return f"{request.path_params['pack']}/{request.path_params['run']}"


def _number(request: Request, key: str) -> float | None:
    try:
        value = float(request.query_params[key])
    except (KeyError, ValueError):
        return None
    return value if math.isfinite(value) else None


async def _body(request: Request) -> bytes:
    found = b""
    async for block in request.stream():
        found += block
        if len(found) > LONGEST_BODY:
            raise TooLong(f"longer than {LONGEST_BODY} bytes")
    return found


async def _data(request: Request) -> dict[str, Any]:
    """Return a request's JSON object, {} if it has no body; Refused for anything else."""
    body = await _body(request)
    if not body:
        return {}
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise Refused("Content-Type: application/json would be right")
    try:
        data = json.loads(body)
    except (ValueError, RecursionError) as error:  # text that is none, or nested without end
        raise Refused(f"no JSON: {error}") from error
    if not isinstance(data, dict):
        raise Refused("a JSON object would be right")
    return data


async def _blocks(path: Path, size: int) -> AsyncIterator[bytes]:
    """Yield the first `size` bytes of a file that may be growing."""
    with await asyncio.to_thread(path.open, "rb") as file:
        while size > 0:
            block = await asyncio.to_thread(file.read, min(BLOCK, size))
            if not block:
                return
            size -= len(block)
            yield block


def _sent(path: Path, name: str) -> Response:
    """Return a file to be kept under a name."""
    size = path.stat().st_size
    headers = {"content-disposition": f'attachment; filename="{name}"', "content-length": str(size)}
    return StreamingResponse(_blocks(path, size), headers=headers, media_type="application/octet-stream")


def _shown(path: Path) -> Response:
    """Return a report to be read in the browser, which may do nothing but show it."""
    headers = {"content-security-policy": REPORT_POLICY}
    return StreamingResponse(_blocks(path, path.stat().st_size), headers=headers, media_type="text/html; charset=utf-8")


def _text(data: Mapping[str, Any]) -> bytes:
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _json(text: bytes) -> Response:
    return Response(text, media_type="application/json")


def _error(status: int, why: str) -> Response:
    return JSONResponse({"error": why}, status)
