"""Where to measure: what the file itself tells, judged with plain least squares and without the package."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from numpy.typing import NDArray
from typer.testing import CliRunner

from layoutgen.cli import app
from layoutgen.errors import InputError
from layoutgen.pipeline.build import build
from layoutgen.pipeline.check import check
from layoutgen.pipeline.design import design
from layoutgen.pipeline.facts import sem_csv_of, sem_sites_of
from layoutgen.pipeline.job import Job
from layoutgen.pipeline.site_pictures import site_pictures
from layoutgen.recipe.load import load_recipe
from layoutgen.review.sem_sites import SemSite, pillars_per_site, separation

FloatArray = NDArray[np.float64]


def recipe(folder: Path, root: Path, **changes: Any) -> Path:
    """The demo with a lens of 100 um on dies of 1 mm: the same variety in a hundredth of the area."""
    data = yaml.safe_load((root / "recipes" / "porch-collimator.yaml").read_text())
    data["pillars"]["library"] = str(root / "samples" / "libraries" / "asi-940nm.csv")
    data["exposure"]["bias_table"] = str(root / "samples" / "bias" / "start.csv")
    data["lenses"][0].update(
        aperture="100 um", collar="6 um", phase=[{"kind": "focus", "focal_length": "250 um"}]
    )
    data["deflectors"][0]["size"] = "60 um"
    data["pads"][0]["size"] = "40 um"
    data["dies"] = {
        "lens": [{"lens": "collimator", "at": ["0 mm", "0 mm"]},
                 {"label": "die", "at": ["-0.4 mm", "0.4 mm"], "height": "20 um"}],
        "wide": [{"lens": "collimator", "at": ["0 mm", "0 mm"], "bias": "4 nm"}],
        "hot": [{"lens": "collimator", "at": ["0 mm", "0 mm"], "dose": 1.1}],
        "test": [{"deflector": "d8", "at": ["-0.3 mm", "0.1 mm"]},
                 {"pad": "cd", "at": ["-0.1 mm", "-0.3 mm"]},
                 {"pad": "ladder", "at": ["0.2 mm", "0.2 mm"]}],
    }  # fmt: skip
    data["wafer"] = {
        "diameter": "30 mm", "edge_exclusion": "1 mm", "die_pitch": ["1.5 mm", "1.5 mm"],
        "fill": "lens", "street": "20 um",
        "instead": [
            {"die": "test", "sites": [[0, 0], [4, 0], [-4, 0], [0, 4], [0, -4], [8, 0], [0, 8], [0, -8]]},
            {"die": "wide", "sites": [[1, 0], [-1, 6]]},
            {"die": "hot", "sites": [[-1, 0]]},
        ],
        "marks": [{"kind": "cross", "arm": "100 um", "width": "10 um", "at": [["-12 mm", "0 mm"], ["12 mm", "0 mm"]]}],
    }  # fmt: skip
    data.update(changes)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "sites.yaml"
    path.write_text(yaml.safe_dump(data))
    return path


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Job:
    folder = tmp_path_factory.mktemp("sites")
    return build(load_recipe(recipe(folder, root)), folder / "jobs", verify=False)


def rows_of(job: Job, stage: str = "master") -> list[dict[str, str]]:
    with (job.folder / "sem_sites.csv").open(newline="") as file:
        next(file)
        return [row for row in csv.DictReader(file) if row["stage"] == stage]


def columns(job: Job, *, base_dose: bool = True) -> dict[str, FloatArray]:
    """Density, master, radius squared, write order and split of every site, from the job's two lists."""
    with (job.folder / "dies.csv").open(newline="") as file:
        dies = {(row["col"], row["row"]): k for k, row in enumerate(csv.DictReader(file))}
    rows = [row for row in rows_of(job) if row["die"] != "hot" or not base_dose]
    number = {key: np.array([float(row[key]) for row in rows]) for key in ("density", "master_nm", "split_nm", "x_mm", "y_mm")}  # fmt: skip
    order = np.array([dies[row["col"], row["row"]] for row in rows]) / (len(dies) - 1)
    return {
        "density": number["density"],
        "diameter": number["master_nm"],
        "radius": number["x_mm"] ** 2 + number["y_mm"] ** 2,
        "order": order,
        "split": number["split_nm"],
    }


def scaled(values: FloatArray) -> FloatArray:
    found: FloatArray = (values - (values.max() + values.min()) / 2) / (np.ptp(values) / 2)
    return found


