"""A short seeded part of the volume runs, and what they found."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

import layoutgen as lg
from tests.e2e_recipes import LONE, Recipe, rehash, write
from tests.volume import inputs, layouts, recipes, watch


def test_mutated_inputs_are_taken_or_refused_in_sentences(tmp_path: Path) -> None:
    held = inputs.bench(tmp_path)
    verdicts = []
    for number in range(300):
        case = inputs.run(held, 20261126, number)
        again = f"python -m tests.volume.inputs --seed 20261126 --one {number}"
        assert case.verdict != "failed", f"{again}: {case.said}"
        assert case.verdict == "taken" or "want" in case.said, f"{again}: {case.said}"
        verdicts.append(case.verdict)
    assert {"taken", "refused"} <= set(verdicts)


def test_mutated_layouts_are_never_called_equal(tmp_path: Path) -> None:
    built = layouts.build(tmp_path)
    verdicts = []
    for number in range(120):
        case = layouts.run(built, 20261126, number)
        again = f"python -m tests.volume.layouts --seed 20261126 --one {number}"
        assert case.verdict != "failed", f"{again}: {case.said}"
        verdicts.append(case.verdict)
    assert "different" in verdicts
    rehash(built.folder)
    assert lg.verify(built.folder) == []


@pytest.mark.parametrize("number", [5, 8, 9, 11, 15, 19, 20])
def test_recipes_drawn_at_random_agree_with_the_slow_model(number: int, tmp_path: Path) -> None:
    # quick ones, with both lattices, all kernel terms, squares, both tones and transfers, splits and zones
    verdict = recipes.judged(4, number, tmp_path)
    again = f"python -m tests.volume.recipes --seed 4 --one {number}"
    assert verdict.word == "agrees", f"{again}: {verdict.said}"
    assert verdict.sites > 5000


def _wait_for_the_clock() -> tuple[str, str]:
    time.sleep(5)
    return "taken", ""


def _hold_a_gigabyte() -> tuple[str, str]:
    return "taken", str(len(bytearray(b"x") * (1100 << 20)))


def _divide_by_nothing() -> tuple[str, str]:
    return "taken", str(1 // 0)


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (_wait_for_the_clock, "over 0.2 s"),
        (_hold_a_gigabyte, "over 700 MB"),
        (_divide_by_nothing, "ZeroDivisionError"),
        (lambda: ("refused", " "), "without a word"),
    ],
)
def test_the_watch_fails_what_it_should(
    monkeypatch: pytest.MonkeyPatch, work: watch.Work, said: str
) -> None:
    if "0.2" in said:
        monkeypatch.setattr(watch, "LONGEST_S", 0.2)
    case = watch.watched(work)
    assert case.verdict == "failed"
    assert said in case.said


def test_a_wafer_without_pillars_is_built(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["dies"]["lens"] = [{"label": "die", "at": ["0 um", "0 um"], "height": "14 um"}]

    job = lg.build(lg.load_recipe(write(tmp_path, LONE, change)), tmp_path / "out")
    assert job.manifest["pillars"] == 0
    assert job.manifest["verified"]
    assert (job.folder / "sem_sites.csv").read_text().count("\n") == 2  # its job and its columns


def test_dies_may_be_empty(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["dies"]["lens"] = []

    job = lg.build(lg.load_recipe(write(tmp_path, LONE, change)), tmp_path / "out")
    assert job.manifest["verified"]


def test_a_range_of_one_pitch_fails_its_rule_within_seconds(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["exposure"]["backscatter"][0]["range"] = "400 nm"

    rules = {
        rule.name: rule for rule in lg.check(lg.load_recipe(write(tmp_path, LONE, change))).rules
    }
    assert not rules["kernel_range"].ok


def test_a_lens_without_a_site_is_refused(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["lenses"][0]["aperture"] = "310 nm"  # its nearest sites are 283 nm from the axis

    found = lg.check(lg.load_recipe(write(tmp_path, LONE, change)))
    (problem,) = found.problems
    assert problem.startswith("lone.yaml:")
    assert problem.endswith(": lens dot: want room for at least one site of its lattice, got none")
