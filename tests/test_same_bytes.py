"""Same recipe and inputs, same bytes: whatever the workers, the processor, the clock or the place.

Numbers of cores, instruction sets, locales and block sizes are arbitrary choices; none of them may
show in a file. Where an arbitrary choice changes how the layout is cut into cells, the codes of all
sites are compared instead of the bytes.
"""

from __future__ import annotations

import datetime as dt
import getpass
import re
import shutil
import socket
import subprocess
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import layoutgen as lg
from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.solve import solve
from layoutgen.pipeline.design import Wafer, design
from tests.e2e_recipes import (
    CLI,
    FULL,
    LONE,
    Recipe,
    environment,
    files,
    flat_codes,
    variant_codes,
    write,
)


def differing(one: dict[str, bytes], two: dict[str, bytes]) -> list[str]:
    """Names of files that are not the same in both."""
    return sorted(name for name in {*one, *two} if one.get(name) != two.get(name))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    """A recipe and every file that it gives, built with one worker in this process."""
    folder = tmp_path_factory.mktemp("plain")
    path = write(folder / "recipe")
    return path, files(lg.build(lg.load_recipe(path), folder / "out", jobs=1).folder)


# --- the same bytes -------------------------------------------------------------------------------


@pytest.mark.parametrize("jobs", [2, 5])
def test_the_number_of_workers_changes_no_byte(
    plain: tuple[Path, dict[str, bytes]], tmp_path: Path, jobs: int
) -> None:
    job = lg.build(lg.load_recipe(plain[0]), tmp_path, jobs=jobs)
    assert differing(files(job.folder), plain[1]) == []


@pytest.mark.parametrize("compression", ["fast", "small"])
def test_the_number_of_workers_changes_no_byte_over_many_blocks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, compression: str
) -> None:
    cut_blocks(monkeypatch, 32)

    def change(recipe: Recipe) -> None:
        recipe["output"]["compression"] = compression

    path = write(tmp_path, LONE, change)
    one, two = (
        files(lg.build(lg.load_recipe(path), tmp_path / str(jobs), jobs=jobs).folder)
        for jobs in (1, 2)
    )
    assert differing(one, two) == []


def test_a_job_rebuilds_from_its_own_folder_wherever_it_is_moved(
    plain: tuple[Path, dict[str, bytes]], tmp_path: Path
) -> None:
    first = lg.build(lg.load_recipe(plain[0]), tmp_path / "out").folder
    moved = tmp_path / "somewhere else" / "kept"
    moved.parent.mkdir()
    shutil.move(first, moved)
    again = lg.build(lg.load_recipe(moved / "recipe.yaml"), tmp_path / "out")
    assert not again.existed
    assert differing(files(again.folder), plain[1]) == []
    # and once more from the rebuilt one, beside the first where the same job is said and done
    third = lg.build(lg.load_recipe(again.folder / "recipe.yaml"), tmp_path / "out")
    assert third.existed


def test_inputs_in_other_folders_and_of_equal_names_rebuild_from_the_job_folder(
    tmp_path: Path,
) -> None:
    def change(recipe: Recipe) -> None:
        recipe["pillars"]["library"] = "a/table.csv"
        recipe["exposure"]["bias_table"] = "../b/table.csv"

    path = write(tmp_path / "recipe", LONE, change)
    for name, place in (("library", "recipe/a"), ("bias", "b")):
        (tmp_path / place).mkdir()
        (tmp_path / "recipe" / f"{name}.csv").rename(tmp_path / place / "table.csv")
    job = lg.build(lg.load_recipe(path), tmp_path / "out")
    held = {path: facts["file"] for path, facts in job.manifest["inputs"].items()}
    assert set(held) == {"a/table.csv", "../b/table.csv"}
    assert len(set(held.values())) == 2
    moved = tmp_path / "far" / "away"
    moved.parent.mkdir()
    shutil.copytree(job.folder, moved)
    for place in ("recipe", "b"):
        shutil.rmtree(tmp_path / place)
    again = lg.build(lg.load_recipe(moved / "recipe.yaml"), tmp_path / "out2")
    assert differing(files(again.folder), files(job.folder)) == []


