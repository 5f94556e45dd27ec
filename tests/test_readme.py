"""What the README tells a newcomer to type exists and is right."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
import yaml

from layoutgen.recipe.load import load_recipe

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def fenced(text: str, language: str | None = None) -> list[str]:
    """The fenced blocks of a Markdown page, all or those of one language."""
    blocks = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.M | re.S)
    return [body for kind, body in blocks if language in (None, kind)]


def test_first_fenced_block_is_the_demo_and_the_tests_each_in_one_line() -> None:
    lines = fenced(README)[0].splitlines()
    assert len(lines) == 2
    demo, tests = (line.split(" && ") for line in lines)
    for steps in (demo, tests):
        assert steps[0].startswith("python3 -m venv ")
        assert " install " in steps[1]
    assert demo[-1].endswith("layoutgen build recipes/porch-collimator.yaml --out jobs")
    assert re.search(r"\bpytest\b", tests[-1])


def test_every_file_that_the_pages_name_exists() -> None:
    for page in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        named = set(re.findall(r"\b(?:recipes|samples|tests|\.ci)/[\w./-]*\w", text))
        named |= set(re.findall(r"\]\(([\w./-]+)\)", text))
        missing = sorted(path for path in named if not (ROOT / path).exists())
        assert not missing, f"{page} names {missing}"


@pytest.mark.parametrize(
    "command", sorted(set(re.findall(r"(?:^|[/`]|\$ )layoutgen ([a-z-]+)", README, re.M)))
)
def test_command_in_the_readme_exists(command: str) -> None:
    code = "from layoutgen.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, command, "--help"], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_recipe_in_the_readme_is_the_sample_recipe() -> None:
    explained = yaml.safe_load(fenced(README, "yaml")[0])
    sample = ROOT / "recipes" / "porch-collimator.yaml"
    assert explained == yaml.safe_load(sample.read_text(encoding="utf-8"))
    assert load_recipe(sample).recipe.name == explained["name"]


def test_library_spec_in_the_readme_is_the_sample_spec() -> None:
    explained = yaml.safe_load(fenced(README, "yaml")[1])
    sample = ROOT / "samples" / "libraries" / "asi-940nm.yaml"
    assert explained == yaml.safe_load(sample.read_text(encoding="utf-8"))


def test_installed_version_is_that_of_the_tree() -> None:
    # After a change of the version an editable install must be made again, or manifests lie.
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert version("layoutgen") == project["version"]


def test_every_module_has_its_job_told_in_developers_md() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = set(re.findall(r"^\| `([a-z_0-9.]+)` \|", text, re.M))
    package = ROOT / "layoutgen"
    jobs = {
        ".".join(path.relative_to(package).with_suffix("").parts): path.read_text(encoding="utf-8")
        for path in package.rglob("*.py")
        if path.name != "__init__.py"
    }
    # what to paste into the table, from the modules' own first lines
    missing = [
        f"| `{module}` | {source.splitlines()[0].strip(chr(34)).rstrip('.')} |"
        for module, source in sorted(jobs.items())
        if module not in told
    ]
    assert not missing, "the table of modules lacks\n" + "\n".join(missing)
    assert told <= set(jobs), f"the table of modules has {sorted(told - set(jobs))}"


def test_option_in_the_readme_exists() -> None:
    code = "from layoutgen.cli import main; main()"
    helps = ""
    for command in sorted(set(re.findall(r"(?:^|[/`]|\$ )layoutgen ([a-z-]+)", README, re.M))):
        helps += subprocess.run(
            [sys.executable, "-c", code, command, "--help"],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "COLUMNS": "200", "NO_COLOR": "1", "TERM": "dumb"},
        ).stdout
    # the script that the loop is tried with has options of its own
    script = [sys.executable, str(ROOT / "samples" / "invented_process.py"), "--help"]
    helps += subprocess.run(script, capture_output=True, text=True, check=True).stdout
    told = set(re.findall(r"[` ](--[a-z][a-z-]+)", README))
    assert {"--out", "--json"} <= told
    assert told <= set(re.findall(r"--[a-z][a-z-]+", helps))


def test_every_key_of_the_schema_is_explained() -> None:
    code = "from layoutgen.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "schema"], capture_output=True, text=True, check=True
    )

    def keys(node: object) -> set[str]:
        if isinstance(node, list):
            return set().union(*map(keys, node))
        if not isinstance(node, dict):
            return set()
        held = node.get("properties")
        own = set(held) if isinstance(held, dict) else set()
        return own.union(*map(keys, node.values()))

    section = README[README.index("## A recipe") : README.index("## A library")]
    known = keys(json.loads(done.stdout))
    assert len(known) > 60
    assert [key for key in sorted(known) if not re.search(rf"\b{key}\b", section)] == []
