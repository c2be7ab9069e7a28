"""The test of a paper from a reflection scan of a print of the wedge.

With a calibration made from a reflection wedge the tones are densities. Without one they are taken relative to the
print's own white and black: what is not known then, the scanner's tone curve and how black the paper is, is tried in
all usual ways, and the differences go into the uncertainty.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from densiscan.calibrate import searched, signal_map
from densiscan.calibration import Calibration
from densiscan.errors import MeasureError, PaperTestError, WedgeNotFoundError
from densiscan.negative_light import Light, light_on, surveyed_light
from densiscan.paper_smooth import smooth_curve
from densiscan.paper_steps import find_printed_steps, steps_in_outline
from densiscan.paper_test import Circumstances, PaperPoint, PaperTest, exposed_through, paper_from_points
from densiscan.quantity import Influence, Quantity, Warning_
from densiscan.scan import Scan
from densiscan.steps import CELL_MM, WedgePlace
from densiscan.survey import Patch, patch
from densiscan.wedge import Wedge

Floats = npt.NDArray[np.float64]
BoxMm = tuple[float, float, float, float]

GAMMAS: Final = (1.0, 1.4, 1.8, 2.2, 2.6)
"""Tone curves that scanners lay on the signal, as powers: linear to somewhat more than the usual 2.2."""
NET_BLACKS: Final = (1.6, 1.9, 2.2)
"""Net maximum densities that papers reach: matt to glossy (common practice)."""
_CLIPPED: Final = 0.02


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
    """

    scan: Scan
    wedge: Wedge
    region_mm: BoxMm | None = None
    outline_mm: BoxMm | None = None
    fixed_mm: BoxMm | None = None
    fixed_base: Quantity | None = None


def paper_from_scan(asked: PrintScan, calibration: Calibration | None, circumstances: Circumstances) -> PaperTest:
    """Return the test of a paper from a scan of a print of the wedge.

    Raises
    ------
    MeasureError
        If the calibration is one for transmission, or a box holds no part of the scan.
    WedgeNotFoundError
        If the printed wedge was not found.
    PaperTestError
        If its tones make no test.
    """
    file = asked.scan.facts.file
    if calibration is not None:
        require_reflection(calibration, file)
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
            f"{file} is a print, and the calibration {calibration.name} is of a wedge read by transmission; calibrate "
            "with the scan of a reflection wedge: densiscan calibrate SCAN --reflection --densities WEDGE.csv"
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
        PaperPoint(log_exposure=exposed_through(step), density=density, step=step.step, box_mm=found.box_mm)
        for step, found, density in zip(steps, place.steps, densities, strict=True)
    )


def light_of_print(scan: Scan, calibration: Calibration) -> Light:
    """Return how densities are read on a scan of a print."""
    seen = surveyed_light(scan, calibration, lamp=None, glare=None, correct=False)
    return light_on(scan, calibration, seen, lamp=None, glare=None, correct=False)


def _by_calibration(
    asked: PrintScan, place: WedgePlace, calibration: Calibration, circumstances: Circumstances
) -> PaperTest:
    smooth = smooth_curve(calibration)
    light = light_of_print(asked.scan, smooth.calibration)
    read = [
        smooth.freed(light.of_box(_inside(step.box_mm), f"print {number}"))
        for number, step in enumerate(place.steps, start=1)
    ]
    fixed = asked.fixed_base
    if asked.fixed_mm is not None:
        fixed = smooth.freed(light.of_box(asked.fixed_mm, "fixed-only piece"))
    test = paper_from_points(_points(asked, place, read), circumstances, method="scan", fixed_base=fixed)
    return replace(test, warnings=(*reading_warnings(asked.scan, calibration, read), *test.warnings))


