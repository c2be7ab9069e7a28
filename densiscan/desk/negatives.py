"""Negatives on the desk: the folder as cards, a negative looked at, kept for a run; a scan dropped on the page."""

from __future__ import annotations

import json
import os
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from densiscan.batch.assessment import PrintAim
from densiscan.batch.files import is_scan
from densiscan.desk.acts import Done, in_turn
from densiscan.desk.folder import ByHand, Card
from densiscan.desk.runs import next_said
from densiscan.desk.state import Desk, RefusedError, answered, document_of, fields_of, route
from densiscan.development.zones import WantedZone
from densiscan.errors import DensiscanError, in_words
from densiscan.notebook import location
from densiscan.notebook.readings import file_sha256
from densiscan.paper.grade import Process
from densiscan.report.answer import folder_headline
from densiscan.report.page.negative import PageReading, SheetView, sheet_view
from densiscan.report.page.pair import pair_facts

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from densiscan.development.run import Run

LARGEST_SCAN: Final = 4_000_000_000
_PROCESSES: Final[dict[str, Process]] = {"contact": "contact", "diffusion": "diffusion", "condenser": "condenser"}


def routes(desk: Desk) -> list[BaseRoute]:
    """Return what can be asked of the negatives."""
    return [
        route(desk, "/", "GET", _cards),
        route(desk, "/cards", "GET", _cards_alone),
        route(desk, "/news", "GET", _news),
        route(desk, "/negative/{number:int}", "GET", _negative),
        route(desk, "/negative/{number:int}/read", "POST", _read),
        route(desk, "/negative/{number:int}/keep", "POST", _keep),
        route(desk, "/beside/{first}/{second}", "GET", _beside),
        route(desk, "/keep", "POST", _keep_several),
        route(desk, "/scans", "POST", _drop),
    ]


# The folder.


def _shown(card: Card) -> list[dict[str, Any]]:
    """Return what a scan shows as cards: one a piece of film, one alone where nothing is measured yet."""
    common = {"number": card.number, "name": card.name, "state": card.state, "message": card.message}
    if card.state != "measured":
        return [common | {"key": f"{card.number}-0", "piece": None, "answer": None, "thumb": "", "gravity": -1.0}]
    return [
        common
        | {
            "key": f"{card.number}-{place}",
            "piece": one.piece,
            "answer": one.answer,
            "thumb": one.thumb,
            "gravity": one.answer.gravity,
        }
        for place, one in enumerate(card.pieces)
    ]


def _of_folder(desk: Desk) -> dict[str, Any]:
    cards = desk.folder.cards()
    shown = [one for card in cards for one in _shown(card)]
    answers = [one.answer for card in cards for one in card.pieces]
    failed = sum(card.state == "failed" for card in cards)
    return {
        "cards": sorted(shown, key=lambda one: -one["gravity"]),
        "attention": sum(answer.attention for answer in answers) + failed,
        "headline": folder_headline(answers, failed) if answers or failed else "",
        "waiting": sum(card.state == "waiting" for card in cards),
        "calibrated": desk.folder.reader() is not None,
        "runs": _runs(desk),
    }


def _runs(desk: Desk) -> list[tuple[int, str]]:
    if not desk.notebook.exists():
        return []
    with location.open_notebook(desk.notebook) as book:
        return [(run.number, f"run {run.number}: {run.film}, {run.date[:10]}") for run in book.runs(last=12)][::-1]


