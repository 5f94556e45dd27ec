"""Random whole recipes, built and held pillar by pillar against the slow model.

    python -m tests.volume.recipes --count 200 --seed 1          how many agree
    python -m tests.volume.recipes --seed 1 --one 17 --keep DIR  one of them again, its files kept

A case is drawn from its seed and number: lattice, pillars, phase terms, kernel, tone, replication, what stands
on the dies and beside what, wafer, splits, zones, marks. A recipe that is refused must be refused in sentences,
and is counted; the others are compared as in tests/reference. Nothing in the tables claims physics.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import layoutgen as lg
from layoutgen.errors import InputError, RuleError
from tests.reference.compare import compare, manifest_problems
from tests.reference.make import Case, Recipe, base, bias, foreign, library, place, put, smooth_map

#: Sampled phases that a case may name; odd and even numbers of samples, 62 um and more across.
MAPS = {"even.npy": (48, 52), "odd.csv": (51, 49)}


@dataclass(frozen=True)
class Verdict:
    """agrees, refused or wrong, what was said, how long it took, and how many pillars were compared."""

    word: str
    said: str
    seconds: float
    sites: int = 0


class _Draw:
    """Random choices of one case."""

    def __init__(self, seed: int, number: int) -> None:
        self.rng = np.random.default_rng([seed, number])

    def often(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def one_of(self, *choices: Any) -> Any:
        return choices[int(self.rng.integers(len(choices)))]

    def between(self, low: float, high: float, digits: int = 1) -> float:
        return round(float(self.rng.uniform(low, high)), digits)

    def um(self, low: float, high: float, digits: int = 1) -> str:
        return f"{self.between(low, high, digits):g} um"


def _phase(draw: _Draw) -> list[Recipe]:
    """One to four terms, weak enough for the lattice to sample their sum most of the time."""

    def centre() -> Recipe:
        return {"centre": [draw.um(-3, 3), draw.um(-3, 3)]} if draw.often(0.15) else {}

    terms: dict[str, Callable[[], Recipe]] = {
        "focus": lambda: {"focal_length": draw.um(60, 400)},
        "relay": lambda: {
            "object_distance": draw.um(150, 900), "image_distance": draw.um(150, 900),
        },
        "polynomial": lambda: {
            "coefficients": [draw.between(-8, 8, 2) for _ in range(draw.one_of(1, 2, 3))]
        },
        "tilt": lambda: {
            "angle": f"{draw.between(0.5, 9):g} deg",
            "direction": f"{draw.one_of(0, 90, 180, draw.between(0, 360)):g} deg",
        },
        "spiral": lambda: {"charge": draw.one_of(-2, -1, 1, 2, 3)},
        "cylinder": lambda: {
            "focal_length": draw.um(120, 500),
            "direction": f"{draw.one_of(0, 90, draw.between(0, 180)):g} deg",
        },
        "axicon": lambda: {"angle": f"{draw.between(0.5, 6):g} deg"},
        "sampled": lambda: {"file": draw.one_of(*MAPS), "pitch": "1.3 um"},
        "zernike": lambda: {
            "coefficients": {
                int(j): draw.between(-1.5, 1.5, 2)
                for j in sorted(draw.rng.choice(np.arange(1, 15), 2, replace=False).tolist())
            }
        },
    }  # fmt: skip
    kinds = ["focus"] if draw.often(0.75) else []
    more = [kind for kind in terms if kind != "focus"]
    kinds += draw.rng.choice(more, draw.one_of(0, 0, 1, 1, 2, 3), replace=False).tolist()
    return [{"kind": kind, **terms[kind](), **centre()} for kind in kinds or ["focus"]]


def _kernel(draw: _Draw) -> list[Recipe]:
    """Mostly one Gaussian; else up to three terms of any kind; at times one that reaches over the wafer."""
    if draw.often(0.55):
        return [
            {"term": "gaussian", "range": draw.um(2.5, 9, 2), "ratio": draw.between(0.3, 1.2, 2)}
        ]
    found: list[Recipe] = []
    for _ in range(draw.one_of(1, 2, 3)):
        term = draw.one_of("gaussian", "exponential", "power")
        length = draw.um(2.5, 9, 2) if term == "gaussian" else draw.um(2.5, 6, 2)
        found.append({"term": term, "range": length, "ratio": draw.between(0.1, 0.8, 2)})
        if term == "power" and draw.often(0.6):
            found[-1]["exponent"] = draw.one_of(2.5, 3, 4)
    if draw.often(0.25):
        term = draw.one_of("gaussian", "exponential", "power")
        found.append({"term": term, "range": draw.um(15, 150), "ratio": draw.between(0.05, 0.3, 2)})
        if term == "power" and draw.often(0.5):
            found[-1]["exponent"] = draw.one_of(1.5, 1.7)
    return found


def _pillars(draw: _Draw, pitch: int, square: bool, name: str, grid: int) -> Recipe:
    low, high = draw.one_of(96, 100, 110), draw.one_of(280, 300, 310)
    step = 2 * grid if square else draw.one_of(1, 1, 1, 2, 0.5 if grid == 1 else 1)
    margin = draw.one_of(15, 25, 40)
    return {
        "library": name,
        "height": "600 nm",
        "vertices": 4 if square else draw.one_of(8, 8, 16, 24),
        "diameter": {"min": f"{low} nm", "max": f"{min(high, pitch - 60)} nm"},
        "ladder": {
            "min": f"{_whole(max(low - 2 * margin, 50), step)} nm", "max": f"{_whole(pitch - 20, step)} nm",
            "step": f"{step:g} nm",
        },
        "min_gap": f"{draw.one_of(40, 60, 80)} nm",
        **({"max_aspect_ratio": draw.one_of(5, 6, 8)} if draw.often(0.7) else {}),
    }  # fmt: skip


def _whole(size: int, step: float) -> int:
    """The size cut down to whole steps, and to whole pairs of nanometres."""
    return int(size // max(2, step) * max(2, step))


def _own(draw: _Draw, names: list[str], grid: int) -> Recipe:
    """A lattice and pillars of a part's own; `names` gathers the libraries that they need."""
    if draw.often(0.7):
        return {}
    kind, pitch = draw.one_of("square", "hexagonal"), draw.one_of(400, 412, 436)
    name = f"own-{kind}-{pitch}.csv"
    if name not in names:
        names.append(name)
    return {
        "lattice": {"kind": kind, "pitch": f"{pitch} nm"},
        "pillars": _pillars(draw, pitch, False, name, grid),
    }


