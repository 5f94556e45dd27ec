"""One small job, built and then read by others: its folder, its lists, and its densities."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import pytest
from numpy.typing import NDArray

import layoutgen as lg
from tests.e2e_recipes import LONE, Recipe, write

Floats = NDArray[np.float64]
BETA_UM = 9.0  # of the one backscatter term
BIAS_SLOPE_NM = 20.0  # the bias table is -20 nm times the density
BETWEEN_UM = 9.0  # rim to rim of the two lenses that see each other: one beta
DBU_PER_UM = 1000

SMALL: Recipe = {
    **LONE,
    "name": "mixed",
    "revision": "B",
    "replication": {"transfers": "even", "steps": [{"name": "imprint", "bias": "4 nm"}]},
    "lenses": [{**LONE["lenses"][0], "aperture": "30 um"}],
    "deflectors": [{"name": "d8", "period": [8, 0], "size": "20 um", "wavelength": "940 nm"}],
    "pads": [
        {"name": "cd", "kind": "uniform", "diameters": ["140 nm", "200 nm"], "size": "16 um"},
        {"name": "steps", "kind": "density", "probes": ["160 nm"], "densities": [0.15, 0.3]},
    ],
    "dies": {
        "lens": [
            {"lens": "dot", "at": ["0 um", "0 um"]},
            {"label": "die", "at": ["-40 um", "50 um"], "height": "12 um"},
        ],
        "wide": [{"lens": "dot", "at": ["0 um", "0 um"], "bias": "3 nm"}],
        "test": [
            {"deflector": "d8", "at": ["-50 um", "40 um"]},
            {"pad": "cd", "at": ["30 um", "60 um"]},
            {"pad": "steps", "at": ["30 um", "-30 um"]},
        ],
    },
    "wafer": {
        "diameter": "800 um",
        "edge_exclusion": "20 um",
        "die_pitch": ["200 um", "200 um"],
        "grid_offset": "die",
        "fill": "lens",
        "instead": [{"die": "test", "sites": [[0, 0]]}, {"die": "wide", "sites": [[1, 0]]}],
        "marks": [
            {"kind": "cross", "arm": "30 um", "width": "4 um", "at": [["-250 um", "-200 um"]]},
        ],
    },
}

#: Two lenses whose rims are one beta apart, alone on the wafer.
PAIR: Recipe = {
    **LONE,
    "name": "pair",
    "lenses": [{**LONE["lenses"][0], "aperture": "30 um"}],
    "dies": {
        "lens": [
            {"lens": "dot", "at": ["-19.5 um", "0 um"]},
            {"lens": "dot", "at": ["19.5 um", "0 um"]},
        ]
    },
}


@dataclass(frozen=True)
class Read:
    """A built job as its files tell it: lengths in um, areas in um^2."""

    folder: Path
    manifest: dict[str, Any]
    sites: list[dict[str, str]]
    pillars: dict[tuple[int, int], float]  # place in database units: equal-area diameter in nm
    places: Floats  # (n, 2), of all that is exposed, cut small
    areas: Floats


def read(folder: Path) -> Read:
    manifest = json.loads((folder / "manifest.json").read_text())
    with (folder / "sem_sites.csv").open(newline="") as file:
        next(file)
        sites = list(csv.DictReader(file))
    name = next(name for name in manifest["files"] if name.endswith(".gds"))
    top = gdstk.read_gds(str(folder / name), unit=1e-6).top_level()
    assert len(top) == 1
    assert isinstance(top[0], gdstk.Cell)
    most = max(shape["drawn_nm"] for shape in manifest["shapes"])
    pillars: dict[tuple[int, int], float] = {}
    places, areas = [], []
    outlines = manifest_layer(manifest, "outlines")
    for polygon in top[0].get_polygons():
        if (polygon.layer, polygon.datatype) == outlines:
            continue
        area = polygon.area()
        if area < 1.1 * math.pi / 4 * (most * 1e-3) ** 2:
            (x0, y0), (x1, y1) = polygon.bounding_box()
            x, y = (x0 + x1) / 2, (y0 + y1) / 2
            pillars[round(x * DBU_PER_UM), round(y * DBU_PER_UM)] = 2e3 * math.sqrt(area / math.pi)
            places.append(np.array([[x, y]]))
            areas.append(np.array([area]))
        else:  # a letter, a mark: points 0.2 um apart stand for it, 1/45 of beta
            (x0, y0), (x1, y1) = polygon.bounding_box()
            grid = np.stack(
                np.meshgrid(np.arange(x0 + 0.1, x1, 0.2), np.arange(y0 + 0.1, y1, 0.2)), axis=-1
            ).reshape(-1, 2)
            grid = grid[np.array(polygon.contain(*grid))]
            places.append(grid)
            areas.append(np.full(len(grid), area / len(grid)))
    return Read(folder, manifest, sites, pillars, np.concatenate(places), np.concatenate(areas))


def manifest_layer(manifest: dict[str, Any], role: str) -> tuple[int, int] | None:
    """(layer, datatype) of a role, in whichever way the manifest spells a layer."""
    for key, value in manifest["layers"].items():
        if role in (key, value):
            number, datatype = re.findall(r"\d+", str(value if key == role else key))[:2]
            return int(number), int(datatype)
    return None


def gaussian_sum(x_um: float, y_um: float, places: Floats, areas: Floats) -> float:
    """sum a exp(-r^2 / beta^2) / (pi beta^2): Chang 1975, the backscatter term alone."""
    r2 = ((places - np.array([x_um, y_um])) ** 2).sum(axis=1)
    return float(areas @ np.exp(-r2 / BETA_UM**2)) / (math.pi * BETA_UM**2)


def build(folder: Path, recipe: Recipe) -> Read:
    path = write(folder, recipe)
    lg.build(lg.load_recipe(path), folder / "jobs")
    return read(folder / "jobs" / f"{recipe['name']}-{recipe['revision']}")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Read:
    return build(tmp_path_factory.mktemp("mixed"), SMALL)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Read:
    return build(tmp_path_factory.mktemp("pair"), PAIR)


def test_the_manifest_holds_every_key(job: Read) -> None:
    wanted = (
        "name revision layoutgen inputs job files layers tone written mirrored doses verified"
        " database_unit_nm shapes lenses dies pillars write_time_s"
    )
    assert set(wanted.split()) <= set(job.manifest)
    assert (job.manifest["name"], job.manifest["revision"]) == ("mixed", "B")
    assert job.manifest["verified"] is True
    assert job.manifest["mirrored"] is False
    assert job.manifest["database_unit_nm"] == 1
    lens = job.manifest["lenses"]["dot"]
    wanted = (
        "lattice pillars phase_offset_rad coherent_gain coverage_rad symmetry codes clamped"
        " density_residual surroundings"
    )
    assert set(wanted.split()) <= set(lens)
    assert {"kind", "pitch_dbu", "row_dbu"} <= set(lens["lattice"])
    assert lens["density_residual"] < 1e-5
    for shape in job.manifest["shapes"]:
        assert {"code", "drawn_nm", "polygon_dbu"} <= set(shape)


def test_counts_are_those_of_the_layout(job: Read) -> None:
    assert job.manifest["pillars"] == len(job.pillars)
    lens = job.manifest["lenses"]["dot"]
    # sites of a 400 nm lattice, axis in a gap, with r <= 15 um, counted one by one
    odd = range(-199, 200, 2)  # in steps of 200 nm
    sites = sum(1 for x in odd for y in odd if x * x + y * y <= 75 * 75)
    assert lens["pillars"] == sites == sum(lens["codes"].values())
    # corners of (1, 0) lie at hypot(300, 100) = 316 um, inside 380 um; of (1, 1) at 424 um
    rows = (job.folder / "dies.csv").read_text().splitlines()[1:]
    assert sum(job.manifest["dies"].values()) == len(rows) == 5


def test_hashes_and_sizes_are_those_of_the_files(job: Read) -> None:
    held = job.manifest["files"]
    assert {"mixed-B.gds", "mixed-B.oas", "dies.csv", "marks.csv", "sem_sites.csv"} <= set(held)
    for name, said in held.items():
        data = (job.folder / name).read_bytes()
        assert said == {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    for said in job.manifest["inputs"].values():
        data = (job.folder / said["file"]).read_bytes()
        assert said["sha256"] == hashlib.sha256(data).hexdigest()


def test_lists_have_their_columns_and_seven_decimals_of_a_millimetre(job: Read) -> None:
    dies = (job.folder / "dies.csv").read_text().splitlines()
    assert dies[0] == "die,col,row,x_mm,y_mm"
    for line in dies[1:]:
        name, col, row, x, y = line.split(",")
        assert name in SMALL["dies"]
        assert (x, y) == (f"{int(col) * 0.2:.7f}", f"{int(row) * 0.2:.7f}")  # die pitch 200 um
    marks = (job.folder / "marks.csv").read_text().splitlines()
    assert marks[0].startswith("kind,x_mm,y_mm")
    assert marks[1].startswith("cross,-0.2500000,-0.2000000")
    lines = (job.folder / "sem_sites.csv").read_text().splitlines()
    assert lines[0] == f"# job: mixed-B {job.manifest['job']}"
    assert lines[1] == (
        "site,stage,die,col,row,x_mm,y_mm,feature,lens_radius_um,target_nm,master_nm,split_nm,"
        "drawn_nm,density,measured_nm,sigma_nm,count,edge_method,note"
    )
    for site in job.sites:
        assert re.fullmatch(r"-?\d+\.\d{7}", site["x_mm"])
        assert re.fullmatch(r"-?\d+\.\d{7}", site["y_mm"])
        for empty in ("measured_nm", "sigma_nm", "count", "edge_method", "note"):
            assert site[empty] == ""


def test_every_stage_has_thirty_sites_on_drawn_pillars_of_their_size(job: Read) -> None:
    stages = [site["stage"] for site in job.sites]
    assert set(stages) == {"resist", "master", "imprint"}
    assert min(map(stages.count, set(stages))) >= 30
    for site in job.sites:
        place = round(float(site["x_mm"]) * 1e6), round(float(site["y_mm"]) * 1e6)
        # an octagon on a 1 nm grid hits its area within a few tenths of a nm of diameter
        assert job.pillars[place] == pytest.approx(float(site["drawn_nm"]), abs=0.3)
        # + 4 nm of imprint: the master is made 4 nm smaller than the part
        assert float(site["master_nm"]) == pytest.approx(float(site["target_nm"]) - 4)
        assert float(site["split_nm"]) == (3.0 if site["die"] == "wide" else 0.0)


def test_densities_are_direct_sums_over_the_layout(job: Read) -> None:
    resist = [site for site in job.sites if site["stage"] == "resist"]
    assert {"dot", "d8", "cd", "steps"} <= {site["feature"] for site in resist}
    for site in resist:
        x, y = float(site["x_mm"]) * 1e3, float(site["y_mm"]) * 1e3
        wanted = gaussian_sum(x, y, job.places, job.areas)
        assert float(site["density"]) == pytest.approx(wanted, abs=1e-3), site


def test_drawn_sizes_follow_from_master_density_and_split(job: Read) -> None:
    checked = 0
    for site in job.sites:
        # splits come after the fixed point, whose density is without them
        if site["stage"] != "resist" or site["die"] == "wide" or site["feature"] == "steps":
            continue
        size = float(site["master_nm"]) - BIAS_SLOPE_NM * float(site["density"])
        if abs(size - math.floor(size) - 0.5) > 0.05:  # 1e-3 of density is 0.02 nm
            assert float(site["drawn_nm"]) == math.floor(size + 0.5), site
            checked += 1
    assert checked >= 20


def test_two_lenses_a_beta_apart_see_the_sum_of_both(pair: Read) -> None:
    left = pair.places[:, 0] < 0
    others = []
    for site in pair.sites:
        if site["stage"] != "resist":
            continue
        x, y = float(site["x_mm"]) * 1e3, float(site["y_mm"]) * 1e3
        own, other = (
            gaussian_sum(x, y, pair.places[mask], pair.areas[mask])
            for mask in ((left, ~left) if x < 0 else (~left, left))
        )
        assert float(site["density"]) == pytest.approx(own + other, abs=1e-3), site
        others.append(other)
    assert max(others) > 5e-3  # the neighbour is seen at some of them
