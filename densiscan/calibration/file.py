"""A calibration as a document, and the plain file that keeps it.

The document is the one `calibrate --json` prints. Everything needed to use the calibration again is in it, and a
person can read it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence
from densiscan.calibration.calibration import Calibration
from densiscan.calibration.glare import REACHES_MM
from densiscan.errors import CalibrationError
from densiscan.files.atomic import write_whole
from densiscan.files.documents import TooLargeError, read_document
from densiscan.files.serialise import Bounds, Layout, as_document, read_result
from densiscan.scan.channels import COLOURS

FORMAT: Final = "densiscan.calibration/1"
_OF_CHANNEL: Final = ("channel", "steps", "fit", "black", "density_range", "residual", "warnings")
_LAWS: Final = "laws"
"""Of a channel too, where its curve is that of laws."""
_LARGEST_FILE_BYTES: Final = 5_000_000
_LAYOUT: Final[Layout] = {
    "Calibration": "name created mode channel inverted scan steps fit black density_range residual warnings "
    "laws? looks? drift? scattering? check?=findings",
    "WeighedLaw": "law figures amplitude length own share scattered?",
    "CalibratedStep": "step=reading.step density=reading.density density_uncertainty=reading.certificate "
    "density_common?=reading.common measured signal=reading.signal noise=reading.noise "
    "independent_pixels=reading.independent independent_pixels_in_1_mm=reading.per_aperture clipped=reading.clipped "
    "box_mm=reading.box_mm edge_seen=reading.seen lamp?=reading.light surround?=reading.surround "
    "apart?=reading.apart used",
    "CalibratedStep.step": lambda step: int(step.reading.step) if step.reading.step.isdecimal() else step.reading.step,
}
_HIGHEST: Final = 6.0
"""The densest that anything here is; no wedge is made beyond 4."""
_MOST: Final = 1e12
"""Pixels: more than any scan has."""
_FARTHEST_MM: Final = 1e5
_LEAST: Final = 1e-12
"""What must be above zero is at least that."""
_BOUNDS: Final[Bounds] = {
    "Calibration.density_range": (-0.1, _HIGHEST),
    "Calibration.fit": (0.0, _HIGHEST),
    "Calibration.residual": (0.0, _HIGHEST),
    "Calibration.black": (-1.0, 1.0),
    "Calibration.drift": (0.0, _HIGHEST),
    "Look.difference": (-_HIGHEST, _HIGHEST),
    "Look.scatter": (0.0, _HIGHEST),
    "Look.box_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "CalibratedStep.measured": (-_HIGHEST, 2 * _HIGHEST),
    "StepReading.density": (-0.1, _HIGHEST),
    "StepReading.certificate": (0.0, _HIGHEST),
    "StepReading.common": (0.0, _HIGHEST),
    "StepReading.signal": (0.0, 1.0),
    "StepReading.noise": (0.0, 1.0),
    "StepReading.independent": (_LEAST, _MOST),
    "StepReading.per_aperture": (_LEAST, _MOST),
    "StepReading.clipped": (0.0, 1.0),
    "StepReading.box_mm": (-_FARTHEST_MM, _FARTHEST_MM),
    "StepReading.apart": (0.0, 1.0),
    "StepReading.light": (0.01, 100.0),
    "StepReading.surround": (0.0, 1e3),
    "ScanFacts.ppi": (1e-3, 1e6),
    "ScanFacts.bits": (1, 64),
    "ScanFacts.channels": (1, 10_000),
    "ScanFacts.full_scale": (1, 65535),
    "WeighedLaw.figures": (-1e3, 1e3),
    "WeighedLaw.amplitude": (1e-6, 1.0),
    "WeighedLaw.length": (1e-3, 100.0),
    "WeighedLaw.scattered": (0.0, 0.5),
    "Scattering.expected": (-0.5, 0.5),
    "Scattering.doubt": (-0.5, 0.5),
    "WeighedLaw.own": (1e-3, 1.0),
    "WeighedLaw.share": (1e-12, 1.0),
    "Findings.drift": (-_HIGHEST, _HIGHEST),
    "Findings.lamp": (0.0, _HIGHEST),
}


def calibration_document(calibration: Calibration) -> dict[str, Any]:
    """Return the calibration as plain JSON values."""
    document = as_document(calibration, _LAYOUT, format=FORMAT)
    others = [calibration_document(other) for other in calibration.others]
    if others:
        document["channels"] = [
            {name: other[name] for name in (*_OF_CHANNEL, _LAWS) if name in other} for other in others
        ]
    return document


def write_calibration(calibration: Calibration, path: str | os.PathLike[str]) -> None:
    """Write the calibration whole or not at all.

    Raises
    ------
    DensiscanError
        If the file cannot be written.

    Examples
    --------
    >>> write_calibration(read_calibration("mine.json"), "copy.json")
    """
    text = json.dumps(calibration_document(calibration), indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(Path(path), text + "\n", what="the calibration")


def read_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    CalibrationError
        If it cannot be read, or is not a calibration of this form.

    Examples
    --------
    >>> read_calibration("mine.json").density_range
    (0.053, 2.893)
    """
    file = Path(path)
    try:
        document = read_document(file, largest=_LARGEST_FILE_BYTES)
    except OSError as problem:
        reason = (problem.strerror or "unknown reason").lower()
        raise CalibrationError(f"{file} cannot be read as a calibration: {reason}.") from problem
    except TooLargeError as problem:
        raise CalibrationError(
            f"{file} is too large for a calibration; give the file that calibrate wrote."
        ) from problem
    except ValueError as problem:
        raise CalibrationError(f"{file} is not a calibration; give the file that calibrate wrote.") from problem
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise CalibrationError(f"{file} is not a calibration of the form {FORMAT}; calibrate again with this version.")
    try:
        return _calibration(document)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError) as problem:
        raise CalibrationError(f"{file} is a damaged calibration ({_what(problem)}); calibrate again.") from problem


