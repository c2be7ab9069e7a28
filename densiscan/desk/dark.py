"""In the dark: a red page with the evening's plan, a timer for the baths and a metronome for the exposure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from densiscan.desk.runs import next_said, next_time
from densiscan.desk.state import Desk
from densiscan.notebook import location

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_USUAL_S = 480


def routes(desk: Desk) -> list[BaseRoute]:
    """Return the page for the dark; all that it does, it does by itself, so that nothing stops with the desk."""
    from starlette.routing import Route

    async def page(_request: Request) -> Response:
        sheet = None
        if desk.notebook.exists():
            with location.open_notebook(desk.notebook) as book:
                sheet = next_time(book)
        step = next_said(desk)
        seconds = _USUAL_S if sheet is None else 5 * round(sheet.advice.time_s.value / 5)
        return desk.page("dark.html", title="In the dark", place="dark", step=step, seconds=seconds)

    return [Route("/dark", page, methods=["GET"])]
