"""What surrounds each patterned part, and what that adds to its density.

Everything exposed within the kernel's reach counts. Where a part stands alone its density is that
of its design. Otherwise the density that its surroundings add is sampled on nodes of a third of
its raster's step, rounded to whole multiples of 1e-3, and interpolated linearly; parts of one design
with the same rounded field share one answer, computed from that field, so a lone lens keeps its
symmetry. Neighbours see each other: their unrounded fields are iterated together first.

With `exposed: background` the surroundings are the frames less the part's own, less all shapes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.around import ROUNDED, FieldBand, SurroundingField, field_of
from layoutgen.exposure.coverage import deposit_polygons, polygon_density
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.raster import Grid, SingleArray
from layoutgen.exposure.solve import Density, Exposed, Frame, solve
from layoutgen.wafer.designs import Design
from layoutgen.wafer.frames import Disc, Outline, Polygon, frames_less, united
from layoutgen.wafer.glyphs import label_box
from layoutgen.wafer.plan import PlacedDie, WaferPlan

__all__ = ["Scene", "Surrounding", "Thing", "build_scene"]

FloatArray = NDArray[np.float64]
Bounds = tuple[float, float, float, float]
Vertices = NDArray[np.int64] | NDArray[np.float64]

#: Nodes of what surroundings add to a node of the part's raster, and how many are worked out at once.
_FINER = 3
_MOST_NODES = 1 << 21
#: Surroundings whose whole weight is below this are left out: a tenth of what rounding changes.
_NEGLIGIBLE = 5e-5
#: Parts that add less than this to each other are not iterated together: a tenth of a neighbour's
#: density moves its area by half a per cent, and that of what it adds is 5e-5.
_STRONG = 1e-2
_SETTLED = 1e-5
_MOST_ROUNDS = 8


@dataclass(frozen=True, eq=False, slots=True)
class Figures:
    """Plain polygons from an anchor; frames count as exposed background, others as shapes."""

    key: tuple[object, ...]
    make: Callable[[], Sequence[Vertices]]
    frame: bool
    bounds: Bounds

    @property
    def polygons(self) -> tuple[FloatArray, ...]:
        """Made when asked for: most figures stand in nobody's reach."""
        return tuple(np.asarray(p, dtype=np.float64) for p in self.make())


@dataclass(frozen=True, slots=True)
class Thing:
    """Something exposed on the wafer: a design or figures, at an anchor in database units."""

    design: int  # index of a design, or -1
    figures: int  # index of figures, or -1
    x: int
    y: int
    die: int  # index of its die, -1 for marks
    item: int  # index in the die's recipe, -1 for none


@dataclass(eq=False)
class Surrounding:
    """One design in one surrounding: the field added, None where nothing is, and the density that follows."""

    design: Design
    symmetry: str
    added: SurroundingField | None
    density: Density | None  # None without a kernel or without a table that depends on density


@dataclass(eq=False)
class Scene:
    """Where each design stands and in which surrounding: (die, item, design) -> surrounding."""

    designs: Sequence[Design]
    things: list[Thing]
    figures: list[Figures]
    surroundings: list[Surrounding]
    of_thing: dict[int, int] = field(default_factory=dict)  # index in things -> in surroundings

    def counts(self, design: int) -> dict[int, int]:
        """How many things of a design stand in each surrounding."""
        found: dict[int, int] = {}
        for thing, surrounding in self.of_thing.items():
            if self.things[thing].design == design:
                found[surrounding] = found.get(surrounding, 0) + 1
        return found


def _polygon_bounds(polygons: Sequence[FloatArray]) -> Bounds:
    points = np.concatenate(polygons)
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


