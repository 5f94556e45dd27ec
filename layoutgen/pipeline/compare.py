"""What changed between two jobs, or two layout files, in words and in numbers."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.pipeline.job import SUFFIX, Job, job_hash, open_job
from layoutgen.pipeline.picture import read_dies
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.review.changes import Change, Changes
from layoutgen.review.compare import compare_layouts
from layoutgen.review.match import Where
from layoutgen.review.readcells import LayerKey, shape_key
from layoutgen.review.window import Layout, Turn, open_layout
from layoutgen.units import parse_quantity

Progress = Callable[[str, float], None]
FloatArray = NDArray[np.float64]

#: Facts of the manifest that change what the operator does, and what they are called.
_FACTS = {
    "tone": "tone",
    "exposed": "what is exposed",
    "written": "the boolean to write",
    "mirrored": "mirrored layout",
    "labels_mirrored": "mirrored labels",
    "doses": "relative doses",
    "layers": "layers of the roles",
    "database_unit_nm": "database unit in nm",
}
#: Width of a bin of local density, and bins along a lens's radius.
DENSITY_BIN, RADIUS_BINS = 0.05, 10
#: Differences of one kind that are told one by one.
MOST_TOLD = 12


@dataclass(frozen=True, eq=False)
class Comparison:
    """What differs beyond the tolerance, a sentence each, and all of it as numbers.

    notes: what is worth knowing and is no difference of the layouts.
    """

    differences: tuple[str, ...]
    notes: tuple[str, ...]
    facts: dict[str, Any] = field(repr=False)

    @property
    def equal(self) -> bool:
        return not self.differences

    def as_text(self) -> str:
        """Sentences, then the changes of size as tables."""
        lines = [*self.differences, *(f"note: {note}" for note in self.notes)]
        for layer in self.facts.get("layers", []):
            if not layer.get("resized"):
                continue
            lines.append(f"layer {layer['layer']}: changes of diameter")
            most = max(each["count"] for each in layer["histogram"])
            for each in layer["histogram"]:
                bar = "#" * max(1, round(30 * each["count"] / most))
                lines.append(f"  {each['nm']:+8.2f} nm {each['count']:>16,}  {bar}")
            for scale, bins in layer["by"].items():
                lines.append(f"  by {scale}, from")
                for each in bins:
                    lines.append(
                        f"  {each['from']:11.4g} {each['count']:>16,}  {each['low_nm']:+.4g} to"
                        f" {each['high_nm']:+.4g} nm, {each['mean_nm']:+.3g} nm in the mean"
                    )
        return "\n".join(lines)

    def as_json(self) -> dict[str, Any]:
        return {
            "equal": self.equal,
            "differences": list(self.differences),
            "notes": list(self.notes),
            **self.facts,
        }


@dataclass(eq=False)
class _Side:
    """One of the two: a layout file, and the job that it belongs to, if any."""

    name: str
    path: Path
    job: Job | None

    @cached_property
    def loaded(self) -> LoadedRecipe | None:
        return None if self.job is None else load_recipe(self.job.folder / "recipe.yaml")

    @property
    def top(self) -> str | None:
        return None if self.job is None else self.job.manifest.get("top_cell")

    @property
    def drawn_nm(self) -> dict[bytes, float]:
        """Drawn diameter of each shape by the key of its polygon."""
        shapes = [] if self.job is None else self.job.manifest["shapes"]
        return {
            shape_key(np.array(each["polygon_dbu"], np.int64))[0]: float(each["drawn_nm"])
            for each in shapes
        }

    def role(self, layer: LayerKey) -> str:
        """A layer's numbers, and its role where the job tells it."""
        numbers = f"{layer[0]}/{layer[1]}"
        roles = {} if self.job is None else self.job.manifest["written_layers"]
        return f"{numbers} ({roles[numbers]})" if numbers in roles else numbers


