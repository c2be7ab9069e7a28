"""The field card: its figures by hand, its size, and the command."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.cli.app import run
from densiscan.errors import WrongUseError
from densiscan.film.exposing import bellows_extension, bellows_stops, filter_stops, magnification_of
from densiscan.film.reciprocity import usual_reciprocity
from densiscan.report.field_card import CardFilter, CardTable, FieldCard, field_card, third_text
from densiscan.report.page.field_card import field_card_html


def card(**more: object) -> FieldCard:
    facts = {"camera": "field camera", "index": 80.0, "law": usual_reciprocity(), **more}
    return field_card(**facts)  # type: ignore[arg-type]


def table(made: FieldCard, title: str) -> CardTable:
    return next(one for one in made.tables if one.title.startswith(title))


def test_bellows_by_hand() -> None:
    # Light falls off as the square of the distance: a stop at the root of 2 times 150 mm, 212; two at twice, same size.
    rows = {row[0]: row[1] for row in table(card(focal_mm=(150.0,)), "Bellows, lens of 150 mm").rows}
    assert (rows["212 mm"], rows["300 mm"], rows["168 mm"]) == ("1", "2", "1/3")


@given(st.floats(20.0, 600.0), st.floats(0.0, 4.0))
def test_extension_and_stops_go_back_and_forth(focal: float, stops: float) -> None:
    extension = bellows_extension(focal, stops)
    assert_allclose(bellows_stops(magnification_of(focal, extension)), stops, atol=1e-9)


def test_filters_by_hand() -> None:
    # A factor of 4 is two stops; 3 is 1.585, to thirds 1 2/3; 1.25 a third.
    filters = [
        CardFilter(name=name, factor=factor) for name, factor in (("orange", 4.0), ("deep", 3.0), ("pale", 1.25))
    ]
    rows = table(card(filters=filters), "Filters").rows
    assert rows == (("orange", "4 x", "2"), ("deep", "3 x", "1 2/3"), ("pale", "1.25 x", "1/3"))
    assert_allclose(filter_stops(8.0), 3.0)


@pytest.mark.parametrize(("thirds", "text"), [(0, "0"), (1, "1/3"), (3, "1"), (5, "1 2/3"), (-2, "-2/3")])
def test_thirds_of_a_stop(thirds: int, text: str) -> None:
    assert third_text(thirds) == text


def test_zones_and_long_exposures() -> None:
    made = card()
    zones = made.tables[0]
    assert dict(zip(zones.heads, zones.rows[0], strict=True))["III"] == "-2"
    assert dict(zip(zones.heads, zones.rows[0], strict=True))["V"] == "0"
    rows = {metered: (give, develop) for metered, give, develop in table(made, "Long exposures").rows}
    # By the middle exponent 0.75: 4 s to the power 4/3 is 6.3 s; by practice 10 % less development from 1 s on.
    assert rows["4.0 s"][0].startswith("6.3 s, ")
    assert rows["4.0 s"][1] == "-10 %"
    assert "not tested on this one" in made.foot


def test_the_page_has_the_size_of_the_card_and_takes_no_markup() -> None:
    made = card(camera="<b>camera</b>")
    page = field_card_html(made, "a6")
    assert "size: 105mm 148mm" in page
    assert "<b>camera" not in page
    assert "&lt;b&gt;camera" in page
    assert "size: 148mm 210mm" in field_card_html(made, "a5")
    with pytest.raises(WrongUseError, match="give a6 or a5"):
        field_card_html(made, "a7")


def test_the_command_takes_index_and_times_from_the_notebook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)
    logged = [
        "--film",
        "Meadow-100",
        "--developer",
        "Borax",
        "--time",
        "8:00",
        "--temp",
        "20",
        "--exposure-index",
        "64",
    ]
    assert run(["run", "add", *logged]) == 0
    assert run(["card", "card.html", "--film", "meadow 100", "--focal", "150", "--filter", "yellow=2"]) == 0
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    for words in ("Meadow-100", "index 64", "Borax", "8:00", "N-2", "Bellows, lens of 150 mm", "yellow"):
        assert words in page, words
    capsys.readouterr()
    assert run(["card", "other.html", "--filter", "yellow"]) == 2
    assert "give them as --filter yellow=2" in capsys.readouterr().err
    assert run(["card", "other.html", "--film", "Unknown-1"]) == 2
    assert "no run of Unknown-1" in capsys.readouterr().err
