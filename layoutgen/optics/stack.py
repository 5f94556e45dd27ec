"""What light passes: half spaces, uniform films, and layers of pillars that repeat with a cell.

Indices are complex, n + ik with k >= 0 for absorption, because fields go as exp(-i w t). Layers
are listed in the order in which the light meets them; what is below or above on the wafer is
for whoever describes the stack. Lengths are in nm, x and y as in the layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, radians, sin, sqrt

__all__ = ["Cell", "Film", "Light", "Pillar", "PillarLayer", "Stack", "single_cell"]


@dataclass(frozen=True, slots=True)
class Cell:
    """A rectangle that repeats along x and y; `centred`: again half a cell along both.

    A square lattice is the cell (p, p), a hexagonal one the centred cell (p, p sqrt(3)).
    """

    x_nm: float
    y_nm: float
    centred: bool = False

    @property
    def area_nm2(self) -> float:
        """Area that belongs to one point of the lattice."""
        return self.x_nm * self.y_nm / (2 if self.centred else 1)


def single_cell(kind: str, pitch_nm: float) -> Cell:
    """The cell of one pillar on a square or hexagonal lattice."""
    if kind == "square":
        return Cell(pitch_nm, pitch_nm)
    if kind == "hexagonal":
        return Cell(pitch_nm, pitch_nm * sqrt(3), centred=True)
    raise ValueError(f"want square or hexagonal, got {kind!r}")


@dataclass(frozen=True, slots=True)
class Pillar:
    """One pillar of the cell: its size (diameter, or side of a square) and its centre."""

    size_nm: float
    x_nm: float = 0.0
    y_nm: float = 0.0


@dataclass(frozen=True, slots=True)
class Film:
    """A uniform film."""

    index: complex
    thickness_nm: float

    def __post_init__(self) -> None:
        _check_layer(self.index, self.thickness_nm)


@dataclass(frozen=True, slots=True)
class PillarLayer:
    """Upright pillars of one index in a surrounding of another; one shape, discs or squares.

    Squares stand parallel to the axes. Pillars may not touch, neither in the cell nor across its edge.
    """

    index: complex
    around: complex
    thickness_nm: float
    pillars: tuple[Pillar, ...]
    squares: bool = False

    def __post_init__(self) -> None:
        _check_layer(self.index, self.thickness_nm)
        _check_layer(self.around, self.thickness_nm)
        if not self.pillars or any(p.size_nm <= 0 for p in self.pillars):
            raise ValueError("want pillars with sizes above 0")


@dataclass(frozen=True, slots=True)
class Stack:
    """Everything between the medium that light comes from and the one that it leaves into.

    entry: films before the pillars, pillars: one layer or the slices of a tapered one, exit: films
    behind them, each in the order in which the light meets them.
    """

    cell: Cell
    index_in: complex
    index_out: complex
    pillars: tuple[PillarLayer, ...]
    entry: tuple[Film, ...] = ()
    exit: tuple[Film, ...] = ()

    def __post_init__(self) -> None:
        _check_layer(self.index_in, 1.0)
        _check_layer(self.index_out, 1.0)
        for layer in self.pillars:
            for i, a in enumerate(layer.pillars):
                for b in layer.pillars[i:]:
                    _check_gap(self.cell, a, b, layer.squares, same=a is b)

    def reversed(self) -> Stack:
        """The same layers with the light from the other side; x and y stay as they are."""
        return Stack(
            self.cell, self.index_out, self.index_in, self.pillars[::-1],
            self.exit[::-1], self.entry[::-1],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Light:
    """A plane wave; the angle is that in the medium it comes from, the azimuth the direction it goes to."""

    wavelength_nm: float
    angle_deg: float = 0.0
    azimuth_deg: float = 0.0

    def __post_init__(self) -> None:
        if not self.wavelength_nm > 0:
            raise ValueError(f"want a wavelength above 0, got {self.wavelength_nm}")
        if not 0 <= self.angle_deg < 90:
            raise ValueError(f"want an angle from 0 to below 90 degrees, got {self.angle_deg}")

    def along(self, index_in: complex) -> tuple[float, float]:
        """Its wave vector along x and y over that of vacuum; exact zeros where a mirror needs them."""
        across = complex(index_in).real * sin(radians(self.angle_deg))
        turns = self.azimuth_deg % 360
        c = 0.0 if turns in (90, 270) else cos(radians(turns))
        s = 0.0 if turns in (0, 180) else sin(radians(turns))
        return across * c, across * s


def _check_layer(index: complex, thickness_nm: float) -> None:
    index = complex(index)
    if not thickness_nm > 0:
        raise ValueError(f"want a thickness above 0, got {thickness_nm}")
    if index.imag < 0:
        raise ValueError(f"want absorption k of at least 0, got {index.imag} (gain)")
    if index.real <= 0:
        raise ValueError(f"want an index above 0, got {index.real}")


def _check_gap(cell: Cell, a: Pillar, b: Pillar, squares: bool, *, same: bool) -> None:
    """Refuse two pillars that touch, one and its own copies among them."""
    reach = (a.size_nm + b.size_nm) / 2
    shifts = [(i * cell.x_nm, j * cell.y_nm) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    if cell.centred:
        shifts += [((i + 0.5) * cell.x_nm, (j + 0.5) * cell.y_nm) for i in (-1, 0) for j in (-1, 0)]
    for x_nm, y_nm in shifts:
        dx, dy = abs(b.x_nm - a.x_nm + x_nm), abs(b.y_nm - a.y_nm + y_nm)
        if same and dx == dy == 0:
            continue
        touch = max(dx, dy) <= reach if squares else hypot(dx, dy) <= reach
        if touch:
            raise ValueError(
                f"want pillars that do not touch, got {a.size_nm:g} nm and {b.size_nm:g} nm, "
                f"{hypot(dx, dy):g} nm apart"
            )
