"""Facts of a finished design: counts, write time, and the texts of the job folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.layout.boxes import joined, polygon_box, turned
from layoutgen.layout.cells import Box, Layer
from layoutgen.layout.gdsii import expected_bytes as expected_gdsii_bytes
from layoutgen.layout.oasis import expected_bytes as expected_oasis_bytes
from layoutgen.layout.tree import FOREIGN, LATER, BlockTask, Tree, Variant, coder_of
from layoutgen.pipeline.design import Wafer
from layoutgen.recipe.checks import DOSE_DATATYPE
from layoutgen.review.sem_sites import (
    SCATTER_NM,
    WANTED_ERROR_NM,
    SemSite,
    pillars_per_site,
    sem_csv,
    sem_sites,
    separation,
)
from layoutgen.review.writetime import (
    LayerWork,
    WriteTime,
    fields_in_circle,
    fields_in_rectangle,
    write_time,
)
from layoutgen.wafer.frames import Disc
from layoutgen.wafer.plan import WaferPlan
from layoutgen.workers import run_in_order


@dataclass(eq=False)
class Counts:
    """Codes and clamped pillars of one variant, over all its copies of each block."""

    codes: NDArray[np.int64]
    clamped: int = 0


def count_codes(variant: Variant, jobs: int) -> Counts:
    def one(task: BlockTask) -> tuple[NDArray[np.int64], int]:
        codes, left = task.codes_and_left()
        return variant.coder.tally(codes) * task.copies, left * task.copies

    total = Counts(np.zeros(variant.coder.ladder.count + 1, dtype=np.int64))
    for codes, left in run_in_order(one, variant.blocks(), jobs):
        total.codes += codes
        total.clamped += left
    total.codes[0] = 0
    return total


def plain_variants(wafer: Wafer) -> dict[int, Variant]:
    """For each design its variant without split in its commonest surrounding, placed or not."""
    found: dict[int, Variant] = {}
    for index, item in enumerate(wafer.designs):
        counts = wafer.scene.counts(index)
        if not counts:
            continue
        commonest = min(counts, key=lambda s: (-counts[s], s))
        surrounding = wafer.scene.surroundings[commonest]
        for variant in wafer.tree.variants:
            if variant.surrounding is surrounding and variant.split_nm == 0:
                found[index] = variant
                break
        else:
            like = next(v for v in wafer.tree.variants if v.design is item)
            found[index] = Variant(
                like.cell, item, surrounding, 0.0, like.layer, like.table,
                coder_of(surrounding, wafer.exposed, 0.0),
            )  # fmt: skip
    return found


def layer_works(wafer: Wafer, counts: dict[int, Counts]) -> list[LayerWork]:
    """What each layer asks of the writer; counts by variant."""
    exposure = wafer.loaded.recipe.exposure
    dbu_um = wafer.plan.dbu_nm * 1e-3
    area: dict[Layer, float] = {}
    figures: dict[Layer, int] = {}
    fields: dict[Layer, int] = {}
    sign = -1.0 if wafer.exposed.background else 1.0
    for index, variant in enumerate(wafer.tree.variants):
        codes = counts[index].codes[1:]
        sizes = np.array([_area_dbu2(p) for p in variant.table.polygons]) * dbu_um**2
        layer = variant.layer
        area[layer] = area.get(layer, 0.0) + sign * float(codes @ sizes) * variant.placed
        # with the background exposed a hole cuts its frame into about one more figure
        figures[layer] = figures.get(layer, 0) + int(codes.sum()) * variant.placed
        each = _fields(variant, exposure.write_field_nm, wafer.plan.dbu_nm)
        fields[layer] = fields.get(layer, 0) + variant.placed * each
    unwritten = _unwritten(wafer)
    placed = _placements(wafer.tree)
    for cell in wafer.tree.plain_cells():
        for group in cell.polygons:
            if group.layer in unwritten:
                continue
            frame = wafer.tree.layers[group.layer].startswith("frames")
            here = 1.0 if frame else sign
            times = placed[cell.name]
            size = sum(_area_dbu2(p) for p in group.polygons) * dbu_um**2
            area[group.layer] = area.get(group.layer, 0.0) + here * size * times
            figures[group.layer] = figures.get(group.layer, 0) + len(group.polygons) * times
    for layer, count in _plain_fields(wafer, placed, unwritten):
        fields[layer] = fields.get(layer, 0) + count
    doses = wafer.tree.doses
    return [
        LayerWork(
            str(layer), area[layer], figures[layer], fields.get(layer, 0), doses.get(layer, 1.0)
        )
        for layer in sorted(area)
    ]


def _plain_fields(
    wafer: Wafer, placed: Mapping[str, int], unwritten: set[Layer]
) -> Iterator[tuple[Layer, int]]:
    """Write fields of what holds no pillars: each label, mark and foreign cell has its own.

    A frame is in the fields of what it frames. A foreign cell counts on its first layer.
    """
    tree, field = wafer.tree, wafer.loaded.recipe.exposure.write_field_nm
    boxes = _boxes(tree)
    for cell in tree.plain_cells():
        box = boxes[cell.name]
        if box is None or not placed[cell.name]:
            continue
        if cell.name in tree.labels:
            yield tree.labels[cell.name], placed[cell.name] * _fields_of(box, field, wafer.plan)
        elif cell.name.startswith(FOREIGN):
            written = [group.layer for group in cell.polygons if group.layer not in unwritten]
            if written:
                yield written[0], placed[cell.name] * _fields_of(box, field, wafer.plan)
    marks = Layer(*wafer.loaded.layers["marks"])
    for mark in wafer.plan.marks:
        if mark.kind == "stitch":  # around the corner of four fields
            yield marks, 4
        else:
            low, high = mark.outline.min(axis=0).tolist(), mark.outline.max(axis=0).tolist()
            yield marks, _fields_of((*low, *high), field, wafer.plan)


def _boxes(tree: Tree) -> dict[str, Box | None]:
    """Boxes of plain cells, pillars left out."""
    found: dict[str, Box | None] = {}
    for cell in tree.plain_cells():
        box: Box | None = None
        for group in cell.polygons:
            for polygon in group.polygons:
                box = joined(box, polygon_box(polygon))
        for reference in cell.references:
            box = joined(box, turned(found.get(reference.cell), reference))
        found[cell.name] = box
    return found


def _fields_of(box: Box, write_field_nm: float | None, plan: WaferPlan) -> int:
    if write_field_nm is None:
        return 1
    field = write_field_nm / plan.dbu_nm
    return fields_in_rectangle(box[2] - box[0], box[3] - box[1], field)


def _unwritten(wafer: Wafer) -> set[Layer]:
    """Layers of the file that this write does not expose: outlines, and what is of a later step."""
    later = {layer for layer, name in wafer.tree.layers.items() if name == LATER}
    return {Layer(*wafer.loaded.layers["outlines"])} | later


def _placements(tree: Tree) -> dict[str, int]:
    """How often each plain cell stands on the wafer."""
    found = {cell.name: 0 for cell in tree.plain_cells()}
    found[tree.top] = 1
    for cell in reversed(tree.plain_cells()):
        for reference in cell.references:
            if reference.cell in found:
                found[reference.cell] += found[cell.name]
    return found


def _area_dbu2(polygon: NDArray[np.int64]) -> float:
    x, y = polygon[:, 0], polygon[:, 1]  # whole numbers: products of 2^31 fit 64 bits in pairs
    twice = int(x[:-1] @ y[1:] - y[:-1] @ x[1:]) + int(x[-1] * y[0] - y[-1] * x[0])
    return abs(twice) / 2


def _fields(variant: Variant, write_field_nm: float | None, dbu_nm: float) -> int:
    if write_field_nm is None:
        return 1
    pitch = variant.design.lattice.pitch_dbu
    field = max(1, int(write_field_nm / dbu_nm / pitch)) * pitch  # whole pitches within the field
    outline = variant.design.outline
    if isinstance(outline, Disc):
        return fields_in_circle(outline.radius, field)
    x0, y0, x1, y1 = outline.bounds
    return fields_in_rectangle(x1 - x0, y1 - y0, field)


def time_of(wafer: Wafer, counts: dict[int, Counts]) -> WriteTime | None:
    return write_time(layer_works(wafer, counts), wafer.loaded.recipe.exposure)


def expected_bytes(wafer: Wafer) -> dict[str, int]:
    """Predicted size of each format that the recipe asks for."""
    output = wafer.loaded.recipe.output
    stored = wafer.tree.stored
    plain = sum(len(g.polygons) for c in wafer.tree.plain_cells() for g in c.polygons)
    references = sum(len(c.references) for c in wafer.tree.plain_cells())
    zone = 20.0
    lenses = [d.facts.sampling for d in wafer.designs if d.facts is not None and d.facts.sampling]
    if lenses:
        zone = min(s.pillars_per_zone for s in lenses) / 0.7071
    # a design draws about as many sizes as it has masters
    sizes: dict[tuple[int, Layer], int] = {}
    lists = 0
    for variant in wafer.tree.variants:
        drawn = min(len(variant.design.masters), len(variant.table))
        key = (id(variant.table), variant.layer)
        sizes[key] = max(sizes.get(key, 0), drawn)
        blocks = np.bincount([site.piece for site in variant.part.sites]).tolist()
        lists += sum(
            min(drawn * count, piece.rows.sites)
            for count, piece in zip(blocks, variant.part.pieces, strict=False)
        )
    found: dict[str, int] = {}
    for name in output.formats:
        if name == "oasis":
            found[name] = (
                expected_oasis_bytes(
                    stored, compression=output.compression, sites_per_zone=zone,
                    shapes=sum(sizes.values()), lists=lists,
                )
                + 40 * plain + 12 * references
            )  # fmt: skip
        else:
            blocks = sum(1 for v in wafer.tree.variants for _ in v.blocks())
            found[name] = (
                expected_gdsii_bytes(
                    stored, cells=blocks, name=len(wafer.tree.shapes.names[0]) if stored else 2
                )
                + 80 * plain
                + 40 * references
            )
    return found


def operator_facts(wafer: Wafer) -> dict[str, Any]:
    """What the operator goes by besides the layout itself; `verify` holds the manifest to it."""
    loaded, plan = wafer.loaded, wafer.plan
    return {
        **({} if wafer.only is None else {"only": wafer.only.facts()}),
        "top_cell": wafer.tree.top,
        "die_size_dbu": (plan.die_outline.max(axis=0) - plan.die_outline.min(axis=0)).tolist(),
        "layers": {
            role: f"{number}/{datatype}" for role, (number, datatype) in loaded.layers.items()
        },
        "written_layers": {str(layer): name for layer, name in sorted(wafer.tree.layers.items())},
        "tone": "holes" if plan.mirrored else "pillars",
        "exposed": loaded.recipe.exposure.exposed,
        "written": _boolean(wafer),
        "mirrored": plan.mirrored,
        "labels_mirrored": plan.labels_mirrored,
        "doses": [
            {"dose": dose, "datatype_added": DOSE_DATATYPE + k}
            for dose, k in loaded.dose_steps.items()
        ],
        "database_unit_nm": plan.dbu_nm,
        "address_grid_nm": loaded.address_grid_nm,
        "scale": loaded.recipe.scale,
    }


def _boolean(wafer: Wafer) -> str:
    """What the writer exposes, as the boolean of layers that the operator applies."""
    unwritten = _unwritten(wafer)
    layers = {
        str(layer): name
        for layer, name in sorted(wafer.tree.layers.items())
        if layer not in unwritten
    }
    if not wafer.exposed.background:
        return " or ".join(layers)
    frames = [layer for layer, name in layers.items() if name.startswith("frames")]
    shapes = [layer for layer in layers if layer not in frames]
    return f"({' or '.join(frames)}) not ({' or '.join(shapes)})"


def _first_codes(tree: Tree) -> list[int]:
    """What is added to each table's own codes so that a code of the manifest means one shape."""
    lengths = [len(table) for _, table in tree.tables]
    return [sum(lengths[:k]) for k in range(len(lengths))]


