"""What takes two keys, or a key and a table, to be right or wrong.

Each check yields (path, what was wanted and what came). Checks are small and independent: on a
recipe with faults each runs as far as the keys that it needs are sound (see `explain`), so that
all problems come at once. Lengths are nm.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from layoutgen.recipe.document import Path, path_text
from layoutgen.recipe.explain import Unsound
from layoutgen.recipe.model import (
    NAME_PATTERN,
    Deflector,
    LatticeKeys,
    Lens,
    Pad,
    PillarKeys,
    Recipe,
)
from layoutgen.recipe.tables import LibraryTable, SampledPhaseData
from layoutgen.units import SQUARE_SIDE, nm_to_dbu, plain, steps_between

__all__ = [
    "DEFAULT_LAYERS", "Problem", "Tables", "candidate_limits", "check_recipe", "check_tables",
    "dose_steps", "layer_plan", "parse_layer", "second_layer",
]  # fmt: skip

Problem = tuple[Path, str]
Part = Lens | Deflector | Pad

DEFAULT_LAYERS: Mapping[str, tuple[int, int]] = {
    "pillars": (1, 0),
    "deflectors": (1, 1),
    "pads": (1, 2),
    "marks": (2, 0),
    "labels": (3, 0),
    "frames": (4, 0),
    "outlines": (100, 0),
}
LARGEST_LAYER = 65_535  # layer and datatype are two bytes each in GDSII
#: Layer role of what an item of a die places; a foreign cell keeps its own layers.
ROLES = {"lens": "pillars", "deflector": "deflectors", "pad": "pads", "label": "labels"}
DOSE_DATATYPE = 100  # the k-th dose goes to its layer's datatype + 100 + k
MOST_SHAPES = 65_535  # codes are two bytes, 0 is an empty site
LARGEST_PART_NM = 300e6  # the largest wafer of SEMI M1 that anyone images
SMALLEST_UNIT_NM = 0.5  # 32-bit coordinates: at 0.1 nm a 200 mm wafer is at the limit
MOST_DIES = 1_000_000
LARGEST_ZERNIKE = 1_000  # single index; radial order 44
LARGEST_RANGE_NM = 20e6  # of a backscatter term; "up to millimetres"
RESERVED_STAGES = ("resist", "master")  # stages of an SEM file that are no replication step


def dose_steps(recipe: Recipe) -> dict[float, int]:
    """Relative dose other than 1 -> k, counted from 1 upwards from the smallest."""
    doses = sorted({item.dose for die in recipe.dies.values() for item in die} - {1.0})
    return {dose: k for k, dose in enumerate(doses, start=1)}


@dataclass(frozen=True)
class Tables:
    """The files that could be read, by the path that the recipe writes."""

    libraries: Mapping[str, LibraryTable]
    sampled: Mapping[str, SampledPhaseData]


def _run(problems: list[Problem], check: Iterator[Problem]) -> None:
    """Take what a check finds, as far as it gets."""
    try:
        for problem in check:
            if problem not in problems:
                problems.append(problem)
    except Unsound:
        pass


def _nm(length_nm: float) -> str:
    """A length in words, in the unit that an engineer would use for it."""
    for size, unit in ((1e6, "mm"), (1e3, "um")):
        if abs(length_nm) >= size * 10 or (abs(length_nm) >= size and length_nm % size == 0):
            return f"{length_nm / size:.12g} {unit}"
    return f"{length_nm:.12g} nm"


def _whole(length_nm: float, step_nm: float) -> int | None:
    """How many steps a length is, or None where it is not a whole number of them."""
    try:
        return nm_to_dbu(length_nm, step_nm)
    except ValueError:
        return None


def _nearest_even(length_nm: float, grid_nm: float) -> str:
    """The lengths of an even number of grid steps nearest to one that is not."""
    return _nearest(length_nm, 2 * grid_nm)


def _nearest(length_nm: float, step_nm: float) -> str:
    below = max(1, math.floor(length_nm / step_nm))
    above = below + 1 if below * step_nm < length_nm else below
    down, up = length_nm - below * step_nm, above * step_nm - length_nm
    if math.isclose(down, up, rel_tol=1e-9) and below != above:
        return f"{below * step_nm:.12g} nm or {above * step_nm:.12g} nm"
    return f"{(below if abs(down) < abs(up) else above) * step_nm:.12g} nm"


# --- the recipe by itself -------------------------------------------------------------------------


#: Every rule that a design is held to; what is judged part by part goes on as RULE:PART or RULE:KIND:PART.
RULES = frozenset(
    ("aspect_ratio", "beam_clock", "clamped", "coverage", "edge_exclusion", "fields", "gap", "gap_drawn",
     "gdsii_limit", "keep_out", "kernel_range", "label_height", "layers", "max_size", "min_size", "sampling",
     "street", "substrate_orders")
)  # fmt: skip


def check_recipe(recipe: Recipe, data: Mapping[str | int, Any]) -> list[Problem]:
    """Every problem that shows without opening a file. `data` is the recipe as plain data."""
    problems: list[Problem] = []
    for check in (
        _names(data),
        _steps(recipe),
        _units(recipe),
        _layers(recipe, data),
        _formats(recipe),
        _waived(recipe),
    ):
        _run(problems, check)
    _exposure(problems, recipe)
    for path, part in _parts(recipe):
        _part(problems, recipe, path, part)
    _pitches(problems, recipe)
    _pillar_keys(problems, recipe)
    _dies(problems, recipe, data)
    _wafer(problems, recipe, data)
    _run(problems, _dose_layers(recipe))
    return problems


def _parts(recipe: Recipe) -> list[tuple[Path, Part]]:
    """Every lens, deflector and pad with its path; sections that are not sound are left out."""
    found: list[tuple[Path, Part]] = []
    for section in ("lenses", "deflectors", "pads"):
        try:
            items: Sequence[Part] = getattr(recipe, section)
        except Unsound:
            continue
        found += [((section, i), part) for i, part in enumerate(items)]
    return found


def _section_names(data: Mapping[str | int, Any], section: str) -> list[tuple[Path, str]]:
    items = data.get(section)
    if not isinstance(items, tuple):
        return []
    return [
        ((section, i, "name"), item["name"])
        for i, item in enumerate(items)
        if isinstance(item, dict) and isinstance(item.get("name"), str)
    ]


def _names(data: Mapping[str | int, Any]) -> Iterator[Problem]:
    """Lenses, deflectors, pads and cells share one set of names (SEM files name the feature)."""
    first: dict[str, Path] = {}
    for section in ("lenses", "deflectors", "pads", "cells"):
        for path, name in _section_names(data, section):
            if name in first:
                held = path_text(first[name][:-1])
                yield path, f"want a name of its own, got {name!r}, which is that of {held}"
            else:
                first[name] = path


def _steps(recipe: Recipe) -> Iterator[Problem]:
    seen: dict[str, int] = {}
    for i, step in enumerate(recipe.replication.steps):
        path: Path = ("replication", "steps", i, "name")
        if step.name in RESERVED_STAGES:
            yield path, f"want a name other than resist and master, got {step.name!r}"
        elif step.name in seen:
            held = f"replication.steps[{seen[step.name]}]"
            yield path, f"want a name of its own, got {step.name!r}, which is that of {held}"
        seen.setdefault(step.name, i)


def _units(recipe: Recipe) -> Iterator[Problem]:
    unit = recipe.output.database_unit_nm
    path: Path = ("output", "database_unit")
    if unit < SMALLEST_UNIT_NM:
        yield path, f"want 0.5 nm or more (32-bit coordinates), got {unit:.15g} nm"
    elif _whole(1000.0, unit) is None:
        yield path, f"want a whole number of database units in 1 um, got {unit:.15g} nm"
    grid = recipe.exposure.address_grid_nm
    if (
        unit >= SMALLEST_UNIT_NM
        and _whole(1000.0, unit)
        and grid is not None
        and _whole(grid, unit) is None
    ):
        yield (
            ("exposure", "address_grid"),
            f"want a whole number of database units of {unit:.15g} nm, got {grid:.15g} nm",
        )


def _grid(recipe: Recipe) -> float:
    grid = recipe.exposure.address_grid_nm
    return recipe.output.database_unit_nm if grid is None else grid


def _layers(recipe: Recipe, data: Mapping[str | int, Any]) -> Iterator[Problem]:
    output = data.get("output")
    given = output.get("layers") if isinstance(output, dict) else None
    if not isinstance(given, dict):
        return
    held: dict[tuple[int, int], str] = {}
    plan = dict(DEFAULT_LAYERS)
    for role, text in given.items():
        path: Path = ("output", "layers", role)
        if role not in DEFAULT_LAYERS:
            yield path, _unknown(str(role), DEFAULT_LAYERS, "layer")
        elif isinstance(text, str):
            pair = parse_layer(text)
            if pair is None:
                yield path, _layer_wanted(text)
            else:
                plan[role] = pair
    for role, pair in plan.items():
        if pair in held:
            # blame the one that the recipe gives; a default is not in the file
            here, other = (role, held[pair]) if role in given else (held[pair], role)
            yield (
                ("output", "layers", here),
                f"want a layer/datatype of its own, got {pair[0]}/{pair[1]}, which is that of {other}",
            )
        held.setdefault(pair, role)


def _layer_wanted(text: str) -> str:
    return f"want layer/datatype such as '1/0', each from 0 to {LARGEST_LAYER}, got {plain(text)}"


def parse_layer(text: str) -> tuple[int, int] | None:
    """'1/0' as (1, 0); None for anything else."""
    match = re.fullmatch(r"([0-9]{1,5})/([0-9]{1,5})", text)
    if match is None:
        return None
    pair = int(match[1]), int(match[2])
    return pair if max(pair) <= LARGEST_LAYER else None


def layer_plan(recipe: Recipe) -> dict[str, tuple[int, int]]:
    """Role -> (layer, datatype), the recipe's over the defaults."""
    given = {role: parse_layer(text) for role, text in recipe.output.layers.items()}
    return {role: given.get(role) or pair for role, pair in DEFAULT_LAYERS.items()}


