"""The notebook's file in trouble: nothing is lost, and one sentence says what to do."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
import threading
from contextlib import closing, suppress
from pathlib import Path
from random import Random

import pytest

from densiscan.cli import app
from densiscan.development.run import Run
from densiscan.errors import NotebookError, WrongUseError
from densiscan.notebook import store as notebook_store
from densiscan.notebook.notebook import Notebook
from densiscan.notebook.schema import _FIRST, APPLICATION_ID, MIGRATIONS
from densiscan.notebook.store import Store
from densiscan.notebook.tables import checked
from tests.trials.notebook_kills import kill_writers

ADD = "run add --film A --developer B --time 8:00 --temp 20"


def a_run(note: str | None = None) -> Run:
    return Run(
        number=0, film="A", developer="B", date="2026-03-14", time_s=480.0, temperature_c=20.0, use=1, note=note
    )  # fmt: skip


def runs_in(place: Path) -> tuple[Run, ...]:
    with Notebook(place) as book:
        return book.runs()


def add_to(place: Path) -> None:
    with Notebook(place) as book:
        book.add_run(a_run())


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "notes" / "notebook.sqlite"
    monkeypatch.setenv("DENSISCAN_NOTEBOOK", str(place))
    return place


@pytest.fixture
def written(place: Path) -> Path:
    """A notebook with one run."""
    with Notebook(place) as book:
        book.add_run(a_run("first"))
    return place


def told_by(line: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The one sentence that a command fails with."""
    capsys.readouterr()
    assert app.run(line.split()) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1, said.err
    return said.err


def test_form_and_mark_are_in_the_file(written: Path) -> None:
    with sqlite3.connect(written) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_open_notebook_is_synchronous_and_holds_its_links(written: Path) -> None:
    with Notebook(written) as book, book._store.writing() as connection:
        assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute("UPDATE runs SET film_id = 99")
    assert [run.film for run in runs_in(written)] == ["A"]


