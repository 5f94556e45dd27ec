"""What the layout readers hand out: cells, shapes, references, and codes on a lattice.

Both readers (OASIS, GDSII) give one `ReadCell` after another. A shape or a reference stands at
every `positions` of its `Placements`: an origin, and either a list of displacements from it or a
regular grid. Grids stay compact until somebody asks for their positions, so a short record that
stands for a billion places costs nothing to read.

Coordinates are whole database units. A reference mirrors first (y -> -y), then turns
counter-clockwise, then moves, as in GDSII (Calma stream format, 1987) and OASIS (SEMI P39).

`pillar_codes` and `reference_codes` put the shapes of a cell back on the sites of a lattice: what
stands between two sites, on a site already taken, outside the window or has an unknown outline
comes back as a sentence.
"""

from __future__ import annotations

import math
import struct
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock
from layoutgen.errors import VerifyError
from layoutgen.kernels import late_kernel
from layoutgen.lattice import Lattice, Window

__all__ = [
    "CellSummary",
    "CodeReadback",
    "Grid",
    "LayoutReadError",
    "LayoutSummary",
    "Placements",
    "ReadCell",
    "ReadReference",
    "ReadShape",
    "Runs",
    "pillar_codes",
    "reference_codes",
    "shape_key",
    "summarise",
]

IntArray = NDArray[np.int64]
MoveArray = NDArray[np.int32]
LayerKey = tuple[int, int]
Box = tuple[int, int, int, int]

# The most places that one call expands into an array: 2**27 pairs of int64 are 2 GiB. A wafer's
# cells hold 65,536 each, so a file that asks for more at once is damaged or hostile.
MAX_EXPANDED = 2**27

# Differences told one by one; beyond, the number alone says more than more sentences would.
MAX_TOLD = 20

OFF_LATTICE, OUTSIDE, TWICE = 1, 2, 3

#: The moves of a record that stands at one place.
ORIGIN: MoveArray = np.zeros((1, 2), np.int32)
ORIGIN.flags.writeable = False


class LayoutReadError(VerifyError):
    """A layout file is damaged or holds what cannot be read; the sentence gives the byte."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A regular array: columns x rows places, `step_column` and `step_row` apart, (dx, dy) dbu."""

    columns: int
    rows: int
    step_column: tuple[int, int]
    step_row: tuple[int, int]

    @property
    def count(self) -> int:
        return self.columns * self.rows

    def displacements(self) -> IntArray:
        """Every place from the first, (count, 2) int64, columns running fastest."""
        if self.count > MAX_EXPANDED:
            raise LayoutReadError(
                f"an array of {self.columns} x {self.rows} places was found, "
                f"at most {MAX_EXPANDED} are expanded at once"
            )
        column = np.arange(self.columns, dtype=np.int64)[None, :, None]
        row = np.arange(self.rows, dtype=np.int64)[:, None, None]
        both: IntArray = column * np.array(self.step_column) + row * np.array(self.step_row)
        return both.reshape(-1, 2)


@dataclass(frozen=True, eq=False, slots=True)
class Placements:
    """Where one record stands: (x, y) plus each of `moves`, an (k, 2) array or a `Grid`."""

    x: int
    y: int
    moves: MoveArray | Grid = field(default_factory=lambda: ORIGIN)

    @property
    def count(self) -> int:
        return self.moves.count if isinstance(self.moves, Grid) else len(self.moves)

    @property
    def positions(self) -> IntArray:
        """All places, (count, 2) int64, the record's own x and y included."""
        moves = self.moves
        steps = moves.displacements() if isinstance(moves, Grid) else moves.astype(np.int64)
        return steps + np.array([self.x, self.y], np.int64)

    def bounds(self) -> Box:
        """Smallest and largest place: (x low, y low, x high, y high)."""
        moves = self.moves
        if isinstance(moves, Grid):
            a, b = moves.columns - 1, moves.rows - 1
            far = [
                (
                    i * moves.step_column[0] + j * moves.step_row[0],
                    i * moves.step_column[1] + j * moves.step_row[1],
                )
                for i in (0, a)
                for j in (0, b)
            ]
            low_x, high_x = min(p[0] for p in far), max(p[0] for p in far)
            low_y, high_y = min(p[1] for p in far), max(p[1] for p in far)
        else:
            low_x, low_y = (int(v) for v in moves.min(axis=0))
            high_x, high_y = (int(v) for v in moves.max(axis=0))
        return self.x + low_x, self.y + low_y, self.x + high_x, self.y + high_y


