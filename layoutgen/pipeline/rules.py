"""Rules on what the writer and the etch will meet: gaps, sizes, aspect ratios, fields, clock, labels, layers.

Each has a name, a figure, a limit and a verdict; where the recipe lacks what one needs, its text says so.
Sizes are diameters of discs and sides of squares. They come from the codes that were counted, so no rule
looks at the sites again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from layoutgen.layout.tree import FOREIGN
from layoutgen.optics.library import neighbour_gap_nm
from layoutgen.pipeline.design import Wafer
from layoutgen.pipeline.facts import Counts, clamp_rules, layer_works, size_rules, waived
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.designs import Design
from layoutgen.wafer.glyphs import ROWS
from layoutgen.wafer.plan import RuleResult

__all__ = ["built_rules", "rule_warnings"]

FloatArray = NDArray[np.float64]

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
        *clamp_rules(wafer, counts),
        *size_rules(wafer.loaded, gdsii_bytes),
    ]
    return waived(rules, wafer.loaded)


def rule_warnings(wafer: Wafer) -> list[str]:
    """What rules without a limit of their own have to say before anything is written."""
    found = []
    for rule in _coverage_rules(wafer):
        if rule.value is not None and rule.value < _LEAST_COVERAGE_RAD:
            found.append(
                f"lens {rule.name.partition(':')[2]}: its pillars cover {rule.value:.4g} rad of phase, under nine"
                " tenths of a turn"
            )
    clock = _clock_rule(wafer)
    if clock.value is not None and clock.limit is not None and clock.value > clock.limit:
        found.append(
            f"exposure.max_clock: {clock.limit:.6g} MHz is below the {clock.value:.6g} MHz that dose,"
            " beam step and current ask for, so the writer waits or gives more dose"
        )
    field, pitch = (
        wafer.loaded.recipe.exposure.write_field_nm,
        max((d.lattice.pitch_dbu * d.dbu_nm for d in wafer.designs), default=0.0),
    )
    if field is not None and field < pitch:
        found.append(f"exposure.write_field: {field:g} nm is smaller than a pitch, {pitch:g} nm")
    return found


# ---- shapes


def _shape_rules(wafer: Wafer, counts: Mapping[int, Counts]) -> Iterator[RuleResult]:
    """Size, gap and aspect ratio of each part of the recipe, the worst of its designs and variants."""
    numbers = {id(design): number for number, design in enumerate(wafer.designs)}
    drawn: dict[int, tuple[float, float]] = {}
    for index, held in counts.items():
        variant = wafer.tree.variants[index]
        codes = np.flatnonzero(held.codes)
        if not len(codes):
            continue
        number = numbers[id(variant.design)]
        low, high = (variant.design.ladder.size_nm(int(code)) for code in (codes[0], codes[-1]))
        before = drawn.get(number, (low, high))
        drawn[number] = min(low, before[0]), max(high, before[1])
    worst: dict[str, RuleResult] = {}
    for number, design in enumerate(wafer.designs):
        if number not in drawn:
            continue
        for rule in _of_design(wafer, design, drawn[number]):
            known = worst.get(rule.name)
            if known is None or _margin(rule) < _margin(known):
                worst[rule.name] = rule
    yield from worst.values()


def _margin(rule: RuleResult) -> float:
    """How far a rule is from failing: aspect ratios and largest sizes have their limit above."""
    if rule.value is None or rule.limit is None:
        return math.inf
    above = rule.name.startswith(("aspect_ratio", "max_size"))
    return rule.limit - rule.value if above else rule.value - rule.limit


def _of_design(wafer: Wafer, design: Design, drawn: tuple[float, float]) -> Iterator[RuleResult]:
    keys, squares = design.keys, design.ladder.squares
    name, word = f"{design.kind}:{design.name}", "side" if squares else "diameter"
    chosen = design.kind in ("lens", "deflector")  # from candidates; a pad's sizes the recipe gives
    used = design.masters.master_nm
    if chosen and design.usage is not None and design.usage.any():
        used = used[design.usage > 0]
    to_size = SQUARE_SIDE if squares else 1.0
    smallest, largest = float(used.min()) * to_size, float(used.max()) * to_size
    if chosen:
        yield RuleResult(
            f"min_size:{name}", smallest, keys.diameter.min_nm,
            smallest >= keys.diameter.min_nm - _TOLERANCE_NM, f"smallest {word} on the master, nm",
        )  # fmt: skip
        yield RuleResult(
            f"max_size:{name}", largest, keys.diameter.max_nm,
            largest <= keys.diameter.max_nm + _TOLERANCE_NM, f"largest {word} on the master, nm",
        )  # fmt: skip
    stages = [("on the master", 0.0, 1.0)]
    bias = scale = 0.0
    for step in wafer.loaded.recipe.replication.steps:
        bias, scale = bias + step.bias_nm * to_size, scale + step.scale_ppm * 1e-6
        stages.append((f"after {step.name}", bias, 1 + scale))
    gaps = [(_gap(design, largest + more, times), stage) for stage, more, times in stages]
    gap, where = min(gaps, key=lambda found: found[0])
    limit = keys.min_gap_nm if chosen else None  # of a pad it is told and not judged
    yield RuleResult(
        f"gap:{name}", gap, limit, limit is None or gap >= limit - _TOLERANCE_NM,
        f"smallest distance between neighbours of the largest {word}, nm; least {where}"
        + ("" if limit is not None else "; no limit is given here"),
    )  # fmt: skip
    apart = _gap(design, drawn[1], 1.0)
    yield RuleResult(
        f"gap_drawn:{name}", apart, 0.0, apart > 0,
        f"smallest distance between neighbours of the largest drawn {word}, {drawn[1]:g} nm, in nm",
    )  # fmt: skip
    if keys.height_nm is None:
        yield RuleResult(
            f"aspect_ratio:{name}", None, None, True,
            "no height is given, so the aspect ratio is not checked",
        )  # fmt: skip
        return
    slim = [(keys.height_nm / max(smallest + more, 1e-9), stage) for stage, more, _ in stages]
    ratio, where = max(slim, key=lambda found: found[0])
    most = keys.max_aspect_ratio if chosen else None
    yield RuleResult(
        f"aspect_ratio:{name}", ratio, most, most is None or ratio <= most * (1 + 1e-9),
        f"height over the smallest {word}; largest {where}" + ("" if most is not None else "; no limit is given here"),
    )  # fmt: skip


def _gap(design: Design, size_nm: float, scale: float) -> float:
    lattice = design.lattice
    return float(
        neighbour_gap_nm(
            np.array(size_nm), squares=design.ladder.squares, kind=lattice.kind,
            pitch_nm=lattice.pitch_dbu * design.dbu_nm * scale,
            row_nm=lattice.row_dbu * design.dbu_nm * scale,
        )
    )  # fmt: skip


def _coverage_rules(wafer: Wafer) -> Iterator[RuleResult]:
    for design in wafer.designs:
        if design.kind == "lens" and design.facts is not None:
            yield RuleResult(
                f"coverage:{design.name}", float(design.facts.candidates.coverage_rad), None, True,
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
    """Two roles on one layer, or a foreign cell on a layer that is not exposed as it is drawn."""
    layers = wafer.loaded.layers
    numbers = list(layers.values())
    clashes = [
        f"{role} is on the layer of another role, {number}/{datatype}"
        for role, (number, datatype) in layers.items()
        if numbers.count((number, datatype)) > 1
    ]
    kept = {layers[role]: role for role in ("outlines", "frames") if role in layers}
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
