"""The scanner on the desk: its calibrations, a new one shown before it is kept, whether the last one still holds."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from densiscan.desk.negatives import numbered
from densiscan.desk.state import Desk, RefusedError, answered, fields_of, route, words_of
from densiscan.errors import DensiscanError
from densiscan.notebook import location
from densiscan.report.page.pictures import picture_data

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from densiscan.desk.folder import Card

_PICTURE_PX = 900
_NUMBERS = ("steps", "increment", "first", "uncertainty")
"""What describes a wedge without a certificate."""


def routes(desk: Desk) -> list[BaseRoute]:
    """Return what can be asked of the scanner."""
    return [
        route(desk, "/scanner", "GET", _page),
        route(desk, "/scanner/look", "POST", _look),
        route(desk, "/scanner/keep", "POST", _keep),
        route(desk, "/scanner/check", "POST", _check),
    ]


async def _page(desk: Desk, _request: Request) -> Response:
    kept = location.kept_calibrations(desk.notebook)
    now = datetime.now(UTC)
    rows = [
        {
            "name": one.name,
            "made": "not known" if one.made is None else f"{one.made:%Y-%m-%d %H:%M}",
            "mode": {"transmission": "film", "reflection": "prints"}.get(one.mode or "", "film"),
            "days": None if one.made is None else (now - one.made).days,
        }
        for one in kept
    ]
    return desk.page("scanner.html", title="Scanner", place="scanner", rows=rows, scans=numbered(desk.folder.cards()))


def _words(desk: Desk, fields: Mapping[str, Sequence[str]]) -> tuple[Card, list[str]]:
    """Return the scan of the wedge, and the options that describe the wedge."""
    number = next(iter(fields.get("scan", ())), "")
    card = desk.folder.card(int(number)) if number.isdecimal() else None
    if card is None:
        raise RefusedError("Choose the scan of the wedge; drop it on the page of negatives if it is not in the folder.")
    text = next(iter(fields.get("wedge", ())), "")
    words = [f"--densities={desk.wedge_file(text)}"] if text else words_of(fields, _NUMBERS)
    if not words:
        raise RefusedError("Describe the wedge: paste its densities, or give the number of its steps.")
    return card, [*words, *words_of(fields, ("region",))]


async def _look(desk: Desk, request: Request) -> Response:
    """Find the wedge and show its steps on the scan; nothing is kept."""
    from starlette.concurrency import run_in_threadpool

    fields = await fields_of(request)
    card, words = _words(desk, fields)
    reflection = ["--reflection"] if fields.get("reflection") else []
    out = desk.scratch / "looked-at.json"
    line = ["calibrate", str(card.path), *words, *reflection]
    done = await desk.act([*line, f"--out={out}", "--overwrite"], notebook=desk.scratch / "notebook.sqlite", shown=line)
    picture, region = await run_in_threadpool(_picture, card.path)
    steps = []
    if done.done:
        document = json.loads(out.read_text(encoding="utf-8"))
        steps = [_step(step) for step in document.get("steps", ())]
    return answered(done, picture=picture, region=region, steps=steps)


def _step(step: Mapping[str, Any]) -> dict[str, Any]:
    return {"step": step.get("step"), "box": step.get("box_mm"), "density": step.get("density")}


async def _keep(desk: Desk, request: Request) -> Response:
    """Make the calibration that was looked at, and keep it under its name."""
    fields = await fields_of(request)
    card, words = _words(desk, fields)
    name = next(iter(fields.get("name", ())), "")
    if not name:
        raise RefusedError("Give the calibration a name, such as the scanner's.")
    reflection = ["--reflection"] if fields.get("reflection") else []
    overwrite = ["--overwrite"] if fields.get("overwrite") else []
    done = await desk.act(["calibrate", str(card.path), *words, *reflection, f"--name={name}", *overwrite])
    if done.done:
        desk.folder.measure_again()
    return answered(done)


async def _check(desk: Desk, request: Request) -> Response:
    """Say whether the scanner still reads as when it was calibrated."""
    fields = await fields_of(request)
    card, words = _words(desk, fields)
    calibration = words_of(fields, ("calibration",))
    if not calibration:
        raise RefusedError("Choose the calibration that is to be checked.")
    keep = ["--keep"] if fields.get("keep") else []
    return answered(await desk.act(["check", f"--wedge={card.path}", *words, *calibration, *keep]))


def _picture(path: Path) -> tuple[str, list[float]]:
    """Return a scan to look at, as data, and its size: left, top, width, height in mm."""
    from densiscan.scan.scan import open_scan
    from densiscan.scan.survey import survey

    try:
        scan = open_scan(path)
    except DensiscanError:
        return "", []
    longest = max(scan.width_mm, scan.height_mm)
    cells = survey(scan, cell_mm=max(longest / _PICTURE_PX, 0.02))
    mean = np.asarray(cells.mean, dtype=float)
    low, high = float(np.nanmin(mean)), float(np.nanmax(mean))
    share = np.clip((mean - low) / max(high - low, 1e-12), 0.0, 1.0)
    gray = np.rint(255.0 * share ** (1.0 / 2.2)).astype(np.uint8)
    return picture_data(gray), [0.0, 0.0, round(scan.width_mm, 3), round(scan.height_mm, 3)]
