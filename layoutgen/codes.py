"""What is drawn on each lattice site: codes, and the shape behind every code.

Left of these two structures all is array maths, right of them all is encoding; "the file is
right" is an equality of integer arrays. Code 0 is an empty site, code k the k-th drawn shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.lattice import Window

__all__ = ["CodeArray", "CodeBlock", "ShapeTable"]

CodeArray = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, eq=False, slots=True)
class CodeBlock:
    """A rectangle of lattice sites and the shape drawn on each.

    codes is (rows, cols), [y, x]; codes[0, 0] sits at lattice site (row0, col0).
    """

    row0: int
    col0: int
    codes: CodeArray

    def __post_init__(self) -> None:
        if self.codes.ndim != 2 or self.codes.dtype not in (np.uint8, np.uint16):
            raise ValueError(
                f"codes must be 2-D uint8 or uint16, got {self.codes.dtype} {self.codes.shape}"
            )
        frozen = self.codes.view()
        frozen.flags.writeable = False
        object.__setattr__(self, "codes", frozen)

    @property
    def window(self) -> Window:
        return Window(self.row0, self.col0, self.codes.shape[0], self.codes.shape[1])


@dataclass(frozen=True, eq=False, slots=True)
class ShapeTable:
    """Code -> drawn diameter -> polygon in database units, centred on the site.

    drawn_nm[k - 1] is the equal-area diameter asked for by code k; polygons[k - 1] is (n, 2)
    int64, [x, y], counter-clockwise, not closed. residual_nm is the polygon's equal-area diameter
    minus the drawn one.
    """

    drawn_nm: tuple[float, ...]
    polygons: tuple[NDArray[np.int64], ...]
    residual_nm: tuple[float, ...]

    def __post_init__(self) -> None:
        if not len(self.drawn_nm) == len(self.polygons) == len(self.residual_nm):
            raise ValueError("a shape table needs one polygon and one residual for each diameter")

    def __len__(self) -> int:
        return len(self.drawn_nm)

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """The narrowest array type that holds every code and 0."""
        return np.uint8 if len(self) < 256 else np.uint16
