"""Trends in words and as plain JSON values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Warning_
from densiscan.development.names import solution_text
from densiscan.development.run import Run
from densiscan.development.trends import Trend, missing_runs, value_text
from densiscan.files.serialise import Layout, as_document
from densiscan.report.readings import paragraph

FORMAT: Final = "densiscan.trends/1"
_LAYOUT: Final[Layout] = {
    "TrendSheet": "film developer dilution runs=runs.number trends warnings=told",
    "Trend": "name label points by_use warnings",
    "Trend.warnings": lambda trend: [
        Warning_(code=f"{trend.name}-out".replace("_", "-"), message=sentence) for sentence in trend.sentences
    ],
    "UseMean": "use mean runs=count",
    "TrendPoint": "run date use value.value=value value.uncertainty limits out",
    "TrendPoint.value.uncertainty": lambda point: COVERAGE_FACTOR * (point.standard or 0.0) or None,
    "TrendPoint.out": lambda point: {1: "above", -1: "below", 0: None}[point.out],
    "ControlLimits": "middle lower upper runs=count provisional",
}
_LABEL: Final = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendSheet:
    """Trends of one film in one developer, the runs they rest on, and how many of another dilution were left out.

    `told` is what else there is to say of the runs.
    """

    film: str
    developer: str
    dilution: str | None
    runs: tuple[Run, ...]
    trends: tuple[Trend, ...]
    left_out: int = 0
    told: tuple[Warning_, ...] = ()


def trends_document(sheet: TrendSheet) -> dict[str, Any]:
    """Return trends as plain JSON values."""
    return as_document(sheet, _LAYOUT, format=FORMAT)


def trends_text(sheet: TrendSheet) -> str:
    """Return trends in words, for 80 columns."""
    counted = f"{len(sheet.runs)} run{'' if len(sheet.runs) == 1 else 's'}"
    span = f", {sheet.runs[0].date[:10]} to {sheet.runs[-1].date[:10]}" if sheet.runs else ""
    lines = [
        paragraph(f"{sheet.film} in {solution_text(sheet.developer, sheet.dilution)}: {counted}{span}", indent=0),
        "",
    ]
    lines += ["                             last  usual   limits          runs"]
    lines += [_line(trend) for trend in sheet.trends]
    lines += _use_lines(sheet.trends)
    notes = [paragraph(f"! {sentence}") for trend in sheet.trends for sentence in trend.sentences]
    if sheet.left_out:
        others = "1 run at another dilution is" if sheet.left_out == 1 else f"{sheet.left_out} runs at others are"
        notes.append(paragraph(f"{others} left out; --dilution chooses."))
    notes += [paragraph(f"! {warning.message}") for warning in sheet.told]
    notes += _doubts(sheet.trends)
    return "\n".join([*lines, *([""] if notes else []), *notes])


def _line(trend: Trend) -> str:
    if not trend.points:
        return f"  {trend.label:<{_LABEL}}  nothing read yet"
    last = trend.points[-1]
    shown = f"  {trend.label:<{_LABEL}} {value_text(trend.name, last.value):>5}"
    limits = last.limits
    if limits is None:
        return f"{shown}{'':25}{len(trend.points):>4}"
    ends = f"{value_text(trend.name, limits.lower)} to {value_text(trend.name, limits.upper)}"
    return f"{shown}  {value_text(trend.name, limits.middle):>5}   {ends:<14} {len(trend.points):>4}"


def _use_lines(trends: Sequence[Trend]) -> list[str]:
    uses = sorted({one.use for trend in trends for one in trend.by_use})[:6]
    if len(uses) < 2:
        return []
    lines = ["", f"  {'mean at use':<{_LABEL}}" + "".join(f" {use:>5} " for use in uses).rstrip()]
    for trend in trends:
        means = {one.use: value_text(trend.name, one.mean) for one in trend.by_use}
        if means:
            lines.append(
                (f"  {trend.label:<{_LABEL}}" + "".join(f" {means.get(use, ''):>5} " for use in uses)).rstrip()
            )
    return lines


def _doubts(trends: Sequence[Trend]) -> list[str]:
    notes = []
    few = [trend for trend in trends if trend.points and missing_runs(trend)]
    if few:
        more = max(missing_runs(trend) for trend in few)
        notes.append(paragraph(f"Control limits need {more} more measured run{'s' if more > 1 else ''}."))
    if any(
        trend.points[-1].limits is not None and trend.points[-1].limits.provisional for trend in trends if trend.points
    ):
        notes.append(paragraph("The limits are based on fewer than 20 runs and are provisional."))
    return notes
