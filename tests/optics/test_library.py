"""Which pillars a library and the limits leave."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from layoutgen.errors import InputError
from layoutgen.optics.library import Candidates, candidates, coverage, neighbour_gap_nm
from layoutgen.recipe.model import PillarKeys, Step
from layoutgen.recipe.tables import LibraryTable

SIDE = np.sqrt(np.pi) / 2


def library(
    size: Any = range(100, 311, 5),
    phase: Any = None,
    transmission: Any = None,
    flag: Any = (),
    squares: bool = False,
    wavelength: Any = None,
) -> LibraryTable:
    """A smooth library unless told otherwise: 7 rad over the range, in 5 nm rows."""
    size = np.asarray(size, dtype=float)
    if phase is None:
        phase = 7 * ((size - 100) / 210) ** 1.3
    if transmission is None:
        transmission = 0.9 + 0.08 * np.cos(size / 20)
    flags = np.isin(np.arange(size.size), flag)
    return LibraryTable(
        "lib.csv", size, np.asarray(phase), np.asarray(transmission), wavelength, flags, squares
    )


def keys(
    low: float = 1, high: float = 1000, step: float = 1, vertices: int = 8, **limits: Any
) -> PillarKeys:
    return PillarKeys.model_validate(
        {
            "library": "lib.csv",
            "vertices": vertices,
            "diameter": {"min": f"{low} nm", "max": f"{high} nm"},
            "ladder": {"min": "50 nm", "max": "400 nm", "step": f"{step} nm"},
            **limits,
        }
    )


def pick(
    table: LibraryTable | None = None,
    pillar_keys: PillarKeys | None = None,
    steps: Any = (),
    kind: str = "square",
    row_nm: float = 400.0,
) -> Candidates:
    return candidates(
        table or library(),
        wavelength_nm=940.0,
        keys=pillar_keys or keys(),
        kind=kind,
        pitch_nm=400.0,
        row_nm=row_nm,
        steps=[Step.model_validate(s) for s in steps],
    )


# --- interpolation ----------------------------------------------------------------------------


def test_between_rows_phase_and_amplitude_follow_shape_preserving_cubics() -> None:
    table = library()
    got = pick(table)
    assert np.array_equal(got.size_nm, np.arange(100, 311))
    phi = PchipInterpolator(table.size_nm, table.phase_rad)(got.size_nm)
    amplitude = PchipInterpolator(table.size_nm, np.sqrt(table.transmission))(got.size_nm)
    np.testing.assert_allclose(got.field, amplitude * np.exp(1j * phi), atol=2e-12)


def test_library_rows_keep_their_own_transmission() -> None:
    table = library()
    got = pick(table, keys(step=5))
    np.testing.assert_allclose(np.abs(got.field) ** 2, table.transmission, atol=4e-12)


def test_phase_is_unwrapped_along_the_rows() -> None:
    table = library()
    wrapped = library(phase=np.mod(table.phase_rad + 1, 2 * np.pi) - 1)
    assert np.ptp(wrapped.phase_rad) < 2 * np.pi
    np.testing.assert_allclose(pick(wrapped).field, pick(table).field, atol=2e-12)


def test_parts_of_the_field_are_whole_multiples_of_2_to_the_minus_40() -> None:
    parts = pick().field.view(np.float64) * 2.0**40
    assert np.array_equal(parts, np.rint(parts))


def test_nothing_is_extrapolated_and_candidates_are_whole_ladder_steps() -> None:
    got = pick(library(size=np.linspace(101.2, 155.7, 30)), keys(step=2.5))
    assert np.array_equal(got.size_nm, np.arange(102.5, 155.1, 2.5))
    tenth = pick(library(size=[100.0, 100.3, 100.5]), keys(step=0.1))
    assert tenth.size_nm.tolist() == [100.0, 100.1, 100.2, 100.3, 100.4, 100.5]


# --- bars -------------------------------------------------------------------------------------


def test_an_interval_steeper_than_0_15_per_nm_is_barred_and_its_ends_are_not() -> None:
    # |exp(i a) - 1| = 2 sin(a / 2): the jump for 0.15 per nm over 5 nm is 0.75
    phase = np.zeros(5)
    for jump, barred in ((0.7499, False), (0.7501, True)):
        phase[3:] = 2 * np.arcsin(jump / 2)
        got = pick(library(size=[100, 105, 110, 115, 120], phase=phase, transmission=np.ones(5)))
        inside = set(range(111, 115)) & set(got.size_nm.astype(int).tolist())
        assert bool(inside) != barred
        assert {110.0, 115.0} <= set(got.size_nm.tolist())
        assert sum(got.barred.values()) == (4 if barred else 0)


def test_amplitude_counts_in_the_slope_as_phase_does() -> None:
    # from |t| = 1 to 0.2 over 5 nm: 0.16 per nm
    got = pick(library(size=[100, 105, 110], phase=np.zeros(3), transmission=[1, 1, 0.04]))
    assert got.size_nm.tolist() == [100, 101, 102, 103, 104, 105, 110]
    assert got.barred == {"library steeper than 0.15 per nm": 4}


def test_cubics_are_built_apart_on_each_run() -> None:
    phase = np.array([0.0, 0.1, 0.3, 1.9, 2.0, 2.3])
    size = np.arange(100.0, 130.0, 5.0)
    got = pick(library(size=size, phase=phase, transmission=np.ones(6)))
    low = PchipInterpolator(size[:3], phase[:3])(np.arange(100, 111))
    high = PchipInterpolator(size[3:], phase[3:])(np.arange(115, 126))
    np.testing.assert_allclose(got.phase_rad, np.concatenate([low, high]), atol=1e-12)


def test_a_flagged_row_ends_both_runs() -> None:
    size = np.arange(100.0, 130.0, 5.0)
    got = pick(library(size=size, phase=size / 200, transmission=np.ones(6), flag=[2]))
    assert got.size_nm.tolist() == [*range(100, 106), *range(115, 126)]
    assert got.barred == {"flagged library row": 9}


def test_a_lone_row_is_a_candidate_when_it_is_a_ladder_step() -> None:
    table = library(size=[100, 105, 110], phase=np.zeros(3), transmission=np.ones(3), flag=[1])
    assert pick(table).size_nm.tolist() == [100, 110]
    off = library(size=[100, 105, 110.4], phase=np.zeros(3), transmission=np.ones(3), flag=[1])
    assert pick(off).size_nm.tolist() == [100]


# --- limits -----------------------------------------------------------------------------------


def test_diameter_limits_hold_on_the_master_alone() -> None:
    steps = [{"name": "imprint", "bias": "4 nm"}, {"name": "etch", "bias": "-10 nm"}]
    got = pick(pillar_keys=keys(120, 200), steps=steps)
    # master = target + 6 nm
    assert (got.size_nm[0], got.size_nm[-1]) == (114, 194)
    assert (got.master_nm[0], got.master_nm[-1]) == (120, 200)
    assert got.barred == {"diameter.min 120 nm": 14, "diameter.max 200 nm": 116}
    assert got.considered == len(got) + 14 + 116 == 211


@pytest.mark.parametrize(
    "biases, largest_target",
    [
        ((), 300.0),
        # largest on the master, on the way, and at the end
        ((-4.0, -6.0), 290.0),
        ((10.0, -4.0), 296.0),
        ((-4.0, 10.0), 300.0),
    ],
)
def test_gaps_hold_on_the_master_and_after_every_step(
    biases: tuple[float, ...], largest_target: float
) -> None:
    steps = [{"name": f"s{k}", "bias": f"{b} nm"} for k, b in enumerate(biases)]
    got = pick(pillar_keys=keys(min_gap="100 nm"), steps=steps)
    assert got.size_nm[-1] == largest_target


def test_gaps_grow_and_shrink_with_the_scale_of_the_steps() -> None:
    steps = [{"name": "a", "scale": "2000 ppm"}, {"name": "b", "scale": "-6000 ppm"}]
    # 400 nm become 400.8 and then 398.4 nm
    assert pick(pillar_keys=keys(min_gap="100 nm"), steps=steps[:1]).size_nm[-1] == 300
    assert pick(pillar_keys=keys(min_gap="100 nm"), steps=steps).size_nm[-1] == 298


@pytest.mark.parametrize(
    "biases, smallest_target",
    [((), 120.0), ((5.0,), 125.0), ((-5.0,), 120.0), ((-5.0, 3.0), 123.0)],
)
def test_aspect_ratio_holds_on_the_master_and_after_every_step(
    biases: tuple[float, ...], smallest_target: float
) -> None:
    steps = [{"name": f"s{k}", "bias": f"{b} nm"} for k, b in enumerate(biases)]
    got = pick(pillar_keys=keys(height="600 nm", max_aspect_ratio=5.0), steps=steps)
    assert got.size_nm[0] == smallest_target


def test_a_pillar_of_which_a_step_leaves_nothing_is_barred() -> None:
    # a target of 101 nm is drawn 101 nm wide for steps that add up to nothing, and gone after the first
    steps = [{"name": "a", "bias": "-101 nm"}, {"name": "b", "bias": "101 nm"}]
    got = pick(steps=steps)
    assert got.size_nm[0] == 102
    assert got.barred == {"nothing left of the pillar after a": 2}


def test_a_rule_without_its_input_is_not_applied() -> None:
    assert len(pick(pillar_keys=keys(max_aspect_ratio=2.0))) == 211


def test_neighbours_on_a_hexagonal_lattice_are_near_along_rows_and_across_them() -> None:
    size = np.array([100.0, 250.0])
    common: dict[str, Any] = {"kind": "hexagonal", "pitch_nm": 400.0}
    discs = neighbour_gap_nm(size, squares=False, row_nm=346.0, **common)
    np.testing.assert_allclose(discs, np.hypot(200, 346) - size, rtol=1e-15)
    wide = neighbour_gap_nm(size, squares=False, row_nm=347.0, **common)
    np.testing.assert_allclose(wide, 400 - size, rtol=1e-15)


@pytest.mark.parametrize("side", [60.0, 150.0, 199.0, 201.0, 300.0])
def test_gap_of_squares_is_their_true_distance(side: float) -> None:
    shapely = pytest.importorskip("shapely")
    here = shapely.box(-side / 2, -side / 2, side / 2, side / 2)
    for kind, row, others in (
        ("square", 400.0, [(400, 0), (0, 400), (400, 400)]),
        ("hexagonal", 346.0, [(400, 0), (200, 346), (-200, 346)]),
    ):
        gap = neighbour_gap_nm(
            np.array([side]), squares=True, kind=kind, pitch_nm=400.0, row_nm=row
        )
        near = min(here.distance(shapely.affinity.translate(here, *v)) for v in others)
        assert gap[0] == pytest.approx(near, abs=1e-9)


def test_squares_are_limited_by_their_side_and_biased_by_their_diameter() -> None:
    table = library(size=np.arange(100.0, 301.0, 10.0), squares=True)
    steps = [{"name": "imprint", "bias": "4 nm"}]
    limits = keys(
        150, 250, step=2, vertices=4, min_gap="160 nm", height="600 nm", max_aspect_ratio=3.75
    )
    got = pick(table, limits, steps)
    assert np.array_equal(got.size_nm % 2, np.zeros(len(got)))
    np.testing.assert_allclose(got.diameter_nm, got.size_nm / SIDE, rtol=1e-15)
    np.testing.assert_allclose(got.master_nm, got.size_nm / SIDE - 4, rtol=1e-14)
    # 4 nm of diameter are 3.54 nm of side: the master's side >= 160 nm (aspect), target's <= 240
    assert got.size_nm[0] == 164
    assert got.size_nm[-1] == 240


def test_steepness_of_squares_is_per_nm_of_diameter() -> None:
    # 0.8 over 5 nm of side, which is 5.64 nm of diameter: 0.142 per nm
    table = library(
        size=[100, 105, 110], phase=np.zeros(3), transmission=[1, 1, 0.04], squares=True
    )
    assert len(pick(table, keys(vertices=4))) == 11


@pytest.mark.parametrize(
    "limits, named",
    [
        ({"min_gap": "350 nm"}, "211 by min_gap 350 nm on the master"),
        ({"low": 400}, "211 by diameter.min 400 nm"),
        ({"high": 90}, "211 by diameter.max 90 nm"),
        ({"height": "2 um", "max_aspect_ratio": 2.0}, "211 by max_aspect_ratio 2 on the master"),
    ],
)
def test_limits_that_leave_nothing_are_named(limits: dict[str, Any], named: str) -> None:
    with pytest.raises(InputError) as caught:
        pick(pillar_keys=keys(**limits))
    assert named in str(caught.value)
    assert "of the 211 multiples of 1 nm in the library's 100 to 310 nm" in str(caught.value)


def test_other_shapes_wavelengths_and_ladders_are_refused() -> None:
    with pytest.raises(InputError, match=r"lib.csv: want a library of squares .* got discs"):
        pick(pillar_keys=keys(vertices=4))
    with pytest.raises(InputError, match=r"lib.csv: want rows of 940 nm, got rows of 850 nm"):
        pick(library(wavelength=np.full(43, 850.0)))
    with pytest.raises(InputError, match="want a step with a multiple"):
        pick(library(size=[101.2, 101.8]), keys(step=1))


def test_rows_of_the_wavelength_asked_for_are_used() -> None:
    both = library()
    two = library(
        size=np.tile(both.size_nm, 2),
        phase=np.concatenate([both.phase_rad * 2, both.phase_rad]),
        transmission=np.tile(both.transmission, 2),
        wavelength=np.repeat([850.0, 940.0], 43),
    )
    np.testing.assert_array_equal(pick(two).field, pick(both).field)


# --- coverage ---------------------------------------------------------------------------------


def test_coverage_is_a_turn_less_the_largest_gap() -> None:
    assert coverage(np.array([0.2])) == 0
    assert coverage(np.array([0.0, 1.0, 2.5])) == pytest.approx(2.5, abs=1e-9)
    assert coverage(np.arange(8) * np.pi / 4 + 17) == pytest.approx(7 * np.pi / 4, abs=1e-9)
    # the largest gap may be inside, with phases on both sides of a whole turn
    assert coverage(np.array([-1.0, 0.5, 1.0])) == pytest.approx(2.0, abs=1e-9)
