"""A window of a layout file: the polygons in it, without reading the rest of the file.

A file is opened once and read cell by cell. The table of names of an OASIS file (SEMI P39) gives the
byte of each cell, S_CELL_OFFSET, and what it reaches, S_BOUNDING_BOX; where it does not, the cell is read
to know. GDSII has no such table: one pass notes where every cell begins and how far it reaches. A
cell whose box misses the window is not looked into.

A polygon belongs to a window when its bounding box touches it. Coordinates are whole database
units of the top cell; a reference mirrors first (y -> -y), then turns by quarters, then moves.
References by other angles or sizes are refused: what they place is not on the grid.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from layoutgen.errors import InputError
from layoutgen.kernels import kernel, late_kernel
from layoutgen.review.gdsii_reader import GdsiiFile, read_gdsii
from layoutgen.review.oasis_reader import MAGIC, OasisFile, read_oasis
from layoutgen.review.readcells import (
    Box,
    IntArray,
    LayerKey,
    LayoutReadError,
    ReadCell,
    ReadReference,
    ReadShape,
    Runs,
)

__all__ = ["Content", "Drawn", "Layout", "Turn", "diameter_nm", "open_layout", "twice_area"]

#: Deeper trees than this are mistakes; a layout of ours has six levels.
MAX_DEPTH = 64
#: Polygons that one window hands out: some 200 bytes each in the hands of whoever draws them.
MAX_POLYGONS = 1_000_000
#: How many cells that place others are remembered, and how large one may be: a block of ours has 2 MB.
_RECENT, _RECENT_BYTES, _RECENT_SHAPES = 12, 4 << 20, 10_000
#: Beyond every coordinate, and the box that touches nothing; sums of two stay within 64 bits.
FAR = 2**61
NOWHERE = np.array([FAR, FAR, -FAR, -FAR], np.int64)
#: Layers told apart when cells are passed over for their layers; all further ones count as one.
MAX_LAYER_BITS = 62

UNKNOWN, IN_WORK, KNOWN = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Turn:
    """A placement: x' = xx x + xy y + x0, y' = yx x + yy y + y0, each of the four -1, 0 or 1."""

    xx: int = 1
    xy: int = 0
    yx: int = 0
    yy: int = 1
    x0: int = 0
    y0: int = 0

    @staticmethod
    def of(mirror: bool, turns: int, x: int = 0, y: int = 0) -> Turn:
        cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[turns % 4]
        flip = -1 if mirror else 1
        return Turn(cos, -sin * flip, sin, cos * flip, x, y)

    @property
    def linear(self) -> Turn:
        """The same without the move."""
        return Turn(self.xx, self.xy, self.yx, self.yy)

    def at(self, x: int, y: int) -> Turn:
        """The same with another move."""
        return Turn(self.xx, self.xy, self.yx, self.yy, x, y)

    def after(self, inner: Turn) -> Turn:
        """What `inner` and then this one does."""
        if inner is AS_IT_IS:
            return self
        return Turn(
            self.xx * inner.xx + self.xy * inner.yx,
            self.xx * inner.xy + self.xy * inner.yy,
            self.yx * inner.xx + self.yy * inner.yx,
            self.yx * inner.xy + self.yy * inner.yy,
            self.xx * inner.x0 + self.xy * inner.y0 + self.x0,
            self.yx * inner.x0 + self.yy * inner.y0 + self.y0,
        )

    def points(self, points: IntArray) -> IntArray:
        """Places of (k, 2) points."""
        moved = np.zeros_like(points)
        x, y = points[:, 0], points[:, 1]
        moved[:, 0] = self.xx * x + self.xy * y + self.x0
        moved[:, 1] = self.yx * x + self.yy * y + self.y0
        return moved

    def box(self, box: Box) -> Box:
        ax = self.xx * box[0] + self.xy * box[1] + self.x0
        ay = self.yx * box[0] + self.yy * box[1] + self.y0
        bx = self.xx * box[2] + self.xy * box[3] + self.x0
        by = self.yx * box[2] + self.yy * box[3] + self.y0
        return min(ax, bx), min(ay, by), max(ax, bx), max(ay, by)

    def inverse_box(self, box: Box) -> Box:
        """The box that this turn brings to `box`; the matrix is orthogonal, its transpose undoes it."""
        x, y = self.x0, self.y0
        back = Turn(self.xx, self.yx, self.xy, self.yy)
        return back.box((box[0] - x, box[1] - y, box[2] - x, box[3] - y))


AS_IT_IS = Turn()
#: Layer, outline, box and places of a polygon in its cell; no places where the cell is that polygon alone.
Outlined = tuple[LayerKey, IntArray, Box, IntArray | None]


@dataclass(frozen=True, eq=False, slots=True)
class Drawn:
    """One outline and where it stands: places (k, 2); outline (n, 2) from each place, not closed."""

    layer: LayerKey
    outline: IntArray
    places: IntArray

    def polygons(self) -> IntArray:
        """Every polygon, (k, n, 2)."""
        whole: IntArray = self.places[:, None, :] + self.outline[None, :, :]
        return whole


def twice_area(outline: IntArray) -> int:
    """Twice the area of a polygon (n, 2), exact; positive when it runs counter-clockwise."""
    x, y = outline[:, 0], outline[:, 1]
    inner = int(x[:-1] @ y[1:]) - int(y[:-1] @ x[1:])
    return inner + int(x[-1]) * int(y[0]) - int(y[-1]) * int(x[0])


def diameter_nm(outline: IntArray, unit_nm: float) -> float:
    """Diameter of the disc of a polygon's area."""
    return float(np.sqrt(2 * abs(twice_area(outline)) / np.pi)) * unit_nm


