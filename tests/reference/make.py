"""Small recipes that span what a recipe can ask for, with invented libraries and bias tables.

`write(name, folder)` puts one of them, with its tables, into a folder. Nothing here claims
physics: phases, transmissions and biases are smooth made-up curves from a stated seed, with bars
and flags where real ones have resonances. Apertures are tens of micrometres, so that the slow
model sums every pair.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import pi
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import yaml

__all__ = ["CASES", "Case", "put", "write"]

Recipe = dict[str, Any]


@dataclass
class Case:
    """One recipe: its text, and the symmetry under which a lone lens may be stored."""

    recipe: Recipe
    tables: list[Callable[[Path], None]] = field(default_factory=list)
    symmetry: dict[str, str] = field(default_factory=dict)


def library(
    seed: int,
    *,
    name: str = "library.csv",
    lattice: str = "square",
    pitch: float = 400,
    wavelength: float = 940,
    low: int = 96,
    high: int = 320,
    step: int = 2,
    turns: float = 1.15,
    square: bool = False,
    bars: int = 1,
    flags: int = 1,
    other_wavelength: bool = False,
) -> Callable[[Path], None]:
    """A library that rises by `turns`, ripples, and jumps `bars` times; `flags` rows are flagged."""

    def make(folder: Path) -> None:
        rng = np.random.default_rng(seed)
        d = np.arange(low, high + 1, step)
        u = (d - low) / (high - low)
        phi = 2 * pi * turns * (u + 0.05 * np.sin(2 * pi * (1.5 * u + rng.random())))
        phi += rng.normal(0, 0.004, len(d))
        transmission = (
            0.9 + 0.06 * np.sin(2 * pi * (2.3 * u + rng.random())) + rng.normal(0, 0.002, len(d))
        )
        for k in rng.choice(np.arange(20, len(d) - 20), bars, replace=False):
            phi[k:] += 0.15 * step + 0.35  # over 0.15 per nm of |t| near 0.95
        flagged = set(rng.choice(np.arange(8, len(d) - 8), flags, replace=False).tolist())
        rows = []
        for k, size in enumerate(d):
            wrapped = float(phi[k] % (2 * pi))
            row = f"{size},{wrapped:.6f},{transmission[k]:.6f},{wavelength:g},"
            rows.append(row + ("resonance" if k in flagged else ""))
            if other_wavelength:
                rows.append(f"{size},{0.8 * wrapped:.6f},0.5,{wavelength - 100:g},")
        waves = [f"{wavelength:g} nm"] + ([f"{wavelength - 100:g} nm"] if other_wavelength else [])
        head = [
            "# made up for a test; no physics is claimed",
            f"# lattice: {{kind: {lattice}, pitch: {pitch:g} nm}}",
            f"# wavelengths: [{', '.join(waves)}]",
            f"{'side_nm' if square else 'diameter_nm'},phase_rad,transmission,wavelength_nm,flag",
        ]
        (folder / name).write_text("\n".join(head + rows) + "\n")

    return make


def bias(seed: int, *, slope: float = -22.0, name: str = "bias.csv") -> Callable[[Path], None]:
    """A smooth bias surface over (density, master) with a little roughness, not a plane."""

    def make(folder: Path) -> None:
        rng = np.random.default_rng(seed)
        lines = ["# made up for a test", "density,diameter_nm,bias_nm"]
        for rho in (-0.0, 0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0):
            for d in range(60, 381, 40):
                value = slope * (rho - 0.25) * (1 + 0.3 * (d - 200) / 200) + 4 * (rho - 0.25) ** 2
                lines.append(f"{abs(rho):g},{d},{value + rng.normal(0, 0.05):.4f}")
        (folder / name).write_text("\n".join(lines) + "\n")

    return make


def foreign(seed: int, name: str = "logo.gds") -> Callable[[Path], None]:
    """A layout of someone else's: bars and an L on two layers, in a cell within a cell, off its origin."""

    def make(folder: Path) -> None:
        rng = np.random.default_rng(seed)
        inner = gdstk.Cell("INNER")
        x = 0
        for k in range(int(rng.integers(2, 6))):
            width, height = (int(2 * rng.integers(400, 2500)) for _ in range(2))
            inner.add(gdstk.rectangle((x, 0), (x + width, height), layer=7, datatype=k % 2))
            x += width + 2 * int(rng.integers(200, 900))
        corner = [(0, -9000), (x, -9000), (x, -8000), (1000, -8000), (1000, -2000), (0, -2000)]
        inner.add(gdstk.Polygon(corner, layer=7))
        inner.add(gdstk.rectangle((400, -8600), (3000, -7000), layer=7, datatype=1))  # over the L
        top = gdstk.Cell("TOP")
        top.add(gdstk.Reference(inner, (int(rng.integers(-9000, 9000)) * 2, 1200)))
        library = gdstk.Library(unit=1e-9, precision=1e-9)
        library.add(top, inner)
        write = library.write_oas if name.endswith(".oas") else library.write_gds
        write(folder / name)

    return make


