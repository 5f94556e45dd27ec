"""The pillars to choose from: what a library and the limits leave, and what light each transmits.

A library gives phase and transmission of a periodic array of pillars for a row of sizes. Between
its rows the phase phi (unwrapped along the rows) and the amplitude |t| = sqrt(transmission) follow
shape-preserving cubics (PCHIP: Fritsch & Carlson, SIAM J. Numer. Anal. 17, 238 (1980)); nothing is
extrapolated. Where t = |t| exp(i phi) changes by more than 0.15 per nm of diameter a nanometre of
process error would undo the design, so such an interval is barred, and so is a row with a flag.
The cubics are built apart on each run of rows between bars; a run may be one row.

Sizes: the target is what the finished part shall have, the master is the target less the
biases of all replication steps, and each step adds its bias to the diameter and its scale to the
lattice. Candidates are targets in whole ladder steps with

    diameter.min <= master <= diameter.max
    distance between neighbouring shapes >= min_gap       on the master and after each step
    height / size <= max_aspect_ratio                     on the master and after each step

The size of a disc is its diameter, that of a square its side; the diameter of a square, to which
biases are added, is that of the disc of equal area, 2 side / sqrt(pi).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil, floor, hypot, pi

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.optics.shape_preserving import ShapePreserving
from layoutgen.recipe.model import PillarKeys, Step
from layoutgen.recipe.tables import LibraryTable
from layoutgen.units import SQUARE_SIDE

__all__ = [
    "Candidates",
    "candidates",
    "coverage",
    "neighbour_gap_nm",
    "replication_stages",
    "rows_far_apart",
    "runs_of_rows",
]

FloatArray = NDArray[np.float64]

# A jump of t beyond this per nm of diameter is a resonance too narrow to make.
STEEPEST_PER_NM = 0.15
# Rows whose phases differ by more than this are warned of: half a turn can be read two ways.
FAR_APART_TURNS = 0.4
# Sizes and limits are decimals; a sum of them may miss an exact limit by rounding alone.
TOLERANCE_NM = 1e-9
# Parts of t are rounded to 2^-40 (1e-12): below any physics, above what sin, cos and the
# interpolation differ by between library versions.
FIELD_STEPS = 2.0**40


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Candidates:
    """The pillars that may be chosen, smallest first; arrays are (candidates,).

    size_nm: target diameter, or side of a square. diameter_nm: target, equal-area. master_nm:
    equal-area diameter on the master. field: complex t. phase_rad: its phase, unwrapped within a
    run of the library. coverage_rad: 2 pi less the largest gap between phases modulo 2 pi.
    considered: whole ladder steps within the library; barred: reason -> how many it took.
    """

    size_nm: FloatArray
    diameter_nm: FloatArray
    master_nm: FloatArray
    field: NDArray[np.complex128]
    phase_rad: FloatArray
    coverage_rad: float
    considered: int
    barred: Mapping[str, int]

    def __len__(self) -> int:
        return int(self.size_nm.size)


def candidates(
    table: LibraryTable,
    *,
    wavelength_nm: float,
    keys: PillarKeys,
    kind: str,
    pitch_nm: float,
    row_nm: float,
    steps: Sequence[Step],
) -> Candidates:
    """The pillars that a part may use.

    kind (square or hexagonal), pitch_nm and row_nm are the lattice on the master. A rule whose
    input the recipe leaves out is not applied. InputError when nothing is left, saying what
    took the sizes.
    """
    squares = keys.vertices == 4
    if table.squares != squares:
        want, got = ("squares", "discs") if squares else ("discs", "squares")
        raise InputError(
            f"{table.name}: want a library of {want} for vertices {keys.vertices}, got {got}"
        )
    rows_nm, phase, amplitude, flagged = _rows(table, wavelength_nm)
    size = _ladder_steps(rows_nm, keys.ladder.step_nm)
    barred: dict[str, int] = {}
    per_side = 1 / SQUARE_SIDE if squares else 1.0
    found, size_phase, size_amplitude = _interpolate(
        size, rows_nm, phase, amplitude, flagged, per_side, barred
    )
    diameter = size * per_side
    total_bias_nm = sum(step.bias_nm for step in steps)
    master = diameter - total_bias_nm
    for reason, bad in _limits(master / per_side, master, keys, kind, pitch_nm, row_nm, steps):
        taken = found & bad
        if taken.any():
            barred[reason] = barred.get(reason, 0) + int(taken.sum())
        found &= ~bad
    if not found.any():
        raise InputError(_nothing_left(size, rows_nm, keys, barred))
    t = size_amplitude[found] * np.exp(1j * size_phase[found])
    field = (np.rint(t.real * FIELD_STEPS) + 1j * np.rint(t.imag * FIELD_STEPS)) / FIELD_STEPS
    return Candidates(
        size_nm=size[found],
        diameter_nm=diameter[found],
        master_nm=master[found],
        field=field,
        phase_rad=size_phase[found],
        coverage_rad=coverage(size_phase[found]),
        considered=int(size.size),
        barred=barred,
    )


def coverage(phase_rad: FloatArray) -> float:
    """2 pi less the largest gap between phases modulo 2 pi, in radians; 0 for a lone phase."""
    wrapped = np.sort(np.mod(phase_rad, 2 * pi))
    gaps = np.diff(wrapped, append=wrapped[0] + 2 * pi)
    return float(np.round(2 * pi - gaps.max(), 12))


def neighbour_gap_nm(
    size_nm: FloatArray, *, squares: bool, kind: str, pitch_nm: float, row_nm: float
) -> FloatArray:
    """Smallest distance between shapes of one size on a lattice, in nm; negative: they overlap.

    Discs: the nearest neighbour's distance less the diameter. Squares stand parallel to the
    lattice, so between rows that are shifted by half a pitch their corners may be nearest.
    """
    if kind != "hexagonal":
        return min(pitch_nm, row_nm) - size_nm
    if not squares:
        return min(pitch_nm, hypot(pitch_nm / 2, row_nm)) - size_nm
    along, across = pitch_nm / 2 - size_nm, row_nm - size_nm
    apart = np.where((along > 0) & (across > 0), np.hypot(along, across), np.maximum(along, across))
    return np.minimum(pitch_nm - size_nm, apart)


def _rows(
    table: LibraryTable, wavelength_nm: float
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Sizes, unwrapped phases, amplitudes and flags of the rows at one wavelength."""
    try:
        rows = table.at_wavelength(wavelength_nm)
    except ValueError as error:
        raise InputError(f"{table.name}: {error}") from error
    return rows.size_nm, np.unwrap(rows.phase_rad), np.sqrt(rows.transmission), rows.flag


