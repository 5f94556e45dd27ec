"""The pages beside the README: their commands run on the demo, and the README's pictures are what they give."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from tests.test_readme import fenced

ROOT = Path(__file__).resolve().parent.parent
QUESTIONS = (ROOT / "samples" / "operators-questions.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the recipes, the samples, and the demo job below `jobs`."""
    folder = tmp_path_factory.mktemp("pages")
    for name in ("recipes", "samples"):
        shutil.copytree(ROOT / name, folder / name)
    recipe = lg.load_recipe(folder / "recipes" / "porch-collimator.yaml")
    lg.build(recipe, folder / "jobs", verify=False)
    return folder


def commands(page: str) -> list[str]:
    return [
        line[2:]
        for block in fenced(page, "console")
        for line in block.splitlines()
        if line.startswith("$ ")
    ]


def test_every_command_of_the_page_runs(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    found = commands(QUESTIONS)
    assert len(found) == QUESTIONS.count("$ layoutgen ") >= 8
    for command in found:
        program, *arguments = shlex.split(command)
        assert program == "layoutgen"
        done = CliRunner().invoke(app, arguments)
        assert done.exit_code == 0, f"{command}: {done.output}"


def test_what_the_page_names_is_in_the_job(place: Path) -> None:
    job = place / "jobs" / "porch-collimator-A"
    sheet = (job / "operator.txt").read_text(encoding="utf-8")
    for word in ("Write", "Tone", "Mirrored", "Memory", "Laid", "SHA-256"):
        assert word in sheet, word
    header = (job / "sem_sites.csv").read_text(encoding="utf-8").splitlines()[1].split(",")
    columns = {"measured_nm", "sigma_nm", "count", "edge_method", "note", "stage"}
    assert columns <= set(header)
    named = set(re.findall(r"`([a-z_]+\.(?:csv|txt|html|yaml))`", QUESTIONS))
    assert all((job / name).exists() for name in named), named
    rules = {rule["name"].partition(":")[0] for rule in lg.open_job(job).manifest["rules"]}
    assert {"aspect_ratio", "gap", "min_size", "max_size"} <= rules


def test_pictures_of_the_readme_are_those_of_its_commands(place: Path, tmp_path: Path) -> None:
    job = str(place / "jobs" / "porch-collimator-A")
    caption = README[README.index("*Drawn from") : README.index("From a fresh clone")]
    told = [" ".join(c.split()) for c in re.findall(r"`(layoutgen [^`]+)`", caption)]
    kept = re.findall(r"\]\((samples/pictures/[\w.]+)\)", README)
    assert len(told) == len(kept) == 2
    for command, name in zip(told, kept, strict=True):
        arguments = [job if word == "JOB" else word for word in shlex.split(command)[1:]]
        out = tmp_path / Path(name).name
        done = CliRunner().invoke(app, [*arguments, "--out", str(out), "--json"])
        assert done.exit_code == 0, done.output
        with Image.open(out) as made, Image.open(ROOT / name) as held:
            assert (made.size, made.mode) == (held.size, held.mode)
        assert (ROOT / name).stat().st_size < 150_000
        facts = json.loads(done.stdout)
        if facts["kind"] == "wafer":
            assert f"The demo wafer: {sum(facts['dies'].values())} dies" in README
            assert len(facts["dies"]) == 4
        else:
            sizes = [size["drawn_nm"] for size in facts["sizes"]]
            assert f"octagons of {min(sizes):.0f} to {max(sizes):.0f} nm" in README
