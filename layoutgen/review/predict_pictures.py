"""Pictures of a prediction: the focal spot, its MTF beside the diffraction limit, and what errors cost.

Colours are cividis for light and those of Okabe and Ito for lines, each line with a style of its own.
Pictures carry no date and no version.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.spot import Mtf
from layoutgen.optics.tolerance import Budget
from layoutgen.review.picture import save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["orders_figure", "save_png", "spot_figure", "tolerance_figure"]

FloatArray = NDArray[np.float64]

INK = "#222222"
BLUE, ORANGE, GREEN, RED = "#0072B2", "#E69F00", "#009E73", "#D55E00"
_DPI = 120
#: Orders with less than this of the light carry no number.
_TOLD = 0.005


def _figure(width: float, height: float, title: str, subtitle: str) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=_DPI, facecolor="white")
    figure.text(
        0.015, 0.97, title.replace("$", r"\$"), fontsize=13, weight="bold", va="top", color=INK
    )
    figure.text(0.015, 0.915, subtitle.replace("$", r"\$"), fontsize=9, va="top", color=INK)
    return figure


def _style(axes: Axes, x: str, y: str) -> None:
    axes.set_xlabel(x, fontsize=9, color=INK)
    axes.set_ylabel(y, fontsize=9, color=INK)
    axes.tick_params(labelsize=8, colors=INK)
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)


def _from(axis: str, centre_um: float) -> str:
    """The label of an axis that counts from the peak."""
    return f"{axis} (µm)" if abs(centre_um) < 1e-3 else f"{axis} - {centre_um:.6g} (µm)"


def spot_figure(
    title: str,
    facts: str,
    *,
    image: FloatArray,
    half_um: float,
    centre_um: tuple[float, float],
    radii_um: FloatArray,
    encircled: FloatArray,
    collect_um: float,
    mtf: Mtf | None,
) -> Figure:
    """The spot on a scale of decades, cuts through its peak, encircled energy, and the MTF.

    image is |U|^2 over a square of `half_um` around the peak, (n, n), [y, x].
    """
    from matplotlib.colors import LogNorm

    figure = _figure(12.4, 4.2, title, facts)
    peak = float(image.max())
    s = np.linspace(-half_um, half_um, len(image))
    spot = figure.add_axes((0.045, 0.13, 0.225, 0.66))
    shown = spot.imshow(
        np.maximum(image / peak, 1e-5), origin="lower", cmap="cividis",
        extent=(-half_um, half_um, -half_um, half_um), norm=LogNorm(1e-4, 1),
    )  # fmt: skip
    spot.set_xlabel(_from("x", centre_um[0]), fontsize=9, color=INK)
    spot.set_ylabel(_from("y", centre_um[1]), fontsize=9, color=INK)
    spot.tick_params(labelsize=8, colors=INK)
    bar = figure.colorbar(shown, cax=figure.add_axes((0.277, 0.13, 0.01, 0.66)))
    bar.ax.tick_params(labelsize=7, colors=INK)
    bar.ax.set_title("of peak", fontsize=7, color=INK)

    cuts = figure.add_axes((0.36, 0.13, 0.165, 0.66))
    middle = len(image) // 2
    cuts.plot(s, image[middle] / peak, color=BLUE, linewidth=1.6, label="along x")
    cuts.plot(
        s, image[:, middle] / peak, color=ORANGE, linewidth=1.4, linestyle="--", label="along y"
    )
    cuts.axhline(0.5, color="#888888", linewidth=0.8, linestyle=":")
    cuts.set_ylim(0, 1.05)
    _style(cuts, "distance from the peak (µm)", "intensity of peak")
    cuts.legend(fontsize=7, frameon=False)

    energy = figure.add_axes((0.585, 0.13, 0.165, 0.66))
    energy.plot(np.append(0, radii_um), np.append(0, encircled), color=BLUE, linewidth=1.6)
    energy.axvline(collect_um, color=RED, linewidth=1.0, linestyle="--")
    energy.text(collect_um, 0.03, " collected", fontsize=7, color=RED)
    energy.set_ylim(0, 1)
    energy.set_xlim(0, None)
    _style(energy, "radius (µm)", "part of the transmitted light")

    curve = figure.add_axes((0.81, 0.13, 0.175, 0.66))
    if mtf is None:
        curve.text(0.5, 0.5, "no point focus", ha="center", va="center", fontsize=9, color=INK)
        curve.set_axis_off()
    else:
        f = mtf.cycles_per_mm
        curve.plot(f, mtf.limit, color="#888888", linewidth=2.4, label="diffraction limit")
        curve.plot(f, mtf.x, color=BLUE, linewidth=1.4, label="along x")
        curve.plot(f, mtf.y, color=ORANGE, linewidth=1.4, linestyle="--", label="along y")
        curve.set_xlim(0, float(f[-1]))
        curve.set_ylim(0, 1.02)
        _style(curve, "cycles per mm", "MTF")
        curve.legend(fontsize=7, frameon=False)
    return figure


def tolerance_figure(title: str, budget: Budget) -> Figure:
    """Loss against the error of diameters, and what each usual error costs."""
    figure = _figure(
        11.0, 4.2, title,
        "losses of the efficiency, pillars at their targets; negative where more light comes through",
    )  # fmt: skip
    curve = figure.add_axes((0.07, 0.13, 0.39, 0.66))
    reach = min(max(budget.offset_known_nm, 1.0), 15.0)
    offset = np.linspace(-reach, reach, 81)
    sigma = np.linspace(0, min(reach, 6.0), 61)
    off = [100 * budget.offset_loss(v) for v in offset.tolist()]
    rough = [100 * budget.random_loss(v) for v in sigma.tolist()]
    curve.plot(offset, off, color=BLUE, linewidth=1.6, label="all pillars larger by")
    curve.plot(
        sigma, rough, color=ORANGE, linewidth=1.6, linestyle="--", label="each by itself, rms"
    )
    curve.axhline(0, color="#888888", linewidth=0.8)
    curve.set_xlim(-reach, reach)
    _style(curve, "diameter error (nm)", "loss (%)")
    curve.legend(fontsize=8, frameon=False)

    bars = figure.add_axes((0.66, 0.13, 0.31, 0.66))
    costs = [cost for cost in budget.costs() if cost.loss is not None and cost.cause != "scale"]
    names = [
        f"{c.cause.replace('_', ' ')} {c.amount:{'+' if c.cause == 'diameter_offset' else ''}.4g} {c.unit}"
        for c in costs
    ]
    values = [100 * (cost.loss or 0.0) for cost in costs]
    at = np.arange(len(costs))[::-1]
    bars.barh(at, values, color=[BLUE if v >= 0 else GREEN for v in values], height=0.62)
    bars.set_yticks(at, names)
    span = max(max(values), -min(values), 1e-3)
    for y, v in zip(at.tolist(), values, strict=True):
        bars.text(max(v, 0) + 0.02 * span, y, f"{v:.3g} %", fontsize=8, va="center", color=INK)
    bars.set_xlim(min(0.0, 1.1 * min(values)), 1.25 * max(max(values), 1e-3))
    _style(bars, "loss (%)", "")
    bars.grid(visible=False, axis="y")
    return figure


def orders_figure(title: str, rows: Sequence[tuple[str, int, float, float]]) -> Figure:
    """Efficiencies of a grating's orders: (series, order, angle in degrees, efficiency)."""
    figure = _figure(
        9.0, 4.4, title,
        "part of the light on the grating in each order: local approximation, and coupled waves with the"
        " field across or along the deflection",
    )  # fmt: skip
    axes = figure.add_axes((0.08, 0.14, 0.69, 0.66))
    series = list(dict.fromkeys(row[0] for row in rows))
    width = 0.84 / len(series)
    colours = (BLUE, ORANGE, GREEN, RED)
    hatches = ("", "///", "...", "xx")
    for k, name in enumerate(series):
        mine = [row for row in rows if row[0] == name]
        x = np.array([row[1] for row in mine]) + (k - (len(series) - 1) / 2) * width
        axes.bar(
            x, [max(100 * row[3], 1e-3) for row in mine], width=0.9 * width, label=name,
            color=colours[k % 4], hatch=hatches[k // 4 % 4 if len(series) > 4 else k % 4],
            edgecolor="white",
        )  # fmt: skip
        for place, row in zip(x.tolist(), mine, strict=True):
            if row[3] >= _TOLD:
                text = f"{100 * row[3]:.2g}"
                axes.text(place, 125 * row[3], text, fontsize=7, ha="center", color=INK)
    orders = sorted({row[1]: row[2] for row in rows}.items())
    axes.set_xticks(
        [order for order, _ in orders], [f"{order}\n{angle:.1f}°" for order, angle in orders]
    )
    axes.set_yscale("log")
    axes.set_ylim(1e-2, 250)
    _style(axes, "order and its angle", "efficiency (%)")
    axes.grid(visible=False, axis="x")
    axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.01, 1.0))
    return figure


def written(figure: Figure, folder: Path, name: str) -> Path:
    """Save a picture under a name in a folder; returns where."""
    path = folder / f"{name}.png"
    save_png(figure, path)
    return path
