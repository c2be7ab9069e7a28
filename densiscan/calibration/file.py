"""A calibration as a document, and the plain file that keeps it.

The document is the one `calibrate --json` prints. Everything needed to use the calibration again is in it, and a
person can read it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.calibration import CalibratedStep, Calibration, StepReading
from densiscan.calibration.findings import Findings
from densiscan.calibration.glare import REACHES_MM
from densiscan.errors import CalibrationError
from densiscan.files.atomic import write_whole
from densiscan.files.documents import TooLargeError, flag_of, number_of, numbers_of, read_document, text_of
from densiscan.scan.channels import COLOURS
from densiscan.scan.scan import ScanFacts

FORMAT: Final = "densiscan.calibration/1"
_OF_CHANNEL: Final = ("channel", "steps", "fit", "black", "density_range", "residual", "warnings")
_LARGEST_FILE_BYTES: Final = 5_000_000


def calibration_document(calibration: Calibration) -> dict[str, Any]:
    """Return the calibration as plain JSON values."""
    return {
        "format": FORMAT,
        "name": calibration.name,
        "created": calibration.created,
        "mode": calibration.mode,
        "channel": calibration.channel,
        "inverted": calibration.inverted,
        "scan": calibration.scan.to_json(),
        "steps": [_step_document(step) for step in calibration.steps],
        "fit": list(calibration.fit),
        "black": calibration.black,
        "density_range": list(calibration.density_range),
        "residual": calibration.residual,
        "warnings": [warning.to_json() for warning in calibration.warnings],
        **({} if calibration.findings is None else {"check": calibration.findings.to_json()}),
        **({} if not calibration.others else {"channels": [_channel_document(other) for other in calibration.others]}),
    }


def _channel_document(other: Calibration) -> dict[str, Any]:
    """Return what differs between the channels of one scan."""
    whole = calibration_document(other)
    return {name: whole[name] for name in _OF_CHANNEL}


def _step_document(step: CalibratedStep) -> dict[str, Any]:
    reading = step.reading
    return {
        "step": int(reading.step) if reading.step.isdecimal() else reading.step,
        "density": reading.density,
        "density_uncertainty": reading.certificate,
        "measured": None if step.measured is None else step.measured.to_json(),
        "signal": reading.signal,
        "noise": reading.noise,
        "independent_pixels": reading.independent,
        "independent_pixels_in_1_mm": reading.per_aperture,
        "clipped": reading.clipped,
        "box_mm": list(reading.box_mm),
        "edge_seen": reading.seen,
        **({} if reading.light is None else {"lamp": reading.light}),
        **({} if reading.surround is None else {"surround": list(reading.surround)}),
        "used": step.used,
    }


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


_HIGHEST: Final = 6.0
"""The densest that anything here is; no wedge is made beyond 4."""
_MOST: Final = 1e12
"""Pixels: more than any scan has."""
_FARTHEST_MM: Final = 1e5
_LEAST: Final = 1e-12
"""What must be above zero is at least that."""


def _calibration(document: Mapping[str, Any]) -> Calibration:
    """Return the calibration that a document holds; every figure lies within its limits, which docs/schemas states.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError
        If something is missing, of another kind, or makes no sense.
    """
    low, high = numbers_of(document, "density_range", -0.1, _HIGHEST, count=2)
    steps = tuple(_step(step) for step in document["steps"])
    made = Calibration(
        name=text_of(document, "name"),
        created=text_of(document, "created"),
        mode=text_of(document, "mode"),
        channel=text_of(document, "channel"),
        inverted=flag_of(document, "inverted"),
        scan=ScanFacts.from_json(document["scan"]),
        steps=steps,
        fit=numbers_of(document, "fit", 0.0, _HIGHEST),
        density_range=(low, high),
        residual=number_of(document, "residual", 0.0, _HIGHEST),
        black=number_of(document, "black", -1.0, 1.0) if "black" in document else 0.0,
        warnings=tuple(Warning_(code=text_of(w, "code"), message=text_of(w, "message")) for w in document["warnings"]),
        findings=None if document.get("check") is None else Findings.from_json(document["check"]),
        others=tuple(_other(document, other) for other in document.get("channels", ())),
    )
    if made.channel not in {"gray", *COLOURS}:
        raise ValueError(f"there is no channel {made.channel}")
    densities = [step.reading.density for step in steps if step.used]
    # the range ends at steps; a rounding is allowed for
    if not (low < high and min(densities) - 0.01 <= low and high <= max(densities) + 0.01):
        raise ValueError("the density range does not go with the steps")
    return made


def _other(document: Mapping[str, Any], other: Mapping[str, Any]) -> Calibration:
    shared = {name: value for name, value in document.items() if name not in {"channels", "check"}}
    return _calibration({**shared, **{name: other[name] for name in _OF_CHANNEL}})


def _step(document: Mapping[str, Any]) -> CalibratedStep:
    left, top, width, height = numbers_of(document, "box_mm", -_FARTHEST_MM, _FARTHEST_MM, count=4)
    if min(width, height) <= 0.0:
        raise ValueError("the box of a step has no area")
    step = document["step"]
    if isinstance(step, bool) or not isinstance(step, int | str):
        raise TypeError("step must be a number or a name")
    reading = StepReading(
        step=str(step),
        density=number_of(document, "density", -0.1, _HIGHEST),
        certificate=number_of(document, "density_uncertainty", 0.0, _HIGHEST),
        signal=number_of(document, "signal", 0.0, 1.0),
        noise=number_of(document, "noise", 0.0, 1.0),
        independent=number_of(document, "independent_pixels", _LEAST, _MOST),
        per_aperture=number_of(document, "independent_pixels_in_1_mm", _LEAST, _MOST),
        clipped=number_of(document, "clipped", 0.0, 1.0),
        box_mm=(left, top, width, height),
        seen=flag_of(document, "edge_seen"),
        light=None if document.get("lamp") is None else number_of(document, "lamp", 0.01, 100.0),
        surround=None
        if document.get("surround") is None
        else numbers_of(document, "surround", 0.0, 1e3, count=len(REACHES_MM)),
    )
    return CalibratedStep(reading=reading, used=flag_of(document, "used"), measured=_measured(document["measured"]))


def _measured(document: Mapping[str, Any] | None) -> Quantity | None:
    """Return what the curve says of a step left out, as a figure: its influences are not needed again."""
    if document is None:
        return None
    value = number_of(document, "value", -_HIGHEST, 2 * _HIGHEST)
    if document["uncertainty"] is None:
        return Quantity(value, None)
    return Quantity(value, {Influence("measured"): 0.5 * number_of(document, "uncertainty", 0.0, 1e3)})
