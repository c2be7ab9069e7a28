"""The figures that a page from the notebook shows of its runs: contrast against time, and trends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from densiscan.development_runs import Run
from densiscan.plots import figure_svg
from densiscan.quantity import Quantity
from densiscan.report_page import Drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PAIRS: Final = 4
"""Films in developers that are drawn, those developed last; more would hide the negatives."""

_LEAST_RUNS: Final = 2


def drawings(runs: Sequence[Run], stops: Mapping[int, Sequence[Quantity]]) -> tuple[Drawing, ...]:
    """Return the figures of runs, the earliest first, by film, developer and dilution.

    Parameters
    ----------
    stops
        By the number of a run: the exposure of its negatives against a normal one, as `trends_of` takes it.
    """
    found = []
    for place, group in enumerate(_groups(runs)[:MOST_PAIRS]):
        name = f"{group[0].film} in {group[0].developer} {group[0].dilution or ''}".strip()
        found.append(_drawing(f"Contrast against time: {name}", _contrast(group), key=f"c{place}"))
        found.append(_drawing(f"From run to run: {name}", _trends(group, stops), key=f"r{place}"))
    return tuple(found)


def _groups(runs: Sequence[Run]) -> list[list[Run]]:
    """Return the runs that belong together and are enough to be drawn, those developed last first."""
    groups: dict[tuple[str, ...], list[Run]] = {}
    for run in runs:
        if run.removed or not run.density_ranges:
            continue
        key = tuple("".join((word or "").casefold().split()) for word in (run.film, run.developer, run.dilution))
        groups.setdefault(key, []).append(run)
    enough = [group for group in groups.values() if len(group) >= _LEAST_RUNS]
    return sorted(enough, key=lambda group: group[-1].date, reverse=True)


def _drawing(heading: str, figure: Figure, *, key: str) -> Drawing:
    return Drawing(heading=heading, svg=figure_svg(figure, key=key, title=heading))


def _contrast(runs: Sequence[Run]) -> Figure:
    """Return contrast against time as `advise` draws it where nothing is said of the target."""
    from densiscan.development_advice import Plan, advise_from
    from densiscan.development_curve import development_curve
    from densiscan.development_posterior import evidence_of, posterior_of
    from densiscan.paper import density_range_for
    from densiscan.plots_development import development_figure

    known = posterior_of(evidence_of(runs))
    advice = advise_from(known, runs, Plan(target_range=density_range_for(None, "contact")))
    return development_figure(development_curve(known, advice), film=runs[0].film, developer=runs[0].developer)


def _trends(runs: Sequence[Run], stops: Mapping[int, Sequence[Quantity]]) -> Figure:
    from densiscan.development_trends import trends_of
    from densiscan.plots_trends import trends_figure

    return trends_figure(trends_of(runs, stops))
