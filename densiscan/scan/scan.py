"""One way in for every image: a file becomes a `Scan`, read block by block.

Pixels are codes of one channel, 0 to full scale, bright is high, in the position that the orientation tag asks for.
"""

from __future__ import annotations

import io
import os
import stat
import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, TypeVar, cast

import numpy as np
import numpy.typing as npt

from densiscan.arithmetic.quantity import Warning_
from densiscan.arithmetic.units import MM_PER_INCH
from densiscan.errors import UnreadableScanError, WrongUseError
from densiscan.files.atomic import as_text
from densiscan.files.shown import counted, one_line
from densiscan.scan.formats.jpeg import open_jpeg
from densiscan.scan.formats.memory import ArrayRaster, picture_of
from densiscan.scan.formats.notes import Picture, sane
from densiscan.scan.formats.pixels import DAMAGED, SAMPLE_OF, Codes, Piece, Raster, ScanFault, decoded
from densiscan.scan.formats.tiff import open_tiff
from densiscan.scan.orientation import Turn
from densiscan.scan.resolution import ppi_text, resolution
from densiscan.scan.threads import usual_threads

if TYPE_CHECKING:
    from concurrent.futures import Future

_DECODER_FAULTS: Final = (
    OSError,
    ValueError,
    RuntimeError,
    EOFError,
    IndexError,
    OverflowError,
    struct.error,
    zlib.error,
)

