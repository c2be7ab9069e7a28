"""The numbers that a search goes by: the fields of one frozen object a finder, each with its status and its reason.

A finder takes its object as an argument, so that a trial can move one number and see what changes.
"""

from __future__ import annotations

from dataclasses import field
from typing import Literal, TypeVar

Status = Literal["physics", "practice", "chosen"]
_T = TypeVar("_T")


def physics(value: _T, reason: str) -> _T:
    """Return a field whose default follows from the physics of the thing, or from how noise is distributed."""
    return _threshold(value, "physics", reason)


def practice(value: _T, reason: str) -> _T:
    """Return a field whose default is common practice: what is made, and how people handle it."""
    return _threshold(value, "practice", reason)


def chosen(value: _T, reason: str) -> _T:
    """Return a field whose default was chosen here, between what has to be found and what has to be passed over."""
    return _threshold(value, "chosen", reason)


def _threshold(value: _T, status: Status, reason: str) -> _T:
    # A dataclass takes the field for its default; what reads the class sees a number.
    made: _T = field(default=value, metadata={"status": status, "reason": reason})
    return made
