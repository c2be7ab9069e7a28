"""What looks wrong with a piece of film, in words and as cells of a table."""

from __future__ import annotations

from densiscan.arithmetic.quantity import Quantity
from densiscan.negative.trouble.finding import BORDER, Finding, Trouble


def trouble_lines(trouble: Trouble, *, usual: bool = False) -> list[tuple[str, str]]:
    """Return (label, sentence) of fog, leaks and evenness of one piece.

    Parameters
    ----------
    usual
        True: also what is as it should be, a fog level without fault and sides that agree.
    """
    lines = []
    if trouble.fog_level is not None and not _told(trouble) and (usual or not trouble.fog_usual):
        lines.append(("fog level", trouble.fog_level))
    if len(trouble.fog) > 1 and (usual or not _sides_agree(trouble)):
        sides = ", ".join(f"{side.name} {_plus_minus(side.base_plus_fog)}" for side in trouble.fog)
        lines.append(("", f"Base plus fog by side: {sides}."))
    border = [("perhaps", note.message) for note in trouble.notes if note.code == BORDER]
    return lines + finding_lines(trouble) + border


def _sides_agree(trouble: Trouble) -> bool:
    """Return whether all sides have one base plus fog, within the least certain of them."""
    values = [side.base_plus_fog.value for side in trouble.fog]
    return max(values) - min(values) <= max(side.base_plus_fog.uncertainty or 0.0 for side in trouble.fog)


def _plus_minus(value: Quantity) -> str:
    return f"{value.value:.2f}" if value.uncertainty is None else f"{value.value:.2f} ± {value.uncertainty:.2f}"


def _told(trouble: Trouble) -> bool:
    return any(finding.code == "fog-high" for finding in trouble.findings)


def finding_lines(trouble: Trouble, first: int = 1) -> list[tuple[str, str]]:
    """Return (label, sentence) of the findings, numbered from `first` on as on the marked picture."""
    return [
        (f"trouble {number}", f"{finding.message} At {_place(finding)}.")
        for number, finding in enumerate(trouble.findings, start=first)
    ]


def _place(finding: Finding) -> str:
    left, top, width, height = finding.box_mm
    return f"{left:.0f},{top:.0f} mm on the scan, {width:.0f} x {height:.0f} mm"


def findings_cell(trouble: Trouble) -> str:
    """Return the findings in one cell: code, size, box; separated by semicolons."""
    return "; ".join(_in_brief(finding) for finding in trouble.findings)


def _in_brief(finding: Finding) -> str:
    size = "" if finding.size is None else f" {finding.size.value:+.3f}"
    count = "" if finding.count is None else f" {finding.count}"
    side = "" if finding.side is None else f" {finding.side}"
    box = ",".join(f"{value:.1f}" for value in finding.box_mm)
    return f"{finding.code}{side}{count}{size} at {box} mm"
