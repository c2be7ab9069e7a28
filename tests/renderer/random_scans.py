"""Draws scanners, wedges and film as they come in real life, for tests over many scans.

Ranges are meant to cover what people have: flatbeds of 150 to 1200 ppi with little or much glare, film from nearly
clear to density 3.3, wedges of 5 to 41 steps in any layout. Drawing does not render: see `Bedful.pieces`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, get_args

import numpy as np

from densiscan.errors import WrongUseError
from tests.renderer.bed import Place
from tests.renderer.faults import Blemishes
from tests.renderer.film import Film, FilmCurve
from tests.renderer.pieces import holder_for, sheet, strip
from tests.renderer.render import Piece
from tests.renderer.scanner import Scanner, Tone
from tests.renderer.scenes import SCENES, Picture
from tests.renderer.wedge import RUNS, WedgeLayout

FilmKind = Literal["normal", "thin", "dense", "flat", "vignetted", "clear-sky", "fog"]
KINDS: Final[tuple[FilmKind, ...]] = get_args(FilmKind)
SHEETS_MM: Final = ((63.0, 88.0), (88.0, 118.0), (81.0, 106.0), (100.0, 125.0))
REACH_MM: Final = 215.0
"""Longest wedge that lies on a flatbed across."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bedful:
    """Pieces and the size of the scan they were laid out for: pass both to `render_bed`."""

    pieces: tuple[Piece, ...]
    size_mm: tuple[float, float]

    @property
    def films(self) -> tuple[Film, ...]:
        """The pieces that are film."""
        return tuple(piece for piece in self.pieces if isinstance(piece, Film))


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnWedge:
    """A wedge with its certificate.

    Parameters
    ----------
    layout
        The wedge; `layout.densities` are true.
    stated
        Densities as its file says: true ones with a normal error of half `uncertainty` on each, two decimals.
    uncertainty
        Expanded, k = 2.
    size_mm
        Scan it was laid out for.
    """

    layout: WedgeLayout
    stated: tuple[float, ...]
    uncertainty: float
    size_mm: tuple[float, float]

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """The wedge as a piece on the bed."""
        return (self.layout,)


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def random_scanner(rng: np.random.Generator, *, ppi: Sequence[float] = (150, 200, 300), bits: int = 16) -> Scanner:
    """Draw a scanner: tone curve, exposure (bare glass may be blown out), glare, noise, black level, lamp."""
    tones: tuple[Tone, ...] = ("linear", "1.8", "2.2", "srgb", "bent")
    return Scanner(
        ppi=float(rng.choice(np.asarray(ppi))),
        bits=bits,
        tone=tones[int(rng.choice(5, p=(0.35, 0.2, 0.2, 0.2, 0.05)))],
        gain=float(rng.uniform(0.85, 1.03)),
        offset=float(rng.normal(0, 0.0003)),
        glare=_log_uniform(rng, 0.0005, 0.01),
        stray=float(rng.uniform(0, 0.0002)),
        psf_um=float(rng.uniform(20, 70)),
        shot_electrons=_log_uniform(rng, 15_000, 200_000),
        read_noise=float(rng.uniform(4, 25)),
        lamp=_log_uniform(rng, 0.0005, 0.01),
        streaks=_log_uniform(rng, 0.0001, 0.001),
        banding=_log_uniform(rng, 0.00005, 0.0005),
        lamp_seed=int(rng.integers(1, 1_000_000)),
    )


def random_densities(rng: np.random.Generator, count: int | None = None) -> tuple[float, ...]:
    """Draw true densities, rising: 5 to 41 steps, equal or unequal, the last at most 3.3."""
    number = int(rng.integers(5, 42)) if count is None else count
    first = float(rng.uniform(0.02, 0.12))
    top = float(rng.uniform(1.2, 3.3)) if number < 15 else float(rng.uniform(2.0, 3.3))
    rises = np.full(number - 1, (top - first) / (number - 1))
    if rng.uniform() < 0.4:
        rises = rises * rng.uniform(0.6, 1.5, number - 1)
    else:
        # a wedge made for equal steps misses them a little
        rises = rises * rng.normal(1, 0.03, number - 1)
    rises *= (top - first) / rises.sum()
    return tuple(float(d) for d in first + np.concatenate([[0.0], np.cumsum(rises)]))


