"""The readings of a negative: base plus fog, shadow, highlight, density range, spots.

A reading is -log10 of the mean transmittance of an aperture, as a densitometer's optics average (ISO 5-1, ISO 5-2).
Where the film, its rebate and the exposed frames lie is found in `pieces` and `frames`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.apertures import Readings, aperture_readings
from densiscan.calibration import Calibration
from densiscan.errors import MeasureError, WrongUseError
from densiscan.frames import film_in
from densiscan.frames_rebate import Frame, Rebate
from densiscan.pieces import find_outlines, is_wedge
from densiscan.pieces_map import Cells, TurnedBox, cells_of, straightened
from densiscan.quantity import Influence, Quantity, Warning_
from densiscan.scan import Scan
from densiscan.survey import disc, patch, survey

BoxMm = tuple[float, float, float, float]

CELL_MM: Final = 0.25
"""Cell of the survey: a quarter of the usual aperture."""
_SHOWN_CLIPPED: Final = 0.001
_SHOWN_BEYOND: Final = 0.01
_UNEVEN: Final = 0.05
_SIDES: Final = ("left", "top", "right", "bottom")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A reading at a place on the scan, in mm from its top left corner; net where base plus fog is known."""

    x_mm: float
    y_mm: float
    density: Quantity
    net: Quantity | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one frame of a negative reads.

    Densities are gross unless the name says net. `film_mm` and `frame_mm` are left, top, width, height before turning
    by `angle_deg` (clockwise positive) about the centre of the film; None where the film's edges are not in the scan.
    `clipped_light`, `clipped_dark` and `beyond_calibration` are fractions of the frame's area.
    """

    file: str
    ppi: float
    aperture_mm: float
    piece: int | None
    film_mm: BoxMm | None
    frame_mm: BoxMm | None
    angle_deg: float | None
    base_plus_fog: Quantity | None
    fog: Quantity | None
    shadow: Quantity | None
    highlight: Quantity | None
    density_range: Quantity | None
    net_shadow: Quantity | None
    net_highlight: Quantity | None
    spots: tuple[Spot, ...]
    clipped_light: float
    clipped_dark: float
    beyond_calibration: float
    rebate: Rebate | None = None
    warnings: tuple[Warning_, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """How to measure; boxes in mm on the scan (left, top, width, height), densities without unit.

    `trim` is the share of the area beyond shadow and beyond highlight. `base_density` is that of the fixed, undeveloped
    film; `base_fog` a base plus fog read elsewhere, taken as exact.
    """

    aperture_mm: float = 1.0
    square: bool = False
    trim: float = 0.01
    frame_mm: BoxMm | None = None
    rebate_mm: BoxMm | None = None
    spots_mm: tuple[tuple[float, float], ...] = ()
    base_density: float | None = None
    base_fog: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Place:
    """Where one reading is taken: the film it lies on, the frame, what is read, and the rebate round it."""

    film: TurnedBox | None
    frame: TurnedBox | None
    area: TurnedBox
    rebate: Rebate | None
    warnings: tuple[Warning_, ...] = ()


def measure_scan(scan: Scan, calibration: Calibration, options: MeasureOptions) -> tuple[Reading, ...]:
    """Measure every frame of every piece of film on a scan.

    Parameters
    ----------
    scan
        Made as the calibration's scan was.
    calibration
        Of the scanner.

    Returns
    -------
    tuple of Reading
        In reading order, numbered in `piece` where there are several. At least one: where no film or frame can be
        told, the whole scan is read, with a warning.

    Raises
    ------
    MeasureError
        If the scan's scale or channel is another than the calibration's.
    WrongUseError
        If a box or a spot does not lie on the scan.
    """
    _check(scan, calibration, options)
    table = calibration.table(scan.facts.full_scale)
    cells = cells_of(survey(scan, table=table, cell_mm=CELL_MM), inverted=calibration.inverted)
    shared = _shared_warnings(scan, calibration)
    spots = _spots(scan, calibration, options)
    places = _places(cells, calibration, options)
    readings = [
        _reading(
            scan, cells, place, calibration=calibration, options=options, number=number if len(places) > 1 else None
        )
        for number, place in enumerate(places, start=1)
    ]
    return tuple(
        replace(
            reading,
            spots=tuple(_with_net(spot, reading.base_plus_fog) for spot in spots),
            warnings=shared + reading.warnings,
        )
        for reading in readings
    )


def _check(scan: Scan, calibration: Calibration, options: MeasureOptions) -> None:
    name, facts = scan.facts.file, scan.facts
    if facts.full_scale != calibration.scan.full_scale:
        raise MeasureError(
            f"{name} has codes up to {facts.full_scale}, the calibration {calibration.name} up to "
            f"{calibration.scan.full_scale}; scan the negative as the wedge was scanned."
        )
    if scan.channel != calibration.channel:
        raise MeasureError(
            f"{name} is read in its {scan.channel} channel, the calibration {calibration.name} was made in "
            f"{calibration.channel}; scan wedge and negative alike."
        )
    for what, box in (("--frame", options.frame_mm), ("--rebate", options.rebate_mm)):
        if box is not None and not _on_scan(scan, box):
            raise WrongUseError(f"{name}: {what} does not lie on the scan, which is {_size(scan)}.")
    for x, y in options.spots_mm:
        if not (0.0 <= x <= scan.width_mm and 0.0 <= y <= scan.height_mm):
            raise WrongUseError(f"{name}: the spot {x:g},{y:g} does not lie on the scan, which is {_size(scan)}.")


def _on_scan(scan: Scan, box: BoxMm) -> bool:
    left, top, width, height = box
    return 0.0 <= left < left + width <= scan.width_mm + 0.1 and 0.0 <= top < top + height <= scan.height_mm + 0.1


def _size(scan: Scan) -> str:
    return f"{scan.width_mm:.0f} x {scan.height_mm:.0f} mm"


def _shared_warnings(scan: Scan, calibration: Calibration) -> tuple[Warning_, ...]:
    differs = calibration.differences(scan.facts)
    if not differs:
        return scan.warnings
    told = Warning_(
        code="scan-differs-from-calibration",
        message=f"This scan differs from the one the calibration was made from: {'; '.join(differs)}.",
    )
    return (*scan.warnings, told)


def _places(cells: Cells, calibration: Calibration, options: MeasureOptions) -> list[_Place]:
    if options.frame_mm is not None:
        return [_given_place(cells, calibration, options.frame_mm)]
    places: list[_Place] = []
    for outline in find_outlines(cells, density_range=calibration.density_range):
        if not is_wedge(straightened(cells, outline.box)):
            film = film_in(cells, outline)
            places += [
                _Place(
                    film=film.box, frame=frame.box, area=frame.box, rebate=film.rebate, warnings=_frame_warnings(frame)
                )
                for frame in film.frames
            ] or [_Place(film=film.box, frame=None, area=film.seen, rebate=film.rebate, warnings=(_NO_FRAME,))]
    if places:
        return places
    return [_Place(film=None, frame=None, area=cells.whole, rebate=None, warnings=(_NO_FILM,))]


_NO_FRAME: Final = Warning_(
    code="no-frame-found", message="No edge of a frame was seen, so everything inside the edges of the film is read."
)
_NO_FILM: Final = Warning_(
    code="no-film-found", message="No piece of film was told from the bed, so the whole scan is read."
)


def _given_place(cells: Cells, calibration: Calibration, box: BoxMm) -> _Place:
    """Read the frame that the person gave, with the rebate of the film it lies on where there is one."""
    frame = TurnedBox(left_mm=box[0], top_mm=box[1], width_mm=box[2], height_mm=box[3])
    x, y = np.array([frame.centre.x]), np.array([frame.centre.y])
    for outline in find_outlines(cells, density_range=calibration.density_range):
        if bool(outline.box.inside(x, y)[0]):
            film = film_in(cells, outline)
            return _Place(film=film.box, frame=frame, area=frame, rebate=film.rebate)
    return _Place(film=None, frame=frame, area=frame, rebate=None)


def _frame_warnings(frame: Frame) -> tuple[Warning_, ...]:
    told = []
    assumed = [name for name, origin in zip(_SIDES, frame.origins, strict=True) if origin == "assumed"]
    if assumed:
        told.append(
            Warning_(
                code="frame-side-assumed",
                message=f"The {' and '.join(assumed)} side of the frame is as clear as the rebate; it is taken from the "
                "other sides.",
            )
        )
    at_edge = [name for name, origin in zip(_SIDES, frame.origins, strict=True) if origin == "edge"]
    if at_edge:
        told.append(
            Warning_(
                code="frame-touches-edge",
                message=f"The picture runs to the {' and '.join(at_edge)} edge of the film: there is no rebate there.",
            )
        )
    return tuple(told)


def _reading(
    scan: Scan, cells: Cells, place: _Place, *, calibration: Calibration, options: MeasureOptions, number: int | None
) -> Reading:
    base_fog, warnings = _base_plus_fog(scan, place, calibration, options)
    found = aperture_readings(
        cells, place.area, diameter_mm=options.aperture_mm, square=options.square, whole=place.frame is None
    )
    if found.density.size == 0:
        raise MeasureError(
            f"{scan.facts.file}: an aperture of {options.aperture_mm:g} mm does not fit into the frame; give a smaller "
            "one."
        )
    key = f"{scan.facts.file} {number or 1}"
    shadow, highlight = (
        calibration.quantity(10.0**-density, found.noise_at(density), f"{key} {name}")
        for name, density in zip(("shadow", "highlight"), _ends(found, options.trim), strict=True)
    )
    beyond = _beyond(found, calibration)
    frame_mm = None if place.frame is None else _in_film(place.frame, place.film)
    angle = (place.film or place.area).angle_deg
    return Reading(
        file=scan.facts.file,
        ppi=0.5 * (scan.ppi_x + scan.ppi_y),
        aperture_mm=options.aperture_mm,
        piece=number,
        film_mm=None if place.film is None else place.film.box_mm,
        frame_mm=frame_mm,
        angle_deg=None if place.film is None and place.frame is None else angle,
        base_plus_fog=base_fog,
        fog=None if base_fog is None or options.base_density is None else base_fog - options.base_density,
        shadow=shadow,
        highlight=highlight,
        density_range=highlight - shadow,
        net_shadow=None if base_fog is None else shadow - base_fog,
        net_highlight=None if base_fog is None else highlight - base_fog,
        spots=(),
        clipped_light=found.clipped_light,
        clipped_dark=found.clipped_dark,
        beyond_calibration=beyond,
        rebate=place.rebate,
        warnings=(*place.warnings, *warnings, *_limits(found, beyond)),
    )


def _ends(found: Readings, trim: float) -> tuple[float, float]:
    low, high = np.quantile(found.density, (trim, 1.0 - trim)).tolist()
    return float(low), float(high)


def _in_film(frame: TurnedBox, film: TurnedBox | None) -> BoxMm:
    """Return the frame's box before the film is turned about its own centre."""
    if film is None:
        return frame.box_mm
    u, v = film.own(frame.centre.x, frame.centre.y)
    left = film.centre.x + float(u) - 0.5 * frame.width_mm
    return left, film.centre.y + float(v) - 0.5 * frame.height_mm, frame.width_mm, frame.height_mm