@dataclass(eq=False)
class Content:
    """A cell in hand: its shapes, its plain references as runs by cell number, and the turned ones."""

    shapes: tuple[ReadShape, ...]
    runs: Runs
    turned: list[ReadReference]

    @property
    def leaf(self) -> bool:
        """Whether it places no other cell."""
        return not len(self.runs.item) and not self.turned

    @cached_property
    def items(self) -> tuple[IntArray, IntArray]:
        """Different cell numbers of the runs, and which of these each run has."""
        items, group = np.unique(self.runs.item, return_inverse=True)
        return items, group.astype(np.int64)


@dataclass(frozen=True, eq=False, slots=True)
class _Reach:
    """How far a cell reaches by itself, and where it places others.

    own: box of its polygons. plain, places: numbers of the cells that it places without a turn,
    (k,), and the box of their places, (k, 4). turned: the others, one by one.
    """

    own: IntArray
    mask: int
    plain: IntArray
    places: IntArray
    turned: list[tuple[int, Turn, Box]]

    @property
    def children(self) -> set[int]:
        """Numbers of all cells that it places."""
        return {*self.plain.tolist(), *(number for number, _, _ in self.turned)}


class _Numbers(dict[str, int]):
    """Cell name -> number from 1, given to every name that is asked for."""

    def get(self, name: str, default: Any = None) -> int:
        return self.setdefault(name, len(self) + 1)


class TooManyError(Exception):
    """More polygons than were asked for."""


