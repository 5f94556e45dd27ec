"""Pictures show what is in the layout file: counted and measured on the PNG, or read by klayout."""

from __future__ import annotations

import csv
import json
import math
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.measure
from matplotlib.image import imread
from scipy.ndimage import correlate1d
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import InputError, VerifyError
from layoutgen.pipeline.picture import job_names
from layoutgen.review.maps import QUANTITIES, lens_map
from layoutgen.review.picture import SHAPE, length
from tests.e2e_recipes import Recipe, klayout_pillars, write

#: Left, bottom, width, height of the plot, as shares of a picture.
PLOT = (0.085, 0.09, 0.72, 0.80)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("picture")
    return lg.build(lg.load_recipe(write(folder)), folder / "out", verify=False)


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Any:
    def mirrored(recipe: Recipe) -> None:
        recipe["replication"]["transfers"] = "odd"
        recipe["lenses"][0]["phase"].append(
            {"kind": "tilt", "angle": "3 deg", "direction": "0 deg"}
        )

    folder = tmp_path_factory.mktemp("odd")
    path = write(folder, change=mirrored)
    return lg.build(lg.load_recipe(path), folder / "out", verify=False)


def dies(job: Any) -> list[dict[str, str]]:
    return list(csv.DictReader((job.folder / "dies.csv").read_text().splitlines()))


def plot_pixels(path: Path, width: float, height: float) -> tuple[Any, float]:
    """The plot of a picture, (rows, cols, 3) with row 0 at the bottom, and its pixels a unit.

    The plot keeps the aspect of the window in the middle of its frame.
    """
    image = imread(path)[::-1, :, :3]
    rows, cols = image.shape[:2]
    left, bottom, across, up = PLOT[0] * cols, PLOT[1] * rows, PLOT[2] * cols, PLOT[3] * rows
    scale = min(across / width, up / height)
    x0 = left + (across - width * scale) / 2
    y0 = bottom + (up - height * scale) / 2
    inner = image[
        math.ceil(y0) + 2 : math.floor(y0 + height * scale) - 2,
        math.ceil(x0) + 2 : math.floor(x0 + width * scale) - 2,
    ]
    return inner, scale


# --- windows --------------------------------------------------------------------------------------


def test_pillars_on_the_png_have_the_diameters_of_the_file(job: Any, tmp_path: Path) -> None:
    path = tmp_path / "w.png"
    # no pillar stands on the edge: the die's axis lies between sites, 400 nm apart
    made = lg.picture(job, path, die="lens", at="2 um, 1.2 um", size="8 um", pixels=1600)
    inner, scale = plot_pixels(path, 8.0, 8.0)
    ink = inner.min(axis=2) < 0.97
    measure: Any = skimage.measure
    regions = [r for r in measure.regionprops(measure.label(ink)) if r.area > 20]
    die = made.facts["die"]
    row = next(d for d in dies(job) if (int(d["col"]), int(d["row"])) == (die["col"], die["row"]))
    x, y = (round(float(row[key]) * 1e6) for key in ("x_mm", "y_mm"))
    box = (x - 2000, y - 2800, x + 6000, y + 5200)
    expected = klayout_pillars(job.layout("gdsii"), box)
    assert made.facts["polygons"] == len(expected) == 400
    assert len(regions) == 400
    seen = sorted(math.sqrt(4 * r.area / math.pi) / scale * 1e3 for r in regions)
    # an edge pixel that is half covered counts as whole: up to a pixel more across
    wanted = np.array(sorted(size for _, _, size in expected))
    assert np.all(np.abs(np.array(seen) - wanted - 0.6e3 / scale) < 1.0e3 / scale)


