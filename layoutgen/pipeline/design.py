"""What is decided before a byte is written: every place, every pillar and every density of a wafer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from layoutgen.errors import InputError
from layoutgen.exposure.solve import Exposed, short_range_error
from layoutgen.layout.cells import Polygons
from layoutgen.layout.foreign import read_foreign
from layoutgen.layout.tree import Tree, build_tree
from layoutgen.optics.library import rows_far_apart
from layoutgen.pipeline.job import job_title
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.recipe.model import Deflector, Lens
from layoutgen.wafer.designs import Design, deflector_design, exposed_of, lens_design, pad_designs
from layoutgen.wafer.frames import united
from layoutgen.wafer.plan import RuleResult, WaferPlan, plan_wafer
from layoutgen.wafer.scene import Scene, build_scene
from layoutgen.wafer.written import Written

Progress = Callable[[str, float], None]


#: Twice the accuracy that densities are held to.
MOST_DENSITY_ERROR = 1e-3


def quiet(_what: str, _share: float) -> None:
    """A progress that shows nothing."""


@dataclass(frozen=True, slots=True)
class Clip:
    """One die written alone: its name and place; `alike` of the wafer's `of` such dies are drawn like it."""

    die: str
    col: int
    row: int
    alike: int
    of: int

    def facts(self) -> dict[str, str | int]:
        """What the manifest says of it."""
        return {
            "die": self.die, "col": self.col, "row": self.row, "alike": self.alike, "of": self.of,
            "densities": "those of the whole wafer",
        }  # fmt: skip


@dataclass(eq=False)
class Wafer:
    """Everything that is decided before a byte is written; `only` where one die is written alone."""

    loaded: LoadedRecipe
    plan: WaferPlan
    designs: list[Design]
    exposed: Exposed
    scene: Scene
    tree: Tree
    foreign: dict[str, list[Polygons]]  # of each foreign cell, by layer
    warnings: list[str]
    rules: list[RuleResult]
    only: Clip | None = None

    @property
    def title(self) -> str:
        """Name of the job folder and its layout files."""
        recipe = self.loaded.recipe
        return job_title(recipe.name, recipe.revision, None if self.only is None else self.only.die)


def design(
    loaded: LoadedRecipe,
    progress: Progress = quiet,
    jobs: int = 1,
    refuse: Callable[[int], None] | None = None,
) -> Wafer:
    """Place everything, choose every pillar, and settle densities; InputError tells all problems.

    refuse: is told, before the densities, how many pillars will be stored at least, and may raise.
    """
    recipe = loaded.recipe
    dbu_nm = recipe.output.database_unit_nm
    written = Written.of(recipe, dbu_nm)
    exposed = exposed_of(loaded)
    problems: list[str] = []
    rounded: list[str] = []
    foreign: dict[str, list[Polygons]] = {}
    for number, cell in enumerate(recipe.cells):
        try:
            foreign[cell.name] = read_foreign(
                loaded.inputs[cell.file].data, cell.file, cell.cell, dbu_nm=dbu_nm,
                where=f"cells[{number}]", warn=rounded.append,
            )  # fmt: skip
        except InputError as error:
            problems.extend(error.problems)
    boxes = {name: _box(groups) for name, groups in foreign.items()}
    plan: WaferPlan | None = None
    try:
        if not problems:
            plan = plan_wafer(recipe, dbu_nm=dbu_nm, cell_boxes=boxes)
    except InputError as error:
        problems.extend(error.problems)
    progress("choosing pillars", 0.0)
    designs: list[Design] = []
    of_item: dict[tuple[str, str], list[int]] = {}
    frame = written.frame_width(recipe.exposure)

    def add(kind: str, name: str, make: Callable[[], Design | Sequence[Design]]) -> None:
        try:
            result = make()
        except InputError as error:
            problems.extend(error.problems)
            return
        made = [result] if isinstance(result, Design) else result
        if not all(each.part().stored for each in made):
            problems.append(
                f"{kind} {name}: want room for at least one site of its lattice, got none"
            )
            return
        of_item[(kind, name)] = list(range(len(designs), len(designs) + len(made)))
        designs.extend(made)

    on_dies = {(key, getattr(item, key)) for die in recipe.dies.values() for item in die
               for key in ("deflector", "pad")}  # fmt: skip
    for lens in recipe.lenses:
        add("lens", lens.name, partial(lens_design, loaded, lens, written))
    for deflector in recipe.deflectors:
        if ("deflector", deflector.name) in on_dies:
            add("deflector", deflector.name, partial(deflector_design, loaded, deflector, written))
    for pad in recipe.pads:
        if ("pad", pad.name) in on_dies:
            add("pad", pad.name, partial(pad_designs, loaded, pad, written, exposed, frame))
    if problems or plan is None:
        raise InputError(loaded.with_lines(problems))
    for made in designs:
        made.among(len(designs))
    if refuse is not None:
        placed = {
            index
            for die, count in plan.die_counts.items()
            if count
            for part in plan.die_parts[die]
            for index in of_item.get((part.kind, part.name), [])
        }
        refuse(sum(designs[index].part().stored for index in placed))
    progress("settling densities", 0.0)
    # what overlaps in a foreign cell is exposed once
    polygons = {
        name: tuple(
            np.asarray(p, dtype=np.float64)
            for p in united([p for group in groups for p in group.polygons])
        )
        for name, groups in foreign.items()
    }
    if plan.mirrored:
        polygons = {
            name: tuple(p * np.array([-1.0, 1.0]) for p in ps) for name, ps in polygons.items()
        }
    scene = build_scene(plan, designs, of_item, polygons, exposed, jobs)
    tree = build_tree(loaded, plan, scene, exposed, foreign)
    warnings, rules = [*plan.warnings, *_library_warnings(loaded), *rounded], list(plan.rules)
    if exposed.terms and exposed.bias.depends_on_density:
        rules.append(_range_rule(designs, exposed))
    for found in designs:
        facts = found.facts
        if facts is None or facts.sampling is None:
            continue
        warnings += [f"lens {found.name}: {sentence}" for sentence in facts.sampling.warnings]
        rules += _sampling_rules(found)
    return Wafer(loaded, plan, designs, exposed, scene, tree, foreign, warnings, rules)


