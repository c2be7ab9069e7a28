"""A value with its uncertainty, and how values combine.

A `Quantity` carries the signed contribution of every influence on it (sensitivity times standard uncertainty, the
law of propagation of JCGM 100:2008, clause 5), each under the name of its influence. Two quantities that share an
influence, such as one wedge step, are correlated through it; the difference of two readings by one calibration
therefore gets its own right uncertainty with no covariance matrix kept anywhere (JCGM 100:2008, F.1.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, NamedTuple

COVERAGE_FACTOR: Final = 2.0
"""k of every expanded uncertainty shown: about 95 % (JCGM 100:2008, 6.3.3)."""


class Influence(NamedTuple):
    """What makes a value uncertain: its kind, and which one of that kind.

    Kinds in use: `wedge` (certificate), `step noise`, `fit`, `patch noise`, `glare`, `lamp`, `drift`, `rounding`,
    `specks`, `frame edge` (a side of the picture).
    The same kind and key in two quantities is the same influence: their errors move together.
    """

    kind: str
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Warning_:  # noqa: N801 - `Warning` is Python's
    """Something a person should know about a result: a kebab-case code and one sentence."""

    code: str
    message: str

    def to_json(self) -> dict[str, str]:
        """Return the form of the contract."""
        return {"code": self.code, "message": self.message}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with the influences on it.

    Parameters
    ----------
    value
        Finite number in the unit its name says.
    parts
        Signed standard contributions (k = 1) by influence. `None`: no uncertainty can be given. An empty mapping
        is an exact value.
    """

    value: float
    parts: Mapping[Influence, float] | None = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            message = f"a quantity must be finite, not {self.value}"
            raise ValueError(message)
        if self.parts is not None:
            object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    def __reduce__(self) -> tuple[type[Quantity], tuple[float, dict[Influence, float] | None]]:
        """Travel between processes: a read-only view of a mapping cannot."""
        return Quantity, (self.value, None if self.parts is None else dict(self.parts))

    @property
    def standard_uncertainty(self) -> float | None:
        """Combined standard uncertainty (k = 1), or None where none can be given."""
        return None if self.parts is None else math.sqrt(math.fsum(part * part for part in self.parts.values()))

    @property
    def uncertainty(self) -> float | None:
        """Expanded uncertainty, k = 2, or None where none can be given."""
        standard = self.standard_uncertainty
        return None if standard is None else COVERAGE_FACTOR * standard

    def __add__(self, other: Quantity | float) -> Quantity:
        return _combined(self, other, 1.0)

    def __sub__(self, other: Quantity | float) -> Quantity:
        return _combined(self, other, -1.0)

    def scaled(self, factor: float) -> Quantity:
        """Return the quantity times an exact number."""
        parts = None if self.parts is None else {key: factor * part for key, part in self.parts.items()}
        return Quantity(self.value * factor, parts)

    def with_part(self, influence: Influence, standard: float) -> Quantity:
        """Return the quantity with one more independent influence of this standard contribution.

        Raises
        ------
        ValueError
            If that influence is there already: it would not be independent.
        """
        if self.parts is None:
            return self
        if influence in self.parts:
            message = f"{influence} is in this quantity already"
            raise ValueError(message)
        return Quantity(self.value, {**self.parts, influence: standard})

    def budget(self) -> dict[str, float]:
        """Return the standard contribution of each kind of influence, largest first.

        Contributions of one kind from different sources are independent and add in quadrature; the kinds again add
        in quadrature to the combined standard uncertainty.
        """
        squares: dict[str, float] = {}
        for influence, part in (self.parts or {}).items():
            squares[influence.kind] = squares.get(influence.kind, 0.0) + part * part
        ordered = sorted(squares.items(), key=lambda item: -item[1])
        return {kind: math.sqrt(square) for kind, square in ordered}

    def to_json(self) -> dict[str, float | None]:
        """Return the contract's form: value and expanded uncertainty, null where there is none (never 0)."""
        return {"value": self.value, "uncertainty": self.uncertainty or None}


def read_back(document: Mapping[str, float | None] | None, influence: Influence) -> Quantity | None:
    """Return a quantity from the form that `to_json` gives, all its doubt under one influence; None from null."""
    if document is None or document["value"] is None:
        return None
    expanded = document.get("uncertainty")
    return Quantity(document["value"], None if expanded is None else {influence: expanded / COVERAGE_FACTOR})


def _combined(first: Quantity, second: Quantity | float, sign: float) -> Quantity:
    if not isinstance(second, Quantity):
        return Quantity(first.value + sign * second, first.parts)
    value = first.value + sign * second.value
    if first.parts is None or second.parts is None:
        return Quantity(value, None)
    parts = dict(first.parts)
    for influence, part in second.parts.items():
        parts[influence] = parts.get(influence, 0.0) + sign * part
    return Quantity(value, parts)
