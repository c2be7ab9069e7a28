"""Workers on other machines: a Dask scheduler that somebody runs, and its workers that see the same files."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from densiscan.batch.workers import Workers, given
from densiscan.errors import DensiscanError

_SECONDS: Final = 15


@contextmanager
def cluster(address: str) -> Iterator[Workers]:
    """Give the workers of a running cluster.

    A worker that is lost gives its scans back to the scheduler, which hands them to the others.

    Parameters
    ----------
    address
        Of the scheduler, such as `127.0.0.1:8786`.

    Raises
    ------
    DensiscanError
        If the extra is not installed, nobody answers there, or the cluster has no worker.
    """
    try:
        from distributed import Client
    except ImportError:
        raise DensiscanError("`cluster` needs the extra: pip install 'densiscan[cluster]'.") from None
    try:
        client: Any = Client(address, timeout=_SECONDS, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as problem:
        raise DensiscanError(
            f"no cluster answers at {address} ({type(problem).__name__}); check the address of the scheduler."
        ) from None
    with client:
        count = sum(client.nthreads().values())
        if count == 0:
            raise DensiscanError(f"the cluster at {address} has no workers; start some and try again.")
        yield given(client.get_executor(pure=False), count)