def smooth_map(
    seed: int, name: str, rows: int, columns: int, pitch_um: float
) -> Callable[[Path], None]:
    """A sampled phase: a weak lens off its middle and two waves."""

    def make(folder: Path) -> None:
        rng = np.random.default_rng(seed)
        y, x = np.meshgrid(
            (np.arange(rows) - (rows - 1) / 2) * pitch_um, (np.arange(columns) - (columns - 1) / 2) * pitch_um,
            indexing="ij",
        )  # fmt: skip
        values = -rng.uniform(0.005, 0.03) * ((x - rng.uniform(-4, 4)) ** 2 + 1.3 * y**2)
        values += np.sin(x / rng.uniform(4, 9)) * np.cos(y / rng.uniform(4, 9))
        if name.endswith(".npy"):
            np.save(folder / name, values)
        else:
            np.savetxt(folder / name, values, delimiter=",", fmt="%.9f")

    return make


def base(name: str, *, dies: Recipe, wafer: Recipe | None = None, **more: Any) -> Recipe:
    recipe: Recipe = {
        "name": name,
        "revision": "A",
        "lattice": {"kind": "square", "pitch": "400 nm"},
        "substrate_index": 1.45,
        "pillars": {
            "library": "library.csv",
            "height": "600 nm",
            "vertices": 8,
            "diameter": {"min": "105 nm", "max": "310 nm"},
            "ladder": {"min": "80 nm", "max": "345 nm", "step": "1 nm"},
            "min_gap": "70 nm",
            "max_aspect_ratio": 7,
        },
        "replication": {"transfers": "even", "steps": [{"name": "imprint", "bias": "4 nm"}]},
        "exposure": {
            "exposed": "shapes",
            "forward_range": "18 nm",
            "backscatter": [{"term": "gaussian", "range": "5 um", "ratio": 0.7}],
            "reference": {"density": 0.25, "diameter": "200 nm"},
            "bias_table": "bias.csv",
            "address_grid": "1 nm",
            "write_field": "500 um",
            "dose": "300 uC/cm2",
            "current": "5 nA",
            "beam_step": "5 nm",
            "max_clock": "100 MHz",
            "shape_time": "100 ns",
            "field_time": "0.5 s",
        },
        "dies": dies,
        "wafer": {
            "diameter": "1.2 mm",
            "edge_exclusion": "20 um",
            "die_pitch": ["300 um", "300 um"],
            "grid_offset": "die",
            "fill": next(iter(dies)),
            **(wafer or {}),
        },
        "output": {"formats": ["oasis", "gdsii"], "compression": "fast", "database_unit": "1 nm"},
    }
    recipe.update(more)
    return recipe


def lens(name: str, aperture: str, phase: list[Recipe], **more: Any) -> Recipe:
    return {"name": name, "wavelength": "940 nm", "aperture": aperture, "phase": phase, **more}


def focus(length: str, **more: Any) -> Recipe:
    return {"kind": "focus", "focal_length": length, **more}


