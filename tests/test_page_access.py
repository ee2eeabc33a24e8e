"""Who may look at the page and who may operate: fault 61, other sites and strangers."""

from pathlib import Path

import pytest

from benchwarden.daemon.bench import Page
from benchwarden.daemon.front.page_access import (
    LOOKS_FOR_S,
    OPERATES_FOR_S,
    Access,
    Rate,
    access_for,
    foreign_origin,
    may_operate,
    read_tokens,
)
from benchwarden.profiles.mistakes import FileMistakes

TOKENS = {"view": "v" * 20, "operate": "o" * 20}
HERE = frozenset({"127.0.0.1", "localhost", "::1", "bench.example:8443", "shed.example"})


def tokens_file(folder: Path, text: str, mode: int = 0o600) -> Path:
    path = folder / "page-tokens"
    path.write_text(text)
    path.chmod(mode)
    return path


def mistakes_of(page: Page, folder: Path) -> str:
    with pytest.raises(FileMistakes) as found:
        access_for(page, folder / "bench.toml")
    return "\n".join(found.value.mistakes)


@pytest.mark.parametrize(
    ("header", "fits"),
    [
        ("127.0.0.1:8640", True),
        ("localhost", True),
        ("LOCALHOST:9000", True),  # a tunnel may end at another port
        ("[::1]:8640", True),
        ("shed.example", True),
        ("shed.example:8640", True),
        ("bench.example:8443", True),
        ("bench.example", False),
        ("bench.example:8640", False),
        ("127.0.0.1.evil.example", False),
        ("evil.example:8640", False),
        ("localhost:8640@evil.example", False),
        ("localhost/evil", False),
        ("localhost:port", False),
        ("", False),
        (None, False),
    ],
)
def test_only_its_own_names_are_served(header: str | None, fits: bool) -> None:
    assert Access(HERE, {}).host_fits(header) is fits


def test_without_tokens_everybody_here_looks_and_nobody_operates() -> None:
    role = Access(HERE, {}).role_of(None, None, 0.0)
    assert role == "local"
    assert not may_operate(role)


def test_a_token_gives_its_role_and_no_other() -> None:
    access = Access(HERE, TOKENS)
    assert access.role_of(TOKENS["view"], None, 0.0) == "view"
    assert access.role_of(TOKENS["operate"], None, 0.0) == "operate"
    assert [access.role_of(wrong, None, 0.0) for wrong in ("", "v" * 19, "O" * 20, "ü" * 20)] == [None] * 4
    assert access.role_of(None, None, 0.0) is None
    assert not may_operate("view")


def test_a_cookie_is_signed_and_ages() -> None:
    """An old page still shows and stops; it operates only with a new login."""
    access, began = Access(HERE, TOKENS), 1_795_640_651.0
    cookie = access.cookie_for("operate", began)
    assert TOKENS["operate"] not in cookie
    assert access.role_of(None, cookie, began + OPERATES_FOR_S - 1) == "operate"
    assert access.role_of(None, cookie, began + OPERATES_FOR_S + 1) == "view"
    assert access.role_of(None, cookie, began + LOOKS_FOR_S + 1) is None
    role, since, signature = cookie.split(".")
    for forged in (
        f"view.{since}.{signature}",
        f"{role}.{int(since) + 1}.{signature}",
        f"{role}.{since}.{'0' * 64}",
        f"{role}.{since}",
        f"{role}.²³.{signature}",
        "operate",
        "",
    ):
        assert access.role_of(None, forged, began) is None
    others = Access(HERE, {**TOKENS, "operate": "n" * 20})
    assert others.role_of(None, cookie, began) is None, "a new token must end the old one's sessions"


@pytest.mark.parametrize(
    ("headers", "by_cookie", "foreign"),
    [
        ({"host": "localhost:8640", "origin": "http://localhost:8640", "sec-fetch-site": "same-origin"}, True, False),
        ({"host": "localhost:8640", "origin": "http://localhost:8640"}, True, False),
        ({"host": "localhost:8640", "origin": "http://evil.example"}, False, True),
        ({"host": "localhost:8640", "origin": "http://localhost:9999"}, False, True),
        ({"host": "localhost:8640", "origin": "null"}, False, True),
        ({"host": "localhost:8640", "origin": "http://["}, False, True),
        ({"host": "localhost:8640", "sec-fetch-site": "cross-site"}, False, True),
        ({"host": "localhost:8640", "sec-fetch-site": "same-site"}, False, True),
        ({"host": "localhost:8640", "sec-fetch-site": "none"}, False, True),
        ({"host": "localhost:8640"}, True, True),
        ({"host": "localhost:8640"}, False, False),  # a program, which sends its token itself
    ],
)
def test_what_changes_something_comes_from_the_page(headers: dict[str, str], by_cookie: bool, foreign: bool) -> None:
    """Sec-Fetch-Site: W3C Fetch Metadata; Origin: Fetch standard, 3.2."""
    assert (foreign_origin(headers, by_cookie=by_cookie) is not None) is foreign


@pytest.mark.parametrize("page", [{"at": "0.0.0.0:8640"}, {"at": "192.0.2.5:8640"}, {"hosts": ["bench.example"]}])
def test_beyond_this_machine_only_with_tokens(page: dict[str, object], tmp_path: Path) -> None:
    assert "tokens_file" in mistakes_of(Page.model_validate(page), tmp_path)
    tokens_file(tmp_path, f"view = {'v' * 20}\n")
    made = access_for(Page.model_validate({**page, "tokens_file": "page-tokens"}), tmp_path / "bench.toml")
    assert dict(made.tokens) == {"view": "v" * 20}
    assert not made.host_fits("0.0.0.0:8640")


def test_a_name_that_is_none_is_said(tmp_path: Path) -> None:
    assert "[page] hosts: found 'https://bench.example/'" in mistakes_of(
        Page(hosts=["https://bench.example/"]), tmp_path
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no token"),
        ("operate = short", "operate has 5 characters; 16 or more"),
        ("admin = 0123456789abcdefghij", "line 1: lines view = … and operate = …"),
        ("view = 0123456789abcdefghij\nview = 0123456789abcdefghik", "line 2"),
        ("view = 0123456789abcdefghij\noperate = 0123456789abcdefghij", "one token; each needs its own"),
    ],
)
def test_what_a_tokens_file_may_not_say(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(FileMistakes) as found:
        read_tokens(tokens_file(tmp_path, text))
    assert words in str(found.value)
    assert "0123456789" not in str(found.value), "no message tells a token"


def test_a_tokens_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileMistakes, match=r"mode 0640.*chmod 600"):
        read_tokens(tokens_file(tmp_path, f"view = {'v' * 20}", 0o640))
    with pytest.raises(FileMistakes, match=r"cannot be read: No such file"):
        read_tokens(tmp_path / "none")


def test_a_rate_is_kept_by_address_and_forgotten() -> None:
    rate = Rate(2)
    for _ in range(2):
        assert not rate.full("a", 0.0)
        rate.count("a", 0.0)
    assert rate.full("a", 59.0)
    assert not rate.full("b", 59.0)
    assert not rate.full("a", 60.1)
    for number in range(3000):
        rate.count(str(number), 100.0 + number)
    assert len(rate._seen) < 1100
