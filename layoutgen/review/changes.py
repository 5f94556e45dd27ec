"""What a comparison of two layouts found: polygons of the same place and size, and all others.

same        drawn alike by both
within      a change of size or place up to the tolerance
sizes       the same place, another diameter of the disc of equal area
reshaped    the same place and area, another outline
moved       the same outline, another place
gone, added in one of the two only
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field

from layoutgen.review.readcells import LayerKey

__all__ = ["MAX_EXAMPLES", "Bins", "Change", "Changes", "Place"]

#: Examples of each kind that are told by their place.
MAX_EXAMPLES = 12


@dataclass(frozen=True, slots=True)
class Place:
    """A polygon or a cell that is an example: its centre from the top cell's origin, in dbu."""

    x: float
    y: float
    words: str = ""


@dataclass(eq=False, slots=True)
class Bins:
    """Changes of size in one bin: how many, their sum, and the extremes, in nm."""

    count: int = 0
    total_nm: float = 0.0
    low_nm: float = math.inf
    high_nm: float = -math.inf

    def add(self, count: int, total: float, low: float, high: float) -> None:
        self.count += count
        self.total_nm += total
        self.low_nm, self.high_nm = min(self.low_nm, low), max(self.high_nm, high)


@dataclass(eq=False, slots=True)
class Change:
    """What differs on one layer (a's numbers, b's numbers), or below one pair of cells of it.

    sizes: change of diameter in nm, to 0.01 nm -> polygons. by: name of a scale and the lower end
    of its bin -> the changes of size there. moved_nm: the farthest that a polygon moved.
    """

    same: int = 0
    within: int = 0
    sizes: Counter[float] = field(default_factory=Counter)
    by: dict[tuple[str, float], Bins] = field(default_factory=dict)
    reshaped: int = 0
    moved: int = 0
    moved_nm: float = 0.0
    gone: int = 0
    added: int = 0
    examples: dict[str, list[Place]] = field(default_factory=dict)

    def tell(self, kind: str, place: Place) -> None:
        held = self.examples.setdefault(kind, [])
        if len(held) < MAX_EXAMPLES:
            held.append(place)

    def add(self, other: Change, times: int = 1) -> None:
        """Take in what another one found, so many times over; examples are its own, once."""
        self.same += other.same * times
        self.within += other.within * times
        for nm, count in other.sizes.items():
            self.sizes[nm] += count * times
        for key, bins in other.by.items():
            self.by.setdefault(key, Bins()).add(
                bins.count * times, bins.total_nm * times, bins.low_nm, bins.high_nm
            )
        self.reshaped += other.reshaped * times
        self.moved += other.moved * times
        self.moved_nm = max(self.moved_nm, other.moved_nm)
        self.gone += other.gone * times
        self.added += other.added * times
        for kind, places in other.examples.items():
            for place in places:
                self.tell(kind, place)

    @property
    def resized(self) -> int:
        return sum(self.sizes.values())

    @property
    def differs(self) -> bool:
        return bool(self.sizes or self.reshaped or self.moved or self.gone or self.added)


@dataclass(frozen=True, eq=False, slots=True)
class Changes:
    """What differs between two layouts: by pair of layers, and which layers are in one of them only.

    renumbered: layers of a that are another layer in b.
    """

    layers: dict[tuple[LayerKey, LayerKey], Change]
    renumbered: dict[LayerKey, LayerKey]
    only_a: dict[LayerKey, int]
    only_b: dict[LayerKey, int]

    @property
    def differ(self) -> bool:
        return bool(
            self.renumbered
            or self.only_a
            or self.only_b
            or any(change.differs for change in self.layers.values())
        )