@dataclass(frozen=True, eq=False, slots=True)
class ReadShape:
    """One shape record.

    kind is polygon, path, circle, text, box or extension; only a polygon has an outline: `polygon`
    is (n, 2) int64 from the record's own (x, y), not closed; other kinds carry an empty array.
    """

    kind: str
    layer: int
    datatype: int
    polygon: IntArray
    places: Placements

    @property
    def positions(self) -> IntArray:
        return self.places.positions


@dataclass(frozen=True, eq=False, slots=True)
class ReadReference:
    """One reference record. angle_deg is counter-clockwise after the mirror (y -> -y)."""

    cell: str
    places: Placements
    mirror: bool = False
    angle_deg: float = 0.0
    magnification: float = 1.0

    @property
    def positions(self) -> IntArray:
        return self.places.positions

    @property
    def turns(self) -> int | None:
        """Quarter turns 0..3, or nothing where the angle is not a multiple of 90 degrees."""
        quarter = self.angle_deg / 90
        return int(quarter) % 4 if quarter == math.floor(quarter) else None

    @property
    def plain(self) -> bool:
        return not self.mirror and self.turns == 0 and self.magnification == 1


@dataclass(frozen=True, eq=False, slots=True)
class Runs:
    """Placements of many records in a few arrays, for kernels.

    Run i puts item[i] at (x[i], y[i]) plus each of moves[start[i]:end[i]]; item indexes a list
    of outlines or of names that comes beside it. item, x, y, start, end are (r,) int64.
    """

    item: IntArray
    x: IntArray
    y: IntArray
    start: IntArray
    end: IntArray
    moves: MoveArray

    @property
    def count(self) -> int:
        return int((self.end - self.start).sum())


class Outlines:
    """Polygons that keep a number while their cell lives, with their keys and centres.

    A reader adds outlines as it meets new ones; `codes` is looked up once for each.
    """

    def __init__(self) -> None:
        self.polygons: list[IntArray] = []
        self._keys: list[bytes] = []
        self._centres: list[tuple[int, int]] = []
        self._shapes: Mapping[bytes, int] | None = None
        self._size = -1
        self._codes: IntArray = np.zeros(0, np.int64)
        self._double_centre: IntArray = np.zeros((0, 2), np.int64)

    def codes(self, shapes: Mapping[bytes, int]) -> tuple[IntArray, IntArray]:
        """Code of every outline (0: unknown) and its bounding-box centre times two, (n, 2)."""
        if self._shapes is not shapes or self._size != len(shapes):
            self._shapes, self._size = shapes, len(shapes)
            self._codes = np.zeros(0, np.int64)
        known = len(self._codes)
        if known < len(self.polygons):
            for polygon in self.polygons[len(self._keys) :]:
                key, centre = shape_key(polygon) if len(polygon) else (b"", (0, 0))
                self._keys.append(key)
                self._centres.append(centre)
            new = [shapes.get(key, 0) for key in self._keys[known:]]
            self._codes = np.concatenate([self._codes, np.array(new, np.int64)])
            self._double_centre = np.array(self._centres, np.int64).reshape(-1, 2)
        return self._codes, self._double_centre


