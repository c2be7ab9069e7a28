"""The library behind numpy's matrix products, kept to one thread.

Our matrices are small: several threads gain nothing on them, and while they wait for the next one they take a core from
decoding and from the other workers: a folder by two workers took 1.4 times as long. The library reads its settings
once, when numpy is imported: they are for a process of our own before it does, never for somebody else's.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Final

ONE_THREAD: Final[Mapping[str, str]] = {
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
}
"""Settings of the libraries that numpy comes with: on most systems, from Anaconda, on macOS."""


def keep_to_one_thread() -> None:
    """Set this process so, unless the person has set it otherwise."""
    for name, value in ONE_THREAD.items():
        os.environ.setdefault(name, value)


@contextmanager
def environment(changes: Mapping[str, str]) -> Iterator[None]:
    """Set variables for the processes that are started meanwhile, and put them back."""
    before = {name: os.environ.get(name) for name in changes}
    os.environ.update(changes)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
