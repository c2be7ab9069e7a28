"""A result as a figure from Python: the command's own, or its main panel on axes of somebody else."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from numpy.testing import assert_allclose

from densiscan import Quantity, plot
from densiscan.errors import PaperTestError
from densiscan.report.figures.calibration import calibration_figure
from tests.support.made_up import assessment, reading
from tests.test_api import MADE, paper_test

PANELS = {"Advice": 1, "Calibration": 3, "FilmTest": 2, "PaperTest": 1}


@pytest.fixture(autouse=True)
def _unseen() -> Iterator[None]:
    """Draw without a screen, and leave no figure open."""
    with mpl.rc_context({"backend": "agg"}):
        yield
        plt.close("all")


def drawn_in(axes: Any) -> list[np.ndarray[Any, Any]]:
    return [np.asarray(line.get_xydata()) for line in axes.lines]


@pytest.mark.parametrize("name", sorted(PANELS))
def test_a_result_is_drawn_whole_and_pyplot_shows_it(name: str) -> None:
    result: Any = MADE[name]()
    axes = result.plot()
    figure = axes.figure
    assert plt.get_fignums() == [figure.number]
    assert len(figure.axes) == PANELS[name]
    assert axes is figure.axes[0]
    assert drawn_in(axes)
    assert not axes.spines["top"].get_visible()


@pytest.mark.parametrize("name", sorted(PANELS))
def test_its_main_panel_is_drawn_on_axes_of_somebody_else(name: str) -> None:
    result: Any = MADE[name]()
    figure, (left, right) = plt.subplots(1, 2)
    assert plot(result, ax=right) is right
    assert drawn_in(left) == []
    assert figure.axes == [left, right]
    whole = drawn_in(plot(result))
    assert len(whole) == len(drawn_in(right))
    for one, other in zip(whole, drawn_in(right), strict=True):
        assert_allclose(one, other)
    assert right.get_xlabel()
    assert right.get_ylabel()


def test_the_figure_is_that_of_the_command() -> None:
    calibration: Any = MADE["Calibration"]()
    mine, theirs = calibration.plot().figure, calibration_figure(calibration)
    assert [axes.get_title() for axes in mine.axes] == [axes.get_title() for axes in theirs.axes]
    assert_allclose(mine.get_size_inches(), theirs.get_size_inches())
    for one, other in zip(mine.axes, theirs.axes, strict=True):
        for line, that in zip(drawn_in(one), drawn_in(other), strict=True):
            assert_allclose(line, that)


@pytest.mark.parametrize("what", [3.0, None, reading(), assessment(), Quantity(1.0)])
def test_what_has_no_figure_is_refused(what: object) -> None:
    with pytest.raises(TypeError, match="has no figure"):
        plot(what)
    assert plt.get_fignums() == []


def test_steps_counted_by_eye_leave_no_empty_figure() -> None:
    with pytest.raises(PaperTestError, match="no curve to draw"):
        plot(replace(paper_test(), method="eye", points=()))
    assert plt.get_fignums() == []


def test_nothing_is_imported_for_a_figure_before_one_is_drawn() -> None:
    code = (
        "import sys; from tests.support.made_up import calibration; from densiscan import plot; made = calibration();"
        "assert 'matplotlib' not in sys.modules; import matplotlib.figure as f; ax = f.Figure().subplots();"
        "made.plot(ax); assert 'matplotlib.pyplot' not in sys.modules"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
