"""A slow, plain model of what a recipe asks for: every pillar of a small wafer, one by one.

It shares no code with the package. Every number comes from the formula as it is written down,
in double precision, with direct sums:

    psi     = sum of the phase terms at (1 + scale) times the site        (part coordinates)
    target  = argmax over candidates of Re(t exp(-i (psi + phi0)))
    master  = target - sum of the replication biases
    rho     = exposed pattern convolved with sum_j eta_j g_j / sum_j eta_j
    drawn   = master + bias(rho, master) + split + zone, rounded half up to the ladder

The density is exact: pillars are discs (expanded about their centre to the second order, which
leaves (d/2b)^4/6 of one pillar), everything else is a polygon whose integral is a sum over edges.

Conventions: lengths in nm, one database unit is 1 nm, x right, y up, positions as written.
What the recipe leaves to whoever draws it (letter forms, the gaps between pads, the surround's
diameter) comes in from outside as `Seen` and is checked by compare.py, not here.
Sources: Aieta et al., Nano Lett. 12, 4932 (2012) for the lens phase; T. H. P. Chang, J. Vac.
Sci. Technol. 12, 1271 (1975) for the exposure; ISO 24157 for the Zernike index.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from math import ceil, comb, hypot, pi, sqrt
from pathlib import Path
from typing import Any

import gdstk
import numba
import numpy as np
import yaml
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.interpolate import PchipInterpolator, RectBivariateSpline
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

__all__ = [
    "BiasTable", "Library", "Part", "Seen", "Solution", "Term", "candidates", "load",
    "mark_polygons", "phase", "place_dies", "polygon_density", "solve",
]  # fmt: skip

Floats = NDArray[Any]  # of float64; Any keeps the arithmetic below readable
Ints = NDArray[np.int64]

SIDE = sqrt(pi) / 2  # side of the square over the diameter of the disc of equal area
MAX_SLOPE = 0.15  # |delta t| / delta d per nm above which a library interval is barred
TIE = 1e-4  # merit that a table in place of the search may lose

UNITS = {
    "nm": 1.0, "um": 1e3, "mm": 1e6, "cm": 1e7, "m": 1e9, "deg": 1.0, "ppm": 1e-6,
}  # fmt: skip


def quantity(value: Any) -> float:
    """A length in nm, an angle in degrees, or a scale as a plain fraction."""
    if isinstance(value, int | float):
        return float(value)
    found = re.fullmatch(r"\s*([-+0-9.eE]+)\s*([A-Za-z]+)\s*", value)
    if not found or found[2] not in UNITS:
        raise ValueError(f"cannot read {value!r}")
    scaled = float(found[1]) * UNITS[found[2]]
    # 0.3 mm times 1e6 may miss the whole nanometre by an ulp
    return round(scaled, 9) if found[2] != "ppm" else scaled


def load(path: Path) -> dict[str, Any]:
    """The recipe as plain nested data, quantities still as text."""
    recipe: dict[str, Any] = yaml.safe_load(path.read_text())
    recipe["folder"] = path.parent
    return recipe


# --- tables -------------------------------------------------------------------------------------


def _rows(path: Path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text().splitlines() if line and not line.startswith("#")]
    return list(csv.DictReader(lines))


@dataclass(frozen=True)
class Library:
    """Rows of one wavelength, ascending; `size_nm` is the diameter, or the side of squares."""

    size_nm: Floats
    phase_rad: Floats
    modulus: Floats
    flagged: NDArray[np.bool_]

    @staticmethod
    def read(path: Path, wavelength_nm: float) -> Library:
        rows = _rows(path)
        size = "side_nm" if "side_nm" in rows[0] else "diameter_nm"
        if "wavelength_nm" in rows[0]:
            rows = [r for r in rows if abs(float(r["wavelength_nm"]) - wavelength_nm) < 1e-6]
        rows.sort(key=lambda r: float(r[size]))
        return Library(
            np.array([float(r[size]) for r in rows]),
            np.array([float(r["phase_rad"]) for r in rows]),
            np.sqrt([float(r["transmission"]) for r in rows]),
            np.array([(r.get("flag") or "").strip() not in ("", "0") for r in rows]),
        )

    def runs(self) -> list[list[int]]:
        """Row numbers of each stretch between bars; flagged rows belong to none."""
        t = self.modulus * np.exp(1j * self.phase_rad)
        runs: list[list[int]] = []
        current: list[int] = []
        for k in range(len(t)):
            if self.flagged[k]:
                if current:
                    runs.append(current)
                current = []
                continue
            if current:
                steep = abs(t[k] - t[k - 1]) / (self.size_nm[k] - self.size_nm[k - 1])
                if steep > MAX_SLOPE:
                    runs.append(current)
                    current = []
            current.append(k)
        if current:
            runs.append(current)
        return runs

    def transmit(self, size_nm: Floats) -> NDArray[np.complex128]:
        """Complex t at each size, nan where no run holds it."""
        t = np.full(len(size_nm), np.nan + 0j, dtype=np.complex128)
        for run in self.runs():
            d = self.size_nm[run]
            if len(run) == 1:
                here = np.abs(size_nm - d[0]) < 1e-9
                t[here] = self.modulus[run[0]] * np.exp(1j * self.phase_rad[run[0]])
                continue
            inside = (size_nm >= d[0] - 1e-9) & (size_nm <= d[-1] + 1e-9)
            at = np.clip(size_nm[inside], d[0], d[-1])
            phi = PchipInterpolator(d, np.unwrap(self.phase_rad[run]))(at)
            t[inside] = PchipInterpolator(d, self.modulus[run])(at) * np.exp(1j * phi)
        return t


@dataclass(frozen=True)
class BiasTable:
    """bias_nm[density, master], bilinear, clamped at its ends."""

    density: Floats
    master_nm: Floats
    bias_nm: Floats

    @staticmethod
    def read(path: Path) -> BiasTable:
        rows = _rows(path)
        density = np.array(sorted({float(r["density"]) for r in rows}))
        master = np.array(sorted({float(r["diameter_nm"]) for r in rows}))
        bias = np.full((len(density), len(master)), np.nan)
        for r in rows:
            i = int(np.searchsorted(density, float(r["density"])))
            bias[i, np.searchsorted(master, float(r["diameter_nm"]))] = float(r["bias_nm"])
        return BiasTable(density, master, bias)

    @staticmethod
    def none() -> BiasTable:
        return BiasTable(np.array([0.0, 1.0]), np.array([0.0, 1e6]), np.zeros((2, 2)))

    def outside(self, rho: Floats, master_nm: Floats) -> NDArray[np.bool_]:
        left = (rho < self.density[0]) | (rho > self.density[-1])
        left |= (master_nm < self.master_nm[0]) | (master_nm > self.master_nm[-1])
        return np.asarray(left)

    def __call__(self, rho: Floats, master_nm: Floats) -> Floats:
        def place(x: Floats, knots: Floats) -> tuple[Ints, Floats]:
            if len(knots) == 1:
                return np.zeros(np.shape(x), dtype=np.int64), np.zeros(np.shape(x))
            x = np.clip(x, knots[0], knots[-1])
            k = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
            return k, (x - knots[k]) / (knots[k + 1] - knots[k])

        i, u = place(np.asarray(rho, dtype=float), self.density)
        j, v = place(np.asarray(master_nm, dtype=float), self.master_nm)
        i1, j1 = (
            np.minimum(i + 1, len(self.density) - 1),
            np.minimum(j + 1, len(self.master_nm) - 1),
        )
        b = self.bias_nm
        low = b[i, j] * (1 - v) + b[i, j1] * v
        high = b[i1, j] * (1 - v) + b[i1, j1] * v
        value: Floats = low * (1 - u) + high * u
        return value


# --- phase --------------------------------------------------------------------------------------


def zernike(j: int, rho: Floats, theta: Floats) -> Floats:
    """OSA/ANSI single index, unit variance over the unit disc (ISO 24157)."""
    n = ceil((-3 + sqrt(9 + 8 * j)) / 2)
    m = 2 * j - n * (n + 2)
    radial = np.zeros_like(rho)
    for k in range((n - abs(m)) // 2 + 1):
        weight = (-1) ** k * comb(n - k, k) * comb(n - 2 * k, (n - abs(m)) // 2 - k)
        radial += weight * rho ** (n - 2 * k)
    norm = sqrt(n + 1) if m == 0 else sqrt(2 * (n + 1))
    around = np.cos(m * theta) if m >= 0 else np.sin(-m * theta)
    value: Floats = norm * radial * around
    return value


def _read_sampled(path: Path) -> Floats:
    if path.suffix == ".npy":
        return np.asarray(np.load(path), dtype=float)
    return np.loadtxt(path, delimiter=",", comments="#", ndmin=2)


def term_phase(
    term: dict[str, Any], x: Floats, y: Floats, wavelength: float, radius: float, folder: Path
) -> Floats:
    """Phase in radians of one term at part coordinates x, y in nm."""
    centre = [quantity(c) for c in term.get("centre", [0, 0])]
    x, y = x - centre[0], y - centre[1]
    r = np.hypot(x, y)
    k = 2 * pi / wavelength
    kind = term["kind"]

    def lens(u: Floats, f: float) -> Floats:
        return -k * u**2 / (np.sqrt(u**2 + f**2) + f)

    def along() -> Floats:
        a = np.deg2rad(quantity(term["direction"]))
        return np.asarray(x * np.cos(a) + y * np.sin(a))

    if kind == "focus":
        return lens(r, quantity(term["focal_length"]))
    if kind == "relay":
        return lens(r, quantity(term["object_distance"])) + lens(
            r, quantity(term["image_distance"])
        )
    if kind == "polynomial":
        total = np.zeros_like(r)
        for n, a in enumerate(term["coefficients"], 1):
            total += a * (r / radius) ** (2 * n)
        return total
    if kind == "tilt":
        slope = term.get("index", 1.0) * np.sin(np.deg2rad(quantity(term["angle"])))
        return np.asarray(k * slope * along())
    if kind == "spiral":
        return float(term["charge"]) * np.arctan2(y, x)
    if kind == "cylinder":
        return lens(along(), quantity(term["focal_length"]))
    if kind == "axicon":
        return np.asarray(-k * np.sin(np.deg2rad(quantity(term["angle"]))) * r)
    if kind == "zernike":
        over = quantity(term["radius"]) if "radius" in term else radius
        total = np.zeros_like(r)
        for j, a in term["coefficients"].items():
            total += a * zernike(int(j), r / over, np.arctan2(y, x))
        return total
    if kind == "sampled":
        grid = _read_sampled(folder / term["file"])
        pitch = quantity(term["pitch"])
        ys = (np.arange(grid.shape[0]) - (grid.shape[0] - 1) / 2) * pitch
        xs = (np.arange(grid.shape[1]) - (grid.shape[1] - 1) / 2) * pitch
        return np.asarray(RectBivariateSpline(ys, xs, grid, s=0).ev(y, x))
    raise ValueError(f"no such phase term: {kind}")


def phase(lens: dict[str, Any], x: Floats, y: Floats, folder: Path) -> Floats:
    """Unwrapped target phase at part coordinates in nm."""
    radius = quantity(lens["aperture"]) / 2
    total = np.zeros(np.broadcast(x, y).shape)
    for term in lens["phase"]:
        total += term_phase(term, x, y, quantity(lens["wavelength"]), radius, folder)
    return total


# --- choosing -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pillars:
    """What may stand: candidates as equal-area master diameters, with their complex t."""

    master_nm: Floats
    t: NDArray[np.complex128]
    square: bool
    ladder: tuple[float, float, float]  # min, max, step; sides for squares

    @property
    def rungs_nm(self) -> Floats:
        """Equal-area diameters of the ladder."""
        low, high, step = self.ladder
        rungs = low + step * np.arange(round((high - low) / step) + 1)
        return rungs / SIDE if self.square else rungs

    def rung(self, diameter_nm: Floats) -> Ints:
        """Index of the rung, half up, clamped at the ladder's ends."""
        low, high, step = self.ladder
        size = diameter_nm * SIDE if self.square else diameter_nm
        index = np.floor((size - low) / step + 0.5 + 1e-12).astype(np.int64)
        return np.clip(index, 0, round((high - low) / step))

    def off_ladder(self, diameter_nm: Floats) -> NDArray[np.bool_]:
        """Sizes that would need a rung beyond the ends."""
        low, high, step = self.ladder
        size = diameter_nm * SIDE if self.square else diameter_nm
        index = np.floor((size - low) / step + 0.5)
        return (index < 0) | (index > round((high - low) / step))

    @property
    def coverage_rad(self) -> float:
        angles = np.sort(np.angle(self.t) % (2 * pi))
        gaps = np.diff(np.append(angles, angles[0] + 2 * pi))
        return float(2 * pi - gaps.max())

    def choose(self, psi: Floats) -> tuple[Ints, list[list[int]]]:
        """Best candidate at each phase, and all others within TIE of it."""
        best = np.empty(len(psi), dtype=np.int64)
        others: list[list[int]] = [[] for _ in range(len(psi))]
        for start in range(0, len(psi), 4096):
            part = slice(start, start + 4096)
            merit = np.real(self.t[None, :] * np.exp(-1j * psi[part])[:, None])
            top = merit.max(axis=1)
            # equal to the last few ulps is equal: the smaller one stands
            best[part] = np.argmax(merit >= top[:, None] - 1e-13, axis=1)
            for i, j in zip(*np.nonzero(merit >= top[:, None] - TIE), strict=True):
                if j != best[start + i]:
                    others[start + i].append(int(j))
        return best, others


