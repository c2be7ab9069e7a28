"""The errors a person can meet, in one tree.

    DensiscanError
        WrongUseError            the command line or the arguments themselves are wrong (exit 2)
        UnreadableScanError      a file that cannot be read as a scan
        WedgeFileError           a wedge file that cannot be read
        PointsFileError          a table of exposures or densities that cannot be read
        WedgeNotFoundError       no wedge, or another number of steps than the wedge file says
        CalibrationError         a wedge was read, but no trustworthy calibration follows from it
            PolarityError        it cannot be told which way the signal runs
        MeasureError             a scan was read, but nothing can be measured on it
        PaperTestError           a print of the wedge that makes no paper test
        NotebookError            the notebook cannot be opened, read or written

The message is one sentence (two at most): what is wrong, with which file, and what to do. A field or argument stands in
it in backquotes, as `temperature_c`, for which the command line puts its option. Doubtful data does not raise: it
returns a result that carries a `Warning_`.
"""

from __future__ import annotations

import re
from typing import ClassVar, Final

_NO_SIGNS: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_FIELD: Final = re.compile("`([a-z_]+?)(_mm|_ml|_c|_s)?`")


def one_line(text: str) -> str:
    """Return a text with every sign that is none, the end of a line among them, as its code."""
    return _NO_SIGNS.sub(lambda sign: ascii(sign[0])[1:-1], text)


def in_words(message: str) -> str:
    """Return a message with the fields it names as plain words, as a page shows it: `temperature_c` is temperature."""
    return _FIELD.sub(lambda field: field[1].replace("_", " "), message)


class DensiscanError(Exception):
    """Root of all errors raised on purpose; `code` is the kebab-case name programs see."""

    code: ClassVar[str] = "error"

    def __str__(self) -> str:
        """Return the sentence on one line: a name in it that holds the end of a line does not begin another."""
        return one_line(super().__str__())


class WrongUseError(DensiscanError):
    """The request itself is wrong, whatever the files hold."""

    code = "wrong-use"


class UnreadableScanError(DensiscanError):
    """A file that cannot be read as one scan."""

    code = "unreadable-scan"


class WedgeFileError(DensiscanError):
    """A wedge file that cannot be read or does not describe a wedge."""

    code = "unreadable-wedge-file"


class PointsFileError(DensiscanError):
    """A table of exposures, densities or times that cannot be read."""

    code = "unreadable-table"


class WedgeNotFoundError(DensiscanError):
    """The steps of the wedge were not found on the scan, or not as many as the wedge file says."""

    code = "wedge-not-found"


class CalibrationError(DensiscanError):
    """The steps do not make a calibration that can be trusted."""

    code = "no-calibration"


class PolarityError(CalibrationError):
    """It cannot be told whether the signal rises or falls with density."""

    code = "polarity-in-doubt"


class MeasureError(DensiscanError):
    """A readable scan on which nothing can be measured as asked."""

    code = "not-measurable"


class PaperTestError(DensiscanError):
    """The print of a wedge, or what was read on it, makes no paper test."""

    code = "no-paper-test"


class NotebookError(DensiscanError):
    """The notebook cannot be opened, read or written; it is as it was."""

    code = "notebook"
