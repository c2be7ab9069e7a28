"""A calibration as a document, and the plain file that keeps it.

The document is the one `calibrate --json` prints. Everything needed to use the calibration again is in it, and a
person can read it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from densiscan.calibration import CalibratedStep, Calibration, StepReading
from densiscan.documents import TooLargeError, read_document
from densiscan.errors import CalibrationError
from densiscan.findings import Findings
from densiscan.glare import REACHES_MM
from densiscan.quantity import Influence, Warning_, read_back
from densiscan.scan import ScanFacts
from densiscan.writing import write_whole

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


def write_calibration(calibration: Calibration, path: str | Path) -> None:
    """Write the calibration whole or not at all.

    Raises
    ------
    DensiscanError
        If the file cannot be written.
    """
    text = json.dumps(calibration_document(calibration), indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(Path(path), text + "\n", what="the calibration")


def read_calibration(path: str | Path) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    CalibrationError
        If it cannot be read, or is not a calibration of this form.
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
    scan = document["scan"]
    low, high = (float(value) for value in document["density_range"])
    return Calibration(
        name=str(document["name"]),
        created=str(document["created"]),
        mode=str(document["mode"]),
        channel=str(document["channel"]),
        inverted=bool(document["inverted"]),
        scan=ScanFacts.from_json(scan),
        steps=tuple(_step(step) for step in document["steps"]),
        fit=tuple(float(value) for value in document["fit"]),
        density_range=(low, high),
        residual=float(document["residual"]),
        black=float(document.get("black", 0.0)),
        warnings=tuple(Warning_(code=str(w["code"]), message=str(w["message"])) for w in document["warnings"]),
        findings=None if document.get("check") is None else Findings.from_json(document["check"]),
        others=tuple(_other(document, other) for other in document.get("channels", ())),
    )


def _other(document: Mapping[str, Any], other: Mapping[str, Any]) -> Calibration:
    shared = {name: value for name, value in document.items() if name not in {"channels", "check"}}
    return _calibration({**shared, **{name: other[name] for name in _OF_CHANNEL}})


def _step(document: Mapping[str, Any]) -> CalibratedStep:
    left, top, width, height = (float(value) for value in document["box_mm"])
    reading = StepReading(
        step=str(document["step"]),
        density=float(document["density"]),
        certificate=float(document["density_uncertainty"]),
        signal=float(document["signal"]),
        noise=float(document["noise"]),
        independent=float(document["independent_pixels"]),
        per_aperture=float(document["independent_pixels_in_1_mm"]),
        clipped=float(document["clipped"]),
        box_mm=(left, top, width, height),
        seen=bool(document["edge_seen"]),
        light=None if document.get("lamp") is None else _above_nothing(float(document["lamp"])),
        surround=None if document.get("surround") is None else _surround(document["surround"]),
    )
    measured = document["measured"]
    # What the curve says of a left-out step is kept as a figure; its influences are not needed again.
    quantity = read_back(measured, Influence("measured"))
    return CalibratedStep(reading=reading, used=bool(document["used"]), measured=quantity)


def _surround(values: Any) -> tuple[float, ...]:
    surround = tuple(float(value) for value in values)
    if len(surround) != len(REACHES_MM) or not all(0.0 <= value < math.inf for value in surround):
        message = "the light round a step is damaged"
        raise ValueError(message)
    return surround


def _above_nothing(light: float) -> float:
    if not 0.0 < light < math.inf:
        message = f"a lamp's light of {light:g} is none"
        raise ValueError(message)
    return light
