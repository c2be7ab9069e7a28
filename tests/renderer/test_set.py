"""Scanners, wedges and film drawn as in real life, and the sample scans that are committed."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose

from densiscan.errors import WrongUseError
from tests.renderer import (
    Bedful,
    faultless,
    random_crop,
    random_densities,
    random_held,
    random_pair,
    random_roll,
    random_scanner,
    random_sheet,
    random_together,
    random_wedge,
    render_bed,
    samples,
    stated_densities,
)
from tests.renderer.__main__ import main
from tests.renderer.random_scans import KINDS
from tests.renderer.sample_set import truth_rows

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"

# -- as in real life --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_drawn_wedges_are_possible(seed: int) -> None:
    drawn = random_wedge(np.random.default_rng(seed))
    rising = sorted(drawn.layout.densities)
    assert 5 <= len(rising) <= 41
    assert drawn.layout.densities in (tuple(rising), tuple(rising[::-1]))
    assert rising[0] > 0
    assert rising[-1] < 3.31
    # stated values: normal errors of half the expanded uncertainty; five standard deviations, and rounding
    assert_allclose(drawn.stated, drawn.layout.densities, atol=2.5 * drawn.uncertainty + 0.0006)
    truth = drawn.layout.truth()
    for x, y in drawn.layout.place.corners(truth.outline_mm):
        assert 0 < x < drawn.size_mm[0]
        assert 0 < y < drawn.size_mm[1]


@pytest.mark.parametrize("draw", [random_sheet, random_pair, random_roll, random_held])
@pytest.mark.parametrize("seed", range(10))
def test_drawn_film_lies_on_the_bed(draw: object, seed: int) -> None:
    bed: Bedful = draw(np.random.default_rng(seed))  # type: ignore[operator]
    for film in bed.films:
        for x, y in film.place.corners(film.place.box(*film.outline)):
            assert 0 < x < bed.size_mm[0]
            assert 0 < y < bed.size_mm[1]
    assert len(bed.films) == (2 if draw is random_pair else 1)


@pytest.mark.parametrize("seed", range(10))
def test_wedge_and_film_on_one_bed_do_not_touch(seed: int) -> None:
    bed, wedge = random_together(np.random.default_rng(seed))
    film, layout = bed.films[0], wedge.layout
    corners = film.place.corners(film.place.box(*film.outline)), layout.place.corners(layout.truth().outline_mm)
    spans = [[(min(way), max(way)) for way in zip(*points, strict=True)] for points in corners]
    apart = [one[0] > two[1] or two[0] > one[1] for one, two in zip(*spans, strict=True)]
    assert any(apart)
    assert bed.size_mm == wedge.size_mm
    for span in spans:
        assert all(low > 0 and high < side for (low, high), side in zip(span, bed.size_mm, strict=True))


@pytest.mark.parametrize("kind", KINDS)
def test_kinds_of_negative_are_what_they_are_called(kind: str) -> None:
    bed = random_sheet(np.random.default_rng(12), kind=kind, size_mm=(60.0, 45.0))  # type: ignore[arg-type]
    rendered = render_bed(bed.pieces, random_scanner(np.random.default_rng(3), ppi=(150,)), seed=1, size_mm=bed.size_mm)
    film = rendered.truth.film
    if kind == "fog":
        assert not film.frames
        return
    frame = film.frame
    limits = {
        "normal": (0.1, 1.5, 0.5), "thin": (-0.01, 0.25, 0.1), "dense": (0.6, 2.5, 0.5), "flat": (0.02, 1.0, 0.1),
        "vignetted": (-0.01, 1.0, 0.5), "clear-sky": (-0.01, 0.03, 0.2),
    }[kind]  # fmt: skip
    assert limits[0] <= frame.shadow - film.base_plus_fog <= limits[1]
    assert frame.density_range > limits[2]


def test_crop_shows_no_rebate() -> None:
    bed = random_crop(np.random.default_rng(2))
    rendered = render_bed(bed.pieces, faultless(ppi=100.0), seed=1, size_mm=bed.size_mm)
    assert rendered.truth.film.film_mm is None
    with pytest.raises(WrongUseError, match="needs a picture"):
        random_crop(np.random.default_rng(2), kind="fog")


def test_densities_with_a_given_count() -> None:
    assert len(random_densities(np.random.default_rng(1), 16)) == 16


# -- the sample set -------------------------------------------------------------------------------------------------


def test_sample_files_are_small_and_all_there() -> None:
    names = {sample.name for sample in samples()}
    assert {path.name for path in SAMPLES.glob("*.tif")} == names
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 12_000_000


@pytest.mark.parametrize("name", ["wedge.tif", "leak.tif"])
def test_committed_samples_are_what_is_rendered(name: str) -> None:
    sample = next(item for item in samples() if item.name == name)
    rendered = sample.render()
    stored = tifffile.imread(SAMPLES / name).astype(int)
    change = np.abs(stored - rendered.codes.astype(int))
    # the same machine gives the same bytes; another one's exp() may differ in the last bit of single precision,
    # which a steep tone curve can make a few codes near black
    assert change.max() <= 8
    assert np.mean(change > 0) < 0.01
    with (SAMPLES / "truth.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file) if row[0] == name]
    fresh = list(truth_rows(rendered, name))
    assert [row[:3] for row in rows] == [list(row[:3]) for row in fresh]
    assert_allclose([float(row[3]) for row in rows], [float(row[3]) for row in fresh], atol=2e-4)


def test_sample_wedge_file_agrees_with_the_truth_within_its_uncertainty() -> None:
    with (SAMPLES / "wedge.csv").open(encoding="utf-8", newline="") as file:
        stated = [float(row["density"]) for row in csv.DictReader(file)]
    assert_allclose(stated, stated_densities(), atol=1e-9)
    true = [step.density for step in samples()[0].piece.truth().steps]  # type: ignore[attr-defined]
    # k = 2 is 0.02; the largest of 21 normal errors stays under 3.5 standard deviations
    assert_allclose(stated, true, atol=0.035)


def test_sample_readme_gives_the_true_values() -> None:
    text = (SAMPLES / "README.md").read_text(encoding="utf-8")
    with (SAMPLES / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = {(row["file"], row["quantity"]): row["value"] for row in csv.DictReader(file)}
    for sample in samples()[1:]:
        line = next(line for line in text.splitlines() if line.startswith(f"| `{sample.name}`"))
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        told = [float(cell) for cell in cells[-4:]]
        quantities = ("base plus fog", "shadow", "highlight", "density range")
        assert_allclose(told, [float(truth[sample.name, quantity]) for quantity in quantities], atol=0.00501)


def test_command_renders_the_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "set")]) == 0
    for path in (tmp_path / "set").iterdir():
        assert path.stat().st_size > 0
    assert {path.name for path in (tmp_path / "set").iterdir()} == {
        path.name for path in SAMPLES.iterdir() if path.suffix != ".md"
    }
    assert (tmp_path / "set" / "wedge.csv").read_text() == (SAMPLES / "wedge.csv").read_text()
    assert "wedge.tif" in capsys.readouterr().out
    assert main([]) == 2
    assert main(["--help"]) == 2
    assert "name one folder" in capsys.readouterr().err
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert main([str(blocked)]) == 2