def candidates(recipe: dict[str, Any], part: dict[str, Any]) -> Pillars:
    """All target sizes that the limits, the library and its bars allow."""
    spec = part.get("pillars") or recipe["pillars"]
    lattice = part.get("lattice") or recipe["lattice"]
    square = spec.get("vertices", 8) == 4
    ladder = tuple(quantity(spec["ladder"][k]) for k in ("min", "max", "step"))
    pitch, row = steps(recipe, lattice)
    near = pitch if lattice["kind"] == "square" else min(pitch, hypot(pitch / 2, row))
    library = Library.read(recipe["folder"] / spec["library"], quantity(part["wavelength"]))
    step = ladder[2]
    whole = np.arange(1, int(library.size_nm[-1] / step + 1e-9) + 1)
    size = whole * step
    t = library.transmit(size)
    target = size / SIDE if square else size
    biases = [quantity(s.get("bias", 0)) for s in recipe.get("replication", {}).get("steps", [])]
    master = target - sum(biases)

    def outline(d: Floats) -> Floats:
        return d * SIDE if square else d

    ok = ~np.isnan(t.real)
    ok &= outline(master) >= quantity(spec["diameter"]["min"]) - 1e-9
    ok &= outline(master) <= quantity(spec["diameter"]["max"]) + 1e-9
    stages = [master]
    for bias in biases:
        stages.append(stages[-1] + bias)
    for d in stages:
        ok &= d > 0
        if "min_gap" in spec:
            ok &= near - outline(d) >= quantity(spec["min_gap"]) - 1e-9
        if "max_aspect_ratio" in spec and "height" in spec:
            ok &= quantity(spec["height"]) <= spec["max_aspect_ratio"] * outline(d) * (1 + 1e-12)
    return Pillars(master[ok], t[ok], square, ladder)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Offset:
    """The free phase of a lens: coherent sum at each of 256 steps, and the one that the rule takes."""

    sums: Floats

    @property
    def step(self) -> int:
        best = float(self.sums.max())
        if best <= self.sums[0] * 1.001:
            return 0
        return int(np.argmax(self.sums >= best * (1 - 1e-6)))

    def rad(self, step: int) -> float:
        return 2 * pi * step / 256


