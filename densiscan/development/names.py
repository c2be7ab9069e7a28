"""Names of films, developers and dilutions as a person means them: spelling, spaces and hyphens make no other film."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

_CLOSE: Final = 0.8
"""Share of letters in common from which one name may be a slip for the other."""

_DILUTION: Final = re.compile(r"\d+[+:]\d+(?:[.,]\d+)?")


def name_key(name: str) -> str:
    """Return what makes two spellings one name: letters large or small, composed or not, spaces, hyphens, underscores.

    A name of nothing but these keeps them, so that no two such names fall together.
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    key = "".join(letter for letter in plain if letter != "_" and unicodedata.category(letter) not in {"Pd", "Zs"})
    return key or plain


def same_name(one: str | None, other: str | None) -> bool:
    """Return whether two names mean the same; none means none."""
    return name_key(one or "") == name_key(other or "")


def dilution_key(dilution: str | None) -> str:
    """Return what makes two dilutions the same: 1+1 and 1 + 1; the empty text where none is stated."""
    return "".join((dilution or "").casefold().split())


def solution_text(developer: str, dilution: str | None) -> str:
    """Return a developer as it was used, such as Borax 1+1."""
    return developer if dilution is None else f"{developer} {dilution}"


def close_names(name: str, names: Iterable[str]) -> tuple[str, ...]:
    """Return the names that this one may be a slip for, the closest first; its own spellings are none of them.

    Names that differ in their digits are other films: 100 is not a slip for 400. Borax 1+1 may be meant for Borax.
    """
    key = name_key(name)
    others = {known: one for one in names if (known := name_key(one)) != key}
    alike = [known for known in others if _digits(known) == _digits(key)]
    close = get_close_matches(key, alike, n=3, cutoff=_CLOSE)
    with_dilution = [known for known in others if _DILUTION.fullmatch(key.removeprefix(known))]
    return tuple(others[known] for known in dict.fromkeys([*with_dilution, *close]))


def _digits(key: str) -> str:
    return "".join(letter for letter in key if letter.isdigit())
