"""The one pass: from blocks of codes to cell means and spreads, the exact histogram and clipped pixels.

Blocks are summed on several threads, each by itself, and merged in file order: the result does not depend on timing.
Each step of pixels stays in the processor's cache while it goes through the table and the sums.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from densiscan.arithmetic.arrays import Floats
from densiscan.scan.formats.pixels import Codes
from densiscan.scan.scan import Block

Counts = NDArray[np.int32]
Edges = NDArray[np.int64]

STEP_PIXELS: Final = 300_000
"""Pixels taken through the table at once: their indices and values stay in the processor's cache."""

# Largest codes of 10, 12 and 14 bits that stand in the lower or in the upper bits of 16.
_TOPS: Final = (1023, 4095, 16383, 65472, 65520, 65532)


def clip_code(highest: int, full_scale: int) -> int:
    """Return the code at which a scan clips: full scale, or its largest code where that is a narrower full scale."""
    return highest if full_scale == 65535 and highest in _TOPS else full_scale


@dataclass(frozen=True, slots=True)
class BlockSums:
    """The sums of one block: which cells it touches, and for each its pixels, mean and squared deviations.

    Attributes
    ----------
    place
        Rows and columns of cells.
    number
        Pixels in each; shape (rows, columns), or broadcast to it.
    highest
        Largest code.
    dark, light
        Pixels at code 0 and at the largest code; None where there are none, or where that code is no limit.
    """

    place: tuple[slice, slice]
    number: Counts
    mean: Floats
    squares: Floats
    highest: int
    dark: Counts | None
    light: Counts | None


@dataclass(slots=True, eq=False)
class _Desk:
    """What one thread works on: indices, values, and the histogram of the blocks it has had."""

    index: NDArray[np.intp]
    values: Floats
    histogram: NDArray[np.int64]

    def counted(self, codes: Codes) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return codes as indices, valid until the next call, and how often each occurs."""
        if self.index.size < codes.size:
            self.index = np.empty(codes.size, np.intp)
        index = self.index[: codes.size].reshape(codes.shape)
        np.copyto(index, codes)
        seen = np.bincount(index.reshape(-1), minlength=self.histogram.size)
        self.histogram += seen
        return index, seen

    def looked_up(self, index: NDArray[np.intp], table: Floats) -> Floats:
        """Return the table's values at some indices, valid until the next call."""
        if self.values.size < index.size:
            self.values = np.empty(index.size)
        values = self.values[: index.size].reshape(index.shape)
        return np.take(table, index, out=values, mode="wrap")