def offset(psi: Floats, pillars: Pillars) -> Offset:
    """Coherent sum |mean t exp(-i psi)| for each step; psi is binned nowhere."""
    sums = np.zeros(256)
    # argmax over candidates = nearest on the circle weighted by |t|: search it plainly, in blocks
    for k in range(256):
        total = 0j
        for start in range(0, len(psi), 8192):
            p = psi[start : start + 8192]
            wanted = p + 2 * pi * k / 256
            merit = (
                np.cos(wanted)[:, None] * pillars.t.real + np.sin(wanted)[:, None] * pillars.t.imag
            )
            total += (pillars.t[np.argmax(merit, axis=1)] * np.exp(-1j * p)).sum()
        sums[k] = abs(total) / len(psi)
    return Offset(sums)


# --- sites --------------------------------------------------------------------------------------


def steps(recipe: dict[str, Any], lattice: dict[str, Any]) -> tuple[float, float]:
    """Pitch and row step in nm; a hexagonal row is rounded once to the address grid."""
    pitch = quantity(lattice["pitch"])
    if lattice["kind"] == "square":
        return pitch, pitch
    grid = quantity(recipe.get("exposure", {}).get("address_grid", "1 nm"))
    return pitch, float(np.floor(pitch * sqrt(3) / 2 / grid + 0.5) * grid)


def sites(kind: str, centre: str, pitch: float, row: float, reach: float) -> tuple[Ints, Ints]:
    """x, y in nm of all sites within the square |x|, |y| <= reach."""
    n = int(reach / min(pitch, row)) + 3
    i, j = np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1), indexing="ij")
    x = j * pitch + (pitch / 2 if centre == "gap" else 0)
    y = i * row
    if kind == "square":
        y = y + (pitch / 2 if centre == "gap" else 0)
    else:
        x = x + (i % 2) * pitch / 2
    keep = (np.abs(x) <= reach) & (np.abs(y) <= reach)
    return np.rint(x[keep]).astype(np.int64), np.rint(np.broadcast_to(y, x.shape)[keep]).astype(
        np.int64
    )


# --- kernel -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Term:
    """One backscatter term, normalised in the plane; `share` of all terms sums to one."""

    kind: str
    range_nm: float
    share: float
    exponent: float = 2.0

    def value(self, r: Floats) -> Floats:
        """Per nm^2, share included."""
        b, q = self.range_nm, self.exponent
        if self.kind == "gaussian":
            return self.share * np.exp(-((r / b) ** 2)) / (pi * b**2)
        if self.kind == "exponential":
            return self.share * np.exp(-r / b) / (2 * pi * b**2)
        return self.share * (q - 1) / (pi * b**2) * (1 + (r / b) ** 2) ** -q

    def laplacian(self, r: Floats) -> Floats:
        b, q = self.range_nm, self.exponent
        if self.kind == "gaussian":
            return self.value(r) * (4 * r**2 / b**4 - 4 / b**2)
        if self.kind == "exponential":
            safe = np.where(r > 0, r, np.inf)
            # the cusp at zero is integrated exactly in `own`
            return np.where(r > 0, self.value(r) * (1 / b**2 - 1 / (b * safe)), 0.0)
        u = 1 + (r / b) ** 2
        return self.value(r) * (-4 * q / (b**2 * u) + 4 * q * (q + 1) * r**2 / (b**4 * u**2))

    def own(self, diameter_nm: Floats) -> Floats:
        """What a disc adds at its own centre beyond area times value(0) + a^2/8 laplacian(0)."""
        if self.kind != "exponential":
            return np.zeros_like(diameter_nm)
        a, b = diameter_nm / 2, self.range_nm
        exact = self.share * (1 - (1 + a / b) * np.exp(-a / b))
        return np.asarray(exact - pi * a**2 * self.value(np.zeros(1))[0])

    @property
    def numbers(self) -> tuple[float, float, float, float]:
        kinds = {"gaussian": 0.0, "exponential": 1.0, "power": 2.0}
        return kinds[self.kind], self.range_nm, self.share, self.exponent


def kernel(recipe: dict[str, Any]) -> list[Term]:
    spec = recipe.get("exposure", {}).get("backscatter", [])
    total = sum(t["ratio"] for t in spec)
    return [
        Term(t["term"], quantity(t["range"]), t["ratio"] / total, float(t.get("exponent", 2)))
        for t in spec
    ]