def compare(
    a: str | Path,
    b: str | Path,
    *,
    tolerance: str = "0 nm",
    progress: Progress = lambda what, share: None,
) -> Comparison:
    """Compare two job folders or two layout files, OASIS or GDSII, one of each too.

    tolerance: changes of diameter and moves up to this length are no differences. InputError for
    what cannot be compared.
    """
    try:
        tolerance_nm = parse_quantity(tolerance, "length")
    except ValueError as error:
        raise InputError(f"--tolerance: {error}") from None
    if tolerance_nm < 0:
        raise InputError(f"--tolerance: want a length of 0 or more, got {tolerance!r}")
    sides = _open(Path(a)), _open(Path(b))
    jobs = [side.job for side in sides if side.job is not None]
    differences: list[str] = []
    notes: list[str] = []
    facts: dict[str, Any] = {
        "files": [side.path.name for side in sides],
        "tolerance_nm": tolerance_nm,
    }
    if len(jobs) == 2:
        differences += _operator(jobs[0], jobs[1])
        notes += _inputs(jobs[0], jobs[1])
        told, facts["dies"] = _dies(jobs[0], jobs[1], tolerance_nm)
        differences += told
        told, facts["marks"] = _marks(jobs[0], jobs[1], tolerance_nm)
        differences += told
    with ExitStack() as stack:
        progress("reading the layouts", 0.2)
        first, second = (
            stack.enter_context(open_layout(side.path, side.top, trust_boxes=False))
            for side in sides
        )
        if first.unit_nm != second.unit_nm:
            sentence = f"database unit: {first.unit_nm:g} nm against {second.unit_nm:g} nm"
            differences.append(f"{sentence}; the polygons are not compared")
            return Comparison(tuple(differences), tuple(notes), facts)
        progress("comparing", 0.5)
        context = _Context(sides[0], first.unit_nm)
        changes = compare_layouts(
            first, second, tolerance_nm=tolerance_nm, enter=context.enter, scales=context.scales,
            drawn_nm=(sides[0].drawn_nm, sides[1].drawn_nm),
        )  # fmt: skip
        notes += context.notes
        notes += _others(first, second)
        told, facts["layers"] = _layers(changes, sides, first.unit_nm)
        differences += told
    return Comparison(tuple(dict.fromkeys(differences)), tuple(dict.fromkeys(notes)), facts)


def _open(path: Path) -> _Side:
    if not path.is_dir():
        return _Side(path.name, path, None)
    job = open_job(path)
    for suffix in SUFFIX.values():
        file = path / f"{job.title}{suffix}"
        if file.name in job.manifest["files"]:
            return _Side(job.title, file, job)
    raise InputError(f"{path}: want a job with a layout file, got none")


def _others(first: Layout, second: Layout) -> list[str]:
    return [
        f"{layout.file.path.name}: {count} shapes of kind {kind} are not compared"
        for layout in (first, second)
        for kind, count in sorted(layout.others.items())
    ]


# ---- facts of two jobs


def _operator(a: Job, b: Job) -> list[str]:
    """What the operator goes by."""
    return [
        f"{words}: {a.manifest.get(key)} against {b.manifest.get(key)}"
        for key, words in _FACTS.items()
        if a.manifest.get(key) != b.manifest.get(key)
    ]


def _inputs(a: Job, b: Job) -> list[str]:
    """Recipes and tables that are not the same."""
    told = []
    held = [{k: v["sha256"] for k, v in job.manifest["inputs"].items()} for job in (a, b)]
    recipes = [job.manifest["files"].get("recipe.yaml", {}).get("sha256") for job in (a, b)]
    if recipes[0] != recipes[1]:
        told.append("recipe.yaml: not the same")
    for name in sorted({*held[0], *held[1]}):
        if held[0].get(name) != held[1].get(name):
            both = name in held[0] and name in held[1]
            told.append(f"{name}: {'not the same' if both else 'in one of the jobs only'}")
    versions = [job.manifest.get("layoutgen") for job in (a, b)]
    if versions[0] != versions[1]:
        told.append(f"layoutgen: version {versions[0]} against {versions[1]}")
    return told


