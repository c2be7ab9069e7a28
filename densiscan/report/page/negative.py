"""One negative as a page shows it: from what was read of it, and what was kept of it to look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from densiscan.arithmetic.units import STOP
from densiscan.batch.assessment import Assessment
from densiscan.development.run import Run
from densiscan.development.zones import zone_line
from densiscan.files.serialise import plain
from densiscan.negative.preview import Preview, thinned
from densiscan.negative.reading import Reading
from densiscan.negative.trouble.finding import BORDER
from densiscan.paper.grade import GRADE_LOWER_LIMITS, SOFTEST_LIMIT, Process, callier_factor
from densiscan.report.answer import Answer, answer, development_words, trouble_name
from densiscan.report.page.budget import BudgetView, budget_view
from densiscan.report.page.charts import Chart, grade_chart, histogram_chart, profile_chart
from densiscan.report.page.pictures import map_text, negative_gray, picture_data, print_gray, smaller
from densiscan.report.readings import density_text
from densiscan.report.zone_change import zones_words
from densiscan.scan.cells import TurnedBox

Places = Sequence[tuple[float, float]]

THUMB_PX: Final = 260
_FINE: Final = 78
_COARSE: Final = 55
"""Qualities of the coded pictures, of 100."""

_FIGURES: Final = (
    ("base_plus_fog", None, "base plus fog", "The clear edge: film base, and the fog that development adds."),
    ("fog", None, "fog", "Base plus fog minus the density of the bare base."),
    ("shadow", "net_shadow", "shadow", "The thinnest hundredth of the picture. Net 0.10 is the least that prints."),
    ("highlight", "net_highlight", "highlight", "The densest hundredth of the picture."),
    ("density_range", None, "density range", "Highlight minus shadow: what the paper must hold."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageReading:
    """One negative to be shown, with its picture and map where they were kept.

    `calibration` names what it was read by, `told` is said of it besides, `run` names the run it belongs to;
    `rebate_mm` is the box of unexposed film that a person named, `paper_range` ISO range R of the paper at hand,
    `developed` the run as it was logged.
    """

    assessment: Assessment
    calibration: str
    told: str = ""
    run: str = ""
    rebate_mm: tuple[float, float, float, float] | None = None
    paper_range: float | None = None
    developed: Run | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceView:
    """One piece of advice: what it is on, what it says, why; `look` where something is to be put right."""

    name: str
    verdict: str
    reason: str
    look: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One reading: its name, its value, net where there is that, and what it means."""

    name: str
    value: str
    net: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """A spot or a finding, numbered: the box that marks it on the scan, never too small to be seen; what it says.

    `name` is a finding in a word or two.
    """

    number: int
    box_mm: tuple[float, float, float, float]
    text: str
    value: str = ""
    net: str = ""
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureView:
    """The negative to look at: both pictures, what lies on them (millimetres on the scan), the map for reading."""

    region_mm: tuple[float, float, float, float]
    px: tuple[int, int]
    negative: str
    printed: str
    print_caption: str
    film: str
    frame: str
    rebate: str
    aperture_mm: float
    word_mm: float
    map: str
    profile: Chart


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """Everything that the page shows of one negative; `data` is what its script reads."""

    key: str
    number: int
    name: str
    run: str
    answer: Answer
    piece: int | None
    facts: str
    advice: tuple[AdviceView, ...]
    figures: tuple[Figure, ...]
    spots: tuple[Numbered, ...]
    findings: tuple[Numbered, ...]
    warnings: tuple[str, ...]
    charts: tuple[tuple[str, str, Chart], ...]
    picture: PictureView | None
    thumb: str
    data: dict[str, Any] | None
    budget: BudgetView | None


def sheet_view(page: PageReading, *, number: int, beside: Sequence[Assessment] = (), fine: bool = True) -> SheetView:
    """Return how one negative is shown.

    Parameters
    ----------
    number
        Of the negative on the page, from 1.
    beside
        All negatives of the page: where frames lie on one film, what is between them is rebate, and they are not.
    fine
        False on a page of very many: pictures and map are then coarser, so that it stays small.
    """
    assessment = page.assessment
    sheet = assessment.sheet
    if sheet is not None and not fine:
        sheet = thinned(sheet)
    picture = None if sheet is None else _picture(page, sheet, beside, quality=_FINE if fine else _COARSE)
    return SheetView(
        key=f"s{number}",
        number=number,
        name=assessment.reading.file,
        run=page.run,
        answer=answer(assessment),
        piece=assessment.reading.piece,
        facts=_facts(page),
        advice=_advice(assessment),
        figures=_figures(assessment.reading),
        spots=_spots(assessment.reading),
        findings=_findings(assessment, 0.0 if sheet is None else max(sheet.region_mm[2:]) / 40.0),
        warnings=_warnings(assessment),
        charts=_charts(page),
        picture=picture,
        thumb="" if sheet is None else picture_data(smaller(negative_gray(sheet.picture), THUMB_PX), quality=60),
        data=None if sheet is None else _data(page, sheet),
        budget=budget_view(assessment.reading),
    )


