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
    )


def likelihoods(evidence: Evidence, densities: np.ndarray) -> dict[tuple[int, int], float]:
    """Return the likelihood of each way to count, by the cell of the lightest step and the number of steps."""
    return {(way.start, way.count): way.likelihood for way in counts(evidence, densities)}


@given(steps=st.integers(6, 41))
def test_a_clean_wedge_is_counted(steps: int) -> None:
    densities = DENSITIES[:steps]
    best, second = counts(even(steps - 1), densities)[:2]
    assert (best.count, best.start, best.visible) == (steps, -1, steps)
    assert best.likelihood > second.likelihood + 2.3  # odds of ten


def test_bare_glass_before_the_first_edge_is_no_step() -> None:
    """On open glass the lightest step has an outer edge too, as small as its own density."""
    drops = {0: 0.05, **dict.fromkeys(range(1, 12), 0.15)}
    glass = replace(even(11), drops=drops, light_length=3.0, masked=False, bare=frozenset({-1}))
    best = counts(glass, DENSITIES[:12])[0]
    assert (best.count, best.start) == (12, 0)


def test_a_stretch_as_long_as_a_step_is_one() -> None:
    """Film or glass ends anywhere within ten steps, 0.1 a step; a step as the others, a normal of 0.05 about it.

    Eight in ten are that, less the 0.4 that a lip may cover, and three in a hundred are owed to something else.
    """
    ways = likelihoods(even(11), DENSITIES[:12]), likelihoods(replace(even(11), light_length=1.2), DENSITIES[:12])
    here = 0.97 * 0.4 / (0.05 * np.sqrt(2 * np.pi)) + 0.003
    # Four standard deviations off, and as glass that the first step does not differ from: a fifth of all.
    beyond = 0.97 * (0.4 * np.exp(-8.0) / (0.05 * np.sqrt(2 * np.pi)) + 0.2 * 0.1) + 0.003
    assert_allclose(ways[0][-1, 12] - ways[1][-1, 12], np.log(here / beyond), rtol=1e-9)
    assert_allclose(ways[0][0, 11], ways[1][0, 11], rtol=1e-12)


def test_what_reads_as_the_bare_glass_is_rather_that() -> None:
    """Glass does in 0.6 of all cases, a step in 0.15: 4 to 1 for one cell, and 0.4 to 0.85 where it does not."""
    plain, bare = (likelihoods(replace(even(11), bare=frozenset(cells)), DENSITIES[:12]) for cells in ((), (-1,)))
    change = (bare[0, 11] - bare[-1, 12]) - (plain[0, 11] - plain[-1, 12])
    assert_allclose(change, np.log(0.6 / 0.15) - np.log(0.4 / 0.85), rtol=1e-9)


def test_nothing_is_clearer_than_glass() -> None:
    """An edge of 0.15 as the outer one of a step of 0.05 is 0.1 too large: of 0.035 that is three deviations."""
    small, large = (
        likelihoods(replace(even(11), drops={**even(11).drops, 0: drop}), DENSITIES) for drop in (0.05, 0.15)
    )
    assert small[0, 11] > large[0, 11] + 3.0


def test_steps_that_drown_are_counted_by_the_length_of_the_dark_end() -> None:
    """Jumps that fade to the noise: what follows for three more lengths may hold three more steps."""
    fading = {place: 0.15 * 0.55**place for place in range(6)}
    drowned = replace(even(6), drops=fading, dark_length=4.0, noise=0.01)
    best = counts(drowned, 2 * DENSITIES[:10])[0]
    assert (best.count, best.start, best.visible) == (10, -1, 7)


def test_a_further_step_whose_edge_must_have_been_seen_is_none() -> None:
    """Two lengths of one level after edges of 0.15: where noise hides such an edge they are two steps, else not."""
    quiet, loud = (
        likelihoods(replace(even(11), dark_length=2.0, noise=noise), DENSITIES[:13]) for noise in (0.001, 0.2)
    )
    assert loud[-1, 13] > loud[-1, 12] + 2.3
    assert quiet[-1, 13] < quiet[-1, 12]


def test_an_edge_onto_a_mask_may_be_of_any_size() -> None:
    """The last edge five times as large as the others is no step's: slopes change slowly along a wedge."""
    drops = {**even(11).drops, 10: 0.75}
    ways = likelihoods(replace(even(11), drops=drops, dark_length=2.4), DENSITIES[:12])
    assert ways[-1, 11] > ways[-1, 12] + 2.3


def test_an_edge_apart_from_the_others_may_be_the_border_of_the_film() -> None:
    lone = {0: 0.02, **dict.fromkeys(range(3, 14), 0.15)}
    best = counts(replace(even(11), drops=lone, light_length=2.3, masked=False), DENSITIES[:12])[0]
    assert (best.start, best.count) == (2, 12)
