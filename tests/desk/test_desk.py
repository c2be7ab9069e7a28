"""The desk asked without a browser: its folder, its writes, and what it refuses."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from densiscan.cli.app import run
from densiscan.desk import negatives
from densiscan.desk.acts import command_text
from densiscan.desk.folder import ScanFolder
from densiscan.desk.server import application
from densiscan.desk.state import Desk
from densiscan.notebook.location import open_notebook

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a notebook, a calibration and two runs, and one scan in a folder of scans."""
    here = tmp_path_factory.mktemp("desk")
    (here / "scans").mkdir()
    shutil.copy(SAMPLES / "leak.tif", here / "scans" / "leak.tif")
    book = ["--notebook", str(here / "notebook.sqlite")]
    wedge = ["calibrate", str(SAMPLES / "wedge.tif"), "--densities", str(SAMPLES / "wedge.csv")]
    assert run([*wedge, "--name", "mine", *book]) == 0
    process = ["--film", "Meadow-100", "--developer", "Borax", "--temp", "20"]
    for length, extent in (("8:00", "0.98"), ("9:00", "1.1")):
        assert run(["run", "add", *process, "--time", length, "--density-range", extent, *book]) == 0
    return here


@pytest.fixture
def desk(place: Path) -> Iterator[Desk]:
    made = Desk(place / "scans", place / "notebook.sqlite")
    made.folder.look()
    settled(made.folder)
    yield made
    made.end()


def settled(folder: ScanFolder) -> None:
    """Wait until nothing waits to be measured."""
    ends = time.monotonic() + 60.0
    while any(card.state == "waiting" for card in folder.cards()):
        assert time.monotonic() < ends
        time.sleep(0.02)


def ask(
    desk: Desk,
    path: str,
    *,
    method: str = "GET",
    body: bytes | dict[str, Any] | list[bytes] = b"",
    query: str = "",
    **headers: str,
) -> tuple[int, str]:
    """Send one request past the guard; return its status and its text."""
    sent = urlencode(body, doseq=True).encode() if isinstance(body, dict) else body
    parts = list(sent) if isinstance(sent, list) else [sent]
    told: list[Any] = []

    async def receive() -> dict[str, Any]:
        part = parts.pop(0) if parts else b""
        return {"type": "http.request", "body": part, "more_body": bool(parts)}

    async def send(message: Any) -> None:
        told.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "scheme": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 2),
    }
    asyncio.run(application(desk)(scope, receive, send))
    text = b"".join(message.get("body", b"") for message in told[1:])
    return told[0]["status"], text.decode()


def told(answer: tuple[int, str]) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(answer[1])
    return document


def test_the_folder_says_first_what_needs_attention(desk: Desk) -> None:
    status, page = ask(desk, "/")
    assert status == 200
    assert "<h1>1 negative: 1 with a light leak.</h1>" in page
    assert page.index("<h1>") < page.index("leak.tif")
    assert "Meadow-100 in Borax" in page[: page.index("<h1>")], "what to do next stands on top"


def test_a_scan_that_comes_is_measured_and_one_that_goes_is_gone(desk: Desk, place: Path) -> None:
    shutil.copy(SAMPLES / "thin.tif", place / "scans" / "thin.tif")
    desk.folder.look()
    settled(desk.folder)
    assert "Under by at least 2.7 stops" in ask(desk, "/cards")[1]
    (place / "scans" / "thin.tif").unlink()
    desk.folder.look()
    assert "thin.tif" not in ask(desk, "/cards")[1]


