"""The whole wafer: which die stands where, what stands on it, and what may not stand there.

Places are as written: divided by the scale, rounded, and mirrored where the transfers are odd
(`layoutgen.wafer.written`). A part stands at its die's centre plus its own place, both whole
database units, so each kind of die is one cell.

    extent of a part   lens: the circle of half the aperture plus the collar; deflector: its
                       square; pad: the box of all its squares or patches; label: the box of its
                       dots; foreign cell: its bounding box, centred on `at`
    overlap            two extents, or the outlines of two marks, that share area; touching is none
    street             an extent (its frame, where the background is exposed) nearer than half the
                       street to its die's edge
    mark               takes every die whose rectangle its outline shares area with
    witness group      the free die nearest to its place, and the free dies nearest to that one; places are the
                       wafer's centre, half-way to the outermost die centre, and as far out as that,
                       evenly around from +x counter-clockwise

Overlaps, parts over a die's edge or in the street, and marks in the edge exclusion or a keep-out
are refused, all at once. The rules `street`, `edge_exclusion` and `keep_out` can be waived by name;
then the plan holds a failed rule instead. An overlap, or a part that leaves its die, cannot.
A mark nearer than half the street to a die that remains is only warned of: marks commonly stand
in streets.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.recipe.checks import second_layer
from layoutgen.recipe.model import (
    Box,
    Cross,
    Deflector,
    DieItem,
    Lens,
    Mark,
    Pad,
    Recipe,
    Stitch,
    StripPad,
    UniformPad,
    Vernier,
)
from layoutgen.wafer.dies import DieSite, DieSites, place_dies
from layoutgen.wafer.frames import (
    Disc,
    Outline,
    Rect,
    circle,
    frames_less,
    grown,
    united,
    wafer_outline,
)
from layoutgen.wafer.glyphs import dot_side, label_box, label_polygons, unknown_characters
from layoutgen.wafer.marks import mark_figure, rectangle
from layoutgen.wafer.pads import beta_nm, density_patches, row_extent
from layoutgen.wafer.written import Written, half_up, half_width

__all__ = ["Dropped", "Part", "PlacedDie", "PlacedMark", "RuleResult", "WaferPlan", "plan_wafer"]

Polygon = NDArray[np.int64]
Kind = Literal["lens", "deflector", "pad", "label", "cell"]

_Named = TypeVar("_Named", Lens, Deflector, Pad)

WAIVABLE = ("street", "edge_exclusion", "keep_out")


@dataclass(frozen=True, slots=True)
class RuleResult:
    """One rule of the trade, what was found and what is allowed; None where it has no input."""

    name: str
    value: float | None
    limit: float | None
    ok: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class PlacedDie:
    """One die: its name in the recipe, its place [col, row] on the part, its centre as written."""

    name: str
    col: int
    row: int
    x: int
    y: int
    zone: int | None  # index in the recipe's zones
    zone_bias_nm: float  # for its lenses

    @property
    def label(self) -> str:
        """What `label: die` reads."""
        return f"{self.col},{self.row}"


@dataclass(frozen=True, slots=True)
class Part:
    """What stands on a die; places in database units from the die's centre, as written."""

    kind: Kind
    name: str  # of the lens, deflector, pad or cell; of a label its text, or `die`
    index: int  # in the recipe's list for this die
    x: int
    y: int
    bias_nm: float
    dose: float
    text: str | None  # a label's; None for `label: die` and for what is no label
    height_dbu: int  # a label's, 0 for what is no label
    origin_x: int  # where a foreign cell's own origin goes; for the others x and y again
    origin_y: int
    outlines: tuple[Outline, ...]  # from the die's centre; empty for a label, whose text decides

    def text_on(self, die: PlacedDie) -> str:
        """What this label reads on a die."""
        return die.label if self.text is None else self.text

    def outlines_for(self, text: str) -> tuple[Outline, ...]:
        """The outlines, where a `label: die` reads `text`."""
        if self.kind != "label":
            return self.outlines
        width, height = label_box(text if self.text is None else self.text, self.height_dbu)
        return (
            Rect(
                self.x - width // 2,
                self.y - height // 2,
                self.x + width // 2,
                self.y + height // 2,
            ),
        )