def test_every_stage_has_the_same_thirty_sites_or_more(job: Job) -> None:
    stages = ["resist", "master", "imprint", "etch"]
    listed = [rows_of(job, stage) for stage in stages]
    assert len(listed[0]) >= 30
    for rows in listed[1:]:
        assert [{**row, "stage": ""} for row in rows] == [{**row, "stage": ""} for row in listed[0]]
    assert job.manifest["sem"]["sites"] == len(listed[0])
    places = {(row["x_mm"], row["y_mm"]) for row in listed[0]}
    assert len(places) == len(listed[0])  # no pillar twice


def test_the_condition_number_is_that_of_the_files_own_columns(job: Job) -> None:
    # D. A. Belsley, E. Kuh and R. E. Welsch, Regression Diagnostics (1980), from memory: columns of
    # unit length; 30 is where they call it serious
    found = {name: scaled(values) for name, values in columns(job).items()}
    found["product"] = found["density"] * found["diameter"]
    rows = np.stack([np.ones(len(found["density"])), *found.values()], axis=1)
    rows /= np.sqrt((rows**2).sum(axis=0))
    eigen = np.linalg.eigvalsh(rows.T @ rows)
    condition = math.sqrt(eigen[-1] / eigen[0])
    assert job.manifest["sem"]["condition"] == pytest.approx(condition, rel=2e-3)
    assert condition < 6
    assert job.manifest["sem"]["constant"] == []


def test_place_on_the_wafer_is_not_tied_to_size_or_density(job: Job) -> None:
    found = columns(job)
    for place in ("radius", "order"):
        for other in ("density", "diameter"):  # where splits stand, the recipe says
            assert abs(np.corrcoef(found[place], found[other])[0, 1]) < 0.2, (place, other)
    assert abs(np.corrcoef(found["radius"], found["order"])[0, 1]) < 0.2
    # fill and diameter go together in any lens; pads, edges and rims take them apart
    assert abs(np.corrcoef(found["density"], found["diameter"])[0, 1]) < 0.6


@pytest.mark.parametrize(
    ("effect", "most"), [("radius", 2.0), ("order", 2.0), ("diameter", 2.0), ("density", 3.2)]
)
def test_each_effect_is_known_nearly_as_well_as_if_it_were_the_only_one(
    job: Job, effect: str, most: float
) -> None:
    # Least squares: the variance of a coefficient is s^2 (X'X)^-1. Alone, and with half of the sites at
    # either end of its range, which no design can better, it is s^2 / n. A third of the sites stand inside
    # the lens, because that is what the light will see, and there density hardly varies.
    found = {name: scaled(values) for name, values in columns(job).items()}
    rows = np.stack([np.ones(len(found["density"])), *found.values()], axis=1)
    at = 1 + list(found).index(effect)
    error = math.sqrt(np.linalg.inv(rows.T @ rows)[at, at])
    assert error < most / math.sqrt(len(rows)), error * math.sqrt(len(rows))


