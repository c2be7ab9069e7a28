"""How far a fixer goes: by hand, by clearing time and by area."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.cli.app import run
from densiscan.development.fixer import FixedBefore, fixer_life
from densiscan.errors import WrongUseError
from tests.support.schemas import faults


def test_a_bath_by_hand() -> None:
    # Fresh 45 s, today 65 s: fix 2:10, spent at 1:30; 20 s of the 45 s that it may grow are gone, 0.444.
    life = fixer_life(fresh_s=45.0, now_s=65.0, before=FixedBefore(film_cm2=4500.0, volume_ml=1000.0))
    assert_allclose([life.fix_s, life.discard_at_s, life.used], [130.0, 90.0, 0.45])
    # By area 4500 of 10 000 are used, 0.45, a little more: 5500 are left; by clearing time 4500 x 25 / 20 = 5625.
    assert life.by == "area"
    assert life.film_cm2_left == pytest.approx(5500.0)


def test_what_clears_slowly_is_used_up_sooner_than_its_area_says() -> None:
    life = fixer_life(fresh_s=40.0, now_s=60.0, before=FixedBefore(film_cm2=2000.0, volume_ml=1000.0))
    assert (life.by, life.used) == ("clearing", 0.5)
    assert life.film_cm2_left == pytest.approx(2000.0)


@pytest.mark.parametrize(("now", "area", "by"), [(80.0, 100.0, "clearing"), (45.0, 10_000.0, "area")])
def test_a_spent_bath(now: float, area: float, by: str) -> None:
    life = fixer_life(fresh_s=40.0, now_s=now, before=FixedBefore(film_cm2=area, volume_ml=1000.0))
    assert (life.is_spent, life.by, life.film_cm2_left) == (True, by, 0.0)


@given(st.floats(10.0, 200.0), st.floats(1.0, 1.99), st.floats(1.0, 9000.0))
def test_what_is_left_and_what_was_fixed_are_no_more_than_the_bath_can_do(
    fresh: float, slower: float, area: float
) -> None:
    life = fixer_life(fresh_s=fresh, now_s=slower * fresh, before=FixedBefore(film_cm2=area, volume_ml=1000.0))
    assert life.film_cm2_left is not None
    assert 0.0 <= life.film_cm2_left <= 10_000.0 - area + 1e-6
    assert not life.is_spent


def test_a_used_bath_is_not_faster() -> None:
    with pytest.raises(WrongUseError, match="at the same temperature"):
        fixer_life(fresh_s=60.0, now_s=40.0)
    assert fixer_life(fresh_s=60.0, now_s=57.0).used == 0.0


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["fixer", "--fresh", "0:45", "--now", "1:05"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("Fix film for 2:10. used 44 % by its clearing time")
    assert "when clearing takes 1:30" in out
    assert "local rules" in out
    assert run(["fixer", "--fresh", "0:45", "--now", "1:35"]) == 0
    assert capsys.readouterr().out.startswith("Discard it")
    assert run(["fixer", "--fresh", "0:45", "--now", "1:05", "--area", "4500", "--volume", "1000", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert not faults(document, "fixer")
    assert document["film_cm2_left"] == pytest.approx(5500.0)
    assert run(["fixer", "--fresh", "0:45", "--now", "1:05", "--area", "4500"]) == 2
    assert "go together" in capsys.readouterr().err
    assert run(["fixer", "--fresh", "0:45", "--now", "0:20"]) == 2
    assert "--now 20 s" in capsys.readouterr().err
