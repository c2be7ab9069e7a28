"""The wedge file: what is read, what is refused, and a second reader for the keyed text form."""

from __future__ import annotations

import ctypes
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.errors import WedgeFileError, WrongUseError
from densiscan.wedge.wedge import NOMINAL_UNCERTAINTY, nominal_wedge, read_wedge

KEYED = """CGATS.17
ORIGINATOR "written for this test"
MEASUREMENT_GEOMETRY "transmission, diffuse/0"
KEYWORD "STDEV_D_VIS"
NUMBER_OF_FIELDS 3
BEGIN_DATA_FORMAT
SAMPLE_ID D_VIS STDEV_D_VIS
END_DATA_FORMAT
NUMBER_OF_SETS 6
BEGIN_DATA
A1 0.05 0.003
A2 0.35 0.003
A3 0.65 0.004
A4 0.95 0.004
A5 1.25 0.005
A6 1.55 0
END_DATA
"""


def written(folder: Path, text: str, name: str = "wedge.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_table_with_comments_and_uncertainty(tmp_path: Path) -> None:
    text = "# my wedge\nstep,density,uncertainty\n1,0.05,0.01\n2,0.20,\n# gap\n3,0.35,0.02\n4,0.50,0.02\n5,0.65,0.02\n"
    steps = read_wedge(written(tmp_path, text)).steps
    assert [step.step for step in steps] == ["1", "2", "3", "4", "5"]
    assert_allclose([step.density for step in steps], [0.05, 0.20, 0.35, 0.50, 0.65], rtol=1e-15)
    assert_allclose([step.uncertainty for step in steps], [0.01, NOMINAL_UNCERTAINTY, 0.02, 0.02, 0.02], rtol=1e-15)


def test_densest_first_is_turned_round(tmp_path: Path) -> None:
    wedge = read_wedge(written(tmp_path, "step,density\na,2\nb,1.5\nc,1\nd,0.5\ne,0.1\n"))
    assert [step.step for step in wedge.lightest_first()] == ["e", "d", "c", "b", "a"]


@pytest.mark.parametrize(
    "text",
    [
        "step;density\n1;0,05\n2;0,2\n3;0,35\n4;0,5\n5;0,65\n",
        "step\tdensity\n1\t0.05\n2\t0.2\n3\t0.35\n4\t0.5\n5\t0.65\n",
    ],
)
def test_other_separators_and_the_decimal_comma(text: str, tmp_path: Path) -> None:
    steps = read_wedge(written(tmp_path, text)).steps
    assert_allclose([step.density for step in steps], [0.05, 0.20, 0.35, 0.50, 0.65], rtol=1e-15)


def test_spreadsheet_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "wedge.csv"
    path.write_bytes("\ufeffstep,density\r\n1,0.1\r\n2,0.4\r\n3,0.7\r\n4,1.0\r\n5,1.3\r\n".encode())
    assert len(read_wedge(path).steps) == 5


def test_keyed_text_form(tmp_path: Path) -> None:
    """ANSI CGATS.17 / ISO 28178: STDEV is a standard deviation, so twice it is the expanded uncertainty."""
    wedge = read_wedge(written(tmp_path, KEYED, "wedge.txt"))
    assert wedge.mode == "transmission"
    assert [step.step for step in wedge.steps] == ["A1", "A2", "A3", "A4", "A5", "A6"]
    assert_allclose([step.density for step in wedge.steps], [0.05, 0.35, 0.65, 0.95, 1.25, 1.55], rtol=1e-15)
    assert_allclose(wedge.steps[0].uncertainty, 0.006, rtol=1e-12)
    assert_allclose(wedge.steps[5].uncertainty, NOMINAL_UNCERTAINTY, rtol=1e-12)  # 0: read once, nothing known


def colour_library() -> ctypes.CDLL:
    """Return the colour management library that the Pillow wheel carries; its cmsIT8 calls read the keyed form."""
    spec = find_spec("PIL")
    folders = [Path(place).parent / "pillow.libs" for place in (spec.submodule_search_locations or [])] if spec else []
    found = [library for folder in folders for library in folder.glob("liblcms2*.so*")]
    if not found:
        pytest.skip("this Pillow carries no separate colour management library")
    return ctypes.CDLL(str(found[0]))


def test_keyed_text_form_read_by_a_second_reader(tmp_path: Path) -> None:
    library = colour_library()
    library.cmsIT8LoadFromFile.restype = ctypes.c_void_p
    library.cmsIT8LoadFromFile.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.cmsIT8GetDataDbl.restype = ctypes.c_double
    library.cmsIT8GetDataDbl.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
    path = written(tmp_path, KEYED, "wedge.txt")
    handle = library.cmsIT8LoadFromFile(None, str(path).encode())
    assert handle, "the second reader refuses the file"
    ours = {step.step: step.density for step in read_wedge(path).steps}
    theirs = {name: library.cmsIT8GetDataDbl(handle, name.encode(), b"D_VIS") for name in ours}
    assert_allclose(list(ours.values()), list(theirs.values()), rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("1,0.05\n2,0.2\n", "no header"),
        ("step,density\n1,0.05\n2,0.2\n", "2 steps"),
        ("step,density\n1,0.05\n2,dense\n3,0.4\n4,0.5\n5,0.6\n", 'line 3: "dense" is not a density'),
        ("step,density\n1,0.05\n2,nan\n3,0.4\n4,0.5\n5,0.6\n", "is not a density"),
        ("step,density\n1,0.05\n2,0.3\n3,0.2\n4,0.5\n5,0.6\n", "neither rise nor fall"),
        ("step,density\n1,0.05\n2,0.05\n3,0.2\n4,0.5\n5,0.6\n", "neither rise nor fall"),
        ("step,density\n1,5\n2,20\n3,35\n4,50\n5,65\n", "outside 0 to 6"),
        ("step,density,uncertainty\n1,0.05,-1\n2,0.2,1\n3,0.3,1\n4,0.5,1\n5,0.6,1\n", 'line 2: the uncertainty "-1"'),
        (
            "step,density,uncertainty\n1,0.05,0.02\n2,0.2,1e300\n3,0.3,\n4,0.5,\n5,0.6,\n",
            'line 3: the uncertainty "1e300"',
        ),
        ("step,density\n1,0,05\n2,0,2\n3,0,3\n4,0,5\n5,0,6\n", "line 2"),
        (KEYED.replace("END_DATA\n", ""), "cut short"),
        (KEYED.replace("A3 0.65 0.004", "A3 0.65"), "2 values where 3 fields"),
        (KEYED.replace("D_VIS STDEV_D_VIS", "LAB_L LAB_A"), "SAMPLE_ID and D_VIS"),
        (KEYED.replace("A3 0.65", 'A3 "0.65'), "quotation mark"),
    ],
)
def test_refusals_name_file_and_fault(text: str, said: str, tmp_path: Path) -> None:
    path = written(tmp_path, text)
    with pytest.raises(WedgeFileError) as caught:
        read_wedge(path)
    assert said in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("densities", "said"),
    [
        (
            "0.05 0.25 0.45 0.65 0.58 1.05 1.25",
            "look up step 5 (0.58) on the certificate, which stands between 0.65 and 1.05",
        ),
        ("1.25 1.05 0.58 0.65 0.45 0.25 0.05", "look up step 3 (0.58) on the certificate"),
        ("0.05 0.25 0.65 0.45 0.85 1.05", "look up step 3 (0.65) and step 4 (0.45)"),
        ("0.50 0.25 0.45 0.65 0.85", "look up step 1 (0.5) on the certificate"),
        ("0.05 0.25 0.25 0.65 0.85", "step 3 (0.25)"),
    ],
)
def test_a_mistyped_figure_is_named_with_its_step(densities: str, said: str, tmp_path: Path) -> None:
    """0.58 typed for 0.85, and the like."""
    rows = "".join(f"{number},{density}\n" for number, density in enumerate(densities.split(), start=1))
    with pytest.raises(WedgeFileError) as caught:
        read_wedge(written(tmp_path, "step,density\n" + rows))
    assert said in str(caught.value)
    assert str(caught.value).endswith("list the steps in the order on the wedge.")


