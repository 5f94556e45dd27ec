"""The review page of a job: what was asked, what will be written, and lines to sign, in one file.

The page needs no network and no server: drawings are SVG, maps are PNG inside it, and a policy in its
head forbids it to load anything. Everything that comes from a recipe or a file is escaped by the
template; what is data for its script is JSON whose <, > and & are escaped too. The same job gives the
same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["Facts", "MapFacts", "Section", "WindowFacts", "operator_text", "report_html"]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and rows of words: a label and what belongs to it."""

    heading: str
    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True, eq=False, slots=True)
class WindowFacts:
    """A window of the layout: its drawing, and how often each size stands in it."""

    key: str
    title: str
    words: str
    svg: Markup
    sizes: Sequence[tuple[str, int]]


@dataclass(frozen=True, eq=False, slots=True)
class MapFacts:
    """A map over a lens: its picture as a data address, and what its colours mean."""

    title: str
    png: str
    low: str
    high: str
    unit: str
    width_um: float


@dataclass(frozen=True, eq=False)
class Facts:
    """Everything that the page shows."""

    title: str
    headline: Sequence[tuple[str, str]]
    verified: bool
    asked: Sequence[Section]
    counts: Sequence[tuple[str, str]]
    rules: Sequence[dict[str, Any]]
    warnings: Sequence[str]
    wafer_svg: Markup
    dies: dict[str, Any]
    windows: Sequence[WindowFacts]
    charts: Sequence[tuple[str, Markup]]
    maps: Sequence[MapFacts]
    sem_head: Sequence[str]
    sem_rows: Sequence[Sequence[str]]
    sem_words: str
    operator: Sequence[Section]
    hashes: Sequence[tuple[str, str]]
    signatures: Sequence[str] = field(
        default=("Mastering engineer", "E-beam operator", "SEM metrologist")
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    source = Path(__file__).with_name("report.html").read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(source)


def report_html(facts: Facts) -> bytes:
    """The page."""
    data = json.dumps(facts.dies, ensure_ascii=True, separators=(",", ":"))
    # inside a script element nothing may look like its end, or like a comment
    for sign in "<>&":
        data = data.replace(sign, f"\\u{ord(sign):04x}")
    page = _template().render(facts=facts, data=Markup(data))
    return page.encode("utf-8")


def operator_text(title: str, sections: Sequence[Section]) -> str:
    """The operator's sheet as plain text."""
    lines = [f"Operator's sheet: {title}", ""]
    for section in sections:
        lines += [section.heading, "-" * len(section.heading)]
        width = max((len(label) for label, _ in section.rows), default=0)
        lines += [f"{label:<{width}}  {words}".rstrip() for label, words in section.rows]
        lines.append("")
    return "\n".join(lines)