class ReadCell(ABC):
    """One cell of a layout file: its name, where it starts, its shapes and references.

    `shapes` and `references` are made when first asked for, by what each reader's own cells say.
    """

    def __init__(self, name: str, offset: int) -> None:
        self.name = name
        self.offset = offset
        self._shapes: tuple[ReadShape, ...] | None = None
        self._references: tuple[ReadReference, ...] | None = None

    @abstractmethod
    def _list_shapes(self) -> Sequence[ReadShape]: ...

    @abstractmethod
    def _list_references(self) -> Sequence[ReadReference]: ...

    @property
    def shapes(self) -> tuple[ReadShape, ...]:
        if self._shapes is None:
            self._shapes = tuple(self._list_shapes())
        return self._shapes

    @property
    def references(self) -> tuple[ReadReference, ...]:
        if self._references is None:
            self._references = tuple(self._list_references())
        return self._references

    def polygon_runs(self, layer: LayerKey | None) -> tuple[Runs, Outlines]:
        """Polygons on one layer (or all) as runs; a reader with arrays at hand overrides it."""
        outlines = Outlines()
        places = []
        for shape in self.shapes:
            if shape.kind == "polygon" and layer in (None, (shape.layer, shape.datatype)):
                outlines.polygons.append(shape.polygon)
                places.append(shape.places)
        return runs_of(range(len(places)), places), outlines

    def coded_references(self, names: Mapping[str, int]) -> tuple[Runs, list[ReadReference]]:
        """Plain references to the named cells as runs, item = the name's code, and the others.

        The others are references to a named cell that mirror, turn or magnify it. A reader with
        arrays at hand overrides this.
        """
        return coded_runs(self.references, names)

    def strays(self, names: Container[str]) -> list[str]:
        """What the cell holds besides references to the named cells, in words.

        A reader with arrays at hand overrides this.
        """
        others = sorted({r.cell for r in self.references if r.cell not in names})
        shapes = [f"{len(self.shapes)} shapes"] if self.shapes else []
        return [*shapes, *(f"a reference to {name}" for name in others)]

    def __repr__(self) -> str:
        return f"ReadCell({self.name!r}, offset={self.offset})"


def runs_of(items: Iterable[int], places: Sequence[Placements]) -> Runs:
    """Runs of the given placements, grids expanded."""
    parts: list[MoveArray] = []
    start, end, filled = [], [], 0
    for place in places:
        moves = place.moves
        if isinstance(moves, Grid):
            wide = moves.displacements()
            if wide.size and max(int(wide.max()), -int(wide.min())) >= 2**31:
                raise LayoutReadError(
                    f"an array at ({place.x}, {place.y}) reaches beyond 32-bit coordinates"
                )
            moves = wide.astype(np.int32)
        parts.append(moves)
        start.append(filled)
        filled += len(moves)
        end.append(filled)
        if filled > MAX_EXPANDED:
            raise LayoutReadError(
                f"one cell holds more than {MAX_EXPANDED} places, which are not expanded at once"
            )
    return Runs(
        item=np.array(list(items), np.int64),
        x=np.array([p.x for p in places], np.int64),
        y=np.array([p.y for p in places], np.int64),
        start=np.array(start, np.int64),
        end=np.array(end, np.int64),
        moves=np.concatenate(parts) if parts else np.zeros((0, 2), np.int32),
    )


def coded_runs(
    references: Iterable[ReadReference], names: Mapping[str, int]
) -> tuple[Runs, list[ReadReference]]:
    """Runs of the plain references to named cells, and the references that are not plain."""
    known = [r for r in references if names.get(r.cell, 0) > 0]
    plain = [r for r in known if r.plain]
    runs = runs_of([names[r.cell] for r in plain], [r.places for r in plain])
    return runs, [r for r in known if not r.plain]


def joined(a: Runs, b: Runs) -> Runs:
    """The runs of both."""
    if not len(b.item):
        return a
    shift = len(a.moves)
    return Runs(
        np.concatenate([a.item, b.item]),
        np.concatenate([a.x, b.x]),
        np.concatenate([a.y, b.y]),
        np.concatenate([a.start, b.start + shift]),
        np.concatenate([a.end, b.end + shift]),
        np.concatenate([a.moves, b.moves]),
    )


def shape_key(polygon: NDArray[np.signedinteger]) -> tuple[bytes, tuple[int, int]]:
    """A key that every spelling of one outline shares, and its bounding-box centre times two.

    polygon is (n, 2), [x, y]. Repeated and collinear vertices are dropped, the list is turned
    counter-clockwise and starts at its smallest (x, y); coordinates are doubled and counted from
    the centre of the bounding box, so an odd width needs no fractions.
    """
    points = _corners([(x, y) for x, y in polygon.tolist()])
    if not points:
        raise ValueError("a polygon without area has no key")
    area2 = sum(
        ax * by - bx * ay
        for (ax, ay), (bx, by) in zip(points, points[1:] + points[:1], strict=True)
    )
    if area2 < 0:
        points.reverse()
    first = points.index(min(points))
    points = points[first:] + points[:first]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    cx2, cy2 = min(xs) + max(xs), min(ys) + max(ys)
    key = [c for x, y in points for c in (2 * x - cx2, 2 * y - cy2)]
    return struct.pack(f"<{len(key)}q", *key), (cx2, cy2)


