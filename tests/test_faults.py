"""A run that is killed, stopped or out of room leaves nothing under the job's name.

And a job folder that exists is never written over. Moments and places of the faults are seeded, so
other runs meet the same ones as nearly as a scheduler allows.
"""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import InputError, LayoutgenError, RuleError, VerifyError
from tests.e2e_recipes import LONE, Recipe, files, write
from tests.volume.faults import HEED, disk, longer, start

#: SIGKILL comes this often at a random moment of the whole run, and this often while it writes.
KILLS_ANY, KILLS_WRITING = 4, 8


@pytest.fixture(scope="module")
def recipe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("faults"), LONE, longer)


@pytest.fixture(scope="module")
def built(recipe: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], float]:
    """What an undisturbed build in a process of its own gives, and how many seconds it takes."""
    out = tmp_path_factory.mktemp("undisturbed")
    started = time.monotonic()
    process = start(recipe, out)
    told = process.communicate()
    assert process.returncode == 0, told
    return files(out / "lone-A"), time.monotonic() - started


def wait_for_writing(process: subprocess.Popen[str], out: Path) -> None:
    """Until something stands in `out`, or the process has ended."""
    while process.poll() is None and not (out.is_dir() and any(out.iterdir())):
        time.sleep(0.001)


# --- signals --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(KILLS_ANY + KILLS_WRITING))
def test_a_killed_build_leaves_nothing_under_the_final_name_and_the_next_one_succeeds(
    recipe: Path, built: tuple[dict[str, bytes], float], tmp_path: Path, seed: int
) -> None:
    wanted, seconds = built
    rng = random.Random(seed)
    process = start(recipe, tmp_path)
    if seed < KILLS_ANY:
        time.sleep(rng.uniform(0.3, 1.0) * seconds)
    else:
        wait_for_writing(process, tmp_path)
        time.sleep(rng.uniform(0, 0.3) * seconds)
    process.kill()
    process.communicate()
    final = tmp_path / "lone-A"
    if final.exists():  # it was done before the signal came: then it is all there
        assert files(final) == wanted
        return
    if seed >= KILLS_ANY:
        assert any(tmp_path.iterdir()), "it was killed before it wrote anything: no test"
    if seed % 3 == 0:  # each third, for the sake of time
        job = lg.build(lg.load_recipe(recipe), tmp_path)
        assert not job.existed
        assert files(job.folder) == wanted


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("seed", range(2))
def test_a_stopped_build_ends_with_a_sentence_and_leaves_nothing(
    recipe: Path, built: tuple[dict[str, bytes], float], tmp_path: Path, number: int, seed: int
) -> None:
    out = tmp_path / "out"
    process = start(recipe, out, "--jobs", str(1 + seed % 2), first=HEED)
    wait_for_writing(process, out)
    time.sleep(random.Random(seed).uniform(0, 0.06) * built[1])
    process.send_signal(number)
    stdout, stderr = process.communicate()
    if (out / "lone-A").exists():  # it was done before the signal came
        assert files(out / "lone-A") == built[0]
        return
    assert process.returncode == 130
    assert stdout == ""
    assert len(stderr.splitlines()) == 1
    assert "stopped" in stderr
    assert list(out.iterdir()) == []


# --- no room --------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 KiB."""
    with ExitStack() as stack:
        try:
            where = stack.enter_context(disk(tmp_path / "disk", pages=100))
        except subprocess.CalledProcessError:
            pytest.skip("no right to mount a file system here")
        yield where


@pytest.mark.skipif(sys.platform != "linux" or not shutil.which("mount"), reason="tmpfs of Linux")
def test_a_full_disk_is_told_in_one_sentence_and_leaves_nothing(
    recipe: Path, small_disk: Path
) -> None:
    process = start(recipe, small_disk)
    stdout, stderr = process.communicate()
    assert process.returncode not in (0, 130)
    assert stdout == ""
    (sentence,) = stderr.splitlines()
    assert "full disk" in sentence or "No space left" in sentence
    assert str(small_disk) in sentence
    assert list(small_disk.iterdir()) == []


