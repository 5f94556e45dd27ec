"""The parts that a recipe describes: pads' surrounds by direct sum, gratings by their period."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.wafer.designs import (
    Design,
    deflector_design,
    exposed_of,
    lens_design,
    pad_designs,
    part_lattice,
)
from layoutgen.wafer.written import Written

Floats = NDArray[np.float64]
Recipes = Callable[..., Path]
BETA = 9000.0
SLOPE = 20.0  # nm of bias per density, of the small recipe's table


def pad_recipe(small_recipe: Recipes, change: Callable[[dict[str, Any]], None]) -> LoadedRecipe:
    return load_recipe(small_recipe(change))


def density_pad(
    small_recipe: Recipes,
    densities: list[float],
    *,
    probes: tuple[int, ...] = (200,),
    kind: str = "square",
    squares_in: Path | None = None,
    background: bool = False,
    bias_nm: float = 0.0,
    backscatter: str = "9 um",
) -> list[Design]:
    """The patches of a density pad; squares_in: the recipe's folder, where pillars are squares."""

    def change(data: dict[str, Any]) -> None:
        data["pads"] = [
            {
                "name": "steps",
                "kind": "density",
                "probes": [f"{p} nm" for p in probes],
                "densities": densities,
                "lattice": {"kind": kind, "pitch": "400 nm"},
            }
        ]
        data["exposure"]["backscatter"][0]["range"] = backscatter
        if squares_in is not None:
            data["pillars"]["vertices"] = 4
            data["pillars"]["ladder"] = {"min": "80 nm", "max": "320 nm", "step": "2 nm"}
            library = squares_in / "library.csv"
            library.write_text(library.read_text().replace("diameter_nm", "side_nm"))
        if background:
            data["exposure"]["exposed"] = "background"
            data["exposure"]["frame_width"] = "10 um"
        if bias_nm:
            data["replication"] = {"steps": [{"name": "imprint", "bias": f"{bias_nm} nm"}]}
            data["pillars"]["diameter"]["max"] = "300 nm"

    loaded = pad_recipe(small_recipe, change)
    written = Written.of(loaded.recipe, 1.0)
    frame = 10_000 if background else None
    return pad_designs(loaded, loaded.recipe.pads[0], written, exposed_of(loaded), frame)


def sites(design: Design) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """x, y and master index of every site of a design."""
    x, y, which = [], [], []
    for site, indices in design.part("whole").blocks():
        used = indices > 0
        at_x, at_y = design.lattice.sites_dbu(site.window)
        x.append(at_x[used].astype(np.float64))
        y.append(at_y[used].astype(np.float64))
        which.append(indices[used].astype(np.int64))
    return np.concatenate(x), np.concatenate(y), np.concatenate(which)


def gauss(x: Floats, y: Floats) -> Floats:
    found: Floats = np.exp(-(x * x + y * y) / BETA**2) / (math.pi * BETA**2)
    return found


@pytest.mark.parametrize("probe", [140, 280])
@pytest.mark.parametrize(
    ("kind", "squares", "bias_nm"),
    [
        ("square", False, 0.0),
        ("square", False, 4.0),
        ("square", True, 0.0),
        ("hexagonal", False, 0.0),
    ],
)
def test_the_density_at_a_cores_centre_is_the_one_asked_for(
    small_recipe: Recipes, tmp_path: Path, kind: str, squares: bool, bias_nm: float, probe: int
) -> None:
    densities = [0.15, 0.3, 0.4]
    designs = density_pad(
        small_recipe, densities, probes=(probe,), kind=kind, bias_nm=bias_nm,
        squares_in=tmp_path if squares else None,
    )  # fmt: skip
    side = math.sqrt(math.pi) / 2 if squares else 1.0
    row = 400 if kind == "square" else 346
    for design, wanted in zip(designs, densities, strict=True):
        x, y, which = sites(design)
        # 5 beta wide, edges included, and 11 x 11 sites in the core (4.4 um is under beta)
        assert float(np.abs(x).max()) == 22_400
        assert float(np.abs(y).max()) == 22_500 // row * row
        assert int((which == 1).sum()) == 121
        assert float(np.abs(y[which == 1]).max()) == 5 * row
        assert float(x[which == 1].min()) == -2000
        master, surround = design.masters.master_nm
        assert master == pytest.approx(probe / side)
        assert design.masters.target_nm[0] == pytest.approx(probe / side + bias_nm)
        weight = gauss(x, y) * math.pi / 4

        def rho(other: float, core: Any = which == 1, weight: Floats = weight,
                size: float = master - SLOPE * wanted) -> float:  # fmt: skip
            return float((weight * np.where(core, size, other) ** 2).sum())

        # one ladder step of the surround's size, up or down, comes no nearer
        step = (2.0 if squares else 1.0) / side
        for other in (surround - step, surround + step):
            assert abs(rho(surround) - wanted) <= abs(rho(other) - wanted)
        assert rho(surround) == pytest.approx(wanted, abs=0.004)
        # and the surround is a drawn size: no bias, on the ladder
        assert design.masters.fixed.tolist() == [False, True]
        assert (surround * side) % (2 if squares else 1) == pytest.approx(0, abs=1e-9)


