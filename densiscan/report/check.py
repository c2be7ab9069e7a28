"""A check of the scanner as a person reads it (80 columns) and as a program reads it (JSON)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from densiscan.arithmetic.quantity import Warning_
from densiscan.calibration.check.bed import BedCheck, BedPlace
from densiscan.calibration.check.check import ScannerCheck
from densiscan.calibration.check.slot import SlotCheck
from densiscan.calibration.check.wedge import DRIFTED, DriftCheck, StepCheck, StepDrift, WedgeCheck
from densiscan.files.serialise import Layout, as_document, plain
from densiscan.report.readings import paragraph

CHECK_FORMAT: Final = "densiscan.check/1"
_LAYOUT: Final[Layout] = {
    "ScannerCheck": "wedge drift empty_bed slot failed",
    "WedgeCheck": "file ppi tone usable_range usable_range_ends=range_ends least_signal_to_noise=least_ratio "
    "told_apart steps",
    "Tone": "word slope words",
    "StepCheck": "step density signal density_noise=noise density_noise_1_mm=aperture_noise signal_to_noise "
    "levels_per_0_1=levels told_apart clipped",
    "DriftCheck": "calibration same_wedge steps mean rms worst.step worst.difference drifted",
    "BedCheck": "file clipped unevenness unevenness_density darkest brightest specks specks_per_cm2 banding.rows=rows "
    "banding.columns=columns signal_taken_as_light",
    "SlotCheck": "file slot_mm beside believed_density=believed black assumed profile glare",
}
_HABITS: Final = (
    "Before every sitting: let the lamp warm up for 15 to 20 minutes; scan in 16 bits, with linear output if "
    "offered; switch off automatic exposure and levels, sharpening, and infra-red cleaning (it takes silver for "
    "dust); hold the film flat; cover the glass around it with black card."
)


def check_text(check: ScannerCheck, warnings: Iterable[Warning_] = (), *, every_step: bool = False) -> str:
    """Return a check as a page.

    Parameters
    ----------
    warnings
        What else is to be said, such as the age of the calibration.
    every_step
        Whether the drift at each step is shown, not its mean and the worst alone.
    """
    blocks = [
        *([] if check.wedge is None else [_wedge_text(check.wedge)]),
        *([] if check.drift is None else [_drift_text(check.drift, every_step=every_step)]),
        *([] if check.empty_bed is None else [_bed_text(check.empty_bed)]),
        *([] if check.slot is None else [_slot_text(check.slot)]),
    ]
    warning_lines = [
        paragraph(f"! {message}") for message in dict.fromkeys(w.message for w in (*check.warnings, *warnings))
    ]
    blocks.append("\n".join(["What to do", *warning_lines, paragraph(_HABITS)]))
    return "\n\n".join(blocks)


def _wedge_text(check: WedgeCheck) -> str:
    low, high = check.usable_range
    ends = f"{low:.2f} to {high:.2f}" if check.range_ends else f"{low:.2f} to at least {high:.2f}"
    lines = [
        paragraph(f"Wedge {check.file}" + ("" if check.ppi is None else f", {check.ppi:.0f} ppi"), indent=0),
        "",
        "   step  density   signal    noise   of 1 mm   signal/noise   levels",
        *(_step_text(step) for step in check.steps),
        "",
        paragraph(f"{check.tone.words} ({check.tone.slope:.2f} decades of signal a unit of density)", label="tone"),
        paragraph(f"{check.told_apart} of {len(check.steps)} steps through a 1 mm aperture", label="told apart"),
        paragraph(
            f"density {ends}: {_why_it_ends(check)}",
            label="usable range",
        ),
        paragraph(
            "This follows the idea of ISO 21550; it is not a certified measurement. Noise is that of the "
            "density from pixel to pixel, and of readings through 1 mm; it holds the grain of the wedge. Levels are "
            "codes in 0.1 of density."
        ),
    ]
    return "\n".join(lines)


def _why_it_ends(check: WedgeCheck) -> str:
    if check.ends_by_steps:
        return "beyond that it cannot separate one step from the next"
    if check.range_ends:
        return f"there the signal-to-noise ratio of single pixels falls to {check.least_ratio:g}"
    return f"the signal-to-noise ratio of single pixels stays above {check.least_ratio:g}"


def _step_text(step: StepCheck) -> str:
    pixel = "" if step.noise is None else f"{step.noise:.4f}"
    aperture = "" if step.aperture_noise is None else f"{step.aperture_noise:.4f}"
    note = "  clipped" if step.clipped else "" if step.told_apart else "  not told apart"
    return (
        f"  {step.step:>5}  {step.density:7.2f}  {step.signal:7.4f}  {pixel:>7}   {aperture:>7}   "
        f"{step.signal_to_noise:12.1f}  {step.levels:7.0f}{note}"
    )[:79].rstrip()


def _drift_text(check: DriftCheck, *, every_step: bool) -> str:
    worst = check.worst
    verdict = "it has drifted" if check.drifted else "it holds"
    steps = [
        "   step  density   error now",
        *(f"  {step.step:>5}  {step.density:7.2f}   {_signed(step)}" for step in check.steps),
        "",
    ]
    lines = [
        paragraph(f"Drift from the calibration {check.calibration}", indent=0),
        "",
        *(steps if every_step else []),
        paragraph(f"{_with_sign(check.mean.value)} ± {max(check.mean.uncertainty or 0.0, 0.001):.3f}", label="mean"),
        paragraph(f"{check.rms:.3f}", label="rms"),
        paragraph(f"{_with_sign(worst.difference.value)} at density {worst.density:.2f}", label="worst"),
        paragraph(f"{verdict}: more than {DRIFTED:.2f} and more than chance counts", label="verdict"),
    ]
    if not check.same_wedge:
        lines.append(paragraph("This is not the calibration's wedge; the uncertainty includes both certificates."))
    return "\n".join(lines)


def _signed(step: StepDrift) -> str:
    return f"{_with_sign(step.difference.value)} ± {max(step.difference.uncertainty or 0.0, 0.001):.3f}"


def _with_sign(value: float) -> str:
    return f"{round(value, 3) + 0.0:+.3f}"


def _bed_text(check: BedCheck) -> str:
    lines = [
        paragraph(f"Empty bed {check.file}", indent=0),
        "",
        paragraph(f"{100 * check.clipped:.1f} % of the pixels", label="clipped"),
    ]
    if check.unevenness is None or check.darkest is None or check.brightest is None:
        return "\n".join([*lines, paragraph("not known: the bed is at the end of the scale", label="lamp")])
    density = "" if check.unevenness_density is None else f", {check.unevenness_density:.3f} in density"
    lines += [
        paragraph(
            f"uneven by {100 * check.unevenness:.1f} %{density}; darkest at {_at(check.darkest)}, brightest at "
            f"{_at(check.brightest)}",
            label="lamp",
        ),
        paragraph(f"{_counted(check.specks or 0)}, {check.specks_per_cm2:.2f} a square centimetre", label="dust"),
        paragraph(
            f"{100 * (check.rows or 0.0):.2f} % from row to row, {100 * (check.columns or 0.0):.2f} % from column to "
            "column",
            label="banding",
        ),
    ]
    if not check.in_light:
        lines.append(
            paragraph(
                "The signal was taken as light; with a tone curve of gamma 2.2 the light varies 2.2 times as much. "
                "Give the wedge or --calibration too."
            )
        )
    return "\n".join(lines)


def _counted(specks: int) -> str:
    return "1 speck" if specks == 1 else f"{specks or 'no'} specks"


def _at(place: BedPlace) -> str:
    return f"{place.x_mm:.0f}, {place.y_mm:.0f} mm"


def _slot_text(check: SlotCheck) -> str:
    left, top, width, height = check.slot_mm
    believed = "no limit seen" if check.believed is None else f"up to {check.believed:.2f}"
    lines = [
        paragraph(f"Glare {check.file}, slot {width:.0f} x {height:.0f} mm at {left:.0f}, {top:.0f} mm", indent=0),
        "",
        "   mm from the slot   light of the slot   black reads",
        *(
            f"  {f'{place.from_mm:.0f} to {place.to_mm:.0f}':>17}   {100 * place.fraction:15.3f} %   "
            f"{'darker' if place.density is None else f'{place.density:11.2f}'}"
            for place in check.profile
        ),
        "",
        paragraph(f"{100 * check.glare.total:.2f} % of all light; {check.assumed}", label="scattered"),
        paragraph(
            f"{believed} next to a clear area of the slot's size, 1 to 2 mm away; denser parts read too light by more "
            "than 0.02",
            label="reliable",
        ),
    ]
    return "\n".join(lines)


def check_document(check: ScannerCheck, warnings: Iterable[Warning_] = ()) -> dict[str, Any]:
    """Return a check as a document; a part that was not checked is null."""
    told = tuple(dict.fromkeys((*check.warnings, *warnings)))
    return {**as_document(check, _LAYOUT, format=CHECK_FORMAT), "warnings": plain(told)}
