"""A reflection calibration freed of the scatter of its wedge's certificate, for the small differences of a print.

The first tone of a paper is 0.04 above its white. The steps of a printed gray scale are known to about 0.02 each, and a
curve through every one of them has that scatter in its slope. A scanner's own curve is smooth: polynomials pass between
the steps, each degree with the weight that the certificate gives it, and what the steps' errors do to them is known
exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.calibration.calibration import Calibration

_HIGHEST_DEGREE: Final = 7
_MOST_MISFIT: Final = 1.8
"""Chi-square for each degree of freedom from which no smooth curve is believed: by chance 1.8 is exceeded once in 100
times with 15 degrees of freedom (published: tables of the distribution)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothCurve:
    """A calibration whose steps lie on a smooth curve.

    Attributes
    ----------
    calibration
        To read with; its steps carry the smoothed densities and their own certificates.
    steps
        Names of the steps used.
    pull
        By how much each smoothed density follows each stated one, shape (steps, steps).
    standard
        Standard uncertainty of each stated density.
    laws
        What the choice of one degree would do to each smoothed density, by the root of that degree's weight, shape
        (degrees, steps).
    """

    calibration: Calibration
    steps: tuple[str, ...]
    pull: Floats
    standard: Floats
    laws: Floats

    def freed(self, read: Quantity) -> Quantity:
        """Return a reading by this calibration with the certificate's part as the smooth curve has it."""
        if read.parts is None:
            return read
        names = {Influence("wedge", step): number for number, step in enumerate(self.steps)}
        follows = np.zeros(len(self.steps))
        rest = {}
        for influence, part in read.parts.items():
            if influence in names:
                follows[names[influence]] = part / self.standard[names[influence]]
            else:
                rest[influence] = part
        parts = follows @ self.pull * self.standard
        wedge = {influence: float(parts[number]) for influence, number in names.items() if parts[number] != 0.0}
        laws = {Influence("tone curve", f"{number}"): float(part) for number, part in enumerate(self.laws @ follows)}
        return Quantity(read.value, {**rest, **wedge, **laws})


def smooth_curve(calibration: Calibration) -> SmoothCurve:
    """Return the calibration on a smooth curve; as it is where no smooth curve agrees with its certificate.

    Notes
    -----
    Weighted least squares of density in the log signal, the scatter being known from the certificate. Which degree the
    scanner's curve has is not known: all are averaged by their Akaike weights, with the correction for few points
    (from memory: Hurvich and Tsai 1989; Buckland, Burnham and Augustin 1997), and their differences are in doubt.
    """
    x, densities, used = calibration.knots()
    standard = np.array([max(0.5 * reading.certificate, 1e-4) for reading in used])
    names = tuple(reading.step for reading in used)
    as_it_is = SmoothCurve(
        calibration=calibration, steps=names, pull=np.eye(x.size), standard=standard, laws=np.zeros((0, x.size))
    )
    # Where laws of scanners hold the steps the curve is smooth already.
    averaged = None if calibration.laws else _averaged(x, densities, standard)
    if averaged is None:
        return as_it_is
    pull, laws = averaged
    smooth = pull @ densities
    by_name = dict(zip(names, smooth.tolist(), strict=True))
    steps = tuple(
        replace(step, reading=replace(step.reading, density=by_name[step.reading.step])) if step.used else step
        for step in calibration.steps
    )
    try:
        moved = replace(calibration, steps=steps)
    except ValueError:
        return as_it_is
    return SmoothCurve(calibration=moved, steps=names, pull=pull, standard=standard, laws=laws)


def _averaged(x: Floats, densities: Floats, standard: Floats) -> tuple[Floats, Floats] | None:
    """Return the matrix that smooths and what each degree would do beside it, None where no degree fits."""
    size = x.size
    scaled = 2.0 * (x - x[0]) / (x[-1] - x[0]) - 1.0
    criteria, misfits, pulls = [], [], []
    for degree in range(2, min(_HIGHEST_DEGREE, size - 4) + 1):
        count = degree + 1
        design = np.polynomial.legendre.legvander(scaled, degree) / standard[:, None]
        pull = np.asarray((design @ np.linalg.pinv(design)) * standard[:, None] / standard[None, :])
        misfit = float(np.sum(((densities - pull @ densities) / standard) ** 2))
        criteria.append(misfit + 2.0 * count + 2.0 * count * (count + 1) / (size - count - 1))
        misfits.append(misfit / (size - count))
        pulls.append(pull)
    if not pulls or misfits[int(np.argmin(criteria))] > _MOST_MISFIT:
        return None
    weights = np.exp(-0.5 * (np.array(criteria) - min(criteria)))
    weights /= weights.sum()
    mean = np.tensordot(weights, np.array(pulls), axes=1)
    laws = np.sqrt(weights)[:, None] * np.array([(pull - mean) @ densities for pull in pulls])
    return mean, laws
