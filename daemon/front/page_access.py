"""Who may see the page and who may operate through it; decides, and asks nobody.

Two roles, each with a token: "view" looks and may press STOP, "operate" may do the rest as well. Where no token is set
the page listens on this machine only, and whoever is on it is "local": the same as "view".
"""

import hashlib
import hmac
import ipaddress
import stat
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from benchwarden.daemon.bench import Page
from benchwarden.profiles.mistakes import FileMistakes

VIEW, OPERATE, LOCAL = "view", "operate", "local"
COOKIE = "benchwarden"
# A page that is left open goes on showing, and stopping, for a month; operating takes a login each day.
LOOKS_FOR_S, OPERATES_FOR_S = 30 * 86400.0, 12 * 3600.0
SHORTEST_TOKEN = 16
HERE = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True, slots=True)
class Access:
    """By which names a browser may ask, and which token stands for which role (none: see above)."""

    hosts: frozenset[str]
    tokens: Mapping[str, str]

    def host_fits(self, header: str | None) -> bool:
        """Tell whether a Host header names this page: a foreign name that points here is somebody's trick."""
        name, port = split_host(header or "")
        return bool(name) and (name in self.hosts or f"{name}:{port}" in self.hosts)

    def role_of(self, bearer: str | None, cookie: str | None, now_s: float) -> str | None:
        """Return the role that a request has, None for a stranger; `now_s`: seconds since 1970."""
        if not self.tokens:
            return LOCAL
        if bearer is not None:
            return self.role_of_token(bearer)
        return self._role_of_cookie(cookie, now_s) if cookie else None

    def role_of_token(self, token: str) -> str | None:
        """Return the role that a token stands for; takes the same time for every wrong one."""
        found = None
        for role, right in self.tokens.items():
            if hmac.compare_digest(_digest(token), _digest(right)):
                found = role
        return found

    def cookie_for(self, role: str, now_s: float) -> str:
        """Return what a browser keeps after a login: role and time, signed by the token, which it does not hold."""
        said = f"{role}.{int(now_s)}"
        return f"{said}.{_signed(said, self.tokens[role])}"

    def _role_of_cookie(self, cookie: str, now_s: float) -> str | None:
        role, _, rest = cookie.partition(".")
        since, _, signature = rest.partition(".")
        right = self.tokens.get(role)
        if right is None or not since.isascii() or not since.isdigit() or len(since) > 12:
            return None
        if not hmac.compare_digest(_signed(f"{role}.{since}", right).encode(), signature.encode()):
            return None
        age_s = now_s - int(since)
        if age_s < OPERATES_FOR_S:
            return role
        return VIEW if age_s < LOOKS_FOR_S else None


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def _signed(said: str, token: str) -> str:
    return hmac.new(token.encode(), said.encode(), hashlib.sha256).hexdigest()


def may_operate(role: str | None) -> bool:
    """Tell whether a role may start, acknowledge, answer and write notes."""
    return role == OPERATE


def split_host(text: str) -> tuple[str, str]:
    """Return name and port ("" if none) of "name:port" or "[::1]:port", in lower case; ("", "") for nonsense."""
    try:
        found = urlsplit(f"//{text}")
        port = found.port
    except ValueError:
        return "", ""
    if found.path or found.query or found.fragment or "@" in found.netloc or not found.hostname:
        return "", ""
    return found.hostname, "" if port is None else str(port)


def is_here(host: str) -> bool:
    """Tell whether a name or an address is this machine's own and nobody else's."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def foreign_origin(headers: Mapping[str, str], *, by_cookie: bool) -> str | None:
    """Return why a request that changes something comes from another site, or None if it does not.

    `by_cookie`: a browser sent the role by itself, so it must also say where the request was made.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site != "same-origin":
        return f"Sec-Fetch-Site is {site!r}; same-origin would be right"
    if origin is not None and _place_of(origin) != headers.get("host", "").lower():
        return f"Origin is {origin!r}; the page's own would be right"
    if by_cookie and site is None and origin is None:
        return "neither Origin nor Sec-Fetch-Site is there; a program sends its token as Authorization: Bearer"
    return None


