"""The command `film`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from densiscan.cli import arguments
from densiscan.cli.calibrations import CalibrationRequest, calibration_for
from densiscan.cli.options import (
    OUR_CGATS,
    TYPED,
    CalibrationOption,
    CgatsOption,
    EmptyBedOption,
    JsonOption,
    NotebookOption,
    OverwriteOption,
    PageOption,
    PlotOption,
    PpiOption,
    PrintingLight,
    ProcessOption,
    RebateOption,
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
from densiscan.scan.places import BoxMm, PlaceMm

if TYPE_CHECKING:
    from densiscan.film.from_scan import ReadFilm
    from densiscan.film.speed_and_contrast import FilmAim, FilmTest, Reference


def film(
    scans: Annotated[
        list[Path] | None, typer.Argument(metavar="[SCAN]...", help="Scan of the exposed film; a folder with --frames.")
    ] = None,
    points: Annotated[
        Path | None,
        typer.Option("--points", metavar="FILE", help="Densities read elsewhere: log_exposure,density of each step."),
    ] = None,
    exposures: Annotated[
        Path | None, typer.Option("--exposures", metavar="FILE", help="Exposures given: step,log_exposure of each.")
    ] = None,
    wedge: Annotated[
        Path | None,
        typer.Option("--wedge", metavar="FILE", help="Wedge file of the wedge that the film was exposed through."),
    ] = None,
    exposure: Annotated[
        float, typer.Option("--exposure", metavar="LOG_E", help="With --wedge: log10 of the exposure on the wedge.")
    ] = 0.0,
    exposure_uncertainty: Annotated[
        float, typer.Option("--exposure-uncertainty", metavar="U", help="How sure that is (k = 2), in log exposure.")
    ] = 0.0,
    calibration: CalibrationOption = None,
    frames: Annotated[
        bool, typer.Option("--frames", help="Every frame is one exposure, in reading order; a folder by name.")
    ] = False,
    row: Annotated[
        str | None,
        typer.Option("--row", metavar="BOX", help="The row of steps, if not found: left,top,width,height in mm."),
    ] = None,
    spot: Annotated[
        list[str] | None,
        typer.Option("--spot", metavar="X,Y", help="Place of each exposure, in the order of the list; repeated."),
    ] = None,
    rebate: RebateOption = None,
    base_plus_fog: Annotated[
        float | None,
        typer.Option("--base-plus-fog", metavar="D", help="Base plus fog; otherwise taken from the foot of the curve."),
    ] = None,
    absolute: Annotated[
        bool, typer.Option("--absolute", help="Log exposures are of lux seconds: gives the ISO speed.")
    ] = False,
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference",
            metavar="LOG_E,INDEX",
            help="Log exposure that should be the speed point at this exposure index: gives an index.",
        ),
    ] = None,
    process: ProcessOption = PrintingLight.contact,
    paper_range: Annotated[
        float | None, typer.Option("--paper-range", metavar="R", help="ISO range of the paper; 105 if not given.")
    ] = None,
    zones: Annotated[
        bool, typer.Option("--zones", help="Show its zones as densities, and with --paper as grays in the print.")
    ] = False,
    paper: Annotated[
        str | None, typer.Option("--paper", metavar="NAME", help="With --zones: a paper that was tested.")
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Keep the film test in the notebook under this name.")
    ] = None,
    ppi: PpiOption = None,
    page: PageOption = None,
    empty_bed: EmptyBedOption = None,
    plot: PlotOption = None,
    cgats: CgatsOption = None,
    overwrite: OverwriteOption = False,  # noqa: ARG001 - its callback acts
    notebook_option: NotebookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Test a film: its characteristic curve, contrast and speed.

    From a scan of film that was exposed through a wedge (--wedge, or a list of --exposures), from frames exposed a stop
    apart (--frames), or from densities read elsewhere (--points). Base plus fog, speed point, gamma, average gradient,
    contrast index and the exposure range that fits the paper, each with its uncertainty (k = 2).

    For example, from densities read elsewhere, with its curve drawn:

        densiscan film --points meadow.csv --plot meadow.png
    """
    arguments.within(base_plus_fog, "--base-plus-fog", above=-0.05, upto=5.0, such_as="0.25")
    arguments.within(exposure, "--exposure", above=-12.0, upto=12.0, such_as="-0.5")
    arguments.within(exposure_uncertainty, "--exposure-uncertainty", above=-1e-9, upto=3.0, such_as="0.04")
    arguments.within(ppi, "--ppi", above=0.0, upto=1e5, such_as="600")
    check_plot(plot)
    check_out(cgats, "--cgats", ours=OUR_CGATS)
    asked = FilmRequest(
        scans=tuple(scans or ()),
        points=points,
        exposures=exposures,
        wedge=wedge,
        exposure=(exposure, exposure_uncertainty),
        calibration=calibration,
        frames=frames,
        row=arguments.box(row, "--row"),
        spots=arguments.places(spot, "--spot"),
        rebate=arguments.box(rebate, "--rebate"),
        ppi=ppi,
        page=page,
        empty_bed=empty_bed,
        notebook=location.notebook_file(notebook_option),
    )
    asked.check()
    if paper is not None and not zones:
        raise WrongUseError("--paper is for --zones: how they print on it; add --zones.")
    aim = _aim(absolute=absolute, reference=reference, paper_range=paper_range, process=process)
    from dataclasses import replace

    from densiscan.arithmetic.quantity import Quantity
    from densiscan.film.speed_and_contrast import film_test
    from densiscan.report.cgats import film_cgats
    from densiscan.report.film import film_document, film_text

    read = asked.read()
    base = read.base_plus_fog if base_plus_fog is None else Quantity(base_plus_fog)
    test = film_test(read.points, base_plus_fog=base, aim=aim, name=asked.said)
    test = replace(test, warnings=(*read.warnings, *test.warnings))
    document = film_document(test)
    tones = _zones(test, paper, process, asked.notebook) if zones else None
    if as_json:
        show(document if tones is None else {**document, "zones": tones[0]})
    else:
        show(film_text(test, name=name or asked.said) + ("" if tones is None else f"\n\n{tones[1]}"))
    if plot is not None:
        from densiscan.report.figures.film import film_figure

        write_plot(film_figure(test, name=name or asked.said), plot)
    write_cgats(lambda: film_cgats(test, name=name or asked.said, created=now()), cgats)
    if name is not None:
        with location.open_notebook(asked.notebook, arguments=TYPED.get()) as book:
            book.keep("film-test", name, document)
        say(f"Kept as film test {name}.")


