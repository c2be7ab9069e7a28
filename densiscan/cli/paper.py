"""The command `paper`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_if_any
from densiscan.cli.keep import end_unless, keep_named
from densiscan.cli.options import (
    OUR_CGATS,
    CgatsOption,
    ChannelOption,
    JsonOption,
    NotebookOption,
    OverwriteOption,
    PageOption,
    PlotOption,
    PpiOption,
    check_out,
    check_plot,
    now,
    say,
    show,
    write_cgats,
    write_plot,
)
from densiscan.cli.progress import working
from densiscan.errors import WrongUseError
from densiscan.notebook import location

if TYPE_CHECKING:
    from densiscan.calibration.calibration import Calibration
    from densiscan.paper.tested_range import Circumstances, PaperTest
    from densiscan.scan.scan import Scan

_WAYS = (
    "describe the paper test in one of these ways: PRINT_SCAN --wedge WEDGE.csv, --wedge WEDGE.csv --last-black STEP "
    "--first-white STEP, or --points CURVE.csv."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wet:
    """What is known of the print while it was wet: a dry-down in per cent, a table of densities, or a step counted."""

    dry_down: float | None
    points: Path | None
    first_white: str | None

    def check(self, *, by_eye: bool) -> None:
        """Check that the dry-down is given in one way at most.

        Raises
        ------
        WrongUseError
            If it is given twice, or by a step where no other is counted.
        """
        if [self.dry_down, self.points, self.first_white].count(None) < 2:
            raise WrongUseError(
                "--dry-down, --wet-points and --wet-first-white all give the dry-down; give one of them."
            )
        if self.first_white is not None and not by_eye:
            raise WrongUseError("--wet-first-white is for a count by eye; give --last-black and --first-white too.")
        if self.points is not None:
            arguments.there(self.points, "table of densities")

    def dried(self, test: PaperTest, wedge: Path | None, last_black: str | None) -> PaperTest:
        """Return the test with its dry-down, where that is known."""
        from densiscan.paper.drying import dried, stated_dry_down

        about = test.circumstances
        if self.dry_down is not None:
            return replace(test, dry_down_stops=stated_dry_down(self.dry_down))
        if self.points is not None:
            return dried(test, _of_points(self.points, about, None))
        if self.first_white is not None:
            return dried(test, _by_eye(wedge, last_black, self.first_white, about))
        return test


def paper(
    scan: Annotated[
        Path | None, typer.Argument(metavar="SCAN", help="Reflection scan of a contact print of the wedge.")
    ] = None,
    wedge: Annotated[
        Path | None,
        typer.Option("--wedge", metavar="FILE", help="Wedge file of the transmission wedge that was printed."),
    ] = None,
    last_black: Annotated[
        str | None,
        typer.Option("--last-black", metavar="STEP", help="By eye: the last step that is full black."),
    ] = None,
    first_white: Annotated[
        str | None,
        typer.Option("--first-white", metavar="STEP", help="By eye: the first step that is bare paper."),
    ] = None,
    points: Annotated[
        Path | None,
        typer.Option("--points", metavar="FILE", help="Table log_exposure,density of densities read elsewhere."),
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option(
            "--calibration",
            metavar="FILE|NAME",
            help="Calibration by a reflection wedge; else the last such one made, else none.",
        ),
    ] = None,
    exposure: Annotated[
        float | None,
        typer.Option(
            "--exposure", metavar="SECONDS", help="Seconds that the print got; with --points: at log exposure 0."
        ),
    ] = None,
    magnification: Annotated[
        float | None,
        typer.Option("--magnification", metavar="M", help="Size the enlarger was set for, if its light was used."),
    ] = None,
    base: Annotated[
        float | None, typer.Option("--base", metavar="D", help="Density of a fixed-only piece of the paper.")
    ] = None,
    fixed: Annotated[
        str | None,
        typer.Option(
            "--fixed", metavar="BOX", help="A fixed-only piece on the same scan: left,top,width,height in mm."
        ),
    ] = None,
    net_black: Annotated[
        float | None,
        typer.Option(
            "--net-black",
            metavar="D",
            help="Instead of a calibration: density of the paper's full black above its white, where you know it.",
        ),
    ] = None,
    dry_down: Annotated[
        float | None,
        typer.Option("--dry-down", metavar="PERCENT", help="How much shorter you expose a print that you judged wet."),
    ] = None,
    wet_points: Annotated[
        Path | None,
        typer.Option("--wet-points", metavar="FILE", help="Or: densities of the same print while it was wet."),
    ] = None,
    wet_first_white: Annotated[
        str | None,
        typer.Option("--wet-first-white", metavar="STEP", help="Or, by eye: the first white step while it was wet."),
    ] = None,
    region: Annotated[
        str | None,
        typer.Option("--region", metavar="BOX", help="Look for the printed wedge here: left,top,width,height in mm."),
    ] = None,
    outline: Annotated[
        str | None,
        typer.Option(
            "--outline", metavar="BOX", help="The printed wedge, first step to last, where its ends do not show."
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Keep the test in the notebook under this name.")
    ] = None,
    channel: ChannelOption = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    plot: PlotOption = None,
    cgats: CgatsOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Test a paper: exposure range R, grade, fog, black and speed.

    Print the transmission wedge on it by contact, and scan the print; or count its steps by eye; or give densities read
    elsewhere. With --name the test is kept for the commands print and finished.

    For example, a print of the wedge, exposed 12 s:

        densiscan paper print.tif --wedge wedge.csv --exposure 12 --name old-box
    """
    _check(scan, wedge, points, (last_black, first_white))
    arguments.within(exposure, "--exposure", above=0.0, upto=1e5, such_as="10 (seconds)")
    arguments.within(magnification, "--magnification", above=0.0, upto=50.0, such_as="2.5")
    arguments.within(base, "--base", above=-0.05, upto=1.0, such_as="0.06")
    arguments.within(net_black, "--net-black", above=0.5, upto=2.6, such_as="1.95")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="300")
    wet = Wet(dry_down=dry_down, points=wet_points, first_white=wet_first_white)
    wet.check(by_eye=last_black is not None)
    if base is not None and fixed is not None:
        raise WrongUseError("--base and --fixed both give the fixed-only piece; give one of them.")
    for option, value in (
        *(("--region", region), ("--outline", outline), ("--fixed", fixed), ("--calibration", calibration)),
        *(("--net-black", net_black), ("--channel", channel), ("--ppi", ppi), ("--page", page)),
    ):
        if scan is None and value is not None:
            raise WrongUseError(f"{option} is for the scan of a print, and none is given; leave it out.")
    if net_black is not None and calibration is not None:
        raise WrongUseError("--net-black stands in for a calibration; give it or --calibration.")
    boxes = [arguments.box(*pair) for pair in ((region, "--region"), (outline, "--outline"), (fixed, "--fixed"))]
    check_plot(plot)
    check_out(cgats, "--cgats", ours=OUR_CGATS)
    for option, file in (("--plot", plot), ("--cgats", cgats)):
        if file is not None and last_black is not None:
            raise WrongUseError(f"steps counted by eye make no curve; scan the print, or leave {option} out.")
    book = location.notebook_file(notebook_option)
    from densiscan.paper.file import fixed_piece
    from densiscan.paper.tested_range import Circumstances

    about = Circumstances(name=name, exposure_s=exposure, magnification=magnification)
    if points is not None:
        test = _of_points(points, about, base)
    elif scan is not None and wedge is not None:
        _require_other_than_wedge(scan, book)
        request = CalibrationRequest(name=calibration, book=book, mode="reflection")
        by = None if net_black is not None else calibration_if_any(request)
        made = None if by is None else by.calibration
        from densiscan.paper.from_scan import PrintScan, paper_from_scan
        from densiscan.wedge.wedge import read_wedge

        steps = read_wedge(wedge)
        asked = PrintScan(
            scan=opened_print(scan, made, channel=channel, ppi=ppi, page=page),
            wedge=steps,
            region_mm=boxes[0],
            outline_mm=boxes[1],
            fixed_mm=boxes[2],
            fixed_base=fixed_piece(base),
            net_black=net_black,
        )
        with working("Reading the print"):
            test = paper_from_scan(asked, made, about)
        test = test if by is None else replace(test, warnings=(*by.warnings, *test.warnings))
    else:
        test = _by_eye(wedge, last_black, first_white, about)
    test = wet.dried(test, wedge, last_black)
    if cgats is not None:
        from densiscan.report.cgats import paper_cgats

        write_cgats(lambda: paper_cgats(test, created=now()), cgats)
    _show_and_keep(test, scan, notebook_option, plot, as_json=as_json)


