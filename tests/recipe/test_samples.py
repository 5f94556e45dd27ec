"""The sample tables come byte for byte from their script, and say that they are invented."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from layoutgen.recipe.tables import read_bias, read_library


def test_the_sample_tables_are_rebuilt_byte_for_byte(tmp_path: Path, root: Path) -> None:
    script = root / "samples/make_samples.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True)
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*.csv")}
    kept = {
        p.relative_to(root / "samples"): p.read_bytes() for p in (root / "samples").rglob("*.csv")
    }
    assert made == kept


@pytest.mark.parametrize("name", ["asi-940nm", "sin-633nm"])
def test_sample_libraries_rise_in_phase_and_pass_most_light(name: str, root: Path) -> None:
    data = (root / f"samples/libraries/{name}.csv").read_bytes()
    assert b"invented for this demonstration" in data
    table = read_library(data, name)
    assert (np.diff(table.phase_rad) > 0).all()
    assert table.transmission.min() > 0.85
    # no interval is steeper than 0.15 per nm in complex transmission, so none would be barred
    t = np.sqrt(table.transmission) * np.exp(1j * table.phase_rad)
    assert (np.abs(np.diff(t)) / np.diff(table.size_nm)).max() < 0.15


@pytest.mark.parametrize("name, diameter_nm", [("start", 200), ("start-633nm", 160)])
def test_sample_biases_fall_with_density(name: str, diameter_nm: float, root: Path) -> None:
    data = (root / f"samples/bias/{name}.csv").read_bytes()
    assert b"invented for this demonstration" in data
    table = read_bias(data, name)
    assert (np.diff(table.bias_nm, axis=0) < 0).all()
    column = table.bias_nm[:, table.diameters_nm == diameter_nm][:, 0]
    assert column[table.densities < 0.25].min() > 0 > column[table.densities > 0.25].max()
