"""Connected parts of a mask."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]


def parts_of(mask: Mask) -> list[npt.NDArray[np.intp]]:
    """Return the connected parts of a mask (corners count), each as the flat indices of its cells, largest first."""
    columns = mask.shape[1] + 2
    left = set(np.flatnonzero(np.pad(mask, 1)).tolist())
    near = [row * columns + column for row in (-1, 0, 1) for column in (-1, 0, 1) if (row, column) != (0, 0)]
    parts = []
    while left:
        part = [left.pop()]
        for cell in part:
            for step in near:
                if cell + step in left:
                    left.remove(cell + step)
                    part.append(cell + step)
        row, column = np.divmod(np.array(part, dtype=np.intp), columns)
        parts.append((row - 1) * (columns - 2) + column - 1)
    return sorted(parts, key=lambda part: -part.size)