def _warnings(assessment: Assessment) -> tuple[str, ...]:
    """Return what a person should know, what may be trouble and may not first."""
    perhaps = [note for note in assessment.trouble.notes if note.code == BORDER]
    return tuple(dict.fromkeys(warning.message for warning in (*perhaps, *assessment.warnings)))


def _facts(page: PageReading) -> str:
    reading = page.assessment.reading
    facts = [] if reading.ppi is None else [f"{reading.ppi:.0f} ppi"]
    facts += [f"{reading.aperture_mm:g} mm aperture", f"calibration {page.calibration}"]
    if reading.frame_mm is not None:
        facts.append(f"frame {reading.frame_mm[2]:.0f} x {reading.frame_mm[3]:.0f} mm")
    if abs(reading.angle_deg) >= 0.05:
        facts.append(f"turned {reading.angle_deg:.1f} degrees")
    if page.told:
        facts.append(page.told)
    return ", ".join(facts)


def _advice(assessment: Assessment) -> tuple[AdviceView, ...]:
    exposure, development, paper = assessment.exposure, assessment.development, assessment.paper
    if not assessment.judged:
        return tuple(
            AdviceView(name=name, verdict="Not judged", reason="") for name in ("Exposure", "Development", "Paper")
        )
    known = not exposure.warnings
    right = {"normal": "Right", "under": "Give more", "over": "Give less"}
    development_said = development_words(development)
    grade = "No paper named" if paper.grade is None else f"Grade {paper.grade}, {paper.process}"
    return (
        AdviceView(
            name="Exposure",
            verdict=right[exposure.verdict] if known else "Not judged",
            reason=exposure.reason,
            look=known and exposure.verdict != "normal",
        ),
        AdviceView(
            name="Development",
            verdict=development_said[:1].upper() + development_said[1:] or "Not judged",
            reason=development.reason,
            look=bool(development_said) and development.verdict in {"more", "less"},
        ),
        AdviceView(name="Paper", verdict=grade, reason=paper.note),
        *_zones(assessment),
    )


def _zones(assessment: Assessment) -> tuple[AdviceView, ...]:
    words = zones_words(assessment)
    return () if words is None else (AdviceView(name="Zones", verdict=words[0], reason=words[1]),)


def _figures(reading: Reading) -> tuple[Figure, ...]:
    return tuple(
        Figure(
            name=name,
            value=density_text(getattr(reading, field)),
            net="" if net is None or getattr(reading, net) is None else density_text(getattr(reading, net)),
            meaning=meaning,
        )
        for field, net, name, meaning in _FIGURES
        if field != "fog" or reading.fog is not None
    )


def _spots(reading: Reading) -> tuple[Numbered, ...]:
    half = reading.aperture_mm / 2.0
    return tuple(
        Numbered(
            number=number,
            box_mm=(spot.x_mm - half, spot.y_mm - half, 2.0 * half, 2.0 * half),
            text=f"{spot.x_mm:g}, {spot.y_mm:g} mm",
            value=density_text(spot.density),
            net="" if spot.net is None else density_text(spot.net),
        )
        for number, spot in enumerate(reading.spots, start=1)
    )


def _findings(assessment: Assessment, least_mm: float) -> tuple[Numbered, ...]:
    findings = []
    for number, finding in enumerate(assessment.trouble.findings, start=1):
        left, top, width, height = (round(value, 2) for value in finding.box_mm)
        place = f"At {left:.0f}, {top:.0f} mm, {width:.0f} x {height:.0f} mm."
        more_x, more_y = max(least_mm - width, 0.0) / 2.0, max(least_mm - height, 0.0) / 2.0
        box = (left - more_x, top - more_y, width + 2.0 * more_x, height + 2.0 * more_y)
        findings.append(
            Numbered(number=number, box_mm=box, text=f"{finding.message} {place}", name=trouble_name(finding))
        )
    return tuple(findings)


def _paper(page: PageReading) -> tuple[float, str] | None:
    """Return range (density units, as the light of the print sees the negative) and name of the paper that is meant."""
    if page.paper_range is not None:
        return page.paper_range / 100.0, f"paper at hand, range {page.paper_range:.0f}"
    grade = page.assessment.paper.grade
    if grade is None or not page.assessment.judged:
        return None
    limits = sorted(GRADE_LOWER_LIMITS.values())
    ends = dict(zip(limits, [*limits[1:], SOFTEST_LIMIT], strict=True))
    least = GRADE_LOWER_LIMITS.get(grade)
    if least is None:
        softest = grade.startswith("softer")
        return (SOFTEST_LIMIT, "softest grade, 0") if softest else (limits[0], "hardest grade, 5")
    return round(0.5 * (least + ends[least]), 3), f"paper of grade {grade}"


