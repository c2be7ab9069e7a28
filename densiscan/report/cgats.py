"""Densities as CGATS.17 text (ISO 28178), which programs for measured colours and densities read.

Keywords, the order of sections and how words are quoted are from memory of ISO 28178:2009 (ANSI CGATS.17). A field that
the standard does not have is declared by KEYWORD before it is used. Densities are of the wedge's own kind, by which the
scanner was calibrated: visual, and so D_VIS.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from densiscan import __version__
from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Influence, Quantity

if TYPE_CHECKING:
    from densiscan.batch.assessment import Assessment
    from densiscan.calibration.calibration import Calibration
    from densiscan.film.speed_and_contrast import FilmTest
    from densiscan.negative.reading import Reading
    from densiscan.paper.tested_range import PaperTest

_STANDARD: Final = frozenset({"SAMPLE_ID", "D_VIS"})
_UNCERTAINTY: Final = "DENSITY_UNCERTAINTY"
_CERTIFICATE: Final = Influence("wedge", "certificate")
_SAID: Final = "uncertainty is expanded, k = 2"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sample:
    """One sample: its name, its density, and what else is known of it, in the order of the table's further fields."""

    name: str
    density: Quantity
    more: tuple[float, ...] = ()


def wedge_cgats(calibration: Calibration) -> str:
    """Return the steps of the wedge of a calibration: density as the wedge file has it, and the scanner's signal."""
    samples = [
        _Sample(
            name=step.reading.step,
            density=Quantity(step.reading.density, {_CERTIFICATE: step.reading.certificate / COVERAGE_FACTOR}),
            more=(step.reading.signal,),
        )
        for step in calibration.steps
    ]
    about = f"step wedge of the calibration {calibration.name}, {calibration.mode}"
    return _text(about, calibration.created, calibration.scan.file, samples, ("SIGNAL",))


def readings_cgats(assessments: Sequence[Assessment], *, created: str) -> str:
    """Return the spots that were read, each with its place in mm; where none were named base, shadow and highlight."""
    spots = any(one.reading.spots for one in assessments)
    samples = [sample for one in assessments for sample in (_spots if spots else _ends)(one.reading)]
    files = " ".join(dict.fromkeys(one.reading.file for one in assessments))
    return _text("densities of a negative", created, files, samples, ("X_MM", "Y_MM") if spots else ())


def _spots(reading: Reading) -> list[_Sample]:
    return [
        _Sample(name=_called(f"spot {number}", reading), density=spot.density, more=(spot.x_mm, spot.y_mm))
        for number, spot in enumerate(reading.spots, start=1)
    ]


def _ends(reading: Reading) -> list[_Sample]:
    ends = (("base plus fog", reading.base_plus_fog), ("shadow", reading.shadow), ("highlight", reading.highlight))
    return [_Sample(name=_called(name, reading), density=end) for name, end in ends if end is not None]


def _called(name: str, reading: Reading) -> str:
    return name if reading.piece is None else f"{name} of piece {reading.piece}"


def film_cgats(test: FilmTest, *, name: str, created: str) -> str:
    """Return the points of a film's characteristic curve."""
    points = [
        _Sample(name=point.step, density=point.density, more=(point.log_exposure.value,)) for point in test.points
    ]
    return _text("characteristic curve of a film", created, name, points, ("LOG_EXPOSURE",))


def paper_cgats(test: PaperTest, *, created: str) -> str:
    """Return the points of a paper's curve, densities by reflection."""
    points = [
        _Sample(name=point.step or str(number), density=point.density, more=(point.log_exposure.value,))
        for number, point in enumerate(test.points, start=1)
    ]
    about = test.circumstances
    return _text("curve of a paper, reflection", created, about.name or about.source, points, ("LOG_EXPOSURE",))


def _text(about: str, created: str, material: str, samples: Sequence[_Sample], more: tuple[str, ...]) -> str:
    """Return a file with one table; a density that is only a limit is no number, and said in a comment instead."""
    limits = [one for one in samples if one.density.limit is not None]
    known = [one for one in samples if one.density.limit is None]
    doubtful = bool(known) and all(one.density.uncertainty is not None for one in known)
    fields = ("SAMPLE_ID", "D_VIS", *((_UNCERTAINTY,) if doubtful else ()), *more)
    lines = [
        "CGATS.17",
        f"ORIGINATOR {_quoted(f'densiscan {__version__}')}",
        f"DESCRIPTOR {_quoted(f'{about}; {_SAID}' if doubtful else about)}",
        f"CREATED {_quoted(created)}",
        f"MATERIAL {_quoted(material)}",
        f"INSTRUMENTATION {_quoted('flatbed scanner calibrated by a step wedge')}",
        *(f"KEYWORD {_quoted(field)}" for field in fields if field not in _STANDARD),
        *(f"# {_plain(one.name)}: {one.density.limit} {one.density.value:.4f}" for one in limits),
        f"NUMBER_OF_FIELDS {len(fields)}",
        "BEGIN_DATA_FORMAT",
        "\t".join(fields),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(known)}",
        "BEGIN_DATA",
        *("\t".join(_cells(one, doubtful=doubtful)) for one in known),
        "END_DATA",
    ]
    return "\n".join(lines) + "\n"


def _cells(sample: _Sample, *, doubtful: bool) -> list[str]:
    uncertainty = [f"{sample.density.uncertainty:.4f}"] if doubtful else []
    # a signal of a dense step is small: six digits, never an exponent
    return [_quoted(sample.name), f"{sample.density.value:.4f}", *uncertainty, *(f"{one:.6f}" for one in sample.more)]


def _plain(text: str) -> str:
    """Return a text of plain characters, as the standard has them, on one line."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())


def _quoted(text: str) -> str:
    """Return a text in quotation marks, one in it doubled."""
    return '"' + _plain(text).replace('"', '""') + '"'