class Layout:
    """A layout file that is read by windows.

    unit_nm: length of a database unit. top: the cell that holds all others; it is looked for, with
    one pass over the file, unless it is given. trust_boxes: whether the boxes of an OASIS file's table
    are taken for true; `verify` proves them. others: shapes met that are no polygons.
    """

    def __init__(
        self, file: OasisFile | GdsiiFile, top: str | None = None, *, trust_boxes: bool = True
    ) -> None:
        self.file = file
        self.unit_nm = file.unit_nm
        self.others: dict[str, int] = {}
        self._offsets: dict[str, int] = {}
        self._reaches: dict[int, _Reach] = {}
        self._kept: dict[int, Content] = {}
        # their outlines by cell and turn
        self._turned: dict[tuple[int, Turn], list[Outlined]] = {}
        # the last of the others: a window near an axis meets a block once for each of its images
        self._recent: OrderedDict[int, Content] = OrderedDict()
        self._numbers = _Numbers()
        self._names: list[str] = []
        self._bits: dict[LayerKey, int] = {}
        # by cell number: its box with all below it, the layers below it as bits, what is known
        self._boxes = np.zeros((16, 4), np.int64)
        self._masks = np.zeros(16, np.int64)
        self._states = np.zeros(16, np.int8)
        self._boxed = np.zeros(16, np.bool_)
        if isinstance(file, OasisFile):
            numbers = [self.number(name) for name in file.cell_names.values()]
            self._room()
            if trust_boxes:
                for number, name in zip(numbers, file.cell_names.values(), strict=True):
                    if name in file.boxes:
                        self._boxes[number], self._boxed[number] = file.boxes[name], True
        if isinstance(file, GdsiiFile) or top is None or top not in self._numbers:
            self._pass()
            top = self._find_top(top)
        self.top = top

    def __enter__(self) -> Layout:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back."""
        self._kept.clear()
        self._turned.clear()
        self._recent.clear()
        self.file.close()

    def _error(self, what: str) -> LayoutReadError:
        return LayoutReadError(f"{self.file.path.name}: {what}")

    # ---- the tree

    def name(self, number: int) -> str:
        """A cell's name by its number."""
        if number > len(self._names):
            self._names = [*self._numbers]
        return self._names[number - 1]

    def number(self, name: str) -> int:
        """A cell's number by its name."""
        return self._numbers.get(name)

    def _pass(self) -> None:
        """Read every cell once: where it begins, how far it reaches, what it places."""
        for cell in self.file:
            self._offsets[cell.name] = cell.offset
            self._reaches[self.number(cell.name)] = self._measure(cell)

    def _find_top(self, wanted: str | None) -> str:
        if wanted is not None and wanted in self._offsets:
            return wanted
        placed = {n for reach in self._reaches.values() for n in reach.children}
        # cells that draw nothing and place nothing do not make a file ambiguous
        tops = [
            self.name(number)
            for number, reach in self._reaches.items()
            if number not in placed and (reach.mask or reach.children)
        ]
        if len(tops) == 1:
            return tops[0]
        told = ", ".join(tops[:5]) if tops else "none"
        raise InputError(
            f"{self.file.path}: want a layout with one top cell, got {len(tops)} ({told})"
        )

    def _cell(self, number: int) -> ReadCell:
        name = self.name(number)
        if isinstance(self.file, OasisFile):
            return self.file.cell(name)
        if name not in self._offsets:
            raise self._error(f"cell {name} is referred to and is not in the file")
        return self.file.cell_at(self._offsets[name])

    def content(self, number: int) -> Content:
        """What a cell holds; small cells that place no others are kept, as they recur, and the last few of the others."""
        if number in self._kept:
            return self._kept[number]
        if number in self._recent:
            self._recent.move_to_end(number)
            return self._recent[number]
        cell = self._cell(number)
        runs, turned = cell.coded_references(self._numbers)
        content = Content(cell.shapes, runs, turned)
        if content.leaf and len(content.shapes) <= 64:
            self._kept[number] = content
            return content
        if content.runs.moves.nbytes <= _RECENT_BYTES and len(content.shapes) <= _RECENT_SHAPES:
            self._recent[number] = content
            if len(self._recent) > _RECENT:
                self._recent.popitem(last=False)
        return content

    def _measure(self, cell: ReadCell) -> _Reach:
        own = NOWHERE.copy()
        mask = 0
        for shape in cell.shapes:
            if not len(shape.polygon):
                self.others[shape.kind] = self.others.get(shape.kind, 0) + 1
                continue
            mask |= self._bit((shape.layer, shape.datatype))
            places = np.array(shape.places.bounds(), np.int64)
            own[:2] = np.minimum(own[:2], places[:2] + shape.polygon.min(axis=0))
            own[2:] = np.maximum(own[2:], places[2:] + shape.polygon.max(axis=0))
        runs, turned = cell.coded_references(self._numbers)
        content = Content((), runs, turned)
        items, group = content.items
        boxes = np.tile(NOWHERE, (len(items), 1))
        if len(items):
            _place_boxes(group, runs.x, runs.y, runs.start, runs.end, runs.moves, boxes)
        found = [(self.number(r.cell), self.turn(r), r.places.bounds()) for r in turned]
        return _Reach(own, mask, items, boxes, found)

    def turn(self, reference: ReadReference) -> Turn:
        """A reference's turn, without its move."""
        turns = reference.turns
        if turns is None or reference.magnification != 1:
            raise self._error(
                f"want cells turned by quarters and not magnified, got {reference.cell} at "
                f"{reference.angle_deg:g} deg, times {reference.magnification:g}"
            )
        return Turn.of(reference.mirror, turns)

    def _bit(self, layer: LayerKey) -> int:
        return 1 << self._bits.setdefault(layer, min(len(self._bits), MAX_LAYER_BITS))

    def _room(self) -> None:
        """Make the arrays by number as long as there are numbers."""
        more = len(self._numbers) + 1 - len(self._states)
        if more > 0:
            more = max(more, len(self._states))
            self._boxes = np.concatenate([self._boxes, np.zeros((more, 4), np.int64)])
            self._masks = np.concatenate([self._masks, np.zeros(more, np.int64)])
            self._states = np.concatenate([self._states, np.zeros(more, np.int8)])
            self._boxed = np.concatenate([self._boxed, np.zeros(more, np.bool_)])

    def _settle(self, number: int, depth: int = 0) -> None:
        """Find the box and the layers of a cell, all below it included."""
        if self._states[number : number + 1].any() and self._states[number] == KNOWN:
            return
        reach = self._reaches.pop(number, None)
        reach = self._measure(self._cell(number)) if reach is None else reach
        self._room()
        if self._states[number] == IN_WORK or depth > MAX_DEPTH:
            raise self._error(f"cell {self.name(number)} stands in itself, or {MAX_DEPTH} deep")
        self._states[number] = IN_WORK
        for child in reach.plain[self._states[reach.plain] != KNOWN].tolist():
            self._settle(child, depth + 1)
        for child, _, _ in reach.turned:
            self._settle(child, depth + 1)
        box, mask = reach.own.copy(), reach.mask
        if len(reach.plain):
            inner = self._boxes[reach.plain] + reach.places
            box[:2] = np.minimum(box[:2], inner[:, :2].min(axis=0))
            box[2:] = np.maximum(box[2:], inner[:, 2:].max(axis=0))
            mask |= int(np.bitwise_or.reduce(self._masks[reach.plain]))
        for child, turn, places in reach.turned:
            below = self.box_of(child)
            mask |= int(self._masks[child])
            if below is not None:
                at = turn.box(below)
                box[:2] = np.minimum(box[:2], np.array(at[:2]) + places[:2])
                box[2:] = np.maximum(box[2:], np.array(at[2:]) + places[2:])
        self._boxes[number] = box if box[0] <= box[2] else NOWHERE
        self._masks[number] = mask
        self._boxed[number] = True
        self._states[number] = KNOWN

    def box_of(self, number: int) -> Box | None:
        """Box of a cell with all that is below it; none where nothing is drawn."""
        self._room()
        if not self._boxed[number]:
            self._settle(number)
        x0, y0, x1, y1 = self._boxes[number].tolist()
        return (x0, y0, x1, y1) if x0 <= x1 else None

    @property
    def box(self) -> Box | None:
        """Box of the whole layout; none where nothing is drawn."""
        return self.box_of(self.number(self.top))

    @property
    def layers(self) -> list[LayerKey]:
        """Layers of the polygons of the layout."""
        top = self.number(self.top)
        self._room()
        self._settle(top)
        mask = int(self._masks[top])
        return sorted(layer for layer, bit in self._bits.items() if mask >> bit & 1)

    # ---- polygons of a window

    def window(
        self,
        window: Box,
        *,
        layers: Collection[LayerKey] | None = None,
        limit: int = MAX_POLYGONS,
    ) -> list[Drawn] | None:
        """Polygons whose bounding box touches the window, equal outlines together.

        layers: only these. None where there are more than `limit`.
        """
        found: dict[tuple[LayerKey, bytes], tuple[IntArray, list[IntArray]]] = {}
        count = 0
        top = self.number(self.top)
        try:
            for layer, outline, places in self.walk(top, Turn(), window, layers, limit):
                count += len(places)
                if count > limit:
                    return None
                key = (layer, outline.tobytes())
                found.setdefault(key, (outline, []))[1].append(places)
        except TooManyError:
            return None
        return [
            Drawn(layer, outline, np.concatenate(places))
            for (layer, _), (outline, places) in sorted(found.items(), key=lambda item: item[0])
        ]

    def walk(
        self,
        number: int,
        turn: Turn,
        window: Box,
        layers: Collection[LayerKey] | None,
        limit: int,
    ) -> Iterator[tuple[LayerKey, IntArray, IntArray]]:
        """Layer, outline and places of the polygons of a cell under a turn that touch the window."""
        yield from self._walk(self.content(number), turn, window, layers, limit, 0)

    def _walk(
        self,
        content: Content,
        turn: Turn,
        window: Box,
        layers: Collection[LayerKey] | None,
        limit: int,
        depth: int,
    ) -> Iterator[tuple[LayerKey, IntArray, IntArray]]:
        if depth > MAX_DEPTH:
            raise self._error(
                f"want cells at most {MAX_DEPTH} levels deep, got more, or a ring of them"
            )
        local = turn.inverse_box(window)
        yield from self.shapes(content, turn, local, layers)
        for child, inner, places in self.touching(content, local, layers):
            below, where = turn.after(inner), turn.points(places)
            inside = self.content(child)
            if inside.leaf:
                yield from self.leaves(child, below, where, window, layers)
                continue
            if len(places) > limit:
                raise TooManyError
            for x, y in where.tolist():
                yield from self._walk(inside, below.at(x, y), window, layers, limit, depth + 1)

    def touching(
        self, content: Content, local: Box, layers: Collection[LayerKey] | None
    ) -> Iterator[tuple[int, Turn, IntArray]]:
        """Cells placed, their turns, and those of their places at which they touch a window."""
        runs = content.runs
        wanted = -1 if layers is None else self._wanted(layers)
        if len(runs.item):
            items, group = content.items
            self._room()
            known = self._boxed[items] if layers is None else self._states[items] == KNOWN
            for item in items[~known].tolist():
                self._settle(item)
            boxes = self._boxes[items]  # a copy
            if layers is not None:
                boxes[self._masks[items] & wanted == 0] = NOWHERE
            args = (group, runs.x, runs.y, runs.start, runs.end, runs.moves, boxes,
                    np.array(local, np.int64))  # fmt: skip
            ends = np.zeros(len(items) + 1, np.int64)
            _count_touching(*args, ends)
            np.cumsum(ends, out=ends)
            places = np.zeros((int(ends[-1]), 2), np.int64)
            _fill_touching(*args, ends, ends[:-1].copy(), places)
            for k in np.flatnonzero(np.diff(ends)).tolist():
                yield int(items[k]), AS_IT_IS, places[ends[k] : ends[k + 1]]
        for reference in content.turned:
            child = self.number(reference.cell)
            box = self.box_of(child)
            if layers is not None:
                self._settle(child)
                if not int(self._masks[child]) & wanted:
                    continue
            if box is None:
                continue
            turn = self.turn(reference)
            near = _near(reference.positions, turn.box(box), local)
            if len(near):
                yield child, turn, near

    def _wanted(self, layers: Collection[LayerKey]) -> int:
        """The bits of some layers."""
        self._settle(self.number(self.top))
        mask = 0
        for layer in layers:
            if layer in self._bits:
                mask |= 1 << self._bits[layer]
        return mask

    @staticmethod
    def shapes(
        content: Content, turn: Turn, local: Box, layers: Collection[LayerKey] | None
    ) -> Iterator[tuple[LayerKey, IntArray, IntArray]]:
        """A cell's own polygons that touch its window, turned."""
        for shape in content.shapes:
            layer = (shape.layer, shape.datatype)
            if not len(shape.polygon) or (layers is not None and layer not in layers):
                continue
            own = _box_of(shape.polygon)
            x0, y0, x1, y1 = shape.places.bounds()
            if (
                x0 + own[0] > local[2]
                or x1 + own[2] < local[0]
                or y0 + own[1] > local[3]
                or y1 + own[3] < local[1]
            ):
                continue
            places = _near(shape.positions, own, local)
            if len(places):
                yield layer, turn.linear.points(shape.polygon), turn.points(places)

    def leaves(
        self,
        number: int,
        turn: Turn,
        places: IntArray,
        window: Box,
        layers: Collection[LayerKey] | None,
    ) -> Iterator[tuple[LayerKey, IntArray, IntArray]]:
        """Polygons of a cell without references, turned, at the places where the cell touches a window."""
        for layer, outline, box, moves in self._outlines(number, turn.linear):
            if layers is not None and layer not in layers:
                continue
            if moves is None:
                yield layer, outline, places
                continue
            for move in moves:
                near = _near(places + move, box, window)
                if len(near):
                    yield layer, outline, near

    def _outlines(self, number: int, turn: Turn) -> list[Outlined]:
        """A small cell's polygons, turned."""
        known = self._turned.get((number, turn))
        if known is not None:
            return known
        content, box = self.content(number), self.box_of(number)
        found: list[Outlined] = []
        for shape in content.shapes:
            if not len(shape.polygon):
                continue
            outline = turn.points(shape.polygon)
            own = _box_of(outline)
            alone = (
                len(content.shapes) == 1 and not shape.positions.any() and len(shape.positions) == 1
            )
            whole = alone and box is not None and turn.box(box) == own
            moves = None if whole else turn.points(shape.positions)
            found.append(((shape.layer, shape.datatype), outline, own, moves))
        if number in self._kept:
            self._turned[number, turn] = found
        return found


