"""The way to a site for the SEM: from a mark on the wafer to the die, to the feature, to the pillar.

One picture a site, in four steps: the wafer with the nearest mark, the die with its label and the feature,
the surroundings with the pillars of the same drawn size to measure, and the pillar among its neighbours
with their sizes. Everything but names is drawn from the layout file. Places are as written, from the
wafer's centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.review.picture import Names, View, look
from layoutgen.review.readcells import Box, shape_key
from layoutgen.review.window import Drawn, Layout, diameter_nm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Landmark", "Way", "site_figure"]

FloatArray = NDArray[np.float64]

#: Okabe & Ito's vermilion for what is sought, blue for where one comes from.
_SOUGHT, _FROM = "#D55E00", "#0072B2"
_INK, _PALE, _DIE = "#1a1a1a", "#8a8a8a", "#d9d9d9"
#: Windows in pitches, smallest first, in which pillars of the same size are looked for.
_WINDOWS = (21, 41, 81, 161)
#: Pitches across the last picture: each pillar is some forty pixels wide.
_CLOSE = 9


@dataclass(frozen=True, slots=True)
class Landmark:
    """Something to start from, in database units from the wafer's centre."""

    words: str
    x: int
    y: int


@dataclass(frozen=True, slots=True)
class Way:
    """A site, and what is met on the way: places in database units from the wafer's centre.

    mark: the nearest mark, or the wafer's centre; label: on the die; feature: the middle of what holds
    the pillar. pitch: of its lattice, and from row to row. count: pillars to measure.
    """

    site: str
    words: str
    x: int
    y: int
    die: tuple[str, int, int]
    mark: Landmark
    label: Landmark
    feature: Landmark
    pitch: tuple[int, int]
    count: int

    def steps(self, unit_nm: float) -> list[str]:
        """The way in sentences: each leg as what to move by along x and y."""
        name, col, row = self.die
        legs = [
            (f"from {self.mark.words}", self.mark, self.label, f"{self.label.words} of die {name} [{col}, {row}]"),
            ("from there", self.label, self.feature, self.feature.words),
            ("from there", self.feature, Landmark("", self.x, self.y), "the pillar"),
        ]  # fmt: skip
        told = []
        for number, (start, a, b, end) in enumerate(legs, start=1):
            x, y = ((there - here) * unit_nm for there, here in ((b.x, a.x), (b.y, a.y)))
            told.append(
                f"{number}. {start} move {_signed(x)} along x, {_signed(y)} along y, to {end}"
            )
        rows = (self.y - self.feature.y) / self.pitch[1]
        cols = (self.x - self.feature.x) / self.pitch[0]
        if (2 * rows) % 1 == 0 and (
            2 * cols
        ) % 1 == 0:  # not so on a pad whose patches have own lattices
            told[-1] += (
                f": {abs(cols):g} columns {'right' if cols >= 0 else 'left'},"
                f" {abs(rows):g} rows {'up' if rows >= 0 else 'down'}"
            )
        return told


def _signed(nm: float) -> str:
    """A length with its sign, to the nanometre."""
    size, unit, digits = (1e6, "mm", 6) if abs(nm) >= 1e6 else (1e3, "um", 3)
    return f"{nm / size:+.{digits}f}".rstrip("0").rstrip(".") + f" {unit}"


def site_figure(
    layout: Layout, names: Names, way: Way, *, pixels: int = 1800
) -> tuple[Figure, int]:
    """The way to a site as a picture, and how many pillars of its size are marked to be measured.

    InputError where the layout has no pillar at the site.
    """
    from matplotlib.figure import Figure

    unit = layout.unit_nm
    figure = Figure(figsize=(12, 12.6), dpi=pixels / 12, facecolor="white")
    figure.text(
        0.03,
        0.985,
        f"{names.title}: site {way.site}",
        fontsize=15,
        weight="bold",
        va="top",
        color=_INK,
    )
    figure.text(
        0.03,
        0.962,
        f"{way.words} {names.note}".replace("$", r"\$"),
        fontsize=10,
        va="top",
        color=_INK,
    )
    text = "\n".join(way.steps(unit))
    figure.text(
        0.03, 0.012, text.replace("$", r"\$"), fontsize=10, va="bottom", color=_INK, linespacing=1.5
    )
    left, right, low, high = 0.07, 0.57, 0.12, 0.55
    panels = [figure.add_axes((x, y, 0.38, 0.36)) for y in (high, low) for x in (left, right)]
    _wafer(panels[0], names, way, unit)
    _die(panels[1], layout, names, way)
    view, target, same = _same_size(layout, names, way)
    _around(panels[2], view, names, way, same)
    _close(panels[3], look(layout, names, _box(way, _CLOSE)), names, way, target)
    return figure, len(same)


