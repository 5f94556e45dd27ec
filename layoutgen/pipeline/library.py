"""`library`: a pillar library from a spec, with a second look at how far it has converged.

Every size is solved with the spec's number of Fourier orders. Every tenth one and every steep one is solved
again with twice as many (and twice the slices of a tapered pillar), and the difference is reported: in phase
and |t| where the table is smooth, in nm of diameter where it is steep. Rows that touch an interval steeper than
0.15 per nm anywhere (it is looked at nm by nm) are flagged: their pillars are no candidates for a lens.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from math import ceil
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from layoutgen.errors import InputError
from layoutgen.optics.library import STEEPEST_PER_NM, coverage, runs_of_rows
from layoutgen.optics.materials import index_at
from layoutgen.optics.pillar_array import PillarArray, Response, slices_for
from layoutgen.optics.stack import Film
from layoutgen.pipeline.response_cache import ResponseCache, cache_folder
from layoutgen.pipeline.table_file import write_table
from layoutgen.recipe.load import read_input
from layoutgen.recipe.spec import LibrarySpec, LoadedSpec, header_lines
from layoutgen.recipe.spec import load_spec as load_spec_file
from layoutgen.recipe.tables import LARGEST_TABLE, read_library
from layoutgen.units import SQUARE_SIDE
from layoutgen.workers import cores, run_in_order

Progress = Callable[[str, float], None]
FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
_Array = TypeVar("_Array", FloatArray, BoolArray)

#: Resonances are a few nm wide: wider steps are solved in between too, so that none hides between two rows.
LOOKED_AT_NM = 1.0
EVERY = 10  # of the sizes, this one is solved again
PHASE_GOAL_RAD = 5e-3  # wanted of a row that is not flagged, between the two numbers of orders
AMPLITUDE_GOAL = 1e-3  # likewise, in |t|
PLACE_GOAL_NM = 0.2  # wanted of the place of a resonance, in diameter
COLUMNS = b"phase_rad,transmission"  # what a table that may be written over has in it
OTHER_ORDERS = 1e-9  # power in other orders that is more than rounding


def quiet(_what: str, _share: float) -> None:
    """A progress that shows nothing."""


def load_spec(path: str | Path) -> LoadedSpec:
    """Read a library spec and check it, materials included; InputError tells all problems."""
    return load_spec_file(path, index_at)


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """The rows of one wavelength. Complex t and r are (polarisations, sizes), s before p where both are there.

    checked: which sizes were solved again. phase_rad, amplitude: largest differences among the checked rows
    without a flag. place_nm: largest shift of what is steep; None where nothing is. turning: the first
    two sizes between which phase moves by more than half a turn, which rows so far apart cannot tell.
    """

    wavelength_nm: float
    size_nm: FloatArray
    t: ComplexArray
    r: ComplexArray
    steep: BoolArray
    checked: BoolArray
    phase_rad: float
    amplitude: float
    place_nm: float | None
    other: float
    turning: tuple[float, float] | None = None

    @property
    def mean_t(self) -> ComplexArray:
        """What a lens for unpolarised light is chosen by: the mean over polarisations."""
        found: ComplexArray = self.t.mean(axis=0)
        return found

    @property
    def coverage_rad(self) -> float:
        """Of the rows without a flag, as far as phases modulo 2 pi go."""
        usable = ~self.steep
        return coverage(np.angle(self.mean_t[usable])) if usable.any() else 0.0


@dataclass(frozen=True, eq=False)
class Library:
    """A computed library: its CSV text, its rows by wavelength, and what to be aware of."""

    spec: LibrarySpec
    text: str = field(repr=False)
    wavelengths: tuple[Rows, ...] = field(repr=False)
    warnings: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """What the command prints."""
        return {
            "name": self.spec.name,
            "rows": sum(len(rows.size_nm) for rows in self.wavelengths),
            "orders": self.spec.orders,
            "wavelengths": [
                {
                    "wavelength_nm": rows.wavelength_nm,
                    "rows": len(rows.size_nm),
                    "flagged": int(rows.steep.sum()),
                    "coverage_rad": rows.coverage_rad,
                    "checked": int(rows.checked.sum()),
                    "phase_difference_rad": rows.phase_rad,
                    "amplitude_difference": rows.amplitude,
                    "resonance_shift_nm": rows.place_nm,
                }
                for rows in self.wavelengths
            ],
            "warnings": list(self.warnings),
        }

    def as_text(self) -> str:
        """What the command says: a line for each wavelength."""
        lines = []
        for rows in self.wavelengths:
            lines.append(
                f"  {rows.wavelength_nm:g} nm: {len(rows.size_nm)} rows, {int(rows.steep.sum())} flagged,"
                f" coverage {rows.coverage_rad:.3f} rad; {_converged(rows)}"
            )
        return "\n".join(lines)


def library(
    loaded: LoadedSpec,
    out: str | Path | None = None,
    *,
    jobs: int | None = None,
    progress: Progress = quiet,
    cached: bool = True,
) -> Library:
    """Compute the library of a spec, and write it to `out` where that is given.

    The text does not depend on `jobs` or on what is cached. InputError where `out` is something else than a
    library table, which alone is written over.
    """
    spec = loaded.spec
    workers = cores() if jobs is None else jobs
    if out is not None:
        _refuse_place(Path(out))  # before minutes of work, not after
    found = []
    # one thread of linear algebra per worker: matrices are small, and sums keep their order
    with threadpool_limits(limits=1, user_api="blas"):
        for number, wavelength in enumerate(spec.wavelengths_nm):
            shares = (number / len(spec.wavelengths_nm), 1 / len(spec.wavelengths_nm))
            found.append(_rows(spec, wavelength, workers, progress, shares, cached))
    warnings = [told for rows in found for told in _warnings(spec, rows)]
    result = Library(spec, _text(loaded, found), tuple(found), tuple(warnings))
    if out is not None:
        write_table(Path(out), result.text.encode("utf-8"), _may_replace)
    return result


def array_of(spec: LibrarySpec, wavelength_nm: float) -> PillarArray:
    """The spec's array at one wavelength."""
    stack = spec.stack

    def films(keys: Any) -> tuple[Film, ...]:
        return tuple(Film(index_at(f.index, wavelength_nm), f.thickness_nm) for f in keys)

    return PillarArray(
        kind=spec.lattice.kind,
        pitch_nm=spec.lattice.pitch_nm,
        squares=stack.pillars.shape == "square",
        height_nm=stack.pillars.height_nm,
        sidewall_deg=stack.pillars.sidewall_deg,
        index=index_at(stack.pillars.index, wavelength_nm),
        around=index_at(stack.pillars.around.index, wavelength_nm),
        substrate=index_at(stack.substrate.index, wavelength_nm),
        superstrate=index_at(stack.superstrate.index, wavelength_nm),
        below=films(stack.below),
        above=films(stack.above),
        from_substrate=spec.light_from == "substrate",
        wavelength_nm=wavelength_nm,
        angle_deg=spec.incidence.angle_deg,
        azimuth_deg=spec.incidence.azimuth_deg,
    )


