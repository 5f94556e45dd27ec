"""How long the writer takes: dose, beam clock, figures and fields.

    exposure   area / step^2 beam positions, each dose * step^2 / current, at least a clock tick
    figures    shape_time each
    fields     field_time each: stage move, settling, mark search

Dose times area over current is the floor (definition); the rest is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from layoutgen.recipe.model import Exposure

__all__ = ["LayerWork", "WriteTime", "fields_in_circle", "fields_in_rectangle", "write_time"]

_UM2_PER_CM2 = 1e8


@dataclass(frozen=True, slots=True)
class LayerWork:
    """What one layer asks of the writer: exposed area in um^2, figures, fields, relative dose."""

    layer: str
    area_um2: float
    figures: int
    fields: int
    dose: float = 1.0


@dataclass(frozen=True, slots=True)
class WriteTime:
    """Seconds by part; None where the recipe lacks dose or current."""

    exposure_s: float
    figures_s: float
    fields_s: float
    clock_bound: bool

    @property
    def total_s(self) -> float:
        return self.exposure_s + self.figures_s + self.fields_s


def write_time(work: list[LayerWork], exposure: Exposure) -> WriteTime | None:
    """Time for all layers, or None where dose or current is not given."""
    if exposure.dose_uc_cm2 is None or exposure.current_na is None:
        return None
    total, bound = 0.0, False
    for layer in work:
        # by area, for holes take away at the rate at which what surrounds them is exposed
        per_um2 = exposure.dose_uc_cm2 * layer.dose / _UM2_PER_CM2 * 1e3 / exposure.current_na
        if exposure.beam_step_nm is not None and exposure.max_clock_hz is not None:
            tick_per_um2 = 1 / (exposure.beam_step_nm * 1e-3) ** 2 / exposure.max_clock_hz
            if tick_per_um2 > per_um2:
                per_um2, bound = tick_per_um2, bound or layer.area_um2 != 0
        total += layer.area_um2 * per_um2  # uC / nA = 1000 s
    return WriteTime(
        total,
        sum(layer.figures for layer in work) * exposure.shape_time_s,
        sum(layer.fields for layer in work) * exposure.field_time_s,
        bound,
    )


def fields_in_circle(radius: float, field: float) -> int:
    """Squares of side `field`, laid out from the centre, that a circle shares area with."""
    half = math.ceil(2 * radius / field)  # squares across
    first = -half / 2 * field
    count = 0
    for i in range(half):
        for j in range(half):
            x0, y0 = first + i * field, first + j * field
            x = min(max(0.0, x0), x0 + field)
            y = min(max(0.0, y0), y0 + field)
            count += x * x + y * y < radius * radius
    return max(1, count)


def fields_in_rectangle(width: float, height: float, field: float) -> int:
    """Squares of side `field` that a rectangle takes."""
    return max(1, math.ceil(width / field - 1e-9)) * max(1, math.ceil(height / field - 1e-9))
