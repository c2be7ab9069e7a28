"""How a stored picture is turned to stand upright."""

from __future__ import annotations

from dataclasses import dataclass

from densiscan.scan.formats.pixels import Box, Codes


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """How a stored picture is turned to stand as its orientation tag asks (TIFF 6.0, tag 274)."""

    orientation: int
    rows: int
    columns: int

    @property
    def transposed(self) -> bool:
        """True where stored rows become columns."""
        return self.orientation >= 5

    @property
    def _flips(self) -> tuple[bool, bool]:
        """Whether the rows, then the columns, run backwards after any transposition."""
        return self.orientation in (3, 4, 7, 8), self.orientation in (2, 3, 6, 7)

    def view(self, stored: Codes) -> Codes:
        """Return a stored array as an oriented view."""
        rows, columns = self._flips
        turned = stored.T if self.transposed else stored
        return turned[:: -1 if rows else 1, :: -1 if columns else 1]

    def forward(self, box: Box) -> Box:
        """Return where a stored box lies after turning."""
        top, left, bottom, right = box
        height, width = self.rows, self.columns
        if self.transposed:
            top, left, bottom, right = left, top, right, bottom
            height, width = width, height
        return _flipped((top, left, bottom, right), self._flips, height, width)

    def backward(self, box: Box) -> Box:
        """Return where an oriented box is stored."""
        height, width = (self.columns, self.rows) if self.transposed else (self.rows, self.columns)
        top, left, bottom, right = _flipped(box, self._flips, height, width)
        return (left, top, right, bottom) if self.transposed else (top, left, bottom, right)


def _flipped(box: Box, flips: tuple[bool, bool], height: int, width: int) -> Box:
    top, left, bottom, right = box
    if flips[0]:
        top, bottom = height - bottom, height - top
    if flips[1]:
        left, right = width - right, width - left
    return top, left, bottom, right
