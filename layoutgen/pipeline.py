"""From a recipe to a proven job folder: what the commands call, and what a script can call.

    load_recipe -> design (plan, parts, densities, cells) -> build, check, verify

This module alone sees every room. It computes nothing itself: it passes each room's result on and
owns the job folder, which appears whole under its final name or not at all.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError, LayoutgenError, RuleError, VerifyError
from layoutgen.exposure.solve import Exposed, short_range_error
from layoutgen.layout.cells import Cell, EncodedCell, Layer, Polygons
from layoutgen.layout.foreign import read_foreign
from layoutgen.layout.gdsii import GdsiiWriter
from layoutgen.layout.gdsii import expected_bytes as expected_gdsii_bytes
from layoutgen.layout.oasis import OasisWriter
from layoutgen.layout.oasis import expected_bytes as expected_oasis_bytes
from layoutgen.layout.tree import BlockTask, Tree, Variant, build_tree, coder_of
from layoutgen.layout.write import LayoutFile
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.review.sem_sites import sem_csv, sem_sites
from layoutgen.review.verify import verify_layout
from layoutgen.review.writetime import (
    LayerWork,
    WriteTime,
    fields_in_circle,
    fields_in_rectangle,
    write_time,
)
from layoutgen.wafer.designs import (
    Design,
    deflector_design,
    exposed_of,
    lens_design,
    pad_designs,
)
from layoutgen.wafer.frames import Disc
from layoutgen.wafer.plan import RuleResult, WaferPlan, plan_wafer
from layoutgen.wafer.scene import Scene, build_scene
from layoutgen.wafer.written import Written
from layoutgen.workers import cores, run_in_order

__all__ = ["Check", "Job", "Progress", "Wafer", "build", "check", "design", "open_job", "verify"]

Progress = Callable[[str, float], None]
SUFFIX = {"oasis": ".oas", "gdsii": ".gds"}
#: More pillars than this share beyond the bias table or the ladder is a failed rule.
MOST_CLAMPED = 1e-3
#: Twice the accuracy that densities are held to.
MOST_DENSITY_ERROR = 1e-3


def layoutgen_version() -> str:
    """The version of the installed package."""
    try:
        return version("layoutgen")
    except PackageNotFoundError:
        return "0+unknown"


def _quiet(_what: str, _share: float) -> None:
    """A progress that shows nothing."""


# --- design -------------------------------------------------------------------------------------


@dataclass(eq=False)
class Wafer:
    """Everything that is decided before a byte is written."""

    loaded: LoadedRecipe
    plan: WaferPlan
    designs: list[Design]
    exposed: Exposed
    scene: Scene
    tree: Tree
    warnings: list[str]
    rules: list[RuleResult]


def design(loaded: LoadedRecipe, progress: Progress = _quiet, jobs: int = 1) -> Wafer:
    """Place everything, choose every pillar, and settle densities; InputError tells all problems."""
    recipe = loaded.recipe
    dbu_nm = recipe.output.database_unit_nm
    written = Written.of(recipe, dbu_nm)
    exposed = exposed_of(loaded)
    problems: list[str] = []
    foreign: dict[str, list[Polygons]] = {}
    for number, cell in enumerate(recipe.cells):
        try:
            foreign[cell.name] = read_foreign(
                loaded.inputs[cell.file].data, cell.file, cell.cell, dbu_nm=dbu_nm,
                where=f"cells[{number}]",
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
    frame = plan.frame_width_dbu if plan is not None else None

    def add(kind: str, name: str, make: Callable[[], Design | Sequence[Design]]) -> None:
        try:
            result = make()
        except InputError as error:
            problems.extend(error.problems)
            return
        made = [result] if isinstance(result, Design) else result
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
        raise InputError(problems)
    progress("settling densities", 0.0)
    polygons = {
        name: tuple(np.asarray(p, dtype=np.float64) for group in groups for p in group.polygons)
        for name, groups in foreign.items()
    }
    if plan.mirrored:
        polygons = {
            name: tuple(p * np.array([-1.0, 1.0]) for p in ps) for name, ps in polygons.items()
        }
    scene = build_scene(plan, designs, of_item, polygons, exposed, jobs)
    tree = build_tree(loaded, plan, scene, exposed, foreign)
    warnings, rules = list(plan.warnings), list(plan.rules)
    if exposed.terms and exposed.bias.depends_on_density:
        rules.append(_range_rule(designs, exposed))
    for found in designs:
        facts = found.facts
        if facts is None or facts.sampling is None:
            continue
        warnings += [f"lens {found.name}: {sentence}" for sentence in facts.sampling.warnings]
        rules += _sampling_rules(found)
    return Wafer(loaded, plan, designs, exposed, scene, tree, warnings, rules)


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


# --- facts of the finished design -----------------------------------------------------------------


@dataclass(eq=False)
class _Counts:
    """Codes and clamped pillars of one variant, over all its copies of each block."""

    codes: NDArray[np.int64]
    clamped: int = 0


def _count(variant: Variant, jobs: int) -> _Counts:
    def one(task: BlockTask) -> tuple[NDArray[np.int64], int]:
        codes = variant.coder.tally(task.codes()) * task.copies
        return codes, task.left() * task.copies

    total = _Counts(np.zeros(variant.coder.ladder.count + 1, dtype=np.int64))
    for codes, left in run_in_order(one, variant.blocks(), jobs):
        total.codes += codes
        total.clamped += left
    total.codes[0] = 0
    return total


def _plain_variants(wafer: Wafer) -> dict[int, Variant]:
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


def _layer_work(wafer: Wafer, counts: dict[int, _Counts]) -> list[LayerWork]:
    """What each layer asks of the writer; counts by variant."""
    exposure = wafer.loaded.recipe.exposure
    dbu_um = wafer.plan.dbu_nm * 1e-3
    doses = {k: dose for dose, k in wafer.loaded.dose_steps.items()}
    area: dict[Layer, float] = {}
    figures: dict[Layer, int] = {}
    fields: dict[Layer, int] = {}
    sign = -1.0 if wafer.exposed.background else 1.0
    for index, variant in enumerate(wafer.tree.variants):
        codes = counts[index].codes[1:]
        sizes = np.array([_area_dbu2(p) for p in variant.table.polygons]) * dbu_um**2
        layer = variant.layer
        area[layer] = area.get(layer, 0.0) + sign * float(codes @ sizes) * variant.placed
        if not wafer.exposed.background:
            figures[layer] = figures.get(layer, 0) + int(codes.sum()) * variant.placed
        else:  # a hole cuts the frame into about one more figure
            figures[layer] = figures.get(layer, 0) + int(codes.sum()) * variant.placed
        fields[layer] = fields.get(layer, 0) + variant.placed * _fields(variant, exposure.write_field_nm,
                                                                       wafer.plan.dbu_nm)  # fmt: skip
    outlines = Layer(*wafer.loaded.layers["outlines"])
    placed = _placements(wafer.tree)
    for cell in wafer.tree.plain_cells():
        for group in cell.polygons:
            if group.layer == outlines:
                continue
            frame = wafer.tree.layers[group.layer].startswith("frames")
            here = 1.0 if frame else sign
            times = placed[cell.name]
            size = sum(_area_dbu2(p) for p in group.polygons) * dbu_um**2
            area[group.layer] = area.get(group.layer, 0.0) + here * size * times
            figures[group.layer] = figures.get(group.layer, 0) + len(group.polygons) * times
            fields[group.layer] = fields.get(group.layer, 0) + times
    found = []
    for layer in sorted(area):
        k = (
            layer.datatype
            - 100
            - next((d for n, d in wafer.loaded.layers.values() if n == layer.number), 0)
        )
        dose = doses.get(k, 1.0) if "_dose_" in wafer.tree.layers[layer] else 1.0
        found.append(LayerWork(str(layer), area[layer], figures[layer], fields[layer], dose))
    return found


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


def _time(wafer: Wafer, counts: dict[int, _Counts]) -> WriteTime | None:
    return write_time(_layer_work(wafer, counts), wafer.loaded.recipe.exposure)


def _clamp_rules(
    wafer: Wafer, plain: dict[int, Variant], counts: dict[int, _Counts]
) -> list[RuleResult]:
    rules = []
    for index, found in counts.items():
        variant = wafer.tree.variants[index]
        key = f"{variant.design.kind}:{variant.design.name}"
        total = int(found.codes.sum())
        share = found.clamped / total if total else 0.0
        rules.append((key, share, found.clamped, total))
    worst: dict[str, tuple[float, int, int]] = {}
    for key, share, clamped, total in rules:
        if key not in worst or share > worst[key][0]:
            worst[key] = (share, clamped, total)
    return [
        RuleResult(
            f"clamped:{key}", share, MOST_CLAMPED, share <= MOST_CLAMPED,
            f"{clamped} of {total} pillars left the bias table or the ladder",
        )
        for key, (share, clamped, total) in worst.items()
    ]  # fmt: skip


def _expected_bytes(wafer: Wafer) -> dict[str, int]:
    """Predicted size of each format that the recipe asks for."""
    output = wafer.loaded.recipe.output
    stored = wafer.tree.stored
    plain = sum(len(g.polygons) for c in wafer.tree.plain_cells() for g in c.polygons)
    references = sum(len(c.references) for c in wafer.tree.plain_cells())
    zone = 20.0
    lenses = [d.facts.sampling for d in wafer.designs if d.facts is not None and d.facts.sampling]
    if lenses:
        zone = min(s.pillars_per_zone for s in lenses) / 0.7071
    found: dict[str, int] = {}
    for name in output.formats:
        if name == "oasis":
            found[name] = (
                expected_oasis_bytes(stored, compression=output.compression, sites_per_zone=zone)
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


# --- check ----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Check:
    """What `check` found: everything short of writing."""

    problems: tuple[str, ...]
    warnings: tuple[str, ...]
    rules: tuple[RuleResult, ...]
    dies: dict[str, int]
    pillars: int
    bytes: dict[str, int]
    write_time: WriteTime | None
    lenses: dict[str, dict[str, Any]]

    @property
    def ok(self) -> bool:
        return not self.problems and all(rule.ok for rule in self.rules)

    def as_json(self) -> dict[str, Any]:
        return {
            "problems": list(self.problems),
            "warnings": list(self.warnings),
            "rules": [
                {"name": r.name, "value": r.value, "limit": r.limit, "ok": r.ok, "text": r.sentence}
                for r in self.rules
            ],
            "dies": self.dies,
            "pillars": self.pillars,
            "bytes": self.bytes,
            "write_time_s": None if self.write_time is None else self.write_time.total_s,
            "lenses": self.lenses,
        }


def check(loaded: LoadedRecipe, *, jobs: int | None = None, progress: Progress = _quiet) -> Check:
    """Everything short of writing: problems, counts, rules, expected sizes and write time."""
    workers = cores() if jobs is None else jobs
    try:
        wafer = design(loaded, progress, workers)
    except InputError as error:
        return Check(error.problems, (), (), {}, 0, {}, None, {})
    workers = cores() if jobs is None else jobs
    counts = {}
    for index, variant in enumerate(wafer.tree.variants):
        progress("counting pillars", index / len(wafer.tree.variants))
        counts[index] = _count(variant, workers)
    plain = _plain_variants(wafer)
    rules = [*wafer.rules, *_clamp_rules(wafer, plain, counts), *_size_rules(wafer)]
    return Check(
        (),
        tuple(wafer.warnings),
        tuple(_waived(rules, loaded)),
        wafer.plan.die_counts,
        wafer.tree.pillars,
        _expected_bytes(wafer),
        _time(wafer, counts),
        _lens_facts(wafer, plain, counts, workers),
    )


def _size_rules(wafer: Wafer) -> list[RuleResult]:
    output = wafer.loaded.recipe.output
    if "gdsii" not in output.formats:
        return []
    size = _expected_bytes(wafer)["gdsii"]
    return [
        RuleResult(
            "gdsii_limit", float(size), output.gdsii_limit_bytes, size <= output.gdsii_limit_bytes,
            f"a GDSII file of about {size / 1e9:.3g} GB (26 bytes a stored pillar)",
        )
    ]  # fmt: skip


def _waived(rules: Sequence[RuleResult], loaded: LoadedRecipe) -> list[RuleResult]:
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


# --- build ----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Job:
    """A finished job folder and its manifest."""

    folder: Path
    manifest: dict[str, Any] = field(repr=False)
    existed: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        return f"{self.manifest['name']}-{self.manifest['revision']}"

    def layout(self, form: str) -> Path:
        return self.folder / f"{self.title}{SUFFIX[form]}"


#: What is read from a manifest that stands on the disk, and may have been changed there.
_READ_BACK = {"name": str, "revision": str, "job": str, "files": dict, "dies": dict, "pillars": int,
              "pillars_stored": int, "written": str, "verified": bool,
              "write_time_s": int | float | None}  # fmt: skip


def open_job(folder: str | Path) -> Job:
    """A job folder that exists; InputError where it is none."""
    path = Path(folder)
    try:
        manifest = json.loads((path / "manifest.json").read_text(encoding="utf-8"))
        if not isinstance(manifest, dict) or not all(
            isinstance(manifest.get(key), kind) for key, kind in _READ_BACK.items()
        ):
            raise ValueError(f"one without a proper {', '.join(_READ_BACK)}")
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: want a job folder with its manifest.json, got"
            f" {error.strerror if isinstance(error, OSError) else error}"
        ) from error
    return Job(path, manifest)


def job_hash(loaded: LoadedRecipe) -> str:
    """SHA-256 over the sorted inputs, the recipe and the version: what the job depends on."""
    parts = [f"input {path} {found.sha256}\n" for path, found in sorted(loaded.inputs.items())]
    parts.append(f"recipe {hashlib.sha256(loaded.text).hexdigest()}\n")
    parts.append(f"layoutgen {layoutgen_version()}\n")
    return hashlib.sha256("".join(parts).encode()).hexdigest()


def build(
    loaded: LoadedRecipe,
    out: str | Path,
    *,
    jobs: int | None = None,
    verify: bool = True,
    progress: Progress = _quiet,
) -> Job:
    """Make the job folder of a recipe inside `out` and verify it.

    A folder that exists is never overwritten: the same job is said and done, another one under the
    same name and revision is refused. InputError, RuleError or VerifyError otherwise.
    """
    recipe = loaded.recipe
    out = Path(out)
    final = out / f"{recipe.name}-{recipe.revision}"
    job = job_hash(loaded)
    try:
        exists = final.exists()
    except OSError as error:  # a name too long, a folder above that cannot be entered
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    if exists:
        return _existing(final, job, verify, progress)
    workers = cores() if jobs is None else jobs
    wafer = design(loaded, progress, workers)
    failed = [rule for rule in _waived([*wafer.rules, *_size_rules(wafer)], loaded) if not rule.ok]
    if failed:
        raise RuleError([f"rule {rule.name}: {rule.sentence}" for rule in failed])
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    with _folder(out, final.name) as folder:
        try:
            manifest = _fill(wafer, folder, job, workers, progress)
            if verify:
                progress("verifying", 0.0)
                found = verify_folder(
                    Job(folder, manifest), wafer=wafer, jobs=workers, progress=progress
                )
                if found:
                    raise VerifyError(found)
            manifest["verified"] = verify
            _write_text(folder / "manifest.json", _json(manifest))
            existed = not _publish(folder, final)
        except OSError as error:
            raise LayoutgenError(
                f"{final}: could not be written: {error.strerror or error}; nothing is left of it"
            ) from error
    if existed:
        return _existing(final, job, verify, progress)
    return Job(final, manifest, warnings=tuple(wafer.warnings))


def _existing(final: Path, job: str, verify: bool, progress: Progress) -> Job:
    found = open_job(final)
    if found.manifest["job"] != job:
        raise InputError(
            f"{final}: want a new revision for a changed recipe or table, got the name and revision"
            " of another job; a job folder is never overwritten"
        )
    changed = changed_files(found)
    if changed:
        raise InputError(
            [f"{final}: want the files that were built, got {sentence}" for sentence in changed]
        )
    if verify and not found.manifest.get("verified"):
        problems = verify_folder(found, progress=progress)
        if problems:
            raise VerifyError(problems)
    return Job(final, found.manifest, existed=True)


@contextmanager
def _folder(out: Path, name: str) -> Iterator[Path]:
    """A temporary sibling of the job folder that is gone afterwards unless it was renamed."""
    try:
        made = Path(tempfile.mkdtemp(prefix=f".{name}.", suffix=".unfinished", dir=out))
        made.chmod(0o777 & ~_umask())
    except OSError as error:
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _publish(folder: Path, final: Path) -> bool:
    """Rename the finished folder; False where another build was there first."""
    _sync(folder)
    try:
        folder.rename(final)
    except OSError:
        if final.exists():
            return False
        raise
    _sync(final.parent)
    return True


def _sync(folder: Path) -> None:
    with suppress(OSError):  # some file systems cannot; the rename is still whole
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_text(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, sort_keys=False) + "\n"


def _fill(wafer: Wafer, folder: Path, job: str, workers: int, progress: Progress) -> dict[str, Any]:
    """Write everything into the temporary folder; returns the manifest, not yet written."""
    loaded, plan, tree = wafer.loaded, wafer.plan, wafer.tree
    recipe = loaded.recipe
    title = f"{recipe.name}-{recipe.revision}"
    (folder / "tables").mkdir()
    inputs = {}
    taken: set[str] = set()
    for path, found in sorted(loaded.inputs.items()):
        name = Path(path.replace("\\", "/")).name
        base, k = name, 2
        while name in taken:
            name, k = f"{k}-{base}", k + 1
        taken.add(name)
        _write_bytes(folder / "tables" / name, found.data)
        inputs[path] = {"file": f"tables/{name}", "sha256": found.sha256}
    _write_bytes(folder / "recipe.yaml", loaded.text)
    counts, known = write_layout(wafer, folder, title, workers, progress)
    plain = _plain_variants(wafer)
    rules = _waived(_clamp_rules(wafer, plain, counts), loaded)
    failed = [rule for rule in rules if not rule.ok]
    if failed:
        raise RuleError([f"rule {rule.name}: {rule.sentence}" for rule in failed])
    _write_text(folder / "dies.csv", _dies_csv(plan))
    _write_text(folder / "marks.csv", _marks_csv(plan))
    _write_text(folder / "sem_sites.csv", _sem_csv(wafer, job))
    files = {
        path.relative_to(folder).as_posix(): {
            "sha256": known.get(path.name) or _sha256(path),
            "bytes": path.stat().st_size,
        }
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    time = _time(wafer, counts)
    return {
        "name": recipe.name,
        "revision": recipe.revision,
        "layoutgen": layoutgen_version(),
        "job": job,
        "inputs": inputs,
        "files": files,
        **_operator_facts(wafer),
        "verified": False,
        "shapes": _shapes(wafer, counts),
        "lenses": _lens_facts(wafer, plain, counts, workers),
        "dies": plan.die_counts,
        "dropped": {
            "marks": [list(site) for site in plan.dropped.marks],
            "keep_outs": [list(site) for site in plan.dropped.keep_outs],
        },
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
        "rules": [
            {"name": r.name, "value": r.value, "limit": r.limit, "ok": r.ok, "text": r.sentence}
            for r in _waived([*wafer.rules, *rules, *_size_rules(wafer)], loaded)
        ],
        "warnings": wafer.warnings,
    }


def _operator_facts(wafer: Wafer) -> dict[str, Any]:
    """What the operator goes by besides the layout itself; `verify` holds the manifest to it."""
    loaded, plan = wafer.loaded, wafer.plan
    return {
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
            {"dose": dose, "datatype_added": 100 + k} for dose, k in loaded.dose_steps.items()
        ],
        "database_unit_nm": plan.dbu_nm,
        "address_grid_nm": loaded.address_grid_nm,
        "scale": loaded.recipe.scale,
    }


def _write_bytes(path: Path, data: bytes) -> None:
    with path.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())


def _sha256(path: Path) -> str:
    with path.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def _boolean(wafer: Wafer) -> str:
    """What the writer exposes, as the boolean of layers that the operator applies."""
    outlines = str(Layer(*wafer.loaded.layers["outlines"]))
    layers = {str(layer): name for layer, name in sorted(wafer.tree.layers.items())}
    layers.pop(outlines, None)
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


def _shapes(wafer: Wafer, counts: dict[int, _Counts]) -> list[dict[str, Any]]:
    """Every drawn shape in use, each code once."""
    tree = wafer.tree
    used = [np.zeros(len(table) + 1, dtype=np.int64) for _, table in tree.tables]
    for index, found in counts.items():
        used[_table_number(tree, tree.variants[index])] += found.codes
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


def _lens_facts(
    wafer: Wafer, plain: dict[int, Variant], counts: dict[int, _Counts], workers: int
) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for index, variant in plain.items():
        item = variant.design
        if item.kind != "lens" or item.facts is None:
            continue
        held = next(
            (counts[k] for k, v in enumerate(wafer.tree.variants) if v is variant and k in counts),
            None,
        )
        tally = _count(variant, workers) if held is None else held
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


def _sem_csv(wafer: Wafer, job: str) -> str:
    recipe, dbu_nm = wafer.loaded.recipe, wafer.plan.dbu_nm
    stages = ["resist", "master", *(step.name for step in recipe.replication.steps)]
    sites = sem_sites(wafer.tree, wafer.exposed, dbu_nm)
    return sem_csv(sites, stages, job=job, title=f"{recipe.name}-{recipe.revision}", dbu_nm=dbu_nm)


def _dies_csv(plan: WaferPlan) -> str:
    mm = plan.dbu_nm * 1e-6
    lines = ["die,col,row,x_mm,y_mm"]
    lines += [
        f"{die.name},{die.col},{die.row},{die.x * mm:.7f},{die.y * mm:.7f}" for die in plan.dies
    ]
    return "\n".join(lines) + "\n"


def _marks_csv(plan: WaferPlan) -> str:
    mm = plan.dbu_nm * 1e-6
    columns = sorted({key for mark in plan.marks for key in mark.sizes})
    lines = [",".join(["kind", "x_mm", "y_mm", *columns])]
    for mark in plan.marks:
        sizes = [f"{mark.sizes[key]:.10g}" if key in mark.sizes else "" for key in columns]
        lines.append(",".join([mark.kind, f"{mark.x * mm:.7f}", f"{mark.y * mm:.7f}", *sizes]))
    return "\n".join(lines) + "\n"


# --- the layout itself -----------------------------------------------------------------------------


def cell_stream(
    wafer: Wafer, workers: int, counts: dict[int, _Counts] | None = None,
    encode: Callable[[Cell], Any] | None = None, progress: Progress = _quiet,
) -> Iterator[tuple[Cell, Any]]:  # fmt: skip
    """Every cell of the layout in its order, with what `encode` makes of it on the workers.

    A block cell's codes are counted on the way into `counts`.
    """
    tree = wafer.tree
    total = max(1, sum(len(v.design.part(v.surrounding.symmetry).sites) for v in tree.variants))
    done = 0

    def one(task: BlockTask) -> tuple[Cell, Any, NDArray[np.int64] | None, int]:
        codes = task.codes()
        cell = task.cell(codes)
        if counts is None:
            return cell, encode(cell) if encode else None, None, 0
        encoded = encode(cell) if encode else None
        # the OASIS encoder has counted already
        tally = next((e.codes for e in encoded or () if e.codes is not None), None)
        if tally is None:
            tally = task.variant.coder.tally(codes)
        return cell, encoded, tally * task.copies, task.left() * task.copies

    for index, variant in enumerate(tree.variants):
        held = _Counts(np.zeros(variant.coder.ladder.count + 1, dtype=np.int64))
        for cell, encoded, tally, left in run_in_order(one, variant.blocks(), workers):
            if tally is not None:
                held.codes += tally
                held.clamped += left
            done += 1
            progress("writing", done / total)
            yield cell, encoded
        held.codes[0] = 0
        if counts is not None:
            counts[index] = held
        for cell in tree.variant_cells(variant):
            yield cell, encode(cell) if encode else None
        last = not any(v.design is variant.design for v in tree.variants[index + 1 :])
        if last:
            variant.design.part(variant.surrounding.symmetry).forget()
    for cell in tree.plain_cells():
        yield cell, encode(cell) if encode else None


def write_layout(
    wafer: Wafer, folder: Path, title: str, workers: int, progress: Progress
) -> tuple[dict[int, _Counts], dict[str, str]]:
    """Write the layout files; returns the counts of every variant and each file's SHA-256."""
    recipe, tree = wafer.loaded.recipe, wafer.tree
    layers = tree.layers
    counts: dict[int, _Counts] = {}
    files: list[LayoutFile] = []
    with ExitStack() as stack:
        writers: list[OasisWriter | GdsiiWriter] = []
        for form in recipe.output.formats:
            out = stack.enter_context(LayoutFile(folder / f"{title}{SUFFIX[form]}"))
            files.append(out)
            if form == "oasis":
                writers.append(
                    OasisWriter(
                        out, dbu_nm=wafer.plan.dbu_nm, layers=layers, shapes=tree.shapes,
                        compression=recipe.output.compression,
                    )
                )  # fmt: skip
            else:
                writers.append(GdsiiWriter(out, dbu_nm=wafer.plan.dbu_nm, shapes=tree.shapes))
        for name in _names(wafer):  # numbers are given in the order of the cells
            for writer in writers:
                if isinstance(writer, OasisWriter):
                    writer.number(name)

        def encode(cell: Cell) -> list[EncodedCell]:
            return [writer.task(cell)() for writer in writers]

        for _, encoded in cell_stream(wafer, workers, counts, encode, progress):
            for writer, data in zip(writers, encoded, strict=True):
                writer.append(data)
        for writer in writers:
            writer.close()
    return counts, {file.path.name: file.sha256 for file in files}


