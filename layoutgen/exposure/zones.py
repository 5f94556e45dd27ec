"""Ring zones: what a radial process asks of the dies, in few steps of bias.

A process that adds a u^2 (u: distance from the wafer's centre over its radius, a at the rim) asks
for -a u^2 / s in the drawn size, s = d(printed)/d(drawn). k rings of equal area, each with the bias of its
mean u^2, leave a / (k sqrt(12)) rms of it: u^2 is even over the wafer's area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["RingZone", "ring_zones", "zones_yaml"]

#: Each ring is a variant of its own in the layout, so no more than these.
MOST_RINGS = 5
#: A step between rings that leaves 0.17 nm rms, less than the rounding to a ladder of 1 nm.
STEP_NM = 0.6
#: Less than this at the rim is not worth a second variant.
LEAST_NM = 0.5
#: Offered only beyond this many standard deviations (95 %).
BEYOND_SIGMA = 1.96


@dataclass(frozen=True, slots=True)
class RingZone:
    """Lenses on dies whose centres lie within outer_mm, and in no smaller zone, get bias_nm."""

    outer_mm: float
    bias_nm: float


def ring_zones(
    radial_nm: float, radial_sigma_nm: float, slope: float, wafer_radius_mm: float
) -> tuple[RingZone, ...]:
    """Zones that take a radial term off the lenses; none where it is within its error."""
    if abs(radial_nm) <= BEYOND_SIGMA * radial_sigma_nm or abs(radial_nm) < LEAST_NM:
        return ()
    rings = min(max(math.ceil(abs(radial_nm) / STEP_NM), 2), MOST_RINGS)
    return tuple(
        RingZone(
            round(wafer_radius_mm * math.sqrt((k + 1) / rings), 2),
            round(-radial_nm * (k + 0.5) / rings / slope, 2),
        )
        for k in range(rings)
    )


def zones_yaml(zones: tuple[RingZone, ...]) -> str:
    """The recipe's `wafer.zones` line."""
    each = ", ".join(f"{{outer: {z.outer_mm:g} mm, bias: {z.bias_nm:g} nm}}" for z in zones)
    return f"zones: [{each}]"