def test_early_middle_and_late_dies_are_visited(job: Job) -> None:
    for kind in ("lens", "test"):
        rows = [row for row in rows_of(job) if row["die"] == kind]
        with (job.folder / "dies.csv").open(newline="") as file:
            dies = [(row["col"], row["row"]) for row in csv.DictReader(file)]
        third = np.array([3 * dies.index((row["col"], row["row"])) // len(dies) for row in rows])
        shares = np.bincount(third, minlength=3) / len(third)
        assert (shares > 0.1).all(), (kind, shares)
    radius = np.sqrt(columns(job)["radius"])
    assert radius.min() < 0.15 * radius.max()
    assert ((radius > 0.3 * radius.max()) & (radius < 0.8 * radius.max())).any()


def test_splits_are_there_and_do_not_crowd_out_the_lens(job: Job) -> None:
    rows = rows_of(job)
    share = {die: sum(row["die"] == die for row in rows) / len(rows) for die in ("lens", "wide", "hot", "test")}  # fmt: skip
    assert share["lens"] > 0.25
    assert 0.07 < share["wide"] < 0.2
    assert 0 < share["hot"] < 0.1
    assert all(float(row["split_nm"]) == 4 for row in rows if row["die"] == "wide")
    assert len({row["master_nm"] for row in rows if row["feature"] == "collimator"}) > 15


def test_a_lens_is_measured_from_its_axis_to_its_rim_and_not_in_its_collar(job: Job) -> None:
    radius = np.array(
        [float(r["lens_radius_um"]) for r in rows_of(job) if r["feature"] == "collimator"]
    )
    assert radius.max() <= 50  # aperture 100 um; the collar ends at 56
    assert radius.max() > 45
    assert radius.min() < 10


def test_the_edges_of_uniform_pads_give_the_same_size_at_half_of_the_density(job: Job) -> None:
    by_master: dict[str, list[float]] = {}
    for row in rows_of(job):
        if row["feature"] == "cd":
            by_master.setdefault(row["master_nm"], []).append(float(row["density"]))
    spans = [min(held) / max(held) for held in by_master.values() if len(held) > 1]
    # half a plane leaves half of the density (facts.md); the row's neighbours and ends shift it a little
    assert any(0.4 < span < 0.65 for span in spans)


def test_a_dies_order_and_the_number_of_workers_change_nothing(tmp_path: Path, root: Path) -> None:
    loaded = load_recipe(recipe(tmp_path, root))
    texts = {sem_csv_of(design(loaded, jobs=jobs), "hash") for jobs in (1, 2)}
    assert len(texts) == 1


@pytest.mark.parametrize(("scatter", "error", "count"), [(3.0, 0.5 / 1.96, 139), (3.0, 0.8, 15),
                                                         (0.5, 1.0, 1), (2.0, 1.0, 4)])  # fmt: skip
def test_pillars_a_site_follow_from_the_wanted_error(
    scatter: float, error: float, count: int
) -> None:
    # facts.md: a mean within 0.5 nm at 3 nm, 95 %: (1.96 sigma / E)^2 = 139
    assert pillars_per_site(scatter, error) == count


def site(
    density: float, master: float, x: int, y: int, order: float, split: float = 0.0
) -> SemSite:
    # each place is a die of its own
    return SemSite("d", x, y, x, y, "f", None, master, master, split, master, density, order, 1.0)


def test_a_full_factorial_has_condition_one() -> None:
    # every combination of two levels of each effect: orthogonal columns of equal length
    sites = [
        site(rho, d, x, 0, t, split)
        for rho in (0.1, 0.4) for d in (100.0, 300.0) for x in (1, 1000) for t in (0.0, 1.0)
        for split in (-2.0, 2.0)
    ]  # fmt: skip
    found = separation(sites)
    assert found.condition == pytest.approx(1, abs=1e-9)
    assert found.constant == ()
    assert set(found.effects) == {
        "density",
        "diameter",
        "radius",
        "order",
        "split",
        "density x diameter",
    }


def test_tied_effects_have_no_finite_condition() -> None:
    rng = np.random.default_rng(3)
    tied = [site(0.1 + 0.001 * d, d, int(x), 0, t) for d, x, t in zip(
        rng.uniform(100, 300, 40), rng.uniform(0, 1000, 40), rng.uniform(0, 1, 40), strict=True)]  # fmt: skip
    assert separation(tied).condition > 1e6
    assert separation(tied[:3]).condition == math.inf  # fewer sites than effects


def test_what_no_site_varies_is_told_and_left_out(tmp_path: Path, root: Path) -> None:
    path = recipe(
        tmp_path, root,
        dies={"lens": [{"lens": "collimator", "at": ["0 mm", "0 mm"]}]},
        wafer={"diameter": "1.5 mm", "die_pitch": ["1 mm", "1 mm"], "grid_offset": "die", "fill": "lens"},
    )  # fmt: skip
    found = check(load_recipe(path))
    assert found.ok
    assert found.sem["constant"] == ["radius", "order", "split"]
    assert found.sem["effects"] == ["density", "diameter", "density x diameter"]
    assert found.sem["condition"] < 30


def test_check_and_manifest_tell_the_same(job: Job, tmp_path: Path, root: Path) -> None:
    result = CliRunner().invoke(app, ["check", str(recipe(tmp_path, root)), "--json"])
    assert json.loads(result.stdout)["sem"] == job.manifest["sem"]
    text = CliRunner().invoke(app, ["check", str(recipe(tmp_path, root))]).output
    assert re.search(
        r"^sem +\d+ sites on \d+ dies, condition [\d.]+ for density, diameter", text, re.M
    )


def test_sites_of_the_base_dose_alone_count_for_the_condition(tmp_path: Path, root: Path) -> None:
    sites = sem_sites_of(design(load_recipe(recipe(tmp_path, root))))
    hot = [each for each in sites if each.dose != 1]
    assert hot
    assert {each.dose for each in hot} == {1.1}
    assert separation(sites) == separation([each for each in sites if each.dose == 1])


# --- pictures -------------------------------------------------------------------------------------


def moved(sentence: str) -> tuple[float, float]:
    """What a sentence of the way says to move by, in nm."""
    unit = {"mm": 1e6, "um": 1e3, "nm": 1.0}
    (x, ux), (y, uy) = re.findall(r"([+-][\d.]+) (mm|um|nm) along [xy]", sentence)
    return float(x) * unit[ux], float(y) * unit[uy]


@pytest.mark.parametrize("feature", ["collimator", "ladder", "d8", "cd"])
def test_the_way_leads_from_a_mark_to_the_pillar(job: Job, tmp_path: Path, feature: str) -> None:
    row = next(row for row in rows_of(job) if row["feature"] == feature)
    made = site_pictures(job, [row["site"]], tmp_path, pixels=900)
    (path,) = made.paths
    assert path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    told = made.facts[row["site"]]
    assert told["pillars"] == 15  # of the same drawn size, ringed in the picture
    x, y = np.sum([moved(sentence) for sentence in told["way"]], axis=0)
    x_nm, y_nm = float(row["x_mm"]) * 1e6, float(row["y_mm"]) * 1e6
    marks = [(-12e6, 0.0), (12e6, 0.0)]  # as in the recipe
    near = min(marks, key=lambda mark: math.hypot(mark[0] - x_nm, mark[1] - y_nm))
    assert (near[0] + x, near[1] + y) == pytest.approx((x_nm, y_nm), abs=1)


def test_columns_and_rows_are_counted_on_the_lattice(job: Job, tmp_path: Path) -> None:
    row = next(row for row in rows_of(job) if row["feature"] == "collimator")
    told = site_pictures(job, [row["site"]], tmp_path, pixels=900).facts[row["site"]]["way"][-1]
    cols, rows = re.findall(r"([\d.]+) (?:columns|rows)", told)
    # the axis stands between four pillars: half pitches of 400 nm
    assert math.hypot(float(cols), float(rows)) * 0.4 == pytest.approx(
        float(row["lens_radius_um"]), abs=1e-3
    )


def test_the_command_draws_and_refuses(job: Job, tmp_path: Path) -> None:
    run = CliRunner().invoke
    args = ["picture", str(job.folder), "--out", str(tmp_path / "pictures"), "--pixels", "900"]
    made = run(app, [*args, "--site", "1, S002", "--json"])
    assert made.exit_code == 0, made.output
    assert sorted(json.loads(made.stdout)["sites"]) == ["S001", "S002"]
    names = sorted(path.name for path in (tmp_path / "pictures").iterdir())
    assert names == [f"{job.title}-S001.png", f"{job.title}-S002.png"]
    for extra, words in ((["--site", "S999"], "want a site of sem_sites.csv, S001 to S072, got 'S999'"),
                         (["--site", "1", "--die", "lens"], "got it with more")):  # fmt: skip
        result = run(app, [*args, *extra])
        assert result.exit_code == 2
        assert words in result.output


def test_equal_input_draws_equal_pictures(job: Job, tmp_path: Path) -> None:
    (one,) = site_pictures(job, ["S001"], tmp_path / "a", pixels=900).paths
    (two,) = site_pictures(job, ["S001"], tmp_path / "b", pixels=900).paths
    assert one.read_bytes() == two.read_bytes()


def test_a_list_of_another_layout_is_refused(job: Job, tmp_path: Path) -> None:
    copy = tmp_path / job.folder.name
    copy.mkdir()
    for path in job.folder.iterdir():
        if path.is_file():
            (copy / path.name).write_bytes(path.read_bytes())
    (copy / "tables").symlink_to(job.folder / "tables")
    text = (copy / "sem_sites.csv").read_text().splitlines()
    cells = text[2].split(",")
    cells[5] = f"{float(cells[5]) + 0.0001:.7f}"  # 100 nm to the right: between pillars
    (copy / "sem_sites.csv").write_text("\n".join([*text[:2], ",".join(cells)]) + "\n")
    with pytest.raises(InputError, match="want a pillar at its place"):
        site_pictures(copy, ["S001"], tmp_path / "pictures", pixels=900)
