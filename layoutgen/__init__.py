"""From a recipe for flat optics to a proven wafer layout.

Every command is one function: `import layoutgen as lg; job = lg.build(lg.load_recipe(p), out)`.
Names are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

from layoutgen.caches import provide_caches

__all__ = [
    "Job",
    "__version__",
    "build",
    "check",
    "compare",
    "library",
    "load_recipe",
    "load_spec",
    "open_job",
    "picture",
    "predict",
    "recipe_schema",
    "refine",
    "seed_bias",
    "show_library",
    "verify",
]

_FROM = {
    "load_recipe": "layoutgen.recipe.load",
    "recipe_schema": "layoutgen.recipe.schema",
    "build": "layoutgen.pipeline.build",
    "check": "layoutgen.pipeline.check",
    "library": "layoutgen.pipeline.library",
    "load_spec": "layoutgen.pipeline.library",
    "show_library": "layoutgen.pipeline.library",
    "seed_bias": "layoutgen.pipeline.seed",
    "verify": "layoutgen.pipeline.verify",
    "compare": "layoutgen.pipeline.compare",
    "picture": "layoutgen.pipeline.picture",
    "predict": "layoutgen.pipeline.predict",
    "refine": "layoutgen.pipeline.refine",
    "open_job": "layoutgen.pipeline.job",
    "Job": "layoutgen.pipeline.job",
}


provide_caches(Path(__file__).parent)  # before anything compiles kernels or draws


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("layoutgen.pipeline.job").layoutgen_version()
    if name in _FROM:
        return getattr(import_module(_FROM[name]), name)
    raise AttributeError(f"module 'layoutgen' has no attribute {name!r}")
