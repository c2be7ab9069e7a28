"""Results made by hand, for the tests of what is said about them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from densiscan.arithmetic.quantity import Influence, Quantity, Warning_
from densiscan.batch.assessment import Assessment, PrintAim, Task, assess
from densiscan.calibration.calibration import CalibratedStep, Calibration, StepReading
from densiscan.development.exposure import ExposureAdvice, ExposureVerdict
from densiscan.development.verdict import DevelopmentAdvice, DevelopmentVerdict
from densiscan.negative.options import MeasureOptions
from densiscan.negative.reading import Reading
from densiscan.negative.trouble.finding import Finding, Trouble
from densiscan.paper.grade import PaperAdvice
from densiscan.scan.scan import ScanFacts
from densiscan.wedge.wedge import Wedge, WedgeStep

FACTS = ScanFacts(
    file="wedge.tif",
    make=None,
    model=None,
    software=None,
    date=None,
    ppi=600.0,
    bits=16,
    channels=1,
    icc=None,
    full_scale=65535,
    min_is_white=False,
    lossy=False,
)


def density(value: float, expanded: float = 0.02) -> Quantity:
    return Quantity(value, {Influence("wedge", "1"): 0.5 * expanded})


def certified_wedge(*, steps: int = 21, increment: float = 0.15, first: float = 0.05) -> Wedge:
    """A wedge of equal increments, each step certified to 0.02 (k = 2) by itself."""
    return Wedge(
        steps=tuple(WedgeStep(step=str(k + 1), density=round(first + k * increment, 6)) for k in range(steps)),
        name="certified.csv",
    )


def step_reading(number: int, density: float, signal: float, *, noise: float = 1e-4, **more: Any) -> StepReading:
    """A step of a wedge as it was read, counted from 0: by a thousand pixels, none of them clipped."""
    plain = StepReading(
        step=str(number + 1),
        density=density,
        certificate=0.02,
        signal=signal,
        noise=noise,
        independent=1000.0,
        per_aperture=100.0,
        clipped=0.0,
        box_mm=(5.0 + 10.0 * number, 5.0, 6.0, 6.0),
    )
    return replace(plain, **more)


def calibration(*, name: str = "mine", steps: int = 7, increment: float = 0.4) -> Calibration:
    """A linear scanner without flare: signal equals transmittance."""
    readings = [
        step_reading(number, round(0.05 + number * increment, 6), 10.0 ** -(0.05 + number * increment), noise=0.001)
        for number in range(steps)
    ]
    return Calibration(
        name=name,
        created="2026-01-02T03:04:05+00:00",
        mode="transmission",
        channel="gray",
        inverted=False,
        scan=FACTS,
        steps=tuple(
            CalibratedStep(
                reading=reading,
                used=True,
                measured=density(reading.density + 0.003) if 0 < number < steps - 1 else None,
            )
            for number, reading in enumerate(readings)
        ),
        fit=(0.001,) * (steps - 1),
        density_range=(readings[0].density, readings[-1].density),
        residual=0.003,
        warnings=(Warning_(code="steps-clipped", message="Steps 8 are at the end of the scale."),),
    )


def reading(**changes: Any) -> Reading:
    """A normal negative, with changes."""
    plain = Reading(
        file="negative.tif",
        ppi=600.0,
        aperture_mm=1.0,
        piece=None,
        film_mm=(5.0, 5.0, 100.0, 125.0),
        frame_mm=(9.0, 9.0, 92.0, 117.0),
        angle_deg=0.4,
        base_plus_fog=density(0.25),
        fog=None,
        shadow=density(0.45),
        highlight=density(1.50),
        density_range=density(1.05, 0.03),
        net_shadow=density(0.20),
        net_highlight=density(1.25, 0.03),
        spots=(),
        clipped_light=0.0,
        clipped_dark=0.0001,
        beyond_calibration=0.002,
        warnings=(),
    )
    return replace(plain, **changes)


def finding(code: str, **more: Any) -> Finding:
    plain = Finding(code=code, message="It is so. Check the seal.", box_mm=(5.0, 5.0, 10.0, 2.0), size=None, sure=0.99)
    return replace(plain, **more)


def judged(
    exposure: ExposureVerdict = "normal",
    stops: float | None = None,
    development: DevelopmentVerdict = "keep",
    factor: float = 1.0,
    grade: str | None = "2",
    **more: Any,
) -> Assessment:
    """A negative of which this is said, whatever was read of it; `findings`, and changes of its reading besides."""
    trouble = Trouble(findings=tuple(more.pop("findings", ())))
    told = None if stops is None else Quantity(stops)
    return replace(
        assessment(**more),
        trouble=trouble,
        exposure=ExposureAdvice(verdict=exposure, stops=told, at_least=exposure == "under", reason="why."),
        development=DevelopmentAdvice(
            verdict=development,
            contrast=None,
            target_contrast=0.56,
            time_factor=Quantity(factor),
            reason="because.",
        ),
        paper=PaperAdvice(process="contact", needed_range=105, grade=grade, note=""),
    )


def assessment(*, aim: PrintAim | None = None, path: str = "scans/negative.tif", **changes: Any) -> Assessment:
    task = Task(options=MeasureOptions(), aim=aim or PrintAim())
    return assess(Path(path), reading(**changes), task)
