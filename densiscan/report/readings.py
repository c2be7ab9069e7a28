"""Results as a person reads them (80 columns), and as a program reads them (JSON)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final, Protocol

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.batch.assessment import Assessment, BatchResult, Failure
from densiscan.calibration.calibration import CalibratedStep, Calibration
from densiscan.development.exposure import ExposureAdvice
from densiscan.development.verdict import DevelopmentAdvice
from densiscan.files.atomic import as_text
from densiscan.files.serialise import Layout, as_document
from densiscan.negative.find.not_film import LEFT_OUT_CODES
from densiscan.negative.reading import Reading
from densiscan.paper.grade import HARDER, SOFTER
from densiscan.report.terminal import fitted, wrapped
from densiscan.report.trouble import finding_lines, trouble_lines
from densiscan.report.wedge import wedge_words
from densiscan.report.zone_change import zones_words

WIDTH: Final = 79
READINGS_FORMAT: Final = "densiscan.readings/1"
_LABEL: Final = 16
_LEAST_TOLD: Final = 0.0005
"""Difference of density below which nothing is left of it in three decimals."""
_WIDEST: Final = 0.5
"""Expanded uncertainty of a density that is worth a word instead of a figure, where it exceeds the density too."""
QUANTITIES: Final = (
    "base_plus_fog",
    "fog",
    "shadow",
    "highlight",
    "density_range",
    "net_shadow",
    "net_highlight",
)


class Named(Protocol):
    """What readings were made by, as a report names it: a calibration, or the wedge beside the film."""

    @property
    def name(self) -> str:
        """Its name."""
        ...


def density_text(quantity: Quantity | None) -> str:
    """Return a density to two decimals with its expanded uncertainty, never stated as less than 0.01.

    What is only a limit says so; an uncertainty larger than any density is no figure to print.
    """
    if quantity is None or quantity.untold:
        return "not known"
    value = f"{quantity.value + 0.0:.2f}".replace("-0.00", "0.00")
    if quantity.limit is not None:
        return f"{quantity.limit} {value}"
    if not quantity.uncertainty:
        return value
    if quantity.uncertainty > max(abs(quantity.value), _WIDEST):
        return f"about {value}, very uncertain"
    return f"{value} ± {max(quantity.uncertainty, 0.01):.2f}"


def time_text(seconds: float) -> str:
    """Return a time as 8:30."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def paragraph(text: str, *, label: str = "", indent: int = 2) -> str:
    """Return a wrapped sentence, with a label in the margin where one is given."""
    margin = " " * indent + (label.ljust(_LABEL) if label else "")
    return wrapped(text, WIDTH, first=margin, others=" " * len(margin))


def _warnings_text(warnings: Iterable[Warning_]) -> list[str]:
    # what was left out has a line of its own
    warnings = [warning for warning in warnings if warning.code not in LEFT_OUT_CODES]
    return [paragraph(f"! {message}") for message in dict.fromkeys(warning.message for warning in warnings)]


def calibration_text(calibration: Calibration) -> str:
    """Return a calibration as a table of its steps."""
    facts = calibration.scan
    ppi = "" if facts.ppi is None else f"{facts.ppi:.0f} ppi, "
    runs = "clear is dark" if calibration.inverted else "clear is bright"
    lines = [
        f"Calibration {calibration.name}",
        paragraph(f"{facts.file}: {ppi}{facts.bits} bit, {calibration.channel}, {calibration.mode}, {runs}"),
        "",
        "   step   density   predicted from others   signal     noise",
        *(_step_text(step) for step in calibration.steps),
        "",
    ]
    looks = [] if not calibration.looks else [paragraph(looks_text(calibration))]
    return "\n".join([*lines, paragraph(trust_text(calibration)), *looks, *_warnings_text(calibration.warnings)])


def looks_text(calibration: Calibration) -> str:
    """Return what the looks that a calibration was made from differ by."""
    told = [f"{look.file} {_away(look.difference.value)}" for look in calibration.looks]
    expanded = max(2.0 * (calibration.drift or 0.0), 0.001)
    drift = f"Drift of ± {expanded:.3f} from one scan to the next is counted in every density."
    return f"Combined from {len(told)} looks at the wedge, against their mean: {', '.join(told)}. {drift}"


def _away(difference: float) -> str:
    if abs(difference) < _LEAST_TOLD:
        return "the same"
    return f"{abs(difference):.3f} {'denser' if difference > 0.0 else 'lighter'}"


def trust_text(calibration: Calibration) -> str:
    """Return how far a calibration reaches, and how well it foretells its own steps."""
    low, high = calibration.density_range
    error = max(calibration.residual, 0.001)
    return f"Reliable from {low:.2f} to {high:.2f}. Typical error when a step is left out: {error:.3f}."