ENVIRONMENTS = {
    # the plainest x86-64 or ARM that the compiler knows, without vectors wider than the base has
    "instruction set": {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""},
    # numpy's own choice of kernels, as if the processor had nothing newer than its baseline
    "numpy kernels": {
        "NPY_DISABLE_CPU_FEATURES": "AVX2 FMA3 AVX512F AVX512CD AVX512_SKX AVX512_CLX AVX512_CNL "
        "AVX512_ICL AVX512_SPR"
    },
    "locale, zone and hash": {
        "LC_ALL": "tr_TR.UTF-8",
        "LANG": "tr_TR.UTF-8",
        "TZ": "Pacific/Kiritimati",
        "PYTHONHASHSEED": "4711",
        "COLUMNS": "40",
    },
    "plain ASCII": {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "TZ": "UTC"},
}


@pytest.mark.parametrize("name", ENVIRONMENTS)
def test_processor_locale_time_zone_and_hash_seed_change_no_byte(
    plain: tuple[Path, dict[str, bytes]], tmp_path: Path, name: str
) -> None:
    more = dict(ENVIRONMENTS[name])
    if "NUMBA_CPU_NAME" in more:  # machine code of its own, in a folder of its own
        more["NUMBA_CACHE_DIR"] = str(tmp_path / "cache")
    done = subprocess.run(
        [*CLI, "build", str(plain[0]), "--out", str(tmp_path / "out"), "--quiet"],
        env=environment(**more), capture_output=True, text=True, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert differing(files(tmp_path / "out" / "full-A"), plain[1]) == []


def test_nothing_in_the_folder_names_this_machine_or_this_day(
    plain: tuple[Path, dict[str, bytes]],
) -> None:
    today = dt.date.today().isoformat()
    words = {str(plain[0].parent), today, "/tmp", f"/{getpass.getuser()}/"}
    host = re.compile(rf"(?<!\w){re.escape(socket.gethostname())}(?!\w)".encode())
    for name, data in plain[1].items():
        if not name.endswith((".oas", ".gds")):
            for word in words:
                assert word.encode() not in data, f"{name} holds {word}"
            # a short host name may be part of a word
            assert host.search(data) is None, f"{name} holds {socket.gethostname()}"


# --- the same codes -------------------------------------------------------------------------------


def cut_blocks(monkeypatch: pytest.MonkeyPatch, side: int) -> None:
    sides = {"square": side, "hexagonal": side}
    monkeypatch.setattr("layoutgen.exposure.part.BLOCK_SIDE", sides)


def all_codes(wafer: Wafer) -> list[dict[tuple[int, int], int]]:
    return [variant_codes(variant) for variant in wafer.tree.variants]


def crowded(recipe: Recipe) -> None:
    """Two lenses a few um apart, so that each is computed in the other's field."""
    recipe["dies"]["lens"] = [
        {"lens": "dot", "at": ["-22 um", "0 um"]},
        {"lens": "dot", "at": ["22 um", "4 um"], "bias": "3 nm"},
    ]


@pytest.mark.parametrize("change", [None, crowded], ids=["lone", "crowded"])
@pytest.mark.parametrize("side", [16, 37, 64, 100])
def test_cutting_blocks_elsewhere_changes_no_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, side: int, change: Any
) -> None:
    loaded = lg.load_recipe(write(tmp_path, LONE, change))
    wanted = all_codes(design(loaded))
    cut_blocks(monkeypatch, side)
    wafer = design(loaded)
    assert all(max(t.codes().codes.shape) <= side for v in wafer.tree.variants for t in v.blocks())
    assert all_codes(wafer) == wanted


@pytest.mark.parametrize("change", [None, crowded], ids=["lone", "crowded"])
def test_memory_that_is_kept_between_passes_changes_no_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Any
) -> None:
    loaded = lg.load_recipe(write(tmp_path, LONE, change))
    wanted = all_codes(design(loaded))
    monkeypatch.setattr("layoutgen.exposure.part.KEEP_BYTES", 0)
    assert all_codes(design(loaded)) == wanted


