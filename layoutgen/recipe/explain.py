"""What is wrong with a recipe, in plain sentences, and what of it is still sound.

The models check each key; here their findings become `file:line: key.path: want ..., got ...`.
Where a recipe has faults, `sound_parts` keeps everything else, so that the checks across keys
can go on and all problems come at once. Touching a faulty key raises `Unsound`, and a check that
needs it is left out.
"""

from __future__ import annotations

import contextlib
import difflib
import types
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError

from layoutgen.recipe.document import Document, Path
from layoutgen.recipe.model import NAME_PATTERN, Wants

__all__ = ["Finding", "Unsound", "explain", "sound_parts"]

_Node = tuple[Any, tuple[Any, ...]]  # a type, and what its annotations say
_Root = TypeVar("_Root", bound=BaseModel)


class Unsound(Exception):
    """A key that did not pass its own check was asked for."""


def _origin(annotation: Any) -> Any:
    """typing.get_origin, whose stub does not know every special form."""
    return get_origin(annotation)


# --- walking the models ---------------------------------------------------------------------------


def _node(annotation: Any, metadata: Iterable[Any] = ()) -> _Node:
    """Take Annotated and `| None` off a type."""
    notes = list(metadata)
    while True:
        if _origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            for note in more:  # a Field() in an alias keeps its bounds in its own metadata
                notes.extend([note, *getattr(note, "metadata", ())])
        elif _origin(annotation) in (Union, types.UnionType):
            rest = [arg for arg in get_args(annotation) if arg is not type(None)]
            if len(rest) != 1:
                return annotation, tuple(notes)
            annotation = rest[0]
        else:
            return annotation, tuple(notes)


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _variants(annotation: Any) -> dict[str, type[BaseModel]]:
    """kind -> model, of a union of models; empty for anything else."""
    found: dict[str, type[BaseModel]] = {}
    if _origin(annotation) in (Union, types.UnionType):
        for arg in get_args(annotation):
            model = _node(arg)[0]
            if _is_model(model) and "kind" in model.model_fields:
                found[get_args(model.model_fields["kind"].annotation)[0]] = model
    return found


def _alias_fields(model: type[BaseModel]) -> dict[str, str]:
    """Key in the recipe -> attribute of the model."""
    return {info.alias or name: name for name, info in model.model_fields.items()}


def _child(node: _Node, key: str | int, raw: Any) -> _Node | None:
    """The type of what stands under `key` in `raw`, itself of the type `node`."""
    annotation, _ = node
    variants = _variants(annotation)
    if variants and isinstance(raw, dict):
        kind = raw.get("kind")
        if not isinstance(kind, str) or kind not in variants:
            return None
        annotation = variants[kind]
    elif _origin(annotation) in (Union, types.UnionType):  # a label's text
        models = [m for m in (_node(arg)[0] for arg in get_args(annotation)) if _is_model(m)]
        annotation = models[0] if models else annotation
    if _is_model(annotation):
        name = _alias_fields(annotation).get(str(key))
        if name is None:
            return None
        info = annotation.model_fields[name]
        return _node(info.annotation, info.metadata)
    args = get_args(annotation)
    if _origin(annotation) is tuple and isinstance(key, int):
        item = args[0] if len(args) == 2 and args[1] is Ellipsis else args[min(key, len(args) - 1)]
        return _node(item)
    if _origin(annotation) is dict:
        return _node(args[1])
    return None


def _at(data: Any, path: Path, root: type[BaseModel]) -> tuple[_Node | None, Any]:
    """The type and the raw value at a path; either may be None where the path leads nowhere."""
    node: _Node | None = _node(root)
    raw = data
    for key in path:
        node = _child(node, key, raw) if node is not None else None
        try:
            raw = raw[key]
        except (KeyError, IndexError, TypeError):
            raw = None
    return node, raw


# --- words ------------------------------------------------------------------------------------------


