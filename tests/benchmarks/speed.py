"""How fast and how small: our build beside what a user would write by hand.

    python -m tests.benchmarks.speed lenses      CPU time a pillar and file size, against A and B
    python -m tests.benchmarks.speed scaling     memory and CPU time against aperture
    python -m tests.benchmarks.speed verify      reading back over writing
    python -m tests.benchmarks.speed workers     elapsed time on one and two cores
    python -m tests.benchmarks.speed whole       a 20 mm lens as a process of its own, start to end
    python -m tests.benchmarks.speed large       20, 50, 100 mm, a lens without symmetry, 1000 different: 20 min, not in `all`
    python -m tests.benchmarks.speed start       `--help` and a small build, cold and warm
    python -m tests.benchmarks.speed all

Everything that is compared runs in one process, turn by turn, and medians of CPU time are given, so
that a busy machine weighs on all alike. Ours has bias and density on, A and B have neither. Ours
is the whole build of a wafer with one lens, from reading tables to manifest, lists and review page; `layout
alone` ends where A and B do, with the layout file.
The tables that it needs are made here. Prints Markdown.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import re
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from tests.benchmarks.baselines import write_per_diameter, write_per_pillar

_Result = TypeVar("_Result")

PITCH_UM = 0.3
WAVELENGTH_UM = 0.633
FOCI_UM = {"slow": 12000.0, "fast": 1200.0}  # f/5 and f/0.5: wide and narrow zones
APERTURE_UM = 2400.0
PER_PILLAR_APERTURE_UM = 300.0  # A takes minutes and gigabytes for the whole lens
SCALING_UM = (1200.0, 2400.0, 4800.0, 9600.0)
WORKERS_UM = (2400.0, 9600.0, 19200.0)
SMALL_UM = 60.0
PARTS = ("lenses", "scaling", "verify", "workers", "whole", "start")
PROGRAM = [sys.executable, "-c", "from layoutgen.cli import main; main()"]
RSS_PER_MB = 1e6 if sys.platform == "darwin" else 1e3  # ru_maxrss is in bytes there, in kB here


# --- the recipe ---------------------------------------------------------------------------------


def write_tables(folder: Path, pitch_um: float) -> None:
    """A library of 100 diameters over one turn, as in A and B, and a bias table of up to -12 nm."""
    rows = [
        f"{d},{2 * math.pi * (d - 100) / 100:.9f},0.9"  # evenly rising, 0 to 0.99 turns
        for d in range(100, 200)
    ]
    head = [
        "# name: even",
        f"# lattice: {{kind: square, pitch: {pitch_um * 1000:g} nm}}",
        f"# wavelengths: [{WAVELENGTH_UM * 1000:g} nm]",
        "diameter_nm,phase_rad,transmission",
    ]
    (folder / "library.csv").write_text("\n".join([*head, *rows]) + "\n")
    bias = [
        f"{density},{d},{-12 * density - 0.01 * (d - 150) * density:.4f}"
        for density in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 1.0)
        for d in (60, 100, 150, 200, 260)
    ]
    (folder / "bias.csv").write_text("\n".join(["density,diameter_nm,bias_nm", *bias]) + "\n")


def write_recipe(
    folder: Path,
    name: str,
    *,
    aperture_um: float,
    focal_um: float,
    pitch_um: float = PITCH_UM,
    compression: str = "fast",
) -> Path:
    """A wafer that holds one die with one lens at its centre."""
    write_tables(folder, pitch_um)
    die_um = math.ceil(1.25 * aperture_um)
    path = folder / f"{name}.yaml"
    path.write_text(
        f"""\
name: {name}
revision: A
lattice: {{kind: square, pitch: {pitch_um * 1000:g} nm}}
substrate_index: 1.45
pillars:
  library: library.csv
  vertices: 8
  diameter: {{min: 100 nm, max: 199 nm}}
  ladder: {{min: 80 nm, max: 220 nm, step: 1 nm}}
  min_gap: 50 nm
lenses:
  - name: lens
    wavelength: {WAVELENGTH_UM * 1000:g} nm
    aperture: {aperture_um:g} um
    phase: [{{kind: focus, focal_length: {focal_um:g} um}}]
exposure:
  forward_range: 18 nm
  backscatter: [{{term: gaussian, range: 9 um, ratio: 0.7}}]
  reference: {{density: 0.25, diameter: 150 nm}}
  bias_table: bias.csv
  address_grid: 1 nm