def _step_text(step: CalibratedStep) -> str:
    reading = step.reading
    return (
        f"  {reading.step:>5}   {reading.density:7.2f}   {predicted_text(step):<20}   {reading.signal:9.4f}   "
        f"{reading.noise:7.4f}"
    )


def predicted_text(step: CalibratedStep) -> str:
    """Return what the curve says of a step without it."""
    back = "end of the curve" if step.measured is None else density_text(step.measured)
    return back if step.used else "not used"


def readings_text(result: BatchResult, calibration: Named | None = None, *, usual: bool = False) -> str:
    """Return the readings of a batch: a page for a single one, a table with notes for several.

    `usual` as for `trouble_lines`.
    """
    assessments = result.assessments
    blocks = []
    if len(assessments) == 1:
        blocks.append(reading_text(assessments[0], calibration, usual=usual))
    elif assessments:
        blocks.append(_table_text(assessments, calibration))
        blocks.extend(notes_text(assessment, _first_number(assessments, k)) for k, assessment in enumerate(assessments))
    if result.failures:
        counted = "1 file" if len(result.failures) == 1 else f"{len(result.failures)} files"
        blocks.append(f"Not measured: {counted}, see the messages.")
    return "\n\n".join(block for block in blocks if block)


def reading_text(assessment: Assessment, calibration: Named | None = None, *, usual: bool = False) -> str:
    """Return the page of one piece of film; `usual` as for `trouble_lines`."""
    reading = assessment.reading
    withheld = assessment.withheld
    first = [] if withheld is None else [paragraph(f"! {withheld.message}")]
    lines = [reading.name, *first, *_figures_text(reading, calibration)]
    verdicts = [
        *(_advice_text(assessment) if assessment.judged else []),
        *_zones_text(assessment),
        *(paragraph(words, label=label) for label, words in trouble_lines(assessment.trouble, usual=usual)),
        *([] if assessment.wedge is None else [paragraph(wedge_words(assessment.wedge), label="wedge")]),
        *_left_out_lines(reading),
    ]
    lines += ["", *verdicts] if verdicts else []
    warnings = _warnings_text(warning for warning in reading.warnings if warning is not withheld)
    return "\n".join([*lines, *([""] if warnings else []), *warnings])


def measured_text(reading: Reading) -> str:
    """Return the page of a reading of which nothing was judged."""
    warnings = [*_left_out_lines(reading), *_warnings_text(reading.warnings)]
    return "\n".join([reading.name, *_figures_text(reading, None), *([""] if warnings else []), *warnings])


def _figures_text(reading: Reading, calibration: Named | None) -> list[str]:
    figures = [_figure(*cells) for cells in figures_of(reading)]
    spots = _spots_text(reading)
    return [paragraph(_how_it_was_read(reading, calibration)), "", *figures, *([""] if spots else []), *spots]


def figures_of(reading: Reading) -> list[tuple[str, str, str]]:
    """Return what was read in words: its name, its gross density, and "net" with the net one where there is one."""
    fog = [] if reading.fog is None else [("fog", density_text(reading.fog), "")]
    return [
        ("base plus fog", density_text(reading.base_plus_fog), ""),
        *fog,
        ("shadow", density_text(reading.shadow), _net(reading.net_shadow)),
        ("highlight", density_text(reading.highlight), _net(reading.net_highlight)),
        ("density range", density_text(reading.density_range), ""),
    ]


def spots_of(reading: Reading) -> list[tuple[str, str, str]]:
    """Return what was read at named places likewise."""
    return [(f"{spot.x_mm:g}, {spot.y_mm:g} mm", density_text(spot.density), _net(spot.net)) for spot in reading.spots]


def _left_out_lines(reading: Reading) -> list[str]:
    return [paragraph(item.message, label="left out") for item in reading.left_out]


def may_be_lost(assessments: Iterable[Assessment]) -> bool:
    """Return whether anything was left out that may be film."""
    return any(item.may_be_film for one in assessments for item in one.reading.left_out)


def _how_it_was_read(reading: Reading, calibration: Named | None) -> str:
    facts = [f"{reading.ppi:.0f} ppi", f"{reading.aperture_mm:g} mm aperture"]
    facts += [] if calibration is None else [f"calibration {calibration.name}"]
    if reading.frame_mm is not None:
        facts.append(f"frame {reading.frame_mm[2]:.0f} x {reading.frame_mm[3]:.0f} mm")
    if reading.angle_deg is not None and abs(reading.angle_deg) >= 0.05:
        facts.append(f"turned {reading.angle_deg:.1f} degrees")
    return ", ".join(facts)


def _figure(label: str, *values: str) -> str:
    return ("  " + label.ljust(_LABEL) + "  ".join(value.ljust(13) for value in values)).rstrip()


