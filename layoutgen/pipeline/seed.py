"""`seed-bias`: the first bias table of a recipe, from its exposure model."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.bias import BiasTable
from layoutgen.exposure.resist import ExposureModel
from layoutgen.exposure.seed import SeedTable, feedback, seed_table, trial_table
from layoutgen.lattice import Lattice
from layoutgen.pipeline.design import Progress, Wafer, design, quiet
from layoutgen.pipeline.job import layoutgen_version
from layoutgen.pipeline.table_file import write_table
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.recipe.model import PillarKeys
from layoutgen.recipe.tables import BiasTableData, csv_bytes
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.designs import Design, part_lattice
from layoutgen.wafer.frames import Disc
from layoutgen.wafer.scene import Surrounding
from layoutgen.workers import cores

FloatArray = NDArray[np.float64]
Range = tuple[float, float]

#: A table made for one lattice that is off by more than this on another is worth a warning.
_WORTH_TELLING_NM = 0.1
#: Beam current and resist hold a dose to about 1 % (common practice, no source).
_POOR_LATITUDE_NM = 4.0
#: Feedback of sizes on densities from which a layout is not sure to settle; a usual one is 0.1.
_UNSETTLED = 1.0


@dataclass(frozen=True, eq=False)
class Seed:
    """A first bias table on the disk, and what it was made for.

    `density` and `master_nm` are the least and the most that the layout holds.
    """

    path: Path
    existed: bool
    table: BiasTable
    model: ExposureModel
    density: Range
    master_nm: Range
    interpolation_error_nm: float
    latitude_nm: float  # the most that any of the layout's pillars changes for 1 % of dose
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        bias = self.table.bias_nm
        return {
            "table": str(self.path),
            "existed": self.existed,
            "densities": self.table.densities.tolist(),
            "diameters_nm": self.table.diameters_nm.tolist(),
            "nodes": bias.size,
            "bias_nm": [float(bias.min()), float(bias.max())],
            "held": {"density": list(self.density), "master_nm": list(self.master_nm)},
            "interpolation_error_nm": self.interpolation_error_nm,
            "nm_per_percent_dose": self.latitude_nm,
            "threshold": self.model.threshold,
            "warnings": list(self.warnings),
        }

    def as_text(self) -> str:
        rho, size, bias = self.table.densities, self.table.diameters_nm, self.table.bias_nm
        return "\n".join(
            [
                f"{self.path}: {'already there, the same table' if self.existed else 'written'}",
                f"  nodes     {bias.size} ({len(rho)} densities {rho[0]:g} to {rho[-1]:g},"
                f" {len(size)} masters {size[0]:g} to {size[-1]:g} nm)",
                f"  layout    densities {self.density[0]:.3f} to {self.density[1]:.3f},"
                f" masters {self.master_nm[0]:g} to {self.master_nm[1]:g} nm",
                f"  bias      {bias.min():.2f} to {bias.max():.2f} nm",
                f"  between   at most {self.interpolation_error_nm:.3f} nm from the model, read bilinearly",
                f"  dose      1 % of dose changes a printed diameter by up to {self.latitude_nm:.2f} nm",
            ]
        )


@dataclass(frozen=True, slots=True)
class _Kind:
    """What the exposure model tells parts apart by."""

    lattice: Lattice
    squares: bool

    @classmethod
    def of(cls, lattice: Lattice, keys: PillarKeys) -> _Kind:
        # where the axis stands is nothing to a pillar
        return cls(replace(lattice, centre="site"), keys.vertices == 4)


def seed_bias(
    loaded: LoadedRecipe,
    out: str | Path,
    *,
    jobs: int | None = None,
    progress: Progress = quiet,
) -> Seed:
    """Write the bias table that makes the exposure model print every master to its size.

    It covers the densities and masters that the recipe's layout holds with this very bias, with margin. A
    bias table that the recipe names is not used. InputError where the recipe has no exposure model, where
    the model cannot print what the layout holds, and where another file stands under the name.
    """
    where = loaded.path.name
    _complete(loaded)
    kinds = list(_kinds(loaded))
    progress("finding the densities", 0.0)
    try:
        trial = trial_table(
            _model(loaded, kinds[0]), _master_limits(loaded), _site_area(loaded, kinds)
        )
    except ValueError as error:
        raise InputError(f"{where}: exposure: {error}") from None
    data = BiasTableData("model", trial.densities, trial.diameters_nm, trial.bias_nm)
    wafer = design(replace(loaded, bias_table=data), progress, cores() if jobs is None else jobs)
    density, master_nm = _held(wafer)
    main = _by_pillars(wafer)
    progress("solving for the drawn sizes", 0.5)
    try:
        model = _model(loaded, main)
        found = seed_table(model, density, master_nm)
        gain = feedback(found.table, density, master_nm, _site_area(loaded, [main]))
        if gain >= _UNSETTLED:
            raise ValueError(
                "want a bias at which sizes and densities settle, got one where a change of density comes"
                f" back {gain:.2g} times as large; set reference nearer to density {density[0]:.2g} to"
                f" {density[1]:.2g}"
            )
    except ValueError as error:
        raise InputError(f"{where}: exposure: {error}") from None
    latitude = _latitude(model, found.table, density, master_nm)
    warnings = _warnings(wafer, model, found.table, main, density, master_nm, latitude)
    text = _text(loaded, model, main, found, density, master_nm)
    path = Path(out)
    existed = write_table(path, text, lambda _held: False)
    return Seed(
        path, existed, found.table, model, density, master_nm, found.interpolation_error_nm, latitude,
        warnings,
    )  # fmt: skip


def _complete(loaded: LoadedRecipe) -> None:
    """InputError for each part of the exposure model that the recipe lacks."""
    exposure, where = loaded.recipe.exposure, loaded.path.name
    problems = []
    if exposure.forward_range_nm is None:
        problems.append("exposure.forward_range: want a length such as '18 nm', got nothing")
    if not exposure.backscatter:
        problems.append(
            "exposure.backscatter: want at least one term such as"
            " {term: gaussian, range: 9 um, ratio: 0.7}, got none"
        )
    if exposure.reference is None:
        problems.append(
            "exposure.reference: want the array that the base dose prints to size, such as"
            " {density: 0.25, diameter: 200 nm}, got nothing"
        )
    if problems:
        raise InputError(
            [f"{where}: {problem}, which the exposure model needs" for problem in problems]
        )


def _kinds(loaded: LoadedRecipe) -> Iterator[_Kind]:
    recipe = loaded.recipe
    for part in (*recipe.lenses, *recipe.deflectors, *recipe.pads):
        yield _Kind.of(part_lattice(loaded, part, "gap"), recipe.pillars_of(part))


def _model(loaded: LoadedRecipe, kind: _Kind) -> ExposureModel:
    recipe = loaded.recipe
    return ExposureModel.of(
        recipe.exposure, kind.lattice, recipe.output.database_unit_nm, squares=kind.squares
    )


def _site_area(loaded: LoadedRecipe, kinds: Sequence[_Kind]) -> float:
    """The smallest area that belongs to a site, in nm2."""
    return min(k.lattice.site_area_dbu2 for k in kinds) * loaded.recipe.output.database_unit_nm**2


def _master_limits(loaded: LoadedRecipe) -> Range:
    """The smallest and the largest master that the recipe lets stand, in equal-area nm."""
    recipe = loaded.recipe
    low, high = np.inf, 0.0
    for part in (*recipe.lenses, *recipe.deflectors, *recipe.pads):
        keys = recipe.pillars_of(part)
        scale = SQUARE_SIDE if keys.vertices == 4 else 1.0
        low = min(low, keys.diameter.min_nm / scale)
        high = max(high, keys.diameter.max_nm / scale)
    return float(low), float(high)


# --- what the layout holds ------------------------------------------------------------------------


def _held(wafer: Wafer) -> tuple[Range, Range]:
    """Least and most density and master of all pillars that the bias acts on."""
    low, high = np.inf, -np.inf
    small, large = np.inf, 0.0
    for surrounding in wafer.scene.surroundings:
        found = surrounding.design
        masters = found.masters.master_nm[_biased(found)]
        if not len(masters) or surrounding.density is None:
            continue
        small, large = min(small, float(masters.min())), max(large, float(masters.max()))
        at = _densities(surrounding)
        low, high = min(low, float(at.min())), max(high, float(at.max()))
    if not large:
        raise InputError(
            f"{wafer.loaded.path.name}: dies: want a lens, deflector or pad on a die, got none whose"
            " pillars take a bias"
        )
    return (min(max(low, 0.0), 1.0), min(max(high, 0.0), 1.0)), (small, large)


def _biased(found: Design) -> NDArray[np.bool_]:
    """Masters of a design that stand on some site and take a bias."""
    used = np.ones(len(found.masters), dtype=np.bool_)
    if found.usage is not None:
        used = found.usage > 0
    chosen: NDArray[np.bool_] = used & ~found.masters.fixed
    return chosen


def _densities(surrounding: Surrounding) -> FloatArray:
    """Density in places all over a design's pillars; of a density pad, around its core."""
    density, found = surrounding.density, surrounding.design
    assert density is not None
    x, y = _places(found, density.raster.grid.hx)
    at = density.at(x, y)
    if surrounding.added is not None:
        at += surrounding.added.at_points(x, y)
    return at


