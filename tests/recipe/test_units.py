"""Quantities: prefixes are those of the SI brochure (9th edition, 2019) and of IEC 80000-13."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layoutgen.units import (
    KINDS,
    dbu_to_nm,
    nm_to_dbu,
    parse_quantity,
    quantity_pattern,
    steps_between,
)


@pytest.mark.parametrize(
    "text, kind, value",
    [
        ("400 nm", "length", 400.0),
        ("1.2 mm", "length", 1_200_000.0),
        ("0.1nm", "length", 0.1),
        (" 3 um ", "length", 3000.0),
        ("3 \u00b5m", "length", 3000.0),  # the micro sign
        ("3 \u03bcm", "length", 3000.0),  # the Greek letter
        ("-1.9 mm", "length", -1_900_000.0),
        ("20 cm", "length", 2e8),
        ("500 pm", "length", 0.5),
        (".5 m", "length", 5e8),
        ("1e3 nm", "length", 1000.0),
        ("180 deg", "angle", 180.0),
        ("100 ppm", "scale", 100.0),
        ("1 ppb", "scale", 0.001),
        ("300 uC/cm2", "dose", 300.0),
        ("300 \u00b5C/cm^2", "dose", 300.0),
        ("0.3 mC/cm\u00b2", "dose", 300.0),
        ("5 nA", "current", 5.0),
        ("500 pA", "current", 0.5),
        ("100 ns", "time", 1e-7),
        ("2 min", "time", 120.0),
        ("1 h", "time", 3600.0),
        ("100 MHz", "frequency", 1e8),
        ("4 GB", "bytes", 4e9),
        ("4 GiB", "bytes", 4 * 2.0**30),
    ],
)
def test_text_with_a_unit_is_exactly_the_number_it_names(
    text: str, kind: str, value: float
) -> None:
    assert parse_quantity(text, kind) == value


def test_radians_are_a_full_turn_in_two_pi() -> None:
    assert parse_quantity("1 rad", "angle") == math.degrees(1)
    assert parse_quantity("1000 mrad", "angle") == math.degrees(1)


@given(
    st.decimals(-(10**6), 10**6, places=6).filter(lambda d: d == 0 or abs(d) > Decimal("1e-6")),
    st.sampled_from(["pm", "nm", "um", "mm", "cm", "m"]),
)
def test_lengths_are_rounded_once_to_the_nearest_double(number: Decimal, unit: str) -> None:
    metres = {"pm": -12, "nm": -9, "um": -6, "mm": -3, "cm": -2, "m": 0}
    exact = Fraction(number) * Fraction(10) ** (metres[unit] + 9)
    got = parse_quantity(f"{number:f} {unit}", "length")
    # no neighbouring double lies nearer to the exact value
    error = abs(Fraction(got) - exact)
    for other in (math.nextafter(got, math.inf), math.nextafter(got, -math.inf)):
        assert error <= abs(Fraction(other) - exact)


@given(st.integers(-(10**9), 10**9), st.sampled_from([0.5, 0.625, 0.8, 1.0, 2.0, 2.5, 10.0]))
def test_whole_grid_steps_survive_the_way_to_nm_and_back(dbu: int, unit_nm: float) -> None:
    assert nm_to_dbu(dbu_to_nm(dbu, unit_nm), unit_nm) == dbu


@given(st.floats(1e-3, 1e6), st.sampled_from(["length", "angle", "time", "dose", "bytes"]))
def test_what_is_printed_in_the_base_unit_reads_back_equal(number: float, kind: str) -> None:
    base = next(unit for unit, size in KINDS[kind][2].items() if size == 1)
    assert parse_quantity(f"{number!r} {base}", kind) == number


@given(st.integers(-999, 999), st.sampled_from(sorted(KINDS)), st.data())
def test_the_schemas_pattern_accepts_what_the_reader_accepts(
    number: int, kind: str, data: st.DataObject
) -> None:
    unit = data.draw(st.sampled_from(sorted(KINDS[kind][2])))
    text = f"{number} {unit}"
    parse_quantity(text, kind)
    assert re.search(quantity_pattern(kind), text)
    assert not re.search(quantity_pattern(kind), f"{number}")
    assert not re.search(quantity_pattern(kind), f"{number} {unit}s")


@pytest.mark.parametrize(
    "value, came",
    [
        (400, "400"),
        (400.0, "400"),
        (True, "true"),
        (None, "nothing"),
        ([400], "a list"),
        ({}, "an empty mapping"),
        (math.nan, "nan"),
        (math.inf, "inf"),
        ("400", "'400'"),
        ("ten", "'ten'"),
        ("nm", "'nm'"),
        ("", "''"),
        ("nan nm", "'nan nm'"),
        ("inf nm", "'inf nm'"),
        ("1e999 nm", "'1e999 nm'"),
        ("1e-999 nm", "'1e-999 nm'"),
        ("1e9999999999 nm", "'1e9999999999 nm'"),
        ("4,5 nm", "'4,5 nm'"),
        ("1_000 nm", "'1_000 nm'"),
        ("0x10 nm", "'0x10 nm'"),
        ("\u0664 nm", "'\u0664 nm'"),  # an Arabic-Indic digit
        ("\u22124 nm", "'\u22124 nm'"),  # a typeset minus
        ("4 nm\n", "'4 nm\\n'"),
        ("4 deg", "'4 deg'"),
        ("4 NM", "'4 NM'"),
        ("4 Mm", "'4 Mm'"),  # a megametre is not a millimetre
        ("9" * 500 + " nm", "'" + "9" * 57 + "...'"),
    ],
)
def test_anything_else_is_refused_with_what_came(value: object, came: str) -> None:
    with pytest.raises(ValueError, match="want") as caught:
        parse_quantity(value, "length")
    assert str(caught.value) == f"want a length such as '400 nm', got {came}"


def test_every_kinds_own_example_can_be_read() -> None:
    for kind, (_, example, _) in KINDS.items():
        assert parse_quantity(example, kind) > 0


def test_lengths_off_the_grid_are_refused_with_the_nearest_that_is_on_it() -> None:
    assert nm_to_dbu(0.3, 0.1) == 3  # 0.3 / 0.1 is 2.9999999999999996 in doubles
    assert nm_to_dbu(-400.0, 0.5) == -800
    with pytest.raises(ValueError, match="nearest") as caught:
        nm_to_dbu(401.3, 0.5)
    assert str(caught.value) == (
        "want a whole number of grid steps of 0.5 nm (nearest: 401.5 nm), got 401.3 nm"
    )


def test_steps_of_a_ladder_are_counted_in_decimals() -> None:
    assert steps_between(90.1, 90.4, 0.1) == 3  # 0.30000000000001 / 0.1 in doubles
    assert steps_between(90.0, 330.0, 0.7) is None