def place(name: str, x: str = "0 um", y: str = "0 um", **more: Any) -> Recipe:
    return {"lens": name, "at": [x, y], **more}


def gaussian(length: str, ratio: float = 0.7) -> Recipe:
    return {"term": "gaussian", "range": length, "ratio": ratio}


def square_gap() -> Case:
    recipe = base(
        "square-gap",
        dies={"lens": [place("l")]},
        lenses=[lens("l", "48 um", [focus("90 um")], centre="gap")],
    )
    return Case(recipe, [library(1), bias(1)], {"l": "octant"})


def square_site() -> Case:
    recipe = base(
        "square-site",
        dies={"lens": [place("l")]},
        lenses=[
            lens("l", "44 um", [focus("80 um"), {"kind": "polynomial", "coefficients": [-6.0, 2.5, 0.7]}],
                 centre="site")
        ],
        replication={
            "transfers": "even",
            "steps": [{"name": "imprint", "bias": "4 nm"}, {"name": "etch", "bias": "-7 nm"}],
        },
    )  # fmt: skip
    recipe["exposure"]["backscatter"] = [{"term": "exponential", "range": "4 um", "ratio": 0.6}]
    recipe["pillars"]["vertices"] = 16
    return Case(
        recipe, [library(2, bars=2, flags=3, other_wavelength=True), bias(2)], {"l": "octant"}
    )


def hex_gap() -> Case:
    recipe = base(
        "hex-gap",
        dies={"lens": [place("l", "20 um", "-10 um")]},
        lattice={"kind": "hexagonal", "pitch": "430 nm"},
        lenses=[lens("l", "46 um", [focus("90 um")], centre="gap")],
    )
    return Case(
        recipe,
        [library(3, lattice="hexagonal", pitch=430, bars=0, flags=0), bias(3)],
        {"l": "quadrant"},
    )


def hex_site() -> Case:
    recipe = base(
        "hex-site",
        dies={"lens": [place("l")]},
        lattice={"kind": "hexagonal", "pitch": "420 nm"},
        lenses=[
            lens(
                "l", "44 um", [focus("150 um"), {"kind": "axicon", "angle": "6 deg"}], centre="site"
            )
        ],
    )
    recipe["exposure"]["backscatter"] = [gaussian("3.5 um"), gaussian("12 um", 0.3)]
    return Case(recipe, [library(4, lattice="hexagonal", pitch=420), bias(4)], {"l": "quadrant"})


def odd_mirrored() -> Case:
    recipe = base(
        "odd-mirrored",
        dies={
            "lens": [place("a", "-30.4 um", "12 um")],
            "other": [place("a", "40 um", "20 um"), place("b", "-42 um", "-33 um")],
        },
        lenses=[
            lens("a", "36 um", [focus("90 um", centre=["3 um", "-2 um"]),
                                {"kind": "tilt", "angle": "7 deg", "direction": "25 deg"},
                                {"kind": "spiral", "charge": 2}]),
            lens("b", "30 um", [{"kind": "tilt", "angle": "11 deg", "direction": "200 deg", "index": 1.2},
                                focus("120 um")], centre="site"),
        ],
        replication={"transfers": "odd", "steps": [{"name": "imprint", "bias": "3 nm"}]},
        wafer={
            "grid_offset": "street",
            "instead": [{"die": "other", "sites": [[0, 0], [-1, 0]]}],
            "diameter": "1.5 mm",
            "keep_out": [{"at": ["460 um", "-440 um"], "size": ["40 um", "40 um"]}],
            "marks": [{"kind": "cross", "arm": "20 um", "width": "4 um", "at": [["450 um", "160 um"]]}],
        },
    )  # fmt: skip
    return Case(recipe, [library(5), bias(5)])


