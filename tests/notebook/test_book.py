"""What is put into the notebook comes out of it: runs, readings, documents; and nothing is lost on the way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.run import Run
from densiscan.errors import WrongUseError
from densiscan.notebook.location import open_notebook
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.readings import NewReading

CALIBRATION = {"format": "densiscan.calibration/1", "name": "flatbed", "steps": []}


def a_run(**facts: Any) -> Run:
    plain: dict[str, Any] = {
        "number": 0,
        "film": "Film A",
        "developer": "Developer B",
        "date": "2026-03-14",
        "time_s": 480.0,
        "temperature_c": 20.0,
    }
    return Run(**{**plain, **facts})


def a_reading(**facts: Any) -> NewReading:
    document = {"file": "neg.tif", "density_range": {"value": 1.05, "uncertainty": 0.02}, "base_plus_fog": None}
    plain: dict[str, Any] = {
        "file": "neg.tif",
        "scan_sha256": "ab" * 32,
        "piece": None,
        "calibration": CALIBRATION,
        "options": {"aperture_mm": 1.0},
        "document": document,
    }
    return NewReading(**{**plain, **facts})


@pytest.fixture
def book(tmp_path: Path) -> Notebook:
    return open_notebook(tmp_path / "kept" / "notebook.sqlite", arguments=["run", "add"])


def test_looking_makes_no_file(book: Notebook) -> None:
    assert book.runs() == ()
    assert book.readings() == ()
    assert book.names("wedge") == ()
    assert book.kept("wedge", "mine") is None
    assert book.check() == ()
    assert not book.path.parent.exists()


names = st.text(st.characters(categories=("L", "N", "P", "S")), min_size=1, max_size=70)
numbers = st.floats(0.01, 1000.0)
runs = st.builds(
    Run,
    number=st.just(0),
    film=names,
    developer=names,
    date=st.dates().map(lambda day: day.isoformat()),
    time_s=st.floats(0.01, 86_400.0),
    temperature_c=st.floats(0.01, 60.0),
    use=st.integers(1, 1000),
    dilution=st.none() | names,
    batch=st.none() | names,
    exposure_index=st.none() | numbers,
    agitation=st.none() | names,
    prewash=st.none() | names,
    stop=st.none() | names,
    fix=st.none() | names,
    sheets=st.none() | st.integers(1, 1000),
    sheet_size_mm=st.none() | st.tuples(numbers, numbers),
    volume_ml=st.none() | numbers,
    scene_stops=st.none() | st.floats(0.01, 20.0),
    note=st.none() | st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=2000),
)


def test_run_comes_back_as_it_was_put_in(tmp_path: Path) -> None:
    with open_notebook(tmp_path / "notebook.sqlite") as book:

        @settings(max_examples=60)
        @given(runs)
        def back_and_forth(run: Run) -> None:
            # Two spellings of one name would be one film, so that each example has names of its own.
            number = 1 + len(book.runs(removed=None))
            own: dict[str, Any] = {"film": f"{run.film}#{number}#", "developer": f"{run.developer}#{number}#"}
            kept = book.add_run(replace(run, **own))
            assert kept == replace(run, number=number, **own)
            assert book.run(number) == kept
            assert book.runs(film=own["film"], developer=own["developer"]) == (kept,)

        back_and_forth()
        assert book.check() == ()


def test_runs_are_asked_for_by_film_and_developer(book: Notebook) -> None:
    with book:
        for film, developer in (("Film A", "B"), ("film  a", "B"), ("Film C", "B"), ("Film A", "D")):
            book.add_run(a_run(film=film, developer=developer))
        assert [run.number for run in book.runs("FILM A")] == [1, 2, 4]
        assert [run.number for run in book.runs("Film A", "b")] == [1, 2]
        assert [run.number for run in book.runs(last=2)] == [3, 4]
        assert book.run(2).film == "Film A"


def test_runs_come_by_date(book: Notebook) -> None:
    with book:
        for day in ("2026-03-14", "2026-01-02", "2026-02-01"):
            book.add_run(a_run(date=day))
        assert [run.number for run in book.runs()] == [2, 3, 1]
        assert [run.number for run in book.runs(last=1)] == [1]


def test_what_was_read_elsewhere_comes_back(book: Notebook) -> None:
    spans = (Quantity(1.05, None), Quantity(0.95, {Influence("reading", "x"): 0.01}))
    with book:
        run = book.add_run(a_run(density_ranges=spans, base_plus_fogs=(Quantity(0.25, None),)))
    assert [span.to_json() for span in run.density_ranges] == [span.to_json() for span in spans]
    assert [base.to_json() for base in run.base_plus_fogs] == [{"value": 0.25, "uncertainty": None}]


def test_scan_measured_twice_is_one_negative_with_two_readings(book: Notebook) -> None:
    with book:
        number = book.add_run(a_run()).number
        book.add_reading(a_reading(run=number))
        wider = {**a_reading().document, "density_range": {"value": 1.10, "uncertainty": 0.02}}
        book.add_reading(a_reading(options={"aperture_mm": 2.0}, document=wider))
        kept = book.readings(run=number)
        assert len(kept) == 2
        assert len({reading.negative for reading in kept}) == 1
        # Made for no run and with other options: a try-out, which moves nothing.
        assert [span.value for span in book.run(number).density_ranges] == [1.05]


def test_same_measurement_again_is_no_second_reading(book: Notebook) -> None:
    with book:
        first = book.add_reading(a_reading())
        assert book.add_reading(a_reading(file="copy.tif")) == first
        number = book.add_run(a_run()).number
        assert book.add_reading(a_reading(run=number)) == first
        assert [reading.run for reading in book.readings()] == [number]


def test_pieces_of_a_scan_are_negatives_of_their_own(book: Notebook) -> None:
    with book:
        number = book.add_run(a_run()).number
        book.add_readings([a_reading(piece=1, run=number), a_reading(piece=2, run=number)])
        assert len(book.run(number).density_ranges) == 2


def test_reading_is_found_by_scan_calibration_and_options(book: Notebook) -> None:
    asked = ("ab" * 32, CALIBRATION, {"aperture_mm": 1.0})
    assert book.readings_of_scan(*asked) == ()
    with book:
        book.add_reading(a_reading())
        (found,) = book.readings_of_scan(*asked)
        assert found.document == a_reading().document
        assert found.quantities["density_range"].to_json() == {"value": 1.05, "uncertainty": 0.02}
        assert "base_plus_fog" not in found.quantities
        assert book.readings_of_scan("cd" * 32, *asked[1:]) == ()
        assert book.readings_of_scan(asked[0], {**CALIBRATION, "black": 0.1}, asked[2]) == ()
        assert book.readings_of_scan(*asked[:2], {"aperture_mm": 2.0}) == ()


def test_readings_of_a_run_there_is_not_are_refused_whole(book: Notebook) -> None:
    with book:
        with pytest.raises(WrongUseError, match="no run 7"):
            book.add_readings([a_reading(), a_reading(piece=2, run=7)])
        assert book.readings() == ()


def test_removed_run_counts_for_nothing_until_restored(book: Notebook) -> None:
    with book:
        run = book.add_run(a_run(density_ranges=(Quantity(1.0, None),)))
        assert book.remove_run(run.number).removed
        assert book.runs() == ()
        assert [one.number for one in book.runs(removed=True)] == [1]
        with pytest.raises(WrongUseError, match="removed already"):
            book.remove_run(run.number)
        assert book.restore_run(run.number) == run
        with pytest.raises(WrongUseError, match="not removed"):
            book.restore_run(run.number)
        with pytest.raises(WrongUseError, match="no run 9"):
            book.remove_run(9)


def test_corrected_run_keeps_its_number_and_readings(book: Notebook) -> None:
    with book:
        run = book.add_run(a_run(density_ranges=(Quantity(1.0, None),), batch="one"))
        changed = book.correct_run(run.number, time_s=540.0, batch=None)
        assert changed == replace(run, time_s=540.0, batch=None)
        with pytest.raises(WrongUseError, match="`temperature_c`"):
            book.correct_run(run.number, temperature_c=90.0)
        assert book.run(run.number) == changed


def test_uses_of_a_batch_are_counted_by_its_runs(book: Notebook) -> None:
    with book:
        assert book.uses_of("Developer B", "one") == 0
        book.add_run(a_run(batch="one", use=1))
        second = book.add_run(a_run(batch="One", use=2))
        book.add_run(a_run(batch="one", developer="Other", use=5))
        assert book.uses_of("Developer B", "one") == 2
        book.remove_run(second.number)
        assert book.uses_of("developer b", "one") == 1


def test_documents_are_kept_by_name_the_last_one_counts(book: Notebook) -> None:
    with book:
        book.keep("paper-test", "Old paper", {"range": 105})
        book.keep("paper-test", "old paper", {"range": 98})
        book.keep("paper-test", "Other", {"range": 120})
        book.keep("wedge", "Old paper", {"steps": 21})
        assert book.kept("paper-test", "OLD PAPER") == {"range": 98}
        assert book.names("paper-test") == ("Other", "old paper")
        with pytest.raises(WrongUseError, match="keeps no"):
            book.keep("lens", "one", {})


def test_base_of_a_film_is_known(book: Notebook) -> None:
    with book:
        assert book.film_base("Film A") is None
        book.set_film_base("Film A", Quantity(0.06, {Influence("reading"): 0.005}))
        base = book.film_base("film a")
        assert base is not None
        assert base.to_json() == {"value": 0.06, "uncertainty": 0.01}
