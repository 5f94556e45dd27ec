"""What is built, pillar by pillar, against a slow model that shares no code with the package."""

from __future__ import annotations

from pathlib import Path

import pytest

import layoutgen as lg
from tests.reference.compare import compare, manifest_problems
from tests.reference.make import CASES, write


@pytest.mark.parametrize("name", sorted(CASES))
def test_every_pillar_is_the_one_that_the_slow_model_draws(name: str, tmp_path: Path) -> None:
    path, case = write(name, tmp_path / "recipe")
    out = tmp_path / "out"
    lg.build(lg.load_recipe(path), out)
    job = out / f"{case.recipe['name']}-{case.recipe['revision']}"
    report = compare(path, job)
    assert not report.wrong, f"{name}: {report.line()}\n" + "\n".join(report.wrong + report.notes)
    assert report.sites >= 5000
    # most sizes must agree outright: those near a rounding boundary are few
    assert report.exact >= 0.97 * report.sites, report.line()
    problems = manifest_problems(report, job, case.symmetry)
    assert not problems, "\n".join(problems)
