"""`predict` on finished jobs: against direct sums over the pillars of the layout file, and against closed forms."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar
from typer.testing import CliRunner

from layoutgen.cli import app
from layoutgen.errors import InputError
from layoutgen.pipeline.build import build
from layoutgen.pipeline.check import check
from layoutgen.pipeline.design import design
from layoutgen.pipeline.facts import plain_variants
from layoutgen.pipeline.library import library, load_spec
from layoutgen.pipeline.light import Disturbance, States, blocks_of
from layoutgen.pipeline.predict import predict
from layoutgen.pipeline.sizes import sizes_of
from layoutgen.recipe.load import load_recipe

FloatArray = NDArray[np.float64]
Change = Callable[[dict[str, Any]], None]
SmallRecipe = Callable[..., Path]

FOCUS = {"kind": "focus", "focal_length": "150 um"}


def curved_library(*, wavelengths: tuple[int, ...] = (940,), low_nm: int = 90) -> str:
    """A made-up library whose slope and transmission vary, the same at every wavelength."""
    lines = [
        "# lattice: {kind: square, pitch: 400 nm}",
        f"# wavelengths: [{', '.join(f'{w} nm' for w in wavelengths)}]",
        "diameter_nm,phase_rad,transmission,wavelength_nm",
    ]
    for w in wavelengths:
        for d in range(low_nm, 341):
            u = (d - 215) / 100
            phase = 7.2 * (u / 2 + 0.12 * math.sin(3 * u))
            lines.append(f"{d},{phase:.9f},{0.88 + 0.08 * math.cos(2.5 * u):.9f},{w}")
    return "\n".join(lines) + "\n"


def job_of(small_recipe: SmallRecipe, tmp_path: Path, change: Change | None = None) -> Path:
    """A built job of the small recipe; no read-back, which has tests of its own."""
    return build(load_recipe(small_recipe(change)), tmp_path / "jobs", verify=False).folder


def pillars_of(
    job: Path, layer: tuple[int, int] = (1, 0)
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """x, y in um and equal-area diameters in nm of the pillars of the middle die, read by gdstk."""
    library = gdstk.read_gds(next(job.glob("*.gds")))
    die = next(cell for cell in library.cells if cell.name.startswith("D_lens"))
    assert isinstance(die, gdstk.Cell)
    polygons = die.get_polygons(layer=layer[0], datatype=layer[1])
    boxes = np.array([p.bounding_box() for p in polygons])
    centre = boxes.mean(axis=1)
    area = np.array([p.area() for p in polygons])
    # drawn sizes are whole nanometres; an octagon's area is off its disc's by tenths
    return centre[:, 0], centre[:, 1], np.rint(2e3 * np.sqrt(area / np.pi))


class Direct:
    """Rayleigh's first integral over given pillars, term by term (Born & Wolf, 8.11), cells filled evenly."""

    def __init__(
        self, x: FloatArray, y: FloatArray, t: NDArray[np.complex128], wavelength: float,
        cell: tuple[float, float],
    ) -> None:  # fmt: skip
        self.x, self.y, self.t, self.wavelength, self.cell = x, y, t, wavelength, cell

    def intensity(self, px: float, py: float, pz: float) -> float:
        k = 2 * math.pi / self.wavelength
        dx, dy = px - self.x, py - self.y
        r = np.sqrt(dx * dx + dy * dy + pz * pz)
        fill = np.sinc(self.cell[0] * dx / r / self.wavelength) * np.sinc(
            self.cell[1] * dy / r / self.wavelength
        )
        u = np.sum(self.t * fill * pz / r**2 * (1 + 1j / (k * r)) * np.exp(1j * k * r))
        return abs(complex(u) * self.cell[0] * self.cell[1] / self.wavelength) ** 2

    def best(self, near: tuple[float, float, float]) -> float:
        """Distance of the largest intensity above (x, y)."""
        x, y, z = near
        found = minimize_scalar(
            lambda v: -self.intensity(x, y, v), bounds=(z - 5, z + 5), method="bounded",
            options={"xatol": 1e-4},
        )  # fmt: skip
        return float(found.x)

    def width(self, at: tuple[float, float, float], axis: int) -> float:
        half = self.intensity(*at) / 2

        def below(s: float) -> float:
            place = list(at)
            place[axis] += s
            return self.intensity(*place) - half

        return float(brentq(below, 0, 2.2) - brentq(below, -2.2, 0))

    def collected(self, at: tuple[float, float, float], radius: float) -> float:
        node, weight = np.polynomial.legendre.leggauss(18)
        r = radius * (node + 1) / 2
        angle = 2 * np.pi * (np.arange(40) + 0.25) / 40
        ring = [
            np.mean([self.intensity(at[0] + a * math.cos(p), at[1] + a * math.sin(p), at[2]) for p in angle])
            for a in r.tolist()
        ]  # fmt: skip
        return float(np.sum(weight * radius / 2 * 2 * np.pi * r * np.array(ring)))


