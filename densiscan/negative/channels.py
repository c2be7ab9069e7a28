"""What the other channels of a colour scan make of the film: a stain or a tint shows as a difference between them.

Each is read at a few even places of a square millimetre and more, in the rebate and where the frame has its shadow and
its highlight density, by its own curve. Of the same silver through the same wedge all channels read the same density.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.channels import difference
from densiscan.calibration.densities import Light
from densiscan.calibration.veil import freed_curve
from densiscan.scan.apertures import cells_inside
from densiscan.scan.cells import Footprint, TurnedBox
from densiscan.scan.channels import COLOURS, in_channel
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Channel, Scan
from densiscan.scan.survey import Survey

PATCH_MM: Final = 1.5
"""Side of a place that is read: half as much again as the usual aperture."""
ALLOWED: Final = 0.02
"""Density by which channels may differ before it is worth a word: what a nominal wedge is doubted by."""
_SURE: Final = 1.5
"""Expanded uncertainties (k = 2) that a difference must exceed: three standard deviations, as six are looked at."""
_LIKE: Final = 0.04
_RIM_MM: Final = 0.7


class Read(Protocol):
    """What is needed of a reading."""

    @property
    def base_plus_fog(self) -> Quantity | None:
        """Density of the rebate."""
        ...

    @property
    def shadow(self) -> Quantity | None:
        """Density of the shadow."""
        ...

    @property
    def highlight(self) -> Quantity | None:
        """Density of the highlight."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelReading:
    """What another channel reads: each density of the reading, and by how much it differs; None where it is not known.

    `density_range` is that of this channel, `in_range` by how much it is longer than that of the channel in use.
    """

    channel: Channel
    base_plus_fog: Quantity | None
    shadow: Quantity | None
    highlight: Quantity | None
    density_range: Quantity | None
    in_range: Quantity | None
    differences: tuple[Quantity, ...]

    @property
    def disagrees(self) -> bool:
        """Whether any place differs by more than the uncertainty of the difference, and enough to matter."""
        return any(_matters(one) for one in self.differences)


