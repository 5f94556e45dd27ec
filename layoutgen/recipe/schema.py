"""The recipe's JSON Schema (draft 2020-12), for editors that complete and check as one types.

It is made from the models, so it has their keys, limits and descriptions. What takes two keys or
a file to judge stays with `load_recipe`.
"""

from __future__ import annotations

from typing import Any

from layoutgen.recipe.model import Recipe

__all__ = ["recipe_schema"]


def recipe_schema() -> dict[str, Any]:
    """Return the schema as plain data; keys are those of the YAML file."""
    schema = Recipe.model_json_schema(by_alias=True, mode="validation")
    schema["title"] = "layoutgen recipe"
    for model in schema["$defs"].values():
        model.pop("title", None)
        _without_titles(model)
    _without_titles(schema)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _without_titles(model: dict[str, Any]) -> None:
    """Drop the titles that only repeat an attribute's name; the descriptions say more."""
    for prop in model.get("properties", {}).values():
        prop.pop("title", None)
        # a default is given in the number that the key becomes; the file wants text with a unit
        if prop.get("type") == "string" and not isinstance(prop.get("default", ""), str):
            prop.pop("default")
