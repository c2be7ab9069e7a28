"""What lies in the folder when somebody follows a page: scans and tables, rendered or made up for it."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from densiscan.calibration.file import write_calibration
from densiscan.wedge.wedge import read_wedge
from tests.renderer import (
    Film,
    FilmCurve,
    Picture,
    Place,
    Scanner,
    WedgeLayout,
    even_densities,
    render_bed,
    sheet,
    write_scan,
    write_wedge_file,
)
from tests.renderer.film_steps import GrayFrames, WedgePrint
from tests.support import evening
from tests.support.bed_pieces import BlackMask, layout, scanned
from tests.support.made_up import calibration
from tests.support.pages import ROOT, printed_by

SAMPLES: Final = ROOT / "sample_scans"
CALIBRATED: Final = "calibrate wedge.tif --densities wedge.csv --name mine"


def samples_as(folder: Path, **names: str) -> None:
    """Copy sample scans, each under the name that the page gives it: names without ending, sample=name."""
    for sample, name in names.items():
        shutil.copy(SAMPLES / f"{sample}.tif", folder / f"{name}.tif")


def wedge_of_the_samples(folder: Path) -> None:
    samples_as(folder, wedge="wedge")
    shutil.copy(SAMPLES / "wedge.csv", folder)


def readme(folder: Path) -> None:
    wedge_of_the_samples(folder)
    samples_as(folder, normal="negative")


def first(folder: Path) -> None:
    wedge_of_the_samples(folder)
    samples_as(folder, normal="normal", thin="thin", leak="leak")


def using(folder: Path) -> None:
    readme(folder)
    (folder / "negatives").mkdir()
    samples_as(folder, thin="negatives/thin")
    scanner = Scanner(ppi=100, gain=0.9)
    scanned(folder, "bed", [], scanner)
    scanned(folder, "slot", [BlackMask(openings=[(60.0, 30.0, 10.0, 30.0)])], scanner)
    steps = tuple(step.density for step in read_wedge(folder / "wedge.csv").steps)
    film = sheet(
        size_mm=(60.0, 50.0),
        place=Place(x_mm=70.0, y_mm=70.0),
        picture=Picture(scene="mill", seed=2),
        curve=FilmCurve(),
    )
    scanned(folder, "both", [layout(y_mm=14.0, densities=steps), film], replace(scanner, ppi=150))
    colour = Scanner(ppi=150, gain=0.9, balance=(1.0, 0.95, 0.9))
    scanned(folder, "colour-wedge", [layout(y_mm=14.0, densities=steps)], colour, size_mm=(140.0, 30.0))
    scanned(folder, "colour", [replace(film, stain=(0.0, 0.0, 0.2))], colour)


def folders(folder: Path) -> None:
    (folder / "negatives").mkdir()
    (folder / "incoming").mkdir()
    samples_as(folder, thin="negatives/neg-1")
    (folder / "notes" / "calibrations").mkdir(parents=True)
    write_calibration(calibration(name="mine"), folder / "notes" / "calibrations" / "mine.json")
    printed_by(["run add --film Foxglove --developer Brine --time 8:00 --temp 20"])


def notebook(folder: Path) -> None:
    wedge_of_the_samples(folder)
    samples_as(folder, normal="normal", thin="thin")
    printed_by([CALIBRATED])


def report(folder: Path) -> None:
    wedge_of_the_samples(folder)
    (folder / "negatives").mkdir()
    samples_as(folder, normal="negative", thin="negatives/thin", leak="negatives/leak")
    process = '--film "Orchard pan" --developer Powder --date 2026-04-02 --time 8:00 --temp 20'
    printed_by([CALIBRATED, f"run add {process}"])


def trouble(folder: Path) -> None:
    scanner = Scanner(ppi=100.0, glare=0.001, lamp=0.003)
    wedge = WedgeLayout(densities=even_densities(21, 0.15, 0.05), place=Place(x_mm=65.0, y_mm=20.0), mask_mm=10.0)
    write_scan(render_bed([wedge], scanner, seed=1, size_mm=(130.0, 40.0)), folder / "wedge.tif")
    write_wedge_file(folder / "wedge.csv", wedge.densities)
    for name, picture in (("negative", Picture(scene="mill", seed=5)), ("fog", None)):
        place = Place(x_mm=45.0, y_mm=33.0, angle_deg=0.5)
        curve = FilmCurve(base=0.05, fog=0.15)
        film = sheet(size_mm=(80.0, 56.0), place=place, picture=picture, curve=curve)
        write_scan(render_bed([film], scanner, seed=3, size_mm=(90.0, 66.0)), folder / f"{name}.tif")
    printed_by([CALIBRATED])


def printing(folder: Path) -> None:
    evening.render(folder)
    printed_by(
        [
            "calibrate wedge.tif --densities wedge.csv --name film",
            "calibrate gray.tif --reflection --densities gray.csv --name prints",
            "paper print.tif --wedge wedge.csv --exposure 12 --name old-box",
        ]
    )


def film(folder: Path) -> None:
    scanner = Scanner(ppi=100, gain=0.93, glare=0.001)
    densities = even_densities(21, 0.15, 0.05)
    curve = FilmCurve(contrast=0.62, speed_log_h=-2.1, toe=0.15, shoulder=0.3, maximum_net=2.6)
    stops = (-2.6, -2.3, -2.0, -1.7, -1.4, -1.1, -0.8)
    exposed = WedgePrint(densities=densities, log_h=0.35, masked=True, run="right")
    frames = GrayFrames(log_h=stops, frame_mm=(24.0, 20.0))
    film_place, strip_place = Place(x_mm=69.0, y_mm=25.0, angle_deg=0.6), Place(x_mm=98.0, y_mm=20.0)
    wedge = WedgeLayout(densities=densities, place=Place(x_mm=65.0, y_mm=20.0), mask_mm=10.0, granularity=4.0)
    through_wedge = Film(size_mm=(125.0, 38.0), place=film_place, curve=curve, faults=(exposed,), granularity=8.0)
    strip = Film(size_mm=(190.0, 30.0), place=strip_place, curve=curve, faults=(frames,))
    for name, piece, size_mm in (
        ("wedge", wedge, (130.0, 40.0)),
        ("film", through_wedge, (138.0, 50.0)),
        ("strip", strip, (196.0, 40.0)),
    ):
        write_scan(render_bed([piece], scanner, seed=len(name), size_mm=size_mm), folder / f"{name}.tif")
    write_wedge_file(folder / "wedge.csv", densities, 0.01)
    table(folder / "stops.csv", "step,log_exposure", ((f"{n}", f"{log_h}") for n, log_h in enumerate(stops, start=1)))
    film_tables(folder)
    printed_by([CALIBRATED])


def film_tables(folder: Path) -> None:
    """Tables of a film whose contrast grows with time as 0.95 (1 - exp(-t / 7.5 min)), and whose exponent is 0.82."""

    def density(log_exposure: float, minutes: float) -> float:
        return 0.2 - 0.95 * math.expm1(-minutes / 7.5) * max(log_exposure + 2.1, 0.0)

    for minutes in (5, 7, 9, 10, 14):
        rows = ((f"{x:.3f}", f"{density(x, minutes):.4f}", "0.01") for x in np.linspace(-3.0, 0.3, 23).tolist())
        table(folder / f"{minutes}min.csv", "log_exposure,density,uncertainty", rows)
    shutil.copy(folder / "7min.csv", folder / "curve.csv")
    times = (0.25, 0.5, 1, 2, 4, 8, 16, 32, 64, 128)
    effective = ((f"{time}", f"{density(-1.0 - 0.18 * math.log10(max(time, 1.0)), 7):.4f}", "0.01") for time in times)
    table(folder / "series.csv", "time,density,uncertainty", effective)
    table(folder / "pairs.csv", "metered,given", (("1", "1"), ("5", "7.5"), ("10", "17"), ("30", "1:05")))


def table(place: Path, head: str, rows: object) -> None:
    lines = [head, *(",".join(row) for row in rows)]  # type: ignore[attr-defined]
    place.write_text("\n".join(lines) + "\n", encoding="utf-8")


def commands(folder: Path) -> None:
    """The invented scenario of the helps: a mill, a lane, an old box of paper, the film Meadow-100 in Borax."""
    film_tables(folder)
    shutil.copy(folder / "curve.csv", folder / "meadow.csv")
    evening.render(folder)
    (folder / "incoming").mkdir()
    process = "--film Meadow-100 --developer Borax --temp 20 --batch March --date 2026-03"
    printed_by(
        [
            "calibrate gray.tif --reflection --densities gray.csv --name prints",
            *(f"run add {process}-0{day} --time {7 + day}:00 --density-range 1.0{day}" for day in (1, 2, 3)),
        ]
    )


def nothing(_: Path) -> None:
    """All that the page needs, it makes by itself."""


SCENES: Final[dict[str, Callable[[Path], None]]] = {
    "README.md": readme,
    "advice.md": nothing,
    "commands.md": commands,
    "evening.md": evening.render,
    "film.md": film,
    "first.md": first,
    "folders.md": folders,
    "notebook.md": notebook,
    "paper.md": printing,
    "printing.md": printing,
    "report.md": report,
    "trouble.md": trouble,
    "using.md": using,
}
