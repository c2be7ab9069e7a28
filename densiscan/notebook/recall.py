"""A reading that the notebook has, as if it had just been made: so that a folder is gone on with, not begun again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_, read_back
from densiscan.batch.assessment import Assessment, nothing_judged
from densiscan.development.exposure import ExposureAdvice
from densiscan.development.verdict import DevelopmentAdvice
from densiscan.files.atomic import as_text
from densiscan.negative.find.not_film import LeftOut
from densiscan.negative.reading import Reading, Spot
from densiscan.negative.trouble.finding import Finding, SideFog, Trouble
from densiscan.paper.grade import PaperAdvice

_NOT_EXPOSURE: Final = "exposure-not-judged"
_NOT_DEVELOPMENT: Final = "development-not-judged"
OF_THE_DAY: Final = frozenset({"calibration-old", "calibration-drifted", "calibration-from-the-future"})
"""Warnings that belong to the day of use, not to the reading."""


def assessment_of(document: Mapping[str, Any], path: Path, told: Sequence[Warning_] = ()) -> Assessment:
    """Return the assessment that a document of the contract was made of, as far as the document goes.

    What a quantity's uncertainty is made of is not in it: it becomes one influence.

    Parameters
    ----------
    path
        The scan, which may have another name or place by now.
    told
        What is to be said beside every reading today, in place of what was said then.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the document is of another form.
    """
    warnings = [Warning_(code=one["code"], message=one["message"]) for one in document["warnings"]]
    exposure, development, paper = _judgement(document, warnings)
    return Assessment(
        path=path,
        reading=_reading(document, path, (*told, *_kept(warnings))),
        exposure=exposure,
        development=development,
        paper=paper,
        trouble=_trouble(document),
    )


def _judgement(
    document: Mapping[str, Any], warnings: Sequence[Warning_]
) -> tuple[ExposureAdvice, DevelopmentAdvice, PaperAdvice]:
    """Return what a document says of exposure, development and paper; of what is no negative it says nothing."""
    exposure, development, paper = document["exposure"], document["development"], document["paper"]
    if exposure is None:
        return nothing_judged()
    return (
        ExposureAdvice(
            verdict=exposure["verdict"],
            stops=_quantity(exposure["stops"], "stops"),
            at_least=exposure["at_least"],
            borderline=exposure.get("borderline", False),
            reason=exposure["reason"],
            warnings=_coded(warnings, _NOT_EXPOSURE),
        ),
        DevelopmentAdvice(
            verdict=development["verdict"],
            contrast=_quantity(development["contrast"], "contrast"),
            target_contrast=development["target_contrast"],
            time_factor=_quantity(development["time_factor"], "time factor"),
            borderline=development.get("borderline", False),
            reason=development["reason"],
            warnings=_coded(warnings, _NOT_DEVELOPMENT),
        ),
        PaperAdvice(
            process=paper["process"], needed_range=paper["needed_range"], grade=paper["grade"], note=paper["note"]
        ),
    )


def _kept(warnings: Sequence[Warning_]) -> tuple[Warning_, ...]:
    others = {_NOT_EXPOSURE, _NOT_DEVELOPMENT, *OF_THE_DAY}
    return tuple(warning for warning in warnings if warning.code not in others)


def _coded(warnings: Sequence[Warning_], code: str) -> tuple[Warning_, ...]:
    return tuple(warning for warning in warnings if warning.code == code)


def _reading(document: Mapping[str, Any], path: Path, warnings: tuple[Warning_, ...]) -> Reading:
    return Reading(
        file=as_text(path.name),
        ppi=document["ppi"],
        aperture_mm=document["aperture_mm"],
        piece=document.get("piece"),
        film_mm=_box(document["film_mm"]),
        frame_mm=_box(document["frame_mm"]),
        angle_deg=document["angle_deg"],
        base_plus_fog=_quantity(document["base_plus_fog"], "base plus fog"),
        fog=_quantity(document["fog"], "fog"),
        shadow=_quantity(document["shadow"], "shadow"),
        highlight=_quantity(document["highlight"], "highlight"),
        density_range=_quantity(document["density_range"], "density range"),
        net_shadow=_quantity(document["net_shadow"], "net shadow"),
        net_highlight=_quantity(document["net_highlight"], "net highlight"),
        spots=tuple(_spot(one, number) for number, one in enumerate(document["spots"], start=1)),
        clipped_light=document["clipped"]["light"],
        clipped_dark=document["clipped"]["dark"],
        beyond_calibration=document["beyond_calibration"],
        warnings=warnings,
        seen=document.get("seen", "negative"),
        left_out=tuple(_left_out(one) for one in document.get("left_out", ())),
    )


def _left_out(document: Mapping[str, Any]) -> LeftOut:
    left, top, width, height = document["box_mm"]
    return LeftOut(
        box_mm=(left, top, width, height),
        code=document["code"],
        message=document["message"],
        may_be_film=document["may_be_film"],
    )


def _spot(document: Mapping[str, Any], number: int) -> Spot:
    density = _quantity(document["density"], f"spot {number}")
    if density is None:
        message = "a spot without a density"
        raise ValueError(message)
    return Spot(
        x_mm=document["x_mm"], y_mm=document["y_mm"], density=density, net=_quantity(document["net"], f"net {number}")
    )


def _trouble(document: Mapping[str, Any]) -> Trouble:
    evenness = document["evenness"]
    sides = [(one, _quantity(one["base_plus_fog"], one["side"])) for one in evenness["fog"]]
    return Trouble(
        findings=tuple(_finding(one) for one in document["findings"]),
        fog=tuple(
            SideFog(name=one["side"], base_plus_fog=value, fog=_quantity(one.get("fog"), f"fog, {one['side']}"))
            for one, value in sides
            if value is not None
        ),
        fog_level=evenness["fog_level"],
        fog_against=evenness["fog_against"],
        notes=tuple(Warning_(code=one["code"], message=one["message"]) for one in evenness["notes"]),
    )


def _finding(document: Mapping[str, Any]) -> Finding:
    left, top, width, height = document["box_mm"]
    return Finding(
        code=document["code"],
        message=document["message"],
        box_mm=(left, top, width, height),
        size=_quantity(document["size"], document["code"]),
        sure=document["sure"],
        side=document["side"],
        count=document["count"],
        area_share=document["area_share"],
        places_mm=tuple((x, y) for x, y in document["places_mm"]),
    )


def _quantity(document: Mapping[str, Any] | None, name: str) -> Quantity | None:
    return read_back(document, Influence("kept", name))


def _box(sides: Sequence[float] | None) -> tuple[float, float, float, float] | None:
    if sides is None:
        return None
    left, top, width, height = sides
    return left, top, width, height