def _box_of(outline: IntArray) -> Box:
    x0, y0 = outline.min(axis=0).tolist()
    x1, y1 = outline.max(axis=0).tolist()
    return x0, y0, x1, y1


def open_layout(path: str | Path, top: str | None = None, *, trust_boxes: bool = True) -> Layout:
    """Open a layout file, OASIS or GDSII by its first bytes; use it in a `with`. See `Layout`."""
    path = Path(path)
    try:
        with path.open("rb") as data:
            head = data.read(len(MAGIC))
    except OSError as error:
        raise InputError(f"{path}: want a layout file to read, got {error.strerror}") from None
    file: OasisFile | GdsiiFile
    file = read_oasis(path, check_signature=False) if head == MAGIC else read_gdsii(path)
    try:
        return Layout(file, top, trust_boxes=trust_boxes)
    except BaseException:
        file.close()
        raise


def _near(places: IntArray, box: Box, window: Box) -> IntArray:
    """Places at which a box touches a window."""
    x, y = places[:, 0], places[:, 1]
    keep = (
        (x + box[2] >= window[0])
        & (x + box[0] <= window[2])
        & (y + box[3] >= window[1])
        & (y + box[1] <= window[3])
    )
    return places if keep.all() else places[keep]


@kernel
def _place_boxes(
    group: Any, x: Any, y: Any, start: Any, end: Any, moves: Any, boxes: Any
) -> None:  # pragma: no cover
    """Widen boxes[group[i]] by the places of run i."""
    for i in range(group.size):
        k = group[i]
        x0 = np.int64(moves[start[i], 0])
        y0 = np.int64(moves[start[i], 1])
        x1 = x0
        y1 = y0
        for j in range(start[i], end[i]):
            px = np.int64(moves[j, 0])
            py = np.int64(moves[j, 1])
            x0 = min(x0, px)
            x1 = max(x1, px)
            y0 = min(y0, py)
            y1 = max(y1, py)
        boxes[k, 0] = min(boxes[k, 0], x[i] + x0)
        boxes[k, 1] = min(boxes[k, 1], y[i] + y0)
        boxes[k, 2] = max(boxes[k, 2], x[i] + x1)
        boxes[k, 3] = max(boxes[k, 3], y[i] + y1)


