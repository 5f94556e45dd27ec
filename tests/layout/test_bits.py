"""The bytes of a layout do not depend on the processor."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PROGRAM = """
import hashlib
from tests.layout.layouts import SQUARE, HEXAGONAL, block_cell, gdsii_bytes, oasis_bytes
from tests.layout.layouts import phase_codes, table_of
table = table_of(100)
for focal in (40.0, 2000.0):
    for lattice in (SQUARE, HEXAGONAL):
        codes = phase_codes(70, 130, 100, focal=focal, col0=500)
        cell = block_cell("BLOCK", codes, table, lattice, 3, 5)
        for data in (oasis_bytes([cell]), oasis_bytes([cell], compression="small"),
                     gdsii_bytes([cell])):
            print(hashlib.sha256(data).hexdigest())
"""


def run(root: Path, cache: Path, processor: str | None) -> str:
    environment = {**os.environ, "PYTHONPATH": str(root), "NUMBA_CACHE_DIR": str(cache)}
    if processor is not None:
        environment |= {"NUMBA_CPU_NAME": processor, "NUMBA_CPU_FEATURES": ""}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, env=environment
    )
    return done.stdout


def test_a_processor_without_extensions_writes_the_same_bytes(root: Path, tmp_path: Path) -> None:
    # NUMBA_CPU_NAME=generic compiles for the common instruction set (numba's documentation)
    here = run(root, tmp_path / "host", None)
    assert len(here.splitlines()) == 12
    assert run(root, tmp_path / "generic", "generic") == here
