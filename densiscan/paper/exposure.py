"""The print: which paper a negative fits, how long to expose, what is lost, and what counting by voice does to it.

Formulas and sources: docs/method-paper.md.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.arithmetic.units import STOP
from densiscan.errors import WrongUseError
from densiscan.paper.grade import CALLIER_FACTOR_DOUBT, FITS_WITHIN, PROCESSES, Process, callier_factor, grade_for
from densiscan.paper.tested_range import TIMES_NOT_TOLD, PaperTest

Fit = Literal["fits", "too hard", "too soft"]

FEWEST_SECONDS: Final = 10.0
"""Time below which counting by voice scatters a print visibly (common practice)."""
VOICE_SCATTER: Final = (0.10, 0.20)
"""Part by which exposures of a few seconds counted by voice repeat (common practice: 10 to 20 %)."""
STRIP_STEPS: Final = 5
_SHORTEST_COUNTED: Final = 3.0
"""Seconds below which half a second is too coarse for a test strip: the lamp is dimmed instead."""
_SURE_STOPS: Final = 0.5
"""Doubt of the estimate (k = 2, stops) up to which steps of a third of a stop are fine enough to catch it."""
_MIDDLES: Final = ((0.0, 1.505), (1.0, 1.275), (2.0, 1.045), (3.0, 0.87), (4.0, 0.72), (5.0, 0.57))
"""Middle of the log exposure range of each grade, by the table of `paper.GRADE_LOWER_LIMITS`."""
_USUAL_SLOPE: Final = 2.0
"""Steepest slope of a paper of grade 2, density for a unit of log exposure, where its curve is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NegativeEnds:
    """A negative to print: its shadow and highlight density; base plus fog where it is known."""

    name: str
    shadow: Quantity | None
    highlight: Quantity | None
    base_plus_fog: Quantity | None = None
    warnings: tuple[Warning_, ...] = ()

    def __post_init__(self) -> None:
        if self.shadow is not None and self.highlight is not None and self.shadow.value >= self.highlight.value:
            raise WrongUseError(
                f"{self.name}: the shadow density {self.shadow.value:.2f} is not below the highlight density "
                f"{self.highlight.value:.2f}; on a negative the highlights are the dense part."
            )

    @property
    def density_range(self) -> Quantity | None:
        """Highlight less shadow density; None where one of them is not known."""
        return None if self.shadow is None or self.highlight is None else self.highlight - self.shadow


@dataclass(frozen=True, slots=True, kw_only=True)
class Printing:
    """How it is printed.

    Attributes
    ----------
    process
        Contact, or the light of the enlarger.
    factor
        How much denser silver looks in that light than in diffuse light.
    magnification
        Size the enlarger is set for; None for contact, or where it is the same throughout.
    """

    process: Process = "contact"
    factor: Quantity = Quantity(1.0)  # noqa: RUF009 - frozen and exact
    magnification: float | None = None

    def seen(self, density: Quantity, base_plus_fog: Quantity | None = None) -> Quantity:
        """Return a density, or a difference of densities, as the light sees it.

        Silver scatters, the film's base does not: of a density only what lies above base plus fog looks denser, where
        that is known; all of a difference does.
        """
        clear = Quantity(0.0) if base_plus_fog is None else base_plus_fog
        silver = density - clear
        result = silver * self.factor.value + clear
        for influence, part in (self.factor.parts or {}).items():
            result = result.with_part(influence, silver.value * part)
        return result


