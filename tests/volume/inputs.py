"""Mutated recipes, tables, specs and SEM files: each is taken, or refused in sentences, in time and in memory.

    python -m tests.volume.inputs --count 10000 --seed 1          counts, slowest case, failures
    python -m tests.volume.inputs --seed 1 --one 1234             one case again, its input kept

A case is made from its seed and number alone. Half of them alter the parsed recipe (values swapped for
hostile ones, keys dropped, renamed, copied elsewhere), half alter bytes of the recipe or of a table. A case
fails with any exception but the package's own, over 10 s, or over 1 GB.
"""

from __future__ import annotations

import argparse
import collections
import copy
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from layoutgen.errors import LayoutgenError
from layoutgen.pipeline.check import check
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import FULL, LONE, write

LONGEST_S = 10.0
MOST_BYTES = 1 << 30

#: What stands in for a value: wrong kinds, units, signs, sizes, and text that other programs would run.
HOSTILE: tuple[Any, ...] = (
    None, True, 0, -1, 1, 1e308, float("nan"), float("inf"), "", " ", "nan nm", "inf um", "-5 um", "0 nm",
    "1e30 mm", "1e-30 nm", "5", "5 parsec", "5 nm nm", "400nm", "4,5 um", "1 um\n2 um", "../../etc/passwd", "\x00",
    "=1+1", "<b>", "${HOME}", "é" * 50, "a" * 5000, [], {}, [[]], ["1 um"], ["1 um"] * 3, {"a": 1}, [None, None],
    10**30, "0x10", "1_000 nm", "square", "die", "1 nm", "1 mm", "200 mm", "0.5", "NaN", "٣ nm",
)  # fmt: skip
BYTES = (b"", b"\x00", b"\xff", b"\n", b"\t", b": ", b"- ", b"*a", b"&a ", b"!!python/object ", b"{", b"]", b"'",
         b"9" * 40, b"-", b",", b";", b"#", b"\xef\xbb\xbf", b"nan", b"1e400")  # fmt: skip


class TooSlow(BaseException):
    """A case took longer than it may."""


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


def make(folder: Path, seed: int, number: int) -> Path:
    """The input of one case; its recipe's path."""
    rng = np.random.default_rng([seed, number])
    base = FULL if rng.integers(2) else LONE
    if rng.integers(2):

        def change(data: dict[str, Any]) -> None:
            for _ in range(int(rng.integers(1, 4))):
                _alter(data, rng)
            data["name"] = str(data.get("name") or "x")[:40].replace("/", "-").replace("\x00", "-")

        return write(folder, base, change)
    path = write(folder, base)
    victim = (path, folder / "library.csv", folder / "bias.csv")[int(rng.integers(3))]
    data = victim.read_bytes()
    for _ in range(int(rng.integers(1, 4))):
        data = _damage(data, rng)
    victim.write_bytes(data)
    return path


def run(folder: Path, seed: int, number: int) -> tuple[str, float, str]:
    """Verdict (taken, refused, failed), seconds, and what was said."""
    path = make(folder, seed, number)

    def late(_signal: int, _frame: FrameType | None) -> None:
        raise TooSlow

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    begin = time.perf_counter()
    try:
        found = check(load_recipe(path))
        verdict = "refused" if found.problems else "taken"
        said = "; ".join(found.problems)
    except LayoutgenError as error:
        verdict, said = "refused", str(error)
    except TooSlow:
        verdict, said = "failed", f"over {LONGEST_S:g} s"
    except Exception:
        verdict, said = "failed", traceback.format_exc(limit=-4)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    if verdict == "refused" and not said.strip():
        verdict, said = "failed", "refused without a word"
    return verdict, time.perf_counter() - begin, said


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.volume.inputs", description=__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--one", type=int)
    asked = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (4 * MOST_BYTES, 4 * MOST_BYTES))
    if asked.one is not None:
        kept = Path(tempfile.mkdtemp(prefix="layoutgen-case-"))
        verdict, seconds, said = run(kept, asked.seed, asked.one)
        print(f"{kept}: {verdict} in {seconds:.2f} s\n{said}")
        return verdict == "failed"
    counts: collections.Counter[str] = collections.Counter()
    slowest, failures = (0.0, -1), []
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(asked.first, asked.first + asked.count):
            verdict, seconds, said = run(Path(scratch) / str(number), asked.seed, number)
            counts[verdict] += 1
            slowest = max(slowest, (seconds, number))
            if verdict == "failed":
                failures.append((number, said))
                print(f"case {number} failed:\n{said}", file=sys.stderr)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print("| cases | taken | refused | failed | slowest | peak MB |\n|---|---|---|---|---|---|")
    print(
        f"| {asked.count} from {asked.first}, seed {asked.seed} | {counts['taken']} | {counts['refused']} |"
        f" {counts['failed']} | {slowest[0]:.2f} s, case {slowest[1]} | {peak:.0f} |"
    )
    return bool(failures)


if __name__ == "__main__":
    sys.exit(main())
