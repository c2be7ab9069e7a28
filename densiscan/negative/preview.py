"""What is kept of a negative to look at: a picture, and a map of aperture readings with what is to be thought of them.

Both are densities in thousandths, on a region of the scan around the negative. A reading of the map is what `--spot`
reads at the middle of that cell, but from the cells of the survey instead of the pixels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity
from densiscan.calibration.densities import Light
from densiscan.negative.bench import Bench
from densiscan.negative.reading import Reading
from densiscan.scan.apertures import aperture_kernel, averaged_everywhere
from densiscan.scan.cells import Map, TurnedBox
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import Survey, survey

Thousandths = NDArray[np.int16]

MARGIN_MM: Final = 2.0
"""What is kept around the film, or around a frame of several on one film."""

_DENSEST: Final = 8.0
_LEVELS: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetDetail:
    """How much is kept: pixels along the longer side of the picture, and readings of the map, at most."""

    picture_px: int
    readings: int


ONE_SHEET: Final = SheetDetail(picture_px=900, readings=250_000)
OF_MANY: Final = SheetDetail(picture_px=420, readings=45_000)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Preview:
    """A negative to look at.

    Attributes
    ----------
    region_mm
        Left, top, width, height on the scan of what is kept.
    picture
        Density in thousandths, shape (rows, columns), over the region.
    map
        Density in thousandths through the aperture, shape (rows, columns).
    first_mm, pitch_mm
        Where the first reading of the map is centred, and from one to the next; x, y.
    levels
        Densities for which the doubt is known, rising.
    doubt
        Expanded uncertainty (k = 2) of a reading of each level.
    doubt_between
        Expanded uncertainty of the difference between two places of these levels, shape (levels, levels).
    calibrated
        Lightest and densest density that the calibration tells apart: a reading beyond is only a limit.
    """

    region_mm: BoxMm
    picture: Thousandths
    map: Thousandths
    first_mm: tuple[float, float]
    pitch_mm: tuple[float, float]
    levels: tuple[float, ...]
    doubt: tuple[float, ...]
    doubt_between: tuple[tuple[float, ...], ...]
    calibrated: tuple[float, float]

    def __post_init__(self) -> None:
        self.picture.flags.writeable = False
        self.map.flags.writeable = False


def thinned(sheet: Preview) -> Preview:
    """Return what is kept of a negative with every other reading of its map each way."""
    return replace(sheet, map=sheet.map[::2, ::2].copy(), pitch_mm=(2.0 * sheet.pitch_mm[0], 2.0 * sheet.pitch_mm[1]))


def sheets_of(bench: Bench, readings: Sequence[Reading], detail: SheetDetail) -> tuple[Preview, ...]:
    """Return what is to be kept of each reading that was made from this.

    Raises
    ------
    UnreadableScanError
        If the file turns out to be damaged when it is read once more for the picture.
    """
    regions = [_region(bench.scan, reading, readings) for reading in readings]
    fine = _fine_enough(bench, max_cell=min(max(box[2:]) for box in regions) / detail.picture_px)
    return tuple(_sheet(bench, fine, region, detail) for region in regions)


def _region(scan: Scan, reading: Reading, all_readings: Sequence[Reading]) -> BoxMm:
    """Return the film (of several frames on one, the frame) with a margin; the whole scan where neither is known."""
    alone = sum(other.seen_mm == reading.seen_mm for other in all_readings) == 1
    if reading.seen_mm is not None and alone:
        left, top, width, height = reading.seen_mm
        seen = TurnedBox(left_mm=left, top_mm=top, width_mm=width, height_mm=height, angle_deg=reading.seen_angle_deg)
        corners = seen.corners()
    elif reading.frame_corners_mm is not None:
        corners = reading.frame_corners_mm
    else:
        return 0.0, 0.0, scan.width_mm, scan.height_mm
    x, y = [corner[0] for corner in corners], [corner[1] for corner in corners]
    left, top = max(min(x) - MARGIN_MM, 0.0), max(min(y) - MARGIN_MM, 0.0)
    right, bottom = min(max(x) + MARGIN_MM, scan.width_mm), min(max(y) + MARGIN_MM, scan.height_mm)
    return left, top, right - left, bottom - top


def _fine_enough(bench: Bench, *, max_cell: float) -> Survey:
    """Return the survey, or one with smaller cells where its own would make a coarse picture."""
    scan = bench.scan
    pixel = 1.0 / min(scan.px_per_mm_x, scan.px_per_mm_y)
    wanted = max(max_cell, pixel)
    if _pitch(bench.survey)[0] <= 1.3 * wanted:
        return bench.survey
    return survey(scan, table=bench.calibration.table(scan.facts.full_scale), cell_mm=wanted)


def _pitch(surveyed: Survey) -> tuple[float, float]:
    return float(np.diff(surveyed.x_edges_mm[:2])[0]), float(np.diff(surveyed.y_edges_mm[:2])[0])


def _cells(edges: Map, low: float, high: float) -> slice:
    """Return the cells that an interval touches, at least one."""
    first = int(np.clip(np.searchsorted(edges, low, side="right") - 1, 0, edges.size - 2))
    last = int(np.clip(np.searchsorted(edges, high, side="left"), first + 1, edges.size - 1))
    return slice(first, last)


def _sheet(bench: Bench, fine: Survey, region: BoxMm, detail: SheetDetail) -> Preview:
    left, top, width, height = region
    coarse, options = bench.survey, bench.options
    rows = _cells(coarse.y_edges_mm, top, top + height)
    columns = _cells(coarse.x_edges_mm, left, left + width)
    pitch = _pitch(coarse)
    kernel = aperture_kernel(options.aperture_mm, pitch, square=options.square)
    mean = averaged_everywhere(coarse.mean[rows, columns], kernel)
    every = max(1, math.ceil(math.sqrt(mean.size / detail.readings)))
    first = tuple(min(every // 2, size - 1) for size in mean.shape)
    x = (coarse.x_edges_mm[columns.start + first[1]] + coarse.x_edges_mm[columns.start + first[1] + 1]) / 2
    y = (coarse.y_edges_mm[rows.start + first[0]] + coarse.y_edges_mm[rows.start + first[0] + 1]) / 2
    picture, box = _picture(fine, region, detail.picture_px)
    levels = _levels(mean)
    noise = _noise_at(levels, coarse, (rows, columns), options.aperture_mm)
    doubt, between = _doubts(
        levels, noise, bench.light, TurnedBox(left_mm=left, top_mm=top, width_mm=width, height_mm=height)
    )
    return Preview(
        region_mm=box,
        picture=picture,
        map=_thousandths(mean[first[0] :: every, first[1] :: every]),
        first_mm=(float(x), float(y)),
        pitch_mm=(pitch[0] * every, pitch[1] * every),
        levels=levels,
        doubt=doubt,
        doubt_between=between,
        calibrated=bench.light.curve.density_range,
    )


def _thousandths(light: Map) -> Thousandths:
    density = -np.log10(np.maximum(light, 10.0**-_DENSEST))
    return np.asarray(np.rint(1000.0 * density), dtype=np.int16)


def _picture(seen: Survey, region: BoxMm, longest_px: int) -> tuple[Thousandths, BoxMm]:
    """Return the region as a picture no longer than asked, whole cells averaged, and the box that it fills."""
    left, top, width, height = region
    rows = _cells(seen.y_edges_mm, top, top + height)
    columns = _cells(seen.x_edges_mm, left, left + width)
    light = seen.mean[rows, columns]
    by = max(1, round(max(light.shape) / longest_px))
    high, wide = max(light.shape[0] // by, 1), max(light.shape[1] // by, 1)
    by_y, by_x = min(by, light.shape[0]), min(by, light.shape[1])
    light = light[: high * by_y, : wide * by_x].reshape(high, by_y, wide, by_x).mean(axis=(1, 3))
    x, y = seen.x_edges_mm, seen.y_edges_mm
    box = (
        float(x[columns.start]),
        float(y[rows.start]),
        float(x[columns.start + wide * by_x] - x[columns.start]),
        float(y[rows.start + high * by_y] - y[rows.start]),
    )
    return _thousandths(light), box


def _levels(light: Map) -> tuple[float, ...]:
    """Return densities from the thinnest to the densest reading, evenly spaced."""
    low = -math.log10(max(float(light.max()), 10.0**-_DENSEST))
    high = -math.log10(max(float(light.min()), 10.0**-_DENSEST))
    return tuple(np.linspace(low, max(high, low + 0.01), _LEVELS).tolist())


def _noise_at(
    levels: Sequence[float], surveyed: Survey, cells: tuple[slice, slice], aperture_mm: float
) -> tuple[float, ...]:
    """Return the standard deviation of an aperture's reading by grain and scanner at each level.

    From the calmer quarter of the cells of about that density: in the rest it is picture that differs within a cell.
    About one pixel in four is independent, as for the readings of a frame (`apertures`).
    """
    light, sd = surveyed.mean[cells], surveyed.sd[cells]
    density = -np.log10(np.maximum(light, 10.0**-_DENSEST)).ravel()
    relative = (sd / np.maximum(light, 10.0**-_DENSEST)).ravel()
    per_mm2 = surveyed.px_per_mm_x * surveyed.px_per_mm_y
    independent = max(per_mm2 * aperture_mm**2 / 4.0, 1.0)
    order = np.argsort(density)
    parts = [part for part in np.array_split(order, _LEVELS) if part.size]
    calm = [float(np.quantile(relative[part], 0.25)) or 0.01 for part in parts]
    at = [float(density[part].mean()) for part in parts]
    return tuple((np.interp(levels, at, calm) / math.log(10.0) / math.sqrt(independent)).tolist())


def _doubts(
    levels: Sequence[float], noise: Sequence[float], light: Light, area: TurnedBox
) -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]:
    """Return the expanded uncertainty of readings at the levels, and of the difference between any two places."""
    light = replace(light, survey=_fewer(light.survey))
    read = tuple((10.0**-level, sigma) for level, sigma in zip(levels, noise, strict=True))
    here = light.of_areas(read, _HERE, area)
    return tuple(quantity.uncertainty or 0.0 for quantity in here), _between(here)


def _between(here: Sequence[Quantity]) -> tuple[tuple[float, ...], ...]:
    """Return the expanded uncertainty of each reading minus each, at another place: its own part is another's."""
    parts: list[Mapping[Influence, float]] = [quantity.parts or {} for quantity in here]
    shared = sorted({influence for one in parts for influence in one if influence.key != _HERE})
    common = np.array([[one.get(influence, 0.0) for influence in shared] for one in parts])
    own = np.array([math.fsum(part**2 for influence, part in one.items() if influence.key == _HERE) for one in parts])
    apart = ((common[:, None, :] - common[None, :, :]) ** 2).sum(axis=2) + own[:, None] + own[None, :]
    return tuple(map(tuple, (COVERAGE_FACTOR * np.sqrt(apart)).tolist()))


_ENOUGH: Final = 20_000
"""Cells of a scan by which it is told what veil and scatter are usual for a density."""


def _fewer(surveyed: Survey) -> Survey:
    """Return a survey with about so many of its cells, evenly over the scan; each stands for those beside it."""
    every = max(1, round(math.sqrt(surveyed.mean.size / _ENOUGH)))
    cells: dict[str, Any] = {
        name: getattr(surveyed, name)[::every, ::every] for name in ("mean", "sd", "clipped_light", "clipped_dark")
    }
    edges: dict[str, Any] = {
        name: np.append(getattr(surveyed, name)[:-1][::every], getattr(surveyed, name)[-1])
        for name in ("x_edges_px", "y_edges_px")
    }
    return replace(surveyed, **cells, **edges)


_HERE: Final = "a place"