def _box(way: Way, pitches: float) -> Box:
    half = round(pitches * way.pitch[0] / 2)
    return way.x - half, way.y - half, way.x + half, way.y + half


def _frame(axes: Axes, title: str, unit: str) -> None:
    axes.set_aspect("equal")
    axes.set_title(title, fontsize=11, loc="left", color=_INK)
    axes.set_xlabel(f"x ({unit})", fontsize=9)
    axes.set_ylabel(f"y ({unit})", fontsize=9)
    axes.tick_params(labelsize=8, colors=_INK)


def _arrow(axes: Axes, a: tuple[float, float], b: tuple[float, float]) -> None:
    axes.annotate(
        "", b, xytext=a, zorder=20,
        arrowprops={"arrowstyle": "-|>", "color": _FROM, "lw": 1.6, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip


def _word(axes: Axes, text: str, at: tuple[float, float], colour: str) -> None:
    axes.annotate(
        text.replace("$", r"\$"), at, xytext=(7, 7), textcoords="offset points", fontsize=9, color=colour, zorder=21,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )  # fmt: skip


def _wafer(axes: Axes, names: Names, way: Way, unit_nm: float) -> None:
    """Step 1: where the die is, from the nearest mark."""
    from matplotlib.collections import PolyCollection
    from matplotlib.patches import Circle

    mm = unit_nm * 1e-6
    half_x, half_y = names.die_half
    corner = np.array([[-half_x, -half_y], [half_x, -half_y], [half_x, half_y], [-half_x, half_y]])
    squares = {(die.col, die.row): (corner + np.array([die.x, die.y])) * mm for die in names.dies}
    axes.add_collection(
        PolyCollection([*squares.values()], facecolors=_DIE, edgecolors="white", linewidths=0.3)
    )
    sought = squares.get(way.die[1:])
    if sought is not None:
        axes.add_collection(
            PolyCollection([sought], facecolors=_SOUGHT, edgecolors=_INK, linewidths=0.5, zorder=5)
        )
    radius = names.diameter / 2 * mm
    axes.add_patch(Circle((0, 0), radius, fill=False, color=_PALE, lw=1.0))
    for _, x, y in names.marks:
        axes.plot(x * mm, y * mm, marker="P", ms=8, mfc=_PALE, mec="white", zorder=6)
    start = way.mark.x * mm, way.mark.y * mm
    axes.plot(*start, marker="P", ms=10, mfc=_FROM, mec="white", zorder=7)
    _arrow(axes, start, (way.label.x * mm, way.label.y * mm))
    _word(axes, way.mark.words, start, _FROM)
    axes.set(xlim=(-1.05 * radius, 1.05 * radius), ylim=(-1.05 * radius, 1.05 * radius))
    name, col, row = way.die
    _frame(axes, f"1  die {name} [{col}, {row}] on the wafer", "mm from the wafer's centre")


def _die(axes: Axes, layout: Layout, names: Names, way: Way) -> None:
    """Step 2: where the feature is on the die, from the die's label."""
    die = next((d for d in names.dies if (d.col, d.row) == way.die[1:]), None)
    if die is None:
        raise InputError(
            f"dies.csv: want the die of site {way.site}, [{way.die[1]}, {way.die[2]}], got none"
        )
    half_x, half_y = (round(1.02 * half) for half in names.die_half)
    box = die.x - half_x, die.y - half_y, die.x + half_x, die.y + half_y
    view = look(layout, names, box, pixels=900)
    mm = layout.unit_nm * 1e-6
    extent = (-half_x * mm, half_x * mm, -half_y * mm, half_y * mm)
    if view.cover is not None:
        top = max(float(np.percentile(view.cover, 99.9)), 1e-6)
        axes.imshow(
            view.cover,
            extent=extent,
            origin="lower",
            cmap="Greys",
            vmin=0,
            vmax=1.6 * min(top, 1.0),
        )
    for d in [*(view.drawn or ()), *view.lines]:
        _polygons(axes, d, (die.x, die.y), mm, _PALE, filled=d in (view.drawn or ()))
    axes.set(xlim=extent[:2], ylim=extent[2:])
    label, feature, pillar = (
        ((place.x - die.x) * mm, (place.y - die.y) * mm)
        for place in (way.label, way.feature, Landmark("", way.x, way.y))
    )
    axes.plot(*label, marker="s", ms=6, mfc=_FROM, mec="white", zorder=19)
    axes.plot(*pillar, marker="o", ms=9, mfc="none", mec=_SOUGHT, mew=1.8, zorder=22)
    _arrow(axes, label, feature)
    _arrow(axes, feature, pillar)
    _word(axes, way.label.words, label, _FROM)
    _word(axes, way.site, pillar, _SOUGHT)
    _frame(
        axes,
        f"2  {way.feature.words.removeprefix('the middle of ')} on the die",
        "mm from the die's centre",
    )


def _polygons(
    axes: Axes, d: Drawn, origin: tuple[int, int], scale: float, colour: Any, *, filled: bool
) -> None:
    from matplotlib.collections import PolyCollection

    held = [*((d.polygons() - np.array(origin)) * scale)]
    face = colour if filled else "none"
    axes.add_collection(
        PolyCollection(
            held, facecolors=face, edgecolors="none" if filled else colour, linewidths=0.8
        )
    )


def _pillars(view: View, names: Names) -> list[Drawn]:
    """What stands in a window but frames, outlines, marks and labels."""
    return [d for d in view.drawn or () if names.role(d.layer) in ("pillars", "deflectors", "pads")]


def _middles(d: Drawn) -> FloatArray:
    """Centres of polygons, (k, 2) in database units."""
    middle = (d.outline.min(axis=0) + d.outline.max(axis=0)) / 2
    found: FloatArray = d.places + middle
    return found


def _same_size(layout: Layout, names: Names, way: Way) -> tuple[View, Drawn, FloatArray]:
    """The smallest window that holds enough pillars of the site's size, its pillar, and those to measure."""
    view, target, same = None, None, np.zeros((0, 2))
    for pitches in _WINDOWS:
        wider = look(layout, names, _box(way, pitches))
        if wider.drawn is None:
            break
        view = wider
        pillars = _pillars(view, names)
        target = next(
            (d for d in pillars if (np.abs(_middles(d) - (way.x, way.y)).max(axis=1) <= 1).any()),
            None,
        )
        if target is None:
            raise InputError(
                f"site {way.site}: want a pillar at its place in {layout.file.path.name}, got none"
            )
        key = shape_key(target.outline)[0]
        places = np.concatenate(
            [
                _middles(d)
                for d in pillars
                if d.layer == target.layer and shape_key(d.outline)[0] == key
            ]
        )
        away = np.hypot(*(places - (way.x, way.y)).T)
        same = places[np.lexsort((places[:, 0], places[:, 1], np.round(away)))][: way.count]
        if len(same) == way.count:
            break
    if view is None or target is None:
        raise InputError(
            f"site {way.site}: want a window with few enough pillars to draw, got none"
        )
    return view, target, same


def _around(axes: Axes, view: View, names: Names, way: Way, same: FloatArray) -> None:
    """Step 3: the pillars of the same drawn size around the site."""
    um = view.unit_nm * 1e-3
    origin = way.x, way.y
    for d in _pillars(view, names):
        _polygons(axes, d, origin, um, "#bdbdbd", filled=True)
    for x, y in (same - np.array(origin)) * um:
        axes.plot(x, y, marker="o", ms=7, mfc="none", mec=_FROM, mew=1.2, zorder=8)
    axes.plot(0, 0, marker="o", ms=11, mfc="none", mec=_SOUGHT, mew=2.0, zorder=9)
    half = (view.box[2] - view.box[0]) / 2 * um
    axes.set(xlim=(-half, half), ylim=(-half, half))
    _frame(
        axes, f"3  {len(same)} pillars of its drawn size, ringed: measure these", "um from the site"
    )


def _close(axes: Axes, view: View, names: Names, way: Way, target: Drawn) -> None:
    """Step 4: the pillar and its neighbours, each with its drawn diameter."""
    from matplotlib import colormaps

    um = view.unit_nm * 1e-3
    origin = way.x, way.y
    pillars = _pillars(view, names)
    sizes = [
        names.drawn_nm.get(shape_key(d.outline)[0]) or diameter_nm(d.outline, view.unit_nm)
        for d in pillars
    ]
    low, high = min(sizes, default=0.0) - 2, max(sizes, default=1.0) + 2
    for d, size in zip(pillars, sizes, strict=True):
        share = (size - low) / (high - low)
        _polygons(axes, d, origin, um, colormaps["viridis"](share), filled=True)
        for x, y in (_middles(d) - np.array(origin)) * um:
            axes.text(x, y, f"{size:g}", fontsize=8, ha="center", va="center", zorder=5, clip_on=True,
                      color="white" if share < 0.55 else _INK)  # fmt: skip
    outline = target.outline - (target.outline.min(axis=0) + target.outline.max(axis=0)) / 2
    closed = np.concatenate([outline, outline[:1]]) * um
    axes.plot(*closed.T, color=_SOUGHT, lw=2.5, zorder=9)
    half = (view.box[2] - view.box[0]) / 2 * um
    axes.set(xlim=(-half, half), ylim=(-half, half))
    _frame(axes, "4  the pillar, outlined; drawn diameters in nm", "um from the site")