def _require_other_than_wedge(scan: Path, book: Path) -> None:
    """Check that the wedge itself is not named for its print: it would pass for a very soft paper."""
    from densiscan.notebook.readings import file_sha256

    with location.open_notebook(book) as opened_book:
        name = opened_book.film_calibration_from(file_sha256(scan))
    if name is not None:
        raise WrongUseError(
            f"{scan} is the scan of the wedge that the calibration {name} was made from; name its print."
        )


def _check(scan: Path | None, wedge: Path | None, points: Path | None, steps: tuple[str | None, str | None]) -> None:
    """Check that the paper is tested in one way, and that what is named for it is there."""
    ways = [scan is not None, points is not None, any(step is not None for step in steps)]
    if sum(ways) != 1:
        raise WrongUseError(_WAYS)
    if points is not None and wedge is not None:
        raise WrongUseError("--points already has exposures; leave --wedge out.")
    if points is None and wedge is None:
        raise WrongUseError("say which wedge was printed: --wedge WEDGE.csv, with a line step,density for each step.")
    if ways[2] and any(step is None for step in steps):
        raise WrongUseError("counting by eye needs both ends: --last-black STEP and --first-white STEP.")
    for file, what in ((scan, "scan"), (wedge, "wedge file"), (points, "table of densities")):
        if file is not None:
            arguments.there(file, what)


