"""Digests of cells: numbers that are equal where two cells draw the same, whatever the file format.

The digest of a cell on one layer is a sum over what it draws there and what it places, each term a
mix of 64 bits of place, turn, and the outline's or the placed cell's own digest; two such sums with
different seeds make 128 bits. A sum does not mind the order, so OASIS and GDSII files of one layout
agree cell by cell, and cells that differ nowhere are never looked into.

A second digest knows where polygons stand and not what they look like: layouts that differ in
sizes alone agree in it.

The mixing is that of SplitMix64 (Steele, Lea & Flood, OOPSLA 2014): good enough against chance, no
defence against somebody who wants two cells to seem equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import kernel
from layoutgen.review.readcells import IntArray, LayerKey, shape_key
from layoutgen.review.window import Layout, Turn

__all__ = ["Digests", "Outline", "outline_of", "turn_code"]

WordArray = NDArray[np.uint64]

#: Columns of a cell's row: two words of what it draws, two of where, and how many polygons.
WHAT, WHERE, COUNT = slice(0, 2), slice(2, 4), 4
#: Outlines remembered by their bytes.
MAX_OUTLINES = 100_000
_SEEDS = np.array([0x243F6A8885A308D3, 0x13198A2E03707344], np.uint64)  # digits of pi


@dataclass(frozen=True, eq=False, slots=True)
class Outline:
    """A polygon's outline: its key, two words made of it, and its box's centre times two."""

    key: bytes
    words: tuple[int, int]
    centre2: tuple[int, int]


def outline_of(polygon: IntArray) -> Outline:
    """The outline of a polygon (n, 2), the same for every way of writing its vertices down."""
    key, centre2 = shape_key(polygon)
    found = blake2b(key, digest_size=16).digest()
    return Outline(
        key, (int.from_bytes(found[:8], "little"), int.from_bytes(found[8:], "little")), centre2
    )


def turn_code(turn: Turn) -> int:
    """A number from 0 to 15 for the turn and mirror of a placement."""
    return (turn.xx + 1) + 3 * (turn.xy + 1) + 9 * (turn.yx + 1) + 27 * (turn.yy + 1)


class Digests:
    """The digests of the cells of a layout, made when asked for.

    `of(number, layer)` is (5,) uint64: see WHAT, WHERE, COUNT; all zero where the cell and what is
    below it draw nothing on the layer.
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self._rows: dict[int, dict[LayerKey, WordArray]] = {}
        self._outlines: dict[bytes, Outline | None] = {}
        self._nothing = np.zeros(5, np.uint64)

    def layers(self, number: int) -> dict[LayerKey, WordArray]:
        """Digests of a cell by layer."""
        if number not in self._rows:
            self.layout.box_of(
                number
            )  # read to know, not taken from a table: tells a ring of cells
            self._rows[number] = self._make(number)
        return self._rows[number]

    def of(self, number: int, layer: LayerKey) -> WordArray:
        """Digests of a cell on one layer."""
        return self.layers(number).get(layer, self._nothing)

    def outline(self, polygon: IntArray) -> Outline | None:
        """The outline of a polygon; None where it encloses nothing."""
        key = polygon.tobytes()
        if key not in self._outlines:
            if len(self._outlines) >= MAX_OUTLINES:
                self._outlines.clear()
            try:
                self._outlines[key] = outline_of(polygon)
            except ValueError:
                self._outlines[key] = None
        return self._outlines[key]

    def _make(self, number: int) -> dict[LayerKey, WordArray]:
        content = self.layout.content(number)
        found: dict[LayerKey, WordArray] = {}

        def row(layer: LayerKey) -> WordArray:
            return found.setdefault(layer, np.zeros(5, np.uint64))

        for shape in content.shapes:
            if not len(shape.polygon):
                continue
            outline = self.outline(shape.polygon)
            if outline is None:
                continue
            places = 2 * shape.positions + np.array(outline.centre2, np.int64)
            sums = row((shape.layer, shape.datatype))
            _add_places(
                places, np.uint64(128), np.array(outline.words, np.uint64), _SEEDS, sums[WHAT]
            )
            _add_places(places, np.uint64(128), np.zeros(2, np.uint64), _SEEDS, sums[WHERE])
            sums[COUNT] += np.uint64(len(places))
        runs = content.runs
        if len(runs.item):
            items, group = content.items
            below = [self.layers(item) for item in items.tolist()]
            for layer in sorted({layer for each in below for layer in each}):
                words = np.array([each.get(layer, self._nothing) for each in below], np.uint64)
                _add_runs(
                    group, runs.x, runs.y, runs.start, runs.end, runs.moves,
                    np.uint64(turn_code(Turn())), words, _SEEDS, row(layer),
                )  # fmt: skip
        for reference in content.turned:
            code = np.uint64(turn_code(self.layout.turn(reference)))
            places = reference.positions
            for layer, words in self.layers(self.layout.number(reference.cell)).items():
                sums = row(layer)
                _add_places(places, code, words[WHAT].copy(), _SEEDS, sums[WHAT])
                _add_places(places, code, words[WHERE].copy(), _SEEDS, sums[WHERE])
                sums[COUNT] += words[COUNT] * np.uint64(len(places))
        return found


@kernel
def _mix(h: Any) -> Any:  # pragma: no cover
    """The finaliser of SplitMix64."""
    h = (h ^ (h >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    h = (h ^ (h >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return h ^ (h >> np.uint64(31))


@kernel
def _term(seed: Any, x: Any, y: Any, code: Any, word: Any) -> Any:  # pragma: no cover
    h = _mix(seed ^ np.uint64(x) * np.uint64(0x9E3779B97F4A7C15))
    h = _mix(h ^ np.uint64(y) * np.uint64(0x9E3779B97F4A7C15))
    return _mix(h ^ (word + code * np.uint64(0x9E3779B97F4A7C15)))


@kernel
def _add_places(
    places: Any, code: Any, words: Any, seeds: Any, sums: Any
) -> None:  # pragma: no cover
    """Add the terms of one outline or cell at each place, (k, 2) int64."""
    for i in range(places.shape[0]):
        sums[0] += _term(seeds[0], places[i, 0], places[i, 1], code, words[0])
        sums[1] += _term(seeds[1], places[i, 0], places[i, 1], code, words[1])


@kernel
def _add_runs(
    group: Any, x: Any, y: Any, start: Any, end: Any, moves: Any, code: Any, words: Any, seeds: Any,
    sums: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Add the terms of plain references; words (groups, 5) of the cells placed."""
    for i in range(group.size):
        k = group[i]
        if words[k, 4] == 0:
            continue
        for j in range(start[i], end[i]):
            px = x[i] + moves[j, 0]
            py = y[i] + moves[j, 1]
            for lane in range(2):
                sums[lane] += _term(seeds[lane], px, py, code, words[k, lane])
                sums[2 + lane] += _term(seeds[lane], px, py, code, words[k, 2 + lane])
        sums[4] += words[k, 4] * np.uint64(end[i] - start[i])