@numba.njit(cache=False)
def _primitive(rho: float, terms: Floats) -> float:
    """Integral of kernel * r from 0 to rho."""
    total = 0.0
    for k in range(terms.shape[0]):
        u = rho / terms[k, 1]
        if terms[k, 0] == 0.0:
            part = -np.expm1(-u * u)
        elif terms[k, 0] == 1.0:
            part = 1.0 - (1.0 + u) * np.exp(-u)
        else:
            part = 1.0 - (1.0 + u * u) ** (1.0 - terms[k, 3])
        total += terms[k, 2] * part
    return total / (2.0 * np.pi)


@numba.njit(cache=False)
def _edges_sum(
    x: Floats, y: Floats, edges: Floats, terms: Floats, nodes: Floats, weights: Floats
) -> Floats:
    """Kernel integral over a polygon, seen from each (x, y), as a sum over its edges.

    With h the distance from the edge's line and s = h sinh(u) the place on it, the angle is
    d(theta) = du / cosh(u) and the radius h cosh(u), smooth in u however small h is.
    """
    out = np.zeros(x.shape[0])
    for i in range(x.shape[0]):
        total = 0.0
        for e in range(edges.shape[0]):
            ax, ay = edges[e, 0] - x[i], edges[e, 1] - y[i]
            bx, by = edges[e, 2] - x[i], edges[e, 3] - y[i]
            length = np.hypot(bx - ax, by - ay)
            if length == 0.0:
                continue
            ux, uy = (bx - ax) / length, (by - ay) / length
            cross = ax * uy - ay * ux
            h = abs(cross)
            if h < 1e-6:
                continue
            low, high = np.arcsinh((ax * ux + ay * uy) / h), np.arcsinh((bx * ux + by * uy) / h)
            panels = int(np.ceil((high - low) / 1.0))
            width = (high - low) / panels
            part = 0.0
            for p in range(panels):
                middle = low + (p + 0.5) * width
                for k in range(nodes.shape[0]):
                    c = np.cosh(middle + 0.5 * width * nodes[k])
                    part += weights[k] * _primitive(h * c, terms) / c
            part *= 0.5 * width
            total += part if cross > 0 else -part
        out[i] = total
    return out


def rings(shape: BaseGeometry) -> list[Floats]:
    """Outer rings counter-clockwise, holes clockwise, (n, 2) each, closed."""
    parts = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
    found = []
    for polygon in parts:
        if not isinstance(polygon, Polygon) or polygon.is_empty:
            continue
        for k, ring in enumerate([polygon.exterior, *polygon.interiors]):
            points = np.array(ring.coords)
            if ring.is_ccw != (k == 0):
                points = points[::-1]
            found.append(points)
    return found


def polygon_density(shape: BaseGeometry, x: Floats, y: Floats, terms: list[Term]) -> Floats:
    """Kernel integral over a polygon with holes, from each (x, y) in nm."""
    table = np.array([t.numbers for t in terms])
    nodes, weights = np.polynomial.legendre.leggauss(8)
    edges = [np.hstack([p[:-1], p[1:]]) for p in rings(shape)]
    return _edges_sum(
        np.asarray(x, dtype=float),
        np.asarray(y, dtype=float),
        np.vstack(edges),
        table,
        nodes,
        weights,
    )


@numba.njit(cache=False)
def _pair_sum(
    tx: Floats, ty: Floats, sx: Floats, sy: Floats, diameter: Floats, terms: Floats
) -> Floats:
    """Sum over sources of area * (K + d^2/32 laplacian K), for every target."""
    out = np.zeros(tx.shape[0])
    for i in range(tx.shape[0]):
        total = 0.0
        for j in range(sx.shape[0]):
            r2 = (tx[i] - sx[j]) ** 2 + (ty[i] - sy[j]) ** 2
            area = np.pi * diameter[j] ** 2 / 4.0
            second = diameter[j] ** 2 / 32.0
            for k in range(terms.shape[0]):
                b, share, q = terms[k, 1], terms[k, 2], terms[k, 3]
                if terms[k, 0] == 0.0:
                    if r2 > 40.0 * b * b:  # exp(-40) = 4e-18
                        continue
                    value = np.exp(-r2 / b**2) / (np.pi * b**2)
                    bend = 4.0 * r2 / b**4 - 4.0 / b**2
                elif terms[k, 0] == 1.0:
                    r = np.sqrt(r2)
                    value = np.exp(-r / b) / (2.0 * np.pi * b**2)
                    bend = 1.0 / b**2 - 1.0 / (b * r) if r > 0.0 else 0.0
                else:
                    u = 1.0 + r2 / b**2
                    value = (q - 1.0) / (np.pi * b**2) * u**-q
                    bend = -4.0 * q / (b**2 * u) + 4.0 * q * (q + 1.0) * r2 / (b**4 * u**2)
                total += share * area * value * (1.0 + second * bend)
        out[i] = total
    return out


# --- parts --------------------------------------------------------------------------------------


@dataclass
class Part:
    """One placed lens, deflector or pad. Positions in nm as written."""

    kind: str
    name: str
    die: int
    at: tuple[int, int]
    layer: tuple[int, int]
    x: Ints
    y: Ints
    master_nm: Floats
    pillars: Pillars
    table: BiasTable
    pitch: float
    row: float
    hexagonal: bool
    split_nm: float = 0.0
    zone_nm: float = 0.0
    dose: float = 1.0
    fixed: NDArray[np.bool_] | None = None  # drawn as given: no bias, no split
    ties: list[list[int]] = field(default_factory=list)
    psi: Floats | None = None
    in_aperture: NDArray[np.bool_] | None = None
    density: Floats = field(default_factory=lambda: np.zeros(0))
    added: Floats = field(default_factory=lambda: np.zeros(0))  # of the density, by what is around

    @property
    def bias_nm(self) -> Floats:
        bias = self.table(self.density, self.master_nm)
        return bias if self.fixed is None else np.where(self.fixed, 0.0, bias)

    def wanted_nm(self, density: Floats, master_nm: Floats) -> Floats:
        """Unrounded drawn size, split and zone included."""
        return master_nm + self.table(density, master_nm) + self.split_nm + self.zone_nm

    @property
    def exposed_nm(self) -> Floats:
        """The size that counts in the density: without split and zone, before rounding."""
        return self.master_nm + self.bias_nm

    @property
    def unrounded_nm(self) -> Floats:
        wanted = self.wanted_nm(self.density, self.master_nm)
        return wanted if self.fixed is None else np.where(self.fixed, self.master_nm, wanted)

    @property
    def drawn_nm(self) -> Floats:
        return self.pillars.rungs_nm[self.pillars.rung(self.unrounded_nm)]

    @property
    def clamped(self) -> int:
        left = self.table.outside(self.density, self.master_nm)
        left = left | self.pillars.off_ladder(self.unrounded_nm)
        if self.fixed is not None:
            left = left & ~self.fixed
        return int(left.sum())


