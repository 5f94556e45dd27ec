"""Pictures for review: the wafer, a window of the layout down to single pillars, maps over a lens.

Wafer and windows are drawn from the layout file (`layoutgen.review.window`), never from the recipe;
only names, splits and zones, which a layout file does not hold, are added to what is found in it. A
window of up to `MAX_DRAWN` polygons shows every polygon, of more how much of each pixel is covered.

Colours tell apart for all common kinds of colour blindness: viridis and cividis for sizes, and for
kinds the eight of Okabe and Ito (Color Universal Design, 2008), with a hatch or a word beside them.
Pictures carry no date and no version, so equal input gives equal bytes on one machine; what letters
look like depends on the versions of matplotlib and its fonts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError, VerifyError
from layoutgen.review.coverage import coverage
from layoutgen.review.readcells import Box, LayerKey, shape_key
from layoutgen.review.window import Drawn, Layout, diameter_nm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from layoutgen.review.maps import LensMap

__all__ = [
    "DiePlace",
    "Names",
    "Size",
    "View",
    "look",
    "map_figure",
    "save_png",
    "wafer_figure",
    "window_figure",
]

#: Polygons drawn one by one; beyond, a pillar is under two pixels wide and cover tells more.
MAX_DRAWN = 40_000
#: Pillars up to which each carries its diameter as a number.
MAX_NUMBERED = 130
PIXELS_LEAST, PIXELS_MOST = 600, 6000
#: Inches, at which letters of 9 to 13 points read well; pixels follow from what is asked for.
SHAPE = (9.2, 8.0)
#: Left, bottom, width and height of the plot as shares of the picture.
_PLOT = (0.085, 0.09, 0.72, 0.80)

#: Okabe & Ito; black is kept for lines.
OKABE_ITO = ("#56B4E9", "#E69F00", "#009E73", "#CC79A7", "#F0E442", "#D55E00", "#0072B2", "#999999")
_HATCHES = ("", "///", "...", "xxx", "\\\\\\", "++", "oo", "--")
#: Roles of the recipe's layers, by which layers of other doses are named too: `pillars_dose_2`.
PILLAR_ROLES = ("pillars", "deflectors", "pads")
_ROLE_COLOUR = {"marks": "#D55E00", "labels": "#0072B2", "frames": "#D9D9D9", "cell": "#CC79A7"}
INK, PALE = "#1a1a1a", "#8a8a8a"


@dataclass(frozen=True, slots=True)
class DiePlace:
    """One die as dies.csv has it; x and y in database units."""

    name: str
    col: int
    row: int
    x: int
    y: int


@dataclass(frozen=True, eq=False, slots=True)
class Names:
    """What the layout file does not say: names, and words beside them.

    roles: layer -> name of the role. dies: every die. die_words: die name -> its splits, in words.
    zones: outer radius in database units and words. die_half: half a die each way. diameter,
    exclusion: of the wafer, in database units. marks: kind, x, y. keep_outs: boxes. parts: gives, for
    each die name, the words of what stands on it, and the middle of its upper end from the die's
    centre. drawn_nm: drawn diameter by the key of its polygon. doses: of the layers that have a
    relative dose other than 1. note: one line on how the layout relates
    to the part.
    """

    title: str
    roles: Mapping[LayerKey, str]
    dies: Sequence[DiePlace]
    die_words: Mapping[str, str]
    zones: Sequence[tuple[float, str]]
    die_half: tuple[int, int]
    diameter: float
    exclusion: float
    marks: Sequence[tuple[str, int, int]]
    keep_outs: Sequence[Box] = ()
    parts: Callable[[], Mapping[str, Sequence[tuple[str, int, int]]]] = dict
    drawn_nm: Mapping[bytes, float] = field(default_factory=dict)
    doses: Mapping[LayerKey, float] = field(default_factory=dict)
    note: str = ""

    def role(self, layer: LayerKey) -> str:
        """Role of a layer, without its dose; `cell` for layers of foreign cells."""
        name = self.roles.get(layer, "cell")
        return "cell" if name.startswith("cell_") else name.partition("_dose_")[0]

    def words(self, layer: LayerKey) -> str:
        """A layer's role, dose and numbers."""
        role, _, _ = self.roles.get(layer, "cell").partition("_dose_")
        dose = self.doses.get(layer, 1.0)
        return f"{role} {layer[0]}/{layer[1]}" + ("" if dose == 1 else f"\nat dose {dose:g}")

    def is_shape(self, layer: LayerKey) -> bool:
        """Whether a layer holds what is drawn, neither outlines nor frames."""
        return self.role(layer) not in ("outlines", "frames")

    def die_at(self, x: int, y: int) -> DiePlace | None:
        """The die whose square holds a place."""
        half_x, half_y = self.die_half
        for die in self.dies:
            if abs(x - die.x) <= half_x and abs(y - die.y) <= half_y:
                return die
        return None


