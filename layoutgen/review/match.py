"""Single polygons of two layouts, put together by their places.

Places are the centres of bounding boxes, times two so that an odd width needs no fractions. Polygons
that stand at one place with one outline are the same; those at one place with two outlines have changed
their size or their shape; what is left over is searched for its outline nearby.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.review.changes import MAX_EXAMPLES, Bins, Change, Place
from layoutgen.review.digests import Digests
from layoutgen.review.readcells import IntArray
from layoutgen.review.window import Turn, diameter_nm

__all__ = ["Loose", "Matcher", "Scales", "Where", "common_rows", "move_words"]

FloatArray = NDArray[np.float64]

#: Leftover polygons that are searched for the ones that have moved.
MAX_SEARCHED = 50_000
STILL = Turn()


@dataclass(frozen=True, slots=True)
class Where:
    """Which part of a wafer a cell belongs to, and how the cell stands in it.

    die: name of the die, known below the top cell. part: name of a lens, known below its cell; turn
    brings the cell to the lens's axis.
    """

    die: str = ""
    part: str = ""
    turn: Turn = STILL


#: Bins of a place: the part, and places (k, 2) from its axis in dbu -> scale -> lower ends (k,).
Scales = Callable[[str, FloatArray], Mapping[str, FloatArray]]


@dataclass(eq=False, slots=True)
class Loose:
    """Single polygons in a common frame: centres times two (k, 2), and the outline of each by number."""

    centres2: IntArray
    outlines: IntArray


class Matcher:
    """Every outline of two layouts under one number, and what differs between sets of polygons.

    drawn_nm: for each layout the drawn diameter by the key of the polygon; where both know theirs these
    are compared, else the diameters of the discs of equal area.
    """

    def __init__(
        self,
        digests: tuple[Digests, Digests],
        unit_nm: float,
        tolerance_nm: float,
        scales: Scales,
        drawn_nm: tuple[Mapping[bytes, float], Mapping[bytes, float]],
    ) -> None:
        self.digests, self.unit_nm = digests, unit_nm
        # a hair more: 0.3 nm may be 0.30000000000000004 after a subtraction
        self.tolerance_nm = tolerance_nm + 1e-9
        self.scales, self.drawn = scales, drawn_nm
        self.outlines: list[IntArray] = []
        self.words: list[tuple[int, int]] = []
        self.by_words: dict[tuple[int, int], int] = {}
        self.diameters: list[tuple[float, float | None, float | None]] = []

    def outline(self, side: int, polygon: IntArray) -> tuple[int, tuple[int, int]]:
        """Number of an outline, -1 where it encloses nothing, and its box's centre times two."""
        outline = self.digests[side].outline(polygon)
        if outline is None:
            return -1, (0, 0)
        if outline.words not in self.by_words:
            self.by_words[outline.words] = len(self.outlines)
            self.outlines.append(polygon)
            self.words.append(outline.words)
            key = outline.key
            self.diameters.append(
                (diameter_nm(polygon, self.unit_nm), self.drawn[0].get(key), self.drawn[1].get(key))
            )
        return self.by_words[outline.words], outline.centre2

    def compare(self, a: Loose, b: Loose, turn: Turn, where: Where, found: Change) -> None:
        rows = [
            np.column_stack([s.centres2, s.outlines]).astype(np.int64).view(np.uint64)
            for s in (a, b)
        ]
        common = common_rows(*rows)
        found.same += len(common[0])
        a, b = (_without(s, c) for s, c in zip((a, b), common, strict=True))
        # one polygon of each at one centre: it has changed its size or its shape
        paired = common_rows(*(s.centres2.astype(np.int64).view(np.uint64) for s in (a, b)))
        if len(paired[0]):
            self._resized(
                a.centres2[paired[0]],
                a.outlines[paired[0]],
                b.outlines[paired[1]],
                turn,
                where,
                found,
            )
        a, b = (_without(s, c) for s, c in zip((a, b), paired, strict=True))
        a, b = self._search(a, b, turn, found)
        for kind, left in (("gone", a), ("added", b)):
            setattr(found, kind, getattr(found, kind) + len(left.centres2))
            for centre2, outline in zip(left.centres2[:MAX_EXAMPLES].tolist(),
                                        left.outlines[:MAX_EXAMPLES].tolist(), strict=True):  # fmt: skip
                found.tell(kind, self._place(centre2, turn, f"{self._size(outline)}"))

    def _resized(
        self, centres2: IntArray, before: IntArray, after: IntArray, turn: Turn, where: Where,
        found: Change,
    ) -> None:  # fmt: skip
        """Polygons that stand where they stood, with another outline."""
        table = np.array(
            [[area, *(area if d is None else d for d in drawn)] for area, *drawn in self.diameters]
        )
        known = np.array([[d is not None for d in drawn] for _, *drawn in self.diameters])
        both = known[before, 0] & known[after, 1]
        delta = np.where(
            both, table[after, 2] - table[before, 1], table[after, 0] - table[before, 0]
        )
        change = np.round(delta, 2)
        reshaped = change == 0
        found.reshaped += int(reshaped.sum())
        within = ~reshaped & (np.abs(delta) <= self.tolerance_nm)
        found.within += int(within.sum())
        counted = ~reshaped & ~within
        if not counted.any():
            if reshaped.any():
                k = int(np.flatnonzero(reshaped)[0])
                found.tell(
                    "reshaped", self._place(centres2[k].tolist(), turn, self._size(int(before[k])))
                )
            return
        for nm, count in zip(*np.unique(change[counted], return_counts=True), strict=True):
            found.sizes[float(nm)] += int(count)
        first = np.flatnonzero(counted)[:MAX_EXAMPLES].tolist()
        for k in first:
            words = f"{float(delta[k]):+.4g} nm, was {self._size(int(before[k]))}"
            found.tell("resized", self._place(centres2[k].tolist(), turn, words))
        if where.part:
            half = where.turn.linear.points(centres2[counted]).astype(np.float64) / 2
            at = half + np.array([where.turn.x0, where.turn.y0], np.float64)
            for scale, lows in self.scales(where.part, at).items():
                for low in np.unique(lows[np.isfinite(lows)]).tolist():
                    here = delta[counted][lows == low]
                    found.by.setdefault((scale, low), Bins()).add(
                        len(here), float(here.sum()), float(here.min()), float(here.max())
                    )

    def _search(self, a: Loose, b: Loose, turn: Turn, found: Change) -> tuple[Loose, Loose]:
        """Pair leftover polygons with the nearest ones of the same outline in the other file."""
        if not len(a.centres2) or not len(b.centres2):
            return a, b
        if max(len(a.centres2), len(b.centres2)) > MAX_SEARCHED:
            return a, b
        from scipy.spatial import cKDTree

        used_a: list[int] = []
        used_b: list[int] = []
        for outline in np.intersect1d(a.outlines, b.outlines).tolist():
            ka, kb = np.flatnonzero(a.outlines == outline), np.flatnonzero(b.outlines == outline)
            pa, pb = a.centres2[ka].astype(np.float64), b.centres2[kb].astype(np.float64)
            to_b = np.atleast_1d(cKDTree(pb).query(pa)[1]).tolist()
            to_a = np.atleast_1d(cKDTree(pa).query(pb)[1]).tolist()
            for i, j in enumerate(to_b):
                if to_a[j] != i:
                    continue
                dx, dy = ((pb[j] - pa[i]) / 2).tolist()
                move = math.hypot(dx, dy) * self.unit_nm
                used_a.append(int(ka[i]))
                used_b.append(int(kb[j]))
                if move <= self.tolerance_nm:
                    found.within += 1
                    continue
                found.moved += 1
                found.moved_nm = max(found.moved_nm, move)
                words = f"{self._size(outline)} by {move_words(turn, dx, dy, self.unit_nm)}"
                found.tell("moved", self._place(a.centres2[ka[i]].tolist(), turn, words))
        return _without(a, np.array(used_a, np.int64)), _without(b, np.array(used_b, np.int64))

    def _place(self, centre2: Sequence[int], turn: Turn, words: str) -> Place:
        x, y = centre2[0] / 2, centre2[1] / 2
        return Place(
            turn.xx * x + turn.xy * y + turn.x0, turn.yx * x + turn.yy * y + turn.y0, words
        )

    def _size(self, outline: int) -> str:
        """An outline in words: a pillar's diameter, else the box of what is larger."""
        polygon = self.outlines[outline]
        width, height = (polygon.max(axis=0) - polygon.min(axis=0)).tolist()
        if max(width, height) * self.unit_nm < 2000:
            return f"{self.diameters[outline][0]:.2f} nm"
        return f"{width * self.unit_nm / 1e3:.6g} x {height * self.unit_nm / 1e3:.6g} um"


