"""Readings through an aperture on a dense grid: mean transmittance, as a densitometer's optics average.

Dust and clear specks are told from the picture by standing out from all that surrounds them by more than that differs
itself; lines and rows, such as twigs, go on in their surroundings and stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from densiscan.scan.cells import Footprint, Indices, Map, Mask, TurnedBox, by_bands, grown
from densiscan.scan.frame_edge import SIDES, Border, Doubts, Grid, at_rank, borders_of
from densiscan.scan.survey import CellsInside, Survey

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_SPECKS: Final = 0.02
"""Share of a frame that may be specks; more is taken for picture."""

SPECK_MM: Final = 0.5
"""Half the window in which a speck has to stand alone."""

LEAST_SPECK: Final = 0.02
"""Density by which a speck differs from everything around it, at least."""

RIM_MM: Final = 0.3
"""Film is not read nearer to a crooked edge than this: a cut edge is soft and throws a shadow."""

_TOUCHED: Final = 1e-3
"""Share of a cell under an aperture that counts as met; Fourier transforms leave less than this of none."""

_DIRECT: Final = 100
"""Cells of a kernel up to which adding shifted maps is quicker than Fourier transforms."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ApertureReadings:
    """All readings of apertures that lie wholly inside an area.

    Attributes
    ----------
    density
        One a cell that an aperture may be centred on, sorted, lightest first.
    noise
        Standard deviation of a reading by grain and scanner, for each tenth of the readings (10 values).
    overlapping
        Readings to one aperture beside another: as many neighbours see nearly the same grain.
    specks
        Share of the area that was left out as dust or clear specks.
    too_many
        Whether more looked like specks than is believed; nothing was left out then.
    borders
        The readings along each side that come or go as the side moves; none where the area ends for certain.
    coarser
        The densities of each fourth of the readings, sorted: on every other row and column, begun at four places.
        None where nothing asks for what the grid does to the readings.
    """

    density: Map
    noise: Map
    overlapping: float
    specks: float
    too_many: bool
    borders: tuple[Border, ...] = ()
    coarser: tuple[Map, ...] = ()

    def quantile(self, share: float) -> float:
        """Return the density below which a share (0 to 1) of the readings lies, interpolated."""
        return at_rank(self.density, share * (self.density.size - 1))

    def edge_parts(self, share: float) -> dict[str, float]:
        """Return the standard contribution to a quantile of where each side of the area lies, by the side's name."""
        return {
            side: border.moved(self.density, share)
            for side, border in zip(SIDES, self.borders, strict=bool(self.borders))
        }

    def gap_part(self, share: float) -> float:
        """Return the standard contribution to a quantile of where the grid of readings begins.

        Nothing where tones go on evenly. Where few readings lie near the quantile, how many of them fall on the even
        places to either side is chance: grids half as fine, begun at four places, show twice of it.
        """
        found = [at_rank(some, share * (some.size - 1)) for some in self.coarser if some.size]
        return 0.5 * float(np.std(found)) if found else 0.0

    def noise_at(self, share: float) -> float:
        """Return the standard deviation of a reading near a share of the readings."""
        return float(self.noise[min(int(share * 10), 9)])

    def noise_of_quantile(self, share: float) -> float:
        """Return the standard deviation of a quantile by grain and scanner noise.

        A quantile moves by the mean noise of the readings that lie near it, within their own noise: the more of them
        there are that do not overlap, the surer it is.
        """
        noise, level = self.noise_at(share), self.quantile(share)
        low, high = np.searchsorted(self.density, (level - noise, level + noise))
        return noise / math.sqrt(max((high - low) / self.overlapping, 1.0))