def _dose_layers(recipe: Recipe) -> Iterator[Problem]:
    """No two doses may meet on one layer and datatype: the operator could not tell them apart."""
    steps = dose_steps(recipe)
    if not steps:
        return
    plan = layer_plan(recipe)
    framed = recipe.exposure.exposed == "background"
    taken: dict[tuple[int, int], tuple[str, float]] = {
        pair: (role, 1.0) for role, pair in plan.items()
    }
    later = {parse_layer(text) for _, text in _second_layer_texts(recipe)}
    taken |= {pair: ("a later step", 1.0) for pair in later if pair is not None}
    for die, items in recipe.dies.items():
        for i, item in enumerate(items):
            role = next((ROLES[key] for key in ROLES if getattr(item, key) is not None), None)
            if role is None or item.dose == 1:
                continue
            for used in (role, "frames") if framed else (role,):
                layer, datatype = plan[used]
                pair = (layer, datatype + DOSE_DATATYPE + steps[item.dose])
                path: Path = ("dies", die, i, "dose")
                if pair[1] > LARGEST_LAYER:
                    yield (
                        path,
                        (
                            f"want a datatype of at most {LARGEST_LAYER} for this dose of {used}, "
                            f"got {pair[1]}"
                        ),
                    )
                other, dose = taken.setdefault(pair, (used, item.dose))
                if (other, dose) != (used, item.dose):
                    yield (
                        path,
                        (
                            f"want a layer/datatype of its own for this dose of {used}, got "
                            f"{pair[0]}/{pair[1]}, which is that of {other} at dose {dose:.15g}"
                        ),
                    )


