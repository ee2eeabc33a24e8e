"""Stands before every request to the page: by which name it asks, from which site, in which role; and what every answer
says about itself.
"""

from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchwarden.daemon.front.page_access import COOKIE, Access, Rate, foreign_origin

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# A report's own: it holds its style and its charts, fetches nothing and runs nothing.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
SAID = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with "no-referrer" a browser hides a form's origin from us as well
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
WRONG_TOKENS = 5  # in a minute from one address; then it waits
DATA = "/api/"
STOP = "/api/stop"
LOOKING = ("GET", "HEAD")


class Guard:
    """Lets a request through with `scope["state"]["role"]` set, None for a stranger, who gets no data.

    `refused` is told address, path and why of whatever wanted to do something and was not let through.
    """

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        wrong: Rate,
        now_s: Callable[[], float],
        refused: Callable[[str, str, str], None],
    ) -> None:
        self._app, self._access, self._wrong, self._now_s, self._refused = app, access, wrong, now_s, refused

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def said(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                report = headers.get("content-security-policy") == REPORT_POLICY
                for name, value in SAID.items():
                    if not (report and name == "content-security-policy"):
                        headers[name] = value
            await send(message)

        refusal = self._refusal(scope)
        if refusal:
            status, why = refusal
            if scope["method"] not in LOOKING:
                self._refused(client_of(scope), scope["path"], why)
            await JSONResponse({"error": why}, status)(scope, receive, said)
        else:
            await self._app(scope, receive, said)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return the status and the words of a refusal, None for what is let through."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._access.host_fits(hosts[0]):
            return (403, f"this page is not known as {hosts[:1]}; [page] hosts in the bench file names more")
        bearer = _bearer(headers.get("authorization"))
        address, now_s = client_of(scope), self._now_s()
        cookie = cookie_parser(headers.get("cookie", "")).get(COOKIE)
        role = self._access.role_of(bearer, cookie, now_s)
        # A right token stops whatever somebody else at this address has guessed; what it may else do can wait.
        stops = role is not None and scope["path"] == STOP and scope["method"] == "POST"
        if bearer is not None and not stops and self._wrong.full(address, now_s):
            return (429, "too many wrong tokens; wait a minute")
        if bearer is not None and self._access.tokens and role is None:
            self._wrong.count(address, now_s)
        scope.setdefault("state", {})["role"] = role
        if scope["method"] not in LOOKING:
            foreign = foreign_origin(headers, by_cookie=bearer is None and cookie is not None)
            if foreign:
                return (403, f"this does not come from the page: {foreign}")
        if role is None and scope["path"].startswith(DATA):
            return (401, "a token is needed: log in on the page, or send Authorization: Bearer …")
        return None


def client_of(scope: Scope) -> str:
    """Return the address that a request came from."""
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def _bearer(header: str | None) -> str | None:
    if header is None:
        return None
    kind, _, token = header.partition(" ")
    return token.strip() if kind.lower() == "bearer" else ""
