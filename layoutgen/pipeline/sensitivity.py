"""How the light of the pillars in use changes with index, height and wavelength, by coupled waves.

The library says how light changes with the diameter and with nothing else. Where its header states the whole
stack, some diameters across those in use are solved again with each of the three changed a little; the
ratio of the complex amplitudes, interpolated over the diameter, is what the budget takes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from layoutgen.optics.pillar_array import PillarArray, slices_for
from layoutgen.optics.tolerance import AMOUNTS, Change, Pillars
from layoutgen.pipeline.library import array_of
from layoutgen.recipe.spec import LibrarySpec, spec_of_header
from layoutgen.recipe.tables import LibraryTable
from layoutgen.units import SQUARE_SIDE
from layoutgen.workers import run_in_order

__all__ = ["changes_of"]

FloatArray = NDArray[np.float64]

#: Diameters that are solved, and Fourier orders: ratios settle long before amplitudes do.
_NODES = 49
_ORDERS = 121


def changes_of(
    table: LibraryTable, wavelength_nm: float, pillars: Pillars, pitch_nm: float, jobs: int
) -> dict[str, Change]:
    """What the usual amounts of index, height and wavelength do to each pillar, by cause; empty without a stack.

    pitch_nm: that of the finished part.
    """
    spec = spec_of_header(table.header)
    if spec is None or spec.incidence.angle_deg:
        return {}
    arrays = _arrays(spec, wavelength_nm, pitch_nm)
    per_side = SQUARE_SIDE if table.squares else 1.0
    used = pillars.diameter_nm[pillars.count > 0]
    # diameters in use: resonances, which are not, would spoil what lies beside them
    nodes = used[np.unique(np.linspace(0, len(used) - 1, _NODES).round().astype(np.int64))]
    slices = slices_for(spec.flare_nm)

    def solve(task: tuple[PillarArray, float]) -> complex:
        array, size = task
        answers = array.respond(size, _ORDERS, slices)
        return sum((a.transmission for a in answers), 0j) / len(answers)

    tasks = [(array, float(d) * per_side) for array in arrays.values() for d in nodes]
    with threadpool_limits(limits=1, user_api="blas"):
        try:
            t = np.array(list(run_in_order(solve, tasks, jobs))).reshape(len(arrays), len(nodes))
        except ValueError:  # pillars that touch at the part's own pitch
            return {}
    found = {}
    for cause, changed in zip(list(arrays)[1:], t[1:], strict=True):
        ratio = changed / t[0]
        phase = np.unwrap(np.angle(ratio))
        found[cause] = Change(
            np.interp(pillars.diameter_nm, nodes, phase),
            np.interp(pillars.diameter_nm, nodes, np.abs(ratio)) - 1,
        )
    return found


def _arrays(spec: LibrarySpec, wavelength_nm: float, pitch_nm: float) -> dict[str, PillarArray]:
    """The stack as it is, then with each cause's usual amount."""
    plain = replace(array_of(spec, wavelength_nm), pitch_nm=pitch_nm)
    found = {
        "": plain,
        "index": replace(plain, index=plain.index + AMOUNTS["index"]),
        "height": replace(plain, height_nm=plain.height_nm * (1 + AMOUNTS["height_percent"] / 100)),
    }
    try:
        other = array_of(spec, wavelength_nm + AMOUNTS["wavelength_nm"])
    except ValueError:  # beyond a material's formula
        return found
    return {**found, "wavelength": replace(other, pitch_nm=pitch_nm)}