def library_light(text: str, diameter_nm: FloatArray) -> NDArray[np.complex128]:
    rows = np.array([line.split(",")[:3] for line in text.splitlines() if line[0].isdigit()], float)
    phase = PchipInterpolator(rows[:, 0], np.unwrap(rows[:, 1]))(diameter_nm)
    amplitude = PchipInterpolator(rows[:, 0], np.sqrt(rows[:, 2]))(diameter_nm)
    return np.asarray(amplitude * np.exp(1j * phase), dtype=np.complex128)


def plain(data: dict[str, Any]) -> None:
    data["replication"] = {"steps": [{"name": "imprint", "bias": "4 nm", "scale": "2000 ppm"},
                                     {"name": "etch", "bias": "-6 nm"}]}  # fmt: skip


def mirrored_off_axis(data: dict[str, Any]) -> None:
    plain(data)
    data["replication"]["transfers"] = "odd"
    data["lenses"][0]["phase"].append({"kind": "tilt", "angle": "3 deg", "direction": "20 deg"})
    data["lenses"][0]["centre"] = "site"
    data["lenses"][0]["collar"] = "3 um"


def hexagonal(data: dict[str, Any]) -> None:
    data["lattice"]["kind"] = "hexagonal"
    data["lenses"][0]["aperture"] = "50 um"


@pytest.mark.parametrize("change", [plain, mirrored_off_axis, hexagonal], ids=lambda c: c.__name__)
def test_prediction_is_the_sum_over_the_pillars_of_the_layout_file(
    small_recipe: SmallRecipe, tmp_path: Path, change: Change
) -> None:
    text = curved_library()
    if change is hexagonal:
        text = text.replace("kind: square", "kind: hexagonal")

    def write(data: dict[str, Any]) -> None:
        change(data)
        (tmp_path / "library.csv").write_text(text)

    job = job_of(small_recipe, tmp_path, write)
    found = predict(job, "drawn", jobs=2).lenses["dot"][0]
    mirrored = change is mirrored_off_axis
    x, y, drawn = pillars_of(job)
    scale = 1.0 if change is hexagonal else 1.002
    bias = 0.0 if change is hexagonal else -2.0
    x, y = x * scale * (-1 if mirrored else 1), y * scale
    aperture = 25.0 if change is hexagonal else 30.0
    inside = np.hypot(x, y) <= aperture  # the collar is no part of the optics
    assert inside.all() != mirrored
    x, y, t = x[inside], y[inside], library_light(text, drawn[inside] + bias)
    cell = (0.4 * scale, (0.346 if change is hexagonal else 0.4) * scale)
    direct = Direct(x, y, t, 0.94, cell)

    assert found.pillars == len(x)
    assert found.unknown == 0
    assert found.zero_order == pytest.approx(abs(t.mean()) ** 2, rel=1e-9)
    assert found.transmitted == pytest.approx(float(np.mean(np.abs(t) ** 2)), rel=1e-9)
    spot = found.spot
    assert spot is not None
    assert spot.peak == pytest.approx(direct.intensity(*spot.at_um), rel=1e-5)
    assert spot.at_um[2] == pytest.approx(direct.best(spot.at_um), abs=0.02)
    if mirrored:  # generalised Snell: light leaves towards 20 degrees, at 3 degrees
        assert math.degrees(math.atan2(spot.at_um[1], spot.at_um[0])) == pytest.approx(20, abs=0.5)
    assert found.fwhm_x_um == pytest.approx(direct.width(spot.at_um, 0), rel=1e-4)
    assert found.fwhm_y_um == pytest.approx(direct.width(spot.at_um, 1), rel=1e-4)
    radius = 3 * 0.514496 * 0.94 / spot.na
    assert found.collect_um == pytest.approx(radius, rel=1e-9)
    light = len(x) * cell[0] * cell[1]
    assert found.efficiency == pytest.approx(direct.collected(spot.at_um, radius) / light, rel=1e-4)
    design = np.array(found.meets.focus_um)
    phase = (
        -2 * np.pi / 0.94 * np.sqrt((x - design[0]) ** 2 + (y - design[1]) ** 2 + design[2] ** 2)
    )
    ideal = Direct(x, y, np.abs(t) * np.exp(1j * phase), 0.94, cell)
    if not mirrored:
        best = ideal.intensity(0, 0, ideal.best((0, 0, spot.at_um[2])))
        assert found.strehl == pytest.approx(spot.peak / best, rel=1e-4)
    assert found.depth_of_focus_um is not None
    z = [spot.at_um[2] + s * found.depth_of_focus_um for s in (-1, 1)]
    ends = [
        direct.intensity(spot.at_um[0] * v / spot.at_um[2], spot.at_um[1] * v / spot.at_um[2], v)
        for v in z
    ]
    assert max(ends) < 0.8 * spot.peak  # twice the depth is out of focus


