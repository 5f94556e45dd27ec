"""The sample tables: libraries come from the specs beside them, first bias tables from their script."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from layoutgen.optics.library import STEEPEST_PER_NM, coverage
from layoutgen.pipeline.library import array_of, load_spec, sizes_of
from layoutgen.recipe.spec import header_lines, spec_of_header
from layoutgen.recipe.tables import read_bias, read_library


def test_the_sample_bias_tables_are_rebuilt_byte_for_byte(tmp_path: Path, root: Path) -> None:
    script = root / "samples/make_samples.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True)
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*.csv")}
    kept = {
        p.relative_to(root / "samples"): p.read_bytes()
        for p in (root / "samples/bias").rglob("*.csv")
    }
    assert made == kept


@pytest.mark.parametrize("name", ["asi-940nm", "sin-633nm"])
def test_sample_libraries_are_what_their_specs_give(name: str, root: Path) -> None:
    data = (root / f"samples/libraries/{name}.csv").read_bytes()
    assert b"invented" not in data
    loaded = load_spec(root / f"samples/libraries/{name}.yaml")
    assert data.decode().splitlines()[: len(header_lines(loaded))] == header_lines(loaded)
    table = read_library(data, name)
    assert spec_of_header(table.header) == loaded.spec
    assert table.size_nm.tolist() == sizes_of(loaded.spec).tolist()
    array = array_of(loaded.spec, loaded.spec.wavelengths_nm[0])
    # some rows again, those beside the resonance of silicon near 238 nm among them; six decimals are kept
    some = np.isin(table.size_nm, [*range(100, 331, 46), 236, 239])
    assert some.sum() >= 4
    with threadpool_limits(1):
        t = np.array(
            [
                array.respond(size, loaded.spec.orders)[0].transmission
                for size in table.size_nm[some]
            ]
        )
    assert np.abs(np.abs(t) ** 2 - table.transmission[some]).max() < 1e-6
    assert np.abs(np.angle(t * np.exp(-1j * table.phase_rad[some]))).max() < 1e-6


@pytest.mark.parametrize("name, narrow", [("asi-940nm", 13), ("sin-633nm", 0)])
def test_sample_libraries_cover_a_turn_of_phase_with_pillars_that_pass_light(
    name: str, narrow: int, root: Path
) -> None:
    table = read_library((root / f"samples/libraries/{name}.csv").read_bytes(), name)
    t = np.sqrt(table.transmission) * np.exp(1j * table.phase_rad)
    steep = np.abs(np.diff(t)) / np.diff(table.size_nm) > STEEPEST_PER_NM
    assert table.flag.tolist() == (np.append(steep, False) | np.insert(steep, 0, False)).tolist()
    assert table.flag.sum() == narrow
    assert coverage(table.phase_rad[~table.flag]) > 6.1
    assert table.transmission[~table.flag].min() > 0.8
    assert (np.diff(table.phase_rad)[~(table.flag[1:] | table.flag[:-1])] > 0).all()


@pytest.mark.parametrize("name, diameter_nm", [("start", 200), ("start-633nm", 160)])
def test_sample_biases_fall_with_density(name: str, diameter_nm: float, root: Path) -> None:
    data = (root / f"samples/bias/{name}.csv").read_bytes()
    assert b"invented for this demonstration" in data
    table = read_bias(data, name)
    assert (np.diff(table.bias_nm, axis=0) < 0).all()
    column = table.bias_nm[:, table.diameters_nm == diameter_nm][:, 0]
    assert column[table.densities < 0.25].min() > 0 > column[table.densities > 0.25].max()
