"""Draw the pictures of docs/first.md from the sample scans: python docs/draw_pictures.py."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import imagecodecs
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from densiscan.cli.app import run
from densiscan.cli.samples import sample_scans
from densiscan.report.figures.style import INK, new_figure, save_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HERE: Final = Path(__file__).resolve().parent
SAMPLES: Final = sample_scans()
MARK: Final = "#b3261e"


def scan_drawn(scan: Path, *, height_mm: float) -> tuple[Any, Axes]:
    """Return a figure of a scan with a ruler in mm, and its axes. The sample scans have 300 pixels an inch."""
    import tifffile

    pixels = tifffile.imread(scan)
    rows, columns = (count * 25.4 / 300.0 for count in pixels.shape)
    # Five bits are enough to look at, and make the file half as large.
    pixels = pixels >> 11 << 11
    figure = new_figure(width_mm=130.0, height_mm=height_mm)
    axes = figure.subplots()
    axes.imshow(pixels, cmap="gray", extent=(0.0, columns, rows, 0.0), vmin=0, vmax=65535)
    axes.set(xlabel="mm", ylabel="mm")
    return figure, axes


def box(axes: Axes, box_mm: list[float], *, angle_deg: float = 0.0, **style: Any) -> None:
    """Draw a box, turned about its middle: clockwise on the scan, where y points down."""
    left, top, width, height = box_mm
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) / 2.0 * (width, height)
    turn = np.radians(angle_deg)
    turned = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    x, y = turned.T
    axes.plot(x + left + width / 2.0, y + top + height / 2.0, **style)


def wedge_picture(calibration: dict[str, Any]) -> None:
    """Draw the wedge as it is scanned, and the places where each step is read."""
    figure, axes = scan_drawn(SAMPLES.wedge, height_mm=42.0)
    for step in calibration["steps"]:
        box(axes, step["box_mm"], color=MARK, linewidth=0.7)
    save_figure(figure, HERE / "first-wedge.png")


def negative_picture(reading: dict[str, Any], scan: Path) -> None:
    """Draw the negative as it is scanned, and what was found on it."""
    figure, axes = scan_drawn(scan, height_mm=98.0)
    outline = {"angle_deg": reading["angle_deg"], "linewidth": 1.2}
    box(axes, reading["film_mm"], color=INK, linestyle="--", label="edge of the film", **outline)
    box(axes, reading["frame_mm"], color=MARK, label="frame", **outline)
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False, fontsize=8)
    save_figure(figure, HERE / "first-negative.png")


def main() -> None:
    """Run the commands of the page, and draw what they found."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["DENSISCAN_NOTEBOOK"] = str(folder / "notebook.sqlite")
        made, marked, readings = folder / "made.json", folder / "marked.png", folder / "readings.json"
        wedge = ("calibrate", SAMPLES.wedge, "--densities", SAMPLES.densities, "--out", made)
        run([str(word) for word in (*wedge, "--name", "mine", "--plot", HERE / "first-calibration.png", "--overwrite")])
        scan, leak = SAMPLES.folder / "normal.tif", SAMPLES.folder / "leak.tif"
        run([str(word) for word in ("measure", leak, "--calibration", made, "--marked", marked)])
        pixels = imagecodecs.png_decode(marked.read_bytes())
        pixels = pixels[..., :3]
        rows, columns = (count // 2 for count in pixels.shape[:2])
        half = pixels[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2, 3).mean(axis=(1, 3))
        (HERE / "first-leak.png").write_bytes(imagecodecs.png_encode(half.astype(np.uint8), level=9))
        sheet = readings.open("w", encoding="utf-8")
        with sheet:
            stdout, sys.stdout = sys.stdout, sheet
            run([str(word) for word in ("measure", scan, "--calibration", made, "--json")])
            sys.stdout = stdout
        wedge_picture(json.loads(made.read_text(encoding="utf-8")))
        negative_picture(json.loads(readings.read_text(encoding="utf-8"))["readings"][0], scan)
    for picture in HERE.glob("first-*.png"):
        made_small(picture)


def made_small(picture: Path) -> None:
    """Write a picture anew with 48 colours: enough for ink on gray, and a third of the size."""
    from PIL import Image

    with Image.open(picture) as opened:
        few = opened.convert("RGB").quantize(48)
    few.save(picture, optimize=True)


if __name__ == "__main__":
    main()