def _library_warnings(loaded: LoadedRecipe) -> list[str]:
    """Where a library is for another stack than the recipe's, or its rows are too far apart to be read one way."""
    recipe = loaded.recipe
    said: list[str] = []
    looked_at = set()
    parts: list[Lens | Deflector] = [*recipe.lenses, *recipe.deflectors]
    for part in parts:
        keys = recipe.pillars_of(part)
        stated = loaded.libraries[keys.library].stated
        for what, ours, theirs, unit in (
            ("pillars.height", keys.height_nm, stated.height_nm, " nm"),
            ("substrate_index", recipe.substrate_index, stated.substrate_index, ""),
        ):
            if ours is not None and theirs is not None and abs(ours - theirs) > 1e-3 * theirs:
                said.append(
                    f"{keys.library}: its header states {what} {theirs:g}{unit}, and the recipe {ours:g}{unit}"
                )
        rows = keys.library, part.wavelength_nm, keys.diameter.min_nm, keys.diameter.max_nm
        if rows in looked_at:  # a thousand lenses have one library as a rule
            continue
        looked_at.add(rows)
        for low, high, turns in rows_far_apart(loaded.libraries[rows[0]], *rows[1:]):
            said.append(
                f"{keys.library}: phase moves by {turns:.2f} turns between its rows of {low:g} and {high:g} nm at"
                f" {part.wavelength_nm:g} nm; half a turn can be read two ways, so want rows closer together"
            )
    return list(dict.fromkeys(said))


def _box(groups: Sequence[Polygons]) -> tuple[int, int, int, int]:
    points = [p for group in groups for p in group.polygons]
    if not points:
        return 0, 0, 0, 0
    every = np.concatenate(points)
    low, high = every.min(axis=0), every.max(axis=0)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _range_rule(designs: Sequence[Design], exposed: Exposed) -> RuleResult:
    """A term whose range is about a pitch sees single pillars, and the raster does not."""
    error = max((short_range_error(exposed.terms, d.lattice) for d in designs), default=0.0)
    return RuleResult(
        "kernel_range", error, MOST_DENSITY_ERROR, error <= MOST_DENSITY_ERROR,
        "density error expected from backscatter terms with ranges of a pitch or two; leave such a"
        " term to forward_range or waive the rule",
    )  # fmt: skip


def _sampling_rules(found: Design) -> list[RuleResult]:
    facts = found.facts
    assert facts is not None
    assert facts.sampling is not None
    s = facts.sampling
    limit = s.nyquist_pitch_nm if np.isfinite(s.nyquist_pitch_nm) else None
    rules = [
        RuleResult(
            f"sampling:{found.name}",
            s.step_nm,
            limit,
            not s.problems,
            f"lattice step {s.step_nm:g} nm, lambda / (2 NA) = {s.nyquist_pitch_nm:.1f} nm,"
            f" NA {s.na:.4f}",
        )
    ]
    if s.substrate_limit_nm is None:
        sentence = "no substrate index is given, so leakage into the substrate is not checked"
    else:
        sentence = (
            f"lattice step {s.step_nm:g} nm, lambda / (n_s + NA) = {s.substrate_limit_nm:.1f} nm"
        )
    rules.append(
        RuleResult(
            f"substrate_orders:{found.name}", s.step_nm, s.substrate_limit_nm, True, sentence
        )
    )
    return rules
