"""A smooth deviation from a law: a Gaussian process over density, and what measured points say of it.

References
----------
Rasmussen and Williams (2006), Gaussian Processes for Machine Learning: equations 2.23 and 2.24 (prediction), 2.30
(evidence), 4.9 (the kernel), 5.12 (a point left out).
"""

from __future__ import annotations

import numpy as np

from densiscan.arithmetic.arrays import Floats


def kernel(one: Floats, other: Floats, length: float) -> Floats:
    """Return the correlation of the deviation at two sets of densities, shape (one, other): smooth to any order."""
    apart = (one[:, None] - other[None, :]) / length
    return np.asarray(np.exp(-0.5 * apart * apart))


def evidence(covariance: Floats, seen: Floats) -> Floats:
    """Return the log probability of points of zero mean, up to a constant, for each of a stack of covariances.

    Parameters
    ----------
    covariance
        Shape (..., points, points).
    seen
        Shape (..., points).
    """
    root = np.linalg.cholesky(covariance)
    # stacked as wide as the matrices: a column alone is taken for a vector of another size by numpy before 2.0
    white = np.linalg.solve(root, np.broadcast_to(seen[..., None], (*root.shape[:-1], 1)))[..., 0]
    result: Floats = -0.5 * np.sum(white * white, axis=-1) - np.sum(
        np.log(np.diagonal(root, axis1=-2, axis2=-1)), axis=-1
    )
    return result