def sizes_of(spec: LibrarySpec) -> FloatArray:
    """The sizes of the table, exact decimals."""
    first, step = Decimal(repr(spec.sizes.min_nm)), Decimal(repr(spec.sizes.step_nm))
    return np.array([float(first + i * step) for i in range(spec.rows_per_wavelength)])


# --- computing ------------------------------------------------------------------------------------

_Task = tuple[float, int, int]  # size, orders, slices


def _rows(
    spec: LibrarySpec,
    wavelength_nm: float,
    workers: int,
    progress: Progress,
    shares: tuple[float, float],
    cached: bool,
) -> Rows:
    array, sizes = array_of(spec, wavelength_nm), sizes_of(spec)
    parts = max(1, ceil(spec.sizes.step_nm / LOOKED_AT_NM - 1e-9))
    fine = _between(sizes, parts)
    slices = slices_for(spec.flare_nm)
    with ResponseCache(array, cache_folder() if cached else None) as cache:

        def solve(tasks: list[_Task], start: float, width: float) -> list[tuple[Response, ...]]:
            def one(task: _Task) -> tuple[Response, ...]:
                kept = cache.get(*task)
                return array.respond(*task) if kept is None else kept

            answers = []
            for done, answer in enumerate(run_in_order(one, tasks, workers)):
                if cache.get(*tasks[done]) is None:
                    cache.put(*tasks[done], answer)
                answers.append(answer)
                share = start + width * (done + 1) / len(tasks)
                progress("solving pillars", shares[0] + shares[1] * share)
            return answers

        looked = solve([(float(s), spec.orders, slices) for s in fine], 0.0, 0.6)
        t_fine = np.array([[r.transmission for r in answer] for answer in looked]).T
        slopes = _slopes(t_fine, fine, parts, spec.stack.pillars.shape == "square")
        turns = _turns(t_fine, parts)
        steep = (slopes > STEEPEST_PER_NM) | _beside(turns)
        first, t = looked[::parts], t_fine[:, ::parts]
        checked = steep.copy()
        checked[::EVERY] = True
        again = solve([(float(s), 2 * spec.orders, 2 * slices) for s in sizes[checked]], 0.6, 0.4)
    finer = np.array([[r.transmission for r in answer] for answer in again]).T
    smooth = ~steep[checked]
    change = finer / t[:, checked]
    place = np.abs(finer - t[:, checked])[:, ~smooth] / slopes[checked][~smooth]
    return Rows(
        wavelength_nm=wavelength_nm,
        size_nm=sizes,
        t=t,
        r=np.array([[r.reflection for r in answer] for answer in first]).T,
        steep=steep,
        checked=checked,
        phase_rad=float(np.abs(np.angle(change))[:, smooth].max(initial=0.0)),
        amplitude=float(np.abs(np.abs(finer) - np.abs(t[:, checked]))[:, smooth].max(initial=0.0)),
        place_nm=float(place.max()) if place.size else None,
        other=max(r.other for answer in first for r in answer),
        turning=tuple(sizes[turns.argmax() :][:2].tolist()) if turns.any() else None,
    )