@dataclass
class Seen:
    """What the recipe leaves open, as found in the file that is judged."""

    labels: list[BaseGeometry] = field(default_factory=list)
    #: per (die col, die row, item number): x, y, master, fixed of each pillar of a pad
    pads: dict[tuple[int, int, int], tuple[Ints, Ints, Floats, NDArray[np.bool_]]] = field(
        default_factory=dict
    )
    offset_nm: tuple[int, int] | None = None  # grid offset on the part, for `best`
    phase_steps: dict[str, int] = field(default_factory=dict)
    #: per part number: masters in place of the model's, where merits tie and sizes differ much
    masters: dict[int, Floats] = field(default_factory=dict)


@dataclass
class DiePlace:
    name: str
    col: int
    row: int
    part_x: int  # on the part, before scale and mirror
    part_y: int
    x: int  # as written
    y: int


@dataclass
class Solution:
    recipe: dict[str, Any]
    dies: list[DiePlace]
    parts: list[Part]
    offsets: dict[str, Offset]
    steps: dict[str, int]
    frames: BaseGeometry | None
    marks: list[BaseGeometry]
    foreign: list[tuple[tuple[int, int], BaseGeometry]]  # layer and polygon, as written
    iterations: int
    residual: float


# --- wafer --------------------------------------------------------------------------------------


def scale_of(recipe: dict[str, Any]) -> float:
    return sum(quantity(s.get("scale", 0)) for s in recipe.get("replication", {}).get("steps", []))


def mirrored(recipe: dict[str, Any]) -> bool:
    return bool(recipe.get("replication", {}).get("transfers", "even") == "odd")


def written(recipe: dict[str, Any], x: float, y: float) -> tuple[int, int]:
    """A position on the part as it stands in the file: scale first, mirror last."""
    s = 1 + scale_of(recipe)
    mx, my = int(np.floor(x / s + 0.5)), int(np.floor(y / s + 0.5))
    return (-mx if mirrored(recipe) else mx), my


def mark_polygons(recipe: dict[str, Any]) -> list[BaseGeometry]:
    """Crosses and boxes as polygons, as written."""
    shapes: list[BaseGeometry] = []
    for mark in recipe["wafer"].get("marks", []):
        for at in mark["at"]:
            x, y = written(recipe, quantity(at[0]), quantity(at[1]))
            if mark["kind"] == "cross":
                a, w = quantity(mark["arm"]), quantity(mark["width"]) / 2
                shapes.append(
                    unary_union([box(x - a, y - w, x + a, y + w), box(x - w, y - a, x + w, y + a)])
                )
            elif mark["kind"] == "box":
                o, w = quantity(mark["outer"]) / 2, quantity(mark["width"])
                inner = box(x - o + w, y - o + w, x + o - w, y + o - w)
                shapes.append(box(x - o, y - o, x + o, y + o).difference(inner))
            else:
                raise ValueError(f"the slow model draws no {mark['kind']}")
    return shapes


def whole_dies(
    ox: float, oy: float, pitch: tuple[float, float], radius: float
) -> list[tuple[int, int]]:
    """Indices (kx, ky) of dies centred on offset + k * pitch that lie inside the radius."""
    n, m = int(radius / pitch[0]) + 2, int(radius / pitch[1]) + 2
    found = []
    for ky in range(-m, m + 1):
        for kx in range(-n, n + 1):
            fx = abs(ox + kx * pitch[0]) + pitch[0] / 2
            fy = abs(oy + ky * pitch[1]) + pitch[1] / 2
            if fx * fx + fy * fy <= radius * radius:
                found.append((kx, ky))
    return found


def place_dies(recipe: dict[str, Any], seen: Seen | None = None) -> list[DiePlace]:
    """Every die that is written, in no special order."""
    wafer = recipe["wafer"]
    pitch = (quantity(wafer["die_pitch"][0]), quantity(wafer["die_pitch"][1]))
    radius = quantity(wafer["diameter"]) / 2 - quantity(wafer.get("edge_exclusion", 0))
    kind = wafer.get("grid_offset", "best")
    if kind == "die":
        ox, oy = 0.0, 0.0
    elif kind == "street":
        ox, oy = -pitch[0] / 2, -pitch[1] / 2
    elif seen is not None and seen.offset_nm is not None:
        ox, oy = map(float, seen.offset_nm)
    else:
        raise ValueError("`best` needs the offset that was found; see compare.check_best")
    # the die that holds the centre is [0, 0]; at a border the upper or right one
    zero_x, zero_y = int(ox == -pitch[0] / 2), int(oy == -pitch[1] / 2)
    named = {
        (int(c), int(r)): entry["die"]
        for entry in wafer.get("instead", [])
        for c, r in entry["sites"]
    }
    blocked: list[BaseGeometry] = list(mark_polygons(recipe))
    for zone in wafer.get("keep_out", []):
        x, y = written(recipe, quantity(zone["at"][0]), quantity(zone["at"][1]))
        w, h = quantity(zone["size"][0]) / 2, quantity(zone["size"][1]) / 2
        blocked.append(box(x - w, y - h, x + w, y + h))
    dies = []
    for kx, ky in whole_dies(ox, oy, pitch, radius * (1 + scale_of(recipe))):
        px, py = ox + kx * pitch[0], oy + ky * pitch[1]
        x, y = written(recipe, px, py)
        s = 2 * (1 + scale_of(recipe))
        outline = box(x - pitch[0] / s, y - pitch[1] / s, x + pitch[0] / s, y + pitch[1] / s)
        if any(outline.intersection(b).area > 0 for b in blocked):
            continue
        col, row = kx - zero_x, ky - zero_y
        dies.append(
            DiePlace(named.get((col, row), wafer["fill"]), col, row, round(px), round(py), x, y)
        )
    return dies


def zone_bias(recipe: dict[str, Any], die: DiePlace) -> float:
    r = hypot(die.part_x, die.part_y) / (1 + scale_of(recipe))
    fitting = [
        (quantity(z["outer"]), quantity(z["bias"]))
        for z in recipe["wafer"].get("zones", [])
        if quantity(z["outer"]) >= r
    ]
    return min(fitting)[1] if fitting else 0.0


def layer_of(recipe: dict[str, Any], what: str) -> tuple[int, int]:
    default = {
        "pillars": "1/0", "deflectors": "1/1", "pads": "1/2", "marks": "2/0", "labels": "3/0",
        "frames": "4/0", "outlines": "100/0",
    }  # fmt: skip
    text = (recipe.get("output") or {}).get("layers", {}).get(what, default[what])
    number, datatype = text.split("/")
    return int(number), int(datatype)


