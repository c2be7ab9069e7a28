"""One scan as it was read: what every step of a measurement rests on, made once."""

from __future__ import annotations

from dataclasses import dataclass

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.densities import Light, light_on, surveyed_light
from densiscan.errors import WrongUseError
from densiscan.negative.options import MeasureOptions, box_words
from densiscan.negative.parts import Sought
from densiscan.negative.sign_limits import SignLimits
from densiscan.scan.cells import Cells, cells_of
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.scan.survey import Survey


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bench:
    """A scan on the bench.

    Attributes
    ----------
    survey
        The scan read once through the calibration's table, the lamp's unevenness taken out where it is known.
    light
        How densities are read on it.
    cells
        Its survey as a map of densities.
    sought
        What is known before anything is looked for.
    """

    scan: Scan
    calibration: Calibration
    options: MeasureOptions
    survey: Survey
    light: Light
    cells: Cells
    sought: Sought

    @property
    def limits(self) -> SignLimits:
        """Where each sign of what is no negative begins."""
        return self.options.limits.signs


def bench_for(scan: Scan, calibration: Calibration, options: MeasureOptions) -> Bench:
    """Read a scan once, by this calibration.

    Raises
    ------
    MeasureError
        If the calibration cannot be used on this scan.
    WrongUseError
        If a spot or a box is not on the scan.
    """
    _check(scan, options)
    lamp, glare, correct = options.lamp, options.glare, options.correct_glare
    survey = surveyed_light(scan, calibration, lamp=lamp, glare=glare, correct=correct)
    return Bench(
        scan=scan,
        calibration=calibration,
        options=options,
        survey=survey,
        light=light_on(scan, calibration, survey, lamp=lamp, glare=glare, correct=correct),
        cells=cells_of(survey, inverted=calibration.inverted),
        sought=Sought(
            frame_mm=options.frame_mm,
            fog_sheet=options.fog_sheet,
            wedge_mm=options.wedge_mm,
            density_range=calibration.density_range,
            zero_doubt=calibration.quantity(1.0).uncertainty or 0.0,
            file=scan.facts.file,
            limits=options.limits.find,
        ),
    )


def _check(scan: Scan, options: MeasureOptions) -> None:
    file = scan.facts.file
    if options.lamp is not None:
        options.lamp.require_same_bed(scan)
    for x, y in options.spots_mm:
        if not (0 <= x < scan.width_mm and 0 <= y < scan.height_mm):
            raise WrongUseError(
                f"the spot {x:g},{y:g} is not on {file}, which is {scan.width_mm:.1f} x {scan.height_mm:.1f} mm; give "
                "x,y in mm from its top left corner."
            )
    size = f"{scan.width_mm:.1f} x {scan.height_mm:.1f} mm"
    for name, box in (("frame_mm", options.frame_mm), ("rebate_mm", options.rebate_mm)):
        if box is not None and not _on(scan, box):
            raise WrongUseError(
                f"`{name}` {box_words(box)} does not lie on {file}, which is {size}; give "
                "left,top,width,height in mm inside it."
            )


def _on(scan: Scan, box: BoxMm) -> bool:
    left, top, width, height = box
    # half a millimetre beyond is a rounding of the person's, not a mistake
    across = left >= -0.5 and left + width <= scan.width_mm + 0.5
    return across and top >= -0.5 and top + height <= scan.height_mm + 0.5
