"""The pages are true: every command on them runs as it stands, and prints what the page shows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from tests.support.pages import (
    APART,
    ROOT,
    Step,
    alike,
    commands_in,
    first_false,
    page_named,
    pages_with_commands,
    printed_by,
    standing_in,
    steps_on,
    text_of,
)
from tests.support.session import cells_on

Gray = npt.NDArray[np.float64]


def test_the_comparison_can_fail() -> None:
    assert alike("  range R  91 ± 3", "  range R  92 ± 3")
    assert not alike("  range R  91 ± 3", "  range R  95 ± 3")
    assert not alike("  range R  91 ± 3", "  range S  91 ± 3")
    assert first_false(["a", "...", "c"], ["a", "b", "c"]) is None
    assert first_false(["a", "..."], ["a", "b", "c"]) is None
    assert first_false(["a", "c"], ["a", "b", "c"]) == "c"
    assert first_false(["...", "d"], ["a", "b", "c"]) == "d"
    assert first_false(["a", "b"], ["a", "b", "c"]) == "not shown: c"


def test_a_page_is_read_as_a_person_reads_it(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("So:\n\n    densiscan a\n    densiscan b\n\n```text\nx\n\ny\n```\n\n    densiscan c\n\nEnd.\n")
    assert steps_on(page) == [Step(commands=("a", "b"), shown=("x", "", "y")), Step(commands=("c",), shown=None)]


def test_no_output_is_shown_that_nothing_is_compared_with() -> None:
    for page in [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]:
        compared = [step for step in steps_on(page) if step.shown is not None]
        # What Python prints on the page about it is compared by tests/test_api.py.
        of_python = len([cell for cell in cells_on(text_of(page)) if cell.shown is not None])
        assert text_of(page).count("```text") == len(compared) + of_python, page


def test_every_page_with_commands_is_played() -> None:
    played = {case.page for case in OfAPage.__subclasses__()}
    assert set(pages_with_commands()) == played


def test_every_page_begins_with_the_command_that_puts_its_files_there() -> None:
    for name in pages_with_commands():
        text, first = text_of(page_named(name)), commands_in(page_named(name))[0]
        of_its_own = first == "desk --practice"  # that folder and notebook are thrown away
        assert of_its_own or (first.startswith("practice ") and f"    densiscan {first}\n{APART}" in text), name


@pytest.mark.parametrize(
    ("page", "begins"),
    [("first.md", "measure normal.tif"), ("evening.md", "print mill.tif"), ("advice.md", "advise --film")],
)
def test_an_ordinary_answer_fits_a_screen(page: str, begins: str) -> None:
    """24 lines of 80, one of which is for the next command; that the page shows what is printed is held below."""
    steps = [step for step in steps_on(page_named(page)) if step.shown is not None and "..." not in step.shown]
    shown = next(step.shown for step in steps if step.commands[-1].startswith(begins))
    assert shown is not None
    assert len(shown) < 24


@pytest.mark.rendered  # they read the scans that come with densiscan
class OfAPage:
    """Each page is a class of its own, so that the pages can be shared out among processes."""

    page: str
    files: tuple[str, ...] = ()

    def test_its_commands_run_and_print_what_it_shows(self, tmp_path: Path) -> None:
        with standing_in(tmp_path):
            for step in steps_on(page_named(self.page)):
                out = printed_by(step.commands)
                wide = [line for line in out.splitlines() if len(line) > 80 and str(tmp_path) not in line]
                assert wide == [] or "--json" in step.commands[-1], step
                if step.shown is not None:
                    assert first_false(step.shown, out.splitlines()) is None, out
        assert [name for name in self.files if not (tmp_path / name).exists()] == []


class TestReadme(OfAPage):
    page = "README.md"


class TestAdvice(OfAPage):
    page, files = "advice.md", ("development.png",)


class TestChemicals(OfAPage):
    page = "chemicals.md"


class TestCommands(OfAPage):
    page, files = "commands.md", ("meadow.png", "spring.html", "copy.sqlite", "notes.json")


class TestCheck(OfAPage):
    page = "check.md"


class TestDesk(OfAPage):
    page = "desk.md"


class TestEvening(OfAPage):
    page = "evening.md"


class TestFilm(OfAPage):
    page, files = "film.md", ("curve.png",)


class TestLongExposures(OfAPage):
    page = "long-exposures.md"


class TestFirst(OfAPage):
    page, files = "first.md", ("calibration.png", "marked.png", "normal.html")

    def test_its_pictures_are_those_that_the_commands_draw(self, tmp_path: Path) -> None:
        with standing_in(tmp_path):
            commands = commands_in(page_named(self.page))
            printed_by([command for command in commands if ".png" in command or command.startswith("practice")])
        docs = ROOT / "docs"
        assert apart(gray_of(docs / "first-calibration.png"), gray_of(tmp_path / "calibration.png")) < 6.0
        assert apart(gray_of(docs / "first-leak.png"), in_blocks(gray_of(tmp_path / "marked.png"), 2)) < 0.5
        assert apart(gray_of(docs / "first-leak.png"), 255.0 - gray_of(docs / "first-leak.png")) > 50.0


def gray_of(picture: Path) -> Gray:
    with Image.open(picture) as opened:
        return np.asarray(opened.convert("L"), np.float64)


def in_blocks(gray: Gray, side: int) -> Gray:
    rows, columns = (count // side for count in gray.shape)
    means: Gray = gray[: rows * side, : columns * side].reshape(rows, side, columns, side).mean(axis=(1, 3))
    return means


def apart(one: Gray, other: Gray) -> float:
    """Mean distance of two pictures in blocks of 16 pixels; matplotlib 3.8 and 3.11 draw a calibration 3 apart."""
    assert one.shape == other.shape
    return float(np.abs(in_blocks(one, 16) - in_blocks(other, 16)).mean())


class TestFolders(OfAPage):
    page, files = "folders.md", ("readings.csv",)


class TestNotebook(OfAPage):
    page, files = "notebook.md", ("copy.sqlite", "notes.json", "tables")


class TestPaper(OfAPage):
    page, files = "paper.md", ("paper.svg",)


class TestPrinting(OfAPage):
    page = "printing.md"


class TestReport(OfAPage):
    page, files = "report.md", ("negative.html", "negatives.html", "run.html", "everything.html")


class TestTrends(OfAPage):
    page, files = "trends.md", ("trends.png",)


class TestTrouble(OfAPage):
    page, files = "trouble.md", ("marked.png",)


class TestWithoutAWedge(OfAPage):
    page = "without-a-wedge.md"


class TestUsing(OfAPage):
    page, files = "using.md", ("readings.csv", "negative.html")