def _zones(test: FilmTest, paper: str | None, process: PrintingLight, book: Path) -> tuple[Any, str]:
    """Return the zones of a film as plain data and as a table."""
    from densiscan.cli.printing_sources import papers_named
    from densiscan.film.zones import film_zones
    from densiscan.paper.exposure import printing_with
    from densiscan.report.zones import zone_tones, zones_document, zones_text

    on = None if paper is None else papers_named([paper], book)[0]
    tones = zone_tones(film_zones(test), on, printing_with(process.value))
    return zones_document(tones), zones_text(tones, paper)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmRequest:
    """What the film test is read from, as it was typed."""

    scans: tuple[Path, ...]
    points: Path | None
    exposures: Path | None
    wedge: Path | None
    exposure: tuple[float, float]
    calibration: str | None
    frames: bool
    row: BoxMm | None
    spots: tuple[PlaceMm, ...]
    rebate: BoxMm | None
    ppi: float | None
    page: int | None
    empty_bed: Path | None
    notebook: Path

    @property
    def said(self) -> str:
        """What the person called it."""
        named = self.scans[0] if self.points is None else self.points
        return named.name

    def check(self) -> None:
        """Refuse what does not go together, or is not there."""
        if bool(self.scans) == (self.points is not None):
            raise WrongUseError("describe the film test either with SCAN and its exposures, or with --points.")
        for file, what in (
            *((scan, "scan or folder") for scan in self.scans),
            (self.points, "table of points"),
            (self.exposures, "list of exposures"),
            (self.wedge, "wedge file"),
            (self.empty_bed, "scan of the empty bed"),
        ):
            if file is not None:
                arguments.there(file, what)
        if self.scans and (self.exposures is None) == (self.wedge is None):
            raise WrongUseError(
                "the exposures are missing: give --exposures FILE with step,log_exposure, or --wedge FILE with the "
                "densities of the wedge that lay on the film."
            )

    def read(self) -> ReadFilm:
        """Read the points."""
        from densiscan.film.from_scan import ReadFilm, WhereOnFilm, exposures_through, read_film
        from densiscan.film.points import read_curve, read_exposures

        if self.points is not None:
            return ReadFilm(points=read_curve(self.points), base_plus_fog=None, warnings=())
        from densiscan.batch.files import scans_in
        from densiscan.calibration.check.check import lamp_on
        from densiscan.negative.options import MeasureOptions
        from densiscan.scan.scan import open_scan
        from densiscan.wedge.wedge import read_wedge

        by = calibration_for(CalibrationRequest(name=self.calibration, book=self.notebook))
        calibration = by.calibration
        if self.exposures is not None:
            exposures = read_exposures(self.exposures)
        else:
            value, doubt = self.exposure
            through = read_wedge(self.wedge or Path())
            exposures = exposures_through(through, log_exposure=value, uncertainty=doubt, calibration=calibration)
        files, failures = scans_in(self.scans)
        if failures:
            raise WrongUseError(failures[0].message)
        opened = [open_scan(file, ppi=self.ppi, channel=calibration.channel, page=self.page) for file in files]
        options = MeasureOptions(
            rebate_mm=self.rebate, lamp=lamp_on(self.empty_bed, calibration, ppi=self.ppi), glare=by.glare
        )
        where = WhereOnFilm(row_mm=self.row, spots_mm=self.spots, frames=self.frames)
        with working("Reading the film"):
            read = read_film(opened, exposures, calibration, where=where, options=options)
        return replace(read, warnings=(*by.warnings, *read.warnings))


def _aim(*, absolute: bool, reference: str | None, paper_range: float | None, process: PrintingLight) -> FilmAim:
    from densiscan.film.speed_and_contrast import FilmAim
    from densiscan.paper.grade import density_range_for

    if absolute and reference is not None:
        raise WrongUseError("--absolute gives the speed by itself; leave --reference out.")
    return FilmAim(
        absolute=absolute,
        density_range=density_range_for(paper_range, process.value),
        reference=_reference(reference),
    )


def _reference(text: str | None) -> Reference | None:
    if text is None:
        return None
    from densiscan.film.speed_and_contrast import Reference

    place, index = arguments.pair(text, "--reference", such_as="-1.2,100")
    if index <= 0.0:
        raise WrongUseError(f'--reference "{text}" has no exposure index above 0; give --reference -1.2,100.')
    return Reference(log_exposure=place, index=index)