@late_kernel(
    "(int64[::1], int64[::1], int64[::1], int64[::1], int64[::1], int32[:, ::1], int64[:, "
    "::1], int64[::1], int64[::1])"
)
def _count_touching(
    group: Any, x: Any, y: Any, start: Any, end: Any, moves: Any, boxes: Any, window: Any,
    counts: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Add to counts[k + 1] the places of runs of group k at which their box touches the window."""
    for i in range(group.size):
        k = group[i]
        low_x = window[0] - boxes[k, 2] - x[i]
        high_x = window[2] - boxes[k, 0] - x[i]
        low_y = window[1] - boxes[k, 3] - y[i]
        high_y = window[3] - boxes[k, 1] - y[i]
        found = 0
        for j in range(start[i], end[i]):
            px = moves[j, 0]
            py = moves[j, 1]
            if (px >= low_x) & (px <= high_x) & (py >= low_y) & (py <= high_y):
                found += 1
        counts[k + 1] += found


@late_kernel(
    "(int64[::1], int64[::1], int64[::1], int64[::1], int64[::1], int32[:, ::1], int64[:, "
    "::1], int64[::1], int64[::1], int64[::1], int64[:, ::1])"
)
def _fill_touching(
    group: Any, x: Any, y: Any, start: Any, end: Any, moves: Any, boxes: Any, window: Any,
    ends: Any, free: Any, places: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Write these places, those of group k from free[k] to ends[k + 1]."""
    for i in range(group.size):
        k = group[i]
        if free[k] == ends[k + 1]:
            continue
        low_x = window[0] - boxes[k, 2] - x[i]
        high_x = window[2] - boxes[k, 0] - x[i]
        low_y = window[1] - boxes[k, 3] - y[i]
        high_y = window[3] - boxes[k, 1] - y[i]
        for j in range(start[i], end[i]):
            px = moves[j, 0]
            py = moves[j, 1]
            if (px >= low_x) & (px <= high_x) & (py >= low_y) & (py <= high_y):
                places[free[k], 0] = x[i] + px
                places[free[k], 1] = y[i] + py
                free[k] += 1