def _dies(a: Job, b: Job, tolerance_nm: float) -> tuple[list[str], dict[str, Any]]:
    held: list[dict[tuple[int, int], str]] = []
    places: list[dict[tuple[int, int], FloatArray]] = []
    for job in (a, b):
        unit = float(job.manifest["database_unit_nm"])
        dies = read_dies(job, unit)
        held.append({(die.col, die.row): die.name for die in dies})
        places.append({(die.col, die.row): np.array([die.x, die.y]) * unit for die in dies})
    gone = [(name, *k) for k, name in held[0].items() if k not in held[1]]
    added = [(name, *k) for k, name in held[1].items() if k not in held[0]]
    both = [k for k in held[0] if k in held[1]]
    changed = [(held[0][k], held[1][k], *k) for k in both if held[0][k] != held[1][k]]
    moved = []
    for k in both:
        dx, dy = (places[1][k] - places[0][k]).tolist()
        if math.hypot(dx, dy) > tolerance_nm + 1e-6:
            moved.append((held[0][k], *k, dx, dy))
    told = []
    for word, dies_ in (("gone", gone), ("added", added)):
        if dies_:
            kinds = ", ".join(f"{n} {name}" for name, n in Counter(d[0] for d in dies_).items())
            told.append(
                f"dies: {len(dies_)} {word} ({kinds}): {_few([f'[{c}, {r}]' for _, c, r in dies_])}"
            )
    if changed:
        told.append(
            f"dies: {len(changed)} changed: "
            + _few([f"[{c}, {r}] from {old} to {new}" for old, new, c, r in changed])
        )
    if moved:
        shifts = Counter((round(dx, 3), round(dy, 3)) for *_, dx, dy in moved)
        told.append(
            f"dies: {len(moved)} moved: "
            + _few([f"{n} by ({dx:.6g}, {dy:.6g}) nm" for (dx, dy), n in shifts.most_common()])
        )
    facts = {
        "gone": [{"die": n, "col": c, "row": r} for n, c, r in gone],
        "added": [{"die": n, "col": c, "row": r} for n, c, r in added],
        "changed": [{"from": o, "to": n, "col": c, "row": r} for o, n, c, r in changed],
        "moved": [
            {"die": n, "col": c, "row": r, "dx_nm": dx, "dy_nm": dy} for n, c, r, dx, dy in moved
        ],
    }
    return told, facts


def _few(words: Sequence[str]) -> str:
    more = len(words) - MOST_TOLD
    return ", ".join(words[:MOST_TOLD]) + (f" and {more} more" if more > 0 else "")


def _marks(a: Job, b: Job, tolerance_nm: float) -> tuple[list[str], dict[str, Any]]:
    """Marks by their order in marks.csv: a recipe's marks keep theirs."""
    rows = []
    for job in (a, b):
        path = job.folder / "marks.csv"
        try:
            read = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))
            # a mark has no word on the sizes of other kinds
            rows.append([{k: v for k, v in row.items() if v} for row in read])
        except OSError as error:
            raise InputError(f"{path}: want the job's marks, got {error.strerror}") from None
    # the same mark at the same place first: one that is taken away moves no other
    left = [list(range(len(each))) for each in rows]
    for i in list(left[0]):
        for j in left[1]:
            if rows[0][i] == rows[1][j]:
                left[0].remove(i)
                left[1].remove(j)
                break
    told, facts = [], []
    for i in list(left[0]):
        for j in left[1]:
            was, now = rows[0][i], rows[1][j]
            if {k: v for k, v in was.items() if k not in ("x_mm", "y_mm")} == {
                k: v for k, v in now.items() if k not in ("x_mm", "y_mm")
            }:
                left[0].remove(i)
                left[1].remove(j)
                try:
                    dx, dy = (
                        round((float(now[k]) - float(was[k])) * 1e6, 3) for k in ("x_mm", "y_mm")
                    )
                except (KeyError, ValueError) as error:
                    raise InputError(
                        f"marks.csv: want x_mm and y_mm as numbers, got {error}"
                    ) from None
                if math.hypot(dx, dy) > tolerance_nm + 1e-6:
                    told.append(
                        f"marks: {was['kind']} at ({was['x_mm']}, {was['y_mm']}) mm moved by ({dx:.10g}, {dy:.10g}) nm"
                    )
                    facts.append({"kind": was["kind"], "what": "moved", "dx_nm": dx, "dy_nm": dy})
                break
    for side, word in ((0, "gone"), (1, "added")):
        for k in left[side]:
            mark = rows[side][k]
            told.append(
                f"marks: {mark.get('kind')} at ({mark.get('x_mm')}, {mark.get('y_mm')}) mm {word}"
            )
            facts.append({"kind": mark.get("kind"), "what": word})
    return told, {"changed": facts}


