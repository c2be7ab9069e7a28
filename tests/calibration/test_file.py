"""What a calibration file may hold: each figure within its limits, which the reader and the published schema share."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from densiscan.calibration.file import calibration_document, read_calibration
from densiscan.calibration.findings import Findings
from densiscan.calibration.glare import REACHES_MM, Glare
from densiscan.errors import CalibrationError
from tests.support.made_up import calibration
from tests.support.schemas import faults, schema

GLARE = Glare(shares=(0.002,) * len(REACHES_MM), file="slot.tif")
CHECKED = Findings(checked="2026-03-01T12:00:00+00:00", drift=0.004, lamp=0.003, glare=GLARE)


@cache
def document() -> dict[str, Any]:
    gray = calibration()
    first = replace(gray.steps[0], reading=replace(gray.steps[0].reading, light=1.0, surround=(0.5,) * len(REACHES_MM)))
    whole = replace(gray, steps=(first, *gray.steps[1:]), findings=CHECKED, others=(replace(gray, channel="green"),))
    made = json.loads(json.dumps(calibration_document(whole)))
    assert isinstance(made, dict)
    return made


def leaves(part: Any, *, flags: bool, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path to each number, or to each true or false, two of each list of figures and steps."""
    if isinstance(part, dict):
        for name, inner in part.items():
            yield from leaves(inner, flags=flags, path=(*path, name))
    elif isinstance(part, list):
        for number, inner in enumerate(part[:2]):
            yield from leaves(inner, flags=flags, path=(*path, number))
    elif isinstance(part, bool) if flags else isinstance(part, int | float) and not isinstance(part, bool):
        yield path


def changed(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    whole = deepcopy(document())
    place = whole
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return whole


def refusal(text: str, folder: Path) -> str:
    file = folder / "cal.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(CalibrationError) as caught:
        read_calibration(file)
    return str(caught.value)


NUMBERS = [path for path in leaves(document(), flags=False) if path[-1] != "step"]
FLAGS = list(leaves(document(), flags=True))


def test_the_document_itself_is_read(tmp_path: Path) -> None:
    file = tmp_path / "cal.json"
    file.write_text(json.dumps(document()), encoding="utf-8")
    assert calibration_document(read_calibration(file)) == document()
    assert len(NUMBERS) > 60


@pytest.mark.parametrize("path", NUMBERS, ids=lambda path: ".".join(map(str, path)))
def test_a_figure_that_is_none_is_damage(path: tuple[Any, ...], tmp_path: Path) -> None:
    hostiles: tuple[Any, ...] = ("NaN", 1e300, 1e308, -1e300, -1e308, True, [0.1], {}, "0.1")
    for hostile in hostiles:
        text = json.dumps(changed(path, hostile))
        said = refusal(text, tmp_path)
        assert "damaged calibration" in said
        assert "\n" not in said
        # Whoever reads by the published schema refuses the same.
        assert faults(json.loads(text), "calibration") != [], hostile


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_words_for_no_number_are_no_json(word: str, tmp_path: Path) -> None:
    text = json.dumps(document()).replace(f"{document()['residual']!r}", word, 1)
    assert word in text
    assert "is not a calibration" in refusal(text, tmp_path)


@pytest.mark.parametrize("path", FLAGS, ids=lambda path: ".".join(map(str, path)))
def test_a_word_is_not_true_or_false(path: tuple[Any, ...], tmp_path: Path) -> None:
    for hostile in ("false", 0, None):
        assert "damaged" in refusal(json.dumps(changed(path, hostile)), tmp_path)


@pytest.mark.parametrize(
    ("path", "hostile"),
    [
        (("steps", 0, "independent_pixels"), 0),
        (("steps", 0, "independent_pixels"), -7),
        (("steps", 1, "noise"), -0.001),
        (("steps", 1, "density_uncertainty"), -0.02),
        (("steps", 1, "measured", "uncertainty"), -0.02),
        (("steps", 1, "signal"), 1.5),
        (("steps", 1, "clipped"), -0.1),
        (("steps", 1, "box_mm"), [5, 5, 0, 6]),
        (("steps", 1, "box_mm"), [5, 5, -6, 6]),
        (("fit", 0), -0.001),
        (("density_range",), [2.45, 0.05]),
        (("density_range",), [0.05, 0.05]),
        (("density_range",), [-0.1, 6.0]),
        (("density_range",), [0.05, 5.0]),
        (("scan", "full_scale"), 255),
        (("scan", "full_scale"), 0.5),
        (("scan", "full_scale"), 70000),
        (("scan", "bits"), 0),
        (("scan", "ppi"), -600),
        (("scan", "file"), 7),
        (("mode",), "sideways"),
        (("channel",), "infrared"),
        (("check", "lamp"), -0.01),
        (("check", "glare", "shares", 0), 0.9),
        (("channels", 0, "residual"), -1),
    ],
)
def test_a_figure_beyond_sense_is_damage(path: tuple[Any, ...], hostile: Any, tmp_path: Path) -> None:
    assert "damaged calibration" in refusal(json.dumps(changed(path, hostile)), tmp_path)


def test_the_schema_states_a_limit_for_every_figure() -> None:
    """Each number in the document has a least and a most in the schema, so that a program can rely on them."""
    validator = Draft202012Validator(schema("calibration"))
    for path in NUMBERS:
        for beyond in (1e300, -1e300):
            assert not validator.is_valid(changed(path, beyond)), path
    assert math.isfinite(document()["residual"])
