"""Deflate streams taken piece by piece, and what is kept so that a later region need not be read from the start.

A Deflate stream can only be read forward (RFC 1951). Copies of the decoder's state, about a hundred kilobytes each, are
kept on the way, so that a second reading starts near its place. Its checksum (RFC 1950) stands at its end: who reads a
part runs on to there, once, before the part is trusted.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final

import imagecodecs

from densiscan.scan.formats.pixels import SHORT, Codes, ScanFault

_READ_BYTES: Final = 1 << 16
_MARK_EVERY: Final = 1 << 24
_LARGEST_KEPT: Final = 1 << 26


@dataclass(frozen=True, slots=True)
class _Mark:
    """A place in a stream: bytes delivered so far, part and offset of the next stored byte, decoder, extra data."""

    position: int
    part: int
    offset: int
    stream: Any
    extra: bytes


@dataclass(slots=True, eq=False)
class Kept:
    """What was learnt in reading a file once; only ever makes reading faster. It does not travel between processes."""

    marks: dict[int, list[_Mark]] = field(default_factory=dict)
    sound: set[int] = field(default_factory=set)
    """Where data begin that were read to their end once, with nothing wrong."""
    key: object = None
    codes: Codes | None = None

    def __reduce__(self) -> tuple[type[Kept], tuple[()]]:
        return Kept, ()

    def recall(self, key: object) -> Codes | None:
        """Return the piece that was decoded last, if it is this one."""
        return self.codes if key == self.key else None

    def keep(self, key: object, codes: Codes) -> None:
        """Keep a decoded piece in place of the one before, unless it is too large."""
        if codes.nbytes <= _LARGEST_KEPT:
            codes.flags.writeable = False
            self.key, self.codes = key, codes


class Inflater:
    """Takes bytes off one zlib stream that lies in one or more parts of a file, never holding more than asked for."""

    def __init__(
        self, file: BinaryIO, parts: tuple[tuple[int, int], ...], kept: Kept, *, reversed_bits: bool = False
    ) -> None:
        self._file, self._parts, self._reversed = file, parts, reversed_bits
        self._part, self._offset = 0, parts[0][0] if parts else 0
        self._start, self._sound = self._offset, kept.sound
        self._stream = zlib.decompressobj()
        self._marks = kept.marks.setdefault(self._offset, [])
        self.position = 0

    def resume(self, position: int) -> bytes:
        """Go to the last marked place up to a position; return what was marked with it, empty at the start."""
        mark = next((mark for mark in reversed(self._marks) if mark.position <= position), None)
        if mark is None:
            return b""
        self.position, self._part, self._offset = mark.position, mark.part, mark.offset
        self._stream = mark.stream.copy()
        return mark.extra

    def mark(self, extra: bytes = b"") -> None:
        """Keep the present place, if the last one kept is far back."""
        last = self._marks[-1].position if self._marks else 0
        if self.position - last >= _MARK_EVERY and not self._stream.eof:
            self._marks.append(_Mark(self.position, self._part, self._offset, self._stream.copy(), extra))

    def skip_to(self, position: int) -> None:
        """Pass over bytes up to a position, from a marked place if there is one."""
        self.resume(position)
        while self.position < position:
            if not self.take(min(position - self.position, _MARK_EVERY)):
                raise ScanFault(SHORT)
            self.mark()

    def take(self, size: int) -> bytes:
        """Return the next `size` bytes, fewer only at the end of the data."""
        taken = []
        left = size
        while left > 0:
            fed = self._stream.unconsumed_tail or self._feed()
            part = self._stream.decompress(fed, left)
            if not part and not fed:
                break
            taken.append(part)
            left -= len(part)
        self.position += size - left
        return b"".join(taken)

    def verify(self) -> None:
        """Run to the end of the stream, where its checksum stands, unless an earlier reading did.

        Raises
        ------
        ScanFault
            If the data stop before.
        zlib.error
            If the checksum is not that of the data.
        """
        if self._start in self._sound:
            return
        while not self._stream.eof and (fed := self._stream.unconsumed_tail or self._feed()):
            self._stream.decompress(fed, _READ_BYTES)
        if not self._stream.eof:
            raise ScanFault(SHORT)
        self._sound.add(self._start)

    def _feed(self) -> bytes:
        while self._part < len(self._parts):
            start, length = self._parts[self._part]
            left = start + length - self._offset
            if left > 0:
                raw = fetch(self._file, self._offset, min(left, _READ_BYTES), reversed_bits=self._reversed)
                self._offset += len(raw) or left
                return raw
            self._part += 1
            self._offset = self._parts[self._part][0] if self._part < len(self._parts) else 0
        return b""


def inflated(raw: bytes, size: int) -> bytes:
    """Return the first `size` bytes of a whole zlib stream, fewer if it holds fewer; its checksum is verified.

    Raises
    ------
    ScanFault
        If the stream stops before its checksum.
    RuntimeError, zlib.error
        If the data or their checksum are wrong.
    """
    try:
        return bytes(imagecodecs.deflate_decode(raw, out=size))
    except RuntimeError:
        # A last strip may be filled up to the height of the others: then only its beginning is wanted.
        stream = zlib.decompressobj()
        wanted = stream.decompress(raw, size)
        while not stream.eof and stream.unconsumed_tail:
            stream.decompress(stream.unconsumed_tail, _READ_BYTES)
        if not stream.eof:
            raise ScanFault(SHORT) from None
        return wanted


def fetch(file: BinaryIO, offset: int, size: int, *, reversed_bits: bool = False) -> bytes:
    """Return bytes of a file, fewer only at its end; with the bits of each reversed where the file has them so."""
    file.seek(offset)
    raw = file.read(size)
    return bytes(imagecodecs.bitorder_decode(raw)) if reversed_bits else raw
