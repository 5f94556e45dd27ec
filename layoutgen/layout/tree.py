"""The cells of a layout: which there are, what each holds, in the order in which they are written.

    TOP -> die -> lens (grating, pad) -> piece -> block of pillars -> shape
        -> labels, marks, outlines

A lens in one surrounding with one split and dose is a `Variant`: one cell, placed on every die
that needs it. Its pieces are placed as often as its symmetry says. Cells are made one at a
time when asked for, so a layout of any size passes through in flat memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock, ShapeTable
from layoutgen.errors import InputError
from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import Part
from layoutgen.exposure.solve import Exposed
from layoutgen.layout.cells import Cell, Layer, Pillars, Polygons, Reference, ShapeCells
from layoutgen.layout.shapes import ladder_table
from layoutgen.recipe.checks import DOSE_DATATYPE, ROLES
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.wafer.designs import Design
from layoutgen.wafer.frames import frames_meet, grown, united
from layoutgen.wafer.glyphs import glyph_places, glyph_polygons
from layoutgen.wafer.plan import Part as PlacedPart
from layoutgen.wafer.plan import PlacedDie, WaferPlan
from layoutgen.wafer.scene import Scene, Surrounding

__all__ = ["BlockTask", "Tree", "Variant", "build_tree"]


#: How the names of foreign cells begin.
FOREIGN = "X_"
#: Role of layers that a later step exposes: in the file for reference, not part of this write.
LATER = "later_step"


@dataclass(eq=False)
class Variant:
    """A design in one surrounding, with one split and one dose: one cell of the layout."""

    cell: str
    design: Design
    surrounding: Surrounding
    split_nm: float
    layer: Layer
    table: ShapeTable
    coder: Coder
    placed: int = 0

    @property
    def part(self) -> Part:
        """The part as it is stored in this surrounding."""
        return self.design.part(self.surrounding.symmetry)

    def blocks(self) -> Iterator[BlockTask]:
        for index in range(len(self.part.sites)):
            yield BlockTask(self, index)


@dataclass(frozen=True, slots=True)
class BlockTask:
    """One block of a variant, still to be made."""

    variant: Variant
    index: int

    @property
    def name(self) -> str:
        part = self.variant.part
        site = part.sites[self.index]
        row, col = site.window.row0 // part.block_side, site.window.col0 // part.block_side
        return f"{self.piece_cell}_{_signed(row)}_{_signed(col)}"

    @property
    def piece_cell(self) -> str:
        part = self.variant.part
        return f"{self.variant.cell}_{part.pieces[part.sites[self.index].piece].name}"

    @property
    def copies(self) -> int:
        """How often the block stands in its variant."""
        part = self.variant.part
        return len(part.pieces[part.sites[self.index].piece].placements)

    def codes(self) -> CodeBlock:
        part = self.variant.part
        return self.variant.coder.block(part.sites[self.index], part.block(self.index))

    def codes_and_left(self) -> tuple[CodeBlock, int]:
        """The codes, and how many pillars left the bias table or the ladder."""
        part, coder = self.variant.part, self.variant.coder
        site, masters = part.sites[self.index], part.block(self.index)
        return coder.block(site, masters), coder.left(site, masters)

    def cell(self, codes: CodeBlock) -> Cell:
        v = self.variant
        return Cell(self.name, pillars=(Pillars(codes, v.design.lattice, v.table, v.layer),))


def _signed(number: int) -> str:
    return f"m{-number}" if number < 0 else str(number)


def _clean(name: str, length: int) -> str:
    return re.sub(r"[^A-Za-z0-9]", "_", name)[:length]


@dataclass(eq=False)
class Tree:
    """Every cell of the layout. `variants` hold pillars; the rest are polygons and references."""

    top: str
    variants: list[Variant]
    variant_of: dict[int, int]  # index in the scene's things -> index in variants
    shapes: ShapeCells
    tables: list[tuple[str, ShapeTable]]
    layers: dict[Layer, str]
    doses: dict[Layer, float]  # relative dose of each layer of our own; foreign layers have 1
    labels: dict[str, Layer]  # cell of a label -> its layer
    plan: WaferPlan
    scene: Scene
    _cells: list[Cell] = field(default_factory=list)

    def variant_cells(self, variant: Variant) -> list[Cell]:
        """Cells that only refer: the pieces of a variant, then the variant itself."""
        part = variant.part
        held: dict[str, list[str]] = {}
        for task in variant.blocks():
            held.setdefault(task.piece_cell, []).append(task.name)
        made = [
            Cell(name, references=tuple(Reference(block, 0, 0) for block in blocks))
            for name, blocks in held.items()
        ]
        references = tuple(
            Reference(f"{variant.cell}_{piece.name}", 0, 0, turns, mirror)
            for piece in part.pieces
            for turns, mirror in piece.placements
        )
        return [*made, Cell(variant.cell, references=references)]

    def with_top(self, name: str) -> Tree:
        """The same tree with another name for its top cell."""
        top = replace(self._cells[-1], name=name)
        return replace(self, top=name, _cells=[*self._cells[:-1], top])

    def plain_cells(self) -> list[Cell]:
        """Labels, foreign cells, dies, and the top cell, in that order."""
        return self._cells

    @property
    def pillars(self) -> int:
        """All pillars on the wafer."""
        return sum(v.placed * v.design.part().pillars for v in self.variants)

    @property
    def stored(self) -> int:
        """Pillars in the layout's blocks, each counted once."""
        return sum(v.part.stored for v in self.variants)


