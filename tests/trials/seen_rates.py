"""How often is what is no negative judged as one, and a negative denied its judgement?

    python -m tests.trials.seen_rates others [--scans N] [--first SEED] [--jobs N]
    python -m tests.trials.seen_rates negatives [--scans N] [--first SEED] [--jobs N]

Everything is drawn at random by the renderer, which shares no code with what looks at it, and read by an exact
calibration of the same scanner. What is no negative must not be given advice where the scan shows that it is none; a
negative must be given it, whatever it looks like.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from densiscan.batch.assessment import BatchResult, Failure, Task, measure_one
from densiscan.calibration.calibration import Calibration
from densiscan.errors import DensiscanError
from densiscan.negative.options import MeasureOptions
from densiscan.report.readings import readings_document
from tests import renderer
from tests.renderer.bed import enlarged
from tests.renderer.faults import Leak
from tests.renderer.film import Film
from tests.renderer.paper import SHAPES, PaperCurve, PaperPrint
from tests.renderer.scenes import luminance
from tests.trials.finding_rates import exact_calibration

JUDGED: Final = ("negative", "unknown")
SMALL: Final = ((63.0, 88.0), (81.0, 106.0))
BALANCE: Final = (0.96, 1.0, 0.92)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one scan: what it was, what each reading was taken for, and whether any was given advice."""

    seed: int
    kind: str
    seen: tuple[str, ...]
    advised: bool
    failed: str = ""
    blank: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A scan on disk, the scanner that it is calibrated for, and how many of its films are unexposed."""

    path: Path
    scanner: renderer.Scanner
    blank: int = 0


Drawing = Callable[[np.random.Generator, int, Path], Drawn]


def scanner_of(rng: np.random.Generator, *, colour: bool = False) -> renderer.Scanner:
    """Draw a scanner of 150 or 200 ppi; one that stores red, green and blue where asked."""
    drawn = renderer.random_scanner(rng, ppi=(150, 200))
    if rng.uniform() < 0.15 and drawn.tone != "linear":
        # 8 bits without a tone curve tell too few steps apart for any calibration
        drawn = replace(drawn, bits=8)
    return replace(drawn, balance=BALANCE) if colour else drawn


def written(
    bedful: renderer.Bedful,
    scanner: renderer.Scanner,
    seed: int,
    folder: Path,
    *,
    surround: float = 0.0,
    calibrated: renderer.Scanner | None = None,
    levels: bool = False,
) -> Drawn:
    """Render pieces on a bed, write the scan, and say what scanner it is to be calibrated for.

    `levels` stretches the codes over the whole scale, as scanner software does of its own accord.
    """
    rendered = renderer.render_bed(bedful.pieces, scanner, seed=seed, size_mm=bedful.size_mm, surround=surround)
    if levels:
        low, high = np.quantile(rendered.codes, (0.002, 0.998))
        full = scanner.full_scale
        stretched = np.clip((rendered.codes - low) / max(high - low, 1.0) * full, 0, full)
        rendered = replace(rendered, codes=stretched.astype(rendered.codes.dtype))
    path = folder / "scan.tif"
    renderer.write_scan(rendered, path, compression=None)
    blank = sum(not film.frames for film in bedful.films)
    return Drawn(path=path, scanner=calibrated or scanner, blank=blank)


# ---- what is no negative ----------------------------------------------------------------------------------------


def inverted_sheet(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    scanner = scanner_of(rng)
    kind = str(rng.choice(("normal", "thin", "dense", "flat", "vignetted")))
    bedful = renderer.random_sheet(rng, kind=kind, size_mm=SMALL[int(rng.integers(2))])  # type: ignore[arg-type]
    levels = bool(rng.uniform() < 0.4)
    return written(bedful, replace(scanner, inverted=True), seed, folder, calibrated=scanner, levels=levels)


def inverted_strip(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    scanner = scanner_of(rng)
    return written(renderer.random_roll(rng), replace(scanner, inverted=True), seed, folder, calibrated=scanner)


def inverted_held(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    """A holder that leaves a part of the rebate open."""
    scanner = scanner_of(rng)
    bedful = renderer.random_held(rng, kind="normal", cover_mm=float(rng.uniform(0.5, 1.2)))
    return written(bedful, replace(scanner, inverted=True), seed, folder, calibrated=scanner)


def wedge(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    scanner = scanner_of(rng)
    drawn = renderer.random_wedge(rng, count=int(rng.integers(7, 32)))
    return written(renderer.Bedful(pieces=drawn.pieces, size_mm=drawn.size_mm), scanner, seed, folder)


def finished_print(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    """A print with a white margin, on a white, gray or black lid; with or without the black line of the rebate."""
    scanner = scanner_of(rng, colour=bool(rng.uniform() < 0.3))
    film = replace(renderer.random_sheet(rng, kind="normal", size_mm=SMALL[0]).films[0], blemishes=renderer.Blemishes())
    if rng.uniform() < 0.5:
        _, _, width, height = film.frames[0].box
        frame = replace(film.frames[0], box=(-width / 2, -height / 2, width, height))
        film = replace(film, size_mm=(width, height), frames=(frame,), notches=())
    curve = PaperCurve(
        base=float(rng.uniform(0.04, 0.10)),
        net=float(rng.uniform(1.5, 2.1)),
        shape=SHAPES[int(rng.integers(len(SHAPES)))],
        log_range=float(rng.uniform(0.7, 1.3)),
    )
    margin = float(rng.uniform(4, 12))
    size = (film.size_mm[0] + 2 * margin, film.size_mm[1] + 2 * margin)
    round_it = float(rng.uniform(4, 15))
    scan = (size[0] + 2 * round_it, size[1] + 2 * round_it)
    place = renderer.Place(x_mm=scan[0] / 2, y_mm=scan[1] / 2, angle_deg=float(rng.uniform(-2, 2)))
    shadow = film.curve.base_plus_fog + float(rng.uniform(0.0, 0.15))
    exposure = curve.first_log_h + curve.log_range + shadow + float(rng.normal(0, 0.1))
    made = PaperPrint(film=film, curve=curve, log_exposure=exposure, place=place, margin_mm=margin)
    lid = float(rng.choice((0.02, 0.04, 0.12, 0.5, 1.6)))
    return written(renderer.Bedful(pieces=(made,), size_mm=scan), scanner, seed, folder, surround=lid)


def masked_film(film: Film, rng: np.random.Generator) -> Film:
    """Return the film with an orange mask and dyes whose balance differs from channel to channel."""
    red = float(rng.uniform(0.15, 0.3))
    green = red + float(rng.uniform(0.22, 0.45))
    blue = green + float(rng.uniform(0.2, 0.4))
    gains = (float(rng.uniform(-0.2, 0.0)), 0.0, float(rng.uniform(0.0, 0.3)))
    return replace(film, mask=(red, green, blue), stain=gains)


def colour_negative(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    scanner = scanner_of(rng, colour=True)
    roll = rng.uniform() < 0.4
    bedful = renderer.random_roll(rng) if roll else renderer.random_sheet(rng, kind="normal", size_mm=SMALL[0])
    pieces = tuple(masked_film(film, rng) for film in bedful.films)
    return written(renderer.Bedful(pieces=pieces, size_mm=bedful.size_mm), scanner, seed, folder)


def snapshot(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    """A colour picture as a camera stores it: no film, no frame, compressed."""
    from PIL import Image

    del seed
    rows, columns = int(rng.integers(500, 800)), int(rng.integers(500, 900))
    picture = renderer.random_picture(rng)
    stops = luminance(picture, (rows, columns))
    bright = (stops - stops.min()) / max(float(np.ptp(stops)), 1e-6)
    light = 0.03 + 0.92 * bright[..., None] ** float(rng.uniform(0.7, 1.6))
    small = rng.uniform(-0.35, 0.35, (6, 7, 3)).astype(np.float32)
    tint = np.dstack([enlarged(small[..., k], (rows, columns)) for k in range(3)])
    codes = np.clip(255 * light * (1 + tint), 0, 255).astype(np.uint8)
    path = folder / "snapshot.jpg"
    Image.fromarray(codes).save(path, quality=int(rng.integers(75, 95)), dpi=(200, 200))
    return Drawn(path=path, scanner=scanner_of(rng, colour=bool(rng.uniform() < 0.5)))


def unexposed(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    bedful = renderer.random_sheet(rng, kind="fog", size_mm=SMALL[int(rng.integers(2))])
    return written(bedful, scanner_of(rng, colour=bool(rng.uniform() < 0.2)), seed, folder)


def even_film(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    """Film exposed evenly all over, dense or less so, with or without its edges in the scan."""
    bedful = renderer.random_sheet(rng, kind="fog", size_mm=SMALL[0])
    film = bedful.films[0]
    film = replace(film, curve=replace(film.curve, fog=float(rng.uniform(0.6, 1.8))), blemishes=renderer.Blemishes())
    size = bedful.size_mm
    if rng.uniform() < 0.5:
        size = (45.0, 60.0)
        film = replace(film, place=renderer.Place(x_mm=22.5, y_mm=30.0))
    return written(renderer.Bedful(pieces=(film,), size_mm=size), scanner_of(rng), seed, folder)


def blank(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    """Nothing on the glass, or a lid that lets nothing through."""
    surround = float(rng.choice((0.0, 0.0, 4.0)))
    return written(renderer.Bedful(pieces=(), size_mm=(80.0, 100.0)), scanner_of(rng), seed, folder, surround=surround)


OTHERS: Final[dict[str, Drawing]] = {
    "inverted sheet": inverted_sheet,
    "inverted strip": inverted_strip,
    "inverted, held": inverted_held,
    "wedge": wedge,
    "print": finished_print,
    "colour negative": colour_negative,
    "snapshot": snapshot,
    "unexposed": unexposed,
    "even": even_film,
    "blank": blank,
}


# ---- negatives --------------------------------------------------------------------------------------------------


def sheet_of(kind: str) -> Drawing:
    def drawing(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
        bedful = renderer.random_sheet(rng, kind=kind, size_mm=SMALL[int(rng.integers(2))])  # type: ignore[arg-type]
        return written(bedful, scanner_of(rng), seed, folder)

    return drawing


def with_film(change: Callable[[Film, np.random.Generator], Film], *, colour: bool = False) -> Drawing:
    """Draw a sheet whose film is changed in some way."""

    def drawing(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
        bedful = renderer.random_sheet(rng, kind="normal", size_mm=SMALL[int(rng.integers(2))])
        film = change(bedful.films[0], rng)
        held = renderer.Bedful(pieces=(film,), size_mm=bedful.size_mm)
        return written(held, scanner_of(rng, colour=colour), seed, folder)

    return drawing


def in_scene(scene: str, field: str = "range_stops", low: float = 5.0, high: float = 8.0) -> Drawing:
    """Draw a sheet with one scene, a field of its picture drawn between two values."""

    def change(film: Film, rng: np.random.Generator) -> Film:
        frame = film.frames[0]
        picture = replace(frame.picture, scene=scene, **{field: float(rng.uniform(low, high))})  # type: ignore[arg-type]
        return replace(film, frames=(replace(frame, picture=picture),))

    return with_film(change)


def underdeveloped(film: Film, rng: np.random.Generator) -> Film:
    contrast = float(rng.uniform(0.25, 0.4))
    return replace(film, curve=replace(film.curve, contrast=contrast, maximum_net=float(rng.uniform(1.2, 1.8))))


def leaked(film: Film, rng: np.random.Generator) -> Film:
    side = str(rng.choice(("left", "top", "right", "bottom")))
    leak = Leak(
        side=side,  # type: ignore[arg-type]
        at_mm=float(rng.uniform(15, 50)),
        width_mm=float(rng.uniform(3, 12)),
        depth_mm=float(rng.uniform(3, 12)),
        net_density=float(rng.uniform(0.2, 1.2)),
    )
    return replace(film, faults=(leak,))


def fogged(film: Film, rng: np.random.Generator) -> Film:
    return replace(film, curve=replace(film.curve, fog=float(rng.uniform(0.3, 0.6))))


def stained(film: Film, rng: np.random.Generator) -> Film:
    blue = float(rng.uniform(0.15, 0.5))
    return replace(film, stain=(-0.05 * float(rng.uniform()), 0.3 * blue, blue))


def held(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    return written(renderer.random_held(rng), scanner_of(rng), seed, folder)


def cropped(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    return written(renderer.random_crop(rng), scanner_of(rng), seed, folder)


def strips(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    return written(renderer.random_roll(rng), scanner_of(rng), seed, folder)


def pair(rng: np.random.Generator, seed: int, folder: Path) -> Drawn:
    return written(renderer.random_pair(rng), scanner_of(rng), seed, folder)


NEGATIVES: Final[dict[str, Drawing]] = {
    **{f"sheet, {kind}": sheet_of(kind) for kind in ("normal", "thin", "dense", "flat", "vignetted", "clear-sky")},
    "underdeveloped": with_film(underdeveloped),
    "high key": in_scene("snow-lane", "shadow_stops", 1.5, 4.0),
    "night": in_scene("night-street", "shadow_stops", -3.0, 0.0),
    "foggy": in_scene("foggy-field", "range_stops", 2.0, 4.0),
    "indoors": in_scene("room"),
    **{scene: in_scene(scene) for scene in ("glazing", "blinds", "fence", "facade")},
    "leaked": with_film(leaked),
    "old film": with_film(fogged),
    "stained, in colour": with_film(stained, colour=True),
    "in colour": with_film(lambda film, _: film, colour=True),
    "holder": held,
    "crop": cropped,
    "strip": strips,
    "pair": pair,
}


def outcome(job: tuple[str, str, int]) -> Outcome:
    """Draw one scan, measure it as `measure` does, and say what came of it."""
    group, kind, seed = job
    drawing = (OTHERS if group == "others" else NEGATIVES)[kind]
    rng = np.random.default_rng([seed, 59])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drawn = drawing(rng, seed, folder)
        try:
            made: Calibration = exact_calibration(drawn.scanner, seed, folder)
        except DensiscanError as problem:
            return Outcome(seed=seed, kind=kind, seen=(), advised=False, failed=str(problem))
        made_of = measure_one(drawn.path, made, Task(options=MeasureOptions()))
    if isinstance(made_of, Failure):
        return Outcome(seed=seed, kind=kind, seen=(), advised=False, failed=made_of.message)
    readings = readings_document(BatchResult(assessments=made_of, failures=()), made)["readings"]
    return Outcome(
        seed=seed,
        kind=kind,
        seen=tuple(one["seen"] for one in readings),
        advised=any(one["development"] is not None for one in readings),
        blank=drawn.blank,
    )


def jobs(group: str, scans: int, first: int) -> list[tuple[str, str, int]]:
    """Return so many drawings, the kinds in turn."""
    kinds = list(OTHERS if group == "others" else NEGATIVES)
    return [(group, kinds[k % len(kinds)], first + k) for k in range(scans)]


def wrong(group: str, one: Outcome) -> bool:
    """Tell whether what is no negative was advised on, or any reading of a negative denied advice."""
    if group == "others":
        return one.advised
    return sum(seen not in JUDGED for seen in one.seen) > one.blank


def report(group: str, outcomes: Sequence[Outcome]) -> str:
    """Return the counts by kind, and the seeds of what went wrong."""
    lines = [
        f"| {group} | n | {'advised' if group == 'others' else 'denied'} | not read | seen |",
        "| --- | ---: | ---: | ---: | --- |",
    ]
    for kind in dict.fromkeys(one.kind for one in outcomes):
        own = [one for one in outcomes if one.kind == kind]
        words = [word for one in own for word in one.seen]
        told = ", ".join(f"{word} {words.count(word)}" for word in sorted(set(words)))
        lines.append(
            f"| {kind} | {len(own)} | {sum(wrong(group, one) for one in own)} | {sum(bool(one.failed) for one in own)} "
            f"| {told} |"
        )
    bad = [one for one in outcomes if wrong(group, one)]
    lines += [f"all: {len(bad)} of {len(outcomes)}", ""]
    lines += [f"{one.seed}: {one.kind}: {', '.join(one.seen)}" for one in bad]
    lines += [f"{one.seed}: {one.kind}: {one.failed}" for one in outcomes if one.failed]
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run one of the two trials and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.trials.seen_rates")
    parser.add_argument("group", choices=("others", "negatives"))
    parser.add_argument("--scans", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    with ProcessPoolExecutor(asked.jobs) as pool:
        outcomes = list(pool.map(outcome, jobs(asked.group, asked.scans, asked.first)))
    sys.stdout.write(f"{report(asked.group, outcomes)}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
