"""Builds that are killed, stopped, or run out of room, at many moments: nothing half-written is ever left.

    python -m tests.volume.faults --count 200 --seed 1            kills and stops, then a full disk at every page
    python -m tests.volume.faults --seed 1 --one 57 --only kill   one of them again

    kill    SIGKILL at a random moment of the run: the job is whole under its name or not there at all; every
            tenth time another build follows, and clears what the killed one left
    stop    SIGINT or SIGTERM likewise, on one worker and on two: status 130, one sentence, nothing left; or
            the job whole, where the signal came too late
    full    a file system that holds one page more with every case, until the job fits: one sentence, nothing left

A full disk wants the right to mount a tmpfs (Linux, root).
"""

from __future__ import annotations

import argparse
import collections
import itertools
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from layoutgen.pipeline.build import build
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import CLI, LONE, Recipe, environment, files, write

__all__ = ["HEED", "Undisturbed", "disk", "full", "kill", "longer", "start", "stop", "undisturbed"]

PAGE_BYTES = 4096
#: Python's own start: a signal that comes before any of our code runs is answered by Python.
STARTED_S = 0.25
#: Whoever starts this in the background has told it, and so the build, to ignore SIGINT.
HEED = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"


def longer(recipe: Recipe) -> None:
    """A lens without symmetry: some tenths of a second of writing for signals to fall into."""
    recipe["lenses"][0] |= {
        "aperture": "160 um",
        "phase": [
            {"kind": "focus", "focal_length": "400 um"},
            {"kind": "tilt", "angle": "2 deg", "direction": "20 deg"},
        ],
    }
    recipe["wafer"] |= {"diameter": "400 um", "die_pitch": ["200 um", "200 um"]}


def start(recipe: Path, out: Path, *more: str, first: str = "") -> subprocess.Popen[str]:
    """Start a build in a process of its own; `first` is done in it before anything else."""
    command = [CLI[0], "-c", f"{first}\n{CLI[2]}"]
    return subprocess.Popen(
        [*command, "build", str(recipe), "--out", str(out), "--quiet", *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(),
    )  # fmt: skip


@dataclass(frozen=True)
class Undisturbed:
    """A recipe, the files of its job, and how many seconds a build of it takes."""

    recipe: Path
    files: dict[str, bytes]
    seconds: float


def undisturbed(folder: Path) -> Undisturbed:
    recipe = write(folder / "recipe", LONE, longer)
    for _ in range(2):  # the second finds the kernels compiled
        shutil.rmtree(folder / "whole", ignore_errors=True)
        begin = time.monotonic()
        process = start(recipe, folder / "whole")
        told = process.communicate()
        assert process.returncode == 0, told
        seconds = time.monotonic() - begin
    return Undisturbed(recipe, files(folder / "whole" / "lone-A"), seconds)


def _left(wanted: Undisturbed, out: Path) -> str:
    """`whole`, `nothing`, or what is wrong with the folder of a run that has ended."""
    final = out / "lone-A"
    if not final.exists():
        return "nothing"
    return "whole" if files(final) == wanted.files else "failed: another job under the final name"


def kill(wanted: Undisturbed, out: Path, seed: int, number: int) -> str:
    """What SIGKILL at a random moment leaves."""
    rng = random.Random(f"kill {seed} {number}")
    process = start(wanted.recipe, out, "--jobs", str(1 + number % 2))
    time.sleep(rng.uniform(0.05, 1.1) * wanted.seconds)
    process.kill()
    process.communicate()
    ended = _left(wanted, out)
    if ended == "nothing" and out.is_dir() and any(out.iterdir()):
        ended = "nothing but a hidden folder"
        if number % 10 == 0:
            build(load_recipe(wanted.recipe), out)
            left = [path.name for path in out.iterdir()]
            if left != ["lone-A"] or _left(wanted, out) != "whole":
                ended = "failed: the next build did not clear up and succeed"
    return ended


def stop(wanted: Undisturbed, out: Path, seed: int, number: int) -> str:
    """What SIGINT (even numbers) or SIGTERM leaves, and what is said."""
    rng = random.Random(f"stop {seed} {number}")
    process = start(wanted.recipe, out, "--jobs", str(1 + number // 2 % 2), first=HEED)
    time.sleep(rng.uniform(STARTED_S, max(1.1 * wanted.seconds, STARTED_S)))
    process.send_signal(signal.SIGTERM if number % 2 else signal.SIGINT)
    told = process.communicate()
    if process.returncode == -signal.SIGTERM and not out.exists() and told == ("", ""):
        return "nothing, it met Python's own start"
    return _ended_with(wanted, out, process.returncode, told, 130, "stopped")


def _ended_with(
    wanted: Undisturbed, out: Path, status: int, told: tuple[str, str], expected: int, word: str
) -> str:
    """`whole`, or nothing with the expected status and one sentence that has the word; else what is wrong."""
    ended = _left(wanted, out)
    if ended == "whole" and status <= 0:
        return ended if status == 0 else "whole, the signal met Python's own end"
    if ended == "nothing" and status == expected:
        if told[0] or len(told[1].splitlines()) != 1 or word not in told[1]:
            return f"failed: want one sentence, got {told!r}"
        if out.is_dir() and any(out.iterdir()):
            return f"failed: {sorted(path.name for path in out.iterdir())} was left"
        return "nothing, one sentence"
    return f"failed: {ended} and status {status}: {told!r}"


@contextmanager
def disk(where: Path, pages: int) -> Iterator[Path]:
    """A file system of so many pages; CalledProcessError without the right to mount one."""
    where.mkdir(parents=True)
    size = f"size={pages * PAGE_BYTES}"
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(where)], check=True, capture_output=True
    )
    try:
        yield where
    finally:
        subprocess.run(["umount", str(where)], check=True)


def full(wanted: Undisturbed, where: Path, pages: int) -> str:
    """What is left, and said, on a disk of so many pages."""
    with disk(where, pages) as out:
        process = start(wanted.recipe, out)
        told = process.communicate()
        return _ended_with(wanted, out, process.returncode, told, 2, str(out))


KINDS: dict[str, Callable[[Undisturbed, Path, int, int], str]] = {
    "kill": kill, "stop": stop,
}  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.volume.faults",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--count", type=int, default=200, help="how many of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[*KINDS, "full"])
    parser.add_argument("--one", type=int, help="this case alone; wants --only")
    asked = parser.parse_args()
    failed = 0
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        wanted = undisturbed(Path(scratch))
        for kind in [asked.only] if asked.only else [*KINDS, "full"]:
            counts: collections.Counter[str] = collections.Counter()
            numbers = itertools.count(2) if kind == "full" else iter(range(asked.count))
            for number in numbers if asked.one is None else [asked.one]:
                out = Path(scratch) / kind / str(number)
                if kind == "full":
                    ended = full(wanted, out, number)
                else:
                    ended = KINDS[kind](wanted, out, asked.seed, number)
                    shutil.rmtree(out, ignore_errors=True)
                counts[ended.split(":")[0]] += 1
                if ended.startswith("failed") or asked.one is not None:
                    failed += ended.startswith("failed")
                    print(f"{kind} {number}: {ended}", file=sys.stderr, flush=True)
                if kind == "full" and ended == "whole":
                    break  # it fits
            told = "; ".join(f"{n} {what}" for what, n in counts.most_common())
            rows.append(f"| {kind} | {counts.total()} | {told} |")
            print(rows[-1], file=sys.stderr, flush=True)
    print("| fault | cases | what was left |\n|---|---|---|\n" + "\n".join(rows))
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