# ---- where a polygon of a job stands


class _Context:
    """Which die and lens a cell of the first job's layout belongs to, and bins of its places."""

    def __init__(self, side: _Side, unit_nm: float) -> None:
        self.side = side
        self.unit_nm = unit_nm
        self.notes: list[str] = []
        self._maps: dict[str, Any] = {}

    @cached_property
    def _names(self) -> dict[tuple[int, int], str]:
        if self.side.job is None:
            return {}
        return {(die.x, die.y): die.name for die in read_dies(self.side.job, self.unit_nm)}

    @cached_property
    def _lenses(self) -> dict[tuple[str, int, int], str]:
        """Name of the lens that stands on a die at a place from its centre."""
        from layoutgen.wafer.plan import plan_wafer

        if self.side.loaded is None:
            return {}
        recipe = self.side.loaded.recipe
        boxes = {cell.name: (0, 0, 0, 0) for cell in recipe.cells}
        plan = plan_wafer(recipe, dbu_nm=recipe.output.database_unit_nm, cell_boxes=boxes)
        return {
            (name, part.x, part.y): part.name
            for name, parts in plan.die_parts.items()
            for part in parts
            if part.kind == "lens"
        }

    def enter(self, where: Where, level: int, turn: Turn) -> Where:
        """The die below the top cell, then the lens below the die."""
        if level == 0:
            return Where(die=self._names.get((turn.x0, turn.y0), ""))
        lens = self._lenses.get((where.die, turn.x0, turn.y0), "") if where.die else ""
        return Where(die=where.die, part=lens, turn=turn.linear) if lens else where

    def scales(self, lens: str, places: FloatArray) -> Mapping[str, FloatArray]:
        """Bins of the radius in a lens and of the density of the first job."""
        assert self.side.loaded is not None
        keys = next(each for each in self.side.loaded.recipe.lenses if each.name == lens)
        width = keys.aperture_nm * 1e-3 / 2 / RADIUS_BINS
        radius = np.hypot(places[:, 0], places[:, 1]) * self.unit_nm * 1e-3
        found = {f"{lens}: radius_um": np.floor(radius / width) * width}
        density = self._density(lens, places)
        if density is not None:
            found[f"{lens}: density"] = np.floor(density / DENSITY_BIN) * DENSITY_BIN
        return found

    def _density(self, lens: str, places: FloatArray) -> FloatArray | None:
        if lens not in self._maps:
            self._maps[lens] = self._map(lens)
        held = self._maps[lens]
        if held is None:
            return None
        x0, y0, x1, y1 = held.box_um
        rows, cols = held.values.shape
        um = self.unit_nm * 1e-3
        i = np.floor((places[:, 0] * um - x0) / (x1 - x0) * cols).astype(np.int64)
        j = np.floor((places[:, 1] * um - y0) / (y1 - y0) * rows).astype(np.int64)
        found: FloatArray = held.values[np.clip(j, 0, rows - 1), np.clip(i, 0, cols - 1)]
        return found

    def _map(self, lens: str) -> Any:
        """The density over a lens, as its bias was chosen from it."""
        from layoutgen.pipeline.design import design
        from layoutgen.pipeline.facts import plain_variants
        from layoutgen.review.maps import lens_map

        job, loaded = self.side.job, self.side.loaded
        assert job is not None
        assert loaded is not None
        if job_hash(loaded, job.only) != job.manifest["job"]:
            self.notes.append(
                f"{self.side.name}: built by another version, so changes are not told by density"
            )
            return None
        wafer = design(loaded)
        for index, variant in plain_variants(wafer).items():
            if wafer.designs[index].kind == "lens" and wafer.designs[index].name == lens:
                return lens_map(
                    "density", variant.design, variant.part, variant.coder, um_per_dbu=1.0,
                    mirrored=wafer.plan.mirrored,
                )  # fmt: skip
        return None