def _formats(recipe: Recipe) -> Iterator[Problem]:
    for i, name in enumerate(recipe.output.formats):
        if name in recipe.output.formats[:i]:
            yield ("output", "formats", i), f"want each format once, got {name} again"


def _waived(recipe: Recipe) -> Iterator[Problem]:
    parts = {part.name for _, part in _parts(recipe)}
    for rule, reason in recipe.waive.items():
        name, _, of = rule.partition(":")
        if name not in RULES:
            yield ("waive", rule), _unknown(name, RULES, "rule")
        elif of and of.rpartition(":")[2] not in parts:
            yield ("waive", rule), _unknown(of.rpartition(":")[2], parts, "lens, deflector or pad")
        if not reason.strip():
            yield ("waive", rule), "want a reason, got nothing"


def _unknown(name: str, known: Collection[str], what: str = "") -> str:
    names = sorted(known)
    thing = f"{what} " if what else ""
    if not names:
        return f"want the name of a {what}, of which there is none, got {name!r}"
    near = difflib.get_close_matches(name, names, 1, 0.6)
    if near:
        return f"want a known {thing}name (nearest: {near[0]}), got {name!r}"
    listed = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"want one of the {thing}names {listed}, got {name!r}"


# --- exposure -------------------------------------------------------------------------------------


def _exposure(problems: list[Problem], recipe: Recipe) -> None:
    _run(problems, _frames(recipe))
    _run(problems, _kernel_needed(recipe))
    _run(problems, _terms(recipe))


def _frames(recipe: Recipe) -> Iterator[Problem]:
    exposure = recipe.exposure
    if exposure.exposed == "background" and exposure.frame_width_nm is None:
        yield (
            ("exposure", "frame_width"),
            ("want a length such as '20 um', as the background is exposed, got nothing"),
        )


def _kernel_needed(recipe: Recipe) -> Iterator[Problem]:
    if recipe.exposure.backscatter:
        return
    path: Path = ("exposure", "backscatter")
    if recipe.exposure.bias_table is not None:
        yield path, "want at least one term, as a bias table needs the density, got none"
    elif any(pad.kind == "density" for pad in recipe.pads):
        yield path, "want at least one term, as a density pad needs the density, got none"


def _terms(recipe: Recipe) -> Iterator[Problem]:
    for i, term in enumerate(recipe.exposure.backscatter):
        at: Path = ("exposure", "backscatter", i)
        if term.term != "power" and "exponent" in term.model_fields_set:
            yield (*at, "exponent"), f"want it with a power term only, got a {term.term} term"
        if term.range_nm > LARGEST_RANGE_NM:
            yield (
                (*at, "range"),
                (f"want a range of at most {_nm(LARGEST_RANGE_NM)}, got {_nm(term.range_nm)}"),
            )


# --- lattices and pillars -------------------------------------------------------------------------


def _lattice(recipe: Recipe, path: Path, part: Part) -> tuple[Path, LatticeKeys | None]:
    if part.lattice is not None:
        return (*path, "lattice"), part.lattice
    return ("lattice",), recipe.lattice


