"""A library spec: the stack and the range of sizes that a pillar library is computed for.

YAML like a recipe, read and checked the same way: lengths are text with a unit, unknown keys are
errors, all problems come at once. An index is a number, [n, k] with k >= 0 for absorption (fields go
as exp(-i w t)), or a material's name. Sizes are diameters, or sides where the shape is a square,
half-way up the pillar; `sidewall` is the angle between wall and substrate inside the pillar, so
85 deg is wider at the base.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from math import asin, degrees, floor, radians, sqrt, tan
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationError, WithJsonSchema

from layoutgen.errors import InputError
from layoutgen.recipe.document import Path as KeyPath
from layoutgen.recipe.document import parse_document
from layoutgen.recipe.explain import Unsound, explain, sound_parts
from layoutgen.recipe.load import read_input
from layoutgen.recipe.model import (
    Angle,
    LatticeKeys,
    Model,
    Name,
    PositiveLength,
    Wants,
)
from layoutgen.recipe.tables import header_value
from layoutgen.units import plain

__all__ = ["FilmKeys", "LibrarySpec", "LoadedSpec", "header_lines", "load_spec", "spec_of_header"]

MOST_ROWS = 100_000  # of a table, all wavelengths together
LARGEST_INDEX = 20.0  # n or k; no material's is larger at a wavelength that pillars are made for
LARGEST_SPEC = 1_000_000  # bytes
#: An index as the models hold it: (n, k), or a material's name.
IndexValue = str | tuple[float, float]
#: (index, wavelength in nm) -> n + ik; raises ValueError with a sentence.
IndexAt = Callable[[IndexValue, float], complex]


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _index(value: object) -> IndexValue:
    wanted = "want an index such as 1.45, [3.6, 0.01] or fused silica"
    if isinstance(value, str) and value.strip():
        return value.strip()
    parts = (value, 0.0) if _number(value) else value
    if not isinstance(parts, tuple) or len(parts) != 2 or not all(_number(p) for p in parts):
        raise ValueError(f"{wanted}, got {plain(value)}")
    n, k = (float(part) for part in parts)
    if not 0 < n <= LARGEST_INDEX:
        raise ValueError(f"want an index n above 0, at most {LARGEST_INDEX:g}, got {n:.15g}")
    if k < 0:
        raise ValueError(f"want k of at least 0 (absorption), got {k:.15g} (gain)")
    if not k <= LARGEST_INDEX:
        raise ValueError(f"want k of at most {LARGEST_INDEX:g}, got {k:.15g}")
    return n, k


Index = Annotated[
    Any,
    BeforeValidator(_index),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "exclusiveMinimum": 0},
                {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
                {"type": "string"},
            ]
        }
    ),
    Wants("an index", "1.45"),
]


class Medium(Model):
    """A half space, or what stands between pillars."""

    index: Index = Field(description="a number, [n, k], or a material's name")


class FilmKeys(Model):
    """A uniform film."""

    index: Index = Field(description="a number, [n, k], or a material's name")
    thickness_nm: PositiveLength = Field(alias="thickness", description="of the film")


class PillarStack(Model):
    """The pillars and what is between them."""

    index: Index = Field(description="of the pillars: a number, [n, k], or a material's name")
    height_nm: PositiveLength = Field(alias="height", description="from base to top")
    around: Medium = Field(Medium(index=1), description="what fills the space between pillars")
    sidewall_deg: Angle = Field(
        90.0, alias="sidewall", ge=60, le=120, description="below 90 deg: wider at the base"
    )
    shape: Literal["disc", "square"] = Field("disc", description="cross-section of a pillar")


class StackKeys(Model):
    """The layers, from the bottom up."""

    substrate: Medium = Field(description="half space under everything")
    below: tuple[FilmKeys, ...] = Field((), description="films under the pillars, lowest first")
    pillars: PillarStack = Field(description="the pillars")
    above: tuple[FilmKeys, ...] = Field((), description="films over the pillars, lowest first")
    superstrate: Medium = Field(Medium(index=1), description="half space over everything")


class SizeRange(Model):
    """The sizes that get a row."""

    min_nm: PositiveLength = Field(alias="min", description="first size")
    max_nm: PositiveLength = Field(alias="max", description="no size is larger")
    step_nm: PositiveLength = Field(alias="step", description="from one size to the next")


class Incidence(Model):
    """Where the light comes from."""

    angle_deg: Angle = Field(
        0.0, alias="angle", ge=0, le=89, description="to the normal, in the medium it comes from"
    )
    azimuth_deg: Angle = Field(
        0.0, alias="azimuth", description="towards where it goes, counter-clockwise from +x"
    )


class LibrarySpec(Model):
    """What a library is computed for."""

    name: Name = Field(description="of the library")
    lattice: LatticeKeys = Field(description="where the pillars stand")
    wavelengths_nm: tuple[PositiveLength, ...] = Field(
        alias="wavelengths", min_length=1, description="each gets its own rows"
    )
    light_from: Literal["substrate", "superstrate"] = Field(
        "substrate", description="the side that light comes from"
    )
    stack: StackKeys = Field(description="the layers, from the bottom up")
    sizes: SizeRange = Field(
        alias="diameter", description="of the pillars half-way up; sides where they are squares"
    )
    incidence: Incidence = Field(
        Incidence.model_validate({}), description="the direction of the light"
    )
    orders: int = Field(
        441, ge=25, le=2500, description="Fourier orders of the field; checks take twice as many"
    )

    @property
    def rows_per_wavelength(self) -> int:
        """How many sizes the range holds."""
        span = self.sizes.max_nm - self.sizes.min_nm
        return floor(span / self.sizes.step_nm + 1e-9) + 1

    @property
    def flare_nm(self) -> float:
        """What a pillar is wider at its base than half-way up; negative where it is narrower."""
        pillars = self.stack.pillars
        if pillars.sidewall_deg == 90:
            return 0.0
        return pillars.height_nm * tan(radians(90 - pillars.sidewall_deg))


@dataclass(frozen=True, eq=False)
class LoadedSpec:
    """A spec without problems; text is the file's exact bytes, source the mapping that it holds."""

    spec: LibrarySpec
    path: Path
    text: bytes = field(repr=False)
    source: dict[str | int, Any] = field(repr=False)


