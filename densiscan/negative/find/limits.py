"""What the search for film and its frames goes by: every threshold with its status, in one object a finder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from densiscan.arithmetic.threshold import chosen, physics, practice


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineLimits:
    """Thresholds by which pieces of film are told from glass, mask and paper round them. Densities, and mm."""

    # Glass, and what is dark
    lightest_film: float = physics(0.035, "No film is clearer: two surfaces of clear plastic reflect 8 % (0.03).")
    glass_step: float = practice(0.02, "How much denser than glass beside it film is: above the lamp, below its base.")
    below_step: float = practice(0.012, "How much clearer than the wedge's lightest step, film too, glass must be.")
    lightest_dark: float = chosen(1.2, "No mask is lighter, whatever the calibration reaches.")
    darkest_dark: float = chosen(2.6, "What is denser is a mask, though the calibration reaches farther.")
    opaque: float = practice(2.9, "Density of what is opaque beside glass: denser than film in use.")
    dark_border: float = chosen(0.02, "Part of the scan's border that is dark, at least, where there is a mask.")
    dark_joined_mm: float = chosen(6.0, "Length along which what is dark lies at the scan's border or at glass.")
    left_light: float = chosen(0.1, "Part of the light that may lie outside the openings of a mask.")
    # The piece and its edges
    smallest_piece_mm: float = practice(7.0, "A shorter side is a scrap: the smallest still frames are 8 x 11 mm.")
    smallest_strip_mm: float = practice(22.0, "The narrowest film with a picture is 24 mm wide, less soft edges.")
    largest_angle_deg: float = practice(8.0, "Nobody lays film down more askew.")
    straight: float = chosen(0.55, "Part of the edge points that lie on straight edges, at least.")
    near: float = chosen(0.85, "Part of them within what a hand cuts astray, at least, where they are not straight.")
    line_mm: float = physics(0.35, "How far an edge point may be off its line: rows of cells are 0.25 mm apart.")
    # Film that a hand cut, or that tape holds
    hand_cut_mm: float = practice(1.5, "By how much a side cut by hand leaves its line: 1 to 1.5 mm over 200 mm.")
    crooked: float = practice(0.15, "Part of the points of one side off its line: a notch code takes a tenth.")
    soon_mm: float = practice(6.0, "Tape leaves the line within so much; a crooked cut takes most of a side.")
    least_left: float = practice(0.7, "Part of its box that crooked film fills: no hand and no tape takes more.")
    # Paper with an opening
    lightest_paper: float = practice(0.3, "Thin typing paper lets half of the light through.")
    even_paper: float = practice(0.07, "Texture of paper and the unevenness of the lamp, about its middle density.")
    clearer: float = chosen(0.1, "How much clearer than the paper what shows in its opening is, at least.")
    least_opening: float = chosen(0.02, "Part of the paper that is open, at least.")
    even_share: float = chosen(0.85, "Part of each side of the paper that is even, at least.")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameLimits:
    """Thresholds by which rebate and frames are told on a piece of film. Densities above the rebate, and mm."""

    # The rebate
    bands_mm: tuple[tuple[float, float], ...] = practice(
        ((0.5, 1.6), (0.25, 0.8)), "How far in from the edges rebate is looked for; the second where it is narrow."
    )
    least_step: float = practice(0.02, "What counts as exposed, at least: lamp and development are no more even.")
    most_step: float = chosen(0.06, "The same at most, however uneven the rebate is.")
    clearer: float = practice(0.015, "What counts as clearer than the rebate; no part of a picture is.")
    mostly: float = chosen(0.04, "Part of a band along the edges that gathers at the lightest density, at least.")
    widest_seen_mm: float = practice(10.0, "Widest rebate believed where the film's own edge is not seen.")
    densest_rebate: float = practice(0.7, "Base plus fog believed on little evidence; more is fogged beyond use.")
    densest_clear: float = practice(0.5, "No film in use has more base plus fog: dyed bases 0.3, old fog 0.2.")
    even_enough: float = physics(0.006, "Scatter from cell to cell that grain and scanner make on even film.")
    finer: float = chosen(1.8, "Scatter over that between neighbours, at most, where it is more than that.")
    least_mm2: float = chosen(12.0, "Area of the rebate that is read, at least.")
    most_clearer: float = chosen(0.005, "Part of a picture that may be clearer than the rebate: dust and pinholes.")
    clear_outside: float = chosen(0.5, "Part of what lies outside the frames that is clear, at least.")
    narrowest_whole_mm: float = practice(2.2, "Rebate of a whole piece: roll film has 2.5 mm beside frames, sheets 3.")
    # The sides of a frame
    full: float = chosen(0.03, "Density from which a cell counts as wholly exposed.")
    faint_step: float = chosen(0.0015, "Least rise of the mean at a side: a twentieth of it exposed, or a veil.")
    faintest_step: float = physics(0.0005, "The same where nothing is stronger: twice what scattered light makes.")
    fog_step: float = chosen(0.06, "Rise at a side that lies in fog, at least.")
    noises: float = physics(6.0, "Deviations of noise that a side must exceed.")
    goes_on: float = chosen(0.35, "Part of its rise that a picture keeps behind a side: print breaks off.")
    quiet: float = chosen(0.4, "Part of its rise that may lie outside a side.")
    widest_rebate_mm: float = practice(8.0, "No camera leaves a wider clear edge on one side alone.")
    exposed: float = chosen(0.8, "Part of a side that is exposed where one line is relied on by itself.")
    smallest_frame_mm: float = practice(6.0, "The smallest still frames are 8 x 11 mm.")
    # Rows of frames
    widest_gap_mm: float = practice(12.0, "Between two frames on a strip.")
    unequal_mm: float = practice(0.5, "Frames of one camera do not differ in width by this.")
    slimmest: float = practice(0.7, "Width along the strip over height: half of a 24 x 36 mm frame is the slimmest.")
    longest: float = practice(3.3, "The same of the longest: panoramic cameras make 56 x 168 mm and 24 x 65 mm.")
    empty_gap: float = chosen(0.06, "Part of full exposure that a gap between frames may show.")
    exposed_gap: float = chosen(0.12, "The same of a gap whose place is told by the others.")


@dataclass(frozen=True, slots=True, kw_only=True)
class NotFilmLimits:
    """Thresholds by which wedges, card and the bed's border are told from negatives. Densities, and mm."""

    least_rise: float = practice(0.5, "From the lightest to the densest step of a wedge, at least.")
    fewest_levels: int = chosen(4, "Level stretches that make a staircase; a horizon has two.")
    even_across: float = physics(0.025, "Median departure along a line across a wedge: noise and grain, no more.")
    film_beyond_mm: float = practice(22.0, "No end of a wedge is as wide as the narrowest film with a picture.")
    surely_opaque: float = practice(2.6, "No clear edge of film is as dense; dense film may seem opaque before.")
    widest_wedge_mm: float = practice(45.0, "Wedges laid beside film are 10 to 35 mm wide; roll film is wider.")
    densest_clear: float = practice(0.5, "No film in use has more base plus fog: dyed bases 0.3, old fog 0.2.")
    even_border: float = practice(0.3, "Felt, paint and shadow of a bed's border differ by less; a picture by more.")
    lost_between_mm: float = practice(60.0, "Steps parted by clear lines that are too small, or light: several.")
    near_opaque: float = practice(0.05, "Below the densest that is told apart, by noise and stray light.")
    beside_numerals: float = chosen(0.15, "Part of a wedge in which a line through numerals agrees with the steps.")
    fields_share: float = chosen(0.75, "Part of a row of even fields that is even across and level along.")
    line_mm: float = practice(2.1, "Running median that takes out lines and scratches between steps.")
    lines_fill: float = chosen(0.9, "Part of the lines along a wedge that are steps, border or numerals.")
    level_share: float = chosen(0.6, "Part of a climb that is level, at least.")
    usual_rise: float = chosen(0.35, "Part of the usual rise within which a stretch is level.")
    one_rise: float = chosen(0.45, "Part of the whole rise in one place, at most: more is the edge of a picture.")


OUTLINE_LIMITS: Final = OutlineLimits()
FRAME_LIMITS: Final = FrameLimits()
NOT_FILM_LIMITS: Final = NotFilmLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class FindLimits:
    """All that the search for film on a scan goes by."""

    outline: OutlineLimits = OUTLINE_LIMITS
    frames: FrameLimits = FRAME_LIMITS
    not_film: NotFilmLimits = NOT_FILM_LIMITS


FIND_LIMITS: Final = FindLimits()