def _pillars(recipe: Recipe, path: Path, part: Part) -> tuple[Path, PillarKeys | None]:
    if part.pillars is not None:
        return (*path, "pillars"), part.pillars
    return ("pillars",), recipe.pillars


def _part(problems: list[Problem], recipe: Recipe, path: Path, part: Part) -> None:
    _run(problems, _has_lattice(recipe, path, part))
    _run(problems, _has_pillars(recipe, path, part))
    if path[0] == "lenses":
        _run(problems, _lens_fits(recipe, path, part))
        _run(problems, _phase(path, part))
    elif path[0] == "deflectors":
        _run(problems, _deflector(recipe, path, part))
    else:
        _run(problems, _pad(recipe, path, part))


def _has_lattice(recipe: Recipe, path: Path, part: Part) -> Iterator[Problem]:
    if _lattice(recipe, path, part)[1] is None:
        yield (*path, "lattice"), "want a lattice here or for the whole recipe, got neither"


def _has_pillars(recipe: Recipe, path: Path, part: Part) -> Iterator[Problem]:
    if _pillars(recipe, path, part)[1] is None:
        yield (*path, "pillars"), "want pillars here or for the whole recipe, got neither"


def _centre(path: Path, part: Any) -> str:
    """gap or site: lenses choose, deflectors and uniform pads stand in the gap, cores on a site."""
    if path[0] == "lenses":
        return str(part.centre)
    return "site" if path[0] == "pads" and part.kind == "density" else "gap"


def _wants_even(path: Path, part: Part, lattice: LatticeKeys) -> bool:
    """Whether half a pitch must lie on the grid too: always, but for a square with its axis on a site."""
    return lattice.kind == "hexagonal" or _centre(path, part) == "gap"


def _pitches(problems: list[Problem], recipe: Recipe) -> None:
    """Each lattice once, held to the strictest of the parts that stand on it."""
    strictest: dict[Path, tuple[LatticeKeys, str]] = {}
    for path, part in _parts(recipe):
        try:
            where, lattice = _lattice(recipe, path, part)
            if lattice is None:
                continue
            even = _wants_even(path, part, lattice)
            kind = lattice.kind
        except Unsound:
            continue
        held = strictest.get(where, (lattice, ""))[1]
        reason = "a hexagonal lattice" if kind == "hexagonal" else "centre: gap"
        strictest[where] = (lattice, held or (reason if even else ""))
    for where, (lattice, reason) in strictest.items():
        _run(problems, _pitch_on_grid(recipe, (*where, "pitch"), lattice, reason))


def _pitch_on_grid(
    recipe: Recipe, at: Path, lattice: LatticeKeys, reason: str
) -> Iterator[Problem]:
    pitch = lattice.pitch_nm
    field = recipe.exposure.write_field_nm
    if field is not None and field < pitch:
        yield (
            ("exposure", "write_field"),
            f"want at least one pitch ({_nm(pitch)}), got {_nm(field)}",
        )
    grid = _grid(recipe)
    steps = _whole(pitch, grid)
    if reason and (steps is None or steps % 2):
        sentence = (
            f"want an even number of address-grid steps of {grid:.15g} nm for {reason} "
            f"(nearest: {_nearest_even(pitch, grid)}), got {pitch:.15g} nm"
        )
        yield at, sentence
    elif steps is None:
        sentence = (
            f"want a whole number of address-grid steps of {grid:.15g} nm "
            f"(nearest: {_nearest(pitch, grid)}), got {pitch:.15g} nm"
        )
        yield at, sentence


def _pillar_keys(problems: list[Problem], recipe: Recipe) -> None:
    """Each `pillars` mapping once, wherever it stands."""
    places: list[tuple[Path, PillarKeys]] = []
    try:
        if recipe.pillars is not None:
            places.append((("pillars",), recipe.pillars))
    except Unsound:
        pass
    for path, part in _parts(recipe):
        try:
            if part.pillars is not None:
                places.append(((*path, "pillars"), part.pillars))
        except Unsound:
            pass
    for path, keys in places:
        _run(problems, _vertices(path, keys))
        _run(problems, _limits(path, keys))
        _run(problems, _ladder(path, keys))
        _run(problems, _square_ladder(recipe, path, keys))


def _vertices(path: Path, keys: PillarKeys) -> Iterator[Problem]:
    if keys.vertices != 4 and keys.vertices % 8:
        yield (*path, "vertices"), f"want 4 (squares) or a multiple of 8, got {keys.vertices}"


def _limits(path: Path, keys: PillarKeys) -> Iterator[Problem]:
    low, high = keys.diameter.min_nm, keys.diameter.max_nm
    if low > high:
        yield (*path, "diameter", "max"), f"want at least min ({_nm(low)}), got {_nm(high)}"


