"""`predict`: what the lenses and deflectors of a job will do with light.

Sizes are taken from one stage (target, drawn, printed, measured), brought to the finished part by the
replication biases, and turned into light by the library. Every pillar of a lens enters its focus; blocks
of sites are made, summed and forgotten one after another, for all colours and angles in one pass.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.lattice import Lattice
from layoutgen.layout.tree import Variant
from layoutgen.optics.convergence import Convergence, convergence
from layoutgen.optics.focus import FINE_NODES, Beam, FocalField, LensSum
from layoutgen.optics.orders import GratingSum, Order, propagating_orders
from layoutgen.optics.phase import turns
from layoutgen.optics.sampling import lattice_vector_nm
from layoutgen.optics.spot import (
    airy_fwhm_um,
    best_focus,
    depth_of_focus_um,
    encircled_power,
    full_width_um,
    image,
    mtf,
    spot_at,
    strehl,
)
from layoutgen.optics.tolerance import Budget
from layoutgen.optics.transmission import Transmission, transmission_of
from layoutgen.pipeline.budget import budget_of
from layoutgen.pipeline.design import Progress, Wafer, design, quiet
from layoutgen.pipeline.facts import plain_variants
from layoutgen.pipeline.job import Job, open_job
from layoutgen.pipeline.light import Disturbance, States, light_of, sum_grating, sum_lens
from layoutgen.pipeline.prediction import LensPrediction, OrderPrediction, Prediction, Tolerances
from layoutgen.pipeline.question import (
    Question,
    check_question,
    free_bytes,
    read_fitted,
    recipe_of,
)
from layoutgen.pipeline.sensitivity import changes_of
from layoutgen.pipeline.sizes import Fitted, Process, printing, remembered, sizes_of
from layoutgen.pipeline.supercell import NoSupercell, Period, period_of, supercell_orders
from layoutgen.recipe.model import Deflector, Lens, RelayTerm
from layoutgen.wafer.designs import Design
from layoutgen.workers import cores

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: The radius of collection in widths of the diffraction-limited spot.
COLLECT_WIDTHS = 3.0
#: Radii of the encircled energy, evenly spaced: up to the radius of collection where it is given, else to twice
#: the usual one.
RADII = 40
#: Points along a side of the picture of a spot, and its half side in diffraction-limited widths.
PICTURE_POINTS, PICTURE_WIDTHS = 121, 4.0


def predict(
    job: str | Path | Job,
    diameters: str = "drawn",
    *,
    measured: str | Path | None = None,
    offset_nm: float = 0.0,
    random_nm: float = 0.0,
    seed: int = 1,
    names: Sequence[str] = (),
    wavelengths_nm: Sequence[float] = (),
    angles_deg: Sequence[float] = (0.0,),
    azimuth_deg: float = 0.0,
    collect_um: float | None = None,
    index_behind: float = 1.0,
    wanted_efficiency: float | None = None,
    local_only: bool = False,
    pictures: bool = False,
    jobs: int | None = None,
    progress: Progress = quiet,
) -> Prediction:
    """What the lenses and deflectors of a job folder will do with light; InputError tells all problems.

    diameters: target, drawn, printed or measured; offset_nm and random_nm disturb them. measured: the
    table that `refine` made from sizes of this job, or of another of the same process. names: lenses and
    deflectors, all unless given. local_only: nothing is solved by coupled waves. pictures: also what `review.predict_pictures` draws.
    """
    question = Question(
        stage=diameters, disturbance=Disturbance(offset_nm, random_nm, seed), names=tuple(names),
        wavelengths_nm=tuple(wavelengths_nm), angles_deg=tuple(angles_deg) or (0.0,),
        azimuth_deg=azimuth_deg, collect_um=collect_um, index_behind=index_behind,
        wanted_efficiency=wanted_efficiency, local_only=local_only, pictures=pictures,
    )  # fmt: skip
    found = job if isinstance(job, Job) else open_job(job)
    loaded = recipe_of(found)
    check_question(question, loaded, measured)
    fitted = None if measured is None else read_fitted(measured)
    workers = cores() if jobs is None else jobs
    wafer = design(loaded, progress, workers)
    return _Predictor(wafer, question, fitted, workers, progress).run()


class _Predictor:
    def __init__(
        self, wafer: Wafer, question: Question, fitted: Fitted | None, jobs: int,
        progress: Progress,
    ) -> None:  # fmt: skip
        self.wafer, self.q, self.fitted = wafer, question, fitted
        self.jobs, self.progress = jobs, progress
        self.warnings: list[str] = []
        self.notes: list[str] = []
        self._periods: dict[Period, dict[str, dict[int, float]]] = {}
        self._printing: dict[tuple[Lattice, bool], Process] = {}
        scale = (1 + wafer.loaded.recipe.scale) * wafer.plan.dbu_nm * 1e-3
        self.scale_um = (-scale if wafer.plan.mirrored else scale, scale)

    def run(self) -> Prediction:
        lenses: dict[str, list[LensPrediction]] = {}
        deflectors: dict[str, list[OrderPrediction]] = {}
        tolerances: dict[str, Tolerances] = {}
        recipe = self.wafer.loaded.recipe
        for variant in plain_variants(self.wafer).values():
            found = variant.design
            if self.q.names and found.name not in self.q.names:
                continue
            if found.kind == "lens":
                lens = next(part for part in recipe.lenses if part.name == found.name)
                lenses[lens.name] = self._lens(lens, variant)
                tolerances[lens.name] = Tolerances(
                    budget=self._budget(lens, found), wanted=self.q.wanted_efficiency,
                    reached=lenses[lens.name][0].efficiency,
                )  # fmt: skip
            elif found.kind == "deflector":
                grating = next(part for part in recipe.deflectors if part.name == found.name)
                deflectors[grating.name] = self._deflector(grating, variant)
        if deflectors and any(angle != 0 for angle in self.q.angles_deg):
            self.notes.append(
                "gratings are told for light at right angles to them; the angles asked for are the lenses'"
            )
        missing = [name for name in self.q.names if name not in lenses and name not in deflectors]
        self.warnings += [f"{name} stands on no die and is not predicted" for name in missing]
        for name, left in tolerances.items():
            if left.wanted is not None and left.left is None and left.reached is not None:
                self.warnings.append(
                    f"lens {name}: an efficiency of {left.wanted:g} leaves no tolerance, since these"
                    f" sizes give {left.reached:.4f}"
                )
        return Prediction(
            self.q.stage, self.q.disturbance, lenses, deflectors, tolerances,
            tuple(self.warnings), tuple(self.notes),
        )  # fmt: skip

    def _budget(self, lens: Lens, found: Design) -> Budget:
        budget = budget_of(self.wafer.loaded, lens, found)
        if self.q.local_only:
            return budget
        self.progress("solving some pillars again", 0.0)
        table = self.wafer.loaded.libraries[found.keys.library]
        pitch_nm = found.lattice.pitch_dbu * self.scale_um[1] * 1e3
        changes = changes_of(table, lens.wavelength_nm, budget.pillars, pitch_nm, self.jobs)
        return replace(budget, solved=changes)

    def _states(self, variant: Variant) -> States:
        printed = None
        if self.q.stage == "printed":
            key = (variant.design.lattice, variant.coder.ladder.squares)
            if key not in self._printing:
                self._printing[key] = remembered(printing(self.wafer, variant))
            printed = self._printing[key]
        sizes = sizes_of(
            self.wafer, variant, self.q.stage, printed=printed, fitted=self.fitted, jobs=self.jobs
        )
        return States.of(sizes, self.q.disturbance)

    def _light(
        self, part: Lens | Deflector, states: States
    ) -> tuple[list[float], list[Transmission], list[ComplexArray]]:
        table = self.wafer.loaded.libraries[self.wafer.loaded.recipe.pillars_of(part).library]
        wavelengths = list(self.q.wavelengths_nm or (part.wavelength_nm,))
        # the library's own figure, where the two differ by rounding
        held = table.wavelengths_nm or (part.wavelength_nm,)
        wavelengths = [min(held, key=lambda h: abs(h - w)) for w in wavelengths]
        found = [transmission_of(table, w) for w in wavelengths]
        return wavelengths, found, [light_of(t, states) for t in found]

    def _told(
        self, what: str, states: States, tally: NDArray[np.int64], t: Transmission
    ) -> tuple[int, int]:
        """How many sites the library does not hold, and how many stand on barred rows."""
        total = int(tally.sum())
        unknown = int(tally[1:][~t.known(states.diameter_nm[1:])].sum())
        barred = int(tally[1:][t.barred(states.diameter_nm[1:])].sum())
        if unknown == total:
            raise InputError(
                f"{what}: want pillars that the library holds, got none of {total} whose finished"
                f" diameter is within {t.size_nm[0] * t.per_side:.6g} to {t.size_nm[-1] * t.per_side:.6g} nm"
            )
        if unknown:
            self.warnings.append(
                f"{what}: {unknown} of {total} pillars leave the library's diameters and count as dark"
            )
        if barred:
            self.warnings.append(
                f"{what}: {barred} of {total} pillars stand on flagged or steep rows of the library,"
                " where light is uncertain"
            )
        return unknown, barred

    # --- lenses ------------------------------------------------------------------------------------

    def _lens(self, lens: Lens, variant: Variant) -> list[LensPrediction]:
        q, facts = self.q, variant.design.facts
        assert facts is not None
        states = self._states(variant)
        wavelengths, transmissions, lights = self._light(lens, states)
        half_um = lens.aperture_nm / 2e3
        relay = next((t for t in lens.phase if isinstance(t, RelayTerm)), None)
        setups: list[tuple[int, float, Convergence, Beam | None]] = []
        for k, wavelength_nm in enumerate(wavelengths):
            vacuum_um = wavelength_nm * 1e-3
            for angle in q.angles_deg:
                sine = math.sin(math.radians(angle)) / vacuum_um
                azimuth = math.radians(q.azimuth_deg)
                tilt = (0.0, 0.0) if angle == 0 else (
                    sine * round(math.cos(azimuth), 15), sine * round(math.sin(azimuth), 15)
                )  # fmt: skip
                source = None if relay is None else (
                    relay.centre_nm[0] * 1e-3, relay.centre_nm[1] * 1e-3,
                    relay.object_distance_nm * 1e-3, vacuum_um,
                )  # fmt: skip
                meets = convergence(
                    facts.program, half_um, wavelength_um=vacuum_um / q.index_behind, tilt=tilt,
                    source=source,
                )  # fmt: skip
                beam = None if meets.focus_um is None else Beam(
                    wavelength_um=vacuum_um / q.index_behind, focus_um=meets.focus_um, tilt=tilt,
                    source=source,
                )  # fmt: skip
                setups.append((k, angle, meets, beam))
        lattice = variant.design.lattice
        cell_um = (lattice.pitch_dbu * self.scale_um[1], lattice.row_dbu * self.scale_um[1])
        sums = self._sums([beam for *_, beam in setups if beam is not None], half_um, cell_um)
        used = [k for k, _, _, beam in setups if beam is not None]
        tally = sum_lens(
            states, sums, [lights[k] for k in used], self.scale_um, self.jobs, self.progress
        )
        told = [
            self._told(f"lens {lens.name} at {w:g} nm", states, tally, t)
            for w, t in zip(wavelengths, transmissions, strict=True)
        ]
        fields = iter([s.field(self.jobs) for s in sums])
        area_um2 = int(tally.sum()) * cell_um[0] * cell_um[1]
        found = []
        for number, (k, angle, meets, beam) in enumerate(setups):
            self.progress("judging spots", number / len(setups))
            mean = complex(tally @ lights[k]) / int(tally.sum())
            common = {
                "name": lens.name, "wavelength_nm": wavelengths[k], "angle_deg": angle,
                "meets": meets, "zero_order": abs(mean) ** 2, "pillars": int(tally.sum()),
                "transmitted": float(tally @ np.abs(lights[k]) ** 2) / int(tally.sum()),
                "unknown": told[k][0], "barred": told[k][1],
            }  # fmt: skip
            if beam is None:
                share = self._follows(states, lights[k])
                found.append(_without_focus(share, common))
            else:
                found.append(self._spot(next(fields), area_um2, variant, common))
        return found

    def _sums(
        self, beams: Sequence[Beam], half_um: float, cell_um: tuple[float, float]
    ) -> list[LensSum]:
        """Grids that are fine enough for the radius of collection, or a sentence about the memory."""
        nodes = []
        for beam in beams:
            width = airy_fwhm_um(beam.wavelength_um, half_um, beam.focus_um[2])
            reach = self.q.collect_um or 2 * COLLECT_WIDTHS * width
            # light within half a wavelength over the step of the sines is held, and told exactly within
            # a third of that
            sines = 2 * half_um / math.hypot(half_um, beam.focus_um[2])
            asked = math.ceil(3 * reach * 2 * sines / beam.wavelength_um)
            nodes.append(max(FINE_NODES, 2 * (asked // 2) + 1))
        wanted = sum(LensSum.bytes(n) for n in nodes)
        free = free_bytes()
        if free is not None and wanted > free:
            raise InputError(
                f"collect: want a radius of collection whose grid fits the memory, got one that takes"
                f" {wanted / 1e6:,.0f} MB with {free / 1e6:,.0f} MB free; give a smaller one"
            )
        return [LensSum(beam, half_um, cell_um, n) for beam, n in zip(beams, nodes, strict=True)]

    def _spot(
        self, field_: FocalField, area_um2: float, variant: Variant, common: dict[str, Any]
    ) -> LensPrediction:
        meets: Convergence = common["meets"]
        folded = field_.beam.on_axis and not self.q.disturbance.random
        symmetric = folded and variant.part.symmetry in ("octant", "quadrant")
        sector = {"octant": 8, "quadrant": 4}.get(variant.part.symmetry, 1) if symmetric else 1
        ring = meets.kind == "ring"
        if ring:
            spot = spot_at(field_, field_.beam.focus_um)
        else:
            spot = best_focus(field_, spread_um=meets.spread * field_.half_um, symmetric=symmetric)
        ratio = None if ring else strehl(field_, spot)
        field_ = field_.moved(spot.at_um)
        collect_um = self.q.collect_um or COLLECT_WIDTHS * spot.airy_um
        if self.q.collect_um and collect_um > spot.at_um[2] / 2:
            self.notes.append(
                f"lens {common['name']}: light within {collect_um:g} um, more than half the focal length,"
                " is told to some tenths of a per cent"
            )
        last = (
            RADII if self.q.collect_um else RADII // 2
        )  # the radius of collection among the radii
        radii = np.arange(1, RADII + 1) / last * collect_um
        power = encircled_power(field_, spot, radii, sector=sector)
        half = PICTURE_WIDTHS * spot.airy_um
        plain = "3 widths (FWHM) of the Airy pattern" if self.q.collect_um is None else "as given"
        return LensPrediction(
            **common,
            spot=spot,
            focal_length_um=spot.at_um[2],
            fwhm_x_um=None if ring else full_width_um(field_, spot, "x"),
            fwhm_y_um=None if ring else full_width_um(field_, spot, "y"),
            strehl=ratio,
            efficiency=float(power[last - 1]) / area_um2,
            efficiency_definition=(
                f"power within {collect_um:.6g} um of the peak ({plain}) in the plane of best focus"
                " over the power of the light on the aperture"
            ),
            depth_of_focus_um=None if ring else depth_of_focus_um(field_, spot),
            mtf=None if ring else mtf(field_, spot),
            collect_um=collect_um,
            radii_um=radii,
            encircled=power / area_um2 / common["transmitted"],
            airy_fwhm_um=spot.airy_um,
            image=image(field_, spot, half, PICTURE_POINTS) if self.q.pictures else None,
            image_half_um=half,
        )

    def _follows(self, states: States, light: ComplexArray) -> float:
        """Part of the light on the aperture that has the phase that the design asks for."""
        part, facts = states.sizes.variant.part, states.sizes.variant.design.facts
        assert facts is not None
        total, count = 0j, 0
        for index, site in enumerate(part.sites):
            copies = len(part.pieces[site.piece].placements)
            block = states.block(index, 0)
            x, y = part.lattice.sites_dbu(site.window)
            psi = turns(facts.program, x * self.scale_um[0], y * self.scale_um[1])
            total += copies * complex(np.sum(light[block] * np.exp(-2j * math.pi * psi)))
            count += copies * int(np.count_nonzero(block))
        return abs(total / count) ** 2

    # --- deflectors --------------------------------------------------------------------------------

    def _deflector(self, deflector: Deflector, variant: Variant) -> list[OrderPrediction]:
        item = variant.design
        lattice, scale = item.lattice, self.scale_um[1]
        states = self._states(variant)
        wavelengths, transmissions, lights = self._light(deflector, states)
        pitch_um, row_um = lattice.pitch_dbu * scale, lattice.row_dbu * scale
        v = lattice_vector_nm(deflector.period, kind=lattice.kind, pitch_nm=pitch_um, row_nm=row_um)
        half_um = max(item.domain.extent) * scale + pitch_um / 2
        sums = [
            GratingSum(
                propagating_orders(
                    v, pitch_um=pitch_um, row_um=row_um, shift_um=lattice.shift_dbu * scale,
                    wavelength_um=w * 1e-3 / self.q.index_behind,
                ),
                half_um, (pitch_um, row_um),
            )
            for w in wavelengths
        ]  # fmt: skip
        tally = sum_grating(states, sums, lights, self.scale_um, self.jobs)
        found = []
        for w, t, one in zip(wavelengths, transmissions, sums, strict=True):
            self._told(f"deflector {deflector.name} at {w:g} nm", states, tally, t)
            found += [
                OrderPrediction(
                    wavelength_nm=w, polarisation="either", order=order, efficiency=float(value),
                    method="local",
                )
                for order, value in zip(one.orders, one.efficiencies, strict=True)
            ]  # fmt: skip
            if not self.q.local_only:
                found += self._coupled(deflector, w, states, one.orders)
        return found

    def _coupled(
        self, deflector: Deflector, wavelength_nm: float, states: States, orders: Sequence[Order]
    ) -> list[OrderPrediction]:
        """The same orders from one period by coupled waves, where that can be had."""
        table = self.wafer.loaded.libraries[self.wafer.loaded.recipe.pillars_of(deflector).library]
        try:
            period = period_of(
                table, wavelength_nm, deflector.period, states, self.scale_um, self.q.index_behind
            )
            if period not in self._periods:
                self.progress("solving a period", 0.0)
                self._periods[period] = supercell_orders(period, self.jobs)
        except NoSupercell as reason:
            self.notes.append(f"deflector {deflector.name}: no coupled waves, since {reason}")
            return []
        by_order = {o.order: o for o in orders if o.lattice_order == (0, 0)}
        return [
            OrderPrediction(
                wavelength_nm=wavelength_nm, polarisation=polarisation, order=by_order[m],
                efficiency=powers.get(m, 0.0), method="coupled_waves",
            )
            for polarisation, powers in self._periods[period].items()
            for m in by_order
        ]  # fmt: skip


def _without_focus(share: float, common: dict[str, Any]) -> LensPrediction:
    nothing: dict[str, Any] = dict.fromkeys(
        ("spot", "focal_length_um", "fwhm_x_um", "fwhm_y_um", "strehl", "depth_of_focus_um", "mtf",
         "airy_fwhm_um")
    )  # fmt: skip
    return LensPrediction(
        **common,
        **nothing,
        efficiency=share,
        efficiency_definition=(
            "no focus: the light that has the phase that the design asks for, |mean t exp(-i psi)|^2,"
            " over the power of the light on the aperture"
        ),
        collect_um=0.0,
        radii_um=np.zeros(0),
        encircled=np.zeros(0),
    )
