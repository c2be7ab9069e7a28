"""A reading that the notebook has, as if it had just been made: to go on with a folder, to be shown on a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence, Warning_
from densiscan.batch.assessment import Assessment, nothing_judged
from densiscan.development.exposure import ExposureAdvice
from densiscan.development.verdict import DevelopmentAdvice
from densiscan.files.atomic import as_text
from densiscan.files.serialise import Layout, read_result
from densiscan.negative.reading import Reading
from densiscan.negative.trouble.finding import Finding, Trouble
from densiscan.notebook.schema import READ
from densiscan.paper.grade import PaperAdvice

_NOT_EXPOSURE: Final = "exposure-not-judged"
_NOT_DEVELOPMENT: Final = "development-not-judged"
_SOURCE: Final = Influence("kept")
_LAYOUT: Final[Layout] = {
    "Reading": "file ppi aperture_mm piece film_mm frame_mm angle_deg base_plus_fog fog shadow highlight density_range "
    "net_shadow net_highlight spots clipped.light=clipped_light clipped.dark=clipped_dark beyond_calibration warnings "
    "left_out seen",
    "SideFog": "side=name base_plus_fog fog",
}
OF_THE_DAY: Final = frozenset({"calibration-old", "calibration-drifted", "calibration-from-the-future"})
"""Warnings that belong to the day of use, not to the reading."""


def assessment_of(document: Mapping[str, Any], path: Path, told: Sequence[Warning_] | None = ()) -> Assessment:
    """Return the assessment that a document of the contract was made of, as far as the document goes.

    What a quantity's uncertainty is made of is not in it: it becomes one influence.

    Parameters
    ----------
    path
        The scan, which may have another name or place by now.
    told
        What is to be said beside every reading today, in place of what was said then; None: what was said then.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the document is of another form.
    """
    warnings = [read_result(Warning_, one) for one in document["warnings"]]
    exposure, development, paper = _judgement(document, warnings)
    named = {"piece": None, **document, "file": as_text(path.name)}
    reading = read_result(Reading, named, _LAYOUT, source=_SOURCE)
    looked_at = {**document["evenness"], "findings": document["findings"]}
    return Assessment(
        path=path,
        reading=replace(reading, warnings=_of_reading(warnings, told)),
        exposure=exposure,
        development=development,
        paper=paper,
        trouble=read_result(Trouble, looked_at, _LAYOUT, source=_SOURCE),
    )


_UNKNOWN: Final[Mapping[str, Any]] = {
    "file": "not known",
    "aperture_mm": 1.0,
    "angle_deg": 0.0,
    **dict.fromkeys(("ppi", "film_mm", "frame_mm", *READ)),
    "spots": [],
    "clipped": {"light": 0.0, "dark": 0.0},
    "beyond_calibration": 0.0,
    "warnings": [],
    "findings": [],
    "evenness": {},
    "exposure": None,
    "development": None,
    "paper": None,
}
"""What the document of a reading has, and an earlier version may not have had."""

_SAID: Final[Mapping[str, Mapping[str, Any]]] = {
    "exposure": {"stops": None, "reason": ""},
    "development": {"contrast": None, "target_contrast": 0.0, "time_factor": None, "reason": ""},
    "paper": {"process": "contact", "needed_range": None, "grade": None, "note": ""},
}
"""What is said of a negative, likewise."""


def assessment_kept(document: Mapping[str, Any]) -> Assessment:
    """Return likewise what any version kept: what it did not have is not known, or was not judged."""
    whole = {**_UNKNOWN, **document}
    said = {part: whole[part] and {**usual, **whole[part]} for part, usual in _SAID.items()}
    return assessment_of({**whole, **said}, Path(str(whole.get("path", whole["file"]))), told=None)


def findings_kept(document: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return what looked wrong with the film by the document of a reading, of any version."""
    return tuple(read_result(Finding, one, source=_SOURCE) for one in document.get("findings") or ())


def _judgement(
    document: Mapping[str, Any], warnings: Sequence[Warning_]
) -> tuple[ExposureAdvice, DevelopmentAdvice, PaperAdvice]:
    """Return what a document says of exposure, development and paper; of what is no negative it says nothing."""
    if document["exposure"] is None:
        return nothing_judged()
    exposure = read_result(ExposureAdvice, document["exposure"], source=_SOURCE)
    development = read_result(DevelopmentAdvice, document["development"], source=_SOURCE)
    return (
        replace(exposure, warnings=_coded(warnings, _NOT_EXPOSURE)),
        replace(development, warnings=_coded(warnings, _NOT_DEVELOPMENT)),
        read_result(PaperAdvice, document["paper"]),
    )


def _of_reading(warnings: Sequence[Warning_], told: Sequence[Warning_] | None) -> tuple[Warning_, ...]:
    others = {_NOT_EXPOSURE, _NOT_DEVELOPMENT, *(() if told is None else OF_THE_DAY)}
    return (*(told or ()), *(warning for warning in warnings if warning.code not in others))


def _coded(warnings: Sequence[Warning_], code: str) -> tuple[Warning_, ...]:
    return tuple(warning for warning in warnings if warning.code == code)
