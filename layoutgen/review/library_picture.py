"""A picture of a pillar library: phase and transmission over size, and what of a turn of phase is usable.

Rows that a lens may use are joined as the choice of pillars joins them; flagged rows and steep intervals
stand apart, hollow and shaded. The bar on the right is one turn of phase with a tick for each usable row, and
the largest gap between them marked: coverage is 2 pi less this gap.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.library import coverage, runs_of_rows
from layoutgen.recipe.tables import LibraryTable
from layoutgen.review.picture import INK, OKABE_ITO, PALE, save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_library", "library_figure"]

FloatArray = NDArray[np.float64]

#: Wavelengths that get a colour of their own from Okabe & Ito; more take cividis.
_TELL_APART = 4
_BLUE, _VERMILION, _GREEN, _ORANGE = OKABE_ITO[6], OKABE_ITO[5], OKABE_ITO[2], OKABE_ITO[1]


def draw_library(table: LibraryTable, out: Path) -> None:
    """Write the picture of a library as a PNG file."""
    save_png(library_figure(table), out)


def library_figure(table: LibraryTable) -> Figure:
    """Phase, transmission and usable span, one line for each wavelength."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.2, 7.2), dpi=150, facecolor="white")
    grid = figure.add_gridspec(
        2, 2, width_ratios=(1, 0.055), height_ratios=(1.25, 1), left=0.085, right=0.925, top=0.885,
        bottom=0.085, hspace=0.09, wspace=0.1,
    )  # fmt: skip
    phase_axes = figure.add_subplot(grid[0, 0])
    power_axes = figure.add_subplot(grid[1, 0], sharex=phase_axes)
    turn_axes = figure.add_subplot(grid[:, 1])
    waves = table.wavelengths_nm if table.wavelength_nm is not None else (_only(table),)
    colours = _colours(len(waves))
    told = []
    for number, (wave, colour) in enumerate(zip(waves, colours, strict=True)):
        size, phase, amplitude, runs = runs_of_rows(table, wave)
        name = f"{wave:.10g} nm" if np.isfinite(wave) else table.name
        usable = _usable(size.size, runs)
        _lines(phase_axes, size, phase / (2 * np.pi), runs, usable, colour, name)
        _lines(power_axes, size, amplitude**2, runs, usable, colour, name)
        if len(waves) == 1:
            _shade((phase_axes, power_axes), size, usable)
        span = (number / len(waves), (number + 1) / len(waves))
        told.append(_turn(turn_axes, phase[usable], span, colour))
    what = "side of the square" if table.squares else "diameter"
    power_axes.set_xlabel(f"{what} in nm", color=INK)
    power_axes.set_ylabel("transmission into the zero order", color=INK)
    power_axes.set_ylim(0, 1.03)
    phase_axes.set_ylabel("phase in turns of 2 pi rad", color=INK)
    phase_axes.tick_params(labelbottom=False)
    for axes in (phase_axes, power_axes):
        axes.grid(color="#e3e3e3", linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=9, colors=INK)
    if len(waves) > 1:
        phase_axes.legend(fontsize=8, frameon=False, ncols=1 + len(waves) // 8)
    _dress_turn(turn_axes, told)
    _title(figure, table, waves, told)
    return figure


def _only(table: LibraryTable) -> float:
    """The one wavelength of a table without that column; nan where its header is silent."""
    waves = table.wavelengths_nm
    return waves[0] if waves else float("nan")


def _colours(count: int) -> list[Any]:
    if count <= _TELL_APART:
        return [_BLUE, _VERMILION, _GREEN, _ORANGE][:count]
    from matplotlib import colormaps

    return [colormaps["cividis"](share) for share in np.linspace(0, 0.92, count)]


def _usable(rows: int, runs: list[tuple[int, int]]) -> NDArray[np.bool_]:
    found = np.zeros(rows, dtype=np.bool_)
    for first, last in runs:
        found[first : last + 1] = True
    return found


def _lines(
    axes: Axes,
    size: FloatArray,
    value: FloatArray,
    runs: list[tuple[int, int]],
    usable: NDArray[np.bool_],
    colour: Any,
    name: str,
) -> None:
    for number, (first, last) in enumerate(runs):
        run = slice(first, last + 1)
        mark = "." if last - first < 2 else None
        axes.plot(
            size[run], value[run], color=colour, linewidth=1.7, marker=mark,
            label=name if number == 0 else None,
        )  # fmt: skip
    axes.plot(
        size[~usable], value[~usable], linestyle="none", marker="o", markersize=3.6,
        markerfacecolor="white", markeredgecolor=colour, markeredgewidth=0.9,
    )  # fmt: skip


def _shade(all_axes: tuple[Axes, ...], size: FloatArray, usable: NDArray[np.bool_]) -> None:
    """Grey over each stretch of flagged rows."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], usable, [True]]).astype(int)))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        low = (size[max(first - 1, 0)] + size[first]) / 2
        high = (size[last - 1] + size[min(last, size.size - 1)]) / 2
        for axes in all_axes:
            axes.axvspan(low, high, color="#efefef", zorder=0)


def _turn(axes: Axes, phase: FloatArray, span: tuple[float, float], colour: Any) -> float:
    """Ticks of one wavelength's usable phases within one turn; returns the coverage in rad."""
    if phase.size == 0:
        return 0.0
    wrapped = np.sort(np.mod(phase, 2 * np.pi)) / (2 * np.pi)
    axes.hlines(wrapped, *span, color=colour, linewidth=0.7)
    gaps = np.diff(wrapped, append=wrapped[0] + 1)
    widest = int(gaps.argmax())
    low, high = wrapped[widest], wrapped[widest] + gaps[widest]
    for turn in (0, -1):
        axes.fill_between(
            span, low + turn, high + turn, facecolor="#d9d9d9", edgecolor=PALE, hatch="///",
            linewidth=0.0, zorder=0,
        )  # fmt: skip
    return coverage(phase)


def _dress_turn(axes: Axes, told: list[float]) -> None:
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.set_xticks([])
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.set_yticks(np.linspace(0, 1, 5))
    axes.tick_params(labelsize=9, colors=INK)
    axes.set_ylabel("usable phase within one turn; hatched: the largest gap", color=INK, fontsize=9)
    if len(told) == 1:
        axes.set_title(f"{told[0]:.2f} rad", fontsize=9, color=INK)


def _title(
    figure: Figure, table: LibraryTable, waves: tuple[float, ...], told: list[float]
) -> None:
    stated = table.stated
    parts = [f"{len(table)} rows, {int(table.flag.sum())} flagged"]
    if stated.kind is not None and stated.pitch_nm is not None:
        parts.append(f"{stated.kind} lattice, pitch {stated.pitch_nm:g} nm")
    if stated.height_nm is not None:
        parts.append(f"height {stated.height_nm:g} nm")
    if len(waves) == 1 and np.isfinite(waves[0]):
        parts.append(f"wavelength {waves[0]:g} nm")
    worst = min(told, default=0.0)
    parts.append(f"coverage {worst:.2f} of 6.28 rad")
    name = table.header.get("name", table.name)
    figure.text(
        0.02, 0.975, name.replace("$", r"\$"), fontsize=13, weight="bold", va="top", color=INK
    )
    figure.text(0.02, 0.94, "; ".join(parts), fontsize=9, va="top", color=INK)