def test_facts_of_a_window_are_those_of_klayout(job: Any, tmp_path: Path) -> None:
    for form in ("oasis", "gdsii"):
        made = lg.picture(
            job, tmp_path / "w.png", die="hot", size="6 um, 4 um", form=form, pixels=700
        )
        x0, y0, x1, y1 = (round(v * 1e6) for v in made.facts["box_mm"])
        assert (x1 - x0, y1 - y0) == (6000, 4000)
        expected = Counter(
            round(size, 3) for _, _, size in klayout_pillars(job.layout("gdsii"), (x0, y0, x1, y1))
        )
        found = {s["diameter_nm"]: s["count"] for s in made.facts["sizes"]}
        assert found == expected
        # what the manifest says was drawn is what the polygon's area says, to the address grid
        for size in made.facts["sizes"]:
            assert abs(size["drawn_nm"] - size["diameter_nm"]) < 0.6
        assert made.facts["die"]["name"] == "hot"
        assert list(made.facts["layers"]) == ["1/101"]  # the dose split's own datatype


def test_a_window_too_full_to_draw_shows_its_cover(
    job: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from layoutgen.review import picture

    monkeypatch.setattr(picture, "MAX_DRAWN", 2000)
    made = lg.picture(job, tmp_path / "d.png", die="lens", size="60 um", pixels=700)
    assert made.facts["polygons"] is None
    # octagons of known size: their area over the window's
    x0, y0, x1, y1 = (round(v * 1e6) for v in made.facts["box_mm"])
    area = sum(
        math.pi / 4 * size**2
        for _, _, size in klayout_pillars(job.layout("gdsii"), (x0, y0, x1, y1))
    )
    assert made.facts["covered"] == pytest.approx(area / 60_000**2, rel=2e-3)


def test_a_street_is_empty_and_drawn_all_the_same(job: Any, tmp_path: Path) -> None:
    made = lg.picture(
        job, tmp_path / "s.png", die="lens", at="80 um, 0 um", size="5 um", pixels=700
    )
    assert made.facts["polygons"] == 0
    assert made.facts["sizes"] == []
    assert (tmp_path / "s.png").stat().st_size > 1000


def test_same_job_same_picture(job: Any, tmp_path: Path) -> None:
    for name in ("a", "b"):
        lg.picture(job, tmp_path / f"{name}.png", die="lens", size="5 um", pixels=700)
        lg.picture(job, tmp_path / f"wafer-{name}.png", pixels=700)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "wafer-a.png").read_bytes() == (tmp_path / "wafer-b.png").read_bytes()
    assert b"matplotlib" not in (tmp_path / "a.png").read_bytes().lower()


@pytest.mark.parametrize("pixels", [600, 1100])
def test_pictures_are_as_wide_as_asked(job: Any, tmp_path: Path, pixels: int) -> None:
    lg.picture(job, tmp_path / "w.png", pixels=pixels)
    rows, cols = imread(tmp_path / "w.png").shape[:2]
    assert cols == pixels
    assert abs(rows - pixels * SHAPE[1] / SHAPE[0]) <= 1


# --- the wafer ------------------------------------------------------------------------------------


def test_each_die_on_the_png_has_its_kinds_colour(job: Any, tmp_path: Path) -> None:
    path = tmp_path / "wafer.png"
    lg.picture(job, path, pixels=1600)
    across = 1.2 * 1.02  # mm: the wafer and a little more
    inner, scale = plot_pixels(path, across, across)
    kinds = list(dict.fromkeys(die["die"] for die in dies(job)))
    seen: dict[str, set[str]] = {kind: set() for kind in kinds}
    # Okabe and Ito's palette as published, in its order
    palette = ["#56B4E9", "#E69F00", "#009E73", "#CC79A7"]
    colours = np.array([[int(c[k : k + 2], 16) / 255 for k in (1, 3, 5)] for c in palette])
    for die in dies(job):
        # beside the corner of the square: no part stands there, and a hatch leaves most of it free
        x, y = float(die["x_mm"]) + 0.09, float(die["y_mm"]) - 0.09
        col, row = (round((v + across / 2) * scale - 2) for v in (x, y))
        patch = inner[row - 6 : row + 7, col - 6 : col + 7].reshape(-1, 3)
        distance = np.abs(patch[:, None, :] - colours[None]).sum(axis=2)
        votes = np.bincount(distance.argmin(axis=1)[distance.min(axis=1) < 0.15], minlength=4)
        seen[die["die"]].add(palette[int(votes.argmax())])
    assert [seen[kind] for kind in kinds] == [{colour} for colour in palette]


