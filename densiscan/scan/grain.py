"""The pixels of an even patch: which of them dust has spoilt, and how many of them are independent."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from densiscan.arithmetic.arrays import Floats
from densiscan.arithmetic.robust import robust_spread

Mask = NDArray[np.bool_]

DUST_LIMIT: Final = 4.0
"""Robust standard deviations from the median at which a block counts as dust: one even block in 16,000 is lost."""

GRAIN_BLOCK_MM: Final = 0.15
"""Distance at which the noise of two places counts as independent: a flatbed's optics blur over about half of it."""

_FEWEST_BLOCKS: Final = 9
_FEWEST_PIXELS: Final = 16
_LARGEST_SIDE: Final = 256
_LONGEST_LAG: Final = 24


def without_dust(values: Floats, used: Mask, *, block: tuple[int, int], one_code: float) -> Mask:
    """Return the used pixels that do not lie in a block of outlying mean.

    The means of small blocks are compared with their median; their scatter is 1.4826 times the median absolute
    deviation. A block with fewer used pixels (cut by the edge of an aperture) may scatter more.

    Parameters
    ----------
    values
        Two-dimensional patch.
    used
        Which of its pixels count; at least one.
    block
        Rows and columns of a block.
    one_code
        What one code is worth there: less than that is never dust.

    Returns
    -------
    Mask
        `used` itself where there are fewer than nine blocks.
    """
    rows, columns = np.arange(0, values.shape[0], block[0]), np.arange(0, values.shape[1], block[1])
    number = _block_sums(used.astype(np.float64), rows, columns)
    sums = _block_sums(np.where(used, values, 0.0), rows, columns)
    largest = float(number.max())
    weighty = number >= 0.5 * largest
    if np.count_nonzero(weighty) < _FEWEST_BLOCKS:
        return used
    means = sums / np.maximum(number, 1.0)
    centre = float(np.median(means[weighty]))
    scatter = robust_spread(means[weighty] - centre)
    limit = np.maximum(DUST_LIMIT * scatter * np.sqrt(largest / np.maximum(number, 1.0)), one_code)
    good = np.abs(means - centre) <= limit
    row_of, column_of = np.arange(values.shape[0]) // block[0], np.arange(values.shape[1]) // block[1]
    clean: Mask = used & good[row_of[:, None], column_of[None, :]]
    return clean if clean.any() else used


def _block_sums(values: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
    sums: Floats = np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1)
    return sums


def independent_pixels(values: Floats, used: Mask) -> float:
    """Estimate how many independent pixels a patch has.

    The variance of a mean over n pixels of stationary noise is s^2/n times the sum of its autocorrelation over all
    lags. That sum is taken over growing square rings of lags, after a plane is removed, until a ring adds nothing
    positive: later rings hold only the noise of the estimate. Of a large patch the middle 256 by 256 pixels are taken.

    Parameters
    ----------
    values
        Two-dimensional patch.
    used
        Which of its pixels count; at least one.

    Returns
    -------
    float
        From 1 to the number of used pixels; that number itself where the patch has no noise or fewer than 16 pixels.
    """
    total = float(np.count_nonzero(used))
    middle = tuple(_middle(length) for length in values.shape)
    part, mask = values[middle], used[middle]
    if np.count_nonzero(mask) < _FEWEST_PIXELS:
        return total
    rest = _without_plane(part, mask)
    if not rest.any():
        return total
    longest = min(_LONGEST_LAG, min(part.shape) // 3)
    covariance, pairs = _lags(rest, longest), _lags(mask.astype(np.float64), longest)
    correlation: Floats = np.where(pairs > 0.5, covariance / np.maximum(pairs, 1.0), 0.0)
    correlation /= correlation[longest, longest]
    factor = 1.0
    for reach in range(1, longest + 1):
        square = slice(longest - reach, longest + reach + 1)
        ring = float(correlation[square, square].sum()) - factor
        if ring <= 0:
            break
        factor += ring
    return max(total / factor, 1.0)


def noise_of_mean(values: Floats, used: Mask, *, block: tuple[int, int]) -> float:
    """Estimate the standard uncertainty of the mean of a patch by noise alone, whatever picture it holds.

    The means of blocks, large enough for their noise to be independent, are differenced twice along both axes: a
    gradient, a bend along either axis and an edge along either axis vanish, noise stays, with 36 times its variance.

    Parameters
    ----------
    values
        Two-dimensional patch; pixels that do not count are used too, as they lie beside those that do.
    used
        Which of the pixels the mean is of; at least one.
    block
        Rows and columns of a block.

    Returns
    -------
    float
        In the unit of the values; infinite where the patch has fewer than three blocks either way: nothing is known.
    """
    rows, columns = values.shape[0] // block[0], values.shape[1] // block[1]
    if min(rows, columns) < 3:
        return math.inf
    cut = values[: rows * block[0], : columns * block[1]]
    means = cut.reshape(rows, block[0], columns, block[1]).mean(axis=(1, 3))
    twice = means[2:] - 2.0 * means[1:-1] + means[:-2]
    twice = twice[:, 2:] - 2.0 * twice[:, 1:-1] + twice[:, :-2]
    spread = math.sqrt(float(np.mean(twice**2)) / 36.0)
    robust = robust_spread(twice) / 6.0
    blocks = np.count_nonzero(used) / (block[0] * block[1])
    return (min(spread, robust) if twice.size >= 16 else spread) / math.sqrt(max(blocks, 1.0))


def _middle(length: int) -> slice:
    kept = min(length, _LARGEST_SIDE)
    return slice((length - kept) // 2, (length + kept) // 2)


def _without_plane(part: Floats, mask: Mask) -> Floats:
    """Return the patch less its best plane, zero outside the mask."""
    rows, columns = np.nonzero(mask)
    design: Floats = np.stack([np.ones(rows.size), rows, columns], axis=1)
    values: Floats = part[mask] - part[mask].mean()
    rest = np.zeros(part.shape)
    rest[mask] = values - design @ (np.linalg.pinv(design) @ values)
    return rest


def _lags(values: Floats, longest: int) -> Floats:
    """Return the sums of products at all lags up to the longest, both ways; the middle is lag zero."""
    shape = (values.shape[0] + longest, values.shape[1] + longest)
    whole = np.fft.irfft2(np.abs(np.fft.rfft2(values, shape)) ** 2, shape)
    near = np.arange(-longest, longest + 1)
    lags: Floats = whole[np.ix_(near, near)]
    return lags