def _beyond(found: Readings, calibration: Calibration) -> float:
    low, high = calibration.density_range
    return float(np.mean((found.density < low) | (found.density > high)))


def _limits(found: Readings, beyond: float) -> list[Warning_]:
    told = []
    for code, share, where in (
        ("clipped-light", found.clipped_light, "light"),
        ("clipped-dark", found.clipped_dark, "dark"),
    ):
        if share > _SHOWN_CLIPPED:
            told.append(
                Warning_(
                    code=code,
                    message=f"{share:.1%} of the frame is at the {where} end of the scanner's scale; what is there is "
                    "only a limit.",
                )
            )
    if beyond > _SHOWN_BEYOND:
        told.append(
            Warning_(
                code="beyond-calibration",
                message=f"{beyond:.0%} of the frame lies outside the densities that the wedge calibrated; readings "
                "there are only limits.",
            )
        )
    if found.specks_kept:
        told.append(
            Warning_(
                code="many-specks",
                message="So much of the frame looks like dust or specks that none was left out; clean film and glass.",
            )
        )
    return told


def _base_plus_fog(
    scan: Scan, place: _Place, calibration: Calibration, options: MeasureOptions
) -> tuple[Quantity | None, list[Warning_]]:
    key = f"{scan.facts.file} rebate"
    if options.rebate_mm is not None:
        read = patch(scan, box_mm=options.rebate_mm, table=calibration.table(scan.facts.full_scale))
        noise = read.clean_sd / math.sqrt(read.independent) / read.clean_mean / math.log(10.0)
        density = calibration.quantity(read.clean_mean, noise, key)
        return density, _rebate_warnings(density, 0.0, calibration)
    if options.base_fog is not None:
        return Quantity(options.base_fog), []
    if place.rebate is None:
        return None, [_NO_REBATE]
    density = calibration.quantity(place.rebate.transmittance, place.rebate.uncertainty, key)
    return density, _rebate_warnings(density, place.rebate.spread, calibration)


