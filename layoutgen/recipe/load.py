"""From a recipe's file to a checked `LoadedRecipe`: all problems at once, every input read once.

The bytes of each input are kept beside what was parsed from them, so a table that changes while
a build runs cannot make the job disagree with itself, and the job folder holds exact copies.

Paths in a recipe are relative to the recipe. Beside a manifest (in a job folder) they are looked
up in its `inputs`, {path as the recipe writes it: {file, sha256}}, and the copy must have that hash.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from layoutgen.errors import InputError
from layoutgen.recipe import checks
from layoutgen.recipe.document import Document, parse_document
from layoutgen.recipe.document import Path as KeyPath
from layoutgen.recipe.explain import Unsound, explain, sound_parts
from layoutgen.recipe.model import Recipe
from layoutgen.recipe.tables import (
    BiasTableData,
    LibraryTable,
    SampledPhaseData,
    read_bias,
    read_library,
    read_sampled,
)
from layoutgen.units import plain

__all__ = ["InputFile", "LoadedRecipe", "load_recipe", "read_input"]

LARGEST_INPUT = 1_000_000_000  # bytes; every input is held in memory once
MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class InputFile:
    """One input as it was read: where from, its SHA-256 in hexadecimal, and its bytes."""

    file: Path
    sha256: str
    data: bytes = field(repr=False)


@dataclass(frozen=True, eq=False)
class LoadedRecipe:
    """A recipe without problems, and everything that it reads.

    inputs, libraries and sampled go by the path that the recipe writes. `text` is the recipe's
    exact bytes; `layers` is role -> (layer, datatype), defaults filled in.
    """

    recipe: Recipe
    path: Path
    text: bytes = field(repr=False)
    inputs: Mapping[str, InputFile] = field(repr=False)
    libraries: Mapping[str, LibraryTable] = field(repr=False)
    bias_table: BiasTableData | None = field(repr=False)
    sampled: Mapping[str, SampledPhaseData] = field(repr=False)
    layers: Mapping[str, tuple[int, int]]

    @property
    def dose_steps(self) -> dict[float, int]:
        """Relative dose other than 1 -> k; its content goes to datatype + 100 + k."""
        return checks.dose_steps(self.recipe)

    @property
    def address_grid_nm(self) -> float:
        """The writer's grid: the recipe's, else the database unit."""
        grid = self.recipe.exposure.address_grid_nm
        return self.recipe.output.database_unit_nm if grid is None else grid

    def with_lines(self, problems: Sequence[str]) -> list[str]:
        """Problems of a sound recipe, file and line before those that begin with a key path or a part's name."""
        document = parse_document(self.text, self.path.name)
        return [_with_line(document, problem) for problem in problems]


#: How problems begin: with a key path such as dies.lens[0], or with a part such as lens main.
_BY_PATH = re.compile(r"(\w+(?:\.[\w-]+|\[\d+\])+): ")
_BY_PART = re.compile(r"(lens|deflector|pad) ([\w-]+): ")


def _with_line(document: Document, problem: str) -> str:
    path: KeyPath = ()
    if found := _BY_PATH.match(problem):
        steps = re.findall(r"[\w-]+", found[1])
        path = tuple(int(step) if step.isdigit() else step for step in steps)
    elif found := _BY_PART.match(problem):
        section = checks.SECTIONS[found[1]]
        parts: Sequence[Mapping[str, Any]] = document.data.get(section, ())
        numbers = [k for k, part in enumerate(parts) if part.get("name") == found[2]]
        path = (section, *numbers[:1])
    if not path or path[0] not in document.data:
        return problem
    return f"{document.name}:{document.line_of(path)}: {problem}"