@pytest.mark.parametrize("content", [b"a letter, not a notebook", b"\x00" * 4096, b"SQLite format 2\x00" + b"x" * 100])
def test_file_that_is_no_notebook_is_left_as_it_is(
    content: bytes, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place.parent.mkdir()
    place.write_bytes(content)
    for line in (ADD, "run list", "notebook backup"):
        assert "is not a notebook" in told_by(line, capsys)
    assert place.read_bytes() == content
    assert [file.name for file in place.parent.iterdir()] == [place.name]


def test_data_of_another_program_is_left_as_it_is(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place.parent.mkdir()
    with sqlite3.connect(place) as connection:
        connection.execute("CREATE TABLE letters (text TEXT)")
    connection.close()
    before = place.read_bytes()
    assert "of another program" in told_by(ADD, capsys)
    assert place.read_bytes() == before


def test_folder_of_that_name_is_said(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place.mkdir(parents=True)
    assert "is a folder" in told_by("run list", capsys)


def test_empty_file_becomes_a_notebook(place: Path) -> None:
    place.parent.mkdir()
    place.touch()
    assert app.run(ADD.split()) == 0
    assert [run.film for run in runs_in(place)] == ["A"]


def test_newer_form_is_left_as_it_is(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sqlite3.connect(written) as connection:
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    connection.close()
    before = written.read_bytes()
    for line in (ADD, "run list"):
        assert "newer densiscan" in told_by(line, capsys)
    assert written.read_bytes() == before


def test_damaged_file_is_said(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content = bytearray(written.read_bytes())
    content[4096:-4096] = b"\xa5" * (len(content) - 8192)
    written.write_bytes(content)
    for line in ("run list", ADD, "notebook backup"):
        assert "damaged; put a backup in its place" in told_by(line, capsys)


def test_damage_anywhere_ends_in_one_sentence(written: Path) -> None:
    # A damaged letter of a note may pass; whatever does not must end in a NotebookError. Seeds of no meaning.
    content = written.read_bytes()
    random = Random(20)  # noqa: S311 - damage, not secrets
    for _ in range(60):
        damaged = bytearray(content)
        for _ in range(random.choice((1, 5, 50))):
            damaged[random.randrange(100, len(damaged))] = random.randrange(256)
        place = written.with_name("damaged.sqlite")
        place.write_bytes(damaged)
        for act in (Notebook.runs, Notebook.readings, Notebook.tables, Notebook.check, lambda book: book.run(1)):
            with suppress(NotebookError, WrongUseError), Notebook(place) as book:
                act(book)
        for log in written.parent.glob("damaged.*"):
            log.unlink()


def test_row_that_cannot_be_is_found(written: Path) -> None:
    with sqlite3.connect(written) as connection:
        connection.execute("UPDATE runs SET temperature_c = 900")
    connection.close()
    with Notebook(written) as book:
        assert "runs row 1 cannot be: `temperature_c` 900" in book.check()[0]
        with pytest.raises(NotebookError, match="run 1 in the notebook is damaged"):
            book.runs()


def test_file_cut_short_is_said(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.truncate(written, 6000)
    assert "damaged" in told_by("run list", capsys)


def fill(book: Notebook) -> None:
    for number in range(100):
        book.add_run(a_run(f"{number} " + "x" * 1000))


def test_full_disk_loses_nothing(written: Path) -> None:
    with Notebook(written) as book:
        with book._store.writing() as connection:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages + 1}")
        with pytest.raises(NotebookError, match=r"no space left.*free some"):
            fill(book)
        kept = book.runs()
    with Notebook(written) as book:
        assert book.check() == ()
        assert book.runs() == kept
        assert kept[0].note == "first"
        assert book.add_run(a_run()).number == len(kept) + 1


def test_full_disk_when_the_notebook_is_made(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA max_page_count = 5")

    monkeypatch.setattr(notebook_store, "_write_ahead", full)
    with pytest.raises(NotebookError, match="no space left"):
        add_to(place)
    monkeypatch.undo()
    with Notebook(place) as book:
        assert book.add_run(a_run()).number == 1
        assert book.check() == ()


def test_busy_notebook_is_said_after_a_while(written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notebook_store, "BUSY_SECONDS", 0.05)
    with Notebook(written) as other, other._store.writing(), Notebook(written) as book:
        assert [run.note for run in book.runs()] == ["first"]  # reading does not wait for a writer
        with pytest.raises(NotebookError, match="busy for too long; try again"):
            book.add_run(a_run())
    assert len(runs_in(written)) == 1


def test_two_writers_at_once_lose_nothing(place: Path) -> None:
    wrong: list[BaseException] = []

    def write(name: str) -> None:
        try:
            for number in range(10):
                with Notebook(place) as book:
                    book.add_run(a_run(f"{name} {number}"))
        except NotebookError as problem:
            wrong.append(problem)

    writers = [threading.Thread(target=write, args=(name,)) for name in ("one", "two", "three")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert not wrong
    with Notebook(place) as book:
        assert sorted(run.number for run in book.runs()) == list(range(1, 31))
        assert len({run.note for run in book.runs()}) == 30
        assert book.check() == ()


def test_notebook_made_by_another_command_just_now_is_ours(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Between the first question about a new file and the second, another command tries to make it a notebook.
    number = notebook_store._number

    def other() -> None:
        with Notebook(place) as book:
            book.add_run(a_run("other"))

    making = threading.Thread(target=other)

    def slowly(connection: sqlite3.Connection, question: str) -> int:
        answer = number(connection, question)
        if question == "PRAGMA application_id" and making.ident is None:
            making.start()
            making.join(0.5)  # longer than it needs where nothing holds it back
        return answer

    monkeypatch.setattr(notebook_store, "_number", slowly)
    with Notebook(place) as book:
        book.add_run(a_run("one"))
        making.join()
        assert {run.note for run in book.runs()} == {"one", "other"}
        assert book.check() == ()


def test_kills_in_mid_write_lose_nothing(tmp_path: Path) -> None:
    # The long version is python -m tests.trials.notebook_kills --kills 200.
    outcome = kill_writers(3, seed=11, folder=tmp_path)
    assert outcome.wrong == ()


def test_change_that_fails_half_way_is_not_there(written: Path) -> None:
    def half_way(book: Notebook) -> None:
        with book._store.writing() as connection:
            connection.execute("UPDATE runs SET note = 'half'")
            raise KeyboardInterrupt

    with Notebook(written) as book:
        with pytest.raises(KeyboardInterrupt):
            half_way(book)
        assert book.run(1).note == "first"


def older(place: Path) -> None:
    """Make a notebook of the first form by hand, with one corrected run."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with sqlite3.connect(place) as connection:
        for statement in _FIRST:
            connection.execute(statement)
        now = "2026-01-02T10:00:00+00:00"
        connection.execute("INSERT INTO films VALUES (7, 'f', 'Film A', 'film a', 0.06, 0.005, NULL, ?)", (now,))
        connection.execute("INSERT INTO developers VALUES (8, 'd', 'Developer B', 'developer b', NULL, ?)", (now,))
        connection.execute(
            """INSERT INTO runs (number, uid, film_id, developer_id, use, date, time_s, temperature_c, note, changed,
            version, arguments) VALUES (3, 'r', 7, 8, 1, '2026-01-02', 540.0, 20.0, 'longer', ?, '0.1.0', 'run')""",
            (now,),
        )
        before = (
            '{"film_id": 7, "developer_id": 8, "batch_id": null, "use": 1, "date": "2026-01-02", "time_s": 480.0, '
            '"temperature_c": 20.0, "dilution": null, "exposure_index": null, "agitation": null, "prewash": null, '
            '"stop": null, "fix": null, "sheets": null, "volume_ml": null, "scene_stops": null, "note": null, '
            '"sheet_width_mm": null, "sheet_height_mm": null, "removed": null, "elsewhere": []}'
        )
        connection.execute("INSERT INTO changes VALUES (1, 3, ?, 'correct', ?, '0.1.0', 'run')", (now, before))
        connection.execute("PRAGMA user_version = 1")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.close()


def test_older_notebook_is_backed_up_and_brought_to_the_form_of_today(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    older(place)
    with sqlite3.connect(place) as connection:
        before = list(connection.iterdump())
    connection.close()
    assert app.run(["run", "list"]) == 0
    said = capsys.readouterr()
    kept = place.with_name("notebook.form-1.sqlite")
    assert str(kept) in said.err
    assert "Film A" in said.out
    with sqlite3.connect(kept) as connection:
        assert list(connection.iterdump()) == before
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()
    with Notebook(place) as book:
        assert book.check() == ()
        assert (book.run(3).film, book.run(3).time_s) == ("Film A", 540.0)
        assert book.film_base("Film A") is not None
        undone = book.undo()  # what the run was before has come along
        assert undone is not None
        assert undone[1] is not None
        assert (undone[1].time_s, undone[1].note) == (480.0, None)
        assert book.told == ()


def test_an_older_notebook_takes_exposures_and_keeps_what_points_to_its_documents(place: Path) -> None:
    """Of the third form: a calibration, a reading made with it, and no exposure allowed yet."""
    place.parent.mkdir(parents=True)
    with sqlite3.connect(place) as connection:
        for statements in MIGRATIONS[:3]:
            for statement in statements:
                connection.execute(statement)
        now = "2026-01-02T10:00:00+00:00"
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute(
                "INSERT INTO documents VALUES (1, 'e', 'exposure', '12', '12', 's', NULL, ?, '0', '', '{}')", (now,)
            )
        connection.execute(
            """INSERT INTO documents VALUES (5, 'c', 'calibration', 'mine', 'mine', 's', NULL, ?, '0.1.0', 'calibrate',
            '{"name": "mine"}')""",
            (now,),
        )
        connection.execute("INSERT INTO negatives VALUES (1, 'n', 'h', 0, 'mill.tif', NULL, ?)", (now,))
        connection.execute(
            """INSERT INTO readings (id, uid, negative_id, calibration_id, content_key, made, version, arguments)
            VALUES (1, 'r', 1, 5, 'k', ?, '0.1.0', 'measure')""",
            (now,),
        )
        connection.execute("PRAGMA user_version = 3")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.close()
    with Notebook(place) as book:
        book.keep("exposure", "12", {"zone": 3.0})
        assert book.check() == ()
        assert book.kept("exposure", "12") == {"zone": 3.0}
        assert book.kept("calibration", "mine") == {"name": "mine"}
        assert book.how_read("r")[0] == {"name": "mine"}
        tables = book.tables()
    other = place.with_name("other.sqlite")
    with Notebook(other) as book:
        book.merge(checked(tables, "the other"))  # an exposure comes along with the rest
        assert book.kept("exposure", "12") == {"zone": 3.0}


def test_backup_of_an_earlier_migration_is_not_written_over(place: Path) -> None:
    older(place)
    kept = place.with_name("notebook.form-1.sqlite")
    kept.write_text("of long ago")
    os.utime(kept, (1e9, 1e9))
    with Notebook(place) as book:
        assert len(book.runs()) == 1
    assert kept.read_text() == "of long ago"
    with sqlite3.connect(place.with_name("notebook.form-1-2.sqlite")) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()


def test_migration_that_fails_leaves_the_notebook_as_it_was(place: Path) -> None:
    older(place)
    with sqlite3.connect(place) as connection:
        before = list(connection.iterdump())
    connection.close()
    broken = (*MIGRATIONS, ("ALTER TABLE runs ADD COLUMN more TEXT", "SELECT nothing FROM nowhere"))
    store = Store(place, broken)
    with pytest.raises(NotebookError, match="cannot be opened"), store.reading():
        pass
    with sqlite3.connect(place) as connection:
        assert list(connection.iterdump()) == before
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()


def test_migration_waits_for_its_backup(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    older(place)

    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(NotebookError, match=r"the backup .* cannot be written"):
        runs_in(place)
    with sqlite3.connect(place) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()
    assert [file.name for file in place.parent.glob("*.part")] == []


@pytest.mark.skipif(sys.platform == "win32", reason="modes as POSIX has them")
def test_the_notebook_and_its_copies_are_for_their_owner_alone(written: Path) -> None:
    copy = written.with_name("copy.sqlite")
    assert app.run(["notebook", "backup", str(copy)]) == 0
    for file in (written, copy):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file


def test_a_backup_of_a_damaged_notebook_says_so(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(sqlite3.connect(written)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        # An index that no longer agrees with its table: seen by the check of the whole, not by a copy page by page.
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("DELETE FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL")
        connection.commit()
    copy = written.with_name("copy.sqlite")
    assert app.run(["notebook", "backup", str(copy)]) == 1
    said = capsys.readouterr()
    assert "is damaged, and so is the copy" in said.err
    assert "Copied" not in said.out
    assert copy.exists()


def test_backup_is_a_notebook_of_its_own(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["notebook", "backup", str(written.with_name("copy.sqlite"))]) == 0
    assert app.run(["notebook", "backup"]) == 0
    copies = [file for file in written.parent.glob("*.sqlite") if file != written]
    assert len(copies) == 2
    for copy in copies:
        with Notebook(copy) as book:
            assert [run.note for run in book.runs()] == ["first"]
            assert book.check() == ()
    capsys.readouterr()
    assert app.run(["notebook", "backup", str(written)]) == 2
    assert "is there already" in capsys.readouterr().err


def test_no_notebook_yet_cannot_be_backed_up(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place.parent.mkdir()
    assert "nothing to back up" in told_by("notebook backup", capsys)


def test_folder_that_cannot_be_made_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").touch()
    told = told_by(f"{ADD} --notebook {tmp_path / 'file' / 'notebook.sqlite'}", capsys)
    assert "cannot be made" in told


def without_rights(code: str, place: Path) -> subprocess.CompletedProcess[str]:
    """Run code on a notebook as a user who may write nowhere: permissions tell root nothing."""
    head = """
import os, pathlib, sys, tempfile
import urllib.parse  # of paths, since Python 3.13 when first used: from a place that this user may not read
from densiscan.notebook.notebook import Notebook
if os.getuid() == 0:
    os.setgroups([]), os.setgid(65534), os.setuid(65534)
book = Notebook(pathlib.Path(sys.argv[1]))
"""
    command = [sys.executable, "-c", head + code, str(place)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="permissions are of another kind here")
@pytest.mark.parametrize("log_left", [False, True])
def test_read_only_folder_can_be_read(written: Path, log_left: bool) -> None:
    with tempfile.TemporaryDirectory() as elsewhere:  # tmp_path is closed to other users
        folder = Path(elsewhere) / "notes"
        folder.mkdir()
        copy = folder / "notebook.sqlite"
        with Notebook(written) as book:
            book.add_run(a_run("second"))
            for end in ("", "-wal") if log_left else ():
                shutil.copyfile(f"{written}{end}", f"{copy}{end}")
        if not log_left:
            shutil.copyfile(written, copy)
        for file in folder.iterdir():
            file.chmod(0o444)
        folder.chmod(0o555)
        Path(elsewhere).chmod(0o755)
        listed = without_rights("print([run.note for run in book.runs()])", copy)
        assert listed.stdout.strip() == "['first', 'second']", listed.stderr
        refused = without_rights("book.add_run(book.run(1))", copy)
        assert "cannot be written: its folder is read-only" in refused.stderr
        folder.chmod(0o755)
