"""Rules on a finished design: gaps, sizes, aspect ratios, fields, clock, labels, layers, clamped pillars, file size.

Each has a name, a figure, a limit and a verdict; where the recipe lacks what one needs, its text says so.
Sizes are diameters of discs and sides of squares. They come from the codes that were counted, so no rule
looks at the sites again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import ShapeTable
from layoutgen.layout.tree import FOREIGN, LATER
from layoutgen.optics.library import neighbour_gap_nm, replication_stages
from layoutgen.pipeline.design import Wafer
from layoutgen.pipeline.facts import Counts, layer_works
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.designs import Design
from layoutgen.wafer.glyphs import ROWS
from layoutgen.wafer.plan import RuleResult

__all__ = ["built_rules", "rule_facts", "rule_warnings", "size_rules", "waived"]

FloatArray = NDArray[np.float64]

#: More pillars than this share beyond the bias table or the ladder is a failed rule.
MOST_CLAMPED = 1e-3
#: Lengths are compared within this.
_TOLERANCE_NM = 1e-6
#: A coverage of phase below this loses light that no choice of pillar brings back; common practice, no source.
_LEAST_COVERAGE_RAD = 0.9 * 2 * math.pi
#: Smallest detail that an optical microscope shows: 0.61 lambda / NA (Rayleigh, 1896) at 550 nm and NA 0.4.
_VISIBLE_NM = 0.61 * 550 / 0.4


def built_rules(
    wafer: Wafer, counts: dict[int, Counts], gdsii_bytes: int | None
) -> list[RuleResult]:
    """Every rule of a wafer whose codes are counted, waived ones passed."""
    rules = [
        *wafer.rules,
        *_shape_rules(wafer, counts),
        *_coverage_rules(wafer),
        *_writer_rules(wafer, counts),
        *_label_rules(wafer),
        _layer_rule(wafer),
        *_clamp_rules(wafer, counts),
        *size_rules(wafer.loaded, gdsii_bytes),
    ]
    return waived(rules, wafer.loaded)


def rule_warnings(wafer: Wafer) -> list[str]:
    """What rules without a limit of their own have to say before anything is written."""
    found = []
    for name, covered in _coverages(wafer):
        if covered < _LEAST_COVERAGE_RAD:
            found.append(
                f"lens {name}: its pillars cover {covered:.4g} rad of phase, under nine tenths of a turn"
            )
    clock = _clock_rule(wafer)
    if clock.value is not None and clock.limit is not None and clock.value > clock.limit:
        found.append(
            f"exposure.max_clock: {clock.limit:.6g} MHz is below the {clock.value:.6g} MHz that dose,"
            " beam step and current ask for, so the writer waits or gives more dose"
        )
    field = wafer.loaded.recipe.exposure.write_field_nm
    pitch = max((d.lattice.pitch_dbu * d.dbu_nm for d in wafer.designs), default=0.0)
    if field is not None and field < pitch:
        found.append(f"exposure.write_field: {field:g} nm is smaller than a pitch, {pitch:g} nm")
    return found + list(_alike([table for _, table in wafer.tree.tables]))


def _alike(tables: Sequence[ShapeTable]) -> Iterator[str]:
    """Ladders with sizes that are drawn like the one before them."""
    for table in tables:
        shapes = [polygon.tobytes() for polygon in table.polygons]
        twins = [k for k in range(1, len(shapes)) if shapes[k] == shapes[k - 1]]
        if twins:
            low, high = table.drawn_nm[twins[0] - 1], table.drawn_nm[twins[0]]
            yield (
                f"ladder: {len(twins)} of {len(table)} sizes are drawn like the one before them, such as"
                f" {low:g} and {high:g} nm; a finer address grid or a coarser step tells all of them apart"
            )


# ---- shapes


def _shape_rules(wafer: Wafer, counts: Mapping[int, Counts]) -> Iterator[RuleResult]:
    """Size, gap and aspect ratio of each part of the recipe, over all its designs and variants."""
    drawn: dict[int, float] = {}  # largest size, by design
    for index, held in counts.items():
        design = wafer.tree.variants[index].design
        codes = np.flatnonzero(held.codes)
        if len(codes):
            size = design.ladder.size_nm(int(codes[-1]))
            drawn[id(design)] = max(size, drawn.get(id(design), 0.0))
    parts: dict[str, list[Design]] = {}
    for design in wafer.designs:
        if id(design) in drawn:
            parts.setdefault(f"{design.kind}:{design.name}", []).append(design)
    for name, designs in parts.items():
        yield from _of_part(wafer, name, designs, max(drawn[id(d)] for d in designs))


def _of_part(
    wafer: Wafer, name: str, designs: Sequence[Design], drawn_nm: float
) -> Iterator[RuleResult]:
    """The designs of one part share lattice, shape and limits; drawn_nm: the largest size drawn."""
    design = designs[0]
    keys, squares = design.keys, design.ladder.squares
    word = "side" if squares else "diameter"
    chosen = design.kind in ("lens", "deflector")  # from candidates; a pad's sizes the recipe gives
    used = np.concatenate([_in_use(each) if chosen else each.masters.master_nm for each in designs])
    to_size = SQUARE_SIDE if squares else 1.0
    smallest, largest = float(used.min()), float(used.max())
    if chosen:
        yield RuleResult(
            f"min_size:{name}", smallest * to_size, keys.diameter.min_nm,
            smallest * to_size >= keys.diameter.min_nm - _TOLERANCE_NM, f"smallest {word} on the master, nm",
        )  # fmt: skip
        yield RuleResult(
            f"max_size:{name}", largest * to_size, keys.diameter.max_nm,
            largest * to_size <= keys.diameter.max_nm + _TOLERANCE_NM, f"largest {word} on the master, nm",
        )  # fmt: skip
    stages = replication_stages(wafer.loaded.recipe.replication.steps)
    gaps = [
        (_gap(design, (largest + bias) * to_size, 1 + ppm * 1e-6), stage)
        for stage, bias, ppm in stages
    ]
    gap, where = min(gaps, key=lambda found: found[0])
    limit = keys.min_gap_nm if chosen else None  # of a pad it is told and not judged
    yield RuleResult(
        f"gap:{name}", gap, limit, limit is None or gap >= limit - _TOLERANCE_NM,
        f"smallest distance between neighbours of the largest {word}, nm; least {where}"
        + ("" if limit is not None else "; no limit is given here"),
    )  # fmt: skip
    apart = _gap(design, drawn_nm, 1.0)
    yield RuleResult(
        f"gap_drawn:{name}", apart, 0.0, apart > 0,
        f"smallest distance between neighbours of the largest drawn {word}, {drawn_nm:g} nm, in nm",
    )  # fmt: skip
    if keys.height_nm is None:
        yield RuleResult(
            f"aspect_ratio:{name}", None, None, True,
            "no height is given, so the aspect ratio is not checked",
        )  # fmt: skip
        return
    slim = [
        (keys.height_nm / max((smallest + bias) * to_size, 1e-9), stage)
        for stage, bias, _ in stages
    ]
    ratio, where = max(slim, key=lambda found: found[0])
    most = keys.max_aspect_ratio if chosen else None
    yield RuleResult(
        f"aspect_ratio:{name}", ratio, most, most is None or ratio <= most * (1 + 1e-9),
        f"height over the smallest {word}; largest {where}" + ("" if most is not None else "; no limit is given here"),
    )  # fmt: skip


def _in_use(design: Design) -> FloatArray:
    """Masters that stand inside the aperture."""
    masters = design.masters.master_nm
    return masters if design.usage is None else masters[design.usage > 0]


def _gap(design: Design, size_nm: float, scale: float) -> float:
    lattice = design.lattice
    return float(
        neighbour_gap_nm(
            np.array(size_nm), squares=design.ladder.squares, kind=lattice.kind,
            pitch_nm=lattice.pitch_dbu * design.dbu_nm * scale,
            row_nm=lattice.row_dbu * design.dbu_nm * scale,
        )
    )  # fmt: skip


def _coverages(wafer: Wafer) -> Iterator[tuple[str, float]]:
    """Each lens and the rad of phase that its candidates cover."""
    for design in wafer.designs:
        if design.kind == "lens" and design.facts is not None:
            yield design.name, float(design.facts.candidates.coverage_rad)


def _coverage_rules(wafer: Wafer) -> Iterator[RuleResult]:
    for name, covered in _coverages(wafer):
        yield RuleResult(
            f"coverage:{name}", covered, None, True,
            "rad of phase that the candidates cover, of 6.283; there is no limit, under 5.655 a warning is given",
        )  # fmt: skip


# ---- the writer


def _writer_rules(wafer: Wafer, counts: dict[int, Counts]) -> Iterator[RuleResult]:
    exposure = wafer.loaded.recipe.exposure
    if exposure.write_field_nm is None:
        yield RuleResult(
            "fields", None, None, True, "no write field is given, so fields are not counted"
        )
    else:
        total = sum(work.fields for work in layer_works(wafer, counts))
        yield RuleResult(
            "fields", float(total), None, True,
            f"write fields of {exposure.write_field_nm * 1e-3:g} um, all layers; operator.txt tells which pillars they cut",
        )  # fmt: skip
    yield _clock_rule(wafer)


def _clock_rule(wafer: Wafer) -> RuleResult:
    """1 / dwell at the smallest dose: the writer gives each beam position dose x step^2 / current."""
    exposure = wafer.loaded.recipe.exposure
    dose, current = exposure.dose_uc_cm2, exposure.current_na
    step, clock = exposure.beam_step_nm, exposure.max_clock_hz
    if dose is None or current is None or step is None or clock is None:
        return RuleResult(
            "beam_clock", None, None if clock is None else clock / 1e6, True,
            "want dose, current, beam_step and max_clock to tell the clock, so it is not checked",
        )  # fmt: skip
    least = min([*wafer.tree.doses.values(), 1.0])
    charge_c = dose * 1e-6 * least * (step * 1e-7) ** 2  # uC/cm2 on a step in cm
    needed = current * 1e-9 / charge_c
    return RuleResult(
        "beam_clock", needed / 1e6, clock / 1e6, True,
        "MHz that the smallest dose asks for; above the limit the write time follows the clock and a warning is given",
    )  # fmt: skip


# ---- labels and layers


def _label_rules(wafer: Wafer) -> Iterator[RuleResult]:
    """The dots of the lowest letters against the smallest drawn pillar of any part."""
    heights = [
        item.height_nm
        for die, items in wafer.loaded.recipe.dies.items()
        if wafer.plan.die_counts.get(die)
        for item in items
        if item.label is not None and item.height_nm is not None
    ]
    if not heights or not wafer.designs:
        return
    dot = min(heights) / ROWS
    limit = min(design.keys.ladder.min_nm for design in wafer.designs)
    seen = "" if dot >= _VISIBLE_NM else f", and below {_VISIBLE_NM:.0f} nm a microscope blurs it"
    yield RuleResult(
        "label_height", dot, limit, dot >= limit - _TOLERANCE_NM,
        f"side of the dots of the lowest label, nm, and the smallest size of a ladder{seen}",
    )  # fmt: skip


def _layer_rule(wafer: Wafer) -> RuleResult:
    """A foreign cell on a layer that is not exposed as it is drawn, or with a dose; roles on one layer the recipe refuses."""
    kept = {wafer.loaded.layers[role]: role for role in ("outlines", "frames")}
    kept |= {m.second_layer: LATER for m in wafer.plan.marks if m.second_layer is not None}
    kept |= {
        (layer.number, layer.datatype): wafer.tree.layers[layer]
        for layer, dose in wafer.tree.doses.items()
        if dose != 1.0
    }
    clashes = []
    for cell in wafer.tree.plain_cells():
        if not cell.name.startswith(FOREIGN):
            continue
        clashes += [
            f"the foreign cell {cell.name} draws on {kept[key]}, {key[0]}/{key[1]}"
            for group in cell.polygons
            if (key := (group.layer.number, group.layer.datatype)) in kept
        ]
    return RuleResult(
        "layers", float(len(clashes)), 0.0, not clashes, "; ".join(clashes) or "layers that two things claim",
    )  # fmt: skip


# ---- clamped pillars, file size, verdicts


def _clamp_rules(wafer: Wafer, counts: dict[int, Counts]) -> list[RuleResult]:
    """How many pillars were clamped: for each part of the recipe its worst variant."""
    worst: dict[str, RuleResult] = {}
    for index, found in counts.items():
        design = wafer.tree.variants[index].design
        name = f"clamped:{design.kind}:{design.name}"
        total = int(found.codes.sum())
        share = found.clamped / total if total else 0.0
        before = worst.get(name)
        if before is None or before.value is None or share > before.value:
            worst[name] = RuleResult(
                name, share, MOST_CLAMPED, share <= MOST_CLAMPED,
                f"{found.clamped} of {total} pillars left the bias table or the ladder",
            )  # fmt: skip
    return list(worst.values())


def size_rules(loaded: LoadedRecipe, size: int | None) -> list[RuleResult]:
    """Whether a GDSII file of so many bytes is within the recipe's limit; nothing where none is asked for."""
    output = loaded.recipe.output
    if "gdsii" not in output.formats or size is None:
        return []
    return [
        RuleResult(
            "gdsii_limit", float(size), output.gdsii_limit_bytes, size <= output.gdsii_limit_bytes,
            f"a GDSII file of about {size / 1e9:.3g} GB (26 bytes a stored pillar)",
        )
    ]  # fmt: skip


def waived(rules: Sequence[RuleResult], loaded: LoadedRecipe) -> list[RuleResult]:
    """Failed rules that the recipe waives pass, and say why."""
    found = []
    for rule in rules:
        reason = loaded.recipe.waive.get(rule.name) or loaded.recipe.waive.get(
            rule.name.partition(":")[0]
        )
        if not rule.ok and reason is not None:
            rule = RuleResult(
                rule.name, rule.value, rule.limit, True, f"{rule.sentence}; waived: {reason}"
            )
        found.append(rule)
    return found


def rule_facts(rules: Sequence[RuleResult]) -> list[dict[str, Any]]:
    return [
        {"name": r.name, "value": r.value, "limit": r.limit, "ok": r.ok, "text": r.sentence}
        for r in rules
    ]
