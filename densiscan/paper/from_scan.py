"""The test of a paper from a reflection scan of a print of the wedge.

With a calibration made from a reflection wedge the tones are densities. Without one they are taken relative to the
print's own white and black: what is not known then, the scanner's tone curve and how black the paper is, is weighed,
and the differences go into the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import searched, signal_map
from densiscan.errors import MeasureError, PaperTestError, WedgeNotFoundError, WrongUseError
from densiscan.paper.light import PrintLight, print_light
from densiscan.paper.printed_steps import find_printed_steps, steps_in_outline
from densiscan.paper.tested_range import Circumstances, PaperPoint, PaperTest, exposed_through, paper_from_points
from densiscan.paper.uncalibrated import ToneAndBlack, ways_of
from densiscan.paper.uncertainty import glance
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import patch
from densiscan.wedge.find import CELL_MM, WedgePlace
from densiscan.wedge.wedge import Wedge

_CLIPPED: Final = 0.02
_RELATIVE: Final = Warning_(
    code="relative-to-own-white-and-black",
    message="Without a calibration by a reflection wedge the tones were taken relative to the print's own white and "
    "black: densities are not known, and R is less sure; it holds for a scan whose black point nobody has moved.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintScan:
    """A print of the wedge on a scan, and how it is to be read.

    Attributes
    ----------
    region_mm
        Where to look for the printed wedge; the whole scan when None.
    outline_mm
        The printed wedge from its first step to its last, where its ends do not show.
    fixed_mm
        A fixed-only piece of the paper on the same scan.
    fixed_base
        Density of such a piece, read elsewhere.
    net_black
        Net maximum density of the paper where a person knows it; used only where there is no calibration.
    """

    scan: Scan
    wedge: Wedge
    region_mm: BoxMm | None = None
    outline_mm: BoxMm | None = None
    fixed_mm: BoxMm | None = None
    fixed_base: Quantity | None = None
    net_black: float | None = None


def paper_from_scan(asked: PrintScan, calibration: Calibration | None, circumstances: Circumstances) -> PaperTest:
    """Return the test of a paper from a scan of a print of the wedge.

    Raises
    ------
    MeasureError
        If the calibration is one for transmission.
    WrongUseError
        If a box is not on the scan.
    WedgeNotFoundError
        If the printed wedge was not found.
    PaperTestError
        If its tones make no test.
    """
    file = asked.scan.facts.file
    if calibration is not None:
        require_reflection(calibration, file)
    for option, box in (("--fixed", asked.fixed_mm), ("--outline", asked.outline_mm)):
        require_on(asked.scan, box, option)
    place = _place(asked)
    about = replace(circumstances, source=circumstances.source or file)
    if calibration is not None:
        return _by_calibration(asked, place, calibration, about)
    return _relative(asked, place, about)


def require_reflection(calibration: Calibration, file: str) -> None:
    """Check that a calibration is one for prints.

    Raises
    ------
    MeasureError
        If it was made from a transmission wedge.
    """
    if calibration.mode != "reflection":
        raise MeasureError(
            f"{file}: prints need the calibration of a reflection wedge, and {calibration.name} is of a wedge read by "
            "transmission; calibrate with densiscan calibrate SCAN --reflection --densities WEDGE.csv"
        )


def require_on(scan: Scan, box: BoxMm | None, option: str) -> None:
    """Check that a box that a person gave lies on a scan.

    Raises
    ------
    WrongUseError
        If it does not.
    """
    if box is None:
        return
    left, top, width, height = box
    if left < -0.5 or top < -0.5 or left + width > scan.width_mm + 0.5 or top + height > scan.height_mm + 0.5:
        raise WrongUseError(
            f"{option} does not lie on {scan.facts.file}, which is {scan.width_mm:.1f} x {scan.height_mm:.1f} mm; give "
            "left,top,width,height in mm inside it."
        )


def _place(asked: PrintScan) -> WedgePlace:
    scan, count = asked.scan, len(asked.wedge.steps)
    whole = signal_map(scan)
    try:
        if asked.outline_mm is not None:
            return steps_in_outline(whole, count, asked.outline_mm, cell_mm=CELL_MM)
        signal, origin = searched(whole, asked.region_mm, scan)
        return find_printed_steps(signal, count, quantum=1.0 / scan.facts.full_scale, origin_mm=origin)
    except WedgeNotFoundError as problem:
        raise WedgeNotFoundError(f"{scan.facts.file}: {problem}.") from problem


def _points(asked: PrintScan, place: WedgePlace, densities: Sequence[Quantity]) -> tuple[PaperPoint, ...]:
    """Return the points by rising exposure: the wedge's densest step, white on the print, comes first."""
    steps = asked.wedge.lightest_first()[::-1]
    return tuple(
        PaperPoint(log_exposure=exposed_through(step), density=density, step=step.step, box_mm=step_place.box_mm)
        for step, step_place, density in zip(steps, place.steps, densities, strict=True)
    )


def _by_calibration(
    asked: PrintScan, place: WedgePlace, calibration: Calibration, circumstances: Circumstances
) -> PaperTest:
    light = print_light(asked.scan, calibration)
    read = [light.of_box(_inside(step.box_mm), f"print {number}") for number, step in enumerate(place.steps, start=1)]
    fixed = asked.fixed_base
    if asked.fixed_mm is not None:
        fixed = light.of_box(asked.fixed_mm, "fixed-only piece")
    test = paper_from_points(_points(asked, place, read), circumstances, method="scan", fixed_base=fixed)
    return replace(test, warnings=(*reading_warnings(light, calibration, read), *test.warnings))


