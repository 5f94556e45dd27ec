"""What a release rests on: exact versions that fit the ranges, and a changelog that names the version."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import version
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def constraints() -> dict[str, str]:
    """Exact version by name, as package indexes spell names (PEP 503)."""
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split("==") for line in lines if not line.startswith("#")]
    return {re.sub(r"[-_.]+", "-", name).lower(): exact for name, exact in pairs}


def test_the_exact_versions_cover_every_dependency_and_lie_in_its_range() -> None:
    exact = constraints()
    wanted = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
    for requirement in map(Requirement, wanted):
        name = re.sub(r"[-_.]+", "-", requirement.name).lower()
        assert name in exact, f"{name} has no exact version in .ci/constraints.txt"
        assert exact[name] in requirement.specifier, f"{requirement}: {exact[name]}"


def test_the_changelog_has_a_section_of_this_version() -> None:
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.search(rf"^## {re.escape(version('layoutgen'))}\b", text, re.M)
