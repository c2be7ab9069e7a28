"""From the scan of a wedge to a calibration: read the steps, tell the polarity, keep what the scanner tells apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.curves import shape_preserving, shape_preserving_slopes
from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.calibration.by_laws import by_laws
from densiscan.calibration.calibration import CalibratedStep, Calibration, StepReading, step_parts
from densiscan.calibration.date import time_now
from densiscan.calibration.fading import shown_by_black
from densiscan.calibration.glare import Scattering
from densiscan.calibration.lamp import Bed, lamp_field, read_bed
from densiscan.calibration.look import outline
from densiscan.calibration.through_steps import pull_of_steps
from densiscan.calibration.usable_steps import MOST_CLIPPED, usable
from densiscan.calibration.veil import coarse, with_surrounds
from densiscan.errors import CalibrationError, PolarityError, WedgeNotFoundError, WrongUseError
from densiscan.scan.channels import other_channels
from densiscan.scan.places import BoxMm
from densiscan.scan.scan import Scan, ScanFacts
from densiscan.scan.survey import Survey, patch, require_size, survey
from densiscan.wedge.alignment import Steps
from densiscan.wedge.find import CELL_MM, WedgePlace, find_steps
from densiscan.wedge.polarity import CLEAR_ODDS, StepSignals, odds_of_falling
from densiscan.wedge.wedge import NOMINAL, Wedge

FEWEST_USED: Final = 3
"""Steps a curve needs: fewer leave nothing to check it with."""
APERTURE_MM2: Final = math.pi * 0.5**2
"""Area of the 1 mm aperture at which steps must be told apart."""
_ENOUGH: Final = 5
"""Used steps from which the steps left out show how far the curve may stray between two of them."""
_UNSEEN: Final = 0.01
"""Standard uncertainty of the curve half way between two of fewer steps, a unit of density between them: smooth laws of
scanners (power, with black and flare; the standard sRGB curve) stray by 0.004, and ripples may double that."""
_WIDEST: Final = 1.0
"""Expanded uncertainty, density, from which what the curve says of a step is not stated."""
_CLEARLY: Final = 0.9
_LEAST_DOUBT: Final = 0.005
"""Least standard deviation of a step's density where steps are told from each other by it."""
_PARTS_OF_DARKEST: Final = (0.15, 0.3, 0.45, 0.6, 0.7, 0.78, 0.84, 0.89, 0.93, 0.96)
_SURFACE: Final = 200
"""Cells of the map, 12 square millimetres, from which what lies beside a wedge is looked at."""
_DOUBT: Final = (
    "{file}: the steps do not show whether dark on this scan means dense or clear; add --not-inverted (clear film is "
    "bright) or --inverted (clear film is dark)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What a calibration is called and how it was made: name, time (ISO 8601; now where none is given), and mode.

    Examples
    --------
    >>> Label(name="flatbed", created="2026-03-01T19:30:00+00:00").mode
    'transmission'
    """

    name: str
    created: str = field(default_factory=time_now)
    mode: str = "transmission"


def calibrate(
    scan: Scan,
    wedge: Wedge,
    *,
    label: Label,
    region_mm: BoxMm | None = None,
    inverted: bool | None = None,
    empty_bed: Scan | Bed | None = None,
) -> Calibration:
    """Calibrate a scanner from the scan of a step wedge.

    Parameters
    ----------
    scan
        Of the wedge, alone or with other things on the bed.
    wedge
        The densities of its steps.
    region_mm
        Box (left, top, width, height) to look in; the whole scan when not given.
    inverted
        Whether the signal rises with density; told from the steps when not given.
    empty_bed
        The same bed with nothing on it, read already or not: the lamp's unevenness over the wedge is taken out.
        Readings by this calibration must then be divided by the lamp's light likewise.

    Raises
    ------
    MeasureError
        If the empty bed is clipped, not empty, or another part of the bed.
    WedgeNotFoundError
        If the steps are not found, or not as many as the wedge has.
    PolarityError
        If the steps leave it in doubt which way the signal runs, and `inverted` is not given.
    CalibrationError
        If fewer than three steps are told apart.

    Examples
    --------
    >>> calibrate_scan(open_scan("wedge.tif"), read_wedge("wedge.csv"), label=Label(name="mine"))
    <Calibration mine: transmission, 0.05 to 2.89 by 20 of 21 steps, typical error 0.011, 1 warning>
    """
    steps = wedge.lightest_first()
    known = Steps(
        densities=np.array([step.density for step in steps]),
        doubts=np.array([max(0.5 * step.own, _LEAST_DOUBT) for step in steps]),
        on_paper=label.mode == "reflection",
    )
    surveyed = _surveyed(scan)
    whole = even_cells(surveyed)
    signal, origin = searched(whole, region_mm, scan)
    answers: dict[bool, tuple[WedgePlace, tuple[StepReading, ...]]] = {}
    refusals: dict[bool, str] = {}
    for way in (False, True) if inverted is None else (inverted,):
        try:
            quantum = 1.0 / scan.facts.full_scale
            place = find_steps(signal, known, inverted=way, quantum=quantum, origin_mm=origin)
        except WedgeNotFoundError as problem:
            refusals[way] = str(problem)
            continue
        answers[way] = place, _read(scan, wedge, place)
    told = inverted
    if told is None and answers:
        told = _told({way: readings for way, (_, readings) in answers.items()}, known, scan.facts.file, whole)
    if told is None or told not in answers:
        # Seen one way, the steps may tell that the other is right, in which they were not found.
        seen = refusals.get(told, "") if told is not None else _fuller(list(refusals.values()))
        raise WedgeNotFoundError(
            f"{scan.facts.file}: a wedge of {len(steps)} steps was not found: {seen}; "
            f"{_densities_of(wedge)}, or give --region left,top,width,height in mm around the wedge."
        )
    readings = answers[told][1]
    made = _through_steps(readings, facts=scan.facts, channel=scan.channel, inverted=told, label=label)
    told_of_bed: tuple[Warning_, ...] = ()
    if empty_bed is not None:
        bed = empty_bed if isinstance(empty_bed, Bed) else read_bed(empty_bed)
        # The lamp is seen through the curve, which is itself seen under the lamp: the second round changes little.
        for _ in range(2):
            field = lamp_field(bed, made)
            field.require_same_bed(scan)
            lit = [replace(reading, light=field.box(reading.box_mm)) for reading in readings]
            made = _through_steps(lit, facts=scan.facts, channel=scan.channel, inverted=told, label=label)
        told_of_bed = field.warnings
    made = by_laws(_with_surrounds(made, whole, _at_dark_end(surveyed, inverted=told)), _with_left_out)
    others = _other_channels(scan, wedge, answers[told][0], made, label)
    told_of_wedge = (_nominal_warning(wedge),) if wedge.assumed else ()
    warnings = scan.warnings + surveyed.warnings + told_of_wedge + made.warnings + told_of_bed
    return replace(made, warnings=warnings, others=others)


def _nominal_warning(wedge: Wedge) -> Warning_:
    lightest, *_, densest = wedge.lightest_first()
    message = (
        "Nobody has read this wedge, so its steps, and every density by it, are taken to be right within "
        f"{lightest.uncertainty:.2f} at the light end and {densest.uncertainty:.2f} at the dense one. "
        "Give what its maker states as their uncertainty, or better a certificate."
    )
    return Warning_(code="nominal-wedge", message=message)


def _other_channels(
    scan: Scan, wedge: Wedge, place: WedgePlace, made: Calibration, label: Label
) -> tuple[Calibration, ...]:
    """Return the curves of the other channels of a colour scan; one that tells too few steps apart is left out.

    Lamp and glare are taken to be those of the channel in use.
    """
    others = []
    for other in other_channels(scan):
        read = [
            replace(reading, light=known.reading.light, surround=known.reading.surround)
            for reading, known in zip(_read(other, wedge, place), made.steps, strict=True)
        ]
        with suppress(CalibrationError):
            facts, channel, inverted = other.facts, other.channel, made.inverted
            others.append(calibrate_steps(read, facts=facts, channel=channel, inverted=inverted, label=label))
    return tuple(others)


def _at_dark_end(surveyed: Survey, *, inverted: bool) -> Floats:
    """Return the share of even cells that is at the dark end of the scale."""
    at_end = surveyed.clipped_light if inverted else surveyed.clipped_dark
    return even_cells(replace(surveyed, mean=at_end.astype(np.float64)))


def _with_surrounds(made: Calibration, signal: Floats, at_end: Floats | None = None) -> Calibration:
    """Return the calibration with the light that lay round each step, and what fades behind black of its scatter."""
    full = made.scan.full_scale
    light = np.interp(signal * full, np.arange(full + 1), made.table(full))
    readings = with_surrounds([step.reading for step in made.steps], light, CELL_MM)
    steps = zip(made.steps, readings, strict=True)
    made = replace(made, steps=tuple(replace(step, reading=reading) for step, reading in steps))
    if made.mode == "reflection":
        return made
    small, cell_mm = coarse(light, (CELL_MM, CELL_MM))
    wedge_mm = outline([one.box_mm for one in readings])
    dark_end = None if at_end is None else coarse(at_end, (CELL_MM, CELL_MM))[0]
    return replace(made, scattering=shown_by_black(small, wedge_mm, cell_mm=cell_mm, at_end=dark_end))


def signal_map(scan: Scan) -> Floats:
    """Return the mean signal of cells of `CELL_MM` over a scan, shape (rows, columns)."""
    return even_cells(_surveyed(scan))


def _surveyed(scan: Scan) -> Survey:
    require_size(scan)
    return survey(scan, cell_mm=CELL_MM)


def even_cells(surveyed: Survey) -> Floats:
    """Return the means of a survey over even cells of `CELL_MM`, whatever whole pixels its own cells have."""
    across = _regrouped(surveyed.mean.T, surveyed.x_edges_mm)
    return _regrouped(across.T, surveyed.y_edges_mm)


def searched(signal: Floats, region_mm: BoxMm | None, scan: Scan) -> tuple[Floats, tuple[float, float]]:
    """Return the part of a signal map in a region, and its corner in mm; WrongUseError where it is too small."""
    if region_mm is None:
        return signal, (0.0, 0.0)
    left, top, width, height = (round(side / CELL_MM) for side in region_mm)
    part = signal[max(top, 0) : top + height, max(left, 0) : left + width]
    if min(part.shape) < 8:
        raise WrongUseError(
            f"{scan.facts.file}: --region holds no part of the scan that a wedge fits in; the scan is "
            f"{scan.width_mm:.0f} x {scan.height_mm:.0f} mm."
        )
    return part, (CELL_MM * max(left, 0), CELL_MM * max(top, 0))


def _regrouped(lines: Floats, edges_mm: Floats) -> Floats:
    """Return means over cells of `CELL_MM` along the first axis, from cells between other borders."""
    total = np.concatenate((np.zeros((1, lines.shape[1])), np.cumsum(lines * np.diff(edges_mm)[:, None], axis=0)))
    borders = np.arange(int(edges_mm[-1] / CELL_MM + 1e-6) + 1) * CELL_MM
    k = np.clip(np.searchsorted(edges_mm, borders, side="right") - 1, 0, edges_mm.size - 2)
    share = ((borders - edges_mm[k]) / np.diff(edges_mm)[k])[:, None]
    result: Floats = np.diff(total[k] + share * (total[k + 1] - total[k]), axis=0) / CELL_MM
    return result


def _densities_of(wedge: Wedge) -> str:
    """Return what to look at where the densities are those of another wedge."""
    if wedge.name == NOMINAL:
        return "give the right number with --steps"
    return f"check that {wedge.name or 'the file of densities'} belongs to this wedge"


def _fuller(refusals: list[str]) -> str:
    """Return the refusal that saw something, where one did."""
    return next((text for text in refusals if "were seen" in text), refusals[0])


def _read(scan: Scan, wedge: Wedge, place: WedgePlace) -> tuple[StepReading, ...]:
    readings = []
    for step, found in zip(wedge.lightest_first(), place.steps, strict=True):
        left, top, width, height = found.box_mm
        box = (max(left, 0.0), max(top, 0.0), width, height)
        read = patch(scan, box_mm=box)
        per_mm2 = read.independent / max(width * height, 1e-9)
        readings.append(
            StepReading(
                step=step.step,
                density=step.density,
                certificate=step.uncertainty,
                common=step.common,
                signal=read.clean_mean,
                noise=read.clean_sd,
                independent=max(read.independent, 1.0),
                per_aperture=max(per_mm2 * APERTURE_MM2, 1.0),
                clipped=max(read.clipped_light, read.clipped_dark),
                box_mm=box,
                seen=found.seen,
            )
        )
    return tuple(readings)


def _told(found: Mapping[bool, Sequence[StepReading]], steps: Steps, file: str, map_of_signal: Floats) -> bool:
    """Tell the polarity from the steps as they were found, taken as falling, as rising, or both."""
    seen = {}
    for way, readings in found.items():
        signal = [reading.signal if reading.clipped <= MOST_CLIPPED else math.nan for reading in readings]
        beside = _beside([one.box_mm for one in readings], map_of_signal)
        seen[way] = StepSignals(np.array(signal), beside)
    only = next(iter(seen.values()))
    return told_inverted(seen.get(False, only), steps, file, rising=seen.get(True, only))


def _beside(boxes_mm: Sequence[BoxMm], signal: Floats) -> Floats:
    """Return the clearest and the darkest of what lies on the bed beside the steps, which may be the open light."""
    left, top, width, height = np.array(boxes_mm).T / CELL_MM
    # A box is the middle of its step: as much again on each side is beyond the step and its edges.
    far = slice(max(int((top - height).min()), 0), int((top + 2.0 * height).max()) + 1)
    wide = slice(max(int((left - width).min()), 0), int((left + 2.0 * width).max()) + 1)
    outside = np.ones(signal.shape, dtype=bool)
    outside[far, wide] = False
    return np.quantile(signal[outside], (0.05, 0.95)) if np.count_nonzero(outside) >= _SURFACE else np.zeros(0)


def calibrate_steps(
    readings: Sequence[StepReading],
    *,
    facts: ScanFacts,
    channel: str,
    inverted: bool,
    label: Label,
    scattering: Scattering | None = None,
) -> Calibration:
    """Make a calibration from the readings of a wedge's steps.

    Parameters
    ----------
    readings
        Lightest first.
    inverted
        True when the signal rises with density: see `told_inverted`.
    scattering
        What the scanner scatters, as far as it is known; what is usual where not given.

    Raises
    ------
    CalibrationError
        If fewer than five steps are told apart.
    """
    made = _through_steps(readings, facts=facts, channel=channel, inverted=inverted, label=label)
    return by_laws(replace(made, scattering=scattering), _with_left_out)


def _through_steps(
    readings: Sequence[StepReading], *, facts: ScanFacts, channel: str, inverted: bool, label: Label
) -> Calibration:
    """Return the calibration whose curve goes through every step that is told apart, as `calibrate_steps` takes it."""
    used, warnings = usable(readings, inverted=inverted)
    if sum(used) < FEWEST_USED:
        raise CalibrationError(
            f"{facts.file}: only {sum(used)} steps of the wedge can be separated; at least {FEWEST_USED} are needed: "
            "scan with automatic exposure off, in 16 bits, so that the clear step is just below white."
        )
    if sum(used) < _ENOUGH:
        message = (
            f"Only {sum(used)} steps: between them the curve is taken as smooth, so densities there are less sure."
        )
        warnings.append(Warning_(code="few-steps", message=message))
    kept = [reading for reading, flag in zip(readings, used, strict=True) if flag]
    plain = Calibration(
        name=label.name,
        created=label.created,
        mode=label.mode,
        channel=channel,
        inverted=inverted,
        scan=facts,
        steps=tuple(
            CalibratedStep(reading=reading, used=flag, measured=None)
            for reading, flag in zip(readings, used, strict=True)
        ),
        fit=(0.0,) * (sum(used) - 1),
        density_range=(kept[0].density, kept[-1].density),
        residual=0.0,
        warnings=tuple(warnings),
    )
    tried = [(_left_out_residual(made), made) for made in (replace(plain, black=black) for black in _blacks(plain))]
    residual, best = min(tried, key=lambda one: one[0])
    return _with_left_out(best if residual < _CLEARLY * tried[0][0] else tried[0][1])


def _blacks(plain: Calibration) -> Sequence[float]:
    """Return the signals worth trying as that of no light: none, and parts of the darkest signal used."""
    darkest = min(
        1.0 - step.reading.signal if plain.inverted else step.reading.signal for step in plain.steps if step.used
    )
    return (0.0, *(darkest * part for part in _PARTS_OF_DARKEST))


def _without_step(x: Floats, densities: Floats, number: int) -> float:
    """Return what the curve through the other steps gives where a step was read."""
    keep = np.arange(x.size) != number
    return float(shape_preserving(x[keep], densities[keep], [x[number]])[0])


def _residual(values: Sequence[float], densities: Floats) -> float:
    """Return the root mean square of what the inner steps, left out in turn, were missed by."""
    return math.sqrt(
        sum((value - float(known)) ** 2 for value, known in zip(values, densities[1:-1], strict=True)) / len(values)
    )


def _left_out_residual(plain: Calibration) -> float:
    x, densities, _ = plain.knots()
    return _residual([_without_step(x, densities, number) for number in range(1, x.size - 1)], densities)


def _with_left_out(plain: Calibration) -> Calibration:
    """Fill in what the curve says of each step when that step is left out, and from that the doubt of its shape."""
    x, densities, used = plain.knots()
    slopes = shape_preserving_slopes(x, densities)
    size = x.size
    without: list[tuple[float, dict[Influence, float]]] = []
    excess = np.zeros(size)
    known = np.zeros(size)
    for number in range(1, size - 1):
        keep = np.arange(size) != number
        value = _without_step(x, densities, number)
        pull = np.insert(pull_of_steps(x[keep], densities[keep], float(x[number])), number, 0.0)
        parts: dict[Influence, float] = {}
        for j in range(size):
            # The step left out has no say in the curve, but its noise and rounding move the place where it is read.
            own = step_parts(plain, used[j], pull=float(pull[j]) if j != number else 1.0, slope=float(slopes[j]))
            parts |= {key: part for key, part in own.items() if j != number or key.kind != "wedge"}
        without.append((value, parts))
        known[number] = sum(part * part for part in parts.values()) + (0.5 * used[number].certificate) ** 2
        excess[number] = (value - densities[number]) ** 2 - known[number]
    pooled = [_shape_doubt(excess, known, n) for n in range(size)]
    measured: dict[str, Quantity] = {}
    for number, (value, parts) in enumerate(without, start=1):
        parts[Influence("fit", f"without {used[number].step}")] = math.sqrt(pooled[number])
        lamp = used[number].density - used[number].light_density
        told = Quantity(value + lamp, {key: part for key, part in parts.items() if part != 0.0})
        # of a drowned step the curve may know nothing: a width beyond all densities is no figure
        measured[used[number].step] = told if (told.uncertainty or 0.0) < _WIDEST else Quantity(told.value, None)
    # Without its step a gap is twice as wide; the error of a cubic between knots falls at least with the square.
    fit = [0.25 * math.sqrt(max(pooled[k], pooled[k + 1])) for k in range(size - 1)]
    if size < _ENOUGH:
        gaps = np.abs(np.diff(densities))
        fit = [math.hypot(known_of, _UNSEEN * float(gap)) for known_of, gap in zip(fit, gaps, strict=True)]
    return replace(
        plain,
        steps=tuple(
            replace(step, measured=measured.get(step.reading.step) if step.used else None) for step in plain.steps
        ),
        fit=tuple(fit[::-1]),
        residual=_residual([value for value, _ in without], densities),
    )


def _shape_doubt(excess: Floats, known: Floats, number: int) -> float:
    """Return the variance of the curve's shape at a step, from the squared residuals round it beyond what is known.

    A single residual says little: five neighbours are pooled. What they may exceed by chance (two standard deviations
    of the mean of five squares of normal deviates) is not taken for an error of shape.
    """
    near = slice(max(number - 2, 1), min(number + 3, excess.size - 1))
    chance = 2.0 * math.sqrt(2.0 / (near.stop - near.start))
    return max(float(np.mean(excess[near])) - chance * float(np.mean(known[near])), 0.0)


def told_inverted(falling: StepSignals, steps: Steps, file: str, *, rising: StepSignals | None = None) -> bool:
    """Tell from the steps whether the signal rises with density.

    Parameters
    ----------
    falling
        Signals of the steps and of what lies beside them.
    steps
        Those of the wedge file.
    rising
        The same where the steps lie if the signal rises; where that is elsewhere.

    Raises
    ------
    PolarityError
        If neither order of the steps, nor the shape of the tone curve, tells.
    """
    odds = odds_of_falling(falling, falling if rising is None else rising, steps.densities, steps.doubts)
    if abs(odds) < CLEAR_ODDS:
        raise PolarityError(_DOUBT.format(file=file))
    return odds < 0.0
