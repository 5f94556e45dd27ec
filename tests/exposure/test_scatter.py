"""The backscatter terms against integrals computed apart from them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j0

from layoutgen.exposure.scatter import SHARE_OUTSIDE, ScatterTerm

TERMS = [
    ScatterTerm("gaussian", 9.0, 1.0),
    ScatterTerm("exponential", 5.0, 1.0),
    ScatterTerm("power", 4.0, 1.0, 2.0),
    ScatterTerm("power", 4.0, 1.0, 3.5),
]


@pytest.mark.parametrize("term", TERMS, ids=str)
def test_a_term_integrates_to_one_over_the_plane(term: ScatterTerm) -> None:
    # Chang 1975: the kernel is normalised; the integral is taken by quadrature here.
    ring = lambda r: 2 * np.pi * r * float(term.value(np.array(r)))  # noqa: E731
    total = quad(ring, 0, 50, limit=400)[0] + quad(ring, 50, np.inf, limit=400)[0]
    assert total == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("term", TERMS, ids=str)
@pytest.mark.parametrize("r", [1.0, 4.0, 20.0])
def test_what_lies_outside_is_the_rest_of_the_integral(term: ScatterTerm, r: float) -> None:
    inside = quad(lambda s: 2 * np.pi * s * float(term.value(np.array(s))), 0, r, limit=400)[0]
    assert term.outside(r) == pytest.approx(1 - inside, abs=1e-9)


@pytest.mark.parametrize("term", [TERMS[0], TERMS[1], TERMS[3]], ids=str)
@pytest.mark.parametrize("k", [0.02, 0.1, 0.4])
def test_the_transform_is_the_hankel_transform_of_the_kernel(term: ScatterTerm, k: float) -> None:
    # F(k) = 2 pi integral of g(r) J0(k r) r dr, by quadrature
    found = quad(
        lambda r: 2 * np.pi * r * float(term.value(np.array(r))) * j0(k * r), 0, 400, limit=4000
    )[0]
    assert float(term.transform(np.array([k]))[0]) == pytest.approx(found, abs=2e-4)


@pytest.mark.parametrize("share", [1.0, 0.3])
@pytest.mark.parametrize("term", TERMS, ids=str)
def test_a_term_reaches_until_its_share_outside_is_below_the_limit(
    term: ScatterTerm, share: float
) -> None:
    part = ScatterTerm(term.term, term.range_dbu, share, term.exponent)
    assert share * part.outside(part.reach_dbu) == pytest.approx(SHARE_OUTSIDE, rel=1e-6)


def test_a_negligible_term_does_not_reach_at_all() -> None:
    assert ScatterTerm("gaussian", 9.0, 5e-5).reach_dbu == 0
