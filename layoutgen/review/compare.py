"""What differs between two layout files, in polygons and in nanometres.

Files are compared layer by layer from their top cells down. Cells whose digests agree
(`layoutgen.review.digests`) draw the same and are passed over; a pair of cells that differs is looked at
once, however often it stands on the wafer. Where the two trees are cut up differently, the
polygons themselves are compared, tile by tile, so memory does not grow with the wafer.

A layer that agrees with another layer of the other file, and not with its own, has been renumbered.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from layoutgen.review.changes import Change, Changes, Place
from layoutgen.review.digests import COUNT, WHAT, WHERE, Digests
from layoutgen.review.match import Loose, Matcher, Scales, Where, common_rows, move_words
from layoutgen.review.readcells import Box, IntArray, LayerKey
from layoutgen.review.window import Content, Layout, Turn

__all__ = ["Enter", "compare_layouts"]

#: Polygons that are held of each file at a time.
TILE_POLYGONS = 400_000
#: Cells are taken apart for single polygons of the other file where they hold no more than this
#: many times as many.
FLAT = 4
#: How far apart boxes of two cells may be that are taken for the same part: changed sizes and a
#: changed letter move a box a little, another way of cutting up a lens moves it a lot.
SAME_BOX = 0.02


#: Tells the part below: from where we are, the name and the turn of the cell that is entered, its
#: level below the top. The default knows nothing.
Enter = Callable[[Where, int, Turn], Where]


def compare_layouts(
    a: Layout,
    b: Layout,
    *,
    tolerance_nm: float = 0.0,
    enter: Enter = lambda where, level, turn: where,
    scales: Scales = lambda part, places: {},
    drawn_nm: tuple[Mapping[bytes, float], Mapping[bytes, float]] = ({}, {}),
) -> Changes:
    """Compare two layouts of one database unit.

    tolerance_nm: changes of size and moves up to it count as `within`. drawn_nm: for each file the
    drawn diameter by the key of the polygon; where both know theirs, these are compared, else the
    diameters of the discs of equal area.
    """
    digests = Digests(a), Digests(b)
    tops = a.number(a.top), b.number(b.top)
    held = [
        {k: row for k, row in d.layers(t).items() if row[COUNT]}
        for d, t in zip(digests, tops, strict=True)
    ]
    pairs, renumbered = _pair_layers(*held)
    layers = {}
    for la, lb in pairs:
        comparison = _Comparison((a, b), digests, (la, lb), tolerance_nm, enter, scales, drawn_nm)
        layers[la, lb] = comparison.cells(tops[0], tops[1], Turn(), Where(), 0)
    paired_a, paired_b = {la for la, _ in pairs}, {lb for _, lb in pairs}
    return Changes(
        layers,
        renumbered,
        {k: int(row[COUNT]) for k, row in held[0].items() if k not in paired_a},
        {k: int(row[COUNT]) for k, row in held[1].items() if k not in paired_b},
    )


def _pair_layers(
    a: Mapping[LayerKey, NDArray[np.uint64]], b: Mapping[LayerKey, NDArray[np.uint64]]
) -> tuple[list[tuple[LayerKey, LayerKey]], dict[LayerKey, LayerKey]]:
    """Layers that belong together: the same, those that draw the same, those drawn at the same places."""
    pairs = [(k, k) for k in a if k in b and np.array_equal(a[k], b[k])]
    free_a = [k for k in a if (k, k) not in pairs]
    free_b = [k for k in b if (k, k) not in pairs]
    renumbered: dict[LayerKey, LayerKey] = {}
    for part in (WHAT, WHERE):
        for la in list(free_a):
            if part == WHERE and la in free_b and np.array_equal(a[la][WHERE], b[la][WHERE]):
                continue  # sizes alone differ
            for lb in list(free_b):
                if la != lb and np.array_equal(a[la][part], b[lb][part]):
                    renumbered[la] = lb
                    pairs.append((la, lb))
                    free_a.remove(la)
                    free_b.remove(lb)
                    break
    pairs += [(k, k) for k in free_a if k in free_b]
    return sorted(pairs), renumbered


@dataclass(eq=False, slots=True)
class _Items:
    """Cells in a common frame: their numbers, and how each stands in it."""

    numbers: list[int] = field(default_factory=list)
    turns: list[Turn] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.numbers)


class _Comparison:
    """One pair of layers of two layouts."""

    def __init__(
        self,
        layouts: tuple[Layout, Layout],
        digests: tuple[Digests, Digests],
        layers: tuple[LayerKey, LayerKey],
        tolerance_nm: float,
        enter: Enter,
        scales: Scales,
        drawn_nm: tuple[Mapping[bytes, float], Mapping[bytes, float]],
    ) -> None:
        self.layouts, self.digests, self.layers = layouts, digests, layers
        self.match = Matcher(digests, layouts[0].unit_nm, tolerance_nm, scales, drawn_nm)
        self.enter = enter
        self.known: dict[tuple[object, ...], Change] = {}

    # ---- pairs of cells

    def cells(self, a: int, b: int, turn: Turn, where: Where, level: int) -> Change:
        """What differs between two cells; turn: how they stand in the top cell, for examples."""
        da, db = (d.of(n, k) for d, n, k in zip(self.digests, (a, b), self.layers, strict=True))
        if np.array_equal(da, db):
            return Change(same=int(da[COUNT]))
        # all octants of a lens lie alike about its axis: what counts is where the axis is
        axis = where.turn.inverse_box((0, 0, 0, 0))[:2]
        key = (a, b, where.part or where.die, axis if where.part else ())
        if key in self.known:
            return replace(self.known[key], examples={})  # the examples have been told
        self.known[key] = self._differing(a, b, turn, where, level)
        return self.known[key]

    def _differing(self, a: int, b: int, turn: Turn, where: Where, level: int) -> Change:
        found = Change()
        (items_a, loose_a), (items_b, loose_b), found.same = self._left_over(a, b)
        # where one file has single polygons for what are cells in the other
        cells = [self._count(side, items) for side, items in enumerate((items_a, items_b))]
        loose = len(loose_a.centres2), len(loose_b.centres2)
        if (not cells[1] and cells[0] <= FLAT * loose[1]) or (
            not cells[0] and cells[1] <= FLAT * loose[0]
        ):
            found.add(self._polygons(items_a, items_b, loose_a, loose_b, turn, where))
            return found
        nothing = _Items()
        found.add(self._polygons(nothing, nothing, loose_a, loose_b, turn, where))
        for group_a, group_b in self._clusters(items_a, items_b):
            found.add(self._group(group_a, group_b, turn, where, level))
        return found

    def _left_over(self, a: int, b: int) -> tuple[tuple[_Items, Loose], tuple[_Items, Loose], int]:
        """What two cells hold on the layer and do not share; and how many polygons they share."""
        sides = [self._held(side, number) for side, number in enumerate((a, b))]
        common = common_rows(sides[0][0], sides[1][0])
        shared = sum(sides[0][0][common[0], 5].tolist())
        left = []
        for side, (rows, places, numbers, codes) in enumerate(sides):
            keep = np.ones(len(rows), np.bool_)
            keep[common[side]] = False
            items, centres, outlines = _Items(), [], []
            cells = keep & (codes >= 0)
            for k in np.flatnonzero(cells).tolist():
                items.numbers.append(int(numbers[k]))
                x, y = places[k].tolist()
                items.turns.append(_TURNS[int(codes[k])].at(x, y))
            loose = keep & (codes < 0)
            centres.append(places[loose])
            outlines.append(numbers[loose])
            left.append((items, Loose(np.concatenate(centres), np.concatenate(outlines))))
        return left[0], left[1], shared

    def _held(
        self, side: int, number: int
    ) -> tuple[NDArray[np.uint64], IntArray, IntArray, IntArray]:
        """What a cell places on the layer: rows to compare, places, numbers of cells, turn codes.

        Polygons, and cells of a single polygon, have turn code -1, twice their centre for a place
        and the number of their outline.
        """
        layout, digests, layer = self.layouts[side], self.digests[side], self.layers[side]
        content = layout.content(number)
        rows: list[NDArray[np.uint64]] = []
        places: list[IntArray] = []
        numbers: list[IntArray] = []
        codes: list[IntArray] = []

        def take(at: IntArray, words: tuple[int, int, int], which: int, code: int) -> None:
            row = np.zeros((len(at), 6), np.uint64)
            row[:, :2] = at.view(np.uint64)
            row[:, 2], row[:, 3], row[:, 5] = words
            row[:, 4] = code + 1
            rows.append(row)
            places.append(at)
            numbers.append(np.full(len(at), which, np.int64))
            codes.append(np.full(len(at), code, np.int64))

        def polygon(shape_polygon: IntArray, at: IntArray) -> None:
            which, centre2 = self.match.outline(side, shape_polygon)
            if which >= 0:
                words = self.match.words[which]
                take(2 * at + np.array(centre2, np.int64), (*words, 1), which, -1)

        for shape in content.shapes:
            if (shape.layer, shape.datatype) == layer and len(shape.polygon):
                polygon(shape.polygon, shape.positions)
        for child, turn, at in _placements(layout, content):
            row = digests.of(child, layer)
            if not row[COUNT]:
                continue
            at = np.ascontiguousarray(at)
            inside = layout.content(child)
            if inside.leaf:
                for shape in inside.shapes:
                    if (shape.layer, shape.datatype) == layer and len(shape.polygon):
                        outline = turn.points(shape.polygon)
                        for move in turn.points(shape.positions):
                            polygon(outline, at + move)
                continue
            words = (int(row[0]), int(row[1]), int(row[COUNT]))
            take(at, words, child, _TURNS.index(turn.linear))
        if not rows:
            empty = np.zeros(0, np.int64)
            return np.zeros((0, 6), np.uint64), np.zeros((0, 2), np.int64), empty, empty
        return (np.concatenate(rows), np.concatenate(places), np.concatenate(numbers),
                np.concatenate(codes))  # fmt: skip

    # ---- groups of cells

    def _count(self, side: int, items: _Items) -> int:
        """Polygons of some cells on the layer."""
        digests, layer = self.digests[side], self.layers[side]
        return sum(int(digests.of(number, layer)[COUNT]) for number in items.numbers)

    def _box(self, side: int, number: int, turn: Turn) -> Box:
        box = self.layouts[side].box_of(number)
        assert box is not None  # it draws on the layer
        return turn.box(box)

    def _clusters(self, a: _Items, b: _Items) -> Iterator[tuple[_Items, _Items]]:
        """Cells whose boxes overlap, of both files together."""
        sides = [0] * len(a) + [1] * len(b)
        numbers, turns = a.numbers + b.numbers, a.turns + b.turns
        boxes = [self._box(s, n, t) for s, n, t in zip(sides, numbers, turns, strict=True)]
        for members in _overlapping(boxes):
            groups = _Items(), _Items()
            for k in members:
                groups[sides[k]].numbers.append(numbers[k])
                groups[sides[k]].turns.append(turns[k])
            yield groups

    def _group(self, a: _Items, b: _Items, turn: Turn, where: Where, level: int) -> Change:
        """What differs between cells that stand in one place."""
        found = Change()
        rest_a, rest_b = _Items(), _Items()
        waiting: dict[Turn, list[tuple[int, int]]] = {}
        for k, (number, at) in enumerate(zip(b.numbers, b.turns, strict=True)):
            waiting.setdefault(at, []).append((k, number))
        used: set[int] = set()
        for number, at in zip(a.numbers, a.turns, strict=True):
            match = None
            for k, other in waiting.get(at, ()):
                if k not in used and self._alike(self._box(0, number, at), self._box(1, other, at)):
                    match = k, other
                    break
            if match is None:
                rest_a.numbers.append(number)
                rest_a.turns.append(at)
                continue
            used.add(match[0])
            below = (
                replace(where, turn=where.turn.after(at))
                if where.part
                else self.enter(where, level, at)
            )
            found.add(self.cells(number, match[1], turn.after(at), below, level + 1))
        for k, (number, at) in enumerate(zip(b.numbers, b.turns, strict=True)):
            if k not in used:
                rest_b.numbers.append(number)
                rest_b.turns.append(at)
        if len(rest_a) == len(rest_b) == 1 and self._moved(rest_a, rest_b, turn, found):
            return found
        if len(rest_a) and len(rest_b):
            empty = Loose(np.zeros((0, 2), np.int64), np.zeros(0, np.int64))
            found.add(self._polygons(rest_a, rest_b, empty, empty, turn, where))
            return found
        for kind, side, rest in (("gone", 0, rest_a), ("added", 1, rest_b)):
            for number, at in zip(rest.numbers, rest.turns, strict=True):
                count = int(self.digests[side].of(number, self.layers[side])[COUNT])
                setattr(found, kind, getattr(found, kind) + count)
                box = turn.box(self._box(side, number, at))
                words = f"cell {self.layouts[side].name(number)}, {count} polygons"
                found.tell(kind, Place((box[0] + box[2]) / 2, (box[1] + box[3]) / 2, words))
        return found

    def _moved(self, a: _Items, b: _Items, turn: Turn, found: Change) -> bool:
        """Whether one cell is the other one elsewhere, and then how far."""
        (ta,), (tb,) = a.turns, b.turns
        da, db = (
            d.of(i.numbers[0], k) for d, i, k in zip(self.digests, (a, b), self.layers, strict=True)
        )
        if ta.linear != tb.linear or not np.array_equal(da, db):
            return False
        count = int(da[COUNT])
        move = math.hypot(tb.x0 - ta.x0, tb.y0 - ta.y0) * self.match.unit_nm
        if move <= self.match.tolerance_nm:
            found.within += count
            return True
        found.moved += count
        found.moved_nm = max(found.moved_nm, move)
        box = turn.box(self._box(0, a.numbers[0], ta))
        words = f"cell {self.layouts[0].name(a.numbers[0])} by {move_words(turn, tb.x0 - ta.x0, tb.y0 - ta.y0, self.match.unit_nm)}"
        found.tell("moved", Place((box[0] + box[2]) / 2, (box[1] + box[3]) / 2, words))
        return True

    @staticmethod
    def _alike(a: Box, b: Box) -> bool:
        """Whether two boxes are those of one part: see SAME_BOX."""
        span = max(a[2] - a[0], a[3] - a[1], 1)
        return max(abs(p - q) for p, q in zip(a, b, strict=True)) <= max(SAME_BOX * span, 1.0)

    # ---- polygons

    def _polygons(
        self, a: _Items, b: _Items, loose_a: Loose, loose_b: Loose, turn: Turn, where: Where
    ) -> Change:
        """Compare polygons one by one, a tile at a time."""
        found = Change()
        for side_a, side_b in self._tiles(a, b, loose_a, loose_b):
            self.match.compare(side_a, side_b, turn, where, found)
        return found

    def _tiles(
        self, a: _Items, b: _Items, loose_a: Loose, loose_b: Loose
    ) -> Iterator[tuple[Loose, Loose]]:
        boxes = [
            self._box(s, n, t)
            for s, i in ((0, a), (1, b))
            for n, t in zip(i.numbers, i.turns, strict=True)
        ]
        counts = [self._count(0, a), self._count(1, b)]
        if not boxes:
            yield loose_a, loose_b
            return
        for loose in (loose_a, loose_b):
            if len(loose.centres2):
                low, high = loose.centres2.min(axis=0) // 2, -(-loose.centres2.max(axis=0) // 2)
                boxes.append((*low.tolist(), *high.tolist()))
        x0, y0 = min(box[0] for box in boxes), min(box[1] for box in boxes)
        x1, y1 = max(box[2] for box in boxes), max(box[3] for box in boxes)
        side = math.ceil(math.sqrt(max(1, max(counts) / TILE_POLYGONS)))
        xs = np.linspace(x0, x1 + 1, side + 1).round().astype(np.int64).tolist()
        ys = np.linspace(y0, y1 + 1, side + 1).round().astype(np.int64).tolist()
        for j in range(side):
            for i in range(side):
                tile = (xs[i], ys[j], xs[i + 1], ys[j + 1])
                yield self._flat(0, a, loose_a, tile), self._flat(1, b, loose_b, tile)

    def _flat(self, side: int, items: _Items, loose: Loose, tile: Box) -> Loose:
        """Polygons of one file whose centres lie in a tile, its upper ends left out."""
        centres, outlines = [loose.centres2], [loose.outlines]
        layer = [self.layers[side]]
        for number, turn in zip(items.numbers, items.turns, strict=True):
            for _, outline, places in self.layouts[side].walk(number, turn, tile, layer, 2**62):
                which, centre2 = self.match.outline(side, outline)
                if which >= 0:
                    centres.append(2 * places + np.array(centre2, np.int64))
                    outlines.append(np.full(len(places), which, np.int64))
        at, which_ = np.concatenate(centres), np.concatenate(outlines)
        inside = (
            (at[:, 0] >= 2 * tile[0])
            & (at[:, 0] < 2 * tile[2])
            & (at[:, 1] >= 2 * tile[1])
            & (at[:, 1] < 2 * tile[3])
        )
        return Loose(at[inside], which_[inside])


_TURNS = [Turn.of(mirror, turns) for mirror in (False, True) for turns in range(4)]


def _placements(layout: Layout, content: Content) -> Iterator[tuple[int, Turn, IntArray]]:
    """Every cell that a cell places, its turn, and its places (k, 2)."""
    runs = content.runs
    if len(runs.item):
        items, group = content.items
        lengths = runs.end - runs.start
        # a move of each run in turn: run k's are moves[start[k]:end[k]]
        which = np.repeat(np.arange(len(lengths)), lengths)
        first = np.repeat(runs.start - np.concatenate([[0], np.cumsum(lengths)[:-1]]), lengths)
        index = np.arange(len(which)) + first
        places = runs.moves[index].astype(np.int64)
        places[:, 0] += runs.x[which]
        places[:, 1] += runs.y[which]
        of = group[which]
        order = np.argsort(of, kind="stable")
        ends = np.searchsorted(of[order], np.arange(len(items) + 1))
        for k, item in enumerate(items.tolist()):
            yield int(item), Turn(), places[order[ends[k] : ends[k + 1]]]
    for reference in content.turned:
        yield layout.number(reference.cell), layout.turn(reference), reference.positions


def _overlapping(boxes: Sequence[Box]) -> Iterator[list[int]]:
    """Groups of boxes that overlap, directly or through others, in the order of their first."""
    count = len(boxes)
    parent = list(range(count))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    order = sorted(range(count), key=lambda k: boxes[k][0])
    open_: list[int] = []
    for k in order:
        x0, y0, _, y1 = boxes[k]
        open_ = [m for m in open_ if boxes[m][2] > x0]
        for m in open_:
            if boxes[m][1] < y1 and boxes[m][3] > y0:
                parent[root(m)] = root(k)
        open_.append(k)
    groups: dict[int, list[int]] = {}
    for k in range(count):
        groups.setdefault(root(k), []).append(k)
    yield from groups.values()
