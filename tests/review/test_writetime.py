"""Write time against its definition."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from layoutgen.recipe.model import Exposure
from layoutgen.review.writetime import (
    LayerWork,
    fields_in_circle,
    fields_in_rectangle,
    write_time,
)


def exposure(**keys: Any) -> Exposure:
    return Exposure.model_validate(keys)


def seconds(work: list[LayerWork], **keys: Any) -> float:
    found = write_time(work, exposure(**keys))
    assert found is not None
    return found.exposure_s


MM2 = 1e6  # um^2


def test_a_thousand_seconds_for_a_square_millimetre_at_100_uc_cm2_and_1_na() -> None:
    # dose * area / current: 1e-4 C/cm2 * 1e-2 cm2 / 1e-9 A (definition)
    assert seconds([LayerWork("a", MM2, 0, 0)], dose="100 uC/cm2", current="1 nA") == pytest.approx(
        1000, rel=1e-12
    )


def test_34_7_hours_for_a_square_centimetre_at_250_uc_cm2_and_2_na() -> None:
    # The example of a university clean room's handbook; arithmetic
    found = seconds([LayerWork("a", 100 * MM2, 0, 0)], dose="250 uC/cm2", current="2 nA")
    assert found / 3600 == pytest.approx(34.7, abs=0.05)


def test_a_relative_dose_takes_its_share_of_time() -> None:
    work = [LayerWork("a", MM2, 0, 0, dose=1.1), LayerWork("b", 2 * MM2, 0, 0)]
    found = seconds(work, dose="100 uC/cm2", current="1 nA")
    assert found == pytest.approx(1100 + 2000, rel=1e-12)


@pytest.mark.parametrize(("clock", "bound"), [("100 MHz", False), ("10 MHz", True)])
def test_the_beam_takes_at_least_one_clock_tick_a_step(clock: str, bound: bool) -> None:
    # dose step^2 / current = 300e-6 * (5e-7)^2 / 5e-9 = 15 ns: more than 10 ns, less than 100 ns;
    # a square millimetre is 4e10 steps of 5 nm
    found = write_time(
        [LayerWork("a", MM2, 0, 0)],
        exposure(dose="300 uC/cm2", current="5 nA", beam_step="5 nm", max_clock=clock),
    )
    assert found is not None
    assert found.clock_bound is bound
    assert found.exposure_s == pytest.approx(4e10 * (100e-9 if bound else 15e-9), rel=1e-12)


def test_figures_and_fields_add_their_overheads() -> None:
    found = write_time(
        [LayerWork("a", 0.0, 1_000_000, 3), LayerWork("b", 0.0, 500_000, 4)],
        exposure(dose="300 uC/cm2", current="5 nA", shape_time="100 ns", field_time="0.5 s"),
    )
    assert found is not None
    assert found.figures_s == pytest.approx(0.15, rel=1e-12)
    assert found.fields_s == pytest.approx(3.5, rel=1e-12)
    assert found.total_s == pytest.approx(3.65, rel=1e-12)


@pytest.mark.parametrize("keys", [{"dose": "300 uC/cm2"}, {"current": "5 nA"}, {}])
def test_without_dose_or_current_no_time_is_guessed(keys: dict[str, str]) -> None:
    assert write_time([LayerWork("a", MM2, 1, 1)], exposure(**keys)) is None


@pytest.mark.parametrize("radius", [0.2, 0.5, 1.0, 1.7, 4.3, 10.0])
def test_fields_of_a_circle_are_those_that_share_area_with_it(radius: float) -> None:
    # counted with a fine grid of points in each square, squares laid out from the centre
    half = math.ceil(2 * radius)
    at = (np.arange(half * 200) + 0.5) / 200 - half / 2
    inside = at[None, :] ** 2 + at[:, None] ** 2 < radius * radius
    counted = int(inside.reshape(half, 200, half, 200).any(axis=(1, 3)).sum())
    assert fields_in_circle(radius * 500.0, 500.0) == counted


def test_fields_of_a_rectangle_are_whole_squares() -> None:
    assert fields_in_rectangle(1000.0, 500.0, 500.0) == 2
    assert fields_in_rectangle(1000.1, 500.0, 500.0) == 3
    assert fields_in_rectangle(1.0, 1.0, 500.0) == 1


def test_holes_take_away_at_the_rate_of_what_surrounds_them() -> None:
    # with the clock binding (100 ns a step of 25 nm^2) a frame with a hole takes as long as what is left of it
    keys = {"dose": "300 uC/cm2", "current": "5 nA", "beam_step": "5 nm", "max_clock": "10 MHz"}
    work = [LayerWork("frames", 3 * MM2, 0, 0), LayerWork("holes", -MM2, 0, 0)]
    assert seconds(work, **keys) == pytest.approx(2 * MM2 / 25e-6 * 100e-9, rel=1e-12)