def _corners(points: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The vertices where the outline turns; nothing where it has no area."""
    # a corner that is written twice would not turn at either of the two
    points = [point for i, point in enumerate(points) if point != points[i - 1]]
    changed = True
    while changed and len(points) >= 3:
        kept: list[tuple[int, int]] = []
        for i, (x, y) in enumerate(points):
            ax, ay = kept[-1] if kept else points[i - 1]
            bx, by = points[(i + 1) % len(points)]
            if (x - ax) * (by - y) != (y - ay) * (bx - x):
                kept.append((x, y))
        changed = len(kept) < len(points)
        points = kept
    return points if len(points) >= 3 else []


@dataclass(frozen=True, eq=False, slots=True)
class CodeReadback:
    """What stands on a window of the lattice: the codes, and what could not be put there.

    `problems` holds at most 20 sentences; `wrong` counts every place that is not as it should be.
    """

    block: CodeBlock
    problems: tuple[str, ...]
    wrong: int


def pillar_codes(
    cell: ReadCell,
    shapes: Mapping[bytes, int],
    lattice: Lattice,
    window: Window,
    *,
    layer: LayerKey | None = None,
) -> CodeReadback:
    """Codes of the polygons that stand in `cell`, on the window's sites.

    shapes: `shape_key(polygon)[0]` -> code from 1. The centre of an outline's bounding box must
    stand exactly on a site. With `layer`, (number, datatype), polygons on other layers are left
    alone. Codes are uint8 where all are under 256, else uint16.
    """
    runs, outlines = cell.polygon_runs(layer)
    codes, double_centre = outlines.codes(shapes)
    code, centre2 = codes[runs.item], double_centre[runs.item]
    told: list[str] = []
    wrong = 0
    good = code > 0
    if (centre2 & 1).any():
        good &= (centre2 & 1 == 0).all(axis=1)
    if not good.all():
        for i in np.flatnonzero(~good).tolist():
            count = int(runs.end[i] - runs.start[i])
            wrong += count
            if len(told) < MAX_TOLD:
                why = (
                    "an outline that is not in the shape table"
                    if code[i] == 0
                    else "a centre on a half database unit"
                )
                told.append(
                    f"cell {cell.name}: want drawn pillars only, got {count} polygons with {why}, "
                    f"the first at ({int(runs.x[i])}, {int(runs.y[i])})"
                )
        runs = Runs(
            runs.item[good],
            runs.x[good],
            runs.y[good],
            runs.start[good],
            runs.end[good],
            runs.moves,
        )
        code, centre2 = code[good], centre2[good]
    x, y = runs.x + (centre2[:, 0] >> 1), runs.y + (centre2[:, 1] >> 1)
    placed = Runs(code, x, y, runs.start, runs.end, runs.moves)
    return _scatter(
        cell.name, placed, max(shapes.values(), default=0), lattice, window, told, wrong
    )


def reference_codes(
    cell: ReadCell, names: Mapping[str, int], lattice: Lattice, window: Window
) -> CodeReadback:
    """Codes of the references in `cell` to cells of one pillar each, on the window's sites.

    names: cell name -> code from 1; references to other cells are left alone. A mirrored, turned
    or magnified reference to a pillar is a difference.
    """
    runs, others = cell.coded_references(names)
    told = [
        f"cell {cell.name}: want pillar {other.cell} as drawn, got it turned, mirrored or "
        f"magnified at ({other.places.x}, {other.places.y})"
        for other in others[:MAX_TOLD]
    ]
    wrong = sum(other.places.count for other in others)
    return _scatter(cell.name, runs, max(names.values(), default=0), lattice, window, told, wrong)


def _scatter(
    name: str,
    runs: Runs,
    top_code: int,
    lattice: Lattice,
    window: Window,
    told: list[str],
    wrong: int,
) -> CodeReadback:
    if not 0 <= top_code < 2**16:
        raise ValueError(f"codes must be 1..65535, got {top_code}")
    codes = np.zeros((window.rows, window.cols), np.uint8 if top_code < 256 else np.uint16)
    bad = np.zeros((MAX_TOLD, 4), np.int64)
    count = _scatter_kernel(
        codes,
        bad,
        runs.item,
        runs.x - lattice.x_dbu(0, window.col0),
        runs.y - lattice.y_dbu(window.row0),
        runs.start,
        runs.end,
        runs.moves,
        lattice.pitch_dbu,
        lattice.row_dbu,
        lattice.shift_dbu,
        window.row0 & 1,
    )
    x0, y0 = lattice.x_dbu(0, window.col0), lattice.y_dbu(window.row0)
    for kind, x, y, code in bad[: min(count, MAX_TOLD)].tolist():
        what = {
            OFF_LATTICE: "a place between the sites",
            OUTSIDE: "a place outside the block",
            TWICE: "a site that is taken already",
        }[kind]
        told.append(
            f"cell {name}: want code {code} on a free site, got {what}, ({x + x0}, {y + y0})"
        )
    wrong += int(count)
    if len(told) > MAX_TOLD:
        told = told[:MAX_TOLD]
    return CodeReadback(CodeBlock(window.row0, window.col0, codes), tuple(told), wrong)


@late_kernel(
    "(uint8[:, ::1], int64[:, ::1], int64[::1], int64[::1], int64[::1], int64[::1], "
    "int64[::1], int32[:, ::1], int64, int64, int64, int64)"
)
def _scatter_kernel(
    codes: Any,
    bad: Any,
    item: Any,
    x: Any,
    y: Any,
    start: Any,
    end: Any,
    moves: Any,
    pitch: int,
    row_step: int,
    shift: int,
    odd0: int,
) -> Any:
    """Write item[i] at each place of run i; x and y count from the window's first site, row even.

    A quotient p / step of 0 <= p < 2**31 is (p * m) >> 32 with m = 2**32 // step + 1, exact where
    the step divides p, which multiplying back proves; a division would take three times as long.
    Returns how many places could not be written; the first of them are in `bad`.
    """
    rows, cols = codes.shape
    told = bad.shape[0]
    count = 0
    by_pitch = (np.int64(1) << 32) // pitch + 1
    by_row = (np.int64(1) << 32) // row_step + 1
    flat = codes.reshape(codes.size)
    limit = np.uint64(1 << 31)
    for i in range(item.size):
        code = item[i]
        x0 = x[i]
        y0 = y[i]
        for j in range(np.uint64(start[i]), np.uint64(end[i])):
            px = x0 + moves[j, 0]
            py = y0 + moves[j, 1]
            row = (py * by_row) >> 32
            left = px - ((row + odd0) & 1) * shift
            col = (left * by_pitch) >> 32
            if (
                (np.uint64(py) < limit)
                & (np.uint64(left) < limit)
                & (row * row_step == py)
                & (col * pitch == left)
                & (row < rows)
                & (col < cols)
            ):
                at = np.uint64(row * cols + col)
                if flat[at] == 0:
                    flat[at] = code
                    continue
                why = TWICE
            else:
                row = py // row_step
                left = px - ((row + odd0) & 1) * shift
                why = OFF_LATTICE if py % row_step != 0 or left % pitch != 0 else OUTSIDE
            if count < told:
                bad[count, 0] = why
                bad[count, 1] = px
                bad[count, 2] = py
                bad[count, 3] = code
            count += 1
    return count


@dataclass(frozen=True, slots=True)
class CellSummary:
    """Counts of one cell, and its box with everything below it (none where it is empty).

    shapes: (kind, layer, datatype) -> places. references: cell name -> places.
    """

    shapes: dict[tuple[str, int, int], int]
    references: dict[str, int]
    bounds: Box | None


@dataclass(frozen=True, slots=True)
class LayoutSummary:
    """A whole file: every cell's summary in file order, the top cells, and the box of them all.

    `exact` is false where a reference by an odd angle or a magnification, or a path, circle or
    text of unknown extent, makes the boxes bounds only.
    """

    unit_nm: float
    cells: dict[str, CellSummary]
    tops: tuple[str, ...]
    bounds: Box | None
    exact: bool

    def flat_counts(self, top: str) -> Counter[tuple[str, int, int]]:
        """Shapes of each kind and layer under one cell, all references followed."""
        done: dict[str, Counter[tuple[str, int, int]]] = {}
        for name in _children_first(self.cells, top):
            total: Counter[tuple[str, int, int]] = Counter(self.cells[name].shapes)
            for child, count in self.cells[name].references.items():
                for key, number in done[child].items():
                    total[key] += number * count
            done[name] = total
        return done[top]


def _children_first(
    cells: Mapping[str, CellSummary], top: str, done: Container[str] = ()
) -> list[str]:
    """`top` and all below it that is not `done`, each after everything that it refers to."""
    order: list[str] = []
    state: dict[str, int] = {}
    stack: list[tuple[str, Iterator[str]]] = []

    def enter(name: str) -> None:
        if name not in cells:
            raise LayoutReadError(f"cell {name} is referred to and is not in the file")
        state[name] = 1
        stack.append((name, iter(cells[name].references)))

    enter(top)
    while stack:
        name, children = stack[-1]
        for child in children:
            if state.get(child) == 1:
                raise LayoutReadError(f"cell {child} refers to itself through cell {name}")
            if child not in state and child not in done:
                enter(child)
                break
        else:
            state[name] = 2
            order.append(name)
            stack.pop()
    return order


def _join(a: Box | None, b: Box | None) -> Box | None:
    if a is None or b is None:
        return a or b
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])


def _shifted(box: Box, places: Box) -> Box:
    return box[0] + places[0], box[1] + places[1], box[2] + places[2], box[3] + places[3]


def _turned(box: Box, mirror: bool, angle_deg: float, magnification: float) -> Box:
    turns = angle_deg / 90
    if turns == math.floor(turns):
        cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(turns) % 4]
    else:
        cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    corners = [(x, -y if mirror else y) for x in (box[0], box[2]) for y in (box[1], box[3])]
    xs = [magnification * (cos * x - sin * y) for x, y in corners]
    ys = [magnification * (sin * x + cos * y) for x, y in corners]
    return math.floor(min(xs)), math.floor(min(ys)), math.ceil(max(xs)), math.ceil(max(ys))


def summarise(cells: Iterable[ReadCell], unit_nm: float) -> LayoutSummary:
    """Counts and boxes of a stream of cells; memory holds one cell and the counts of the rest."""
    shapes: dict[str, Counter[tuple[str, int, int]]] = {}
    own_box: dict[str, Box | None] = {}
    # many references by the same turn fold into the box of their places
    placed: dict[str, dict[tuple[str, bool, float, float], Box]] = {}
    counts: dict[str, Counter[str]] = {}
    exact = True
    for cell in cells:
        tally: Counter[tuple[str, int, int]] = Counter()
        box: Box | None = None
        for shape in cell.shapes:
            tally[shape.kind, shape.layer, shape.datatype] += shape.places.count
            if len(shape.polygon):
                low, high = shape.polygon.min(axis=0), shape.polygon.max(axis=0)
                outline = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
                box = _join(box, _shifted(outline, shape.places.bounds()))
            elif shape.kind != "text":
                exact = False
        refs: dict[tuple[str, bool, float, float], Box] = {}
        number: Counter[str] = Counter()
        for reference in cell.references:
            key = (
                reference.cell,
                reference.mirror,
                reference.angle_deg,
                reference.magnification,
            )
            merged = _join(refs.get(key), reference.places.bounds())
            assert merged is not None
            refs[key] = merged
            number[reference.cell] += reference.places.count
            exact = exact and reference.turns is not None and reference.magnification == 1
        shapes[cell.name], own_box[cell.name] = tally, box
        placed[cell.name], counts[cell.name] = refs, number

    flat = {name: CellSummary(dict(shapes[name]), dict(counts[name]), None) for name in shapes}
    referred = {child for number in counts.values() for child in number}
    tops = tuple(name for name in shapes if name not in referred)
    boxes: dict[str, Box | None] = {}
    for name in shapes:  # every cell is an entry, so a ring of cells without a top is found too
        if name in boxes:
            continue
        for inner in _children_first(flat, name, boxes):
            total = own_box[inner]
            for (child, mirror, angle, magnification), where in placed[inner].items():
                below = boxes[child]
                if below is not None:
                    total = _join(
                        total, _shifted(_turned(below, mirror, angle, magnification), where)
                    )
            boxes[inner] = total
    whole: Box | None = None
    for name in tops:
        whole = _join(whole, boxes[name])
    result = {
        name: CellSummary(dict(shapes[name]), dict(counts[name]), boxes[name]) for name in shapes
    }
    return LayoutSummary(unit_nm, result, tops, whole, exact)
