"""The tolerance budget of a lens, from what its design settled: cheap, no field is summed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from layoutgen.optics.convergence import mean_square_sine
from layoutgen.optics.tolerance import Budget, Pillars
from layoutgen.optics.transmission import transmission_of
from layoutgen.pipeline.design import Wafer
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.recipe.model import Lens
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.designs import Design

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
    count = design.usage
    return Budget(
        pillars=Pillars(
            design.masters.target_nm, count, design.facts.wanted / np.where(count > 0, count, 1)
        ),
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


def short_form(wafer: Wafer, lenses: Sequence[Lens] | None = None) -> dict[str, dict[str, Any]]:
    """For each lens the errors that cost `SHORT_LOSS` of its efficiency, and what the ladder costs.

    lenses: these alone; all of the recipe unless given.
    """
    found: dict[str, dict[str, Any]] = {}
    asked = {lens.name: lens for lens in (wafer.loaded.recipe.lenses if lenses is None else lenses)}
    for design in wafer.designs:
        if design.kind != "lens" or design.usage is None or design.name not in asked:
            continue
        budget = budget_of(wafer.loaded, asked[design.name], design)
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
