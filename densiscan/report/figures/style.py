"""Figures: one style for all of them, and how they are saved. What is drawn stands in `plots_<topic>`.

matplotlib is imported inside the functions: half a second that only a command pays which draws. Its object interface
alone is used, so that nothing global is left behind and several threads can draw.

The style is made for a page that is printed in gray: every series has a line and a marker of its own, and colour only
helps. Words and axes are drawn in `INK`, which the page of a report lets follow light and dark.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from densiscan.arithmetic.units import MM_PER_INCH
from densiscan.errors import WrongUseError
from densiscan.files.atomic import write_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

SUFFIXES: Final = ("png", "svg", "pdf")
INK: Final = "#201f1c"
"""Text, curves and whatever must be read: contrast with white is 16 to 1."""
SOFT: Final = "#5d5a52"
"""Numbers along an axis and side notes: 6.8 to 1."""
FAINT: Final = "#8a8a86"
"""Lines that nothing rests on."""
HAIR: Final = "#dcd8cd"
"""Hairlines to read off by."""
SHADE: Final = "#ebe8df"
"""A band, such as the usable range: text and lines on it stay legible."""

LOOK: Final = "#a63a12"
"""The one colour that says look here."""

_DOTS_AN_INCH: Final = 200
_TEXT_POINTS: Final = 8.0
_TITLE_POINTS: Final = 12.0
_RULED: Final = "ruled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """How one of several series is told from the others: by line and marker first, by ink second."""

    line: str
    marker: str
    ink: str

    def as_options(self) -> dict[str, Any]:
        """Return the options that the drawing functions take."""
        return {
            "color": self.ink,
            "linestyle": self.line,
            "marker": self.marker,
            "markerfacecolor": "white",
            "markersize": 4.5,
            "linewidth": 1.2,
        }


SERIES: Final = (
    Series(line="-", marker="o", ink=INK),
    Series(line="--", marker="s", ink=LOOK),
    Series(line="-.", marker="^", ink="#2f5d7e"),
    Series(line=":", marker="D", ink="#5c6b1f"),
    Series(line=(0, (6, 1.5, 1, 1.5, 1, 1.5)), marker="v", ink="#6d6d69"),  # type: ignore[arg-type]
)


def series(number: int) -> dict[str, Any]:
    """Return the options for series `number`, from 0; they come round again after the fifth."""
    return SERIES[number % len(SERIES)].as_options()


def new_figure(*, width_mm: float = 150.0, height_mm: float = 100.0, on: Figure | None = None) -> Figure:
    """Return an empty figure of this size on paper; axes are added to it by `subplots` and the like.

    Parameters
    ----------
    on
        An empty figure that somebody else shows: it is brought to this size and returned.
    """
    size = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    if on is not None:
        on.set_size_inches(size)
        return on
    import logging

    # Where it keeps its list of fonts is of no interest to a person who prints, nor that it cannot.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    from matplotlib.figure import Figure

    return Figure(figsize=size, dpi=_DOTS_AN_INCH, layout="constrained", facecolor="white")


def checked_place(path: Path | None) -> Path | None:
    """Return the path where a figure can be written by its ending; None where none was given.

    Raises
    ------
    WrongUseError
        If the ending is none that a figure can have.
    """
    if path is not None and path.suffix.lower().lstrip(".") not in SUFFIXES:
        raise WrongUseError(f"{path} is not a name for a figure; end it in .png, .svg or .pdf.")
    return path


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure whole, as the ending of its name says: png, svg or pdf.

    Raises
    ------
    WrongUseError
        If the ending is another.
    DensiscanError
        If the file cannot be written.
    """
    checked_place(path)
    write_whole(path, _drawn(figure, path.suffix.lower().lstrip(".")), what="the figure")


def figure_svg(figure: Figure, *, key: str, title: str) -> str:
    """Return a figure as an element to stand inside a page: no address, no style of its own, inks of the page.

    The page gives the inks as the colours `--ink`, `--soft`, `--faint`, `--line`, `--shade`, `--paper` and `--ink-1` to
    `--ink-4`, light or dark as it is itself.

    Parameters
    ----------
    key
        Letters and figures that no other figure of the page has: names inside the drawing begin with it.
    title
        What the figure shows, for those who cannot see it; may hold any text.
    """
    from html import escape

    text = _drawn(figure, "svg").decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>", "", text, flags=re.DOTALL)
    # Only within tags: a name that is drawn may look like anything.
    text = re.sub(r"<[^<>]+>", lambda tag: _for_page(tag[0], key), text)
    label = escape(title, quote=True)
    head = f'<svg role="img" aria-label="{label}" class="figure" stroke-linejoin="round" stroke-linecap="butt" '
    return text.replace("<svg ", head, 1).strip()


_PAGE_INKS: Final = (
    (INK, "ink"),
    (FAINT, "faint"),
    (SHADE, "shade"),
    (SOFT, "soft"),
    (HAIR, "line"),
    ("#ffffff", "paper"),
    *((one.ink, f"ink-{number}") for number, one in enumerate(SERIES) if number),
)


