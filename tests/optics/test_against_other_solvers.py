"""Coupled waves against two general packages for them: values computed once, kept in a table beside this file.

The table says versions and settings. Both packages draw the pillars on a raster and take every order there
is; they share nothing with this one but the physics. With each other they agree to some mrad.
"""

from __future__ import annotations

import cmath
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from layoutgen.optics.coupled_waves import Diffraction, diffraction
from layoutgen.optics.stack import Cell, Film, Light, Pillar, PillarLayer, Stack

TABLE = json.loads((Path(__file__).parent / "coupled_wave_references.json").read_text())
ON_RESONANCE = {"disc237"}  # 1 nm from where transmission is zero: compared by place
GRATINGS = {"super4"}


@pytest.fixture(autouse=True, scope="module")
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield


def solve(
    case: str, polarisation: str, orders: int, wider_nm: float = 0.0
) -> tuple[Diffraction, float]:
    """Our solution, and its phase from the first interface to the last as the packages count it."""
    c: dict[str, Any] = TABLE["cases"][case]
    layer = PillarLayer(
        complex(*c["pillar"]), complex(*c["around"]), c["height_nm"],
        tuple(Pillar(size + wider_nm, x, y) for size, x, y in c["pillars"]), c["squares"],
    )  # fmt: skip
    stack = Stack(
        Cell(c["cell_nm"][0], c["cell_nm"][1], c["centred"]), c["index_in"], c["index_out"], (layer,),
        tuple(Film(*film) for film in c["before"]), tuple(Film(*film) for film in c["behind"]),
    )  # fmt: skip
    light = Light(c["wavelength_nm"], c["angle_deg"], c["azimuth_deg"])
    found = diffraction(stack, light, polarisation, orders)
    assert not ((c["before"] or c["behind"]) and c["angle_deg"])
    path_nm = c["index_in"] * sum(d for _, d in c["before"])
    path_nm += c["index_out"] * sum(d for _, d in c["behind"])
    return found, cmath.phase(found.transmission) + 2 * np.pi * path_nm / c["wavelength_nm"]


def label(value: dict[str, Any]) -> str:
    return f"{value['case']}-{value['polarisation']}-{value['package']}"


def differ(phase: float, other: float) -> float:
    return abs(cmath.phase(cmath.exp(1j * (phase - other))))


@pytest.mark.parametrize(
    "value",
    [v for v in TABLE["values"] if v["case"] not in ON_RESONANCE | GRATINGS],
    ids=label,
)
def test_arrays_agree_within_3_mrad_and_a_thousandth(value: dict[str, Any]) -> None:
    found, phase = solve(value["case"], value["polarisation"], 441)
    # the two packages themselves are 6.5 mrad apart on the square, whose corners converge slowly
    allowed = 6e-3 if TABLE["cases"][value["case"]]["squares"] else 3e-3
    assert differ(phase, value["phase_rad"]) < allowed
    assert found.transmitted.sum() == pytest.approx(value["transmission"], abs=1e-3)
    assert found.reflected.sum() == pytest.approx(value["reflection"], abs=1e-3)


@pytest.mark.parametrize(
    "value", [v for v in TABLE["values"] if v["case"] in ON_RESONANCE], ids=label
)
def test_the_resonance_stands_where_they_see_it_within_a_fifth_of_a_nanometre(
    value: dict[str, Any],
) -> None:
    found, _ = solve(value["case"], value["polarisation"], 441)
    wider, _ = solve(value["case"], value["polarisation"], 441, wider_nm=0.1)
    slope = (wider.transmitted.sum() - found.transmitted.sum()) / 0.1
    assert abs(slope) > 0.2
    assert abs((found.transmitted.sum() - value["transmission"]) / slope) < 0.2


@pytest.mark.parametrize("value", [v for v in TABLE["values"] if v["case"] in GRATINGS], ids=label)
def test_orders_of_a_grating_agree_within_half_a_hundredth_of_the_light(
    value: dict[str, Any],
) -> None:
    found, _ = solve(value["case"], value["polarisation"], 400)
    for order, power in value["order_powers"].items():
        assert found.order(int(order))[0] == pytest.approx(power, abs=5e-3)