def test_with_the_background_exposed_a_denser_patch_has_smaller_shapes(
    small_recipe: Recipes,
) -> None:
    densities = [0.6, 0.7, 0.8]
    designs = density_pad(small_recipe, densities, background=True)
    # frames 65 um wide, 26 beta from centre to centre at the least: the neighbours' frames begin
    # 6.5 beta - 10 um = 48.5 um from a core, so only the own one counts: erf(32.5 um / beta)^2 = 1
    own = math.erf((22_500 + 10_000) / BETA) ** 2
    sizes = []
    for design, wanted in zip(designs, densities, strict=True):
        x, y, which = sites(design)
        master, surround = design.masters.master_nm
        size = np.where(which == 1, master - SLOPE * wanted, surround)
        rho = own - float((gauss(x, y) * math.pi / 4 * size**2).sum())
        assert rho == pytest.approx(wanted, abs=0.004)
        sizes.append(surround)
    assert sizes == sorted(sizes, reverse=True)


@pytest.mark.parametrize("background", [False, True])
def test_a_term_that_reaches_the_next_patch_counts_it(
    small_recipe: Recipes, background: bool
) -> None:
    # a Gaussian of 3 um and one of 60 um: patches are 27 um apart, and each sees all the others
    wanted = [0.45, 0.5, 0.55] if background else [0.15, 0.2, 0.25]

    def change(data: dict[str, Any]) -> None:
        data["exposure"]["backscatter"] = [
            {"term": "gaussian", "range": "3 um", "ratio": 0.7},
            {"term": "gaussian", "range": "60 um", "ratio": 0.5},
        ]
        if background:
            data["exposure"].update(exposed="background", frame_width="4 um")
        data["pads"] = [
            {
                "name": "steps",
                "kind": "density",
                "probes": ["180 nm", "220 nm"],
                "densities": wanted,
            }
        ]

    loaded = pad_recipe(small_recipe, change)
    exposed = exposed_of(loaded)
    frame = 4000 if background else None
    designs = pad_designs(
        loaded, loaded.recipe.pads[0], Written.of(loaded.recipe, 1.0), exposed, frame
    )
    assert len(designs) == 6
    places, areas = [], []
    for design in designs:
        x, y, which = sites(design)
        master, surround = design.masters.master_nm
        places.append(np.stack([x + design.offset_x, y + design.offset_y], axis=-1).reshape(-1, 2))
        areas.append((which.ravel(), float(master), float(surround)))
    rows = sorted({design.offset_y for design in designs})
    half = math.floor(2.5 * 3000)
    for design in designs:
        centre = np.array([design.offset_x, design.offset_y])
        asked = wanted[rows.index(design.offset_y)]
        rho = 0.0
        for other, at, (which, master, surround) in zip(designs, places, areas, strict=True):
            own = wanted[rows.index(other.offset_y)]
            core_nm = master + float(exposed.bias(np.array(own), np.array(master)))
            size = np.where(which == 1, core_nm, surround)
            r2 = ((at - centre) ** 2).sum(axis=1)
            weight = sum(
                share * np.exp(-r2 / b**2) / (np.pi * b**2)
                for b, share in ((3000.0, 0.7 / 1.2), (60_000.0, 0.5 / 1.2))
            )
            filled = float((weight * np.pi / 4 * size**2)[which > 0].sum())
            if not background:
                rho += filled
                continue
            # a square frame under a Gaussian is a product of error functions
            dx, dy = other.offset_x - centre[0], other.offset_y - centre[1]
            framed = 0.0
            for b, share in ((3000.0, 0.7 / 1.2), (60_000.0, 0.5 / 1.2)):
                sides = [
                    (math.erf((d + half + 4000) / b) - math.erf((d - half - 4000) / b)) / 2
                    for d in (dx, dy)
                ]
                framed += share * sides[0] * sides[1]
            rho += framed - filled
        # a ladder step of 1 nm is worth 0.002
        assert rho == pytest.approx(asked, abs=0.0016)


