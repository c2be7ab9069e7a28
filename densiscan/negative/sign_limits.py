"""Where each sign begins by which a negative is told from what is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.threshold import chosen, physics, practice
from densiscan.negative.find.limits import FIND_LIMITS, FindLimits
from densiscan.negative.trouble.limits import TROUBLE_LIMITS, TroubleLimits


@dataclass(frozen=True, slots=True, kw_only=True)
class SignLimits:
    """Thresholds of the signs; densities unless named otherwise."""

    signs_to_refuse: int = chosen(2, "Signs that refuse judgement together; one alone asks.")
    # Even film
    even_range: float = physics(0.05, "From 1st to 99th percentile no picture has less: a sixth of a stop.")
    even_part: float = practice(0.06, "The same as a part of the density: development is no more even than that.")
    even_noises: float = physics(6.0, "The same in deviations of noise: those percentiles of it lie 4.7 apart.")
    unexposed_within: float = practice(0.05, "About the clear edge, what counts as clear as that.")
    unexposed_share: float = practice(0.9, "Part of a sheet that is: a picture that leaves so much shows nothing.")
    densest_clear: float = practice(0.7, "Base plus fog of film that may still be called clear, as for a rebate.")
    opaque: float = practice(2.5, "Density from which nothing comes through, where the calibration reaches farther.")
    # Colour
    mask_step: float = practice(0.12, "Red to green and green to blue of an orange mask: 0.2 to 0.5; a stain has less.")
    mask_rise: float = practice(0.35, "The same from red to blue.")
    hue_off: float = physics(0.06, "Departure from the one curve that silver and its stain have.")
    hue_share: float = chosen(0.15, "Part of the places that depart.")
    # Paper
    clearest_paper: float = physics(0.035, "White margin of a print, at least: paper is no clearer than film base.")
    densest_paper: float = practice(0.13, "The same at most, against a white lid.")
    lightest_black: float = practice(1.2, "Blacks of paper on a flatbed: 1.4 to 2.2, with what gloss and glare do.")
    densest_black: float = practice(2.4, "The same at most.")
    black_within: float = practice(0.15, "How even the black line round a print is.")
    even_black: float = physics(0.025, "Deviation beyond noise of full black: paper saturates, film does not.")
    bare_white: float = practice(0.03, "Above the margin, the lightest hundredth of a picture that is bare paper.")
    piled: float = practice(0.10, "From 96th to 99.5th percentile: paper piles up at its black, film runs on.")
    glass: float = practice(0.025, "Open glass, at most, where the lamp is as it was when it was calibrated.")
    open_glass: float = physics(0.05, "Part of a scan that is open glass where no lid is down: paper has a base.")
    lid: float = practice(0.10, "What is surely no open glass: a lamp falls by 2 to 8 % while it warms, by no fifth.")
    beside_lid: float = practice(0.01, "Between paper and lid, at least: grain and noise are a third of it.")
    even_margin: float = practice(0.95, "Part of a margin that is of one density; the rest is dust.")
    even_edge: float = practice(0.08, "By how much the clear edge of film differs from side to side, at most.")
    wide_mm: float = practice(7.0, "Margin on all four sides that no film has: sheets have 3 to 6 mm.")
    specks: float = chosen(0.002, "Part of a scan that dust, scratches and rims of holes may make lighter than paper.")


SIGN_LIMITS: Final = SignLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLimits:
    """All thresholds that a scan is read by: what is found, what it is taken for, what is wrong with it."""

    find: FindLimits = FIND_LIMITS
    signs: SignLimits = SIGN_LIMITS
    trouble: TroubleLimits = TROUBLE_LIMITS


READ_LIMITS: Final = ReadLimits()
