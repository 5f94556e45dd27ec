"""The table of choices and the free phase, each against a plain search."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from layoutgen.optics.choose import (
    BINS,
    best_offset,
    merit_loss,
    phase_table,
    wanted_sums,
    wrap_bin,
)

Fields = NDArray[np.complex128]
PSI = 2 * np.pi * (np.arange(BINS) + 0.5) / BINS


def fields(count: int, seed: int, turn: float = 1.0) -> Fields:
    """Pillars of growing phase over a share of a turn and uneven transmission."""
    rng = np.random.default_rng(seed)
    phase = np.sort(rng.uniform(0, 2 * np.pi * turn, count))
    return np.asarray(rng.uniform(0.3, 1, count) * np.exp(1j * phase))


def searched(field: Fields, psi: NDArray[np.float64]) -> NDArray[np.int64]:
    merit = np.real(field[None, :] * np.exp(-1j * psi)[:, None])
    return np.asarray(np.argmax(merit >= merit.max(axis=1, keepdims=True) - 1e-12, axis=1))


@pytest.mark.parametrize("count, turn", [(1, 1.0), (2, 1.0), (9, 0.4), (200, 1.0), (300, 0.7)])
def test_table_holds_the_choice_of_a_plain_search_at_each_bin_centre(
    count: int, turn: float
) -> None:
    field = fields(count, count, turn)
    assert np.array_equal(phase_table(field), searched(field, PSI))


@settings(max_examples=20)
@given(st.integers(1, 60), st.integers(0, 10_000), st.floats(0.1, 1))
def test_table_holds_the_choice_of_a_plain_search_for_any_library(
    count: int, seed: int, turn: float
) -> None:
    field = fields(count, seed, turn)
    some = slice(seed % 97, None, 97)
    assert np.array_equal(phase_table(field)[some], searched(field, PSI[some]))


def test_ties_go_to_the_smaller_pillar() -> None:
    field = np.array([1j, 1.0, 1.0, 1j * (1 + 1e-13)])
    assert set(phase_table(field).tolist()) == {0, 1}


@pytest.mark.parametrize("count", [4, 40, 200])
def test_table_loses_less_than_1e_4_of_merit(count: int) -> None:
    field = fields(count, 5)
    table = phase_table(field)
    assert merit_loss(field, table) < 1e-4
    # by a search at places that are on no bin's centre or edge
    psi = np.random.default_rng(1).uniform(0, 2 * np.pi, 20_000)
    taken = field[table[(psi / (2 * np.pi) * BINS).astype(int)]]
    lost = np.real((field[searched(field, psi)] - taken) * np.exp(-1j * psi))
    assert 0 <= lost.max() <= merit_loss(field, table)


def test_merit_loss_sees_a_table_that_is_wrong() -> None:
    field = fields(40, 5)
    assert merit_loss(field, np.roll(phase_table(field), 30)) > 1e-3


def test_an_offset_shifts_the_table_by_whole_bins() -> None:
    field = fields(20, 8, 0.6)
    shifted = phase_table(field, shift_bins=37 * 256)
    assert np.array_equal(shifted, searched(field, PSI + 2 * np.pi * 37 / 256))


# --- the free phase ---------------------------------------------------------------------------


def sums(histogram: NDArray[np.int64], field: Fields) -> NDArray[np.float64]:
    """|mean t exp(-i psi)| at each of the 256 steps by a plain search."""
    here = np.flatnonzero(histogram)
    psi, weight = PSI[here], histogram[here]
    out = []
    for step in range(256):
        chosen = field[searched(field, psi + 2 * np.pi * step / 256)]
        out.append(abs((weight * chosen * np.exp(-1j * psi)).sum()) / weight.sum())
    return np.array(out)


def lens_histogram(seed: int, used: int = 200) -> NDArray[np.int64]:
    rng = np.random.default_rng(seed)
    histogram = np.zeros(BINS, dtype=np.int64)
    np.add.at(histogram, (rng.normal(0.3, 0.12, used) * BINS).astype(int) % BINS, 10)
    return histogram


@pytest.mark.parametrize("seed", range(6))
def test_offset_is_the_smallest_step_near_the_best_of_a_plain_search(seed: int) -> None:
    histogram, field = lens_histogram(seed), fields(12, seed, 0.5)
    plain = sums(histogram, field)
    offset = best_offset(histogram, field)
    if plain.max() > 1.001 * plain[0]:
        wanted = int(np.flatnonzero(plain >= plain.max() * (1 - 1e-6))[0])
    else:
        wanted = 0
    assert offset.step == wanted
    assert offset.gain == pytest.approx(plain[wanted] / plain[0], rel=1e-9)
    assert offset.phi0_rad == pytest.approx(2 * np.pi * wanted / 256, rel=1e-15)
    assert offset.shift_bins == 256 * wanted


def test_some_of_those_lenses_have_an_offset_and_it_pays() -> None:
    gains = [best_offset(lens_histogram(s), fields(12, s, 0.5)).gain for s in range(6)]
    assert max(gains) > 1.001


def test_a_lens_of_many_zones_keeps_offset_0() -> None:
    # All phases alike: no constant phase is better than another.
    even = np.full(BINS, 3, dtype=np.int64)
    assert best_offset(even, fields(30, 2)) == best_offset(np.zeros(BINS, np.int64), fields(3, 1))
    assert best_offset(even, fields(30, 2)).step == 0


@pytest.mark.parametrize("levels, efficiency", [(2, 0.40528), (4, 0.81057), (8, 0.94964), (16, 0.98721)])  # fmt: skip
def test_evenly_spaced_pillars_reach_the_efficiency_of_a_blazed_grating(
    levels: int, efficiency: float
) -> None:
    # sinc^2(1 / N): Swanson, MIT Lincoln Laboratory Technical Report 854 (1989).
    field = np.exp(2j * np.pi * np.arange(levels) / levels)
    sent = np.mean(field[phase_table(field)] * np.exp(-1j * PSI))
    assert abs(sent) ** 2 == pytest.approx(efficiency, abs=1e-4)


# --- bins -------------------------------------------------------------------------------------


@given(st.floats(-1e6, 1e6))
def test_bins_count_the_fraction_of_a_turn(phase_turns: float) -> None:
    fraction = phase_turns - np.floor(phase_turns)
    assert wrap_bin(phase_turns) == min(int(np.floor(fraction * BINS)), BINS - 1)


@pytest.mark.parametrize(
    "phase_turns, bin_", [(0.0, 0), (-3.0, 0), (0.5, 32768), (-0.25, 49152), (-1e-18, 65535)]
)
def test_bins_at_whole_turns_and_a_hair_below(phase_turns: float, bin_: int) -> None:
    assert wrap_bin(phase_turns) == bin_


def test_wanted_sums_add_up_what_each_pillar_was_chosen_for() -> None:
    histogram, field = lens_histogram(3), fields(12, 3, 0.5)
    chosen = phase_table(field, shift_bins=11 * 256)
    found = wanted_sums(histogram, chosen, 12)
    for k in range(12):
        plain = sum(histogram[b] * np.exp(1j * PSI[b]) for b in np.flatnonzero(chosen == k))
        assert found[k] == pytest.approx(plain, abs=1e-9 * histogram.sum())
    total = (histogram * np.exp(1j * PSI)).sum()
    assert found.sum() == pytest.approx(total, abs=1e-9 * histogram.sum())


def test_a_table_is_made_for_one_row_of_candidates() -> None:
    for field in (np.zeros(0, np.complex128), np.ones((2, 2), np.complex128)):
        with pytest.raises(ValueError, match="want 1 to 65536 candidates in one row, got shape"):
            phase_table(field)
    assert not phase_table(np.ones(1, np.complex128)).any()