def _places(found: Design, step: float) -> tuple[FloatArray, FloatArray]:
    """Places on a design: its edge, its axes and diagonals finely, and a coarse grid of all of it.

    Density is smooth over a step (a tenth of the backscatter range); the zones of a lens make it swing
    along a radius, and its least is on the edge.
    """
    x0, y0, x1, y1 = found.outline.bounds
    if found.masters.fixed.any():  # a core of 11 sites or less, its surround takes no bias
        half = 5.5 * found.lattice.pitch_dbu
        x0, y0, x1, y1 = -half, -half, half, half
    count = int(min(max((x1 - x0) / step, 8), 2000))
    u, fine = np.linspace(0.0, 1.0, 41), np.linspace(0.0, 1.0, count)
    lines = [
        np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2),
        *(np.stack([fine, np.full(count, v)], axis=1) for v in (0.0, 0.5, 1.0)),
        *(np.stack([np.full(count, v), fine], axis=1) for v in (0.0, 0.5, 1.0)),
        np.stack([fine, fine], axis=1),
        np.stack([fine, 1 - fine], axis=1),
    ]
    at = np.concatenate(lines)
    x, y = x0 + at[:, 0] * (x1 - x0), y0 + at[:, 1] * (y1 - y0)
    if isinstance(found.outline, Disc) and not found.masters.fixed.any():
        radius = found.outline.radius
        inside = np.hypot(x, y) <= radius
        turn = np.linspace(0, 2 * np.pi, 257)[:-1]
        x = np.concatenate([x[inside], radius * np.cos(turn)])
        y = np.concatenate([y[inside], radius * np.sin(turn)])
    return x, y