def _between(sizes: FloatArray, parts: int) -> FloatArray:
    """The sizes, and each interval between two of them in so many parts."""
    shares = np.arange(parts) / parts
    inner = sizes[:-1, None] + np.diff(sizes)[:, None] * shares
    return np.append(inner.ravel(), sizes[-1])


def _slopes(t: ComplexArray, fine: FloatArray, parts: int, squares: bool) -> FloatArray:
    """The steepest place within the two intervals at each row, per nm of equal-area diameter.

    t is (polarisations, fine sizes); the steepest of each polarisation and of their mean counts.
    """
    per_nm = SQUARE_SIDE if squares else 1.0
    each = np.vstack([t, t.mean(axis=0)])
    steps = (np.abs(np.diff(each, axis=1)) / np.diff(fine) * per_nm).max(axis=0)
    between = steps.reshape(-1, parts).max(axis=1)
    return _beside(between)


def _turns(t: ComplexArray, parts: int) -> BoolArray:
    """Between which rows the phase of a polarisation or of their mean moves by more than half a turn."""
    phase = np.unwrap(np.angle(np.vstack([t, t.mean(axis=0)])), axis=1)[:, ::parts]
    found: BoolArray = (np.abs(np.diff(phase, axis=1)) > np.pi).any(axis=0)
    return found


def _beside(between: _Array) -> _Array:
    """The larger of what the two intervals beside each row have; beyond the ends there is nothing."""
    padded = np.pad(between, 1)
    found: _Array = np.maximum(padded[1:], padded[:-1])
    return found


