"""Writes HTML: a text becomes part of a page only as text. Whatever people wrote passes through here."""

import re
from collections.abc import Iterable
from html import escape
from pathlib import Path
from typing import TypeAlias, Union

Child: TypeAlias = Union[str, "Iterable[Child]", None]

_EMPTY = frozenset({"meta", "br", "hr", "col"})


class Html(str):
    """Text that is HTML already."""

    __slots__ = ()


def el(tag: str, *children: Child, **attributes: str | None) -> Html:
    """Return an element; a child that is no `Html` is text, None is left out. "class_" and "aria_label" lose or change
    their underscores.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if tag in _EMPTY:
        return Html(f"<{tag}{given}>")
    return Html(f"<{tag}{given}>{inner(children)}</{tag}>")


def inner(children: Child) -> Html:
    """Return children as HTML, one after the other."""
    if children is None:
        return Html("")
    if isinstance(children, Html):
        return children
    if isinstance(children, str):
        return Html(escape(children))
    return Html("".join(inner(child) for child in children))


def table(head: Iterable[Child], rows: Iterable[Iterable[Child]], class_: str = "") -> Html:
    """Return a table that scrolls by itself where it is too wide; the first cell of each row is its head."""
    body = [
        el("tr", [el("th", cell, scope="row") if place == 0 else el("td", cell) for place, cell in enumerate(row)])
        for row in rows
    ]
    top = el("thead", el("tr", [el("th", cell, scope="col") for cell in head]))
    return el("div", el("table", top, el("tbody", body), class_=class_ or None), class_="wide", tabindex="0")


_PROLOGUE = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_SIZE = re.compile(r'\s(?:width|height)="[0-9.]+(?:pt|px)?"')
_NAMED = re.compile(r'\sid="([^"]*)"')
_USED = re.compile(r'(url\(#|href="#)([^)"]*)')


def inline_svg(path: Path, name: str, words: str) -> Html:
    """Return an SVG file as part of a page: as wide as its place, named for who cannot see it, its names its own.

    Only for files that this program drew.
    """
    text = _METADATA.sub("", _PROLOGUE.sub("", path.read_text(encoding="utf-8"), count=1)).strip()
    used = {match[2] for match in _USED.finditer(text)}
    text = _NAMED.sub(lambda match: f' id="{name}-{match[1]}"' if match[1] in used else "", text)
    text = _USED.sub(lambda match: f"{match[1]}{name}-{match[2]}", text)
    head, sign, rest = text.partition(">")
    head = _SIZE.sub("", head) + f' role="img" aria-label="{escape(words)}"'
    return Html(head + sign + rest)


def page(title: str, style: str, *body: Child) -> str:
    """Return a whole page in one file: nothing is fetched, nothing runs."""
    head = [
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        Html(
            '<meta http-equiv="Content-Security-Policy" '
            "content=\"default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'\">"
        ),
        el("title", title),
        Html(f"<style>\n{style}</style>"),
    ]
    return f"<!doctype html>\n{el('html', el('head', head), el('body', body), lang='en')}\n"