def scaled() -> Case:
    recipe = base(
        "scaled",
        dies={"lens": [place("l")]},
        lenses=[
            lens("l", "50 um", [focus("100 um", centre=["2 um", "1.3 um"]),
                                {"kind": "zernike", "coefficients": {3: 0.8, 7: -0.6, 12: 0.3}}])
        ],
        replication={
            "transfers": "even",
            "steps": [
                {"name": "imprint", "bias": "4 nm", "scale": "200 ppm"},
                {"name": "etch", "bias": "-3 nm", "scale": "100 ppm"},
            ],
        },
        wafer={"diameter": "1.3 mm"},
    )  # fmt: skip
    return Case(recipe, [library(6), bias(6)])


def squares() -> Case:
    recipe = base(
        "squares",
        dies={"lens": [place("l")]},
        lenses=[lens("l", "48 um", [focus("90 um")])],
    )
    recipe["pillars"].update(
        vertices=4,
        diameter={"min": "100 nm", "max": "298 nm"},
        ladder={"min": "70 nm", "max": "330 nm", "step": "2 nm"},
    )
    return Case(recipe, [library(7, square=True, turns=1.2), bias(7)], {"l": "octant"})


def collar_best() -> Case:
    recipe = base(
        "collar-best",
        dies={"lens": [place("l")]},
        lenses=[lens("l", "36 um", [focus("80 um")], collar="10 um")],
        wafer={
            "grid_offset": "best",
            "diameter": "1.02 mm",
            "edge_exclusion": "30 um",
            "die_pitch": ["210 um", "190 um"],
        },
    )
    return Case(recipe, [library(8), bias(8)], {"l": "octant"})


def background() -> Case:
    recipe = base(
        "background",
        dies={"lens": [place("l", "-20 um"), {"deflector": "d", "at": ["26.2 um", "4 um"]}]},
        lenses=[lens("l", "44 um", [focus("90 um")], collar="2 um")],
        deflectors=[{"name": "d", "period": [6, 1], "size": "24 um", "wavelength": "940 nm"}],
        replication={"transfers": "odd", "steps": [{"name": "imprint", "bias": "-4 nm"}]},
        wafer={
            "marks": [
                {"kind": "box", "outer": "16 um", "width": "3 um", "at": [["10 um", "200 um"]]}
            ]
        },
    )
    recipe["wafer"]["die_pitch"] = ["300 um", "300 um"]
    recipe["exposure"].update(exposed="background", frame_width="12 um")
    return Case(recipe, [library(9), bias(9, slope=20.0)])


def close_pair() -> Case:
    # rims one backscatter range apart
    recipe = base(
        "close-pair",
        dies={"lens": [place("a", "-20 um"), place("b", "19 um", "3 um")]},
        lenses=[
            lens("a", "40 um", [focus("90 um")]),
            lens(
                "b",
                "28 um",
                [focus("70 um"), {"kind": "polynomial", "coefficients": [3.0]}],
                centre="site",
            ),
        ],
    )
    recipe["exposure"]["backscatter"] = [gaussian("5 um")]
    return Case(recipe, [library(10), bias(10)])


def three_terms() -> Case:
    recipe = base(
        "three-terms",
        dies={"lens": [place("l")]},
        lenses=[lens("l", "48 um", [focus("95 um")])],
    )
    recipe["exposure"]["backscatter"] = [
        gaussian("7 um", 0.5),
        {"term": "exponential", "range": "4.5 um", "ratio": 0.2},
        {"term": "power", "range": "5 um", "ratio": 0.15, "exponent": 2.5},
    ]
    return Case(recipe, [library(11), bias(11)])


def splits() -> Case:
    recipe = base(
        "splits",
        dies={
            "lens": [place("l")],
            "wide": [place("l", bias="4 nm")],
            "hot": [place("l", dose=1.1)],
            "cold": [place("l", dose=0.9, bias="-2.5 nm")],
            "pair": [place("l", "-50 um"), place("l", "50 um", dose=1.2)],
        },
        lenses=[lens("l", "40 um", [focus("80 um")])],
        wafer={
            "diameter": "1.6 mm",
            "instead": [
                {"die": "wide", "sites": [[1, 0], [-1, 1]]},
                {"die": "hot", "sites": [[-1, 0]]},
                {"die": "cold", "sites": [[0, 1]]},
                {"die": "pair", "sites": [[0, -1]]},
            ],
            "zones": [{"outer": "320 um", "bias": "-1.5 nm"}, {"outer": "700 um", "bias": "1.25 nm"},
                      {"outer": "100 um", "bias": "0 nm"}],
        },
    )  # fmt: skip
    recipe["exposure"]["backscatter"] = [gaussian("4 um")]
    return Case(recipe, [library(12), bias(12)], {"l": "octant"})


