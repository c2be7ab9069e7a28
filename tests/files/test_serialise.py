"""Results laid out as documents, and read back: made-up classes, documents written down by hand."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.files.serialise import Layout, as_document, plain, read_result

LAYOUT = {
    "Bench": "name ends.low=low ends.high=high first=shelf.colour depth=shelf.depth_mm jars note? seen=jars_seen",
    "Jar": "label kind=shape volume weight=weighed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Jar:
    label: str
    volume: Quantity
    weighed: Quantity | None = None
    shape: Literal["round", "square"] = "round"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    colour: str | None
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    name: str
    low: int
    high: float
    shelf: Shelf
    jars: tuple[Jar, ...] = ()
    note: str | None = None

    @property
    def jars_seen(self) -> int:
        return len(self.jars)


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    turns: tuple[tuple[float, float], ...]
    words: tuple[str, ...]


def doubted(value: float, standard: float) -> Quantity:
    return Quantity(value, {Influence("scale"): standard})


def bench(**more: Any) -> Bench:
    return Bench(name="left", low=1, high=2.5, shelf=Shelf(colour=None, depth_mm=300.0), **more)


DOCUMENT = {
    "name": "left",
    "ends": {"low": 1, "high": 2.5},
    "first": None,
    "depth": 300.0,
    "jars": [{"label": "a", "kind": "square", "volume": {"value": 3.0, "uncertainty": 0.5}, "weight": None}],
    "seen": 1,
}


def test_a_layout_names_orders_and_groups_the_fields() -> None:
    jar = Jar(label="a", volume=doubted(3.0, 0.25), shape="square")
    document = as_document(bench(jars=(jar,)), LAYOUT, format="bench/1")
    assert json.dumps(document) == json.dumps({"format": "bench/1", **DOCUMENT})


def test_what_may_be_missing_is_written_where_it_is_there() -> None:
    assert as_document(bench(note="wet"), LAYOUT)["note"] == "wet"


def test_a_class_without_words_has_all_its_fields_and_a_function_gives_a_name_its_own() -> None:
    assert plain(bench())["shelf"] == {"colour": None, "depth_mm": 300.0}
    told = Warning_(code="a-b", message="So.")
    layout: Layout = {"Shelf": "cm told", "Shelf.cm": lambda shelf: shelf.depth_mm / 10, "Shelf.told": lambda _: told}
    assert plain(bench(), layout)["shelf"] == {"cm": 30.0, "told": {"code": "a-b", "message": "So."}}


def test_a_path_goes_through_each_of_a_tuple() -> None:
    jars = tuple(Jar(label=label, volume=doubted(1.0, 0.1)) for label in "ab")
    assert as_document(bench(jars=jars), {"Bench": "labels=jars.label"}) == {"labels": ["a", "b"]}


def test_a_layout_that_names_what_there_is_not_is_refused() -> None:
    with pytest.raises(AttributeError, match="width"):
        as_document(bench(), {"Bench": "name width"})


def test_a_document_is_read_back_by_the_layout_that_wrote_it() -> None:
    back = read_result(Bench, DOCUMENT, LAYOUT, source=Influence("kept", "b"))
    assert back == bench(jars=back.jars)
    (jar,) = back.jars
    assert (jar.label, jar.shape, jar.weighed) == ("a", "square", None)
    assert jar.volume == Quantity(3.0, {Influence("kept", "b jars 0 volume"): 0.25})
    assert as_document(back, LAYOUT) == DOCUMENT


@given(
    st.floats(-1e6, 1e6),
    st.sampled_from([("at least", None), ("at most", None), (None, (None, 2e6)), (None, (-2e6, None)), (None, None)]),
)
def test_limits_and_open_ends_come_back(value: float, how: tuple[Any, Any]) -> None:
    jar = Jar(label="b", volume=Quantity(value, None, *how))
    back = read_result(Jar, as_document(jar, LAYOUT), LAYOUT)
    assert (back.volume.value, back.volume.limit, back.volume.interval) == (value, *how)
    assert back.volume.uncertainty is None


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"name": 3}, TypeError, "name must be a text"),
        ({"depth": "deep"}, TypeError, "depth must be a number"),
        ({"depth": 9e9}, ValueError, "depth must be from 0 to 1000"),
        ({"ends": {"low": 1.5, "high": 2}}, ValueError, "low must be a whole number"),
        ({"ends": {"low": 1}}, KeyError, "high"),
        ({"jars": {}}, TypeError, "jars must be a list"),
        ({"jars": [7]}, TypeError, "jars 0 must be an object"),
        ({"jars": [{"label": "a", "kind": "oval", "volume": None}]}, TypeError, "volume must be"),
        (
            {"jars": [{"label": "a", "kind": "oval", "volume": {"value": 1, "uncertainty": None}}]},
            ValueError,
            "round, square",
        ),
        ({"jars": [{"label": "a", "volume": None}]}, TypeError, "jars 0 volume must be an object"),
        ({"jars": [{"label": "a", "volume": {"value": 1.0, "uncertainty": -1}}]}, ValueError, "uncertainty must be"),
    ],
)
def test_a_damaged_document_is_refused(change: dict[str, Any], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        read_result(Bench, DOCUMENT | change, LAYOUT, bounds={"Shelf.depth_mm": (0.0, 1000.0)})


def test_tuples_within_tuples_come_back() -> None:
    back = read_result(Walk, {"turns": [[1.0, 2.0], [3, 4.5]], "words": ["a", "b"]})
    assert back == Walk(turns=((1.0, 2.0), (3.0, 4.5)), words=("a", "b"))
    with pytest.raises(ValueError, match="2 numbers"):
        read_result(Walk, {"turns": [[1.0]], "words": []})