def test_the_memory_between_passes_is_shared_whatever_symmetry_a_part_is_stored_with(
    tmp_path: Path,
) -> None:
    wafer = design(lg.load_recipe(write(tmp_path, FULL)))
    for made in wafer.designs:
        for symmetry in (None, *SYMMETRIES):
            assert made.part(symmetry).siblings == len(wafer.designs) > 1


SYMMETRIES = ("octant", "quadrant", "half_x", "half_y", "whole")


def stored_as(wafer: Wafer, symmetry: str) -> dict[tuple[int, int], int]:
    """Codes of the first design, alone, stored and computed with a symmetry."""
    found = wafer.designs[0]
    part = found.part(symmetry)
    raster = PartRaster(part, wafer.exposed.terms, 0.0)
    density = solve(part, wafer.exposed, found.site_area_nm2, raster=raster)
    coder = Coder(found.masters, found.ladder, wafer.exposed, density, None, 0.0)
    return flat_codes(part, coder)


@pytest.mark.parametrize("centre", ["gap", "site"])
def test_a_lens_stored_as_octant_quadrant_half_or_whole_is_the_same_lens(
    tmp_path: Path, centre: str
) -> None:
    def change(recipe: Recipe) -> None:
        recipe["lenses"][0]["centre"] = centre

    wafer = design(lg.load_recipe(write(tmp_path, LONE, change)))
    assert wafer.designs[0].symmetry == "octant"
    (built,) = {tuple(sorted(codes.items())) for codes in all_codes(wafer)}
    for symmetry in SYMMETRIES:
        assert stored_as(wafer, symmetry) == dict(built), symmetry


@pytest.mark.parametrize("centre", ["gap", "site"])
def test_a_hexagonal_lens_stored_as_quadrant_half_or_whole_is_the_same_lens(
    tmp_path: Path, centre: str
) -> None:
    def change(recipe: Recipe) -> None:
        recipe["lenses"][0]["centre"] = centre
        recipe["lattice"] = {"kind": "hexagonal", "pitch": "420 nm"}

    path = write(tmp_path, LONE, change)
    table = tmp_path / "library.csv"
    table.write_text(
        table.read_text().replace("kind: square, pitch: 400 nm", "kind: hexagonal, pitch: 420 nm")
    )
    wafer = design(lg.load_recipe(path))
    assert wafer.designs[0].symmetry == "quadrant"
    wanted = stored_as(wafer, "whole")
    assert len(wanted) == wafer.tree.pillars
    for symmetry in ("quadrant", "half_x", "half_y"):
        assert stored_as(wafer, symmetry) == wanted, symmetry


@settings(
    max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture], database=None
)
@given(
    focal_um=st.floats(40, 400),
    aperture_um=st.floats(6, 36),
    centre=st.sampled_from(["gap", "site"]),
    collar_um=st.sampled_from([0, 1.5, 6]),
    side=st.sampled_from([16, 31, 64]),
)
def test_any_radial_lens_is_the_same_whole_or_in_an_octant_and_however_it_is_cut(
    tmp_path: Path, focal_um: float, aperture_um: float, centre: str, collar_um: float, side: int
) -> None:
    def change(recipe: Recipe) -> None:
        recipe["lenses"] = [
            {
                "name": "dot",
                "wavelength": "940 nm",
                "aperture": f"{aperture_um:.3f} um",
                "centre": centre,
                "collar": f"{collar_um} um",
                "phase": [{"kind": "focus", "focal_length": f"{focal_um:.3f} um"}],
            }
        ]

    loaded = lg.load_recipe(write(tmp_path, LONE, change))
    wafer = design(loaded)
    wanted = stored_as(wafer, "octant")
    # membership by the definition: centres within the aperture and the collar
    reach = aperture_um * 500 + collar_um * 1000
    assert all(x * x + y * y <= reach * reach * (1 + 1e-12) for x, y in wanted)
    assert stored_as(wafer, "whole") == wanted
    with pytest.MonkeyPatch.context() as patch:
        cut_blocks(patch, side)
        assert stored_as(design(loaded), "octant") == wanted
