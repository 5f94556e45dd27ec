"""The tolerance budget of a lens, from what its design settled: cheap, no field is summed."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.convergence import mean_square_sine
from layoutgen.optics.tolerance import Budget, Pillars
from layoutgen.optics.transmission import transmission_of
from layoutgen.pipeline.design import Wafer
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.recipe.model import Lens
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.designs import Design, LensFacts

FloatArray = NDArray[np.float64]

#: The loss that the short form tells the allowed errors for.
SHORT_LOSS = 0.01


def budget_of(loaded: LoadedRecipe, lens: Lens, design: Design) -> Budget:
    """Losses of a lens at its design wavelength, the pillars at their targets."""
    if design.facts is None or design.usage is None:
        raise ValueError(f"{design.name} has no phase to lose")
    recipe = loaded.recipe
    table = loaded.libraries[design.keys.library]
    stated = table.stated
    scale = 1 + recipe.scale
    step = design.keys.ladder.step_nm
    return Budget(
        pillars=_pillars(design, design.facts, design.usage),
        transmission=transmission_of(table, lens.wavelength_nm),
        wavelength_nm=lens.wavelength_nm,
        mean_square_sine=mean_square_sine(
            design.facts.program, lens.aperture_nm / 2e3, lens.wavelength_nm * 1e-3
        ),
        ladder_nm=step / SQUARE_SIDE if design.keys.vertices == 4 else step,
        site_area_nm2=design.site_area_nm2 * scale**2,
        height_nm=design.keys.height_nm,
        index=stated.pillar_index,
        around=stated.around_index or 1.0,
    )


def _pillars(design: Design, facts: LensFacts, count: FloatArray) -> Pillars:
    """How often each target stands, and the mean of exp(i psi) over the phases that it stands for."""
    mean = facts.wanted / np.where(count > 0, count, 1)
    return Pillars(design.masters.target_nm, count, mean.astype(np.complex128))


def short_form(wafer: Wafer, most: int | None = None) -> dict[str, dict[str, Any]]:
    """For each lens the errors that cost `SHORT_LOSS` of its efficiency, and what the ladder costs.

    most: of so many lenses, the first.
    """
    found: dict[str, dict[str, Any]] = {}
    lenses = {lens.name: lens for lens in wafer.loaded.recipe.lenses}
    designs = [d for d in wafer.designs if d.kind == "lens" and d.usage is not None]
    for design in designs[:most]:
        budget = budget_of(wafer.loaded, lenses[design.name], design)
        passes, follows, strehl = budget.foreseen()
        found[design.name] = {
            "loss": SHORT_LOSS,
            "offset_nm": rounded(budget.offset_allowed_nm(SHORT_LOSS)),
            "random_nm": rounded(budget.random_allowed_nm(SHORT_LOSS)),
            "offset_known_nm": rounded(budget.offset_known_nm),
            "ladder_loss": rounded(budget.ladder_loss()),
            "passes": rounded(passes),
            "follows": rounded(follows),
            "strehl": rounded(strehl),
        }
    return found


def rounded(value: float | None, digits: int = 6) -> float | None:
    """A number to some significant digits, so that the last bits of a machine are not told."""
    return None if value is None or not np.isfinite(value) else float(f"{value:.{digits}g}")