def _table_number(tree: Tree, variant: Variant) -> int:
    return next(k for k, (_, table) in enumerate(tree.tables) if table is variant.table)


def lens_counts(
    wafer: Wafer, plain: dict[int, Variant], counts: dict[int, Counts], workers: int
) -> dict[int, Counts]:
    """Counts of each lens's plain variant by design; `counts` are those of the variants on the wafer."""
    found = {}
    for index, variant in plain.items():
        if variant.design.kind == "lens" and variant.design.facts is not None:
            held = next(
                (
                    counts[k]
                    for k, v in enumerate(wafer.tree.variants)
                    if v is variant and k in counts
                ),
                None,
            )
            found[index] = count_codes(variant, workers) if held is None else held
    return found


def shapes_in_use(
    wafer: Wafer, counts: dict[int, Counts], plain: dict[int, Variant], lenses: dict[int, Counts]
) -> list[dict[str, Any]]:
    """Every drawn shape in use, each code once, those of a plain lens that splits alone stand for among them."""
    tree = wafer.tree
    used = [np.zeros(len(table) + 1, dtype=np.int64) for _, table in tree.tables]
    for index, found in counts.items():
        used[_table_number(tree, tree.variants[index])] += found.codes
    for index, found in lenses.items():
        used[_table_number(tree, plain[index])] += found.codes
    shapes = []
    for first, (_, table), tally in zip(_first_codes(tree), tree.tables, used, strict=True):
        for code in np.flatnonzero(tally).tolist():
            shapes.append(
                {
                    "code": first + code,
                    "drawn_nm": table.drawn_nm[code - 1],
                    "polygon_dbu": table.polygons[code - 1].tolist(),
                    "residual_nm": round(table.residual_nm[code - 1], 4),
                }
            )
    return shapes


