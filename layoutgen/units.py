"""Text with a unit to a number, and lengths to the layout's grid.

A recipe writes every quantity as decimal text with a unit (`400 nm`, `1.2 mm`). The decimal is
taken exactly and rounded once to the nearest double, so `1.2 mm` is 1200000.0 nm and not a
neighbour of it. What each kind becomes:

    length nm, angle deg, scale ppm, dose uC/cm2, current nA, time s, frequency Hz, bytes B

Prefixes are those of the SI brochure (9th edition, 2019), those of bytes also IEC 80000-13
(KiB = 1024 B). From the layout onwards lengths are whole database units: `nm_to_dbu` is the one
place where they change, and it refuses what is off the grid instead of rounding it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

__all__ = [
    "KINDS",
    "SQUARE_SIDE",
    "dbu_to_nm",
    "nm_to_dbu",
    "parse_quantity",
    "plain",
    "quantity_pattern",
    "steps_between",
]

#: Side of the square over diameter of the disc of equal area.
SQUARE_SIDE = math.sqrt(math.pi) / 2

_DEGREES_PER_RADIAN = 180 / Fraction("3.14159265358979323846264338327950288419716939937510")


def _units(**units: int | str | Fraction) -> dict[str, Fraction]:
    return {name: Fraction(size) for name, size in units.items()}


_LENGTH = _units(pm="0.001", nm=1, um=10**3, mm=10**6, cm=10**7, m=10**9)
_DOSE = {"uC/cm2": Fraction(1), "mC/cm2": Fraction(1000), "nC/cm2": Fraction(1, 1000)}
_BYTES = _units(B=1, kB=10**3, MB=10**6, GB=10**9, TB=10**12) | _units(
    KiB=2**10, MiB=2**20, GiB=2**30, TiB=2**40
)

#: kind -> (words, example, unit -> size in the unit that the number is returned in)
KINDS: Mapping[str, tuple[str, str, Mapping[str, Fraction]]] = {
    "length": ("a length", "400 nm", _LENGTH),
    "angle": (
        "an angle",
        "5 deg",
        {
            "deg": Fraction(1),
            "mrad": _DEGREES_PER_RADIAN / 1000,
            "rad": _DEGREES_PER_RADIAN,
        },
    ),
    "scale": ("a scale", "100 ppm", _units(ppm=1, ppb="0.001")),
    "dose": ("a dose", "300 uC/cm2", _DOSE),
    "current": ("a current", "5 nA", _units(pA="0.001", nA=1, uA=1000)),
    "time": (
        "a time",
        "100 ns",
        _units(ns="1e-9", us="1e-6", ms="1e-3", s=1, min=60, h=3600),
    ),
    "frequency": ("a frequency", "100 MHz", _units(Hz=1, kHz=10**3, MHz=10**6, GHz=10**9)),
    "bytes": ("a number of bytes", "4 GB", _BYTES),
}

# ASCII digits only; three digits of exponent keep the exact fraction small.
_QUANTITY = re.compile(
    r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)[ \t]*([^\W0-9_][^ \t]*)"
)
_LONGEST = 80  # characters; no honest quantity needs more, and exact arithmetic stays quick


def parse_quantity(value: object, kind: str, example: str | None = None) -> float:
    """Return the number that text such as '400 nm' stands for, in the unit of its `kind`.

    The decimal is exact before it is rounded once to a double. Raises ValueError with the words
    "want ..., got ..." for anything that is not finite decimal text with a unit of that kind.
    """
    words, usual, units = KINDS[kind]
    wanted = f"want {words} such as '{example or usual}', got {plain(value)}"
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise ValueError(wanted)
    match = _QUANTITY.fullmatch(value.strip(" \t"))
    if match is None:
        raise ValueError(wanted)
    size = units.get(_ascii_unit(match[2]))
    if size is None:
        raise ValueError(wanted)
    exact = Fraction(Decimal(match[1])) * size
    try:
        number = float(exact)
    except OverflowError:
        raise ValueError(wanted) from None
    if number == 0 and exact != 0:  # '1e-900 nm' is a slip, not nothing
        raise ValueError(wanted)
    return number


def _ascii_unit(unit: str) -> str:
    """The unit with both micro signs written u, and cm^2 and the superscript written cm2."""
    for sign in "\u00b5\u03bc":
        unit = unit.replace(sign, "u")
    return unit.replace("cm^2", "cm2").replace("cm\u00b2", "cm2")


def quantity_pattern(kind: str) -> str:
    """A regular expression (ECMA 262 and Python) for text that `parse_quantity` takes."""
    names: list[str] = []
    for unit in KINDS[kind][2]:
        micro = f"[u\u00b5\u03bc]{unit[1:]}" if unit.startswith("u") else unit
        names.append(micro.replace("cm2", "cm(\\^?2|\u00b2)"))
    number = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?"
    return rf"^[ \t]*{number}[ \t]*({'|'.join(names)})[ \t]*$"


def plain(value: object) -> str:
    """What came, in the words of a recipe's reader: text in quotes, true, nothing, a list."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return repr(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, (list, tuple)):
        return "a list" if value else "an empty list"
    if isinstance(value, dict):
        return "a mapping" if value else "an empty mapping"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    shown = str(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def _exact(number: float) -> Fraction:
    # repr gives back the decimal that was typed (up to 15 digits), so 0.1 means one tenth.
    return Fraction(repr(float(number)))


def nm_to_dbu(length_nm: float, dbu_nm: float) -> int:
    """Return a length as a whole number of grid steps of `dbu_nm`; off-grid lengths are refused."""
    steps = _exact(length_nm) / _exact(dbu_nm)
    if steps.denominator != 1:
        # half up: of two that are equally near, the larger
        nearest = dbu_to_nm((2 * steps + 1).__floor__() // 2, dbu_nm)
        raise ValueError(
            f"want a whole number of grid steps of {dbu_nm:.15g} nm (nearest: {nearest:.15g} nm), "
            f"got {length_nm:.15g} nm"
        )
    return int(steps)


def steps_between(low_nm: float, high_nm: float, step_nm: float) -> int | None:
    """Return how many whole steps lead from low to high, or None where none end there."""
    steps = (_exact(high_nm) - _exact(low_nm)) / _exact(step_nm)
    return int(steps) if steps.denominator == 1 else None


def dbu_to_nm(length_dbu: int, dbu_nm: float) -> float:
    """Return a whole number of grid steps in nm, rounded once."""
    return float(length_dbu * _exact(dbu_nm))