def test_where_more_than_one_figure_is_out_of_line_none_is_named(tmp_path: Path) -> None:
    text = "step,density\n1,0.05\n2,0.65\n3,0.45\n4,0.25\n5,0.85\n"
    with pytest.raises(WedgeFileError, match="from step to step; list the steps"):
        read_wedge(written(tmp_path, text))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_a_wedge_file_as_any_editor_or_spreadsheet_saves_it(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "wedge.csv"
    lines = [
        "# Prüfschein, gemessen mit Blende 3 mm",
        "step,density",
        *(f"{n},{0.05 + 0.15 * n:.2f}" for n in range(9)),
    ]
    path.write_bytes("\r\n".join(lines).encode(encoding))
    assert [step.density for step in read_wedge(path).steps] == [round(0.05 + 0.15 * n, 2) for n in range(9)]


def test_files_that_are_no_text(tmp_path: Path) -> None:
    picture = tmp_path / "wedge.tif"
    picture.write_bytes(b"II*\x00\xff\xfe\x80")
    with pytest.raises(WedgeFileError, match="not a text file"):
        read_wedge(picture)
    with pytest.raises(WedgeFileError, match="no such file"):
        read_wedge(tmp_path / "absent.csv")
    with pytest.raises(WedgeFileError, match="cannot be read"):
        read_wedge(tmp_path)
    large = written(tmp_path, "#" * 1_000_001, "large.csv")
    with pytest.raises(WedgeFileError, match="too large"):
        read_wedge(large)


def test_nominal_wedge_of_the_trade() -> None:
    """21 steps of 0.15 from 0.05 end at 3.05: the usual nominal wedge (common practice)."""
    steps = nominal_wedge().steps
    assert_allclose([steps[0].density, steps[10].density, steps[20].density], [0.05, 1.55, 3.05], rtol=1e-12)


def test_a_wedge_that_nobody_has_read_is_no_better_than_its_batch() -> None:
    """0.05 (from memory) at the light end; at 3.05 with 2 per cent of it, 0.061: by Pythagoras 0.079."""
    wedge = nominal_wedge()
    assert wedge.assumed
    assert_allclose([wedge.steps[0].uncertainty, wedge.steps[-1].uncertainty], [0.05, 0.0789], atol=1e-4)
    assert_allclose([step.own for step in wedge.steps], 0.03, atol=2e-4)
    stated = nominal_wedge(uncertainty=0.02)
    assert not stated.assumed
    assert_allclose([step.uncertainty for step in stated.steps], 0.02, atol=1e-4)
    assert_allclose([step.common or 0.0 for step in stated.steps], 0.016, atol=1e-4)
    with pytest.raises(WrongUseError, match="`uncertainty` 0 is not a tolerance"):
        nominal_wedge(uncertainty=0.0)


@pytest.mark.parametrize(
    ("steps", "increment", "first"), [(2, 0.15, 0.05), (50, 0.05, 0.05), (21, -0.15, 0.05), (41, 0.3, 0.05)]
)
def test_nominal_wedge_refuses_what_is_none(steps: int, increment: float, first: float) -> None:
    with pytest.raises(WrongUseError):
        nominal_wedge(steps=steps, increment=increment, first=first)


@given(st.lists(st.integers(1, 40), min_size=5, max_size=20))
def test_round_trip(rises: list[int]) -> None:
    """Whatever is written is read back: densities to the printed digits."""
    import tempfile

    densities = [0.05]
    for rise in rises[1:]:
        densities.append(round(densities[-1] + rise / 200.0, 4))
    with tempfile.TemporaryDirectory() as folder:
        rows = "".join(f"{number},{density:.4f}\n" for number, density in enumerate(densities, start=1))
        wedge = read_wedge(written(Path(folder), "step,density\n" + rows))
    assert_allclose([step.density for step in wedge.steps], densities, rtol=1e-12)


def test_a_quotation_mark_left_open_ends_with_its_line(tmp_path: Path) -> None:
    """Found by fuzzing."""
    file = tmp_path / "wedge.csv"
    file.write_text('step,density\n1,0.05\n2,"0.20\n3,0.35\n4,0.50\n5,0.65\n', encoding="utf-8")
    assert [step.density for step in read_wedge(file).steps] == [0.05, 0.20, 0.35, 0.50, 0.65]