@pytest.mark.parametrize(
    ("probe", "asked"), [(140, 0.1), (140, 0.15), (140, 0.2), (260, 0.26), (260, 0.3), (260, 0.35)]
)
def test_the_core_stands_as_it_will_be_drawn_when_the_surround_is_chosen(
    small_recipe: Recipes, probe: int, asked: float
) -> None:
    # most of the kernel ends within the core, whose pillars each have their own density and bias
    ranges = ((1500.0, 0.7), (5000.0, 0.3))

    def change(data: dict[str, Any]) -> None:
        data["exposure"]["backscatter"] = [
            {"term": "gaussian", "range": f"{b / 1000} um", "ratio": share} for b, share in ranges
        ]
        data["pads"] = [
            {"name": "steps", "kind": "density", "probes": [f"{probe} nm"], "densities": [asked]}
        ]

    loaded = pad_recipe(small_recipe, change)
    exposed = exposed_of(loaded)
    (design,) = pad_designs(
        loaded, loaded.recipe.pads[0], Written.of(loaded.recipe, 1.0), exposed, None
    )
    x, y, which = sites(design)
    x, y, core = x.ravel()[which.ravel() > 0], y.ravel()[which.ravel() > 0], which[which > 0] == 1
    r2 = (x[core, None] - x) ** 2 + (y[core, None] - y) ** 2
    weight = sum(s * np.exp(-r2 / b**2) / (np.pi * b**2) for b, s in ranges)
    middle = int(np.argmin(np.hypot(x[core], y[core])))

    def density(surround_nm: float) -> float:
        size = np.full(len(x), surround_nm)
        rho = np.full(int(core.sum()), asked)
        for _ in range(12):
            size[core] = probe + exposed.bias(rho, np.array(float(probe)))
            rho = weight @ (np.pi / 4 * size**2)
        return float(rho[middle])

    found = float(design.masters.master_nm[1])
    off = {step: abs(density(found + step) - asked) for step in (-1, 0, 1)}
    assert off[0] <= min(off.values()) + 2e-5


@pytest.mark.parametrize("asked", [0.02, 0.7])
def test_a_density_out_of_reach_is_refused_with_those_that_can_be_had(
    small_recipe: Recipes, asked: float
) -> None:
    with pytest.raises(InputError) as caught:
        density_pad(small_recipe, [asked, 0.3])
    (sentence,) = caught.value.problems
    said = re.search(
        r"pad steps: want a density between (\S+) and (\S+) around a probe of 200 nm, got (\S+)$",
        sentence,
    )
    assert said is not None
    assert float(said[3]) == asked
    # the surround runs from 90 nm (ladder) to 330 nm (400 nm less the least gap of 70 nm)
    at = np.arange(-56, 57) * 400.0
    x, y = np.meshgrid(at, at)
    core = (np.abs(x) <= 2000) & (np.abs(y) <= 2000)
    weight = gauss(x, y) * math.pi / 4
    for got, size in ((float(said[1]), 90.0), (float(said[2]), 330.0)):
        inner = float(weight[core].sum()) * (200 - SLOPE * got) ** 2  # biased as it would stand
        assert got == pytest.approx(inner + float(weight[~core].sum()) * size**2, abs=1e-4)


def test_an_aspect_ratio_limits_the_surround_as_well(small_recipe: Recipes) -> None:
    # 600 nm high at most 8 : 1 allows 75 nm and more; at 4 : 1 only 150 nm and more, so that the
    # lightest patch has 150^2 pi / 4 / 400^2 = 0.1104 around a core of its own
    def change(data: dict[str, Any]) -> None:
        data["pillars"]["max_aspect_ratio"] = 4
        data["pillars"]["diameter"]["min"] = "150 nm"
        data["pads"] = [
            {"name": "steps", "kind": "density", "probes": ["160 nm"], "densities": [0.08]}
        ]

    loaded = pad_recipe(small_recipe, change)
    with pytest.raises(InputError, match=r"want a density between 0\.1\d+ and"):
        pad_designs(
            loaded, loaded.recipe.pads[0], Written.of(loaded.recipe, 1.0), exposed_of(loaded), None
        )


