"""Labels: what stands on each, how many fit a page, and the page itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.cli.app import run
from densiscan.development.run import Run
from densiscan.errors import WrongUseError
from densiscan.paper.tested_range import Circumstances, paper_by_eye
from densiscan.report.labels import PrintedLabel, paper_label, run_label
from densiscan.report.page.labels import MARGIN_MM, PAPERS, label_grid, labels_html
from tests.support.made_up import certified_wedge

RUN = Run(
    number=7, film="Meadow-100", developer="Borax", dilution="1+1", use=2, date="2026-03-14", time_s=480.0,
    temperature_c=20.5, exposure_index=80.0, note="two sheets of the kiln",
)  # fmt: skip


def test_a_run_says_film_day_index_and_how_it_was_developed() -> None:
    assert run_label(RUN) == PrintedLabel(
        title="Meadow-100",
        lines=("run 7, 2026-03-14, index 80", "Borax 1+1, 8:00 at 20.5 C, use 2", "two sheets of the kiln"),
    )


def test_a_box_of_paper_says_range_and_grade() -> None:
    about = Circumstances(name="old-box", exposure_s=10.0)
    test = paper_by_eye(certified_wedge(), last_black="5", first_white="13", circumstances=about)
    label = paper_label(test)
    assert label.title == "old-box"
    assert label.lines[0].startswith(f"R {test.iso_range.value:.0f} ")
    assert label.lines[0].endswith(f"grade {test.grade}")


# A4 less 10 mm all round is 190 x 277 mm: 2 of 70 mm across, 7 of 36 mm down. Letter: 195.9 x 259.4 mm.
@pytest.mark.parametrize(
    ("paper", "size", "across", "down"),
    [
        ("a4", (70.0, 36.0), 2, 7),
        ("letter", (70.0, 36.0), 2, 7),
        ("a4", (190.0, 277.0), 1, 1),
        ("a4", (38.0, 21.3), 5, 13),
    ],
)
def test_labels_on_a_page_by_hand(paper: str, size: tuple[float, float], across: int, down: int) -> None:
    grid = label_grid(paper, size)
    assert (grid.across, grid.down) == (across, down)


@given(st.sampled_from(sorted(PAPERS)), st.floats(25.0, 190.0), st.floats(12.0, 259.0))
def test_labels_lie_within_the_page_and_no_more_would(paper: str, width: float, height: float) -> None:
    grid = label_grid(paper, (width, height))
    for side, wanted, count in zip(grid.page_mm, (width, height), (grid.across, grid.down), strict=True):
        assert count * wanted <= side - 2.0 * MARGIN_MM + 1e-5
        assert (count + 1) * wanted > side - 2.0 * MARGIN_MM


@pytest.mark.parametrize(("paper", "size"), [("a4", (200.0, 36.0)), ("a4", (10.0, 36.0)), ("a3", (70.0, 36.0))])
def test_what_does_not_fit_is_refused(paper: str, size: tuple[float, float]) -> None:
    with pytest.raises(WrongUseError):
        label_grid(paper, size)


def test_the_page_has_every_label_and_begins_a_new_sheet_when_one_is_full() -> None:
    labels = [PrintedLabel(title=f"<n{number}>", lines=("x",)) for number in range(15)]
    page = labels_html(labels, label_grid("a4", (70.0, 36.0)))
    assert re.findall(r"&lt;n(\d+)&gt;", page) == [str(number) for number in range(15)]
    assert page.count('<div class="sheet">') == 2
    assert "size: 210mm 297mm" in page


def test_the_command_writes_labels_of_the_last_run_and_a_bottle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    logged = ["--film", "Meadow-100", "--developer", "Borax", "--batch", "jar", "--time", "8:00", "--temp", "20"]
    assert run(["run", "add", *logged]) == 0
    assert run(["labels", "labels.html"]) == 0
    assert "Meadow-100" in (tmp_path / "labels.html").read_text(encoding="utf-8")
    assert run(["labels", "labels.html", "--batch", "jar", "--developer", "borax"]) == 0
    page = (tmp_path / "labels.html").read_text(encoding="utf-8")
    assert "batch jar" in page
    assert "used 1 times" not in page
    capsys.readouterr()
    assert run(["labels", "labels.html", "--size", "300,20"]) == 2
    assert "--size" in capsys.readouterr().err
    assert run(["labels", "labels.html", "--batch", "jar"]) == 2