def _matters(one: Quantity | None) -> bool:
    return one is not None and abs(one.value) > max(ALLOWED, _SURE * (one.uncertainty or 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Where:
    """Where the film of one reading lies.

    Attributes
    ----------
    film
        The piece, or what is seen of it.
    frame
        The picture, or all that was read.
    rebate_mm
        The box that was named; None where the rebate is looked for.
    footprint
        Which cells are the film, where that is not all of its box.
    """

    film: TurnedBox
    frame: TurnedBox
    rebate_mm: BoxMm | None = None
    footprint: Footprint | None = None


def channels_of(reading: Read, where: Where, light: Light, calibration: Calibration) -> tuple[ChannelReading, ...]:
    """Read the same film by the other channels that the calibration has a curve for.

    Parameters
    ----------
    light
        How densities are read in the channel in use.

    Returns
    -------
    tuple of ChannelReading
        One for each other channel; none for a gray scan, or for a calibration that was made from one.
    """
    if light.scan.channel not in COLOURS or not calibration.others:
        return ()
    places = _places(reading, where, light.survey)
    if not places:
        return ()
    own = {name: light.of_box(box, name) for name, box in places.items()}
    found = []
    for curve in calibration.others:
        other = _by(light, curve, in_channel(light.scan, _named(curve.channel)))
        differ = {
            name: difference(own[name], other.of_box(box, name), channel=curve.channel) for name, box in places.items()
        }
        found.append(_channel_reading(reading, differ, _named(curve.channel)))
    return tuple(found)


def _named(channel: str) -> Channel:
    return next(colour for colour in COLOURS if colour == channel)


def _by(light: Light, curve: Calibration, scan: Scan) -> Light:
    """Return how densities are read in another channel: lamp and glare are those of the channel in use."""
    freed = light.veil is not None and light.veil.corrected
    return replace(light, scan=scan, curve=freed_curve(curve, light.veil.glare) if freed and light.veil else curve)


def _channel_reading(reading: Read, differ: dict[str, Quantity], channel: Channel) -> ChannelReading:
    def moved(name: str, value: Quantity | None) -> Quantity | None:
        return None if value is None or name not in differ else value + differ[name]

    shadow, highlight = moved("shadow", reading.shadow), moved("highlight", reading.highlight)
    both = "shadow" in differ and "highlight" in differ
    return ChannelReading(
        channel=channel,
        base_plus_fog=moved("rebate", reading.base_plus_fog),
        shadow=shadow,
        highlight=highlight,
        density_range=None if shadow is None or highlight is None else highlight - shadow,
        in_range=differ["highlight"] - differ["shadow"] if both else None,
        differences=tuple(differ.values()),
    )


def _places(reading: Read, where: Where, survey: Survey) -> dict[str, BoxMm]:
    """Return an even place for each density of a reading: the calmest whose density is about that."""
    places = {}
    if where.rebate_mm is not None:
        places["rebate"] = _middle(where.rebate_mm)
    elif reading.base_plus_fog is not None:
        outside = _cells_between(survey, where)
        places |= _calmest("rebate", reading.base_plus_fog.value, survey, outside)
    inside = cells_inside(survey, _shrunk(where.frame), film=where.footprint).places()
    for name, value in (("shadow", reading.shadow), ("highlight", reading.highlight)):
        if value is not None:
            places |= _calmest(name, value.value, survey, inside)
    return places


def _middle(box: BoxMm) -> BoxMm:
    left, top, width, height = box
    across, down = min(PATCH_MM, width), min(PATCH_MM, height)
    return left + 0.5 * (width - across), top + 0.5 * (height - down), across, down


def _shrunk(box: TurnedBox) -> TurnedBox:
    inset = min(PATCH_MM, 0.25 * box.width_mm, 0.25 * box.height_mm)
    return replace(
        box,
        left_mm=box.left_mm + inset,
        top_mm=box.top_mm + inset,
        width_mm=box.width_mm - 2.0 * inset,
        height_mm=box.height_mm - 2.0 * inset,
    )


def _cells_between(survey: Survey, where: Where) -> tuple[np.ndarray, np.ndarray]:
    """Return rows and columns of the cells that lie on the film beside the frame, off all edges."""
    film, frame = where.film, where.frame
    rows, columns = cells_inside(survey, film, film=where.footprint).places()
    x = 0.5 * (survey.x_edges_mm[columns] + survey.x_edges_mm[columns + 1])
    y = 0.5 * (survey.y_edges_mm[rows] + survey.y_edges_mm[rows + 1])
    kept = film.inside(x, y, _RIM_MM + 0.5 * PATCH_MM) & ~frame.inside(x, y, -_RIM_MM - 0.5 * PATCH_MM)
    return rows[kept], columns[kept]


def _calmest(name: str, density: float, survey: Survey, cells: tuple[np.ndarray, np.ndarray]) -> dict[str, BoxMm]:
    """Return the place of the calmest surroundings among cells of about a density; nothing where there is none."""
    rows, columns = cells
    if not rows.size:
        return {}
    values = -np.log10(np.maximum(survey.mean[rows, columns], 1e-8))
    near = np.abs(values - density) < _LIKE
    rows, columns = rows[near], columns[near]
    if not rows.size:
        return {}
    cell = float(np.diff(survey.x_edges_mm[:2])[0]), float(np.diff(survey.y_edges_mm[:2])[0])
    reach = max(1, round(0.5 * PATCH_MM / cell[0])), max(1, round(0.5 * PATCH_MM / cell[1]))
    rough = _roughness(survey.mean, rows, columns, reach)
    best = int(np.argmin(rough))
    x = 0.5 * float(survey.x_edges_mm[columns[best]] + survey.x_edges_mm[columns[best] + 1])
    y = 0.5 * float(survey.y_edges_mm[rows[best]] + survey.y_edges_mm[rows[best] + 1])
    return {name: (x - 0.5 * PATCH_MM, y - 0.5 * PATCH_MM, PATCH_MM, PATCH_MM)}


def _roughness(light: np.ndarray, rows: np.ndarray, columns: np.ndarray, reach: tuple[int, int]) -> np.ndarray:
    """Return how far the farthest of the cells around each cell differs from it, relative to it."""
    across, down = reach
    here = np.maximum(light[rows, columns], 1e-8)
    worst = np.zeros(rows.size)
    for dy in (-down, 0, down):
        for dx in (-across, 0, across):
            y = np.clip(rows + dy, 0, light.shape[0] - 1)
            x = np.clip(columns + dx, 0, light.shape[1] - 1)
            worst = np.maximum(worst, np.abs(light[y, x] / here - 1.0))
    return worst


def channel_warnings(found: Sequence[ChannelReading], used: str) -> tuple[Warning_, ...]:
    """Return what it means for a print that channels disagree; nothing where they agree."""
    by_name = {one.channel: one for one in found}
    blue = by_name.get("blue")
    disagreeing = [one for one in found if one.disagrees]
    if not disagreeing:
        return ()
    if blue is not None and blue.disagrees:
        message = _blue_words(blue, used)
    else:
        message = _other_words(max(disagreeing, key=_widest), used, blue_agrees=blue is not None)
    return (Warning_(code="channels-disagree", message=message),)


def _widest(read: ChannelReading) -> float:
    return max(abs(one.value) for one in read.differences)


def _other_words(read: ChannelReading, used: str, *, blue_agrees: bool) -> str:
    """Return what a print has of it that a channel other than blue differs."""
    seen = f"The film is coloured: {read.channel} light sees densities up to {_widest(read):.2f} away from {used}. "
    if used == "blue":
        return seen + "Graded paper responds to blue light, which was measured: the readings hold for the print."
    if blue_agrees:
        return seen + "Blue light, to which graded paper responds, agrees: the readings hold for the print."
    return seen + "Graded paper responds to blue light; calibrate with a scan that shows the wedge in blue."


def _blue_words(blue: ChannelReading, used: str) -> str:
    """Return what blue light, to which graded paper responds, sees of the film."""
    if _matters(blue.in_range) and blue.density_range is not None and blue.in_range is not None:
        return (
            f"The film is stained: blue light, to which graded paper responds, sees a density range of "
            f"{blue.density_range.value:.2f}, {blue.in_range.value:+.2f} against {used}; choose the paper for that "
            "(measure with --channel blue)."
        )
    most = max(blue.differences, key=lambda one: abs(one.value)).value
    return (
        f"The film is tinted: blue light, to which graded paper responds, sees it {most:+.2f} denser than {used} does, "
        f"lights and darks alike; the grade holds, the print needs {10.0**most:.2f} times the exposure."
    )
