"""A value with its uncertainty, and how values combine.

A `Quantity` carries the signed contribution of every influence on it (sensitivity times standard uncertainty, the
law of propagation of JCGM 100:2008, clause 5), each under the name of its influence. Two quantities that share an
influence, such as one wedge step, are correlated through it; the difference of two readings by one calibration
therefore gets its own right uncertainty with no covariance matrix kept anywhere (JCGM 100:2008, F.1.2.3).

Some values are only limits, and some doubts are not alike to both sides. Both travel with the value through whatever is
reckoned from it: what is built on a limit is a limit of the sense that follows, or says nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Real
from types import MappingProxyType
from typing import Any, ClassVar, Final, Literal, NamedTuple, NoReturn, TypeAlias

COVERAGE_FACTOR: Final = 2.0
"""k of every expanded uncertainty shown: about 95 % (JCGM 100:2008, 6.3.3)."""

Limit: TypeAlias = Literal["at least", "at most"]
"""The sense of a value that is only a limit."""

Interval: TypeAlias = tuple[float | None, float | None]
"""Low and high end, about 95 %; None for an end that is open."""

_OTHER_WAY: Final[Mapping[Limit, Limit]] = {"at least": "at most", "at most": "at least"}

_FORMAT: Final = re.compile(r"((?:.?[<>^])?)([-+ ]?)((?:[1-9][0-9]*)?)((?:,|_)?(?:\.[0-9]+)?[eEfFgG%]?)")
"""Of Python's format specification (Format Specification Mini-Language): alignment, sign, width, figures."""

_PLAIN_EXPONENTS: Final = range(-6, 7)
"""Powers of ten of an uncertainty that are written out in full."""


