"""Mutated recipes, tables, specs and SEM files: each is taken, or refused in sentences, in time and in memory.

    python -m tests.volume.inputs --count 10000 --seed 1          counts, slowest case, failures
    python -m tests.volume.inputs --seed 1 --one 1234             one case again, and what was said of it

A case is made from its seed and number alone. It alters a recipe and the tables that it names, a library spec,
or a filled sem_sites.csv: a file that is YAML by its parsed values (swapped for hostile ones, keys dropped,
renamed, copied elsewhere) or by its bytes, a CSV file by its bytes. Recipes are checked, specs read, SEM files
refined into a bias table. A case fails with any exception but the package's own, over 10 s, or over 1 GB.
"""

from __future__ import annotations

import copy
import runpy
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml

import layoutgen as lg
from layoutgen.errors import InputError
from layoutgen.pipeline.check import check
from layoutgen.pipeline.library import load_spec
from layoutgen.pipeline.refine import refine
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import FULL, LONE, write
from tests.volume.watch import Case, Work, run_many, watched

ROOT = Path(__file__).resolve().parents[2]

#: What stands in for a value: wrong kinds, units, signs, sizes, and text that other programs would run.
HOSTILE: tuple[Any, ...] = (
    None, True, 0, -1, 1, 1e308, float("nan"), float("inf"), "", " ", "nan nm", "inf um", "-5 um", "0 nm",
    "1e30 mm", "1e-30 nm", "5", "5 parsec", "5 nm nm", "400nm", "4,5 um", "1 um\n2 um", "../../etc/passwd", "\x00",
    "=1+1", "<b>", "${HOME}", "é" * 50, "a" * 5000, [], {}, [[]], ["1 um"], ["1 um"] * 3, {"a": 1}, [None, None],
    10**30, "0x10", "1_000 nm", "square", "die", "1 nm", "1 mm", "200 mm", "0.5", "NaN", "٣ nm",
)  # fmt: skip
BYTES = (b"", b"\x00", b"\xff", b"\n", b"\t", b": ", b"- ", b"*a", b"&a ", b"!!python/object ", b"{", b"]", b"'",
         b"9" * 40, b"-", b",", b";", b"#", b"\xef\xbb\xbf", b"nan", b"1e400")  # fmt: skip

SPEC: dict[str, Any] = {
    "name": "silicon",
    "lattice": {"kind": "square", "pitch": "400 nm"},
    "wavelengths": ["940 nm", "850 nm"],
    "stack": {
        "superstrate": {"index": 1.0},
        "substrate": {"material": "fused silica"},
        "pillars": {"index": "3.6", "height": "600 nm"},
    },
    "diameter": {"min": "120 nm", "max": "310 nm", "step": "1 nm"},
    "orders": 49,
}


