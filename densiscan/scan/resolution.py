"""How many pixels an inch a scan has: what the file says, what a person says, and whether either can be."""

from __future__ import annotations

from typing import Final

from densiscan.scan.formats.notes import Notes, made_up
from densiscan.scan.formats.pixels import ScanFault

# No scanner resolves less or more.
_LOWEST_PPI: Final = 20
_HIGHEST_PPI: Final = 12800


def resolution(notes: Notes, given: float | None) -> tuple[tuple[float, float], list[tuple[str, str]]]:
    """Return pixels an inch across and down as stored, and what to warn of: code and sentence.

    Parameters
    ----------
    given
        What a person says they are; it goes before what the file says.

    Raises
    ------
    ScanFault
        If neither says it, or the file what no scan can have.
    """
    recorded = notes.ppi
    if given is not None:
        if recorded is None or all(abs(value - given) <= 0.005 * given for value in recorded):
            return (given, given), []
        return (given, given), [
            ("ppi-overridden", f"The file says {ppi_text(recorded)}; {given:g} was given and is used.")
        ]
    if recorded is None:
        raise ScanFault("does not say its resolution; if it is a scan, add it with --ppi")
    if not all(_LOWEST_PPI <= value <= _HIGHEST_PPI for value in recorded):
        raise ScanFault(f"says {ppi_text(recorded)}, which no scan has; give the right resolution with --ppi")
    if made_up(recorded):
        doubt = f"{ppi_text(recorded)} is what programs write when they do not know; give the scanner's with --ppi."
        return recorded, [("doubtful-resolution", doubt)]
    if notes.ppi_elsewhere:
        where = "stands with another picture of the file; if it is wrong, give --ppi."
        doubt = f"The resolution, {ppi_text(recorded)}, {where}"
        return recorded, [("doubtful-resolution", doubt)]
    return recorded, []


def ppi_text(recorded: tuple[float, float]) -> str:
    """Return pixels an inch in words, both directions where they differ."""
    across, down = recorded
    return f"{across:g} ppi" if across == down else f"{across:g} by {down:g} ppi"