_NO_REBATE: Final = Warning_(
    code="no-rebate",
    message="No clear edge of the film was found, so base plus fog and the net densities are not known; give --rebate "
    "or --base-fog.",
)


def _rebate_warnings(density: Quantity, spread: float, calibration: Calibration) -> list[Warning_]:
    told = []
    if spread > _UNEVEN:
        told.append(
            Warning_(
                code="rebate-uneven",
                message=f"The clear edge differs by {spread:.2f} from side to side; base plus fog is its middle.",
            )
        )
    if density.value < calibration.density_range[0] - 0.02:
        told.append(
            Warning_(
                code="rebate-beyond-calibration",
                message="The clear edge is lighter than the lightest step of the wedge; base plus fog is only a limit.",
            )
        )
    return told


def _spots(scan: Scan, calibration: Calibration, options: MeasureOptions) -> Sequence[Spot]:
    table = calibration.table(scan.facts.full_scale)
    found = []
    for number, (x, y) in enumerate(options.spots_mm, start=1):
        read = disc(scan, x_mm=x, y_mm=y, diameter_mm=options.aperture_mm, table=table, square=options.square)
        noise = read.sd / math.sqrt(max(read.independent, 1.0)) / max(read.mean, 1e-9) / math.log(10.0)
        density = calibration.quantity(read.mean, noise, f"{scan.facts.file} spot {number}")
        if calibration.outside(density.value):
            low, high = calibration.density_range
            away = max(low - density.value, density.value - high)
            density = density.with_part(Influence("beyond calibration", f"spot {number}"), 0.5 * away)
        found.append(Spot(x_mm=x, y_mm=y, density=density, net=None))
    return found


def _with_net(spot: Spot, base_plus_fog: Quantity | None) -> Spot:
    return replace(spot, net=None if base_plus_fog is None else spot.density - base_plus_fog)