def printing_with(process: Process, *, callier: float | None = None, magnification: float | None = None) -> Printing:
    """Return how it is printed.

    Parameters
    ----------
    callier
        The person's own factor for condenser light; the usual 1.25 when None.

    Raises
    ------
    WrongUseError
        If a factor is given for light that has none.
    """
    if callier is None:
        return Printing(process=process, factor=callier_factor(process), magnification=magnification)
    if process != "condenser":
        raise WrongUseError("`callier` is for condenser light; add `process` condenser, or leave it out.")
    factor = Quantity(callier, {Influence("callier factor"): CALLIER_FACTOR_DOUBT})
    return Printing(process=process, factor=factor, magnification=magnification)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureStrip:
    """A test strip: times of its parts, shortest first, and how many stops they lie apart."""

    seconds: tuple[float, ...]
    step_stops: float

    @property
    def counted(self) -> tuple[float, ...]:
        """The same as a person counts them: half seconds below 10 s, else whole ones.

        As they are where the shortest is below 3 s, for which half a second is too coarse.
        """
        if self.seconds[0] < _SHORTEST_COUNTED:
            return self.seconds
        return tuple(round(2.0 * one) / 2.0 if one < FEWEST_SECONDS else float(round(one)) for one in self.seconds)

    @property
    def more(self) -> tuple[float, ...]:
        """`counted` as exposures that follow each other, the card moved on after each."""
        pairs = pairwise(self.counted)
        return (self.counted[0], *(later - earlier for earlier, later in pairs))


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedByVoice:
    """What counting a short time by voice does: scatter of log exposure and of the print's middle tones, density.

    `dimmer` is how many times weaker a lamp brings the time to ten seconds, in whole stops.
    """

    log_exposure: tuple[float, float]
    density: tuple[float, float]
    dimmer: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperFit:
    """One paper for one negative.

    Attributes
    ----------
    difference_stops
        Range that the negative needs less the range that the paper has, stops of printing light: above zero the paper
        is too hard and loses that much, below zero it is too soft and falls that much short of a full black or white.
    shadow_time_s, highlight_time_s
        Seconds that print the negative's shadow as 90 % of the net black, and its highlight as the first tone.
    standard_time_s
        Shortest time in which the clear rebate prints as full black.
    dry_down_stops
        Of the paper, as in its test. The times give the tones of the dry print.
    """

    name: str | None
    iso_range: Quantity
    grade: str | None
    fit: Fit | None
    difference_stops: Quantity | None
    shadow_time_s: Quantity | None = None
    highlight_time_s: Quantity | None = None
    standard_time_s: Quantity | None = None
    strip: ExposureStrip | None = None
    counted: CountedByVoice | None = None
    dry_down_stops: Quantity | None = None
    warnings: tuple[Warning_, ...] = ()


def needed_range(negative: NegativeEnds, printing: Printing) -> Quantity | None:
    """Return the ISO range R that a negative needs, not rounded; None where its density range is not known."""
    density_range = negative.density_range
    return None if density_range is None else printing.seen(density_range) * 100.0


def needed_by_process(negative: NegativeEnds, printing: Printing) -> dict[Process, Quantity]:
    """Return the ISO range R that a negative needs in each light, nothing where its density range is not known.

    The light of `printing` is taken with its own factor, the others with the usual one.
    """
    ways = [printing if process == printing.process else printing_with(process) for process in PROCESSES]
    needs = {way.process: needed_range(negative, way) for way in ways}
    return {process: needed for process, needed in needs.items() if needed is not None}


def filter_step(needed: float) -> float | None:
    """Return the nearest half step of grade for an ISO range: what a filter for paper of several contrasts is marked.

    None beyond the grades 0 and 5.
    """
    effective = needed / 100.0
    if grade_for(effective) not in {f"{grade:.0f}" for grade, _ in _MIDDLES}:
        return None
    for (softer, wide), (harder, narrow) in pairwise(_MIDDLES):
        if effective >= narrow:
            share = min(max((wide - effective) / (wide - narrow), 0.0), 1.0)
            return round(2.0 * (softer + share * (harder - softer))) / 2.0
    return _MIDDLES[-1][0]


def paper_fit(negative: NegativeEnds, test: PaperTest, printing: Printing) -> PaperFit:
    """Return what a tested paper does for a negative."""
    needed = needed_range(negative, printing)
    times = _times(negative, test, printing)
    shadow, highlight = times["shadow"], times["highlight"]
    # The highlights are what a print is exposed for; the contrast then looks after the shadows (common practice). A
    # limit is no estimate to lay a strip round.
    wanted = next((end for end in (highlight, shadow) if end is not None and end.limit is None), None)
    return PaperFit(
        name=test.circumstances.name,
        iso_range=test.iso_range,
        grade=test.grade,
        fit=None if needed is None else fit_on(needed.value, test),
        difference_stops=None if needed is None else (needed - test.iso_range) * (0.01 / STOP),
        shadow_time_s=seconds_of(shadow),
        highlight_time_s=seconds_of(highlight),
        standard_time_s=seconds_of(times["rebate"]),
        strip=None if wanted is None else strip_round(wanted),
        counted=None if wanted is None else counted_by_voice(10.0**wanted.value, _slope(test)),
        dry_down_stops=test.dry_down_stops,
        warnings=_told(test, printing),
    )


def fit_of(needed: float, has: float) -> Fit:
    """Tell whether a paper of some range suits a negative that needs another, both ISO range R."""
    if abs(needed - has) <= FITS_WITHIN:
        return "fits"
    return "too hard" if needed > has else "too soft"


def fit_on(needed: float, test: PaperTest) -> Fit | None:
    """Tell whether a tested paper suits a negative; None where its range is a limit that leaves it open."""
    has = test.iso_range.value
    if not test.is_limit:
        return fit_of(needed, has)
    # The true range is longer: a paper that is too soft as it is stays so.
    return "too soft" if fit_of(needed, has) == "too soft" else None