def common_rows(a: NDArray[np.uint64], b: NDArray[np.uint64]) -> tuple[IntArray, IntArray]:
    """Indices of rows that two arrays share, paired; a row that stands twice pairs twice."""
    ka, kb = _keys(a), _keys(b)
    order_a, order_b = np.argsort(ka, kind="stable"), np.argsort(kb, kind="stable")
    sa, sb = ka[order_a], kb[order_b]
    # the n-th of equal rows pairs with the n-th
    at = np.searchsorted(sb, sa, side="left") + _ranks(sa)
    inside = at < len(sb)
    match = np.zeros(len(sa), np.bool_)
    match[inside] = sb[at[inside]] == sa[inside]
    ia, ib = order_a[match], order_b[at[match]]
    # rows of one key are one row but for chance
    same = (a[ia] == b[ib]).all(axis=1)
    return ia[same], ib[same]


def _keys(rows: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """One word for each row, by the finaliser of SplitMix64."""
    found = np.zeros(len(rows), np.uint64)
    for column in rows.T:
        found ^= column * np.uint64(0x9E3779B97F4A7C15)
        for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
            found = (found ^ (found >> np.uint64(shift))) * np.uint64(factor)
        found ^= found >> np.uint64(31)
    return found


def _ranks(ordered: NDArray[np.uint64]) -> IntArray:
    """How many equal entries stand before each entry of an ordered array."""
    if not len(ordered):
        return np.zeros(0, np.int64)
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    start = np.flatnonzero(new)
    found: IntArray = np.arange(len(ordered)) - start[np.cumsum(new) - 1]
    return found


def _without(loose: Loose, used: IntArray) -> Loose:
    keep = np.ones(len(loose.centres2), np.bool_)
    keep[used] = False
    return Loose(loose.centres2[keep], loose.outlines[keep])


def move_words(turn: Turn, dx: float, dy: float, unit_nm: float) -> str:
    """A move in words, as it is in the top cell."""
    x = (turn.xx * dx + turn.xy * dy) * unit_nm
    y = (turn.yx * dx + turn.yy * dy) * unit_nm
    return f"({x:.6g}, {y:.6g}) nm"