@dataclass(frozen=True, slots=True)
class Size:
    """How often a pillar stands in a window.

    diameter_nm: of the disc of the polygon's area. drawn_nm: what the job says it was drawn for,
    which the address grid misses by a little; None where the job knows no such polygon.
    """

    diameter_nm: float
    drawn_nm: float | None
    count: int


@dataclass(frozen=True, eq=False)
class View:
    """What a window holds: polygons, or the covered share of its pixels where these are too many."""

    box: Box
    unit_nm: float
    drawn: list[Drawn] | None
    lines: list[Drawn]
    cover: NDArray[np.float64] | None

    @property
    def polygons(self) -> int | None:
        """How many polygons stand in the window, outlines for viewing not counted."""
        return None if self.drawn is None else sum(len(d.places) for d in self.drawn)

    def layers(self) -> dict[LayerKey, int]:
        """Polygons by layer."""
        counts: dict[LayerKey, int] = {}
        for d in self.drawn or ():
            counts[d.layer] = counts.get(d.layer, 0) + len(d.places)
        return dict(sorted(counts.items()))

    def sizes(self, names: Names) -> list[Size]:
        """The pillars of the window, smallest first."""
        counts: dict[tuple[float, float | None], int] = {}
        for d in self.drawn or ():
            if names.role(d.layer) in PILLAR_ROLES:
                drawn = names.drawn_nm.get(shape_key(d.outline)[0])
                size = round(diameter_nm(d.outline, self.unit_nm), 3), drawn
                counts[size] = counts.get(size, 0) + len(d.places)
        return [Size(*size, counts[size]) for size in sorted(counts, key=lambda key: key[0])]


def look(layout: Layout, names: Names, box: Box, *, pixels: int = 1400) -> View:
    """Read a window of the layout for a picture so many pixels wide.

    InputError where the window has no area or lies outside of the layout.
    """
    if box[0] >= box[2] or box[1] >= box[3]:
        raise InputError(
            f"window: want a width and a height above 0, got {_um(box[2] - box[0], layout.unit_nm)} x "
            f"{_um(box[3] - box[1], layout.unit_nm)}"
        )
    whole = layout.box
    if whole is None:
        raise InputError(
            f"{layout.file.path.name}: want a layout to draw, got one without polygons"
        )
    if box[0] > whole[2] or box[2] < whole[0] or box[1] > whole[3] or box[3] < whole[1]:
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        mm = layout.unit_nm * 1e-6
        raise InputError(
            f"window: want a place on the layout, x {whole[0] * mm:.4f} to {whole[2] * mm:.4f} mm and "
            f"y {whole[1] * mm:.4f} to {whole[3] * mm:.4f} mm, got one around "
            f"({x * mm:.4f}, {y * mm:.4f}) mm"
        )
    # what has no role is drawn too, so the layers are not those of the names
    every = layout.window(box, limit=MAX_DRAWN)
    cover = None
    if every is not None:
        drawn = [d for d in every if names.is_shape(d.layer)]
        lines = [d for d in every if not names.is_shape(d.layer)]
    else:
        drawn = None
        layers = layout.layers
        shapes = [layer for layer in layers if names.is_shape(layer)]
        others = [layer for layer in layers if not names.is_shape(layer)]
        lines = layout.window(box, layers=others, limit=MAX_DRAWN) or []
        # one pixel of cover to a pixel of the plot: others would beat with the lattice
        width, height = _PLOT[2] * pixels, _PLOT[3] * pixels * SHAPE[1] / SHAPE[0]
        rows = max(1, round(min(height, width * (box[3] - box[1]) / (box[2] - box[0]))))
        cover = coverage(layout, box, rows, layers=shapes)
    return View(box, layout.unit_nm, drawn, lines, cover)


