"""A small valid recipe as text, line by line, that each test spoils in its own way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from layoutgen.errors import InputError
from layoutgen.recipe.load import LoadedRecipe, load_recipe

BASE = """\
name: base
revision: A
lattice: {kind: square, pitch: 400 nm}
substrate_index: 1.45
pillars:
  library: library.csv
  height: 600 nm
  vertices: 8
  diameter: {min: 120 nm, max: 310 nm}
  ladder: {min: 90 nm, max: 330 nm, step: 1 nm}
  min_gap: 70 nm
  max_aspect_ratio: 8
lenses:
  - name: dot
    wavelength: 940 nm
    aperture: 60 um
    centre: gap
    collar: 0 um
    phase:
      - {kind: focus, focal_length: 150 um}
replication:
  steps:
    - {name: imprint, bias: 4 nm}
    - {name: etch, bias: -6 nm}
exposure:
  exposed: shapes
  backscatter: [{term: gaussian, range: 9 um, ratio: 0.7}]
  bias_table: bias.csv
  address_grid: 1 nm
  write_field: 500 um
deflectors:
  - {name: d8, period: [8, 0], size: 50 um, wavelength: 940 nm}
pads:
  - {name: cd, kind: uniform, diameters: [120 nm, 160 nm], size: 60 um}
  - {name: steps, kind: density, probes: [120 nm], densities: [0.1, 0.2]}
dies:
  lens: [{lens: dot, at: [0 mm, 0 mm]}, {label: die, at: [-1 mm, 1 mm], height: 60 um}]
  wide: [{lens: dot, at: [0 mm, 0 mm], bias: 4 nm}]
  hot: [{lens: dot, at: [0 mm, 0 mm], dose: 1.1}]
  test: [{deflector: d8, at: [-1 mm, 0 mm]}, {pad: cd, at: [1 mm, 0 mm]}]
wafer:
  diameter: 100 mm
  edge_exclusion: 5 mm
  die_pitch: [5 mm, 5 mm]
  fill: lens
  street: 100 um
  zones: [{outer: 30 mm, bias: 0 nm}, {outer: 50 mm, bias: 1 nm}]
  instead:
    - {die: test, sites: [[0, 0], [3, 0]]}
    - {die: wide, sites: [[1, 0]]}
  marks: [{kind: cross, arm: 500 um, width: 20 um, at: [[-40 mm, 2 mm], [40 mm, 2 mm]]}]
output:
  formats: [oasis, gdsii]
  database_unit: 1 nm
  layers: {pillars: 1/0, marks: 2/0}
"""

LIBRARY = """\
# lattice: {kind: square, pitch: 400 nm}
# wavelengths: [940 nm]
# stack: {substrate: {index: 1.45}, pillars: {height: 600 nm}}
diameter_nm,phase_rad,transmission
100,0.0,0.95
200,3.0,0.90
320,7.0,0.95
"""

BIAS = """\
density,diameter_nm,bias_nm
0,100,0
0,300,0
0.8,100,-20
0.8,300,-16
"""

Load = Callable[..., LoadedRecipe]
Faults = Callable[..., Sequence[str]]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """`load((old, new), ...)`: the base recipe with each old text once replaced by the new."""

    def run(*changes: tuple[str, str], library: str = LIBRARY, bias: str = BIAS) -> LoadedRecipe:
        text = BASE
        for old, new in changes:
            assert text.count(old) >= 1, f"the base recipe has no {old!r}"
            text = text.replace(old, new, 1)
        (tmp_path / "library.csv").write_text(library)
        (tmp_path / "bias.csv").write_text(bias)
        recipe = tmp_path / "recipe.yaml"
        recipe.write_text(text)
        return load_recipe(recipe)

    return run


@pytest.fixture
def faults(load: Load) -> Faults:
    """As `load`, for a recipe that must be refused: its sentences."""

    def run(*changes: tuple[str, str], **tables: str) -> Sequence[str]:
        with pytest.raises(InputError) as caught:
            load(*changes, **tables)
        return caught.value.problems

    return run
