"""Films and developers are known by what a person means; a history is never begun unsaid."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.cli import app
from densiscan.development.names import close_names, name_key, same_name

Json = Callable[[str], dict[str, Any]]


@pytest.fixture
def printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Json:
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(tmp_path / "notebook.sqlite"))
    monkeypatch.chdir(tmp_path)

    def run(line: str) -> dict[str, Any]:
        capsys.readouterr()
        assert app.run([*(word.replace("_", " ") for word in line.split()), "--json"]) == 0
        said = capsys.readouterr()
        document: dict[str, Any] = json.loads(said.out)
        return document | {"told": said.err}

    return run


FIRST = "--film Meadow-100 --developer Borax --dilution 1+1 --time 8:00 --temp 20"


@pytest.mark.parametrize("spelled", ["Meadow_100", "meadow-100", "MEADOW100", "Meadow\u2011100", "meadow__100"])
def test_another_spelling_begins_no_second_history(printed: Json, spelled: str) -> None:
    printed(f"run add {FIRST}")
    again = printed(f"run add --film {spelled} --developer borax")
    assert (again["film"], again["developer"], again["like"], again["time_s"]) == ("Meadow-100", "Borax", 1, 480.0)
    assert ("is taken as Meadow-100" in again["told"]) == (spelled.casefold() != "meadow-100")
    assert printed(f"advise --film {spelled}")["film"] == "Meadow-100"
    assert len(printed(f"run list --film {spelled}")["runs"]) == 2
    assert printed(f"trends --film {spelled}")["runs"] == [1, 2]
    assert printed(f"run correct 2 --film {spelled}")["film"] == "Meadow-100"


def test_the_base_of_a_film_is_known_however_it_is_spelled(printed: Json) -> None:
    printed("notebook film Meadow-100 --base 0.06")
    assert printed("notebook film meadow_100")["base"]["value"] == pytest.approx(0.06)


def test_two_histories_of_an_earlier_version_are_one(printed: Json, tmp_path: Path) -> None:
    """An earlier version kept Meadow-100 and Meadow 100 as two films."""
    import sqlite3

    printed(f"run add {FIRST}")
    printed(f"run add {FIRST.replace('Meadow-100', 'Other')}")
    with sqlite3.connect(tmp_path / "notebook.sqlite") as connection:
        connection.execute("UPDATE films SET name = 'Meadow 100', name_key = 'meadow 100' WHERE name = 'Other'")
    connection.close()
    assert [run["film"] for run in printed("run list --film Meadow_100")["runs"]] == ["Meadow-100", "Meadow-100"]
    assert printed("notebook check")["wrong"] == []


def test_a_new_name_close_to_a_known_one_is_pointed_out(printed: Json) -> None:
    printed(f"run add {FIRST}")
    for film, close in (("Medow-100", True), ("Meadow-400", False), ("Orchard", False)):
        added = printed(f"run add {FIRST.replace('Meadow-100', film)}")
        told = [one["message"] for one in added["warnings"] if one["code"] == "new-name"]
        assert ["Meadow-100" in message for message in told] == ([True] if close else [])
    (told,) = printed(f"run add {FIRST} --developer Borax_1+1")["warnings"]
    assert told["code"] == "new-name"
    assert "Borax;" in told["message"]


def test_the_dilution_stands_with_the_developer(printed: Json, capsys: pytest.CaptureFixture[str]) -> None:
    printed(f"run add {FIRST} --density-range 1.0")
    assert printed("advise")["dilution"] == "1+1"
    for command in (["advise"], ["run", "list"], ["run", "show", "1"], ["trends"]):
        assert app.run(command) == 0
        assert "Borax 1+1" in capsys.readouterr().out
    assert app.run(["advise", "--film", "Moss"]) == 2
    told = capsys.readouterr().err
    assert "Meadow-100 in Borax 1+1" in told
    assert "no run of Moss" in told
    assert "has no run to take" not in told


def test_close_names() -> None:
    assert close_names("Medow-100", ["Meadow-100", "Orchard"]) == ("Meadow-100",)
    assert close_names("Meadow 100", ["Meadow-100"]) == ()
    assert close_names("Meadow-400", ["Meadow-100"]) == ()
    assert close_names("Borax 1:3", ["Borax", "Soda"]) == ("Borax",)


@given(st.text(), st.text())
def test_names_are_the_same_or_not_both_ways(one: str, other: str) -> None:
    assert same_name(one, other) == same_name(other, one)
    # Beyond ASCII a letter may have no way back: the dotless i becomes I, and I becomes i.
    assert same_name(one, one.swapcase()) or not one.isascii()
    assert name_key(name_key(one)) == name_key(one) or not one.isascii()


def test_names_of_nothing_but_hyphens_stay_apart() -> None:
    assert not same_name("-", "--")