def _ladder(path: Path, keys: PillarKeys) -> Iterator[Problem]:
    ladder = keys.ladder
    at: Path = (*path, "ladder")
    if ladder.max_nm <= ladder.min_nm:
        yield (*at, "max"), f"want more than min ({_nm(ladder.min_nm)}), got {_nm(ladder.max_nm)}"
        return
    steps = steps_between(ladder.min_nm, ladder.max_nm, ladder.step_nm)
    if steps is None:
        yield (
            (*at, "step"),
            (
                f"want a whole number of steps from {_nm(ladder.min_nm)} to {_nm(ladder.max_nm)}, "
                f"got steps of {_nm(ladder.step_nm)}"
            ),
        )
    elif steps + 1 > MOST_SHAPES:
        yield (*at, "step"), f"want a ladder of at most {MOST_SHAPES} sizes, got {steps + 1}"


def _square_ladder(recipe: Recipe, path: Path, keys: PillarKeys) -> Iterator[Problem]:
    """A centred square has corners on the grid only if its side is an even number of steps."""
    if keys.vertices != 4:
        return
    grid = _grid(recipe)
    for key, length in (("min", keys.ladder.min_nm), ("step", keys.ladder.step_nm)):
        steps = _whole(length, grid)
        if steps is None or steps % 2:
            yield (
                (*path, "ladder", key),
                (
                    f"want an even number of address-grid steps of {grid:.15g} nm for squares "
                    f"(nearest: {_nearest_even(length, grid)}), got {_nm(length)}"
                ),
            )


# --- lenses, deflectors, pads ---------------------------------------------------------------------


def _lens_fits(recipe: Recipe, path: Path, part: Any) -> Iterator[Problem]:
    aperture = part.aperture_nm
    if aperture > LARGEST_PART_NM:
        yield (*path, "aperture"), (f"want at most {_nm(LARGEST_PART_NM)}, got {_nm(aperture)}")
        return
    outer = aperture + 2 * part.collar_nm
    room = recipe.wafer.diameter_nm - 2 * recipe.wafer.edge_exclusion_nm
    if outer > room > 0:
        yield (
            (*path, "aperture"),
            (
                f"want a lens with its collar of at most {_nm(room)} across (the wafer within its "
                f"edge exclusion), got {_nm(outer)}"
            ),
        )


def _phase(path: Path, part: Any) -> Iterator[Problem]:
    for i, term in enumerate(part.phase):
        at: Path = (*path, "phase", i)
        try:
            yield from _term(at, term)
        except Unsound:
            continue


def _term(at: Path, term: Any) -> Iterator[Problem]:
    if term.kind == "zernike":
        for j in term.coefficients:
            if not 0 <= j <= LARGEST_ZERNIKE:
                yield (
                    (*at, "coefficients", j),
                    (f"want a single index from 0 to {LARGEST_ZERNIKE}, got {j}"),
                )
    elif term.kind in ("tilt", "axicon") and not abs(term.angle_deg) < 90:
        yield (
            (*at, "angle"),
            (f"want an angle between -90 deg and 90 deg, got {term.angle_deg:.15g} deg"),
        )


def _deflector(recipe: Recipe, path: Path, part: Any) -> Iterator[Problem]:
    columns, rows = part.period
    if columns == 0 and rows == 0:
        yield (*path, "period"), "want a lattice vector [columns, rows] other than [0, 0], got it"
    if max(abs(columns), abs(rows)) > 1_000_000:
        yield (*path, "period"), f"want steps of at most 1000000, got [{columns}, {rows}]"
    yield from _square_size(recipe, path, part)


def _pad(recipe: Recipe, path: Path, part: Any) -> Iterator[Problem]:
    if part.kind == "uniform":
        yield from _square_size(recipe, path, part)
    if part.kind == "strips":
        yield from _side(recipe, path, part, "length", part.length_nm)
        yield from _side(recipe, path, part, "width", part.width_nm)


def _square_size(recipe: Recipe, path: Path, part: Any) -> Iterator[Problem]:
    yield from _side(recipe, path, part, "size", part.size_nm)


def _side(recipe: Recipe, path: Path, part: Any, key: str, size: float) -> Iterator[Problem]:
    if size > LARGEST_PART_NM:
        yield (*path, key), f"want at most {_nm(LARGEST_PART_NM)}, got {_nm(size)}"
    lattice = _lattice(recipe, path, part)[1]
    if lattice is not None and size < lattice.pitch_nm:
        yield (
            (*path, key),
            (f"want at least one pitch ({_nm(lattice.pitch_nm)}), got {_nm(size)}"),
        )


# --- dies -----------------------------------------------------------------------------------------

_PLACED = ("lens", "deflector", "pad", "label", "cell")
SECTIONS = {"lens": "lenses", "deflector": "deflectors", "pad": "pads", "cell": "cells"}


def _dies(problems: list[Problem], recipe: Recipe, data: Mapping[str | int, Any]) -> None:
    try:
        dies = recipe.dies
    except Unsound:
        return
    for name, items in dies.items():
        for i, item in enumerate(items):
            at: Path = ("dies", name, i)
            for key in SECTIONS:
                _run(problems, _reference(at, item, key, data))
            _run(problems, _one_thing(at, item))
            _run(problems, _label_height(at, item))
            _run(problems, _split(at, item))


