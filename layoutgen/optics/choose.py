"""Which pillar stands for which phase: one table over the wrapped phase, and the lens's offset.

With t the pillars' complex transmissions, psi the target phase and phi0 the lens's offset, the
pillar chosen is the one that maximises

    Re(t exp(-i (psi + phi0)))

ties (within 1e-12) going to the smaller. One turn is cut into 65536 bins and the choice is made at
each bin's centre. Two choices differ in merit by at most |t1 - t2| times the angle between
their psi, so for |t| <= 1 a table loses less than 2 pi / 65536 = 9.6e-5 of merit anywhere.

phi0 is free: a lens works as well with any constant phase. It is 0 unless one of 256 steps of a
turn raises the coherent sum |mean t exp(-i psi)| over the lens, to which the amplitude at the
focus is proportional, by more than 0.1 %. As 256 divides 65536, a step of phi0 is a cyclic shift
of the table by whole bins, and the sums for all steps are one cyclic correlation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import floor, inf, pi

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import kernel

__all__ = [
    "BINS",
    "STEPS",
    "Offset",
    "best_gain",
    "best_offset",
    "merit_loss",
    "phase_table",
    "wanted_sums",
    "wrap_bin",
]

BINS = 65536
STEPS = 256
BINS_PER_STEP = BINS // STEPS

# Merits closer than this are equal; it is far above the rounding of sin and cos (1e-16), which
# differs between libraries, and far below what anyone could measure.
TIE = 1e-12

# An offset is used only if it gains more than this, and the smallest step this near the best wins.
WORTHWHILE = 1e-3
AS_GOOD = 1e-6


@dataclass(frozen=True, slots=True)
class Offset:
    """A lens's constant phase: phi0_rad = 2 pi step / 256; gain is the coherent sum over that at 0."""

    step: int
    phi0_rad: float
    gain: float

    @property
    def shift_bins(self) -> int:
        """The offset as bins of the phase table."""
        return self.step * BINS_PER_STEP


@kernel
def wrap_bin(turns):  # type: ignore[no-untyped-def]
    """Bin 0 .. 65535 of an unwrapped phase in turns."""
    # a phase a hair below a whole turn may round up to the whole turn itself
    place = (turns - floor(turns)) * 65536.0
    return np.int32(place if place < 65535.0 else 65535.0)


def phase_table(field: NDArray[np.complex128], *, shift_bins: int = 0) -> NDArray[np.uint16]:
    """Index of the best candidate for each of the 65536 bins of the target phase.

    field (candidates,) holds t in order of size, at most 65536 of them; shift_bins is the lens's
    offset phi0 in bins.
    """
    if field.ndim != 1 or not 0 < field.size <= BINS:
        raise ValueError(f"want 1 to {BINS} candidates in one row, got shape {field.shape}")
    real, imag = field.real.copy(), field.imag.copy()

    def best(bins: NDArray[np.int64]) -> NDArray[np.uint16]:
        psi = 2 * pi * (bins + 0.5) / BINS
        merit = np.outer(np.cos(psi), real) + np.outer(np.sin(psi), imag)
        equal = merit >= merit.max(axis=1, keepdims=True) - TIE
        first: NDArray[np.uint16] = equal.argmax(axis=1).astype(np.uint16)
        return first

    # The merits of two candidates differ by a cosine of psi, whose zeros are half a turn apart: one
    # that is best at both ends of a short run of bins is best in all of it. So only runs whose ends
    # disagree are looked at more closely.
    width = BINS_PER_STEP
    low = np.arange(0, BINS, width)
    at_low, at_high = best(low), best(low + width - 1)
    table = np.repeat(at_low, width)
    open_ = at_low != at_high
    low = low[open_]
    while width > 1 and low.size:
        width //= 4
        low = (low[:, None] + width * np.arange(4)).ravel()
        at_low, at_high = best(low), best(low + width - 1)
        table[low[:, None] + np.arange(width)] = at_low[:, None]
        low = low[at_low != at_high]
    return np.roll(table, -shift_bins)


