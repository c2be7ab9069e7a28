"""What a person types after a command, checked: boxes, places, positive numbers, files that must be there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from densiscan.errors import WrongUseError

BoxMm = tuple[float, float, float, float]
PlaceMm = tuple[float, float]


def _numbers(text: str) -> list[float]:
    """Return the numbers between the commas, or nothing where one of them is none."""
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        return []
    return numbers if all(math.isfinite(number) for number in numbers) else []


def box(text: str | None, option: str) -> BoxMm | None:
    """Return the box typed as left,top,width,height in mm; None where none was given.

    Raises
    ------
    WrongUseError
        If it is not four numbers, or the box is empty.
    """
    if text is None:
        return None
    numbers = _numbers(text)
    if len(numbers) != 4 or numbers[2] <= 0.0 or numbers[3] <= 0.0:
        raise WrongUseError(
            f'{option} "{text}" is no box; give left,top,width,height in millimetres, such as {option} 10,12.5,90,110.'
        )
    left, top, width, height = numbers
    return left, top, width, height


def places(texts: Sequence[str] | None, option: str) -> tuple[PlaceMm, ...]:
    """Return the places typed as x,y in mm, in the order given.

    Raises
    ------
    WrongUseError
        If one of them is not two numbers.
    """
    found: list[PlaceMm] = []
    for text in texts or ():
        numbers = _numbers(text)
        if len(numbers) != 2:
            raise WrongUseError(f'{option} "{text}" is no place; give x,y in millimetres, such as {option} 40,52.5.')
        found.append((numbers[0], numbers[1]))
    return tuple(found)


def within(value: float | None, option: str, *, above: float, upto: float, such_as: str) -> None:
    """Check that a number lies above one limit and not over the other; None passes.

    Raises
    ------
    WrongUseError
        If it does not.
    """
    if value is not None and not above < value <= upto:
        raise WrongUseError(f"{option} {value:g} is out of reach; give a number such as {such_as}.")


def there(path: Path, what: str) -> Path:
    """Return the path if something of that name is there.

    Raises
    ------
    WrongUseError
        If there is nothing.
    """
    if not path.exists():
        raise WrongUseError(f"{path} does not exist; check the name of the {what}.")
    return path


def writable(path: Path | None, option: str) -> Path | None:
    """Return the path if a file can be put there as far as its folder tells; None where none was given.

    Raises
    ------
    WrongUseError
        If its folder does not exist, or a folder has that name.
    """
    if path is None:
        return None
    if path.is_dir():
        raise WrongUseError(f"{option} {path} is a folder; name the file to write.")
    if not path.parent.is_dir():
        raise WrongUseError(f"{option} {path}: there is no folder {path.parent}; make it first.")
    return path
