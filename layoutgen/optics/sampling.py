"""Whether a lattice samples a phase finely enough, and the phase of a beam deflector.

A phase of local gradient g turns per um steers light of wavelength lambda to sin(theta) =
lambda g. The steepest gradient inside the aperture, spirals left out, gives the numerical
aperture NA. Sites p apart carry at most half a turn a site, so

    p < lambda / (2 NA)             else the lens aliases: refused
    p <= lambda / (n_s + NA)        else steered light meets a diffraction order in the
                                    substrate of index n_s: a warning

On a hexagonal lattice the row step takes the place of p. At the rim equal phases recur every
lambda / sin(theta), the zone width.

A deflector of period v, a lattice vector, has the phase 2 pi r.v / |v|^2; its first order leaves at
asin(lambda / |v|) along v. Lattice vectors: m pitches along x and n rows up; on a hexagonal
lattice m a1 + n a2, a2 = (pitch / 2, row step) at 60 degrees.

Lengths are those on the part. Sources: Yu et al., Science 334, 333 (2011) (generalised Snell law);
the grating equation; the sampling theorem on the local gradient.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import asin, degrees, hypot, inf

from layoutgen.errors import InputError
from layoutgen.optics.gradient import max_gradient, rim_gradient
from layoutgen.optics.phase import PhaseProgram, grating_program

__all__ = [
    "Sampling", "deflection_angle_deg", "deflector_program", "lattice_vector_nm", "sampling",
]  # fmt: skip

NM_PER_UM = 1000.0

# The search for the steepest gradient is good to 1e-9; a pitch this near a limit is on it.
SLACK = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Sampling:
    """How a lattice stands to the steepest phase of a lens. Lengths in nm.

    step_nm: what is held against the limits (the pitch; hexagonal: the row step).
    nyquist_pitch_nm: lambda / (2 NA), infinite for NA 0. substrate_limit_nm: lambda / (n_s + NA),
    None without a substrate index. zone_width_nm and pillars_per_zone hold where the rim is
    steepest. `problems` refuse the lens, `warnings` do not; both are sentences.
    """

    na: float
    step_nm: float
    nyquist_pitch_nm: float
    substrate_limit_nm: float | None
    rim_sine: float
    zone_width_nm: float
    pillars_per_zone: float
    problems: tuple[str, ...]
    warnings: tuple[str, ...]


def sampling(
    program: PhaseProgram,
    *,
    wavelength_nm: float,
    half_aperture_nm: float,
    kind: str,
    pitch_nm: float,
    row_nm: float,
    substrate_index: float | None,
) -> Sampling:
    """Hold a lattice (`kind` square or hexagonal) against the phase of a lens."""
    half_um = half_aperture_nm / NM_PER_UM
    wavelength_um = wavelength_nm / NM_PER_UM
    na = wavelength_um * max_gradient(program, half_um)
    rim_sine = wavelength_um * rim_gradient(program, half_um)
    hexagonal = kind == "hexagonal"
    step = row_nm if hexagonal else pitch_nm
    name = "row step" if hexagonal else "pitch"
    nyquist = wavelength_nm / (2 * na) if na else inf
    substrate = None if substrate_index is None else wavelength_nm / (substrate_index + na)
    zone = wavelength_nm / rim_sine if rim_sine else inf
    problems, warnings = [], []
    if step >= nyquist * (1 - SLACK):
        # the row step is pitch sqrt(3) / 2 but for its rounding
        pitch_limit = nyquist * pitch_nm / step
        also = f" (pitch below {pitch_limit:.1f} nm)" if hexagonal else ""
        problems.append(
            f"lattice.pitch: want a {name} below lambda / (2 NA) = {nyquist:.1f} nm{also} for"
            f" NA {na:.4f} at {wavelength_nm:g} nm, got {step:g} nm"
        )
    elif substrate is not None and step > substrate * (1 + SLACK):
        warnings.append(
            f"lattice.pitch: a {name} of {step:g} nm is above lambda / (n_s + NA) ="
            f" {substrate:.1f} nm (n_s {substrate_index:g}, NA {na:.4f}), so steered light leaks"
            " into diffraction orders of the substrate"
        )
    return Sampling(
        na=na,
        step_nm=step,
        nyquist_pitch_nm=nyquist,
        substrate_limit_nm=substrate,
        rim_sine=rim_sine,
        zone_width_nm=zone,
        pillars_per_zone=zone / step,
        problems=tuple(problems),
        warnings=tuple(warnings),
    )


def lattice_vector_nm(
    period: tuple[int, int], *, kind: str, pitch_nm: float, row_nm: float
) -> tuple[float, float]:
    """x and y of the lattice vector [m, n]."""
    x, y = _vector(period, kind, pitch_nm, row_nm)
    return float(x), float(y)


def deflector_program(
    period: tuple[int, int], *, kind: str, pitch_nm: float, row_nm: float
) -> PhaseProgram:
    """The phase r.v / |v|^2 turns of a deflector of period v = [m, n]; InputError for [0, 0]."""
    x, y = _vector(period, kind, pitch_nm, row_nm)
    square = x * x + y * y
    if not square:
        raise InputError("period: want a lattice vector other than [0, 0], got [0, 0]")
    return grating_program(float(1000 * x / square), float(1000 * y / square))


def deflection_angle_deg(
    period: tuple[int, int], *, kind: str, pitch_nm: float, row_nm: float, wavelength_nm: float
) -> float:
    """Angle of the first order in air, asin(lambda / |v|); InputError where there is none."""
    length = hypot(*lattice_vector_nm(period, kind=kind, pitch_nm=pitch_nm, row_nm=row_nm))
    if length <= wavelength_nm:
        raise InputError(
            f"period: want a lattice vector longer than the wavelength ({wavelength_nm:g} nm), got"
            f" {list(period)}, {length:g} nm long, which sends no first order into air"
        )
    return degrees(asin(wavelength_nm / length))


def _vector(
    period: tuple[int, int], kind: str, pitch_nm: float, row_nm: float
) -> tuple[Fraction, Fraction]:
    m, n = period
    pitch, row = Fraction(pitch_nm), Fraction(row_nm)
    if kind == "hexagonal":
        return m * pitch + n * pitch / 2, n * row
    return m * pitch, n * row
