"""How often trouble is found that is there, and how often trouble that is not.

    python -m tests.trials.evenness_rates [--sheets N] [--first SEED] [--faults N] [--out FILE]

Each seed draws a scanner anew and calibrates it with a rendered wedge. Clean film of very different pictures (sheets on
the glass and in a holder, strips, unexposed sheets) must give no finding; film with one fault must give that fault, at
its place. All of it goes through the functions that everybody uses. `--out` keeps every trial (JSON lines).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from densiscan.calibration.calibration import Calibration, StepReading
from densiscan.calibration.make import Label, calibrate_steps
from densiscan.negative.bench import bench_for
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import measure_on
from densiscan.negative.trouble.finding import Finding
from densiscan.negative.trouble.inspection import trouble_on
from densiscan.scan.scan import open_scan
from tests import renderer
from tests.renderer.faults import Fault, Side
from tests.renderer.film import Film
from tests.renderer.random_scans import Bedful
from tests.support.made_up import FACTS

SIDES: Final[tuple[Side, ...]] = ("left", "top", "right", "bottom")
WEDGE: Final = renderer.even_densities(16, 0.2, 0.05)
STEP_MM: Final = 6.0
SPARE: Final = 1_000_003
Rng = np.random.Generator


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One scan: what was put on the film, whether that was found, and what else was."""

    seed: int
    what: str
    about: str
    found: bool
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What to render and what must be found: a finding that `wanted` says yes to."""

    bedful: Bedful
    fog_sheet: bool
    about: str
    wanted: Callable[[Finding], bool]
    code: str


def scanner_and_calibration(seed: int) -> tuple[renderer.Scanner, Calibration]:
    """Draw a scanner and calibrate it with a wedge whose densities are off by its certificate of 0.02.

    The steps are read where they are known to lie: finding them is another matter.
    """
    rng = np.random.default_rng([seed, 41])
    scanner = renderer.random_scanner(rng, ppi=(150, 200), bits=16 if rng.uniform() < 0.9 else 8)
    stated = np.array(WEDGE) + rng.normal(0.0, 0.01, len(WEDGE))
    layout = renderer.WedgeLayout(
        densities=WEDGE, place=renderer.Place(x_mm=STEP_MM * len(WEDGE) / 2, y_mm=8.0), step_mm=STEP_MM, width_mm=16.0
    )
    rendered = renderer.render_bed([layout], scanner, seed=seed, size_mm=(STEP_MM * len(WEDGE), 16.0))
    steps = [_step(rendered, number, max(float(density), 0.0)) for number, density in enumerate(stated.tolist())]
    label = Label(name="bench", created="2026-01-01T00:00:00+00:00")
    facts = replace(FACTS, ppi=scanner.ppi, make=scanner.make, model=scanner.model, software=scanner.software)
    return scanner, calibrate_steps(steps, facts=facts, channel="gray", inverted=False, label=label)


def _step(rendered: renderer.Rendered, number: int, density: float) -> StepReading:
    """Read the middle 4 x 12 mm of a step."""
    per_mm = rendered.scanner.ppi / 25.4
    left = STEP_MM * number + 1.0
    rows = slice(round(2.0 * per_mm), round(14.0 * per_mm))
    codes = rendered.codes[rows, round(left * per_mm) : round((left + 4.0) * per_mm)] / rendered.scanner.full_scale
    return StepReading(
        step=str(number + 1),
        density=density,
        certificate=0.02,
        signal=float(codes.mean()),
        noise=float(codes.std()),
        independent=codes.size / 4,
        per_aperture=per_mm**2 / 5,
        clipped=float((codes >= 1.0).mean()),
        box_mm=(left, 2.0, 4.0, 12.0),
    )


def _with(film: Film, **changes: Any) -> Film:
    """Return the film without dust and scratches, and with changes."""
    return replace(film, **{"blemishes": renderer.Blemishes(), **changes})


def _bedful(bedful: Bedful, **changes: Any) -> Bedful:
    pieces = tuple(_with(piece, **changes) if isinstance(piece, Film) else piece for piece in bedful.pieces)
    return Bedful(pieces=pieces, size_mm=bedful.size_mm)


BEDS: Final[dict[str, tuple[float, Callable[[Rng], Bedful]]]] = {
    "sheet": (0.3, renderer.random_sheet),
    "worn sheet": (0.1, renderer.random_sheet),
    "holder": (0.15, renderer.random_held),
    "strip": (0.15, renderer.random_roll),
    "unexposed": (0.1, lambda rng: renderer.random_sheet(rng, kind="fog")),
    "pair": (0.1, renderer.random_pair),
    "beside a wedge": (0.05, lambda rng: renderer.random_together(rng)[0]),
    "cropped": (0.05, renderer.random_crop),
}
"""What clean film lies on the bed in which layout, and how often."""


def clean(rng: Rng) -> Case:
    """Draw clean film: nothing must be found on it; on a worn sheet only dust, pinholes and scratches that it has."""
    kind = str(rng.choice(list(BEDS), p=[share for share, _ in BEDS.values()]))
    bedful = BEDS[kind][1](rng)
    told = ", ".join(frame.picture.scene for film in bedful.films for frame in film.frames)
    worn = kind == "worn sheet"
    return Case(
        bedful=bedful if worn else _bedful(bedful),
        fog_sheet=kind == "unexposed",
        about=f"{kind} {told}".strip(),
        wanted=lambda finding: worn and finding.code in _wear(bedful.films[0].blemishes),
        code="nothing",
    )


def _wear(blemishes: renderer.Blemishes) -> set[str]:
    """Return the codes of what lies on the film."""
    counts = {
        "dust": blemishes.dust + blemishes.fibres,
        "pinholes": blemishes.pinholes,
        "scratches": blemishes.scratches,
    }
    return {code for code, count in counts.items() if count}


def _sheet(rng: Rng, *, fog_sheet: bool, fog: tuple[float, float] = (0.05, 0.25)) -> Bedful:
    """Draw a sheet with a picture or an unexposed one whose fog can carry a fault."""
    bedful = renderer.random_sheet(rng, kind="fog" if fog_sheet else "normal")
    curve = replace(bedful.films[0].curve, fog=float(rng.uniform(*fog)))
    return _bedful(bedful, curve=curve)


def _faulty(bedful: Bedful, *faults: Fault, **changes: Any) -> Bedful:
    return _bedful(bedful, faults=faults, **changes)


def leak(rng: Rng, height: float) -> Case:
    """Draw a light leak of a net density at the edge of a sheet, half of them with a picture."""
    fog_sheet = bool(rng.uniform() < 0.5)
    bedful = _sheet(rng, fog_sheet=fog_sheet)
    film = bedful.films[0]
    side = SIDES[int(rng.integers(4))]
    length = film.size_mm[1] if side in ("left", "right") else film.size_mm[0]
    at = float(rng.uniform(12.0, length - 12.0))
    width, depth = float(rng.uniform(3.0, 12.0)), float(rng.uniform(3.0, 8.0))
    place = _on_edge(film, side, at)
    fault = renderer.Leak(side=side, at_mm=at, width_mm=width, depth_mm=depth, net_density=height)

    def wanted(finding: Finding) -> bool:
        near = bool(finding.places_mm) and math.dist(finding.places_mm[0], place) <= 5.0
        return finding.code == "light-leak" and finding.side == side and near

    about = f"{'unexposed' if fog_sheet else 'picture'} {side} at {at:.0f} width {width:.1f} depth {depth:.1f}"
    return Case(bedful=_faulty(bedful, fault), fog_sheet=fog_sheet, about=about, wanted=wanted, code="light-leak")


def _on_edge(film: Film, side: Side, along_mm: float) -> tuple[float, float]:
    """Return where on the scan a place along an edge of a film lies."""
    width, height = film.size_mm
    u, v = {
        "left": (-width / 2, along_mm - height / 2),
        "right": (width / 2, along_mm - height / 2),
        "top": (along_mm - width / 2, -height / 2),
        "bottom": (along_mm - width / 2, height / 2),
    }[side]
    return _on_scan(film, u, v)


def _on_scan(film: Film, u: float, v: float) -> tuple[float, float]:
    angle = math.radians(film.place.angle_deg)
    x = film.place.x_mm + u * math.cos(angle) - v * math.sin(angle)
    return x, film.place.y_mm + u * math.sin(angle) + v * math.cos(angle)


def gradient(rng: Rng, amount: float) -> Case:
    """Draw a gradient over a sheet, half of them with a picture."""
    fog_sheet = bool(rng.uniform() < 0.5)
    bedful = _sheet(rng, fog_sheet=fog_sheet)
    direction = float(rng.uniform(0, 360))
    fault = renderer.Gradient(amount=amount, direction_deg=direction)

    def wanted(finding: Finding) -> bool:
        return finding.code == "gradient" and finding.size is not None and finding.size.value > 0.5 * amount

    about = f"{'unexposed' if fog_sheet else 'picture'} towards {direction:.0f}"
    return Case(bedful=_faulty(bedful, fault), fog_sheet=fog_sheet, about=about, wanted=wanted, code="gradient")


def bands(rng: Rng, amount: float) -> Case:
    """Draw bands on an unexposed sheet."""
    period = float(rng.uniform(6.0, 22.0))
    fault = renderer.Bands(amount=amount, period_mm=period, upright=bool(rng.uniform() < 0.5))
    return _on_fog_sheet(rng, fault, "bands", f"period {period:.1f}")


def edges(rng: Rng, amount: float) -> Case:
    """Draw edges denser or lighter than the middle of an unexposed sheet."""
    sign, depth = float(rng.choice((-1.0, 1.0))), float(rng.uniform(4.0, 12.0))
    fault = renderer.EdgeDensity(amount=sign * amount, depth_mm=depth)
    return _on_fog_sheet(rng, fault, "edge-density", f"{'denser' if sign > 0 else 'lighter'} depth {depth:.1f}")


def _on_fog_sheet(rng: Rng, fault: Fault, code: str, about: str) -> Case:
    bedful = _sheet(rng, fog_sheet=True, fog=(0.08, 0.25))
    return Case(bedful=_faulty(bedful, fault), fog_sheet=True, about=about, wanted=lambda f: f.code == code, code=code)


def air_bell(rng: Rng, depth: float) -> Case:
    """Draw an air bell whose middle is lighter by a density."""
    return _mark(rng, "air-bell", depth)


def drying_mark(rng: Rng, height: float) -> Case:
    """Draw a drying mark whose rim is denser by a density."""
    return _mark(rng, "drying-mark", height)


def _mark(rng: Rng, code: str, height: float) -> Case:
    bedful = _sheet(rng, fog_sheet=True, fog=(0.10, 0.25))
    film = bedful.films[0]
    x, y = (float(rng.uniform(15.0, size - 15.0)) for size in film.size_mm)
    wide = float(rng.uniform(2.5, 6.0) if code == "air-bell" else rng.uniform(4.0, 12.0))
    fault: Fault = (
        renderer.AirBell(x_mm=x, y_mm=y, diameter_mm=wide, share=height / film.curve.fog)
        if code == "air-bell"
        else renderer.DryingMark(x_mm=x, y_mm=y, diameter_mm=wide, amount=height)
    )
    place = _on_scan(film, x - film.size_mm[0] / 2, y - film.size_mm[1] / 2)

    def wanted(finding: Finding) -> bool:
        near = bool(finding.places_mm) and math.dist(finding.places_mm[0], place) <= 2.0
        return finding.code == code and near

    return Case(bedful=_faulty(bedful, fault), fog_sheet=True, about=f"{wide:.1f} mm", wanted=wanted, code=code)


def _specks(kind: str) -> Callable[[Rng, float], Case]:
    field, code = {
        "dust": ("dust", "dust"),
        "pinholes": ("pinholes", "pinholes"),
        "scratches": ("scratches", "scratches"),
    }[kind]

    def case(rng: Rng, count: float) -> Case:
        bedful = _sheet(rng, fog_sheet=True, fog=(0.08, 0.25))
        blemishes = renderer.Blemishes(**{field: int(count)})
        return Case(
            bedful=_bedful(bedful, blemishes=blemishes),
            fog_sheet=True,
            about=f"fog {bedful.films[0].curve.fog:.2f}",
            wanted=lambda f: f.code == code,
            code=code,
        )

    return case


KINDS: Final[dict[str, tuple[Callable[[Rng, float], Case], float, int]]] = {
    "leak of 0.05": (leak, 0.05, 1),
    "leak of 0.10": (leak, 0.10, 3),
    "gradient of 0.06": (gradient, 0.06, 1),
    "gradient of 0.10": (gradient, 0.10, 3),
    "bands of 0.03": (bands, 0.03, 3),
    "bands of 0.06": (bands, 0.06, 3),
    "edges off by 0.04": (edges, 0.04, 3),
    "edges off by 0.08": (edges, 0.08, 3),
    "air bell of 0.04": (air_bell, 0.04, 3),
    "air bell of 0.08": (air_bell, 0.08, 3),
    "drying mark of 0.03": (drying_mark, 0.03, 3),
    "drying mark of 0.06": (drying_mark, 0.06, 3),
    "1 scratch": (_specks("scratches"), 1, 3),
    "5 pinholes": (_specks("pinholes"), 5, 3),
    "5 specks of dust": (_specks("dust"), 5, 3),
}
"""What is put on the film, how strong, and on every which seed."""


def trial(seed: int, what: str, case: Case, by: tuple[renderer.Scanner, Calibration], folder: Path) -> Trial:
    """Render a case, measure it and look for trouble."""
    scanner, calibration = by
    rendered = renderer.render_bed(case.bedful.pieces, scanner, seed=seed + SPARE, size_mm=case.bedful.size_mm)
    renderer.write_scan(rendered, folder / "film.tif", compression=None)
    options = MeasureOptions(fog_sheet=case.fog_sheet)
    scan = open_scan(folder / "film.tif")
    bench = bench_for(scan, calibration, options)
    findings = [f for trouble in trouble_on(bench, measure_on(bench)) for f in trouble.findings]
    found = [finding for finding in findings if case.wanted(finding)]
    told = [finding for finding in findings if finding not in found and not _is_clipped(finding, rendered)]
    others = tuple(_in_words(finding) for finding in told)
    about = f"{case.about}; lamp {scanner.lamp:.4f} {scanner.ppi:.0f} ppi {scanner.bits} bits"
    return Trial(seed=seed, what=what, about=about, found=bool(found), others=others)


def _is_clipped(finding: Finding, rendered: renderer.Rendered) -> bool:
    """Return whether what is said to be clipped is: a scanner may well be set so that dense film drowns."""
    if not finding.code.startswith("clipped"):
        return False
    per_mm = rendered.scanner.ppi / 25.4
    left, top, width, height = (round(value * per_mm) for value in finding.box_mm)
    codes = rendered.codes[top : top + height + 1, left : left + width + 1]
    return bool((codes == (0 if finding.code == "clipped-dark" else rendered.scanner.full_scale)).any())


def _in_words(finding: Finding) -> str:
    size = "" if finding.size is None else f" {finding.size.value:+.3f}"
    box = ",".join(f"{value:.1f}" for value in finding.box_mm)
    return f"{finding.code} {finding.side or ''}{size} at {box} sure {finding.sure:.3f}"


def trials_of(seed: int, faults: int, folder: Path, only: str | None = None) -> Iterable[Trial]:
    """Run the clean trial of a seed and, below `faults` seeds, those of the faults."""
    by = scanner_and_calibration(seed)
    if only is None or only == "clean":
        yield trial(seed, "clean", clean(np.random.default_rng([seed, 42])), by, folder)
    for index, (what, (draw, strength, every)) in enumerate(KINDS.items()):
        if (only is None or only in what) and faults > 0 and (seed + index) % every == 0:
            rng = np.random.default_rng([seed, 43, index])
            yield trial(seed, what, draw(rng, strength), by, folder)


def table(trials: Sequence[Trial]) -> str:
    """Return the rates as a Markdown table."""
    lines = [
        "| on the film | scans | found | with anything else found |",
        "| --- | ---: | ---: | ---: |",
    ]
    for what in ("clean", *KINDS):
        some = [one for one in trials if one.what == what]
        if some:
            found = "" if what == "clean" else f"{100 * np.mean([one.found for one in some]):.1f} %"
            other = f"{100 * np.mean([bool(one.others) for one in some]):.1f} %"
            lines.append(f"| {what} | {len(some)} | {found} | {other} |")
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the trials and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.trials.evenness_rates", description=__doc__.split("\n", 1)[0]
    )
    parser.add_argument("--sheets", type=int, default=300, help="clean scans, one a seed")
    parser.add_argument("--faults", type=int, default=300, help="of these seeds, those with faults too")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--only", help="clean, or part of the name of a fault")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(arguments)
    trials: list[Trial] = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(asked.sheets):
            some = list(trials_of(asked.first + number, asked.faults - number, Path(folder), asked.only))
            trials.extend(some)
            if asked.out is not None:
                with asked.out.open("a", encoding="utf-8") as file:
                    file.writelines(json.dumps(asdict(one)) + "\n" for one in some)
    sys.stdout.write(f"{table(trials)}\n\n{asked.sheets} seeds from {asked.first}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
