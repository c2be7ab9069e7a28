"""Draw the pictures that explain, all invented: python docs/draw_lessons.py.

How to lay things on the glass, what thin and dense negatives look like beside their prints, faults on film, the scale
of grades, a test strip, and the drawings of the glossary.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from densiscan.report.figures.style import FAINT, INK, SHADE, new_figure, save_figure
from densiscan.report.page.pictures import negative_gray, print_gray, smaller
from tests.renderer.bed import Place
from tests.renderer.faults import AirBell, Bands, Blemishes, DryingMark, EdgeDensity, Fault, Leak
from tests.renderer.film import FilmCurve
from tests.renderer.pieces import sheet
from tests.renderer.render import render_bed
from tests.renderer.sample_set import NORMAL
from tests.renderer.scanner import Scanner
from tests.renderer.scenes import Picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from PIL.Image import Image

Floats = NDArray[np.float64]
HERE: Final = Path(__file__).resolve().parent
MARK: Final = "#b3261e"
SMALL: Final = 6.5
COLOURS: Final = 64
IDEAL: Final = Scanner(ppi=150.0, glare=0.0, lamp=0.0)
FILM_MM: Final = (63.0, 44.0)


def density_of(picture: Picture | None, curve: FilmCurve = NORMAL, **film: Any) -> Floats:
    """Return the density of a piece of film, drawn by the tests' renderer, the film alone."""
    place = Place(x_mm=FILM_MM[0] / 2.0, y_mm=FILM_MM[1] / 2.0)
    piece = sheet(size_mm=FILM_MM, place=place, picture=picture, curve=curve, edge_mm=3.0, notch=None, **film)
    codes = np.asarray(render_bed([piece], IDEAL, seed=7, size_mm=FILM_MM).codes, np.float64)
    return np.asarray(-np.log10(np.maximum(codes, 1.0) / 65535.0))


def bare(axes: Axes, title: str = "", below: str = "") -> None:
    """Leave a picture or a drawing without axes."""
    axes.set_axis_off()
    axes.set_title(title, fontsize=7.5, color=INK, pad=3)
    if below:
        axes.text(0.5, -0.03, below, transform=axes.transAxes, ha="center", va="top", fontsize=SMALL, color=INK)


def thousandths(density: Floats) -> NDArray[np.int16]:
    """Return densities as the pictures of a page take them."""
    return np.asarray(np.clip(density * 1000.0, 0.0, 32767.0), np.int16)


def on_light_table(density: Floats) -> Floats:
    """Return a negative as gray beside a lamp that is the same for all: 0.1 is as bright as the screen gets."""
    light = 10.0 ** np.minimum(0.1 - density, 0.0)
    return np.asarray(light ** (1.0 / 2.2))


def negatives() -> None:
    """Draw three exposures of one scene, each above the print on the grade that suits it."""
    picture = Picture(scene="mill", seed=5, range_stops=7.0, falloff_stops=0.4, flare=0.006)
    kinds = (
        ("thin: underexposed", -2.4, "grade 4; the shadows stay empty"),
        ("normal", 0.6, "grade 2"),
        ("dense: overexposed", 3.6, "grade 2, but three times as long"),
    )
    figure = new_figure(width_mm=130.0, height_mm=60.0)
    above, below = figure.subplots(2, 3)
    for over, under, (name, stops, grade) in zip(above, below, kinds, strict=True):
        density = density_of(replace(picture, shadow_stops=stops), granularity=3.0)
        over.imshow(on_light_table(density), cmap="gray", vmin=0.0, vmax=1.0)
        bare(over, name)
        rows, columns = (int(3.2 / 25.4 * 150.0),) * 2
        inside = density[rows:-rows, columns:-columns]
        low, high = np.quantile(inside, (0.01, 0.99))
        width = max(float(high - low), 0.7)
        gray = print_gray(thousandths(inside), middle=float(low + high) / 2.0, paper_range=width)
        under.imshow(smaller(gray, 300), cmap="gray", vmin=0, vmax=255)
        bare(under, below=grade)
    save_figure(figure, HERE / "negatives.png")