def pads_near() -> Case:
    recipe = base(
        "pads-near",
        dies={
            "lens": [place("l", "-60 um"), {"deflector": "d8", "at": ["-25.2 um", "2 um"]},
                     {"deflector": "d6", "at": ["-58 um", "-40 um"], "bias": "2 nm"}],
            "test": [{"pad": "cd", "at": ["-60 um", "80 um"]}, {"pad": "ladder", "at": ["30 um", "-60 um"]},
                     place("l", "-70 um", "-70 um"), {"pad": "one", "at": ["-70 um", "-43 um"]}],
        },
        lenses=[lens("l", "36 um", [focus("80 um")])],
        deflectors=[
            {"name": "d8", "period": [8, 0], "size": "24 um", "wavelength": "940 nm"},
            {"name": "d6", "period": [4, -5], "size": "20 um", "wavelength": "940 nm"},
        ],
        pads=[
            {"name": "cd", "kind": "uniform", "diameters": ["120 nm", "200 nm", "280 nm"], "size": "16 um"},
            {"name": "one", "kind": "uniform", "diameters": ["220 nm"], "size": "12 um"},
            {"name": "ladder", "kind": "density", "probes": ["140 nm", "240 nm"], "densities": [0.12, 0.22, 0.3]},
        ],
        wafer={"diameter": "1.3 mm", "instead": [{"die": "test", "sites": [[0, 0]]}]},
    )  # fmt: skip
    recipe["exposure"]["backscatter"] = [gaussian("5 um")]
    return Case(recipe, [library(13), bias(13)])


def sampled() -> Case:
    recipe = base(
        "sampled",
        dies={"lens": [place("a", "-40 um"), place("b", "40 um")]},
        lenses=[
            lens("a", "36 um", [{"kind": "sampled", "file": "map.npy", "pitch": "1 um"}]),
            lens("b", "30 um", [focus("90 um"), {"kind": "sampled", "file": "map.csv", "pitch": "2 um"}],
                 collar="1 um", centre="site"),
        ],
        wafer={"diameter": "1.1 mm"},
    )  # fmt: skip

    def maps(folder: Path) -> None:
        y, x = np.meshgrid((np.arange(60) - 29.5) * 1e3, (np.arange(71) - 35) * 1e3, indexing="ij")
        f, k = 100e3, 2 * pi / 940
        values = -k * ((x - 1e3) ** 2 + 1.2 * y**2) / (2 * f) + 0.5 * np.sin(x / 6e3) * np.cos(
            y / 7e3
        )
        np.save(folder / "map.npy", values)
        y, x = np.meshgrid((np.arange(26) - 12.5) * 2e3, (np.arange(27) - 13) * 2e3, indexing="ij")
        np.savetxt(
            folder / "map.csv", np.cos(x / 9e3) + 0.3 * np.sin((x + 2 * y) / 11e3), delimiter=","
        )

    return Case(recipe, [library(14), bias(14), maps])


