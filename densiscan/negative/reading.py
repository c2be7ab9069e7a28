"""The readings of a negative: base plus fog, shadow, highlight, density range, spots.

A reading over an aperture is -log10 of the mean transmittance in it. Each frame found on the scan is a reading of its
own: a sheet has one, a strip of roll film one a frame, all with the box of the strip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.lamp import lamp_warnings
from densiscan.errors import MeasureError
from densiscan.files.shown import Shown, counted, one_line
from densiscan.negative.bench import Bench, bench_for
from densiscan.negative.channels import ChannelReading, Where, channel_warnings, channels_of
from densiscan.negative.find.not_film import LeftOut
from densiscan.negative.find.rebate import Rebate
from densiscan.negative.limits import beyond, limit_warnings
from densiscan.negative.options import MeasureOptions
from densiscan.negative.parts import Part, parts_on, spots_by_part
from densiscan.negative.seen import Seen, SeenKind, is_judged, said_to_be, seen_of
from densiscan.scan.apertures import ApertureReadings, cells_inside, readings_inside
from densiscan.scan.cells import Footprint, TurnedBox
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan

UNEVEN_REBATE: Final = 0.02
"""Difference between the sides of a rebate that is worth a word: fog, leaks or uneven development."""

_LEAST_MOVE: Final = 1e-4
"""Density below which where the frame ends is not worth a line in a budget."""
_LEAST_GAP: Final = 0.001
"""The same for a gap in the tones; no reading is surer than 0.002, and it adds an eighth at most to that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A reading at a place the person named; `net` is None without base plus fog."""

    x_mm: float
    y_mm: float
    density: Quantity
    net: Quantity | None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Reading(Shown):
    """What was read of one frame.

    Attributes
    ----------
    piece
        1, 2, ... in reading order where the scan gives several readings, else None. A strip with three frames gives
        three, each with the box of the strip.
    film_mm
        Box (left, top, width, height) of the whole sheet or strip before turning, None where an edge of it is beyond
        the scan or under a mask.
    frame_mm
        Box of the picture before the film is turned about its centre (about the frame's own where `film_mm` is None).
        None where no frame can be told and all of the film, or of the scan, was read.
    frame_corners_mm
        Where the corners of the picture lie on the scan, clockwise from the top left one.
    seen_mm
        Box of what is seen of the film, mask or scan ending it or not; turned by `seen_angle_deg`.
    angle_deg
        Clockwise positive.
    base_plus_fog, fog, shadow, highlight, density_range, net_shadow, net_highlight
        None where they cannot be had.
    rebate
        What the clear edge reads side by side, where it was found.
    channels
        What the other channels of a colour scan read.
    left_out
        What on the scan was not measured; with the first reading of a scan.
    clipped_light, clipped_dark
        Fraction of the frame's area at the light and dark end of the scanner's scale.
    beyond_calibration
        Fraction of its aperture readings outside the calibration's range.
    seen
        What it is of; a warning says why, where that is no negative.
    footprint
        Which cells of the survey are this film, where its sides are crooked; None where its box is its outline.

    Examples
    --------
    >>> (reading,) = measure_scan(open_scan("normal.tif"), read_calibration("mine.json"))
    >>> print(f"{reading.density_range:.2f}")
    1.08 ± 0.02
    """

    file: str
    ppi: float | None
    aperture_mm: float
    piece: int | None
    film_mm: BoxMm | None
    frame_mm: BoxMm | None
    angle_deg: float
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
    warnings: tuple[Warning_, ...]
    frame_corners_mm: tuple[tuple[float, float], ...] | None = None
    seen_mm: BoxMm | None = None
    seen_angle_deg: float = 0.0
    rebate: Rebate | None = None
    channels: tuple[ChannelReading, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    seen: SeenKind = "negative"
    footprint: Footprint | None = field(default=None, repr=False, compare=False)

    def __repr__(self) -> str:
        return one_line(self, self.name, *self.in_brief(), counted(len(self.warnings), "warning"))

    @property
    def name(self) -> str:
        """The file, and which piece on it where there are several."""
        return self.file if self.piece is None else f"{self.file}, piece {self.piece}"

    def in_brief(self) -> tuple[str, str, str]:
        """Return from where to where the densities go, their range, and what it is of where that is no negative."""
        ends = (_brief(self.shadow), _brief(self.highlight))
        seen = "" if self.seen == "negative" else f"seen as {self.seen}"
        return " to ".join(ends), f"range {_brief(self.density_range)}", seen


def _brief(quantity: Quantity | None) -> str:
    return "not known" if quantity is None else f"{quantity:.2f}"


def measure_scan(scan: Scan, calibration: Calibration, options: MeasureOptions | None = None) -> tuple[Reading, ...]:
    """Measure every piece of film on a scan.

    Returns
    -------
    tuple of Reading
        At least one, in reading order: rows from the top, each from the left; the frames of a strip along it.

    Raises
    ------
    MeasureError
        If the calibration cannot be used on this scan, or nothing can be read as asked.
    WrongUseError
        If a spot or a box is not on the scan.

    Examples
    --------
    >>> calibration = read_calibration("mine.json")
    >>> measure_scan(open_scan("normal.tif"), calibration, MeasureOptions(aperture_mm=2.0))
    (<Reading normal.tif: 0.43 ± 0.01 to 1.48 ± 0.01, range 1.05 ± 0.02>,)
    """
    return measure_on(bench_for(scan, calibration, options or MeasureOptions()))


def measure_on(bench: Bench) -> tuple[Reading, ...]:
    """Measure every piece of film on a scan that was read by `bench_for`; see `measure_scan`."""
    parts, left = parts_on(bench.cells, bench.sought)
    seen = _seen(bench, parts)
    spots = spots_by_part(bench.options.spots_mm, parts)
    several = len(parts) > 1
    readings = [
        _in_all_channels(bench, part, _as_seen(_reading(bench, part, number if several else None, own), what))
        for number, (part, own, what) in enumerate(zip(parts, spots, seen, strict=True), start=1)
    ]
    return (replace(readings[0], left_out=left), *readings[1:])


def _seen(bench: Bench, parts: Sequence[Part]) -> tuple[Seen, ...]:
    """Say what each part is of; where the person says it, that is what it is."""
    options = bench.options
    if options.as_negative or options.fog_sheet:
        return (said_to_be("negative" if options.as_negative else "unexposed"),) * len(parts)
    return seen_of(bench, parts)


def _as_seen(reading: Reading, seen: Seen) -> Reading:
    told = [one for one in reading.warnings if is_judged(seen.kind) or one.code not in _OF_NEGATIVES]
    return replace(reading, seen=seen.kind, warnings=(*seen.warnings, *told))


_OF_NEGATIVES: Final = frozenset({"no-rebate", "frame-touches-edge"})
"""What to do about a negative, and nothing to be said of anything else."""


def _reading(bench: Bench, part: Part, piece: int | None, spots: Sequence[tuple[float, float]]) -> Reading:
    options, calibration = bench.options, bench.calibration
    key = "" if piece is None else f" {piece}"
    base, told = _base_plus_fog(bench, part, key)
    read = readings_inside(
        bench.survey,
        part.area,
        aperture_mm=options.aperture_mm,
        square=options.square,
        doubts_mm=None if part.frame is None else part.frame.doubts_mm,
        film=part.film.footprint,
    )
    if read is None:
        raise MeasureError(
            f"{bench.scan.facts.file}: an area of {part.area.width_mm:.1f} x {part.area.height_mm:.1f} mm holds no "
            f"aperture of {options.aperture_mm:g} mm; give a smaller `aperture_mm` or another `frame_mm`."
        )
    shadow, highlight = (
        calibration.limited(_percentile(bench, part, read, (share, name), key))
        for name, share in (("shadow", options.trim), ("highlight", 1 - options.trim))
    )
    light, dark = _clipped(bench, part)
    outside = beyond(read, calibration.density_range)
    return Reading(
        file=bench.scan.facts.file,
        ppi=bench.scan.facts.ppi,
        aperture_mm=options.aperture_mm,
        piece=piece,
        film_mm=None if part.film.box is None else part.film.box.box_mm,
        frame_mm=None if part.frame is None else _in_film(part.frame.box, part.film.box),
        angle_deg=part.area.angle_deg,
        base_plus_fog=base,
        fog=None if base is None or options.base_density is None else _told(base - options.base_density),
        shadow=shadow,
        highlight=highlight,
        density_range=_told(highlight - shadow),
        net_shadow=None if base is None else _told(shadow - base),
        net_highlight=None if base is None else _told(highlight - base),
        spots=tuple(_spot(bench, spot, base) for spot in spots),
        clipped_light=light,
        clipped_dark=dark,
        beyond_calibration=outside,
        warnings=(
            *bench.scan.warnings,
            *bench.survey.warnings,
            *bench.calibration.mismatch(bench.scan),
            *lamp_warnings(options.lamp, calibrated=calibration.knows_lamp),
            *part.warnings,
            *told,
            *limit_warnings(read, (light, dark), outside, calibration),
        ),
        frame_corners_mm=None if part.frame is None else part.frame.box.corners(),
        seen_mm=part.film.seen.box_mm,
        seen_angle_deg=part.film.seen.angle_deg,
        rebate=part.film.rebate,
        footprint=part.film.footprint,
    )


def _percentile(bench: Bench, part: Part, read: ApertureReadings, what: tuple[float, str], key: str) -> Quantity:
    """Return the density below which a share of the readings lies; where the frame ends is doubted side by side."""
    share, name = what
    density = bench.light.of_area(
        10.0 ** -read.quantile(share), read.noise_of_quantile(share), f"{name}{key}", part.area
    )
    for side, moved in read.edge_parts(share).items():
        if abs(moved) > _LEAST_MOVE:
            density = density.with_part(Influence("frame edge", f"{side}{key}"), moved)
    gap = read.gap_part(share)
    return density.with_part(Influence("tone gap", f"{name}{key}"), gap) if gap > _LEAST_GAP else density


def _in_all_channels(bench: Bench, part: Part, reading: Reading) -> Reading:
    """Add what the other channels of a colour scan make of the same film."""
    film = part.film
    where = Where(film=film.seen, frame=part.area, rebate_mm=bench.options.rebate_mm, footprint=film.footprint)
    found = channels_of(reading, where, bench.light, bench.calibration)
    if not found:
        return reading
    # what they come to for a print holds for a negative alone
    told = channel_warnings(found, bench.scan.channel) if is_judged(reading.seen) else ()
    return replace(reading, channels=found, warnings=(*reading.warnings, *told))


def _in_film(frame: TurnedBox, film: TurnedBox | None) -> BoxMm:
    """Return the box of a frame before the film is turned about its own centre."""
    if film is None:
        return frame.box_mm
    u, v = film.own(*frame.centre)
    left, top = film.centre.x + float(u) - frame.width_mm / 2, film.centre.y + float(v) - frame.height_mm / 2
    return left, top, frame.width_mm, frame.height_mm


def _base_plus_fog(bench: Bench, part: Part, key: str) -> tuple[Quantity | None, tuple[Warning_, ...]]:
    options, calibration = bench.options, bench.calibration
    if options.base_fog is not None:
        return Quantity(options.base_fog), ()
    if options.rebate_mm is not None:
        base = bench.light.of_box(options.rebate_mm, f"rebate{key}")
        return calibration.limited(base), _rebate_limit(base, calibration)
    rebate = part.film.rebate
    if rebate is None:
        message = "No clear rebate was found, so base plus fog and net densities are not known; give --rebate or "
        return None, (Warning_(code="no-rebate", message=f"{message}--base-fog."),)
    base = bench.light.of_area(rebate.transmittance, rebate.uncertainty, f"rebate{key}", part.film.seen)
    told = list(_rebate_limit(base, calibration))
    if rebate.spread - _spread_doubt(rebate) > UNEVEN_REBATE:
        densities = ", ".join(f"{side.name} {side.density:.2f}" for side in rebate.sides)
        message = f"The rebate is not even ({densities}): fog, a light leak or uneven development."
        told.append(Warning_(code="rebate-uneven", message=message))
    return calibration.limited(base), tuple(told)


def _spread_doubt(rebate: Rebate) -> float:
    """Return the expanded uncertainty of the difference between the densest and the lightest side."""
    ordered = sorted(rebate.sides, key=lambda side: side.density)
    return COVERAGE_FACTOR * math.hypot(ordered[0].uncertainty, ordered[-1].uncertainty) if ordered else 0.0


def _rebate_limit(base: Quantity, calibration: Calibration) -> tuple[Warning_, ...]:
    lightest = calibration.density_range[0]
    if base.value >= lightest:
        return ()
    message = (
        f"Base plus fog {base.value:.2f} is clearer than the lightest step of the wedge ({lightest:.2f}): the reading "
        "is only a limit."
    )
    return (Warning_(code="rebate-beyond-calibration", message=message),)


def _spot(bench: Bench, spot: tuple[float, float], base: Quantity | None) -> Spot:
    options, (x, y) = bench.options, spot
    density = bench.light.of_spot(spot, diameter_mm=options.aperture_mm, square=options.square, key=f"spot {x:g},{y:g}")
    density = bench.calibration.limited(density)
    return Spot(x_mm=x, y_mm=y, density=density, net=None if base is None else _told(density - base))


def _told(quantity: Quantity) -> Quantity | None:
    """Return a quantity, None where limits of opposite senses met in it and nothing is known."""
    return None if quantity.untold else quantity


def _clipped(bench: Bench, part: Part) -> tuple[float, float]:
    """Return the fraction of an area at the light and at the dark end of the scale, as light goes through the film."""
    cells = cells_inside(bench.survey, part.area, film=part.film.footprint)
    if not cells.mask.any():
        return 0.0, 0.0
    high = float(cells.of(bench.survey.clipped_light).mean())
    low = float(cells.of(bench.survey.clipped_dark).mean())
    return (low, high) if bench.calibration.inverted else (high, low)
