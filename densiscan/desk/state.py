"""What the desk has before it: the folder, the notebook, the templates, and who listens for news of them."""

from __future__ import annotations

import asyncio
import hashlib
import json
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs

from densiscan import __version__
from densiscan.desk.acts import Done, act
from densiscan.desk.folder import ScanFolder
from densiscan.errors import DensiscanError, in_words
from densiscan.report.page.templating import OURS, environment

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from densiscan.report.page.page import NextStep

LARGEST_FORM: Final = 1_000_000
_PACKAGES: Final = ("densiscan.desk", OURS)


class RefusedError(Exception):
    """Something typed on the desk's page cannot be; its text is the sentence shown."""


class Desk:
    """The desk: one folder, one notebook, any number of pages that look at them."""

    def __init__(self, folder: Path, notebook: Path, *, practice: bool = False) -> None:
        self.notebook = notebook
        self.practice = practice
        self.token = ""
        self.next_step: tuple[int, NextStep | None] | None = None
        self.listeners: set[asyncio.Queue[str | None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._templates = environment(_PACKAGES)
        self._own = tempfile.TemporaryDirectory(prefix="densiscan-desk-")
        self.scratch = Path(self._own.name)
        self.folder = ScanFolder(folder, notebook, self._changed)

    def begin(self) -> None:
        """Take the event loop that news are told in."""
        self._loop = asyncio.get_running_loop()

    def end(self) -> None:
        """Let every listener go, remember the folder, drop what was only for this sitting."""
        for queue in self.listeners:
            queue.put_nowait(None)
        self.folder.stop()
        with suppress(OSError):
            self._own.cleanup()

    def _changed(self, number: int) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._tell, str(number))

    def _tell(self, news: str) -> None:
        for queue in self.listeners:
            queue.put_nowait(news)

    def page(self, template: str, **values: Any) -> Response:
        """Return a page of the desk."""
        from starlette.responses import HTMLResponse

        common = {
            "token": self.token,
            "version": __version__,
            "practice": self.practice,
            "folder": self.folder.path.name,
            "beside": "",
        }
        text = self._templates.get_template(template).render(common | values)
        return HTMLResponse(text.encode("utf-8", "replace"))

    def part(self, template: str, macro: str, *values: Any) -> str:
        """Return a part of a page."""
        module = self._templates.get_template(template).module
        return str(getattr(module, macro)(*values))

    async def act(
        self, words: Sequence[str], *, notebook: Path | None = None, shown: Sequence[str] | None = None
    ) -> Done:
        """Do something by the command that does it, beside the page."""
        from starlette.concurrency import run_in_threadpool

        return await run_in_threadpool(act, words, notebook or self.notebook, shown=shown)

    def wedge_file(self, text: str) -> Path:
        """Return a wedge file with this text, beside the notebook, so that a command that was copied still finds it."""
        name = hashlib.sha256(text.encode("utf-8")).hexdigest()[:10]
        place = self.notebook.parent / "desk" / f"wedge-{name}.csv"
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text.replace("\r\n", "\n"), encoding="utf-8")
        return place


def route(desk: Desk, path: str, method: str, answer: Callable[[Desk, Request], Awaitable[Response]]) -> BaseRoute:
    """Return a route whose answer is given by a function; what it refuses is one sentence."""
    from starlette.routing import Route

    async def answering(request: Request) -> Response:
        try:
            return await answer(desk, request)
        except (RefusedError, DensiscanError) as problem:
            return refused(in_words(str(problem)))

    return Route(path, answering, methods=[method])


def answered(done: Done, **more: Any) -> Response:
    """Return what came of an act as JSON for the page's script."""
    from starlette.responses import JSONResponse

    told = {"done": done.done, "text": done.text, "said": done.said, "command": done.command}
    return JSONResponse(told | more, status_code=200 if done.done else 422)


def refused(sentence: str) -> Response:
    """Return why something typed cannot be, as JSON for the page's script."""
    from starlette.responses import JSONResponse

    return JSONResponse({"done": False, "text": "", "said": sentence, "command": ""}, status_code=422)


async def body_of(request: Request) -> bytes:
    """Return what a page sent, at most so large.

    Raises
    ------
    RefusedError
        If it is larger.
    """
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > LARGEST_FORM:
            raise RefusedError("That is too large to take in one go.")
        parts.append(part)
    return b"".join(parts)


async def fields_of(request: Request) -> dict[str, list[str]]:
    """Return the fields of a form, each with all of its values, those left empty left out."""
    text = (await body_of(request)).decode("utf-8", "replace")
    return {name: [one.strip() for one in values if one.strip()] for name, values in parse_qs(text).items()}


async def document_of(request: Request) -> Mapping[str, Any]:
    """Return the JSON object that a page sent.

    Raises
    ------
    RefusedError
        If it is none.
    """
    try:
        document = json.loads(await body_of(request))
    except ValueError as problem:
        raise RefusedError("The page sent something unreadable; reload it.") from problem
    if not isinstance(document, dict):
        raise RefusedError("The page sent something unreadable; reload it.")
    return document


def words_of(fields: Mapping[str, Sequence[str]], options: Sequence[str]) -> list[str]:
    """Return the options of a command from fields of their names, such as scene-stops; a field left empty is none."""
    # Written as one word, so that a value that begins with a dash is no option.
    return [f"--{option}={value}" for option in options for value in fields.get(option, ())]