def test_a_folder_known_before_is_not_measured_again(desk: Desk, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.folder.remember()

    def never(*_: Any) -> Any:
        raise AssertionError

    monkeypatch.setattr("densiscan.desk.folder.measure_one", never)
    again = ScanFolder(place / "scans", place / "notebook.sqlite", lambda _number: None)
    again.look()
    (card,) = again.cards()
    again.stop()
    assert card.state == "measured"
    assert card.pieces == next(iter(desk.folder.cards())).pieces


def test_a_scan_that_changed_is_measured_again(desk: Desk, place: Path) -> None:
    scan = place / "scans" / "other.tif"
    shutil.copy(SAMPLES / "thin.tif", scan)
    desk.folder.look()
    settled(desk.folder)
    shutil.copy(SAMPLES / "normal.tif", scan)
    os.utime(scan, (time.time() - 5, time.time() - 5))
    desk.folder.look()
    settled(desk.folder)
    card = next(card for card in desk.folder.cards() if card.name == "other.tif")
    scan.unlink()
    assert card.pieces[0].answer.short == "Fine"


def number_of(desk: Desk, name: str = "leak.tif") -> int:
    return next(card.number for card in desk.folder.cards() if card.name == name)


def test_a_frame_drawn_by_hand_reads_what_the_command_reads(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """The desk has no arithmetic of its own: its figures are those of the command that it shows."""
    number = number_of(desk)
    frame = "20,20,50,30"
    answer = told(
        ask(
            desk,
            f"/negative/{number}/read",
            method="POST",
            body=json.dumps({"frame": frame, "paper-range": "95"}).encode(),
        )
    )
    assert answer["done"]
    words = answer["command"].split()
    assert words[:2] == ["densiscan", "measure"]
    assert [word for word in words if word.startswith("--")] == ["--frame=20,20,50,30", "--paper-range=95"]
    capsys.readouterr()
    assert run([*words[1:], "--json", "--notebook", str(desk.notebook)]) == 0
    reading = json.loads(capsys.readouterr().out)["readings"][0]
    value = reading["density_range"]
    assert f"{value['value']:.2f} ± {max(value['uncertainty'], 0.01):.2f}" in answer["html"]
    assert reading["development"]["reason"] in answer["html"]


def test_looking_changes_no_run_and_keeping_does_and_can_be_taken_back(desk: Desk) -> None:
    def ranges() -> list[int]:
        with open_notebook(desk.notebook) as book:
            return [len(one.density_ranges) for one in book.runs()]

    number, before = number_of(desk), ranges()
    ask(desk, f"/negative/{number}/read", method="POST", body=b'{"frame": "20,20,50,30"}')
    assert ranges() == before
    answer = told(ask(desk, f"/negative/{number}/keep", method="POST", body=b'{"run": "2"}'))
    assert answer["done"], answer
    assert "Run 2 now counts" in answer["said"]
    assert ranges() == [before[0], before[1] + 1]
    assert told(ask(desk, "/runs/undo", method="POST"))["done"]
    assert ranges() == before


def test_a_run_is_logged_in_the_words_of_the_command(desk: Desk) -> None:
    answer = told(ask(desk, "/runs/add", method="POST", body={"time": "8:30", "note": "--not an option; $(x) 'y'"}))
    assert answer["done"], answer
    with open_notebook(desk.notebook) as book:
        last = book.runs()[-1]
    assert (last.film, last.time_s, last.note) == ("Meadow-100", 510.0, "--not an option; $(x) 'y'")
    assert told(ask(desk, f"/runs/{last.number}/remove", method="POST"))["done"]
    wrong = told(ask(desk, "/runs/add", method="POST", body={"time": "soon"}))
    assert not wrong["done"]
    assert "soon" in wrong["said"]


def test_what_to_do_next_is_what_advise_says(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    asked = {"film": "Meadow-100", "developer": "Borax", "temp": "21", "use": "2", "target-range": "1.1"}
    answer = told(ask(desk, "/runs/advice", query=urlencode(asked)))
    capsys.readouterr()
    line = [word for name, value in asked.items() for word in (f"--{name}", value)]
    assert run(["advise", *line, "--notebook", str(desk.notebook)]) == 0
    assert answer["text"].strip() == capsys.readouterr().out.strip()
    assert answer["curve"]["curve"]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("../out.tif", None),
        ("a/b/../../x.tif", None),
        ("virus.exe", "Only scans"),
        (".hidden.tif", "Only scans"),
        ("", "Only scans"),
        ("a\nb.tif", "Only scans"),
    ],
)
def test_what_is_dropped_stays_in_the_folder_or_is_refused(desk: Desk, place: Path, name: str, why: str | None) -> None:
    before = set(place.rglob("*.tif"))
    answer = told(ask(desk, "/scans", method="POST", body=b"II*\0", x_name=json.dumps(name)))
    new = set(place.rglob("*.tif")) - before
    for file in new:
        file.unlink()
    assert answer["done"] is (why is None)
    assert why is None or why in answer["said"]
    assert all(file.parent == place / "scans" for file in new)
    assert len(new) == (1 if why is None else 0)


def test_what_is_dropped_replaces_nothing(desk: Desk, place: Path) -> None:
    before = (place / "scans" / "leak.tif").read_bytes()
    assert told(ask(desk, "/scans", method="POST", body=b"II*\0", x_name='"leak.tif"'))["said"].startswith("leak-2.tif")
    (place / "scans" / "leak-2.tif").unlink()
    assert (place / "scans" / "leak.tif").read_bytes() == before


def test_a_scan_without_an_end_is_refused_and_leaves_nothing(
    desk: Desk, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(negatives, "LARGEST_SCAN", 3_000)
    answer = told(ask(desk, "/scans", method="POST", body=[b"x" * 1000] * 5, x_name='"big.tif"'))
    assert not answer["done"]
    assert [file.name for file in (place / "scans").iterdir() if "big" in file.name] == []


def test_a_form_without_an_end_is_refused(desk: Desk) -> None:
    answer = told(ask(desk, "/runs/add", method="POST", body=[b"x" * 400_000] * 4))
    assert "too large" in answer["said"]


def test_a_link_out_of_the_folder_is_not_looked_at(desk: Desk, place: Path) -> None:
    link = place / "scans" / "link.tif"
    link.symlink_to(SAMPLES / "thin.tif")
    desk.folder.look()
    names = [card.name for card in desk.folder.cards()]
    link.unlink()
    assert "link.tif" not in names


@pytest.mark.parametrize(
    "path", ["/negative/99", "/static/../guard.py", "/static/..%2fguard.py", "/static/state.py", "/scans/x"]
)
def test_nothing_is_had_by_its_path(desk: Desk, path: str) -> None:
    status, text = ask(desk, path)
    assert status in {404, 405, 422}
    assert "import" not in text


@pytest.mark.parametrize("name", ["<img src=x onerror=alert(1)>.tif", "a'; rm -rf $(x) `y`.tif", "{{ 7 * 7 }}.tif"])
def test_a_hostile_name_is_a_name(desk: Desk, place: Path, name: str) -> None:
    scan = place / "scans" / name
    shutil.copy(SAMPLES / "thin.tif", scan)
    desk.folder.look()
    settled(desk.folder)
    number = number_of(desk, name)
    pages = ask(desk, "/cards")[1] + ask(desk, f"/negative/{number}")[1]
    scan.unlink()
    assert "<img src=x" not in pages
    assert "49.tif" not in pages
    import shlex

    assert shlex.split(command_text(["measure", str(scan)])) == ["densiscan", "measure", str(scan)]


def test_typed_nonsense_is_one_sentence(desk: Desk) -> None:
    number = number_of(desk)
    for body, said in (
        (b'{"frame": "1,2,3"}', "four numbers"),
        (b'{"paper-range": "many"}', "must be a number"),
        (b'{"process": "laser"}', "must be one of"),
        (b"nonsense", "unreadable"),
        (b"[1]", "unreadable"),
    ):
        answer = told(ask(desk, f"/negative/{number}/read", method="POST", body=body))
        assert not answer["done"]
        assert said in answer["said"]


def test_without_a_calibration_the_desk_asks_for_the_wedge(place: Path, tmp_path: Path) -> None:
    made = Desk(place / "scans", tmp_path / "none.sqlite")
    made.folder.look()
    settled(made.folder)
    page = ask(made, "/")[1]
    scanner = ask(made, "/scanner")[1]
    made.end()
    assert "show densiscan your step wedge" in page
    assert "None yet" in scanner


def test_a_wedge_is_shown_before_it_is_kept(desk: Desk, place: Path) -> None:
    shutil.copy(SAMPLES / "wedge.tif", place / "scans" / "wedge.tif")
    desk.folder.look()
    settled(desk.folder)
    certificate = (SAMPLES / "wedge.csv").read_text(encoding="utf-8")
    asked = {"scan": str(number_of(desk, "wedge.tif")), "wedge": certificate, "name": "second"}
    kept = {file.name for file in (place / "calibrations").iterdir()}
    looked = told(ask(desk, "/scanner/look", method="POST", body=asked))
    assert looked["done"], looked
    assert len(looked["steps"]) == 21
    assert looked["picture"].startswith("data:image/jpeg;base64,")
    assert {file.name for file in (place / "calibrations").iterdir()} == kept
    answer = told(ask(desk, "/scanner/keep", method="POST", body=asked))
    (place / "scans" / "wedge.tif").unlink()
    assert answer["done"], answer
    assert "second.json" in {file.name for file in (place / "calibrations").iterdir()}