def calibration_kept(document: Mapping[str, Any]) -> Calibration | None:
    """Return the calibration of a document that was kept elsewhere than in its file; None where it is none."""
    try:
        return _calibration(document)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError):
        return None


def _what(problem: Exception) -> str:
    return f"{problem} is missing" if isinstance(problem, KeyError) else str(problem)


def _calibration(document: Mapping[str, Any]) -> Calibration:
    """Return the calibration that a document holds; every figure lies within its limits, which docs/schemas states.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError
        If something is missing, of another kind, or makes no sense.
    """
    steps = [{**step, "step": _name_of(step)} for step in document["steps"]]
    others = tuple(_other(document, other) for other in document.get("channels", ()))
    whole = {**document, "steps": steps}
    made = read_result(Calibration, whole, _LAYOUT, bounds=_BOUNDS, source=Influence("measured"))
    made = replace(made, others=others)
    _require_sense(made)
    return made


def _other(document: Mapping[str, Any], other: Mapping[str, Any]) -> Calibration:
    shared = {name: value for name, value in document.items() if name not in {"channels", "check", "looks", _LAWS}}
    laws = {_LAWS: other[_LAWS]} if _LAWS in other else {}
    return _calibration({**shared, **{name: other[name] for name in _OF_CHANNEL}, **laws})


def _name_of(step: Mapping[str, Any]) -> str:
    """Return what a step is called: a number in the document where it is one."""
    name = step["step"]
    if isinstance(name, bool) or not isinstance(name, int | str):
        raise TypeError("step must be a number or a name")
    return str(name)


def _require_sense(made: Calibration) -> None:
    low, high = made.density_range
    facts, densities = made.scan, [step.reading.density for step in made.steps if step.used]
    if facts.full_scale.bit_length() < min(facts.bits, 16):
        raise ValueError(f"a full scale of {facts.full_scale} does not go with {facts.bits} bits")
    if made.channel not in {"gray", *COLOURS}:
        raise ValueError(f"there is no channel {made.channel}")
    # the range ends at steps; a rounding is allowed for
    if not (low < high and min(densities) - 0.01 <= low and high <= max(densities) + 0.01):
        raise ValueError("the density range does not go with the steps")
    for step in made.steps:
        if min(step.reading.box_mm[2:]) <= 0.0:
            raise ValueError("the box of a step has no area")
        if step.reading.surround is not None and len(step.reading.surround) != len(REACHES_MM):
            raise ValueError("a step's surround has not one share for each reach")
