"""The folder that the scanner saves into: its scans as cards, measured one after another as they come."""

from __future__ import annotations

import hashlib
import json
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Final

from densiscan.batch.assessment import Assessment, Failure, PrintAim, Task, measure_one
from densiscan.batch.files import is_scan
from densiscan.batch.watch import is_open_for_writing
from densiscan.calibration.file import read_calibration
from densiscan.calibration.trust import ReadWith, known_glare, read_with
from densiscan.development.zones import WantedZone
from densiscan.errors import DensiscanError
from densiscan.files.atomic import as_text, write_whole
from densiscan.files.serialise import plain, read_result
from densiscan.negative.options import MeasureOptions
from densiscan.negative.preview import OF_MANY, ONE_SHEET, SheetDetail
from densiscan.notebook import location
from densiscan.report.answer import Answer, answer
from densiscan.report.page.pictures import negative_gray, picture_data, smaller

THUMB_PX: Final = 260
_HELD: Final = 4
"""Negatives whose pictures and maps are held, the last ones looked at."""

_STILL_S: Final = 0.6

_FORM: Final = "desk memory 2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """What a card shows of one piece of film: its number where the scan has several, the answer, a small picture."""

    piece: int | None
    answer: Answer
    thumb: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A scan of the folder: what it is as a file, and what was read of it.

    `state` is "waiting", "measured", "failed" or "uncalibrated".
    """

    number: int
    path: Path
    size: int
    modified_ns: int
    state: str = "waiting"
    pieces: tuple[Piece, ...] = ()
    message: str = ""

    @property
    def name(self) -> str:
        """The file's name as text."""
        return as_text(self.path.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """What a person sees a negative with: options beside what is found by itself."""

    frame_mm: tuple[float, float, float, float] | None = None
    rebate_mm: tuple[float, float, float, float] | None = None
    zones: tuple[WantedZone, ...] = ()
    aim: PrintAim = field(default_factory=PrintAim)


class ScanFolder:
    """The scans of one folder, found, measured and remembered; safe to be asked from several threads."""

    def __init__(self, path: Path, notebook: Path, changed: Callable[[int], None]) -> None:
        self.path = path
        self.notebook = notebook
        self._changed = changed
        self._lock = threading.RLock()
        self._cards: dict[int, Card] = {}
        self._numbers: dict[Path, int] = {}
        self._waiting: SimpleQueue[int] = SimpleQueue()
        self._held: OrderedDict[tuple[int, int, ByHand], tuple[Assessment, ...]] = OrderedDict()
        self._reader: tuple[tuple[str, int], ReadWith] | None = None
        self._stopped = threading.Event()
        self._remembered = self._recall()
        self._worker = threading.Thread(target=self._measure_all, name="measuring", daemon=True)
        self._worker.start()

    def stop(self) -> None:
        """Let the worker end after the scan in hand, and remember what was read."""
        self._stopped.set()
        self.remember()

    # What is there.

    def look(self) -> None:
        """Take in the folder as it is now: new and changed scans wait to be measured, those that are gone go."""
        there: dict[Path, tuple[int, int]] = {}
        with suppress(OSError), os.scandir(self.path) as entries:
            for entry in entries:
                path = Path(entry.path)
                with suppress(OSError):
                    # What leads out of the folder, and what is no plain file, is not looked at.
                    if entry.is_file(follow_symlinks=False) and is_scan(path):
                        status = entry.stat(follow_symlinks=False)
                        there[path] = (status.st_size, status.st_mtime_ns)
        with self._lock:
            for path in [path for path in self._numbers if path not in there]:
                number = self._numbers.pop(path)
                del self._cards[number]
                self._changed(number)
            for path in sorted(there):
                self._take(path, *there[path])

    def _take(self, path: Path, size: int, modified_ns: int) -> None:
        number = self._numbers.get(path)
        before = None if number is None else self._cards[number]
        if before is not None and (before.size, before.modified_ns) == (size, modified_ns):
            return
        if number is None:
            number = max(self._cards, default=0) + 1
            self._numbers[path] = number
        card = Card(number=number, path=path, size=size, modified_ns=modified_ns)
        self._cards[number] = self._remembered_card(card) or card
        if self._cards[number].state == "waiting":
            self._waiting.put(number)
        self._changed(number)

    def cards(self) -> list[Card]:
        """Return all cards, the latest scan first."""
        with self._lock:
            return sorted(self._cards.values(), key=lambda card: (-card.modified_ns, card.name))

    def card(self, number: int) -> Card | None:
        """Return one card; None where there is none of that number."""
        with self._lock:
            return self._cards.get(number)

    # What it is read by.

    def reader(self) -> ReadWith | None:
        """Return the last calibration for film with what speaks against it; None where none was made yet."""
        moment = datetime.now(UTC)
        try:
            file = location.find_calibration(None, self.notebook, now=moment)
            key = str(file), file.stat().st_mtime_ns
        except (DensiscanError, OSError):
            return None
        with self._lock:
            if self._reader is None or self._reader[0] != key:
                made = read_calibration(file)
                glare = known_glare(None, made, correct=False)
                self._reader = key, read_with(made, now=moment, glare=glare)
            return self._reader[1]

    def measure_again(self) -> None:
        """Let everything wait to be measured again, as after a new calibration."""
        with self._lock:
            self._held.clear()
            self._remembered = {}
            for number, card in self._cards.items():
                self._cards[number] = replace(card, state="waiting", pieces=(), message="")
                self._waiting.put(number)
                self._changed(number)

    # Measuring.

    def _measure_all(self) -> None:
        while not self._stopped.is_set():
            try:
                number = self._waiting.get(timeout=5.0)
            except Empty:
                continue
            card = self.card(number)
            if card is None or card.state != "waiting":
                continue
            self._let_settle(card.path)
            measured = self._measured(card)
            with self._lock:
                # a scan that changed in the meantime waits for its own turn
                if self._cards.get(number) is card:
                    self._cards[number] = measured
            self._changed(number)
            if self._waiting.empty():
                self.remember()

    def _let_settle(self, path: Path) -> None:
        """Wait until a scan is all written: nobody has it open, and it has been still for a moment."""
        while not self._stopped.is_set():
            try:
                still = time.time() - path.stat().st_mtime >= _STILL_S
            except OSError:
                return
            if still and not is_open_for_writing(path):
                return
            self._stopped.wait(0.2)

    def _measured(self, card: Card) -> Card:
        by = self.reader()
        if by is None:
            return replace(card, state="uncalibrated")
        outcome = measure_one(card.path, by.calibration, _task(by, ByHand(), OF_MANY))
        if isinstance(outcome, Failure):
            return replace(card, state="failed", message=as_text(outcome.message))
        return replace(card, state="measured", pieces=tuple(_piece(one) for one in outcome))

    def negative(self, card: Card, by_hand: ByHand) -> tuple[Assessment, ...]:
        """Return a scan read as a person sees it, with its picture and map.

        Raises
        ------
        DensiscanError
            If it cannot be measured, or no calibration was made yet.
        """
        by = self.reader()
        if by is None:
            raise DensiscanError("no calibration was made yet; make one under Scanner.")
        key = card.number, card.modified_ns, by_hand
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        outcome = measure_one(card.path, by.calibration, _task(by, by_hand, ONE_SHEET))
        if isinstance(outcome, Failure):
            raise DensiscanError(as_text(outcome.message))
        with self._lock:
            self._held[key] = outcome
            while len(self._held) > _HELD:
                self._held.popitem(last=False)
        return outcome

    # What is remembered of a folder, so that it opens at once: a scan is known by its path, size and time.

    def _memory(self) -> Path:
        name = hashlib.sha256(os.fsencode(self.path.resolve())).hexdigest()[:20]
        return self.notebook.parent / "desk" / f"{name}.json"

    def _recall(self) -> dict[str, Any]:
        try:
            document = json.loads(self._memory().read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        if not isinstance(document, dict) or document.get("format") != _FORM:
            return {}
        return document if document.get("calibration") == self._calibration_key() else {}

    def _calibration_key(self) -> str:
        by = self.reader()
        return "" if by is None else f"{by.calibration.name} {by.calibration.created}"

    def _remembered_card(self, card: Card) -> Card | None:
        remembered = self._remembered.get("scans", {}).get(as_text(card.path.name))
        if remembered is None or [card.size, card.modified_ns] != remembered.get("file"):
            return None
        with suppress(KeyError, TypeError, ValueError):
            pieces = tuple(read_result(Piece, piece) for piece in remembered["pieces"])
            return replace(card, state="measured", pieces=pieces)
        return None

    def remember(self) -> None:
        """Write down what was read, beside the notebook; what cannot be written is only slower the next time."""
        with self._lock:
            scans = {
                card.name: {"file": [card.size, card.modified_ns], "pieces": plain(card.pieces)}
                for card in self._cards.values()
                if card.state == "measured"
            }
            document = {"format": _FORM, "calibration": self._calibration_key(), "scans": scans}
        if not scans:
            return
        with suppress(DensiscanError, OSError):
            self._memory().parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._memory(), json.dumps(document), what="what the desk remembers")


def _task(by: ReadWith, by_hand: ByHand, detail: SheetDetail) -> Task:
    options = MeasureOptions(
        frame_mm=by_hand.frame_mm,
        rebate_mm=by_hand.rebate_mm,
        spots_mm=tuple((one.x_mm, one.y_mm) for one in by_hand.zones),
        glare=by.glare,
    )
    return Task(options=options, aim=by_hand.aim, told=by.warnings, detail=detail, zones=by_hand.zones)


def _piece(assessment: Assessment) -> Piece:
    sheet = assessment.sheet
    thumb = "" if sheet is None else picture_data(smaller(negative_gray(sheet.picture), THUMB_PX), quality=60)
    return Piece(piece=assessment.reading.piece, answer=answer(assessment), thumb=thumb)
