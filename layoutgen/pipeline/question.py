"""What is asked of a prediction: sizes, light, disturbances; and what of it makes no sense."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layoutgen.errors import InputError
from layoutgen.exposure.bias import BiasTable
from layoutgen.pipeline.job import Job, file_sha256
from layoutgen.pipeline.light import Disturbance
from layoutgen.pipeline.sizes import STAGES, Fitted
from layoutgen.recipe.load import LoadedRecipe, load_recipe, read_input
from layoutgen.recipe.model import Deflector, Lens
from layoutgen.recipe.tables import LARGEST_TABLE, LibraryTable, read_bias
from layoutgen.units import parse_quantity


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is asked: sizes of which stage, and of which light.

    wavelengths_nm: each part's design wavelength where empty. collect_um: radius of collection, 3 widths of
    the diffraction-limited spot where None. index_behind: of the medium that the light leaves into.
    """

    stage: str
    disturbance: Disturbance
    names: tuple[str, ...] = ()
    wavelengths_nm: tuple[float, ...] = ()
    angles_deg: tuple[float, ...] = (0.0,)
    azimuth_deg: float = 0.0
    collect_um: float | None = None
    index_behind: float = 1.0
    wanted_efficiency: float | None = None
    local_only: bool = False
    pictures: bool = False


def read_light(
    *,
    wavelengths: Sequence[str] = (),
    angles: Sequence[str] = (),
    azimuth: str = "0 deg",
    offset: str = "0 nm",
    random: str = "0 nm",
    collect: str | None = None,
) -> dict[str, Any]:
    """Arguments of `predict` from text with units; InputError tells all that cannot be read."""
    problems: list[str] = []

    def read(name: str, text: str, kind: str, example: str) -> float:
        try:
            return parse_quantity(text, kind, example)
        except ValueError as error:
            problems.append(f"{name}: {error}")
            return 0.0

    found: dict[str, Any] = {
        "wavelengths_nm": [read("wavelength", text, "length", "940 nm") for text in wavelengths],
        "angles_deg": [read("angle", text, "angle", "5 deg") for text in angles],
        "azimuth_deg": read("azimuth", azimuth, "angle", "90 deg"),
        "offset_nm": read("offset", offset, "length", "2 nm"),
        "random_nm": read("random", random, "length", "2 nm"),
        "collect_um": None
        if collect is None
        else read("collect", collect, "length", "10 um") / 1e3,
    }
    if problems:
        raise InputError(problems)
    return found


def recipe_of(job: Job) -> LoadedRecipe:
    """The recipe of a job folder, which must be the one that was built."""
    problems = []
    for name, facts in job.manifest["files"].items():
        if name == "recipe.yaml" or name.startswith("tables/"):
            path = job.folder / name
            if not path.is_file():
                problems.append(f"{path}: want the file that was built, got none")
            elif file_sha256(path) != facts.get("sha256"):
                problems.append(
                    f"{path}: want the file that was built, got one with another SHA-256"
                )
    if problems:
        raise InputError(problems)
    return load_recipe(job.folder / "recipe.yaml")


def read_fitted(path: str | Path) -> Fitted:
    """The process behind a table that `refine` made; InputError where it is no such table."""
    path = Path(path)
    data = read_bias(read_input(path, str(path), LARGEST_TABLE), path.name)
    slope = data.header.get("slope", "").partition("+-")[0].strip()
    try:
        value = float(slope)
    except ValueError:
        raise InputError(
            f"{path}: want a bias table made by refine, whose header states the slope, got one without"
        ) from None
    return Fitted(BiasTable(data.densities, data.diameters_nm, data.bias_nm), value)


def check_question(q: Question, loaded: LoadedRecipe, measured: str | Path | None) -> None:
    recipe = loaded.recipe
    problems = []
    if q.stage not in STAGES:
        problems.append(f"sizes: want {', '.join(STAGES[:-1])} or {STAGES[-1]}, got {q.stage!r}")
    if q.stage == "measured" and measured is None:
        problems.append("sizes: want the table that refine made (--measured) for measured sizes")
    if q.stage != "measured" and measured is not None:
        problems.append(f"measured: want sizes measured for a refined table, got {q.stage}")
    parts: list[Lens | Deflector] = [*recipe.lenses, *recipe.deflectors]
    known = [part.name for part in parts]
    for name in q.names:
        if name not in known:
            problems.append(
                f"lens: want a lens or deflector of the recipe ({', '.join(known)}), got {name!r}"
            )
    for angle in q.angles_deg:
        if not -90 < angle < 90:
            problems.append(f"angle: want an angle between -90 and 90 deg, got {angle:g} deg")
    if not q.disturbance.random_nm >= 0 or not math.isfinite(q.disturbance.random_nm):
        problems.append(f"random: want an rms of 0 nm or more, got {q.disturbance.random_nm:g} nm")
    if not math.isfinite(q.disturbance.offset_nm):
        problems.append(f"offset: want a length, got {q.disturbance.offset_nm:g} nm")
    if q.collect_um is not None and not 0 < q.collect_um < math.inf:
        problems.append(f"collect: want a radius above 0, got {q.collect_um:g} um")
    if not 1 <= q.index_behind <= 10:
        problems.append(f"index: want an index of 1 to 10, got {q.index_behind:g}")
    if q.wanted_efficiency is not None and not 0 < q.wanted_efficiency < 1:
        problems.append(
            f"efficiency: want a part between 0 and 1 such as 0.8, got {q.wanted_efficiency:g}"
        )
    for part in parts:
        if q.names and part.name not in q.names:
            continue
        table = loaded.libraries[recipe.pillars_of(part).library]
        for wavelength in q.wavelengths_nm:
            problem = _no_rows(table, wavelength, part)
            if problem is not None and problem not in problems:
                problems.append(problem)
    if problems:
        raise InputError(problems)


def _no_rows(table: LibraryTable, wavelength_nm: float, part: Lens | Deflector) -> str | None:
    """What is wrong with a wavelength, None where the library holds it."""
    held = table.wavelengths_nm or (part.wavelength_nm,)
    if any(abs(wavelength_nm - w) < 1e-6 * w for w in held):
        return None
    listed = ", ".join(f"{w:.15g} nm" for w in held)
    return f"wavelength: want one that {table.name} has rows for ({listed}), got {wavelength_nm:.15g} nm"


def free_bytes() -> int | None:
    """Memory that is free for use, None where the system does not tell."""
    try:
        text = Path("/proc/meminfo").read_text(encoding="ascii")
        line = next(row for row in text.splitlines() if row.startswith("MemAvailable:"))
        return int(line.split()[1]) * 1024
    except (OSError, StopIteration, ValueError, IndexError):
        pass
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_AVPHYS_PAGES")
    except (OSError, ValueError, AttributeError):
        return None