def _net(quantity: Quantity | None) -> str:
    return "" if quantity is None else f"net {density_text(quantity)}"


def _advice_text(assessment: Assessment) -> list[str]:
    return [paragraph(words, label=label) for label, words in judgement_of(assessment)]


def _zones_text(assessment: Assessment) -> list[str]:
    words = zones_words(assessment)
    return [] if words is None else [paragraph(" ".join(words), label="zones")]


def judgement_of(assessment: Assessment) -> list[tuple[str, str]]:
    """Return what is said of exposure, development and paper, each under its name."""
    exposure, development, paper = assessment.exposure, assessment.development, assessment.paper
    judged = "not judged" if exposure.warnings else exposure.verdict
    grade = "" if paper.grade is None else f"grade {paper.grade}"
    return [
        ("exposure", f"{judged}. {exposure.reason}"),
        ("development", f"{_development_words(assessment)}. {development.reason}"),
        ("paper", f"{grade}. {paper.note}" if grade else paper.note),
    ]


def _development_words(assessment: Assessment) -> str:
    development = assessment.development
    if development.warnings:
        return "not judged"
    if development.verdict == "keep" or development.time_factor is None:
        return "keep"
    return f"{development.verdict}, {development.time_factor.value:.2f} x the time"


def _table_text(assessments: Sequence[Assessment], calibration: Named | None) -> str:
    return "\n".join([table_head(calibration), *(row_text(assessment) for assessment in assessments)])


def table_head(calibration: Named | None) -> str:
    """Return what stands above the lines of several readings."""
    read_by = "Gross densities" if calibration is None else f"Calibration {calibration.name}; gross densities"
    head = f"  {'scan':<18}{'base+fog':>9}{'shadow':>7}{'highl.':>7}{'range':>12}  {'exposure':<9}{'develop':<8}grade"
    return f"{read_by}\n\n{head}"


def cells_of(assessment: Assessment) -> tuple[str, ...]:
    """Return the cells of one reading of several: its name, densities, verdicts; see `table_head`."""
    reading, judged = assessment.reading, assessment.judged
    name = reading.file if reading.piece is None else f"{reading.file} ({reading.piece})"
    exposure, develop, grade = _verdicts(assessment)
    verdicts = (exposure, develop, grade) if judged else (reading.seen, "", "-")
    short = [_short(quantity) for quantity in (reading.base_plus_fog, reading.shadow, reading.highlight)]
    density_range = "?" if reading.density_range is None else density_text(reading.density_range)
    return name, *short, density_range, *verdicts


def row_text(assessment: Assessment) -> str:
    """Return the line of one reading of several."""
    name, *short, density_range, exposure, develop, grade = cells_of(assessment)
    figures = f"{short[0]:>9}{short[1]:>7}{short[2]:>7}{density_range:>12}"
    verdict = f"{exposure:<9}{develop:<8}{grade}" if assessment.judged else f"{exposure:<17}{grade}"
    return f"  {fitted(name, 18, tail=7)}{figures}  {verdict}"


def _verdicts(assessment: Assessment) -> tuple[str, str, str]:
    """Return exposure, development and grade as a line of a table has them."""
    development = assessment.development
    exposure = "?" if assessment.exposure.warnings else assessment.exposure.verdict
    factor = development.time_factor
    develop = "keep" if development.verdict == "keep" or factor is None else f"x {factor.value:.2f}"
    develop = "?" if development.warnings else develop
    grade = {SOFTER: "< 0", HARDER: "> 5", None: "?"}.get(assessment.paper.grade, assessment.paper.grade)
    return exposure, develop, grade or "?"


def _short(quantity: Quantity | None) -> str:
    if quantity is None or quantity.untold:
        return "?"
    sign = "" if quantity.limit is None else "> " if quantity.limit == "at least" else "< "
    return sign + f"{quantity.value + 0.0:.2f}".replace("-0.00", "0.00")


def _first_number(assessments: Sequence[Assessment], k: int) -> int:
    """Return the number of the first finding of reading k among all of its scan."""
    return 1 + sum(len(other.trouble.findings) for other in assessments[:k] if other.path == assessments[k].path)


def _worth_a_word(advice: ExposureAdvice | DevelopmentAdvice, usual: str) -> bool:
    return advice.verdict != usual or advice.borderline or bool(advice.warnings)


