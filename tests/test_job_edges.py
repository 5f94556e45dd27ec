"""The job folder at its edges: a spoilt manifest, a rename that fails, a wrong file behind a command.

Whatever is met on the disk ends in sentences and an exit status: 1 where a rule or a verification
failed, 2 where the input is wrong. Those three statuses, and one JSON object on standard output, are
this package's own promise; there is no published source for them.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import LayoutgenError
from layoutgen.pipeline.design import design
from tests.e2e_recipes import LONE, Recipe, files, variant_codes, write

RUNNER = CliRunner()


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recipe and its job folder."""
    folder = tmp_path_factory.mktemp("job")
    path = write(folder / "recipe", LONE)
    return path, lg.build(lg.load_recipe(path), folder / "out", jobs=1).folder


@pytest.fixture
def copied(built: tuple[Path, Path], tmp_path: Path) -> Path:
    """A copy of the job folder, to be spoilt."""
    job = tmp_path / "out" / "lone-A"
    shutil.copytree(built[1], job)
    return job


def narrow(recipe: Recipe) -> None:
    """Most pillars are wanted smaller than the ladder has."""
    recipe["pillars"]["ladder"]["min"] = "200 nm"


# --- a manifest that was changed ------------------------------------------------------------------

#: Keys that a command reads from a manifest on the disk, and a value of the wrong type for each.
SPOILT: dict[str, Any] = {
    "name": 5, "revision": None, "job": 3, "files": [], "dies": 3, "pillars": "x",
    "pillars_stored": None, "written": 1, "verified": "yes", "write_time_s": "soon",
}  # fmt: skip


@pytest.mark.parametrize("key", SPOILT)
@pytest.mark.parametrize("way", ["dropped", "of another type"])
def test_a_spoilt_manifest_is_refused_in_one_sentence(
    built: tuple[Path, Path], copied: Path, key: str, way: str
) -> None:
    manifest = json.loads((copied / "manifest.json").read_text())
    if way == "dropped":
        if key == "write_time_s":  # null where the recipe gives no dose, so none is no fault
            pytest.skip("its absence reads as not known")
        del manifest[key]
    else:
        manifest[key] = SPOILT[key]
    (copied / "manifest.json").write_text(json.dumps(manifest))
    before = files(copied)
    for command in (
        ["verify", str(copied)],
        ["build", str(built[0]), "--out", str(copied.parent)],
    ):
        done = RUNNER.invoke(app, command)
        assert (done.exit_code, done.stdout) == (2, ""), (command, done.exception)
        (sentence,) = done.stderr.splitlines()
        assert sentence.startswith(f"{copied}: want a job folder")
        assert key in sentence
    assert files(copied) == before


# --- the rename ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [errno.ENOSPC, errno.EACCES, errno.EIO])
def test_a_rename_that_fails_is_told_in_one_sentence_and_leaves_nothing(
    built: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: int
) -> None:
    # rename(2) of POSIX.1-2017 may need a new directory entry: ENOSPC, EACCES, EIO are among its errors
    def fails(self: Path, target: Path) -> Path:
        raise OSError(kind, os.strerror(kind), str(target))

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", fails)
        with pytest.raises(LayoutgenError) as caught:
            lg.build(lg.load_recipe(built[0]), tmp_path, verify=False)
    (sentence,) = caught.value.problems
    assert sentence.startswith(str(tmp_path / "lone-A"))
    assert os.strerror(kind) in sentence
    assert list(tmp_path.iterdir()) == []


def test_a_link_to_nowhere_under_the_final_name_is_told_and_kept(
    built: tuple[Path, Path], tmp_path: Path
) -> None:
    (tmp_path / "lone-A").symlink_to(tmp_path / "nowhere")
    done = RUNNER.invoke(app, ["build", str(built[0]), "--out", str(tmp_path)])
    assert done.exit_code == 2
    assert str(tmp_path / "lone-A") in done.stderr.splitlines()[-1]
    assert [path.name for path in tmp_path.iterdir()] == ["lone-A"]
    assert (tmp_path / "lone-A").is_symlink()