@cache
def _turn() -> NDArray[np.complex128]:
    """exp(-i psi) at every bin's centre."""
    found: NDArray[np.complex128] = np.exp(-2j * pi * (np.arange(BINS) + 0.5) / BINS)
    return found


def wanted_sums(
    histogram: NDArray[np.int64], chosen: NDArray[np.uint16], count: int
) -> NDArray[np.complex128]:
    """For each of `count` candidates the sum of exp(i psi) over the sites that it was chosen for, (count,).

    histogram (65536,) counts sites by the bin of their target phase psi, chosen (65536,) says which
    candidate a bin gets.
    """
    first = _run_starts(chosen)
    sums = np.conj(np.add.reduceat(histogram * _turn(), first))
    found = np.zeros(count, dtype=np.complex128)
    found.real = np.bincount(chosen[first], sums.real, count)
    found.imag = np.bincount(chosen[first], sums.imag, count)
    return found


def _run_starts(table: NDArray[np.integer]) -> NDArray[np.int64]:
    """The first bin of each run of bins that one candidate is best for."""
    return np.flatnonzero(np.concatenate([[True], table[1:] != table[:-1]]))


def best_offset(
    histogram: NDArray[np.int64],
    field: NDArray[np.complex128],
    table: NDArray[np.uint16] | None = None,
) -> Offset:
    """The offset that a lens gets.

    histogram (65536,) counts the lens's sites by the bin of their target phase; field is that of
    `phase_table`, table what it gives without a shift, if it is at hand.
    """
    level = _levels(histogram, field, table)
    if level is None:
        return Offset(0, 0.0, 1.0)
    here, best = float(level[0]), float(level.max())
    if best <= here * (1 + WORTHWHILE):
        return Offset(0, 0.0, 1.0)
    step = int(np.argmax(level >= best * (1 - AS_GOOD)))
    gain = float(level[step]) / here if here else inf
    return Offset(step, 2 * pi * step / STEPS, gain)


def best_gain(
    histogram: NDArray[np.int64], field: NDArray[np.complex128], table: NDArray[np.uint16]
) -> float:
    """What the best of the 256 steps would gain over none: 0.001 for a tenth of a per cent."""
    level = _levels(histogram, field, table)
    if level is None:
        return 0.0
    return float(level.max() / level[0] - 1) if level[0] else inf


def _levels(
    histogram: NDArray[np.int64],
    field: NDArray[np.complex128],
    table: NDArray[np.uint16] | None,
) -> NDArray[np.float64] | None:
    """|mean t exp(-i psi)| for each of the 256 steps; None where no site is counted."""
    if histogram.shape != (BINS,):
        raise ValueError(f"want a histogram of {BINS} bins, got shape {histogram.shape}")
    total = int(histogram.sum())
    if total == 0:
        return None
    sites = (histogram * _turn()).reshape(STEPS, BINS_PER_STEP)
    if table is None:
        table = phase_table(field)
    chosen = field[table].reshape(STEPS, BINS_PER_STEP)
    # sum over bins of sites[b] chosen[b + shift], shift in whole steps: correlate along the steps
    spectrum = np.fft.fft(chosen, axis=0) * np.conj(np.fft.fft(np.conj(sites), axis=0))
    sums = np.abs(np.fft.ifft(spectrum.sum(axis=1)))
    # Rounded far above the transform's own error, so that equal sums are equal on any machine.
    found: NDArray[np.float64] = np.round(sums / total, 12)
    return found


def merit_loss(field: NDArray[np.complex128], table: NDArray[np.uint16]) -> float:
    """The most merit that an unshifted table loses against the search, at its bins' edges."""
    edges = np.arange(BINS + 1)
    worst = 0.0
    for part in np.array_split(edges, 64):
        psi = 2 * pi * part / BINS
        merit = np.cos(psi)[:, None] * field.real + np.sin(psi)[:, None] * field.imag
        rows = np.arange(part.size)
        for side in (part - 1, part):
            taken = merit[rows, table[side % BINS]]
            worst = max(worst, float((merit.max(axis=1) - taken).max()))
    return worst