def lens_facts(
    wafer: Wafer, plain: dict[int, Variant], lenses: dict[int, Counts]
) -> dict[str, dict[str, Any]]:
    """What the manifest says of each lens; `lenses` are its `lens_counts`."""
    found: dict[str, dict[str, Any]] = {}
    for index, tally in lenses.items():
        variant = plain[index]
        item = variant.design
        if item.facts is None:
            continue
        facts, density = item.facts, variant.surrounding.density
        sampled = facts.sampling
        codes = np.flatnonzero(tally.codes).tolist()
        first = _first_codes(wafer.tree)[_table_number(wafer.tree, variant)]
        found[item.name] = {
            "lattice": {
                "kind": item.lattice.kind,
                "pitch_dbu": item.lattice.pitch_dbu,
                "row_dbu": item.lattice.row_dbu,
            },
            "pillars": int(tally.codes.sum()),
            "phase_offset_rad": facts.offset.phi0_rad,
            "coherent_gain": facts.offset.gain,
            "coverage_rad": facts.candidates.coverage_rad,
            "symmetry": {"half_x": "half", "half_y": "half"}.get(item.symmetry, item.symmetry),
            "codes": {str(first + code): int(tally.codes[code]) for code in codes},
            "clamped": tally.clamped,
            "density_residual": None if density is None else density.residual,
            "density_rounds": None if density is None else density.rounds,
            "surroundings": len(wafer.scene.counts(index)),
            "numerical_aperture": None if sampled is None else sampled.na,
            "rim_zone_nm": None
            if sampled is None or not np.isfinite(sampled.zone_width_nm)
            else sampled.zone_width_nm,
        }
    return found