class Tally:
    """Running sums of one survey. `summed` may be called by several threads, `add` by one, in file order."""

    def __init__(self, *, table: Floats, x_edges: Edges, y_edges: Edges) -> None:
        self.table, self.x_edges, self.y_edges = table, x_edges, y_edges
        shape = (y_edges.size - 1, x_edges.size - 1)
        self.counts = np.zeros(shape, np.int32)
        self.light = np.zeros(shape, np.int32)
        self.dark = np.zeros(shape, np.int32)
        self.mean = np.zeros(shape)
        self.squares = np.zeros(shape)
        self.highest = -1
        # Taken and put back by the threads; a list's pop and append cannot be cut in two.
        self._desks: list[_Desk] = []

    @property
    def histogram(self) -> NDArray[np.int64]:
        """Pixels at each code, when every block has been summed."""
        total = np.zeros(self.table.size, np.int64)
        for desk in self._desks:
            total += desk.histogram
        return total

    def summed(self, block: Block) -> BlockSums:
        """Return the sums of one block, and count its codes."""
        try:
            desk = self._desks.pop()
        except IndexError:
            desk = _Desk(np.empty(0, np.intp), np.empty(0), np.zeros(self.table.size, np.int64))
        try:
            codes = block.codes
            if abs(codes.strides[0]) >= abs(codes.strides[1]):
                return self._summed(desk, codes, (block.top, block.left), (self.y_edges, self.x_edges))
            # Rows that lie across memory are taken as columns.
            part = self._summed(desk, codes.T, (block.left, block.top), (self.x_edges, self.y_edges))
            return _turned(part)
        finally:
            self._desks.append(desk)

    def _summed(self, desk: _Desk, codes: Codes, at: tuple[int, int], axes: tuple[Edges, Edges]) -> BlockSums:
        height, width = codes.shape
        rows, _ = _cut(axes[0], at[0], at[0] + height)
        columns, starts = _cut(axes[1], at[1], at[1] + width)
        highest = int(codes.max())
        sums = _Sums(rows.stop - rows.start, starts, width)
        full_scale = self.table.size - 1
        ends = (0, highest) if highest == clip_code(highest, full_scale) else (0,)
        index, seen = desk.counted(codes)
        for group in _groups(axes[0], at[0], height, max(1, STEP_PIXELS // width)):
            rows_of = slice(group.first, group.first + group.cells * group.height)
            values = desk.looked_up(index[rows_of], self.table)
            place = slice(group.cell - rows.start, group.cell - rows.start + group.cells)
            sums.merge(place, values.reshape(group.cells, group.height, width))
            for code in ends:
                if seen[code]:
                    sums.count(place, code, (codes[rows_of] == code).reshape(group.cells, group.height, width))
        return BlockSums(
            (rows, columns),
            sums.number,
            sums.mean,
            sums.squares,
            highest,
            sums.clipped.get(0),
            sums.clipped.get(highest) if highest else None,
        )

    def add(self, part: BlockSums) -> None:
        """Merge the sums of one block.

        Whether a largest code below full scale is the scanner's limit shows only at the end; so pixels at the largest
        code so far are counted, and a larger one makes the count void.
        """
        place = part.place
        before = self.counts[place]
        total = before + part.number
        gap = part.mean - self.mean[place]
        self.mean[place] += gap * (part.number / total)
        self.squares[place] += part.squares + gap * gap * (before * (part.number / total))
        self.counts[place] = total
        if part.dark is not None:
            self.dark[place] += part.dark
        if part.highest > self.highest:
            self.highest = part.highest
            self.light[...] = 0
        if part.light is not None and part.highest == self.highest:
            self.light[place] += part.light


class _Sums:
    """The sums of one block while its steps come in."""

    def __init__(self, rows: int, starts: NDArray[np.intp], width: int) -> None:
        self.starts = starts
        self.widths = np.diff(np.append(starts, width)).astype(np.int32)
        shape = (rows, starts.size)
        self.number = np.zeros(shape, np.int32)
        self.mean = np.zeros(shape)
        self.squares = np.zeros(shape)
        self.clipped: dict[int, Counts] = {}

    def merge(self, place: slice, values: Floats) -> None:
        """Merge values of shape (cells, rows of a cell, width); they are spoilt."""
        number = values.shape[1] * self.widths
        mean = np.add.reduceat(np.add.reduce(values, axis=1), self.starts, axis=1) / number
        values -= np.repeat(mean, self.widths, axis=1)[:, None, :]
        squares = np.add.reduceat(np.einsum("crw,crw->cw", values, values), self.starts, axis=1)
        before = self.number[place]
        total = before + number
        gap = mean - self.mean[place]
        self.mean[place] += gap * (number / total)
        self.squares[place] += squares + gap * gap * (before * (number / total))
        self.number[place] = total

    def count(self, place: slice, code: int, hit: NDArray[np.bool_]) -> None:
        """Count the pixels at one code."""
        counts = self.clipped.setdefault(code, np.zeros(self.number.shape, np.int32))
        counts[place] += np.add.reduceat(np.add.reduce(hit, axis=1, dtype=np.int32), self.starts, axis=1)


def _turned(part: BlockSums) -> BlockSums:
    """Return the sums of a block whose rows and columns were exchanged, in their own places."""
    return BlockSums(
        part.place[::-1],
        part.number.T,
        part.mean.T,
        part.squares.T,
        part.highest,
        None if part.dark is None else part.dark.T,
        None if part.light is None else part.light.T,
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """Rows that go through the table together: equal parts of as many rows of cells.

    Attributes
    ----------
    first
        Its first row, counted from the block's.
    cell, cells
        First row of cells, and how many.
    height
        Rows of each that lie in the group.
    """

    first: int
    cell: int
    cells: int
    height: int


def _groups(edges: Edges, top: int, height: int, step: int) -> Iterator[_Group]:
    """Cut the rows of a block into groups of at most `step` rows."""
    cells, begins = _cut(edges, top, top + height)
    ends = np.append(begins[1:], height)
    k = 0
    while k < begins.size:
        begin, tall = int(begins[k]), int(ends[k] - begins[k])
        if tall > step:
            for first in range(begin, begin + tall, step):
                yield _Group(first, cells.start + k, 1, min(step, begin + tall - first))
            k += 1
            continue
        alike = 1
        while k + alike < begins.size and ends[k + alike] - begins[k + alike] == tall and (alike + 1) * tall <= step:
            alike += 1
        yield _Group(begin, cells.start + k, alike, tall)
        k += alike


def _cut(edges: Edges, first: int, last: int) -> tuple[slice, NDArray[np.intp]]:
    """Return which cells the pixels from first to last touch, and where each begins, counted from first."""
    begin = int(np.searchsorted(edges, first, side="right")) - 1
    end = int(np.searchsorted(edges, last, side="left"))
    return slice(begin, end), np.maximum(edges[begin:end] - first, 0)