def _reference(at: Path, item: Any, key: str, data: Mapping[str | int, Any]) -> Iterator[Problem]:
    name = getattr(item, key)
    known = {known for _, known in _section_names(data, SECTIONS[key])}
    if name is not None and name not in known:
        yield (*at, key), _unknown(name, known, key)


def _given(item: Any) -> list[str]:
    return [key for key in _PLACED if key in item.model_fields_set]


def _one_thing(at: Path, item: Any) -> Iterator[Problem]:
    given = [key for key in _given(item) if getattr(item, key) is not None]
    if len(given) != 1:
        came = " and ".join(given) if given else "none"
        yield at, f"want exactly one of {', '.join(_PLACED)}, got {came}"


def _label_height(at: Path, item: Any) -> Iterator[Problem]:
    given = _given(item)
    if item.height_nm is not None and given and "label" not in given:
        yield (*at, "height"), f"want a height with a label only, got it with a {given[0]}"
    if item.height_nm is None and "label" in given:
        yield (*at, "height"), "want the height of the label such as '60 um', got nothing"


def _split(at: Path, item: Any) -> Iterator[Problem]:
    given = _given(item)
    if len(given) != 1:
        return
    for key, name, allowed in (
        ("bias", "bias_nm", ("lens", "deflector", "pad")),
        ("dose", "dose", ("lens", "deflector", "pad", "label")),
    ):
        if name in item.model_fields_set and given[0] not in allowed:
            words = f"{', '.join(allowed[:-1])} or {allowed[-1]}"
            yield (*at, key), f"want a {key} with a {words} only, got it with a {given[0]}"


# --- the wafer ------------------------------------------------------------------------------------


def _wafer(problems: list[Problem], recipe: Recipe, data: Mapping[str | int, Any]) -> None:
    dies = data.get("dies")
    names = list(dies) if isinstance(dies, dict) else []
    known = {str(name) for name in names}
    # names that are no names have been told; what refers to them is then no second fault
    if names and all(isinstance(n, str) and re.fullmatch(NAME_PATTERN, n) for n in names):
        _run(problems, _fill(recipe, known))
        _run(problems, _instead_dies(recipe, known))
        _run(problems, _witness_dies(recipe, known))
    for check in (
        _instead_sites(recipe),
        _wafer_size(recipe),
        _die_pitch(recipe),
        _street(recipe),
        _zones(recipe),
        _marks(recipe),
        _second_layers(recipe),
    ):
        _run(problems, check)


def _fill(recipe: Recipe, known: set[str]) -> Iterator[Problem]:
    if recipe.wafer.fill not in known:
        yield ("wafer", "fill"), _unknown(recipe.wafer.fill, known, "die")


def _instead_dies(recipe: Recipe, known: set[str]) -> Iterator[Problem]:
    for i, instead in enumerate(recipe.wafer.instead):
        try:
            name = instead.die
        except Unsound:
            continue
        if name not in known:
            yield ("wafer", "instead", i, "die"), _unknown(name, known, "die")


def _witness_dies(recipe: Recipe, known: set[str]) -> Iterator[Problem]:
    witness = recipe.wafer.witness
    for k, name in enumerate(witness.dies if witness is not None else ()):
        if name not in known:
            yield ("wafer", "witness", "dies", k), _unknown(name, known, "die")


def _instead_sites(recipe: Recipe) -> Iterator[Problem]:
    first: dict[tuple[int, int], Path] = {}
    for i, instead in enumerate(recipe.wafer.instead):
        try:
            sites = instead.sites
        except Unsound:
            continue
        for k, site in enumerate(sites):
            path: Path = ("wafer", "instead", i, "sites", k)
            if site in first:
                held = path_text(first[site])
                yield path, f"want a site of its own, got {list(site)}, which is that of {held}"
            first.setdefault(site, path)
            if max(abs(site[0]), abs(site[1])) > MOST_DIES:
                yield path, f"want a site within {MOST_DIES}, got {list(site)}"


def _wafer_size(recipe: Recipe) -> Iterator[Problem]:
    diameter = recipe.wafer.diameter_nm
    if diameter > LARGEST_PART_NM:
        yield ("wafer", "diameter"), f"want at most {_nm(LARGEST_PART_NM)}, got {_nm(diameter)}"
    edge = recipe.wafer.edge_exclusion_nm
    if edge >= diameter / 2:
        yield (
            ("wafer", "edge_exclusion"),
            (f"want less than the wafer's radius ({_nm(diameter / 2)}), got {_nm(edge)}"),
        )


def _die_pitch(recipe: Recipe) -> Iterator[Problem]:
    x, y = recipe.wafer.die_pitch_nm
    diameter = recipe.wafer.diameter_nm
    count = (diameter / x + 1) * (diameter / y + 1)
    if count > MOST_DIES:
        yield (
            ("wafer", "die_pitch"),
            (
                f"want a pitch of at most {MOST_DIES} dies on the wafer, got [{_nm(x)}, {_nm(y)}], "
                f"which makes about {count:.3g}"
            ),
        )