def _paths(data: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        yield (*at, key)
        if isinstance(value, (dict, list)):
            yield from _paths(value, (*at, key))


def _alter(data: dict[str, Any], rng: np.random.Generator) -> None:
    """One change to the parsed recipe."""
    paths = list(_paths(data))
    path = paths[int(rng.integers(len(paths)))]
    holder: Any = data
    for key in path[:-1]:
        holder = holder[key]
    kind = int(rng.integers(6))
    if kind <= 2:
        holder[path[-1]] = copy.deepcopy(HOSTILE[int(rng.integers(len(HOSTILE)))])
    elif kind == 3:
        del holder[path[-1]]
    elif kind == 4 and isinstance(holder, dict):
        name = str(path[-1])
        holder[name[:-1] if rng.integers(2) else f"{name}s"] = holder.pop(path[-1])
    else:  # a value from elsewhere in the recipe
        other: Any = data
        for key in paths[int(rng.integers(len(paths)))]:
            other = other[key]
        holder[path[-1]] = copy.deepcopy(other)


def _damage(text: bytes, rng: np.random.Generator) -> bytes:
    """One change to the bytes of a file."""
    at = int(rng.integers(len(text) + 1))
    end = at + int(rng.integers(0, 30))
    kind = int(rng.integers(5))
    if kind == 0:
        return text[:at] + BYTES[int(rng.integers(len(BYTES)))] + text[at:]
    if kind == 1:
        return text[:at] + text[end:]
    if kind == 2:
        return text[:at] + BYTES[int(rng.integers(len(BYTES)))] + text[end:]
    if kind == 3:
        lines = text.split(b"\n")
        i, j = rng.integers(len(lines), size=2)
        lines[int(i)], lines[int(j)] = lines[int(j)], lines[int(i)]
        return b"\n".join(lines)
    return text[:at] + bytes([int(rng.integers(256))]) + text[at + 1 :]


@dataclass(frozen=True)
class Bench:
    """What every case starts from: a folder to work in, and a job with an SEM file that fits it."""

    folder: Path
    job: Path
    measured: bytes


def bench(folder: Path) -> Bench:
    job = lg.build(load_recipe(write(folder / "recipe", FULL)), folder / "jobs", verify=False)
    process = runpy.run_path(str(ROOT / "samples" / "invented_process.py"))
    listed = (job.folder / "sem_sites.csv").read_text()
    filled = process["fill"](listed, ["master"], noise_nm=0.8, seed=1)
    held = Bench(folder, job.folder, filled.encode())
    (folder / "sound.csv").write_bytes(held.measured)
    refine(
        held.job, folder / "sound.csv", folder / "sound-bias.csv"
    )  # the file is sound before it is altered
    return held


def _times(rng: np.random.Generator) -> range:
    return range(int(rng.integers(1, 4)))


def _recipe(folder: Path, rng: np.random.Generator) -> Work:
    """A recipe with its values or the bytes of one of its files altered."""
    base = FULL if rng.integers(2) else LONE
    if rng.integers(2):

        def change(data: dict[str, Any]) -> None:
            for _ in _times(rng):
                _alter(data, rng)
            data["name"] = str(data.get("name") or "x")[:40].replace("/", "-").replace("\x00", "-")

        path = write(folder, base, change)
    else:
        path = write(folder, base)
        victim = (path, folder / "library.csv", folder / "bias.csv")[int(rng.integers(3))]
        _damage_file(victim, victim.read_bytes(), rng)

    def work() -> tuple[str, str]:
        found = check(load_recipe(path))
        return ("refused" if found.problems else "taken"), "; ".join(found.problems)

    return work


def _spec(folder: Path, rng: np.random.Generator) -> Work:
    """A library spec with its values or its bytes altered."""
    data = copy.deepcopy(SPEC)
    values = bool(rng.integers(2))
    if values:
        for _ in _times(rng):
            _alter(data, rng)
    path = folder / "spec.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    if not values:
        _damage_file(path, path.read_bytes(), rng)

    def work() -> tuple[str, str]:
        load_spec(path)
        return "taken", ""

    return work


def _sem(held: Bench, folder: Path, rng: np.random.Generator) -> Work:
    """An SEM file with bytes altered, of which a bias table is asked."""
    _damage_file(folder / "measured.csv", held.measured, rng)
    out = folder / "bias.csv"

    def work() -> tuple[str, str]:
        try:
            refine(held.job, folder / "measured.csv", out)
        except InputError:
            assert not out.exists(), "refused, and a table was written"
            raise
        return "taken", ""

    return work


def _damage_file(path: Path, data: bytes, rng: np.random.Generator) -> None:
    for _ in _times(rng):
        data = _damage(data, rng)
    path.write_bytes(data)


def run(held: Bench, seed: int, number: int) -> Case:
    """Taken, refused or failed."""
    rng = np.random.default_rng([seed, number])
    folder = held.folder / f"case-{seed}-{number}"
    folder.mkdir()
    subject = rng.integers(8)
    if subject == 0:
        return watched(_spec(folder, rng))
    if subject == 1:
        return watched(_sem(held, folder, rng))
    return watched(_recipe(folder, rng))


def main() -> int:
    with tempfile.TemporaryDirectory() as scratch:
        held = bench(Path(scratch))
        return run_many(
            "tests.volume.inputs", __doc__, ("taken", "refused"), lambda s, n: run(held, s, n)
        )


if __name__ == "__main__":
    sys.exit(main())
