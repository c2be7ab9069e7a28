"""A paper test as a person reads it."""

from __future__ import annotations

from densiscan.arithmetic.quantity import Quantity, Warning_
from densiscan.paper.drying import percent_off
from densiscan.paper.grade import HARDER, SOFTER
from densiscan.paper.tested_range import PaperTest
from densiscan.report.readings import density_text, paragraph

_METHOD = {
    "scan": "the print of the wedge was read on a scan",
    "points": "densities read elsewhere",
    "eye": "steps counted by eye on a print of the wedge",
}


HELD = "\u00a0"
"""Space at which no line is broken; it becomes a plain one once the lines are made."""


def range_text(quantity: Quantity) -> str:
    """Return an ISO range to whole numbers, with its expanded uncertainty (k = 2), never stated as less than 1."""
    if quantity.limit is not None:
        return f"{quantity.limit} {quantity.value:.0f}"
    if quantity.uncertainty is None:
        return f"{quantity.value:.0f}, how surely is not known"
    return f"{quantity.value:.0f} ± {max(quantity.uncertainty, 1.0):.0f}"


def grade_words(grade: str | None) -> str:
    """Return a grade in words; None where a limit tells none."""
    if grade is None:
        return "no grade is given"
    return grade if grade in {SOFTER, HARDER} else f"grade {grade}"


def seconds_text(seconds: float) -> str:
    """Return a printing time: tenths of a second below 10 s, whole seconds below two minutes, else 2:30."""
    if seconds < 9.95:
        return f"{seconds:.1f}{HELD}s"
    if seconds < 119.5:
        return f"{seconds:.0f}{HELD}s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def label_line(label: str, text: str) -> str:
    """Return one figure with its label in the margin."""
    return sentence(text, label=label or " ")


def sentence(text: str, *, label: str = "") -> str:
    """Return a wrapped sentence in which numbers and their units stay together."""
    return paragraph(text, label=label).replace(HELD, " ")


def warning_lines(warnings: tuple[Warning_, ...]) -> list[str]:
    """Return each warning as a marked paragraph, once."""
    return [sentence(f"! {message}") for message in dict.fromkeys(warning.message for warning in warnings)]


def paper_text(test: PaperTest) -> str:
    """Return the page of one paper test."""
    about = test.circumstances
    source = f" ({about.source})" if about.source else ""
    exposed = "" if about.exposure_s is None else f", exposed {seconds_text(about.exposure_s)}"
    at_size = "" if about.magnification is None else f" under an enlarger set for {about.magnification:g} times"
    lines = [
        title_of(test),
        sentence(f"{_METHOD[test.method]}{source}{exposed}{at_size}"),
        "",
        *(label_line(label, words) for label, words in figures_of(test)),
    ]
    if about.exposure_s is not None and test.from_wedge and test.shadow_log_exposure.limit is None:
        lines += ["", sentence(_in_seconds(test, about.exposure_s))]
    return "\n".join([*lines, *warning_lines(test.warnings)])


def title_of(test: PaperTest) -> str:
    """Return what stands above a paper test."""
    return f"Paper {test.circumstances.name}" if test.circumstances.name else "Paper test"


def figures_of(test: PaperTest) -> list[tuple[str, str]]:
    """Return the figures of a paper test in words, each under its name."""
    black = test.black_log_exposure
    return [
        ("range R", f"{range_text(test.iso_range)}: {grade_words(test.grade)}"),
        ("base plus fog", _density(test.base_plus_fog, test)),
        *([] if test.fog is None else [("fog", density_text(test.fog))]),
        ("maximum black", _density(test.maximum_black, test)),
        ("shadows", f"90 % of the net black {_place(test.shadow_log_exposure, test)}"),
        ("highlights", f"the first tone {_place(test.highlight_log_exposure, test)}"),
        *([] if black is None else [("full black", f"looks fully black {_place(black, test)}")]),
        *([] if test.dry_down_stops is None else [("dry-down", _dries(test.dry_down_stops))]),
    ]


def _dries(stops: Quantity) -> str:
    doubt = "" if stops.uncertainty is None else f" ± {max(stops.uncertainty, 0.01):.2f}"
    return f"{stops.value:.2f}{doubt} stops: judged wet, give {percent_off(stops.value):.0f} % less"


def _density(quantity: Quantity | None, test: PaperTest) -> str:
    if quantity is not None:
        return density_text(quantity)
    return "not known without a calibration" if test.relative else "not known"


def _place(quantity: Quantity, test: PaperTest) -> str:
    if test.from_wedge:
        return f"through a density of {density_text(-quantity)}"
    return f"at log exposure {density_text(quantity)}"


def _in_seconds(test: PaperTest, seconds: float) -> str:
    bare = seconds * 10.0**-test.shadow_log_exposure.value
    through = 10.0**test.shadow_log_exposure.value
    return (
        f"With this lamp the paper needs {seconds_text(bare)} for 90 % of its black through nothing at all."
        if through > 1.0
        else f"With this lamp a negative of density {-test.shadow_log_exposure.value:.2f} prints as 90 % of the black "
        f"in {seconds_text(seconds)}; each 0.30 more doubles the time."
    )