def _place_of(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:  # a bracket that is not closed
        return None


@dataclass(slots=True)
class Rate:
    """At most `most` in `within_s` seconds from one address; addresses that have been quiet are forgotten."""

    most: int
    within_s: float = 60.0
    _seen: dict[str, deque[float]] = field(default_factory=dict)

    def full(self, address: str, now_s: float) -> bool:
        """Tell whether this address has had its share."""
        times = self._seen.get(address)
        while times and times[0] <= now_s - self.within_s:
            times.popleft()
        return times is not None and len(times) >= self.most

    def count(self, address: str, now_s: float) -> None:
        """Count one."""
        if len(self._seen) > 1000:
            since_s = now_s - self.within_s
            self._seen = {one: times for one, times in self._seen.items() if times and times[-1] > since_s}
        self._seen.setdefault(address, deque(maxlen=self.most)).append(now_s)


def access_for(page: Page, where: Path) -> Access:
    """Return who may use a page; FileMistakes where tokens are needed or cannot be trusted. `where`: the bench file."""
    tokens = read_tokens(where.parent / page.tokens_file) if page.tokens_file else {}
    host, _ = split_host(page.at)
    names = [split_host(one) for one in page.hosts]
    wrong = [
        f"{where}: [page] hosts: found {one!r}; a name such as bench.example or bench.example:8443 would be right"
        for one, (name, _) in zip(page.hosts, names, strict=True)
        if not name
    ]
    beyond = [name for name in (host, *(name for name, _ in names)) if name and not is_here(name)]
    if beyond and not tokens:
        wrong.append(
            f"{where}: [page] is to be reached as {', '.join(dict.fromkeys(beyond))}, beyond this machine, without "
            'tokens; tokens_file = "page-tokens" would be right, or at = "127.0.0.1:8640" and no hosts'
        )
    if wrong:
        raise FileMistakes(wrong)
    listed = {f"{name}:{port}" if port else name for name, port in names}
    return Access(frozenset({*HERE, *listed, *([] if host in ("0.0.0.0", "::") else [host])}), tokens)


def read_tokens(path: Path) -> dict[str, str]:
    """Return the token of each role; FileMistakes, which never tell a token, where the file cannot be trusted."""
    try:
        mode = path.stat().st_mode
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise FileMistakes([f"{path}: [page] tokens_file cannot be read: {why}"]) from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise FileMistakes(
            [
                f"{path}: [page] tokens_file holds secrets, and others can read it (mode {stat.S_IMODE(mode):04o}); "
                f"right would be 0600: chmod 600 {path}"
            ]
        )
    tokens, mistakes = _tokens_in(text.splitlines(), str(path))
    if not tokens and not mistakes:
        mistakes = [f"{path}: [page] tokens_file holds no token; lines view = … and operate = … would be right"]
    if len(set(tokens.values())) < len(tokens):
        mistakes.append(f"{path}: view and operate have one token; each needs its own")
    if mistakes:
        raise FileMistakes(mistakes)
    return tokens


def _tokens_in(lines: Sequence[str], where: str) -> tuple[dict[str, str], list[str]]:
    tokens: dict[str, str] = {}
    mistakes: list[str] = []
    for number, line in enumerate(lines, start=1):
        role, sign, token = (part.strip() for part in line.partition("="))
        if not role or role.startswith("#"):
            continue
        if not sign or role not in (VIEW, OPERATE) or role in tokens:
            mistakes.append(f"{where}, line {number}: lines view = … and operate = …, each once, would be right")
        elif len(token) < SHORTEST_TOKEN or not token.isascii() or not token.isprintable():
            mistakes.append(
                f"{where}, line {number}: {role} has {len(token)} characters; {SHORTEST_TOKEN} or more plain ones "
                "would be right (`python3 -c 'import secrets; print(secrets.token_urlsafe(24))'` makes one)"
            )
        else:
            tokens[role] = token
    return tokens, mistakes
