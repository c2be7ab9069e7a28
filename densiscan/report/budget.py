"""What makes up the uncertainty of each reading, largest part first: as a table and as plain JSON values."""

from __future__ import annotations

from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Quantity
from densiscan.batch.assessment import BatchResult
from densiscan.negative.reading import Reading
from densiscan.report.readings import paragraph

WORDS: Final = {
    "wedge": "certificate of the wedge",
    "step noise": "noise of the wedge's steps",
    "fit": "shape of the curve between the steps",
    "patch noise": "grain and noise of what is read",
    "glare": "light scattered into it, or at the wedge",
    "lamp": "uneven lamp, here and at the wedge",
    "drift": "drift since the wedge was scanned",
    "rounding": "whole codes",
    "specks": "dust or clear specks in a spot",
    "frame edge": "where the picture ends",
    "tone gap": "few tones near the darkest or lightest hundredth",
}
"""Kinds of influence (method note 5) as a person says them."""

CURES: Final = {
    "wedge": "a wedge with a better certificate",
    "step noise": "several scans of the wedge, calibrated together",
    "fit": "a wedge with more steps",
    "patch noise": "a larger aperture, or a scan with more pixels",
    "glare": "black card around the negative",
    "lamp": "a scan of the empty bed",
    "drift": "a calibration of the same evening",
    "rounding": "scans of 16 bits",
    "specks": "the film dusted off, or another spot",
    "frame edge": "the edges of the picture given by hand",
    "tone gap": "spots named by hand in shadow and highlight",
}
"""What makes each kind smaller."""

_QUARTER: Final = 0.25
"""Share of the variance that is left of half the uncertainty."""

_QUANTITIES: Final = (
    ("base_plus_fog", "base plus fog"),
    ("fog", "fog"),
    ("shadow", "shadow"),
    ("highlight", "highlight"),
    ("density_range", "density range"),
    ("net_shadow", "net shadow"),
    ("net_highlight", "net highlight"),
)
_LEAST_SHARE: Final = 0.0005
"""Share below which a part is left out of the table: it would print as 0.0 %."""


def budget_of(quantity: Quantity) -> list[dict[str, Any]]:
    """Return the parts of an uncertainty, largest first: kind, contribution (k = 2) and share of the variance.

    Shares add up to 1; contributions add in quadrature to the uncertainty.
    """
    standard = quantity.standard_uncertainty
    if not standard:
        return []
    return [
        {"kind": kind, "contribution": COVERAGE_FACTOR * part, "share": (part / standard) ** 2}
        for kind, part in quantity.budget().items()
        if part > 0.0
    ]


def halved_by(quantity: Quantity, name: str) -> str:
    """Return a sentence on what would halve an uncertainty: the largest parts that must go for that.

    What is left without them is at most a quarter of the variance.

    Parameters
    ----------
    name
        Of the quantity, such as "density range".
    """
    gone, left = [], 1.0
    for part in budget_of(quantity):
        if left <= _QUARTER:
            break
        gone.append(part)
        left -= part["share"]
    cures = [CURES.get(part["kind"], WORDS.get(part["kind"], part["kind"])) for part in gone]
    listed = cures[0] if len(cures) == 1 else f"{', '.join(cures[:-1])} and {cures[-1]}"
    together = "" if len(cures) == 1 else ", together"
    return f"To halve the uncertainty of the {name}: {listed}{together}."


def _named(reading: Reading) -> list[tuple[str, Quantity]]:
    quantities = [(words, getattr(reading, name)) for name, words in _QUANTITIES]
    quantities += [(f"spot {spot.x_mm:g}, {spot.y_mm:g} mm", spot.density) for spot in reading.spots]
    return [
        (words, quantity) for words, quantity in quantities if quantity is not None and quantity.standard_uncertainty
    ]


def budgets_text(result: BatchResult) -> str:
    """Return the budgets of all readings as tables of 80 columns at most."""
    blocks = []
    for assessment in result.assessments:
        reading = assessment.reading
        name = reading.file if reading.piece is None else f"{reading.file}, piece {reading.piece}"
        lines = [paragraph(f"What the uncertainties of {name} are made of (k = 2)", indent=0)]
        for words, quantity in _named(reading):
            lines += ["", f"  {words} {quantity.value + 0.0:.3f} ± {quantity.uncertainty:.3f}"]
            lines += [
                f"    {WORDS.get(part['kind'], part['kind']):<44}±{part['contribution']:7.4f} {part['share']:9.1%}"
                for part in budget_of(quantity)
                if part["share"] >= _LEAST_SHARE
            ]
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def with_budgets(document: dict[str, Any], result: BatchResult) -> dict[str, Any]:
    """Return a document of readings with the budget of every quantity and spot in it, beside its value.

    Parameters
    ----------
    document
        As `report.readings_document` makes it of the same result.
    """
    readings = []
    for told, assessment in zip(document["readings"], result.assessments, strict=True):
        reading = assessment.reading
        changed = dict(told)
        for name, _ in _QUANTITIES:
            changed[name] = _with_budget(told[name], getattr(reading, name))
        changed["spots"] = [
            {**spot, "density": _with_budget(spot["density"], read.density), "net": _with_budget(spot["net"], read.net)}
            for spot, read in zip(told["spots"], reading.spots, strict=True)
        ]
        readings.append(changed)
    return {**document, "readings": readings}


def _with_budget(document: dict[str, Any] | None, quantity: Quantity | None) -> dict[str, Any] | None:
    return document if document is None or quantity is None else {**document, "budget": budget_of(quantity)}
