"""What lies on the scan: a negative, or something that must not be judged as one.

An inverted scan, a wedge, a print, a colour negative, unexposed or even film have densities like anything else, and
they are given. What follows from them for exposure, development and paper holds for a negative alone. The evidence is
physical, each sign by itself in `negative_signs`; here they are weighed, the surest first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from densiscan.arithmetic.quantity import Warning_
from densiscan.negative import signs, signs_paper
from densiscan.negative.bench import Bench
from densiscan.negative.parts import Part

SeenKind = Literal["negative", "inverted", "wedge", "print", "colour negative", "unexposed", "even", "unknown"]
_OfFilms = dict[tuple[float, ...], signs.Colours | None]
JUDGED: Final[frozenset[SeenKind]] = frozenset({"negative", "unknown"})
"""What is judged as a negative."""

INSIST: Final = "--as-negative judges it all the same."


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one reading is of.

    Attributes
    ----------
    warnings
        Why it is not judged, or what is doubtful; none for what is plainly a negative.
    """

    kind: SeenKind
    warnings: tuple[Warning_, ...] = ()


def is_judged(kind: str) -> bool:
    """Return whether what was seen is judged as a negative."""
    return kind in JUDGED


def code_of(kind: str) -> str:
    """Return the code of the warning that says why something is not judged."""
    return f"seen-{kind.replace(' ', '-')}"


def said_to_be(kind: SeenKind) -> Seen:
    """Return what the person says it is."""
    if is_judged(kind):
        return Seen(kind=kind)
    message = f"This is {kind} film, as you said: nothing follows for exposure, development or paper."
    return Seen(kind=kind, warnings=(Warning_(code=code_of(kind), message=message),))


def seen_of(bench: Bench, parts: Sequence[Part]) -> tuple[Seen, ...]:
    """Say what each part that is read lies on.

    Parameters
    ----------
    parts
        As they are measured, in order.
    """
    alone = len({part.film.seen for part in parts}) == 1
    whole = _whole_scan(bench, parts, alone=alone)
    colours: _OfFilms = {}
    return tuple(whole or _of_part(bench, part, colours, alone=alone) for part in parts)


def _whole_scan(bench: Bench, parts: Sequence[Part], *, alone: bool) -> Seen | None:
    """Return what all of the scan is, None where each part is by itself."""
    if signs.is_empty(bench, parts):
        return _withheld("even", _EMPTY[signs.is_dark(bench)])
    if alone and len(signs_paper.paper_signs(bench, parts[0], alone=True)) >= bench.limits.signs_to_refuse:
        # a print on a dark lid, turned round, is clear film on the bed
        return None
    told = signs.inverted_signs(bench, parts)
    notes = signs.other_polarity(bench)
    if told:
        told += notes
        if len(told) >= bench.limits.signs_to_refuse:
            return _withheld("inverted", f"This looks like an inverted scan: {_listed(told)}. {_SCAN_ALIKE}")
        return Seen(kind="unknown", warnings=(_asked(told),))
    if notes and not any(part.film.rebate for part in parts):
        return Seen(kind="unknown", warnings=(_asked(notes),))
    return None


def _of_part(bench: Bench, part: Part, colours: _OfFilms, *, alone: bool) -> Seen:
    """Say what one part lies on; `colours` keeps those of each film, whose frames share them."""
    blank = _even(bench, part)
    if blank is not None:
        return blank
    other = _in_steps(bench, part) or _coloured(bench, part, colours) or _on_paper(bench, part, alone=alone)
    if other is not None:
        return other
    if part.film.rebate is None and part.film.cropped:
        return Seen(kind="unknown", warnings=(_UNKNOWN,))
    return Seen(kind="negative")


def _even(bench: Bench, part: Part) -> Seen | None:
    if signs.is_unexposed(bench, part):
        message = (
            "This looks like an unexposed sheet: it is as even as its clear edge. --fog-sheet judges its fog and "
            "evenness."
        )
        return _withheld("unexposed", message)
    if signs.is_even(bench, part):
        return _withheld("even", "There is no picture here: what was read is as even as grain and scanner allow.")
    return None


def _in_steps(bench: Bench, part: Part) -> Seen | None:
    told = signs.wedge_signs(bench, part)
    if len(told) >= bench.limits.signs_to_refuse:
        return _withheld("wedge", f"This looks like a step wedge: {_listed(told)}. Use it with densiscan calibrate.")
    return Seen(kind="unknown", warnings=(_asked_of_wedge(told),)) if told else None


def _coloured(bench: Bench, part: Part, films: _OfFilms) -> Seen | None:
    film = part.film.seen.box_mm
    if film not in films:
        films[film] = signs.colours_of(bench, part)
    colours = films[film]
    if colours is None:
        return None
    if signs.orange(colours, bench.limits):
        red, green, blue = (f"{value:.2f}" for value in colours.clearest)
        message = (
            f"This looks like a colour negative: its clearest part reads {red} in red, {green} in green and {blue} in "
            "blue, as an orange mask does. Grades of black-and-white paper do not apply."
        )
        return _withheld("colour negative", message)
    if signs.many_hues(colours, bench.limits):
        message = (
            "This is a colour picture, not a black-and-white negative: places of one density differ in hue. A snapshot "
            "or a colour print looks like that."
        )
        return _withheld("print", message)
    return None


def _on_paper(bench: Bench, part: Part, *, alone: bool) -> Seen | None:
    told = signs_paper.paper_signs(bench, part, alone=alone)
    if len(told) >= bench.limits.signs_to_refuse:
        return _withheld(
            "print", f"This looks like a print: {_listed(told[:_SHOWN])}. Read it with densiscan finished."
        )
    return Seen(kind="unknown", warnings=(_asked_of_print(told),)) if told else None


def _withheld(kind: SeenKind, message: str) -> Seen:
    return Seen(kind=kind, warnings=(Warning_(code=code_of(kind), message=f"{message} {INSIST}"),))


def _asked(told: Sequence[str]) -> Warning_:
    return Warning_(
        code="inverted-asked",
        message=f"Is this scan inverted? {_listed(told).capitalize()}. If so, nothing here holds. {_SCAN_ALIKE}",
    )


def _asked_of_print(told: Sequence[str]) -> Warning_:
    return Warning_(
        code="print-asked",
        message=f"Is this a print? {_listed(told).capitalize()}. If so, nothing here holds: read it with densiscan "
        "finished.",
    )


def _asked_of_wedge(told: Sequence[str]) -> Warning_:
    return Warning_(
        code="wedge-asked",
        message=f"Is this a step wedge? {_listed(told).capitalize()}. If so, nothing here holds: use it with densiscan "
        "calibrate.",
    )


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])}, and {words[-1]}"


_SHOWN: Final = 2
"""Signs that are named: as many as refuse judgement."""
_SCAN_ALIKE: Final = "Scan the film with the settings of the wedge, without the scanner software's negative mode."
_EMPTY: Final = {
    False: "Nothing but bare glass is on this scan.",
    True: "This scan is black: no light came through.",
}
_UNKNOWN: Final = Warning_(
    code="seen-unknown",
    message="Neither an edge of the film nor its clear rebate is in the scan, so nothing shows that this is a "
    "negative; it is judged as one.",
)
