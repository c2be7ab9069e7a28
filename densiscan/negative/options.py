"""What to measure on a negative, and how."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from densiscan.arithmetic.floats import keep_floats
from densiscan.calibration.glare import Glare
from densiscan.calibration.lamp import LampField
from densiscan.errors import WrongUseError
from densiscan.negative.sign_limits import READ_LIMITS, ReadLimits

BoxMm = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """What to measure, and how.

    Parameters
    ----------
    aperture_mm
        Diameter of the round aperture, or side of the `square` one.
    trim
        Fraction of the frame's area left out at either end: shadow and highlight are these percentiles.
    frame_mm, rebate_mm
        Boxes on the scan given by the person instead of found, not turned.
    spots_mm
        Places to read as well.
    base_density
        Density of the bare base, for fog.
    base_fog
        Base plus fog from elsewhere.
    lamp
        The lamp's light over the same bed: every reading is freed of its unevenness.
    glare
        What the scanner scatters: widens the uncertainty, or is taken out where `correct_glare`.
    fog_sheet
        Every piece of film is unexposed: all of it is base plus fog.
    wedge_mm
        Boxes of the steps of a wedge that lies on the same scan: it is no film, and nothing else is a wedge.
    as_negative
        The person insists that it is a negative, whatever it looks like.
    limits
        Thresholds of the search for film and of what is no negative; trials move them.

    Raises
    ------
    WrongUseError
        If a number makes no sense.

    Examples
    --------
    >>> MeasureOptions(spots_mm=((40.0, 18.0), (50.0, 55.0))).aperture_mm
    1.0
    """

    aperture_mm: float = 1.0
    square: bool = False
    trim: float = 0.01
    frame_mm: BoxMm | None = None
    rebate_mm: BoxMm | None = None
    spots_mm: tuple[tuple[float, float], ...] = ()
    base_density: float | None = None
    base_fog: float | None = None
    lamp: LampField | None = None
    glare: Glare | None = None
    correct_glare: bool = False
    fog_sheet: bool = False
    wedge_mm: tuple[BoxMm, ...] = ()
    as_negative: bool = False
    limits: ReadLimits = field(default=READ_LIMITS, repr=False)

    def __post_init__(self) -> None:
        keep_floats(self)
        if not (math.isfinite(self.aperture_mm) and self.aperture_mm > 0):
            raise WrongUseError(f"an aperture of {self.aperture_mm:g} mm is not valid; give one above 0, such as 1.")
        if not 0 <= self.trim < 0.5:
            raise WrongUseError(f"a trim of {self.trim:g} is not valid; give a fraction from 0 to below 0.5.")
        for name, box in (("frame_mm", self.frame_mm), ("rebate_mm", self.rebate_mm)):
            if box is not None and not (all(map(math.isfinite, box)) and box[2] > 0 and box[3] > 0):
                raise WrongUseError(f"`{name}` {box_words(box)} has no area; give left,top,width,height in mm.")
        if self.rebate_mm is not None and self.base_fog is not None:
            raise WrongUseError("`rebate_mm` and `base_fog` both give base plus fog; give one of them.")


def box_words(box: BoxMm) -> str:
    """Return a box as a person types it."""
    return ",".join(f"{value:g}" for value in box)