def _of_points(points: Path, about: Circumstances, base: float | None) -> PaperTest:
    from densiscan.paper.file import fixed_piece, read_points
    from densiscan.paper.tested_range import paper_from_points

    return paper_from_points(read_points(points), about.of(str(points)), fixed_base=fixed_piece(base))


def _by_eye(wedge: Path | None, last_black: str | None, first_white: str | None, about: Circumstances) -> PaperTest:
    from densiscan.paper.tested_range import paper_by_eye
    from densiscan.wedge.wedge import read_wedge

    read = read_wedge(wedge or Path())
    return paper_by_eye(read, last_black=last_black or "", first_white=first_white or "", circumstances=about)


def opened_print(
    scan: Path, made: Calibration | None, *, channel: str | None, ppi: float | None, page: int | None
) -> Scan:
    """Open a scan of a print in the channel of its calibration, where no other is asked for."""
    from densiscan.scan.scan import open_scan

    return open_scan(scan, ppi=ppi, channel=channel or (None if made is None else made.channel), page=page)


def _show_and_keep(
    test: PaperTest, scan: Path | None, option: Path | None, plot: Path | None, *, as_json: bool
) -> None:
    from densiscan.paper.file import paper_document
    from densiscan.report.paper import paper_text

    document = paper_document(test, created=now())
    show(document if as_json else paper_text(test))
    if plot is not None:
        from densiscan.report.figures.paper import paper_figure

        write_plot(paper_figure(test), plot)
    name = test.circumstances.name
    if name is not None:
        end_unless(keep_named("paper-test", name, document, option, scan=scan))
        say(f"Kept in the notebook as {name}.")