def load_spec(path: str | Path, index_at: IndexAt) -> LoadedSpec:
    """Read a library spec and check it.

    index_at turns an index of the spec into a complex number for a wavelength. Raises InputError with
    a sentence for each problem, in the order of the file.
    """
    path = Path(path)
    text = read_input(path, str(path), LARGEST_SPEC)
    document = parse_document(text, path.name)
    problems = list(document.problems)
    faulty = set(document.faulty)
    try:
        spec = LibrarySpec.model_validate(document.data)
    except ValidationError as error:
        for finding in explain(error, document, LibrarySpec):
            if finding.path not in document.faulty:
                problems += [(finding.line, text) for text in finding.sentences]
            faulty.add(finding.path)
    if faulty:
        spec = sound_parts(document, faulty, LibrarySpec)
    for check in (
        _sizes(spec), _rows(spec), _touching(spec), _wavelengths(spec), _indices(spec, index_at),
        _entry(spec, index_at),
    ):  # fmt: skip
        try:
            problems += [document.sentence(where, what) for where, what in check]
        except Unsound:
            continue
    if problems:
        raise InputError(list(dict.fromkeys(sentence for _, sentence in sorted(problems))))
    return LoadedSpec(spec, path, text, document.data)


# --- what takes two keys --------------------------------------------------------------------------

_Problem = tuple[KeyPath, str]


def _nm(length_nm: float) -> str:
    return f"{length_nm:.12g} nm"


def _sizes(spec: LibrarySpec) -> Iterator[_Problem]:
    if spec.sizes.min_nm > spec.sizes.max_nm:
        yield (
            ("diameter", "min"),
            f"want at most max ({_nm(spec.sizes.max_nm)}), got {_nm(spec.sizes.min_nm)}",
        )


def _rows(spec: LibrarySpec) -> Iterator[_Problem]:
    if spec.sizes.min_nm > spec.sizes.max_nm:
        return
    each = spec.rows_per_wavelength
    rows = each * len(spec.wavelengths_nm)
    if rows > MOST_ROWS:
        yield (
            ("diameter", "step"),
            f"want at most {MOST_ROWS} rows, all wavelengths together, got {rows} of them",
        )
    if each < 2:
        yield ("diameter", "step"), "want at least 2 sizes from min to max, got 1"


