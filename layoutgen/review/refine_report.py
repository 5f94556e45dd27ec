"""Pictures of a refined bias table: residuals before and after, and the table with what each node rests on.

Before is the error of the table in force, after what the next one would leave of it, both without
splits, zones and rounding. Against density and diameter the radial term is taken off, against radius it
is drawn. Colours are those of Okabe and
Ito, cividis, and purple to orange around zero; every kind of point has a shape of its own.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.refine import Refinement, SemData
from layoutgen.review.picture import save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["residual_figure", "table_figure", "write_report"]

FloatArray = NDArray[np.float64]

INK = "#222222"
BLUE, ORANGE, RED = "#0072B2", "#E69F00", "#D55E00"
_DPI = 110


def write_report(
    path: Path, data: SemData, found: Refinement, *, title: str, offset_nm: float,
    wafer_radius_mm: float,
) -> tuple[Path, ...]:  # fmt: skip
    """Write residuals.png, table.png and nodes.csv into a folder, or the residuals to a .png."""
    residuals = residual_figure(data, found, title, offset_nm, wafer_radius_mm)
    if path.suffix.lower() == ".png":
        _folder(path.parent)
        save_png(residuals, path)
        return (path,)
    _folder(path)
    save_png(residuals, path / "residuals.png")
    save_png(table_figure(data, found, title), path / "table.png")
    (path / "nodes.csv").write_text(_nodes(found), encoding="utf-8", newline="\n")
    return path / "residuals.png", path / "table.png", path / "nodes.csv"


def _folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path}: want a folder for pictures, got {error.strerror}") from None


def _nodes(found: Refinement) -> str:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["density", "diameter_nm", "old_bias_nm", "bias_nm", "sigma_nm", "sites"])
    for i, rho in enumerate(found.densities):
        for j, d in enumerate(found.diameters_nm):
            rows.writerow(
                [f"{rho:.10g}", f"{d:.10g}"]
                + [f"{a[i, j]:.3f}" for a in (found.old_nm, found.bias_nm, found.sigma_nm)]
                + [int(found.sites[i, j])]
            )
    return out.getvalue()


def _figure(width: float, height: float, title: str, subtitle: str) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=_DPI, facecolor="white")
    top = 1 - 0.14 / height
    figure.text(
        0.012, top, title.replace("$", r"\$"), fontsize=13, weight="bold", va="top", color=INK
    )
    figure.text(0.012, top - 0.3 / height, subtitle, fontsize=9, va="top", color=INK)
    return figure


def _style(axes: Axes, x: str, y: str) -> None:
    axes.set_xlabel(x, fontsize=9, color=INK)
    axes.set_ylabel(y, fontsize=9, color=INK)
    axes.tick_params(labelsize=8, colors=INK)
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)


def residual_figure(
    data: SemData, found: Refinement, title: str, offset_nm: float, wafer_radius_mm: float
) -> Figure:
    """Measured less wanted, before and after, against density, diameter and wafer radius."""
    kept = ~found.outlier
    radial = found.radial_nm * data.radius**2
    rows = (("before", found.before_nm), ("after", found.after_nm))
    rms = [float(np.sqrt(np.mean((e - radial)[kept] ** 2))) for _, e in rows]
    subtitle = (
        f"{int(kept.sum())} sites, {int(found.outlier.sum())} outliers; noise {found.noise_nm:.2f} nm;"
        f" rms {rms[0]:.2f} nm before, {rms[1]:.2f} nm after, the radial term"
        f" ({found.radial_nm:+.2f} ± {found.radial_sigma_nm:.2f} nm at the rim) apart; {offset_nm:g} nm taken off as"
        " the SEM's own"
    )
    figure = _figure(12.4, 7.4, title, subtitle)
    columns: tuple[tuple[str, FloatArray, bool], ...] = (
        ("local density", data.density, True),
        ("master diameter (nm)", data.master_nm, True),
        ("distance from the wafer's centre (mm)", data.radius * wafer_radius_mm, False),
    )
    for row, (when, error) in enumerate(rows):
        reach = 1.15 * max(float(np.abs(error[kept]).max()), 3 * found.noise_nm, 0.5)
        for column, (label, x, apart) in enumerate(columns):
            axes = figure.add_axes((0.06 + 0.325 * column, 0.52 - 0.45 * row, 0.27, 0.36))
            axes.axhspan(-found.noise_nm, found.noise_nm, color="#eeeeee", zorder=0)
            axes.axhline(0, color="#888888", linewidth=0.8)
            y = error - radial if apart else error
            for lens, marker, colour, name in (
                (True, "o", BLUE, "lens"),
                (False, "s", ORANGE, "pad, deflector"),
            ):
                of = kept & (data.lens == lens)
                if of.any():
                    axes.plot(
                        x[of], y[of], marker, color=colour, markersize=4, alpha=0.75, label=name
                    )
            _outliers(axes, x[found.outlier], y[found.outlier], reach)
            if not apart:
                r = np.linspace(0, 1, 60)
                axes.plot(r * wafer_radius_mm, found.radial_nm * r**2, color=INK, linewidth=1.2,
                          linestyle="--", label="radial term")  # fmt: skip
            axes.set_ylim(-reach, reach)
            _style(axes, label, f"{when}: measured - wanted (nm)" if column == 0 else "")
            if column == 2 and row == 0:
                axes.legend(fontsize=7, framealpha=0.9)
    return figure


def _outliers(axes: Axes, x: FloatArray, y: FloatArray, reach: float) -> None:
    """Outliers at their place, or as arrows at the edge where they are beyond it."""
    if not len(x):
        return
    inside = np.abs(y) < reach
    axes.plot(x[inside], y[inside], "x", color=RED, markersize=6, label="outlier")
    for sign, marker in ((1, "^"), (-1, "v")):
        far = ~inside & (np.sign(y) == sign)
        axes.plot(
            x[far], np.full(int(far.sum()), sign * 0.95 * reach), marker, color=RED, markersize=6,
            label="outlier, off the scale" if far.any() and sign == 1 else None,
        )  # fmt: skip


def table_figure(data: SemData, found: Refinement, title: str) -> Figure:
    """The change of the bias, its standard deviation and the sites of every node."""
    from matplotlib.colors import LogNorm

    speaks = found.sites > 0
    subtitle = (
        f"{int(speaks.sum())} of {speaks.size} nodes have sites; the others (grey) keep the old bias;"
        " dots are the sites"
    )
    figure = _figure(12.4, 4.4, title, subtitle)
    change = np.where(speaks, found.bias_nm - found.old_nm, np.nan)
    most = float(np.nanmax(np.abs(change), initial=0.1))
    sigma = np.where(speaks, found.sigma_nm, np.nan)
    sites = np.where(speaks, found.sites, np.nan)
    panels: tuple[tuple[str, FloatArray, str, dict[str, Any]], ...] = (
        ("change of the bias (nm)", change, "PuOr", {"vmin": -most, "vmax": most}),
        ("standard deviation (nm)", sigma, "cividis", {"vmin": 0.0}),
        (
            "sites",
            sites,
            "viridis",
            {"norm": LogNorm(1, max(float(np.nanmax(sites, initial=1.0)), 2.0))},
        ),
    )
    x, y = _edges(found.diameters_nm), _edges(found.densities)
    for k, (label, values, colours, scale) in enumerate(panels):
        axes = figure.add_axes((0.05 + 0.325 * k, 0.13, 0.225, 0.66))
        axes.set_facecolor("#cccccc")
        shown = axes.pcolormesh(x, y, values, cmap=colours, **scale)
        axes.plot(data.master_nm, data.density, ".", color=INK, markersize=2.5)
        _style(axes, "master diameter (nm)", "local density" if k == 0 else "")
        axes.grid(visible=False)
        axes.set_title(label, fontsize=9, color=INK)
        bar = figure.colorbar(shown, cax=figure.add_axes((0.28 + 0.325 * k, 0.13, 0.01, 0.66)))
        bar.ax.tick_params(labelsize=7, colors=INK)
    return figure


def _edges(nodes: FloatArray) -> FloatArray:
    """Halfway between nodes, and as far again beyond the ends."""
    if len(nodes) == 1:
        return np.array([nodes[0] - 0.5, nodes[0] + 0.5])
    middle = (nodes[1:] + nodes[:-1]) / 2
    return np.concatenate([[2 * nodes[0] - middle[0]], middle, [2 * nodes[-1] - middle[-1]]])
