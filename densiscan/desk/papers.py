"""Papers on the desk: tested from a scan or by counting steps; and how to print the negatives that are chosen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from densiscan.desk.negatives import numbered
from densiscan.desk.state import Desk, RefusedError, answered, fields_of, route, words_of
from densiscan.notebook import location

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_TEST: Final = ("last-black", "first-white", "exposure", "base", "fixed", "name")
_FINISHED: Final = ("paper", "exposure", "process")
_PRINT: Final = ("paper", "paper-range", "process", "magnification", "right-time", "right-density")


def routes(desk: Desk) -> list[BaseRoute]:
    """Return what can be asked of papers and prints."""
    return [
        route(desk, "/papers", "GET", _page),
        route(desk, "/papers/test", "POST", _test),
        route(desk, "/papers/print", "POST", _print),
        route(desk, "/papers/finished", "POST", _finished),
    ]


async def _page(desk: Desk, _request: Request) -> Response:
    tests = []
    if desk.notebook.exists():
        with location.open_notebook(desk.notebook) as book:
            tests = [(name, book.kept("paper-test", name) or {}) for name in book.names("paper-test")]
    rows = [
        {"name": name, "range": _value(document.get("range")), "grade": document.get("grade") or "not known"}
        for name, document in tests
    ]
    scans = numbered(desk.folder.cards())
    return desk.page("papers.html", title="Papers", place="papers", rows=rows, scans=scans)


def _value(quantity: dict[str, Any] | None) -> str:
    if not quantity:
        return "not known"
    limit = f"{quantity['limit']} " if quantity.get("limit") else ""
    return f"{limit}{quantity['value']:.0f}"


def _scan(desk: Desk, fields: Mapping[str, Sequence[str]], name: str) -> Path | None:
    """Return the scan that was chosen in a field; None where none was."""
    number = next(iter(fields.get(name, ())), "")
    if not number.isdecimal():
        return None
    card = desk.folder.card(int(number))
    if card is None:
        raise RefusedError("That scan is not in the folder any more.")
    return card.path


async def _test(desk: Desk, request: Request) -> Response:
    fields = await fields_of(request)
    wedge = next(iter(fields.get("wedge", ())), "")
    words = ["paper"]
    scan = _scan(desk, fields, "scan")
    if scan is not None:
        words.append(str(scan))
    elif not fields.get("last-black"):
        raise RefusedError("Choose the scan of the print, or count its steps.")
    if wedge:
        words.append(f"--wedge={desk.wedge_file(wedge)}")
    return answered(await desk.act([*words, *words_of(fields, _TEST)]))


async def _print(desk: Desk, request: Request) -> Response:
    fields = await fields_of(request)
    cards = [desk.folder.card(int(number)) for number in fields.get("number", ()) if number.isdecimal()]
    paths = [str(card.path) for card in cards if card is not None]
    if not paths:
        raise RefusedError("Choose the negatives to be printed.")
    right = _scan(desk, fields, "right-negative")
    words = [] if right is None else [f"--right-negative={right}"]
    return answered(await desk.act(["print", *paths, *words_of(fields, _PRINT), *words]))


async def _finished(desk: Desk, request: Request) -> Response:
    fields = await fields_of(request)
    scan, negative = _scan(desk, fields, "scan"), _scan(desk, fields, "negative")
    if scan is None:
        raise RefusedError("Choose the scan of the print.")
    words = [] if negative is None else [f"--negative={negative}"]
    return answered(await desk.act(["finished", str(scan), *words_of(fields, _FINISHED), *words]))
