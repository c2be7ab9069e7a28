"""What a person types after a command, checked: boxes, places, positive numbers, files that must be there."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from densiscan.errors import WrongUseError
from densiscan.scan.places import BoxMm, PlaceMm

if TYPE_CHECKING:
    from densiscan.development.zones import WantedZone

OPTIONS: Final = {
    **{
        field: f"--{field.replace('_', '-')}"
        for field in (
            *("agitation", "base_fog", "batch", "calibration", "callier", "cluster", "compare", "curve", "date"),
            *("developer", "dilution", "keep", "learn", "risk"),
            *("exposure_index", "film", "fix", "frames", "grade", "name", "note", "now", "out", "paper_range"),
            *("base_plus_fog", "dry_down", "hard", "magnification", "paper", "parquet", "plot", "prewash", "process"),
            *("scene_stops", "sheets", "soft", "spot", "stop", "target_range", "uncertainty", "use"),
        )
    },
    "aperture_mm": "--aperture",
    "exposure_s": "--exposure",
    "extension_mm": "--extension",
    "highlight": "--highlight",
    "metered": "--metered",
    "frame_mm": "--frame",
    "outline_mm": "--outline",
    "rebate_mm": "--rebate",
    "row_mm": "--row",
    "sheet": "--sheet",
    "size": "--size",
    "sheet_size_mm": "--sheet-size",
    "spots_mm": "--spot",
    "temperature_c": "--temp",
    "time_s": "--time",
    "volume_ml": "--volume",
    "zones": "--on-zone",
}
"""The option by which a person gives each field that the core names."""
_FIELD: Final = re.compile("`([a-z_]+)`")


def in_options(message: str) -> str:
    """Return a message of the core with the options of the command line for the fields it names."""
    return _FIELD.sub(lambda field: OPTIONS.get(field[1], field[0]), message)


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
            f'{option} "{text}" is not a valid box; give left,top,width,height in millimetres, '
            f"such as {option} 10,12.5,90,110."
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
    points: list[PlaceMm] = []
    for text in texts or ():
        numbers = _numbers(text)
        if len(numbers) != 2:
            raise WrongUseError(
                f'{option} "{text}" is not a valid place; give x,y in millimetres, such as {option} 40,52.5.'
            )
        points.append((numbers[0], numbers[1]))
    return tuple(points)


def zones(texts: Sequence[str] | None, option: str) -> tuple[WantedZone, ...]:
    """Return the places and zones typed as x,y,zone, in the order given.

    Raises
    ------
    WrongUseError
        If one of them is not three numbers, or no zone.
    """
    from densiscan.development.zones import WantedZone

    wanted = []
    for text in texts or ():
        numbers = _numbers(text)
        if len(numbers) != 3:
            raise WrongUseError(
                f'{option} "{text}" is not a place and a zone; give x,y in millimetres and the zone, such as '
                f"{option} 40,52.5,3."
            )
        wanted.append(WantedZone(x_mm=numbers[0], y_mm=numbers[1], wanted=numbers[2]))
    return tuple(wanted)


def named_density(text: str, option: str) -> tuple[str, float, float | None]:
    """Return a named place, its density and the print density wanted, typed as sky=1.75:0.20 or sky=1.75.

    Raises
    ------
    WrongUseError
        If it is not that.
    """
    name, _, rest = text.rpartition("=")
    numbers = [_numbers(part) for part in rest.split(":")]
    known = [each[0] for each in numbers if len(each) == 1 and -0.1 <= each[0] <= 6.0]
    if not name.strip() or len(known) != len(numbers) or len(known) > 2:
        raise WrongUseError(
            f'{option} "{text}" is not a named place; give its name, its density and the print density wanted, such as '
            f"{option} sky=1.75:0.20."
        )
    return name.strip(), known[0], known[1] if len(known) == 2 else None


def named_number(text: str, option: str, *, such_as: str) -> tuple[str, float]:
    """Return a name and its number, typed as yellow=2.

    Raises
    ------
    WrongUseError
        If it is not that.
    """
    name, _, rest = text.rpartition("=")
    numbers = _numbers(rest)
    if not name.strip() or len(numbers) != 1:
        raise WrongUseError(f'{option} "{text}" is not a name and a number; give them as {option} {such_as}.')
    return name.strip(), numbers[0]


def pair(text: str, option: str, *, such_as: str) -> tuple[float, float]:
    """Return the two numbers typed with a comma between them.

    Raises
    ------
    WrongUseError
        If it is not two numbers.
    """
    numbers = _numbers(text)
    if len(numbers) != 2:
        raise WrongUseError(f'{option} "{text}" is not two numbers; give them as {option} {such_as}.')
    return numbers[0], numbers[1]


def within(value: float | None, option: str, *, above: float, upto: float, such_as: str) -> None:
    """Check that a number lies above one limit and not over the other; None passes.

    Raises
    ------
    WrongUseError
        If it does not.
    """
    if value is not None and not above < value <= upto:
        raise WrongUseError(f"{option} {value:g} is not a valid value; give a number such as {such_as}.")


_SHORTEST_DEVELOPING_S: Final = 30.0
"""Common practice: no film is developed by hand in less than some minutes."""
_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,5}):(\d{2})")
_DEGREES = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*°?\s*([cCfF]?)")


def seconds(text: str, option: str) -> float:
    """Return a time in seconds, typed as seconds (480), minutes:seconds (8:00) or hours:minutes:seconds.

    Raises
    ------
    WrongUseError
        If it is no time above 0.
    """
    typed = text.strip()
    clock = _CLOCK.fullmatch(typed)
    if clock is not None and int(clock[3]) < 60:
        value = 3600.0 * int(clock[1] or 0) + 60.0 * int(clock[2]) + int(clock[3])
    else:
        plain = _numbers(typed)
        value = plain[0] if len(plain) == 1 else 0.0
    if value <= 0.0:
        raise WrongUseError(
            f'{option} "{text}" is not a valid time; give minutes and seconds such as 8:00, or seconds such as 480.'
        )
    return value


def developing_time(text: str, option: str) -> float:
    """Return a time in seconds as `seconds` does, long enough to develop film in.

    Raises
    ------
    WrongUseError
        If it is no time, or one so short that minutes will have been meant, as with 8.30.
    """
    value = seconds(text, option)
    if value < _SHORTEST_DEVELOPING_S:
        raise WrongUseError(
            f'{option} "{text}" is {value:g} s, which is not a developing time; give minutes and seconds such as 8:00, '
            "or seconds such as 480."
        )
    return value


def celsius(text: str, option: str) -> float:
    """Return a temperature in degrees Celsius, typed as 20, 20.5C or 68F.

    Raises
    ------
    WrongUseError
        If it is no temperature between freezing and 60 degrees.
    """
    typed = _DEGREES.fullmatch(text.strip())
    value = math.nan if typed is None else float(typed[1].replace(",", "."))
    if typed is not None and typed[2] in {"f", "F"}:
        value = (value - 32.0) / 1.8
    if not 0.0 < value <= 60.0:
        raise WrongUseError(f'{option} "{text}" is not a valid temperature; give degrees such as 20, 20.5C or 68F.')
    return value


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