def load_recipe(path: str | Path, *, bias_table: bool = True) -> LoadedRecipe:
    """Read a recipe and its tables, and check them.

    Without `bias_table` the one that the recipe names is not read: it may be still to be made. Raises
    InputError with a sentence for each problem, in the order of the file.
    """
    path = Path(path)
    text = read_input(path, str(path), LARGEST_INPUT)
    document = parse_document(text, path.name)
    problems = list(document.problems)
    faulty = set(document.faulty)
    try:
        recipe = Recipe.model_validate(document.data)
    except ValidationError as error:
        for finding in explain(error, document, Recipe):
            if finding.path not in document.faulty:
                problems += [(finding.line, text) for text in finding.sentences]
            faulty.add(finding.path)
    if faulty:
        recipe = sound_parts(document, faulty, Recipe)
    found = checks.check_recipe(recipe, document.data)
    problems += _sentences(document, found)
    files = _Files(path, document)
    files.read(recipe, bias_table)
    problems += files.problems
    tables = checks.Tables(files.libraries, files.sampled)
    problems += _sentences(
        document, checks.check_tables(recipe, tables, {where for where, _ in found})
    )
    if problems or files.table_problems:
        told = list(dict.fromkeys(sentence for _, sentence in sorted(problems)))
        raise InputError([*told, *files.table_problems])
    return LoadedRecipe(
        recipe,
        path,
        text,
        files.inputs,
        files.libraries,
        files.bias_table,
        files.sampled,
        checks.layer_plan(recipe),
    )


def _sentences(
    document: Document, problems: list[tuple[KeyPath, str]]
) -> Iterator[tuple[int, str]]:
    for where, what in problems:
        yield document.sentence(where, what, key=where not in document.value_lines)


def read_input(file: Path, name: str, largest: int) -> bytes:
    """The bytes of a regular file, or one sentence about why not."""
    try:
        if file.is_dir():
            raise InputError(f"{name}: want a file, got a folder")
        if not file.exists():
            raise InputError(f"{name}: want a file that exists, got none there")
        if not file.is_file():
            raise InputError(f"{name}: want a regular file, got something else")
        size = file.stat().st_size
        if size > largest:
            raise InputError(f"{name}: want at most {largest} bytes, got {size}")
        return file.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{name}: want a file that can be read, got '{reason}'") from None


class _Files:
    """Reads what the recipe names, each file once."""

    def __init__(self, path: Path, document: Document) -> None:
        self.folder = path.parent
        self.document = document
        self.inputs: dict[str, InputFile] = {}
        self.libraries: dict[str, LibraryTable] = {}
        self.sampled: dict[str, SampledPhaseData] = {}
        self.bias_table: BiasTableData | None = None
        self.problems: list[tuple[int, str]] = []
        self.table_problems: list[str] = []
        self._bytes: dict[Path, bytes] = {}
        self._failed: set[str] = set()
        self._manifest = self._manifest_inputs()

    def read(self, recipe: Recipe, bias_table: bool) -> None:
        for where, kind, name in _named_files(recipe):
            if kind == "bias" and not bias_table:
                continue
            found = self._input(where, name)
            if found is None:
                continue
            try:
                self._parse(where, kind, name, found.data)
            except InputError as error:
                fresh = (told for told in error.problems if told not in self.table_problems)
                self.table_problems.extend(fresh)

    def _parse(self, where: KeyPath, kind: str, name: str, data: bytes) -> None:
        if kind == "library" and name not in self.libraries:
            self.libraries[name] = read_library(data, name)
        elif kind == "bias":
            self.bias_table = read_bias(data, name)
        elif kind == "sampled" and name not in self.sampled:
            self.sampled[name] = read_sampled(data, name, Path(name).suffix)
        elif kind == "cell" and not data.startswith((b"%SEMI-OASIS\r\n", b"\x00\x06\x00\x02")):
            self._problem(where, "want a GDSII or OASIS file, got one that starts otherwise")

    def _problem(self, where: KeyPath, what: str) -> None:
        self.problems.append(self.document.sentence(where, what))

    def _input(self, where: KeyPath, name: str) -> InputFile | None:
        """The input behind a path as the recipe writes it; None, and told, where it fails."""
        if name in self.inputs:
            return self.inputs[name]
        if name in self._failed:
            return None
        entry = self._manifest.get(name)
        try:
            file = self.folder / (name if entry is None else entry[0])
            file = file.resolve()
            if file not in self._bytes:
                self._bytes[file] = read_input(file, name, LARGEST_INPUT)
        except (InputError, OSError, ValueError, RuntimeError) as error:
            self._failed.add(name)
            self._problem(where, str(error).removeprefix(f"{name}: ") + f" ({plain(name)})")
            return None
        data = self._bytes[file]
        sha256 = hashlib.sha256(data).hexdigest()
        if entry is not None and sha256 != entry[1]:
            self._failed.add(name)
            self._problem(
                where,
                f"want {entry[0]} with the sha256 of {MANIFEST}, {entry[1]}, got {sha256}",
            )
            return None
        self.inputs[name] = InputFile(file, sha256, data)
        return self.inputs[name]

    def _manifest_inputs(self) -> dict[str, tuple[str, str]]:
        """Path as the recipe writes it -> (file in the job folder, sha256); empty without one."""
        file = self.folder / MANIFEST
        if not file.is_file():
            return {}
        try:
            manifest = json.loads(read_input(file, MANIFEST, LARGEST_INPUT))
        except (ValueError, RecursionError):
            self._manifest_problem("want JSON, got something else")
            return {}
        except InputError as error:
            self.problems.extend((0, sentence) for sentence in error.problems)
            return {}
        inputs = manifest.get("inputs") if isinstance(manifest, dict) else None
        if not isinstance(inputs, dict):
            self._manifest_problem("want a mapping 'inputs', got none")
            return {}
        found: dict[str, tuple[str, str]] = {}
        for name, entry in inputs.items():
            place = _entry(entry)
            if place is None:
                self._manifest_problem(
                    f"inputs.{name}: want {{file: path in the job folder, sha256: 64 hexadecimal "
                    f"digits}}, got {plain(entry)}"
                )
            else:
                found[name] = place
        return found

    def _manifest_problem(self, what: str) -> None:
        self.problems.append((0, f"{MANIFEST}: {what}"))


