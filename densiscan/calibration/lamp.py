"""The lamp's light over the bed, seen on a scan of the empty bed, and what it does to a reading elsewhere on the bed.

A lamp multiplies light. Its unevenness therefore belongs to transmittance, not to the signal: the signal of the empty
bed goes through the scanner's own curve first. The field is smooth; dust, streaks and bands are not the lamp.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Warning_
from densiscan.arithmetic.robust import robust_spread
from densiscan.calibration.findings import Findings
from densiscan.errors import MeasureError
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan, ScanFacts
from densiscan.scan.survey import Survey, survey

BED_CELL_MM: Final = 0.5
MOST_CLIPPED: Final = 0.01
"""Share of the bed's pixels at the end of the scale from which the bed tells nothing of the lamp."""
_BLOCK_MM: Final = 8.0
"""Blocks whose medians the surface goes through: wider than any dust, narrow against what a lamp does."""
_FEWEST_BLOCKS: Final = 12
"""Along either side; a narrow scan has narrower blocks."""
_HIGHEST_DEGREE: Final = 8
"""Of the surface: on a bed of 216 mm it follows what is wider than about 50 mm from crest to crest."""
_NODE_MM: Final = 2.5
_SAME_BED_MM: Final = 1.0
_OUTLYING: Final = 6.0
_LEAST_OUTLYING: Final = 0.02
_MOST_OUTLYING: Final = 0.03
"""Share of blocks off the smooth surface from which something lies on the bed."""
_PILE: Final = 5.0
USUAL_DOUBT: Final = 0.00125
"""Standard deviation over the bed of a flatbed's light, as a density: 0.5 % to either side of the middle (common
practice), all between equally likely, which is 0.005/sqrt(3) of the light (JCGM 100:2008, 4.3.7)."""
_LEAST_DOUBT: Final = 0.0005
"""What a lamp changes from scan to scan while it is warm: 0.1 % (common practice)."""