@dataclass(frozen=True, eq=False, slots=True)
class PlacedMark:
    """One mark: polygons and outline are absolute, sizes those of the recipe.

    second: what a later step draws; second_layer: (layer, datatype) of it, None where there is none.
    """

    kind: str
    index: int  # in the recipe's marks
    x: int
    y: int
    polygons: tuple[Polygon, ...]
    outline: Polygon
    sizes: Mapping[str, float]
    second: tuple[Polygon, ...] = ()
    second_layer: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Dropped:
    """Sites [col, row] that lost their whole die, in the order of the dies."""

    marks: tuple[tuple[int, int], ...]
    keep_outs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class WaferPlan:
    """Where everything is. Coordinates are whole database units as written.

    dies are ordered by row and then column. mark_frames are absolute; both kinds of frames are
    empty unless the background is exposed.
    """

    dbu_nm: float
    mirrored: bool
    labels_mirrored: bool  # whether letters are drawn as in a mirror
    sites: DieSites
    dies: tuple[PlacedDie, ...]
    die_parts: Mapping[str, tuple[Part, ...]]  # of every die of the recipe
    marks: tuple[PlacedMark, ...]
    die_outline: Polygon  # from a die's centre; for viewing only, like wafer_outlines
    wafer_outlines: tuple[Polygon, ...]  # the wafer's edge with its notch, the edge exclusion
    mark_frames: tuple[Polygon, ...]
    frame_width_dbu: int | None
    warnings: tuple[str, ...]
    dropped: Dropped
    rules: tuple[RuleResult, ...]

    @cached_property
    def die_counts(self) -> dict[str, int]:
        """How many of each die of the recipe stand on the wafer, in the recipe's order."""
        counts = Counter(die.name for die in self.dies)
        return {name: counts[name] for name in self.die_parts}

    @cached_property
    def outlines(self) -> tuple[Polygon, ...]:
        """Everything that is for viewing only: wafer, edge exclusion, and each die's rectangle."""
        return self.wafer_outlines + tuple(
            self.die_outline + np.array([die.x, die.y]) for die in self.dies
        )

    @cached_property
    def _frames(self) -> dict[tuple[Outline, ...], tuple[Polygon, ...]]:
        return {}

    def frames_on(self, die: PlacedDie) -> tuple[Polygon, ...]:
        """A die's frames from its centre, one where they meet; none unless the background is exposed.

        Dies with the same outlines get the same object.
        """
        if self.frame_width_dbu is None:
            return ()
        outlines = self.outlines_on(die)
        if outlines not in self._frames:
            self._frames[outlines] = united(
                [grown(outline, self.frame_width_dbu) for outline in outlines]
            )
        return self._frames[outlines]

    def outlines_on(self, die: PlacedDie) -> tuple[Outline, ...]:
        """The outlines of everything on a die, from its centre; letters are not equally wide."""
        parts = self.die_parts[die.name]
        return tuple(outline for part in parts for outline in part.outlines_for(die.label))

    def label_on(self, die: PlacedDie, part: Part) -> list[Polygon]:
        """A label's polygons from the die's centre."""
        place = np.array([part.x, part.y], dtype=np.int64)
        return [
            polygon + place
            for polygon in label_polygons(
                part.text_on(die), height_dbu=part.height_dbu, mirrored=self.labels_mirrored
            )
        ]


def plan_wafer(
    recipe: Recipe,
    *,
    dbu_nm: float,
    cell_boxes: Mapping[str, tuple[int, int, int, int]] | None = None,
) -> WaferPlan:
    """Place dies, parts and marks, and check that nothing stands where it may not.

    cell_boxes holds the bounding box (x0, y0, x1, y1) of each foreign cell that is placed, in
    database units from the cell's own origin. Raises InputError with every problem found.
    """
    return _Planner(recipe, dbu_nm, cell_boxes or {}).plan()


def _um(length_dbu: float, dbu_nm: float) -> str:
    return f"{length_dbu * dbu_nm / 1e3:.7g} um"