def _dies(
    draw: _Draw, names: list[str], others: list[str], labels: bool, cells: list[str]
) -> dict[str, list[Recipe]]:
    """A fill die, and dies that stand instead of it: splits, neighbours, gratings, pads, labels."""
    first = names[0]
    at = ("0 um", "0 um") if draw.often(0.5) else (draw.um(-40, 40), draw.um(-40, 40))
    dies: dict[str, list[Recipe]] = {"lens": [place(first, *at)]}
    if len(names) > 1:
        far = draw.between(40, 75)
        dies["lens"] = [place(first, f"{-far / 2:g} um", "0 um"), place(names[1], f"{far / 2:g} um", draw.um(-8, 8))]  # fmt: skip
    for name, share, what in (
        ("wide", 0.4, {"bias": f"{draw.one_of(-3, 1.5, 4):g} nm"}),
        ("hot", 0.35, {"dose": draw.one_of(0.9, 1.1, 1.25)}),
        ("both", 0.2, {"dose": draw.one_of(0.9, 1.05), "bias": f"{draw.one_of(-2, 2.5):g} nm"}),
    ):
        if draw.often(share):
            dies[name] = [place(draw.one_of(*names), *at, **what)]
    if others and draw.often(0.7):
        spots = [("-75 um", "70 um"), ("70 um", "-70 um"), ("-60 um", "-65 um"), ("65 um", "70 um")]
        dies["test"] = [
            {"deflector" if other.startswith("d") else "pad": other, "at": list(spot),
             **({"bias": "2 nm"} if draw.often(0.2) else {})}
            for other, spot in zip(others, spots, strict=False)
        ]  # fmt: skip
        if draw.often(0.5):
            dies["test"].append(place(first))
    for cell in cells:
        spot = [draw.um(-35, -5), draw.um(-95, -85)]
        dies[draw.one_of(*dies)].append({"cell": cell, "at": spot})
    if labels and draw.often(0.3):
        spot = [draw.um(-20, 20), draw.um(85, 95)]
        text = draw.one_of("R7", "LOT-12", "b.3")
        dies[draw.one_of(*dies)].append({"label": {"text": text}, "at": spot, "height": "9 um"})
    if labels:
        spot = [draw.um(-60, -50), draw.um(50, 80)]
        dies["lens"].append({"label": "die", "at": spot, "height": "12 um"})
    return dies