def _charts(page: PageReading) -> tuple[tuple[str, str, Chart], ...]:
    """Return (heading, note, drawing) of what can be drawn of one negative."""
    reading, process, sheet = page.assessment.reading, _process(page.assessment), page.assessment.sheet
    paper, extent = _paper(page), reading.density_range
    factor = callier_factor(process).value
    charts = []
    if extent is not None and paper is not None:
        needed, uncertainty = factor * extent.value, factor * (extent.uncertainty or 0.0)
        note = f"The light of this print ({process}) sees a range of {needed:.2f}; {paper[1]} holds {paper[0]:.2f}."
        named = paper if page.paper_range is not None else None
        charts.append(("Which paper grade fits", note, grade_chart(needed, uncertainty, named)))
    held = None if sheet is None else _inside_frame(reading, sheet)
    if held is not None and extent is not None:
        paper_ends = None if paper is None else _held(reading, paper[0] / factor)
        note = _lost(held, paper_ends, paper)
        places = [
            (density.value, word, kind)
            for density, word, kind in (
                (reading.base_plus_fog, "base plus fog", "base"),
                (reading.shadow, "shadow", ""),
                (reading.highlight, "highlight", ""),
            )
            if density is not None
        ]
        chart = histogram_chart(held, places=places, paper=paper_ends, axis_end=_axis_end(reading))
        charts.append(("Tones in the negative", note, chart))
    return tuple(charts)


def _process(assessment: Assessment) -> Process:
    """Return the light of the print; by contact the range of what is no negative is shown."""
    return assessment.paper.process if assessment.judged else "contact"


def _held(reading: Reading, width: float) -> tuple[float, float]:
    """Return the densities that a paper holds when the print is timed for the middle of the negative."""
    middle = _middle(reading)
    return middle - width / 2.0, middle + width / 2.0


def _middle(reading: Reading) -> float:
    assert reading.shadow is not None  # noqa: S101 - where there is a range there are its ends
    assert reading.highlight is not None  # noqa: S101 - likewise
    return 0.5 * (reading.shadow.value + reading.highlight.value)


def _lost(held: np.ndarray[Any, Any], ends: tuple[float, float] | None, paper: tuple[float, str] | None) -> str:
    if ends is None or paper is None:
        return ""
    black, white = 100.0 * float((held < ends[0]).mean()), 100.0 * float((held > ends[1]).mean())
    return (
        f"The rule below the bars is what {paper[1]} holds, exposed for the mid-tones: {black:.0f} % of the area "
        f"prints as full black, {white:.0f} % as bare paper (hatched bars)."
    )


def _axis_end(reading: Reading) -> float:
    top = max((one.value for one in (reading.highlight, reading.base_plus_fog) if one is not None), default=1.5)
    return max(0.5 * math.ceil((top + 0.2) / 0.5), 1.0)


def _corners(reading: Reading) -> tuple[Places | None, Places | None]:
    """Return where the corners of film and frame lie on the scan: both boxes are those before the film is turned."""
    film, frame, angle = reading.film_mm, reading.frame_mm, reading.angle_deg
    outline = None if film is None else _turned(film, angle)
    if frame is None:
        return outline, None
    if film is None:
        return None, _turned(frame, angle)
    whole = TurnedBox(left_mm=film[0], top_mm=film[1], width_mm=film[2], height_mm=film[3], angle_deg=angle)
    left, top = frame[0] - whole.centre.x, frame[1] - whole.centre.y
    inside = whole.part((left, left + frame[2]), (top, top + frame[3]))
    return outline, inside.corners()


def frame_corners(reading: Reading) -> Places | None:
    """Return where the corners of the frame lie on the scan, mm, clockwise from its top left; None without a frame."""
    return _corners(reading)[1]


def _turned(box: Sequence[float], angle: float) -> Places:
    left, top, width, height = box
    return TurnedBox(left_mm=left, top_mm=top, width_mm=width, height_mm=height, angle_deg=angle).corners()


def _inside_frame(reading: Reading, sheet: Preview) -> np.ndarray[Any, Any] | None:
    """Return the map's readings whose apertures lie inside the frame; None where there is none or no frame."""
    frame = reading.frame_mm
    if frame is None:
        return None
    corners = np.array(_corners(reading)[1])
    centre = corners.mean(axis=0)
    area = TurnedBox(
        left_mm=float(centre[0] - frame[2] / 2),
        top_mm=float(centre[1] - frame[3] / 2),
        width_mm=frame[2],
        height_mm=frame[3],
        angle_deg=reading.angle_deg,
    )
    rows, columns = sheet.map.shape
    x = sheet.first_mm[0] + sheet.pitch_mm[0] * np.arange(columns)
    y = sheet.first_mm[1] + sheet.pitch_mm[1] * np.arange(rows)
    inside = area.inside(x[None, :], y[:, None], reading.aperture_mm / 2)
    return sheet.map[inside] / 1000.0 if inside.any() else None