def test_patches_stand_in_rows_of_density_and_columns_of_probe(small_recipe: Recipes) -> None:
    designs = density_pad(small_recipe, [0.3, 0.2], probes=(140, 200, 260))
    # surrounds of 5 beta, 4 beta apart: 9 beta = 81 um from centre to centre; lowest density first
    assert [(d.offset_x, d.offset_y) for d in designs] == [
        (x, y) for y in (-40_500, 40_500) for x in (-81_000, 0, 81_000)
    ]
    assert [d.masters.master_nm[0] for d in designs] == [140, 200, 260] * 2
    low, high = designs[1], designs[4]
    assert low.masters.master_nm[1] < high.masters.master_nm[1]


@pytest.mark.parametrize("backscatter", ["9 um", "8.9598 um", "8.9602 um"])
def test_a_patch_holds_the_sites_whose_centres_lie_in_its_square(
    small_recipe: Recipes, backscatter: str
) -> None:
    # half of 5 beta is 22.5 um, or half a nanometre less or more than 22.4 um, where a row of sites stands
    (patch,) = density_pad(small_recipe, [0.3], backscatter=backscatter)
    across = {"9 um": 113, "8.9598 um": 111, "8.9602 um": 113}[backscatter]
    x, _, _ = sites(patch)
    assert len(x) == across**2
    assert patch.part("whole").pillars == across**2


@pytest.mark.parametrize("transfers", ["even", "odd"])
def test_a_uniform_pad_is_a_row_of_squares_left_to_right(
    small_recipe: Recipes, transfers: str
) -> None:
    # on the part: an odd number of transfers is written mirrored
    def change(data: dict[str, Any]) -> None:
        data["pads"] = [
            {
                "name": "cd",
                "kind": "uniform",
                "diameters": ["240 nm", "140 nm", "200 nm"],
                "size": "20 um",
            }
        ]
        data["replication"] = {"transfers": transfers}

    loaded = pad_recipe(small_recipe, change)
    (design,) = pad_designs(
        loaded, loaded.recipe.pads[0], Written.of(loaded.recipe, 1.0), exposed_of(loaded), None
    )
    x, y, which = sites(design)
    if transfers == "odd":
        x = -x
    assert len(x) == 3 * 50 * 50  # 20 um over 400 nm, three times
    for k, (low, size) in enumerate([(-30_000, 240.0), (-10_000, 140.0), (10_000, 200.0)]):
        here = (x >= low) & (x < low + 20_000)
        assert set(design.masters.master_nm[which[here] - 1]) == {size}, k
        assert int(here.sum()) == 2500
    assert float(np.abs(y).max()) == 9800
    assert design.masters.fixed.tolist() == [False] * 3


def test_a_pad_whose_edges_are_no_whole_units_has_a_mirror_image(small_recipe: Recipes) -> None:
    # half of three squares is 30599.5 nm; the next site beyond stands at 30600 nm on either side
    def pad(transfers: str) -> Floats:
        def change(data: dict[str, Any]) -> None:
            data["pads"] = [
                {
                    "name": "cd", "kind": "uniform", "diameters": ["240 nm", "140 nm", "200 nm"],
                    "size": "20399.667 nm",
                }
            ]  # fmt: skip
            data["replication"] = {"transfers": transfers}

        loaded = pad_recipe(small_recipe, change)
        (design,) = pad_designs(
            loaded, loaded.recipe.pads[0], Written.of(loaded.recipe, 1.0), exposed_of(loaded), None
        )
        return np.unique(sites(design)[0])

    as_is, mirrored = pad("even"), pad("odd")
    assert as_is.max() == 30_200
    np.testing.assert_array_equal(mirrored, -as_is[::-1])


def deflector_recipe(period: list[int], size: str = "24 um") -> Callable[[dict[str, Any]], None]:
    def change(data: dict[str, Any]) -> None:
        data["deflectors"] = [{"name": "d", "period": period, "size": size, "wavelength": "940 nm"}]

    return change