def _names(wafer: Wafer) -> Iterator[str]:
    for variant in wafer.tree.variants:
        for task in variant.blocks():
            yield task.name
        for cell in wafer.tree.variant_cells(variant):
            yield cell.name
    for cell in wafer.tree.plain_cells():
        yield cell.name


# --- verify ---------------------------------------------------------------------------------------


def changed_files(job: Job) -> list[str]:
    """Files of a job folder that are missing or differ from the manifest's hashes."""
    problems = []
    for name, facts in job.manifest["files"].items():
        path = job.folder / name
        if not path.is_file():
            problems.append(f"{name}: missing")
            continue
        try:
            if _sha256(path) != facts["sha256"]:
                problems.append(f"{name}: another SHA-256 than in the manifest")
        except OSError as error:
            problems.append(f"{name}: cannot be read: {error.strerror}")
    return problems


def verify(job: str | Path | Job, *, reader: str = "own", jobs: int | None = None,
           progress: Progress = _quiet) -> list[str]:  # fmt: skip
    """Prove a job folder equal to its own recipe, computed afresh; the differences, empty if none."""
    found = job if isinstance(job, Job) else open_job(job)
    try:
        return verify_folder(found, reader=reader, jobs=jobs, progress=progress)
    except OSError as error:
        where = error.filename or found.folder
        raise InputError(f"{where}: want a file that can be read, got {error.strerror}") from error