@pytest.mark.parametrize("change", [plain, hexagonal], ids=lambda c: c.__name__)
def test_oblique_light_through_a_lens_that_is_stored_by_its_mirrors(
    small_recipe: SmallRecipe, tmp_path: Path, change: Change
) -> None:
    # an octant and a quadrant: each of their images sees the light from another side
    text = curved_library()
    if change is hexagonal:
        text = text.replace("kind: square", "kind: hexagonal")

    def write(data: dict[str, Any]) -> None:
        change(data)
        data["lenses"][0]["phase"].append({"kind": "axicon", "angle": "0.5 deg"})
        (tmp_path / "library.csv").write_text(text)

    job = job_of(small_recipe, tmp_path, write)
    found = predict(job, angles_deg=(2.0,), azimuth_deg=35.0).lenses["dot"][0]
    x, y, drawn = pillars_of(job)
    scale, bias, row = (1.0, 0.0, 0.346) if change is hexagonal else (1.002, -2.0, 0.4)
    x, y = x * scale, y * scale
    turn = math.radians(35)
    tilt = math.sin(math.radians(2)) * (x * math.cos(turn) + y * math.sin(turn)) / 0.94
    t = library_light(text, drawn + bias) * np.exp(2j * np.pi * tilt)
    direct = Direct(x, y, t, 0.94, (0.4 * scale, row * scale))
    assert found.spot is not None
    assert found.spot.at_um[0] > 3
    assert found.spot.at_um[1] > 2
    assert found.spot.peak == pytest.approx(direct.intensity(*found.spot.at_um), rel=1e-5)


def test_placements_of_an_octants_blocks_fill_every_site_once(small_recipe: SmallRecipe) -> None:
    wafer = design(load_recipe(small_recipe()))
    variant = plain_variants(wafer)[0]
    assert variant.part.symmetry == "octant"
    states = States.of(sizes_of(wafer, variant, "target"), Disturbance())
    seen = []
    for block, x, y in blocks_of(states, (0.001, 0.001)):
        rows, cols = np.nonzero(block)
        place = np.rint(np.stack([x[cols], y[rows]]) / 0.2).astype(int)
        seen.append(np.vstack([place, block[rows, cols]]).T)
    found = np.concatenate(seen)
    sites = {(x, y) for x, y, _ in found.tolist()}
    assert len(sites) == len(found) == variant.part.pillars
    # a radial lens on a square lattice: the same pillar on all eight images of a site
    pillar = {(x, y): k for x, y, k in found.tolist()}
    assert all(pillar[x, y] == pillar[-y, x] == pillar[x, -y] == k for (x, y), k in pillar.items())


def test_json_holds_what_the_command_promises(small_recipe: SmallRecipe, tmp_path: Path) -> None:
    job = job_of(small_recipe, tmp_path, with_deflector)
    found = predict(job).as_json()
    lens = found["lenses"]["dot"][0]
    for key in ("wavelength_nm", "angle_deg", "focal_length_um", "fwhm_x_um", "fwhm_y_um", "strehl",
                "efficiency", "zero_order", "depth_of_focus_um"):  # fmt: skip
        assert isinstance(lens[key], float), key
    assert "3 widths" in lens["efficiency_definition"]
    assert all(set(row) == {"cycles_per_mm", "x", "y", "limit"} for row in lens["mtf"])
    # the limit is that of a uniform pupil: Goodman, Introduction to Fourier Optics, 6.3
    cutoff = 2 * lens["numerical_aperture"] / 0.94e-3
    for row in lens["mtf"]:
        s = min(row["cycles_per_mm"] / cutoff, 1.0)
        assert row["limit"] == pytest.approx(
            2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s * s)), abs=1e-5
        )
    order = found["deflectors"]["d8"][0]
    assert {"wavelength_nm", "polarisation", "order", "angle_deg", "efficiency"} <= set(order)
    json.dumps(found, allow_nan=False)