def all_doses(recipe: dict[str, Any]) -> list[float]:
    """Relative doses other than 1, upwards."""
    doses = {float(i.get("dose", 1)) for die in recipe["dies"].values() for i in die}
    return sorted(doses - {1.0})


# --- the whole ----------------------------------------------------------------------------------


def lens_design(
    recipe: dict[str, Any], lens: dict[str, Any], step: int | None
) -> tuple[dict[str, Any], Offset]:
    """Sites around the axis as written, masters, ties and phase of one lens."""
    lattice = lens.get("lattice") or recipe["lattice"]
    pitch, row = steps(recipe, lattice)
    pillars = candidates(recipe, lens)
    scale = 1 + scale_of(recipe)
    radius = quantity(lens["aperture"]) / 2
    outer = radius + quantity(lens.get("collar", 0))
    x, y = sites(lattice["kind"], lens.get("centre", "gap"), pitch, row, outer)
    px, py = x * scale, y * scale
    if mirrored(recipe):
        px = 0.0 - px  # never -0.0, whose angle on the axis would be half a turn
    r2 = px * px + py * py
    keep = r2 <= outer * outer
    x, y, px, py, r2 = x[keep], y[keep], px[keep], py[keep], r2[keep]
    inside = r2 <= radius * radius
    psi = phase(lens, px, py, recipe["folder"])
    free = offset(psi[inside], pillars)
    used = free.step if step is None else step
    best, ties = pillars.choose(psi + free.rad(used))
    design = {
        "x": x, "y": y, "master": pillars.master_nm[best], "ties": ties, "psi": psi,
        "pillars": pillars, "inside": inside, "pitch": pitch, "row": row,
        "hexagonal": lattice["kind"] != "square", "step": used,
    }  # fmt: skip
    return design, free


def deflector_design(recipe: dict[str, Any], spec: dict[str, Any]) -> dict[str, Any]:
    lattice = spec.get("lattice") or recipe["lattice"]
    pitch, row = steps(recipe, lattice)
    pillars = candidates(recipe, spec)
    x, y = sites(lattice["kind"], "gap", pitch, row, quantity(spec["size"]) / 2)
    m, n = spec["period"]
    hexagonal = lattice["kind"] != "square"
    vx, vy = m * pitch + (n * pitch / 2 if hexagonal else 0), n * row
    px = -x if mirrored(recipe) else x
    psi = 2 * pi * (px * vx + y * vy) / (vx * vx + vy * vy)
    best, ties = pillars.choose(psi)
    return {
        "x": x, "y": y, "master": pillars.master_nm[best], "ties": ties, "psi": psi,
        "pillars": pillars, "inside": np.ones(len(x), dtype=bool), "pitch": pitch, "row": row,
        "hexagonal": hexagonal,
    }  # fmt: skip


def _pillars_of_pad(recipe: dict[str, Any], spec: dict[str, Any]) -> Pillars:
    given = spec.get("pillars") or recipe["pillars"]
    ladder = tuple(quantity(given["ladder"][k]) for k in ("min", "max", "step"))
    return Pillars(np.zeros(0), np.zeros(0, complex), given.get("vertices", 8) == 4, ladder)  # type: ignore[arg-type]


def frames_of(
    recipe: dict[str, Any], parts: list[Part], seen: Seen
) -> tuple[list[BaseGeometry], BaseGeometry]:
    """The frame of each part, and the union of all: parts, marks, labels."""
    grow = quantity(recipe["exposure"]["frame_width"])
    by_name = {s["name"]: s for s in recipe.get("lenses", []) + recipe.get("deflectors", [])}
    pads = {s["name"]: s for s in recipe.get("pads", [])}
    own: list[BaseGeometry] = []
    for part in parts:
        if part.kind == "lens":
            spec = by_name[part.name]
            r = quantity(spec["aperture"]) / 2 + quantity(spec.get("collar", 0))
            r = r / (1 + scale_of(recipe)) + grow
            a = 2 * pi * np.arange(256) / 256
            ring = np.column_stack([part.at[0] + r * np.cos(a), part.at[1] + r * np.sin(a)])
            own.append(Polygon(ring))
        elif part.kind == "deflector":
            h = quantity(by_name[part.name]["size"]) / 2 + grow
            own.append(box(part.at[0] - h, part.at[1] - h, part.at[0] + h, part.at[1] + h))
        elif pads[part.name]["kind"] == "uniform":
            size = quantity(pads[part.name]["size"]) / 2
            w, h = size * len(pads[part.name]["diameters"]) + grow, size + grow
            own.append(box(part.at[0] - w, part.at[1] - h, part.at[0] + w, part.at[1] + h))
        else:
            half = 2.5 * max(t.range_nm for t in kernel(recipe) if t.range_nm <= 50e3) + grow
            middles = [
                ((a + c) / 2, (b + d) / 2) for a, b, c, d in squares_of(part.x, part.y, part.pitch)
            ]
            own.append(
                unary_union([box(a - half, b - half, a + half, b + half) for a, b in middles])
            )
    around: list[BaseGeometry] = [
        shape.buffer(grow, join_style="mitre") for shape in foreign_boxes(recipe, seen)
    ]
    for mark in mark_polygons(recipe):
        solid = unary_union([Polygon(p.exterior) for p in getattr(mark, "geoms", [mark])])
        around.append(solid.buffer(grow, join_style="mitre"))
    for label in label_boxes(recipe, seen):
        around.append(label.buffer(grow, join_style="mitre"))
    return own, unary_union([*own, *around])


def label_boxes(recipe: dict[str, Any], seen: Seen) -> list[BaseGeometry]:
    """The box of each label: of all letters nearest to its place."""
    places = []
    for die in place_dies(recipe, seen):
        for item in recipe["dies"][die.name]:
            if "label" in item:
                dx, dy = written(recipe, quantity(item["at"][0]), quantity(item["at"][1]))
                places.append((die.x + dx, die.y + dy))
    letters: list[list[BaseGeometry]] = [[] for _ in places]
    for letter in seen.labels:
        x0, y0, x1, y1 = letter.bounds
        middle = (x0 + x1) / 2, (y0 + y1) / 2
        nearest = min(
            range(len(places)),
            key=lambda k: hypot(places[k][0] - middle[0], places[k][1] - middle[1]),
        )
        letters[nearest].append(letter)
    return [box(*unary_union(group).bounds) for group in letters if group]


