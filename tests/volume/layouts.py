"""Mutated layout files: `verify` refuses them or finds a difference, and never calls another layout equal.

    python -m tests.volume.layouts --count 10000 --seed 1         counts, slowest case, failures
    python -m tests.volume.layouts --seed 1 --one 1234            one case again, and what was said of it

Half of the cases alter an OASIS file and half a GDSII file; checksum and manifest are brought up to date, so
that only the reading of the file itself can find what changed. Where `verify` finds nothing, klayout must find
the same polygons on the same layers as in the file that was built. A case fails with an exception, over 10 s,
over 1 GB, or with an `equal` that klayout does not share.
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

import klayout.db as kdb
import numpy as np

import layoutgen as lg
from layoutgen.pipeline.design import Wafer, design
from layoutgen.pipeline.job import Job
from layoutgen.pipeline.verify import verify_folder
from tests.e2e_recipes import FULL, rehash, write
from tests.volume.watch import Case, run_many, watched

SUFFIXES = {"oasis": ".oas", "gdsii": ".gds"}


@dataclass(frozen=True)
class Built:
    """A job and its design, from which every case starts."""

    folder: Path
    wafer: Wafer
    files: dict[str, bytes]
    polygons: dict[str, str]


def build(folder: Path) -> Built:
    loaded = lg.load_recipe(write(folder / "recipe", FULL))
    job = lg.build(loaded, folder / "jobs")
    files = {form: job.layout(form).read_bytes() for form in SUFFIXES}
    drawn = {form: polygons(job.layout(form)) for form in SUFFIXES}
    return Built(job.folder, design(loaded), files, drawn)


def polygons(path: Path) -> str:
    """A digest of the flattened polygons of every layer, by klayout."""
    layout = kdb.Layout()
    layout.read(str(path))
    tops = layout.top_cells()
    total = hashlib.sha256()
    for index in sorted(layout.layer_indexes(), key=lambda i: layout.get_info(i).to_s()):
        info = layout.get_info(index)
        lines = []
        for top in tops:
            shapes = top.begin_shapes_rec(index)
            while not shapes.at_end():
                lines.append(shapes.shape().polygon.transformed(shapes.trans()).to_s())
                shapes.next()
        if lines:
            total.update(f"{info.layer}/{info.datatype} {sorted(lines)}".encode())
    return total.hexdigest()


def mutate(data: bytes, form: str, rng: np.random.Generator) -> bytes:
    """One to three changes to the bytes of a layout file, its checksum renewed."""
    for _ in range(int(rng.integers(1, 4))):
        at, kind = int(rng.integers(len(data))), int(rng.integers(7))
        length = int(rng.integers(1, 40))
        some = rng.integers(0, 256, length, dtype=np.uint8).tobytes()
        other = int(rng.integers(len(data)))
        if kind == 0:
            data = data[:at] + bytes([data[at] ^ 1 << int(rng.integers(8))]) + data[at + 1 :]
        elif kind == 1:
            data = data[:at] + some[:1] + data[at + 1 :]
        elif kind == 2:
            data = data[:at] + data[at + length :]
        elif kind == 3:
            data = data[:at] + some + data[at:]
        elif kind == 4:
            data = data[:at] + data[other : other + length] + data[at + length :]
        elif kind == 5:
            data = data[:at] + data[at : at + length] + data[at:]
        else:
            data = data[:at]
        if not data:
            data = b"\0"
    if form == "oasis" and len(data) > 4:
        data = data[:-4] + zlib.crc32(data[:-4]).to_bytes(4, "little")
    return data


def run(built: Built, seed: int, number: int) -> Case:
    """Refused, different, equal or failed."""
    rng = np.random.default_rng([seed, number])
    form = list(SUFFIXES)[number % 2]
    data = mutate(built.files[form], form, rng)
    if data == built.files[form]:
        return Case("equal", "", 0.0, 0.0)
    path = Job(built.folder, lg.open_job(built.folder).manifest).layout(form)
    path.write_bytes(data)
    rehash(built.folder)

    def work() -> tuple[str, str]:
        found = verify_folder(lg.open_job(built.folder), wafer=built.wafer, jobs=1)
        return ("different", found[0]) if found else ("equal", "")

    case = watched(work)
    if case.verdict == "equal":
        try:
            same = polygons(path) == built.polygons[form]
        except RuntimeError as error:  # klayout is stricter in something that holds no shape
            case = replace(
                case, verdict="failed", said=f"equal, and klayout does not read it: {error}"
            )
        else:
            if not same:
                case = replace(
                    case, verdict="failed", said="equal, and klayout finds other polygons"
                )
    path.write_bytes(built.files[form])
    return case


def main() -> int:
    with tempfile.TemporaryDirectory() as scratch:
        built = build(Path(scratch))
        return run_many(
            "tests.volume.layouts", __doc__, ("refused", "different", "equal"),
            lambda seed, number: run(built, seed, number),
        )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
