"""A finished print: what was read of it, against what its paper can give and the negative that it came from.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.arithmetic.units import STOP
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.densities import Light
from densiscan.errors import MeasureError, PaperTestError
from densiscan.paper.curve import FIRST_TONE, FULL_BLACK, FULL_SHADOW, PaperCurve
from densiscan.paper.exposure import NegativeEnds, Printing, fit_on, needed_range
from densiscan.paper.from_scan import reading_warnings, require_on, require_reflection
from densiscan.paper.light import print_light
from densiscan.paper.seen import negative_signs
from densiscan.paper.tested_range import PaperTest
from densiscan.scan.apertures import readings_inside
from densiscan.scan.cells import TurnedBox
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan

Highlights = Literal["blank", "right", "gray"]
Shadows = Literal["blocked", "right", "weak"]
Contrast = Literal["harder", "keep", "softer"]

TRIM: Final = 0.01
"""White and black are these percentiles of the picture's area, as for a negative."""
APERTURE_MM: Final = 1.0
HIGHLIGHT_TONE: Final = 0.12
"""Density above base plus fog up to which the lightest part of a print still looks white (common practice)."""
LARGE_SHARE: Final = 0.10
"""Part of the picture that may be bare paper, or full black, before it is called blank or blocked (common practice)."""
LEAST_STOPS: Final = 0.15
"""Change of exposure that is not worth another sheet: half of a third of a stop."""
_EVEN: Final = 0.06
"""Spread of density along a line that is margin, rebate or lid, and no picture."""
_INSET_MM: Final = 1.5
_SIGNS_TO_REFUSE: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintReading:
    """What was read of a print.

    Attributes
    ----------
    frame_mm
        The picture: left, top, width, height on the scan.
    found
        Whether it was found, not given.
    white, black, tonal_range
        1st and 99th percentile of the aperture readings, and their difference.
    densities
        All aperture readings, rising, read-only.
    rebate
        Density of the printed clear rebate, where its box was given.
    seen
        "negative" where it looks like one: then a warning says why, and it is not judged.
    """

    file: str
    frame_mm: BoxMm
    found: bool
    white: Quantity
    black: Quantity
    tonal_range: Quantity
    densities: tuple[float, ...]
    rebate: Quantity | None = None
    warnings: tuple[Warning_, ...] = ()
    seen: Literal["print", "negative"] = "print"

    def share_below(self, density: float) -> float:
        """Return the part of the picture's area that is lighter."""
        return float(np.searchsorted(self.densities, density)) / max(len(self.densities), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A print against its negative: what fell off, densities of the negative.

    `black_below` and `white_above` are the densities that print as full black and as bare paper; `lost_shadow_stops`
    and `lost_highlight_stops` how much of the negative lies beyond them. `given` tells that the exposure was stated,
    and not found from the tones.
    """

    black_below: Quantity
    white_above: Quantity
    lost_shadow_stops: float
    lost_highlight_stops: float
    given: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a print shows, and what to change in the next.

    Attributes
    ----------
    bare_share, black_share
        Parts of the picture that are bare paper and full black.
    bare_between, black_between
        Least and most of them, as sure as white and black are read and known of the paper (k = 2).
    contrast
        A grade harder or softer, or the same.
    exposure_stops
        Change of exposure, above zero more; None where it cannot be told, 0 where it is right.
    at_least
        Whether more than that may be needed.
    rebate_stops
        More exposure that the clear rebate needs to print as full black, stops; 0 where it does, None where not asked.
    """

    highlights: Highlights
    shadows: Shadows
    bare_share: float
    black_share: float
    contrast: Contrast
    exposure_stops: float | None
    at_least: bool = False
    against: Against | None = None
    rebate_stops: float | None = None
    bare_between: tuple[float, float] = (0.0, 1.0)
    black_between: tuple[float, float] = (0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintMade:
    """How a print was made: its negative and its seconds, each None where it is not known."""

    printing: Printing
    negative: NegativeEnds | None = None
    seconds: float | None = None


def read_print(
    scan: Scan,
    calibration: Calibration,
    *,
    frame_mm: BoxMm | None = None,
    rebate_mm: BoxMm | None = None,
    as_print: bool = False,
) -> PrintReading:
    """Read a print.

    Parameters
    ----------
    frame_mm
        The picture, where it is not to be found: left, top, width, height on the scan.
    rebate_mm
        The printed clear rebate of the film.
    as_print
        The person insists that it is a print, whatever it looks like.

    Raises
    ------
    MeasureError
        If the calibration is one for transmission, or no picture is there.
    WrongUseError
        If a box is not on the scan.
    """
    require_reflection(calibration, scan.facts.file)
    for option, box in (("--frame", frame_mm), ("--rebate", rebate_mm)):
        require_on(scan, box, option)
    reader = print_light(scan, calibration)
    light = reader.light
    frame = frame_mm or picture_on(light)
    left, top, width, height = frame
    area = TurnedBox(left_mm=left, top_mm=top, width_mm=width, height_mm=height)
    read = readings_inside(light.survey, area, aperture_mm=APERTURE_MM)
    if read is None:
        raise MeasureError(
            f"{scan.facts.file}: no picture was found; give it with `frame_mm` left,top,width,height in mm."
        )
    white, black = (
        reader.of_area(10.0 ** -read.quantile(share), read.noise_of_quantile(share), name, area)
        for share, name in ((TRIM, "white"), (1.0 - TRIM, "black"))
    )
    signs = () if as_print else negative_signs(light, calibration, black=black.value)
    warnings = (_negative(signs),) if len(signs) >= _SIGNS_TO_REFUSE else ()
    return PrintReading(
        file=scan.facts.file,
        frame_mm=frame,
        found=frame_mm is None,
        white=white,
        black=black,
        tonal_range=black - white,
        densities=tuple(read.density.tolist()),
        rebate=None if rebate_mm is None else reader.of_box(rebate_mm, "rebate"),
        warnings=(*warnings, *reading_warnings(reader, calibration, (white, black))),
        seen="negative" if warnings else "print",
    )


def _negative(signs: Sequence[str]) -> Warning_:
    return Warning_(
        code="seen-negative",
        message=f"This looks like a negative: {', and '.join(signs)}. Read it with densiscan measure; --as-print "
        "judges it all the same.",
    )


def picture_on(light: Light) -> BoxMm:
    """Return the box of the picture: what is left when lines that are of one tone are taken off all four sides.

    Lid, white margin and black rebate are such lines; a picture hardly ever is.
    """
    survey = light.survey
    density = -np.log10(np.maximum(survey.mean, 1e-4))
    sides = [0, density.shape[0], 0, density.shape[1]]
    moved = True
    while moved:
        moved = False
        for side in range(4):
            while _is_even(density, sides, side):
                sides[side] += 1 if side % 2 == 0 else -1
                moved = True
    if min(sides[1] - sides[0], sides[3] - sides[2]) < 4:
        return 0.0, 0.0, float(survey.x_edges_mm[-1]), float(survey.y_edges_mm[-1])
    top, bottom = survey.y_edges_mm[sides[0]], survey.y_edges_mm[sides[1]]
    left, right = survey.x_edges_mm[sides[2]], survey.x_edges_mm[sides[3]]
    inset = min(_INSET_MM, 0.1 * float(right - left), 0.1 * float(bottom - top))
    return (
        float(left) + inset,
        float(top) + inset,
        float(right - left) - 2.0 * inset,
        float(bottom - top) - 2.0 * inset,
    )


def _is_even(density: Floats, sides: list[int], side: int) -> bool:
    first, last, left, right = sides
    if last - first < 4 or right - left < 4:
        return False
    line = (
        density[first, left:right],
        density[last - 1, left:right],
        density[first:last, left],
        density[first:last, right - 1],
    )[side]
    low, high = np.quantile(line, (0.06, 0.94))
    # In black a little scattered light makes more of a difference.
    return bool(high - low < _EVEN + 0.1 * max(float(high) - 1.0, 0.0))


def judged(reading: PrintReading, test: PaperTest, made: PrintMade) -> Judgement:
    """Say what a print shows and what to change.

    Parameters
    ----------
    test
        Of its paper, by densities.

    Raises
    ------
    PaperTestError
        If the test knows no densities: steps were counted by eye, or it is relative to its own white and black.
    """
    curve = test.curve()
    if curve is None or test.relative:
        raise PaperTestError(
            f"the test of the paper {test.circumstances.name or ''} has no densities; test it from a scan with a "
            "calibration by a reflection wedge."
        )
    bare = reading.share_below(curve.base + FIRST_TONE)
    black = 1.0 - reading.share_below(curve.top - FULL_BLACK)
    bare_doubt, black_doubt = _away(reading.white, test.base_plus_fog), _away(reading.black, test.maximum_black)
    bare_between = _shares(reading, curve.base + FIRST_TONE, bare_doubt)
    least, most = _shares(reading, curve.top - FULL_BLACK, black_doubt)
    black_between = 1.0 - most, 1.0 - least
    # A blank sky is spoken of where it is one for all that is not known of it.
    highlights = _highlights(reading, curve, bare_between[0])
    shadows = _shadows(reading, curve, black_between[0])
    against = _against(reading, test, curve, made)
    stops, at_least = _exposure(reading, curve, (highlights, shadows), against, made)
    return Judgement(
        highlights=highlights,
        shadows=shadows,
        bare_share=bare,
        black_share=black,
        contrast=_contrast(highlights, shadows, test, made),
        exposure_stops=stops,
        at_least=at_least,
        against=against,
        rebate_stops=_rebate_stops(reading, curve),
        bare_between=bare_between,
        black_between=black_between,
    )


def _away(read: Quantity, paper: Quantity | None) -> float:
    """Return by how much a tone read and one known of the paper may miss each other (k = 2), density."""
    paper_uncertainty = 0.0 if paper is None else paper.uncertainty or 0.0
    return math.hypot(read.uncertainty or 0.0, paper_uncertainty)


def _shares(reading: PrintReading, density: float, expanded: float) -> tuple[float, float]:
    return reading.share_below(density - expanded), reading.share_below(density + expanded)


def _highlights(reading: PrintReading, curve: PaperCurve, bare: float) -> Highlights:
    if bare > LARGE_SHARE:
        return "blank"
    return "right" if reading.white.value <= curve.base + HIGHLIGHT_TONE else "gray"


def _shadows(reading: PrintReading, curve: PaperCurve, black: float) -> Shadows:
    if black > LARGE_SHARE:
        return "blocked"
    return "right" if reading.black.value >= curve.base + FULL_SHADOW * curve.net else "weak"


def _contrast(highlights: Highlights, shadows: Shadows, test: PaperTest, made: PrintMade) -> Contrast:
    needed = None if made.negative is None else needed_range(made.negative, made.printing)
    if needed is not None:
        fit = fit_on(needed.value, test)
        if fit is not None:
            return "keep" if fit == "fits" else "softer" if fit == "too hard" else "harder"
    if (highlights, shadows) == ("blank", "blocked"):
        return "softer"
    return "harder" if (highlights, shadows) == ("gray", "weak") else "keep"


def _exposure(
    reading: PrintReading,
    curve: PaperCurve,
    ends: tuple[Highlights, Shadows],
    against: Against | None,
    made: PrintMade,
) -> tuple[float | None, bool]:
    """Return the change of exposure that gives the highlights their first tone, and whether it is a least one."""
    if against is not None and made.negative is not None and made.negative.highlight is not None:
        away = made.printing.seen(made.negative.highlight - against.white_above).value
        return _worth(away / STOP), False
    marks, white = curve.landmarks(), curve.log_exposure_at(reading.white.value)
    if ends[0] != "blank" and "highlight" in marks and white is not None:
        return _worth((marks["highlight"] - white) / STOP), False
    black = curve.log_exposure_at(reading.black.value)
    if ends[1] == "weak" and "shadow" in marks and black is not None:
        return _worth((marks["shadow"] - black) / STOP), True
    return None, False


def _worth(stops: float) -> float:
    return 0.0 if abs(stops) < LEAST_STOPS else stops


def _against(reading: PrintReading, test: PaperTest, curve: PaperCurve, made: PrintMade) -> Against | None:
    negative, full = made.negative, test.black_log_exposure
    if negative is None or full is None:
        return None
    offset = _offset(reading, test, curve, made, negative)
    if offset is None:
        return None
    shift, given = offset
    factor = made.printing.factor.value
    clear = Quantity(0.0) if negative.base_plus_fog is None else negative.base_plus_fog
    black = (shift - full - clear) / factor + clear
    white = (shift - test.highlight_log_exposure - clear) / factor + clear
    lost_density = [0.0, 0.0]
    if negative.shadow is not None:
        lost_density[0] = max(black.value - negative.shadow.value, 0.0)
    if negative.highlight is not None:
        lost_density[1] = max(negative.highlight.value - white.value, 0.0)
    return Against(
        black_below=black,
        white_above=white,
        lost_shadow_stops=lost_density[0] * factor / STOP,
        lost_highlight_stops=lost_density[1] * factor / STOP,
        given=given,
    )


def _offset(
    reading: PrintReading, test: PaperTest, curve: PaperCurve, made: PrintMade, negative: NegativeEnds
) -> tuple[Quantity, bool] | None:
    """Return the log exposure that a density of 0 on the negative gives, and whether it follows from the seconds.

    Else it follows from those ends of the print that lie on the sloping part of the curve.
    """
    tested = test.circumstances.exposure_s
    if made.seconds is not None and tested is not None and test.from_wedge:
        return Quantity(math.log10(made.seconds / tested)), True
    ends = []
    low, high = curve.base + 0.06, curve.base + 0.85 * curve.net
    for tone, density in ((reading.white, negative.highlight), (reading.black, negative.shadow)):
        place = curve.log_exposure_at(tone.value)
        if density is not None and place is not None and low <= tone.value <= high:
            ends.append(made.printing.seen(density, negative.base_plus_fog) + place)
    if not ends:
        return None
    return (ends[0] if len(ends) == 1 else (ends[0] + ends[1]) * 0.5), False


def _rebate_stops(reading: PrintReading, curve: PaperCurve) -> float | None:
    if reading.rebate is None:
        return None
    place, full = curve.log_exposure_at(reading.rebate.value), curve.landmarks().get("black")
    if place is None or full is None or reading.rebate.value >= curve.top - FULL_BLACK:
        return 0.0
    return (full - place) / STOP
