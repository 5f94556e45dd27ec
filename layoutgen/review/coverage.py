"""How much of each pixel the polygons of a layout file cover: pictures of more than can be drawn.

Edges are summed as signed trapezoids, pixel by pixel, and added up along each row: an edge that rises by h
through a pixel covers h times its mean distance from the pixel's right side there, and h of every
later pixel of the row. That is exact for any polygon, and sums of many polygons are one sum. A
polygon under half a pixel is a point of its area, shared between the four nearest pixels (linear
deposit), which keeps the beat between lattice and pixels small.

Cells that stand in many places are painted once and copied, under their turns; what a copy's place has
beyond a whole pixel is shared between neighbours too. So a wafer of a thousand lenses takes as
long as its different lenses.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import kernel
from layoutgen.review.readcells import Box, IntArray, LayerKey
from layoutgen.review.window import Content, Layout, TooManyError, Turn, twice_area

__all__ = ["coverage"]

FloatArray = NDArray[np.float64]

#: Polygons painted one by one before cells that recur are painted once and copied.
MAX_PAINTED = 4_000_000
#: Pixels of one cell that is painted once: 32 MB.
MAX_CELL_PIXELS = 4_000_000
#: A polygon that spans less than this share of a pixel is painted as a point.
POINT = 0.5


@dataclass(eq=False, slots=True)
class _Image:
    """A picture in the making: pixel [row, col] spans x0 + col step .. x0 + (col + 1) step.

    area holds the trapezoids, points and copies what needs no adding up along rows.
    """

    x0: float
    y0: float
    step: float
    rows: int
    cols: int
    area: FloatArray = field(init=False)
    points: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self.area = np.zeros((self.rows, self.cols + 1))
        self.points = np.zeros((self.rows, self.cols))

    def finished(self) -> FloatArray:
        """Covered share of each pixel."""
        found: FloatArray = np.cumsum(self.area[:, :-1], axis=1)
        found += self.points
        return found


@dataclass(eq=False, slots=True)
class _Copy:
    """A cell painted once: pixel [j, i] is the one that begins at ((i0 + i) step, (j0 + j) step)."""

    i0: int
    j0: int
    pixels: FloatArray


def coverage(
    layout: Layout, window: Box, rows: int, *, layers: Collection[LayerKey] | None = None
) -> FloatArray:
    """Covered share of each pixel of a window, (rows, cols), row 0 lowest y.

    Pixels are square, window height / rows each way; cols follow from the width. Polygons that
    overlap count twice. layers: only these.
    """
    step = (window[3] - window[1]) / rows
    cols = max(1, round((window[2] - window[0]) / step))
    top = layout.number(layout.top)
    for limit in (MAX_PAINTED, None):
        image = _Image(window[0], window[1], step, rows, cols)
        painter = _Painter(layout, layers, limit)
        try:
            painter.paint(top, Turn(), image, window)
        except TooManyError:
            continue
        break
    return image.finished()


class _Painter:
    """Paints cells into images; with `left`, no more polygons than these, and no copies."""

    def __init__(
        self, layout: Layout, layers: Collection[LayerKey] | None, left: int | None
    ) -> None:
        self.layout = layout
        self.layers = layers
        self.left = left
        self.copies: dict[int, _Copy | None] = {}
        self.dots: dict[int, tuple[float, float, float] | None] = {}

    def _spend(self, count: int) -> None:
        if self.left is not None:
            self.left -= count
            if self.left < 0:
                raise TooManyError

    def paint(self, number: int, turn: Turn, image: _Image, window: Box) -> None:
        """Paint a cell under a turn."""
        layout, layers = self.layout, self.layers
        local = turn.inverse_box(window)
        content = layout.content(number)
        for _, outline, places in layout.shapes(content, turn, local, layers):
            self._outline(image, outline, places)
        content = self._dots(content, turn, image)
        held = [*layout.touching(content, local, layers)]
        times: dict[int, int] = {}
        for child, _, places in held:
            times[child] = times.get(child, 0) + len(places)
        for child, inner, places in held:
            below, where = turn.after(inner), turn.points(places)
            inside = layout.content(child)
            if inside.leaf:
                for _, outline, near in layout.leaves(child, below, where, window, layers):
                    self._outline(image, outline, near)
                continue
            again = self.left is None and times[child] > 1
            copy = self._copy(child, image.step) if again else None
            for x, y in where.tolist():
                if copy is None:
                    self.paint(child, below.at(x, y), image, window)
                else:
                    _paste(copy, below.at(x, y), image)

    def _outline(self, image: _Image, outline: IntArray, places: IntArray) -> None:
        self._spend(len(places))
        low, high = outline.min(axis=0), outline.max(axis=0)
        area2 = twice_area(outline)
        if int((high - low).max()) < POINT * image.step:
            x, y = ((low + high) / 2).tolist()
            share = abs(area2) / 2 / image.step**2
            _points(image.points, places, x - image.x0, y - image.y0, image.step, share)
        else:
            shape = outline if area2 > 0 else outline[::-1].copy()
            _edges(image.area, shape, places, image.x0, image.y0, image.step)

    def _dots(self, content: Content, turn: Turn, image: _Image) -> Content:
        """Paint all runs of cells that are one small polygon in one go; what is left of the cell."""
        runs = content.runs
        if not len(runs.item):
            return content
        items, group = content.items
        facts = np.zeros((len(items), 4))
        for k, item in enumerate(items.tolist()):
            dot = self._dot(item, image.step)
            if dot is not None:
                facts[k] = (1.0, *dot)
        small = facts[:, 0] > 0
        if not small.any():
            return content
        self._spend(int((runs.end - runs.start)[small[group]].sum()))
        matrix = np.array([turn.xx, turn.xy, turn.x0 - image.x0, turn.yx, turn.yy, turn.y0 - image.y0],
                          np.float64)  # fmt: skip
        _runs_as_points(image.points, group, runs.x, runs.y, runs.start, runs.end, runs.moves, facts,
                        matrix, image.step)  # fmt: skip
        rest = np.flatnonzero(~small[group])
        return Content(
            content.shapes,
            type(runs)(
                runs.item[rest], runs.x[rest], runs.y[rest], runs.start[rest], runs.end[rest],
                runs.moves,
            ),
            content.turned,
        )  # fmt: skip

    def _dot(self, number: int, step: float) -> tuple[float, float, float] | None:
        """Centre and share of a pixel of a cell that is one polygon, if it is to be a point.

        A cell on layers that are not wanted is a point without area.
        """
        if number not in self.dots:
            self.dots[number] = None
            content = self.layout.content(number)
            if content.leaf:
                shapes = content.shapes
                if len(shapes) == 1 and len(shapes[0].polygon) and shapes[0].places.count == 1:
                    self.dots[number] = self._as_dot(shapes[0].polygon + shapes[0].positions[0], (
                        shapes[0].layer, shapes[0].datatype), step)  # fmt: skip
        return self.dots[number]

    def _as_dot(
        self, outline: IntArray, layer: LayerKey, step: float
    ) -> tuple[float, float, float] | None:
        low, high = outline.min(axis=0), outline.max(axis=0)
        if int((high - low).max()) >= POINT * step:
            return None
        wanted = self.layers is None or layer in self.layers
        share = abs(twice_area(outline)) / 2 / step**2 if wanted else 0.0
        x, y = ((low + high) / 2).tolist()
        return x, y, share

    def _copy(self, number: int, step: float) -> _Copy | None:
        """A cell painted by itself, on pixels that meet at its origin; nothing where it is too large."""
        if number not in self.copies:
            box = self.layout.box_of(number)
            assert box is not None  # it touches a window
            i0, j0 = int(box[0] // step) - 1, int(box[1] // step) - 1
            cols, rows = int(box[2] // step) + 2 - i0, int(box[3] // step) + 2 - j0
            self.copies[number] = None
            if cols * rows <= MAX_CELL_PIXELS:
                own = _Image(i0 * step, j0 * step, step, rows, cols)
                self.paint(number, Turn(), own, box)
                self.copies[number] = _Copy(i0, j0, own.finished())
        return self.copies[number]


def _paste(copy: _Copy, turn: Turn, image: _Image) -> None:
    """Add a copy under a turn."""
    pixels, i0, j0 = copy.pixels, copy.i0, copy.j0
    rows, cols = pixels.shape
    if turn.xy:  # x' follows y, y' follows x
        pixels, i0, j0, rows, cols = pixels.T, j0, i0, cols, rows
        flip_x, flip_y = turn.xy < 0, turn.yx < 0
    else:
        flip_x, flip_y = turn.xx < 0, turn.yy < 0
    if flip_x:  # pixels i0 .. i0 + cols span x; under x -> -x they span -(i0 + cols) .. -i0
        pixels, i0 = pixels[:, ::-1], -(i0 + cols)
    if flip_y:
        pixels, j0 = pixels[::-1], -(j0 + rows)
    u, v = (turn.x0 - image.x0) / image.step, (turn.y0 - image.y0) / image.step
    a, b = int(np.floor(u)), int(np.floor(v))
    for dy, wy in ((0, 1 - (v - b)), (1, v - b)):
        for dx, wx in ((0, 1 - (u - a)), (1, u - a)):
            left, low = i0 + a + dx, j0 + b + dy
            c0, c1 = max(left, 0), min(left + cols, image.cols)
            r0, r1 = max(low, 0), min(low + rows, image.rows)
            if wx * wy and c0 < c1 and r0 < r1:
                inner = pixels[r0 - low : r1 - low, c0 - left : c1 - left]
                image.points[r0:r1, c0:c1] += wx * wy * inner


@kernel
def _deposit(image: Any, u: float, v: float, share: float) -> None:  # pragma: no cover
    """Share a point at (u, v), in pixels, between the four pixels whose centres are nearest."""
    rows, cols = image.shape
    u -= 0.5
    v -= 0.5
    if not (u > -1 and v > -1 and u < cols and v < rows):
        return
    col = int(np.floor(u))
    row = int(np.floor(v))
    fu = u - col
    fv = v - row
    if row >= 0:
        if col >= 0:
            image[row, col] += share * (1 - fv) * (1 - fu)
        if col + 1 < cols:
            image[row, col + 1] += share * (1 - fv) * fu
    if row + 1 < rows:
        if col >= 0:
            image[row + 1, col] += share * fv * (1 - fu)
        if col + 1 < cols:
            image[row + 1, col + 1] += share * fv * fu


@kernel
def _points(
    image: Any, places: Any, dx: float, dy: float, step: float, share: float
) -> None:  # pragma: no cover
    for i in range(places.shape[0]):
        _deposit(image, (places[i, 0] + dx) / step, (places[i, 1] + dy) / step, share)


@kernel
def _runs_as_points(
    image: Any, group: Any, x: Any, y: Any, start: Any, end: Any, moves: Any, facts: Any,
    matrix: Any, step: float,
) -> None:  # fmt: skip  # pragma: no cover
    """facts: for each group whether it is a point, its centre and share; matrix: turn and move."""
    for i in range(group.size):
        k = group[i]
        if facts[k, 0] == 0 or facts[k, 3] == 0:
            continue
        px = x[i] + facts[k, 1]
        py = y[i] + facts[k, 2]
        for j in range(start[i], end[i]):
            cx = px + moves[j, 0]
            cy = py + moves[j, 1]
            u = (matrix[0] * cx + matrix[1] * cy + matrix[2]) / step
            v = (matrix[3] * cx + matrix[4] * cy + matrix[5]) / step
            _deposit(image, u, v, facts[k, 3])


@kernel
def _edges(
    area: Any, outline: Any, places: Any, x0: float, y0: float, step: float
) -> None:  # pragma: no cover
    """Add the edges of a counter-clockwise polygon: what rises lies on its right, and counts less."""
    rows, width = area.shape
    cols = width - 1
    n = outline.shape[0]
    for i in range(places.shape[0]):
        for k in range(n):
            m = k + 1 if k + 1 < n else 0
            ax = (places[i, 0] + outline[k, 0] - x0) / step
            ay = (places[i, 1] + outline[k, 1] - y0) / step
            bx = (places[i, 0] + outline[m, 0] - x0) / step
            by = (places[i, 1] + outline[m, 1] - y0) / step
            if ay == by:
                continue
            sign = -1.0
            if ay > by:
                ax, bx = bx, ax
                ay, by = by, ay
                sign = 1.0
            if by <= 0 or ay >= rows:
                continue
            slope = (bx - ax) / (by - ay)
            if ay < 0:
                ax -= slope * ay
                ay = 0.0
            row = int(np.floor(ay))
            while row < rows and ay < by:
                top = min(by, row + 1.0)
                tx = bx if top == by else ax + slope * (top - ay)
                low = min(ax, tx)
                high = max(ax, tx)
                height = top - ay
                if high <= 0:
                    area[row, 0] += sign * height
                elif low < cols:
                    span = high - low
                    x = low
                    if x < 0:
                        area[row, 0] += sign * height * (0 - x) / span
                        x = 0.0
                    col = int(np.floor(x))
                    while col < cols:
                        end = min(high, col + 1.0)
                        part = height * (end - x) / span if span > 0 else height
                        mean = 1 - ((x + end) / 2 - col)
                        area[row, col] += sign * part * mean
                        area[row, col + 1] += sign * part * (1 - mean)
                        if end >= high:
                            break
                        x = end
                        col += 1
                ax = tx
                ay = top
                row += 1
