"""A film test as a person reads it (80 columns) and as a program reads it (JSON)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.arithmetic.units import STOP
from densiscan.files.serialise import Layout, as_document
from densiscan.film.definitions import IsoSpeed, inertia_speeds
from densiscan.film.speed_and_contrast import FilmTest, meets_contrast
from densiscan.report.readings import density_text, paragraph

FILM_FORMAT: Final = "densiscan.film/1"
_PLACES_SHOWN: Final = 0.05


def film_text(test: FilmTest, *, name: str = "") -> str:
    """Return a film test as a page."""
    lines = [
        paragraph(f"Film test {name}".rstrip(), indent=0),
        "",
        "   step   log exposure      density           net",
        *(f"  {step:>5}   {at:>12}   {density:>13} {net:>13}".rstrip() for step, at, density, net in points_of(test)),
        "",
        *(paragraph(words, label=label) for label, words in figures_of(test)),
    ]
    warning_lines = [paragraph(f"! {warning.message}") for warning in test.warnings]
    return "\n".join([*lines, *([""] if warning_lines else []), *warning_lines])


def figures_of(test: FilmTest) -> list[tuple[str, str]]:
    """Return the figures of a film test in words, each under its name."""
    return [
        ("base plus fog", density_text(test.base_plus_fog)),
        ("speed point", _speed_words(test)),
        ("gamma", _gamma_words(test)),
        ("avg. gradient", _figure(test.average_gradient, "over 1.50 from the speed point")),
        ("contrast index", _figure(test.contrast_index, "true arcs of 0.20 and 2.20")),
        ("  short method", _figure(test.contrast_index_short, "one arc of 2.00")),
        ("speed", _index_words(test)),
        ("exposure range", _range_words(test)),
    ]


def points_of(test: FilmTest) -> list[tuple[str, str, str, str]]:
    """Return the points of a film test in words: step, log exposure, density, net density."""
    base = test.base_plus_fog
    return [
        (
            point.step[:8],
            f"{point.log_exposure.value + 0.0:.2f}",
            density_text(point.density),
            "" if base is None else density_text(point.density - base),
        )
        for point in test.points
    ]


def _figure(quantity: Quantity | None, how: str) -> str:
    return f"{density_text(quantity)}" + ("" if quantity is None else f"  ({how})")


def _gamma_words(test: FilmTest) -> str:
    low, high = test.straight
    return _figure(test.gamma, f"straight part, log exposure {low:.2f} to {high:.2f}")


def _speed_words(test: FilmTest) -> str:
    if test.speed_log_exposure is None:
        return "not known"
    unit = " (lux seconds)" if test.aim.absolute else ""
    return f"log exposure {density_text(test.speed_log_exposure)}{unit}, 0.10 above base plus fog"


def speed_text(speed: IsoSpeed) -> str:
    """Return a speed as it is written: arithmetic and degrees."""
    return f"ISO {speed.arithmetic:g}/{speed.degrees}°"


def index_text(index: Quantity) -> str:
    """Return an exposure index with its uncertainty, to the figures that it deserves."""
    doubt = index.uncertainty
    places = 0 if index.value >= 10.0 else 1
    return f"{index.value:.{places}f}" + ("" if not doubt else f" ± {max(doubt, 10.0**-places):.{places}f}")


def _index_words(test: FilmTest) -> str:
    if test.iso_speed is not None and test.exposure_index is not None:
        return f"{speed_text(test.iso_speed)}, computed {index_text(test.exposure_index)}"
    if test.speed_log_exposure is None:
        return "not known"
    if test.exposure_index is None:
        return "not known: the exposures are relative; give --absolute or --reference"
    counted = "from the reference" if test.aim.reference is not None else "0.8 / exposure of the speed point"
    return f"exposure index {index_text(test.exposure_index)} ({counted}), not an ISO speed"


def _range_words(test: FilmTest) -> str:
    wanted = test.aim.density_range
    if test.log_exposure_range is None:
        return f"not known for a density range of {wanted.value:.2f}"
    stops = test.log_exposure_range / STOP
    doubt = "" if stops.uncertainty is None else f" ± {max(stops.uncertainty, 0.1):.1f}"
    return (
        f"{density_text(test.log_exposure_range)}: a subject of {stops.value:.1f}{doubt} stops fills a paper of "
        f"range {wanted.value:.2f}"
    )


def _historical(test: FilmTest) -> dict[str, float] | None:
    if not test.aim.absolute or test.inertia_log_exposure is None:
        return None
    speeds = inertia_speeds(10.0**test.inertia_log_exposure.value)
    return {"hurter_driffield": speeds.hurter_driffield, "watkins": speeds.watkins, "wynne": speeds.wynne}


def _curve(test: FilmTest) -> Sequence[dict[str, float]]:
    every = max(round(_PLACES_SHOWN / float(test.curve.log_exposure[1] - test.curve.log_exposure[0])), 1)
    places = zip(test.curve.log_exposure[::every].tolist(), test.curve.density[::every].tolist(), strict=True)
    return [{"log_exposure": place, "density": density} for place, density in places]


def film_document(test: FilmTest) -> dict[str, Any]:
    """Return a film test as plain JSON values, in the form of the contract and more."""
    return as_document(test, _LAYOUT, format=FILM_FORMAT)


_LAYOUT: Final[Layout] = {
    "FilmTest": "points absolute=aim.absolute base_plus_fog gamma average_gradient contrast_index contrast_index_short "
    "speed_log_exposure inertia_log_exposure straight_part=straight rise_over_1_30=rise contrast_condition iso_speed "
    "historical_speeds exposure_index density_range=aim.density_range.value log_exposure_range scatter=curve.scatter "
    "curve warnings",
    "FilmTest.contrast_condition": lambda test: None if test.rise is None else meets_contrast(test.rise),
    "FilmTest.historical_speeds": _historical,
    "FilmTest.curve": _curve,
    "CurvePoint": "step log_exposure=log_exposure.value log_exposure_uncertainty density",
    "CurvePoint.log_exposure_uncertainty": lambda point: point.log_exposure.uncertainty or None,
}