def readings_inside(
    found: Survey,
    area: TurnedBox,
    *,
    aperture_mm: float,
    square: bool = False,
    doubts_mm: Doubts | None = None,
    film: Footprint | None = None,
) -> ApertureReadings | None:
    """Read every aperture that lies wholly inside an area.

    Parameters
    ----------
    found
        Survey through the calibration's table.
    area
        Where to read, turned as the film is.
    aperture_mm
        Diameter, or side of the square (which lies straight on the scan).
    doubts_mm
        Standard uncertainty of the place of each side; None where nothing asks for what it does to the readings.
    film
        What covers cells of the survey, where that is not all of the area: no aperture reaches beyond it.

    Returns
    -------
    ApertureReadings or None
        None where not one aperture fits into the area.
    """
    x_mm, y_mm = _middles(found.x_edges_mm), _middles(found.y_edges_mm)
    pitch = (float(np.diff(found.x_edges_mm[:2])[0]), float(np.diff(found.y_edges_mm[:2])[0]))
    kernel = aperture_kernel(aperture_mm, pitch, square=square)
    reach = (kernel.shape[0] // 2, kernel.shape[1] // 2)
    rows, columns = _window(area, x_mm, y_mm, reach)
    light, sd = found.mean[rows, columns], found.sd[rows, columns]
    if light.shape[0] < kernel.shape[0] or light.shape[1] < kernel.shape[1]:
        return None
    x, y = x_mm[columns][None, :], y_mm[rows][:, None]
    inside = by_bands(lambda some: area.inside(x, some, aperture_mm / 2), y)
    middle = (slice(reach[0], light.shape[0] - reach[0]), slice(reach[1], light.shape[1] - reach[1]))
    centres = inside[middle]
    within = by_bands(lambda some: area.inside(x, some), y)
    met = None
    if film is not None:
        beyond = film.beyond(rows, columns, _rim_cells(pitch))
        within = within & ~beyond
        met = _summed(beyond.astype(np.float64), kernel) > _TOUCHED
        centres = centres & ~met
    if not centres.any():
        return None
    specks = _specks(light, round(SPECK_MM / min(pitch)))
    share = float(specks[within].mean())
    mean = _averaged(light, kernel, ~grown(specks) if 0 < share <= MOST_SPECKS else None)
    np.maximum(mean, 1e-9, out=mean)
    if met is not None:
        mean[met] = np.nan
    borders = _borders(mean, (x_mm[columns][middle[1]], y_mm[rows][middle[0]]), area, doubts_mm, aperture_mm)
    density = mean[centres]
    coarser = () if doubts_mm is None else _coarser(mean, centres)
    del mean
    np.negative(np.log10(density, out=density), out=density)
    relative = by_bands(_relative, sd[middle], light[middle])[centres]
    per_cell = float(np.diff(found.x_edges_px[:2])[0] * np.diff(found.y_edges_px[:2])[0])
    ordered = np.sort(density)
    tenths = ordered[np.linspace(0, ordered.size - 1, 11).round().astype(np.intp)]
    parts = (relative[(low <= density) & (density <= high)] for low, high in pairwise(tenths))
    return ApertureReadings(
        density=ordered,
        noise=_noise(parts, per_cell * aperture_mm**2 / (pitch[0] * pitch[1])),
        overlapping=max(aperture_mm**2 * (1.0 if square else math.pi / 4) / (pitch[0] * pitch[1]), 1.0),
        specks=share if share <= MOST_SPECKS else 0.0,
        too_many=share > MOST_SPECKS,
        borders=borders,
        coarser=coarser,
    )


def _coarser(mean: Map, centres: Mask) -> tuple[Map, ...]:
    """Return the sorted densities on every other row and column, begun at each of four places."""
    starts = [(slice(row, None, 2), slice(column, None, 2)) for row in (0, 1) for column in (0, 1)]
    return tuple(np.sort(-np.log10(mean[start][centres[start]])) for start in starts)


def _rim_cells(pitch_mm: tuple[float, float]) -> int:
    """Return how many cells of film beside its crooked edge are left out; a footprint holds whole cells alone."""
    return max(0, math.ceil(RIM_MM / min(pitch_mm)) - 1)


def _borders(
    mean: Map, places: tuple[Map, Map], area: TurnedBox, doubts_mm: Doubts | None, aperture_mm: float
) -> tuple[Border, ...]:
    if doubts_mm is None:
        return ()
    return borders_of(mean, Grid(x_mm=places[0], y_mm=places[1]), area, doubts_mm, inset_mm=aperture_mm / 2)


def _middles(edges: Map) -> Map:
    return np.asarray((edges[1:] + edges[:-1]) / 2)


def _window(area: TurnedBox, x_mm: Map, y_mm: Map, reach: tuple[int, int]) -> tuple[slice, slice]:
    """Return the rows and columns of cells that an area touches, and the kernel's reach beyond them."""
    u, v = area.width_mm / 2, area.height_mm / 2
    x, y = area.on_scan(np.array([-u, u, u, -u]), np.array([-v, -v, v, v]))
    return _slice(y_mm, float(y.min()), float(y.max()), reach[0]), _slice(
        x_mm, float(x.min()), float(x.max()), reach[1]
    )


def _slice(places: Map, low: float, high: float, reach: int) -> slice:
    first, last = int(np.searchsorted(places, low)), int(np.searchsorted(places, high))
    return slice(max(0, first - reach), min(places.size, last + reach))


def aperture_kernel(aperture_mm: float, pitch_mm: tuple[float, float], *, square: bool = False) -> Map:
    """Return the weight of each cell under an aperture centred on the middle cell; odd shape (rows, columns).

    Cells that the rim cuts carry light from beyond it, so that an aperture of whole cells reads a wider area than it
    should. Its size is therefore reduced until its second moment, which is what blurs fine detail, is the true one.

    Parameters
    ----------
    pitch_mm
        Width and height of a cell.
    """
    moment = aperture_mm**2 / (12 if square else 16)
    low, high = 0.5 * aperture_mm, aperture_mm
    for _ in range(12):
        middle = (low + high) / 2
        kernel = _cover(middle, pitch_mm, square=square)
        low, high = (middle, high) if _moment(kernel, pitch_mm) < moment else (low, middle)
    return _cover(low, pitch_mm, square=square)


def _cover(size_mm: float, pitch_mm: tuple[float, float], *, square: bool) -> Map:
    """Return the share of each cell under a disc or square of this size; 16 x 16 points are tried in every cell."""
    fine = (np.arange(16) - 7.5) / 16

    def points(pitch: float) -> Map:
        reach = max(0, math.ceil(size_mm / 2 / pitch - 0.5))
        return np.asarray((np.arange(-reach, reach + 1)[:, None] + fine).ravel() * pitch)

    x, y = points(pitch_mm[0])[None, :], points(pitch_mm[1])[:, None]
    half = size_mm / 2
    covered = (np.abs(x) <= half) & (np.abs(y) <= half) if square else x * x + y * y <= half * half
    rows, columns = covered.shape[0] // 16, covered.shape[1] // 16
    share: Map = covered.reshape(rows, 16, columns, 16).mean(axis=(1, 3))
    return share


def _moment(kernel: Map, pitch_mm: tuple[float, float]) -> float:
    """Return the second moment along x (mm squared) of evenly lit cells with these weights."""
    reach = kernel.shape[1] // 2
    x = np.arange(-reach, reach + 1) * pitch_mm[0]
    return float((kernel.sum(axis=0) * x * x).sum() / kernel.sum() + pitch_mm[0] ** 2 / 12)


def _averaged(light: Map, kernel: Map, kept: Mask | None) -> Map:
    """Return the mean light under the kernel wherever it fits, cells that are not kept left out."""
    reach = kernel.shape[0] // 2
    if kept is None:
        return by_bands(lambda some: _summed(some, kernel) / kernel.sum(), light, reach=reach)
    return by_bands(partial(_averaged_kept, kernel=kernel), light, kept, reach=reach)


def _averaged_kept(light: Map, kept: Mask, *, kernel: Map) -> Map:
    weight = _summed(kept.astype(np.float64), kernel)
    # an aperture over dust alone reads the dust
    poor = weight < 0.3 * kernel.sum()
    mean = _summed(np.where(kept, light, 0.0), kernel) / np.where(poor, 1.0, weight)
    if poor.any():
        mean[poor] = (_summed(light, kernel) / kernel.sum())[poor]
    return np.asarray(mean)


def _summed(values: Map, kernel: Map) -> Map:
    """Return the sums of values weighted by a (symmetric) kernel, at every place where it fits wholly."""
    rows, columns = values.shape[0] - kernel.shape[0] + 1, values.shape[1] - kernel.shape[1] + 1
    if kernel.size > _DIRECT:
        shape = values.shape
        whole = np.fft.irfft2(np.fft.rfft2(values) * np.fft.rfft2(kernel, shape), shape)
        return np.asarray(whole[kernel.shape[0] - 1 :, kernel.shape[1] - 1 :])
    total = np.zeros((rows, columns))
    part = np.empty_like(total)
    for (row, column), weight in np.ndenumerate(kernel):
        if weight > 0:
            np.multiply(values[row : row + rows, column : column + columns], weight, out=part)
            total += part
    return total


def averaged_everywhere(light: Map, kernel: Map) -> Map:
    """Return the mean light under the kernel at every cell; at the borders, of as much of it as lies on the map."""
    reach = (kernel.shape[0] // 2, kernel.shape[1] // 2)
    borders = ((reach[0], reach[0]), (reach[1], reach[1]))
    weight = _summed(np.pad(np.ones_like(light), borders), kernel)
    return np.asarray(_summed(np.pad(light, borders), kernel) / weight)


def _specks(light: Map, reach: int) -> Mask:
    """Return the cells that stand out, lighter or darker, from the whole ring of cells `reach` away around them."""

    def specks(some: Map) -> Mask:
        contrast, spread = _standing_out(some, reach)
        return np.asarray(np.abs(contrast) > np.maximum(spread, LEAST_SPECK))

    reach = max(reach, 2)
    return _with_whole_ring(specks, light, reach)


def _with_whole_ring(work: Callable[..., NDArray[Any]], light: Map, reach: int, *maps: NDArray[Any]) -> NDArray[Any]:
    """Return what `work` makes of the cells that have a whole ring, put into a map of all cells, zero elsewhere."""
    inner = tuple(slice(reach, max(reach, size - reach)) for size in light.shape)
    made = by_bands(work, light, *maps, reach=reach) if min(light.shape) > 2 * reach else np.zeros((0, 0), dtype=bool)
    whole = np.zeros(light.shape, dtype=made.dtype)
    if made.size:
        whole[inner] = made
    return whole


def _standing_out(light: Map, reach: int) -> tuple[Map, Map]:
    """Return how much denser than all (or, negative, lighter than all) of its ring each cell is, and the ring's range.

    Of the cells that have a whole ring; zero where a cell is neither denser nor lighter.
    """
    density = -np.log10(np.maximum(light, 1e-9))
    most, least = _ring(density, reach, np.maximum), _ring(density, reach, np.minimum)
    middle = density[reach:-reach, reach:-reach]
    return np.maximum(middle - most, 0.0) - np.maximum(least - middle, 0.0), most - least


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeckMap:
    """Cells inside an area that stand out from all that surrounds them.

    `contrast` has the shape (rows, columns) of cells: density beyond the densest (positive) or lightest (negative)
    cell of the ring around, 0 where a cell does not stand out; `x_mm`, `y_mm` are the cells' middles on the scan,
    `cells` how many lie in the area.
    """

    contrast: Map
    x_mm: Map
    y_mm: Map
    cells: int


def specks_inside(
    found: Survey,
    area: TurnedBox,
    *,
    factor: float,
    least: float,
    calm: float = math.inf,
    film: Footprint | None = None,
) -> SpeckMap:
    """Return the specks in an area, on the film: what stands out by `factor` times the range of its ring and `least`.

    Where `calm` is given, only those count around which nothing differs by more than that, to three times the distance
    of the ring: glints and twigs of a subject come in company.
    """
    x_mm, y_mm = _middles(found.x_edges_mm), _middles(found.y_edges_mm)
    pitch = float(np.diff(found.x_edges_mm[:2])[0]), float(np.diff(found.y_edges_mm[:2])[0])
    rows, columns = _window(area, x_mm, y_mm, (0, 0))
    light, reach = found.mean[rows, columns], max(2, round(SPECK_MM / min(pitch)))

    def alone(some: Map) -> Map:
        contrast, spread = _standing_out(some, reach)
        apart = (np.abs(contrast) > np.maximum(factor * spread, least)) & (spread <= calm)
        return np.where(apart, contrast, 0.0)

    contrast = _with_whole_ring(alone, light, reach)
    x, y = x_mm[columns][None, :], y_mm[rows][:, None]
    inside = by_bands(lambda some: area.inside(x, some), y)
    if film is not None:
        inside = inside & ~film.beyond(rows, columns, reach)
    contrast[~inside] = 0.0
    if math.isfinite(calm):
        row, column = np.nonzero(contrast)
        company = _range_around(light, (row, column), reach) > calm
        contrast[row[company], column[company]] = 0.0
    return SpeckMap(contrast=contrast, x_mm=x_mm[columns], y_mm=y_mm[rows], cells=int(inside.sum()))


def _range_around(light: Map, places: tuple[Indices, Indices], reach: int) -> Map:
    """Return by how much density differs, around each place, from `reach` cells away to three times as many."""
    offset = np.arange(-3 * reach, 3 * reach + 1)
    down, across = (part.ravel() for part in np.meshgrid(offset, offset, indexing="ij"))
    around = np.maximum(np.abs(down), np.abs(across)) >= reach
    row = np.clip(places[0][:, None] + down[None, around], 0, light.shape[0] - 1)
    column = np.clip(places[1][:, None] + across[None, around], 0, light.shape[1] - 1)
    values = np.maximum(light[row, column], 1e-9)
    return np.asarray(np.log10(values.max(axis=1, initial=1e-9) / values.min(axis=1, initial=1e9)))


def _ring(values: Map, reach: int, extreme: np.ufunc) -> Map:
    """Return the extreme value on the square ring of cells at a distance, for each cell that has a whole ring."""
    length = 2 * reach + 1

    def along(axis: int) -> Map:
        """Return the extreme over `length` cells along one axis."""
        size = values.shape[axis] - length + 1
        cut = [slice(None), slice(None)]
        out: Map | None = None
        for shift in range(length):
            cut[axis] = slice(shift, shift + size)
            part = values[tuple(cut)]
            out = part.copy() if out is None else extreme(out, part, out=out)
        assert out is not None  # noqa: S101 - the ring has at least five cells
        return out

    across, down = along(1), along(0)
    rows, columns = values.shape[0] - 2 * reach, values.shape[1] - 2 * reach
    ring = extreme(across[:rows], across[2 * reach :])
    extreme(ring, down[:, :columns], out=ring)
    extreme(ring, down[:, 2 * reach :], out=ring)
    return np.asarray(ring)


def _relative(sd: Map, light: Map) -> Map:
    return np.asarray(sd / np.maximum(light, 1e-9))


def _noise(tenths: Iterable[Map], pixels: float) -> Map:
    """Return the standard deviation of a reading in each tenth of the readings, from the relative scatter in each cell.

    From the calmer half of the cells: in the rest it is picture that differs within a cell. About one pixel in four is
    independent (scanner blur, grain); where a cell is one pixel nothing is known and 1 % is supposed.
    """
    calm = np.array([float(np.partition(part, part.size // 4)[part.size // 4]) for part in tenths])
    calm = np.where(calm > 0, calm, 0.01)
    return np.asarray(calm / math.log(10) / math.sqrt(max(pixels / 4, 1)))


def cells_inside(found: Survey, area: TurnedBox, *, film: Footprint | None = None) -> CellsInside:
    """Return the cells whose middles lie in an area, and on the film, less its rim, where that is not all of it."""
    x_mm, y_mm = _middles(found.x_edges_mm), _middles(found.y_edges_mm)
    rows, columns = _window(area, x_mm, y_mm, (0, 0))
    x, y = x_mm[columns][None, :], y_mm[rows][:, None]
    mask = by_bands(lambda some: area.inside(x, some), y) if y.size else np.zeros((0, x.size), dtype=bool)
    if film is not None and mask.size:
        pitch = float(np.diff(x_mm[:2])[0]), float(np.diff(y_mm[:2])[0])
        mask = mask & ~film.beyond(rows, columns, _rim_cells(pitch))
    return CellsInside(rows=rows, columns=columns, mask=mask)