class Influence(NamedTuple):
    """What makes a value uncertain: its kind, and which one of that kind.

    Kinds in use: `wedge` (certificate), `step noise`, `fit`, `patch noise`, `glare`, `lamp`, `drift`, `rounding`,
    `specks`, `frame edge` (a side of the picture), `tone gap`.
    The same kind and key in two quantities is the same influence: their errors move together.

    Examples
    --------
    >>> Quantity(1.05, {Influence("wedge", "7"): 0.01, Influence("glare"): 0.002}).budget()
    {'wedge': 0.01, 'glare': 0.002}
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


@dataclass(frozen=True, slots=True, repr=False)
class Quantity:
    """A measured value with the influences on it.

    It is added, subtracted, negated, and multiplied or divided by exact numbers; `f"{quantity:.2f}"` gives value and
    expanded uncertainty to so many decimals, or the limit that it is. It is no float, neither true nor false, and has
    no order: what is wanted of it must be said, such as `quantity.value`.

    Parameters
    ----------
    value
        Finite number in the unit its name says.
    parts
        Signed standard contributions (k = 1) by influence. `None`: no uncertainty can be given. An empty mapping
        is an exact value.
    limit
        "at least" or "at most" where the value is only a limit; it then has no uncertainty, and no parts are kept.
    interval
        Low and high end (about 95 %) where the doubt is not alike to both sides, None for an end that is open. It holds
        the value. With an open end there is no symmetric uncertainty, and no parts are kept; with two the quantity is
        `untold`.

    Raises
    ------
    ValueError
        If the value is not finite, the interval does not hold it, or a limit has an interval.

    Examples
    --------
    >>> wedge = Influence("wedge", "7")
    >>> shadow, highlight = Quantity(0.45, {wedge: 0.01}), Quantity(1.50, {wedge: 0.01, Influence("grain"): 0.01})
    >>> print(f"{highlight:.2f} - {shadow:.2f} = {highlight - shadow:.2f}")
    1.50 ± 0.03 - 0.45 ± 0.02 = 1.05 ± 0.02
    """

    value: float
    parts: Mapping[Influence, float] | None = field(default_factory=dict)
    limit: Limit | None = None
    interval: Interval | None = None

    __array_ufunc__: ClassVar[None] = None
    """An array of numbers leaves its arithmetic with a quantity to the quantity, which refuses it."""

    def __post_init__(self) -> None:
        if type(self.value) is not float:
            object.__setattr__(self, "value", float(self.value))
        if not math.isfinite(self.value):
            message = f"a quantity must be finite, not {self.value}"
            raise ValueError(message)
        if self.limit is not None and (self.interval is not None or self.limit not in _OTHER_WAY):
            message = f"a limit is at least or at most, without an interval, not {self.limit} {self.interval}"
            raise ValueError(message)
        if self.interval is not None and not _holds(self.interval, self.value):
            message = f"the interval {self.interval} does not hold {self.value}"
            raise ValueError(message)
        if self.limit is not None or (self.interval is not None and None in self.interval):
            object.__setattr__(self, "parts", None)
        if self.parts is not None:
            object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    def __reduce__(self) -> tuple[type[Quantity], tuple[Any, ...]]:
        """Travel between processes: a read-only view of a mapping cannot."""
        parts = None if self.parts is None else dict(self.parts)
        return Quantity, (self.value, parts, self.limit, self.interval)

    @classmethod
    def at_least(cls, value: float) -> Quantity:
        """Return a value of which only is known that the true one is not smaller."""
        return cls(value, None, "at least")

    @classmethod
    def at_most(cls, value: float) -> Quantity:
        """Return a value of which only is known that the true one is not larger."""
        return cls(value, None, "at most")

    @property
    def untold(self) -> bool:
        """Whether nothing is known: limits of opposite senses met in it. It is null in every document."""
        return self.interval == (None, None)

    @property
    def standard_uncertainty(self) -> float | None:
        """Combined standard uncertainty (k = 1), or None where none can be given."""
        return None if self.parts is None else math.sqrt(math.fsum(part * part for part in self.parts.values()))

    @property
    def uncertainty(self) -> float | None:
        """Expanded uncertainty, k = 2, or None where none can be given."""
        standard = self.standard_uncertainty
        return None if standard is None else COVERAGE_FACTOR * standard

    @property
    def reach(self) -> Interval:
        """Low and high end of what the quantity leaves possible, about 95 %; None for an end that is open.

        A value of which no uncertainty can be given reaches from itself to itself.
        """
        if self.interval is not None:
            return self.interval
        if self.limit is not None:
            return (self.value, None) if self.limit == "at least" else (None, self.value)
        doubt = self.uncertainty or 0.0
        return self.value - doubt, self.value + doubt

    def __add__(self, other: Quantity | float) -> Quantity:
        return _combined(self, other, 1.0) if _counts(other) else NotImplemented

    __radd__ = __add__

    def __sub__(self, other: Quantity | float) -> Quantity:
        return _combined(self, other, -1.0) if _counts(other) else NotImplemented

    def __rsub__(self, other: float) -> Quantity:
        return -self + other if _is_exact(other) else NotImplemented

    def __neg__(self) -> Quantity:
        return self * -1.0

    def __pos__(self) -> Quantity:
        return self

    def __mul__(self, factor: float) -> Quantity:
        """Return the quantity times an exact number."""
        return self.through(self.value * float(factor), float(factor)) if _is_exact(factor) else NotImplemented

    __rmul__ = __mul__

    def __truediv__(self, divisor: float) -> Quantity:
        """Return the quantity by an exact number."""
        return self * (1.0 / float(divisor)) if _is_exact(divisor) else NotImplemented

    def __eq__(self, other: object) -> bool:
        """Whether two quantities hold the same, influences included."""
        if _is_exact(other):
            _refuse("compared with a number")
        if not isinstance(other, Quantity):
            return NotImplemented
        mine = self.value, self.parts, self.limit, self.interval
        return mine == (other.value, other.parts, other.limit, other.interval)

    def __hash__(self) -> int:
        return hash((self.value, self.limit, self.interval))

    def __lt__(self, other: object) -> NoReturn:
        _refuse("ordered")

    __le__ = __gt__ = __ge__ = __lt__

    def __bool__(self) -> bool:  # noqa: PLE0304 - it refuses
        _refuse("true or false")

    def __format__(self, spec: str) -> str:
        """Return value and expanded uncertainty to the figures asked for, never an uncertainty of 0; a limit says so.

        Raises
        ------
        ValueError
            If Python has no such format for a number.
        """
        wanted = _FORMAT.fullmatch(spec)
        if wanted is None:
            raise ValueError(f"a quantity has no format {spec}; give decimals, such as .2f")
        align, sign, width, figures = wanted.groups()
        return format(self._in_figures(figures, sign), align + width)

    def __str__(self) -> str:
        return self._in_figures("", "")

    def __repr__(self) -> str:
        return f"<Quantity {self}>"

    def _in_figures(self, figures: str, sign: str) -> str:
        if self.untold:
            return "not known"
        doubt = self.uncertainty or self._farthest()
        value = _number(self.value, figures, doubt, sign)
        if self.limit is not None:
            return f"{self.limit} {value}"
        if self.interval is not None:
            low, high = (None if end is None else _number(end, figures, doubt, sign) for end in self.interval)
            return f"{value} ({_between(low, high)})"
        return f"{value} ± {_doubt(doubt, figures)}" if doubt else value

    def _farthest(self) -> float:
        """Return how far the farther end of the interval lies, of those that are not open."""
        return max((abs(end - self.value) for end in self.interval or () if end is not None), default=0.0)

    def through(self, value: float, slope: float) -> Quantity:
        """Return what a function makes of the quantity, to first order (JCGM 100:2008, 5.1.2).

        Parameters
        ----------
        value
            Of the function at this quantity's value.
        slope
            Of the function there. A limit keeps its sense where it is above 0, takes the other where below, and is an
            exact value where it is 0.
        """
        parts = None if self.parts is None else {key: slope * part for key, part in self.parts.items()}
        if slope == 0.0:
            return Quantity(value, parts if self.limit is None and self.interval is None else {})
        limit = None if self.limit is None else self.limit if slope > 0.0 else _OTHER_WAY[self.limit]
        if self.interval is None:
            return Quantity(value, parts, limit)
        low, high = (None if end is None else value + slope * (end - self.value) for end in self.interval)
        return Quantity(value, parts, None, _around(value, *((low, high) if slope > 0.0 else (high, low))))

    def with_part(self, influence: Influence, standard: float) -> Quantity:
        """Return the quantity with one more independent influence of this standard contribution.

        Raises
        ------
        ValueError
            If that influence is there already: it would not be independent.
        """
        if self.parts is not None and influence in self.parts:
            message = f"{influence} is in this quantity already"
            raise ValueError(message)
        return self + Quantity(0.0, {influence: standard})

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

    def to_json(self) -> dict[str, Any] | None:
        """Return the contract's form: value and expanded uncertainty, null where there is none (never 0).

        `limit` and `interval` stand in it where they hold; a quantity that says nothing is null as a whole.
        """
        if self.untold:
            return None
        document: dict[str, Any] = {"value": self.value, "uncertainty": self.uncertainty or None}
        if self.limit is not None:
            document["limit"] = self.limit
        if self.interval is not None:
            document["interval"] = list(self.interval)
        return document


def read_back(document: Mapping[str, Any] | None, influence: Influence) -> Quantity | None:
    """Return a quantity from the form that `to_json` gives, all its doubt under one influence; None from null.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the document is of another form.
    """
    if document is None or document["value"] is None:
        return None
    value, expanded, ends = float(document["value"]), document.get("uncertainty"), document.get("interval")
    parts = None if expanded is None else {influence: float(expanded) / COVERAGE_FACTOR}
    if ends is None:
        return Quantity(value, parts, document.get("limit"))
    low, high = (None if end is None else float(end) for end in ends)
    return Quantity(value, parts, document.get("limit"), (low, high))


def _is_exact(other: object) -> bool:
    return isinstance(other, Real)


def _counts(other: object) -> bool:
    return isinstance(other, Quantity) or _is_exact(other)


def _refuse(what: str) -> NoReturn:
    message = f"a quantity is not {what}: take its .value, or look at a difference and its .uncertainty"
    raise TypeError(message)


def _number(value: float, figures: str, doubt: float | None, sign: str) -> str:
    """Return a number in the figures asked for, or where none are in those that its doubt leaves; 0 has no minus."""
    if figures:
        text = format(value, sign + figures)
    else:
        decimals = _decimals(doubt)
        text = f"{value:.6g}" if decimals is None else f"{round(value, decimals):.{max(decimals, 0)}f}"
    return text if re.search("[1-9]", text) else text.replace("-", "+" if sign == "+" else "")


def _doubt(doubt: float, figures: str) -> str:
    """Return an expanded uncertainty likewise, of two figures where none are asked for (JCGM 100:2008, 7.2.6)."""
    if figures:
        text = format(doubt, figures)
        # rounded to nothing it is still not nothing: one in the last place
        return text if re.search("[1-9]", text) else re.sub("0(?=[^0]*$)", "1", text)
    decimals = _decimals(doubt)
    return f"{doubt:.2g}" if decimals is None else f"{round(doubt, decimals):.{max(decimals, 0)}f}"


def _decimals(doubt: float | None) -> int | None:
    """Return how many decimals two figures of an uncertainty take; None where it has none, or too many."""
    if not doubt:
        return None
    exponent = int(f"{doubt:.1e}".partition("e")[2])
    return 1 - exponent if exponent in _PLAIN_EXPONENTS else None


def _between(low: str | None, high: str | None) -> str:
    if low is None or high is None:
        return f"at most {high}" if low is None else f"at least {low}"
    return f"{low} to {high}"


def _holds(interval: Interval, value: float) -> bool:
    low, high = interval
    ends = [end for end in interval if end is not None]
    return all(map(math.isfinite, ends)) and (low is None or low <= value) and (high is None or value <= high)


def _around(value: float, low: float | None, high: float | None) -> Interval:
    """Return an interval that rounding of its ends has not moved off the value."""
    return None if low is None else min(low, value), None if high is None else max(high, value)


def _combined(first: Quantity, second: Quantity | float, sign: float) -> Quantity:
    if not isinstance(second, Quantity):
        return first.through(first.value + sign * second, 1.0)
    value = first.value + sign * second.value
    other = second.through(sign * second.value, sign)
    parts: dict[Influence, float] | None = None
    if first.parts is not None and other.parts is not None:
        parts = dict(first.parts)
        for influence, part in other.parts.items():
            parts[influence] = parts.get(influence, 0.0) + part
    if first.limit is None and other.limit is None and first.interval is None and other.interval is None:
        return Quantity(value, parts)
    low, high = (_ends_together(first, other, end) for end in (0, 1))
    if first.limit is None and other.limit is None:
        return Quantity(value, parts, None, _around(value, low, high))
    # A limit has no middle: what is sure of the sum is that it lies beyond this value, or nothing.
    if low is None and high is None:
        return Quantity(value, None, None, (None, None))
    return Quantity(value, None, "at least" if high is None else "at most")


def _ends_together(first: Quantity, second: Quantity, end: int) -> float | None:
    """Return the low (0) or high (1) end of a sum: how far each may be off that way, in quadrature; None where open."""
    here, there = first.reach[end], second.reach[end]
    if here is None or there is None:
        return None
    away = math.hypot(here - first.value, there - second.value)
    return first.value + second.value + (away if end else -away)
