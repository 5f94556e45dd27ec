"""YAML text to plain data that remembers its lines.

A recipe is a small part of YAML 1.1: mappings, sequences, and plain or quoted scalars. Anchors,
aliases and tags are refused (a few lines of them expand to gigabytes, or run code), so is a key
that comes twice (the last would silently win), and so are the numbers that YAML 1.1 reads in
other bases (010 as 8, 1:30 as 90). Every key and value keeps the line that it came from.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from layoutgen.errors import InputError
from layoutgen.units import plain

__all__ = ["Document", "Path", "parse_document", "path_text"]

Path = tuple[str | int, ...]

LARGEST_RECIPE = 5_000_000  # bytes; a recipe is a few thousand
DEEPEST = 50  # levels; a recipe has eight
MOST_PROBLEMS = 50  # of the text itself

_DECIMAL_INT = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})")
_DECIMAL_FLOAT = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?")
_TAG = "tag:yaml.org,2002:"


@dataclass
class Document:
    """Plain data, and where each piece of it stands.

    key_lines and value_lines go from a path such as ("lenses", 0, "aperture") to a line; sources
    from a path to the text of a scalar that YAML read as something else than text.
    """

    name: str
    data: dict[str | int, Any] = field(default_factory=dict)
    key_lines: dict[Path, int] = field(default_factory=dict)
    value_lines: dict[Path, int] = field(default_factory=dict)
    sources: dict[Path, str] = field(default_factory=dict)
    problems: list[tuple[int, str]] = field(default_factory=list)
    faulty: set[Path] = field(default_factory=set)

    def line_of(self, path: Path, *, key: bool = False) -> int:
        """The line of a value (or of its key), or of the nearest thing that holds it."""
        if key and path in self.key_lines:
            return self.key_lines[path]
        while path and path not in self.value_lines:
            path = path[:-1]
        return self.value_lines.get(path, 1)

    def sentence(self, path: Path, what: str, *, key: bool = False) -> tuple[int, str]:
        """(line, 'file:line: key.path: what') for sorting and showing."""
        line = self.line_of(path, key=key)
        where = f"{path_text(path)}: " if path else ""
        return line, f"{self.name}:{line}: {where}{what}"

    def shown(self, path: Path, value: object) -> str:
        """What came, in words; says so where YAML's reading of it may surprise."""
        source = self.sources.get(path)
        if isinstance(value, bool) and source is not None and source not in ("true", "false"):
            return f"{source} (which YAML reads as {plain(value)}; quote it to mean text)"
        if isinstance(value, (int, float)) and not isinstance(value, bool) and source is not None:
            return source if len(source) <= 60 else source[:57] + "..."
        return plain(value)


