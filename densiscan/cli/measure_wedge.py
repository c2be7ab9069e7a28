"""What `measure` takes to read film by the wedge that lies beside it on the same scan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.errors import WrongUseError

if TYPE_CHECKING:
    from densiscan.arithmetic.quantity import Warning_
    from densiscan.calibration.calibration import Calibration
    from densiscan.calibration.glare import Glare
    from densiscan.calibration.lamp import Bed, LampField
    from densiscan.negative.own_wedge import Beside

WedgeOption = Annotated[
    Path | None,
    typer.Option(
        "--wedge",
        metavar="FILE",
        help="Wedge file: this wedge lies beside the film on each scan, and the film is read by it.",
    ),
]


def check_wedge(wedge: Path | None, *, region: str | None, inverted: bool | None) -> None:
    """Check that the wedge file is there, and that nothing is said of a wedge where there is none.

    Raises
    ------
    WrongUseError
        If not.
    """
    if wedge is not None:
        arguments.there(wedge, "wedge file")
        return
    for value, option in ((region, "--region"), (inverted, "--inverted or --not-inverted")):
        if value is not None:
            raise WrongUseError(f"{option} goes with --wedge FILE, the wedge beside the film; give both or neither.")


@dataclass(frozen=True, kw_only=True)
class ReadBy:
    """What scans are read by: a calibration, or the wedge beside the film (`made` is then the older one, if any)."""

    made: Calibration | None
    beside: Beside | None
    lamp: LampField | None
    told: tuple[Warning_, ...]
    channel: str | None
    glare: Glare | None

    @property
    def name(self) -> str:
        """Return the name that a report gives it."""
        by = self.beside or self.made
        return "" if by is None else by.name


def read_by(
    request: CalibrationRequest,
    wedge: Path | None,
    *,
    region: str | None,
    inverted: bool | None,
    channel: str | None,
    empty_bed: Path | None,
    ppi: float | None,
) -> ReadBy:
    """Return what scans are read by.

    Parameters
    ----------
    wanted
        The calibration asked for; where the wedge beside the film is to be read and none is named, there is none.

    Raises
    ------
    DensiscanError
        If a file cannot be read, or does not fit.
    """
    from densiscan.calibration.channels import of_channel
    from densiscan.calibration.lamp import lamp_field, read_bed
    from densiscan.calibration.trust import known_glare
    from densiscan.scan.scan import open_scan

    box = arguments.box(region, "--region")
    by = None if wedge is not None and request.name is None else calibration_for(request)
    calibration = None if by is None else of_channel(by.calibration, channel)
    meant = channel or (None if calibration is None else calibration.channel)
    bed = None if empty_bed is None else read_bed(open_scan(empty_bed, ppi=ppi, channel=meant))
    if wedge is not None:
        beside = _beside(wedge, calibration, bed, channel=meant, box=box, inverted=inverted)
        glare = known_glare(request.glare, calibration, correct=request.correct_glare) if by is None else by.glare
        return ReadBy(made=calibration, beside=beside, lamp=None, told=(), channel=meant, glare=glare)
    assert by is not None  # noqa: S101 - one of the two is always there
    assert calibration is not None  # noqa: S101 - likewise
    return ReadBy(
        made=calibration,
        beside=None,
        lamp=None if bed is None else lamp_field(bed, calibration),
        told=by.warnings,
        channel=meant,
        glare=by.glare,
    )


def _beside(
    wedge: Path,
    older: Calibration | None,
    bed: Bed | None,
    *,
    channel: str | None,
    box: tuple[float, float, float, float] | None,
    inverted: bool | None,
) -> Beside:
    from densiscan.negative.own_wedge import Beside
    from densiscan.wedge.wedge import read_wedge

    return Beside(
        wedge=read_wedge(wedge),
        name=f"{wedge.name} beside the film",
        channel=channel,
        region_mm=box,
        inverted=inverted,
        older=older,
        bed=bed,
    )