# ---- figures


def _figure(pixels: int) -> Figure:
    from matplotlib.figure import Figure

    if not PIXELS_LEAST <= pixels <= PIXELS_MOST:
        raise InputError(f"--pixels: want {PIXELS_LEAST} to {PIXELS_MOST}, got {pixels}")
    # letters keep their share of the picture, whatever its pixels
    return Figure(figsize=SHAPE, dpi=pixels / SHAPE[0], facecolor="white")


def save_png(figure: Figure, path: Path) -> None:
    """Write a picture; no date and no version goes into the file."""
    try:
        figure.savefig(path, format="png", metadata={"Software": None})
    except OSError as error:
        raise InputError(f"{path}: want a place for a picture, got {error.strerror}") from None


def _plain(text: str) -> str:
    """Text that is not read as a formula."""
    return text.replace("$", r"\$")


def _axes(figure: Figure, title: str, subtitle: str) -> Axes:
    axes = figure.add_axes(_PLOT)
    axes.set_aspect("equal")
    axes.tick_params(labelsize=9, colors=INK)
    figure.text(0.02, 0.975, _plain(title), fontsize=13, weight="bold", va="top", color=INK)
    figure.text(0.02, 0.94, _plain(subtitle), fontsize=9, va="top", color=INK)
    return axes


def _um(length_dbu: float, unit_nm: float) -> str:
    return length(length_dbu * unit_nm)


def length(nm: float) -> str:
    """A length in the unit that reads best."""
    for unit, size in (("mm", 1e6), ("um", 1e3)):
        if abs(nm) >= size:
            return f"{nm / size:.6g} {unit}"
    return f"{nm:.6g} nm"


def _scale_bar(axes: Axes, unit_nm: float) -> None:
    """A bar of 1, 2 or 5 times a power of ten under the plot's right end, where it covers nothing.

    unit_nm: the axes' unit.
    """
    left, right = axes.get_xlim()
    wanted = (right - left) / 5 * unit_nm
    power = 10 ** math.floor(math.log10(wanted))
    nm = max(step * power for step in (1, 2, 5) if step * power <= wanted)
    ends = [right - nm / unit_nm, right]
    under = axes.get_xaxis_transform()  # x in the axes' unit, y in heights of the plot
    axes.plot(
        ends,
        [-0.075, -0.075],
        color=INK,
        lw=3,
        solid_capstyle="butt",
        transform=under,
        clip_on=False,
    )
    axes.text(sum(ends) / 2, -0.085, length(nm), ha="center", va="top", fontsize=10, color=INK,
              transform=under)  # fmt: skip


def _colour_bar(figure: Figure, mappable: Any, label: str) -> None:
    axes = figure.add_axes((_PLOT[0] + _PLOT[2] + 0.02, 0.32, 0.022, 0.5))
    bar = figure.colorbar(mappable, cax=axes)
    bar.set_label(label, fontsize=10)
    bar.ax.tick_params(labelsize=9)


def _legend(axes: Axes, handles: Sequence[Any], at: tuple[float, float] = (1.02, 1.0)) -> None:
    if handles:
        axes.legend(
            handles=handles, loc="upper left", bbox_to_anchor=at, fontsize=8.5, frameon=False,
            borderaxespad=0.0, handlelength=1.6, labelspacing=0.7,
        )  # fmt: skip


