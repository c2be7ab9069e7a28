"""Points of a film test from scans: the steps of a row exposed through a wedge, places named, or whole frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import even_cells
from densiscan.errors import MeasureError, WrongUseError
from densiscan.film.points import Exposure
from densiscan.film.row import find_film_row
from densiscan.film.speed_and_contrast import CurvePoint
from densiscan.negative.bench import bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_on
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import Survey
from densiscan.wedge.wedge import Wedge

_MIDDLE: Final = 0.6
"""Part of a step, along and across, that is read where the row was named: the rest is left to blur and leaked light."""
_MEDIAN: Final = 0.499
_OWN_KINDS: Final = frozenset({"patch noise", "rounding", "lamp"})
_OF_ALL: Final = "over the wedge"


@dataclass(frozen=True, slots=True, kw_only=True)
class WhereOnFilm:
    """Where the exposures are on the scans; with nothing named the row of steps is looked for.

    Attributes
    ----------
    row_mm
        Box round the exposed steps, from the first to the last.
    spots_mm
        A place for each exposure, in the order of the list.
    frames
        Every frame is one exposure, in reading order.
    """

    row_mm: BoxMm | None = None
    spots_mm: tuple[tuple[float, float], ...] = ()
    frames: bool = False

    def __post_init__(self) -> None:
        if sum((self.row_mm is not None, bool(self.spots_mm), self.frames)) > 1:
            raise WrongUseError(
                "`row_mm`, `spots_mm` and `frames` are three ways to say where the exposures are; give one."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFilm:
    """What was read: the points, base plus fog where clear film was read too, and what is to be said."""

    points: tuple[CurvePoint, ...]
    base_plus_fog: Quantity | None
    warnings: tuple[Warning_, ...]


def exposures_through(
    wedge: Wedge, *, log_exposure: float, uncertainty: float = 0.0, calibration: Calibration | None = None
) -> tuple[Exposure, ...]:
    """Return what each step of a wedge in contact lets through: log H = log H0 - D.

    Parameters
    ----------
    log_exposure
        log10 of the exposure on the wedge, and its expanded uncertainty (k = 2).
    calibration
        Where it was made with the same wedge, errors of the wedge's densities are in both, and move together.
    """
    same = calibration is not None and _same_wedge(wedge, calibration)
    exposures = []
    for step in wedge.lightest_first():
        key = step.step if same else f"exposed through, {step.step}"
        parts = {Influence("wedge", key): -step.uncertainty / COVERAGE_FACTOR}
        if uncertainty > 0.0:
            parts[Influence("exposure", "of all steps")] = uncertainty / COVERAGE_FACTOR
        exposures.append(Exposure(step=step.step, log_exposure=Quantity(log_exposure - step.density, parts)))
    return tuple(exposures)


def _same_wedge(wedge: Wedge, calibration: Calibration) -> bool:
    ours = [(step.step, step.density, step.uncertainty) for step in wedge.lightest_first()]
    theirs = [(one.reading.step, one.reading.density, one.reading.certificate) for one in calibration.steps]
    return ours == theirs


def read_film(
    scans: Sequence[Scan],
    exposures: Sequence[Exposure],
    calibration: Calibration,
    *,
    where: WhereOnFilm | None = None,
    options: MeasureOptions | None = None,
) -> ReadFilm:
    """Read the densities that the exposures gave.

    Parameters
    ----------
    scans
        One scan; with frames as many as there are.
    options
        Lamp, glare and rebate as for a negative.

    Raises
    ------
    MeasureError
        If the calibration is of another kind of light, or frames and exposures are not equally many.
    WedgeNotFoundError
        If the row is not found.
    WrongUseError
        If places and exposures are not equally many, or a box is not on the scan.
    """
    measure_options, how = options or MeasureOptions(), where or WhereOnFilm()
    if calibration.mode != "transmission":
        raise MeasureError(
            f"the calibration {calibration.name} is of a reflection wedge, and film is read by transmission; give a "
            "calibration made with a transmission wedge."
        )
    if how.frames:
        film = _frames(scans, exposures, calibration, measure_options)
    elif len(scans) != 1:
        raise WrongUseError(f"{len(scans)} scans are named; several are read only as `frames`, one exposure a frame.")
    else:
        film = _places(scans[0], exposures, calibration, how, measure_options)
    warnings = [*calibration.mismatch(*scans), *film.warnings]
    return _inside(replace(film, warnings=tuple(dict.fromkeys(warnings))), calibration)


def _inside(film: ReadFilm, calibration: Calibration) -> ReadFilm:
    """Leave out what is denser than the calibration reaches: there a density is only a limit."""
    densest = calibration.density_range[1]
    kept = tuple(point for point in film.points if point.density.value <= densest)
    left_out = len(film.points) - len(kept)
    if not left_out:
        return film
    message = (
        f"{left_out} of the exposures gave more than density {densest:.2f}, where the calibration ends, and "
        f"{'was' if left_out == 1 else 'were'} left out."
    )
    return replace(film, points=kept, warnings=(*film.warnings, Warning_(code="beyond-calibration", message=message)))


def _places(
    scan: Scan, exposures: Sequence[Exposure], calibration: Calibration, how: WhereOnFilm, options: MeasureOptions
) -> ReadFilm:
    bench = bench_for(scan, calibration, replace(options, spots_mm=how.spots_mm))
    light, file = bench.light, scan.facts.file
    base = None if options.rebate_mm is None else light.of_box(options.rebate_mm, f"{file}: rebate")
    if how.spots_mm:
        if len(how.spots_mm) != len(exposures):
            raise WrongUseError(
                f"{len(how.spots_mm)} places are named for {len(exposures)} exposures; name the place of "
                "each with `spots_mm`, in the order of the list."
            )
        densities = [
            light.of_spot(spot, diameter_mm=options.aperture_mm, square=options.square, key=f"{file}: spot {number}")
            for number, spot in enumerate(how.spots_mm, start=1)
        ]
        ordered = list(exposures)
    else:
        ordered = sorted(exposures, key=lambda one: one.log_exposure.value)
        boxes, clear = _boxes(scan, bench.survey, len(ordered), how)
        if base is None and clear is not None:
            base = light.of_box(clear, f"{file}: rebate")
        densities = [light.of_box(box, f"{file}: step {number}") for number, box in enumerate(boxes, start=1)]
        if how.row_mm is not None and densities[0].value > densities[-1].value:
            densities.reverse()
    return ReadFilm(
        points=_points(ordered, densities), base_plus_fog=base, warnings=scan.warnings + bench.survey.warnings
    )


def _points(exposures: Sequence[Exposure], densities: Sequence[Quantity]) -> tuple[CurvePoint, ...]:
    return tuple(
        CurvePoint(step=exposure.step, log_exposure=exposure.log_exposure, density=density)
        for exposure, density in zip(exposures, densities, strict=True)
    )


def _boxes(scan: Scan, survey: Survey, count: int, how: WhereOnFilm) -> tuple[list[BoxMm], BoxMm | None]:
    """Return the middle of each step, least exposed first where the row is found, and clear film seen beside it."""
    if how.row_mm is None:
        row = find_film_row(even_cells(survey), count, file=scan.facts.file)
        return [step.box_mm for step in row.steps], row.clear_mm
    left, top, width, height = how.row_mm
    if left < -0.5 or top < -0.5 or left + width > scan.width_mm + 0.5 or top + height > scan.height_mm + 0.5:
        raise WrongUseError(
            f"`row_mm` does not lie on {scan.facts.file}, which is {scan.width_mm:.1f} x {scan.height_mm:.1f} mm; give "
            "left,top,width,height in mm inside it."
        )
    return _divided(how.row_mm, count), None


def _divided(row: BoxMm, count: int) -> list[BoxMm]:
    """Return the middle of each of so many equal steps along the longer side of a box."""
    left, top, width, height = row
    margin, along = 0.5 * (1.0 - _MIDDLE), max(width, height) / count
    if width >= height:
        return [
            (left + (n + margin) * along, top + margin * height, _MIDDLE * along, _MIDDLE * height)
            for n in range(count)
        ]
    return [(left + margin * width, top + (n + margin) * along, _MIDDLE * width, _MIDDLE * along) for n in range(count)]


def _frames(
    scans: Sequence[Scan], exposures: Sequence[Exposure], calibration: Calibration, options: MeasureOptions
) -> ReadFilm:
    median_options = replace(options, trim=_MEDIAN)
    densities: list[Quantity] = []
    bases: list[Quantity] = []
    warnings: list[Warning_] = []
    for scan in scans:
        bench = bench_for(scan, calibration, median_options)
        readings = measure_on(bench)
        densities += [_own(one.shadow, scan.facts.file) for one in readings if one.shadow is not None]
        bases += [_own(one.base_plus_fog, scan.facts.file) for one in readings if one.base_plus_fog is not None]
        warnings += scan.warnings + bench.survey.warnings
    if len(densities) != len(exposures):
        raise MeasureError(
            f"{len(densities)} frames were found on {_named(scans)} for {len(exposures)} exposures; a frame as clear "
            "as the rebate cannot be found: name the place of each with `spots_mm` X,Y, or leave it out of the list."
        )
    surest = min(bases, key=lambda base: base.uncertainty or 0.0, default=None)
    return ReadFilm(points=_points(exposures, densities), base_plus_fog=surest, warnings=tuple(warnings))


def _named(scans: Sequence[Scan]) -> str:
    return scans[0].facts.file if len(scans) == 1 else f"{len(scans)} scans"


def _own(quantity: Quantity, file: str) -> Quantity:
    """Return a reading whose own influences carry the name of its scan: those of another scan are others."""
    if quantity.parts is None:
        return quantity
    parts = {
        Influence(key.kind, f"{file}: {key.key}") if key.kind in _OWN_KINDS and key.key != _OF_ALL else key: part
        for key, part in quantity.parts.items()
    }
    return Quantity(quantity.value, parts)
