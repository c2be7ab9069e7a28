"""A scan read again gives the same words: verdicts, and what was found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.batch.assessment import Assessment, PrintAim, Task, assess
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.file import read_calibration, write_calibration
from densiscan.negative.bench import bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_on
from densiscan.negative.trouble.finding import BORDER, Finding, Trouble
from densiscan.negative.trouble.inspection import trouble_on
from densiscan.negative.trouble.yardstick import Yardstick, well_clear
from densiscan.report.trouble import trouble_lines
from densiscan.scan.scan import open_scan
from tests import renderer
from tests.renderer.faults import Leak
from tests.support import made_up


@pytest.fixture(scope="module")
def linear(tmp_path_factory: pytest.TempPathFactory) -> Calibration:
    """A calibration document in which light is code over full scale, read from its file."""
    file = tmp_path_factory.mktemp("calibration") / "linear.json"
    write_calibration(made_up.calibration(), file)
    return read_calibration(file)


def assessed(path: Path, calibration: Calibration) -> list[Assessment]:
    scan, options = open_scan(path), MeasureOptions()
    bench = bench_for(scan, calibration, options)
    readings = measure_on(bench)
    task = Task(options=options, aim=PrintAim())
    found = trouble_on(bench, readings)
    return [assess(path, reading, task, one) for reading, one in zip(readings, found, strict=True)]


def said(assessment: Assessment) -> tuple[object, ...]:
    """Return what is said of one reading apart from its figures."""
    exposure, development, trouble = assessment.exposure, assessment.development, assessment.trouble
    return (
        (exposure.verdict, exposure.borderline, bool(exposure.warnings)),
        (development.verdict, development.borderline, bool(development.warnings)),
        sorted((finding.code, finding.side) for finding in trouble.findings),
        sorted(note.code for note in trouble.notes),
    )


@pytest.mark.parametrize(("film", "scans"), [("a", 4), ("b", 2)])
def test_real_film_that_was_not_moved(film: str, scans: int, linear: Calibration, shared_data: Path) -> None:
    """One reading a scan: the dark border of the bed beside the film is none, and is named."""
    folder = shared_data / "real" / "flatbed_films"
    sets = [assessed(folder / f"film_{film}_scan{number}.tif", linear) for number in range(1, scans + 1)]
    assert [len(each) for each in sets] == [1] * scans
    read = [one for each in sets for one in each]
    assert {str((one.reading.seen, said(one))) for one in read} == {str((read[0].reading.seen, said(read[0])))}
    assert {tuple(item.code for item in one.reading.left_out) for one in read} == {("border-left-out",)}
    shadows = [one.reading.shadow.value for one in read if one.reading.shadow is not None]
    # seen between scans of film that was not moved: 0.0001 to 0.003
    assert len(shadows) == scans
    assert max(shadows) - min(shadows) < 0.003


@pytest.mark.parametrize(
    ("shadow_stops", "leak", "verdict", "codes"),
    [(1.5, 0.0, "normal", []), (1.5, 0.08, "normal", ["light-leak"]), (-2.5, 0.0, "under", [])],
)
def test_one_negative_scanned_again_and_again(
    shadow_stops: float, leak: float, verdict: str, codes: list[str], linear: Calibration, tmp_path: Path
) -> None:
    picture = renderer.Picture(scene="mill", seed=77, range_stops=6.5, shadow_stops=shadow_stops)
    faults = (Leak(side="left", at_mm=30.0, width_mm=6.0, depth_mm=3.0, net_density=leak),) if leak else ()
    film = renderer.sheet(
        size_mm=(88.0, 63.0), place=renderer.Place(x_mm=52.0, y_mm=40.0, angle_deg=0.7), picture=picture
    )
    scanner = renderer.Scanner(ppi=150.0, gain=0.97, lamp=0.003, glare=0.001)
    read = []
    for seed in (4711, 4712, 4713):
        bed = renderer.render_bed((replace(film, faults=faults),), scanner, seed=seed, size_mm=(104.0, 80.0))
        renderer.write_scan(bed, tmp_path / "again.tif", compression=None)
        (one,) = assessed(tmp_path / "again.tif", linear)
        read.append(one)
    assert {str(said(one)) for one in read} == {str(said(read[0]))}
    assert read[0].exposure.verdict == verdict
    assert [finding.code for finding in read[0].trouble.findings] == codes


def finding(size: float, noise: float, code: str = "light-leak") -> Finding:
    parts = {Influence("patch noise", "place to place"): noise, Influence("lamp", "place to place"): 0.003}
    return Finding(code=code, message="A leak.", box_mm=(9.6, 20.2, 3.0, 14.0), size=Quantity(size, parts), sure=0.99)


LIMITS = Yardstick(calibration=made_up.calibration(), slope=0.02, local=0.015, lamp=0.0025)


@pytest.mark.parametrize(
    ("size", "noise", "code", "clear"),
    [
        (0.022, 0.003, "light-leak", True),
        (0.020, 0.003, "light-leak", False),
        (-0.020, 0.003, "edge-density", False),
        (-0.020, 0.001, "edge-density", True),
        (0.022, 0.002, "gradient", False),
        (0.022, 0.002, "streak", True),
        (0.010, 0.010, "air-bell", True),
    ],
)
def test_what_is_not_well_clear_of_its_limit_is_a_note(size: float, noise: float, code: str, clear: bool) -> None:
    """Clear by twice its own noise; what the lamp does is in the limit. Marks have limits of their own."""
    clear_of, border = well_clear([finding(size, noise, code)], LIMITS)
    assert (len(clear_of), len(border)) == ((1, 0) if clear else (0, 1))


def test_a_note_on_the_border_stands_in_words() -> None:
    _, border = well_clear([finding(0.018, 0.004)], LIMITS)
    assert [note.code for note in border] == [BORDER]
    lines = trouble_lines(Trouble(notes=border))
    assert [label for label, _ in lines] == ["perhaps"]
    assert lines[0][1].startswith(
        "Just on the border: perhaps a light leak of 0.018 at 10,20 mm on the scan, 3 x 14 mm;"
    )