def _crowd(draw: _Draw, name: str, aperture_um: float) -> tuple[dict[str, list[Recipe]], Recipe]:
    """Small dies of one lens each, whose neighbours feel each other across the edges of dies."""
    dies = {"lens": [place(name, draw.um(-1, 1), draw.um(-1, 1))]}
    if draw.often(0.5):
        dies["wide"] = [place(name, bias="3 nm")]
    if draw.often(0.4):
        dies["hot"] = [place(name, dose=1.1)]
    if draw.often(0.3):
        dies["bare"] = []
    pitch = [f"{math.ceil(aperture_um + draw.between(3, 12))} um" for _ in range(2)]
    wafer = {
        "grid_offset": draw.one_of("die", "street", "best"), "die_pitch": pitch,
        "diameter": f"{draw.one_of(3.2, 4.1, 4.6) * aperture_um:.0f} um",
        "instead": [
            {"die": die, "sites": [site]}
            for die, site in zip([d for d in dies if d != "lens"], [[0, 0], [1, 0], [0, -1]], strict=False)
        ],
    }  # fmt: skip
    return dies, wafer


def _doses(draw: _Draw, dies: dict[str, list[Recipe]]) -> None:
    """Doses on lenses, gratings and pads."""
    for items in dies.values():
        for item in items:
            if "cell" not in item and "label" not in item and draw.often(0.1):
                item["dose"] = draw.one_of(0.8, 1.1, 1.25)


def _wafer(draw: _Draw, dies: dict[str, list[Recipe]]) -> Recipe:
    wafer: Recipe = {
        "grid_offset": draw.one_of("die", "street", "best", "best"),
        "diameter": f"{draw.one_of(1.1, 1.3, 1.5, 1.63)} mm",
        "edge_exclusion": f"{draw.one_of(0, 20, 37)} um",
        "die_pitch": [f"{draw.one_of(260, 300, 333)} um", f"{draw.one_of(260, 300, 287)} um"],
    }
    sites = [[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1], [1, 1]]
    order = draw.rng.permutation(len(sites)).tolist()
    given = [name for name in dies if name != "lens"]
    wafer["instead"] = [
        {"die": name, "sites": [sites[k]]} for name, k in zip(given, order, strict=False)
    ]
    if draw.often(0.35):
        wafer["zones"] = [
            {"outer": draw.um(100, 700), "bias": f"{draw.one_of(-2, -0.75, 1.25, 3):g} nm"}
            for _ in range(draw.one_of(1, 2, 3))
        ]
    if draw.often(0.3):
        wafer["keep_out"] = [
            {"at": [draw.um(-400, 400), draw.um(-400, 400)], "size": [draw.um(5, 60), draw.um(5, 60)]}
        ]  # fmt: skip
    if draw.often(0.35):
        at = [[draw.um(-350, 350, 0), draw.um(-350, 350, 0)]]
        wafer["marks"] = [
            draw.one_of(
                {"kind": "cross", "arm": "18 um", "width": "4 um", "at": at},
                {"kind": "box", "outer": "20 um", "width": "3 um", "at": at},
            )
        ]
    if draw.often(0.2):
        wafer["street"] = draw.um(2, 20)
    return wafer


