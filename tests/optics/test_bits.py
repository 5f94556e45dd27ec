"""The per-site kernels give the same bits on the plainest and on the host's instruction set."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import layoutgen

PROGRAM = """
import hashlib
import numpy as np
from numba.core import config
from pydantic import TypeAdapter
from layoutgen.optics.choose import wrap_bin
from layoutgen.optics.phase import compile_phase, turns
from layoutgen.optics.sampling import deflector_program
from layoutgen.recipe.model import PhaseTerm

terms = TypeAdapter(list[PhaseTerm]).validate_python([
    {"kind": "focus", "focal_length": "123 um", "centre": ("1.1 um", "-2.3 um")},
    {"kind": "relay", "object_distance": "777 um", "image_distance": "88 um"},
    {"kind": "polynomial", "coefficients": (31.0, -7.7, 0.3)},
    {"kind": "tilt", "angle": "11 deg", "direction": "33 deg", "index": 1.3},
    {"kind": "spiral", "charge": 3},
    {"kind": "cylinder", "focal_length": "222 um", "direction": "72 deg"},
    {"kind": "axicon", "angle": "9 deg"},
    {"kind": "zernike", "coefficients": {j: 0.1 * j for j in range(40)}},
    {"kind": "sampled", "file": "a", "pitch": "5 um"},
])
rng = np.random.default_rng(5)
samples = {"a": np.round(rng.normal(size=(51, 47)), 6)}
programs = [
    compile_phase(part, wavelength_nm=633, half_aperture_nm=1e5, sampled=samples)
    for part in [[t] for t in terms] + [terms]
] + [deflector_program((7, 3), kind="hexagonal", pitch_nm=400, row_nm=346)]
x = (np.arange(-300, 301) * 0.317)[None, :]
y = (np.arange(-40, 41) * 2.31)[:, None]
print(config.CPU_NAME or "host")
for program in programs:
    phase = turns(program, x, y)
    bins = np.array([wrap_bin(t) for t in phase.ravel()[::7]])
    print(hashlib.sha256(phase.tobytes()).hexdigest(), hashlib.sha256(bins.tobytes()).hexdigest())
"""


def lines(cache: Path, **settings: str) -> list[str]:
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache), **settings}
    env["PYTHONPATH"] = str(Path(layoutgen.__file__).parents[1])
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM], env=env, capture_output=True, text=True, check=True
    )
    return ran.stdout.split("\n")


def test_two_instruction_sets_give_the_same_bits(tmp_path: Path) -> None:
    # IEEE 754 fixes + - * / sqrt and floor; what could differ is a fused multiply-add.
    plain = lines(tmp_path / "plain", NUMBA_CPU_NAME="generic", NUMBA_CPU_FEATURES="")
    host = lines(tmp_path / "host")
    assert (plain[0], host[0]) == ("generic", "host")
    assert plain[1:] == host[1:]
    assert len(set(host[1:12])) == 11  # eleven different phases were compared