def counted_facts(
    wafer: Wafer, counts: dict[int, Counts], sites: Sequence[SemSite], workers: int
) -> dict[str, Any]:
    """What the manifest says of the wafer once its codes are counted: shapes, lenses, dies, times."""
    plan, tree = wafer.plan, wafer.tree
    plain = plain_variants(wafer)
    lenses = lens_counts(wafer, plain, counts, workers)
    time = time_of(wafer, counts)
    return {
        "shapes": shapes_in_use(wafer, counts, plain, lenses),
        "lenses": lens_facts(wafer, plain, lenses),
        "dies": plan.die_counts,
        "dropped": {
            "marks": [list(site) for site in plan.dropped.marks],
            "keep_outs": [list(site) for site in plan.dropped.keep_outs],
        },
        "sem": sem_facts(sites),
        "pillars": tree.pillars,
        "pillars_stored": tree.stored,
        "write_time_s": None if time is None else round(time.total_s, 3),
        "write_time_parts_s": None
        if time is None
        else {
            "exposure": round(time.exposure_s, 3),
            "figures": round(time.figures_s, 3),
            "fields": round(time.fields_s, 3),
        },
    }


def sem_sites_of(wafer: Wafer) -> list[SemSite]:
    """Where to measure."""
    return sem_sites(wafer.tree, wafer.exposed, wafer.plan.dbu_nm)


def sem_csv_of(wafer: Wafer, job: str, sites: Sequence[SemSite] | None = None) -> str:
    recipe, dbu_nm = wafer.loaded.recipe, wafer.plan.dbu_nm
    stages = ["resist", "master", *(step.name for step in recipe.replication.steps)]
    found = sem_sites_of(wafer) if sites is None else sites
    return sem_csv(found, stages, job=job, title=wafer.title, dbu_nm=dbu_nm)


def sem_facts(sites: Sequence[SemSite]) -> dict[str, Any]:
    """How many sites there are at each stage, how well they tell effects apart, how often to measure."""
    found = separation(sites)
    return {
        "sites": len(sites),
        "dies": len({(site.col, site.row) for site in sites}),
        "condition": round(found.condition, 2) if np.isfinite(found.condition) else None,
        "effects": list(found.effects),
        "constant": list(found.constant),
        "pillars_per_site": pillars_per_site(),
        "scatter_nm": SCATTER_NM,
        "standard_error_nm": WANTED_ERROR_NM,
    }


def dies_csv(plan: WaferPlan) -> str:
    mm = plan.dbu_nm * 1e-6
    lines = ["die,col,row,x_mm,y_mm"]
    lines += [
        f"{die.name},{die.col},{die.row},{die.x * mm:.7f},{die.y * mm:.7f}" for die in plan.dies
    ]
    return "\n".join(lines) + "\n"


def marks_csv(plan: WaferPlan) -> str:
    mm = plan.dbu_nm * 1e-6
    columns = sorted({key for mark in plan.marks for key in mark.sizes})
    lines = [",".join(["kind", "x_mm", "y_mm", *columns])]
    for mark in plan.marks:
        sizes = [f"{mark.sizes[key]:.10g}" if key in mark.sizes else "" for key in columns]
        lines.append(",".join([mark.kind, f"{mark.x * mm:.7f}", f"{mark.y * mm:.7f}", *sizes]))
    return "\n".join(lines) + "\n"