def foreign_cells(
    recipe: dict[str, Any], dies: list[DiePlace]
) -> list[list[tuple[tuple[int, int], BaseGeometry]]]:
    """Layers and polygons of each foreign cell that is placed: its box is centred on its place."""
    cells = {c["name"]: c for c in recipe.get("cells", [])}
    turn = -1.0 if mirrored(recipe) else 1.0
    found: list[list[tuple[tuple[int, int], BaseGeometry]]] = []
    for die in dies:
        for item in recipe["dies"][die.name]:
            if "cell" not in item:
                continue
            spec = cells[item["cell"]]
            path = str(recipe["folder"] / spec["file"])
            read = gdstk.read_oas if path.endswith(".oas") else gdstk.read_gds
            cell = next(c for c in read(path, unit=1e-9).cells if c.name == spec["cell"])
            assert isinstance(cell, gdstk.Cell)
            polygons = cell.get_polygons()
            points = np.concatenate([p.points for p in polygons])
            middle = (points.min(axis=0) + points.max(axis=0)) / 2
            dx, dy = written(recipe, quantity(item["at"][0]), quantity(item["at"][1]))
            at = np.array([die.x + dx, die.y + dy])
            placed: list[tuple[tuple[int, int], BaseGeometry]] = [
                ((p.layer, p.datatype), Polygon((p.points - middle) * [turn, 1] + at))
                for p in polygons
            ]
            found.append(placed)
    return found


def foreign_boxes(recipe: dict[str, Any], seen: Seen) -> list[BaseGeometry]:
    """The box of each foreign cell that is placed."""
    cells = foreign_cells(recipe, place_dies(recipe, seen))
    return [box(*unary_union([shape for _, shape in cell]).bounds) for cell in cells]


def squares_of(x: Ints, y: Ints, pitch: float) -> list[tuple[float, float, float, float]]:
    """Bounding boxes of the clusters of sites (neighbours closer than 1.6 pitches)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(np.column_stack([x, y])).query_pairs(1.6 * pitch, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(x), len(x)))
    count, label = connected_components(graph, directed=False)
    found = []
    for k in range(count):
        here = label == k
        found.append(
            (float(x[here].min()), float(y[here].min()), float(x[here].max()), float(y[here].max()))
        )
    return found


#: steps dx, dy; origin x, y; row and column of each site; rows and columns in all
Grid = tuple[float, float, int, int, Ints, Ints, int, int]


class Field:
    """Density that pillars of one part add at the sites of another, by exact lattice sums.

    Parts on equal lattices: the sum over sources is a discrete convolution, done by Fourier
    transform with zeros around (no approximation). Others: pair by pair.
    """

    def __init__(self, parts: list[Part], terms: list[Term]) -> None:
        self.parts, self.terms = parts, terms
        self.table = np.array([t.numbers for t in terms])
        self.kernels: dict[Any, Any] = {}
        self.pieces = [self._pieces(p) for p in parts]

    @staticmethod
    def _grid(p: Part, which: Ints) -> Grid | None:
        dx, dy = (p.pitch / 2 if p.hexagonal else p.pitch), p.row
        x, y = p.x[which], p.y[which]
        x0, y0 = int(x.min()), int(y.min())
        j, i = (x - x0) / dx, (y - y0) / dy
        if np.abs(j - np.rint(j)).max() > 1e-9 or np.abs(i - np.rint(i)).max() > 1e-9:
            return None
        jj, ii = np.rint(j).astype(np.int64), np.rint(i).astype(np.int64)
        return dx, dy, x0, y0, ii, jj, int(ii.max()) + 1, int(jj.max()) + 1

    def _pieces(self, p: Part) -> list[tuple[Ints, Grid | None]]:
        """The part's sites in groups that each stand on one lattice: one, or a pad's squares."""
        every = np.arange(len(p.x))
        whole = self._grid(p, every)
        if p.kind != "pad":
            return [(every, whole)]
        pieces = []
        for x0, y0, x1, y1 in squares_of(p.x, p.y, p.pitch):
            here = np.nonzero((p.x >= x0) & (p.x <= x1) & (p.y >= y0) & (p.y <= y1))[0]
            pieces.append((here, self._grid(p, here)))
        return pieces

    def far(self, tx: Ints, ty: Ints, sx: Ints, sy: Ints, diameter_nm: Floats) -> bool:
        """Whether the sources add less than 1e-8 anywhere on the targets."""
        gap_x = max(0.0, tx.min() - sx.max(), sx.min() - tx.max())
        gap_y = max(0.0, ty.min() - sy.max(), sy.min() - ty.max())
        at = np.array([hypot(gap_x, gap_y)])
        area = float((diameter_nm**2).sum()) * pi / 4
        return sum(float(k.value(at)[0]) for k in self.terms) * area < 1e-8

    def add(self, target: int, source: int, diameter_nm: Floats) -> Floats:
        t, s = self.parts[target], self.parts[source]
        total = np.zeros(len(t.x))
        for ti, tg in self.pieces[target]:
            for si, sg in self.pieces[source]:
                d = diameter_nm[si]
                if self.far(t.x[ti], t.y[ti], s.x[si], s.y[si], d):
                    continue
                if tg is not None and sg is not None and tg[:2] == sg[:2]:
                    total[ti] += self._on_one_lattice(tg, sg, d)
                else:
                    places = (t.x[ti], t.y[ti], s.x[si], s.y[si])
                    total[ti] += _pair_sum(*(v.astype(float) for v in places), d, self.table)  # type: ignore[call-arg]
        if target == source:
            total = total + sum(k.own(diameter_nm) for k in self.terms)
        return np.asarray(total)

    def _on_one_lattice(self, target: Grid, source: Grid, diameter_nm: Floats) -> Floats:
        dx, dy, tx, ty, ti, tj, tn, tm = target
        _, _, sx, sy, si, sj, sn, sm = source
        area, second = pi * diameter_nm**2 / 4, diameter_nm**2 / 32
        size = (next_fast_len(sn + tn - 1 + sn), next_fast_len(sm + tm - 1 + sm))
        key = (dx, dy, tx - sx, ty - sy, tn, tm, sn, sm)
        if key not in self.kernels:
            ry = (np.arange(sn + tn - 1) - (sn - 1)) * dy + (ty - sy)
            rx = (np.arange(sm + tm - 1) - (sm - 1)) * dx + (tx - sx)
            r = np.hypot(rx[None, :], ry[:, None])
            values = np.sum([k.value(r) for k in self.terms], axis=0)
            bends = np.sum([k.laplacian(r) for k in self.terms], axis=0)
            if len(self.kernels) > 60:
                self.kernels.clear()
            self.kernels[key] = rfft2(values, size), rfft2(bends, size)
        k0, k2 = self.kernels[key]
        plane = np.zeros((2, sn, sm))
        plane[0, si, sj], plane[1, si, sj] = area, area * second
        full = irfft2(rfft2(plane[0], size) * k0 + rfft2(plane[1], size) * k2, size)
        return np.asarray(full[ti + sn - 1, tj + sm - 1])


def solve(path: Path, seen: Seen | None = None, limit: float = 1e-8) -> Solution:
    """Every pillar of the recipe's wafer, with densities at the fixed point."""
    recipe = load(path)
    seen = seen or Seen()
    dies = place_dies(recipe, seen)
    exposure = recipe.get("exposure", {})
    table = (
        BiasTable.read(recipe["folder"] / exposure["bias_table"])
        if exposure.get("bias_table")
        else BiasTable.none()
    )
    lenses = {s["name"]: s for s in recipe.get("lenses", [])}
    deflectors = {s["name"]: s for s in recipe.get("deflectors", [])}
    pads = {s["name"]: s for s in recipe.get("pads", [])}
    designs: dict[tuple[str, str], dict[str, Any]] = {}
    offsets: dict[str, Offset] = {}
    parts: list[Part] = []
    for number, die in enumerate(dies):
        for k, item in enumerate(recipe["dies"][die.name]):
            kind = next((w for w in ("lens", "deflector", "pad") if w in item), None)
            if kind is None:
                continue
            name = item[kind]
            at = written(recipe, quantity(item["at"][0]), quantity(item["at"][1]))
            at = (at[0] + die.x, at[1] + die.y)
            common = {
                "kind": kind, "name": name, "die": number, "at": at, "table": table,
                "split_nm": quantity(item.get("bias", 0)), "dose": float(item.get("dose", 1)),
            }  # fmt: skip
            if kind == "pad":
                spec = pads[name]
                lattice = spec.get("lattice") or recipe["lattice"]
                pitch, row = steps(recipe, lattice)
                if (die.col, die.row, k) not in seen.pads:
                    continue
                x, y, master, fixed = seen.pads[(die.col, die.row, k)]
                parts.append(
                    Part(
                        layer=layer_of(recipe, "pads"), x=x, y=y, master_nm=master, fixed=fixed,
                        pillars=_pillars_of_pad(recipe, spec), pitch=pitch, row=row,
                        hexagonal=lattice["kind"] != "square", **common,
                    )
                )  # fmt: skip
                continue
            if (kind, name) not in designs:
                if kind == "lens":
                    designs[kind, name], offsets[name] = lens_design(
                        recipe, lenses[name], seen.phase_steps.get(name)
                    )
                else:
                    designs[kind, name] = deflector_design(recipe, deflectors[name])
            d = designs[kind, name]
            parts.append(
                Part(
                    layer=layer_of(recipe, "pillars" if kind == "lens" else "deflectors"),
                    x=d["x"] + at[0], y=d["y"] + at[1], master_nm=d["master"], ties=d["ties"],
                    psi=d["psi"], pillars=d["pillars"], in_aperture=d["inside"], pitch=d["pitch"],
                    row=d["row"], hexagonal=d["hexagonal"],
                    zone_nm=zone_bias(recipe, die) if kind == "lens" else 0.0, **common,
                )
            )  # fmt: skip
    terms = kernel(recipe)
    marks = mark_polygons(recipe)
    cells = foreign_cells(recipe, dies)
    foreign = [placed for cell in cells for placed in cell]
    frames = None
    for number, part in enumerate(parts):
        part.master_nm = seen.masters.get(number, part.master_nm)
        part.density, part.added = np.zeros(len(part.x)), np.zeros(len(part.x))
    solution = Solution(
        recipe, dies, parts, offsets, {n: designs["lens", n]["step"] for n in offsets},
        frames, marks, foreign, 0, 0.0,
    )  # fmt: skip
    if not terms:
        return solution
    background = exposure.get("exposed", "shapes") == "background"
    plain = [*marks, *seen.labels, *(unary_union([shape for _, shape in cell]) for cell in cells)]
    if background:
        own_frames, frames = frames_of(recipe, parts, seen)
        solution.frames = frames
    sign = -1.0 if background else 1.0
    fixed_part: list[Floats] = []
    fixed_own: list[Floats] = []
    for number, part in enumerate(parts):
        x, y = part.x.astype(float), part.y.astype(float)
        around, own = np.zeros(len(x)), np.zeros(len(x))
        for shape in plain:
            around += sign * near_density(shape, x, y, terms)
        if frames is not None:
            for piece in getattr(own_frames[number], "geoms", [own_frames[number]]):
                own += near_density(piece, x, y, terms)
            for piece in getattr(frames, "geoms", [frames]):
                around += near_density(piece, x, y, terms)
            around -= own
        fixed_part.append(around)
        fixed_own.append(own)
    fields = Field(parts, terms)
    for turn in range(1, 200):
        change = 0.0
        sizes = [p.exposed_nm for p in parts]
        fresh = []
        for t, _ in enumerate(parts):
            own = sign * fields.add(t, t, sizes[t]) + fixed_own[t]
            others = fixed_part[t].copy()
            for s in range(len(parts)):
                if s != t:
                    others += sign * fields.add(t, s, sizes[s])
            fresh.append((own + others, others))
        for part, (rho, others) in zip(parts, fresh, strict=True):
            if len(rho):
                change = max(change, float(np.abs(rho - part.density).max()))
            part.density, part.added = rho, others
        solution.iterations, solution.residual = turn, change
        if change < limit:
            break
    return solution