def drawn(seed: int, number: int) -> Case:
    """A recipe and what writes its tables."""
    draw = _Draw(seed, number)
    kind = "square" if draw.often(0.6) else "hexagonal"
    square = kind == "square" and draw.often(0.2)
    grid = draw.one_of(1, 1, 1, 2)
    pitch = draw.one_of(380, 400, 420, 430, 444) // (2 * grid) * (2 * grid)
    wavelength = draw.one_of(850, 940, 940)
    table = int(draw.rng.integers(1 << 30))
    tables = [
        library(
            table, lattice=kind, pitch=pitch, wavelength=wavelength, turns=draw.between(0.9, 1.4, 2),
            low=72, high=348, step=draw.one_of(2, 2, 4), square=square, bars=draw.one_of(0, 0, 1, 2), flags=draw.one_of(0, 1, 3),
            other_wavelength=draw.often(0.2),
        ),
        bias(table + 1, slope=draw.between(-40, 25)),
        *(smooth_map(table + 2 + k, name, *MAPS[name], 1.3) for k, name in enumerate(MAPS)),
    ]  # fmt: skip
    own: list[str] = []
    names = ["l"] if draw.often(0.6) else ["l", "m"]
    lenses = [
        {
            "name": name, "wavelength": f"{wavelength} nm", "aperture": draw.um(24, 46),
            "phase": _phase(draw), "centre": draw.one_of("gap", "site"),
            **({"collar": draw.um(0.5, 6)} if draw.often(0.3) else {}),
            **(_own(draw, own, grid) if name == "m" else {}),
        }
        for name in names
    ]  # fmt: skip
    deflectors = [
        {"name": "d1", "period": [draw.one_of(4, 6, 8), draw.one_of(0, 0, 1, -3)], "size": "18 um",
         "wavelength": f"{wavelength} nm", **_own(draw, own, grid)}
    ]  # fmt: skip
    pads: list[Recipe] = [
        {"name": "cd", "kind": "uniform", "diameters": ["140 nm", "200 nm", "240 nm"][: draw.one_of(1, 2, 3)],
         "size": draw.um(8, 16), **_own(draw, own, grid)}
    ]  # fmt: skip
    if not square and draw.often(0.4):
        pads.append({"name": "steps", "kind": "density", "probes": ["180 nm"], "densities": [0.2]})
    others = ["d1", *(pad["name"] for pad in pads)]
    cells = ["logo"] if draw.often(0.15) else []
    if names == ["l"] and draw.often(0.2):
        lenses[0]["aperture"] = draw.um(20, 34)
        dies, wafer = _crowd(draw, "l", float(str(lenses[0]["aperture"]).split()[0]))
        cells = []
    else:
        dies = _dies(draw, names, others, draw.often(0.3), cells)
        wafer = _wafer(draw, dies)
    _doses(draw, dies)
    steps = [
        {"name": f"step{k}", "bias": f"{draw.one_of(-7, -3, 2.5, 4, 6):g} nm",
         **({"scale": f"{draw.one_of(-150, 80, 300)} ppm"} if draw.often(0.25) else {})}
        for k in range(draw.one_of(0, 1, 1, 2, 3))
    ]  # fmt: skip
    recipe = base(
        f"drawn-{number}",
        dies=dies,
        wafer=wafer,
        lattice={"kind": kind, "pitch": f"{pitch} nm"},
        lenses=lenses,
        pillars=_pillars(draw, pitch, square, "library.csv", grid),
        replication={
            "transfers": draw.one_of("even", "even", "odd"),
            "labels": draw.one_of("part", "master"),
            "steps": steps,
        },
        deflectors=deflectors,
        pads=pads,
    )
    for name in own:
        _, lattice, step = name.removesuffix(".csv").split("-")
        tables.append(
            library(
                table + 9, name=name, lattice=lattice, pitch=int(step), wavelength=wavelength, turns=1.2, low=76,
                high=352, bars=draw.one_of(0, 1), flags=draw.one_of(0, 2),
            )
        )  # fmt: skip
    for cell in cells:
        file = draw.one_of("logo.gds", "logo.oas")
        recipe["cells"] = [{"name": cell, "file": file, "cell": "TOP"}]
        tables.append(foreign(table + 5, file))
    recipe["exposure"]["backscatter"] = _kernel(draw)
    recipe["exposure"]["address_grid"] = f"{grid} nm"
    if draw.often(0.2):
        recipe["exposure"].update(exposed="background", frame_width=draw.um(4, 14))
        if len(dies["lens"]) > 1 or wafer["diameter"].endswith("mm"):
            recipe["wafer"]["diameter"] = "0.93 mm"  # the model takes its time for frames
    recipe["output"]["compression"] = draw.one_of("fast", "small")
    if draw.often(0.2):
        recipe["output"]["layers"] = {
            "pillars": "11/3",
            "pads": "1/2",
            "marks": "2/1",
            "labels": "3/0",
        }
    recipe["output"]["formats"] = draw.one_of(["oasis", "gdsii"], ["gdsii"], ["oasis"])
    # shapes may leave tables and ladders here: what is drawn then is compared like the rest
    recipe["waive"] = {"clamped": "drawn at random"}
    return Case(recipe, tables)


