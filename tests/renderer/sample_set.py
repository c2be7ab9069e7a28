"""The sample scans that come with densiscan: one wedge and five negatives, all invented, with their true values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from tests.renderer.bed import Place
from tests.renderer.faults import Blemishes, Leak
from tests.renderer.film import FilmCurve
from tests.renderer.pieces import sheet
from tests.renderer.render import Piece, Rendered, render_bed, write_scan
from tests.renderer.scanner import Scanner
from tests.renderer.scenes import Picture
from tests.renderer.wedge import WedgeLayout, even_densities, write_wedge_file

SCANNER: Final = Scanner(
    ppi=300.0,
    tone="2.2",
    gain=0.97,
    offset=0.0002,
    glare=0.002,
    psf_um=38.0,
    shot_electrons=120_000.0,
    read_noise=9.0,
    lamp=0.002,
    lamp_seed=20,
)
NORMAL: Final = FilmCurve(base=0.06, fog=0.07, contrast=0.57, maximum_net=2.7)
UNDERDEVELOPED: Final = FilmCurve(base=0.06, fog=0.05, contrast=0.36, maximum_net=1.7)
SHEET_MM: Final = (63.0, 88.0)
LEAK: Final = Leak(side="bottom", at_mm=24.0, width_mm=6.0, depth_mm=5.0, net_density=0.45)
WEDGE_UNCERTAINTY: Final = 0.02
"""Expanded (k = 2), on each density of the wedge file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One file of the set: its name, the piece on the glass, the size of the scan and the seed."""

    name: str
    piece: Piece
    size_mm: tuple[float, float]
    seed: int

    def render(self) -> Rendered:
        """Render it; always the same codes."""
        return render_bed([self.piece], SCANNER, seed=self.seed, size_mm=self.size_mm)


def _wedge_densities() -> tuple[float, ...]:
    """Return true densities: made for 0.15 a step, and missing that a little."""
    misses = np.random.default_rng(1903).normal(0, 0.006, 21)
    return tuple(round(d + m, 4) for d, m in zip(even_densities(21, 0.15, 0.05), misses.tolist(), strict=True))


def stated_densities() -> tuple[float, ...]:
    """Return what the wedge file says: the true densities with the errors of its certificate, to 0.001."""
    errors = np.random.default_rng(1904).normal(0, WEDGE_UNCERTAINTY / 2, 21)
    return tuple(round(d + e, 3) for d, e in zip(_wedge_densities(), errors.tolist(), strict=True))


def _wedge() -> Sample:
    layout = WedgeLayout(
        densities=_wedge_densities(),
        place=Place(x_mm=62.0, y_mm=15.5, angle_deg=0.6),
        step_mm=5.0,
        width_mm=10.0,
        border_mm=2.5,
        end_mm=2.5,
        numerals=True,
        granularity=6.0,
        blemishes=Blemishes(dust=6, fibres=1),
    )
    return Sample(name="wedge.tif", piece=layout, size_mm=(124.0, 31.0), seed=11)


def _negative(name: str, picture: Picture, curve: FilmCurve, angle_deg: float, seed: int) -> Sample:
    upright = picture.scene == "bust"
    size = SHEET_MM if upright else SHEET_MM[::-1]
    film = sheet(
        size_mm=size,
        place=Place(x_mm=size[0] / 2 + 5.0, y_mm=size[1] / 2 + 4.5, angle_deg=angle_deg),
        picture=picture,
        edge_mm=(3.5, 4.0, 4.5, 4.0),
        curve=curve,
        granularity=8.0,
        edge_shadow=0.1,
        faults=(LEAK,) if name == "leak.tif" else (),
        blemishes=Blemishes(dust=9, fibres=1, pinholes=2),
    )
    return Sample(name=name, piece=film, size_mm=(size[0] + 10.0, size[1] + 9.0), seed=seed)


def samples() -> tuple[Sample, ...]:
    """Return the whole set, wedge first."""
    picture = Picture(range_stops=7.0, shadow_stops=0.6, falloff_stops=0.4, flare=0.006)
    return (
        _wedge(),
        _negative("normal.tif", replace(picture, scene="mill", seed=5), NORMAL, 0.4, 21),
        _negative("thin.tif", replace(picture, scene="wood", seed=3, shadow_stops=-2.2), NORMAL, -0.7, 22),
        _negative("dense.tif", replace(picture, scene="snow-lane", seed=4, shadow_stops=3.2), NORMAL, 1.2, 23),
        _negative("underdeveloped.tif", replace(picture, scene="bust", seed=2), UNDERDEVELOPED, -0.3, 24),
        _negative("leak.tif", replace(picture, scene="facade", seed=6), NORMAL, 0.9, 25),
    )


def truth_rows(rendered: Rendered, name: str) -> Iterator[tuple[str, str, str, str]]:
    """Yield (file, quantity, unit, value) of everything true of one sample."""
    for wedge in rendered.truth.wedges:
        for step in wedge.steps:
            yield name, f"step {step.number}", "density", f"{step.density:.4f}"
        yield name, "angle", "degrees", f"{wedge.angle_deg:.2f}"
    for film in rendered.truth.films:
        yield name, "base plus fog", "density", f"{film.base_plus_fog:.4f}"
        yield name, "shadow", "density", f"{film.frame.shadow:.4f}"
        yield name, "highlight", "density", f"{film.frame.highlight:.4f}"
        yield name, "density range", "density", f"{film.frame.density_range:.4f}"
        for quantity, box in (("film", film.sheet_mm), ("frame", film.frame.frame_mm)):
            for side, value in zip(("left", "top", "width", "height"), box, strict=True):
                yield name, f"{quantity} {side}", "mm", f"{value:.2f}"
        yield name, "angle", "degrees", f"{film.angle_deg:.2f}"
    if name == "leak.tif":
        yield name, "leak along the lower edge from its left end", "mm", f"{LEAK.at_mm:.1f}"
        yield name, "leak above base plus fog at the edge", "density", f"{LEAK.net_density:.2f}"


def render_samples(folder: Path) -> list[Path]:
    """Write the set into a folder: the scans, `wedge.csv` and `truth.csv`; returns what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    lines, written = ["file,quantity,unit,value"], []
    for sample in samples():
        rendered = sample.render()
        written.append(folder / sample.name)
        write_scan(rendered, written[-1])
        lines += [",".join(row) for row in truth_rows(rendered, sample.name)]
    wedge_file, truth_file = folder / "wedge.csv", folder / "truth.csv"
    write_wedge_file(wedge_file, stated_densities(), WEDGE_UNCERTAINTY)
    truth_file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [*written, wedge_file, truth_file]