class _TreeBuilder:
    def __init__(
        self,
        loaded: LoadedRecipe,
        plan: WaferPlan,
        scene: Scene,
        exposed: Exposed,
        foreign: Mapping[str, Sequence[Polygons]],
    ) -> None:
        self.loaded, self.plan, self.scene, self.exposed = loaded, plan, scene, exposed
        self.foreign = foreign
        self.doses = loaded.dose_steps
        self.variants: list[Variant] = []
        self.places: dict[tuple[int, float, Layer], int] = {}
        self.variant_of: dict[int, int] = {}
        self.tables: dict[tuple[float, float, float, int], ShapeTable] = {}
        self.used: dict[Layer, str] = {}
        self.dose_of: dict[Layer, float] = {}
        self.cells: list[Cell] = []
        self.glyph_cells: dict[tuple[str, int, Layer], str | None] = {}
        self.label_cells: dict[tuple[str, int, Layer], str] = {}
        self.die_cells: dict[tuple[object, ...], str] = {}
        self.foreign_cells: dict[str, str] = {}

    def layer(self, role: str, dose: float = 1.0) -> Layer:
        number, datatype = self.loaded.layers[role]
        name = role
        if dose != 1.0:
            k = self.doses[dose]
            datatype += DOSE_DATATYPE + k
            name = f"{role}_dose_{k}"
        found = Layer(number, datatype)
        self.used[found] = name  # also where a foreign cell draws on it
        self.dose_of[found] = dose
        return found

    def table(self, design: Design) -> ShapeTable:
        keys = design.keys
        ladder = keys.ladder
        key = (ladder.min_nm, ladder.max_nm, ladder.step_nm, keys.vertices)
        if key not in self.tables:
            self.tables[key] = ladder_table(
                min_nm=ladder.min_nm,
                max_nm=ladder.max_nm,
                step_nm=ladder.step_nm,
                vertices=keys.vertices,
                grid_nm=self.loaded.address_grid_nm,
                dbu_nm=self.plan.dbu_nm,
            )
        return self.tables[key]

    def variant(self, thing: int, split_nm: float, dose: float) -> int:
        """The variant of a thing, made at its first use."""
        surrounding_index = self.scene.of_thing[thing]
        surrounding = self.scene.surroundings[surrounding_index]
        design = surrounding.design
        layer = self.layer(ROLES[design.kind], dose)
        key = (surrounding_index, split_nm, layer)
        if key not in self.places:
            prefix = {"lens": "L", "deflector": "G", "pad": "P"}[design.kind]
            # no _ in the name: L_a_1 and a block of it could be called alike otherwise
            cell = f"{prefix}_{_clean(design.name, 12).replace('_', '')}_{len(self.variants)}"
            self.places[key] = len(self.variants)
            self.variants.append(
                Variant(
                    cell,
                    design,
                    surrounding,
                    split_nm,
                    layer,
                    self.table(design),
                    coder_of(surrounding, self.exposed, split_nm),
                )
            )
        index = self.places[key]
        self.variants[index].placed += 1
        self.variant_of[thing] = index
        return index

    def build(self) -> Tree:
        plan = self.plan
        top_references: list[Reference] = []
        held: dict[int, list[int]] = {}
        for number, thing in enumerate(self.scene.things):
            if thing.die >= 0:
                held.setdefault(thing.die, []).append(number)
        for number, die in enumerate(plan.dies):
            cell, labels = self._die(die, held.get(number, []))
            top_references.append(Reference(cell, die.x, die.y))
            for label, x, y in labels:
                top_references.append(Reference(label, die.x + x, die.y + y))
        top_polygons = []
        marks = [p for mark in plan.marks for p in mark.polygons]
        if marks:
            top_polygons.append(Polygons(self.layer("marks"), marks))
        for later, second in self._later(plan).items():
            top_polygons.append(Polygons(later, second))
        if plan.mark_frames:
            top_polygons.append(Polygons(self.layer("frames"), list(plan.mark_frames)))
        top_polygons.append(Polygons(self.layer("outlines"), list(plan.wafer_outlines)))
        recipe = self.loaded.recipe
        revision = _clean(recipe.revision, 16)
        top = f"{_clean(recipe.name, 30 - len(revision))}_{revision}"
        if re.match("[CDGLPTX]_", top):  # as the cells below it are called
            top = f"J{top}"
        self.cells.append(Cell(top, polygons=tuple(top_polygons), references=tuple(top_references)))
        variants = self.variants
        pairs = dict.fromkeys((id(v.table), v.layer) for v in variants)
        by_id = {id(v.table): v.table for v in variants}
        shapes = ShapeCells((by_id[table], layer) for table, layer in pairs)
        tables = [(f"{key[0]:g}..{key[1]:g}/{key[2]:g}", t) for key, t in self.tables.items()]
        return Tree(
            top,
            variants,
            self.variant_of,
            shapes,
            tables,
            self.used,
            self.dose_of,
            {name: layer for (_, _, layer), name in self.label_cells.items()},
            plan,
            self.scene,
            self.cells,
        )

    def _later(self, plan: WaferPlan) -> dict[Layer, list[NDArray[np.int64]]]:
        """What marks leave to a later step, by its layer."""
        found: dict[Layer, list[NDArray[np.int64]]] = {}
        for mark in plan.marks:
            if mark.second_layer is not None:
                layer = Layer(*mark.second_layer)
                found.setdefault(layer, []).extend(mark.second)
                self.used.setdefault(layer, LATER)
        return found

    def _die(self, die: PlacedDie, things: Sequence[int]) -> tuple[str, list[tuple[str, int, int]]]:
        """Name of a die's cell, and its own labels with their places."""
        parts = self.plan.die_parts[die.name]
        placed: list[tuple[int, int, int]] = []  # variant, x, y
        for number in things:
            thing = self.scene.things[number]
            if thing.design < 0:
                continue
            part = parts[thing.item]
            split = part.bias_nm + (die.zone_bias_nm if part.kind == "lens" else 0.0)
            index = self.variant(number, split, part.dose)
            placed.append((index, thing.x - die.x, thing.y - die.y))
        labels: list[tuple[str, int, int]] = []
        fixed: list[tuple[str, int, int]] = []
        for part in parts:
            if part.kind == "label":
                where = fixed if part.text is not None else labels
                where.append((self._label(die, part), part.x, part.y))
            elif part.kind == "cell":
                fixed.append((self._foreign(part.name), part.origin_x, part.origin_y))
        framed = () if self.plan.frame_width_dbu is None else self.plan.outlines_on(die)
        key = (die.name, tuple(placed), framed)
        if key not in self.die_cells:
            stem = f"D_{_clean(die.name, 20)}"  # that of dies whose names begin alike, too
            count = sum(known.rpartition("_")[0] == stem for known in self.die_cells.values())
            name = f"{stem}_{count}"
            references = [Reference(self.variants[v].cell, x, y) for v, x, y in placed]
            references += [
                Reference(cell, x, y, 2 if mirrored else 0, mirrored)
                for cell, x, y in fixed
                for mirrored in [cell.startswith(FOREIGN) and self.plan.mirrored]
            ]
            polygons = [Polygons(self.layer("outlines"), [self.plan.die_outline])]
            polygons += self._frames(die)
            self.cells.append(Cell(name, polygons=tuple(polygons), references=tuple(references)))
            self.die_cells[key] = name
        return self.die_cells[key], labels

    def _label(self, die: PlacedDie, part: PlacedPart) -> str:
        layer = self.layer("labels", part.dose)
        text = part.text_on(die)
        key = (text, part.height_dbu, layer)
        if key not in self.label_cells:
            name = f"T_{len(self.label_cells)}"
            mirrored = self.plan.labels_mirrored
            references = [
                Reference(glyph, x, y)
                for character, x, y in glyph_places(
                    text, height_dbu=part.height_dbu, mirrored=mirrored
                )
                if (glyph := self._glyph(character, part.height_dbu, layer)) is not None
            ]
            self.cells.append(Cell(name, references=tuple(references)))
            self.label_cells[key] = name
        return self.label_cells[key]

    def _glyph(self, character: str, height_dbu: int, layer: Layer) -> str | None:
        """The cell of one character of a label, or None for a blank."""
        key = (character, height_dbu, layer)
        if key not in self.glyph_cells:
            polygons = glyph_polygons(
                character, height_dbu=height_dbu, mirrored=self.plan.labels_mirrored
            )
            name = f"C_{ord(character)}_{len(self.glyph_cells)}" if polygons else None
            if name is not None:
                self.cells.append(Cell(name, polygons=(Polygons(layer, polygons),)))
            self.glyph_cells[key] = name
        return self.glyph_cells[key]

    def _foreign(self, name: str) -> str:
        if name not in self.foreign_cells:
            cell = f"{FOREIGN}{_clean(name, 20)}_{len(self.foreign_cells)}"
            self.cells.append(Cell(cell, polygons=tuple(self.foreign[name])))
            for group in self.foreign[name]:
                self.used.setdefault(group.layer, f"cell_{name}_{group.layer.number}")
            self.foreign_cells[name] = cell
        return self.foreign_cells[name]

    def _frames(self, die: PlacedDie) -> list[Polygons]:
        """Frames of a die, those of each dose on a layer of their own."""
        if self.plan.frame_width_dbu is None:
            return []
        parts = self.plan.die_parts[die.name]
        doses = sorted({part.dose for part in parts})
        if doses == [1.0] or not doses:
            frames = list(self.plan.frames_on(die))
            return [Polygons(self.layer("frames"), frames)] if frames else []
        groups = {
            dose: united(
                [
                    grown(outline, self.plan.frame_width_dbu)
                    for part in parts
                    if part.dose == dose
                    for outline in part.outlines_for(die.label)
                ]
            )
            for dose in doses
        }
        if any(frames_meet(a, b) for a, b in combinations(groups.values(), 2)):
            raise InputError(
                f"dies.{die.name}: want frames of different doses apart, got frames that meet; "
                "move the parts apart or narrow exposure.frame_width"
            )
        return [Polygons(self.layer("frames", dose), list(group)) for dose, group in groups.items()]


def coder_of(surrounding: Surrounding, exposed: Exposed, split_nm: float) -> Coder:
    """The coder of a design in its surrounding with a split."""
    design = surrounding.design
    return Coder(
        design.masters, design.ladder, exposed, surrounding.density, surrounding.added, split_nm
    )


def build_tree(
    loaded: LoadedRecipe,
    plan: WaferPlan,
    scene: Scene,
    exposed: Exposed,
    foreign: Mapping[str, Sequence[Polygons]],
) -> Tree:
    """The cells of a planned wafer. foreign: polygons of each foreign cell by layer."""
    return _TreeBuilder(loaded, plan, scene, exposed, foreign).build()
