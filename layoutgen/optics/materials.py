"""Refractive indices of named materials, from published dispersion formulas, L the wavelength in um.

    fused silica        n^2 - 1 = 0.6961663 L^2/(L^2 - 0.0684043^2) + 0.4079426 L^2/(L^2 - 0.1162414^2)
                                + 0.8974794 L^2/(L^2 - 9.896161^2), 0.21 to 3.71 um
                        I. H. Malitson, J. Opt. Soc. Am. 55, 1205 (1965)
    silicon nitride     n^2 - 1 = 3.0249 L^2/(L^2 - 0.1353406^2) + 40314 L^2/(L^2 - 1239.842^2),
                        0.31 to 5.504 um; K. Luke et al., Opt. Lett. 40, 4823 (2015)
    niobium pentoxide   n = 2.22415 + 0.031589/L^2 + 0.002935/L^4, 0.42 to 1.05 um: a fit within 0.002 to the
                        sputtered films of F. Lemarchand (private communication, 2013, from an open dispersion database)
    air                 1

None absorbs in its range. Films differ from maker to maker: where the index was measured, give the
number. Beyond a formula's range it says nothing, and is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf, sqrt

__all__ = ["MATERIALS", "Material", "index_at"]


@dataclass(frozen=True, slots=True)
class Material:
    """A dispersion formula, the wavelengths that it holds for, and where it was published."""

    low_nm: float
    high_nm: float
    source: str
    formula: Callable[[float], float]


def _sellmeier(*terms: tuple[float, float]) -> Callable[[float], float]:
    """n(L) of n^2 - 1 = sum of B L^2 / (L^2 - C^2); terms are (B, C), C in um."""

    def index(wavelength_um: float) -> float:
        square = wavelength_um**2
        return sqrt(1 + sum(b * square / (square - c**2) for b, c in terms))

    return index


def _niobia(wavelength_um: float) -> float:
    return 2.22415 + 0.031589 / wavelength_um**2 + 0.002935 / wavelength_um**4


MATERIALS: Mapping[str, Material] = {
    "air": Material(0.0, inf, "1", lambda _: 1.0),
    "fused silica": Material(
        210, 3710, "Malitson, J. Opt. Soc. Am. 55, 1205 (1965)",
        _sellmeier((0.6961663, 0.0684043), (0.4079426, 0.1162414), (0.8974794, 9.896161)),
    ),
    "silicon nitride": Material(
        310, 5504, "Luke et al., Opt. Lett. 40, 4823 (2015)",
        _sellmeier((3.0249, 0.1353406), (40314, 1239.842)),
    ),
    "niobium pentoxide": Material(420, 1050, "fit to Lemarchand (2013)", _niobia),
}  # fmt: skip


def index_at(given: str | tuple[float, float], wavelength_nm: float) -> complex:
    """The index n + ik of a material's name, or of (n, k); ValueError beyond what is known."""
    if not isinstance(given, str):
        return complex(*given)
    material = MATERIALS.get(given)
    if material is None:
        raise ValueError(f"want a number, [n, k] or one of {', '.join(MATERIALS)}, got {given!r}")
    if not material.low_nm <= wavelength_nm <= material.high_nm:
        raise ValueError(
            f"want a wavelength from {material.low_nm:g} nm to {material.high_nm:g} nm, for which the"
            f" formula of {given} holds, got {wavelength_nm:.15g} nm"
        )
    return complex(material.formula(wavelength_nm / 1000))
