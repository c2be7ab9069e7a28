"""The test of a paper: its exposure range, fog, black and speed, from a print of a wedge, readings or a count by eye.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.floats import keep_floats
from densiscan.arithmetic.quantity import Influence, Limit, Quantity, Warning_
from densiscan.errors import PaperTestError, WrongUseError
from densiscan.files.shown import Drawn, counted, one_line
from densiscan.paper.curve import PaperCurve, curve_through
from densiscan.paper.ends import End
from densiscan.paper.grade import grade_for
from densiscan.paper.uncertainty import ReadOff, ends_of, read_off
from densiscan.wedge.wedge import Wedge, WedgeStep

Method = Literal["scan", "points", "eye"]

FEWEST_POINTS: Final = 5
_FEWEST_TONES: Final = 2
"""Points that must lie between white and black: with fewer the ends of the range are guesses."""
_TONE: Final = 0.01
"""Density by which a tone differs from white and from black at least: a quarter of the first tone."""
_LEFT_OPEN: Final = 0.014
"""Standard uncertainty of S or T, log exposure, that an end not quite reached may leave without a word: as much as two
steps of the wedge that are known to 0.02 (k = 2)."""
_WIDE_GAP: Final = 0.31
"""Gap in log exposure from which points are too far apart to say much of toe and shoulder: a stop."""
_EYE: Final = 0.04
"""Standard deviation, log exposure, of where an eye at arm's length puts the first tone, beside T: of rendered prints
looked at with thresholds of 0.03 to 0.05 in white."""
_EYE_BEYOND_SHADOW: Final = (0.063, 0.050)
_BLACK_BEYOND_EYE: Final = (0.141, 0.076)
"""How far what an eye calls black, 0.08 to 0.15 below the paper's own, lies beyond S and short of what is as good as
black, as part of the log exposure between what it calls black and white: mean over ten laws of a paper's curve, from
grains of one hit to shoulders that creep up to their black, and half of how far 97.5 % of them lie from it."""
_KEEN_EYE: Final = Warning_(
    code="counted-by-eye",
    message="A keen eye tells tones apart beyond the points of the standard, which makes R too long by as much as a "
    "grade: count as black or white what you would not notice at arm's length.",
)
_BLACK_NOT_REACHED: Final = Warning_(
    code="black-not-reached",
    message="The darkest step is still short of the paper's full black: R, and the exposures for shadows and black, "
    "are at least these, and no grade is given; print the wedge again with two to four times the exposure.",
)
_WHITE_NOT_REACHED: Final = Warning_(
    code="white-not-reached",
    message="The lightest step already has a tone: R is at least this, the exposure for highlights at most this, and "
    "no grade is given; print the wedge again with a half to a quarter of the exposure.",
)
TIMES_NOT_TOLD: Final = Warning_(
    code="times-not-known",
    message="No times follow from this paper test: its log exposures go above 0, and do not count from the exposure "
    "that was made; give them as the densities that lay on the paper with a minus sign (0 for nothing, -0.30 for a "
    "stop less) together with --exposure SECONDS.",
)
_TAKEN_FROM_EXPOSURE: Final = Warning_(
    code="exposures-from-seconds",
    message="Times count log exposure 0 as the seconds given with nothing on the paper, and -0.30 as a stop less.",
)
_NOTHING_BETWEEN: Final = 0.005
_STEPS_FAR_APART: Final = Warning_(
    code="steps-far-apart",
    message="Some steps are more than a stop apart: toe and shoulder between them are a guess.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperPoint:
    """One tone of the test.

    `log_exposure` is relative to the exposure made, or as the person gave it; `density` of the print; `step` the name
    of the wedge's step, where there is one; `box_mm` where it was read on the scan.

    Examples
    --------
    >>> PaperPoint(log_exposure=Quantity(0.2), density=Quantity(0.06)).density
    <Quantity 0.06>
    """

    log_exposure: Quantity
    density: Quantity
    step: str | None = None
    box_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """How a paper test came about.

    Attributes
    ----------
    name
        What the paper is called; None where it was not named.
    source
        The file or words that it rests on.
    exposure_s
        Seconds that the print of the wedge got; None where they are not known.
    magnification
        The enlarger's, where the print was exposed by its light; None for any other lamp.

    Examples
    --------
    >>> Circumstances(name="old box", exposure_s=8.0).exposure_s
    8.0
    """

    name: str | None = None
    source: str = ""
    exposure_s: float | None = None
    magnification: float | None = None

    def __post_init__(self) -> None:
        keep_floats(self)

    def of(self, source: str) -> Circumstances:
        """Return the same with another source."""
        return replace(self, source=source)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class PaperTest(Drawn):
    """What a paper does.

    Attributes
    ----------
    iso_range
        ISO range R, 100 times the log exposure range, not rounded.
    base_plus_fog, fog, maximum_black
        Reflection densities; None where they cannot be had.
    shadow_log_exposure, highlight_log_exposure, black_log_exposure
        Where 90 % of the net maximum density is reached, where the first tone shows, and where the paper is as good as
        black (None where a count by eye cannot tell). Relative to the exposure made, or as the points were given.
    points
        By rising exposure; none for a count by eye.
    relative
        True where densities were taken relative to the print's own white and black.
    from_wedge
        True where exposures are relative to the exposure made through a wedge.
    dry_down_stops
        How much darker the print dries: stops of exposure by which one judged wet is to be shortened. None: not known.

    Examples
    --------
    >>> tones = enumerate([0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84, 1.84])
    >>> points = [PaperPoint(log_exposure=Quantity(0.2 * k), density=Quantity(tone)) for k, tone in tones]
    >>> test = paper_from_points(points, Circumstances())
    >>> print(f"R {test.iso_range:.0f}, grade {test.grade}")
    R 90 ± 3, grade 3
    """

    method: Method
    circumstances: Circumstances
    iso_range: Quantity
    shadow_log_exposure: Quantity
    highlight_log_exposure: Quantity
    black_log_exposure: Quantity | None
    base_plus_fog: Quantity | None
    maximum_black: Quantity | None
    fog: Quantity | None = None
    points: tuple[PaperPoint, ...] = ()
    relative: bool = False
    from_wedge: bool = True
    dry_down_stops: Quantity | None = None
    warnings: tuple[Warning_, ...] = ()

    def __repr__(self) -> str:
        grade = "" if self.grade is None else f"grade {self.grade}"
        range_ = f"R {self.iso_range:.0f}"
        return one_line(self, self.circumstances.name or "", range_, grade, counted(len(self.warnings), "warning"))

    @property
    def grade(self) -> str | None:
        """Grade that has this range; None where the range is only a limit, which tells none."""
        return None if self.is_limit else grade_for(self.iso_range.value / 100.0)

    @property
    def is_limit(self) -> bool:
        """Whether black or white was not reached, so that the true range is longer than the one told."""
        # Tests kept by older versions say it in their warnings alone.
        return self.iso_range.limit is not None or bool(self.not_reached)

    @property
    def not_reached(self) -> tuple[Warning_, ...]:
        """What is said of an end of the curve that was not reached: it holds for all that is built on the test."""
        return tuple(one for one in self.warnings if one.code in {_BLACK_NOT_REACHED.code, _WHITE_NOT_REACHED.code})

    def curve(self) -> PaperCurve | None:
        """Return the curve through the points; None for a count by eye."""
        if not self.points:
            return None
        x, density = _arrays(self.points)
        if self.base_plus_fog is not None and self.maximum_black is not None:
            base, top = self.base_plus_fog.value, self.maximum_black.value
        else:
            ends = ends_of([point.log_exposure for point in self.points], [point.density for point in self.points])
            base, top = ends.base, ends.top
        return curve_through(x, density, base=base, top=top)


def paper_from_points(
    points: Sequence[PaperPoint],
    circumstances: Circumstances,
    *,
    method: Method = "points",
    fixed_base: Quantity | None = None,
) -> PaperTest:
    """Return the test of a paper from the densities that exposures gave.

    Parameters
    ----------
    points
        In any order.
    fixed_base
        Density of a fixed-only piece of the paper, for its fog.

    Raises
    ------
    PaperTestError
        If there are too few points, no black and white, too few tones between them, or a print that gets lighter with
        exposure.

    Examples
    --------
    >>> tones = [0.06, 0.06, 0.08, 0.16, 0.40, 0.86, 1.38, 1.70, 1.82, 1.84, 1.84]
    >>> points = [PaperPoint(log_exposure=Quantity(0.2 * k), density=Quantity(tone)) for k, tone in enumerate(tones)]
    >>> paper_from_points(points, Circumstances(name="old box"))
    <PaperTest old box: R 89 ± 2, grade 3>
    """
    ordered = tuple(sorted(points, key=lambda point: point.log_exposure.value))
    source = circumstances.source
    _require_points(ordered, source)
    densities = [point.density for point in ordered]
    try:
        read = read_off([point.log_exposure for point in ordered], densities)
    except ValueError as problem:
        low, high = min(one.value for one in densities), max(one.value for one in densities)
        raise PaperTestError(
            f"{source}: the densities go from {low:.2f} to {high:.2f} only, not from white to black; expose so "
            "that the ends of the wedge print as full black and as bare paper."
        ) from problem
    tones = sum(read.curve.base + _TONE < one.value < read.curve.top - _TONE for one in densities)
    if tones < _FEWEST_TONES:
        raise PaperTestError(
            f"{source}: only {tones} tones lie between white and black, too few to give a range; use a wedge "
            "with finer steps."
        )
    figures = read.figures
    shadow, highlight = figures["shadow"], figures["highlight"]
    base = figures["base"]
    test = PaperTest(
        method=method,
        circumstances=circumstances,
        iso_range=(shadow - highlight) * 100.0,
        shadow_log_exposure=shadow,
        highlight_log_exposure=highlight,
        black_log_exposure=figures.get("black"),
        base_plus_fog=base,
        maximum_black=figures["top"],
        fog=None if fixed_base is None else base - fixed_base,
        points=ordered,
        from_wedge=method != "points" or _of_the_exposure(ordered, circumstances),
    )
    return _with_limits(_with_seconds_told(test), read)


def _of_the_exposure(points: Sequence[PaperPoint], circumstances: Circumstances) -> bool:
    """Tell whether log exposures that a person gives count from the exposure made: none can be above it then."""
    return circumstances.exposure_s is not None and points[-1].log_exposure.value <= _NOTHING_BETWEEN


def _with_seconds_told(test: PaperTest) -> PaperTest:
    """Return the test of densities read elsewhere with what its seconds are taken for, or why they tell nothing."""
    if test.method != "points" or test.circumstances.exposure_s is None:
        return test
    return replace(test, warnings=(*test.warnings, _TAKEN_FROM_EXPOSURE if test.from_wedge else TIMES_NOT_TOLD))


def _arrays(points: Sequence[PaperPoint]) -> tuple[Floats, Floats]:
    return (
        np.array([point.log_exposure.value for point in points]),
        np.array([point.density.value for point in points]),
    )


def _require_points(points: Sequence[PaperPoint], source: str) -> None:
    if len(points) < FEWEST_POINTS:
        raise PaperTestError(
            f"{source}: {len(points)} points do not make a paper's curve; give {FEWEST_POINTS} or more, from bare "
            "paper to full black."
        )
    x, density = _arrays(points)
    if bool(np.any(np.diff(x) <= 0.0)):
        raise PaperTestError(f"{source}: a log exposure is given twice; give one density for each.")
    third = max(density.size // 3, 1)
    if float(np.mean(density[-third:])) < float(np.mean(density[:third])):
        raise PaperTestError(
            f"{source}: the print gets lighter with exposure; is the wedge counted the wrong way round, or are the "
            "exposures given as densities? Log exposures rise towards black."
        )


def _with_limits(test: PaperTest, read: ReadOff) -> PaperTest:
    """Return the test with what is wrong at its ends: a black or a white that was not reached makes R a limit."""
    warnings: list[Warning_] = []
    iso_range, shadow, highlight = test.iso_range, test.shadow_log_exposure, test.highlight_log_exposure
    black = test.black_log_exposure
    if not read.ends.black_reached():
        warnings.append(_BLACK_NOT_REACHED)
        # Noise may have put it further up than it is.
        shadow = Quantity.at_least(shadow.value - (shadow.uncertainty or 0.0))
        black = None if black is None else Quantity.at_least(max(black.value, test.points[-1].log_exposure.value))
    elif read.left_open("shadow", "black") > _LEFT_OPEN and read.ends.black.goes_on():
        warnings.append(_goes_on("black", read.ends.black))
    if not read.ends.white_reached():
        warnings.append(_WHITE_NOT_REACHED)
        highlight = Quantity.at_most(highlight.value + (highlight.uncertainty or 0.0))
    elif read.left_open("highlight", "white") > _LEFT_OPEN and read.ends.white.goes_on():
        warnings.append(_goes_on("white", read.ends.white))
    if shadow.limit is not None or highlight.limit is not None:
        iso_range = (shadow - highlight) * 100.0
    if float(np.max(np.diff(read.curve.log_exposure))) > _WIDE_GAP:
        warnings.append(_STEPS_FAR_APART)
    return replace(
        test,
        iso_range=iso_range,
        shadow_log_exposure=shadow,
        highlight_log_exposure=highlight,
        black_log_exposure=black,
        maximum_black=_end(test.maximum_black, "at least", warnings, _BLACK_NOT_REACHED),
        base_plus_fog=_end(test.base_plus_fog, "at most", warnings, _WHITE_NOT_REACHED),
        warnings=(*test.warnings, *warnings),
    )


def _end(density: Quantity | None, limit: Limit, warnings: Sequence[Warning_], missed: Warning_) -> Quantity | None:
    """Return the density of an end of the curve, a limit where the warning is told that it was not reached."""
    return Quantity(density.value, None, limit) if density is not None and missed in warnings else density


def _goes_on(what: Literal["black", "white"], end: End) -> Warning_:
    come, most = (max(round(each, 2), 0.01) for each in end.to_come())
    if what == "black":
        return Warning_(
            code="black-just-short",
            message=f"The darkest steps still get darker: full black lies about {come:.2f} beyond the last of them, at "
            f"most {most:.2f}, which makes R less sure; print the wedge again with two to four times the exposure.",
        )
    return Warning_(
        code="white-just-short",
        message=f"The lightest steps still get lighter: white lies about {come:.2f} beyond the last of them, at most "
        f"{most:.2f}, which makes R less sure; print the wedge again with a half to a quarter of the exposure.",
    )


def paper_by_eye(wedge: Wedge, *, last_black: str, first_white: str, circumstances: Circumstances) -> PaperTest:
    """Return the test of a paper from counting steps on a print of the wedge.

    Parameters
    ----------
    last_black, first_white
        Names of the last step that is full black and of the first that is bare paper, from the black end.

    Raises
    ------
    WrongUseError
        If a step is not on the wedge, the two are the wrong way round, or no tone lies between them.
    """
    steps = wedge.lightest_first()
    black, white = (
        _numbered(steps, name, option)
        for name, option in ((last_black, "--last-black"), (first_white, "--first-white"))
    )
    if black >= white:
        raise WrongUseError(
            f"step {last_black} cannot be the last black one and step {first_white} the first white one: the clear end "
            "of the wedge prints black, so that the wedge is counted the wrong way round; count from its clear end."
        )
    if white - black < 2:
        raise WrongUseError(
            f"no step lies between the black step {last_black} and the white step {first_white}, so there is no range; "
            "use a wedge with finer steps."
        )
    seen_black = _between(steps[black], steps[black + 1])
    highlight = _between(steps[white - 1], steps[white]).with_part(Influence("eye", "first tone"), _EYE)
    span = seen_black.value - highlight.value
    shadow, full_black = (
        (seen_black + sign * part * span).with_part(Influence("eye", name), doubt * span)
        for name, sign, (part, doubt) in (("shadow", -1.0, _EYE_BEYOND_SHADOW), ("black", 1.0, _BLACK_BEYOND_EYE))
    )
    return PaperTest(
        method="eye",
        circumstances=circumstances,
        iso_range=(shadow - highlight) * 100.0,
        shadow_log_exposure=shadow,
        highlight_log_exposure=highlight,
        black_log_exposure=full_black,
        base_plus_fog=None,
        maximum_black=None,
        warnings=(_KEEN_EYE,),
    )


def _numbered(steps: Sequence[WedgeStep], name: str, option: str) -> int:
    names = [step.step for step in steps]
    if name not in names:
        raise WrongUseError(f"{option} {name}: the wedge has no such step; its steps are {names[0]} to {names[-1]}.")
    return names.index(name)


def exposed_through(step: WedgeStep) -> Quantity:
    """Return the log exposure that a step of the wedge lets through, relative to the exposure made."""
    return Quantity(-step.density, {Influence("printed wedge", step.step): -0.5 * step.uncertainty})


def _between(lighter: WedgeStep, denser: WedgeStep) -> Quantity:
    """Return the log exposure half way between two steps: anywhere between them is equally likely (JCGM 100, 4.3.7)."""
    middle = (exposed_through(lighter) + exposed_through(denser)) * 0.5
    half = 0.5 * (denser.density - lighter.density)
    key = f"{lighter.step} to {denser.step}"
    return middle.with_part(Influence("counted by eye", key), half / math.sqrt(3.0))
