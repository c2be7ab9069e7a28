"""The wedge beside the film: a calibration from the very scan that is read with it.

What a scanner does differently today than yesterday (lamp, temperature, settings that somebody changed) it does to
wedge and film alike. An older calibration then has nothing to add but its opinion on how far the scanner has drifted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.wedge import DriftCheck, drift_check
from densiscan.calibration.lamp import Bed, lamp_field
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import MeasureError
from densiscan.negative.options import MeasureOptions
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan
from densiscan.wedge.wedge import Wedge

_OF_PIXELS = "area-of-one-value"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """The wedge that lies beside the film on every scan.

    Attributes
    ----------
    older
        A calibration made before, for the drift check and for what is known of the scanner's glare and lamp.
    bed
        The empty bed.
    """

    wedge: Wedge
    name: str
    channel: str | None = None
    region_mm: BoxMm | None = None
    inverted: bool | None = None
    older: Calibration | None = None
    bed: Bed | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeRead:
    """The wedge as it was read on a scan: its calibration, and how far an older one has drifted from it.

    `drift` is None where there is no older one, or where it has no step in common with the wedge.
    """

    calibration: Calibration
    drift: DriftCheck | None
    warnings: tuple[Warning_, ...] = ()


def wedge_beside(scan: Scan, beside: Beside) -> WedgeRead:
    """Calibrate with the wedge on a scan.

    Raises
    ------
    WedgeNotFoundError, PolarityError, CalibrationError
        As `calibrate` does.
    MeasureError
        If the empty bed cannot be used.
    """
    older = beside.older
    label = Label(name=beside.name, created=_time_of(scan), mode=beside.wedge.mode or "transmission")
    region, way = beside.region_mm, beside.inverted
    made = calibrate(scan, beside.wedge, label=label, region_mm=region, inverted=way, empty_bed=beside.bed)
    # What it says of the file is said of the scan as well.
    of_file = {_OF_PIXELS, *(told.code for told in scan.warnings)}
    made = replace(made, warnings=tuple(told for told in made.warnings if told.code not in of_file))
    if older is None:
        return WedgeRead(calibration=made, drift=None, warnings=made.warnings)
    findings = None if older.findings is None else replace(older.findings, drift=None, drifted=False)
    drift, told = _drift(scan, made, older, beside.bed)
    made = replace(made, findings=findings)
    return WedgeRead(calibration=made, drift=drift, warnings=(*made.warnings, *told))


def _time_of(scan: Scan) -> str:
    """Return when a scan was made, ISO 8601, where the file says it: a scan read twice gives one calibration."""
    date, _, time = (scan.facts.date or "").partition(" ")
    return f"{date.replace(':', '-')}T{time}" if time else date.replace(":", "-")


def _drift(
    scan: Scan, made: Calibration, older: Calibration, bed: Bed | None
) -> tuple[DriftCheck | None, tuple[Warning_, ...]]:
    try:
        lamp = lamp_field(bed, older) if bed is not None and older.knows_lamp else None
        drift = drift_check(scan, made, older, lamp=lamp)
    except MeasureError as problem:
        return None, (Warning_(code="drift-not-checked", message=f"Drift was not checked: {problem}"),)
    # The film is not read with the older one: what else is doubtful about it does not matter.
    return drift, (_drifted(older, drift),) if drift.drifted else ()


def _drifted(older: Calibration, drift: DriftCheck) -> Warning_:
    worst = drift.worst
    return Warning_(
        code="calibration-drifted",
        message=f"The scanner has drifted from the calibration {older.name} by {worst.difference.value:+.2f} at "
        f"density {worst.density:.2f}. These readings use the wedge beside the film and are not affected; calibrate "
        "again before you use that calibration.",
    )


def options_beside(read: WedgeRead, options: MeasureOptions, bed: Bed | None) -> MeasureOptions:
    """Return the options with which a scan is measured by the wedge on it: the wedge is no film."""
    made = read.calibration
    lamp = None if bed is None else lamp_field(bed, made)
    return replace(options, lamp=lamp, wedge_mm=tuple(step.reading.box_mm for step in made.steps))