def notes_text(assessment: Assessment, first_number: int = 1) -> str:
    """Return what is to be said of one scan of several beyond its line in the table; nothing where all is well."""
    exposure, development, paper = _advice_text(assessment)
    if not assessment.judged:
        return _notes_of_another(assessment, first_number)
    lines = [
        *([exposure] if _worth_a_word(assessment.exposure, "normal") else []),
        *([development] if _worth_a_word(assessment.development, "keep") else []),
        *([paper] if assessment.paper.grade in {SOFTER, HARDER, None} else []),
        *_spots_text(assessment.reading),
        *(paragraph(words, label=label) for label, words in finding_lines(assessment.trouble, first_number)),
        *_left_out_lines(assessment.reading),
        *_warnings_text(assessment.reading.warnings),
    ]
    return "\n".join([assessment.reading.name, *lines]) if lines else ""


def _notes_of_another(assessment: Assessment, first_number: int) -> str:
    """Return what is to be said of what is no negative: first why it is not judged."""
    reading = assessment.reading
    lines = [
        *_warnings_text(reading.warnings),
        *_spots_text(reading),
        *(paragraph(words, label=label) for label, words in finding_lines(assessment.trouble, first_number)),
        *_left_out_lines(reading),
    ]
    return "\n".join([reading.name, *lines])


def _spots_text(reading: Reading) -> list[str]:
    return [_figure(*cells) for cells in spots_of(reading)]


def readings_document(result: BatchResult, calibration: Named) -> dict[str, Any]:
    """Return the readings as plain JSON values.

    Examples
    --------
    >>> calibration = read_calibration("mine.json")
    >>> document = readings_document(measure_files("thin.tif", calibration), calibration)
    >>> document["readings"][0]["exposure"]["verdict"]
    'under'
    """
    return {
        "format": READINGS_FORMAT,
        "calibration": calibration.name,
        "readings": [reading_document(assessment) for assessment in result.assessments],
        "failed": [failure_document(failure) for failure in result.failures],
        "left_out": left_out_documents(assessment.reading for assessment in result.assessments),
    }


def left_out_documents(readings: Iterable[Reading]) -> list[dict[str, Any]]:
    """Return what was not measured on some scans as plain JSON values."""
    layout = {"LeftOut": "box_mm code message"}
    return [as_document(item, layout, file=reading.file) for reading in readings for item in reading.left_out]


def failure_document(failure: Failure) -> dict[str, str]:
    """Return a scan that gave nothing as plain JSON values."""
    return {
        "file": as_text(failure.path.name),
        "path": as_text(failure.path),
        "code": failure.code,
        "message": as_text(failure.message),
    }


def reading_document(assessment: Assessment) -> dict[str, Any]:
    """Return one piece of film as plain JSON values."""
    return as_document(assessment, _LAYOUT)


_LAYOUT: Final[Layout] = {
    "Assessment": "file=reading.file path piece?=reading.piece ppi=reading.ppi aperture_mm=reading.aperture_mm "
    "film_mm=reading.film_mm frame_mm=reading.frame_mm angle_deg=reading.angle_deg "
    + "".join(f"{name}=reading.{name} " for name in QUANTITIES)
    + "spots=reading.spots clipped.light=reading.clipped_light clipped.dark=reading.clipped_dark "
    "beyond_calibration=reading.beyond_calibration seen=reading.seen exposure development paper warnings "
    "findings=trouble.findings evenness=trouble channels?=reading.channels left_out?=reading.left_out wedge? zones?",
    "Assessment.exposure": lambda assessment: assessment.exposure if assessment.judged else None,
    "Assessment.development": lambda assessment: assessment.development if assessment.judged else None,
    "Assessment.paper": lambda assessment: assessment.paper if assessment.judged else None,
    "ZoneChange": "stops places highlight time_factor",
    "PlacedZone": "x_mm y_mm zone wanted exposed_on",
    "Highlight": "falls_on wanted stops contrast_factor",
    "ExposureAdvice": "verdict judged stops at_least borderline reason",
    "ExposureAdvice.judged": lambda advice: not advice.warnings,
    "DevelopmentAdvice": "verdict judged contrast target_contrast time_factor borderline reason",
    "DevelopmentAdvice.judged": lambda advice: not advice.warnings,
    "Finding": "code message box_mm size side sure count area_share places_mm",
    "Finding.box_mm": lambda finding: [round(value, 2) for value in finding.box_mm],
    "Finding.sure": lambda finding: round(finding.sure, 3),
    "Finding.places_mm": lambda finding: [[round(x, 2), round(y, 2)] for x, y in finding.places_mm],
    "Trouble": "fog fog_level fog_against notes",
    "SideFog": "side=name base_plus_fog fog",
    "ChannelReading": "channel base_plus_fog shadow highlight density_range disagrees",
    "WedgeRead": "density_range=calibration.density_range residual=calibration.residual steps=calibration.steps drift",
    "CalibratedStep": "step=reading.step box_mm=reading.box_mm used",
    "DriftCheck": "calibration mean worst=worst.difference worst_at_density=worst.density drifted",
}