def test_a_limit_on_the_size_of_files_is_told_and_leaves_nothing(
    recipe: Path, tmp_path: Path
) -> None:
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))"
    process = start(recipe, tmp_path, first=limit)
    stdout, stderr = process.communicate()
    assert process.returncode not in (0, 130)
    assert stdout == ""
    (sentence,) = stderr.splitlines()
    assert sentence.startswith(str(tmp_path))
    assert "File too large" in sentence
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", [errno.ENOSPC, errno.EIO])
def test_whichever_file_fails_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: int
) -> None:
    # every file is brought to the disk when it is complete; the disk may say no at any of them
    loaded = lg.load_recipe(write(tmp_path / "recipe", LONE))
    real, calls = os.fsync, 0

    def fsync(handle: int) -> None:
        nonlocal calls
        calls += 1
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    lg.build(loaded, tmp_path / "whole", verify=False)
    # two layouts, recipe, two tables, three lists, report, operator's sheet, manifest, and the two folders
    assert calls == 13
    for failing in range(1, calls - 1):  # the folders' own may fail: not all file systems can
        left = failing

        def fails(handle: int) -> None:
            nonlocal left
            left -= 1
            if left == 0:
                raise OSError(kind, os.strerror(kind))
            real(handle)

        monkeypatch.setattr(os, "fsync", fails)
        with pytest.raises(LayoutgenError) as caught:
            lg.build(loaded, tmp_path / "out", verify=False)
        (sentence,) = caught.value.problems
        assert str(tmp_path / "out") in sentence
        assert list((tmp_path / "out").iterdir()) == []
    monkeypatch.setattr(os, "fsync", real)
    job = lg.build(loaded, tmp_path / "out", verify=False)
    assert files(job.folder) == files(tmp_path / "whole" / "lone-A")


