"""The backscatter kernel: a normalised sum of Gaussian, exponential and power-law terms.

Each term integrates to 1 over the plane; its share is its ratio over the sum of the ratios:

    gaussian     g(r) = exp(-r^2 / b^2) / (pi b^2)
    exponential  g(r) = exp(-r / b) / (2 pi b^2)
    power        g(r) = (q - 1) / (pi b^2) (1 + r^2 / b^2)^-q,  q > 1

with b the term's range. Their transforms over the plane (angular frequency k) are

    exp(-k^2 b^2 / 4),  (1 + k^2 b^2)^(-3/2),  2 / Gamma(q - 1) (k b / 2)^(q - 1) K_(q-1)(k b)

(the Hankel transforms 6.623, 6.565 of Gradshteyn and Ryzhik; from memory, checked by
quadrature in the tests). Lengths are in database units throughout.
Source of the classic two-Gaussian form: T. H. P. Chang, J. Vac. Sci. Technol. 12, 1271 (1975).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from layoutgen.recipe.model import Backscatter

__all__ = ["SHARE_OUTSIDE", "ScatterTerm", "scatter_terms"]

FloatArray = NDArray[np.float64]

#: A term reaches until its share of the whole weight that lies farther out is below this.
SHARE_OUTSIDE = 1e-4


@dataclass(frozen=True, slots=True)
class ScatterTerm:
    """One term of the backscatter kernel; `range_dbu` is b, `share` its part of the whole."""

    term: str
    range_dbu: float
    share: float
    exponent: float = 2.0

    def value(self, r_dbu: FloatArray) -> FloatArray:
        """The normalised kernel at distance r, per square database unit, share not applied."""
        b = self.range_dbu
        r = np.asarray(r_dbu, dtype=np.float64)
        if self.term == "gaussian":
            return np.exp(-((r / b) ** 2)) / (np.pi * b * b)
        if self.term == "exponential":
            return np.exp(-r / b) / (2 * np.pi * b * b)
        q = self.exponent
        return (q - 1) / (np.pi * b * b) * (1 + (r / b) ** 2) ** -q

    def outside(self, r_dbu: float) -> float:
        """The weight beyond the distance r, share not applied."""
        return float(self.outside_at(np.array(r_dbu)))

    def outside_at(self, r_dbu: FloatArray) -> FloatArray:
        """The same at many distances, any shape."""
        u = np.asarray(r_dbu, dtype=np.float64) / self.range_dbu
        if self.term == "gaussian":
            return np.exp(-u * u)
        if self.term == "exponential":
            return (1 + u) * np.exp(-u)
        found: FloatArray = (1 + u * u) ** (1 - self.exponent)
        return found

    def transform(self, k: FloatArray) -> FloatArray:
        """The transform over the plane at angular frequency k (per database unit); 1 at k = 0."""
        kb = np.asarray(k, dtype=np.float64) * self.range_dbu
        if self.term == "gaussian":
            return np.exp(-kb * kb / 4)
        if self.term == "exponential":
            return (1 + kb * kb) ** -1.5
        from scipy.special import gamma, kv

        nu = self.exponent - 1
        safe = np.where(kb > 0, kb, 1.0)
        found = 2 / gamma(nu) * (safe / 2) ** nu * kv(nu, safe)
        return np.where(kb > 1e-12, np.nan_to_num(found), 1.0)

    @property
    def reach_dbu(self) -> float:
        """How far the term counts: share * outside(reach) = SHARE_OUTSIDE (0 if it never counts)."""
        return _reach(self)


@lru_cache(maxsize=64)
def _reach(term: ScatterTerm) -> float:
    if term.share * term.outside(0.0) <= SHARE_OUTSIDE:
        return 0.0
    low, high = 0.0, term.range_dbu
    while term.share * term.outside(high) > SHARE_OUTSIDE:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        if term.share * term.outside(middle) > SHARE_OUTSIDE:
            low = middle
        else:
            high = middle
    return high


def scatter_terms(backscatter: Sequence[Backscatter], dbu_nm: float) -> tuple[ScatterTerm, ...]:
    """The recipe's terms with their shares, shortest range first."""
    total = sum(term.ratio for term in backscatter)
    found = [
        ScatterTerm(term.term, term.range_nm / dbu_nm, term.ratio / total, term.exponent)
        for term in backscatter
    ]
    return tuple(sorted(found, key=lambda term: (term.range_dbu, term.term, term.share)))
