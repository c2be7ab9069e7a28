"""Whether a scanner is to be trusted: what a person can check with a wedge, an empty bed and a slot, together.

Each check stands alone; one that fails is told and does not stop the others. How each is made stands in
`scanner_wedge`, `scanner_bed` and `scanner_slot`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.check.bed import BedCheck, bed_check
from densiscan.calibration.check.slot import SlotCheck, slot_check
from densiscan.calibration.check.wedge import LEAST_RATIO, DriftCheck, WedgeCheck, drift_check, wedge_check
from densiscan.calibration.findings import Findings
from densiscan.calibration.lamp import Bed, LampField, lamp_field, read_bed
from densiscan.calibration.make import Label, calibrate
from densiscan.errors import DensiscanError
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan, open_scan
from densiscan.wedge.wedge import Wedge


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What to check, and how to open the scans.

    Attributes
    ----------
    wedge_scan, wedge
        Scan of the wedge and its densities, both or neither.
    empty_bed, slot
        Scans of the empty bed, and of the black mask with one slot.
    in_use
        The calibration that negatives are read with.
    inverted
        Whether clear film is dark; told from the wedge or the calibration where None.
    channel, ppi, page
        As `open_scan` takes them.
    """

    wedge_scan: Path | None = None
    wedge: Wedge | None = None
    empty_bed: Path | None = None
    slot: Path | None = None
    in_use: Calibration | None = None
    region_mm: BoxMm | None = None
    inverted: bool | None = None
    channel: str | None = None
    ppi: float | None = None
    page: int | None = None
    least_ratio: float = LEAST_RATIO


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedCheck:
    """A check that could not be made: "wedge", "drift", "empty bed" or "slot", and why."""

    part: str
    file: str
    code: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannerCheck:
    """What the checks found; None where one was not asked for or failed."""

    wedge: WedgeCheck | None = None
    empty_bed: BedCheck | None = None
    drift: DriftCheck | None = None
    slot: SlotCheck | None = None
    failed: tuple[FailedCheck, ...] = ()

    @property
    def warnings(self) -> tuple[Warning_, ...]:
        """Everything a person should know, each once."""
        parts = (self.wedge, self.drift, self.empty_bed, self.slot)
        return tuple(dict.fromkeys(warning for part in parts if part is not None for warning in part.warnings))


class _Guard:
    """Keeps a check that fails from stopping the next."""

    def __init__(self) -> None:
        self.failed: list[FailedCheck] = []

    def failure(self, part: str, file: Path, problem: DensiscanError) -> None:
        self.failed.append(FailedCheck(part=part, file=file.name, code=problem.code, message=str(problem)))


def check_scanner(asked: Asked) -> ScannerCheck:
    """Make every check that was asked for.

    The curve that turns signal into light is that of the wedge scanned now, else the calibration in use; without either
    the signal is taken as light.
    """
    guard = _Guard()
    now, wedge, wedge_scan = _wedge_part(asked, guard)
    curve = now or asked.in_use
    bed, checked_bed = _bed_part(asked, curve, guard)
    return ScannerCheck(
        wedge=wedge,
        empty_bed=checked_bed,
        drift=_drift_part(asked, now, wedge_scan, bed, guard),
        slot=_slot_part(asked, curve, guard),
        failed=tuple(guard.failed),
    )


def _opened(asked: Asked, path: Path) -> Scan:
    channel = asked.channel or (None if asked.in_use is None else asked.in_use.channel)
    return open_scan(path, ppi=asked.ppi, channel=channel, page=asked.page)


def _wedge_part(asked: Asked, guard: _Guard) -> tuple[Calibration | None, WedgeCheck | None, Scan | None]:
    if asked.wedge_scan is None or asked.wedge is None:
        return None, None, None
    try:
        scan = _opened(asked, asked.wedge_scan)
        way = asked.inverted if asked.in_use is None or asked.inverted is not None else asked.in_use.inverted
        label = Label(name=asked.wedge_scan.stem, created="", mode=asked.wedge.mode or "transmission")
        now = calibrate(scan, asked.wedge, label=label, region_mm=asked.region_mm, inverted=way)
        return now, wedge_check(now, least_ratio=asked.least_ratio), scan
    except DensiscanError as problem:
        guard.failure("wedge", asked.wedge_scan, problem)
        return None, None, None


def _drift_part(
    asked: Asked, now: Calibration | None, scan: Scan | None, bed: Bed | None, guard: _Guard
) -> DriftCheck | None:
    if asked.in_use is None or asked.wedge_scan is None or now is None or scan is None:
        return None
    try:
        lamp = lamp_field(bed, asked.in_use) if bed is not None and asked.in_use.knows_lamp else None
        return drift_check(scan, now, asked.in_use, lamp=lamp)
    except DensiscanError as problem:
        guard.failure("drift", asked.wedge_scan, problem)
        return None


def _bed_part(asked: Asked, curve: Calibration | None, guard: _Guard) -> tuple[Bed | None, BedCheck | None]:
    if asked.empty_bed is None:
        return None, None
    try:
        scan = _opened(asked, asked.empty_bed)
        bed = read_bed(scan)
        return bed, bed_check(scan, bed, curve=curve, inverted=bool(asked.inverted))
    except DensiscanError as problem:
        guard.failure("empty bed", asked.empty_bed, problem)
        return None, None


def _slot_part(asked: Asked, curve: Calibration | None, guard: _Guard) -> SlotCheck | None:
    if asked.slot is None:
        return None
    try:
        return slot_check(_opened(asked, asked.slot), calibration=curve, inverted=bool(asked.inverted))
    except DensiscanError as problem:
        guard.failure("slot", asked.slot, problem)
        return None


def lamp_on(empty_bed: Path | None, calibration: Calibration, *, ppi: float | None = None) -> LampField | None:
    """Return the lamp's light as a scan of the empty bed shows it to a calibration; None where there is no such scan.

    Raises
    ------
    MeasureError
        If the bed is clipped, or not empty.
    UnreadableScanError
        If the file cannot be read.
    """
    if empty_bed is None:
        return None
    return lamp_field(read_bed(open_scan(empty_bed, ppi=ppi, channel=calibration.channel)), calibration)


def findings_of(check: ScannerCheck, *, checked: str) -> Findings:
    """Return what is kept of a check with the calibration in use.

    Parameters
    ----------
    checked
        When, ISO 8601.
    """
    return Findings(
        checked=checked,
        drift=None if check.drift is None else check.drift.worst.difference.value,
        drifted=check.drift is not None and check.drift.drifted,
        lamp=None if check.empty_bed is None else check.empty_bed.standard,
        glare=None if check.slot is None else check.slot.glare,
    )