@pytest.mark.parametrize("period", [[8, 0], [0, 6], [-5, 0], [4, 3], [6, -6]])
def test_a_deflector_repeats_along_its_period_and_nowhere_sooner(
    small_recipe: Recipes, period: list[int]
) -> None:
    loaded = pad_recipe(small_recipe, deflector_recipe(period))
    design = deflector_design(loaded, loaded.recipe.deflectors[0], Written.of(loaded.recipe, 1.0))
    x, y, which = sites(design)
    assert len(x) == 60 * 60  # 24 um over 400 nm, between four sites
    at = {(int(a), int(b)): int(w) for a, b, w in zip(x, y, which, strict=True)}
    m, n = period
    # A phase of 2 pi r.v / |v|^2 comes back after v, and does not move along the normal of v.
    for (a, b), w in at.items():
        for step in ((m, n), (-n, m)):
            other = at.get((a + 400 * step[0], b + 400 * step[1]))
            assert other is None or other == w
    # One period holds the phases r.v / |v|^2 of its sites, and this library has a size for each.
    phases = {(m * i + n * j) % (m * m + n * n) for i in range(20) for j in range(20)}
    assert len(set(which.tolist())) == len(phases)


@pytest.mark.parametrize("period", [[8, 0], [0, -6], [4, 3]])
def test_a_deflectors_phase_rises_along_its_period(
    small_recipe: Recipes, period: list[int]
) -> None:
    # Sizes rise with phase in this library (one turn from 120 to 310 nm), so a small step along v
    # is a larger pillar, but for one fall per turn: light is steered towards +v, by
    # asin(lambda / |v|) (grating equation), which is the phase's slope over 2 pi / lambda.
    loaded = pad_recipe(small_recipe, deflector_recipe(period))
    design = deflector_design(loaded, loaded.recipe.deflectors[0], Written.of(loaded.recipe, 1.0))
    x, y, which = sites(design)
    m, n = period
    length2 = m * m + n * n
    size = design.masters.master_nm[which - 1]
    turns = (size - 120.0) / 190.0
    wanted = (x * m + y * n) / (400.0 * length2)
    # each site's phase is the grating's, within what rounding to the ladder's nm leaves
    off = turns - wanted - np.round(turns - wanted)
    assert np.abs(off).max() <= 0.5 / 190 + 1e-3
    assert design.facts is not None
    assert design.facts.offset.phi0_rad == 0
    sine = 940.0 / (400.0 * math.sqrt(length2))
    slope = np.polyfit((x * m + y * n) / math.sqrt(length2), 2 * np.pi * (wanted + off), 1)[0]
    assert slope * 940.0 / (2 * np.pi) == pytest.approx(sine, rel=1e-3)


def test_a_hexagonal_row_step_is_rounded_once_to_the_address_grid(small_recipe: Recipes) -> None:
    # 400 sqrt(3) / 2 = 346.41 nm: 346 on a grid of 1 nm, 346.5 on 0.5 nm, 345 on 5 nm
    for grid, dbu, row in (("1 nm", "1 nm", 346), ("0.5 nm", "0.5 nm", 693), ("5 nm", "1 nm", 345)):

        def change(data: dict[str, Any], grid: str = grid, dbu: str = dbu) -> None:
            data["exposure"]["address_grid"] = grid
            data["output"]["database_unit"] = dbu
            data["pads"] = [
                {
                    "name": "cd",
                    "kind": "uniform",
                    "diameters": ["200 nm"],
                    "size": "20 um",
                    "lattice": {"kind": "hexagonal", "pitch": "400 nm"},
                }
            ]
            if grid == "5 nm":
                data["pillars"]["ladder"]["step"] = "10 nm"

        loaded = pad_recipe(small_recipe, change)
        lattice = part_lattice(loaded, loaded.recipe.pads[0], "gap")
        assert lattice.row_dbu == row


def test_a_lens_that_its_lattice_samples_too_coarsely_is_refused(small_recipe: Recipes) -> None:
    # NA of a 60 um lens at f = 5 um is 0.9864, so that lambda / (2 NA) = 476 nm at 940 nm; with a
    # tilt of 60 deg on top it is 940 / (2 (0.9864 + 0.8660)) = 254 nm, less than 400 nm
    def change(data: dict[str, Any]) -> None:
        data["lenses"][0]["phase"] = [
            {"kind": "focus", "focal_length": "5 um"},
            {"kind": "tilt", "angle": "60 deg", "direction": "0 deg"},
        ]

    loaded = pad_recipe(small_recipe, change)
    with pytest.raises(InputError, match=r"lens dot: .*25[34]"):
        lens_design(loaded, loaded.recipe.lenses[0], Written.of(loaded.recipe, 1.0))
