"""Rendered paper tests: papers, wedges, surrounds and scanners drawn by a seed, and what is true of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from densiscan.calibration.calibration import Calibration
from densiscan.calibration.make import Label, calibrate
from densiscan.paper.from_scan import PrintScan, paper_from_scan
from densiscan.paper.tested_range import Circumstances, PaperTest
from densiscan.scan.scan import Scan, open_scan
from densiscan.wedge.wedge import Wedge, WedgeStep
from tests.renderer import Place, Scanner, WedgeLayout, render_bed, write_scan
from tests.renderer.paper import SHAPES, PaperCurve, PaperPiece
from tests.renderer.wedge import RUNS

Surround = Literal["black", "white"]
GRAY_SCALE = tuple(round(0.05 + 0.10 * number, 2) for number in range(20))
"""Reflection wedge that the scanner is calibrated with."""
CERTIFICATE = 0.02
"""Expanded uncertainty (k = 2) of both wedges; the true densities scatter by half of it."""
LID = 0.04
SHARING = 4
"""Papers that are read with one calibration."""


@dataclass(frozen=True, kw_only=True)
class PaperCase:
    curve: PaperCurve
    stated: tuple[float, ...]
    true: tuple[float, ...]
    log_exposure: float
    surround: Surround
    run: Literal["right", "down", "left", "up"]
    angle_deg: float
    scanner: Scanner
    gray_true: tuple[float, ...]
    seed: int
    size_mm: tuple[float, float]
    step_mm: float

    @property
    def iso_range(self) -> float:
        return 100.0 * self.curve.log_range

    @property
    def shadow_density(self) -> float:
        """True density of the wedge through which 90 % of the net black is reached."""
        return self.log_exposure - self.curve.first_log_h - self.curve.log_range

    def wedge(self) -> Wedge:
        return as_wedge(self.stated)

    def printed(self) -> WedgeLayout:
        """The print of the wedge, with what was printed round it."""
        width, height = self.size_mm
        tones = self.curve.density(self.log_exposure - np.array(self.true))
        bare = float(self.curve.density(np.array([self.log_exposure]))[0])
        return WedgeLayout(
            densities=tuple(float(tone) for tone in tones),
            place=Place(x_mm=0.5 * width, y_mm=0.5 * height, angle_deg=self.angle_deg),
            run=self.run,
            step_mm=self.step_mm,
            width_mm=12.0,
            border_mm=7.0,
            border_density=bare if self.surround == "black" else self.curve.base + self.curve.fog,
            end_mm=9.0,
            granularity=1.0,
            reflection=True,
        )

    def scan(self, place: Path) -> Scan:
        """Render the print on the bed with its white margin, write and open it."""
        layout = self.printed()
        _, _, width, height = layout.outline
        paper = PaperPiece(
            place=layout.place, size_mm=(width + 16.0, height + 16.0), density=self.curve.base + self.curve.fog
        )
        fixed = PaperPiece(place=Place(x_mm=8.0, y_mm=8.0), size_mm=(14.0, 14.0), density=self.curve.base)
        rendered = render_bed([paper, layout, fixed], self.scanner, seed=self.seed, size_mm=self.size_mm, surround=LID)
        write_scan(rendered, place, compression=None)
        return open_scan(place)

    def calibration(self, place: Path) -> Calibration:
        """Calibrate the scanner with a reflection wedge on white paper."""
        layout = WedgeLayout(
            densities=self.gray_true,
            place=Place(x_mm=70.0, y_mm=20.0),
            step_mm=6.0,
            width_mm=14.0,
            border_mm=5.0,
            border_density=0.4,
            end_mm=5.0,
            granularity=1.0,
            reflection=True,
        )
        rendered = render_bed(
            [layout], self.scanner, seed=self.seed // SHARING + 500_000, size_mm=(145.0, 40.0), surround=LID
        )
        write_scan(rendered, place, compression=None)
        label = Label(name="gray scale", created="2026-01-02T03:04:05+00:00", mode="reflection")
        return calibrate(open_scan(place), as_wedge(GRAY_SCALE), label=label, inverted=False)


def as_wedge(densities: tuple[float, ...]) -> Wedge:
    return Wedge(
        steps=tuple(
            WedgeStep(step=f"{number}", density=density, uncertainty=CERTIFICATE)
            for number, density in enumerate(densities, start=1)
        )
    )


def scattered(nominal: tuple[float, ...], rng: np.random.Generator) -> tuple[float, ...]:
    return tuple(float(density + rng.normal(0.0, 0.5 * CERTIFICATE)) for density in nominal)


def drawn_case(seed: int) -> PaperCase:
    """Return a paper test that depends on the seed alone; four seeds in a row share a scanner and its gray scale."""
    rng, shared = np.random.default_rng([seed, 77]), np.random.default_rng([seed // SHARING, 78])
    count, increment = ((21, 0.15), (31, 0.10), (16, 0.20))[int(rng.choice(3, p=(0.5, 0.3, 0.2)))]
    stated = tuple(round(0.05 + increment * number, 2) for number in range(count))
    curve = PaperCurve(
        base=float(rng.uniform(0.04, 0.09)),
        fog=float(rng.choice((0.0, rng.uniform(0.0, 0.03), rng.uniform(0.03, 0.15)))),
        net=float(rng.uniform(1.4, 1.9)),
        shape=SHAPES[int(rng.integers(len(SHAPES)))],
        log_range=float(rng.uniform(0.5, 1.6)),
    )
    # Exposed so that both ends of the wedge print as white and black, as far as its length allows.
    spare = stated[-1] - stated[0] - curve.log_range
    black = min(float(rng.uniform(0.5, 1.0)), 0.6 * spare)
    run = RUNS[int(rng.integers(4))]
    step_mm = 4.0 if count > 21 else 5.0
    length, across = count * step_mm + 36.0, 48.0
    return PaperCase(
        curve=curve,
        stated=stated,
        true=scattered(stated, rng),
        log_exposure=curve.log_range + stated[0] + black,
        surround="black" if rng.random() < 0.7 else "white",
        run=run,
        angle_deg=float(rng.choice((0.0, rng.uniform(-2.0, 2.0)))),
        scanner=Scanner(
            ppi=float(shared.choice((150.0, 200.0))),
            bits=int(shared.choice((8, 16, 16))),
            tone=shared.choice(np.array(["linear", "1.8", "2.2", "2.2", "srgb"])).item(),
            gain=float(shared.uniform(0.9, 1.05)),
            glare=float(shared.uniform(0.001, 0.006)),
            psf_um=50.0,
            lamp=float(shared.uniform(0.0, 0.01)),
            lamp_seed=seed // SHARING,
        ),
        gray_true=scattered(GRAY_SCALE, shared),
        seed=seed,
        size_mm=(length, across) if run in ("left", "right") else (across, length),
        step_mm=step_mm,
    )


def read_back(case: PaperCase, folder: Path, *, calibrated: bool) -> PaperTest:
    """Return what densiscan makes of a case."""
    return read_with(case, folder, case.calibration(folder / f"gray-{case.seed}.tif") if calibrated else None)


def read_with(case: PaperCase, folder: Path, made: Calibration | None, *, net_black: float | None = None) -> PaperTest:
    """Return what densiscan makes of a case with a calibration, or with none."""
    asked = PrintScan(scan=case.scan(folder / f"print-{case.seed}.tif"), wedge=case.wedge(), net_black=net_black)
    return paper_from_scan(asked, made, Circumstances(exposure_s=10.0))


def faultless_case(seed: int = 1) -> PaperCase:
    """Return a case with nothing in the way but a usual scanner."""
    drawn = drawn_case(seed)
    return replace(
        drawn,
        curve=PaperCurve(),
        stated=(plain := tuple(round(0.05 + 0.15 * number, 2) for number in range(21))),
        true=plain,
        log_exposure=1.05 + 0.65,
        surround="black",
        run="right",
        angle_deg=0.0,
        scanner=Scanner(ppi=150.0, lamp=0.0, glare=0.001, tone="2.2"),
        gray_true=GRAY_SCALE,
        size_mm=(141.0, 48.0),
        step_mm=5.0,
    )
