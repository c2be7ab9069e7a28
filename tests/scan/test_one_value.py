"""Lines of one single value in a scan that has noise are said; a sound scan has none, however even it looks."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from densiscan.cli.app import run
from densiscan.errors import DensiscanError
from densiscan.scan.scan import open_scan
from densiscan.scan.survey import survey

Array = NDArray[Any]

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
PPI = 200


def scene(full: int, seed: int = 21) -> Array:
    """Return clipped glass round an oblong of film with a slope from black to white, all noise but the glass."""
    rng = np.random.default_rng(seed)
    codes = np.full((400, 360), float(full))
    codes[50:350, 40:320] = np.linspace(0.001, 0.9, 280)[None, :] * full
    return np.clip(codes + rng.normal(0, 0.006 * full, codes.shape), 0, full).astype(
        np.uint16 if full > 255 else np.uint8
    )


def said(folder: Path, codes: Array) -> list[str]:
    file = folder / "scan.tif"
    tifffile.imwrite(file, codes, resolution=(PPI, PPI), resolutionunit=2, metadata=None, photometric="minisblack")
    return [warning.message for warning in survey(open_scan(file)).warnings]


@pytest.mark.parametrize("full", [255, 65535])
@pytest.mark.parametrize("turned", [False, True])
def test_lines_that_were_filled_in(tmp_path: Path, full: int, *, turned: bool) -> None:
    codes = scene(full)
    codes[120:160] = full // 3
    if turned:
        codes = codes.T
    (message,) = said(tmp_path, codes)
    # 120 and 160 pixels at 200 ppi are 15.2 and 20.3 mm; a row of cells that is partly filled does not count.
    assert f"({'columns' if turned else 'rows'} from 15.2 to 20.3 mm)" in message


@pytest.mark.parametrize("full", [255, 65535])
def test_what_is_even_by_itself(tmp_path: Path, full: int) -> None:
    rng = np.random.default_rng(22)
    plain = scene(full)
    assert said(tmp_path, plain) == []
    ends = plain.copy()
    ends[:40], ends[360:] = full, 0
    assert said(tmp_path, ends) == []
    # A mask so dark that 8 bits hold no noise of it, along the whole upper side.
    dark = plain.copy()
    dark[:45] = full // 80
    assert said(tmp_path, dark) == []
    # A filled part that does not go across is no lost strip; one deviating code makes noise.
    part = plain.copy()
    part[120:160, 10:300] = full // 3
    assert said(tmp_path, part) == []
    noisy = plain.copy()
    noisy[120:160] = full // 3 + rng.integers(0, 2, (40, 360))
    assert said(tmp_path, noisy) == []


def test_cells_of_one_pixel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.scan.test_one_value.PPI", 100)
    codes = scene(65535)
    assert said(tmp_path, codes) == []
    codes[120:160] = 20_000
    assert "(rows from 30.5 to 40.6 mm)" in said(tmp_path, codes)[0]


def test_a_drawing_has_no_noise_at_all(tmp_path: Path) -> None:
    codes = np.repeat(np.arange(0, 60000, 1500, dtype=np.uint16), 10)[:, None] * np.ones((1, 300), np.uint16)
    codes[:, 100:200] //= 2
    assert said(tmp_path, codes) == []


@pytest.mark.parametrize("name", ["wedge", "normal", "thin", "dense", "leak", "underdeveloped"])
def test_sample_scans(name: str) -> None:
    assert survey(open_scan(SAMPLES / f"{name}.tif")).warnings == ()


def test_real_scans(shared_data: Path) -> None:
    files = sorted((shared_data / "real").rglob("*.tif"))
    assert files
    for file in files:
        try:
            assert survey(open_scan(file, ppi=300)).warnings == (), file
        except DensiscanError:
            # One holds several pictures.
            assert survey(open_scan(file, ppi=300, page=1)).warnings == (), file


def test_it_is_said_of_a_wedge_and_of_a_negative(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("wedge", "normal"):
        with tifffile.TiffFile(SAMPLES / f"{name}.tif") as source:
            codes, page = source.asarray(), source.pages.first
            resolution = page.resolution
        codes[:60] = 20_000
        tifffile.imwrite(tmp_path / f"{name}.tif", codes, resolution=resolution, resolutionunit=2, metadata=None)
    book = ["--notebook", str(tmp_path / "book")]
    wedge, made = SAMPLES / "wedge.csv", tmp_path / "c.json"
    run(["calibrate", str(tmp_path / "wedge.tif"), "--densities", str(wedge), "--out", str(made), "--json", *book])
    assert "area-of-one-value" in capsys.readouterr().out
    run(["measure", str(tmp_path / "normal.tif"), "--calibration", str(made), "--json", *book])
    document = json.loads(capsys.readouterr().out)
    assert "area-of-one-value" in {told["code"] for told in document["readings"][0]["warnings"]}
