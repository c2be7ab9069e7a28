"""Where the commands that print get their negatives and papers from: scans, readings made before, densities typed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.progress import working
from densiscan.errors import DensiscanError, WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.arithmetic.quantity import Quantity
    from densiscan.calibration.trust import ReadWith
    from densiscan.notebook.readings import KeptReading
    from densiscan.paper.exposure import NegativeEnds
    from densiscan.paper.tested_range import PaperTest

    Reader = Callable[[], ReadWith]
    """Gives the calibration when a scan is to be read, once for all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """Densities of one negative as a person types them; None where they are not given."""

    shadow: float | None = None
    highlight: float | None = None
    base_plus_fog: float | None = None

    def any(self) -> bool:
        """Tell whether a density to print is given."""
        return self.shadow is not None or self.highlight is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """How negatives are read: the notebook's file, calibration wanted, resolution, the picture's box."""

    book: Path
    calibration: str | None = None
    ppi: float | None = None
    frame: str | None = None


def typed_negative(typed: Typed) -> NegativeEnds:
    """Return the negative whose densities are typed; they are taken as read to 0.02 (k = 2), as usual."""
    from densiscan.arithmetic.quantity import Influence, Quantity
    from densiscan.paper.exposure import NegativeEnds

    def stated(value: float | None, name: str) -> Quantity | None:
        return None if value is None else Quantity(value, {Influence("reading", name): 0.01})

    for value, option in (
        (typed.shadow, "--shadow"),
        (typed.highlight, "--highlight"),
        (typed.base_plus_fog, "--base-plus-fog"),
    ):
        arguments.within(value, option, above=-0.1, upto=6.0, such_as="0.40 (a density)")
    return NegativeEnds(
        name="as typed",
        shadow=stated(typed.shadow, "shadow"),
        highlight=stated(typed.highlight, "highlight"),
        base_plus_fog=stated(typed.base_plus_fog, "base plus fog"),
    )


def negatives_named(names: Sequence[str], source: Source) -> tuple[list[NegativeEnds], list[dict[str, str]]]:
    """Return the negatives of scans, of documents that measure printed, or of readings in the notebook.

    Returns
    -------
    tuple
        The negatives, and for each name that gave none its file, code and message.

    Raises
    ------
    WrongUseError
        If a name is neither a file nor a reading in the notebook.
    """
    for name in names:
        _require_known(name, source)
    negatives: list[NegativeEnds] = []
    failed: list[dict[str, str]] = []
    by = cache(lambda: calibration_for(CalibrationRequest(name=source.calibration, book=source.book)))
    for name, of in _each(names, source, by):
        try:
            negatives += of()
        except WrongUseError:
            raise
        except DensiscanError as problem:
            failed.append({"file": name, "code": problem.code, "message": arguments.in_options(str(problem))})
    return negatives, failed


def _each(names: Sequence[str], source: Source, by: Reader) -> Iterator[tuple[str, Callable[[], list[NegativeEnds]]]]:
    """Yield each name, a folder by its scans, with what reads its negatives."""
    for name in names:
        if Path(name).is_dir():
            yield from _in_folder(Path(name), source, by)
        else:
            yield name, partial(_negatives, name, source, by)


def _in_folder(folder: Path, source: Source, by: Reader) -> Iterator[tuple[str, Callable[[], list[NegativeEnds]]]]:
    """Yield the scans of a folder: as they count in the notebook where it has them, else to be measured.

    Raises
    ------
    WrongUseError
        If there is none in the folder.
    """
    from densiscan.batch.files import scans_in
    from densiscan.notebook.readings import file_sha256

    files, failures = scans_in([folder])
    if failures:
        raise WrongUseError(failures[0].message)
    kept: dict[str | None, list[KeptReading]] = {}
    if source.calibration is None and source.frame is None:
        with location.open_notebook(source.book) as book:
            for one in book.counting_readings():
                kept.setdefault(one.scan_sha256, []).append(one)
    for path in files:
        reading = kept.get(file_sha256(path)) if kept else None
        if reading is not None:
            yield str(path), partial(_as_kept, reading)
            continue
        yield str(path), partial(measured_negatives, path, source, by)


def negatives_of_run(run: int, source: Source) -> tuple[list[NegativeEnds], list[dict[str, str]]]:
    """Return the negatives of a development run, and those of it that are something else.

    Raises
    ------
    WrongUseError
        If there is no such run, or it has no readings that count.
    """
    from densiscan.development.usable_readings import not_a_negative

    with location.open_notebook(source.book) as book:
        book.run(run)
        of_run = [one for one in book.counting_readings() if one.run == run]
    # The wedge's own scan lies among those of many an evening; nobody wants a print of it.
    counting = [one for one in of_run if not_a_negative(one.document or {}) != "wedge"]
    negatives: list[NegativeEnds] = []
    failed: list[dict[str, str]] = []
    if not counting:
        raise WrongUseError(f"run {run} has no negatives yet; measure them with: densiscan measure SCAN --run {run}")
    for one in counting:
        try:
            negatives += _as_kept([one])
        except DensiscanError as problem:
            failed.append({"file": str(one.file), "code": problem.code, "message": arguments.in_options(str(problem))})
    return negatives, failed


def _require_known(name: str, source: Source) -> None:
    if Path(name).exists() or _readings_called(name, source, with_documents=False):
        return
    raise WrongUseError(
        f"{name} is neither a file nor a negative in the notebook; name a scan, a document of measure --json, or the "
        "file name of a negative measured before."
    )


def _negatives(name: str, source: Source, by: Reader) -> list[NegativeEnds]:
    path = Path(name)
    if not path.is_file():
        return _kept(name, source)
    return _from_document(path) if path.suffix.lower() == ".json" else measured_negatives(path, source, by)