def reading_warnings(scan: Scan, calibration: Calibration, read: Sequence[Quantity]) -> tuple[Warning_, ...]:
    """Return what is to be said of readings on a print: other settings of the scanner, tones beyond the calibration."""
    told = list(scan.warnings)
    differing = calibration.differences(scan.facts)
    if differing:
        message = f"The scan differs from the one the calibration was made from: {'; '.join(differing)}."
        told.append(Warning_(code="scan-differs-from-calibration", message=message))
    lowest, highest = calibration.density_range
    margin = 0.02
    values = [quantity.value for quantity in read]
    if min(values) < lowest - margin or max(values) > highest + margin:
        told.append(
            Warning_(
                code="beyond-calibration",
                message=f"Tones of {min(values):.2f} to {max(values):.2f} were read, and the reflection wedge goes "
                f"from {lowest:.2f} to {highest:.2f}: what lies outside is less sure, as its uncertainty says.",
            )
        )
    return tuple(told)


def _inside(box: BoxMm) -> BoxMm:
    left, top, width, height = box
    return max(left, 0.0), max(top, 0.0), width, height


def _relative(asked: PrintScan, place: WedgePlace, circumstances: Circumstances) -> PaperTest:
    patches = [patch(asked.scan, box_mm=_inside(step.box_mm)) for step in place.steps]
    if max(one.clipped_dark for one in patches) > _CLIPPED:
        raise PaperTestError(
            f"{asked.scan.facts.file}: the blacks of the print are at the end of the scanner's scale; scan with a "
            "longer exposure, or without contrast added, or calibrate with a reflection wedge."
        )
    fixed = None if asked.fixed_mm is None else patch(asked.scan, box_mm=asked.fixed_mm)
    ways = []
    for gamma, net in itertools.product(GAMMAS, NET_BLACKS):
        densities, base = _as_densities(patches, fixed, gamma, net)
        ways.append(paper_from_points(_points(asked, place, densities), circumstances, method="scan", fixed_base=base))
    middle = ways[len(ways) // 2]
    told = Warning_(
        code="relative-to-own-white-and-black",
        message="Without a calibration by a reflection wedge the tones were taken relative to the print's own white "
        "and black: densities are not known, and R is less sure.",
    )
    black = [way.black_log_exposure for way in ways if way.black_log_exposure is not None]
    fogs = [way.fog for way in ways if way.fog is not None]
    return replace(
        middle,
        iso_range=_among([way.iso_range for way in ways]),
        shadow_log_exposure=_among([way.shadow_log_exposure for way in ways]),
        highlight_log_exposure=_among([way.highlight_log_exposure for way in ways]),
        black_log_exposure=_among(black) if black else None,
        base_plus_fog=None,
        maximum_black=None,
        fog=_among(fogs) if fogs else None,
        relative=True,
        warnings=(*asked.scan.warnings, told, *middle.warnings),
    )


def _as_densities(
    patches: Sequence[Patch], fixed: Patch | None, gamma: float, net: float
) -> tuple[list[Quantity], Quantity | None]:
    """Return densities above the print's white, and the fixed-only piece's, for one tone curve and one net black."""
    signal = np.array([one.clean_mean for one in patches])
    noise = np.array([one.clean_sd / math.sqrt(max(one.independent, 1.0)) for one in patches])
    light = signal**gamma
    white, black = float(np.max(light)), float(np.min(light))
    share = (1.0 - 10.0**-net) / max(white - black, 1e-9)
    relative = 10.0**-net + (light - black) * share
    slope = gamma * signal ** (gamma - 1.0) * share / relative / math.log(10.0)
    densities = [
        Quantity(-math.log10(float(value)), {Influence("patch noise", f"print {number}"): float(doubt)})
        for number, (value, doubt) in enumerate(zip(relative, noise * slope, strict=True), start=1)
    ]
    if fixed is None:
        return densities, None
    of_fixed = max(10.0**-net + (fixed.clean_mean**gamma - black) * share, 1e-6)
    return densities, Quantity(-math.log10(of_fixed))


def _among(ways: Sequence[Quantity]) -> Quantity:
    """Return the middle of what several assumptions give; anything between is equally likely (JCGM 100:2008, 4.3.7)."""
    values = [way.value for way in ways]
    middle = ways[len(ways) // 2]
    half = 0.5 * (max(values) - min(values))
    centred = Quantity(0.5 * (max(values) + min(values)), middle.parts)
    return centred.with_part(Influence("tone curve not known"), half / math.sqrt(3.0))
