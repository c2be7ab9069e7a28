"""What a person need not say of a run: cases by hand of what is repeated, what is not, and how uses are counted."""

from __future__ import annotations

from typing import Any

import pytest

from densiscan.development.repeatability import Filled, filled
from densiscan.development.run import Run
from densiscan.errors import WrongUseError

FIRST = Run(
    number=1,
    film="Meadow-100",
    developer="Borax",
    date="2026-03-01",
    time_s=480.0,
    temperature_c=20.0,
    use=2,
    dilution="1+1",
    batch="march",
    exposure_index=80.0,
    agitation="each minute",
    prewash="1 min",
    stop="water",
    fix="5 min",
    sheets=2,
    sheet_size_mm=(102.0, 127.0),
    volume_ml=500.0,
    scene_stops=7.0,
    note="mill",
)
"""The second use of a batch; every field said."""
OF_THE_PROCESS: dict[str, Any] = {
    "film": "Meadow-100",
    "developer": "Borax",
    "dilution": "1+1",
    "time_s": 480.0,
    "temperature_c": 20.0,
    "exposure_index": 80.0,
    "agitation": "each minute",
    "prewash": "1 min",
    "stop": "water",
    "fix": "5 min",
    "sheets": 2,
    "sheet_size_mm": (102.0, 127.0),
    "volume_ml": 500.0,
}


def used_twice(developer: str, batch: str) -> int:
    return 2 if (developer.casefold(), batch) == ("borax", "march") else 0


def fill(*earlier: Run, like: Run | None = None, fresh: bool = False, **said: Any) -> Filled:
    return filled({"date": "2026-03-08", **said}, earlier or (FIRST,), uses_of=used_twice, like=like, fresh=fresh)


def has(run: Run, **wanted: Any) -> None:
    assert {field: getattr(run, field) for field in wanted} == wanted


def test_nothing_said_repeats_the_process_and_counts_on() -> None:
    found = fill()
    has(found.run, **OF_THE_PROCESS, date="2026-03-08", batch="march", use=3)
    assert found.like == 1
    assert found.taken == (*OF_THE_PROCESS, "batch")
    assert found.warnings == ()


def test_the_subject_the_note_and_what_came_of_it_are_of_one_picture() -> None:
    has(fill().run, scene_stops=None, note=None, density_ranges=(), base_plus_fogs=())


def test_what_is_said_stands() -> None:
    found = fill(time_s=600.0, temperature_c=22.0, agitation="drum")
    has(found.run, time_s=600.0, temperature_c=22.0, agitation="drum", dilution="1+1")
    assert not {"time_s", "temperature_c", "agitation"} & set(found.taken)


def test_another_film_has_another_time_and_speed() -> None:
    with pytest.raises(
        WrongUseError, match=r"^please give `time_s`: no run of Dune-400 in Borax is in the notebook yet"
    ):
        fill(film="Dune-400")
    found = fill(film="Dune-400", time_s=540.0)
    has(found.run, exposure_index=None, dilution="1+1", batch="march", use=3, agitation="each minute")


def test_another_developer_has_another_dilution_time_and_batch() -> None:
    with pytest.raises(WrongUseError, match=r"no run of Meadow-100 in Soda is in the notebook yet"):
        fill(developer="Soda")
    found = fill(developer="Soda", time_s=540.0)
    has(found.run, dilution=None, batch=None, use=1, exposure_index=80.0, temperature_c=20.0)


def test_names_are_the_same_in_any_case() -> None:
    has(fill(film="MEADOW-100", developer="borax").run, film="MEADOW-100", developer="borax", time_s=480.0, use=3)


def test_freshly_mixed_is_the_first_use_of_no_batch() -> None:
    found = fill(fresh=True)
    has(found.run, use=1, batch=None, time_s=480.0)
    assert "batch" not in found.taken
    assert found.warnings == ()
    assert fill(fresh=True, batch="april").warnings == ()


def test_freshly_mixed_under_an_old_name_is_doubted() -> None:
    (told,) = fill(fresh=True, batch="march").warnings
    assert told.code == "use-counted-before"
    assert "batch march was used 2 times before, and this is logged as use 1" in told.message


@pytest.mark.parametrize(("use", "batch", "doubted"), [(3, "march", False), (2, None, False), (5, None, False)])
def test_a_use_that_is_said_goes_on_with_the_batch_only_where_it_is_the_next(
    use: int, batch: str | None, doubted: bool
) -> None:
    found = fill(use=use)
    has(found.run, use=use, batch=batch)
    assert bool(found.warnings) is doubted


@pytest.mark.parametrize(("use", "doubted"), [(1, True), (2, True), (3, False), (4, False)])
def test_a_use_said_of_a_named_batch_is_held_against_its_count(use: int, doubted: bool) -> None:
    assert bool(fill(batch="march", use=use).warnings) is doubted


def test_another_batch_begins_at_one() -> None:
    has(fill(batch="april").run, batch="april", use=1)


def test_a_run_without_a_batch_to_repeat_is_a_first_use_unless_named() -> None:
    plain = Run(number=4, film="A", developer="B", date="2026-03-01", time_s=300.0, temperature_c=20.0, use=3)
    has(fill(plain).run, use=1, batch=None)
    has(fill(plain, like=plain).run, use=3)
    assert fill(plain, like=plain).like == 4


def test_the_last_run_most_alike_is_repeated() -> None:
    """Of the same film and developer before the same developer before the last of all."""
    other_film = Run(number=2, film="Dune-400", developer="Borax", date="2026-03-02", time_s=660.0, temperature_c=21.0)
    other_both = Run(number=3, film="Dune-400", developer="Soda", date="2026-03-03", time_s=700.0, temperature_c=24.0)
    runs = (FIRST, other_film, other_both)
    assert fill(*runs, film="Meadow-100", developer="Borax").like == 1
    assert fill(*runs, film="Hill-50", developer="Borax", time_s=1.0).like == 2
    assert fill(*runs, film="Hill-50", developer="Lye", time_s=1.0).like == 3
    assert fill(*runs, developer="Borax").like == 2
    assert fill(*runs, film="Meadow-100").like == 1
    assert fill(*runs).like == 3
    has(fill(*runs, like=FIRST).run, time_s=480.0)


def test_without_any_run_all_that_is_needed_is_asked_for_at_once() -> None:
    said = {"date": "2026-03-08", "film": "Meadow-100"}
    with pytest.raises(
        WrongUseError,
        match=r"^please give `developer`, `time_s` and `temperature_c`: there is no earlier run to take them from\.$",
    ):
        filled(said, (), uses_of=used_twice)
    everything = {**said, "developer": "Borax", "time_s": 480.0, "temperature_c": 20.0}
    found = filled(everything, (), uses_of=used_twice)
    assert (found.like, found.taken, found.run.use, found.run.number) == (None, (), 1, 0)


def test_a_run_said_whole_is_like_none() -> None:
    assert fill(**OF_THE_PROCESS, batch="march").like is None
