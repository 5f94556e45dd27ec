"""The light that a pillar of any diameter transmits: a library read at diameters that it does not list.

Phase and amplitude follow the library as the choice of pillars does (`optics.library`): shape-preserving
cubics on each run of rows between bars. A diameter that comes to lie between two runs (a steep interval
or a flagged row, where no pillar is designed, but where a wrong one may end) takes the straight line
between the complex t of the rows on either side. Beyond the first and the last row nothing is known:
such a pillar counts as dark, and whoever asks is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layoutgen.optics.library import runs_of_rows
from layoutgen.optics.shape_preserving import ShapePreserving
from layoutgen.recipe.tables import LibraryTable
from layoutgen.units import SQUARE_SIDE

__all__ = ["Transmission", "transmission_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Diameters are sums of decimals; one may miss the last row by rounding alone.
_SLACK_NM = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class Transmission:
    """t(d) of one library at one wavelength; d is the equal-area diameter in nm, of squares too.

    size_nm, phase_rad (unwrapped) and amplitude are the rows, (rows,); runs are first and last row of
    each run between bars, cubics phase and amplitude on each; per_side is equal-area diameter over what the
    rows list.
    """

    size_nm: FloatArray
    phase_rad: FloatArray
    amplitude: FloatArray
    runs: tuple[tuple[int, int], ...]
    cubics: tuple[tuple[ShapePreserving, ShapePreserving] | None, ...]
    per_side: float

    def known(self, diameter_nm: ArrayLike) -> BoolArray:
        """Where the library reaches."""
        size = np.asarray(diameter_nm, dtype=np.float64) / self.per_side
        found: BoolArray = (size >= self.size_nm[0] - _SLACK_NM) & (
            size <= self.size_nm[-1] + _SLACK_NM
        )
        return found

    def barred(self, diameter_nm: ArrayLike) -> BoolArray:
        """Where the library is known, but lies between two runs."""
        size = np.asarray(diameter_nm, dtype=np.float64) / self.per_side
        on = np.zeros(size.shape, dtype=np.bool_)
        for first, last in self.runs:
            on |= (size >= self.size_nm[first] - _SLACK_NM) & (
                size <= self.size_nm[last] + _SLACK_NM
            )
        return self.known(diameter_nm) & ~on

    def parts(self, diameter_nm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Unwrapped phase in rad and amplitude |t|; amplitude 0 where nothing is known."""
        size = np.asarray(diameter_nm, dtype=np.float64) / self.per_side
        at = np.clip(np.nan_to_num(size, nan=0.0), self.size_nm[0], self.size_nm[-1])
        phase, amplitude = np.zeros_like(at), np.zeros_like(at)
        between = np.ones(at.shape, dtype=np.bool_)
        for (first, last), curves in zip(self.runs, self.cubics, strict=True):
            on = (at >= self.size_nm[first]) & (at <= self.size_nm[last])
            if curves is not None and on.any():
                phase[on], amplitude[on] = curves[0](at[on]), curves[1](at[on])
                between &= ~on
        if between.any():
            phase[between], amplitude[between] = self._straight(at[between])
        return phase, np.where(self.known(diameter_nm), amplitude, 0.0)

    def _straight(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Phase and amplitude on the straight line of t between two rows, the phase near that of the row below."""
        row = np.clip(np.searchsorted(self.size_nm, at, side="right") - 1, 0, len(self.size_nm) - 2)
        rows = self.amplitude * np.exp(1j * self.phase_rad)
        part = (at - self.size_nm[row]) / (self.size_nm[row + 1] - self.size_nm[row])
        t = rows[row] + part * (rows[row + 1] - rows[row])
        return self.phase_rad[row] + np.angle(t * np.exp(-1j * self.phase_rad[row])), np.abs(t)

    def __call__(self, diameter_nm: ArrayLike) -> NDArray[np.complex128]:
        """Complex t; 0 where nothing is known."""
        phase, amplitude = self.parts(diameter_nm)
        found: NDArray[np.complex128] = amplitude * np.exp(1j * phase)
        return found


def transmission_of(table: LibraryTable, wavelength_nm: float) -> Transmission:
    """The library's rows at one wavelength; ValueError where it has none."""
    size, phase, amplitude, runs = runs_of_rows(table, wavelength_nm)
    cubics: list[tuple[ShapePreserving, ShapePreserving] | None] = []
    for first, last in runs:
        run = slice(first, last + 1)
        if first == last:  # the straight lines to both sides meet its row
            cubics.append(None)
            continue
        cubics.append(
            (ShapePreserving(size[run], phase[run]), ShapePreserving(size[run], amplitude[run]))
        )
    return Transmission(
        size, phase, amplitude, tuple(runs), tuple(cubics),
        1 / SQUARE_SIDE if table.squares else 1.0,
    )  # fmt: skip