def path_text(path: Path) -> str:
    """A path as it is written: lenses[0].aperture."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        elif re.fullmatch(r"[^\s.\[\]:]{1,64}", step):
            text += f".{step}" if text else step
        else:  # a key with spaces or dots in it
            text += f".{plain(step)}" if text else plain(step)
    return text


def parse_document(data: bytes, name: str) -> Document:
    """Read one YAML mapping; every fault is a sentence with file and line.

    Raises InputError where the text cannot be read on. What can be read past (a key that comes
    twice, a number in another base) is left in the document's `problems` and `faulty`, so that
    the checks of the content go on; of repeated keys the first stands.
    """
    if len(data) > LARGEST_RECIPE:
        raise InputError(
            f"{name}:1: want a recipe of at most {LARGEST_RECIPE} bytes, got {len(data)}"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{name}:{line}: want UTF-8 text, got the byte {data[error.start]:02X}"
        ) from None
    document = Document(name)
    try:
        _Builder(document, text).build()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        problem = error.problem or error.context or "something else"
        document.problems.append((line, f"{name}:{line}: want YAML, got text where {problem}"))
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, _position(text, error)) + 1
        document.problems.append(
            (line, f"{name}:{line}: want printable text, got the character {error.character!r}")
        )
    else:
        return document
    raise InputError([sentence for _, sentence in sorted(document.problems)])


def _position(text: str, error: yaml.reader.ReaderError) -> int:
    character = error.character
    found = text.find(chr(character) if isinstance(character, int) else str(character))
    return max(0, found)


class _Builder:
    """Walks the parser's events once; no recursion deeper than DEEPEST."""

    def __init__(self, document: Document, text: str) -> None:
        self.document = document
        # The C parser where PyYAML has it (ten times faster); the same events from either.
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        self.loader: Any = loader(text)
        self.constructor: Any = yaml.SafeLoader("")

    def build(self) -> None:
        try:
            self._stream()
        finally:
            self.loader.dispose()

    def _stream(self) -> None:
        document = self.document
        self._next()  # the stream's start
        event = self._next()
        if isinstance(event, yaml.StreamEndEvent):
            self._stop(1, (), "want a mapping of keys, got an empty file")
        event = self._next()
        value = self._value(event, (), 1)
        if not isinstance(value, dict):
            self._stop(_line(event), (), f"want a mapping of keys, got {plain(value)}")
        document.data = value
        self._next()  # the document's end
        event = self._next()
        if not isinstance(event, yaml.StreamEndEvent):
            self._stop(_line(event), (), "want one document, got a second after '---'")

    def _next(self) -> Any:
        return self.loader.get_event()

    def _problem(self, line: int, path: Path, what: str) -> None:
        document = self.document
        where = f"{path_text(path)}: " if path else ""
        document.problems.append((line, f"{document.name}:{line}: {where}{what}"))
        if len(document.problems) >= MOST_PROBLEMS:
            self._raise()

    def _stop(self, line: int, path: Path, what: str) -> None:
        """Note a problem after which nothing further can be read."""
        self._problem(line, path, what)
        self._raise()

    def _raise(self) -> None:
        raise InputError([sentence for _, sentence in sorted(self.document.problems)])

    def _value(self, event: Any, path: Path, depth: int) -> Any:
        line = _line(event)
        self.document.value_lines[path] = line
        if isinstance(event, yaml.AliasEvent):
            self._stop(line, path, f"want the value written out, got the alias *{event.anchor}")
        if event.anchor is not None:
            self._problem(line, path, f"want a value without an anchor, got &{event.anchor}")
        if event.tag is not None and event.tag not in (
            "!", f"{_TAG}str", f"{_TAG}seq", f"{_TAG}map"
        ):  # fmt: skip
            shown = event.tag.replace(_TAG, "!!")
            self._problem(line, path, f"want a value without a tag, got {shown}")
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, path, line)
        if depth > DEEPEST:
            self._stop(line, path[:3], f"want at most {DEEPEST} levels, got more")
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path, depth)
        return self._mapping(path, depth)

    def _sequence(self, path: Path, depth: int) -> tuple[Any, ...]:
        items: list[Any] = []
        while not isinstance(event := self._next(), yaml.SequenceEndEvent):
            items.append(self._value(event, (*path, len(items)), depth + 1))
        return tuple(items)

    def _mapping(self, path: Path, depth: int) -> dict[str | int, Any]:
        found: dict[str | int, Any] = {}
        while not isinstance(event := self._next(), yaml.MappingEndEvent):
            line = _line(event)
            if not isinstance(event, yaml.ScalarEvent) or event.anchor or event.tag:
                self._stop(line, path, "want a plain word as key, got something else")
            key = self._key(event)
            where = (*path, key)
            if key in found:
                first = self.document.key_lines[where]
                self._problem(
                    line, where, f"want the key once (first on line {first}), got it again"
                )
                self._skip(where, depth)
            else:
                self.document.key_lines[where] = line
                found[key] = self._value(self._next(), where, depth + 1)
        return found

    def _skip(self, path: Path, depth: int) -> None:
        """Read past a second value of a key without losing the lines of the first."""
        document = self.document
        kept = document.key_lines, document.value_lines, document.sources
        document.key_lines, document.value_lines, document.sources = {}, {}, {}
        self._value(self._next(), path, depth + 1)
        document.key_lines, document.value_lines, document.sources = kept

    def _key(self, event: Any) -> str | int:
        """Keys are text as written (`on` is no truth here), or whole numbers (Zernike indices)."""
        value: str = event.value
        if event.implicit[0] and _DECIMAL_INT.fullmatch(value):
            return int(value)
        return value

    def _scalar(self, event: Any, path: Path, line: int) -> Any:
        text: str = event.value
        if not event.implicit[0] or event.tag is not None:  # quoted, or tagged as text
            return text
        tag = self.constructor.resolve(yaml.ScalarNode, text, event.implicit).replace(_TAG, "")
        if tag == "null":
            return None
        if tag == "bool":
            self.document.sources[path] = text
            return bool(self.constructor.bool_values[text.lower()])
        if tag in ("int", "float"):
            self.document.sources[path] = text
            pattern = _DECIMAL_INT if tag == "int" else _DECIMAL_FLOAT
            if tag == "float" and text.lower().lstrip("+-") in (".inf", ".nan"):
                return math.nan  # refused where a number is wanted
            if not pattern.fullmatch(text):
                self._problem(line, path, f"want a plain decimal number, got {plain(text)[1:-1]}")
                self.document.faulty.add(path)
                return None
            return int(text) if tag == "int" else float(text)
        return text  # dates, merge marks and the like are text here


def _line(event: Any) -> int:
    return int(event.start_mark.line) + 1
