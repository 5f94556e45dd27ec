"""A recipe with the least that a wafer needs, as plain data that a test may change."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from layoutgen.recipe.model import Recipe


def recipe_from(data: dict[str, Any]) -> Recipe:
    return Recipe.model_validate_json(json.dumps(data))


@pytest.fixture
def wafer_recipe() -> Callable[..., Recipe]:
    """`wafer_recipe(change)`: a recipe after `change(data)`; a 200 mm wafer, 5 mm dies, one lens each."""

    def make(change: Callable[[dict[str, Any]], None] | None = None) -> Recipe:
        data: dict[str, Any] = {
            "name": "plan",
            "revision": "A",
            "lattice": {"kind": "square", "pitch": "400 nm"},
            "lenses": [
                {
                    "name": "big",
                    "wavelength": "940 nm",
                    "aperture": "2 mm",
                    "phase": [{"kind": "focus", "focal_length": "3 mm"}],
                }
            ],
            "deflectors": [
                {"name": "d8", "period": [8, 0], "size": "500 um", "wavelength": "940 nm"}
            ],
            "pads": [
                {
                    "name": "cd",
                    "kind": "uniform",
                    "diameters": ["120 nm", "200 nm"],
                    "size": "60 um",
                },
                {
                    "name": "ladder",
                    "kind": "density",
                    "probes": ["120 nm", "200 nm", "280 nm"],
                    "densities": [0.4, 0.1],
                },
            ],
            "exposure": {
                "backscatter": [{"term": "gaussian", "range": "9 um", "ratio": 0.7}],
            },
            "dies": {"lens": [{"lens": "big", "at": ["0 mm", "0 mm"]}]},
            "wafer": {
                "diameter": "200 mm",
                "edge_exclusion": "5 mm",
                "die_pitch": ["5 mm", "5 mm"],
                "grid_offset": "die",
                "fill": "lens",
            },
        }
        if change is not None:
            change(data)
        return recipe_from(data)

    return make
