"""What is said agrees with itself: no verdict beside a figure that speaks against it, no table beside another time."""

from __future__ import annotations

import pytest

from densiscan.arithmetic.quantity import Influence, Quantity
from densiscan.development.advice import Plan, advise
from densiscan.development.developer_life import Load, wear
from densiscan.development.evidence import evidence_of
from densiscan.development.exposure import ExposureAdvice, exposure_advice
from densiscan.development.posterior import posterior_of
from densiscan.development.run import Run
from densiscan.notebook.advised import AdviceSheet
from densiscan.report.advice import advice_document, advice_text


def judged(net: float, doubt: float = 0.03) -> ExposureAdvice:
    shadow = Quantity(net, {Influence("reading"): doubt / 2.0})
    return exposure_advice(net_shadow=shadow, shadow=Quantity(net + 0.2, {Influence("reading"): doubt / 2.0}))


@pytest.mark.parametrize("net", [0.09, 0.08, 0.46])
def test_a_shadow_beside_the_usual_is_normal_only_by_its_uncertainty_and_that_is_said(net: float) -> None:
    advice = judged(net)
    assert advice.verdict == "normal"
    assert f"{net:.2f} ± 0.03 above base plus fog" in advice.reason
    assert "Just on the border" in advice.reason
    assert not advice.reason.endswith("0.45 is usual.")


@pytest.mark.parametrize("net", [0.14, 0.25, 0.41])
def test_a_shadow_within_the_usual_is_plainly_so(net: float) -> None:
    assert judged(net).reason.endswith("0.10 to 0.45 is usual.")


def run(number: int, time_s: float, span: float | None, use: int = 1) -> Run:
    ranges = () if span is None else (Quantity(span, {Influence("reading", str(number)): 0.01}),)
    return Run(
        number=number, film="Moss", developer="Brine", date=f"2026-01-{number:02d}", time_s=time_s, temperature_c=20.0,
        use=use, density_ranges=ranges,
    )  # fmt: skip


def sheet(
    runs: list[Run], *, target: float = 1.05, dilution: str | None = None, stops: float | None = 7.0
) -> AdviceSheet:
    known = posterior_of(evidence_of(runs))
    load = Load(dilution=dilution)
    advice = advise(runs, Plan(target_range=Quantity(target), scene_stops=stops))
    return AdviceSheet(film="Moss", developer="Brine", advice=advice, wear=wear(known, runs, load), load=load)


@pytest.mark.parametrize(("span", "target"), [(0.45, 1.2), (1.9, 0.8)])
def test_a_held_time_is_held_in_the_table_too(span: float, target: float) -> None:
    held = sheet([run(number, 480.0, span) for number in range(1, 6)], target=target)
    assert held.advice.limit == "step"
    document = advice_document(held)
    (aimed,) = [row for row in document["table"] if row["contrast_stops"] == 0]
    assert aimed["time_s"]["value"] == document["time_s"]["value"]
    assert aimed["unlimited_time_s"] == pytest.approx(document["unlimited_time_s"])
    assert "held" in aimed["note"]
    (line,) = [line for line in advice_text(held).splitlines() if line.startswith("  N  ")]
    minutes, seconds = divmod(round(held.advice.time_s.value), 60)
    assert line.split()[2] == f"{minutes}:{seconds:02d}"
    # What lies beyond one step does not look as if it were advised.
    beyond = [row for row in document["table"] if row["time_s"] and abs(row["time_s"]["value"] / 480.0 - 1.0) > 0.351]
    assert all(row["note"] for row in beyond)


def test_a_time_that_is_not_held_is_the_same_in_the_table() -> None:
    free = advice_document(sheet([run(number, 480.0, 1.0) for number in range(1, 6)], target=1.0))
    (aimed,) = [row for row in free["table"] if row["contrast_stops"] == 0]
    assert aimed["time_s"]["value"] == free["time_s"]["value"]
    assert aimed["note"] is None


def test_a_developer_that_is_used_once_has_no_second_use() -> None:
    said = " ".join(advice_text(sheet([run(1, 480.0, 1.0)], dilution="1+1")).split())
    assert "use it once, then discard it" in said
    assert "each use" not in said
    assert "discard after use 1" not in said
    again = " ".join(advice_text(sheet([run(1, 480.0, 1.0)])).split())
    assert "each use takes" in again
