"""`calibrate` of several scans, and of calibrations by name."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from densiscan.cli.app import run

if TYPE_CHECKING:
    import pytest


SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
WEDGE = ["--densities", str(SAMPLES / "wedge.csv")]


def test_several_scans_and_calibrations_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = ["--notebook", str(tmp_path / "book.sqlite")]
    for name in ("monday", "tuesday"):
        assert run(["calibrate", str(SAMPLES / "wedge.tif"), *WEDGE, "--name", name, *book]) == 0
    capsys.readouterr()
    (tmp_path / "broken.tif").write_bytes(b"II*\0no scan")
    assert run(["calibrate", "monday", "tuesday", "--name", "both", "--json", *book]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [look["file"] for look in document["looks"]] == ["wedge.tif", "wedge.tif"]
    assert document["drift"] > 0.0
    # One scan that cannot be read is told, and the others are combined.
    scans = [str(SAMPLES / "wedge.tif"), str(tmp_path / "broken.tif"), "tuesday"]
    assert run(["calibrate", *scans, *WEDGE, "--name", "three", "--json", *book]) == 1
    told = capsys.readouterr()
    assert len(json.loads(told.out)["looks"]) == 2
    assert "broken.tif" in told.err
    assert run(["calibrate", "monday", "--name", "again", *book]) == 2
    assert "monday is a calibration already" in capsys.readouterr().err
    assert run(["calibrate", "wednesday", "tuesday", *book]) == 2


def test_a_plot_of_several_looks_is_drawn(tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "wedge.tif", tmp_path / "again.tif")
    scans = [str(SAMPLES / "wedge.tif"), str(tmp_path / "again.tif")]
    plot = tmp_path / "looks.svg"
    assert run(["calibrate", *scans, *WEDGE, "--out", str(tmp_path / "cal.json"), "--plot", str(plot)]) == 0
    assert "Each look against their mean" in plot.read_text(encoding="utf-8")
