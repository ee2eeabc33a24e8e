"""Writes HTML: a text becomes part of a page only as text. Whatever people wrote passes through here."""

import re
from collections.abc import Iterable
from html import escape
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


def table(head: Iterable[Child], rows: Iterable[Iterable[Child]], class_: str = "", *, lines: bool = False) -> Html:
    """Return a table that scrolls by itself where it is too wide; the first cell of each row is its head.

    `lines`: on a narrow screen each cell is a line below its row's head instead, named by its column.
    """
    names = list(head)
    if lines:
        return _lined(names, rows, class_)
    body = [
        el("tr", [el("th", cell, scope="row") if place == 0 else el("td", cell) for place, cell in enumerate(row)])
        for row in rows
    ]
    top = el("thead", el("tr", [el("th", cell, scope="col") for cell in names]))
    return el("div", el("table", top, el("tbody", body), class_=class_ or None), class_="wide", tabindex="0")


def _lined(names: list[Child], rows: Iterable[Iterable[Child]], class_: str) -> Html:
    """Return a table whose cells may become lines.

    Its roles are written out: a table whose parts CSS lays out as blocks is none to some screen readers (from memory).
    """
    body = [
        el(
            "tr",
            [
                el("th", cell, scope="row", role="rowheader") if place == 0 else _line(cell, name)
                for place, (cell, name) in enumerate(zip(row, names, strict=True))
            ],
            role="row",
        )
        for row in rows
    ]
    heads = [el("th", name, scope="col", role="columnheader") for name in names]
    top = el("thead", el("tr", heads, role="row"), role="rowgroup")
    shown = el("table", top, el("tbody", body, role="rowgroup"), class_=class_ or None, role="table")
    return el("div", shown, class_="wide lines", tabindex="0")


def _line(cell: Child, name: Child) -> Html:
    content = inner(cell)
    # Its name is an attribute, which the style sheet shows, so that what is copied or read aloud has it once only.
    return el("td", el("div", content) if content else None, role="cell", data_of=str(name))


_PROLOGUE = re.compile(r"^.*?(?=<svg\b)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_SIZE = re.compile(r'\s(?:width|height)="[0-9.]+(?:pt|px)?"')
_NAMED = re.compile(r'\sid="([^"]*)"')
_USED = re.compile(r'(url\(#|href="#)([^)"]*)')


def inline_svg(drawing: str, name: str, words: str, class_: str = "") -> Html:
    """Return an SVG's text as part of a page: as wide as its place, named for who cannot see it, its names its own.

    Only for what this program drew.
    """
    text = _METADATA.sub("", _PROLOGUE.sub("", drawing, count=1)).strip()
    used = {match[2] for match in _USED.finditer(text)}
    text = _NAMED.sub(lambda match: f' id="{name}-{match[1]}"' if match[1] in used else "", text)
    text = _USED.sub(lambda match: f"{match[1]}{name}-{match[2]}", text)
    head, sign, rest = text.partition(">")
    head = _SIZE.sub("", head) + f' role="img" aria-label="{escape(words)}"'
    head += f' class="{class_}"' if class_ else ""
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