class Curve(Protocol):
    """What is needed of a calibration: the way its signal runs and its table from code to transmittance."""

    @property
    def inverted(self) -> bool:
        """Whether the signal rises with density."""
        ...

    def table(self, full_scale: int) -> Floats:
        """Return the transmittance of each code."""
        ...

    def differences(self, facts: ScanFacts) -> tuple[str, ...]:
        """Return what is known to differ between a scan and the one the calibration was made from."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bed:
    """The scan of an empty bed, read once.

    Attributes
    ----------
    survey
        Signal, 0 to 1, in cells of `BED_CELL_MM`.
    x_mm, y_mm
        Middles of the blocks.
    signal
        Median signal of each block, shape (rows, columns).
    """

    facts: ScanFacts
    width_mm: float
    height_mm: float
    survey: Survey = field(repr=False)
    x_mm: Floats
    y_mm: Floats
    signal: Floats

    def clipped(self, *, inverted: bool) -> float:
        """Return the share of pixels at the light end of the scale, 0 to 1.

        Where one code on top holds many pixels and the codes below it hardly any, the scanner's own white level
        clips, whatever that code is. A scale of 8 bits is too coarse to tell.
        """
        at_end = self.survey.clipped_dark if inverted else self.survey.clipped_light
        share = float(np.average(at_end, weights=_areas(self.survey)))
        if self.facts.full_scale <= 255:
            return share
        histogram = self.survey.histogram if not inverted else self.survey.histogram[::-1]
        top = int(np.flatnonzero(histogram)[-1])
        if top == 0:
            return share
        below = float(histogram[max(top - 3, 0) : top].mean())
        piled = float(histogram[top]) / self.survey.pixels
        return max(share, piled if piled > MOST_CLIPPED and histogram[top] > _PILE * below else 0.0)


def _areas(surveyed: Survey) -> Floats:
    areas: Floats = np.outer(np.diff(surveyed.y_edges_px), np.diff(surveyed.x_edges_px)).astype(float)
    return areas


def read_bed(scan: Scan) -> Bed:
    """Read the scan of an empty bed.

    Raises
    ------
    MeasureError
        If the scan is too small to show a lamp.
    UnreadableScanError
        If the file turns out to be damaged.
    """
    surveyed = survey(scan, cell_mm=BED_CELL_MM)
    columns = _cuts(surveyed.x_edges_mm)
    rows = _cuts(surveyed.y_edges_mm)
    if min(rows.size, columns.size) - 1 < _FEWEST_BLOCKS:
        raise MeasureError(
            f"{scan.facts.file} is {scan.width_mm:.0f} x {scan.height_mm:.0f} mm, too small to show the lamp; scan the "
            "whole empty bed."
        )
    signal = np.array(
        [
            [float(np.median(surveyed.mean[top:bottom, left:right])) for left, right in _pairs(columns)]
            for top, bottom in _pairs(rows)
        ]
    )
    return Bed(
        facts=scan.facts,
        width_mm=scan.width_mm,
        height_mm=scan.height_mm,
        survey=surveyed,
        x_mm=_middles(surveyed.x_edges_mm[columns]),
        y_mm=_middles(surveyed.y_edges_mm[rows]),
        signal=signal,
    )


def _cuts(edges_mm: Floats) -> npt.NDArray[np.intp]:
    """Return where cells are cut into blocks of about `_BLOCK_MM`, narrower on a small scan, none left over."""
    cells = edges_mm.size - 1
    number = max(round(float(edges_mm[-1]) / _BLOCK_MM), min(_FEWEST_BLOCKS, cells))
    return np.unique(np.linspace(0, cells, number + 1).round().astype(np.intp))


def _pairs(cuts: npt.NDArray[np.intp]) -> list[tuple[int, int]]:
    return list(zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True))


def _middles(edges: Floats) -> Floats:
    return 0.5 * (edges[:-1] + edges[1:])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """A smooth surface through values on a bed: a sum of Legendre polynomials, and what it leaves.

    Attributes
    ----------
    left_over
        Values less surface, shape of the values.
    outlying
        Share of the values that lie so far off that they were not counted, 0 to 1.
    """

    width_mm: float
    height_mm: float
    degrees: tuple[int, int]
    coefficients: Floats
    left_over: Floats
    outlying: float

    def at(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the surface on the grid of these places, shape (len(y), len(x))."""
        across = _legendre(x_mm, self.width_mm, self.degrees[0])
        down = _legendre(y_mm, self.height_mm, self.degrees[1])
        result: Floats = sum(
            (
                c * np.outer(down[j], across[i])
                for c, (i, j) in zip(self.coefficients, _terms(self.degrees), strict=True)
            ),
            start=np.zeros((y_mm.size, x_mm.size)),
        )
        return result


def smooth_surface(x_mm: Floats, y_mm: Floats, values: Floats, size_mm: tuple[float, float]) -> Surface:
    """Fit a smooth surface that dust and things on the bed do not draw.

    Least squares on Legendre polynomials of total degree 8 at most, repeated with the weights of Tukey's biweight.

    Parameters
    ----------
    x_mm, y_mm
        Middles of the values, ascending.
    values
        Shape (len(y_mm), len(x_mm)).
    size_mm
        Width and height of the bed.

    References
    ----------
    Beaton and Tukey (1974), Technometrics 16: the biweight, with its usual constant 4.685.
    """
    degrees = _degree(x_mm.size), _degree(y_mm.size)
    weights = np.ones(values.size)
    # A plain bow first: a surface that bends more would bend into what lies on the bed before it is known as such.
    for most in (2, 2, 2, *(_HIGHEST_DEGREE,) * 6):
        bent = min(degrees[0], most), min(degrees[1], most)
        across, down = _legendre(x_mm, size_mm[0], bent[0]), _legendre(y_mm, size_mm[1], bent[1])
        design = np.stack([np.outer(down[j], across[i]).ravel() for i, j in _terms(bent)], axis=1)
        root = np.sqrt(weights)
        coefficients = np.linalg.lstsq(design * root[:, None], values.ravel() * root, rcond=None)[0]
        rest = values.ravel() - design @ coefficients
        spread = max(robust_spread(rest), 1e-6)
        weights = np.maximum(1.0 - (rest / (4.685 * spread)) ** 2, 0.0) ** 2
    limit = max(_OUTLYING * spread, _LEAST_OUTLYING * abs(float(np.median(values))))
    return Surface(
        width_mm=size_mm[0],
        height_mm=size_mm[1],
        degrees=degrees,
        coefficients=coefficients,
        left_over=rest.reshape(values.shape),
        outlying=float(np.mean(np.abs(rest) > limit)),
    )