def _warnings(spec: LibrarySpec, rows: Rows) -> list[str]:
    of = f"{rows.wavelength_nm:g} nm"
    told = []
    if rows.phase_rad > PHASE_GOAL_RAD or rows.amplitude > AMPLITUDE_GOAL:
        told.append(
            f"{of}: with twice the orders phase moves by up to {rows.phase_rad * 1e3:.1f} mrad and |t| by"
            f" {rows.amplitude:.4f} off resonance (goal {PHASE_GOAL_RAD * 1e3:g} mrad, {AMPLITUDE_GOAL:g});"
            f" raise orders, now {spec.orders}"
        )
    if rows.place_nm is not None and rows.place_nm > PLACE_GOAL_NM:
        told.append(
            f"{of}: with twice the orders a resonance moves by {rows.place_nm:.2f} nm of diameter"
            f" (goal {PLACE_GOAL_NM:g} nm); raise orders, now {spec.orders}"
        )
    if rows.other > OTHER_ORDERS:
        told.append(
            f"{of}: up to {rows.other * 100:.2g} % of the light goes into diffraction orders of the lattice"
            " itself; a smaller pitch has none"
        )
    if rows.turning is not None:
        low, high = rows.turning
        told.append(
            f"{of}: phase moves by more than half a turn between the rows of {low:g} and {high:g} nm, which no reader"
            f" of the table can tell; rows beside such steps are flagged; give a step under {spec.sizes.step_nm:g} nm"
        )
    if rows.steep.all():
        told.append(f"{of}: every row is flagged, so no pillar can be chosen")
    return told


# --- the table ------------------------------------------------------------------------------------


def _text(loaded: LoadedSpec, wavelengths: list[Rows]) -> str:
    """The CSV: provenance, column names, rows by wavelength in the spec's order."""
    spec = loaded.spec
    two = len(wavelengths[0].t) == 2
    several = len(wavelengths) > 1
    size = "side_nm" if spec.stack.pillars.shape == "square" else "diameter_nm"
    columns = [size, "phase_rad", "transmission", "reflection"]
    columns += ["wavelength_nm"] if several else []
    columns += ["flag"]
    for polarisation in ("s", "p") if two else ():
        columns += [f"phase_{polarisation}_rad", f"transmission_{polarisation}"]
        columns += [f"reflection_{polarisation}"]
    lines = header_lines(loaded)
    if isinstance(spec.stack.substrate.index, str) and not several:
        index = index_at(spec.stack.substrate.index, wavelengths[0].wavelength_nm).real
        lines.append(f"# substrate_index: {index:.6f}")
    lines += _notes(spec, wavelengths, two)
    lines.append(",".join(columns))
    for rows in wavelengths:
        lines += _lines(rows, two, several)
    return "\n".join(lines) + "\n"


def _notes(spec: LibrarySpec, wavelengths: list[Rows], two: bool) -> list[str]:
    """How it was computed, and how far it had converged."""
    slices = slices_for(spec.flare_nm)
    tapered = f", {slices} slices" if slices > 1 else ""
    notes = [f"# computed: coupled waves, at most {spec.orders} Fourier orders{tapered}"]
    told = [f"{rows.wavelength_nm:.15g} nm, {_converged(rows)}" for rows in wavelengths]
    notes.append(f"# convergence: {'; '.join(told)}")
    notes.append(
        "# phase_rad runs from the pillars' base to their top; transmission and reflection are powers of the"
        " zero order"
    )
    if two:
        notes.append(
            "# phase_rad, transmission and reflection are of the mean amplitude of s and p; s and p follow"
        )
    return notes


def _converged(rows: Rows) -> str:
    """How far the rows that were solved again have moved, rounded up."""
    count = int(rows.checked.sum())
    told = (
        f"{count} row{'s' if count > 1 else ''} again with twice the orders: phase within"
        f" {ceil(rows.phase_rad * 1e4) / 10:g} mrad and |t| within {ceil(rows.amplitude * 1e5) / 1e5:g}"
    )
    if rows.place_nm is not None:
        told += f", flagged rows within {ceil(rows.place_nm * 100) / 100:g} nm of diameter"
    return told


