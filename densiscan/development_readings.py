"""Which readings tell something of the development: not those of frames that lack shadows or end of the calibration.

Works on readings as the documents that `measure` makes of them, which is how the notebook keeps them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from densiscan.development_runs import Run
from densiscan.quantity import Quantity, Warning_

Document = Mapping[str, Any]

_MOST_BEYOND: Final = 0.01
"""Part of the frame's area that may be clipped or beyond the calibration: the highlight is the 99th percentile."""

_UNDER: Final = "underexposed"
_LIMIT: Final = "beyond the calibration"
_NO_PICTURE: Final = "not a picture"


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundRuns:
    """Runs with only the density ranges that tell of development, and a word on those left out."""

    runs: tuple[Run, ...]
    told: tuple[Warning_, ...]


def why_silent(document: Document) -> str | None:
    """Return why the density range of a reading tells nothing of the development, None where it does.

    Shadows lost for lack of exposure shorten the range, a highlight denser than the calibration reaches does too, and
    where no frame was found the range may be that of the film's edge: none of it is development.
    """
    if (document.get("exposure") or {}).get("verdict") == "under":
        return _UNDER
    dark = (document.get("clipped") or {}).get("dark") or 0.0
    if max(dark, document.get("beyond_calibration") or 0.0) > _MOST_BEYOND:
        return _LIMIT
    development = document.get("development")
    return _NO_PICTURE if development is not None and development.get("contrast") is None else None


def sound_runs(runs: Iterable[Run], documents: Mapping[str, Document]) -> SoundRuns:
    """Return the runs without the density ranges that tell nothing of the development.

    Parameters
    ----------
    documents
        The last reading of each negative, by the negative's uid; the ranges of runs name it as their influence.
    """
    silent = {uid: why for uid, document in documents.items() if (why := why_silent(document)) is not None}
    kept, left_out = [], dict[str, list[int]]()
    for run in runs:
        whys = [_why(span, silent) for span in run.density_ranges]
        for why in whys:
            if why is not None:
                left_out.setdefault(why, []).append(run.number)
        spans = tuple(span for span, why in zip(run.density_ranges, whys, strict=True) if why is None)
        kept.append(replace(run, density_ranges=spans))
    return SoundRuns(runs=tuple(kept), told=tuple(_warning(why, numbers) for why, numbers in left_out.items()))


def _why(span: Quantity, silent: Mapping[str, str]) -> str | None:
    return next((silent[influence.key] for influence in span.parts or {} if influence.key in silent), None)


def _warning(why: str, numbers: list[int]) -> Warning_:
    count = len(numbers)
    runs = ", ".join(str(number) for number in dict.fromkeys(numbers))
    message = (
        f"{count} negative{'s' if count > 1 else ''} of run{'s' if len(set(numbers)) > 1 else ''} {runs} "
        f"{'are' if count > 1 else 'is'} {why}: the range tells nothing of the development and is left out."
    )
    return Warning_(code="negatives-left-out", message=message)
