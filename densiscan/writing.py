"""Files written whole: beside their place first, then moved there, so that no half file is ever seen."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from densiscan.errors import DensiscanError


def as_text(name: str | os.PathLike[str]) -> str:
    """Return a file's name, or words with one in them, as text for a document: what is no character stands as its code.

    Names are bytes on most systems; those of another encoding than the system's come with surrogates, which neither
    UTF-8 nor a database takes.
    """
    return os.fspath(name).encode("utf-8", "backslashreplace").decode("utf-8")


def write_whole(path: Path, content: str | bytes, *, what: str) -> None:
    """Write a file whole or not at all; a text as UTF-8.

    Parameters
    ----------
    what
        What the file holds, for the sentence: "the table".

    Raises
    ------
    DensiscanError
        If it cannot be written.
    """
    beside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        beside = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode("utf-8") if isinstance(content, str) else content)
        umask = os.umask(0)
        os.umask(umask)
        beside.chmod(0o666 & ~umask)
        beside.replace(path)
    except OSError as problem:
        if beside is not None:
            beside.unlink(missing_ok=True)
        reason = (problem.strerror or "unknown reason").lower()
        raise DensiscanError(f"{what} cannot be written to {path}: {reason}; choose another file.") from problem
