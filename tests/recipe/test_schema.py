"""The JSON Schema: valid by draft 2020-12's own meta-schema, as judged by the jsonschema package."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from layoutgen.recipe.schema import recipe_schema


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = recipe_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def _plain(path: Path) -> Any:
    # through JSON, as an editor's checker sees it
    return json.loads(json.dumps(yaml.safe_load(path.read_text())))


@pytest.mark.parametrize("name", ["porch-collimator", "lantern-visible"])
def test_the_recipes_that_come_with_the_project_fit_the_schema(
    name: str, root: Path, validator: jsonschema.Draft202012Validator
) -> None:
    assert list(validator.iter_errors(_plain(root / "recipes" / f"{name}.yaml"))) == []


def _spoil(change: str, recipe: Any) -> Any:
    spoilt = copy.deepcopy(recipe)
    if change == "bare number":
        spoilt["lattice"]["pitch"] = 400
    elif change == "wrong unit":
        spoilt["lattice"]["pitch"] = "400 deg"
    elif change == "unknown key":
        spoilt["lenses"][0]["apertur"] = "3 mm"
    elif change == "missing key":
        del spoilt["wafer"]["fill"]
    elif change == "wrong choice":
        spoilt["lattice"]["kind"] = "round"
    elif change == "point of three":
        spoilt["dies"]["lens"][0]["at"] = ["0 mm", "0 mm", "0 mm"]
    elif change == "label":
        spoilt["dies"]["lens"][1]["label"] = "dice"
    return spoilt


@pytest.mark.parametrize(
    "change",
    ["bare number", "wrong unit", "unknown key", "missing key", "wrong choice", "point of three",
     "label"],
)  # fmt: skip
def test_what_a_recipe_may_not_hold_does_not_fit_the_schema(
    change: str, root: Path, validator: jsonschema.Draft202012Validator
) -> None:
    recipe = _plain(root / "recipes/porch-collimator.yaml")
    assert not validator.is_valid(_spoil(change, recipe))


def _properties(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, model in [("recipe", schema), *schema["$defs"].items()]:
        for key, prop in model.get("properties", {}).items():
            yield f"{name}.{key}", prop


def test_every_key_is_described() -> None:
    for name, prop in _properties(recipe_schema()):
        assert "description" in prop or "const" in prop, f"{name} has no description"


def test_keys_are_those_of_the_file_without_units() -> None:
    keys = {name.rsplit(".", 1)[1] for name, _ in _properties(recipe_schema())}
    assert {"aperture", "focal_length", "database_unit"} <= keys
    assert not any(key.endswith(("_nm", "_deg", "_ppm", "_bytes")) for key in keys)