def _degree(values: int) -> int:
    """Return the degree that so many values support: least squares is well behaved below half of their number."""
    return min(_HIGHEST_DEGREE, max((values - 1) // 2, 1))


def _terms(degrees: tuple[int, int]) -> list[tuple[int, int]]:
    most = max(degrees)
    return [(i, j) for i in range(degrees[0] + 1) for j in range(degrees[1] + 1) if i + j <= most]


def _legendre(places_mm: Floats, length_mm: float, degree: int) -> Floats:
    """Return the polynomials 0 to degree at places from 0 to the length, shape (degree + 1, places)."""
    t = 2.0 * places_mm / length_mm - 1.0
    rows = [np.ones_like(t), t]
    for n in range(1, degree):
        rows.append(((2 * n + 1) * t * rows[n] - n * rows[n - 1]) / (n + 1))
    return np.stack(rows[: degree + 1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LampField:
    """Relative light of the lamp over the bed, mean 1; its arrays are read-only.

    Attributes
    ----------
    x_mm, y_mm
        Places of the nodes, from edge to edge of the bed.
    light
        Relative light at the nodes, shape (len(y_mm), len(x_mm)).
    left_over
        Standard deviation of the relative light that the smooth field does not hold (k = 1).
    warnings
        What is doubtful about it.
    """

    file: str
    x_mm: Floats
    y_mm: Floats
    light: Floats
    left_over: float
    warnings: tuple[Warning_, ...] = ()

    def __post_init__(self) -> None:
        if self.light.shape != (self.y_mm.size, self.x_mm.size) or not bool(np.all(self.light > 0.0)):
            raise ValueError("the light of a lamp is above nothing, one value at each node")
        for array in (self.x_mm, self.y_mm, self.light):
            array.flags.writeable = False

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the bed."""
        return float(self.x_mm[-1]), float(self.y_mm[-1])

    @property
    def density_doubt(self) -> float:
        """Standard uncertainty (k = 1) that the lamp leaves on a density after correction."""
        return self.left_over / math.log(10.0)

    def at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Floats:
        """Return the relative light at places, the two arrays broadcast; beyond the bed its border goes on."""
        column, right = _between(self.x_mm, np.asarray(x_mm, dtype=float))
        row, down = _between(self.y_mm, np.asarray(y_mm, dtype=float))
        upper = self.light[row, column] * (1.0 - right) + self.light[row, column + 1] * right
        lower = self.light[row + 1, column] * (1.0 - right) + self.light[row + 1, column + 1] * right
        result: Floats = upper * (1.0 - down) + lower * down
        return result

    def cells(self, surveyed: Survey) -> Floats:
        """Return the relative light at the middle of each cell of a survey, shape (rows, columns)."""
        return self.at(_middles(surveyed.x_edges_mm)[None, :], _middles(surveyed.y_edges_mm)[:, None])

    def box(self, box_mm: BoxMm) -> float:
        """Return the mean relative light over a box (left, top, width, height)."""
        left, top, width, height = box_mm
        parts = (np.arange(9) + 0.5) / 9.0
        return float(self.at(left + width * parts[None, :], top + height * parts[:, None]).mean())

    def require_same_bed(self, scan: Scan) -> None:
        """Refuse a scan of another part of the bed; another resolution is no matter.

        Raises
        ------
        MeasureError
            If the scans differ in size by more than a millimetre.
        """
        width, height = self.size_mm
        if abs(scan.width_mm - width) > _SAME_BED_MM or abs(scan.height_mm - height) > _SAME_BED_MM:
            raise MeasureError(
                f"{scan.facts.file} is {scan.width_mm:.0f} x {scan.height_mm:.0f} mm and the empty bed {self.file} "
                f"{width:.0f} x {height:.0f} mm; scan both over the same area of the bed."
            )


def evened(surveyed: Survey, field: LampField | None) -> Survey:
    """Return a survey of light freed of the lamp's unevenness: means and spreads over the light of each cell.

    The survey must have been made with a calibration's table; without a field it comes back as it is.
    """
    if field is None:
        return surveyed
    light = field.cells(surveyed)
    return replace(surveyed, mean=surveyed.mean / light, sd=surveyed.sd / light)


def lamp_doubt(field: LampField | None, findings: Findings | None) -> float:
    """Return the standard contribution (k = 1) of the lamp to the density at one place of the bed.

    What correction leaves where the lamp is known; else what the last check found over the whole bed; else what is
    usual.
    """
    if field is not None:
        return max(field.density_doubt, _LEAST_DOUBT)
    return USUAL_DOUBT if findings is None or findings.lamp is None else max(findings.lamp, _LEAST_DOUBT)


def lamp_warnings(field: LampField | None, *, calibrated: bool) -> tuple[Warning_, ...]:
    """Return what is doubtful when the lamp is known only to the calibration, or only to the measurement."""
    if field is None:
        return (_BED_MISSING,) if calibrated else ()
    return field.warnings if calibrated else (*field.warnings, _LAMP_ONE_SIDED)


_BED_MISSING: Final = Warning_(
    code="empty-bed-missing",
    message="The calibration used a scan of the empty bed, this measurement did not; add --empty-bed.",
)
_LAMP_ONE_SIDED: Final = Warning_(
    code="lamp-not-in-calibration",
    message="The calibration was made without a scan of the empty bed, so all readings are off by the lamp's "
    "unevenness at the wedge; calibrate with --empty-bed too.",
)


def _between(nodes: Floats, places: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    inside = np.clip(places, nodes[0], nodes[-1])
    low = np.clip(np.searchsorted(nodes, inside, side="right") - 1, 0, nodes.size - 2)
    return low, (inside - nodes[low]) / (nodes[low + 1] - nodes[low])


def lamp_field(bed: Bed, curve: Curve) -> LampField:
    """Return the relative light of the lamp, from an empty bed and the curve of the scanner.

    The bare glass is lighter than the lightest step of the wedge; there the curve goes on with its end slope. An error
    of that slope of some per cent changes an unevenness of 2 % by some hundredths of a per cent.

    Parameters
    ----------
    bed
        Scanned as the wedge was.
    curve
        The calibration.

    Raises
    ------
    MeasureError
        If the bed is at the end of the scanner's scale, or something lies on it.
    """
    file = bed.facts.file
    clipped = bed.clipped(inverted=curve.inverted)
    if clipped > MOST_CLIPPED:
        raise MeasureError(
            f"{file}: {100 * clipped:.0f} % of the empty bed is at the end of the scanner's scale, so that it does not "
            "show the lamp; lower the exposure until bare glass is below white, and scan wedge, film and bed again."
        )
    full = bed.facts.full_scale
    light = np.interp(bed.signal * full, np.arange(full + 1), curve.table(full))
    relative = light / max(float(np.median(light)), 1e-9)
    surface = smooth_surface(bed.x_mm, bed.y_mm, relative, (bed.width_mm, bed.height_mm))
    x, y = _nodes(bed.width_mm), _nodes(bed.height_mm)
    field = surface.at(x, y)
    if surface.outlying > _MOST_OUTLYING or not plausible_lamp(relative) or field.min() < 0.2:
        raise MeasureError(f"{file}: the bed is not empty; take everything off the glass, clean it and scan it again.")
    told = _other_settings(curve.differences(bed.facts))
    warnings = (
        Warning_(
            code="empty-bed-differs",
            message=f"The empty bed {file} was not scanned like the wedge: {', '.join(told)}; scan both alike.",
        ),
    )
    return LampField(
        file=file,
        x_mm=x,
        y_mm=y,
        light=field / float(field.mean()),
        left_over=robust_spread(surface.left_over),
        warnings=warnings if told else (),
    )


def plausible_lamp(relative: Floats) -> bool:
    """Tell whether the light varies as a lamp's may: by less than a factor of two from the middle of its range."""
    low, high = float(np.quantile(relative, 0.02)), float(np.quantile(relative, 0.98))
    return low > 0.5 and high < 2.0


def _nodes(length_mm: float) -> Floats:
    return np.linspace(0.0, length_mm, max(math.ceil(length_mm / _NODE_MM), 1) + 1)


def _other_settings(differences: Sequence[str]) -> list[str]:
    """Return the differences that matter: the bed may be scanned at another resolution."""
    return [text for text in differences if not text.startswith("resolution")]