def _path(places: Places) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in places) + "Z"


def _rebate(page: PageReading, beside: Sequence[Assessment]) -> str:
    """Return what was read as rebate: the box that was named, else the film without its frames."""
    assessment = page.assessment
    film, frame = _corners(assessment.reading)
    if page.rebate_mm is not None:
        return _path(_turned(page.rebate_mm, 0.0))
    if film is None or frame is None or assessment.reading.base_plus_fog is None:
        return ""
    same = [other.reading for other in beside if _film_of(other) == _film_of(assessment)]
    frames = [_corners(reading)[1] for reading in same] or [frame]
    return _path(film) + "".join(_path(corners) for corners in frames if corners is not None)


def _film_of(assessment: Assessment) -> tuple[Path, tuple[float, ...] | None]:
    """Return the scan and the box of the film that a frame is on."""
    return assessment.path, assessment.reading.film_mm


def _picture(page: PageReading, sheet: Preview, beside: Sequence[Assessment], *, quality: int) -> PictureView:
    reading = page.assessment.reading
    film, frame = _corners(reading)
    rows, columns = sheet.picture.shape
    printed, caption = _printed(page, sheet, quality)
    return PictureView(
        region_mm=sheet.region_mm,
        px=(columns, rows),
        negative=picture_data(negative_gray(sheet.picture), quality=quality),
        printed=printed,
        print_caption=caption,
        film="" if film is None else _path(film),
        frame="" if frame is None else _path(frame),
        rebate=_rebate(page, beside),
        aperture_mm=reading.aperture_mm,
        word_mm=round(max(sheet.region_mm[2:]) / 45.0, 2),
        map=map_text(sheet.map),
        profile=_profile(reading, sheet),
    )


def _printed(page: PageReading, sheet: Preview, quality: int) -> tuple[str, str]:
    """Return the picture as it would roughly print, with what that supposes; nothing where no paper can be named."""
    paper, reading, process = _paper(page), page.assessment.reading, _process(page.assessment)
    if paper is None or reading.density_range is None:
        return "", ""
    width = paper[0] / callier_factor(process).value
    gray = print_gray(sheet.picture, middle=_middle(reading), paper_range=width)
    return picture_data(
        gray, quality=quality
    ), f"Roughly as it would print: {paper[1]}, {process}, exposed for the mid-tones."


def _profile(reading: Reading, sheet: Preview) -> Chart:
    """Return density along the row of readings through the middle of the picture."""
    frame = _corners(reading)[1]
    middle = sheet.region_mm[1] + sheet.region_mm[3] / 2 if frame is None else sum(corner[1] for corner in frame) / 4
    rows, columns = sheet.map.shape
    row = int(np.clip(round((middle - sheet.first_mm[1]) / sheet.pitch_mm[1]), 0, rows - 1))
    every = max(1, columns // 400)
    places = [sheet.first_mm[0] + sheet.pitch_mm[0] * column for column in range(0, columns, every)]
    base = reading.base_plus_fog
    densest = max(float(np.quantile(sheet.map, 0.999)) / 1000.0, 0.5)
    return profile_chart(
        places,
        (sheet.map[row, ::every] / 1000.0).tolist(),
        levels=[] if base is None else [(base.value, "base plus fog")],
        axis_end=0.5 * math.ceil((min(densest, 4.0) + 0.1) / 0.5),
    )


def _data(page: PageReading, sheet: Preview) -> dict[str, Any]:
    """Return what the page's script reads from the picture with."""
    reading, contrast = page.assessment.reading, page.assessment.development.contrast
    rows, columns = sheet.map.shape
    return {
        "name": reading.name,
        "calibration": page.calibration,
        "aperture": reading.aperture_mm,
        "region": [round(value, 4) for value in sheet.region_mm],
        "rows": rows,
        "columns": columns,
        "first": [round(value, 5) for value in sheet.first_mm],
        "pitch": [round(value, 7) for value in sheet.pitch_mm],
        "levels": [round(value, 4) for value in sheet.levels],
        "doubt": [round(value, 4) for value in sheet.doubt],
        "between": [[round(value, 4) for value in row] for row in sheet.doubt_between],
        "base": plain(reading.base_plus_fog),
        "calibrated": list(sheet.calibrated),
        "spots": plain(reading.spots),
        "stop": STOP,
        "zones": None if contrast is None or contrast.value <= 0.0 else zone_line(contrast.value),
    }
