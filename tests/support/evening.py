"""One evening in the darkroom, rendered: every file that the pages on printing speak of."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

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
from tests.renderer.paper import PaperCurve, PaperPiece, PaperPrint

SCANNER: Final = Scanner(ppi=150.0, tone="2.2", glare=0.002, lamp=0.003, gain=0.95)
STEPS: Final = even_densities(21, 0.15, 0.05)
GRAYS: Final = even_densities(20, 0.10, 0.06)
OLD_BOX: Final = PaperCurve(base=0.06, fog=0.04, net=1.78, shape="normal", log_range=0.92)
"""A hard paper with some fog. Its first tone takes a log exposure of 0."""
TEST_SECONDS: Final = 12.0
TEST_LOG: Final = 1.62
"""log10 exposure of the test print through nothing, for 12 s of this lamp."""
PRINT_SECONDS: Final = 10.0
LID: Final = 0.04


def film(scene: str, seed: int, **picture: float) -> Film:
    taken = Picture(scene=scene, seed=seed, **picture)  # type: ignore[arg-type]
    curve = FilmCurve(base=0.06, fog=0.10, contrast=0.6)
    return sheet(size_mm=(66.0, 50.0), place=Place(x_mm=45.0, y_mm=37.0), picture=taken, curve=curve)


MILL: Final = film("mill", 5, range_stops=6.0, shadow_stops=1.5)
LANE: Final = film("snow-lane", 8, range_stops=5.5, shadow_stops=3.0)


def render(folder: Path) -> None:
    """Render every file of the evening into a folder."""

    def put(name: str, pieces: list[object], size_mm: tuple[float, float], surround: float, seed: int) -> None:
        bed = render_bed(pieces, SCANNER, seed=seed, size_mm=size_mm, surround=surround)  # type: ignore[arg-type]
        write_scan(bed, folder / name)

    wedge = WedgeLayout(densities=STEPS, place=Place(x_mm=65.0, y_mm=20.0), step_mm=5.0, width_mm=12.0, mask_mm=60.0)
    put("wedge.tif", [wedge], (130.0, 40.0), 0.0, 1)
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
    put("gray.tif", [gray], (140.0, 40.0), LID, 2)
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
    paper = PaperPiece(place=place, size_mm=(127.0, 32.0), density=OLD_BOX.base + OLD_BOX.fog)
    fixed = PaperPiece(place=Place(x_mm=10.0, y_mm=54.0), size_mm=(14.0, 14.0), density=OLD_BOX.base)
    put("print.tif", [paper, printed, fixed], (140.0, 64.0), LID, 3)
    put("mill.tif", [MILL], (90.0, 74.0), 0.0, 4)
    put("lane.tif", [LANE], (90.0, 74.0), 0.0, 5)
    exposure = TEST_LOG + float(np.log10(PRINT_SECONDS / TEST_SECONDS))
    finished = PaperPrint(film=MILL, curve=OLD_BOX, log_exposure=exposure, place=Place(x_mm=45.0, y_mm=37.0))
    put("mill-print.tif", [finished], (90.0, 74.0), LID, 6)
    fine = np.arange(-2.4, 0.01, 0.2)
    lines = [f"{x:.2f},{float(OLD_BOX.density(np.array([x + 1.6]))[0]):.2f}" for x in fine]
    (folder / "curve.csv").write_text("log_exposure,density\n" + "\n".join(lines) + "\n", encoding="utf-8")