async def _cards(desk: Desk, _request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    values = await run_in_threadpool(_of_folder, desk)
    step = await run_in_threadpool(next_said, desk)
    day = f"{date.today():%A}"  # noqa: DTZ011 - a person's own day
    return desk.page("negatives.html", title=day, place="negatives", step=step, **values)


async def _cards_alone(desk: Desk, _request: Request) -> Response:
    return desk.page("cards.html", **_of_folder(desk))


async def _news(desk: Desk, _request: Request) -> Response:
    """Say which cards have changed, as it happens (server-sent events)."""
    import asyncio

    from starlette.responses import StreamingResponse

    queue: asyncio.Queue[str | None] = asyncio.Queue()
    desk.listeners.add(queue)

    async def told() -> AsyncIterator[bytes]:
        try:
            yield b": here\n\n"
            while True:
                try:
                    news = await asyncio.wait_for(queue.get(), 25.0)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if news is None:
                    return
                yield f"data: {news}\n\n".encode()
        finally:
            desk.listeners.discard(queue)

    return StreamingResponse(told(), media_type="text/event-stream")


# One negative.


def _card(desk: Desk, request: Request) -> Card:
    card = desk.folder.card(int(request.path_params["number"]))
    if card is None:
        raise RefusedError("That scan is not in the folder any more.")
    return card


def _view(desk: Desk, card: Card, by_hand: ByHand, piece: int, *, number: int = 1) -> tuple[SheetView, PageReading]:
    assessments = desk.folder.negative(card, by_hand)
    assessment = assessments[min(max(piece, 0), len(assessments) - 1)]
    by = desk.folder.reader()
    page = PageReading(
        assessment=assessment,
        calibration="" if by is None else by.calibration.name,
        rebate_mm=by_hand.rebate_mm,
        paper_range=by_hand.aim.paper_range,
    )
    return sheet_view(page, number=number, beside=assessments), page


async def _negative(desk: Desk, request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    card = _card(desk, request)
    piece = int(request.query_params.get("piece", "0") or 0)
    common = {"title": card.name, "place": "negatives", "card": card, "piece": piece, "runs": _runs(desk)}
    neighbours = [one.number for one in desk.folder.cards() if one.state == "measured"]
    at = neighbours.index(card.number) if card.number in neighbours else None
    common |= {
        "before": neighbours[at - 1] if at else None,
        "others": [one for one in numbered(desk.folder.cards()) if one[0] in neighbours and one[0] != card.number],
        "after": neighbours[at + 1] if at is not None and at + 1 < len(neighbours) else None,
    }
    try:
        view, shown = await run_in_threadpool(_view, desk, card, ByHand(), piece)
    except DensiscanError as problem:
        return desk.page("negative.html", view=None, problem=in_words(str(problem)), box=None, command="", **common)
    frame = shown.assessment.reading.frame_mm
    box = None if frame is None else [round(one, 2) for one in frame]
    return desk.page("negative.html", view=view, problem="", box=box, command=_command(card, {}), **common)


# Two beside each other.


def _developed(desk: Desk, card: Card, piece: int | None) -> Run | None:
    """Return the run that counts a piece of film on this scan."""
    if not desk.notebook.exists():
        return None
    with location.open_notebook(desk.notebook) as book:
        runs = {run.number: run for run in book.runs()}
        sha256 = file_sha256(card.path) if runs else ""
        kept = book.counting_readings(runs=tuple(runs), with_documents=False)
    found = [one.run for one in kept if (one.scan_sha256, one.piece) == (sha256, piece)]
    return runs.get(found[-1]) if found and found[-1] is not None else None


def _pair(desk: Desk, wanted: Sequence[tuple[Card, int]]) -> list[tuple[SheetView, dict[str, Any], str]]:
    """Return each of two negatives as the page shows it, what they are compared by, and where it stands alone."""
    shown = []
    for number, (card, piece) in enumerate(wanted, start=1):
        view, page = _view(desk, card, ByHand(), piece, number=number)
        page = replace(page, developed=_developed(desk, card, page.assessment.reading.piece))
        shown.append((view, pair_facts(page, view), f"/negative/{card.number}?piece={piece}"))
    return shown


async def _beside(desk: Desk, request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    wanted = []
    for name in ("first", "second"):
        number, _, piece = str(request.path_params[name]).partition("-")
        card = desk.folder.card(int(number)) if number.isdecimal() else None
        if card is None:
            raise RefusedError("That scan is not in the folder any more.")
        wanted.append((card, int(piece) if piece.isdecimal() else 0))
    shown = await run_in_threadpool(_pair, desk, wanted)
    return desk.page("beside.html", title="Side by side", place="negatives", shown=shown, beside="s1+s2")


def _box(value: object, what: str) -> tuple[float, float, float, float] | None:
    if value in (None, "", []):
        return None
    try:
        left, top, width, height = (float(part) for part in str(value).replace(",", " ").split())
    except ValueError as problem:
        raise RefusedError(f"{what} needs four numbers: left, top, width, height in mm.") from problem
    return left, top, width, height


def _number(value: object, what: str, low: float, high: float) -> float | None:
    if value in (None, ""):
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as problem:
        raise RefusedError(f"{what} must be a number, {low:g} to {high:g}.") from problem
    if not low <= number <= high:
        raise RefusedError(f"{what} must be {low:g} to {high:g}.")
    return number


def _seen(asked: Mapping[str, Any]) -> ByHand:
    process = _PROCESSES.get(str(asked.get("process") or "contact"))
    if process is None:
        raise RefusedError(f"The light of the print must be one of {', '.join(_PROCESSES)}.")
    return ByHand(
        frame_mm=_box(asked.get("frame"), "The frame"),
        rebate_mm=_box(asked.get("rebate"), "The rebate"),
        aim=PrintAim(
            process=process,
            paper_range=_number(asked.get("paper-range"), "The paper's range", 30.0, 250.0),
            scene_stops=_number(asked.get("scene-stops"), "The subject's range", 1.0, 20.0),
        ),
        zones=_zones(asked.get("zones") or ()),
    )


def _zones(asked: object) -> tuple[WantedZone, ...]:
    """Return the places that are put on zones, each as x and y in mm and the zone."""
    try:
        places = [[float(part) for part in place] for place in asked]  # type: ignore[attr-defined]
        return tuple(WantedZone(x_mm=x, y_mm=y, wanted=zone) for x, y, zone in places)
    except (TypeError, ValueError) as problem:
        raise RefusedError("The page sent something unreadable; reload it.") from problem


def _options(asked: Mapping[str, Any]) -> list[str]:
    """Return what a person sees a negative with as options of `measure`."""
    by_hand = _seen(asked)
    words = []
    for name, box in (("frame", by_hand.frame_mm), ("rebate", by_hand.rebate_mm)):
        words += [] if box is None else [f"--{name}={','.join(f'{one:g}' for one in box)}"]
    words += [f"--on-zone={one.x_mm:g},{one.y_mm:g},{one.wanted:g}" for one in by_hand.zones]
    words += [] if by_hand.aim.process == "contact" else [f"--process={by_hand.aim.process}"]
    words += [] if by_hand.aim.paper_range is None else [f"--paper-range={by_hand.aim.paper_range:g}"]
    words += [] if by_hand.aim.scene_stops is None else [f"--scene-stops={by_hand.aim.scene_stops:g}"]
    return words


def _command(card: Card, asked: Mapping[str, Any], *more: str) -> str:
    from densiscan.desk.acts import command_text

    return command_text(["measure", str(card.path), *_options(asked), *more])


async def _read(desk: Desk, request: Request) -> Response:
    """Read a negative as it is seen now, and return what the page shows of it."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    card = _card(desk, request)
    asked = await document_of(request)
    by_hand = _seen(asked)
    view, _ = await run_in_threadpool(_view, desk, card, by_hand, int(asked.get("piece") or 0))
    return JSONResponse(
        {
            "done": True,
            "html": desk.part("sheet.html", "sheet", view, "h1"),
            "frame": "" if view.picture is None else view.picture.frame,
            "command": _command(card, asked),
            "said": "",
        }
    )


async def _keep(desk: Desk, request: Request) -> Response:
    """Keep the readings of a scan as they are seen now, for a run where one is chosen."""
    card = _card(desk, request)
    asked = await document_of(request)
    words = ["measure", str(card.path), *_options(asked)]
    run = _number(asked.get("run"), "The run", 1, 1e9)
    done = await desk.act([*words, *([] if run is None else [f"--run={run:.0f}"])])
    return answered(done)


async def _keep_several(desk: Desk, request: Request) -> Response:
    """Keep the readings of the scans that are chosen for a run, those of one subject together."""
    fields = await fields_of(request)
    run = next(iter(fields.get("run", ())), None)
    of_subject: dict[float | None, list[str]] = {}
    for number in dict.fromkeys(fields.get("number", ())):
        card = desk.folder.card(int(number)) if number.isdecimal() else None
        if card is not None:
            typed = next(iter(fields.get(f"stops-{number}", ())), None)
            stops = _number(typed, f"The subject's range of {card.name}", 1.0, 20.0)
            of_subject.setdefault(stops, []).append(str(card.path))
    if not of_subject:
        raise RefusedError("Choose the negatives first.")
    if run is None or not run.isdecimal():
        raise RefusedError("Choose the run that they belong to; add it under Runs.")

    async def kept() -> AsyncIterator[Done]:
        for stops, paths in of_subject.items():
            subject = [] if stops is None else [f"--scene-stops={stops:g}"]
            yield await desk.act(["measure", *paths, f"--run={run}", *subject])

    return answered(await in_turn(kept()))


# A scan dropped on the page.


async def _drop(desk: Desk, request: Request) -> Response:
    """Write a scan that was dropped on the page into the folder: whole or not at all, and never over another."""
    from starlette.responses import JSONResponse

    name = Path(json.loads(request.headers.get("x-name", '""')) or "").name
    if not name or name.startswith(".") or not is_scan(Path(name)) or any(ord(mark) < 32 for mark in name):
        raise RefusedError("Only scans can be dropped here: TIFF, PNG, JPEG or DNG files.")
    place = _free_name(desk.folder.path / name)
    beside = place.with_name(f".{place.name}.part")
    size = 0
    try:
        with beside.open("xb") as file:
            async for part in request.stream():
                size += len(part)
                if size > LARGEST_SCAN:
                    raise RefusedError(
                        f"{name} is larger than {LARGEST_SCAN / 1e9:.0f} GB; copy it into the folder yourself."
                    )
                file.write(part)
            file.flush()
            os.fsync(file.fileno())
        beside.rename(place)
    except OSError as problem:
        raise RefusedError(f"{name} cannot be written: {(problem.strerror or 'unknown reason').lower()}.") from problem
    finally:
        beside.unlink(missing_ok=True)
    desk.folder.look()
    return JSONResponse({"done": True, "said": f"{place.name} is in the folder.", "text": "", "command": ""})


def _free_name(place: Path) -> Path:
    number, free = 2, place
    while os.path.lexists(free):
        free = place.with_name(f"{place.stem}-{number}{place.suffix}")
        number += 1
    return free


def numbered(cards: Sequence[Card]) -> list[tuple[int, str]]:
    """Return the scans of a folder to choose from."""
    return [(card.number, card.name) for card in cards]
