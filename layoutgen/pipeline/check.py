"""`check`: everything short of writing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from layoutgen.errors import InputError
from layoutgen.pipeline.budget import short_form
from layoutgen.pipeline.design import Progress, design, quiet
from layoutgen.pipeline.facts import (
    count_codes,
    expected_bytes,
    lens_counts,
    lens_facts,
    plain_variants,
    sem_facts,
    sem_sites_of,
    time_of,
)
from layoutgen.pipeline.rules import built_rules, rule_facts, rule_warnings
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.review.writetime import WriteTime
from layoutgen.wafer.plan import RuleResult
from layoutgen.workers import cores


@dataclass(frozen=True, eq=False)
class Check:
    """What `check` found: everything short of writing."""

    problems: tuple[str, ...]
    warnings: tuple[str, ...]
    rules: tuple[RuleResult, ...]
    dies: dict[str, int]
    pillars: int
    bytes: dict[str, int]
    write_time: WriteTime | None
    lenses: dict[str, dict[str, Any]]
    tolerances: dict[str, dict[str, Any]] = field(default_factory=dict)
    sem: dict[str, Any] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        return not self.problems and all(rule.ok for rule in self.rules)

    def as_json(self) -> dict[str, Any]:
        return {
            "problems": list(self.problems),
            "warnings": list(self.warnings),
            "rules": rule_facts(self.rules),
            "dies": self.dies,
            "pillars": self.pillars,
            "bytes": self.bytes,
            "write_time_s": None if self.write_time is None else self.write_time.total_s,
            "lenses": self.lenses,
            "tolerances": self.tolerances,
            "sem": self.sem,
        }


def check(loaded: LoadedRecipe, *, jobs: int | None = None, progress: Progress = quiet) -> Check:
    """Everything short of writing: problems, counts, rules, expected sizes and write time."""
    workers = cores() if jobs is None else jobs
    try:
        wafer = design(loaded, progress, workers)
    except InputError as error:
        return Check(error.problems, (), (), {}, 0, {}, None, {})
    counts = {}
    for index, variant in enumerate(wafer.tree.variants):
        progress("counting pillars", index / len(wafer.tree.variants))
        counts[index] = count_codes(variant, workers)
    plain, size = plain_variants(wafer), expected_bytes(wafer)
    return Check(
        (),
        (*wafer.warnings, *rule_warnings(wafer)),
        tuple(built_rules(wafer, counts, size.get("gdsii"))),
        wafer.plan.die_counts,
        wafer.tree.pillars,
        size,
        time_of(wafer, counts),
        lens_facts(wafer, plain, lens_counts(wafer, plain, counts, workers)),
        short_form(wafer),
        sem_facts(sem_sites_of(wafer)),
    )