def known_range_fit(negative: NegativeEnds, iso_range: float, printing: Printing) -> PaperFit:
    """Return what a paper does of which only the ISO range is known."""
    needed = needed_range(negative, printing)
    return PaperFit(
        name=None,
        iso_range=Quantity(iso_range, None),
        grade=grade_for(iso_range / 100.0),
        fit=None if needed is None else fit_of(needed.value, iso_range),
        difference_stops=None if needed is None else (needed - iso_range) * (0.01 / STOP),
    )


def _times(negative: NegativeEnds, test: PaperTest, printing: Printing) -> dict[str, Quantity | None]:
    """Return log10 of the seconds that print shadow, highlight and rebate as they should be, None where unknown."""
    zero = log_seconds(test, printing)
    seen = functools.partial(printing.seen, base_plus_fog=negative.base_plus_fog)
    pairs = {
        "shadow": (negative.shadow, test.shadow_log_exposure),
        "highlight": (negative.highlight, test.highlight_log_exposure),
        "rebate": (negative.base_plus_fog, test.black_log_exposure),
    }
    return {
        name: None if zero is None or density is None or place is None else seen(density) + place + zero
        for name, (density, place) in pairs.items()
    }


def log_seconds(test: PaperTest, printing: Printing) -> float | None:
    """Return log10 of the seconds that stand for log exposure 0 of a paper test; None where they are not known."""
    about = test.circumstances
    if about.exposure_s is None or not test.from_wedge:
        return None
    if printing.magnification is None or about.magnification is None:
        return None if _other_lamp(test, printing) else math.log10(about.exposure_s)
    return math.log10(about.exposure_s) + math.log10(size_factor(about.magnification, printing.magnification))


def _other_lamp(test: PaperTest, printing: Printing) -> bool:
    """Tell whether the size is known of one of test and print alone: their light cannot be compared."""
    return (test.circumstances.magnification is None) != (printing.magnification is None)


def _told(test: PaperTest, printing: Printing) -> tuple[Warning_, ...]:
    return (*test.not_reached, *_time_warnings(test, printing))


def _time_warnings(test: PaperTest, printing: Printing) -> tuple[Warning_, ...]:
    if test.circumstances.exposure_s is not None and not test.from_wedge:
        return (TIMES_NOT_TOLD,)
    if test.circumstances.exposure_s is None or not _other_lamp(test, printing):
        return ()
    message = (
        "The enlarger's size is known for only one of paper test and print, so there are no times: give "
        "--magnification to both."
    )
    return (Warning_(code="size-not-known", message=message),)


def size_factor(old: float, new: float) -> float:
    """Return by how much the exposure changes from one magnification to another.

    References
    ----------
    Exposures go as (m + 1)^2: Clerc, Practical Enlarging, sec. 770.
    """
    return ((new + 1.0) / (old + 1.0)) ** 2


def seconds_of(log_time: Quantity | None) -> Quantity | None:
    """Return seconds from their log10; the uncertainty to first order (JCGM 100:2008, 5.1.2)."""
    if log_time is None:
        return None
    seconds = 10.0**log_time.value
    return log_time.through(seconds, seconds * math.log(10.0))


def strip_round(log_time: Quantity) -> ExposureStrip:
    """Return five exposures round an estimate, given as log10 of its seconds.

    A third of a stop apart where the estimate is sure within half a stop, else half a stop.
    """
    expanded = log_time.uncertainty
    sure = expanded is not None and expanded / STOP <= _SURE_STOPS
    step = 1.0 / 3.0 if sure else 0.5
    half = STRIP_STEPS // 2
    seconds = tuple(10.0 ** (log_time.value + STOP * step * place) for place in range(-half, half + 1))
    return ExposureStrip(seconds=seconds, step_stops=step)


def counted_by_voice(seconds: float, slope: float) -> CountedByVoice | None:
    """Return what counting a time by voice does to a print; None where the time is long enough.

    Parameters
    ----------
    slope
        Of the paper's curve in the middle tones, density for a unit of log exposure.
    """
    if seconds >= FEWEST_SECONDS:
        return None
    scatter = (math.log10(1.0 + VOICE_SCATTER[0]), math.log10(1.0 + VOICE_SCATTER[1]))
    stops = math.ceil(math.log2(FEWEST_SECONDS / seconds) - 1e-9)
    return CountedByVoice(log_exposure=scatter, density=(slope * scatter[0], slope * scatter[1]), dimmer=2**stops)


