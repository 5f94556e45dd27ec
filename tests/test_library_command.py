"""`layoutgen library`: from a spec to a table that a recipe takes, and a picture of it."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.optics.library import STEEPEST_PER_NM
from layoutgen.pipeline import library as libraries
from layoutgen.pipeline.response_cache import cache_folder
from layoutgen.recipe.load import load_recipe
from layoutgen.recipe.tables import read_library

RUNNER = CliRunner()
Data = dict[str, Any]


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Nothing is read from, or left in, the cache of whoever runs the tests."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    return folder


def spec(folder: Path, change: Callable[[Data], Any] | None = None) -> Path:
    """The array of facts.md around its resonance near 238 nm, with few orders."""
    data: Data = {
        "name": "silicon",
        "lattice": {"kind": "square", "pitch": "400 nm"},
        "wavelengths": ["940 nm"],
        "stack": {
            "substrate": {"index": 1.45},
            "pillars": {"index": 3.6, "height": "600 nm"},
        },
        "diameter": {"min": "225 nm", "max": "250 nm", "step": "1 nm"},
        "orders": 121,
    }
    if change is not None:
        change(data)
    path = folder / "spec.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    return path


def short(data: Data) -> None:
    data["diameter"] = {"min": "150 nm", "max": "152 nm", "step": "1 nm"}
    data["orders"] = 25


def test_the_table_holds_the_rows_the_spec_and_how_far_it_converged(tmp_path: Path) -> None:
    out = tmp_path / "tables" / "silicon.csv"
    result = RUNNER.invoke(app, ["library", str(spec(tmp_path)), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(f"{out}: written\n  940 nm: 26 rows, ")
    text = out.read_text()
    assert "# lattice: {kind: square, pitch: 400 nm}\n" in text
    assert "#   pillars: {index: 3.6, height: 600 nm}\n" in text
    assert "# computed: coupled waves, at most 121 Fourier orders\n" in text
    assert "rows again with twice the orders: phase within" in text
    assert "\ndiameter_nm,phase_rad,transmission,reflection,flag\n" in text
    table = read_library(out.read_bytes(), "silicon.csv")
    assert table.size_nm.tolist() == list(range(225, 251))
    assert table.wavelengths_nm == (940.0,)
    assert table.stated.height_nm == 600
    # facts.md: total transmission falls to about 0.01 near 238 nm
    assert abs(table.size_nm[table.transmission.argmin()] - 238) <= 2
    assert not list(tmp_path.rglob("*.part"))


def test_rows_that_touch_a_steep_interval_are_flagged_and_no_others(tmp_path: Path) -> None:
    out = tmp_path / "silicon.csv"
    lg.library(lg.load_spec(spec(tmp_path)), out)
    table = read_library(out.read_bytes(), "silicon.csv")
    t = np.sqrt(table.transmission) * np.exp(1j * table.phase_rad)
    steep = np.abs(np.diff(t)) / np.diff(table.size_nm) > STEEPEST_PER_NM
    touched = np.append(steep, False) | np.insert(steep, 0, False)
    assert 3 <= touched.sum() <= 12
    assert table.flag.tolist() == touched.tolist()


def test_a_resonance_between_two_rows_flags_both(tmp_path: Path) -> None:
    def coarse(data: Data) -> None:
        data["diameter"] = {"min": "205 nm", "max": "265 nm", "step": "12 nm"}

    found = lg.library(lg.load_spec(spec(tmp_path, coarse)))
    table = read_library(found.text.encode(), "coarse.csv")
    # the resonance near 238 nm stands between the rows of 229 and 241 nm, of which neither is low
    assert table.size_nm.tolist() == [205, 217, 229, 241, 253, 265]
    assert table.transmission.min() > 0.7
    assert table.flag.tolist() == [False, False, True, True, False, False]


def test_rows_half_a_turn_apart_are_flagged_and_told(tmp_path: Path) -> None:
    # tall pillars of index 2.4: between 220 and 370 nm each row is up to 3.3 rad beyond the one before
    def coarse(step: str) -> Callable[[Data], None]:
        def change(data: Data) -> None:
            data["stack"]["pillars"] = {"index": 2.4, "height": "2000 nm"}
            data["diameter"] = {"min": "120 nm", "max": "370 nm", "step": step}
            data["orders"] = 49

        return change

    def rows_of(step: str) -> tuple[list[list[str]], str]:
        out = tmp_path / f"{step[:2]}.csv"
        result = RUNNER.invoke(
            app, ["library", str(spec(tmp_path, coarse(step))), "--out", str(out)]
        )
        assert result.exit_code == 0, result.output
        lines = [line for line in out.read_text().splitlines() if not line.startswith("#")]
        return [line.split(",") for line in lines[1:]], result.output

    fine, told = rows_of("10 nm")
    assert "half a turn" not in told
    phase = {float(row[0]): float(row[1]) for row in fine}
    rows, told = rows_of("50 nm")
    assert "phase moves by more than half a turn between the rows of 270 and 320 nm" in told
    sizes = [float(row[0]) for row in rows]
    wide = [abs(phase[b] - phase[a]) > np.pi for a, b in pairwise(sizes)]
    assert any(wide)
    assert not all(wide)
    for k, row in enumerate(rows):
        beside = any(wide[max(k - 1, 0) : k + 1])
        assert bool(row[4]) or not beside


def test_reflection_and_transmission_add_up_without_absorption(tmp_path: Path) -> None:
    found = lg.library(lg.load_spec(spec(tmp_path, short)))
    rows = [line.split(",") for line in found.text.splitlines() if not line.startswith("#")][1:]
    for row in rows:
        assert float(row[2]) + float(row[3]) == pytest.approx(1, abs=2e-6)


def test_phases_do_not_jump_and_start_within_a_turn(tmp_path: Path) -> None:
    def wide(data: Data) -> None:
        data["diameter"] = {"min": "110 nm", "max": "230 nm", "step": "4 nm"}
        data["orders"] = 49

    found = lg.library(lg.load_spec(spec(tmp_path, wide)))
    phase = read_library(found.text.encode(), "t").phase_rad
    assert 0 <= phase[0] < 2 * np.pi
    assert (np.diff(phase) > 0).all()
    assert np.diff(phase).max() < np.pi
    # a pillar of no width would delay by the path in air, 2 pi 600 / 940
    assert phase[0] == pytest.approx(2 * np.pi * 600 / 940, abs=0.5)


def test_the_text_depends_neither_on_workers_nor_on_the_cache(
    tmp_path: Path, own_cache: Path
) -> None:
    loaded = lg.load_spec(spec(tmp_path, short))
    bare = lg.library(loaded, jobs=1, cached=False)
    assert not own_cache.exists()
    filled = lg.library(loaded, jobs=2)
    (kept,) = (own_cache / "layoutgen").iterdir()
    size = kept.stat().st_size
    again = lg.library(loaded, jobs=3)
    assert bare.text == filled.text == again.text
    assert kept.stat().st_size == size


def test_what_was_computed_is_not_computed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = lg.load_spec(spec(tmp_path, short))
    first = lg.library(loaded)

    def fail(*_: object) -> None:
        raise AssertionError("solved again")

    monkeypatch.setattr("layoutgen.optics.pillar_array.diffraction", fail)
    assert lg.library(loaded).text == first.text

    # another height is another array
    def higher(data: Data) -> None:
        short(data)
        data["stack"]["pillars"]["height"] = "601 nm"

    other = lg.load_spec(spec(tmp_path, higher))
    with pytest.raises(AssertionError, match="solved again"):
        lg.library(other, jobs=1)


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"150.0 25 1": ["a"]}', b"\xff\xfe"])
def test_a_damaged_cache_is_passed_over(tmp_path: Path, own_cache: Path, damage: bytes) -> None:
    loaded = lg.load_spec(spec(tmp_path, short))
    first = lg.library(loaded)
    (kept,) = (own_cache / "layoutgen").iterdir()
    kept.write_bytes(damage)
    assert lg.library(loaded).text == first.text
    assert json.loads(kept.read_bytes())  # whole again


def test_a_cache_that_cannot_be_written_does_no_harm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = lg.load_spec(spec(tmp_path, short))
    wanted = lg.library(loaded, cached=False).text
    in_the_way = tmp_path / "a-file"
    in_the_way.write_text("no folder")
    monkeypatch.setenv("XDG_CACHE_HOME", str(in_the_way))
    assert lg.library(loaded).text == wanted
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(in_the_way))
    assert lg.library(loaded).text == wanted

    def no_home() -> Path:
        raise RuntimeError("no home")

    monkeypatch.setattr(Path, "home", no_home)
    assert cache_folder() is None
    assert lg.library(loaded).text == wanted


def test_a_relative_cache_folder_is_ignored(monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG Base Directory Specification: all paths must be absolute, relative ones are to be ignored
    monkeypatch.setenv("XDG_CACHE_HOME", "somewhere")
    folder = cache_folder()
    assert folder is None or folder.is_absolute()


def test_several_wavelengths_have_rows_of_their_own(tmp_path: Path) -> None:
    def two(data: Data) -> None:
        short(data)
        data["wavelengths"] = ["940 nm", "850 nm"]
        data["stack"]["substrate"]["index"] = "fused silica"

    found = lg.library(lg.load_spec(spec(tmp_path, two)))
    table = read_library(found.text.encode(), "two.csv")
    assert table.wavelengths_nm == (850.0, 940.0)

    def second(data: Data) -> None:
        two(data)
        data["wavelengths"] = ["850 nm"]

    alone = lg.library(lg.load_spec(spec(tmp_path, second)))
    one = read_library(alone.text.encode(), "one.csv")
    assert table.at_wavelength(850).phase_rad.tolist() == one.phase_rad.tolist()
    assert one.substrate_index == pytest.approx(1.4525, abs=1e-4)  # Malitson at 850 nm


def test_oblique_light_gives_both_polarisations_and_their_mean(tmp_path: Path) -> None:
    def oblique(data: Data) -> None:
        short(data)
        data["incidence"] = {"angle": "12 deg", "azimuth": "90 deg"}

    found = lg.library(lg.load_spec(spec(tmp_path, oblique)))
    lines = [line for line in found.text.splitlines() if not line.startswith("#")]
    assert lines[0] == (
        "diameter_nm,phase_rad,transmission,reflection,flag,phase_s_rad,transmission_s,reflection_s,"
        "phase_p_rad,transmission_p,reflection_p"
    )
    for line in lines[1:]:
        cells = [float(cell) if cell else 0.0 for cell in line.split(",")]
        s = np.sqrt(cells[6]) * np.exp(1j * cells[5])
        p = np.sqrt(cells[9]) * np.exp(1j * cells[8])
        mean = np.sqrt(cells[2]) * np.exp(1j * cells[1])
        assert mean == pytest.approx((s + p) / 2, abs=3e-6)
        assert abs(np.angle(s / p)) > 1e-3
    read_library(found.text.encode(), "oblique.csv")


def test_squares_have_sides(tmp_path: Path) -> None:
    def squares(data: Data) -> None:
        short(data)
        data["stack"]["pillars"]["shape"] = "square"

    found = lg.library(lg.load_spec(spec(tmp_path, squares)))
    table = read_library(found.text.encode(), "squares.csv")
    assert table.squares
    assert "\nside_nm,phase_rad," in found.text


def test_too_few_orders_are_told(tmp_path: Path) -> None:
    def few(data: Data) -> None:
        data["diameter"] = {"min": "228 nm", "max": "230 nm", "step": "1 nm"}
        data["orders"] = 25

    out = tmp_path / "t.csv"
    result = RUNNER.invoke(app, ["library", str(spec(tmp_path, few)), "--out", str(out)])
    assert result.exit_code == 0
    assert result.stderr.startswith("warning: 940 nm: with twice the orders phase moves by up to ")
    assert "raise orders, now 25" in result.stderr


def test_light_in_orders_of_the_lattice_is_told(tmp_path: Path) -> None:
    def wide(data: Data) -> None:
        short(data)
        data["lattice"]["pitch"] = "700 nm"

    found = lg.library(lg.load_spec(spec(tmp_path, wide)))
    assert any("diffraction orders of the lattice" in told for told in found.warnings)


def test_a_recipe_takes_the_table(tmp_path: Path, small_recipe: Callable[..., Path]) -> None:
    def other_limits(data: Data) -> None:
        data["pillars"]["diameter"] = {"min": "130 nm", "max": "225 nm"}

    recipe = small_recipe(other_limits)

    def range_of_it(data: Data) -> None:
        data["diameter"] = {"min": "125 nm", "max": "230 nm", "step": "1 nm"}
        data["orders"] = 25

    lg.library(lg.load_spec(spec(tmp_path, range_of_it)), recipe.with_name("library.csv"))
    assert load_recipe(recipe).libraries["library.csv"].flag.size == 106
    found = lg.check(load_recipe(recipe))
    assert not found.problems
    assert found.lenses["dot"]["coverage_rad"] > 3


def test_json_is_one_object_and_nothing_else(tmp_path: Path) -> None:
    out = tmp_path / "t.csv"
    result = RUNNER.invoke(
        app, ["library", str(spec(tmp_path, short)), "--out", str(out), "--json"]
    )
    found = json.loads(result.stdout)
    assert (found["table"], found["rows"], found["orders"]) == (str(out), 3, 25)
    (of_it,) = found["wavelengths"]
    assert of_it["wavelength_nm"] == 940
    assert of_it["checked"] == 1
    assert of_it["resonance_shift_nm"] is None
    assert found["warnings"] == []


def test_a_wrong_spec_ends_with_status_2_and_leaves_the_table_that_was_there(
    tmp_path: Path,
) -> None:
    out = tmp_path / "t.csv"
    out.write_text("precious")
    path = spec(tmp_path, lambda d: d["stack"]["pillars"].update(index=[3.6, -1]))
    result = RUNNER.invoke(app, ["library", str(path), "--out", str(out)])
    assert result.exit_code == 2
    assert result.stderr == (
        "spec.yaml:12: stack.pillars.index: want k of at least 0 (absorption), got -1 (gain)\n"
    )
    assert result.stdout == ""
    assert out.read_text() == "precious"


@pytest.mark.parametrize(
    "arguments, words",
    [
        ([], "want either a SPEC, or --show with a table"),
        (["SPEC"], "--out: want the table to write"),
        (["SPEC", "--show", "t.csv"], "want either a SPEC, or --show with a table"),
        (["SPEC", "--out", "FOLDER"], "got a folder; it was left as it is"),
        (["SPEC", "--out", "SPEC"], "got another file; it was left as it is"),
        (["--show", "nowhere.csv"], "want a file that exists"),
    ],
)
def test_what_cannot_be_done_is_said(tmp_path: Path, arguments: list[str], words: str) -> None:
    names = {"SPEC": str(spec(tmp_path, short)), "FOLDER": str(tmp_path)}
    result = RUNNER.invoke(app, ["library", *(names.get(a, a) for a in arguments)])
    assert result.exit_code == 2, result.output
    assert words in result.stderr


def picture_size(path: Path) -> tuple[int, int]:
    """Width and height in a PNG file's header (ISO/IEC 15948)."""
    data = path.read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def test_a_library_is_drawn_beside_its_table(tmp_path: Path) -> None:
    table = tmp_path / "silicon.csv"
    lg.library(lg.load_spec(spec(tmp_path)), table)
    result = RUNNER.invoke(app, ["library", "--show", str(table)])
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(f"{tmp_path / 'silicon.png'}\n  940 nm: usable 225 to 23")
    assert picture_size(tmp_path / "silicon.png") == (1380, 1080)
    other = tmp_path / "pictures" / "other.png"
    shown = RUNNER.invoke(app, ["library", "--show", str(table), "--out", str(other), "--json"])
    facts = json.loads(shown.stdout)
    assert facts["picture"] == str(other)
    assert picture_size(other) == (1380, 1080)
    (of_it,) = facts["wavelengths"]
    # the largest gap of 26 rows is found by hand from the table
    read = read_library(table.read_bytes(), "silicon.csv")
    phases = np.sort(np.mod(read.phase_rad[~read.flag], 2 * np.pi))
    gaps = np.append(np.diff(phases), phases[0] + 2 * np.pi - phases[-1])
    assert of_it["coverage_rad"] == pytest.approx(2 * np.pi - gaps.max(), abs=1e-9)
    assert of_it["usable"] == int((~read.flag).sum())


@pytest.mark.parametrize("wavelengths", [1, 2, 6])
def test_tables_of_any_number_of_wavelengths_can_be_drawn(tmp_path: Path, wavelengths: int) -> None:
    rows = "".join(
        f"{d},{0.05 * (d - 100) + w},0.9,{500 + 50 * w},\n"
        for w in range(wavelengths)
        for d in range(100, 200, 2)
    )
    table = tmp_path / "made-up.csv"
    table.write_text("diameter_nm,phase_rad,transmission,wavelength_nm,flag\n" + rows)
    shown = libraries.show_library(table)
    assert picture_size(shown.path) == (1380, 1080)
    assert len(shown.facts) == wavelengths


def test_a_table_without_a_header_can_be_drawn(tmp_path: Path) -> None:
    table = tmp_path / "bare.csv"
    table.write_text("diameter_nm,phase_rad,transmission\n100,0,1\n101,0.1,0.9\n103,3,0.5\n")
    shown = libraries.show_library(table)
    assert shown.facts[0]["wavelength_nm"] is None
    assert shown.facts[0]["usable_spans_nm"] == [[100.0, 101.0], [103.0, 103.0]]