def runs_of_rows(
    table: LibraryTable, wavelength_nm: float
) -> tuple[FloatArray, FloatArray, FloatArray, list[tuple[int, int]]]:
    """Sizes in nm, unwrapped phases in rad and amplitudes of the rows at one wavelength, and the first
    and last row of each run between bars; ValueError where the library has no such rows."""
    rows = table.at_wavelength(wavelength_nm)
    phase, amplitude = np.unwrap(rows.phase_rad), np.sqrt(rows.transmission)
    per_side = 1 / SQUARE_SIDE if table.squares else 1.0
    steep = _steep(rows.size_nm, phase, amplitude, per_side)
    return rows.size_nm, phase, amplitude, _runs(rows.flag, steep)


def rows_far_apart(
    table: LibraryTable, wavelength_nm: float, smallest_nm: float, largest_nm: float
) -> list[tuple[float, float, float]]:
    """Two sizes in nm of neighbouring rows and the turns of phase between them, where these are nearly half a turn.

    Such rows can be unwrapped two ways, and what lies between them is read wrongly in one. Only rows of
    one run, around sizes that are in use; ValueError where the library has no rows at the wavelength.
    """
    size, phase, _, runs = runs_of_rows(table, wavelength_nm)
    found = []
    for first, last in runs:
        for row in range(first, last):
            turns = abs(float(phase[row + 1] - phase[row])) / (2 * pi)
            used = size[row + 1] > smallest_nm and size[row] < largest_nm
            if used and turns > FAR_APART_TURNS:
                found.append((float(size[row]), float(size[row + 1]), turns))
    return found


def _steep(
    rows_nm: FloatArray, phase: FloatArray, amplitude: FloatArray, per_side: float
) -> NDArray[np.bool_]:
    """Which intervals between rows change by more than a nanometre of process error may."""
    t = amplitude * np.exp(1j * phase)
    slope = np.abs(np.diff(t)) / (np.diff(rows_nm) * per_side)
    found: NDArray[np.bool_] = slope > STEEPEST_PER_NM * (1 + 1e-12)
    return found


def _ladder_steps(rows_nm: FloatArray, step_nm: float) -> FloatArray:
    """Whole multiples of the ladder step within the library's rows."""
    first = ceil((rows_nm[0] - TOLERANCE_NM) / step_nm)
    last = floor((rows_nm[-1] + TOLERANCE_NM) / step_nm)
    step = Decimal(repr(step_nm))  # 3 x 0.1 is 0.3, not a neighbour of it
    found = np.array([float(k * step) for k in range(max(first, 1), last + 1)])
    if found.size == 0:
        raise InputError(
            f"pillars.ladder.step: want a step with a multiple in the library's"
            f" {rows_nm[0]:g} to {rows_nm[-1]:g} nm, got {step_nm:g} nm"
        )
    return found