# ---- the wafer


def wafer_figure(layout: Layout, names: Names, *, pixels: int = 1400) -> Figure:
    """The wafer: dies by kind, splits, zones, marks, and what each die holds as grey cover.

    VerifyError where dies.csv and the layout file do not have the same dies.
    """
    from matplotlib.collections import PolyCollection
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle, Patch, Rectangle

    mm = layout.unit_nm * 1e-6
    outlines = [layer for layer in layout.layers if names.role(layer) == "outlines"]
    whole = layout.box
    if whole is None:
        raise InputError(
            f"{layout.file.path.name}: want a layout to draw, got one without polygons"
        )
    lines = layout.window(whole, layers=outlines) or []
    squares, others = _dies_in_file(lines, names)
    figure = _figure(pixels)
    axes = _axes(
        figure,
        f"{names.title}: the wafer",
        f"{len(names.dies)} dies; x and y in mm from the wafer's centre, as written. {names.note}",
    )
    half = names.diameter / 2 * mm * 1.02
    axes.set(xlim=(-half, half), ylim=(-half, half))
    axes.set_xlabel("x (mm)", fontsize=10)
    axes.set_ylabel("y (mm)", fontsize=10)
    for d in others:
        for polygon in d.polygons():
            closed = np.concatenate([polygon, polygon[:1]]) * mm
            axes.plot(closed[:, 0], closed[:, 1], color=PALE, lw=0.9, zorder=1)
    handles: list[Any] = []
    for k, name in enumerate(dict.fromkeys(die.name for die in names.dies)):
        held = [squares[die.x, die.y] * mm for die in names.dies if die.name == name]
        colour, hatch = OKABE_ITO[k % 8], _HATCHES[(k // 8 + (k > 0) * k) % 8]
        axes.add_collection(
            PolyCollection(held, facecolors=colour, edgecolors="white", linewidths=0.4, zorder=2)
        )
        if hatch:
            axes.add_collection(
                PolyCollection(held, facecolors="none", edgecolors=INK, hatch=hatch, linewidths=0.0,
                               alpha=0.45, zorder=3)
            )  # fmt: skip
        words = names.die_words.get(name, "")
        text = _plain(f"{name} ({len(held)})" + (f"\n{words}" if words else ""))
        handles.append(Patch(facecolor=colour, edgecolor=INK, hatch=hatch, lw=0.4, label=text))
    # as many pixels as the plot has at the default size
    cover = coverage(
        layout, whole, 1000, layers=[layer for layer in layout.layers if names.is_shape(layer)]
    )
    image = np.zeros((*cover.shape, 4))
    image[..., 3] = np.clip(cover / max(float(np.percentile(cover, 99.5)), 1e-9), 0, 1) * 0.38
    axes.imshow(image, extent=(whole[0] * mm, whole[2] * mm, whole[1] * mm, whole[3] * mm),
                origin="lower", interpolation="nearest", zorder=4, aspect="equal")  # fmt: skip
    for outer, words in names.zones:
        axes.add_patch(
            Circle((0, 0), outer * mm, fill=False, ls=(0, (5, 3)), lw=1.2, color=INK, zorder=6)
        )
        angle = math.radians(58)
        axes.text(
            outer * mm * math.cos(angle), outer * mm * math.sin(angle), _plain(words), fontsize=8,
            ha="center", va="center", zorder=7, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.9},
        )  # fmt: skip
    for x0, y0, x1, y1 in names.keep_outs:
        axes.add_patch(
            Rectangle((x0 * mm, y0 * mm), (x1 - x0) * mm, (y1 - y0) * mm, fill=False, hatch="xx",
                      edgecolor=INK, lw=0.8, zorder=5)
        )  # fmt: skip
    for _, x, y in names.marks:
        axes.plot(x * mm, y * mm, marker="P", ms=9, mfc="#D55E00", mec="white", mew=1.0, zorder=8)
    if names.marks:
        kinds = {kind: sum(k == kind for k, _, _ in names.marks) for kind, _, _ in names.marks}
        text = "mark: " + ", ".join(f"{count} {kind}" for kind, count in kinds.items())
        if len(names.marks) <= 6:
            text += "".join(f"\n({x * mm:.4g}, {y * mm:.4g}) mm" for _, x, y in names.marks)
        handles.append(
            Line2D([], [], marker="P", ms=9, mfc="#D55E00", mec="white", ls="", label=_plain(text))
        )
    if names.zones:
        handles.append(
            Line2D([], [], color=INK, lw=1.2, ls=(0, (5, 3)), label="zone, by die centre")
        )
    if names.keep_outs:
        handles.append(Patch(facecolor="none", edgecolor=INK, hatch="xx", label="keep-out"))
    handles.append(Line2D([], [], color=PALE, lw=0.9, label="wafer, edge exclusion"))
    _legend(axes, handles)
    _scale_bar(axes, 1e6)
    return figure


def _dies_in_file(
    lines: Sequence[Drawn], names: Names
) -> tuple[dict[tuple[int, int], NDArray[np.int64]], list[Drawn]]:
    """The die outlines of the file by their centres, and the other outlines."""
    half_x, half_y = names.die_half
    squares: dict[tuple[int, int], NDArray[np.int64]] = {}
    others = []
    for d in lines:
        low, high = d.outline.min(axis=0), d.outline.max(axis=0)
        if (high - low).tolist() != [2 * half_x, 2 * half_y]:
            others.append(d)
            continue
        for place in d.places:
            x, y = (place + (low + high) // 2).tolist()
            squares[x, y] = place + d.outline
    wanted = {(die.x, die.y): die for die in names.dies}
    problems = [
        f"dies.csv: want die {die.name} [{die.col}, {die.row}] in the layout file, got none at "
        f"({x}, {y}) database units"
        for (x, y), die in wanted.items()
        if (x, y) not in squares
    ]
    problems += [
        f"dies.csv: want every die of the layout file, got none for the one at ({x}, {y}) database units"
        for x, y in squares
        if (x, y) not in wanted
    ]
    if problems:
        more = len(problems) - 10
        raise VerifyError([*problems[:10], *([f"dies.csv: and {more} more"] if more > 0 else [])])
    return squares, others


# ---- windows


def window_figure(
    view: View, names: Names, *, title: str, subtitle: str, origin: tuple[float, float],
    pixels: int = 1400,
) -> Figure:  # fmt: skip
    """A window: its polygons with their diameters, or the covered share where these are too many.

    origin: what x and y count from, in database units.
    """
    um = view.unit_nm * 1e-3
    box = view.box
    extent = tuple(
        (value - origin[k % 2]) * um for k, value in enumerate(box)
    )  # x low, y low, x high, y high
    figure = _figure(pixels)
    axes = _axes(figure, title, subtitle)
    axes.set(xlim=(extent[0], extent[2]), ylim=(extent[1], extent[3]))
    axes.set_xlabel("x (um)", fontsize=10)
    axes.set_ylabel("y (um)", fontsize=10)
    handles: list[Any] = []
    if view.drawn is None:
        _draw_cover(figure, axes, view, extent)
    handles += _draw_lines(axes, view, names, origin, um)
    if view.drawn is not None:
        handles += _draw_polygons(figure, axes, view, names, origin, um)
    _name_parts(axes, view, names, origin, um)
    _scale_bar(axes, 1e3)
    _legend(axes, handles, (1.02, 0.26))
    return figure


def _draw_cover(figure: Figure, axes: Axes, view: View, extent: Sequence[float]) -> None:
    assert view.cover is not None
    top = max(float(np.percentile(view.cover, 99.9)), 1e-6)
    image = axes.imshow(
        view.cover, extent=(extent[0], extent[2], extent[1], extent[3]), origin="lower",
        cmap="cividis", vmin=0, vmax=min(top, 1.0), interpolation="nearest",
    )  # fmt: skip
    _colour_bar(figure, image, "covered share of the area")


def _draw_lines(
    axes: Axes, view: View, names: Names, origin: tuple[float, float], um: float
) -> Iterator[Any]:
    """Frames as pale areas and outlines as lines."""
    from matplotlib.collections import PolyCollection
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    told: set[str] = set()
    for d in view.lines:
        polygons = (d.polygons() - np.array(origin)) * um
        role = names.role(d.layer)
        if role == "frames" and view.drawn is not None:
            axes.add_collection(
                PolyCollection(
                    [*polygons], facecolors=_ROLE_COLOUR["frames"], edgecolors=PALE, zorder=1
                )
            )
        else:
            style = (0, (1, 2)) if role == "frames" else "solid"
            for polygon in polygons:
                closed = np.concatenate([polygon, polygon[:1]])
                axes.plot(closed[:, 0], closed[:, 1], color=PALE, lw=1.0, ls=style, zorder=9)
        if role in told:
            continue
        told.add(role)
        layer = f"{d.layer[0]}/{d.layer[1]}"
        if role == "frames":
            yield Patch(facecolor=_ROLE_COLOUR["frames"], edgecolor=PALE, label=f"frames {layer}")
        else:
            yield Line2D([], [], color=PALE, lw=1.0, label=f"outlines {layer}\n(not exposed)")


def _draw_polygons(
    figure: Figure, axes: Axes, view: View, names: Names, origin: tuple[float, float], um: float
) -> Iterator[Any]:
    """Pillars coloured by diameter, all else by its role."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import Normalize
    from matplotlib.patches import Patch

    assert view.drawn is not None
    pillars = [d for d in view.drawn if names.role(d.layer) in PILLAR_ROLES]
    sizes = [diameter_nm(d.outline, view.unit_nm) for d in pillars]
    low, high = (min(sizes), max(sizes)) if sizes else (0.0, 1.0)
    if high - low < 4:
        low, high = low - 2, high + 2
    scale = ScalarMappable(Normalize(low, high), "viridis")
    colours = [_viridis((size - low) / (high - low)) for size in sizes]
    told: dict[LayerKey, str] = {}
    for d, colour in zip(pillars, colours, strict=True):
        polygons = (d.polygons() - np.array(origin)) * um
        axes.add_collection(
            PolyCollection([*polygons], facecolors=colour, edgecolors="none", zorder=3)
        )
        told.setdefault(d.layer, names.words(d.layer))
    if pillars:
        _colour_bar(figure, scale, "drawn diameter (nm, disc of equal area)")
        if sum(len(d.places) for d in pillars) <= MAX_NUMBERED:
            _number(axes, pillars, _numbers(pillars, sizes, names), colours, origin, um)
    others = [d for d in view.drawn if names.role(d.layer) not in PILLAR_ROLES]
    for d in others:
        fill = _ROLE_COLOUR.get(names.role(d.layer), "#CC79A7")
        polygons = (d.polygons() - np.array(origin)) * um
        axes.add_collection(
            PolyCollection([*polygons], facecolors=fill, edgecolors="none", zorder=4)
        )
        if d.layer not in told:
            told[d.layer] = ""
            text = _plain(names.words(d.layer))
            yield Patch(facecolor=fill, edgecolor="none", label=text)
    if pillars:
        text = "\n".join(words for _, words in sorted(told.items()) if words)
        yield Patch(facecolor=_viridis(0.5), edgecolor="none", label=_plain(text))


def _viridis(share: float) -> tuple[float, float, float, float]:
    """The colour at a share from 0 to 1."""
    from matplotlib import colormaps

    red, green, blue, alpha = colormaps["viridis"](share)
    return red, green, blue, alpha


def _numbers(pillars: Sequence[Drawn], sizes: Sequence[float], names: Names) -> list[str]:
    """What is written on each pillar: the drawn diameter, else that of its area."""
    drawn = [names.drawn_nm.get(shape_key(d.outline)[0]) for d in pillars]
    return [
        f"{size:.1f}" if known is None else f"{known:g}"
        for known, size in zip(drawn, sizes, strict=True)
    ]


def _number(
    axes: Axes,
    pillars: Sequence[Drawn],
    numbers: Sequence[str],
    colours: Sequence[tuple[float, float, float, float]],
    origin: tuple[float, float],
    um: float,
) -> None:
    """Each pillar's diameter on it."""
    count = sum(len(d.places) for d in pillars)
    letters = min(9.0, 62 / math.sqrt(max(count, 1)))
    for d, number, (red, green, blue, _) in zip(pillars, numbers, colours, strict=True):
        middle = (d.outline.min(axis=0) + d.outline.max(axis=0)) / 2
        # luminance weights of ITU-R BT.709
        ink = INK if 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.45 else "white"
        for place in d.places:
            x, y = ((place + middle - np.array(origin)) * um).tolist()
            axes.text(x, y, number, fontsize=letters, ha="center", va="center", color=ink,
                      zorder=5, clip_on=True)  # fmt: skip


def _name_parts(
    axes: Axes, view: View, names: Names, origin: tuple[float, float], um: float
) -> None:
    """Words beside what stands on a die, where the window shows a good part of it."""
    x0, y0, x1, y1 = view.box
    if x1 - x0 < names.die_half[0] / 2 or x1 - x0 > 5 * names.die_half[0]:
        return
    parts = names.parts()
    for die in names.dies:
        if not (x0 <= die.x <= x1 and y0 <= die.y <= y1):
            continue
        for words, x, y in parts.get(die.name, ()):
            axes.annotate(
                _plain(words), ((die.x + x - origin[0]) * um, (die.y + y - origin[1]) * um),
                xytext=(0, 7), textcoords="offset points", ha="center", fontsize=9, color=INK, zorder=12,
                bbox={"facecolor": "white", "edgecolor": PALE, "boxstyle": "round,pad=0.25", "alpha": 0.9},
            )  # fmt: skip


# ---- maps over a lens


def map_figure(
    found: LensMap, *, title: str, subtitle: str, aperture_um: float | None, pixels: int = 1400
) -> Figure:
    """A map of one quantity over a lens."""
    from matplotlib.patches import Circle

    k, rows = found.sites
    figure = _figure(pixels)
    mean = "root mean square" if found.quantity == "phase-error" else "mean"
    each = (
        "each pixel is one site"
        if k == rows == 1
        else f"each pixel is the {mean} of {k} x {rows} sites and, at half weight, its neighbours"
    )
    axes = _axes(figure, title, f"{subtitle}\n{each.capitalize()}.")
    box = found.box_um
    axes.set_xlabel("x (um)", fontsize=10)
    axes.set_ylabel("y (um)", fontsize=10)
    held = found.values[np.isfinite(found.values)]
    low, high = (float(held.min()), float(held.max())) if held.size else (0.0, 1.0)
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    image = axes.imshow(
        found.values, extent=(box[0], box[2], box[1], box[3]), origin="lower", vmin=low, vmax=high,
        cmap="viridis" if found.quantity in ("target", "drawn") else "cividis", interpolation="nearest",
    )  # fmt: skip
    _colour_bar(figure, image, f"{found.words} ({found.unit})")
    if aperture_um is not None:
        axes.add_patch(
            Circle((0, 0), aperture_um / 2, fill=False, color=INK, lw=1.0, ls=(0, (4, 3)))
        )
        axes.text(0.99, 0.01, "dashed: aperture", transform=axes.transAxes, ha="right", va="bottom",
                  fontsize=8.5)  # fmt: skip
    _scale_bar(axes, 1e3)
    return figure
