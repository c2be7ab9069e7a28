"""What a slot in a black mask tells of a scanner: how much light it scatters into the dark beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Warning_
from densiscan.arithmetic.regions import parts_of
from densiscan.arithmetic.robust import robust_spread
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.wedge import tone_of
from densiscan.calibration.glare import REACHES_MM, Glare, shares_of, spread
from densiscan.calibration.lamp import MOST_CLIPPED
from densiscan.errors import MeasureError
from densiscan.scan.scan import Scan
from densiscan.scan.survey import Survey, require_size, survey

Mask = npt.NDArray[np.bool_]

CELL_MM: Final = 0.5
BESIDE_MM: Final = 1.0
"""Distance from the slot's edge from which the black counts: nearer lie the lens's blur and the mask's own edge."""
_BINS_MM: Final = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 26.0, 40.0, 60.0, 90.0)
ALLOWED: Final = 0.02
"""Error of a density that is still believed: what a nominal wedge is doubted by (common practice)."""
MUCH: Final = 0.005
"""Share beside the slot from which glare is called strong: density 2.3 is all that black can be there."""
_SMALLEST_MM2: Final = 9.0
_OTHER_LIGHT: Final = 0.02
_LEAST_RATIO: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlareAt:
    """The black at a distance from the slot: light as a fraction of the slot's, and that as a density."""

    from_mm: float
    to_mm: float
    fraction: float
    density: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotCheck:
    """What the slot tells.

    Attributes
    ----------
    slot_mm
        Box of the slot: left, top, width, height.
    beside
        Light of the black just beside the slot, fraction of the slot's.
    believed
        The densest reading beside a clear area of the slot's size that glare makes too light by no more than
        `ALLOWED`; None where no glare is seen.
    profile
        Against the distance from the slot's edge.
    glare
        What is scattered, by reach.
    black
        What the black reads without glare: the scanner's own black, or light through the mask; fraction of the slot's.
    assumed
        How signal became light, in words.
    """

    file: str
    slot_mm: tuple[float, float, float, float]
    beside: float
    believed: float | None
    profile: tuple[GlareAt, ...]
    glare: Glare
    black: float
    assumed: str
    warnings: tuple[Warning_, ...] = ()


def slot_check(scan: Scan, *, calibration: Calibration | None = None, inverted: bool = False) -> SlotCheck:
    """Judge a scanner's glare by a black mask with one clear slot.

    Scattered light adds to light. Where the scanner is linear, by its calibration or (without one) by assumption, the
    signal is light. Otherwise the calibration's table makes it so; what glare the wedge itself had when it was scanned
    is in that table, so that the wedge should have lain under a black mask.

    Parameters
    ----------
    calibration
        Of the same scanner and settings.
    inverted
        Whether bright is dark on the scan, where no calibration says it.

    Raises
    ------
    MeasureError
        If there is not one clear slot in a black mask.
    """
    inverted = inverted if calibration is None else calibration.inverted
    table, assumed = _light_table(scan, calibration, inverted=inverted)
    require_size(scan)
    surveyed = survey(scan, table=table, cell_mm=CELL_MM)
    slot = _slot(surveyed, scan.facts.file)
    away = _distance(slot, surveyed)
    inner = slot & (_distance(~slot, surveyed) > BESIDE_MM)
    if not inner.any():
        raise MeasureError(f"{scan.facts.file}: the clear slot is too narrow; make it about 10 x 30 mm.")
    level = float(np.median(surveyed.mean[inner]))
    relative = surveyed.mean / level
    profile = _profile(relative, away)
    if not profile:
        raise MeasureError(
            f"{scan.facts.file}: there is no black beside the slot; leave at least 10 mm of mask on every side of it."
        )
    glare, black = _fitted(relative, slot, away, surveyed, scan.facts.file)
    beside = profile[0].fraction
    over = beside - min(black, beside) if black > 0.0 else beside
    return SlotCheck(
        file=scan.facts.file,
        slot_mm=_box(slot, surveyed),
        beside=beside,
        believed=-math.log10(over / (10.0**ALLOWED - 1.0)) if over > 0.0 else None,
        profile=profile,
        glare=glare,
        black=black,
        assumed=assumed,
        warnings=(
            *_clipped_warnings(surveyed, slot, away, inverted=inverted),
            *_limit_warnings(profile, calibration, assumed),
            *_glare_warnings(beside, profile[0].density),
        ),
    )


def _light_table(scan: Scan, calibration: Calibration | None, *, inverted: bool) -> tuple[Floats, str]:
    full = scan.facts.full_scale
    signal = np.arange(full + 1) / full
    plain = 1.0 - signal if inverted else signal
    if calibration is None:
        return plain, "the signal is taken as light (linear output)"
    if calibration.scan.full_scale != full or calibration.channel != scan.channel:
        raise MeasureError(
            f"{scan.facts.file} has another bit depth or channel than the calibration {calibration.name}; scan both "
            "alike."
        )
    if tone_of(calibration).word == "linear":
        return plain, "the calibration shows linear output: the signal is light"
    return calibration.table(full), "the calibration turns signal into light; its wedge is taken to have been masked"