def _touching(spec: LibrarySpec) -> Iterator[_Problem]:
    pitch, square = spec.lattice.pitch_nm, spec.stack.pillars.shape == "square"
    widest = spec.sizes.max_nm + abs(spec.flare_nm)
    room = pitch
    if square and spec.lattice.kind == "hexagonal":
        room = pitch * sqrt(3) / 2  # the next row, half a pitch aside
    if widest >= room:
        what = "sides" if square else "diameters"
        at = "" if spec.flare_nm == 0 else " at the wide end"
        yield (
            ("diameter", "max"),
            f"want {what}{at} below {_nm(room)}, where pillars of the {spec.lattice.kind} lattice"
            f" touch, got {_nm(widest)}",
        )
    if spec.sizes.min_nm <= abs(spec.flare_nm):
        yield (
            ("diameter", "min"),
            f"want more than {_nm(abs(spec.flare_nm))}, which the sidewall takes off at the narrow"
            f" end, got {_nm(spec.sizes.min_nm)}",
        )


def _wavelengths(spec: LibrarySpec) -> Iterator[_Problem]:
    for i, wavelength in enumerate(spec.wavelengths_nm):
        if wavelength in spec.wavelengths_nm[:i]:
            yield ("wavelengths", i), f"want each wavelength once, got {_nm(wavelength)} again"


def media(stack: StackKeys) -> Iterator[tuple[KeyPath, IndexValue]]:
    """Every index of a stack and where it stands; what has faults of its own is left out."""
    places: list[tuple[KeyPath, Callable[[], Any]]] = [
        (("substrate",), lambda: stack.substrate),
        (("superstrate",), lambda: stack.superstrate),
        (("pillars",), lambda: stack.pillars),
        (("pillars", "around"), lambda: stack.pillars.around),
    ]
    for side in ("below", "above"):
        try:
            films = getattr(stack, side)
        except Unsound:
            continue
        places += [((side, i), lambda film=film: film) for i, film in enumerate(films)]  # type: ignore[misc]
    for where, get in places:
        try:
            yield where, get().index
        except Unsound:
            continue


def _indices(spec: LibrarySpec, index_at: IndexAt) -> Iterator[_Problem]:
    wavelengths = spec.wavelengths_nm
    for where, index in media(spec.stack):
        for wavelength in wavelengths:
            try:
                index_at(index, wavelength)
            except ValueError as error:
                yield ("stack", *where, "index"), str(error)
                if not isinstance(index, str):
                    break


def _entry(spec: LibrarySpec, index_at: IndexAt) -> Iterator[_Problem]:
    """Light must come from a medium that lets it through, and must be able to leave."""
    sides = ("substrate", "superstrate")
    first, last = sides if spec.light_from == "substrate" else sides[::-1]
    for wavelength in spec.wavelengths_nm:
        try:
            n_in = index_at(getattr(spec.stack, first).index, wavelength)
            n_out = index_at(getattr(spec.stack, last).index, wavelength)
        except ValueError:
            return  # already told
        if n_in.imag > 0:
            yield (
                ("stack", first, "index"),
                f"want a medium without absorption where the light comes from, got k = {n_in.imag:g}",
            )
            return
        largest = min(1.0, n_out.real / n_in.real)
        if spec.incidence.angle_deg > 0 and spec.incidence.angle_deg >= degrees(asin(largest)):
            yield (
                ("incidence", "angle"),
                f"want less than {degrees(asin(largest)):.6g} deg, beyond which light of"
                f" {_nm(wavelength)} cannot leave into the {last}, got"
                f" {spec.incidence.angle_deg:g} deg",
            )
            return


# --- provenance -------------------------------------------------------------------------------------


def header_lines(loaded: LoadedSpec) -> list[str]:
    """The spec's keys as `# key: value` lines of a table, in the spec's own order, its words kept."""
    lines = []
    for key, value in loaded.source.items():
        if key == "stack" and isinstance(value, dict):
            lines.append("# stack:")
            lines += [f"#   {inner}: {_flow(held)}" for inner, held in value.items()]
        else:
            lines.append(f"# {key}: {_flow(value)}")
    return lines


def _flow(value: Any) -> str:
    """A value of the spec as YAML on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_flow(held)}" for key, held in value.items()) + "}"
    if isinstance(value, tuple):
        return "[" + ", ".join(_flow(held) for held in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return str(value)


def spec_of_header(header: Mapping[str, str]) -> LibrarySpec | None:
    """The spec that a table's `# key: value` lines state; None where they are not a whole spec."""
    keys = {info.alias or name for name, info in LibrarySpec.model_fields.items()}
    data = {key: header_value(header, key) for key in header if key in keys}
    try:
        return LibrarySpec.model_validate(data)
    except ValidationError:
        return None
