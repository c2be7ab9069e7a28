"""Small things: dust, pinholes and scratches.

In a picture only specks are told, by `apertures.specks_inside`, which keeps them out of the readings too; scratches are
told on film that is unexposed, where nothing else is to be seen.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from densiscan.arithmetic.robust import robust_sd
from densiscan.calibration.calibration import Calibration
from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.ground import Ground
from densiscan.negative.trouble.yardstick import yardstick_of
from densiscan.scan.apertures import SpeckMap, specks_inside
from densiscan.scan.cells import Footprint, Indices, Labels, Map, Mask, TurnedBox, grown, labelled
from densiscan.scan.places import BoxMm
from densiscan.scan.survey import Survey

_FACTOR: Final = 3.0
_LEAST: Final = 0.3
_CALM: Final = 0.05
"""In a picture a speck stands out by three times what its surroundings differ and by this density, where nothing within
a millimetre and a half of it differs by more than `_CALM`: fine detail of a subject does neither."""

_ALONE_ON_FOG: Final = 1.5

_LEAST_ON_FOG: Final = 0.03
_SPECK_MM: Final = 1.2
_SCRATCH_MM: Final = 6.0
_MOST_PLACES: Final = 200
_DEVIATIONS: Final = 6.0


class Speck(NamedTuple):
    """A connected group of cells: box in cells (rows, columns), how many, mean and most extreme value, slope."""

    rows: tuple[int, int]
    columns: tuple[int, int]
    cells: int
    peak: float

    @property
    def height(self) -> int:
        """Rows spanned."""
        return self.rows[1] - self.rows[0]

    @property
    def width(self) -> int:
        """Columns spanned."""
        return self.columns[1] - self.columns[0]


def spots_of(mask: Mask, values: Map) -> list[Speck]:
    """Return the connected groups of cells of a mask with their most extreme value."""
    labels, count = labelled(mask)
    if not count:
        return []
    rows, columns = np.nonzero(labels)
    label = labels[rows, columns] - 1
    return _boxes(rows, columns, label, values[rows, columns], count)


def _boxes(rows: Indices, columns: Indices, label: Labels, values: Map, count: int) -> list[Speck]:
    low = np.full((2, count), 10**9)
    high = np.full((2, count), -1)
    for axis, places in enumerate((rows, columns)):
        np.minimum.at(low[axis], label, places)
        np.maximum.at(high[axis], label, places)
    cells = np.bincount(label, minlength=count)
    most, least = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(most, label, values)
    np.minimum.at(least, label, values)
    peak = np.where(np.abs(most) >= np.abs(least), most, least)
    return [
        Speck(
            (int(low[0, k]), int(high[0, k]) + 1),
            (int(low[1, k]), int(high[1, k]) + 1),
            int(cells[k]),
            float(peak[k]),
        )
        for k in range(count)
        if cells[k]
    ]


def specks_in_frame(
    found: Survey, frame: TurnedBox, calibration: Calibration, film: Footprint | None = None
) -> list[Finding]:
    """Return the dust and the pinholes of a picture: one finding for each kind that there is.

    `film` tells what is film, where that is not all of the frame's box.
    """
    specks = specks_inside(found, frame, factor=_FACTOR, least=_LEAST, calm=_CALM, film=film)
    return _specks_of(specks, calibration)


def _specks_of(specks: SpeckMap, calibration: Calibration) -> list[Finding]:
    pitch = float(specks.x_mm[1] - specks.x_mm[0]) if specks.x_mm.size > 1 else 1.0
    result = []
    for kind, mask in (("dust", specks.contrast > 0), ("pinholes", specks.contrast < 0)):
        spots = [spot for spot in spots_of(mask, specks.contrast) if max(spot.height, spot.width) * pitch <= _SPECK_MM]
        places = [
            (float(specks.x_mm[sum(spot.columns) // 2]), float(specks.y_mm[sum(spot.rows) // 2])) for spot in spots
        ]
        result += _counted(kind, spots, places, specks.cells, calibration, pitch)
    return result


def _counted(
    kind: str, spots: list[Speck], places: list[tuple[float, float]], cells: int, calibration: Calibration, pitch: float
) -> list[Finding]:
    if not spots:
        return []
    share = sum(spot.cells for spot in spots) / max(cells, 1)
    peaks = np.array([spot.peak for spot in spots])
    what = {
        "dust": ("speck of dust or a hair", "specks of dust or hairs"),
        "pinholes": ("clear pinhole", "clear pinholes"),
        "scratches": ("long thin scratch", "long thin scratches"),
    }[kind][len(spots) > 1]
    level = 0.3 + max(0.0, -float(np.median(peaks)))
    size = yardstick_of(calibration, evened=False).step(
        level, float(np.median(peaks)), noise=float(peaks.std()) / math.sqrt(peaks.size)
    )
    x, y = np.array(places).T
    box = (float(x.min()) - pitch, float(y.min()) - pitch, float(np.ptp(x)) + 2 * pitch, float(np.ptp(y)) + 2 * pitch)
    share_text = f"{100 * share:.3f}".rstrip("0").rstrip(".") if share >= 0.00001 else "under 0.001"
    kept = "; shadow and highlight are read without them" if kind != "scratches" else ""
    message = f"{len(spots)} {what}, {share_text} % of the area{kept}."
    return [
        Finding(
            code=kind,
            message=message,
            box_mm=box,
            size=size,
            sure=0.99 if len(spots) > 2 else 0.95,
            count=len(spots),
            area_share=share,
            places_mm=tuple(places[:_MOST_PLACES]),
        )
    ]


class OnFilm(NamedTuple):
    """Dust, pinholes and scratches of unexposed film, and the cells of the scratches."""

    findings: list[Finding]
    scratched: Mask


def specks_on(found: Survey, ground: Ground, calibration: Calibration) -> OnFilm:
    """Return dust, pinholes and scratches of unexposed film."""
    grid = ground.grid
    width, height = ground.size_mm
    apart = np.diff(grid.density, axis=1)[ground.film[:, 1:] & ground.film[:, :-1]]
    noise = max(robust_sd(apart) / math.sqrt(2), 0.001)
    inner = grid.box.part((1.0 - width / 2, width / 2 - 1.0), (1.0 - height / 2, height / 2 - 1.0))
    least = max(_DEVIATIONS * noise, _LEAST_ON_FOG)
    result = _specks_of(specks_inside(found, inner, factor=_ALONE_ON_FOG, least=least), calibration)
    lines, scratched = _scratches(np.where(ground.film, grid.density, np.nan), noise, grid.step_mm)
    cells = int(ground.film.sum())
    told = _counted("scratches", lines, _places(ground, lines), cells, calibration, grid.step_mm)
    result += [replace(one, box_mm=_around(ground, lines)) for one in told]
    return OnFilm(result, scratched)


def _around(ground: Ground, spots: list[Speck]) -> BoxMm:
    """Return the box on the scan around spots."""
    step = ground.grid.step_mm
    u = min(spot.columns[0] for spot in spots) * step, max(spot.columns[1] for spot in spots) * step
    v = min(spot.rows[0] for spot in spots) * step, max(spot.rows[1] for spot in spots) * step
    return ground.box_on_scan(u, v)


def _places(ground: Ground, spots: list[Speck]) -> list[tuple[float, float]]:
    step = ground.grid.step_mm
    return [ground.on_scan(sum(spot.columns) / 2 * step, sum(spot.rows) / 2 * step) for spot in spots]


def _scratches(density: Map, noise: float, step_mm: float) -> tuple[list[Speck], Mask]:
    """Return long thin light lines, runs of cells lighter than what lies two cells to both sides, and their cells."""
    lines: list[Speck] = []
    scratched = np.zeros(density.shape, dtype=bool)
    for upright in (True, False):
        lying = density if upright else density.T
        ridge = np.zeros_like(lying)
        ridge[:, 2:-2] = np.maximum(lying[:, 2:-2] - lying[:, :-4], lying[:, 2:-2] - lying[:, 4:])
        ridge = np.where(np.isfinite(ridge), ridge, 0.0)
        # a line is long: what its cells have in common is surer than each alone
        length = max(3, round(2.0 / step_mm))
        smooth = _along(np.clip(ridge, -0.1, 0.1), length)
        mask = smooth < -max(_DEVIATIONS * noise / math.sqrt(length), 0.005)
        for spot in spots_of(grown(mask), smooth):
            along, across = (spot.height, spot.width)
            long = along * step_mm >= _SCRATCH_MM and along >= 2.5 * across and spot.cells <= 7 * along
            if long:
                lines.append(spot if upright else _turned(spot))
                box = (slice(*lines[-1].rows), slice(*lines[-1].columns))
                scratched[box] |= (grown(mask) if upright else grown(mask).T)[box]
    return lines, grown(grown(scratched))


def _turned(spot: Speck) -> Speck:
    return Speck(spot.columns, spot.rows, spot.cells, spot.peak)


def _along(values: Map, length: int) -> Map:
    """Return the running mean down the columns, shape kept; the ends are zero."""
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    out = np.zeros_like(values)
    half = length // 2
    mean = (total[length:] - total[:-length]) / length
    out[half : half + mean.shape[0]] = mean
    return out
