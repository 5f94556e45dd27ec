"""What a prediction says: figures of every lens, order and error, as JSON and as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.optics.convergence import Convergence
from layoutgen.optics.orders import Order
from layoutgen.optics.spot import DEPTH_LEVEL, Mtf, Spot
from layoutgen.optics.tolerance import Budget
from layoutgen.pipeline.budget import rounded
from layoutgen.pipeline.light import Disturbance

FloatArray = NDArray[np.float64]

#: Losses of efficiency that the diameters allowed are told for.
LOSSES = (0.01, 0.02, 0.05, 0.1)

#: How an order was found: local approximation, or coupled waves with the electric field across (s) or along
#: (p) the deflection.
COLUMNS = {
    ("local", "either"): "local",
    ("coupled_waves", "s"): "field across",
    ("coupled_waves", "p"): "field along",
}

DEFINITIONS = {
    "light": "scalar; each pillar transmits the t of its diameter evenly over its own cell of the lattice;"
    " the library is that of normal incidence",
    "focal_length_um": "distance from the pillars to the plane of the largest intensity",
    "fwhm_x_um": "full width at half maximum along x (y) through the peak in the plane of best focus",
    "strehl": "peak intensity over that of the same transmitted amplitudes without phase error; with few Fresnel"
    " zones it may pass 1 by a per cent, where an error brings the focus nearer",
    "zero_order": "light that goes straight on, |mean t|^2, of the light on the aperture",
    "transmitted": "mean of |t|^2 over the aperture",
    "depth_of_focus_um": f"length along the axis with at least {DEPTH_LEVEL:g} of the peak intensity",
    "encircled_energy": "part of the transmitted light within a radius of the peak in the plane of best focus",
    "mtf": "incoherent, in the plane of best focus; limit: a uniform circular pupil of the same NA",
    "numerical_aperture": "sine of the angle between the axis and the rim as seen from best focus",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class LensPrediction:
    """One lens in one colour at one angle. What a lens without a point focus does not have is None."""

    name: str
    wavelength_nm: float
    angle_deg: float
    meets: Convergence
    spot: Spot | None
    focal_length_um: float | None
    fwhm_x_um: float | None
    fwhm_y_um: float | None
    strehl: float | None
    efficiency: float | None
    efficiency_definition: str
    zero_order: float
    transmitted: float
    depth_of_focus_um: float | None
    mtf: Mtf | None
    radii_um: FloatArray
    encircled: FloatArray
    collect_um: float
    airy_fwhm_um: float | None
    pillars: int
    unknown: int
    barred: int
    image: FloatArray | None = field(default=None, repr=False)
    image_half_um: float = 0.0

    def as_json(self) -> dict[str, Any]:
        spot = self.spot
        return {
            "wavelength_nm": self.wavelength_nm,
            "angle_deg": self.angle_deg,
            "focal_length_um": rounded(self.focal_length_um, 8),
            "fwhm_x_um": rounded(self.fwhm_x_um),
            "fwhm_y_um": rounded(self.fwhm_y_um),
            "strehl": rounded(self.strehl),
            "efficiency": rounded(self.efficiency),
            "efficiency_definition": self.efficiency_definition,
            "zero_order": rounded(self.zero_order),
            "depth_of_focus_um": rounded(self.depth_of_focus_um),
            "mtf": None if self.mtf is None else [
                {"cycles_per_mm": rounded(f), "x": rounded(x), "y": rounded(y), "limit": rounded(limit)}
                for f, x, y, limit in zip(
                    self.mtf.cycles_per_mm.tolist(), self.mtf.x.tolist(), self.mtf.y.tolist(),
                    self.mtf.limit.tolist(), strict=True,
                )
            ],
            "focus": self.meets.kind,
            "focus_reason": self.meets.reason,
            "focus_um": None if spot is None else [rounded(v, 8) for v in spot.at_um],
            "numerical_aperture": None if spot is None else rounded(spot.na),
            "airy_fwhm_um": rounded(self.airy_fwhm_um),
            "transmitted": rounded(self.transmitted),
            "encircled_energy": [
                {"radius_um": rounded(r), "share": rounded(e)}
                for r, e in zip(self.radii_um.tolist(), self.encircled.tolist(), strict=True)
            ],
            "pillars": self.pillars,
            "outside_library": self.unknown,
            "on_barred_rows": self.barred,
        }  # fmt: skip

    def headline(self) -> str:
        """The main figures in one line."""
        parts = [f"focal length {_figure(self.focal_length_um, 7)} µm"]
        if self.fwhm_x_um is not None:
            parts.append(f"full width {_figure(self.fwhm_x_um)} x {_figure(self.fwhm_y_um)} µm")
        if self.strehl is not None:
            parts.append(f"Strehl {self.strehl:.4f}")
        parts.append(f"efficiency {100 * (self.efficiency or 0):.2f} %")
        return ", ".join(parts)

    def as_text(self) -> list[str]:
        """Some lines for a person."""
        light = (
            f"zero order      {100 * self.zero_order:.4f} % straight on;"
            f" {100 * self.transmitted:.2f} % transmitted"
        )
        efficiency = (
            f"efficiency      {100 * (self.efficiency or 0):.3f} %: {self.efficiency_definition}"
        )
        if self.spot is None:
            return [f"no focus        {self.meets.reason}", efficiency, light]
        x, y, _ = self.spot.at_um
        lines = [
            f"focal length    {self.focal_length_um:.6g} um, at x {x:.4g}, y {y:.4g} um;"
            f" NA {self.spot.na:.4f}"
        ]
        if self.meets.kind == "ring":
            lines.append(f"no point focus  {self.meets.reason}")
        else:
            lines += [
                f"full width      {_figure(self.fwhm_x_um)} x {_figure(self.fwhm_y_um)} um"
                f" (diffraction limit {_figure(self.airy_fwhm_um)} um)",
                f"strehl          {self.strehl:.4f}",
                f"depth of focus  {_figure(self.depth_of_focus_um)} um",
            ]
        lines += [efficiency, light]
        if self.mtf is not None:
            m, at = self.mtf, (5, 10, 15)
            lines.append(
                "mtf             "
                + ", ".join(
                    f"{m.cycles_per_mm[k]:.0f}/mm: {m.x[k]:.3f} x, {m.y[k]:.3f} y, limit {m.limit[k]:.3f}"
                    for k in at
                )
            )
        return lines


def _figure(value: float | None, digits: int = 4) -> str:
    return "-" if value is None else f"{value:.{digits}g}"


@dataclass(frozen=True, eq=False, kw_only=True)
class OrderPrediction:
    """One order of one deflector."""

    wavelength_nm: float
    polarisation: str
    order: Order
    efficiency: float
    method: str

    def as_json(self) -> dict[str, Any]:
        return {
            "wavelength_nm": self.wavelength_nm,
            "polarisation": self.polarisation,
            "order": self.order.order,
            "angle_deg": rounded(self.order.angle_deg, 9),
            "efficiency": rounded(self.efficiency),
            "method": self.method,
            "direction_deg": rounded(self.order.direction_deg),
            "lattice_order": list(self.order.lattice_order),
        }


@dataclass(frozen=True, eq=False, kw_only=True)
class Tolerances:
    """The budget of one lens, and what a wanted efficiency leaves."""

    budget: Budget
    wanted: float | None
    reached: float | None

    def as_json(self) -> dict[str, Any]:
        b = self.budget
        allowed = [
            {"loss": loss, "offset_nm": rounded(b.offset_allowed_nm(loss)),
             "random_nm": rounded(b.random_allowed_nm(loss))}
            for loss in LOSSES
        ]  # fmt: skip
        found: dict[str, Any] = {
            "wavelength_nm": b.wavelength_nm,
            "costs": [
                {"cause": c.cause, "amount": rounded(c.amount), "unit": c.unit,
                 "loss": rounded(c.loss), "first_order": rounded(c.first_order), "focal_length_change": rounded(c.focus), "note": c.note}
                for c in b.costs()
            ],
            "allowed": allowed,
            "offset_known_nm": rounded(b.offset_known_nm),
        }  # fmt: skip
        if self.wanted is not None:
            found["wanted_efficiency"] = self.wanted
            found["efficiency"] = rounded(self.reached)
            left = self.left
            found["left"] = None if left is None else {
                "loss": rounded(left), "offset_nm": rounded(b.offset_allowed_nm(left)),
                "random_nm": rounded(b.random_allowed_nm(left)),
            }  # fmt: skip
        return found

    def as_text(self) -> list[str]:
        """A table for a person."""
        b = self.budget
        lines = []
        for c in b.costs():
            amount = f"{c.amount:+.4g}" if c.cause == "diameter_offset" else f"{c.amount:.4g}"
            loss = "not known" if c.loss is None else f"{round(100 * c.loss, 4) + 0.0:8.4f} %"
            focus = f"  focal length {100 * c.focus:+.3f} %" if c.focus else ""
            note = f"  ({c.note})" if c.note else ""
            lines.append(
                f"{c.cause.replace('_', ' '):16s} {amount + ' ' + c.unit:14s} {loss}{focus}{note}"
            )
        lines += [f"{100 * part:g} % is lost at {_allowed(b, part)}" for part in LOSSES]
        if self.wanted is not None:
            if self.left is None:
                lines.append(
                    f"an efficiency of {100 * self.wanted:g} % is not reached, so nothing is left"
                )
            else:
                lines.append(
                    f"an efficiency of {100 * self.wanted:g} % leaves {100 * self.left:.3g} %:"
                    f" {_allowed(b, self.left)}"
                )
        return lines

    @property
    def left(self) -> float | None:
        """Loss that the wanted efficiency leaves; None where it is not reached or not asked for."""
        if self.wanted is None or self.reached is None or self.reached < self.wanted:
            return None
        return 1 - self.wanted / self.reached


def _allowed(budget: Budget, loss: float) -> str:
    offset, sigma = budget.offset_allowed_nm(loss), budget.random_allowed_nm(loss)
    if offset is None or sigma is None:
        return "the sizes as they are"
    end = " (the library ends there)" if offset >= budget.offset_known_nm else ""
    return f"{offset:.2f} nm on all pillars{end}, or {sigma:.2f} nm rms on each by itself"


@dataclass(frozen=True, eq=False)
class Prediction:
    """What `predict` found."""

    stage: str
    disturbance: Disturbance
    lenses: dict[str, list[LensPrediction]]
    deflectors: dict[str, list[OrderPrediction]]
    tolerances: dict[str, Tolerances]
    warnings: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "sizes": self.stage,
            "offset_nm": self.disturbance.offset_nm,
            "random_nm": self.disturbance.random_nm,
            "lenses": {name: [p.as_json() for p in found] for name, found in self.lenses.items()},
            "deflectors": {
                name: [p.as_json() for p in found] for name, found in self.deflectors.items()
            },
            "tolerances": {name: found.as_json() for name, found in self.tolerances.items()},
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "definitions": DEFINITIONS,
        }

    def as_text(self) -> str:
        """A page for a person."""
        lines: list[str] = []
        for name, lenses in self.lenses.items():
            for one in lenses:
                lines += [
                    f"lens {name}: {one.wavelength_nm:g} nm, {one.angle_deg:g} deg, {self._sizes}",
                    *(f"  {line}" for line in one.as_text()),
                ]
        for name, orders in self.deflectors.items():
            lines += self._orders_text(name, orders)
        for name, tolerances in self.tolerances.items():
            lines.append(f"tolerances of {name}, of the light in step with its design")
            lines += [f"  {line}" for line in tolerances.as_text()]
        lines += [f"note: {note}" for note in self.notes]
        return "\n".join(lines)

    def _orders_text(self, name: str, orders: Sequence[OrderPrediction]) -> list[str]:
        """A table for each colour: a row for each order, a column for each way to find it."""
        lines = []
        for wavelength in dict.fromkeys(o.wavelength_nm for o in orders):
            mine = [o for o in orders if o.wavelength_nm == wavelength]
            ways = list(dict.fromkeys((o.method, o.polarisation) for o in mine))
            rows = list(dict.fromkeys((o.order.order, o.order.lattice_order) for o in mine))
            lines.append(
                f"deflector {name}: {wavelength:g} nm, {self._sizes}, efficiency of each order"
            )
            lines.append("   order     angle" + "".join(f"  {COLUMNS[way]:>14s}" for way in ways))
            for row in rows:
                found = {
                    (o.method, o.polarisation): o
                    for o in mine
                    if (o.order.order, o.order.lattice_order) == row
                }
                order = next(iter(found.values())).order
                values = "".join(
                    f"  {100 * found[way].efficiency:12.3f} %" if way in found else " " * 16
                    for way in ways
                )
                aside = "" if row[1] == (0, 0) else f"  towards {order.direction_deg:.1f}\u00b0"
                lines.append(f"  {order.order:6d}  {order.angle_deg:7.3f}\u00b0{values}{aside}")
        return lines

    @property
    def _sizes(self) -> str:
        d = self.disturbance
        extra = f", {d.offset_nm:+g} nm" if d.offset_nm else ""
        if d.random:
            extra += f", {d.random_nm:g} nm rms at random"
        return f"{self.stage} sizes{extra}"

    def draw(self, folder: str | Path) -> list[Path]:
        """Pictures into a folder, which is made if need be; returns their paths."""
        from layoutgen.review.predict_pictures import (
            orders_figure,
            spot_figure,
            tolerance_figure,
            written,
        )

        folder = Path(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"{folder}: want a folder for pictures, got {error.strerror}"
            ) from error
        made = []
        for name, lenses in self.lenses.items():
            for one in lenses:
                if one.image is None or one.spot is None:
                    continue
                title = (
                    f"lens {name}, {one.wavelength_nm:g} nm, {one.angle_deg:g} deg, {self._sizes}"
                )
                figure = spot_figure(
                    title, one.headline(), image=one.image, half_um=one.image_half_um,
                    centre_um=one.spot.at_um[:2], radii_um=one.radii_um, encircled=one.encircled,
                    collect_um=one.collect_um, mtf=one.mtf,
                )  # fmt: skip
                label = f"spot-{name}-{one.wavelength_nm:g}nm-{one.angle_deg:g}deg"
                made.append(written(figure, folder, label))
        for name, orders in self.deflectors.items():
            rows = [
                (f"{o.wavelength_nm:g} nm, {COLUMNS[o.method, o.polarisation]}", o.order.order,
                 o.order.angle_deg, o.efficiency)
                for o in orders if o.order.lattice_order == (0, 0)
            ]  # fmt: skip
            figure = orders_figure(f"deflector {name}, {self._sizes}", rows)
            made.append(written(figure, folder, f"orders-{name}"))
        for name, tolerances in self.tolerances.items():
            title = f"tolerances of {name}, {tolerances.budget.wavelength_nm:g} nm"
            figure = tolerance_figure(title, tolerances.budget)
            made.append(written(figure, folder, f"tolerances-{name}"))
        return made
