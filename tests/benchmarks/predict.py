"""How long a prediction takes, and in how much memory.

    python -m tests.benchmarks.predict [--repeats 3]

Each run is a process of its own: `predict JOB --json` on the visible demo job, whose lens has fifty million
pillars, as it is stored (an octant, and unfolded), and with noise, where every pillar is summed by
itself; then lenses of rising aperture. CPU and elapsed seconds and peak memory of the process, medians;
the first line is the first run after the compiled kernels were thrown away, if --cold is given.
Prints Markdown.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from tests.benchmarks.speed import PROGRAM, RSS_PER_MB, machine, scratch, write_recipe

ROOT = Path(__file__).resolve().parents[2]
APERTURES_UM = (1200.0, 2400.0, 4800.0)


def run(arguments: Sequence[str], environment: dict[str, str]) -> tuple[float, float, float]:
    """CPU and elapsed seconds and peak MB of one command; what it prints is thrown away."""
    started = time.perf_counter()
    process = subprocess.Popen(
        [*PROGRAM, *arguments], stdout=subprocess.DEVNULL, env={**os.environ, **environment}
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(arguments)}: exit status {process.returncode}")
    usage: resource.struct_rusage = used
    wall = time.perf_counter() - started
    return usage.ru_utime + usage.ru_stime, wall, usage.ru_maxrss / RSS_PER_MB


def row(name: str, samples: Sequence[tuple[float, float, float]]) -> None:
    cpu, wall, memory = (statistics.median(s[k] for s in samples) for k in range(3))
    print(f"| {name} | {cpu:.1f} | {wall:.1f} | {memory:.0f} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--cold", action="store_true", help="also with kernels to be compiled")
    a = parser.parse_args()
    print(f"{machine()}, {date.today().isoformat()}\n")
    print(f"`python -m tests.benchmarks.predict {' '.join(sys.argv[1:])}`\n")
    print("| run | CPU s | elapsed s | peak MB |\n|---|---|---|---|")
    with scratch() as folder:
        recipe = ROOT / "recipes" / "lantern-visible.yaml"
        run(["build", str(recipe), "--out", str(folder), "--no-verify", "--quiet"], {})
        job = str(folder / "lantern-visible-A")
        if a.cold:
            cache = {"NUMBA_CACHE_DIR": str(folder / "cache")}
            row("lantern, cold", [run(["predict", job, "--json"], cache)])
        cases = {
            "lantern, drawn": [],
            "lantern, printed": ["--sizes", "printed"],
            "lantern, 2 nm at random": ["--of", "lantern", "--random", "2 nm"],
            "lantern, 2 degrees": ["--of", "lantern", "--angle", "2 deg"],
        }
        for name, more in cases.items():
            arguments = ["predict", job, "--json", *more]
            run(arguments, {})
            row(name, [run(arguments, {}) for _ in range(a.repeats)])
        for aperture in APERTURES_UM:
            path = write_recipe(
                folder, f"lens{aperture:g}", aperture_um=aperture, focal_um=5 * aperture
            )
            run(["build", str(path), "--out", str(folder), "--no-verify", "--quiet"], {})
            arguments = ["predict", str(folder / f"lens{aperture:g}-A"), "--json"]
            pillars = 3.14159265 / 4 * (aperture / 0.3) ** 2
            row(
                f"{aperture / 1000:g} mm, f / 5, {pillars / 1e6:.0f} million pillars",
                [run(arguments, {}) for _ in range(a.repeats)],
            )


if __name__ == "__main__":
    main()
