"""How near split grade comes on made-up papers of several emulsions, in stops: run by hand.

    python -m tests.trials.split_rates [SEED [PAPERS]]

Light adds up within each emulsion; the equations that are tried add shares of it at each tone. The figures stand in
docs/method-paper.md.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.quantity import Quantity
from densiscan.errors import DensiscanError
from densiscan.paper.exposure import NegativeEnds, Printing
from densiscan.paper.split import split_grade
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, paper_from_points

Floats = npt.NDArray[np.float64]

WHITE, NET = 0.06, 1.9
_LONGEST = 2.2
_LOGS = np.linspace(-2.6, _LONGEST, 49)
_NARROWEST = 15.0
"""Filters whose ranges R differ by less than this split nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Emulsions:
    """The emulsions of one paper: blue light exposes them alike, green light each later than the first by its lag.

    Grains take one hit (the law of Poisson) of light to the power `steep`; `shares` of the black add up to one.
    """

    lags: tuple[float, ...]
    shares: tuple[float, ...]
    steep: float

    def density(self, log_exposures: Floats, green: float, blue: float) -> Floats:
        """Return what seconds of green and blue light print through densities of minus these log exposures."""
        total = np.full_like(log_exposures, WHITE)
        for lag, share in zip(self.lags, self.shares, strict=True):
            light = 10.0**log_exposures * (green * 10.0**-lag + blue)
            total += NET * share * -np.expm1(-(light**self.steep))
        return total

    def test(self, name: str, green: float, blue: float) -> PaperTest:
        """Return the test of the paper through one filter."""
        tones = self.density(_LOGS, green, blue)
        points = [
            PaperPoint(log_exposure=Quantity(float(log) - _LONGEST), density=Quantity(float(tone)))
            for log, tone in zip(_LOGS, tones, strict=True)
        ]
        return paper_from_points(points, Circumstances(name=name, exposure_s=10.0**_LONGEST))


def stops_off(paper: Emulsions, share: float) -> tuple[float, float] | None:
    """Return how many stops too much light (above zero) highlight and shadow get; None where filters hardly differ.

    Parameters
    ----------
    share
        Where the negative's range lies between the hard filter's (0) and the soft one's (1).
    """
    soft, hard = paper.test("soft", 1.0, 0.0), paper.test("hard", 0.0, 1.0)
    if soft.iso_range.value - hard.iso_range.value < _NARROWEST:
        return None
    needed = (share * soft.iso_range.value + (1.0 - share) * hard.iso_range.value) / 100.0
    ends = 0.40 + needed, 0.40
    negative = NegativeEnds(name="made up", shadow=Quantity(ends[1]), highlight=Quantity(ends[0]))
    split = split_grade(negative, soft, hard, Printing())
    if split.soft_time_s is None or split.hard_time_s is None:
        return None
    fine = np.linspace(-2.9, 0.6, 7001)
    curve = paper.density(fine, split.soft_time_s.value, split.hard_time_s.value)
    tones = WHITE + 0.04, WHITE + 0.90 * NET
    highlight, shadow = (
        (-end - float(np.interp(tone, curve, fine))) / math.log10(2.0) for tone, end in zip(tones, ends, strict=True)
    )
    return highlight, shadow


def made_up(rng: np.random.Generator) -> Emulsions:
    """Return a paper of two to four emulsions."""
    count = int(rng.integers(2, 5))
    lags = np.sort(rng.uniform(0.0, 1.0, count))
    return Emulsions(
        lags=tuple(float(lag) for lag in lags - lags[0]),
        shares=tuple(float(share) for share in rng.dirichlet(np.full(count, 4.0))),
        steep=float(rng.uniform(1.6, 2.8)),
    )


def rates(seed: int, papers: int) -> Floats:
    """Return how far both ends are off on so many papers drawn, a row each."""
    rng, rows = np.random.default_rng(seed), []
    for _ in range(papers):
        paper, share = made_up(rng), float(rng.uniform(0.1, 0.9))
        try:
            off = stops_off(paper, share)
        except DensiscanError:  # a test that no person would keep: its ends were not reached
            off = None
        if off is not None:
            rows.append(off)
    return np.array(rows)


def main() -> None:
    """Print the root mean square, the mean and the largest of both ends."""
    given = [int(one) for one in sys.argv[1:]]
    seed, papers = (*given, *(7, 200)[len(given) :])
    off = rates(seed, papers)
    sys.stdout.write(f"seed {seed}: {len(off)} papers\n")
    for name, column in zip(("highlight", "shadow"), off.T, strict=True):
        rms, most = float(np.sqrt(np.mean(column**2))), float(np.abs(column).max())
        sys.stdout.write(f"{name}: rms {rms:.2f}, mean {column.mean():+.2f}, most {most:.2f} stops\n")


if __name__ == "__main__":
    main()