def _by_pillars(wafer: Wafer) -> _Kind:
    """The kind that most pillars on the wafer are of."""
    counts: dict[_Kind, int] = {}
    for variant in wafer.tree.variants:
        kind = _Kind.of(variant.design.lattice, variant.design.keys)
        counts[kind] = counts.get(kind, 0) + variant.placed * variant.part.pillars
    return max(counts, key=lambda kind: counts[kind])


def _warnings(
    wafer: Wafer,
    model: ExposureModel,
    table: BiasTable,
    main: _Kind,
    density: Range,
    master_nm: Range,
    latitude_nm: float,
) -> tuple[str, ...]:
    found = []
    if model.reference_alone:
        found.append(
            f"exposure.reference: {model.reference_nm:g} nm does not fit on the lattice with room to"
            " print, so the reference is taken as a shape without neighbours"
        )
    found += [
        f"rule {rule.name} fails: {rule.sentence}"
        for rule in wafer.rules
        if rule.name == "kernel_range" and not rule.ok
    ]
    if latitude_nm > _POOR_LATITUDE_NM:
        found.append(
            f"1 % of dose changes a printed diameter by up to {latitude_nm:.1f} nm: sizes will be hard to hold"
        )
    rho = np.linspace(*density, 9)[:, None]
    for item in wafer.designs:
        mine = item.masters.master_nm[_biased(item)]
        if not len(mine):
            continue
        size = np.linspace(float(mine.min()), float(mine.max()), 9)[None, :]
        here = table(rho, size)
        kind = _Kind.of(item.lattice, item.keys)
        if kind != main:
            # one base dose for the wafer: only the neighbours and the shape differ
            other = replace(_model(wafer.loaded, kind), needed=model.needed)
            off = float(np.nanmax(np.abs(other.drawn_nm(rho, size) - size - here), initial=0.0))
            if off > _WORTH_TELLING_NM:
                found.append(
                    f"{item.kind} {item.name} has another lattice or shape than most: for it this table is"
                    f" off by up to {off:.1f} nm"
                )
        low, high = item.ladder.diameter_nm(1), item.ladder.diameter_nm(item.ladder.count)
        least, most = float((size + here).min()), float((size + here).max())
        if least < low or most > high:
            found.append(
                f"{item.kind} {item.name}: with this table drawn diameters run from {least:.1f} to {most:.1f}"
                f" nm, beyond the ladder of {low:.4g} to {high:.4g} nm"
            )
    return tuple(dict.fromkeys(found))