def random_wedge(rng: np.random.Generator, *, count: int | None = None) -> DrawnWedge:
    """Draw a wedge in any layout: along or across, light end either way, turned, masked or on glass, with numerals."""
    densities = random_densities(rng, count)
    border = float(rng.choice((0.0, 0.0, 2.5, 4.0)))
    masked = rng.uniform() < 0.35
    step = float(min(rng.uniform(2.5, 10.0), REACH_MM * 0.9 / len(densities)))
    line = float(rng.choice((0.0, 0.0, 0.2, 0.4)))
    layout = WedgeLayout(
        densities=densities if rng.uniform() < 0.8 else densities[::-1],
        place=Place(x_mm=0.0, y_mm=0.0, angle_deg=float(rng.uniform(-3, 3))),
        run=RUNS[int(rng.integers(4))],
        step_mm=step,
        width_mm=float(rng.uniform(max(6.0, 0.8 * step), 25.0)),
        border_mm=border,
        border_density=float(rng.choice((0.05, 0.05, 0.2, 3.0))),
        end_mm=float(rng.choice((0.0, 3.0, 8.0))),
        numerals=bool(rng.uniform() < 0.6),
        line_mm=line if step > 3 else 0.0,
        line_density=float(rng.choice((0.02, 3.0))),
        mask_mm=float(rng.uniform(5, 30)) if masked else 0.0,
        lip_mm=float(rng.choice((0.5, 0.0, -min(border, 2.0)))),
        granularity=float(rng.uniform(3, 12)),
        blemishes=Blemishes(dust=int(rng.integers(0, 25)), fibres=int(rng.integers(0, 3))),
    )
    uncertainty = float(rng.choice((0.01, 0.02, 0.03)))
    errors = rng.normal(0, uncertainty / 2, len(densities))
    stated = tuple(round(max(0.0, d + e), 3) for d, e in zip(layout.densities, errors.tolist(), strict=True))
    size = _scan_round(layout.outline[2:], layout.place.angle_deg, rng)
    placed = replace(layout, place=replace(layout.place, x_mm=size[0][0], y_mm=size[0][1]))
    return DrawnWedge(layout=placed, stated=stated, uncertainty=uncertainty, size_mm=size[1])


