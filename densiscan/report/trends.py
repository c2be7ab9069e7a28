"""Trends in words and as plain JSON values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from densiscan.arithmetic.quantity import COVERAGE_FACTOR, Warning_
from densiscan.development.names import solution_text
from densiscan.development.run import Run
from densiscan.development.trends import Trend, TrendPoint, missing_runs, value_text
from densiscan.report.readings import paragraph

FORMAT: Final = "densiscan.trends/1"
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
    return {
        "format": FORMAT,
        "film": sheet.film,
        "developer": sheet.developer,
        "dilution": sheet.dilution,
        "runs": [run.number for run in sheet.runs],
        "trends": [
            {
                "name": trend.name,
                "label": trend.label,
                "points": [_point_document(point) for point in trend.points],
                "by_use": [{"use": one.use, "mean": one.mean, "runs": one.count} for one in trend.by_use],
                "warnings": [{"code": f"{trend.name}-out".replace("_", "-"), "message": s} for s in trend.sentences],
            }
            for trend in sheet.trends
        ],
        "warnings": [warning.to_json() for warning in sheet.told],
    }


def _point_document(point: TrendPoint) -> dict[str, Any]:
    doubt = None if point.standard is None else (COVERAGE_FACTOR * point.standard or None)
    limits = point.limits
    return {
        "run": point.run,
        "date": point.date,
        "use": point.use,
        "value": {"value": point.value, "uncertainty": doubt},
        "limits": None
        if limits is None
        else {
            "middle": limits.middle,
            "lower": limits.lower,
            "upper": limits.upper,
            "runs": limits.count,
            "provisional": limits.provisional,
        },
        "out": {1: "above", -1: "below", 0: None}[point.out],
    }


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
        told = "1 run at another dilution is" if sheet.left_out == 1 else f"{sheet.left_out} runs at others are"
        notes.append(paragraph(f"{told} left out; --dilution chooses."))
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
