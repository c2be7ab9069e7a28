"""Profiles along a wedge: cutting into stretches, edges on a lattice, and how the steps are counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from densiscan.wedge.count import Evidence, counts
from densiscan.wedge.edges import find_runs, stretches
from tests.renderer import even_densities

NOISE = 0.002
DENSITIES = np.array(even_densities(41, 0.15))


def stairs(levels: list[float], length: int, seed: int = 1) -> np.ndarray:
    """Even steps of a profile with its noise."""
    rng = np.random.default_rng(seed)
    plain = np.repeat(levels, length)
    return np.asarray(plain + rng.normal(0.0, NOISE, plain.size))


def test_an_even_profile_is_one_stretch() -> None:
    profile = stairs([0.0], 120)
    (pieces,) = stretches(profile[None], np.full((1, 120), NOISE))
    assert pieces[0][:2] == (0, 120)
    assert len(pieces) == 1
    assert_allclose(pieces[0][2], 0.0, atol=0.001)  # 120 cells of 0.002 leave 0.0002


def test_two_levels_are_cut_where_they_meet() -> None:
    profile = stairs([0.0, -0.15], 50)
    (pieces,) = stretches(profile[None], np.full((1, 100), NOISE))
    assert [piece[:2] for piece in pieces] == [(0, 50), (50, 100)]
    assert_allclose([piece[2] for piece in pieces], [0.0, -0.15], atol=0.001)


def test_many_profiles_at_once_are_cut_as_each_alone() -> None:
    profiles = np.stack([stairs([0.0, -0.1, -0.3], 40, seed) for seed in range(5)])
    noise = np.full(profiles.shape, NOISE)
    together = stretches(profiles, noise)
    for k in range(5):
        (alone,) = stretches(profiles[k : k + 1], noise[k : k + 1])
        assert [piece[:2] for piece in together[k]] == [piece[:2] for piece in alone]


def test_a_stretch_longer_than_the_limit_is_cut_all_the_same() -> None:
    (pieces,) = stretches(np.zeros((1, 450)), np.full((1, 450), NOISE))
    assert max(last - first for first, last, _ in pieces) <= 200
    assert [piece[0] for piece in pieces[1:]] == [piece[1] for piece in pieces[:-1]]


@given(steps=st.integers(6, 20), length=st.integers(12, 30), rise=st.floats(0.06, 0.3), flipped=st.booleans())
def test_edges_of_even_steps_lie_on_their_lattice(steps: int, length: int, rise: float, flipped: bool) -> None:
    profile = stairs([-rise * k for k in range(steps)], length)
    profile = profile[::-1].copy() if flipped else profile
    noise = np.full(profile.size, NOISE)
    (pieces,) = stretches(profile[None], noise[None])
    run = max(find_runs(profile, noise, pieces), key=lambda one: len(one.drops))
    assert sorted(run.drops) == list(range(steps - 1))
    assert_allclose(abs(run.pitch), length, rtol=0.02)  # a fifth of a cell in a dozen
    assert (run.pitch < 0) == flipped
    assert_allclose([run.drops[k] for k in range(steps - 1)], rise, atol=0.005)


def even(edges: int, drop: float = 0.15) -> Evidence:
    """What a clean wedge shows whose first and last step are as long as the others, in a black mask."""
    return Evidence(
        drops=dict.fromkeys(range(edges), drop),
        light_length=1.0,
        dark_length=1.0,
        closed=True,
        masked=True,
        noise=0.001,
        before={-1: True, -2: False},
        after=True,
    )


@given(steps=st.integers(6, 41))
def test_a_clean_wedge_is_counted(steps: int) -> None:
    densities = DENSITIES[:steps]
    best = counts(even(steps - 1), densities)[0]
    assert (best.count, best.start, best.visible) == (steps, -1, steps)
    assert best.doubt < 0.5


def test_another_number_is_more_doubtful_than_the_number_seen() -> None:
    densities = DENSITIES[:12]
    ways = {way.count: way.doubt for way in counts(even(11), densities)}
    assert ways[12] == min(ways.values())
    assert all(doubt > ways[12] + 0.8 for count, doubt in ways.items() if count != 12)


def test_bare_glass_before_the_first_edge_is_no_step() -> None:
    """On open glass the lightest step has an outer edge too, as small as its own density."""
    drops = {0: 0.05, **dict.fromkeys(range(1, 12), 0.15)}
    glass = replace(
        even(11), drops=drops, light_length=3.0, masked=False, before={-1: False, 0: True}, bare=frozenset({-1})
    )
    assert counts(glass, DENSITIES[:12])[0].count == 12
    assert counts(glass, DENSITIES[:12])[0].start == 0


def test_steps_that_drown_are_counted_by_the_length_of_the_dark_end() -> None:
    """Jumps that fade to the noise: what follows for three more lengths may hold three more steps."""
    fading = {place: 0.15 * 0.55**place for place in range(6)}
    drowned = replace(even(6), drops=fading, dark_length=4.0, noise=0.01)
    ways = {way.count for way in counts(drowned, 2 * DENSITIES[:10]) if way.doubt < 3.0}
    assert 10 in ways