def judged(seed: int, number: int, folder: Path) -> Verdict:
    """Build a case in a folder and compare it."""
    began = time.monotonic()
    try:
        path = put(drawn(seed, number), folder)
        try:
            job = lg.build(lg.load_recipe(path), folder / "out", jobs=1)
        except (InputError, RuleError) as error:
            return Verdict("refused", "; ".join(error.problems), time.monotonic() - began)
        report = compare(path, job.folder)
        problems = [*report.wrong, *manifest_problems(report, job.folder, {})]
        word = "wrong" if problems else "agrees"
        said = "; ".join([*problems[:4], report.line()])
        return Verdict(word, said, time.monotonic() - began, report.sites)
    except Exception:
        return Verdict("wrong", traceback.format_exc(limit=-4), time.monotonic() - began)


def _one(task: tuple[int, int, str | None]) -> Verdict:
    seed, number, keep = task
    if keep is not None:
        return judged(seed, number, Path(keep) / str(number))
    with tempfile.TemporaryDirectory() as folder:
        return judged(seed, number, Path(folder))


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.volume.recipes", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--one", type=int, help="this case alone")
    parser.add_argument("--keep", help="a folder for its files")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    numbers = range(asked.first, asked.count) if asked.one is None else [asked.one]
    seen: Counter[str] = Counter()
    sites = 0
    with ProcessPoolExecutor(asked.jobs) as pool:
        tasks = [(asked.seed, number, asked.keep) for number in numbers]
        for number, verdict in zip(numbers, pool.map(_one, tasks), strict=True):
            seen[verdict.word] += 1
            sites += verdict.sites
            print(f"{number} {verdict.word}, {verdict.seconds:.1f} s: {verdict.said}", flush=True)
    print(f"\nseed {asked.seed}: {sum(seen.values())} recipes, {seen['agrees']} agree in {sites:,} pillars,"
          f" {seen['refused']} refused, {seen['wrong']} wrong")  # fmt: skip
    return bool(seen["wrong"])


if __name__ == "__main__":
    sys.exit(main())