def _lines(rows: Rows, two: bool, several: bool) -> list[str]:
    groups = [(rows.mean_t, rows.r.mean(axis=0))]
    groups += list(zip(rows.t, rows.r, strict=True)) if two else []
    phases = [_unwrapped(t) for t, _ in groups]
    lines = []
    for i, size in enumerate(rows.size_nm):
        cells = [
            [f"{_plus(phase[i]):.6f}", f"{abs(t[i]) ** 2:.6f}", f"{abs(r[i]) ** 2:.6f}"]
            for phase, (t, r) in zip(phases, groups, strict=True)
        ]
        row = [f"{size:.12g}", *cells[0]]
        row += [f"{rows.wavelength_nm:.15g}"] if several else []
        row += ["steep" if rows.steep[i] else ""]
        lines.append(",".join([*row, *(cell for group in cells[1:] for cell in group)]))
    return lines


def _unwrapped(t: ComplexArray) -> FloatArray:
    """Phases along the rows without jumps, the first one in [0, 2 pi)."""
    phase = np.unwrap(np.angle(t))
    found: FloatArray = phase - 2 * np.pi * np.floor(phase[0] / (2 * np.pi))
    return found


def _plus(value: float) -> float:
    """Rounding may leave a minus before nought."""
    return float(np.round(value, 6)) + 0.0


def _may_replace(held: bytes) -> bool:
    """Whether a file is a library table, so that a new one may take its place."""
    return COLUMNS in held


def _refuse_place(path: Path) -> None:
    """InputError where a table could not be written to this path in the end."""
    try:
        if path.exists() and not (path.is_file() and _may_replace(path.read_bytes())):
            raise InputError(
                f"{path}: want a name that is free, or a library table to replace, got"
                f" {'another file' if path.is_file() else 'a folder'}; it was left as it is"
            )
    except OSError as error:
        raise InputError(f"{path}: want a file to write to, got {error.strerror}") from error


# --- looking at one -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture of a library on the disk, and what it shows of each wavelength."""

    path: Path
    facts: tuple[dict[str, Any], ...]

    def as_json(self) -> dict[str, Any]:
        """What the command prints."""
        return {"picture": str(self.path), "wavelengths": list(self.facts)}

    def as_text(self) -> str:
        """What the command says: the picture, and a line for each wavelength."""
        lines = [str(self.path)]
        for fact in self.facts:
            spans = ", ".join(f"{low:g} to {high:g} nm" for low, high in fact["usable_spans_nm"])
            of = "" if fact["wavelength_nm"] is None else f"{fact['wavelength_nm']:g} nm: "
            lines.append(
                f"  {of}usable {spans or 'nowhere'} ({fact['usable']} of {fact['rows']} rows),"
                f" coverage {fact['coverage_rad']:.3f} rad"
            )
        return "\n".join(lines)


def show_library(table: str | Path, out: str | Path | None = None) -> Shown:
    """Draw a library table as a PNG file, beside the table unless `out` says where."""
    from layoutgen.review.library_picture import draw_library  # matplotlib, for pictures alone

    path = Path(table)
    read = read_library(read_input(path, str(path), LARGEST_TABLE), path.name)
    place = path.with_suffix(".png") if out is None else Path(out)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{place}: want a place for a picture, got {error.strerror}") from None
    draw_library(read, place)
    facts = []
    for wave in read.wavelengths_nm if read.wavelength_nm is not None else (None,):
        rows = read if wave is None else read.at_wavelength(wave)
        size, phase, _, runs = runs_of_rows(rows, 0.0 if wave is None else wave)
        at = [row for first, last in runs for row in range(first, last + 1)]
        known = read.wavelengths_nm[0] if wave is None and read.wavelengths_nm else wave
        facts.append(
            {
                "wavelength_nm": known,
                "rows": len(rows),
                "usable": len(at),
                "usable_spans_nm": [[float(size[a]), float(size[b])] for a, b in runs],
                "coverage_rad": coverage(phase[at]) if len(at) else 0.0,
            }
        )
    return Shown(place, tuple(facts))