def _slot(surveyed: Survey, file: str) -> Mask:
    cell_mm2 = surveyed.cell_mm**2
    fewest = max(int(_SMALLEST_MM2 / cell_mm2), 4)
    flat = np.sort(surveyed.mean, axis=None)
    peak = float(flat[-min(fewest, flat.size)])
    bright = surveyed.mean > 0.5 * peak
    parts = parts_of(bright) if 0.0 < float(bright.mean()) < 0.5 else []
    advice = "cover the whole bed with black card that has one clear slot, about 10 x 30 mm, away from its edges"
    if peak <= _LEAST_RATIO * max(float(np.median(surveyed.mean)), 0.0) or not parts or parts[0].size < fewest:
        raise MeasureError(f"{file}: found no clear slot in a black mask; {advice}.")
    if sum(part.size for part in parts[1:]) > _OTHER_LIGHT * parts[0].size:
        raise MeasureError(f"{file}: found more than one clear part; {advice}.")
    slot = np.zeros(bright.shape, dtype=bool)
    slot.flat[parts[0]] = True
    if slot[0].any() or slot[-1].any() or slot[:, 0].any() or slot[:, -1].any():
        raise MeasureError(f"{file}: the clear part runs to the edge of the scan; {advice}.")
    return slot


def _distance(mask: Mask, surveyed: Survey) -> Floats:
    """Return the distance in mm of each cell's middle from the nearest edge of a mask; 0 inside it."""
    x = 0.5 * (surveyed.x_edges_mm[:-1] + surveyed.x_edges_mm[1:])
    y = 0.5 * (surveyed.y_edges_mm[:-1] + surveyed.y_edges_mm[1:])
    inside = np.pad(mask, 1, mode="edge")
    rim = mask & ~(inside[:-2, 1:-1] & inside[2:, 1:-1] & inside[1:-1, :-2] & inside[1:-1, 2:])
    rows, columns = np.nonzero(rim)
    away = np.full(mask.shape, np.inf)
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        np.minimum(away, np.hypot(y - y[row], 0.0)[:, None] ** 2 + ((x - x[column]) ** 2)[None, :], out=away)
    edge: Floats = np.maximum(np.sqrt(away) - 0.5 * surveyed.cell_mm, 0.0)
    return np.where(mask, 0.0, edge)


def _profile(relative: Floats, away: Floats) -> tuple[GlareAt, ...]:
    profile = []
    for low, high in pairwise(_BINS_MM):
        there = relative[(away >= low) & (away < high)]
        if there.size >= 20:
            fraction = float(np.median(there))
            density = -math.log10(fraction) if fraction > 0.0 else None
            profile.append(GlareAt(from_mm=low, to_mm=high, fraction=fraction, density=density))
    return tuple(profile)


def _fitted(relative: Floats, slot: Mask, away: Floats, surveyed: Survey, file: str) -> tuple[Glare, float]:
    """Fit the shares of all reaches to the black, dust and pinholes of the mask left out."""
    cell_mm = (float(np.diff(surveyed.y_edges_mm[:2])[0]), float(np.diff(surveyed.x_edges_mm[:2])[0]))
    light = np.where(slot, relative, 0.0)
    margin = round(4.0 * REACHES_MM[-1] / min(cell_mm))
    padded = np.pad(light, margin)
    part = slice(margin, -margin)
    black = away >= BESIDE_MM
    maps = np.stack([spread(padded, reach, cell_mm=cell_mm)[part, part][black] for reach in REACHES_MM])
    seen = relative[black]
    kept = np.ones(seen.size, dtype=bool)
    shares: tuple[float, ...] = ()
    constant = 0.0
    for _ in range(3):
        shares, constant = shares_of(maps[:, kept], seen[kept])
        rest = seen - (np.array(shares) @ maps + constant)
        limit = 5.0 * robust_spread(rest)
        kept = np.abs(rest) <= max(limit, 1e-9)
    return Glare(shares=tuple(min(share, 0.49) for share in shares), file=file), constant


def _box(slot: Mask, surveyed: Survey) -> tuple[float, float, float, float]:
    rows, columns = np.nonzero(slot)
    left, right = surveyed.x_edges_mm[columns.min()], surveyed.x_edges_mm[columns.max() + 1]
    top, bottom = surveyed.y_edges_mm[rows.min()], surveyed.y_edges_mm[rows.max() + 1]
    return float(left), float(top), float(right - left), float(bottom - top)


def _clipped_warnings(surveyed: Survey, slot: Mask, away: Floats, *, inverted: bool) -> tuple[Warning_, ...]:
    ends = (
        (surveyed.clipped_dark, surveyed.clipped_light) if inverted else (surveyed.clipped_light, surveyed.clipped_dark)
    )
    told = []
    if float(ends[0][slot].mean()) > MOST_CLIPPED:
        told.append(
            Warning_(
                code="slot-clipped",
                message="The slot is at the end of the scanner's scale, so that the glare is at most what is stated; "
                "lower the exposure, or lay clear film over the slot.",
            )
        )
    if float(ends[1][(away >= BESIDE_MM) & (away < 5.0)].mean()) > 0.5:
        told.append(
            Warning_(
                code="black-clipped",
                message="The black beside the slot is at code 0, so that the glare may be larger than what is stated.",
            )
        )
    return tuple(told)


def _limit_warnings(
    profile: tuple[GlareAt, ...], calibration: Calibration | None, assumed: str
) -> tuple[Warning_, ...]:
    if calibration is None or "signal is light" in assumed:
        return ()
    density = profile[0].density
    if density is not None and density <= calibration.density_range[1]:
        return ()
    return (
        Warning_(
            code="black-beyond-calibration",
            message="The black beside the slot is denser than the calibration reaches, so that the glare is only "
            "estimated; calibrate with the wedge under a black mask.",
        ),
    )


def _glare_warnings(beside: float, density: float | None) -> tuple[Warning_, ...]:
    if beside <= MUCH or density is None:
        return ()
    return (
        Warning_(
            code="strong-glare",
            message=f"Black beside clear film reads only {density:.2f}; mask everything round the film, clean the "
            "glass on both sides, and read dense parts that lie far from clear ones.",
        ),
    )