def reading_warnings(light: PrintLight, calibration: Calibration, read: Sequence[Quantity]) -> tuple[Warning_, ...]:
    """Return what is to be said of readings on a print: other settings of the scanner, tones beyond the calibration."""
    scan = light.light.scan
    warnings = [*scan.warnings, *light.light.survey.warnings, *calibration.mismatch(scan)]
    lowest, highest = calibration.density_range
    margin = 0.02
    values = [quantity.value for quantity in read]
    if min(values) < lowest - margin or max(values) > highest + margin:
        warnings.append(
            Warning_(
                code="beyond-calibration",
                message=f"Tones of {min(values):.2f} to {max(values):.2f} were read, and the reflection wedge goes "
                f"from {lowest:.2f} to {highest:.2f}: what lies outside is less sure, as its uncertainty says.",
            )
        )
    return tuple(warnings)


def _inside(box: BoxMm) -> BoxMm:
    left, top, width, height = box
    return max(left, 0.0), max(top, 0.0), width, height


def _relative(asked: PrintScan, place: WedgePlace, circumstances: Circumstances) -> PaperTest:
    scan = asked.scan
    patches = [patch(scan, box_mm=_inside(step.box_mm)) for step in place.steps]
    if max(one.clipped_dark for one in patches) > _CLIPPED or min(one.clean_mean for one in patches) <= 0.0:
        raise PaperTestError(
            f"{scan.facts.file}: the blacks of the print are at the end of the scanner's scale; scan with a "
            "longer exposure, or without contrast added, or calibrate with a reflection wedge."
        )
    signal = np.array([one.clean_mean for one in patches])
    noise = np.array([one.clean_sd / math.sqrt(max(one.independent, 1.0)) for one in patches])
    ways = ways_of(signal, profile=scan.facts.icc, net_black=asked.net_black)
    if not ways:
        raise PaperTestError(
            f"{scan.facts.file}: the darkest step of the print is too light for a paper's black, whatever the "
            "scanner's tone curve; print the wedge again with more exposure, or calibrate with a reflection wedge."
        )
    fixed = None if asked.fixed_mm is None else np.array([patch(scan, box_mm=asked.fixed_mm).clean_mean])
    points = _points(asked, place, _densities(ways[0], signal, noise))
    of_fixed = None if fixed is None else Quantity(float(ways[0].density(fixed)[0]))
    likeliest = paper_from_points(points, circumstances, method="scan", fixed_base=of_fixed)
    shown = [_shown(way, points, signal, noise, fixed) for way in ways]
    figures = {
        "range": likeliest.iso_range,
        "shadow": likeliest.shadow_log_exposure,
        "highlight": likeliest.highlight_log_exposure,
        "black": likeliest.black_log_exposure,
        "fog": likeliest.fog,
    }
    means = {name: _weighed(name, quantity, ways, shown) for name, quantity in figures.items() if quantity is not None}
    return replace(
        likeliest,
        iso_range=means["range"],
        shadow_log_exposure=means["shadow"],
        highlight_log_exposure=means["highlight"],
        black_log_exposure=means.get("black"),
        base_plus_fog=None,
        maximum_black=None,
        fog=means.get("fog"),
        relative=True,
        warnings=(*scan.warnings, _RELATIVE, *likeliest.warnings),
    )


def _densities(way: ToneAndBlack, signal: Floats, noise: Floats) -> list[Quantity]:
    pairs = zip(way.density(signal).tolist(), way.noise(signal, noise).tolist(), strict=True)
    return [
        Quantity(density, {Influence("patch noise", f"print {number}"): doubt})
        for number, (density, doubt) in enumerate(pairs, start=1)
    ]


def _shown(
    way: ToneAndBlack, points: Sequence[PaperPoint], signal: Floats, noise: Floats, fixed: Floats | None
) -> Mapping[str, float]:
    """Return what one way makes of the print; nothing where it shows no black and white."""
    try:
        figures = glance([point.log_exposure for point in points], _densities(way, signal, noise))
    except ValueError:
        return {}
    if {"shadow", "highlight"} <= figures.keys():
        figures["range"] = 100.0 * (figures["shadow"] - figures["highlight"])
    if fixed is not None:
        figures["fog"] = figures["base"] - float(way.density(fixed)[0])
    return figures


def _weighed(
    name: str, likeliest: Quantity, ways: Sequence[ToneAndBlack], shown: Sequence[Mapping[str, float]]
) -> Quantity:
    """Return the mean of a figure over all ways, with the likeliest's influences and with the spread of the ways."""
    pairs = [(way.weight, figures[name]) for way, figures in zip(ways, shown, strict=True) if name in figures]
    weights, values = (np.array(column) for column in zip(*pairs, strict=True))
    mean = float(weights @ values / weights.sum())
    spread = math.sqrt(float(weights @ (values - mean) ** 2 / weights.sum()))
    return Quantity(mean, likeliest.parts, likeliest.limit).with_part(Influence("tone curve not known"), spread)