def _scan_round(
    piece_mm: tuple[float, ...], angle_deg: float, rng: np.random.Generator, *, least_mm: float = 3.0
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return centre and scan size that leave a random margin round a turned piece."""
    cosine, sine = math.cos(math.radians(angle_deg)), abs(math.sin(math.radians(angle_deg)))
    wide = piece_mm[0] * cosine + piece_mm[1] * sine
    tall = piece_mm[0] * sine + piece_mm[1] * cosine
    left, top, right, bottom = (float(m) for m in rng.uniform(least_mm, least_mm + 12, 4))
    return (left + wide / 2, top + tall / 2), (left + wide + right, top + tall + bottom)


def random_curve(rng: np.random.Generator, *, flat: bool = False) -> FilmCurve:
    """Draw a film and its development: contrast 0.5 to 0.8 (or `flat`: 0.3 to 0.42), base 0.03 to 0.3, fog to 0.25."""
    return FilmCurve(
        base=float(rng.choice((rng.uniform(0.03, 0.1), rng.uniform(0.15, 0.3)), p=(0.75, 0.25))),
        fog=float(min(0.25, rng.gamma(3.0, 0.025))),
        contrast=float(rng.uniform(0.3, 0.42) if flat else rng.uniform(0.5, 0.8)),
        toe=float(rng.uniform(0.1, 0.25)),
        shoulder=float(rng.uniform(0.1, 0.4)),
        maximum_net=float(rng.uniform(2.2, 3.1)),
    )


def random_picture(rng: np.random.Generator, kind: FilmKind = "normal") -> Picture:
    """Draw a scene and an exposure; the kind says what went wrong, if anything."""
    picture = Picture(
        scene=str(rng.choice(sorted(SCENES))),
        seed=int(rng.integers(1, 1_000_000)),
        range_stops=float(rng.uniform(5.0, 8.5)),
        shadow_stops=float(rng.uniform(0.3, 1.8)),
        falloff_stops=float(rng.uniform(0, 0.8)),
        flare=_log_uniform(rng, 0.003, 0.03),
        penumbra_mm=float(rng.uniform(0.08, 0.4)),
        quarter_turns=int(rng.integers(4)),
        mirrored=bool(rng.uniform() < 0.5),
    )
    if kind == "thin":
        return replace(picture, shadow_stops=float(rng.uniform(-4, -1.5)))
    if kind == "dense":
        return replace(picture, shadow_stops=float(rng.uniform(3, 5)))
    if kind == "flat":
        return replace(
            picture, range_stops=float(rng.uniform(2, 4)), scene=str(rng.choice(("foggy-field", "snow-lane")))
        )
    if kind == "vignetted":
        return replace(picture, falloff_stops=float(rng.uniform(3, 9)))
    if kind == "clear-sky":
        return replace(
            picture, scene="night-street", shadow_stops=float(rng.uniform(-6, -3)), range_stops=9.0, flare=0.001
        )
    return picture


def random_sheet(
    rng: np.random.Generator, *, kind: FilmKind | None = None, size_mm: tuple[float, float] | None = None
) -> Bedful:
    """Draw one sheet of film on open glass, turned by up to 3 degrees."""
    film = _loose_sheet(rng, kind, size_mm)
    centre, scan = _scan_round(film.size_mm, film.place.angle_deg, rng)
    return Bedful(pieces=(_moved(film, centre),), size_mm=scan)


def _loose_sheet(rng: np.random.Generator, kind: FilmKind | None, size_mm: tuple[float, float] | None) -> Film:
    chosen = KINDS[int(rng.choice(len(KINDS), p=(0.4, 0.15, 0.15, 0.1, 0.1, 0.05, 0.05)))] if kind is None else kind
    size = SHEETS_MM[int(rng.integers(len(SHEETS_MM)))] if size_mm is None else size_mm
    if size_mm is None and rng.uniform() < 0.5:
        size = (size[1], size[0])
    edges = rng.uniform(3, 5, 4)
    return sheet(
        size_mm=size,
        place=Place(x_mm=0.0, y_mm=0.0, angle_deg=float(rng.uniform(-3, 3))),
        picture=None if chosen == "fog" else random_picture(rng, chosen),
        edge_mm=(float(edges[0]), float(edges[1]), float(edges[2]), float(edges[3])),
        notch=(None, "top-left", "top-right", "bottom-left", "bottom-right")[int(rng.integers(5))],
        curve=random_curve(rng, flat=chosen == "flat"),
        **_wear(rng),
    )


def _wear(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "granularity": float(rng.uniform(5, 16)),
        "edge_shadow": float(rng.choice((0.0, rng.uniform(0.05, 0.4)))),
        "blemishes": Blemishes(
            dust=int(rng.integers(0, 30)),
            fibres=int(rng.integers(0, 4)),
            pinholes=int(rng.integers(0, 6)),
            scratches=int(rng.integers(0, 2)),
        ),
    }


def _moved(film: Film, centre: tuple[float, float]) -> Film:
    return replace(film, place=replace(film.place, x_mm=centre[0], y_mm=centre[1]))


def random_pair(rng: np.random.Generator) -> Bedful:
    """Draw two sheets of one size side by side, 3 to 12 mm apart."""
    size = SHEETS_MM[int(rng.integers(3))]
    first, second = _loose_sheet(rng, None, size), _loose_sheet(rng, None, size)
    (x0, y0), scan0 = _scan_round(size, first.place.angle_deg, rng, least_mm=2.0)
    (x1, y1), scan1 = _scan_round(size, second.place.angle_deg, rng, least_mm=2.0)
    pieces = (_moved(first, (x0, y0)), _moved(second, (scan0[0] + x1, y1)))
    return Bedful(pieces=pieces, size_mm=(scan0[0] + scan1[0], max(scan0[1], scan1[1])))


def random_together(rng: np.random.Generator, *, kind: FilmKind | None = None) -> tuple[Bedful, DrawnWedge]:
    """Draw a wedge and a sheet on one bed, side by side or one above the other; a mask stays on its side."""
    wedge, loose = random_wedge(rng), random_sheet(rng, kind=kind)
    layout = replace(wedge.layout, mask_mm=min(wedge.layout.mask_mm, 2.0))
    film = loose.films[0]
    (wide, tall), (film_wide, film_tall) = wedge.size_mm, loose.size_mm
    beside = tall > wide
    size = (wide + film_wide, max(tall, film_tall)) if beside else (max(wide, film_wide), tall + film_tall)
    if rng.uniform() < 0.5:
        layout = replace(layout, place=_shifted(layout.place, film_wide * beside, film_tall * (not beside)))
    else:
        film = replace(film, place=_shifted(film.place, wide * beside, tall * (not beside)))
    drawn = replace(wedge, layout=layout, size_mm=size)
    return Bedful(pieces=(film, layout), size_mm=size), drawn


def _shifted(place: Place, x_mm: float, y_mm: float) -> Place:
    return replace(place, x_mm=place.x_mm + x_mm, y_mm=place.y_mm + y_mm)


def random_roll(rng: np.random.Generator) -> Bedful:
    """Draw a strip of 35 mm film or of roll film, two to six frames, along or down the bed."""
    small = rng.uniform() < 0.5
    count = int(rng.integers(2, 7)) if small else int(rng.integers(2, 4))
    film = strip(
        place=Place(x_mm=0.0, y_mm=0.0, angle_deg=float(rng.uniform(-2, 2))),
        pictures=[random_picture(rng, KINDS[int(rng.integers(4))]) for _ in range(count)],
        kind="35" if small else "roll",
        frame_mm=(36.0, 24.0) if small else (56.0, 56.0),
        gap_mm=float(rng.uniform(1.5, 2.5) if small else rng.uniform(4, 8)),
        upright=bool(rng.uniform() < 0.5),
        edge_print=bool(rng.uniform() < 0.6),
        curve=random_curve(rng),
        **_wear(rng),
    )
    centre, scan = _scan_round(film.size_mm, film.place.angle_deg, rng)
    return Bedful(pieces=(_moved(film, centre),), size_mm=scan)


def random_held(rng: np.random.Generator, *, cover_mm: float | None = None, kind: FilmKind | None = None) -> Bedful:
    """Draw a sheet in an opaque holder that hides its outermost 0.5 to 2 mm (or `cover_mm`); the bed is black."""
    film = _loose_sheet(rng, kind, None)
    film = replace(film, place=replace(film.place, angle_deg=float(rng.uniform(-0.8, 0.8))))
    centre, scan = _scan_round(film.size_mm, film.place.angle_deg, rng)
    film = _moved(film, centre)
    cover = float(rng.uniform(0.5, 2.0)) if cover_mm is None else cover_mm
    return Bedful(pieces=(film, holder_for(film, cover_mm=cover)), size_mm=scan)


def random_crop(rng: np.random.Generator, *, kind: FilmKind = "normal") -> Bedful:
    """Draw a scan that was cropped inside the frame: no rebate, no edge of the film."""
    if kind == "fog":
        raise WrongUseError("a cropped scan needs a picture, and a fog sheet has none.")
    film = _loose_sheet(rng, kind, None)
    film = replace(film, place=replace(film.place, angle_deg=float(rng.uniform(-1, 1))))
    cut = float(rng.uniform(7, 10))
    size = (film.size_mm[0] - 2 * cut, film.size_mm[1] - 2 * cut)
    return Bedful(pieces=(_moved(film, (size[0] / 2, size[1] / 2)),), size_mm=size)