def many_terms() -> Case:
    recipe = base(
        "many-terms",
        dies={"lens": [place("l")]},
        lenses=[
            lens("l", "48 um", [
                {"kind": "zernike", "coefficients": {5: 1.1, 8: -0.7, 4: 2.0}, "radius": "30 um"},
                {"kind": "polynomial", "coefficients": [-4.0, 1.5], "centre": ["1 um", "0 um"]},
                {"kind": "cylinder", "focal_length": "200 um", "direction": "35 deg"},
                {"kind": "axicon", "angle": "2 deg", "centre": ["-1.1 um", "0.7 um"]},
                {"kind": "relay", "object_distance": "300 um", "image_distance": "250 um"},
                {"kind": "spiral", "charge": -1, "centre": ["0.9 um", "0.5 um"]},
            ])
        ],
    )  # fmt: skip
    recipe["exposure"]["backscatter"] = [
        {"term": "power", "range": "5 um", "ratio": 0.4, "exponent": 3}
    ]
    return Case(recipe, [library(15), bias(15)])


def half_nanometre() -> Case:
    recipe = base(
        "half-nanometre",
        dies={"lens": [place("l")]},
        lenses=[
            lens(
                "l",
                "48 um",
                [focus("110 um"), {"kind": "tilt", "angle": "4 deg", "direction": "0 deg"}],
            )
        ],
    )
    recipe["pillars"]["ladder"]["step"] = "0.5 nm"
    return Case(recipe, [library(16), bias(16)], {"l": "half"})


def own_lattice() -> Case:
    own = {
        "library": "hex.csv",
        "height": "600 nm",
        "vertices": 8,
        "diameter": {"min": "110 nm", "max": "330 nm"},
        "ladder": {"min": "90 nm", "max": "350 nm", "step": "1 nm"},
        "min_gap": "60 nm",
    }
    recipe = base(
        "own-lattice",
        dies={"lens": [place("a", "-18 um"), place("b", "19.5 um", "2 um")]},
        lenses=[
            lens("a", "32 um", [focus("80 um")]),
            lens("b", "34 um", [focus("90 um")], wavelength="850 nm", pillars=own,
                 lattice={"kind": "hexagonal", "pitch": "440 nm"}),
        ],
    )  # fmt: skip
    recipe["exposure"]["backscatter"] = [gaussian("5 um")]
    hexagonal = library(
        18,
        name="hex.csv",
        lattice="hexagonal",
        pitch=440,
        wavelength=850,
        low=100,
        high=350,
        bars=0,
        flags=0,
    )
    return Case(recipe, [library(17), hexagonal, bias(17)])


def label_and_mark() -> Case:
    recipe = base(
        "label-and-mark",
        dies={
            "lens": [place("l"), {"label": "die", "at": ["-27 um", "22 um"], "height": "10 um"},
                     {"label": {"text": "R7-x"}, "at": ["27 um", "-17 um"], "height": "8 um"}],
            "edge": [place("l", "128.4 um", "0 um")],
        },
        lenses=[lens("l", "36 um", [focus("80 um")])],
        wafer={
            "instead": [{"die": "edge", "sites": [[0, 0]]}],
            "marks": [
                {"kind": "cross", "arm": "14 um", "width": "5 um", "at": [["166 um", "3 um"], ["-400 um", "250 um"]]},
                {"kind": "box", "outer": "20 um", "width": "4 um", "at": [["166 um", "38 um"]]},
            ],
        },
    )  # fmt: skip
    return Case(recipe, [library(19), bias(19)])


CASES: dict[str, Callable[[], Case]] = {
    f().recipe["name"]: f
    for f in (
        square_gap, square_site, hex_gap, hex_site, odd_mirrored, scaled, squares, collar_best,
        background, close_pair, three_terms, splits, pads_near, sampled, many_terms,
        half_nanometre, own_lattice, label_and_mark,
    )
}  # fmt: skip


def put(case: Case, folder: Path) -> Path:
    """Write a case's recipe and its tables into `folder`; the recipe's path."""
    folder.mkdir(parents=True, exist_ok=True)
    for table in case.tables:
        table(folder)
    path = folder / f"{case.recipe['name']}.yaml"
    path.write_text(
        yaml.safe_dump(case.recipe, sort_keys=False, default_flow_style=None, width=110)
    )
    return path


def write(name: str, folder: Path) -> tuple[Path, Case]:
    """Write one of the cases into `folder`; return the recipe's path and the case."""
    case = CASES[name]()
    return put(case, folder), case