Channel = Literal["gray", "red", "green", "blue"]
_AHEAD: Final = 2
"""Blocks read ahead of the threads: so many are held beside those that are worked on."""

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFacts:
    """What the file says of how it was made.

    Attributes
    ----------
    file
        Name of the file, without its folder.
    make, model, software, date
        As the file says; None where it does not.
    ppi
        Pixels an inch, mean of both directions.
    bits
        Bits of a sample that carry signal.
    channels
        Samples a pixel, extra ones included.
    icc
        Name of the colour profile.
    full_scale
        Largest code.
    min_is_white
        True where the file stores 0 for white; the codes read are already the other way round.
    lossy
        True where the compression altered the pixels.
    """

    file: str
    make: str | None
    model: str | None
    software: str | None
    date: str | None
    ppi: float | None
    bits: int
    channels: int
    icc: str | None
    full_scale: int
    min_is_white: bool
    lossy: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Some pixels of a scan.

    Attributes
    ----------
    top, left
        Oriented pixel position of the block's upper left corner.
    codes
        Two-dimensional uint8 or uint16 view, oriented.
    """

    top: int
    left: int
    codes: Codes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Scan:
    """One channel of one picture in a file, its pixels still on disk.

    `numpy.asarray(scan)` reads them all, shape (rows, columns); `from_array` makes a scan of an array.

    Attributes
    ----------
    path
        The file, as it was named; of an array its name.
    facts
        What the file says of itself.
    channel
        The one that is read.
    width_px, height_px
        Size after the orientation tag is applied.
    ppi_x, ppi_y
        Resolution across and down, after orientation.
    warnings
        What a person should know of the file.
    threads
        On how many a pass over the whole scan runs; the result is the same.

    Examples
    --------
    >>> scan = open_scan("normal.tif")
    >>> np.asarray(scan).shape, round(scan.width_mm)
    ((850, 1157), 98)
    """

    path: Path
    facts: ScanFacts
    channel: Channel
    width_px: int
    height_px: int
    ppi_x: float
    ppi_y: float
    warnings: tuple[Warning_, ...]
    raster: Raster = field(repr=False)
    turn: Turn = field(repr=False)
    page: int | None = None
    threads: int = 1

    def __repr__(self) -> str:
        facts = self.facts
        return one_line(
            self,
            facts.file,
            f"{self.width_px} x {self.height_px} pixels",
            ppi_text((self.ppi_x, self.ppi_y)),
            f"{self.channel} of {facts.channels}" if facts.channels > 1 else self.channel,
            f"{facts.bits} bit",
            counted(len(self.warnings), "warning"),
        )

    @classmethod
    def from_array(cls, codes: npt.ArrayLike, *, ppi: float, channel: str | None = None, name: str = "array") -> Scan:
        """Return an array of codes as a scan.

        Parameters
        ----------
        codes
            Shape (rows, columns), or (rows, columns, 3) in colour, a fourth sample a pixel being passed over; bright is
            high. uint8 or uint16, full scale being the largest of either, or floats from 0 to 1. It is not copied.
        ppi
            Pixels an inch.
        channel
            As for `open_scan`.
        name
            Named where a file's name is, as in `Reading.file`. The array does not say which scanner it is from: a
            calibration that knows its own warns of that.

        Raises
        ------
        WrongUseError
            If the array is not a picture of codes, or has no such channel, or the resolution makes no sense.
        UnreadableScanError
            When it is read, if a float in it is not from 0 to 1.

        Examples
        --------
        >>> import numpy as np
        >>> Scan.from_array(np.full((300, 600), 20000, np.uint16), ppi=300, name="gray card")
        <Scan gray card: 600 x 300 pixels, 300 ppi, gray, 16 bit>
        """
        path, wanted = Path(name), _checked(channel, ppi)
        with _reading(path):
            scan = _scan(path, picture_of(codes, wanted), wanted, float(ppi))
        return replace(scan, threads=usual_threads())

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        if copy is False:
            raise ValueError("a scan is read into a new array; leave out copy=False")
        return self.region(0, 0, self.height_px, self.width_px).astype(dtype or self._code_type, copy=False)

    @property
    def _code_type(self) -> type[np.uint8 | np.uint16]:
        return np.uint8 if self.facts.full_scale <= 255 else np.uint16

    @property
    def px_per_mm_x(self) -> float:
        """Pixels a millimetre across."""
        return self.ppi_x / MM_PER_INCH

    @property
    def px_per_mm_y(self) -> float:
        """Pixels a millimetre down."""
        return self.ppi_y / MM_PER_INCH

    @property
    def width_mm(self) -> float:
        """Width in millimetres."""
        return self.width_px / self.px_per_mm_x

    @property
    def height_mm(self) -> float:
        """Height in millimetres."""
        return self.height_px / self.px_per_mm_y

    def blocks(self) -> Iterator[Block]:
        """Yield the pixels in file order, each exactly once, in blocks of bounded size.

        Raises
        ------
        UnreadableScanError
            If the file turns out to be damaged.
        """
        for piece in self._stored():
            yield self._block(piece)

    def each_block(self, work: Callable[[Block], Result]) -> Iterator[Result]:
        """Yield what a function makes of each block, in file order; decoding and work run on the scan's threads.

        Parameters
        ----------
        work
            Called with several blocks at a time.

        Raises
        ------
        UnreadableScanError
            If the file turns out to be damaged.
        """
        if self.threads < 2:
            yield from map(work, self.blocks())
            return
        from concurrent.futures import ThreadPoolExecutor

        with ThreadPoolExecutor(self.threads) as pool:
            waiting: deque[Future[Result]] = deque()
            try:
                for piece in self._stored():
                    waiting.append(pool.submit(lambda piece: work(self._block(piece)), piece))
                    if len(waiting) > self.threads + _AHEAD:
                        yield waiting.popleft().result()
                while waiting:
                    yield waiting.popleft().result()
            finally:
                for future in waiting:
                    future.cancel()

    def _stored(self) -> Iterator[Piece]:
        whole = (0, 0, self.raster.height, self.raster.width)
        with _reading(self.path), self._file() as file:
            yield from self.raster.pieces(file, whole)

    def _file(self) -> BinaryIO:
        in_memory = isinstance(self.raster, ArrayRaster)
        return io.BytesIO() if in_memory else cast("BinaryIO", self.path.open("rb", buffering=0))

    def _block(self, piece: Piece) -> Block:
        top, left, decode = piece
        with _reading(self.path):
            codes = decode()
        box = self.turn.forward((top, left, top + codes.shape[0], left + codes.shape[1]))
        return Block(top=box[0], left=box[1], codes=self.turn.view(codes))

    def region(self, top: int, left: int, height: int, width: int) -> Codes:
        """Return the codes of a rectangle of oriented pixels.

        Raises
        ------
        ValueError
            If the rectangle is empty or not inside the scan.
        UnreadableScanError
            If the file turns out to be damaged.
        """
        bottom, right = top + height, left + width
        if not (0 <= top < bottom <= self.height_px and 0 <= left < right <= self.width_px):
            message = f"a region must lie inside the scan of {self.width_px} by {self.height_px} pixels"
            raise ValueError(message)
        box = self.turn.backward((top, left, bottom, right))
        out = np.zeros((box[2] - box[0], box[3] - box[1]), self._code_type)
        with _reading(self.path), self._file() as file:
            for row, column, codes in decoded(self.raster.pieces(file, box)):
                first, last = max(row, box[0]), min(row + codes.shape[0], box[2])
                start, stop = max(column, box[1]), min(column + codes.shape[1], box[3])
                part = codes[first - row : last - row, start - column : stop - column]
                out[first - box[0] : last - box[0], start - box[1] : stop - box[1]] = part
        return np.ascontiguousarray(self.turn.view(out))


def open_scan(
    path: str | os.PathLike[str],
    *,
    ppi: float | None = None,
    channel: str | None = None,
    page: int | None = None,
    threads: int | None = None,
) -> Scan:
    """Open an image file as a scan.

    Parameters
    ----------
    path
        A TIFF, DNG, PNG or JPEG file.
    ppi
        Pixels an inch; overrides what the file says.
    channel
        "gray", "red", "green" or "blue". Gray of a colour scan is its green channel: silver is neutral, and one channel
        has one tone curve, which a mixture of three has not.
    page
        Which picture of a file with several, from 1.
    threads
        On how many a pass over the whole scan runs; as many as there are cores, up to 8, when None.

    Raises
    ------
    UnreadableScanError
        If the file cannot be read as one scan: one sentence with the file and what to do.
    WrongUseError
        If there is no such channel, or the resolution given makes no sense.

    Examples
    --------
    >>> open_scan("normal.tif")
    <Scan normal.tif: 1157 x 850 pixels, 300 ppi, gray, 16 bit>
    """
    path, wanted = Path(path), _checked(channel, ppi)
    with _reading(path):
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise ScanFault("is a folder; name an image file")
        if not stat.S_ISREG(mode):
            raise ScanFault("is not a file but a device or a pipe; name an image file")
        with path.open("rb", buffering=0) as file:
            size = path.stat().st_size
            picture = sane(_open_picture(file, size, wanted, page), size)
        scan = _scan(path, picture, wanted, ppi)
    return replace(scan, threads=usual_threads() if threads is None else threads)


def _checked(channel: str | None, ppi: float | None) -> str:
    """Return the channel that is wanted of what was asked for."""
    wanted = channel or "gray"
    if wanted not in SAMPLE_OF:
        raise WrongUseError(f"There is no channel {wanted}; choose gray, red, green or blue.")
    if ppi is not None and not 1 <= ppi <= 1e5:
        raise WrongUseError(f"A resolution of {ppi:g} pixels an inch makes no sense; give the scanner's with --ppi.")
    return wanted


def _open_picture(file: BinaryIO, size: int, channel: str, page: int | None) -> Picture:
    head = file.read(8)
    if not head:
        raise ScanFault("is empty; scan it again or copy it afresh")
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return open_tiff(file, size, channel, page)
    if page not in (None, 1):
        raise ScanFault(f"has no page {page}, only one picture; leave out --page")
    if head == b"\x89PNG\r\n\x1a\n":
        from densiscan.scan.formats.png import open_png

        return open_png(file, size, channel)
    if head[:3] == b"\xff\xd8\xff":
        return open_jpeg(file, size, channel)
    raise ScanFault("is not a TIFF, DNG, PNG or JPEG image; name a scan in one of these formats")


def _scan(path: Path, picture: Picture, wanted: str, ppi: float | None) -> Scan:
    notes, raster = picture.notes, picture.raster
    if picture.colour == "gray" and wanted != "gray":
        raise ScanFault(
            f"is a gray scan, and its {wanted} channel is wanted, by --channel or because the calibration is of that "
            "channel; scan it in colour as the wedge was, or calibrate from a gray scan"
        )
    stored, warnings = resolution(notes, ppi)
    turn = Turn(orientation=notes.orientation or 1, rows=raster.height, columns=raster.width)
    ppi_x, ppi_y = stored[::-1] if turn.transposed else stored
    channel = cast("Channel", "green" if picture.colour == "rgb" and wanted == "gray" else wanted)
    if picture.colour == "rgb" and wanted == "gray":
        warnings.append(("gray-from-green", "Using the green channel of this colour scan."))
    if notes.orientation_aside and turn.orientation > 1:
        message = f"Turned as its XMP or text says (orientation {turn.orientation}), which many programs ignore."
        warnings.append(("turned-by-text", message))
    if picture.lossy:
        warnings.append(("lossy-8-bit", "JPEG compression has altered the pixels; scan to TIFF or PNG instead."))
    if raster.coding.full_scale <= 255:
        warnings.append(("8-bit", "8-bit scans are coarse in the dense areas; scan with 16 bits."))
    facts = ScanFacts(
        file=as_text(path.name),
        make=notes.make,
        model=notes.model,
        software=notes.software,
        date=notes.date,
        ppi=(ppi_x + ppi_y) / 2,
        bits=picture.bits,
        channels=picture.channels,
        icc=notes.icc,
        full_scale=raster.coding.full_scale,
        min_is_white=raster.coding.inverted,
        lossy=picture.lossy,
    )
    width, height = (raster.height, raster.width) if turn.transposed else (raster.width, raster.height)
    return Scan(
        path=path,
        facts=facts,
        channel=channel,
        width_px=width,
        height_px=height,
        ppi_x=ppi_x,
        ppi_y=ppi_y,
        warnings=(*picture.warnings, *(Warning_(code=code, message=message) for code, message in warnings)),
        raster=raster,
        turn=turn,
    )


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Turn every fault of a file into one sentence with its name."""
    name = "".join(character if character.isprintable() else "?" for character in str(path))
    try:
        yield
    except ScanFault as fault:
        raise UnreadableScanError(f"{name} {fault}.") from None
    except FileNotFoundError:
        raise UnreadableScanError(f"{name} does not exist; check the name.") from None
    except PermissionError:
        raise UnreadableScanError(f"{name} may not be read; change its permissions.") from None
    except OSError as error:
        raise UnreadableScanError(f"{name} cannot be read ({error.strerror}); check the name and the disk.") from None
    except MemoryError:
        raise UnreadableScanError(f"{name} needs more memory than there is; save it uncompressed.") from None
    except _DECODER_FAULTS:
        raise UnreadableScanError(f"{name} {DAMAGED}.") from None