def _for_page(tag: str, key: str) -> str:
    """Return one tag of a drawing as a page takes it."""
    tag = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", tag).replace("xlink:href", "href")
    tag = re.sub(r'\sid="([^"]*)"', rf' id="{key}-\1"', tag)
    tag = re.sub(r'href="#([^"]*)"', rf'href="#{key}-\1"', tag)
    tag = re.sub(r"url\(#([^)]*)\)", rf"url(#{key}-\1)", tag)
    tag = re.sub(r'style="([^"]*)"', _as_attributes, tag)
    for ink, name in _PAGE_INKS:
        tag = tag.replace(f'"{ink}"', f'"var(--{name})"')
    return tag


def _as_attributes(style: re.Match[str]) -> str:
    """Return declarations as attributes of the element: a page that lets no foreign style in draws them too."""
    pairs = [declaration.split(":", 1) for declaration in style[1].split(";") if ":" in declaration]
    kept = [(name.strip(), value.strip()) for name, value in pairs if name.strip() != "font-family"]
    return " ".join(f'{name}="{value}"' for name, value in kept)


def _drawn(figure: Figure, suffix: str) -> bytes:
    """Return the figure in its style as the bytes of a file; the same figure gives the same bytes."""
    from matplotlib import rc_context

    # Words stay words: they can be searched, copied and read aloud, and the file stays small.
    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "densiscan",
        "pdf.fonttype": 42,
        "font.family": "sans-serif",
    }
    dated: dict[str, dict[str, Any]] = {
        "svg": {"Date": None, "Creator": "densiscan"},
        "pdf": {"CreationDate": None, "Creator": "densiscan"},
        "png": {"Software": "densiscan"},
    }
    stream = io.BytesIO()
    with rc_context(settings), warnings.catch_warnings():
        # A name in a script that the font has not is drawn as boxes, and in a page or SVG by the reader's own font.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        for axes in figure.axes:
            dress(axes)
        figure.savefig(stream, format=suffix, metadata=dated[suffix])
    return stream.getvalue()


def dress(axes: Axes) -> None:
    """Give axes the style of all figures: hairlines to read off by instead of a box, small plain type."""
    for text in axes.texts:
        text.set_fontsize(_TEXT_POINTS)
    if axes.get_gid() == _RULED:
        axes.tick_params(which="both", color=SOFT, labelcolor=SOFT, labelsize=_TEXT_POINTS)
        return
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set(color=FAINT, linewidth=0.7)
    axes.tick_params(which="both", length=0, color=FAINT, labelcolor=SOFT, labelsize=_TEXT_POINTS)
    axes.tick_params(axis="x", which="major", length=3, width=0.7)
    axes.grid(visible=True, axis="y", color=HAIR, linewidth=0.6)
    axes.set_axisbelow(True)
    for text in (axes.xaxis.label, axes.yaxis.label):
        text.set(color=SOFT, fontsize=_TEXT_POINTS)
    for text in (axes.xaxis.get_offset_text(), axes.yaxis.get_offset_text()):
        text.set_fontsize(_TEXT_POINTS)
    legend = axes.get_legend()
    if legend is not None:
        for text in legend.get_texts():
            text.set(color=SOFT, fontsize=_TEXT_POINTS)


def rule(axes: Axes) -> None:
    """Make the edges of axes rulers: ticks outside, a longer one for each number, and no lines across the picture."""
    axes.set_gid(_RULED)
    axes.tick_params(which="major", direction="out", length=5, width=0.6)
    axes.tick_params(which="minor", direction="out", length=2.2, width=0.4)
    for spine in axes.spines.values():
        spine.set_visible(False)


def head(axes: Axes, title: str) -> None:
    """Write a heading over axes, at their left. Names in it are a person's own words: no dollar sign is a formula."""
    axes.set_title(title, loc="left", color=SOFT, fontsize=_TEXT_POINTS, fontweight="bold", parse_math=False)


def head_figure(figure: Figure, title: str) -> None:
    """Write what a figure is over the whole of it, in the face of answers."""
    figure.suptitle(title, x=0.01, ha="left", fontsize=_TITLE_POINTS, color=INK, fontfamily="serif", parse_math=False)


def legend_below(axes: Axes, *, columns: int = 2) -> None:
    """Put the legend of axes under them and their label, where it covers nothing."""
    from matplotlib.transforms import ScaledTranslation

    down = 30.0 if axes.get_xlabel() else 18.0
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=axes.transAxes + ScaledTranslation(0.0, -down / 72.0, axes.figure.dpi_scale_trans),
        borderaxespad=0.0,
        borderpad=0.0,
        ncols=columns,
        frameon=False,
        fontsize=_TEXT_POINTS,
        handlelength=2.4,
        columnspacing=1.6,
    )


def plain_logarithmic(axis: Axis) -> None:
    """Write the numbers along a logarithmic axis as people do: 0.001, not a power."""
    from matplotlib.ticker import FuncFormatter, LogLocator

    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=12))
    axis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:g}"))
    axis.set_minor_formatter(FuncFormatter(lambda _value, _place: ""))


def spread_bars(axes: Axes, x: Sequence[float], y: Sequence[float], expanded: Sequence[float], number: int = 0) -> None:
    """Draw points with bars over their expanded uncertainty (k = 2), in the marker of series `number`."""
    look = SERIES[number % len(SERIES)]
    axes.errorbar(
        x,
        y,
        yerr=expanded,
        linestyle="none",
        marker=look.marker,
        markersize=4.5,
        markerfacecolor="white",
        color=look.ink,
        elinewidth=0.9,
        capsize=0.0,
    )