def _either(words: Iterable[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} or {last}" if first else last


def _wanted(node: _Node | None, *, bounds: bool = False) -> str:
    """What a key wants. With `bounds`, the limits of a quantity stand in place of its example."""
    if node is None:
        return "something else"
    annotation, notes = node
    limits = {
        name: getattr(note, name)
        for note in notes
        for name in ("gt", "ge", "lt", "le")
        if getattr(note, name, None) is not None
    }
    words = next((note for note in notes if isinstance(note, Wants)), None)
    if words is not None:
        if _origin(annotation) in (Union, types.UnionType):
            return words.words
        return (
            words.words + _limits(limits) if bounds else f"{words.words} such as '{words.example}'"
        )
    if _origin(annotation) is Literal:
        return _either(get_args(annotation))
    if annotation is int:
        return "a whole number" + _limits(limits)
    if annotation is float:
        return "a number" + _limits(limits)
    if annotation is str:
        return _wanted_text(notes)
    if _variants(annotation):
        return f"a mapping whose kind is {_either(_variants(annotation))}"
    if _is_model(annotation):
        return f"a mapping with the keys {', '.join(_alias_fields(annotation))}"
    args = get_args(annotation)
    if _origin(annotation) is tuple:
        if args[-1] is Ellipsis:
            filled = any(getattr(note, "min_length", 0) for note in notes)
            return "a list of at least one entry" if filled else "a list"
        inner = _wanted(_node(args[0]))
        return f"a list of {len(args)} entries, each {inner}"
    if _origin(annotation) is dict:
        return "a mapping"
    return "something else"


def _wanted_text(notes: Iterable[Any]) -> str:
    merged = {}
    for note in notes:
        for name in ("pattern", "max_length"):
            if getattr(note, name, None) is not None:
                merged[name] = getattr(note, name)
    if merged.get("pattern") == NAME_PATTERN:
        return f"1 to {merged['max_length']} letters, digits or -"
    if "pattern" in merged:
        return f"1 to {merged['max_length']} printable ASCII characters"
    return "text"


def _limits(limits: dict[str, float]) -> str:
    shown = {name: f"{value:.15g}" for name, value in limits.items()}
    if "ge" in shown and "le" in shown:
        return f" from {shown['ge']} to {shown['le']}"
    if "gt" in shown and "lt" in shown:
        return f" between {shown['gt']} and {shown['lt']}"
    if "gt" in shown and "le" in shown:
        return f" above {shown['gt']}, at most {shown['le']}"
    if "gt" in shown:
        return f" above {shown['gt']}"
    if "ge" in shown:
        return f" of at least {shown['ge']}"
    return ""


def _unknown_key(key: str | int, model: type[BaseModel]) -> str:
    known = list(_alias_fields(model))
    near = difflib.get_close_matches(str(key), known, 1, 0.6)
    if near:
        return f"want a known key (nearest: {near[0]}), got {key!r}"
    return f"want one of the keys {', '.join(known)}, got {key!r}"


# --- findings to sentences --------------------------------------------------------------------------


def _path(loc: Iterable[str | int], data: Any) -> tuple[Path, bool]:
    """A finding's place as a path in the file, and whether it is about the key itself."""
    path: list[str | int] = []
    raw = data
    steps = list(loc)
    for at, step in enumerate(steps):
        last = at == len(steps) - 1
        if step == "[key]":
            return tuple(path), True
        # the kind that chose a variant stands in the place, but not in the file
        if isinstance(raw, dict) and not last and raw.get("kind") == step:
            continue
        inside_label = bool(path) and path[-1] == "label" and step in ("die", "text")
        if inside_label and not (isinstance(raw, dict) and last):
            continue
        path.append(step)
        try:
            raw = raw[step]
        except (KeyError, IndexError, TypeError):
            raw = None
    return tuple(path), False


@dataclass(frozen=True, slots=True)
class Finding:
    """A faulty piece of the recipe: its path, its line, and what to say (nothing if said already)."""

    path: Path
    line: int
    sentences: tuple[str, ...]


def explain(error: ValidationError, document: Document, root: type[BaseModel]) -> list[Finding]:
    """What the models found, one sentence per fault; `root` is the model of the whole file."""
    data = document.data
    items = error.errors(include_url=False)
    slips = _slips(items, data)
    found: list[Finding] = []
    for item in items:
        path, about_key = _path(item["loc"], data)
        kind = item["type"]
        node, raw = _at(data, path, root)
        if kind == "too_short" and raw:
            continue  # counted without the entries that have faults of their own
        strange = kind in ("extra_forbidden", "invalid_key")  # the latter: a number for a key
        key = about_key or strange
        if about_key:
            what = _about_key(path, data, root)
        elif strange:
            model = _model_of(*_at(data, path[:-1], root))
            what = _unknown_key(path[-1], model) if model else f"want no key {path[-1]!r}"
        elif kind in ("missing", "too_long") and isinstance(_holder(path, kind, data, root), tuple):
            path = path[:-1] if kind == "missing" else path  # a point with too few entries
            node, raw = _at(data, path, root)
            what = f"want {_wanted(node)}, got {len(raw)}"
        elif kind in ("union_tag_not_found", "union_tag_invalid") and isinstance(raw, dict):
            kinds = _either(_variants(node[0])) if node else "something else"
            path = (*path, "kind")
            what = f"want {kinds}, got {document.shown(path, raw.get('kind'))}"
        else:
            what = _about_value(item, node, raw, path, document)
        line, sentence = document.sentence(path, what, key=key)
        finding = Finding(path, line, () if path in slips else (sentence,))
        if finding not in found:
            found.append(finding)
    return found


def _holder(path: Path, kind: str, data: Any, root: type[BaseModel]) -> Any:
    """The list that has too few entries (its missing one is blamed) or too many."""
    return _at(data, path[:-1] if kind == "missing" else path, root)[1]


def _slips(items: Iterable[Any], data: Any) -> set[Path]:
    """Missing keys that an unknown key beside them was surely meant to be: one fault, told once."""
    places = [(item["type"], _path(item["loc"], data)[0]) for item in items]
    missing = {path for kind, path in places if kind == "missing"}
    slips: set[Path] = set()
    for kind, path in places:
        if kind == "extra_forbidden":
            names = [str(other[-1]) for other in missing if other[:-1] == path[:-1]]
            near = difflib.get_close_matches(str(path[-1]), names, 1, 0.6)
            slips.update((*path[:-1], name) for name in near)
    return slips


def _about_key(path: Path, data: Any, root: type[BaseModel]) -> str:
    if isinstance(path[-1], str) and _wholes_wanted(data, path, root):
        return f"want a whole number as key, got {path[-1]!r}"
    hint = " (quote it to mean text)" if isinstance(path[-1], int) else ""
    return f"want a name of {_wanted_text([_KeyNotes])}, got {path[-1]!r}{hint}"


def _about_value(item: Any, node: _Node | None, raw: Any, path: Path, document: Document) -> str:
    kind = item["type"]
    shown = document.shown(path, raw)
    if kind == "value_error":
        what = str(item["msg"]).removeprefix("Value error, ")
        if path in document.sources:  # the number as it was typed
            what = f"{what.rsplit(', got ', 1)[0]}, got {shown}"
        return what
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return f"want {_wanted(node, bounds=True)}, got {shown}"
    what = f"want {_wanted(node)}, got {shown}"
    if node is not None and node[0] in (int, float) and _is_power(raw):
        what += " (which YAML reads as text: write it out, or as 1.0e+6)"
    return what


class _KeyNotes:
    pattern = NAME_PATTERN
    max_length = 64


def _wholes_wanted(data: Any, path: Path, root: type[BaseModel]) -> bool:
    node, _ = _at(data, path[:-1], root)
    return node is not None and _origin(node[0]) is dict and get_args(node[0])[0] is int


def _model_of(node: _Node | None, raw: Any) -> type[BaseModel] | None:
    """The model that a mapping is read as."""
    if node is None:
        return None
    annotation = node[0]
    if _is_model(annotation):
        return annotation  # type: ignore[no-any-return]
    variants = _variants(annotation)
    if variants and isinstance(raw, dict):
        return variants.get(str(raw.get("kind")))
    if _origin(annotation) in (Union, types.UnionType):
        for arg in get_args(annotation):
            if _is_model(_node(arg)[0]):
                return _node(arg)[0]  # type: ignore[no-any-return]
    return None


def _is_power(raw: Any) -> bool:
    if not isinstance(raw, str):
        return False
    try:
        float(raw)
    except ValueError:
        return False
    return True


# --- what is sound --------------------------------------------------------------------------------


class _Parts:
    """A model of which some keys are faulty: sound keys as attributes, others raise Unsound."""

    def __init__(self, sound: dict[str, Any], given: set[str]) -> None:
        self.__dict__.update(sound)
        self.model_fields_set = given

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        raise Unsound(name)


@cache
def _adapter(model: type[BaseModel], name: str) -> TypeAdapter[Any]:
    info = model.model_fields[name]
    kind: Any = Annotated[(info.annotation, *info.metadata)] if info.metadata else info.annotation
    if info.discriminator is not None:
        kind = Annotated[kind, info]
    return TypeAdapter(kind)


def sound_parts(document: Document, faulty: Iterable[Path], root: type[_Root]) -> _Root:
    """The file without its faulty keys; to be read only where Unsound is caught."""
    bad = set(faulty)
    parts: _Root = _sound(root, document.data, (), bad)
    return parts


def _touched(path: Path, bad: set[Path]) -> bool:
    return any(p[: len(path)] == path for p in bad)


def _sound(model: type[BaseModel], raw: Any, path: Path, bad: set[Path]) -> Any:
    if not isinstance(raw, dict):
        return _Parts({}, set())
    if not _touched(path, bad):
        return model.model_validate(raw)
    sound: dict[str, Any] = {}
    fields = _alias_fields(model)
    for key, name in fields.items():
        info = model.model_fields[name]
        where = (*path, key)
        if where in bad:
            continue
        if key not in raw:
            if not info.is_required():
                sound[name] = info.get_default(call_default_factory=True)
        elif not _touched(where, bad):
            sound[name] = _adapter(model, name).validate_python(raw[key])
        else:
            node = _node(info.annotation, info.metadata)
            with contextlib.suppress(Unsound):
                sound[name] = _sound_value(node, raw[key], where, bad)
    return _Parts(sound, {fields[key] for key in raw if key in fields})


def _sound_value(node: _Node, raw: Any, path: Path, bad: set[Path]) -> Any:
    """A value with faults somewhere inside it."""
    annotation, _ = node
    model = _model_of(node, raw)
    if model is not None or _variants(annotation):
        return _sound(model, raw, path, bad) if model is not None else _Parts({}, set())
    args = get_args(annotation)
    if _origin(annotation) is tuple and isinstance(raw, tuple) and args[-1] is Ellipsis:
        inner = _node(args[0])
        if not (_is_model(inner[0]) or _variants(inner[0])):
            raise Unsound(path[-1])  # a list of numbers is no longer that list without one
        return tuple(_sound_value(inner, item, (*path, i), bad) for i, item in enumerate(raw))
    if _origin(annotation) is dict and isinstance(raw, dict):
        inner = _node(args[1])
        sound: dict[str, Any] = {}
        for key, item in raw.items():
            with contextlib.suppress(Unsound):
                if (*path, key) in bad:
                    continue
                sound[key] = _sound_value(inner, item, (*path, key), bad)
        return sound
    raise Unsound(path[-1])