def _latitude(model: ExposureModel, table: BiasTable, density: Range, master_nm: Range) -> float:
    rho, size = np.linspace(*density, 5)[:, None], np.linspace(*master_nm, 5)[None, :]
    drawn = size + table(rho, size)
    # half a per cent to either side
    more, less = (model.printed_nm(rho, drawn, dose) for dose in (1.005, 0.995))
    return float(np.max(np.abs(more - less)))


# --- the file -------------------------------------------------------------------------------------


def _text(
    loaded: LoadedRecipe,
    model: ExposureModel,
    kind: _Kind,
    found: SeedTable,
    density: Range,
    master_nm: Range,
) -> bytes:
    recipe = loaded.recipe
    exposure = recipe.exposure
    dbu_nm = recipe.output.database_unit_nm
    terms = ", ".join(
        f"{{term: {term.term}, range: {term.range_nm:.10g} nm, ratio: {term.ratio:.10g}"
        + (f", exponent: {term.exponent:.10g}" if term.term == "power" else "")
        + "}"
        for term in exposure.backscatter
    )
    lattice = kind.lattice
    header = {
        "name": f"first bias table of {recipe.name}-{recipe.revision}",
        "made_by": f"layoutgen {layoutgen_version()} seed-bias",
        "recipe": f"{loaded.path.name}, sha256 {hashlib.sha256(loaded.text).hexdigest()}",
        "exposed": exposure.exposed,
        "forward_range": f"{model.alpha_nm:.10g} nm",
        "backscatter": f"[{terms}]",
        "reference": f"{{density: {model.reference_density:.10g}, diameter: {model.reference_nm:.10g} nm}}",
        "lattice": f"{{kind: {lattice.kind}, pitch: {lattice.pitch_dbu * dbu_nm:.10g} nm}}",
        "shape": "square" if kind.squares else "disc",
        "threshold": f"{model.threshold:.6f}",
        "held": f"density {density[0]:.4f} to {density[1]:.4f}, master {master_nm[0]:.4f} to"
        f" {master_nm[1]:.4f} nm",
        "interpolation_error": f"{found.interpolation_error_nm:.4f} nm",
    }
    notes = [
        "From a model, not from a measurement: bias = drawn - master, where what is drawn prints as the master."
    ]
    table = found.table
    rows = [
        (f"{rho:.10g}", f"{size:.10g}", f"{bias:.4f}")
        for rho, line in zip(table.densities, table.bias_nm, strict=True)
        for size, bias in zip(table.diameters_nm, line, strict=True)
    ]
    return csv_bytes(header, notes, ("density", "diameter_nm", "bias_nm"), rows)
