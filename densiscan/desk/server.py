"""The desk's server: on this machine alone, its address said once, gone with Ctrl-C or when nobody looks any more."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from densiscan.desk import dark, negatives, papers, runs, scanner
from densiscan.desk.guard import Guard
from densiscan.desk.state import Desk
from densiscan.errors import DensiscanError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

_IDLE_S: Final = 900.0
"""So long after the last page was closed the desk ends by itself."""

_CONNECTIONS: Final = 1000
_STATIC: Final = {
    "page.css": ("densiscan.report.page", "templates", "text/css"),
    "page.js": ("densiscan.report.page", "templates", "text/javascript"),
    "pair.js": ("densiscan.report.page", "templates", "text/javascript"),
    "desk.css": ("densiscan.desk", "static", "text/css"),
    "desk.js": ("densiscan.desk", "static", "text/javascript"),
    "negative.js": ("densiscan.desk", "static", "text/javascript"),
    "runs.js": ("densiscan.desk", "static", "text/javascript"),
    "scanner.js": ("densiscan.desk", "static", "text/javascript"),
    "dark.js": ("densiscan.desk", "static", "text/javascript"),
}


def serve(folder: Path, notebook: Path, *, port: int, practice: bool, opened: Callable[[str], None]) -> None:
    """Serve the desk until it is ended.

    Parameters
    ----------
    folder
        The folder that the scanner saves into.
    notebook
        The notebook's file; it need not exist yet.
    port
        On 127.0.0.1; 0 takes a free one.
    practice
        Whether the folder is one to play with.
    opened
        Told the address once it answers.

    Raises
    ------
    DensiscanError
        If the port is taken.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(("127.0.0.1", port))
        except OSError as problem:
            raise DensiscanError(
                f"port {port} is taken by another program; give another one, or none for a free one."
            ) from problem
        asyncio.run(_serve(Desk(folder, notebook, practice=practice), listening, opened))


async def _serve(desk: Desk, listening: socket.socket, opened: Callable[[str], None]) -> None:
    import uvicorn

    class Quiet(uvicorn.Server):
        """A server whose signals are ours: ended by one, it has done its work and ends with status 0."""

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            yield

    guard = Guard(application(desk), port=listening.getsockname()[1])
    desk.token = guard.token
    desk.begin()
    config = uvicorn.Config(
        guard,
        log_level="critical",
        access_log=False,
        limit_concurrency=_CONNECTIONS,
        timeout_graceful_shutdown=1,
        timeout_keep_alive=30,
        server_header=False,
        date_header=False,
        ws="none",
    )
    server = Quiet(config)

    def ended(*_: Any) -> None:
        server.should_exit = True

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, ended)
    listening.listen(_CONNECTIONS)
    desk.folder.look()
    watching = asyncio.create_task(_watch(desk, server))
    telling = asyncio.create_task(_say_when_up(server, guard, opened))
    ending = asyncio.create_task(_end_listeners(desk, server))
    try:
        await server.serve(sockets=[listening])
    finally:
        desk.end()
        for task in (watching, telling, ending):
            task.cancel()


async def _say_when_up(server: Any, guard: Guard, opened: Callable[[str], None]) -> None:
    while not server.started:  # noqa: ASYNC110 - the library has no event for it
        await asyncio.sleep(0.01)
    opened(guard.address)


async def _end_listeners(desk: Desk, server: Any) -> None:
    """Let pages that listen for news go when the server is to end; end it where nobody has looked for long."""
    looked, since = False, 0.0
    while not server.should_exit:
        await asyncio.sleep(0.2)
        looked = looked or bool(desk.listeners)
        since = 0.0 if desk.listeners else since + 0.2
        if looked and since > _IDLE_S:
            server.should_exit = True
    for queue in list(desk.listeners):
        queue.put_nowait(None)


async def _watch(desk: Desk, server: Any) -> None:
    """Take in what changes in the folder, once it has been still for a moment."""
    from watchfiles import awatch

    stop = asyncio.Event()
    try:
        async for _ in awatch(desk.folder.path, stop_event=stop, recursive=False, debounce=400, step=200):
            desk.folder.look()
            if server.should_exit:
                return
    except (OSError, RuntimeError):  # a folder that cannot be watched is looked at
        while not server.should_exit:
            await asyncio.sleep(2.0)
            desk.folder.look()


def application(desk: Desk) -> Any:
    """Return the desk's application, without the guard before it."""
    from starlette.applications import Starlette
    from starlette.routing import Route

    pages: list[BaseRoute] = [
        *negatives.routes(desk),
        *runs.routes(desk),
        *papers.routes(desk),
        *scanner.routes(desk),
        *dark.routes(desk),
        Route("/static/{name}", _static, methods=["GET"]),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(_: Any) -> AsyncIterator[None]:
        yield

    return Starlette(routes=pages, lifespan=lifespan)


async def _static(request: Request) -> Response:
    from starlette.responses import Response

    file = _STATIC.get(request.path_params["name"])
    if file is None:
        return Response(status_code=404)
    package, place, kind = file
    text = (files(package) / place / request.path_params["name"]).read_text(encoding="utf-8")
    return Response(text, media_type=kind)