# ---- words for what differs in the layouts


def _layers(
    changes: Changes, sides: tuple[_Side, _Side], unit_nm: float
) -> tuple[list[str], list[dict[str, Any]]]:
    told: list[str] = []
    facts: list[dict[str, Any]] = []
    for la, lb in changes.renumbered.items():
        swapped = changes.renumbered.get(lb) == la
        if swapped and la > lb:
            continue
        told.append(
            f"layers: {sides[0].role(la)} and {lb[0]}/{lb[1]} are swapped"
            if swapped
            else f"layers: {sides[0].role(la)} has become {sides[1].role(lb)}"
        )
    for side, only, word in (
        (sides[0], changes.only_a, "gone"),
        (sides[1], changes.only_b, "added"),
    ):
        for layer, count in sorted(only.items()):
            told.append(f"layers: {side.role(layer)} is {word}, {_count(count, 'polygon')}")
            facts.append({"layer": f"{layer[0]}/{layer[1]}", word: count})
    for (la, lb), change in changes.layers.items():
        told += _sentences(change, f"layer {sides[0].role(la)}", unit_nm)
        facts.append(_facts(change, la, lb, unit_nm))
    return told, facts


def _count(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _sentences(change: Change, layer: str, unit_nm: float) -> list[str]:
    told = []
    if change.resized:
        low, high = min(change.sizes), max(change.sizes)
        mean = sum(nm * n for nm, n in change.sizes.items()) / change.resized
        span = (
            f"by {low:+g} nm"
            if low == high
            else f"by {low:+g} to {high:+g} nm, {mean:+.3g} nm in the mean"
        )
        told.append(
            f"{layer}: {_count(change.resized, 'polygon')} changed size {span}{_examples(change, 'resized', unit_nm)}"
        )
    for kind, words in (
        ("reshaped", "changed outline and kept their area"),
        ("gone", "gone"),
        ("added", "added"),
    ):
        number = getattr(change, kind)
        if number:
            told.append(
                f"{layer}: {_count(number, 'polygon')} {words}{_examples(change, kind, unit_nm)}"
            )
    if change.moved:
        told.append(
            f"{layer}: {_count(change.moved, 'polygon')} moved, by up to {change.moved_nm:.6g} nm"
            f"{_examples(change, 'moved', unit_nm)}"
        )
    return told


def _examples(change: Change, kind: str, unit_nm: float) -> str:
    mm = unit_nm * 1e-6
    held = change.examples.get(kind, [])[:2]
    if not held:
        return ""
    places = [
        f"({p.x * mm:.7f}, {p.y * mm:.7f}) mm{': ' + p.words if p.words else ''}" for p in held
    ]
    return "; such as at " + " and ".join(places)


def _facts(change: Change, la: LayerKey, lb: LayerKey, unit_nm: float) -> dict[str, Any]:
    mm = unit_nm * 1e-6
    by: dict[str, list[dict[str, Any]]] = {}
    for (scale, low), bins in sorted(change.by.items()):
        by.setdefault(scale, []).append(
            {
                "from": round(low, 6), "count": bins.count, "mean_nm": bins.total_nm / bins.count,
                "low_nm": bins.low_nm, "high_nm": bins.high_nm,
            }
        )  # fmt: skip
    return {
        "layer": f"{la[0]}/{la[1]}",
        "layer_b": f"{lb[0]}/{lb[1]}",
        "same": change.same,
        "within_tolerance": change.within,
        "resized": change.resized,
        "histogram": [{"nm": nm, "count": count} for nm, count in sorted(change.sizes.items())],
        "by": by,
        "reshaped": change.reshaped,
        "moved": change.moved,
        "moved_nm": change.moved_nm,
        "gone": change.gone,
        "added": change.added,
        "examples": {
            kind: [{"x_mm": p.x * mm, "y_mm": p.y * mm, "words": p.words} for p in places]
            for kind, places in change.examples.items()
        },
    }