def findings() -> None:
    """Draw faults on unexposed film, their contrast raised so that they show at this size."""
    fogged = FilmCurve(base=0.06, fog=0.30, contrast=0.57, maximum_net=2.7)
    blemished: dict[str, Any] = {
        "scratch": {"blemishes": Blemishes(scratches=3)},
        "pinholes": {"blemishes": Blemishes(pinholes=14)},
        "dust": {"blemishes": Blemishes(dust=10, fibres=4)},
    }
    faulty: dict[str, Fault] = {
        "light leak": Leak(side="bottom", at_mm=22.0, width_mm=5.0, depth_mm=6.0, net_density=0.35),
        "drying mark": DryingMark(x_mm=38.0, y_mm=20.0, diameter_mm=12.0, amount=0.14),
        "air bell": AirBell(x_mm=26.0, y_mm=22.0, diameter_mm=7.0, share=0.5),
        "bands": Bands(amount=0.12, period_mm=11.0, upright=True),
        "dense edges": EdgeDensity(amount=0.2, depth_mm=5.0),
    }
    order = ("light leak", "streak", "drying mark", "air bell", "bands", "dense edges", "scratch", "pinholes", "dust")
    figure = new_figure(width_mm=110.0, height_mm=90.0)
    for axes, name in zip(figure.subplots(3, 3).ravel(), order, strict=True):
        faults = (faulty[name],) if name in faulty else ()
        density = density_of(None, fogged, faults=faults, granularity=2.0, **blemished.get(name, {}))
        if name == "streak":
            away = np.abs(np.arange(density.shape[1]) - 0.62 * density.shape[1]) / density.shape[1]
            density = density + 0.14 * np.exp(-0.5 * (away / 0.012) ** 2)
        gray = 0.62 - 1.6 * (density - np.median(density))
        # A speck thinner than a pixel of the page would be averaged away: the strongest of each block is kept.
        gray = strongest(gray, 2) if name in blemished else gray[::2, ::2]
        axes.imshow(np.clip(gray, 0.0, 1.0), cmap="gray", vmin=0.0, vmax=1.0, interpolation="nearest")
        bare(axes, name)
    save_figure(figure, HERE / "findings.png")