def _street(recipe: Recipe) -> Iterator[Problem]:
    street = recipe.wafer.street_nm
    pitch = min(recipe.wafer.die_pitch_nm)
    if street >= pitch:
        yield ("wafer", "street"), f"want less than the die pitch ({_nm(pitch)}), got {_nm(street)}"


def _zones(recipe: Recipe) -> Iterator[Problem]:
    seen: dict[float, int] = {}
    for i, zone in enumerate(recipe.wafer.zones):
        try:
            outer = zone.outer_nm
        except Unsound:
            continue
        if outer in seen:
            yield (
                ("wafer", "zones", i, "outer"),
                (
                    f"want a radius of its own, got {_nm(outer)}, which is that of "
                    f"wafer.zones[{seen[outer]}]"
                ),
            )
        seen.setdefault(outer, i)


def _marks(recipe: Recipe) -> Iterator[Problem]:
    for i, mark in enumerate(recipe.wafer.marks):
        try:
            yield from _mark(("wafer", "marks", i), mark)
        except Unsound:
            continue


def second_layer(mark: Any) -> tuple[int, int] | None:
    """Layer and datatype that a mark of the recipe gives to a later step, if it does."""
    text = getattr(mark, "second_layer", None)
    return None if text is None else parse_layer(text)


def _second_layers(recipe: Recipe) -> Iterator[Problem]:
    held = {pair: role for role, pair in layer_plan(recipe).items()}
    for i, text in _second_layer_texts(recipe):
        path: Path = ("wafer", "marks", i, "second_layer")
        pair = parse_layer(text)
        if pair is None:
            yield path, _layer_wanted(text)
        elif pair in held:
            yield (
                path,
                f"want a layer/datatype of its own, got {pair[0]}/{pair[1]}, which is that of {held[pair]}",
            )


def _second_layer_texts(recipe: Recipe) -> list[tuple[int, str]]:
    """Index and text of every layer of a later step, of the marks that are sound."""
    found = []
    try:
        for i, mark in enumerate(recipe.wafer.marks):
            try:
                text = getattr(mark, "second_layer", None)
            except Unsound:
                continue
            if text is not None:
                found.append((i, text))
    except Unsound:  # the marks are told by themselves
        return []
    return found


def _mark(at: Path, mark: Any) -> Iterator[Problem]:
    if mark.kind == "cross" and mark.width_nm > 2 * mark.arm_nm:
        yield (
            (*at, "width"),
            (f"want at most twice the arm ({_nm(2 * mark.arm_nm)}), got {_nm(mark.width_nm)}"),
        )
    if mark.kind == "box" and mark.width_nm > mark.outer_nm / 2:
        yield (
            (*at, "width"),
            (
                f"want at most half the outer side ({_nm(mark.outer_nm / 2)}), got {_nm(mark.width_nm)}"
            ),
        )
    if mark.kind in ("vernier", "stitch") and mark.pitches_nm[0] == mark.pitches_nm[1]:
        yield (*at, "pitches"), f"want two different pitches, got {_nm(mark.pitches_nm[0])} twice"
    for k, point in enumerate(mark.at_nm):
        if point in mark.at_nm[:k]:
            shown = f"[{_nm(point[0])}, {_nm(point[1])}]"
            yield (*at, "at", k), f"want each place once, got {shown} again"


# --- with the tables ------------------------------------------------------------------------------


def check_tables(recipe: Recipe, tables: Tables, told: Collection[Path] = ()) -> list[Problem]:
    """What shows only once libraries and sampled phases have been read.

    `told` are the paths with problems of their own: a pitch that is off the grid is not held
    against the library as well.
    """
    problems: list[Problem] = []
    for path, part in _parts(recipe):
        if path[0] == "pads":  # pads take sizes as given and look up no phase
            continue
        _run(problems, _library_shape(recipe, path, part, tables))
        _run(problems, _library_lattice(recipe, path, part, tables, told))
        _run(problems, _library_wavelength(recipe, path, part, tables))
        _run(problems, _library_range(recipe, path, part, tables))
        if path[0] == "lenses":
            _run(problems, _sampled(path, part, tables))
    return problems


def _library(
    recipe: Recipe, path: Path, part: Part, tables: Tables
) -> tuple[Path, PillarKeys, LibraryTable]:
    where, keys = _pillars(recipe, path, part)
    if keys is None or keys.library not in tables.libraries:
        raise Unsound("library")  # already told
    return (*where, "library"), keys, tables.libraries[keys.library]


def _library_shape(recipe: Recipe, path: Path, part: Part, tables: Tables) -> Iterator[Problem]:
    at, keys, library = _library(recipe, path, part, tables)
    if library.squares != (keys.vertices == 4):
        wanted = "side_nm for squares" if keys.vertices == 4 else "diameter_nm for discs"
        came = "side_nm" if library.squares else "diameter_nm"
        yield at, f"want a library with the column {wanted}, got {came}"


