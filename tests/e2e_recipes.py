"""Small wafers that hold one of everything, and what end-to-end tests do with them.

`write(folder)` puts a recipe and its tables into a folder; `change` may alter the plain data
first. Libraries and bias tables are made up, so that what should come out is known by hand.
"""

from __future__ import annotations

import copy
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Collection, Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import yaml
from numpy.typing import NDArray

from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import Part
from layoutgen.layout.tree import Variant
from tests.conftest import bias_text, library_text

__all__ = [
    "CLI",
    "FULL",
    "LONE",
    "Recipe",
    "environment",
    "files",
    "flat_codes",
    "klayout_pillars",
    "rehash",
    "run",
    "turned",
    "variant_codes",
    "write",
]

Recipe = dict[str, Any]
#: The command line in a process of its own, without need of an installed script.
CLI = [sys.executable, "-c", "from layoutgen.cli import main; main()"]

#: One lens alone on one die.
LONE: Recipe = {
    "name": "lone",
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
            "aperture": "40 um",
            "phase": [{"kind": "focus", "focal_length": "80 um"}],
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
        "diameter": "300 um",
        "die_pitch": ["150 um", "150 um"],
        "grid_offset": "die",
        "fill": "lens",
    },
    "output": {"formats": ["oasis", "gdsii"]},
}

#: Lens, deflector, both kinds of pad, all three marks, labels, a bias split, a dose split, a zone.
FULL: Recipe = {
    **LONE,
    "name": "full",
    "replication": {
        "transfers": "even",
        "steps": [{"name": "imprint", "bias": "4 nm"}, {"name": "etch", "bias": "-6 nm"}],
    },
    "deflectors": [{"name": "d8", "period": [8, 0], "size": "24 um", "wavelength": "940 nm"}],
    "pads": [
        {"name": "cd", "kind": "uniform", "diameters": ["140 nm", "200 nm"], "size": "20 um"},
        {"name": "steps", "kind": "density", "probes": ["160 nm"], "densities": [0.15, 0.3]},
    ],
    "dies": {
        "lens": [
            {"lens": "dot", "at": ["0 um", "0 um"]},
            {"label": "die", "at": ["-50 um", "60 um"], "height": "14 um"},
        ],
        "wide": [{"lens": "dot", "at": ["0 um", "0 um"], "bias": "4 nm"}],
        "hot": [{"lens": "dot", "at": ["0 um", "0 um"], "dose": 1.1}],
        "test": [
            {"deflector": "d8", "at": ["-60 um", "50 um"]},
            {"pad": "cd", "at": ["40 um", "60 um"]},
            {"pad": "steps", "at": ["40 um", "-20 um"]},
            {"label": {"text": "CAL 7"}, "at": ["-50 um", "-60 um"], "height": "14 um"},
        ],
    },
    "wafer": {
        "diameter": "1200 um",
        "edge_exclusion": "20 um",
        "die_pitch": ["200 um", "200 um"],
        "grid_offset": "die",
        "fill": "lens",
        "zones": [{"outer": "150 um", "bias": "-1 nm"}],
        "instead": [
            {"die": "test", "sites": [[0, 0], [0, 1]]},
            {"die": "wide", "sites": [[1, 0], [-1, 1]]},
            {"die": "hot", "sites": [[-1, 0]]},
        ],
        "marks": [
            {"kind": "cross", "arm": "30 um", "width": "4 um", "at": [["-400 um", "0 um"]]},
            {"kind": "box", "outer": "40 um", "width": "5 um", "at": [["400 um", "0 um"]]},
            {
                "kind": "vernier",
                "pitches": ["4 um", "4.2 um"],
                "lines": 5,
                "length": "12 um",
                "at": [["0 um", "-400 um"]],
            },
        ],
    },
}


def write(
    folder: Path, recipe: Mapping[str, Any] = FULL, change: Callable[[Recipe], None] | None = None
) -> Path:
    """Put a recipe and its tables into `folder`; the recipe's path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "library.csv").write_text(
        library_text(pitch_nm=400, wavelength_nm=940, low_nm=110, high_nm=320)
    )
    (folder / "bias.csv").write_text(bias_text(20.0))
    data: Recipe = copy.deepcopy(dict(recipe))
    if change is not None:
        change(data)
    path = folder / f"{data['name']}.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    return path


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder and its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def klayout_pillars(
    layout_file: Path, box: tuple[int, int, int, int], datatypes: Collection[int] | None = None
) -> NDArray[np.float64]:
    """(n, 3) x, y and equal-area diameter, in nm, of what klayout finds on layer 1 touching a box.

    box: x low, y low, x high, y high in nm. datatypes: which of the pillars' layers; all unless given.
    """
    layout = kdb.Layout()
    layout.read(str(layout_file))
    found = []
    for index in layout.layer_indexes():
        info = layout.get_info(index)
        if info.layer != 1 or (datatypes is not None and info.datatype not in datatypes):
            continue
        shapes = layout.top_cell().begin_shapes_rec_touching(index, kdb.Box(*box))
        while not shapes.at_end():
            polygon = shapes.shape().polygon.transformed(shapes.trans())
            centre = polygon.bbox().center()
            found.append((centre.x, centre.y, 2 * math.sqrt(polygon.area() / math.pi)))
            shapes.next()
    return np.array(found, dtype=np.float64).reshape(-1, 3)


def rehash(job: Path) -> None:
    """Bring the manifest's hashes and sizes up to date, as who alters a file on purpose would."""
    path = job / "manifest.json"
    manifest = json.loads(path.read_text())
    for name in list(manifest["files"]):
        data = (job / name).read_bytes()
        manifest["files"][name] = {"sha256": sha256(data).hexdigest(), "bytes": len(data)}
    path.write_text(json.dumps(manifest, indent=1) + "\n")


def environment(**more: str) -> dict[str, str]:
    """The environment of a process of its own that finds the package of this tree."""
    root = str(Path(__file__).resolve().parent.parent)
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), **more}


def run(*arguments: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own."""
    return subprocess.run(
        [*CLI, *map(str, arguments)], capture_output=True, text=True, env=environment(**more)
    )


def turned(x: NDArray[np.int64], y: NDArray[np.int64], turns: int, mirror: bool) -> Any:
    """Places after mirroring y -> -y and then quarter turns counter-clockwise."""
    if mirror:
        y = -y
    for _ in range(turns % 4):
        x, y = -y, x
    return x, y


def flat_codes(part: Part, coder: Coder) -> dict[tuple[int, int], int]:
    """Code of every site of a part, by its place from the axis in database units.

    Computed from its blocks and the placements of its pieces, without any layout cell.
    """
    found: dict[tuple[int, int], int] = {}
    for site, masters in part.blocks():
        block = coder.block(site, masters)
        x, y = part.lattice.sites_dbu(block.window)
        filled = block.codes > 0
        for turns, mirror in part.pieces[site.piece].placements:
            xs, ys = turned(x[filled], y[filled], turns, mirror)
            for place in zip(xs.tolist(), ys.tolist(), block.codes[filled].tolist(), strict=True):
                assert place[:2] not in found, f"{part.name}: {place[:2]} is given twice"
                found[place[:2]] = place[2]
    return found


def variant_codes(variant: Variant) -> dict[tuple[int, int], int]:
    """As `flat_codes`, of one variant of a wafer."""
    return flat_codes(variant.design.part(variant.surrounding.symmetry), variant.coder)