def with_deflector(data: dict[str, Any]) -> None:
    data["deflectors"] = [{"name": "d8", "period": [8, 0], "size": "60 um", "wavelength": "940 nm"}]
    data["dies"]["test"] = [{"deflector": "d8", "at": ["0 um", "0 um"]}]
    data["wafer"]["diameter"] = "600 um"
    data["wafer"]["instead"] = [{"die": "test", "sites": [[1, 0]]}]


def test_deflector_of_eight_pillars_gives_the_efficiency_of_eight_levels(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # Swanson (1989): sinc^2(1/8) = 0.94964 of what the pillars transmit (0.9 here); angle by the grating
    # equation. The library's phase is linear, and a diameter in whole nm misses its phase by 10 mrad rms
    job = job_of(small_recipe, tmp_path, with_deflector)
    orders = {o.order.order: o for o in predict(job, "target").deflectors["d8"]}
    assert orders[1].efficiency == pytest.approx(0.9 * 0.94964, rel=5e-4)
    assert orders[1].order.angle_deg == pytest.approx(math.degrees(math.asin(0.94 / 3.2)), abs=1e-9)
    assert sum(o.efficiency for m, o in orders.items() if m != 1) < 1e-3


def computed_library(folder: Path, index: float = 3.6, height_nm: int = 600) -> None:
    """A library of coupled waves with few orders: quick, and good enough to choose pillars by."""
    spec = folder / "spec.yaml"
    spec.write_text(
        f"""\
name: quick
lattice: {{kind: square, pitch: 400 nm}}
wavelengths: [940 nm]
stack:
  substrate: {{index: 1.45}}
  pillars: {{index: {index}, height: {height_nm} nm}}
diameter: {{min: 110 nm, max: 320 nm, step: 2 nm}}
orders: 49
"""
    )
    library(load_spec(spec), folder / "library.csv", cached=False, jobs=1)


@pytest.mark.parametrize("period", [[6, 0], [0, -6]])
def test_coupled_waves_of_a_period_are_beside_the_local_sum(
    small_recipe: SmallRecipe, tmp_path: Path, period: list[int]
) -> None:
    def change(data: dict[str, Any]) -> None:
        with_deflector(data)
        computed_library(tmp_path)
        data["deflectors"][0]["period"] = period
        data["replication"] = {"transfers": "odd"}

    job = job_of(small_recipe, tmp_path, change)
    found = predict(job, "target", names=("d8",)).deflectors["d8"]
    by = {(o.method, o.polarisation, o.order.order): o.efficiency for o in found}
    assert {key[:2] for key in by} == {
        ("local", "either"), ("coupled_waves", "s"), ("coupled_waves", "p"),
    }  # fmt: skip
    for polarisation in "sp":
        powers = {m: e for (_, p, m), e in by.items() if p == polarisation}
        # lossless pillars: what comes through is at most all; most goes where it should; local within some %
        assert sum(powers.values()) <= 1 + 1e-9
        assert powers[1] > 0.8
        assert powers[1] == pytest.approx(by["local", "either", 1], abs=0.08)
    alone = predict(job, "target", names=("d8",), local_only=True).deflectors["d8"]
    assert [o.efficiency for o in alone] == [o.efficiency for o in found if o.method == "local"]


def test_costs_of_height_index_and_wavelength_are_those_of_pillars_solved_again(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # the same library computed for pillars 1 % taller: the loss of the same lens with it. Pillars of an index
    # so low have no narrow resonances, which few orders would put elsewhere
    def change(data: dict[str, Any]) -> None:
        computed_library(tmp_path, index=2.3, height_nm=1200)
        del data["pillars"]["height"]
        del data["pillars"]["max_aspect_ratio"]

    job = job_of(small_recipe, tmp_path, change)
    budget = predict(job, "target").tolerances["dot"].budget
    costs = {cost.cause: cost for cost in budget.costs()}
    assert {costs[c].note.split("; ")[-1] for c in ("height", "index", "wavelength")} == {
        "coupled waves"
    }
    before = library_light((tmp_path / "library.csv").read_text(), budget.pillars.diameter_nm)
    computed_library(tmp_path, index=2.3, height_nm=1212)
    after = library_light((tmp_path / "library.csv").read_text(), budget.pillars.diameter_nm)
    assert budget.pillars.wanted is not None
    count, wanted = budget.pillars.count, np.conj(budget.pillars.wanted)
    loss = 1 - abs(np.sum(count * after * wanted)) ** 2 / abs(np.sum(count * before * wanted)) ** 2
    assert costs["height"].loss == pytest.approx(float(loss), rel=0.1)
    plain = predict(job, "target", local_only=True).tolerances["dot"].budget
    assert plain.solved == {}


@pytest.mark.parametrize("wavelength_nm", [800, 1000])
def test_focal_length_goes_with_one_over_the_wavelength(
    small_recipe: SmallRecipe, tmp_path: Path, wavelength_nm: int
) -> None:
    # f = f0 lambda0 / lambda for a fixed phase map (diffractive optics textbooks; f / 10 here)
    def change(data: dict[str, Any]) -> None:
        (tmp_path / "library.csv").write_text(curved_library(wavelengths=(800, 940, 1000)))
        data["lenses"][0]["aperture"] = "120 um"
        data["lenses"][0]["phase"] = [{"kind": "focus", "focal_length": "1.2 mm"}]
        data["wafer"]["die_pitch"] = ["200 um", "200 um"]
        data["wafer"]["diameter"] = "500 um"

    job = job_of(small_recipe, tmp_path, change)
    found = predict(job, "target", wavelengths_nm=(940, wavelength_nm)).lenses["dot"]
    assert [one.wavelength_nm for one in found] == [940, wavelength_nm]
    f = [one.focal_length_um for one in found]
    assert f[0] is not None
    assert f[1] is not None
    # the Fresnel number is 3 at f / 10, and the peak of so small a lens lies nearer by a share that
    # is the same function of N at both wavelengths (N does not change: R^2 / (lambda f))
    assert f[1] / f[0] == pytest.approx(940 / wavelength_nm, rel=5e-3)


def spread(data: dict[str, Any], tmp_path: Path) -> None:
    """A lens of many zones with a library whose slope varies, so that an offset of 5 nm costs some per cent."""
    (tmp_path / "library.csv").write_text(curved_library())
    data["lenses"][0]["aperture"] = "200 um"
    data["lenses"][0]["phase"] = [{"kind": "focus", "focal_length": "400 um"}]
    data["wafer"]["die_pitch"] = ["300 um", "300 um"]
    data["wafer"]["diameter"] = "700 um"


def test_offset_and_roughness_cost_what_the_budget_says(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path, lambda data: spread(data, tmp_path))
    as_designed = predict(job, "target")
    budget = as_designed.tolerances["dot"].budget
    before = as_designed.lenses["dot"][0]
    for more, wanted in (
        ({"offset_nm": 5.0}, budget.offset_loss(5.0)),
        ({"offset_nm": -5.0}, budget.offset_loss(-5.0)),
        ({"random_nm": 2.0}, budget.random_loss(2.0)),
    ):
        after = predict(job, "target", **more).lenses["dot"][0]  # type: ignore[arg-type]
        assert after.spot is not None
        assert before.spot is not None
        assert 1 - after.spot.peak / before.spot.peak == pytest.approx(wanted, rel=0.05)
        assert after.efficiency is not None
        assert before.efficiency is not None
        assert 1 - after.efficiency / before.efficiency == pytest.approx(wanted, rel=0.05)


def test_noise_is_the_same_for_any_number_of_workers_and_another_for_another_seed(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path)
    one, two, other = (
        predict(job, random_nm=3.0, seed=seed, jobs=jobs).lenses["dot"][0].strehl
        for seed, jobs in ((1, 1), (1, 3), (2, 1))
    )
    assert one == two
    assert one != other


def test_light_in_the_zero_order_of_a_lens_with_one_size_is_all_of_it(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # pillars of one size are an even plate: |mean t|^2 = transmission
    def change(data: dict[str, Any]) -> None:
        data["pillars"]["diameter"] = {"min": "200 nm", "max": "200 nm"}

    found = predict(job_of(small_recipe, tmp_path, change), "target").lenses["dot"][0]
    assert found.zero_order == pytest.approx(0.9, rel=1e-9)
    assert found.strehl is not None
    assert found.strehl < 0.05


@pytest.mark.parametrize(
    "phase, kind",
    [
        ([{"kind": "tilt", "angle": "5 deg", "direction": "0 deg"}], "none"),
        ([{"kind": "axicon", "angle": "5 deg"}], "none"),
        ([{"kind": "spiral", "charge": 1}], "none"),
        ([{"kind": "cylinder", "focal_length": "150 um", "direction": "0 deg"}], "none"),
        ([FOCUS, {"kind": "spiral", "charge": 1}], "ring"),
    ],
    ids=["tilt", "axicon", "spiral", "cylinder", "ring"],
)
def test_what_a_lens_without_a_point_focus_does_not_have_is_null(
    small_recipe: SmallRecipe, tmp_path: Path, phase: list[dict[str, Any]], kind: str
) -> None:
    def change(data: dict[str, Any]) -> None:
        data["lenses"][0]["phase"] = phase

    prediction = predict(job_of(small_recipe, tmp_path, change), "target")
    found = prediction.as_json()["lenses"]["dot"][0]
    assert found["focus"] == kind
    for key in ("fwhm_x_um", "fwhm_y_um", "strehl", "depth_of_focus_um", "mtf"):
        assert found[key] is None, key
    assert (found["focal_length_um"] is None) == (kind == "none")
    assert found["focus_reason"]
    if kind == "none":
        # all of the light that comes through, 0.9, has the phase asked for, but for steps of 1 nm
        assert found["efficiency"] == pytest.approx(0.9, rel=2e-3)
        assert "no focus" in found["efficiency_definition"]
    else:
        assert 0.6 < found["efficiency"] < 0.9  # the ring lies within the radius of collection
    assert "focus" in prediction.as_text()


def test_a_relay_is_lit_from_its_object_point(small_recipe: SmallRecipe, tmp_path: Path) -> None:
    def change(data: dict[str, Any]) -> None:
        data["lenses"][0]["phase"] = [
            {"kind": "relay", "object_distance": "300 um", "image_distance": "200 um"}
        ]

    found = predict(job_of(small_recipe, tmp_path, change), "target").lenses["dot"][0]
    assert found.meets.focus_um == pytest.approx((0, 0, 200), abs=1e-3)
    assert found.strehl == pytest.approx(1.0, abs=0.01)


def test_oblique_light_moves_the_spot_by_the_focal_length_times_the_tangent(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path)
    along, across = (
        predict(job, "target", angles_deg=(1.0,), azimuth_deg=a).lenses["dot"][0] for a in (0, 90)
    )
    assert along.spot is not None
    assert across.spot is not None
    assert along.spot.at_um[0] == pytest.approx(
        along.spot.at_um[2] * math.tan(math.radians(1)), rel=0.03
    )
    assert along.spot.at_um[1] == pytest.approx(0, abs=1e-3)
    assert across.spot.at_um[1] == pytest.approx(along.spot.at_um[0], rel=1e-4)
    assert along.strehl == pytest.approx(across.strehl, rel=1e-4)


def test_light_into_a_denser_medium_meets_farther_away(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # sines in the medium are 1 / n of those in air: paraxially n f
    job = job_of(small_recipe, tmp_path)
    found = predict(job, "target", index_behind=1.5).lenses["dot"][0]
    assert found.meets.focus_um is not None
    assert found.meets.focus_um[2] == pytest.approx(150 * 1.5, rel=0.02)


def test_printed_sizes_of_a_layout_without_bias_are_those_of_the_exposure_model(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # Chang 1975, on an endless array: the reference prints as it is drawn; where everything is denser than
    # the reference, pillars come out larger than drawn
    def change(data: dict[str, Any]) -> None:
        del data["exposure"]["bias_table"]
        (tmp_path / "library.csv").write_text(curved_library())
        data["exposure"]["reference"] = {"density": 0.05, "diameter": "200 nm"}

    job = job_of(small_recipe, tmp_path, change)
    drawn, printed = (predict(job, s).lenses["dot"][0] for s in ("drawn", "printed"))
    larger = predict(job, "drawn", offset_nm=8.0).lenses["dot"][0]
    assert printed.transmitted != drawn.transmitted
    # the offset that makes drawn sizes transmit like the printed ones is some nm, and positive
    slope = (larger.transmitted - drawn.transmitted) / 8.0
    assert 2 < (printed.transmitted - drawn.transmitted) / slope < 40


def test_a_seeded_bias_table_prints_the_target(small_recipe: SmallRecipe, tmp_path: Path) -> None:
    seed = pytest.importorskip("layoutgen.pipeline.seed")

    def change(data: dict[str, Any]) -> None:
        (tmp_path / "library.csv").write_text(curved_library())
        data["exposure"]["bias_table"] = "seeded.csv"

    recipe = small_recipe(change)
    seed.seed_bias(load_recipe(recipe, bias_table=False), tmp_path / "seeded.csv")
    job = build(load_recipe(recipe), tmp_path / "jobs", verify=False).folder
    target, drawn, printed = (
        predict(job, s).lenses["dot"][0] for s in ("target", "drawn", "printed")
    )
    assert target.spot is not None
    assert drawn.spot is not None
    assert printed.spot is not None
    # rounding to 1 nm is all that is left: 0.3 nm rms, some 1e-4 of the peak
    assert printed.spot.peak == pytest.approx(target.spot.peak, rel=2e-3)
    assert abs(drawn.spot.peak / target.spot.peak - 1) > 5e-3


@pytest.mark.parametrize("slope", [1.0, 0.9])
def test_measured_sizes_are_those_that_the_refined_table_would_put_right(
    small_recipe: SmallRecipe, tmp_path: Path, slope: float
) -> None:
    # a process that leaves every pillar 9 nm too large wants a table that is 9 / slope nm lower everywhere
    def change(data: dict[str, Any]) -> None:
        (tmp_path / "library.csv").write_text(curved_library())

    job = job_of(small_recipe, tmp_path, change)
    refined = tmp_path / "refined.csv"
    rows = (tmp_path / "bias.csv").read_text().splitlines()[1:]
    lines = [
        "# made_by: layoutgen refine",
        f"# slope: {slope:.4f} +- 0.0100",
        "density,diameter_nm,bias_nm",
    ]
    for row in rows:
        density, diameter, bias = row.split(",")
        lines.append(f"{density},{diameter},{float(bias) - 9 / slope:.6f}")
    refined.write_text("\n".join(lines) + "\n")
    found = predict(job, "measured", measured=refined).lenses["dot"][0]
    wanted = predict(job, "target", offset_nm=9.0).lenses["dot"][0]
    without = predict(job, "target").lenses["dot"][0]
    assert found.spot is not None
    assert wanted.spot is not None
    assert without.spot is not None
    # rounding to whole nm is all that differs: it costs some 1e-4 of the peak, 9 nm a hundred times that
    assert found.transmitted == pytest.approx(wanted.transmitted, rel=2e-4)
    assert found.spot.peak == pytest.approx(wanted.spot.peak, rel=1e-3)
    assert abs(without.spot.peak / wanted.spot.peak - 1) > 8e-3


def test_a_table_that_refine_did_not_make_is_refused(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path)
    with pytest.raises(InputError, match=r"bias.csv: want a bias table made by refine"):
        predict(job, "measured", measured=tmp_path / "bias.csv")
    with pytest.raises(InputError, match=r"none.csv: want a file that exists"):
        predict(job, "measured", measured=tmp_path / "none.csv")


def test_pillars_beyond_the_library_are_counted_and_dark(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    # the library of 120 to 310 nm holds the targets; 30 nm more takes the largest out of it
    job = job_of(small_recipe, tmp_path)
    found = predict(job, "target", offset_nm=30.0)
    lens = found.lenses["dot"][0]
    assert 0 < lens.unknown < lens.pillars
    assert any(
        f"{lens.unknown} of {lens.pillars} pillars leave the library" in w for w in found.warnings
    )
    share = 1 - lens.unknown / lens.pillars
    assert lens.transmitted == pytest.approx(0.9 * share, rel=1e-9)
    with pytest.raises(InputError, match="want pillars that the library holds, got none"):
        predict(job, "target", offset_nm=300.0)


@pytest.mark.parametrize(
    "more, sentence",
    [
        ({"diameters": "wished"}, "sizes: want target, drawn, printed or measured, got 'wished'"),
        ({"diameters": "measured"}, "sizes: want the table that refine made"),
        ({"measured": "bias.csv"}, "measured: want sizes measured for a refined table, got drawn"),
        ({"names": ("dots",)}, r"want a lens or deflector of the recipe \(dot\), got 'dots'"),
        ({"wavelengths_nm": (633,)}, r"library.csv has rows for \(940 nm\), got 633 nm"),
        ({"angles_deg": (95,)}, "angle: want an angle between -90 and 90 deg, got 95 deg"),
        ({"random_nm": -1}, "random: want an rms of 0 nm or more, got -1 nm"),
        ({"collect_um": 0}, "collect: want a radius above 0, got 0 um"),
        ({"collect_um": 1e5}, "collect: want a radius .* MB with .* MB free; give a smaller one"),
        ({"index_behind": 0.5}, "index: want an index of 1 to 10, got 0.5"),
        ({"wanted_efficiency": 80}, "efficiency: want a part between 0 and 1 such as 0.8, got 80"),
    ],
    ids=lambda v: str(next(iter(v))) if isinstance(v, dict) else "",
)  # fmt: skip
def test_questions_that_make_no_sense_are_refused(
    small_recipe: SmallRecipe, tmp_path: Path, more: dict[str, Any], sentence: str
) -> None:
    job = job_of(small_recipe, tmp_path)
    with pytest.raises(InputError, match=sentence):
        predict(job, **more)


def test_a_folder_that_is_no_job_or_was_changed_is_refused(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="want a job folder with its manifest"):
        predict(tmp_path)
    job = job_of(small_recipe, tmp_path)
    recipe = job / "recipe.yaml"
    recipe.write_text(recipe.read_text().replace("150 um", "160 um"))
    with pytest.raises(InputError, match=r"recipe.yaml: want the file that was built"):
        predict(job)


def test_a_recipe_without_an_exposure_model_prints_nothing(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    def change(data: dict[str, Any]) -> None:
        del data["exposure"]["reference"]

    job = job_of(small_recipe, tmp_path, change)
    with pytest.raises(InputError, match="want forward_range and reference, got nothing"):
        predict(job, "printed")


def test_a_process_in_which_the_lattice_is_lost_prints_no_sizes(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    def change(data: dict[str, Any]) -> None:
        data["exposure"] |= {
            "forward_range": "500 nm",
            "reference": {"density": 0.25, "diameter": "200 nm"},
        }

    job = build(load_recipe(small_recipe(change)), tmp_path / "jobs", verify=False).folder
    with pytest.raises(InputError, match="want a forward_range below the pitch"):
        predict(job, "printed")


def test_command_prints_one_object_text_and_pictures(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path, with_deflector)
    run = CliRunner().invoke
    out = run(
        app, ["predict", str(job), "--json", "--pictures", str(tmp_path / "p"), "--angle", "1 deg"]
    )
    assert out.exit_code == 0
    found = json.loads(out.stdout)
    assert found["lenses"]["dot"][0]["angle_deg"] == 1
    names = sorted(path.name for path in (tmp_path / "p").iterdir())
    assert names == ["orders-d8.png", "spot-dot-940nm-1deg.png", "tolerances-dot.png"]
    assert [Path(path).name for path in found["pictures"]] == [
        "spot-dot-940nm-1deg.png", "orders-d8.png", "tolerances-dot.png",
    ]  # fmt: skip
    text = run(app, ["predict", str(job), "--efficiency", "0.5", "--offset", "1 nm"])
    assert text.exit_code == 0
    for word in ("focal length", "strehl", "depth of focus", "mtf", "order", "stitching", "leaves"):
        assert word in text.stdout, word
    bad = run(app, ["predict", str(job), "--wavelength", "red", "--angle", "3", "--json"])
    assert bad.exit_code == 2
    assert len(json.loads(bad.stdout)["problems"]) == 2


def test_check_tells_the_budgets_short_form(small_recipe: SmallRecipe, tmp_path: Path) -> None:
    def change(data: dict[str, Any]) -> None:
        spread(data, tmp_path)

    recipe = small_recipe(change)
    found = check(load_recipe(recipe))
    job = build(load_recipe(recipe), tmp_path / "jobs", verify=False).folder
    foreseen = predict(job, "target")
    budget = foreseen.tolerances["dot"].budget
    short = found.as_json()["tolerances"]["dot"]
    assert short["loss"] == 0.01
    # what the design alone foresees is what the summed field has: Goodman, Introduction to Fourier Optics, ch. 6
    (lens,) = foreseen.lenses["dot"]
    assert short["strehl"] == pytest.approx(lens.strehl, abs=0.005)
    assert short["follows"] <= short["passes"]
    assert short["passes"] == pytest.approx(lens.transmitted, rel=0.01)
    assert budget.random_loss(short["random_nm"]) == pytest.approx(0.01, rel=1e-4)
    worst = max(budget.offset_loss(s * short["offset_nm"]) for s in (-1, 1))
    assert worst == pytest.approx(0.01, rel=1e-4)
    text = CliRunner().invoke(app, ["check", str(recipe)]).stdout
    assert f"tolerance dot: 1 % of the efficiency is lost by {short['offset_nm']:.2f} nm" in text


def test_what_an_angle_and_a_wide_collection_leave_out_is_noted(
    small_recipe: SmallRecipe, tmp_path: Path
) -> None:
    job = job_of(small_recipe, tmp_path, with_deflector)
    found = predict(job, "target", angles_deg=(0.0, 5.0), local_only=True)
    assert any("gratings are told for light at right angles" in note for note in found.notes)
    focal_um = found.lenses["dot"][0].focal_length_um
    assert focal_um is not None
    wide = predict(job, "target", collect_um=0.6 * focal_um, local_only=True)
    assert any("more than half the focal length" in note for note in wide.notes)
    assert not predict(job, "target", local_only=True).notes