def _slope(test: PaperTest) -> float:
    curve = test.curve()
    return curve.steepest() if curve is not None else _USUAL_SLOPE * 105.0 / test.iso_range.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """A print that came out right: its seconds (None: factors alone are wanted), negative, size and paper if known.

    `judged_wet`: it was judged in the tray, and will have dried darker.
    """

    seconds: float | None = None
    negative: NegativeEnds | None = None
    magnification: float | None = None
    paper: PaperTest | None = None
    judged_wet: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """By how much the exposure changes from a print that came out right, each None where it is not known.

    `shadow` and `highlight` hold these; `size`, `paper_shadow`, `paper_highlight` and `dry_down_stops` (less exposure,
    for a print that was judged wet) are parts of them.
    """

    shadow: Quantity | None
    highlight: Quantity | None
    size: float | None
    paper_shadow: Quantity | None
    paper_highlight: Quantity | None
    shadow_time_s: Quantity | None
    highlight_time_s: Quantity | None
    dry_down_stops: Quantity | None = None
    strip: ExposureStrip | None = None
    counted: CountedByVoice | None = None


def change_from(before: Before, negative: NegativeEnds, paper: PaperTest | None, printing: Printing) -> Change:
    """Return the change of exposure from a print that came out right to this one.

    Raises
    ------
    WrongUseError
        If a test of one of the papers does not give its seconds, or the dry-down is wanted and not known.
    """
    old, sized = before.negative, None
    dries = _dry_down(before, paper) if before.judged_wet else None
    if before.magnification is not None and printing.magnification is not None:
        sized = size_factor(before.magnification, printing.magnification)
    ends: dict[str, Quantity | None] = {}
    papers: dict[str, Quantity | None] = {}
    for name in ("shadow", "highlight"):
        papers[name] = _paper_change(before.paper, paper, name)
        end = _summed(_density_change(old, negative, name, printing), papers[name], sized)
        ends[name] = end if end is None or dries is None else end - dries * STOP
    times = {
        name: None if end is None or before.seconds is None else end + math.log10(before.seconds)
        for name, end in ends.items()
    }
    wanted = times["shadow"] if times["highlight"] is None else times["highlight"]
    slope = _USUAL_SLOPE if paper is None else _slope(paper)
    return Change(
        shadow=seconds_of(ends["shadow"]),
        highlight=seconds_of(ends["highlight"]),
        size=sized,
        paper_shadow=seconds_of(papers["shadow"]),
        paper_highlight=seconds_of(papers["highlight"]),
        shadow_time_s=seconds_of(times["shadow"]),
        highlight_time_s=seconds_of(times["highlight"]),
        dry_down_stops=dries,
        strip=None if wanted is None else strip_round(wanted),
        counted=None if wanted is None else counted_by_voice(10.0**wanted.value, slope),
    )


def _dry_down(before: Before, paper: PaperTest | None) -> Quantity:
    """Return how much the paper of the print before dries down."""
    judged = paper if before.paper is None else before.paper
    if judged is None or judged.dry_down_stops is None:
        which = "name the paper with `paper`" if judged is None else "test it wet and dry, or state its `dry_down`"
        raise WrongUseError(f"a print judged wet needs the dry-down of its paper, which is not known; {which}.")
    return judged.dry_down_stops


def _density_change(old: NegativeEnds | None, new: NegativeEnds, name: str, printing: Printing) -> Quantity | None:
    """Return the change of log exposure from one negative to the other at one end; 0 where there is one negative."""
    if old is None:
        return Quantity(0.0)
    before, after = getattr(old, name), getattr(new, name)
    return None if before is None or after is None else printing.seen(after - before)


def _paper_change(old: PaperTest | None, new: PaperTest | None, name: str) -> Quantity | None:
    if old is None or new is None:
        return None
    places = []
    for test in (old, new):
        seconds = test.circumstances.exposure_s
        if seconds is None or not test.from_wedge:
            raise WrongUseError(
                f"the test of the paper {test.circumstances.name or ''} does not give its exposure, so that papers "
                "cannot be compared; test it again with `exposure_s` SECONDS."
            )
        place: Quantity = getattr(test, f"{name}_log_exposure")
        places.append(place + math.log10(seconds))
    return places[1] - places[0]


def _summed(density: Quantity | None, paper: Quantity | None, sized: float | None) -> Quantity | None:
    if density is None:
        return None
    total = density if paper is None else density + paper
    return total if sized is None else total + math.log10(sized)


def best_first(fits: Sequence[PaperFit]) -> tuple[PaperFit, ...]:
    """Return papers by how well they fit, the best first; in the order given where that is not known."""
    return tuple(sorted(fits, key=_away))


def _away(fit: PaperFit) -> float:
    return math.inf if fit.difference_stops is None else abs(fit.difference_stops.value)
