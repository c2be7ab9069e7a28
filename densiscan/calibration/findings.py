"""What the last check found of a scanner, as it is kept with the calibration in use."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densiscan.calibration.glare import Glare


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What was found, each None where it was not looked for.

    Attributes
    ----------
    checked
        When, ISO 8601.
    drift
        Worst difference of a step from the calibration, density.
    drifted
        Whether that is more than chance and more than is allowed.
    lamp
        Standard deviation of the lamp's light over the bed, density (k = 1).
    glare
        What is scattered.
    """

    checked: str
    drift: float | None = None
    drifted: bool = False
    lamp: float | None = None
    glare: Glare | None = None

    def __post_init__(self) -> None:
        numbers = [value for value in (self.drift, self.lamp) if value is not None]
        if not all(math.isfinite(value) for value in numbers) or (self.lamp or 0.0) < 0.0:
            raise ValueError("a finding is not a number")

    def over(self, older: Findings | None) -> Findings:
        """Return these findings, and the older ones where nothing new was looked for."""
        if older is None:
            return self
        new = self.drift is not None
        return Findings(
            checked=self.checked,
            drift=self.drift if new else older.drift,
            drifted=self.drifted if new else older.drifted,
            lamp=older.lamp if self.lamp is None else self.lamp,
            glare=older.glare if self.glare is None else self.glare,
        )
