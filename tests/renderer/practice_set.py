"""The practice scans that come with densiscan: what the pages are followed with, all invented.

Each folder of the set is for one page or for some that belong together; what they share with the sample scans is not
drawn again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from tests.renderer.bed import Bed, Place
from tests.renderer.faults import DryingMark, Leak
from tests.renderer.film import Film, FilmCurve
from tests.renderer.film_steps import GrayFrames, WedgePrint
from tests.renderer.paper import PaperCurve, PaperPiece, PaperPrint
from tests.renderer.pieces import sheet
from tests.renderer.render import Piece, render_bed, write_scan
from tests.renderer.sample_set import NORMAL, stated_densities
from tests.renderer.sample_set import SCANNER as SAMPLE_SCANNER
from tests.renderer.scanner import Scanner
from tests.renderer.scenes import Picture
from tests.renderer.wedge import WedgeLayout, even_densities, write_wedge_file

STEPS: Final = even_densities(21, 0.15, 0.05)
GRAYS: Final = even_densities(20, 0.10, 0.06)
STOPS: Final = (-2.6, -2.3, -2.0, -1.7, -1.4, -1.1, -0.8)
"""Log exposures of the frames a stop apart."""
OLD_BOX: Final = PaperCurve(base=0.06, fog=0.04, net=1.78, shape="normal", log_range=0.92)
"""A hard paper with some fog. Its first tone takes a log exposure of 0."""
TEST_SECONDS: Final = 12.0
TEST_LOG: Final = 1.62
"""log10 exposure of the test print through nothing, for 12 s of this lamp."""
PRINT_SECONDS: Final = 10.0
LID: Final = 0.04
BED_MM: Final = (140.0, 100.0)


@dataclass(frozen=True, kw_only=True)
class Slot:
    """Black card over the whole bed with one clear slot."""

    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float

    def lay(self, bed: Bed, rng: np.random.Generator) -> None:  # noqa: ARG002 - the renderer's protocol
        card = (-5.0, -5.0, BED_MM[0] + 10.0, BED_MM[1] + 10.0)
        bed.mask(Place(x_mm=0.0, y_mm=0.0), card, [(self.left_mm, self.top_mm, self.width_mm, self.height_mm)])


@dataclass(frozen=True, kw_only=True)
class Glass:
    """One scanner, and the folder that its scans are written to."""

    folder: Path
    scanner: Scanner

    def scan(
        self, name: str, pieces: Sequence[Piece], size_mm: tuple[float, float], *, seed: int, lid: float = 0.0
    ) -> None:
        write_scan(render_bed(pieces, self.scanner, seed=seed, size_mm=size_mm, surround=lid), self.folder / name)


def using(folder: Path) -> None:
    """Wedge beside film, empty bed, slot, stained film in colour, and a fog sheet of the film of the samples."""
    scanner = Scanner(ppi=100, gain=0.9)
    plain = Glass(folder=folder, scanner=scanner)
    plain.scan("bed.tif", [], BED_MM, seed=1)
    plain.scan("slot.tif", [Slot(left_mm=60.0, top_mm=30.0, width_mm=10.0, height_mm=30.0)], BED_MM, seed=1)
    wedge = WedgeLayout(
        densities=stated_densities(),
        place=Place(x_mm=70.0, y_mm=14.0),
        step_mm=6.0,
        width_mm=14.0,
        granularity=1.0,
    )
    film = sheet(
        size_mm=(60.0, 50.0),
        place=Place(x_mm=70.0, y_mm=70.0),
        picture=Picture(scene="mill", seed=2),
        curve=FilmCurve(),
    )
    Glass(folder=folder, scanner=replace(scanner, ppi=150)).scan("both.tif", [wedge, film], BED_MM, seed=1)
    colour = Glass(folder=folder, scanner=Scanner(ppi=150, gain=0.9, balance=(1.0, 0.95, 0.9)))
    colour.scan("colour-wedge.tif", [wedge], (140.0, 30.0), seed=1)
    colour.scan("colour.tif", [replace(film, stain=(0.0, 0.0, 0.2))], BED_MM, seed=1)
    blank = sheet(size_mm=(88.0, 63.0), place=Place(x_mm=49.0, y_mm=36.0, angle_deg=0.6), picture=None, curve=NORMAL)
    Glass(folder=folder, scanner=replace(SAMPLE_SCANNER, ppi=150)).scan("fog.tif", [blank], (98.0, 72.0), seed=26)


def trouble(folder: Path) -> None:
    """A negative and a fog sheet of a fogged film from a holder that leaks, and the wedge for them."""
    glass = Glass(folder=folder, scanner=Scanner(ppi=100.0, glare=0.001, lamp=0.003))
    wedge = WedgeLayout(densities=even_densities(21, 0.15, 0.05), place=Place(x_mm=65.0, y_mm=20.0), mask_mm=10.0)
    glass.scan("wedge.tif", [wedge], (130.0, 40.0), seed=1)
    write_wedge_file(folder / "wedge.csv", wedge.densities)
    leak = Leak(side="bottom", at_mm=26.0, width_mm=5.0, depth_mm=6.0, net_density=0.35)
    for name, picture, faults in (
        ("negative", Picture(scene="mill", seed=5), (leak,)),
        ("fog", None, (leak, DryingMark(x_mm=57.0, y_mm=18.0, diameter_mm=6.0, amount=0.08))),
    ):
        place = Place(x_mm=45.0, y_mm=33.0, angle_deg=0.5)
        curve = FilmCurve(base=0.05, fog=0.15)
        film = sheet(size_mm=(80.0, 56.0), place=place, picture=picture, curve=curve, faults=faults)
        glass.scan(f"{name}.tif", [film], (90.0, 66.0), seed=3)


def film(folder: Path) -> None:
    """Film exposed through a wedge, a strip of frames a stop apart, and tables of a film."""
    glass = Glass(folder=folder, scanner=Scanner(ppi=100, gain=0.93, glare=0.001))
    curve = FilmCurve(contrast=0.62, speed_log_h=-2.1, toe=0.15, shoulder=0.3, maximum_net=2.6)
    exposed = WedgePrint(densities=STEPS, log_h=0.35, masked=True, run="right")
    frames = GrayFrames(log_h=STOPS, frame_mm=(24.0, 20.0))
    film_place, strip_place = Place(x_mm=69.0, y_mm=25.0, angle_deg=0.6), Place(x_mm=98.0, y_mm=20.0)
    wedge = WedgeLayout(densities=STEPS, place=Place(x_mm=65.0, y_mm=20.0), mask_mm=10.0, granularity=4.0)
    through_wedge = Film(size_mm=(125.0, 38.0), place=film_place, curve=curve, faults=(exposed,), granularity=8.0)
    strip = Film(size_mm=(190.0, 30.0), place=strip_place, curve=curve, faults=(frames,))
    glass.scan("wedge.tif", [wedge], (130.0, 40.0), seed=5)
    glass.scan("film.tif", [through_wedge], (138.0, 50.0), seed=4)
    glass.scan("strip.tif", [strip], (196.0, 40.0), seed=5)
    write_wedge_file(folder / "wedge.csv", STEPS, 0.01)
    table(folder / "stops.csv", "step,log_exposure", ((f"{n}", f"{log_h}") for n, log_h in enumerate(STOPS, start=1)))
    film_tables(folder)


def film_tables(folder: Path) -> None:
    """Tables of a film whose contrast grows with time as 0.95 (1 - exp(-t / 7.5 min)), and whose exponent is 0.82."""

    def density(log_exposure: float, minutes: float) -> float:
        return 0.2 - 0.95 * math.expm1(-minutes / 7.5) * max(log_exposure + 2.1, 0.0)

    def points(minutes: float) -> Iterable[tuple[str, ...]]:
        return ((f"{x:.3f}", f"{density(x, minutes):.4f}", "0.01") for x in np.linspace(-3.0, 0.3, 23).tolist())

    for minutes in (5, 7, 9, 10, 14):
        table(folder / f"{minutes}min.csv", "log_exposure,density,uncertainty", points(minutes))
    table(folder / "curve.csv", "log_exposure,density,uncertainty", points(7))
    times = (0.25, 0.5, 1, 2, 4, 8, 16, 32, 64, 128)
    effective = ((f"{time}", f"{density(-1.0 - 0.18 * math.log10(max(time, 1.0)), 7):.4f}", "0.01") for time in times)
    table(folder / "series.csv", "time,density,uncertainty", effective)
    table(folder / "pairs.csv", "metered,given", (("1", "1"), ("5", "7.5"), ("10", "17"), ("30", "1:05")))


def table(place: Path, head: str, rows: Iterable[Sequence[str]]) -> None:
    place.write_text("\n".join([head, *(",".join(row) for row in rows)]) + "\n", encoding="utf-8")


def negative(scene: str, seed: int, range_stops: float, shadow_stops: float) -> Film:
    taken = Picture(scene=scene, seed=seed, range_stops=range_stops, shadow_stops=shadow_stops)
    curve = FilmCurve(base=0.06, fog=0.10, contrast=0.6)
    return sheet(size_mm=(66.0, 50.0), place=Place(x_mm=45.0, y_mm=37.0), picture=taken, curve=curve)


MILL: Final = negative("mill", 5, 6.0, 1.5)
LANE: Final = negative("snow-lane", 8, 5.5, 3.0)


def paper(folder: Path) -> None:
    """One evening in the darkroom: wedge, gray scale, contact print of the wedge, two negatives, a print of one."""
    glass = Glass(folder=folder, scanner=Scanner(ppi=150.0, tone="2.2", glare=0.002, lamp=0.003, gain=0.95))
    wedge = WedgeLayout(densities=STEPS, place=Place(x_mm=65.0, y_mm=20.0), step_mm=5.0, width_mm=12.0, mask_mm=60.0)
    glass.scan("wedge.tif", [wedge], (130.0, 40.0), seed=1)
    write_wedge_file(folder / "wedge.csv", STEPS)
    gray = WedgeLayout(
        densities=GRAYS,
        place=Place(x_mm=70.0, y_mm=20.0),
        step_mm=6.0,
        width_mm=14.0,
        border_mm=5.0,
        end_mm=5.0,
        border_density=0.4,
        granularity=1.0,
        reflection=True,
    )
    glass.scan("gray.tif", [gray], (140.0, 40.0), seed=2, lid=LID)
    write_wedge_file(folder / "gray.csv", GRAYS)
    tones = tuple(float(tone) for tone in OLD_BOX.density(TEST_LOG - np.array(STEPS)))
    place = Place(x_mm=70.0, y_mm=24.0, angle_deg=0.6)
    printed = WedgeLayout(
        densities=tones,
        place=place,
        step_mm=5.0,
        width_mm=12.0,
        border_mm=6.0,
        end_mm=7.0,
        border_density=float(OLD_BOX.density(np.array([TEST_LOG]))[0]),
        granularity=1.0,
        reflection=True,
    )
    white = PaperPiece(place=place, size_mm=(127.0, 32.0), density=OLD_BOX.base + OLD_BOX.fog)
    fixed = PaperPiece(place=Place(x_mm=10.0, y_mm=54.0), size_mm=(14.0, 14.0), density=OLD_BOX.base)
    glass.scan("print.tif", [white, printed, fixed], (140.0, 64.0), seed=3, lid=LID)
    glass.scan("mill.tif", [MILL], (90.0, 74.0), seed=4)
    glass.scan("lane.tif", [LANE], (90.0, 74.0), seed=5)
    exposure = TEST_LOG + float(np.log10(PRINT_SECONDS / TEST_SECONDS))
    finished = PaperPrint(film=MILL, curve=OLD_BOX, log_exposure=exposure, place=Place(x_mm=45.0, y_mm=37.0))
    glass.scan("mill-print.tif", [finished], (90.0, 74.0), seed=6, lid=LID)
    fine = np.arange(-2.4, 0.01, 0.2).tolist()
    rows = ((f"{x:.2f}", f"{float(OLD_BOX.density(np.array([x + 1.6]))[0]):.2f}") for x in fine)
    table(folder / "curve.csv", "log_exposure,density", rows)


SETS: Final[dict[str, Callable[[Path], None]]] = {"using": using, "trouble": trouble, "film": film, "paper": paper}


def render_practice(folder: Path) -> list[Path]:
    """Write every set into a folder of its name below this one; returns what was written."""
    for name, draw in SETS.items():
        (folder / name).mkdir(parents=True, exist_ok=True)
        draw(folder / name)
    return sorted(file for name in SETS for file in (folder / name).iterdir())
