"""The first bias table: against closed forms, against the model between its nodes, and through a build."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import erfinv
from typer.testing import CliRunner

from layoutgen.cli import app
from layoutgen.errors import InputError
from layoutgen.exposure.bias import BiasTable
from layoutgen.exposure.resist import ExposureModel
from layoutgen.exposure.seed import feedback, seed_table, trial_table
from layoutgen.lattice import Lattice
from layoutgen.pipeline.build import build
from layoutgen.pipeline.seed import seed_bias
from layoutgen.recipe.load import load_recipe
from layoutgen.recipe.model import Exposure
from layoutgen.recipe.tables import read_bias

SQUARE = Lattice("square", 400, 400, "gap")
WriteRecipe = Callable[..., Path]


def exposure(**changes: Any) -> Exposure:
    keys: dict[str, Any] = {
        "forward_range": "18 nm",
        "backscatter": [{"term": "gaussian", "range": "9 um", "ratio": 0.7}],
        "reference": {"density": 0.25, "diameter": "200 nm"},
    }
    if changes.get("exposed") == "background":
        keys["frame_width"] = "20 um"
    return Exposure.model_validate(keys | changes)


def model(lattice: Lattice = SQUARE, **changes: Any) -> ExposureModel:
    return ExposureModel.of(exposure(**changes), lattice, 1.0, squares=False)


# --- the table ------------------------------------------------------------------------------------


def test_a_wide_pillar_gets_the_bias_of_a_straight_edge() -> None:
    # The edge of a half plane moves to where (1 + erf(x / alpha)) / 2 + eta rho is what it was at the
    # reference (facts.md, half plane): x = alpha erfinv(2 eta (rho_ref - rho)), on both sides.
    wide = Lattice("square", 80_000, 80_000, "gap")
    m = model(wide, reference={"density": 0.25, "diameter": "40 um"})
    made = seed_table(m, (0.05, 0.45), (39_900.0, 40_100.0)).table
    density = np.array([0.1, 0.25, 0.4])
    closed = 2 * 18 * erfinv(2 * 0.7 * (0.25 - density))
    # the curvature of 40 um is worth alpha^2 / R = 0.02 nm, and the table is read bilinearly
    np.testing.assert_allclose(made(density, np.array(40_000.0)), closed, atol=0.06)


@pytest.mark.parametrize(("exposed", "sign"), [("shapes", -1), ("background", 1)])
def test_the_bias_falls_with_density_and_rises_where_the_background_is_exposed(
    exposed: str, sign: int
) -> None:
    m = model(exposed=exposed)
    made = seed_table(m, (0.1, 0.4), (120.0, 310.0)).table
    steps = np.diff(made.bias_nm, axis=0) / np.diff(made.densities)[:, None]
    assert (
        sign * steps > 20
    ).all()  # 2 sqrt(pi) alpha eta = 45 nm per unit of density at least nearly
    assert float(made(np.array(0.25), np.array(200.0))) == pytest.approx(0, abs=1e-4)
    # monotone along every diameter, and smooth: slopes change by little from node to node
    slopes = np.diff(made.bias_nm, axis=1)
    assert ((slopes > 0).all(axis=1) | (slopes < 0).all(axis=1)).all()
    assert np.abs(np.diff(steps, axis=0)).max() < 0.2 * np.abs(steps).max()


@pytest.mark.parametrize(("alpha", "exposed"), [("18 nm", "shapes"), ("35 nm", "shapes"),
                                                ("18 nm", "background"), ("90 nm", "shapes")])  # fmt: skip
def test_between_its_nodes_the_table_prints_masters_within_what_it_says(
    alpha: str, exposed: str
) -> None:
    m = model(forward_range=alpha, exposed=exposed)
    found = seed_table(m, (0.15, 0.4), (130.0, 250.0))
    assert found.interpolation_error_nm < 0.1
    rng = np.random.default_rng(4)
    density, master = rng.uniform(0.15, 0.4, 60), rng.uniform(130, 250, 60)
    drawn = master + found.table(density, master)
    exact = m.drawn_nm(density, master)
    off = np.abs(drawn - exact)
    # an error halfway between nodes is the largest of a cell, but for what the fourth order adds
    assert off.max() < 1.1 * found.interpolation_error_nm + 1e-4
    np.testing.assert_allclose(m.printed_nm(density, exact), master, atol=1e-5)


def test_the_nodes_are_round_and_reach_beyond_what_is_held() -> None:
    made = seed_table(model(), (0.213, 0.347), (123.4, 287.6)).table
    assert made.densities[0] <= 0.213 - 0.05
    assert made.densities[-1] >= 0.347 + 0.05
    assert made.diameters_nm[0] <= 113.4
    assert made.diameters_nm[-1] >= 297.6
    for nodes, unit in ((made.densities, 0.005), (made.diameters_nm, 1.0)):
        np.testing.assert_allclose(nodes / unit, np.round(nodes / unit), atol=1e-9)
        assert np.ptp(np.diff(nodes)) < 1e-9


@pytest.mark.parametrize(
    ("held", "step"),
    [((0.05, 0.3), 0.1), ((0.3, 0.6), 0.05), ((0.1, 0.8), 0.02), ((0.1, 0.85), 0.01),
     ((0.5, 0.89), 0.005)],
)  # fmt: skip
def test_a_table_is_no_finer_than_it_must_be(held: tuple[float, float], step: float) -> None:
    found = seed_table(model(), held, (180.0, 220.0))
    densities, sizes = found.table.densities, found.table.diameters_nm
    np.testing.assert_allclose(np.diff(densities), step, atol=1e-12)
    assert found.interpolation_error_nm <= 0.05
    # nodes of the next longer step: the straight line between two of them misses the model by too much
    longer = {0.05: 0.1, 0.02: 0.05, 0.01: 0.02, 0.005: 0.01}.get(step)
    if longer is not None:
        low = np.arange(held[0] - longer, held[1] - longer / 2, longer)
        ends = np.stack([low, low + longer / 2, low + longer])
        first, middle, last = model().drawn_nm(ends[..., None], sizes[None, None, :])
        assert np.abs((first + last) / 2 - middle).max() > 0.04


def test_a_margin_that_cannot_print_is_left_out_and_what_is_held_is_not() -> None:
    # needed forward dose at rho: 0.474 + 0.7 (0.25 - rho), which is 0 at rho 0.928
    made = seed_table(model(), (0.5, 0.9), (150.0, 250.0)).table
    assert 0.9 <= made.densities[-1] < 0.928
    assert np.isfinite(made.bias_nm).all()
    # no other margin pays for it
    assert made.densities[0] <= 0.45
    assert made.diameters_nm[0] <= 140.0
    assert made.diameters_nm[-1] >= 260.0
    with pytest.raises(
        ValueError, match=r"want a base dose at which 150 nm can be printed at density 0\.95"
    ):
        seed_table(model(), (0.5, 0.95), (150.0, 250.0))


@pytest.mark.parametrize(
    ("reference", "density", "cause"),
    [
        ({"density": 1.0, "diameter": "200 nm"}, 0.1, "dose is too low"),
        ({"density": 0.0, "diameter": "60 nm"}, 0.7, "background is too strong"),
    ],
)
def test_a_reference_far_from_the_layout_is_refused_with_the_cause(
    reference: dict[str, Any], density: float, cause: str
) -> None:
    with pytest.raises(ValueError, match=cause):
        seed_table(model(reference=reference), (density, density + 0.1), (120.0, 300.0))


def test_the_trial_table_settles_whatever_the_reference() -> None:
    for reference in (
        {"density": 1.0, "diameter": "200 nm"},
        {"density": 0.25, "diameter": "200 nm"},
    ):
        trial = trial_table(model(reference=reference), (120.0, 310.0), 400.0**2)
        assert np.isfinite(trial.bias_nm).all()
        assert feedback(trial, (0.0, 1.0), (120.0, 310.0), 400.0**2) < 0.5


def test_feedback_is_the_slope_of_the_fill() -> None:
    # fill = pi drawn^2 / (4 p^2); 10 nm of bias per unit of density change it by pi drawn 10 / (2 p^2)
    made = seed_table(model(), (0.2, 0.3), (199.0, 201.0)).table
    slope = float(made(np.array(0.2), np.array(200.0)) - made(np.array(0.3), np.array(200.0))) / 0.1
    found = feedback(made, (0.2, 0.3), (200.0, 200.0), 400.0**2)
    assert found == pytest.approx(math.pi * 200 * slope / (2 * 400**2), rel=0.05)


def test_feedback_goes_by_the_drawn_size() -> None:
    # bias from -30 to -50 nm over all densities: at 200 nm drawn 160 nm in the middle of the range
    falling = BiasTable(
        np.array([0.0, 1.0]), np.array([100.0, 300.0]), np.array([[-30.0, -30], [-50, -50]])
    )
    found = feedback(falling, (0.499, 0.501), (200.0, 200.0), 400.0**2)
    assert found == pytest.approx(math.pi * 160 * 20 / (2 * 400**2), rel=1e-3)


# --- the command ----------------------------------------------------------------------------------


def seeded(small_recipe: WriteRecipe, tmp_path: Path, **changes: Any) -> tuple[Path, Path]:
    """A recipe, and the table that was made for it."""

    def change(data: dict[str, Any]) -> None:
        data["exposure"].update(changes)
        del data["exposure"]["bias_table"]

    recipe = small_recipe(change)
    table = tmp_path / "first.csv"
    seed_bias(load_recipe(recipe), table)
    return recipe, table


@pytest.mark.parametrize("exposed", ["shapes", "background"])
def test_what_is_built_with_the_table_prints_to_size(
    small_recipe: WriteRecipe, tmp_path: Path, exposed: str
) -> None:
    extra: dict[str, Any] = {}
    if exposed == "background":
        extra = {
            "exposed": "background", "frame_width": "10 um",
            "reference": {"density": 0.7, "diameter": "200 nm"},
        }  # fmt: skip
    _, table = seeded(small_recipe, tmp_path, **extra)

    def change(data: dict[str, Any]) -> None:
        data["exposure"].update(extra, bias_table="first.csv")

    job = build(load_recipe(small_recipe(change)), tmp_path / "jobs")
    lens = job.manifest["lenses"]["dot"]
    assert lens["clamped"] == 0
    with (job.folder / "sem_sites.csv").open(newline="") as file:
        next(file)
        sites = [row for row in csv.DictReader(file) if row["stage"] == "master"]
    assert len(sites) >= 20
    density, drawn, master = (
        np.array([float(row[key]) for row in sites]) for key in ("density", "drawn_nm", "master_nm")
    )
    held = read_bias(table.read_bytes(), "first.csv")
    assert held.densities[0] < density.min()
    assert density.max() < held.densities[-1]
    printed = model(**extra).printed_nm(density, drawn)
    # half a ladder step of 1 nm, printed a little amplified, and 0.1 nm for the table
    assert np.abs(printed - master).max() < 0.7
    assert abs(float(np.mean(printed - master))) < 0.2
    # drawn as they are, the same masters would be off by many times that
    assert np.abs(model(**extra).printed_nm(density, master) - master).max() > 2


def test_the_table_says_what_it_was_made_from(small_recipe: WriteRecipe, tmp_path: Path) -> None:
    recipe, table = seeded(small_recipe, tmp_path)
    data = read_bias(table.read_bytes(), "first.csv")
    assert data.bias_nm.shape == (len(data.densities), len(data.diameters_nm))
    assert data.header["reference"] == "{density: 0.25, diameter: 200 nm}"
    assert data.header["backscatter"] == "[{term: gaussian, range: 9000 nm, ratio: 0.7}]"
    assert data.header["forward_range"] == "18 nm"
    assert data.header["recipe"].startswith(f"{recipe.name}, sha256 ")
    assert float(data.header["interpolation_error"].removesuffix(" nm")) < 0.1


@pytest.mark.parametrize("named", ["not-there.csv", "empty.csv", "header.csv", "bias.csv", None])
def test_the_recipes_own_table_is_not_asked(
    small_recipe: WriteRecipe, tmp_path: Path, named: str | None
) -> None:
    (tmp_path / "empty.csv").write_text("")
    (tmp_path / "header.csv").write_text("density,diameter_nm,bias_nm\n")

    def change(data: dict[str, Any]) -> None:
        data["exposure"]["bias_table"] = named
        if named is None:
            del data["exposure"]["bias_table"]

    out = tmp_path / "out.csv"
    result = CliRunner().invoke(
        app, ["seed-bias", str(small_recipe(change)), "--out", str(out), "--json"]
    )
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["nodes"] == len(found["densities"]) * len(found["diameters_nm"])
    assert found["interpolation_error_nm"] < 0.1
    data = read_bias(out.read_bytes(), "out.csv")
    low, high = found["held"]["density"]
    assert data.densities[0] < low < high < data.densities[-1]


def test_a_table_is_never_written_over(small_recipe: WriteRecipe, tmp_path: Path) -> None:
    recipe, table = seeded(small_recipe, tmp_path)
    before = table.read_bytes()
    assert seed_bias(load_recipe(recipe), table).existed  # the same bytes are said to be there
    table.write_bytes(before + b"# measured since\n")
    with pytest.raises(InputError, match="another file; it was left as it is"):
        seed_bias(load_recipe(recipe), table)
    assert table.read_bytes() == before + b"# measured since\n"
    with pytest.raises(InputError, match="got a folder"):
        seed_bias(load_recipe(recipe), tmp_path)
    assert not list(tmp_path.glob(".first.csv*"))


def test_each_missing_part_of_the_model_gets_a_sentence(
    small_recipe: WriteRecipe, tmp_path: Path
) -> None:
    def change(data: dict[str, Any]) -> None:
        data["exposure"] = {}

    with pytest.raises(InputError) as caught:
        seed_bias(load_recipe(small_recipe(change)), tmp_path / "out.csv")
    told = [problem.split(": ")[1] for problem in caught.value.problems]
    assert told == ["exposure.forward_range", "exposure.backscatter", "exposure.reference"]
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"forward_range": "18 um"}, "want a forward_range below the pitch, 400 nm, got 18000 nm"),
        ({"reference": {"density": 1.0, "diameter": "200 nm"}}, "one set at density 1"),
        ({"reference": {"density": 0.25, "diameter": "2 nm"}}, "want a reference that prints"),
    ],
)
def test_a_model_that_cannot_print_the_layout_is_refused_and_nothing_written(
    small_recipe: WriteRecipe, tmp_path: Path, changes: dict[str, Any], words: str
) -> None:
    out = tmp_path / "out.csv"

    def change(data: dict[str, Any]) -> None:
        data["exposure"].update(changes)

    result = CliRunner().invoke(app, ["seed-bias", str(small_recipe(change)), "--out", str(out)])
    assert result.exit_code == 2
    assert words in result.output
    assert not out.exists()


def test_what_does_not_fit_the_table_is_told(small_recipe: WriteRecipe, tmp_path: Path) -> None:
    def change(data: dict[str, Any]) -> None:
        data["pillars"]["ladder"] = {"min": "120 nm", "max": "310 nm", "step": "1 nm"}
        data["exposure"]["reference"] = {"density": 0.5, "diameter": "1 um"}

    found = seed_bias(load_recipe(small_recipe(change)), tmp_path / "out.csv")
    assert any("beyond the ladder of 120 to 310 nm" in warning for warning in found.warnings)
    assert any("taken as a shape without neighbours" in warning for warning in found.warnings)
