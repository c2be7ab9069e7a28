"""The answer on a negative in plain words: what is wrong comes first, what is fine is said to be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.arithmetic.quantity import Warning_
from densiscan.batch.assessment import Assessment
from densiscan.report.answer import answer, folder_headline
from tests.support.made_up import finding, judged

LEAK = finding("light-leak", side="bottom")


@pytest.mark.parametrize(
    ("reading", "headline"),
    [
        (judged(), "Fine: keep the time, print on grade 2."),
        (judged("under", -2.7), "Underexposed: give at least 2.7 stops more next time."),
        (judged("over", 3.0), "Overexposed: give less next time; keep the time, print on grade 2."),
        (
            judged(development="more", factor=1.18, grade="4"),
            "Flat: develop 18 % longer; this one prints on grade 4.",
        ),
        (
            judged(development="less", factor=0.8, grade="0"),
            "Contrasty: develop 20 % less; this one prints on grade 0.",
        ),
        (
            judged(findings=[LEAK]),
            "Light leak at the bottom edge. Otherwise fine: keep the time, print on grade 2.",
        ),
        (
            judged("under", -1.0, findings=[LEAK, finding("bands")]),
            "Light leak at the bottom edge, and 1 more. Underexposed: give at least 1 stop more next time.",
        ),
        (judged(grade=None), "Fine: keep the time."),
    ],
)
def test_the_headline_says_what_to_do(reading: Assessment, headline: str) -> None:
    assert answer(reading).headline == headline
    assert answer(reading).attention is not headline.startswith("Fine")


def test_a_speck_of_dust_is_no_trouble_and_many_are() -> None:
    few = judged(findings=[finding("pinholes", area_share=1.4e-5)])
    many = judged(findings=[finding("dust", area_share=0.004)])
    assert answer(few).headline.startswith("Fine")
    assert answer(many).headline.startswith("Dust.")


def test_what_disqualifies_the_answer_stands_in_it() -> None:
    reading = judged(warnings=(Warning_(code="no-frame-found", message="Could not find the edges of the picture."),))
    said = answer(reading)
    assert said.attention
    assert said.headline.startswith("Could not find the edges of the picture. If that is right:")


def test_what_is_no_negative_is_named_and_judged_in_nothing() -> None:
    reading = judged(seen="wedge", warnings=(Warning_(code="seen-wedge", message="This looks like a step wedge."),))
    said = answer(reading)
    assert (said.headline, said.is_negative) == ("This looks like a step wedge: densities only.", False)
    assert "grade" not in said.why


def test_a_folder_is_counted_with_what_is_fine_first() -> None:
    readings = [judged(), judged(), judged("under", -3.0), judged("over", 2.0), judged(findings=[LEAK])]
    assert folder_headline([answer(reading) for reading in readings]) == (
        "5 negatives: 2 fine, 1 underexposed by at least 3 stops, 1 with a light leak, 1 overexposed by about 2 stops."
    )
    assert folder_headline([answer(judged())] * 3) == "3 negatives, all fine."
    assert folder_headline([answer(judged())], failed=2) == "One negative, and it is fine; 2 not measured."


@given(
    st.lists(
        st.builds(
            judged,
            exposure=st.sampled_from(["normal", "under", "over"]),
            stops=st.floats(-6.0, 6.0),
            development=st.sampled_from(["keep", "more", "less"]),
            factor=st.floats(0.5, 2.0),
            grade=st.sampled_from([None, "0", "2", "5", "softer than 0"]),
            findings=st.lists(
                st.sampled_from([LEAK, finding("dust", area_share=1e-5), finding("fog-high")]), max_size=2
            ),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_the_counts_add_up_and_gravity_means_attention(readings: list[Assessment]) -> None:
    answers = [answer(reading) for reading in readings]
    for one in answers:
        assert one.attention == (one.gravity > 0.0)
        assert one.headline.endswith(".")
    headline = folder_headline(answers)
    if ":" in headline:
        counts = [int(part.split()[0]) for part in headline.split(": ")[1].split(", ")]
        assert sum(counts) == len(readings)