def test_a_die_that_is_not_in_the_file_is_told(job: Any, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    lines = (copy / "dies.csv").read_text().splitlines()
    moved = lines[3].split(",")
    moved[3] = f"{float(moved[3]) + 0.001:.7f}"
    (copy / "dies.csv").write_text("\n".join([*lines[:3], ",".join(moved), *lines[4:]]) + "\n")
    with pytest.raises(VerifyError) as error:
        lg.picture(copy, tmp_path / "w.png")
    assert len(error.value.problems) == 2
    assert "in the layout file, got none at" in error.value.problems[0]
    assert "want every die of the layout file" in error.value.problems[1]


def test_names_from_tables_are_never_read_as_formulas(job: Any, tmp_path: Path) -> None:
    # matplotlib reads text between dollars as TeX-like mathematics, and fails where it is none
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    text = (copy / "dies.csv").read_text().replace("hot,", "$\\frac{,").replace("wide,", "a$b$c,")
    (copy / "dies.csv").write_text(text)
    lg.picture(copy, tmp_path / "w.png", pixels=700)
    lg.picture(copy, tmp_path / "d.png", die="a$b$c", pixels=700)


# --- maps over a lens -----------------------------------------------------------------------------


def site_values(job: Any, quantity: str, die: str = "lens") -> dict[tuple[int, int], float]:
    """A map at one site a pixel, by the site's place from the lens's axis in nm."""
    from layoutgen.pipeline.design import design
    from layoutgen.pipeline.facts import plain_variants

    loaded = lg.load_recipe(job.folder / "recipe.yaml")
    wafer = design(loaded)
    variant = next(v for v in plain_variants(wafer).values() if v.design.kind == "lens")
    found = lens_map(
        quantity, variant.design, variant.part, variant.coder,
        um_per_dbu=1e-3, mirrored=loaded.recipe.mirrored, pixels=1000,
    )  # fmt: skip
    assert found.sites == (1, 1)
    x0, y0, x1, y1 = found.box_um
    rows, cols = found.values.shape
    xs = np.round((x0 + (np.arange(cols) + 0.5) * (x1 - x0) / cols) * 1e3).astype(int)
    ys = np.round((y0 + (np.arange(rows) + 0.5) * (y1 - y0) / rows) * 1e3).astype(int)
    return {
        (int(xs[i]), int(ys[j])): float(found.values[j, i])
        for j, i in np.argwhere(np.isfinite(found.values)).tolist()
    }


def lens_pillars(job: Any) -> dict[tuple[int, int], float]:
    """Diameter of each pillar of the plain lens, from klayout, by its place from the axis."""
    names = job_names(job, lg.load_recipe(job.folder / "recipe.yaml"))
    # outside the zone whose bias is added to every lens
    die = next(d for d in names.dies if d.name == "lens" and math.hypot(d.x, d.y) > 151_000)
    box = (die.x - 21_000, die.y - 21_000, die.x + 21_000, die.y + 21_000)
    return {
        (int(x - die.x), int(y - die.y)): d for x, y, d in klayout_pillars(job.layout("gdsii"), box)
    }


@pytest.mark.parametrize("name", ["job", "odd"])
def test_map_of_drawn_diameters_is_that_of_the_layout_file(
    name: str, request: pytest.FixtureRequest
) -> None:
    built = request.getfixturevalue(name)
    found, expected = site_values(built, "drawn"), lens_pillars(built)
    assert found.keys() == expected.keys()
    # the address grid misses a drawn diameter by a little
    worst = max(abs(found[place] - expected[place]) for place in found)
    assert worst < 0.6


@pytest.mark.parametrize("name", ["job", "odd"])
def test_map_of_phase_error_follows_from_the_textbook_phase(
    name: str, request: pytest.FixtureRequest
) -> None:
    # hyperbolic phase of Aieta et al., Nano Lett. 12, 4932 (2012), plus 2 pi x sin(3 deg) / lambda;
    # the library's phase is a straight line from 110 to 320 nm
    built = request.getfixturevalue(name)
    error, target = site_values(built, "phase-error"), site_values(built, "target")
    offset = built.manifest["lenses"]["dot"]["phase_offset_rad"]
    flip = -1 if built.manifest["mirrored"] else 1
    tilt = math.sin(math.radians(3)) if built.manifest["mirrored"] else 0.0
    wave, focal = 0.94, 80.0
    for (x, y), value in error.items():
        r2, px = (x**2 + y**2) * 1e-6, flip * x * 1e-3
        wanted = -2 * math.pi / wave * (math.sqrt(r2 + focal**2) - focal - tilt * px)
        given = 2 * math.pi * (target[x, y] - 110) / 210
        off = (given - wanted - offset + math.pi) % (2 * math.pi) - math.pi
        # a bin of the phase table is 2 pi / 65536 wide
        assert value == pytest.approx(abs(off), abs=2e-4), (x, y)


def test_map_of_bias_is_drawn_less_master(job: Any) -> None:
    bias, drawn, target = (site_values(job, q) for q in ("bias", "drawn", "target"))
    # biases of the replication steps: 4 nm and -6 nm, so the master is 2 nm larger than the target
    for place, value in bias.items():
        assert value == pytest.approx(drawn[place] - (target[place] + 2), abs=1e-9)


def test_map_of_density_is_the_sum_over_the_layout_file(job: Any) -> None:
    # the definition: exposed area convolved with exp(-r^2/b^2) / (pi b^2), b = 9 um, here as a sum over
    # the pillars that klayout finds around a lens, neighbours' included
    found = site_values(job, "density")
    names = job_names(job, lg.load_recipe(job.folder / "recipe.yaml"))
    die = next(d for d in names.dies if d.name == "lens" and math.hypot(d.x, d.y) > 151_000)
    box = (die.x - 70_000, die.y - 70_000, die.x + 70_000, die.y + 70_000)
    pillars = np.array(klayout_pillars(job.layout("gdsii"), box))
    for place in [(200, 200), (10_200, -200), (-13_800, 13_800), (19_800, 200), (-200, -15_000)]:
        at = min(found, key=lambda p: math.hypot(p[0] - place[0], p[1] - place[1]))
        r2 = (pillars[:, 0] - die.x - at[0]) ** 2 + (pillars[:, 1] - die.y - at[1]) ** 2
        weight = np.exp(-r2 / 9000**2) / (math.pi * 9000**2)
        # 5e-4: the accuracy that densities are held to; drawn sizes are rounded to the nanometre
        assert found[at] == pytest.approx(
            float((weight * math.pi / 4 * pillars[:, 2] ** 2).sum()), abs=1.5e-3
        )


def test_a_coarse_map_averages_its_sites_and_their_neighbours(job: Any) -> None:
    from layoutgen.pipeline.design import design
    from layoutgen.pipeline.facts import plain_variants

    loaded = lg.load_recipe(job.folder / "recipe.yaml")
    variant = next(v for v in plain_variants(design(loaded)).values() if v.design.kind == "lens")
    coarse = lens_map(
        "drawn", variant.design, variant.part, variant.coder,
        um_per_dbu=1e-3, mirrored=False, pixels=20,
    )  # fmt: skip
    assert coarse.sites == (5, 5)
    x0, y0, _, _ = coarse.box_um
    sums, counts = np.zeros(coarse.values.shape), np.zeros(coarse.values.shape)
    for (x, y), value in site_values(job, "drawn").items():
        at = math.floor(y / 2000 - y0 / 2), math.floor(x / 2000 - x0 / 2)
        sums[at] += value
        counts[at] += 1
    held = counts > 0
    for axis in (0, 1):
        sums, counts = (
            correlate1d(each, [0.25, 0.5, 0.25], axis=axis, mode="constant")
            for each in (sums, counts)
        )
    assert np.array_equal(np.isfinite(coarse.values), held)
    np.testing.assert_allclose(
        coarse.values[held], (sums / np.maximum(counts, 1e-9))[held], atol=1e-9
    )


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_map_is_drawn(job: Any, tmp_path: Path, quantity: str) -> None:
    made = lg.picture(job, tmp_path / "m.png", quantity=quantity, pixels=700)
    assert made.facts["lowest"] <= made.facts["mean"] <= made.facts["highest"]
    assert (tmp_path / "m.png").stat().st_size > 5000


def test_a_map_on_a_die_holds_its_split(job: Any, tmp_path: Path) -> None:
    plain = lg.picture(job, tmp_path / "m.png", quantity="bias", pixels=700).facts
    wide = lg.picture(job, tmp_path / "n.png", quantity="bias", die="-1,1", pixels=700).facts
    # +4 nm split; the die stands outside the zone
    assert wide["mean"] - plain["mean"] == pytest.approx(4.0, abs=0.2)


# --- the command ----------------------------------------------------------------------------------


REFUSED = [
    (["--size", "0 um"], "--size: want lengths above 0"),
    (["--size", "10"], "--size: want a length such as"),
    (["--size", "1 um, 2 um, 3 um"], "--size: want two lengths"),
    (["--at", "1 mm"], "--at: want two lengths such as"),
    (["--at", "9 mm, 0 mm"], "want a place on the layout"),
    (["--at", "1e9 m, 0 mm"], "want a window on the layout"),
    (["--at", "0 mm, 0 mm", "--size", "0.1 nm"], "want at least one database unit"),
    (["--die", "moon"], "want a die of the wafer, by its name (lens, hot, test, wide)"),
    (["--die", "77,77"], "want a die of the wafer"),
    (["--out", "picture.gif"], "want a file that ends in .png"),
    (["--out", "/nowhere/at/all.png"], "want a place for a picture"),
    (["--file", "dxf"], "want one of oasis, gdsii"),
    (["--map", "colour"], "want one of target, drawn, bias, density, phase-error"),
    (["--map", "bias", "--lens", "none"], "want one of dot"),
    (["--map", "bias", "--die", "test"], "want a die that holds lens dot"),
    (["--lens", "dot"], "want it together with --map"),
    (["--pixels", "20"], "want 600 to 6000, got 20"),
]


@pytest.mark.parametrize(("options", "sentence"), REFUSED, ids=lambda v: str(v)[:40])
def test_what_cannot_be_drawn_is_refused_in_a_sentence(
    job: Any, tmp_path: Path, options: list[str], sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["picture", str(job.folder), *options])
    assert done.exit_code == 2
    assert sentence in done.output
    assert not list(tmp_path.iterdir())


def test_the_command_names_its_picture_and_prints_facts(
    job: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(
        app, ["picture", str(job.folder), "--die", "0,1", "--pixels", "700", "--json"]
    )
    assert done.exit_code == 0
    facts = json.loads(done.output)
    assert facts["picture"] == "full-A-test-die.png"
    assert facts["die"] == {"name": "test", "col": 0, "row": 1}
    assert (tmp_path / "full-A-test-die.png").is_file()


def test_a_job_of_another_version_has_no_map(job: Any, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    manifest = json.loads((copy / "manifest.json").read_text())
    (copy / "manifest.json").write_text(json.dumps(manifest | {"job": "0" * 64}))
    with pytest.raises(InputError, match="want the recipe, tables and version"):
        lg.picture(copy, tmp_path / "m.png", quantity="bias")


def test_lengths_read_in_the_unit_that_suits() -> None:
    assert [length(v) for v in (2e7, 5e4, 500.0, 0.5)] == ["20 mm", "50 um", "500 nm", "0.5 nm"]