def _readings_called(name: str, source: Source, *, with_documents: bool) -> list[KeptReading]:
    """Return the readings that count in the notebook, of scans of this name, with or without its ending."""
    with location.open_notebook(source.book) as book:
        counting = book.counting_readings(with_documents=with_documents)
    last = {(one.file, one.piece): one for one in counting if one.file and _is_named(one.file, name)}
    return list(last.values())


def _kept(name: str, source: Source) -> list[NegativeEnds]:
    """Return the negatives of this name that the notebook has; MeasureError if one is something else."""
    return _as_kept(_readings_called(name, source, with_documents=True))


def _as_kept(readings: Sequence[KeptReading]) -> list[NegativeEnds]:
    """Return negatives as the notebook has them.

    Raises
    ------
    MeasureError
        If one of them was seen to be something else.
    """
    from densiscan.paper.exposure import NegativeEnds

    for one in readings:
        document = one.document or {}
        warnings = [(str(warning["code"]), str(warning["message"])) for warning in document.get("warnings", ())]
        _require_negative(str(one.file), str(document.get("seen", "negative")), warnings)
    return [
        NegativeEnds(
            name=_piece_name(str(one.file), one.piece),
            shadow=one.quantities.get("shadow"),
            highlight=one.quantities.get("highlight"),
            base_plus_fog=one.quantities.get("base_plus_fog"),
        )
        for one in readings
    ]


def _is_named(file: str, name: str) -> bool:
    return name in {file, Path(file).name, Path(file).stem}


def _piece_name(file: str, piece: int | None) -> str:
    return file if piece is None else f"{file}, piece {piece}"


def _from_document(path: Path) -> list[NegativeEnds]:
    from densiscan.arithmetic.quantity import Influence, read_back
    from densiscan.files.documents import read_document
    from densiscan.paper.exposure import NegativeEnds

    def quantity(plain: dict[str, Any] | None, key: str) -> Quantity | None:
        return read_back(plain, Influence("reading", key))

    try:
        document = read_document(path)
        for one in document["readings"]:
            warnings = [(str(warning["code"]), str(warning["message"])) for warning in one.get("warnings", ())]
            _require_negative(str(one["file"]), str(one.get("seen", "negative")), warnings)
        return [
            NegativeEnds(
                name=_piece_name(str(one["file"]), one.get("piece")),
                shadow=quantity(one["shadow"], "shadow"),
                highlight=quantity(one["highlight"], "highlight"),
                base_plus_fog=quantity(one["base_plus_fog"], "base plus fog"),
            )
            for one in document["readings"]
        ]
    except OSError as problem:
        raise DensiscanError(f"{path} cannot be read: {(problem.strerror or 'unknown reason').lower()}.") from problem
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise DensiscanError(
            f"{path} is not a document of readings; make one with: densiscan measure SCAN --json"
        ) from problem


def _require_negative(file: str, kind: str, warnings: Sequence[tuple[str, str]]) -> None:
    """Check that what was read is a negative, or may be one.

    Raises
    ------
    MeasureError
        If not: no print is made of it.
    """
    from densiscan.errors import MeasureError
    from densiscan.negative.seen import INSIST, code_of, is_judged

    if is_judged(kind):
        return
    why = next((message for code, message in warnings if code == code_of(kind)), "It is not a negative.")
    raise MeasureError(
        f"{file}: {why.removesuffix(INSIST).strip()} If it is a negative, give --shadow and --highlight."
    )


def measured_negatives(path: Path, source: Source, calibrated: Reader) -> list[NegativeEnds]:
    """Return the negatives of a scan, measured.

    Raises
    ------
    DensiscanError
        If it cannot be read, or what is on it is no negative.
    """
    from densiscan.errors import MeasureError
    from densiscan.negative.options import MeasureOptions
    from densiscan.negative.reading import measure_scan
    from densiscan.paper.exposure import NegativeEnds
    from densiscan.scan.scan import open_scan

    by = calibrated()
    made = by.calibration
    if made.mode != "transmission":
        raise MeasureError(
            f"{path} is a negative, and the calibration {made.name} is of a wedge read by reflection; name one of a "
            "wedge on film with --calibration."
        )
    scan = open_scan(path, ppi=source.ppi, channel=made.channel)
    options = MeasureOptions(frame_mm=arguments.box(source.frame, "--frame"), glare=by.glare)
    with working("Measuring"):
        readings = measure_scan(scan, made, options)
    for one in readings:
        _require_negative(one.file, one.seen, [(warning.code, warning.message) for warning in one.warnings])
    return [
        NegativeEnds(
            name=_piece_name(one.file, one.piece),
            shadow=one.shadow,
            highlight=one.highlight,
            base_plus_fog=one.base_plus_fog,
            warnings=(*by.warnings, *one.warnings),
        )
        for one in readings
    ]


def papers_named(names: Sequence[str], book: Path) -> list[PaperTest]:
    """Return the paper tests of these names, all that are kept where none is named.

    Raises
    ------
    WrongUseError
        If there is none of a name.
    """
    from densiscan.paper.file import paper_from_document

    with location.open_notebook(book) as kept:
        every_name = kept.names("paper-test")
        papers = []
        for name in names or every_name:
            document = kept.kept("paper-test", name)
            if document is None:
                hint = f"the names kept are {', '.join(every_name)}" if every_name else "none is kept yet"
                raise WrongUseError(
                    f"there is no paper test called {name}; {hint}; make one with densiscan paper ... --name NAME."
                )
            papers.append(paper_from_document(document))
    return papers