def _entry(entry: Any) -> tuple[str, str] | None:
    if not isinstance(entry, dict):
        return None
    file, sha256 = entry.get("file"), entry.get("sha256")
    if not isinstance(file, str) or not isinstance(sha256, str) or len(sha256) != 64:
        return None
    place = Path(file)
    if place.is_absolute() or ".." in place.parts or not file:
        return None  # a job folder refers to nothing outside itself
    return file, sha256.lower()


def _named_files(recipe: Recipe) -> Iterator[tuple[KeyPath, str, str]]:
    """(path of the key, kind, file name as written) for every input whose key is sound."""
    yield from _sound(_pillar_files(("pillars",), recipe))
    for section in ("lenses", "deflectors", "pads"):
        try:
            parts = getattr(recipe, section)
        except Unsound:
            continue
        for i, part in enumerate(parts):
            at: KeyPath = (section, i)
            yield from _sound(_pillar_files((*at, "pillars"), part))
            if section == "lenses":
                yield from _sound(_sampled_files(at, part))
    yield from _sound(_bias_file(recipe))
    try:
        cells = recipe.cells
    except Unsound:
        return
    for i, cell in enumerate(cells):
        yield from _sound(iter([(("cells", i, "file"), "cell", cell)]), "file")


def _sound(
    files: Iterator[tuple[KeyPath, str, Any]], attribute: str | None = None
) -> Iterator[tuple[KeyPath, str, str]]:
    """The files up to the first key that is not sound."""
    try:
        for where, kind, name in files:
            yield where, kind, getattr(name, attribute) if attribute else name
    except Unsound:
        pass


def _pillar_files(at: KeyPath, holder: Any) -> Iterator[tuple[KeyPath, str, Any]]:
    if holder.pillars is not None:
        yield (*at, "library"), "library", holder.pillars.library


def _sampled_files(at: KeyPath, lens: Any) -> Iterator[tuple[KeyPath, str, Any]]:
    for i, term in enumerate(lens.phase):
        yield from _sound(_sampled_file((*at, "phase", i), term))


def _sampled_file(at: KeyPath, term: Any) -> Iterator[tuple[KeyPath, str, Any]]:
    if term.kind == "sampled":
        yield (*at, "file"), "sampled", term.file


def _bias_file(recipe: Recipe) -> Iterator[tuple[KeyPath, str, Any]]:
    if recipe.exposure.bias_table is not None:
        yield ("exposure", "bias_table"), "bias", recipe.exposure.bias_table