def test_a_folder_that_cannot_be_opened_for_syncing_does_not_undo_a_finished_job(
    built: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a folder may be writable and not readable (mode 0300); open(2) then says EACCES
    real = os.open

    def refused(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if Path(path) == tmp_path:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path, flags, *more, **named)

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", refused)
        job = lg.build(lg.load_recipe(built[0]), tmp_path, jobs=1)
    assert files(job.folder) == files(built[1])


# --- what the commands say of it -------------------------------------------------------------------


@pytest.fixture
def damaged(copied: Path) -> Path:
    """One bit of the GDSII file is turned."""
    layout = copied / "lone-A.gds"
    data = bytearray(layout.read_bytes())
    data[len(data) // 2] ^= 1
    layout.write_bytes(data)
    return copied


@pytest.mark.parametrize("reader", ["own", "gdstk"])
@pytest.mark.parametrize("quiet", [False, True])
def test_a_changed_layout_ends_verify_with_status_1_and_its_name(
    damaged: Path, reader: str, quiet: bool
) -> None:
    more = ["--quiet"] if quiet else []
    done = RUNNER.invoke(app, ["verify", str(damaged), "--reader", reader, *more])
    assert (done.exit_code, done.stdout) == (1, "")
    assert "lone-A.gds" in done.stderr


def test_json_is_one_object_whatever_the_outcome(
    built: tuple[Path, Path], damaged: Path, tmp_path: Path
) -> None:
    failing = str(write(tmp_path / "recipe", LONE, narrow))
    out = ["--out", str(tmp_path / "jobs")]
    for command, status in (
        (["verify", str(built[1])], 0),
        (["verify", str(damaged)], 1),
        (["verify", str(tmp_path)], 2),
        (["check", failing], 1),
        (["build", failing, *out], 1),
        (["build", str(tmp_path / "none.yaml"), *out], 2),
    ):
        done = RUNNER.invoke(app, [*command, "--json"])
        assert done.exit_code == status, (command, done.stderr)
        assert isinstance(json.loads(done.stdout), dict)  # loads refuses anything after the object


def test_quiet_still_tells_which_rule_failed(tmp_path: Path) -> None:
    path = str(write(tmp_path / "recipe", LONE, narrow))
    for command in (["check", path], ["build", path, "--out", str(tmp_path / "jobs")]):
        done = RUNNER.invoke(app, [*command, "--quiet"])
        assert (done.exit_code, done.stdout) == (1, "")
        assert "clamped" in done.stderr


def test_a_waived_rule_passes_check_with_its_figure_and_its_reason(tmp_path: Path) -> None:
    def waived(recipe: Recipe) -> None:
        narrow(recipe)
        recipe["waive"] = {"clamped": "a trial of the ladder's ends"}

    done = RUNNER.invoke(app, ["check", str(write(tmp_path, LONE, waived)), "--json"])
    assert done.exit_code == 0
    rules = json.loads(done.stdout)["rules"]
    (rule,) = [rule for rule in rules if rule["name"].startswith("clamped")]
    assert rule["ok"] is True
    assert rule["value"] > rule["limit"] == 1e-3  # 0.1 % of the pillars
    assert "a trial of the ladder's ends" in rule["text"]


def test_a_gdsii_over_its_limit_fails_check_and_oasis_alone_has_no_such_limit(
    tmp_path: Path,
) -> None:
    def limit(recipe: Recipe) -> None:
        recipe["output"]["gdsii_limit"] = "1 kB"

    def oasis(recipe: Recipe) -> None:
        limit(recipe)
        recipe["output"]["formats"] = ["oasis"]

    done = RUNNER.invoke(app, ["check", str(write(tmp_path / "a", LONE, limit)), "--json"])
    assert done.exit_code == 1
    (failed,) = [rule for rule in json.loads(done.stdout)["rules"] if not rule["ok"]]
    assert (failed["name"], failed["limit"]) == ("gdsii_limit", 1000)
    assert RUNNER.invoke(app, ["check", str(write(tmp_path / "b", LONE, oasis))]).exit_code == 0


# --- more of the same bytes ------------------------------------------------------------------------


def test_the_place_from_which_a_recipe_is_named_changes_no_byte(
    built: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(built[0].parent.parent)
    relative = Path(built[0].parent.name) / built[0].name
    job = lg.build(lg.load_recipe(relative), tmp_path, jobs=1)
    assert files(job.folder) == files(built[1])


def background(recipe: Recipe) -> None:
    """The other tone, mirrored, and two lenses whose frames meet."""
    recipe["exposure"] |= {"exposed": "background", "frame_width": "12 um"}
    recipe["replication"] = {"transfers": "odd"}
    recipe["dies"]["lens"] = [
        {"lens": "dot", "at": ["-24 um", "0 um"]},
        {"lens": "dot", "at": ["24 um", "5 um"]},
    ]


def tilted(recipe: Recipe) -> None:
    """A lens without symmetry beside a deflector."""
    recipe["lenses"][0]["phase"].append({"kind": "tilt", "angle": "3 deg", "direction": "25 deg"})
    recipe["deflectors"] = [
        {"name": "d", "period": [6, 1], "size": "20 um", "wavelength": "940 nm"}
    ]
    recipe["dies"]["lens"].append({"deflector": "d", "at": ["36 um", "0 um"]})


def hexagonal(recipe: Recipe) -> None:
    recipe["lattice"] = {"kind": "hexagonal", "pitch": "420 nm"}


CHANGES: dict[str, Callable[[Recipe], None]] = {
    "background": background, "tilted": tilted, "hexagonal": hexagonal,
}  # fmt: skip


def changed(folder: Path, name: str) -> lg.LoadedRecipe:
    path = write(folder, LONE, CHANGES[name])
    if name == "hexagonal":  # the library must be of the lattice that uses it
        table = folder / "library.csv"
        text = table.read_text()
        table.write_text(text.replace("square, pitch: 400", "hexagonal, pitch: 420"))
    return lg.load_recipe(path)


@pytest.mark.parametrize("name", CHANGES)
def test_workers_and_cuts_change_nothing_in_other_tones_lattices_and_neighbours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    loaded = changed(tmp_path / "recipe", name)
    wanted = [variant_codes(variant) for variant in design(loaded).tree.variants]
    assert all(wanted)
    for side in (100, 29):
        sides = {"square": side, "hexagonal": side}
        monkeypatch.setattr("layoutgen.exposure.part.BLOCK_SIDE", sides)
        assert [variant_codes(v) for v in design(loaded).tree.variants] == wanted, side
    # many blocks of 29 sites now, so that two workers share the work
    one, two = (files(lg.build(loaded, tmp_path / str(jobs), jobs=jobs).folder) for jobs in (1, 2))
    assert one == two