def strongest(gray: Floats, side: int) -> Floats:
    """Return one pixel a block: that which stands off the most from the middle."""
    rows, columns = (count // side for count in gray.shape)
    blocks = gray[: rows * side, : columns * side].reshape(rows, side, columns, side).swapaxes(1, 2)
    flat = blocks.reshape(rows, columns, side * side)
    chosen = np.abs(flat - np.median(gray)).argmax(axis=2)
    return np.asarray(np.take_along_axis(flat, chosen[..., None], axis=2)[..., 0])


def strip() -> None:
    """Draw one print in five times, a third of a stop apart."""
    picture = Picture(scene="mill", seed=5, range_stops=7.0, shadow_stops=0.6, falloff_stops=0.4, flare=0.006)
    edge = int(3.2 / 25.4 * 150.0)
    density = density_of(picture, granularity=3.0)[edge:-edge, edge:-edge]
    low, high = np.quantile(density, (0.01, 0.99))
    middle, width = float(low + high) / 2.0, float(high - low)
    times = ("7 s", "9 s", "11 s", "14 s", "18 s")
    columns = np.linspace(0, density.shape[1], 6).astype(int)
    gray = np.empty(density.shape, np.uint8)
    for number, (left, right) in enumerate(pairwise(columns)):
        exposed = middle + 0.16 * (number - 2)
        gray[:, left:right] = print_gray(thousandths(density), middle=exposed, paper_range=width)[:, left:right]
    figure = new_figure(width_mm=100.0, height_mm=75.0)
    axes = figure.subplots()
    axes.imshow(smaller(gray, 700), cmap="gray", vmin=0, vmax=255, extent=(0.0, 5.0, 0.0, 3.3))
    for number, time in enumerate(times):
        axes.text(number + 0.5, 3.4, time, ha="center", va="bottom", fontsize=8, color=INK)
        axes.axvline(number, color="white", linewidth=0.6)
    said = (
        "highlights are\nbare paper",
        "",
        "highlights just\nhave a tone:\nthis time",
        "",
        "highlights gray,\nshadows closed",
    )
    for number, words in enumerate(said):
        weight = "bold" if number == 2 else "normal"
        axes.text(number + 0.5, -0.1, words, ha="center", va="top", fontsize=SMALL, color=INK, weight=weight)
    axes.set(xlim=(0.0, 5.0), ylim=(-0.75, 3.7))
    bare(axes)
    save_figure(figure, HERE / "test-strip.png")


def grades() -> None:
    """Draw the density ranges of the grades, and the bracket of a negative on them."""
    ends = ((5, 0.50, 0.65), (4, 0.65, 0.80), (3, 0.80, 0.95), (2, 0.95, 1.15), (1, 1.15, 1.41), (0, 1.41, 1.70))
    figure = new_figure(width_mm=130.0, height_mm=34.0)
    axes = figure.subplots()
    for grade, low, high in ends:
        axes.fill_betweenx((0.0, 1.0), low, high, color=str(0.70 + 0.045 * (5 - grade)), linewidth=0)
        axes.axvline(low, 0.0, 1.0 / 2.0, color="white", linewidth=1.0)
        axes.text((low + high) / 2.0, 0.5, f"grade {grade}", ha="center", va="center", fontsize=SMALL, color=INK)
    value, doubt = 1.08, 0.02
    axes.plot(
        (value - doubt, value - doubt, value + doubt, value + doubt), (1.08, 1.24, 1.24, 1.08), color=MARK, lw=1.4
    )
    axes.text(value, 1.32, "a negative of 1.08 ± 0.02", ha="center", va="bottom", fontsize=SMALL, color=MARK)
    axes.text(0.50, 1.32, "hard paper, flat negative", ha="left", va="bottom", fontsize=SMALL, color=INK)
    axes.text(1.70, 1.32, "soft paper, contrasty negative", ha="right", va="bottom", fontsize=SMALL, color=INK)
    axes.set(xlim=(0.5, 1.7), ylim=(0.0, 2.0), yticks=(), xlabel="density range, as the light of the print sees it")
    axes.spines[["left", "right", "top"]].set_visible(False)
    save_figure(figure, HERE / "grades.png")


def box(axes: Axes, place: tuple[float, float, float, float], **style: Any) -> None:
    """Draw a box: left, top, width and height."""
    from matplotlib.patches import Rectangle

    left, top, width, height = place
    axes.add_patch(Rectangle((left, top), width, height, **style))


def note(axes: Axes, words: str, at: tuple[float, float], to: tuple[float, float], **style: Any) -> None:
    """Write words at `at`, with a line to what they speak of."""
    arrow = {"arrowstyle": "-", "color": INK, "linewidth": 0.6, "shrinkA": 1, "shrinkB": 0}
    axes.annotate(words, to, at, fontsize=SMALL, color=INK, arrowprops=arrow, va="center", **style)


def wedge_on(axes: Axes, place: tuple[float, float, float, float]) -> None:
    """Draw a step wedge, clear on the left."""
    left, top, width, height = place
    steps = 10
    for step in range(steps):
        gray = 0.95 * 10.0 ** (-0.11 * step)
        piece = (left + width * step / steps, top, width / steps, height)
        box(axes, piece, facecolor=str(gray), edgecolor="none")
    box(axes, place, fill=False, edgecolor=INK, linewidth=0.6)


def laying() -> None:
    """Draw, four times, the scanner's bed from above, 210 x 140 mm of it."""
    figure = new_figure(width_mm=150.0, height_mm=112.0)
    plots = figure.subplots(2, 2).ravel()
    for axes in plots:
        box(axes, (0.0, 0.0, 210.0, 140.0), facecolor="#f4f7f8", edgecolor=INK, linewidth=1.0)
        axes.set(xlim=(-2.0, 212.0), ylim=(186.0, -4.0), aspect="equal")
    card = {"facecolor": "#3a3a38", "edgecolor": "none"}
    film = {"facecolor": "#c9c9c4", "edgecolor": INK, "linewidth": 0.6}
    wedge, negative, both, slot = plots
    box(wedge, (20.0, 32.0, 170.0, 76.0), **card)
    wedge_on(wedge, (45.0, 60.0, 120.0, 20.0))
    note(wedge, "black mask, close round the wedge", (105.0, 160.0), (105.0, 100.0), ha="center")
    bare(wedge, "The wedge: straight, in the middle")
    box(negative, (38.0, 18.0, 134.0, 104.0), **card)
    box(negative, (45.0, 25.0, 120.0, 90.0), **film)
    box(negative, (53.0, 33.0, 104.0, 74.0), facecolor="#75756f", edgecolor="none")
    note(negative, "clear edges of the film, all in the scan", (105.0, 160.0), (105.0, 111.0), ha="center")
    bare(negative, "A negative: masked, emulsion down")
    wedge_on(both, (45.0, 12.0, 120.0, 18.0))
    box(both, (45.0, 46.0, 120.0, 84.0), **film)
    box(both, (53.0, 54.0, 104.0, 68.0), facecolor="#75756f", edgecolor="none")
    between = {"arrowstyle": "<->", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    both.annotate("", (105.0, 30.0), (105.0, 46.0), arrowprops=between)
    both.text(110.0, 38.0, "a finger's width", fontsize=SMALL, color=INK, va="center")
    both.text(
        105.0, 160.0, "the wedge in the same place each time", fontsize=SMALL, color=INK, va="center", ha="center"
    )
    bare(both, "Best: wedge and film in one scan")
    box(slot, (0.0, 0.0, 210.0, 140.0), **card)
    box(slot, (100.0, 55.0, 10.0, 30.0), facecolor="white", edgecolor="none")
    note(slot, "one clear slot, 10 x 30 mm", (105.0, 160.0), (105.0, 86.0), ha="center")
    slot.plot((105.0, 105.0), (86.0, 140.0), color="white", linewidth=0.6)
    bare(slot, "For glare: black card over the whole bed")
    save_figure(figure, HERE / "laying.png")


def glossary_film() -> None:
    """Draw the curve of a film with its parts, and a sheet of film with its parts."""
    figure = new_figure(width_mm=150.0, height_mm=72.0)
    curve, film = figure.subplots(1, 2, width_ratios=(1.35, 1.0))
    log_h = np.linspace(-3.4, 0.6, 200)
    base, most, gamma, toe = 0.14, 1.9, 0.72, 0.35
    net = gamma * toe * np.log10(1.0 + 10.0 ** ((log_h + 2.4) / toe))
    density = base + net / (1.0 + (net / most) ** 6) ** (1.0 / 6.0)
    curve.plot(log_h, density, color=INK, linewidth=1.4)
    speed = float(np.interp(base + 0.10, density, log_h))
    curve.plot((-3.4, speed), (base, base), color=FAINT, linewidth=0.7, linestyle="--")
    curve.plot(speed, base + 0.10, "o", color=MARK, markersize=4)
    further = speed + 1.5
    curve.plot((speed, further), (base + 0.10, np.interp(further, log_h, density)), color="#2f5d7e", linewidth=0.9)
    note(curve, "speed point,\n0.10 above\nbase plus fog", (-3.3, 0.68), (speed, base + 0.12), ha="left")
    note(curve, "average gradient:\nslope of this line", (-0.9, 0.42), (speed + 0.75, 0.72), ha="left")
    curve.text(-3.38, base - 0.03, "base plus fog", fontsize=SMALL, color=INK, va="top")
    note(curve, "straight part,\nits slope is gamma", (-1.9, 1.62), (-0.75, 1.33), ha="center")
    curve.text(speed + 0.22, 0.26, "toe", fontsize=SMALL, color=INK)
    curve.text(0.22, 1.58, "shoulder", fontsize=SMALL, color=INK, ha="center")
    curve.set(xlabel="log exposure (0.30 is a stop)", ylabel="density", ylim=(0.0, 2.1), xlim=(-3.4, 0.6))
    gray = negative_gray(thousandths(density_of(Picture(scene="mill", seed=5, shadow_stops=0.6), granularity=8.0)))
    film.imshow(smaller(gray, 300), cmap="gray", extent=(0.0, 63.0, 44.0, 0.0), vmin=0, vmax=255)
    box(film, (0.0, 0.0, 63.0, 44.0), fill=False, edgecolor=INK, linewidth=0.8)
    box(film, (3.0, 3.0, 57.0, 38.0), fill=False, edgecolor=MARK, linewidth=0.9)
    film.plot(24.0, 17.0, "o", markersize=5, markerfacecolor="none", markeredgecolor=MARK)
    note(film, "rebate: read for base plus fog", (31.0, 53.0), (8.0, 42.5), ha="center")
    note(film, "frame", (45.0, -7.0), (45.0, 3.0), ha="center")
    note(film, "aperture", (16.0, -7.0), (23.6, 16.0), ha="center")
    film.set(xlim=(-3.0, 66.0), ylim=(58.0, -12.0))
    bare(film)
    save_figure(figure, HERE / "glossary-film.png")


def glossary_paper() -> None:
    """Draw the curve of a paper with its range, and the two kinds of enlarger."""
    figure = new_figure(width_mm=150.0, height_mm=72.0)
    curve, light = figure.subplots(1, 2, width_ratios=(1.2, 1.0))
    log_h = np.linspace(-0.4, 1.6, 200)
    base, net, slope = 0.08, 1.85, 6.1
    density = base + net / (1.0 + np.exp(-(log_h - 0.7) * slope))
    first, full = (float(np.interp(base + part, density, log_h)) for part in (0.04, 0.9 * net))
    curve.plot(log_h, density, color=INK, linewidth=1.4)
    for place, level in ((first, base + 0.04), (full, base + 0.9 * net)):
        curve.plot((place, place), (-0.16, level), color=FAINT, linewidth=0.7, linestyle="--")
        curve.plot(place, level, "o", color=MARK, markersize=4)
    ends = {"arrowstyle": "<->", "color": MARK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0}
    curve.annotate("", (first, -0.12), (full, -0.12), arrowprops=ends)
    middle = (first + full) / 2.0
    curve.text(middle, -0.16, "log exposure range; R is 100 times this", ha="center", va="top", fontsize=SMALL)
    note(curve, "first tone", (-0.2, 0.5), (first, base + 0.05), ha="center")
    note(curve, "90 % of the black", (0.35, 1.72), (full - 0.01, base + 0.9 * net), ha="center")
    curve.text(1.58, base + net + 0.03, "maximum black", ha="right", va="bottom", fontsize=SMALL, color=INK)
    curve.set(xlabel="log exposure", ylabel="density of the print", ylim=(-0.36, 2.2), xlim=(-0.4, 1.6))
    rays = (4.0, 6.0, 8.0, 10.0)
    for left, name in ((0.0, "condenser"), (24.0, "diffusion")):
        if name == "condenser":
            light.plot(left + 7.0, 2.0, "o", color=INK, markersize=5)
            for ray in rays:
                light.plot((left + 7.0, left + ray, left + ray), (2.0, 9.0, 16.0), color=FAINT, linewidth=0.7)
            bend = np.linspace(-1.0, 1.0, 50)
            light.fill_between(
                left + 7.0 + 5.0 * bend, 9.5 - 1.5 * (1 - bend**2), 9.5, color=SHADE, edgecolor=INK, lw=0.6
            )
        else:
            light.plot(left + 7.0, 2.0, "o", color=INK, markersize=5)
            box(light, (left + 2.0, 8.5, 10.0, 1.2), facecolor=SHADE, edgecolor=INK, linewidth=0.6)
            for ray in rays:
                light.plot((left + 7.0, left + ray), (2.0, 8.5), color=FAINT, linewidth=0.7)
                for away in (-2.5, 0.0, 2.5):
                    light.plot((left + ray, left + ray + away), (9.7, 16.0), color=FAINT, linewidth=0.5)
        box(light, (left + 2.0, 16.0, 10.0, 0.8), facecolor="#75756f", edgecolor=INK, linewidth=0.6)
        light.text(left + 7.0, 18.4, name, ha="center", va="top", fontsize=7.5, color=INK)
        aid = "lens" if name == "condenser" else "opal glass"
        light.text(left + 12.6, 9.1, aid, ha="left", va="center", fontsize=SMALL, color=INK)
        light.text(left + 12.6, 16.4, "negative", ha="left", va="center", fontsize=SMALL, color=INK)
    light.set(xlim=(-1.0, 44.0), ylim=(21.0, -1.0))
    bare(light)
    save_figure(figure, HERE / "glossary-paper.png")


GRAY: Final = ("negatives", "findings", "test-strip")


def in_grays(picture: Image) -> Image:
    """Return a picture in as many even grays."""
    step = 256 // COLOURS
    return picture.convert("L").point(lambda gray: min(round(gray / step) * step, 255))


DRAWINGS: Final[dict[str, Callable[[], None]]] = {
    "negatives": negatives,
    "findings": findings,
    "test-strip": strip,
    "grades": grades,
    "laying": laying,
    "glossary-film": glossary_film,
    "glossary-paper": glossary_paper,
}


def main(names: list[str]) -> None:
    """Draw all pictures, or those named."""
    import PIL.Image

    for name in names or list(DRAWINGS):
        DRAWINGS[name]()
        picture = HERE / f"{name}.png"
        with PIL.Image.open(picture) as opened:
            few = in_grays(opened) if name in GRAY else opened.convert("RGB").quantize(COLOURS)
        few.save(picture, optimize=True)
        sys.stdout.write(f"{picture.stat().st_size:>9,}  {picture.name}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