dies: {{one: [{{lens: lens, at: [0 um, 0 um]}}]}}
wafer:
  diameter: {2 * die_um} um
  die_pitch: [{die_um} um, {die_um} um]
  grid_offset: die
  fill: one
output: {{formats: [oasis], compression: {compression}}}
"""
    )
    return path


# --- the measuring ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sample:
    """What one run took: CPU and elapsed seconds, pillars in the lens, bytes of its file."""

    cpu_s: float
    wall_s: float
    pillars: int
    size: int

    @property
    def ns(self) -> float:
        return self.cpu_s / self.pillars * 1e9


def cpu_s() -> float:
    """CPU seconds of this process and of the workers that it has waited for."""
    waited = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + waited.ru_utime + waited.ru_stime


def timed(run: Callable[[], _Result]) -> tuple[_Result, float, float]:
    """What a run in this process gives, its CPU seconds and its elapsed seconds."""
    cpu, wall = cpu_s(), time.perf_counter()
    found = run()
    return found, cpu_s() - cpu, time.perf_counter() - wall


@contextmanager
def scratch() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="layoutgen-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def ours(recipe_path: Path, out: Path, *, jobs: int = 1) -> Sample:
    """One whole build, without verification, in this process."""
    import layoutgen

    job, cpu, wall = timed(
        lambda: layoutgen.build(layoutgen.load_recipe(recipe_path), out, verify=False, jobs=jobs)
    )
    size = job.manifest["files"][f"{job.title}.oas"]["bytes"]
    return Sample(cpu, wall, job.manifest["pillars"], size)


def layout_alone(recipe_path: Path, out: Path) -> Sample:
    """From the recipe to the layout file and no farther, as A and B: no lists, no review page."""
    from layoutgen.pipeline.build import write_layout
    from layoutgen.pipeline.design import design, quiet
    from layoutgen.recipe.load import load_recipe

    def run() -> int:
        wafer = design(load_recipe(recipe_path), quiet, 1)
        write_layout(wafer, out, "lens", 1, quiet)
        return wafer.tree.pillars

    pillars, cpu, wall = timed(run)
    return Sample(cpu, wall, pillars, (out / "lens.oas").stat().st_size)


def baseline(write: Callable[..., int], aperture_um: float, focal_um: float, out: Path) -> Sample:
    """One run of A or B in this process."""
    path = out / "lens.oas"
    pillars, cpu, wall = timed(
        lambda: write(
            path, aperture_um=aperture_um, pitch_um=PITCH_UM, focal_um=focal_um, wavelength_um=WAVELENGTH_UM
        )
    )  # fmt: skip
    return Sample(cpu, wall, pillars, path.stat().st_size)


def interleaved(runs: dict[str, Callable[[Path], Sample]], repeats: int) -> dict[str, Sample]:
    """Every run in turn, `repeats` times after one that does not count; medians."""
    seen: dict[str, list[Sample]] = {name: [] for name in runs}
    for turn in range(repeats + 1):
        for name, run in runs.items():
            with scratch() as out:
                sample = run(out)
            if turn or repeats == 0:
                seen[name].append(sample)
    return {
        name: Sample(
            statistics.median(s.cpu_s for s in samples),
            statistics.median(s.wall_s for s in samples),
            samples[0].pillars,
            samples[0].size,
        )
        for name, samples in seen.items()
    }


def in_process(job: str, **arguments: Any) -> dict[str, float]:
    """Run `speed.py one ...` alone in a new process, so that its peak memory is its own."""
    command = [sys.executable, "-m", "tests.benchmarks.speed", job]
    for key, value in arguments.items():
        command += [f"--{key}", str(value)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def table(head: list[str], rows: list[list[str]]) -> None:
    print("| " + " | ".join(head) + " |")
    print("|" + "---|" * len(head))
    for row in rows:
        print("| " + " | ".join(row) + " |")
    print()


# --- what is measured ---------------------------------------------------------------------------


def lenses(repeats: int, aperture_um: float, only_baselines: bool) -> None:
    print(f"### CPU time a pillar and file size, {aperture_um / 1000:g} mm lenses\n")
    rows = []
    for zones, focal_um in FOCI_UM.items():
        with scratch() as folder:
            runs: dict[str, Callable[[Path], Sample]] = {
                "A": partial(baseline, write_per_pillar, PER_PILLAR_APERTURE_UM, focal_um),
                "B": partial(baseline, write_per_diameter, aperture_um, focal_um),
            }
            for mode in () if only_baselines else ("fast", "small"):
                recipe = write_recipe(
                    folder, mode, aperture_um=aperture_um, focal_um=focal_um, compression=mode
                )
                runs[mode] = partial(ours, recipe)
                runs[f"{mode}, layout alone"] = partial(layout_alone, recipe)
            found = interleaved(runs, repeats)
        for name, s in found.items():
            rows.append(
                [
                    zones,
                    name,
                    f"{s.pillars:,}",
                    f"{s.ns:.3f}",
                    f"{found['A'].ns / s.ns:.0f}",
                    f"{found['B'].ns / s.ns:.1f}",
                    f"{s.size / s.pillars:.4f}",
                    f"{s.size / s.pillars / (found['B'].size / found['B'].pillars):.3f}",
                ]
            )
    table(
        [
            "zones",
            "what",
            "pillars",
            "ns/pillar",
            "A over it",
            "B over it",
            "bytes/pillar",
            "file over B's",
        ],
        rows,
    )


def one(aperture_um: float, zones: str, jobs: int) -> None:
    """A warm build of one lens; one JSON line. Peak memory is that of this process."""
    with scratch() as folder:
        small = write_recipe(folder, "small", aperture_um=SMALL_UM, focal_um=FOCI_UM[zones])
        ours(small, folder / "warm", jobs=jobs)
        recipe = write_recipe(folder, "lens", aperture_um=aperture_um, focal_um=FOCI_UM[zones])
        s = ours(recipe, folder / "out", jobs=jobs)
    usage = resource.getrusage(resource.RUSAGE_SELF)
    peak_mb = usage.ru_maxrss / RSS_PER_MB
    print(json.dumps({**vars(s), "peak_mb": peak_mb}))


def scaling(repeats: int) -> None:
    print("### Memory and CPU time against aperture, f/0.5\n")
    rows, sites, seconds = [], [], []
    for aperture_um in SCALING_UM:
        runs = [in_process("one", aperture=aperture_um) for _ in range(max(1, repeats))]
        cpu = statistics.median(r["cpu_s"] for r in runs)
        pillars = runs[0]["pillars"]
        sites.append(math.log(pillars))
        seconds.append(math.log(cpu))
        peak = max(r["peak_mb"] for r in runs)
        rows.append(
            [
                f"{aperture_um / 1000:g}",
                f"{pillars:,.0f}",
                f"{cpu:.3f}",
                f"{cpu / pillars * 1e9:.3f}",
                f"{peak:.0f}",
            ]
        )
    table(["aperture mm", "pillars", "CPU s", "ns/pillar", "peak MB"], rows)
    exponent = statistics.linear_regression(sites, seconds).slope
    last = (seconds[-1] - seconds[-2]) / (sites[-1] - sites[-2])
    print(
        f"CPU time grows with pillars to the power {exponent:.3f} ({last:.3f} over the last step).\n"
    )


def read_back(job: Path, written: Sample, _out: Path) -> Sample:
    """One verification of a job folder in this process."""
    import layoutgen

    _, cpu, wall = timed(lambda: layoutgen.verify(job))
    return Sample(cpu, wall, written.pillars, written.size)


def verify(repeats: int, aperture_um: float) -> None:
    print(f"### Reading back over writing, {aperture_um / 1000:g} mm lenses\n")
    rows = []
    for zones, focal_um in FOCI_UM.items():
        with scratch() as folder:
            recipe = write_recipe(folder, "lens", aperture_um=aperture_um, focal_um=focal_um)
            written = ours(recipe, folder / "kept")
            runs: dict[str, Callable[[Path], Sample]] = {
                "build": partial(ours, recipe),
                "verify": partial(read_back, folder / "kept" / "lens-A", written),
            }
            found = interleaved(runs, repeats)
        ratio = found["verify"].cpu_s / found["build"].cpu_s
        rows.append(
            [zones, f"{found['build'].ns:.3f}", f"{found['verify'].ns:.3f}", f"{ratio:.2f}"]
        )
    table(["zones", "build ns/pillar", "verify ns/pillar", "verify over build"], rows)


def workers(repeats: int) -> None:
    print("### Elapsed time on one and two workers, f/0.5\n")
    rows = []
    for aperture_um in WORKERS_UM:
        runs: dict[int, list[float]] = {1: [], 2: []}
        for _ in range(max(1, repeats)):
            for jobs, seen in runs.items():
                seen.append(in_process("one", aperture=aperture_um, jobs=jobs)["wall_s"])
        one_s, two_s = (statistics.median(runs[jobs]) for jobs in (1, 2))
        rows.append(
            [f"{aperture_um / 1000:g}", f"{one_s:.3f}", f"{two_s:.3f}", f"{one_s / two_s:.2f}"]
        )
    table(["aperture mm", "one, s", "two, s", "gain"], rows)


def process(*arguments: str) -> tuple[float, float, float]:
    """CPU seconds, elapsed seconds and peak MB of the command line in a process of its own."""
    begin = time.perf_counter()
    child = subprocess.Popen([*PROGRAM, *arguments])
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(arguments)}: status {child.returncode}")
    elapsed = time.perf_counter() - begin
    return usage.ru_utime + usage.ru_stime, elapsed, usage.ru_maxrss / RSS_PER_MB


def built(folder: Path, recipe: Path) -> tuple[float, float, float]:
    """`process` of a build on one worker, without verification."""
    options = ("--out", str(folder), "--no-verify", "--quiet", "--jobs", "1")
    return process("build", str(recipe), *options)


def compiled() -> None:
    """Have every kernel in its cache: a small lens built and verified in processes of their own."""
    with scratch() as folder:
        built(folder, write_recipe(folder, "small", aperture_um=SMALL_UM, focal_um=150.0))
        process("verify", str(folder / "small-A"), "--quiet", "--jobs", "1")


def built_and_verified(name: str, folder: Path, recipe: Path) -> list[str]:
    """A row for `large`: build and verification on one worker, each in a process of its own."""
    write = built(folder, recipe)
    job = folder / f"{recipe.stem}-A"
    read = process("verify", str(job), "--quiet", "--jobs", "1")
    manifest = json.loads((job / "manifest.json").read_text())
    sizes = [(job / file).stat().st_size / 1e6 for file in (f"{recipe.stem}-A.oas", "report.html")]
    numbers = [write[0], write[2], read[0], read[2], *sizes]
    return [name, f"{manifest['pillars']:.4g}", *(f"{number:.3g}" for number in numbers)]


def whole(repeats: int) -> None:
    print("### A 20 mm lens, f/1, 250 nm pitch, the whole process on one worker\n")
    compiled()
    runs = []
    for _ in range(max(1, repeats)):
        with scratch() as folder:
            recipe = write_recipe(folder, "big", aperture_um=2e4, focal_um=2e4, pitch_um=0.25)
            runs.append(built(folder, recipe))
            manifest = json.loads((folder / "big-A" / "manifest.json").read_text())
            size = (folder / "big-A" / "big-A.oas").stat().st_size
    cpu, elapsed, peak_mb = (statistics.median(numbers) for numbers in zip(*runs, strict=True))
    table(
        ["pillars", "CPU s", "elapsed s", "peak MB", "file MB"],
        [
            [
                f"{manifest['pillars']:,}", f"{cpu:.2f}", f"{elapsed:.2f}", f"{peak_mb:.0f}",
                f"{size / 1e6:.0f}",
            ]
        ],
    )  # fmt: skip


#: Apertures of `large`, all at 250 nm and f/5, and how many different lenses its last wafer holds.
LARGE_UM, MANY = (20e3, 50e3, 100e3), 1000


def without_symmetry(recipe: Path, _aperture_um: float) -> Path:
    """The lens with a tilt along no axis of its lattice: every pillar is stored."""
    text = recipe.read_text()
    tilt = ", {kind: tilt, angle: 5 deg, direction: 20 deg}]"
    recipe.write_text(re.sub(r"(phase: \[.*)\]", lambda found: found[1] + tilt, text))
    return recipe


def many_lenses(recipe: Path, aperture_um: float) -> Path:
    """As many lenses, each of its own focal length on a die of its own."""
    text = recipe.read_text()
    head, _, rest = text.partition("lenses:\n")
    exposure = rest[rest.index("exposure:") : rest.index("dies:")]
    lens = "  - {name: l%d, wavelength: %g um, aperture: %g um, phase: [{kind: focus, focal_length: %g um}]}"
    lenses = [lens % (k, WAVELENGTH_UM, aperture_um, 5 * aperture_um + k / 2) for k in range(MANY)]
    dies = [f"  d{k}: [{{lens: l{k}, at: [0 um, 0 um]}}]" for k in range(MANY)]
    places = [
        f"    - {{die: d{k}, sites: [[{k % 32 - 16}, {k // 32 - 16}]]}}" for k in range(1, MANY)
    ]
    pitch = 1.25 * aperture_um
    wafer = [
        "wafer:", f"  diameter: {40 * pitch} um", f"  die_pitch: [{pitch} um, {pitch} um]", "  grid_offset: die",
        "  fill: d0", "  instead:", *places, "output: {formats: [oasis]}",
    ]  # fmt: skip
    recipe.write_text(
        "\n".join([head + "lenses:", *lenses, exposure + "dies:", *dies, *wafer]) + "\n"
    )
    return recipe


def large() -> None:
    print("### Large lenses and many, built and then verified on one worker\n")
    cases: list[tuple[str, float, Callable[[Path, float], Path] | None]] = [
        *((f"{aperture_um / 1e3:g} mm", aperture_um, None) for aperture_um in LARGE_UM),
        ("10 mm, no symmetry", 1e4, without_symmetry),
        (f"{MANY} different", 300.0, many_lenses),
    ]
    compiled()
    rows = []
    for name, aperture_um, change in cases:
        with scratch() as folder:
            recipe = write_recipe(
                folder, "big", aperture_um=aperture_um, focal_um=5 * aperture_um, pitch_um=0.25
            )
            if change is not None:
                recipe = change(recipe, aperture_um)
            rows.append(built_and_verified(name, folder, recipe))
    table(
        [
            "lens", "pillars", "build CPU s", "peak MB", "verify CPU s", "peak MB", "file MB", "report MB",
        ],
        rows,
    )  # fmt: skip


def start(repeats: int) -> None:
    print("### Start, elapsed seconds of the whole process\n")

    def elapsed(arguments: list[str], cache: Path) -> float:
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
        begin = time.perf_counter()
        subprocess.run([*PROGRAM, *arguments], check=True, capture_output=True, env=environment)
        return time.perf_counter() - begin

    helps, colds, warms = [], [], []
    for _ in range(max(1, repeats)):
        with scratch() as folder:
            recipe = write_recipe(folder, "small", aperture_um=SMALL_UM, focal_um=150.0)
            helps.append(elapsed(["--help"], folder / "cache"))
            build = ["build", str(recipe), "--quiet", "--out"]
            colds.append(elapsed([*build, str(folder / "cold")], folder / "cache"))
            warms.append(elapsed([*build, str(folder / "warm")], folder / "cache"))
    table(
        ["--help", "small build, cold", "small build, warm"],
        [[f"{statistics.median(seen):.2f}" for seen in (helps, colds, warms)]],
    )


def machine() -> str:
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [
            ln.split(":", 1)[1].strip()
            for ln in info.read_text().splitlines()
            if "model name" in ln
        ]
        model = names[0] if names else model
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed",
        description=__doc__.splitlines()[0] if __doc__ else None,
    )
    parser.add_argument(
        "what",
        choices=[*PARTS, "large", "all", "one"],
    )
    parser.add_argument("--repeats", type=int, default=5, help="runs that count; 0: the first one")
    parser.add_argument("--aperture", type=float, default=APERTURE_UM, help="in um")
    parser.add_argument("--zones", choices=sorted(FOCI_UM), default="fast", help="for `one`")
    parser.add_argument("--jobs", type=int, default=1, help="for `one`")
    parser.add_argument("--baselines", action="store_true", help="A and B alone")
    a = parser.parse_args()
    if a.what == "one":
        one(a.aperture, a.zones, a.jobs)
        return
    if a.what == "all":
        # each in a process of its own: a child's peak memory counts that of the process that started it
        options = ["--repeats", str(a.repeats), "--aperture", str(a.aperture)]
        options += ["--baselines"] * a.baselines
        for name in PARTS:
            command = [sys.executable, "-m", "tests.benchmarks.speed", name, *options]
            subprocess.run(command, check=True)
        return
    print(f"{machine()}, {date.today().isoformat()}\n")
    print(f"`python -m tests.benchmarks.speed {' '.join(sys.argv[1:])}`\n")
    run: dict[str, Callable[[], None]] = {
        "lenses": partial(lenses, a.repeats, a.aperture, a.baselines),
        "scaling": partial(scaling, a.repeats),
        "verify": partial(verify, a.repeats, a.aperture),
        "workers": partial(workers, a.repeats),
        "whole": partial(whole, a.repeats),
        "large": large,
        "start": partial(start, a.repeats),
    }
    run[a.what]()


if __name__ == "__main__":
    main()