class _Builder:
    def __init__(
        self,
        plan: WaferPlan,
        designs: Sequence[Design],
        of_item: dict[tuple[str, str], list[int]],
        cells: dict[str, tuple[FloatArray, ...]],
        exposed: Exposed,
        jobs: int,
    ) -> None:
        self.plan = plan
        self.designs = designs
        self.of_item = of_item
        self.cells = cells
        self.exposed = exposed
        self.jobs = jobs
        self.figures: list[Figures] = []
        self._figure_index: dict[tuple[object, ...], int] = {}
        self.things: list[Thing] = []
        self.by_die: list[list[int]] = []
        self._lone: dict[int, Surrounding] = {}
        self._seen: set[int] = set()  # designs that others have near them
        #: Frames of dies with the same outlines, from a die's centre; of a design, from its centre.
        self._frames: dict[tuple[Outline, ...], list[Thing]] = {}
        self._own_frames: dict[int, Thing] = {}
        #: A raster holds its part's own frame whole, which reaches this far beyond the part.
        self.frame = float(plan.frame_width_dbu or 0)

    # --- everything that is exposed ------------------------------------------------------------

    def _figure(
        self, key: tuple[object, ...], polygons: Callable[[], Sequence[Vertices]],
        frame: bool = False, bounds: Bounds | None = None,
    ) -> int:  # fmt: skip
        if key not in self._figure_index:
            if bounds is None:
                made = [np.asarray(p, dtype=np.float64) for p in polygons()]
                bounds = _polygon_bounds(made) if made else (0.0, 0.0, 0.0, 0.0)
            self._figure_index[key] = len(self.figures)
            self.figures.append(Figures(key, polygons, frame, bounds))
        return self._figure_index[key]

    def gather(self) -> None:
        for number, die in enumerate(self.plan.dies):
            held: list[int] = []
            for thing in self._on_die(number, die):
                held.append(len(self.things))
                self.things.append(thing)
            self.by_die.append(held)
        for mark in self.plan.marks:
            at = np.array([mark.x, mark.y])

            def polygons(
                mark: object = mark, at: NDArray[np.int64] = at
            ) -> list[NDArray[np.int64]]:
                return [p - at for p in mark.polygons]  # type: ignore[attr-defined]

            figures = self._figure(("mark", mark.index), polygons)
            self.things.append(Thing(-1, figures, mark.x, mark.y, -1, -1))
        self.things += map(self._frame, self.plan.mark_frames)

    def _on_die(self, number: int, die: PlacedDie) -> Iterator[Thing]:
        for item, part in enumerate(self.plan.die_parts[die.name]):
            x, y = die.x + part.x, die.y + part.y
            if part.kind == "label":

                def label(die: PlacedDie = die, item: int = item) -> list[NDArray[np.int64]]:
                    part = self.plan.die_parts[die.name][item]
                    at = np.array([part.x, part.y])
                    return [p - at for p in self.plan.label_on(die, part)]

                key = ("label", part.text_on(die), part.height_dbu)
                width, height = label_box(part.text_on(die), part.height_dbu)
                box = (-width / 2, -height / 2, width / 2, height / 2)
                yield Thing(-1, self._figure(key, label, bounds=box), x, y, number, item)
            elif part.kind == "cell":
                name = part.name
                figures = self._figure(("cell", name), partial(self.cells.__getitem__, name))
                x, y = die.x + part.origin_x, die.y + part.origin_y
                yield Thing(-1, figures, x, y, number, item)
            else:
                for index in self.of_item[(part.kind, part.name)]:
                    design = self.designs[index]
                    yield Thing(index, -1, x + design.offset_x, y + design.offset_y, number, item)
        if self.plan.frame_width_dbu is not None:
            framed = self.plan.outlines_on(die)
            if framed not in self._frames:
                self._frames[framed] = [self._frame(p) for p in self.plan.frames_on(die)]
            for frame in self._frames[framed]:
                yield replace(frame, x=die.x + frame.x, y=die.y + frame.y, die=number)

    def _frame(self, polygon: Polygon) -> Thing:
        """A frame that stands on no die; its figures are those of its like elsewhere."""
        corner = polygon.min(axis=0)
        held = polygon - corner
        figures = self._figure(("frame", held.tobytes()), lambda: [held], frame=True)
        return Thing(-1, figures, int(corner[0]), int(corner[1]), -1, -1)

    def _own_frame(self, thing: Thing) -> Thing | None:
        """What a design's frame is among the things where it meets no other frame; None without frames."""
        if self.plan.frame_width_dbu is None:
            return None
        if thing.design not in self._own_frames:
            own = self.designs[thing.design].frame(self.plan.frame_width_dbu)
            self._own_frames[thing.design] = self._frame(own)
        frame = self._own_frames[thing.design]
        return replace(frame, x=thing.x + frame.x, y=thing.y + frame.y, die=thing.die)

    def bounds(self, thing: Thing) -> Bounds:
        own = (
            self.designs[thing.design].outline.bounds
            if thing.design >= 0
            else self.figures[thing.figures].bounds
        )
        return own[0] + thing.x, own[1] + thing.y, own[2] + thing.x, own[3] + thing.y

    @cached_property
    def boxes(self) -> FloatArray:
        """Box of every thing that `gather` found, (things, 4)."""
        found = np.array([self.bounds(thing) for thing in self.things], dtype=np.float64)
        return found.reshape(-1, 4)

    @cached_property
    def span(self) -> float:
        """Twice the longest way across everything: no place that is asked for is farther from a part."""
        across = self.boxes[:, 2:].max(axis=0) - self.boxes[:, :2].min(axis=0)
        return 2 * math.hypot(*across)

    # --- who stands in whose reach -------------------------------------------------------------

    def neighbours(self) -> dict[int, list[int]]:
        """Things in reach of each design thing, itself left out; what is negligible dropped."""
        reach = self.exposed.reach_dbu
        found: dict[int, list[int]] = {}
        known: dict[tuple[object, ...], list[int]] = {}
        search = _Search(self.boxes, reach)
        for number, thing in enumerate(self.things):
            if thing.design < 0:
                continue
            key = self._inner_key(number, thing, reach)
            if key is not None and key in known:
                # the same things by their position in the die
                held = self.by_die[thing.die]
                found[number] = [held[k] for k in known[key]]
                continue
            if key is not None:
                near = self.by_die[thing.die]
            else:
                near = search.near(number)
            # its own frame is no surrounding, unless it is one with another
            alone = self._own_frame(thing)
            others = [k for k in near if k != number and self.things[k] != alone]
            kept = self._weighty(number, others)
            found[number] = kept
            if key is not None:
                position = {k: i for i, k in enumerate(self.by_die[thing.die])}
                known[key] = [position[k] for k in kept]
        return found

    def _inner_key(self, number: int, thing: Thing, reach: float) -> tuple[object, ...] | None:
        """A key under which dies agree, where the reach ends inside the thing's own die."""
        if thing.die < 0:
            return None
        die, boxes = self.plan.dies[thing.die], self.boxes
        outline = self.plan.die_outline
        room = min(
            boxes[number, 0] - die.x - outline[:, 0].min(),
            die.x + outline[:, 0].max() - boxes[number, 2],
            boxes[number, 1] - die.y - outline[:, 1].min(),
            die.y + outline[:, 1].max() - boxes[number, 3],
        )
        # frames of neighbours reach over the die's edge by at most their width
        if room < reach + (self.plan.frame_width_dbu or 0):
            return None
        held = self.by_die[thing.die]
        near_figures = tuple(
            (i, self.things[k].figures, self.things[k].x - thing.x, self.things[k].y - thing.y)
            for i, k in enumerate(held)
            if self.things[k].design < 0 and _gap(boxes[number], boxes[k]) < reach
        )
        return die.name, thing.item, thing.design, near_figures

    def _weight(self, box: FloatArray, other: FloatArray) -> float:
        """A bound on the density that a box of full exposure adds anywhere in another."""
        gap = _gap(box, other)
        area = float((other[2] - other[0]) * (other[3] - other[1]))
        weight = 0.0
        for term in self.exposed.terms:
            if gap < term.reach_dbu:
                at = float(term.value(np.array(gap)))
                weight += term.share * min(term.outside(gap), at * area)
        return weight

    def _weighty(self, number: int, near: Sequence[int]) -> list[int]:
        weights = sorted((self._weight(self.boxes[number], self.boxes[k]), k) for k in near)
        total, keep = 0.0, []
        for weight, k in weights:
            total += weight
            if total >= _NEGLIGIBLE:
                keep.append(k)
        return sorted(keep)

    # --- classes -------------------------------------------------------------------------------

    def classes(self, around: dict[int, list[int]]) -> tuple[dict[int, int], list[int]]:
        """Class of each design thing, and one thing of each class.

        Two things share a class when the same things stand around them at the same places, and
        around those again: what a farther step could change is of third order.
        """
        first: dict[int, object] = {}
        for number, near in around.items():
            first[number] = (self.things[number].design, self._placed(number, near))
        names: dict[object, int] = {}
        short = {number: names.setdefault(key, len(names)) for number, key in first.items()}
        second: dict[object, int] = {}
        found: dict[int, int] = {}
        members: list[int] = []
        for number, near in around.items():
            me = self.things[number]
            key = (
                short[number],
                tuple(
                    sorted(
                        (self.things[k].x - me.x, self.things[k].y - me.y, short.get(k, -1))
                        for k in near
                    )
                ),
            )
            if key not in second:
                second[key] = len(second)
                members.append(number)
            found[number] = second[key]
        return found, members

    def _placed(self, number: int, near: Sequence[int]) -> tuple[tuple[int, int, int, int], ...]:
        me = self.things[number]
        return tuple(
            sorted(
                (t.x - me.x, t.y - me.y, t.design, t.figures)
                for t in (self.things[k] for k in near)
            )
        )

    # --- densities -----------------------------------------------------------------------------

    def lone(self, design_index: int) -> Surrounding:
        if design_index not in self._lone:
            design = self.designs[design_index]
            density = None
            if self.solving:
                raster = PartRaster(design.part(), self.exposed.terms, self.frame)
                density = self._solve(design, raster, None, design_index in self._seen)
            self._lone[design_index] = Surrounding(design, design.symmetry, None, density)
        return self._lone[design_index]

    @property
    def solving(self) -> bool:
        return bool(self.exposed.terms) and self.exposed.bias.depends_on_density

    def _solve(
        self, design: Design, raster: PartRaster, around: FloatArray | None, seen: bool
    ) -> Density:
        return solve(
            raster.part, self.exposed, design.site_area_nm2, raster=raster,
            frame=own_frame(design, self.exposed, self.plan.frame_width_dbu or 0),
            around=None if around is None else around.astype(np.float32), seen=seen,
            jobs=self.jobs,
        )  # fmt: skip

    def figures_at(
        self, number: int, near: Sequence[int], x: FloatArray, y: FloatArray
    ) -> FloatArray:
        """What plain figures and others' frames add at places from a thing's anchor."""
        me = self.things[number]
        total = np.zeros((len(y), len(x)))
        sign = -1.0 if self.exposed.background else 1.0
        frames: list[Polygon] = []
        for k in near:
            thing = self.things[k]
            if thing.figures < 0:
                continue
            figures = self.figures[thing.figures]
            at = np.array([thing.x - me.x, thing.y - me.y])
            if figures.frame:
                frames += [p + at for p in figures.make()]
            else:
                placed = [p + at for p in figures.polygons]
                total += sign * polygon_density(placed, self.exposed.terms, x, y)
        if frames:
            own = self.designs[me.design].frame(self.plan.frame_width_dbu or 0)
            others = frames_less(united(frames), [own])
            total += polygon_density(others, self.exposed.terms, x, y)
        return total

    def parts_at(
        self, number: int, near: Sequence[int], densities: dict[int, Density],
        class_of: dict[int, int], x: FloatArray, y: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """What other patterned parts add. A density holds its own frame, which is counted above."""
        me = self.things[number]
        total = np.zeros((len(y), len(x)))
        for k in near:
            thing = self.things[k]
            if thing.design >= 0:
                total += densities[class_of[k]].shapes_at(
                    x - (thing.x - me.x), y - (thing.y - me.y), self.span
                )
        return total

    def build(self) -> Scene:
        self.gather()
        scene = Scene(self.designs, self.things, self.figures, [])
        numbers = [n for n, thing in enumerate(self.things) if thing.design >= 0]
        if not self.solving:
            places: dict[int, int] = {}
            for n in numbers:
                design = self.things[n].design
                if design not in places:
                    places[design] = len(scene.surroundings)
                    scene.surroundings.append(self.lone(design))
                scene.of_thing[n] = places[design]
            return scene
        around = self.neighbours()
        self._seen = {
            self.things[k].design for near in around.values() for k in near
            if self.things[k].design >= 0
        }  # fmt: skip
        class_of, members = self.classes(around)
        seen = {class_of[k] for near in around.values() for k in near if k in class_of}
        densities = self._coupled(around, class_of, members, seen)
        self._finish(scene, around, class_of, members, densities)
        return scene

    def _coupled(
        self, around: dict[int, list[int]], class_of: dict[int, int], members: list[int],
        seen: set[int],
    ) -> dict[int, Density]:  # fmt: skip
        """Densities of every class with its unrounded surroundings, iterated until they settle."""
        densities: dict[int, Density] = {}
        coupled: list[int] = []
        for c, number in enumerate(members):
            index = self.things[number].design
            lone = self.lone(index)
            assert lone.density is not None
            densities[c] = lone.density
            box = self.boxes[number]
            # A weak neighbour's own surroundings move its area by some per cent of its weight.
            if any(
                self.things[k].design >= 0 and self._weight(box, self.boxes[k]) > _STRONG
                for k in around[number]
            ):
                coupled.append(c)
        if not any(c in seen for c in coupled):
            return densities  # what surrounds is settled already: one pass from the lone parts
        rasters: dict[int, PartRaster] = {}
        still: dict[int, FloatArray] = {}
        last: dict[int, FloatArray] = {}
        for c in coupled:
            number = members[c]
            design = self.designs[self.things[number].design]
            rasters[c] = PartRaster(design.part("whole"), self.exposed.terms, self.frame)
            grid = rasters[c].grid
            still[c] = self.figures_at(number, around[number], grid.xs(), grid.ys())
        for _ in range(_MOST_ROUNDS):
            change = 0.0
            found: dict[int, Density] = {}
            for c in coupled:
                number = members[c]
                grid = rasters[c].grid
                field_now = still[c] + self.parts_at(
                    number, around[number], densities, class_of, grid.xs(), grid.ys()
                )
                if c in last:
                    change = max(change, float(np.max(np.abs(field_now - last[c]))))
                else:
                    change = math.inf
                last[c] = field_now
                found[c] = self._solve(
                    self.designs[self.things[number].design], rasters[c], field_now, True
                )
            densities.update(found)
            if change < _SETTLED:
                break
        return densities

    def _finish(
        self, scene: Scene, around: dict[int, list[int]], class_of: dict[int, int],
        members: list[int], densities: dict[int, Density],
    ) -> None:  # fmt: skip
        places: dict[tuple[object, ...], int] = {}
        of_class: dict[int, int] = {}
        for c, number in enumerate(members):
            index = self.things[number].design
            design = self.designs[index]
            added = None
            if around[number]:
                added = self._rounded(number, around[number], densities, class_of)
            key: tuple[object, ...] = (index, None if added is None else added.key)
            if key not in places:
                places[key] = len(scene.surroundings)
                if added is None:
                    scene.surroundings.append(self.lone(index))
                else:
                    scene.surroundings.append(self._surrounded(design, added))
            of_class[c] = places[key]
        for number in around:
            scene.of_thing[number] = of_class[class_of[number]]

    def _rounded(
        self, number: int, near: Sequence[int], densities: dict[int, Density],
        class_of: dict[int, int],
    ) -> SurroundingField | None:  # fmt: skip
        """The rounded field of a thing on its finer nodes, or None where it is 0 everywhere."""
        design = self.designs[self.things[number].design]
        grid = PartRaster(design.part(), self.exposed.terms, 0.0).grid
        hx, hy = grid.hx / _FINER, grid.hy / _FINER
        half_x, half_y = design.domain.extent
        nx = int(half_x / hx) + 6 * _FINER
        ny = int(half_y / hy) + 6 * _FINER
        x = np.arange(-nx, nx + 1, dtype=np.float64) * hx
        y = np.arange(-ny, ny + 1, dtype=np.float64) * hy
        bands: list[FieldBand] = []
        inside = False
        pace = max(1, _MOST_NODES // len(x))
        for first in range(0, len(y), pace):
            rows = y[first : first + pace]
            added = self.figures_at(number, near, x, rows) + self.parts_at(
                number, near, densities, class_of, x, rows
            )
            # What lies beyond the part is of no use but for the spline next to its edge.
            away = _distance_beyond(design.outline, x, rows)
            rounded = np.floor(added * ROUNDED + 0.5).astype(np.int16)
            inside = inside or bool(rounded[away <= max(hx, hy)].any())
            rounded[away > 4 * max(grid.hx, grid.hy)] = 0
            bands.append(FieldBand.of(rounded))
        if not inside:
            return None
        return field_of(bands, x, y, hx, hy)

    def _surrounded(self, design: Design, added: SurroundingField) -> Surrounding:
        symmetry = _common_symmetry(design.symmetry, added)
        raster = PartRaster(design.part(symmetry), self.exposed.terms, self.frame)
        grid = raster.grid
        density = self._solve(design, raster, added.at(grid.xs(), grid.ys()), False)
        return Surrounding(design, symmetry, added, density)


def own_frame(design: Design, exposed: Exposed, width_dbu: int) -> Frame | None:
    """What gives the area of a design's own frame on nodes; None where frames are not exposed."""
    if not exposed.background:
        return None

    def frame(grid: Grid) -> SingleArray:
        return deposit_polygons([design.frame(width_dbu)], grid).astype(np.float32)

    return frame


def _distance_beyond(outline: Outline, x: FloatArray, y: FloatArray) -> FloatArray:
    """How far places x (cols,), y (rows,) lie outside an outline centred on the axis; 0 inside."""
    if isinstance(outline, Disc):
        return np.maximum(np.hypot(x[None, :], y[:, None]) - outline.radius, 0.0)
    dx = np.maximum(np.maximum(outline.x0 - x, x - outline.x1), 0.0)
    dy = np.maximum(np.maximum(outline.y0 - y, y - outline.y1), 0.0)
    return np.hypot(dx[None, :], dy[:, None])


def _common_symmetry(symmetry: str, added: SurroundingField) -> str:
    """The most of a design's symmetry that the field around it keeps."""
    mirror_x = symmetry in ("octant", "quadrant", "half_x") and added.mirrored_x
    mirror_y = symmetry in ("octant", "quadrant", "half_y") and added.mirrored_y
    if mirror_x and mirror_y:
        return "octant" if symmetry == "octant" and added.diagonal else "quadrant"
    return "half_x" if mirror_x else "half_y" if mirror_y else "whole"


def _gap(a: FloatArray, b: FloatArray) -> float:
    """Distance between two boxes (x0, y0, x1, y1); 0 where they meet."""
    dx = max(b[0] - a[2], a[0] - b[2], 0.0)
    dy = max(b[1] - a[3], a[1] - b[3], 0.0)
    return math.hypot(float(dx), float(dy))


class _Search:
    """Boxes near a box, by a list sorted along x."""

    def __init__(self, boxes: FloatArray, reach: float) -> None:
        self.boxes, self.reach = boxes, reach
        self.order = np.argsort(boxes[:, 0], kind="stable")
        self.lows = boxes[self.order, 0]
        self.widest = float((boxes[:, 2] - boxes[:, 0]).max()) if len(boxes) else 0.0

    def near(self, number: int) -> list[int]:
        box = self.boxes[number]
        first = np.searchsorted(self.lows, box[0] - self.reach - self.widest, side="left")
        last = np.searchsorted(self.lows, box[2] + self.reach, side="right")
        some = self.order[first:last]
        found = self.boxes[some]
        keep = (
            (found[:, 2] > box[0] - self.reach)
            & (found[:, 1] < box[3] + self.reach)
            & (found[:, 3] > box[1] - self.reach)
        )
        return sorted(int(k) for k in some[keep])


def build_scene(
    plan: WaferPlan,
    designs: Sequence[Design],
    of_item: dict[tuple[str, str], list[int]],
    cells: dict[str, tuple[FloatArray, ...]],
    exposed: Exposed,
    jobs: int = 1,
) -> Scene:
    """Find every surrounding on the wafer and solve the density of each design in each.

    of_item: (kind, name) of an item -> the designs that it places; cells: polygons of each foreign
    cell from its origin.
    """
    return _Builder(plan, designs, of_item, cells, exposed, jobs).build()
