"""The figures that a page from the notebook shows: film tests, contrast against time, and trends."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from densiscan.arithmetic.quantity import Quantity
from densiscan.development.names import dilution_key, name_key
from densiscan.development.run import Run, is_same_process
from densiscan.report.figures.style import figure_svg, legend_below, new_figure, series, spread_bars
from densiscan.report.page.page import Drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PAIRS: Final = 4
"""Films in developers that are drawn, those developed last; more would hide the negatives."""

_LEAST_RUNS: Final = 2


def drawings(
    runs: Sequence[Run],
    stops: Mapping[int, Sequence[Quantity]],
    tests: Mapping[str, Mapping[str, Any]],
    *,
    every: Sequence[Run],
) -> tuple[Drawing, ...]:
    """Return the figures of runs, the earliest first, by film, developer and dilution.

    Parameters
    ----------
    stops
        By the number of a run: the exposure of its negatives against a normal one, as `trends_of` takes it.
    tests
        Documents of kept film tests by name: what they tell of contrast counts as in `advise`.
    every
        All runs of the notebook, the earliest first: what is advised rests on all of a process, as in `advise`.
    """
    figures = []
    for place, group in enumerate(_groups(runs)[:MOST_PAIRS]):
        name = f"{group[0].film} in {group[0].solution}"
        figures.append(
            _drawing(
                name,
                _contrast([run for run in every if is_same_process(run, group[0])], tests),
                key=f"c{place}",
            )
        )
        figures.append(_drawing(f"From run to run: {name}", _trends(group, stops), key=f"r{place}"))
    return tuple(figures)


def film_drawings(tests: Mapping[str, Mapping[str, Any]], films: Collection[str]) -> tuple[Drawing, ...]:
    """Return the characteristic curves of kept film tests, those of these films only.

    Parameters
    ----------
    tests
        Documents of film tests by the name they are kept under, the last kept first. A test is of the film that its
        document names, else of the one it is named after.
    """
    names = {name_key(film) for film in films}
    figures = [
        (name, test)
        for name, test in tests.items()
        if test.get("curve") and name_key(str(test.get("film") or name)) in names
    ]
    return tuple(
        _drawing(f"Film test: {name}", _film_test(test), key=f"f{place}")
        for place, (name, test) in enumerate(figures[:MOST_PAIRS])
    )


def _film_test(test: Mapping[str, Any]) -> Figure:
    figure = new_figure(width_mm=150.0, height_mm=95.0)
    axes = figure.add_subplot()
    curve = [(float(place["log_exposure"]), float(place["density"])) for place in test["curve"]]
    axes.plot([x for x, _ in curve], [y for _, y in curve], **(series(0) | {"marker": ""}), label="curve")
    points = [(float(point["log_exposure"]), point["density"]) for point in test["points"]]
    spread_bars(
        axes,
        [x for x, _ in points],
        [float(density["value"]) for _, density in points],
        [float(density["uncertainty"] or 0.0) for _, density in points],
    )
    base = test.get("base_plus_fog")
    if base is not None:
        axes.axhline(float(base["value"]), **(series(1) | {"marker": ""}), label=f"base plus fog {base['value']:.2f}")
    axes.set_xlabel("log exposure, lux seconds" if test.get("absolute") else "log exposure, relative")
    axes.set_ylabel("density")
    legend_below(axes)
    return figure


def _groups(runs: Sequence[Run]) -> list[list[Run]]:
    """Return the runs that belong together and are enough to be drawn, those developed last first."""
    groups: dict[tuple[str, ...], list[Run]] = {}
    for run in runs:
        if run.removed or not (run.density_ranges or run.base_plus_fogs):
            continue
        key = (name_key(run.film), name_key(run.developer), dilution_key(run.dilution))
        groups.setdefault(key, []).append(run)
    enough = [group for group in groups.values() if len(group) >= _LEAST_RUNS]
    return sorted(enough, key=lambda group: group[-1].date, reverse=True)


def _drawing(heading: str, figure: Figure, *, key: str) -> Drawing:
    return Drawing(heading=heading, svg=figure_svg(figure, key=key, title=heading))


def _contrast(runs: Sequence[Run], tests: Mapping[str, Mapping[str, Any]]) -> Figure:
    """Return contrast against time as `advise` draws it where nothing is said of the target."""
    from densiscan.development.advice import Plan, advise_from
    from densiscan.development.contrast_curve import development_curve
    from densiscan.development.evidence import evidence_of
    from densiscan.development.kinetics import contrast_points
    from densiscan.development.posterior import posterior_of
    from densiscan.paper.grade import density_range_for
    from densiscan.report.figures.development import development_figure

    film, developer = runs[0].film, runs[0].developer
    points_by_test = [contrast_points(test, film=film, developer=developer) for test in tests.values()]
    posterior = posterior_of(evidence_of(runs, [point for points in points_by_test for point in points]))
    advice = advise_from(posterior, runs, Plan(target_range=density_range_for(None, "contact")))
    return development_figure(development_curve(posterior, advice))


def _trends(runs: Sequence[Run], stops: Mapping[int, Sequence[Quantity]]) -> Figure:
    from densiscan.development.trends import trends_of
    from densiscan.report.figures.trends import trends_figure

    return trends_figure(trends_of(runs, stops))