def verify_folder(
    job: Job, *, wafer: Wafer | None = None, reader: str = "own", jobs: int | None = None,
    progress: Progress = _quiet,
) -> list[str]:  # fmt: skip
    """As `verify`; `wafer` is the design when it was just made (its codes are computed afresh)."""
    problems = changed_files(job)
    workers = cores() if jobs is None else jobs
    fresh = wafer is None
    if wafer is None:
        try:
            loaded = load_recipe(job.folder / "recipe.yaml")
            wafer = design(loaded, progress, workers)
        except InputError as error:
            return [*problems, *(f"recipe.yaml: {sentence}" for sentence in error.problems)]
        if job_hash(loaded) != job.manifest["job"]:
            problems.append("manifest.json: the job's hash is not that of its recipe and tables")
    plan = wafer.plan
    if job.manifest["pillars"] != wafer.tree.pillars:
        problems.append(
            f"manifest.json: want {wafer.tree.pillars} pillars, got {job.manifest['pillars']}"
        )
    if job.manifest["dies"] != plan.die_counts:
        problems.append(f"manifest.json: want dies {plan.die_counts}, got {job.manifest['dies']}")
    for key, wanted in _operator_facts(wafer).items():
        if job.manifest.get(key) != wanted:
            problems.append(f"manifest.json: want {key} {wanted!r}, got {job.manifest.get(key)!r}")
    lists = [("dies.csv", _dies_csv(plan)), ("marks.csv", _marks_csv(plan))]
    if fresh:  # else it was just made from this very design
        lists.append(("sem_sites.csv", _sem_csv(wafer, job.manifest["job"])))
    for name, text in lists:
        path = job.folder / name
        if path.is_file() and path.read_bytes() != text.encode():
            problems.append(f"{name}: not what the recipe gives")
    for form in wafer.loaded.recipe.output.formats:
        path = (
            job.folder / f"{wafer.loaded.recipe.name}-{wafer.loaded.recipe.revision}{SUFFIX[form]}"
        )
        if path.name not in job.manifest["files"]:
            problems.append(f"manifest.json: {path.name} is not among its files")
        if not path.is_file():
            problems.append(f"{path.name}: missing")
            continue
        stream = (cell for cell, _ in cell_stream(wafer, workers, progress=progress))
        problems += [
            f"{path.name}: {sentence}"
            for sentence in verify_layout(
                path, form, stream, shapes=wafer.tree.shapes,
                dbu_nm=plan.dbu_nm, top=wafer.tree.top, reader=reader,
            )
        ]  # fmt: skip
    return list(dict.fromkeys(problems))
