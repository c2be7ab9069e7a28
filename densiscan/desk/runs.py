"""Runs on the desk: logged in one line, changed and taken back; what to do next, with the curve that answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from densiscan.desk.state import Desk, RefusedError, answered, fields_of, route, words_of
from densiscan.notebook import location

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from densiscan.development.run import Run
    from densiscan.notebook.advised import AdviceSheet
    from densiscan.notebook.notebook import Notebook
    from densiscan.report.page.page import NextStep

_FACTS: Final = (
    *("film", "developer", "time", "temp", "dilution", "batch", "use", "scene-stops", "exposure-index"),
    *("agitation", "sheets", "volume", "note", "date"),
)
_FIELDS: Final = {"temp": "temperature_c", "volume": "volume_ml"} | {
    name: name.replace("-", "_") for name in _FACTS if name not in {"time", "temp", "volume"}
}
_EDITED: Final = {
    "film": "Film",
    "developer": "Developer",
    "dilution": "Dilution",
    "time": "Time",
    "temp": "Temperature",
    "date": "Date",
    "batch": "Batch",
    "use": "Use of the developer",
    "exposure-index": "Exposed at index",
    "scene-stops": "Subject range in stops",
    "agitation": "Agitation",
    "sheets": "Sheets",
    "volume": "Millilitres of developer",
    "note": "Note",
}
_LAST: Final = 60


def routes(desk: Desk) -> list[BaseRoute]:
    """Return what can be asked of the runs."""
    return [
        route(desk, "/runs", "GET", _page),
        route(desk, "/runs/advice", "GET", _advice),
        route(desk, "/runs/add", "POST", _add),
        route(desk, "/runs/undo", "POST", _undo),
        route(desk, "/runs/history", "GET", _history),
        route(desk, "/runs/{number:int}/{act}", "POST", _change),
        route(desk, "/readings/{number:int}/{act}", "POST", _change_reading),
    ]


async def _page(desk: Desk, _request: Request) -> Response:
    from densiscan.report.advice import use_words
    from densiscan.report.readings import density_text, time_text

    with location.open_notebook(desk.notebook) as book:
        runs = book.runs(last=_LAST, removed=None) if desk.notebook.exists() else ()
        processes = _processes(runs)
    rows = [
        {
            "run": run,
            "time": time_text(run.time_s),
            "use": use_words(run.use),
            "facts": {name: _typed(getattr(run, field)) for name, field in _FIELDS.items()}
            | {"time": time_text(run.time_s)},
            "ranges": ", ".join(density_text(one) for one in run.density_ranges) or "not measured",
        }
        for run in reversed(runs)
    ]
    last = runs[-1] if runs else None
    return desk.page(
        "runs.html",
        title="Runs",
        place="runs",
        rows=rows,
        edited=_EDITED.items(),
        processes=processes,
        last=last,
        last_time="" if last is None else time_text(last.time_s),
    )


def _typed(value: object) -> str:
    """Return a fact of a run as a person types it."""
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _processes(runs: Sequence[Run]) -> list[dict[str, Any]]:
    from densiscan.notebook.advised import in_use

    return [
        {
            "film": run.film,
            "developer": run.developer,
            "dilution": run.dilution or "",
            "name": f"{run.film} in {run.solution}",
        }
        for run in in_use([run for run in runs if not run.removed], 12)
    ]


async def _add(desk: Desk, request: Request) -> Response:
    fields = await fields_of(request)
    words = ["run", "add", *words_of(fields, _FACTS), *(["--fresh"] if fields.get("fresh") else [])]
    return answered(await desk.act(words))


async def _undo(desk: Desk, _request: Request) -> Response:
    return answered(await desk.act(["run", "undo"]))


async def _change(desk: Desk, request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool

    act, number = request.path_params["act"], int(request.path_params["number"])
    if act not in {"remove", "restore", "show", "correct"}:
        raise RefusedError("That cannot be done to a run.")
    fields = await fields_of(request)
    more = words_of(fields, (*_FACTS, "clear")) if act == "correct" else []
    done = await desk.act(["run", act, str(number), *more])
    return answered(done, readings=await run_in_threadpool(_readings, desk, number) if act == "show" else [])


def _readings(desk: Desk, run: int) -> list[dict[str, Any]]:
    """Return the readings of a run, those that were taken out too, with what each is called."""
    from densiscan.report.counting import name_text, when_text

    with location.open_notebook(desk.notebook) as book:
        return [
            {"number": one.number, "name": f"{name_text(one)}, {when_text(one.made)}", "removed": one.removed}
            for one in book.readings(run=run, removed=None, with_documents=False)
            if one.scan_sha256 is not None
        ]


async def _history(desk: Desk, _request: Request) -> Response:
    return answered(await desk.act(["run", "history"]))


async def _change_reading(desk: Desk, request: Request) -> Response:
    act, number = request.path_params["act"], int(request.path_params["number"])
    if act not in {"remove", "restore"}:
        raise RefusedError("That cannot be done to a reading.")
    return answered(await desk.act(["reading", act, str(number)]))


# What to do next.


async def _advice(desk: Desk, request: Request) -> Response:
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import JSONResponse

    return JSONResponse(await run_in_threadpool(_advised, desk, request.query_params))


def _float(asked: Mapping[str, str], name: str, usual: float | None) -> float | None:
    text = asked.get(name, "").strip()
    try:
        return float(text) if text else usual
    except ValueError as problem:
        raise RefusedError(f'"{text}" is not a number.') from problem


def _advised(desk: Desk, asked: Mapping[str, str]) -> dict[str, Any]:
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.desk.acts import command_text
    from densiscan.development.developer_life import Load
    from densiscan.notebook.advised import Wanted, advised
    from densiscan.paper.grade import density_range_for
    from densiscan.report.page.notebook import next_step

    film, developer = asked.get("film", "").strip(), asked.get("developer", "").strip()
    if not film or not developer:
        raise RefusedError("Name the film and the developer.")
    target = _float(asked, "target-range", None)
    use = _float(asked, "use", None)
    temperature = _float(asked, "temp", 20.0)
    assert temperature is not None  # noqa: S101 - it has a usual value
    stops = _float(asked, "scene-stops", None)
    dilution = asked.get("dilution", "").strip() or None
    question = Wanted(
        film=film,
        developer=developer,
        target_range=density_range_for(None, "contact") if target is None else Quantity(target),
        scene_stops=stops,
        temperature_c=temperature,
        use=None if use is None else int(use),
        load=Load(dilution=dilution),
        date=_today(),
    )
    with location.open_notebook(desk.notebook) as book:
        sheet = advised(book, question)
    step = next_step(sheet)
    words = ["advise", f"--film={film}", f"--developer={developer}", f"--temp={temperature:g}"]
    words += [] if use is None else [f"--use={use:.0f}"]
    words += [] if target is None else [f"--target-range={target:g}"]
    words += [] if stops is None else [f"--scene-stops={stops:g}"]
    words += [] if dilution is None else [f"--dilution={dilution}"]
    return {
        "done": True,
        "say": step.say,
        "why": step.why,
        "text": step.all,
        "curve": _curve(sheet),
        "command": command_text(words),
    }


def _curve(sheet: AdviceSheet) -> dict[str, Any]:
    """Return contrast against time as numbers for a drawing: minutes, contrast, and the ends of its band."""
    from densiscan.development.contrast_curve import development_curve

    assert sheet.known is not None  # noqa: S101 - advice from a notebook has its posterior
    curve = development_curve(sheet.known, sheet.advice)
    return {
        "curve": [[point.time_s / 60.0, point.contrast, point.low, point.high] for point in curve.curve],
        "runs": [[point.number, point.time_s / 60.0, point.contrast, point.doubt] for point in curve.runs],
        "aim": curve.aim,
        "time": curve.time_s / 60.0,
    }


def next_time(book: Notebook) -> AdviceSheet | None:
    """Return what is advised for the film and developer used last; None where nothing was developed yet."""
    from densiscan.notebook.advised import advised_after, in_use

    last = in_use(book.runs(last=_LAST), 1)
    return advised_after(book, last[0], today=_today()) if last else None


def _today() -> str:
    return datetime.now().astimezone().date().isoformat()


def next_said(desk: Desk) -> NextStep | None:
    """Return what to do next with the film and developer used last; worked out anew only when the notebook changed."""
    from densiscan.report.page.notebook import next_step

    try:
        changed = desk.notebook.stat().st_mtime_ns
    except OSError:
        return None
    if desk.next_step is None or desk.next_step[0] != changed:
        with location.open_notebook(desk.notebook) as book:
            sheet = next_time(book)
        desk.next_step = changed, None if sheet is None else next_step(sheet)
    return desk.next_step[1]