def _interpolate(
    size: FloatArray,
    rows_nm: FloatArray,
    phase: FloatArray,
    amplitude: FloatArray,
    flagged: NDArray[np.bool_],
    per_side: float,
    barred: dict[str, int],
) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Which sizes lie on a run of the library, and their phase and amplitude; counts the others."""
    steep = _steep(rows_nm, phase, amplitude, per_side)
    found = np.zeros(size.size, dtype=np.bool_)
    size_phase, size_amplitude = np.zeros(size.size), np.zeros(size.size)
    for first, last in _runs(flagged, steep):
        on = (size >= rows_nm[first] - TOLERANCE_NM) & (size <= rows_nm[last] + TOLERANCE_NM)
        found |= on
        if first == last:
            size_phase[on], size_amplitude[on] = phase[first], amplitude[first]
            continue
        run = slice(first, last + 1)
        at = np.clip(size[on], rows_nm[first], rows_nm[last])
        size_phase[on] = ShapePreserving(rows_nm[run], phase[run])(at)
        size_amplitude[on] = ShapePreserving(rows_nm[run], amplitude[run])(at)
    off = np.flatnonzero(~found)
    # the rows on either side tell whether a flag or a steep interval took the size
    left = np.clip(np.searchsorted(rows_nm, size[off] + TOLERANCE_NM, "right") - 1, 0, None)
    right = np.clip(np.searchsorted(rows_nm, size[off] - TOLERANCE_NM, "left"), 0, rows_nm.size - 1)
    by_flag = flagged[left] | flagged[right]
    for reason, count in (
        ("flagged library row", int(by_flag.sum())),
        (f"library steeper than {STEEPEST_PER_NM:g} per nm", int((~by_flag).sum())),
    ):
        if count:
            barred[reason] = count
    return found, size_phase, size_amplitude


def _runs(flagged: NDArray[np.bool_], steep: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last row of each run between flagged rows and steep intervals."""
    runs = []
    first: int | None = None
    for row in range(flagged.size):
        if flagged[row]:
            first = None
            continue
        if first is None:
            first = row
        if row + 1 == flagged.size or flagged[row + 1] or steep[row]:
            runs.append((first, row))
            first = None
    return runs


def replication_stages(steps: Sequence[Step]) -> list[tuple[str, float, float]]:
    """The master and each step: where it is, and bias in nm and scale in ppm summed from the master on."""
    stages = [("on the master", 0.0, 0.0)]
    for step in steps:
        _, bias, ppm = stages[-1]
        stages.append((f"after {step.name}", bias + step.bias_nm, ppm + step.scale_ppm))
    return stages


def _limits(
    side: FloatArray,
    master: FloatArray,
    keys: PillarKeys,
    kind: str,
    pitch_nm: float,
    row_nm: float,
    steps: Sequence[Step],
) -> list[tuple[str, NDArray[np.bool_]]]:
    """Each limit with the sizes that break it. `side` is the size on the master as limits see it."""
    squares = keys.vertices == 4
    low, high = keys.diameter.min_nm, keys.diameter.max_nm
    out = [
        (f"diameter.min {low:g} nm", side < low - TOLERANCE_NM),
        (f"diameter.max {high:g} nm", side > high + TOLERANCE_NM),
    ]
    for stage, bias_nm, ppm in replication_stages(steps):
        diameter = master + bias_nm
        size = diameter * SQUARE_SIDE if squares else diameter
        scale = 1 + ppm * 1e-6
        out.append((f"nothing left of the pillar {stage}", size <= 0))
        if keys.min_gap_nm is not None:
            gap = neighbour_gap_nm(
                size, squares=squares, kind=kind, pitch_nm=pitch_nm * scale, row_nm=row_nm * scale
            )
            bad = gap < keys.min_gap_nm - TOLERANCE_NM
            out.append((f"min_gap {keys.min_gap_nm:g} nm {stage}", bad))
        if keys.max_aspect_ratio is not None and keys.height_nm is not None:
            # size >= height / ratio, so that the tolerance is a length
            bad = size < keys.height_nm / keys.max_aspect_ratio - TOLERANCE_NM
            out.append((f"max_aspect_ratio {keys.max_aspect_ratio:g} {stage}", bad))
    return out


def _nothing_left(
    size: FloatArray, rows_nm: FloatArray, keys: PillarKeys, barred: Mapping[str, int]
) -> str:
    taken = ", ".join(f"{count} by {reason}" for reason, count in barred.items())
    word = "side" if keys.vertices == 4 else "diameter"
    return (
        f"pillars: want at least one {word} to choose from, got none of the {size.size} multiples of"
        f" {keys.ladder.step_nm:g} nm in the library's {rows_nm[0]:g} to {rows_nm[-1]:g} nm:"
        f" taken {taken}"
    )