def test_a_build_that_does_not_verify_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = lg.load_recipe(write(tmp_path / "recipe", LONE))
    monkeypatch.setattr("layoutgen.pipeline.verify.verify_layout", lambda *a, **k: ["made up"])
    with pytest.raises(VerifyError, match="made up"):
        lg.build(loaded, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_failed_rule_leaves_nothing(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:  # most pillars are wanted smaller than the ladder has
        recipe["pillars"]["ladder"]["min"] = "200 nm"

    loaded = lg.load_recipe(write(tmp_path / "recipe", LONE, change))
    with pytest.raises(RuleError, match="left the bias table or the ladder"):
        lg.build(loaded, tmp_path / "out")
    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("where", ["file", "file/below", "/proc/nowhere"])
def test_a_place_that_takes_no_folder_is_refused_in_a_sentence(tmp_path: Path, where: str) -> None:
    (tmp_path / "file").write_text("in the way")
    out = Path(where) if where.startswith("/") else tmp_path / where
    if where.startswith("/") and sys.platform != "linux":
        pytest.skip("a folder of Linux that nobody can write to")
    loaded = lg.load_recipe(write(tmp_path / "recipe", LONE))
    with pytest.raises(InputError) as caught:
        lg.build(loaded, out)
    (sentence,) = caught.value.problems
    assert sentence.startswith(f"{out}: want a folder to write to")
    assert (tmp_path / "file").read_text() == "in the way"


@pytest.mark.skipif(sys.platform != "linux" or not shutil.which("mount"), reason="tmpfs of Linux")
def test_a_file_system_for_reading_only_is_told(small_disk: Path, tmp_path: Path) -> None:
    loaded = lg.load_recipe(write(tmp_path / "recipe", LONE))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    for out in (small_disk, small_disk / "below"):
        with pytest.raises(InputError) as caught:
            lg.build(loaded, out)
        (sentence,) = caught.value.problems
        assert sentence.startswith(f"{out}: want a folder to write to")
        assert "Read-only" in sentence


def test_a_table_that_changes_meanwhile_does_not_get_into_the_job(tmp_path: Path) -> None:
    path = write(tmp_path / "recipe", LONE)
    loaded = lg.load_recipe(path)
    wanted = lg.build(loaded, tmp_path / "before")
    table = path.parent / "bias.csv"
    read = table.read_bytes()
    table.write_bytes(read.replace(b"-5.0000", b"-6.0000"))
    assert table.read_bytes() != read
    job = lg.build(loaded, tmp_path / "after")
    assert (job.folder / "tables" / "bias.csv").read_bytes() == read
    assert files(job.folder) == files(wanted.folder)
    table.unlink()
    assert lg.verify(job.folder) == []


def test_names_with_spaces_and_letters_of_other_scripts_are_names(tmp_path: Path) -> None:
    folder = tmp_path / "Läden и 灯 " / "a b"
    path = write(folder, LONE)
    (folder / "bias.csv").rename(folder / "Tafel ü 表.csv")
    path.write_text(path.read_text().replace("bias.csv", "'Tafel ü 表.csv'"), encoding="utf-8")
    process = start(path, folder / "aus gabe")
    told = process.communicate()
    assert process.returncode == 0, told
    job = folder / "aus gabe" / "lone-A"
    assert (job / "tables" / "Tafel ü 表.csv").exists()
    assert lg.verify(job) == []


# --- a folder that exists -------------------------------------------------------------------------


@pytest.fixture
def job(tmp_path: Path) -> Path:
    built = lg.build(lg.load_recipe(write(tmp_path / "recipe", LONE)), tmp_path / "out")
    assert not built.existed
    return tmp_path / "out" / "lone-A"


def again(tmp_path: Path, change: Any = None) -> Any:
    path = write(tmp_path / "again", LONE, change)
    return CliRunner().invoke(app, ["build", str(path), "--out", str(tmp_path / "out"), "--json"])


def test_the_same_job_is_said_and_done_and_not_touched(tmp_path: Path, job: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in job.rglob("*")}
    done = again(tmp_path)
    assert done.exit_code == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["existed"] is True
    assert answer["folder"] == str(job)
    assert {path: path.stat().st_mtime_ns for path in job.rglob("*")} == before


def test_another_job_under_the_same_name_and_revision_is_refused(tmp_path: Path, job: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["lenses"][0]["phase"][0]["focal_length"] = "81 um"

    before = files(job)
    done = again(tmp_path, change)
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1
    assert "never overwritten" in done.stderr
    assert files(job) == before
    assert [path.name for path in job.parent.iterdir()] == ["lone-A"]


def test_the_same_recipe_with_another_table_is_another_job(tmp_path: Path, job: Path) -> None:
    path = write(tmp_path / "again", LONE)
    table = path.parent / "bias.csv"
    table.write_text(table.read_text().replace("-10.0000", "-11.0000"))
    with pytest.raises(InputError, match="another job"):
        lg.build(lg.load_recipe(path), tmp_path / "out")


def test_a_new_revision_stands_beside_the_old_one(tmp_path: Path, job: Path) -> None:
    before = files(job)

    def change(recipe: Recipe) -> None:
        recipe["revision"] = "B"

    lg.build(lg.load_recipe(write(tmp_path / "again", LONE, change)), tmp_path / "out")
    assert sorted(path.name for path in job.parent.iterdir()) == ["lone-A", "lone-B"]
    assert files(job) == before


@pytest.mark.parametrize("damage", ["changed", "missing", "no manifest"])
def test_a_damaged_folder_of_the_same_job_is_refused(
    tmp_path: Path, job: Path, damage: str
) -> None:
    layout = job / "lone-A.gds"
    if damage == "changed":
        layout.write_bytes(layout.read_bytes()[:-1] + b"\x01")
    elif damage == "missing":
        layout.unlink()
    else:
        (job / "manifest.json").unlink()
    before = files(job)
    with pytest.raises(InputError) as caught:
        lg.build(lg.load_recipe(write(tmp_path / "again", LONE)), tmp_path / "out")
    (sentence,) = caught.value.problems
    assert str(job) in sentence
    assert ("manifest.json" if damage == "no manifest" else "lone-A.gds") in sentence
    assert files(job) == before


def test_a_file_under_the_final_name_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "lone-A").write_text("mine")
    with pytest.raises(InputError):
        lg.build(lg.load_recipe(write(tmp_path / "recipe", LONE)), tmp_path / "out")
    assert (tmp_path / "out" / "lone-A").read_text() == "mine"


def test_two_builds_at_once_give_one_whole_folder(tmp_path: Path) -> None:
    path = write(tmp_path / "recipe", LONE)
    both = [start(path, tmp_path / "out") for _ in range(2)]
    for process in both:
        told = process.communicate(timeout=300)
        assert process.returncode == 0, told
    assert [found.name for found in (tmp_path / "out").iterdir()] == ["lone-A"]
    assert lg.verify(tmp_path / "out" / "lone-A") == []


def test_what_a_killed_run_left_is_cleared_and_a_living_one_is_not(tmp_path: Path) -> None:
    fcntl = pytest.importorskip("fcntl")
    out = tmp_path / "out"
    dead, living, other = (
        out / name
        for name in (".lone-A.x1.unfinished", ".lone-A.x2.unfinished", ".lone-B.x3.unfinished")
    )
    for folder in (dead, living, other):
        folder.mkdir(parents=True)
        (folder / "lone-A.oas").write_text("half")
    handle = os.open(living, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        lg.build(lg.load_recipe(write(tmp_path / "recipe", LONE)), out)
    finally:
        os.close(handle)
    assert sorted(p.name for p in out.iterdir()) == [living.name, other.name, "lone-A"]
    assert files(living) == {"lone-A.oas": b"half"}


def test_a_gdsii_file_beyond_its_limit_is_refused_before_densities_are_settled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def limited(recipe: Recipe) -> None:
        recipe["output"] |= {"formats": ["gdsii"], "gdsii_limit": "20 kB"}

    def never(*_: Any) -> None:
        raise AssertionError("densities were settled")

    monkeypatch.setattr("layoutgen.pipeline.design.build_scene", never)
    with pytest.raises(RuleError, match="gdsii_limit"):
        lg.build(lg.load_recipe(write(tmp_path / "recipe", LONE, limited)), tmp_path / "out")