def near_density(shape: BaseGeometry, x: Floats, y: Floats, terms: list[Term]) -> Floats:
    """polygon_density, or zeros where the shape can add no more than 1e-8."""
    x0, y0, x1, y1 = shape.bounds
    gap = hypot(max(0.0, x0 - x.max(), x.min() - x1), max(0.0, y0 - y.max(), y.min() - y1))
    if sum(float(t.value(np.array([gap]))[0]) for t in terms) * shape.area < 1e-8:
        return np.zeros(len(x))
    return polygon_density(shape, x, y, terms)


def numerical_aperture(lens: dict[str, Any], folder: Path, step_nm: float = 5.0) -> float:
    """Steepest phase gradient inside the aperture, all terms but spirals, times lambda / 2 pi."""
    radius = quantity(lens["aperture"]) / 2
    plain = {**lens, "phase": [t for t in lens["phase"] if t["kind"] != "spiral"]}
    r = np.sqrt(np.linspace(0, 1, 200)) * (radius - step_nm)
    a = 2 * pi * np.arange(360) / 360
    x, y = (r[:, None] * np.cos(a)).ravel(), (r[:, None] * np.sin(a)).ravel()
    gx = phase(plain, x + step_nm, y, folder) - phase(plain, x - step_nm, y, folder)
    gy = phase(plain, x, y + step_nm, folder) - phase(plain, x, y - step_nm, folder)
    steepest = float(np.hypot(gx, gy).max()) / (2 * step_nm)
    return steepest * quantity(lens["wavelength"]) / (2 * pi)
