"""What errors of the process cost: the light that still follows the design, and the nanometres that a loss leaves.

The light that follows the design is |sum w t conj(z)|^2 over the pillars in use, w being how many sites hold
each and z the mean of exp(i psi) over the phases psi that it stands for. An error changes t, and

    loss = 1 - |sum w t' conj(z)|^2 / |sum w t conj(z)|^2

of the efficiency (0.01: 1 % of it), negative where more light comes through. To first order, for an error that
turns a pillar's phase by dphi and changes its amplitude by the part alpha,

    loss = Var(dphi) - 2 <alpha>        mean and variance weighted with w |t|

since a constant phase costs nothing. What is put in:

    all pillars larger by D          t(d + D); first order D^2 Var(dphi/dd)
    each off by itself, rms s        the mean of t(d + e), e Gaussian; first order s^2 <(dphi/dd)^2>
    rounding to a ladder of step q   the same with variance q^2 / 12
    height                           dphi = phi dh / h, a phase that grows evenly along the pillar
    index                            dphi = (2 pi h / lambda) dn_eff, n_eff^2 = n_s^2 + G (n^2 - n_s^2) with a filling
                                     G that the phase tells: the order of magnitude, no more
    wavelength                       dphi = -phi dlambda / lambda; the focus moves by -dlambda / lambda
    stitching, rms s                 dphi = 2 pi s sin(theta) / lambda at the steering angle theta, first order
    scale of the part, e             no loss; the focus moves by 2 e (focal length goes with the square of the scale)

For height, index and wavelength whoever can solve the pillars again gives their changes (`Change`) instead.

Sources: Taylor expansion; Mahajan, J. Opt. Soc. Am. 73, 860 (1983) (from memory); Yu et al., Science 334, 333
(2011) (steering angle); Bennett, Bell Syst. Tech. J. 27, 446 (1948) (rounding, from memory); NIST DLMF 3.5
(Gauss-Hermite quadrature).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.transmission import Transmission

__all__ = ["AMOUNTS", "Budget", "Change", "Cost", "Pillars", "first_order_loss"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Amounts that the budget is told for: errors that a good process has and a bad day doubles.
AMOUNTS = {
    "diameter_offset_nm": 5.0,
    "diameter_random_nm": 2.0,
    "height_percent": 1.0,
    "index": 0.01,
    "wavelength_nm": 1.0,
    "stitching_nm": 20.0,
    "scale_ppm": 100.0,
}
#: No process is off by more; a search for a tolerance ends here.
_FARTHEST_NM = 60.0
#: A tolerance is found to this, or where the loss is this near to what is allowed.
_CLOSE_NM, _CLOSE = 1e-8, 1e-10
#: Gauss-Hermite nodes in standard deviations, and weights: exact for polynomials up to the ninth degree.
_NODES = (0.0, 1.355626179974266, -1.355626179974266, 2.856970013872806, -2.856970013872806)
_WEIGHTS = (
    8 / 15,
    0.2220759220056126,
    0.2220759220056126,
    0.011257411327720689,
    0.011257411327720689,
)


@dataclass(frozen=True, slots=True)
class Cost:
    """What one error costs. loss: part of the efficiency, None where it cannot be told (`note` says why).
    first_order: the same by the first-order formula, where that is another. focus: relative change of the
    focal length, 0 for errors that leave it alone."""

    cause: str
    amount: float
    unit: str
    loss: float | None
    focus: float = 0.0
    note: str = ""
    first_order: float | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Pillars:
    """The pillars in use, (pillars,): finished diameters in nm, how often each stands, and the mean of
    exp(i psi) over the phases that it stands for; None: each stands for its own phase."""

    diameter_nm: FloatArray
    count: FloatArray
    wanted: ComplexArray | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Change:
    """What one error does to each pillar: dphi in rad and alpha, both (pillars,)."""

    phase_rad: FloatArray
    amplitude: FloatArray


def first_order_loss(weight: FloatArray, phase_rad: FloatArray, amplitude: FloatArray) -> float:
    """Var(dphi) - 2 <alpha>; weight need not add up to one."""
    w = weight / weight.sum()
    mean = float(w @ phase_rad)
    return float(w @ (phase_rad - mean) ** 2) - 2 * float(w @ amplitude)


@dataclass(frozen=True, eq=False, kw_only=True)
class Budget:
    """Losses of one lens (or grating) at one wavelength.

    height_nm and index (that of the pillars) are None where the recipe or the library does not tell them;
    around is the index between the pillars. mean_square_sine: mean over the aperture of the squared sine of
    the steering angle. ladder_nm: step of the drawn diameters. site_area_nm2: of the lattice, on the part.
    solved: changes at the usual amounts of height, index and wavelength, by cause, where they are known.
    """

    pillars: Pillars
    transmission: Transmission
    wavelength_nm: float
    mean_square_sine: float
    ladder_nm: float
    site_area_nm2: float
    height_nm: float | None = None
    index: float | None = None
    around: float = 1.0
    solved: Mapping[str, Change] = field(default_factory=dict)

    @cached_property
    def _now(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Phase, amplitude and weight of each pillar as designed."""
        phase, amplitude = self.transmission.parts(self.pillars.diameter_nm)
        return phase, amplitude, self.pillars.count * amplitude

    def _changes(self, offset_nm: float) -> tuple[FloatArray, FloatArray]:
        """dphi and alpha of all pillars larger by an offset."""
        phase, amplitude, weight = self._now
        after, bright = self.transmission.parts(self.pillars.diameter_nm + offset_nm)
        dphi = after - phase
        alpha = np.where(amplitude > 0, bright / np.where(amplitude > 0, amplitude, 1.0) - 1, 0.0)
        known = bright > 0
        if not known.all() and weight[known].sum() > 0:
            # a pillar of which the library knows nothing counts as dark; its phase is nobody's
            dphi = np.where(known, dphi, weight[known] @ dphi[known] / weight[known].sum())
        return dphi, alpha

    def _loss(self, t: ComplexArray) -> float:
        """Loss of the light that follows the design when pillars transmit t instead of their own."""
        phase, amplitude, _ = self._now
        own = amplitude * np.exp(1j * phase)
        wanted = self.pillars.wanted
        if wanted is None:
            wanted = np.exp(1j * phase)
        weight = self.pillars.count * np.conj(wanted)
        before = abs(complex(weight @ own)) ** 2
        return 1 - abs(complex(weight @ t)) ** 2 / before if before else math.nan

    def foreseen(self) -> tuple[float, float, float]:
        """Of the light on the aperture what passes the pillars and what follows the design, and the Strehl ratio.

        The second is |mean of t exp(-i psi)|^2; over the square of the mean amplitude it is the Strehl ratio
        (Goodman, Introduction to Fourier Optics, ch. 6).
        """
        phase, amplitude, _ = self._now
        wanted, count = self.pillars.wanted, self.pillars.count
        own = amplitude * np.exp(1j * phase)
        t = amplitude.astype(np.complex128) if wanted is None else own * np.conj(wanted)
        weight = count / count.sum()
        follows, mean = abs(complex(weight @ t)) ** 2, float(weight @ amplitude)
        return float(weight @ amplitude**2), follows, follows / mean**2 if mean else math.nan

    def offset_loss(self, offset_nm: float) -> float:
        """All pillars larger by the same."""
        return self._loss(self.transmission(self.pillars.diameter_nm + offset_nm))

    def random_loss(self, sigma_nm: float) -> float:
        """Each pillar off by itself, Gaussian with this rms."""
        d = self.pillars.diameter_nm + sigma_nm * np.array(_NODES)[:, None]
        mean: ComplexArray = np.einsum("k,kn->n", np.array(_WEIGHTS), self.transmission(d))
        return self._loss(mean)

    def first_order_offset(self, offset_nm: float) -> float:
        """Var(dphi) - 2 <alpha> of all pillars larger by the same."""
        return first_order_loss(self._now[2], *self._changes(offset_nm))

    def first_order_random(self, sigma_nm: float) -> float:
        """s^2 <(dphi/dd)^2> less what the curve of the amplitude adds, from d +- sqrt(3) s."""
        weight = self._now[2]
        w = weight / weight.sum()
        loss = 0.0
        for sign in (-1, 1):
            dphi, alpha = self._changes(sign * math.sqrt(3) * sigma_nm)
            loss += float(w @ (dphi**2 - 2 * alpha)) / 6
        return loss

    def _of_phase(self, part: float) -> float:
        phase, amplitude, _ = self._now
        return self._loss(amplitude * np.exp(1j * phase * (1 + part)))

    def height_loss(self, part: float) -> float:
        """Pillars taller by a part of their height."""
        return self._of_phase(part)

    def wavelength_loss(self, part: float) -> float:
        """Light of a wavelength longer by a part, after refocusing."""
        return self._of_phase(-part)

    def index_loss(self, change: float) -> float | None:
        """Pillars of a higher index; None where height or index is not known."""
        if self.height_nm is None or self.index is None or not self.index > self.around:
            return None
        phase, amplitude, _ = self._now
        wave = 2 * math.pi * self.height_nm / self.wavelength_nm
        # the library's phase has a free constant: the smallest pillar's n_eff is that of thin rods across the
        # field (Maxwell Garnett), the others' follow from their phases
        spread = self.index**2 - self.around**2
        used = np.flatnonzero(self.pillars.count > 0)
        smallest = used[int(np.argmin(self.pillars.diameter_nm[used]))]
        share = math.pi / 4 * float(self.pillars.diameter_nm[smallest]) ** 2 / self.site_area_nm2
        pull = share * spread / (self.index**2 + self.around**2)
        thin = self.around * math.sqrt((1 + pull) / (1 - pull))
        n_eff = thin + (phase - phase[smallest]) / wave
        filling = np.clip((n_eff**2 - self.around**2) / spread, 0.0, 1.0)
        dphi = wave * filling * self.index / np.sqrt(self.around**2 + filling * spread) * change
        return self._loss(amplitude * np.exp(1j * (phase + dphi)))

    def stitching_loss(self, shift_nm: float) -> float:
        """Write fields displaced by this rms along the steering direction."""
        return (2 * math.pi * shift_nm / self.wavelength_nm) ** 2 * self.mean_square_sine

    def ladder_loss(self) -> float:
        """Rounding drawn diameters to the ladder."""
        return self.random_loss(self.ladder_nm / math.sqrt(12))

    def offset_allowed_nm(self, loss: float) -> float | None:
        """The largest offset, of either sign, that costs no more than `loss`; None where any is too much.

        It ends where a pillar in use would leave the library: what lies beyond is not known.
        """
        reach = self.offset_known_nm
        found = [
            _largest(partial(self._signed, sign), loss, reach) for sign in (1.0, -1.0)
        ]  # fmt: skip
        sides = [side for side in found if side is not None]
        return min(sides) if len(sides) == 2 else None

    def _signed(self, sign: float, offset_nm: float) -> float:
        return self.offset_loss(sign * offset_nm)

    @property
    def offset_known_nm(self) -> float:
        """How far all pillars in use may move before one leaves the library."""
        used = self.pillars.diameter_nm[self.pillars.count > 0]
        t = self.transmission
        low, high = t.size_nm[0] * t.per_side, t.size_nm[-1] * t.per_side
        return max(0.0, float(min(used.min() - low, high - used.max())))

    def random_allowed_nm(self, loss: float) -> float | None:
        """The largest rms that costs no more than `loss`."""
        return _largest(self.random_loss, loss, _FARTHEST_NM)

    def costs(self) -> list[Cost]:
        """The budget at the usual amounts."""
        a = AMOUNTS
        offset, sigma, ladder = a["diameter_offset_nm"], a["diameter_random_nm"], self.ladder_nm
        percent, wave = a["height_percent"], a["wavelength_nm"] / self.wavelength_nm
        taller, unit = (percent, "%") if self.height_nm is None else (
            self.height_nm * percent / 100, "nm")  # fmt: skip
        height, how_height = self._solved(
            "height", self.height_loss(percent / 100), "phase times height"
        )
        index, how_index = self._solved("index", self.index_loss(a["index"]), "order of magnitude")
        if index is None:
            how_index = "needs the pillars' index in the library's header and pillars.height"
        colour, how_colour = self._solved(
            "wavelength", self.wavelength_loss(wave), "phase over wavelength"
        )
        return [
            Cost("diameter_offset", offset, "nm", self.offset_loss(offset),
                 first_order=self.first_order_offset(offset)),
            Cost("diameter_offset", -offset, "nm", self.offset_loss(-offset),
                 first_order=self.first_order_offset(-offset)),
            Cost("diameter_random", sigma, "nm rms", self.random_loss(sigma),
                 first_order=self.first_order_random(sigma)),
            Cost("ladder", ladder, "nm step", self.ladder_loss(),
                 first_order=self.first_order_random(ladder / math.sqrt(12))),
            Cost("height", taller, unit, height, note=how_height),
            Cost("index", a["index"], "", index, note=how_index),
            Cost("wavelength", a["wavelength_nm"], "nm", colour, -wave, f"refocused; {how_colour}"),
            Cost("stitching", a["stitching_nm"], "nm rms", self.stitching_loss(a["stitching_nm"])),
            Cost("scale", a["scale_ppm"], "ppm", 0.0, 2e-6 * a["scale_ppm"], "refocused"),
        ]  # fmt: skip

    def _solved(self, cause: str, estimate: float | None, how: str) -> tuple[float | None, str]:
        """The loss by a cause at its usual amount: from pillars solved again, else the estimate."""
        change = self.solved.get(cause)
        if change is None:
            return estimate, how
        phase, amplitude, _ = self._now
        t = amplitude * (1 + change.amplitude) * np.exp(1j * (phase + change.phase_rad))
        return self._loss(t), "coupled waves"


def _largest(loss: Callable[[float], float], allowed: float, farthest: float) -> float | None:
    """Where a loss that is small at 0 first passes `allowed`, at the most `farthest`; None at 0."""
    if not loss(0.0) <= allowed:
        return None
    low = 0.0
    for high in [*np.arange(0.1, 3, 0.1).tolist(), *np.arange(3, farthest, 0.5).tolist(), farthest]:
        if high > farthest:
            continue
        if loss(high) > allowed:
            break
        low = high
    else:
        return farthest
    return _crossing(lambda at: loss(at) - allowed, low, high)


def _crossing(excess: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that is not above 0 at `low`, and is at `high`, passes 0 (regula falsi, Illinois)."""
    below, above = excess(low), excess(high)
    kept = 0
    while high - low > _CLOSE_NM and below < 0:
        at = low - below * (high - low) / (above - below)
        here = excess(at)
        if here > 0:
            high, above = at, here
            below, kept = (below / 2 if kept < 0 else below), -1
        else:
            low, below = at, here
            above, kept = (above / 2 if kept > 0 else above), 1
        if abs(here) < _CLOSE:
            return at
    return low