def _whose(path: Path, part: Part) -> str:
    """' of lenses[0]' where the part has a lattice of its own; else it is the recipe's."""
    return f" of {path_text(path)}" if part.lattice is not None else ""


def _library_lattice(
    recipe: Recipe, path: Path, part: Part, tables: Tables, told: Collection[Path]
) -> Iterator[Problem]:
    at, _, library = _library(recipe, path, part, tables)
    stated = library.stated
    where, lattice = _lattice(recipe, path, part)
    if lattice is None or (*where, "pitch") in told:
        return
    whose = _whose(path, part)
    if stated.kind is not None and stated.kind != lattice.kind:
        yield (
            at,
            (
                f"want a library for the {lattice.kind} lattice{whose}, got one for a "
                f"{stated.kind} lattice"
            ),
        )
    if stated.pitch_nm is not None and abs(stated.pitch_nm - lattice.pitch_nm) > 1e-6:
        yield (
            at,
            (
                f"want a library for the pitch{whose}, {lattice.pitch_nm:.15g} nm, got one for "
                f"{stated.pitch_nm:.15g} nm"
            ),
        )


def _library_wavelength(recipe: Recipe, path: Path, part: Any, tables: Tables) -> Iterator[Problem]:
    at, _, library = _library(recipe, path, part, tables)
    wanted = part.wavelength_nm
    held = library.wavelengths_nm
    if held and not any(abs(w - wanted) <= 1e-6 for w in held):
        came = ", ".join(f"{w:.15g} nm" for w in held)
        yield (
            at,
            (
                f"want a library for the wavelength of {path_text(path)}, {wanted:.15g} nm, "
                f"got one for {came}"
            ),
        )


def candidate_limits(
    recipe: Recipe, lattice: LatticeKeys, keys: PillarKeys
) -> tuple[float, float] | None:
    """Smallest and largest target size (side of a square) that the limits allow, or None.

    They are whole multiples of the ladder step within `diameter` on the master, with the least
    gap and the aspect ratio kept on the master and after every replication step. The gap is that
    between neighbours along a row, the nearest ones of both lattices.
    """
    to_size = SQUARE_SIDE if keys.vertices == 4 else 1.0
    bias = 0.0
    after = [0.0]  # master, then each stage, against the master
    for step in recipe.replication.steps:
        bias += step.bias_nm * to_size
        after.append(bias)
    low, high = keys.diameter.min_nm, keys.diameter.max_nm
    if keys.min_gap_nm is not None:
        high = min(high, lattice.pitch_nm - keys.min_gap_nm - max(after))
    if keys.max_aspect_ratio is not None and keys.height_nm is not None:
        low = max(low, keys.height_nm / keys.max_aspect_ratio - min(after))
    step_nm = keys.ladder.step_nm
    first = math.ceil((low + bias) / step_nm - 1e-9)
    last = math.floor((high + bias) / step_nm + 1e-9)
    return (first * step_nm, last * step_nm) if first <= last else None


def _library_range(recipe: Recipe, path: Path, part: Part, tables: Tables) -> Iterator[Problem]:
    at, keys, library = _library(recipe, path, part, tables)
    lattice = _lattice(recipe, path, part)[1]
    if lattice is None or keys.diameter.min_nm > keys.diameter.max_nm:
        return
    if library.squares != (keys.vertices == 4):
        return
    limits = candidate_limits(recipe, lattice, keys)
    if limits is None:
        yield (
            (*at[:-1], "diameter"),
            (
                f"want room for at least one size of {path_text(path)} within diameter, min_gap and "
                f"max_aspect_ratio, got none"
            ),
        )
        return
    try:
        rows = library.at_wavelength(part.wavelength_nm)  # type: ignore[union-attr]
    except ValueError:
        return  # already told
    low, high = float(rows.size_nm[0]), float(rows.size_nm[-1])
    if limits[0] < low - 1e-9 or limits[1] > high + 1e-9:
        what = "sides" if library.squares else "diameters"
        yield (
            at,
            (
                f"want a library over the target {what}{_whose(path, part)}, {limits[0]:.12g} nm to "
                f"{limits[1]:.12g} nm, got {low:.12g} nm to {high:.12g} nm"
            ),
        )


def _sampled(path: Path, part: Any, tables: Tables) -> Iterator[Problem]:
    half = part.aperture_nm / 2 + part.collar_nm
    for i, term in enumerate(part.phase):
        if term.kind != "sampled" or term.file not in tables.sampled:
            continue
        rows, cols = tables.sampled[term.file].phase_rad.shape
        for axis, count, shift in (("x", cols, term.centre_nm[0]), ("y", rows, term.centre_nm[1])):
            reach = (count - 1) / 2 * term.pitch_nm
            need = half + abs(shift)
            if reach < need * (1 - 1e-12):
                yield (
                    (*path, "phase", i, "file"),
                    (
                        f"want samples over aperture and collar, {_nm(need)} from the middle along "
                        f"{axis}, got {_nm(reach)}"
                    ),
                )
