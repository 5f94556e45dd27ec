"""Fixtures that more than one room's tests use: the tree, and a small recipe that a test may change."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import settings

# Examples are drawn the same way in every run, so a red test is red again; no deadline, because
# the first call of a compiled kernel takes seconds.
settings.register_profile("layoutgen", deadline=None, derandomize=True)
settings.load_profile("layoutgen")


@pytest.fixture(scope="session")
def root() -> Path:
    """The top of the tree: README.md, recipes/, samples/."""
    return Path(__file__).resolve().parent.parent


def library_text(*, pitch_nm: int, wavelength_nm: int, low_nm: int, high_nm: int) -> str:
    """A library whose phase rises evenly by one turn from low to high, transmission 0.9.

    Made up, so that what a lens should do with it is known by hand: no physics is claimed.
    """
    lines = [
        f"# lattice: {{kind: square, pitch: {pitch_nm} nm}}",
        f"# wavelengths: [{wavelength_nm} nm]",
        "diameter_nm,phase_rad,transmission",
    ]
    for diameter_nm in range(low_nm, high_nm + 1):
        phase_rad = 2 * math.pi * (diameter_nm - low_nm) / (high_nm - low_nm)
        lines.append(f"{diameter_nm},{phase_rad:.9f},0.9")
    return "\n".join(lines) + "\n"


def bias_text(slope_nm: float) -> str:
    """A bias table that falls evenly with density, the same for every diameter."""
    lines = ["density,diameter_nm,bias_nm"]
    for density in (0.0, 0.25, 0.5, 0.75, 1.0):
        lines += [f"{density},{d},{-slope_nm * density:.4f}" for d in (50, 150, 250, 350)]
    return "\n".join(lines) + "\n"


@pytest.fixture
def small_recipe(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes a recipe for one die with one 60 um lens, and its tables.

    `small_recipe()` gives the recipe's path; `small_recipe(change)` first calls `change(data)` on
    the plain data. The build takes well under a second once kernels are compiled.
    """

    def write(change: Callable[[dict[str, Any]], None] | None = None) -> Path:
        (tmp_path / "library.csv").write_text(
            library_text(pitch_nm=400, wavelength_nm=940, low_nm=120, high_nm=310)
        )
        (tmp_path / "bias.csv").write_text(bias_text(20.0))
        data: dict[str, Any] = {
            "name": "small",
            "revision": "A",
            "lattice": {"kind": "square", "pitch": "400 nm"},
            "substrate_index": 1.45,
            "pillars": {
                "library": "library.csv",
                "height": "600 nm",
                "diameter": {"min": "120 nm", "max": "310 nm"},
                "ladder": {"min": "90 nm", "max": "330 nm", "step": "1 nm"},
                "min_gap": "70 nm",
                "max_aspect_ratio": 8,
            },
            "lenses": [
                {
                    "name": "dot",
                    "wavelength": "940 nm",
                    "aperture": "60 um",
                    "phase": [{"kind": "focus", "focal_length": "150 um"}],
                }
            ],
            "exposure": {
                "forward_range": "18 nm",
                "backscatter": [{"term": "gaussian", "range": "9 um", "ratio": 0.7}],
                "reference": {"density": 0.25, "diameter": "200 nm"},
                "bias_table": "bias.csv",
                "address_grid": "1 nm",
            },
            "dies": {"lens": [{"lens": "dot", "at": ["0 um", "0 um"]}]},
            "wafer": {
                "diameter": "200 um",
                "die_pitch": ["100 um", "100 um"],
                "grid_offset": "die",
                "fill": "lens",
            },
            "output": {"formats": ["oasis", "gdsii"]},
        }
        if change is not None:
            change(data)
        path = tmp_path / "small.yaml"
        path.write_text(yaml.safe_dump(data, sort_keys=False))
        return path

    return write