class _Planner:
    """One planning run: gathers problems, warnings and rules on the way."""

    def __init__(
        self, recipe: Recipe, dbu_nm: float, cell_boxes: Mapping[str, tuple[int, int, int, int]]
    ) -> None:
        self.recipe = recipe
        self.wafer = recipe.wafer
        self.dbu_nm = dbu_nm
        self.cell_boxes = cell_boxes
        self.written = Written.of(recipe, dbu_nm)
        self.problems: list[str] = []
        self.warnings: list[str] = []
        self.broken: dict[str, list[str]] = {name: [] for name in WAIVABLE}
        # places are rounded, so things that touch on a scaled part may come to share a grid step
        self.slack = 1e-3 if self.written.scale == 1 else 1.0
        self.half_die = tuple(
            float(self.written.part_size(pitch) / 2) for pitch in self.wafer.die_pitch_nm
        )
        self.half_street = float(self.written.size(self.wafer.street_nm) / 2)
        self.beta = beta_nm(recipe.exposure.backscatter)
        self.frame_width = self.written.frame_width(recipe.exposure)

    def plan(self) -> WaferPlan:
        try:
            sites = place_dies(self.wafer, self.written)
        except InputError as error:
            self.problems.extend(error.problems)
            sites = None
        parts = {name: self._parts(name, items) for name, items in self.recipe.dies.items()}
        marks = self._marks()
        if sites is None:
            raise InputError(self.problems)
        lost = self._lost_to_marks(sites, marks)
        dies = self._dies(sites, lost)
        nearest_edge = self._check_dies(parts, dies)
        self._check_marks(marks)
        self._warn_of_streets(marks, dies)
        self._warn_of_collars()
        rules = self._rules(dies, marks, nearest_edge)
        if self.problems:
            raise InputError(self.problems)
        across = self.written.size(self.wafer.diameter_nm)
        inner = across - 2 * self.written.size(self.wafer.edge_exclusion_nm)
        half_x, half_y = (half_width(self.written.part_size(p)) for p in self.wafer.die_pitch_nm)
        return WaferPlan(
            dbu_nm=self.dbu_nm,
            mirrored=self.written.mirrored,
            labels_mirrored=self.written.mirrored and self.recipe.replication.labels == "part",
            sites=sites,
            dies=dies,
            die_parts=parts,
            marks=marks,
            die_outline=rectangle(-half_x, -half_y, half_x, half_y),
            wafer_outlines=(
                wafer_outline(float(across), self.dbu_nm),
                circle(float(inner / 2)),
            ),
            mark_frames=self._mark_frames(marks, dies, parts),
            frame_width_dbu=self.frame_width,
            warnings=tuple(self.warnings),
            dropped=Dropped(
                marks=tuple((s.col, s.row) for s in sites.sites if (s.col, s.row) in lost),
                keep_outs=tuple(sorted(sites.kept_out, key=lambda site: (site[1], site[0]))),
            ),
            rules=rules,
        )

    # --- parts ---------------------------------------------------------------------------------

    def _parts(self, die: str, items: Sequence[DieItem]) -> tuple[Part, ...]:
        parts = []
        for index, item in enumerate(items):
            try:
                parts.append(self._part(item, index))
            except ValueError as error:
                self.problems.append(f"dies.{die}[{index}]: {error}")
        return tuple(parts)

    def _part(self, item: DieItem, index: int) -> Part:
        """Where an item of a die is written; raises ValueError ("want ..., got ...")."""
        x, y = self.written.x(item.at_nm[0]), self.written.y(item.at_nm[1])
        origin = (x, y)
        text: str | None = None
        height = 0
        kind: Kind
        outlines: tuple[Outline, ...] = ()
        if item.lens is not None:
            kind, name = "lens", item.lens
            lens = _named(self.recipe.lenses, name, "lens")
            radius = self.written.part_size(lens.aperture_nm / 2)
            radius += self.written.part_size(lens.collar_nm)
            outlines = (Disc(x, y, float(radius)),)
        elif item.deflector is not None:
            kind, name = "deflector", item.deflector
            deflector = _named(self.recipe.deflectors, name, "deflector")
            half = float(self.written.size(deflector.size_nm) / 2)
            outlines = (Rect(x - half, y - half, x + half, y + half),)
        elif item.pad is not None:
            kind, name = "pad", item.pad
            outlines = self._pad_outlines(name, x, y)
        elif item.cell is not None:
            kind, name = "cell", item.cell
            if name not in self.cell_boxes:
                raise ValueError(f"want cell '{name}' with a bounding box, got nothing")
            x0, y0, x1, y1 = self.cell_boxes[name]
            # the box's centre stands on `at`; a half step left over goes down and left on the part
            sign = -1 if self.written.mirrored else 1
            origin = (x - sign * ((x0 + x1 + 1) // 2), y - (y0 + y1 + 1) // 2)
            across = sorted((origin[0] + sign * x0, origin[0] + sign * x1))
            outlines = (Rect(across[0], origin[1] + y0, across[1], origin[1] + y1),)
        else:
            kind = "label"
            text = None if item.label == "die" or item.label is None else item.label.text
            name = "die" if text is None else text
            if text is not None and unknown_characters(text):
                raise ValueError(
                    f"want a label of letters, digits and - + _ . , / : [ ] ( ) #, got {text!r}"
                )
            if item.height_nm is None:
                raise ValueError("want a label with a height, got nothing")
            height = half_up(self.written.size(item.height_nm))
            dot_side(height)  # refuses what is too small to draw
        return Part(
            kind=kind,
            name=name,
            index=index,
            x=x,
            y=y,
            bias_nm=item.bias_nm,
            dose=item.dose,
            text=text,
            height_dbu=height,
            origin_x=origin[0],
            origin_y=origin[1],
            outlines=outlines,
        )

    def _pad_outlines(self, name: str, x: int, y: int) -> tuple[Outline, ...]:
        pad = _named(self.recipe.pads, name, "pad")
        dbu, mirrored = self.written.dbu, self.written.mirrored
        if isinstance(pad, (UniformPad, StripPad)):
            half_x, half_y = row_extent(pad, dbu)
            return (Rect(x - half_x, y - half_y, x + half_x, y + half_y),)
        if self.beta is None:
            raise ValueError(
                f"want exposure.backscatter to size density pad '{name}' by, got no term"
            )
        patches = density_patches(
            pad,
            dbu,
            beta=self.beta,
            pitch_nm=self.recipe.lattice_of(pad).pitch_nm,
            mirrored=mirrored,
        )
        return tuple(
            Rect(x + p.x - p.half, y + p.y - p.half, x + p.x + p.half, y + p.y + p.half)
            for p in patches
        )

    def _check_dies(
        self, parts: Mapping[str, tuple[Part, ...]], dies: Sequence[PlacedDie]
    ) -> float | None:
        """Look at each kind of die once; returns the smallest distance to an edge, in dbu."""
        widest: dict[str, str] = {}
        for die in dies:
            most = widest.get(die.name)
            if most is None or _width(die.label) > _width(most):
                widest[die.name] = die.label
        nearest: float | None = None
        for name, things in parts.items():
            extents = [_extent(part.outlines_for(widest.get(name, "0,0"))) for part in things]
            for part, extent in zip(things, extents, strict=True):
                distance = self._to_edge(extent)
                self._check_edge(name, part, distance)
                if name in widest:
                    nearest = distance if nearest is None else min(nearest, distance)
            self._check_overlaps(name, things, extents)
        return nearest

    def _to_edge(self, extent: Outline) -> float:
        """From what is written to the die's edge; negative beyond it."""
        x0, y0, x1, y1 = extent.bounds
        half_x, half_y = self.half_die
        return min(x0 + half_x, half_x - x1, y0 + half_y, half_y - y1) - (self.frame_width or 0)

    def _check_edge(self, die: str, part: Part, distance: float) -> None:
        where = f"dies.{die}[{part.index}]"
        what = f"{part.kind} '{part.name}'" + (" and its frame" if self.frame_width else "")
        if distance < -self.slack:
            width, height = (2 * half for half in self.half_die)
            self.problems.append(
                f"{where}: want {what} inside its die of {_um(width, self.dbu_nm)} x "
                f"{_um(height, self.dbu_nm)}, got {_um(-distance, self.dbu_nm)} beyond its edge"
            )
        elif distance < self.half_street - self.slack:
            self.broken["street"].append(
                f"{where}: want {what} at least half a street, "
                f"{_um(self.half_street, self.dbu_nm)}, from the die's edge, got "
                f"{_um(max(distance, 0.0), self.dbu_nm)}"
            )

    def _check_overlaps(self, die: str, parts: Sequence[Part], extents: Sequence[Outline]) -> None:
        if len(parts) < 2:
            return
        boxes = [shapely.box(*extent.bounds) for extent in extents]
        pairs = shapely.STRtree(boxes).query(boxes, predicate="intersects").T.tolist()
        for a, b in sorted((a, b) for a, b in pairs if a < b):
            if _depth(extents[a], extents[b]) > self.slack:
                first, second = parts[a], parts[b]
                at_a, at_b = (self.recipe.dies[die][p.index].at_nm for p in (first, second))
                self.problems.append(
                    f"dies.{die}[{second.index}]: want {second.kind} '{second.name}' clear of "
                    f"{first.kind} '{first.name}' (item {first.index} at {_mm(at_a)}), got an "
                    f"overlap at {_mm(at_b)}"
                )

    # --- dies ----------------------------------------------------------------------------------

    def _dies(
        self, sites: DieSites, lost: Mapping[tuple[int, int], PlacedMark]
    ) -> tuple[PlacedDie, ...]:
        instead = self._instead(sites, lost)
        zones = sorted(
            ((self.written.size(zone.outer_nm) ** 2).__floor__(), index, zone.bias_nm)
            for index, zone in enumerate(self.wafer.zones)
        )
        dies = []
        for site in sites.sites:
            place = (site.col, site.row)
            if place in lost:
                continue
            far = site.x * site.x + site.y * site.y
            zone = next((zone for zone in zones if far <= zone[0]), None)
            dies.append(
                PlacedDie(
                    name=instead.get(place, self.wafer.fill),
                    col=site.col,
                    row=site.row,
                    x=site.x,
                    y=site.y,
                    zone=None if zone is None else zone[1],
                    zone_bias_nm=0.0 if zone is None else zone[2],
                )
            )
        if not dies:
            self.problems.append(
                f"wafer.marks: want marks that leave at least one die, got marks on all "
                f"{len(sites.sites)}"
            )
        placed = {die.name for die in dies}
        self.warnings += [
            f"dies.{name}: defined and never placed"
            for name in self.recipe.dies
            if name not in placed
        ]
        return tuple(dies)

    def _instead(
        self, sites: DieSites, lost: Mapping[tuple[int, int], PlacedMark]
    ) -> dict[tuple[int, int], str]:
        """Which die stands at a site instead of the fill die."""
        there = {(site.col, site.row) for site in sites.sites}
        instead: dict[tuple[int, int], str] = {}
        for k, entry in enumerate(self.wafer.instead):
            for col, row in entry.sites:
                where = f"wafer.instead[{k}]: site [{col}, {row}] for die '{entry.die}'"
                if (col, row) in instead:
                    self.problems.append(
                        f"wafer.instead[{k}].sites: want each site once, got [{col}, {row}] for "
                        f"die '{entry.die}' and before for die '{instead[col, row]}'"
                    )
                elif (col, row) in sites.kept_out:
                    self.warnings.append(f"{where} does not exist: it lies in a keep-out")
                elif (col, row) not in there:
                    self.warnings.append(f"{where} does not exist: no whole die fits there")
                elif (col, row) in lost:
                    mark = lost[col, row]
                    self.warnings.append(
                        f"{where} is lost to the {mark.kind} mark of wafer.marks[{mark.index}]"
                    )
                instead[col, row] = entry.die
        self._add_witnesses(instead, [s for s in sites.sites if (s.col, s.row) not in lost])
        return instead

    def _add_witnesses(self, instead: dict[tuple[int, int], str], sites: Sequence[DieSite]) -> None:
        """Give each witness group its sites; of equally near ones the lower row, then the lower col."""
        witness = self.wafer.witness
        if witness is None or not sites:
            return
        sign = -1 if self.written.mirrored else 1  # angles are those of the part
        rim = math.sqrt(max(site.x**2 + site.y**2 for site in sites))
        places = [(0, 0)]
        for radius, count in ((rim / 2, witness.middle), (rim, witness.rim)):
            places += [
                (sign * round(radius * math.cos(angle)), round(radius * math.sin(angle)))
                for angle in (2 * math.pi * k / count for k in range(count))
            ]
        free = [site for site in sites if (site.col, site.row) not in instead]
        if len(free) < len(places) * len(witness.dies):
            self.problems.append(
                f"wafer.witness: want {len(places) * len(witness.dies)} free dies for {len(places)} groups of "
                f"{len(witness.dies)}, got {len(free)}"
            )
            return
        for x, y in places:
            first = _nearest_first(free, x, y)[0]
            free = _nearest_first(free, first.x, first.y)  # the others beside the first
            for name, site in zip(witness.dies, free, strict=False):
                instead[site.col, site.row] = name
            del free[: len(witness.dies)]

    # --- marks ---------------------------------------------------------------------------------

    def _marks(self) -> tuple[PlacedMark, ...]:
        marks = []
        for index, mark in enumerate(self.wafer.marks):
            try:
                figure = mark_figure(mark, self.written.dbu)
            except ValueError as error:
                self.problems.append(f"wafer.marks[{index}]: {error}")
                continue
            if isinstance(mark, Stitch):
                self._check_fields_of(index, int(np.ptp(figure.outline[:, 0])))
            if self.written.mirrored:
                figure = figure.mirrored()
            for at in mark.at_nm:
                x, y = self.written.x(at[0]), self.written.y(at[1])
                place = np.array([x, y], dtype=np.int64)
                marks.append(
                    PlacedMark(
                        kind=mark.kind,
                        index=index,
                        x=x,
                        y=y,
                        polygons=tuple(p + place for p in figure.polygons),
                        outline=figure.outline + place,
                        sizes=_sizes(mark, mirrored=self.written.mirrored),
                        second=tuple(p + place for p in figure.second),
                        second_layer=second_layer(mark),
                    )
                )
        return tuple(marks)

    def _check_fields_of(self, index: int, across: int) -> None:
        """A stitch mark lies in the four fields around its centre."""
        field = self.recipe.exposure.write_field_nm
        if field is None or across > 2 * field / self.dbu_nm:
            self.problems.append(
                f"wafer.marks[{index}]: want exposure.write_field of at least half the stitch mark's side, "
                f"{_um(across / 2, self.dbu_nm)}, got "
                f"{'nothing' if field is None else f'{field / 1e3:g} um'}"
            )

    def _with_frame(self, mark: PlacedMark) -> Polygon:
        """As far as a mark reaches: its outline, or its frame where there is one."""
        return grown(mark.outline, self.frame_width) if self.frame_width else mark.outline

    def _mark_frames(
        self, marks: Sequence[PlacedMark], dies: Sequence[PlacedDie],
        parts: Mapping[str, Sequence[Part]],
    ) -> tuple[Polygon, ...]:  # fmt: skip
        """Frames of marks, one where they meet; what a die's own frames cover beside them is left to those."""
        if self.frame_width is None:
            return ()
        frames = united([self._with_frame(mark) for mark in marks])
        centres = np.array([(die.x, die.y) for die in dies], dtype=np.int64).reshape(-1, 2)
        beside = [
            grown(outline, self.frame_width) + centres[k]
            for k in sorted({k for frame in frames for k in self._near(centres, frame, 0.0)})
            for part in parts[dies[k].name]
            for outline in part.outlines_for(dies[k].label)
        ]
        return frames_less(frames, beside)

    def _lost_to_marks(
        self, sites: DieSites, marks: Sequence[PlacedMark]
    ) -> dict[tuple[int, int], PlacedMark]:
        """Sites whose die a mark falls on, and the first mark that does."""
        lost: dict[tuple[int, int], PlacedMark] = {}
        centres = np.array([(s.x, s.y) for s in sites.sites], dtype=np.int64).reshape(-1, 2)
        for mark in marks:
            shape = shapely.Polygon(mark.outline)
            for k in self._near(centres, mark.outline, 0.0):
                site = sites.sites[k]
                die = self._die_box(site.x, site.y)
                if shape.intersects(die) and not shape.touches(die):
                    lost.setdefault((site.col, site.row), mark)
        return lost

    def _die_box(self, x: int, y: int) -> shapely.Polygon:
        """A die's rectangle, less the slack of rounded places."""
        inset = 0.0 if self.written.scale == 1 else self.slack
        half_x, half_y = (half - inset for half in self.half_die)
        return shapely.box(x - half_x, y - half_y, x + half_x, y + half_y)

    def _near(self, centres: Polygon, outline: Polygon, reach: float) -> list[int]:
        """Which dies come within `reach` of an outline's bounding box."""
        low, high = outline.min(axis=0) - reach, outline.max(axis=0) + reach
        half = np.array(self.half_die)
        found = np.all((centres + half >= low) & (centres - half <= high), axis=1)
        return [int(k) for k in np.flatnonzero(found)]

    def _check_marks(self, marks: Sequence[PlacedMark]) -> None:
        across = self.written.size(self.wafer.diameter_nm)
        across -= 2 * self.written.size(self.wafer.edge_exclusion_nm)
        reach = across / 2  # above 0, or no die would have been laid
        reach2 = (reach * reach).__floor__()
        keep_outs = [
            shapely.box(
                x - float(self.written.size(keep_out.size_nm[0]) / 2),
                y - float(self.written.size(keep_out.size_nm[1]) / 2),
                x + float(self.written.size(keep_out.size_nm[0]) / 2),
                y + float(self.written.size(keep_out.size_nm[1]) / 2),
            )
            for keep_out in self.wafer.keep_out
            for x, y in [(self.written.x(keep_out.at_nm[0]), self.written.y(keep_out.at_nm[1]))]
        ]
        for mark in marks:
            where = f"wafer.marks[{mark.index}]"
            what = f"{mark.kind} at {self._place(mark)}"
            outline = self._with_frame(mark)
            if self.frame_width:
                what += " and its frame"
            far2 = max(x * x + y * y for x, y in outline.tolist())
            if far2 > reach2:
                self.broken["edge_exclusion"].append(
                    f"{where}: want {what} within {float(reach) * self.dbu_nm / 1e6:.7g} mm of the "
                    f"wafer centre (the edge exclusion), got "
                    f"{math.sqrt(far2) * self.dbu_nm / 1e6:.7g} mm"
                )
            shape = shapely.Polygon(outline)
            for k, keep_out in enumerate(keep_outs):
                if shape.intersects(keep_out) and not shape.touches(keep_out):
                    self.broken["keep_out"].append(
                        f"{where}: want {what} outside of wafer.keep_out[{k}], got an overlap"
                    )
        shapes = [shapely.Polygon(mark.outline) for mark in marks]
        if len(shapes) < 2:
            return
        pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects").T.tolist()
        for a, b in sorted((a, b) for a, b in pairs if a < b):
            if not shapes[a].touches(shapes[b]):
                first, second = marks[a], marks[b]
                self.problems.append(
                    f"wafer.marks[{second.index}]: want {second.kind} at {self._place(second)} "
                    f"clear of the {first.kind} of wafer.marks[{first.index}] at "
                    f"{self._place(first)}, got an overlap"
                )

    def _place(self, mark: PlacedMark) -> str:
        return f"[{mark.x * self.dbu_nm / 1e6:.7g} mm, {mark.y * self.dbu_nm / 1e6:.7g} mm]"

    # --- warnings and rules --------------------------------------------------------------------

    def _warn_of_streets(self, marks: Sequence[PlacedMark], dies: Sequence[PlacedDie]) -> None:
        reach = self.half_street + (self.frame_width or 0)
        if reach == 0 or not dies:
            return
        centres = np.array([(die.x, die.y) for die in dies], dtype=np.int64)
        for mark in marks:
            shape = shapely.Polygon(mark.outline)
            for k in self._near(centres, mark.outline, reach):
                distance = shape.distance(self._die_box(dies[k].x, dies[k].y))
                if distance < reach - self.slack:
                    what = "half a street" + (" and its frame" if self.frame_width else "")
                    self.warnings.append(
                        f"wafer.marks[{mark.index}]: the {mark.kind} at {self._place(mark)} is "
                        f"{_um(distance, self.dbu_nm)} from die [{dies[k].col}, {dies[k].row}], "
                        f"nearer than {what}, {_um(reach, self.dbu_nm)}"
                    )

    def _warn_of_collars(self) -> None:
        if self.beta is None:
            return
        for lens in self.recipe.lenses:
            if lens.collar_nm < 2 * self.beta:
                self.warnings.append(
                    f"lenses.{lens.name}.collar: {lens.collar_nm / 1e3:g} um is under 2 beta, "
                    f"{2 * self.beta / 1e3:g} um, so the rim sees less than its full density"
                )

    def _rules(
        self,
        dies: Sequence[PlacedDie],
        marks: Sequence[PlacedMark],
        nearest_edge: float | None,
    ) -> tuple[RuleResult, ...]:
        """What the plan keeps to. Broken rules become problems unless the recipe waives them."""
        for name, sentences in self.broken.items():
            if name not in self.recipe.waive:
                self.problems += sentences
        radius = float(self.written.size(self.wafer.diameter_nm) / 2)
        corners = [
            math.hypot(abs(die.x) + self.half_die[0], abs(die.y) + self.half_die[1]) for die in dies
        ]
        corners += [math.hypot(x, y) for mark in marks for x, y in self._with_frame(mark).tolist()]
        edge_mm = (radius - max(corners)) * self.dbu_nm / 1e6 if corners else None
        street_um = None if nearest_edge is None else nearest_edge * self.dbu_nm / 1e3
        return (
            self._rule(
                "street",
                street_um,
                self.wafer.street_nm / 2e3,
                "smallest distance from a die's edge to what is written on it, um, "
                "and half the street",
            ),
            self._rule(
                "edge_exclusion",
                edge_mm,
                self.wafer.edge_exclusion_nm / 1e6,
                "smallest distance from the wafer's edge to a die or mark, mm, "
                "and the edge exclusion",
            ),
            self._rule(
                "keep_out",
                float(len(self.broken["keep_out"])),
                0.0,
                "marks that reach into a keep-out",
            ),
        )

    def _rule(
        self, name: str, value: float | None, limit: float | None, meaning: str
    ) -> RuleResult:
        sentences = self.broken[name]
        sentence = "; ".join(sentences) if sentences else meaning
        return RuleResult(name, value, limit, not sentences, sentence)


def _named(things: Sequence[_Named], name: str, kind: str) -> _Named:
    """The thing of this name; raises ValueError with the names that there are."""
    for thing in things:
        if thing.name == name:
            return thing
    known = ", ".join(thing.name for thing in things) or "none"
    raise ValueError(f"want the name of a {kind} ({known}), got '{name}'")


def _nearest_first(sites: Sequence[DieSite], x: int, y: int) -> list[DieSite]:
    return sorted(sites, key=lambda s: ((s.x - x) ** 2 + (s.y - y) ** 2, s.row, s.col))


def _mm(at_nm: tuple[float, float]) -> str:
    return f"[{at_nm[0] / 1e6:.7g} mm, {at_nm[1] / 1e6:.7g} mm]"


def _sizes(mark: Mark, *, mirrored: bool) -> dict[str, float]:
    """A mark's sizes as the recipe gives them, lengths in nm; a direction as it is written."""
    if isinstance(mark, Cross):
        return {"arm_nm": mark.arm_nm, "width_nm": mark.width_nm}
    if isinstance(mark, Box):
        return {"outer_nm": mark.outer_nm, "width_nm": mark.width_nm}
    combs = {
        "pitch_a_nm": mark.pitches_nm[0],
        "pitch_b_nm": mark.pitches_nm[1],
        "lines": float(mark.lines),
        "length_nm": mark.length_nm,
    }
    if not isinstance(mark, Vernier):
        return combs
    # combs are symmetric: in a mirror they run along 180 degrees less theirs with their sides exchanged
    direction = -mark.direction_deg % 360 if mirrored else mark.direction_deg
    return combs | {"direction_deg": direction}


def _width(label: str) -> int:
    """How wide a label is against others of its height: not all letters are equally wide."""
    return label_box(label, 1000)[0]


def _extent(outlines: Sequence[Outline]) -> Outline:
    """The circle of a lens, or the box of everything else."""
    if len(outlines) == 1:
        return outlines[0]
    bounds = [outline.bounds for outline in outlines]
    return Rect(
        min(b[0] for b in bounds),
        min(b[1] for b in bounds),
        max(b[2] for b in bounds),
        max(b[3] for b in bounds),
    )


def _depth(a: Outline, b: Outline) -> float:
    """How far two extents reach into each other; 0 or less when they share no area."""
    if isinstance(a, Disc) and isinstance(b, Disc):
        return a.radius + b.radius - math.hypot(a.x - b.x, a.y - b.y)
    if isinstance(a, Disc):
        return _disc_in_rect(a, b)
    if isinstance(b, Disc):
        return _disc_in_rect(b, a)
    a0, a1, b0, b1 = a.bounds[:2], a.bounds[2:], b.bounds[:2], b.bounds[2:]
    return min(
        min(high_a, high_b) - max(low_a, low_b)
        for low_a, high_a, low_b, high_b in zip(a0, a1, b0, b1, strict=True)
    )


def _disc_in_rect(disc: Disc, box: Outline) -> float:
    x0, y0, x1, y1 = box.bounds
    across = max(x0 - disc.x, 0.0, disc.x - x1)
    up = max(y0 - disc.y, 0.0, disc.y - y1)
    return disc.radius - math.hypot(across, up)
