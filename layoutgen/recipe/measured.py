"""Measured SEM sizes in: a job's sem_sites.csv with its empty columns filled, checked row by row.

The first line names the job, `# job: NAME-REVISION HASH`; then one line of column names and one row a
site and stage. Rows without a measured size are skipped. What the job wrote must have come back as it was
written: a column that was sorted or swapped in a spreadsheet would make every number a lie. Sites that the job
does not list may be added by whoever measured them; they are told apart by where they stand.

A byte order mark, quotes, CRLF and commas behind the first line are what spreadsheets add, and harmless.
Every fault is a sentence `file:line: what was wanted, what came`.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.units import plain

__all__ = [
    "SEM_FILLED", "SEM_GIVEN", "MeasuredSite", "MeasuredSites", "job_of", "read_measured",
]  # fmt: skip

FloatArray = NDArray[np.float64]

#: Columns that the job fills in, and those that it leaves to the SEM operator.
SEM_GIVEN = (
    "site", "stage", "die", "col", "row", "x_mm", "y_mm", "feature", "lens_radius_um", "target_nm",
    "master_nm", "split_nm", "drawn_nm", "density",
)  # fmt: skip
SEM_FILLED = ("measured_nm", "sigma_nm", "count", "edge_method", "note")
_TEXT = ("site", "stage", "die", "feature", "edge_method", "note")
_MAY_BE_EMPTY = ("lens_radius_um", "sigma_nm", "count", "edge_method", "note", "density")
#: A number that went through a spreadsheet may have lost digits, up to these.
_SAME = {"x_mm": 1e-4, "y_mm": 1e-4, "lens_radius_um": 0.1, "density": 1e-3}
_SAME_NM = 0.02
LARGEST = 20_000_000  # bytes; ten thousand sites are 2 MB
MOST_PROBLEMS = 20
#: The measured size over the wanted one: beyond these, at most of the sites, the column is another quantity.
_PLAUSIBLE = (0.6, 1.7)
#: A single size over so many times the wanted is a slip of the pen and no outlier of the process.
_LARGEST_RATIO = 100

_JOB = re.compile(r"#\s*job:\s*(\S+)\s+([0-9a-fA-F]{64})")
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class MeasuredSite:
    """One measured pillar at one stage; lengths as the columns say, None where a cell is empty."""

    line: int
    site: str
    stage: str
    die: str
    col: int
    row: int
    x_mm: float
    y_mm: float
    feature: str
    master_nm: float
    split_nm: float
    drawn_nm: float
    density: float
    measured_nm: float
    sigma_nm: float | None
    count: int | None
    edge_method: str
    listed: bool  # the job's own sem_sites.csv has it


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredSites:
    """A file of measured sites: the job that it belongs to, and its rows with a measured size."""

    name: str
    job_title: str
    job_hash: str
    sites: tuple[MeasuredSite, ...]


class _Problems:
    """Sentences with the file's name and a line, told all at once."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.told: list[str] = []
        self._changed: dict[str, tuple[int, str, int]] = {}

    def add(self, line: int, sentence: str) -> None:
        self.told.append(f"{self.name}:{line}: {sentence}")

    def changed(self, line: int, columns: str, sentence: str) -> None:
        """A row whose given columns are not the job's: told once for all rows, with their number."""
        first, text, count = self._changed.get(columns, (line, sentence, 0))
        self._changed[columns] = (first, text, count + 1)

    def stop(self) -> None:
        for line, text, count in self._changed.values():
            self.add(line, text + (f" ({count} rows are so)" if count > 1 else ""))
        self._changed.clear()
        if len(self.told) > MOST_PROBLEMS:
            more = len(self.told) - MOST_PROBLEMS
            self.told[MOST_PROBLEMS:] = [f"{self.name}: {more} more problems of this file"]
        if self.told:
            raise InputError(self.told)


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: Mapping[str, str]


def read_measured(
    data: bytes, name: str, *, job_title: str, job_hash: str, listed: bytes,
    wanted_nm: Mapping[str, float],
) -> MeasuredSites:  # fmt: skip
    """Read and check a filled-in sem_sites.csv of one job.

    listed: the job's own sem_sites.csv. wanted_nm: stage -> what it adds to the master, so the stages
    that there are. InputError tells every problem, or that the file is another job's.
    """
    problems = _Problems(name)
    text = _text(data, problems)
    title, found = _job_line(text, problems)
    _same_job(title, found, job_title, job_hash, problems)
    rows = _rows(text, problems)
    known = _by_place(_rows(_text(listed, _Problems("sem_sites.csv")), _Problems("sem_sites.csv")))
    sites: list[MeasuredSite] = []
    seen: dict[tuple[str, ...], int] = {}
    for row in rows:
        if not row.cells["measured_nm"]:
            continue
        site = _site(row, known, wanted_nm, problems)
        if site is None:
            continue
        for key in ((site.stage, "named", site.site), (site.stage, *_place(row.cells))):
            if key in seen:
                problems.add(
                    site.line,
                    f"want each site once per stage (line {seen[key]}), got {site.site} at stage"
                    f" {site.stage} again",
                )
                break
            seen[key] = site.line
        sites.append(site)
    problems.stop()
    if not sites:
        raise InputError(
            f"{name}: want sizes in the column measured_nm, got {len(rows)} rows without any"
        )
    _plausible(sites, wanted_nm, problems)
    problems.stop()
    return MeasuredSites(name, title, found, tuple(sites))


def job_of(data: bytes, name: str) -> tuple[str, str]:
    """The job that a measured file names in its first line: NAME-REVISION and hash."""
    problems = _Problems(name)
    return _job_line(_text(data, problems), problems)


# --- text and columns ---------------------------------------------------------------------------


def _text(data: bytes, problems: _Problems) -> str:
    if len(data) > LARGEST:
        problems.add(1, f"want a file of at most {LARGEST} bytes, got {len(data)}")
        problems.stop()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problems.add(line, f"want UTF-8 text, got the byte {data[error.start]:02X}")
        problems.stop()
        raise AssertionError from error
    if not text.strip():
        problems.add(1, "want the job's sem_sites.csv with measured sizes, got an empty file")
    elif "\0" in text:
        problems.add(text.count("\n", 0, text.index("\0")) + 1, "want text, got a zero byte")
    problems.stop()
    return text


def _job_line(text: str, problems: _Problems) -> tuple[str, str]:
    first = text.split("\n", 1)[0].strip().strip(",;\t\" '")
    match = _JOB.fullmatch(first)
    if match is None:
        problems.add(1, f"want the line '# job: NAME-REVISION HASH', got {plain(first)}")
        problems.stop()
        raise AssertionError
    return match[1], match[2].lower()


def _same_job(title: str, found: str, job_title: str, job_hash: str, problems: _Problems) -> None:
    if title != job_title:
        of = (
            "another revision"
            if title.rsplit("-", 1)[0] == job_title.rsplit("-", 1)[0]
            else "another job"
        )
        problems.add(1, f"want sites of the job {job_title}, got those of {of}, {title}")
    elif found != job_hash:
        problems.add(
            1,
            f"want sites of {job_title} with the hash {job_hash[:12]}..., got {found[:12]}...: of"
            " another build under the same name",
        )
    problems.stop()


def _rows(text: str, problems: _Problems) -> list[_Row]:
    """Rows by column name; columns may stand in any order, each once."""
    lines = text.split("\n")
    columns: list[str] = []
    rows: list[_Row] = []
    reader = csv.reader(io.StringIO("\n".join(lines)), strict=True)
    try:
        for cells in reader:
            line = reader.line_num
            stripped = [cell.strip() for cell in cells]
            if not any(stripped) or stripped[0].startswith("#"):
                continue
            if not columns:
                columns = _columns(stripped, line, problems)
            elif len(stripped) != len(columns):
                problems.add(line, f"want {len(columns)} columns, got {len(stripped)}")
            else:
                rows.append(_Row(line, dict(zip(columns, stripped, strict=True))))
    except csv.Error as error:
        problems.add(reader.line_num, f"want CSV, got a row that cannot be read ({error})")
    if not columns:
        problems.add(1, f"want a line of column names ({','.join(SEM_GIVEN[:4])},...), got none")
    problems.stop()
    return rows


def _columns(cells: list[str], line: int, problems: _Problems) -> list[str]:
    """The column names; unknown, repeated and missing ones are told, and marks other than commas."""
    if len(cells) == 1 and (";" in cells[0] or "\t" in cells[0]):
        mark = "semicolons" if ";" in cells[0] else "tabs"
        problems.add(line, f"want columns separated by commas, got {mark}")
        problems.stop()
    known = (*SEM_GIVEN, *SEM_FILLED)
    for at, column in enumerate(cells):
        if column in cells[:at]:
            problems.add(line, f"want each column once, got {plain(column)} twice")
        elif column not in known:
            stem = column.rsplit("_", 1)[0]
            near = [name for name in known if name.rsplit("_", 1)[0] == stem and "_" in name]
            near = near or difflib.get_close_matches(column, known, 1, 0.6)
            want = f"the column '{near[0]}'" if near else f"the columns {', '.join(known)}"
            problems.add(line, f"want {want}, got {plain(column)}")
    missing = [name for name in (*SEM_GIVEN, "measured_nm") if name not in cells]
    if missing and not problems.told:
        problems.add(line, f"want the columns {', '.join(missing)} as well, got none of that name")
    problems.stop()
    return cells


# --- rows ---------------------------------------------------------------------------------------


def _place(cells: Mapping[str, str]) -> tuple[str, str]:
    """Where a pillar stands, to 0.1 um, as the key that tells one from another."""
    found = []
    for column in ("x_mm", "y_mm"):
        cell = cells[column]
        found.append(f"{round(float(cell), 4) + 0.0:.4f}" if _NUMBER.fullmatch(cell) else cell)
    return found[0], found[1]


def _by_place(rows: Sequence[_Row]) -> dict[tuple[str, str, str], Mapping[str, str]]:
    """The job's own rows, by stage and place and by stage and name."""
    found: dict[tuple[str, str, str], Mapping[str, str]] = {}
    for row in rows:
        found[(row.cells["stage"], *_place(row.cells))] = row.cells
        found[(row.cells["stage"], "named", row.cells["site"])] = row.cells
    return found


def _site(
    row: _Row, known: Mapping[tuple[str, str, str], Mapping[str, str]],
    wanted_nm: Mapping[str, float], problems: _Problems,
) -> MeasuredSite | None:  # fmt: skip
    """One row with a measured size, or None and its problems told."""
    cells, line, before = row.cells, row.line, len(problems.told)
    for column in ("site", "stage", "die"):
        if not cells[column]:
            problems.add(line, f"{column}: want a name, got nothing")
    if cells["stage"] and cells["stage"] not in wanted_nm:
        stages = ", ".join(wanted_nm)
        problems.add(line, f"stage: want one of {stages}, got {plain(cells['stage'])}")
    numbers = {
        column: _number(line, column, cells.get(column, ""), problems)
        for column in (*SEM_GIVEN, *SEM_FILLED)
        if column not in _TEXT
    }
    if len(problems.told) > before:
        return None
    listed = _as_listed(row, numbers, known, problems)
    if listed is None:
        return None
    if not listed:
        _own_site(line, numbers, problems)
    measured, sigma, count = numbers["measured_nm"], numbers["sigma_nm"], numbers["count"]
    assert measured is not None
    if measured <= 0:
        problems.add(line, f"measured_nm: want a diameter above 0, got {cells['measured_nm']}")
    if sigma is not None and sigma <= 0:
        problems.add(line, f"sigma_nm: want above 0, or nothing, got {cells['sigma_nm']}")
    if count is not None and (count < 1 or count != int(count)):
        problems.add(line, f"count: want a whole number from 1, or nothing, got {cells['count']}")
    if numbers["density"] is None:
        problems.add(
            line, "density: want a number, got nothing: the recipe has no backscatter term, and without"
            " density there is no bias table to refine",
        )  # fmt: skip
    if len(problems.told) > before:
        return None
    n = {key: math.nan if value is None else value for key, value in numbers.items()}
    return MeasuredSite(
        line, cells["site"], cells["stage"], cells["die"], int(n["col"]), int(n["row"]), n["x_mm"],
        n["y_mm"], cells["feature"], n["master_nm"], n["split_nm"], n["drawn_nm"], n["density"],
        measured, sigma, None if count is None else int(count), cells.get("edge_method", ""), listed,
    )  # fmt: skip


def _number(line: int, column: str, cell: str, problems: _Problems) -> float | None:
    if not cell and column in _MAY_BE_EMPTY:
        return None
    if _NUMBER.fullmatch(cell) and math.isfinite(float(cell)):
        return float(cell)
    problems.add(line, f"{column}: want a number, got {plain(cell) if cell else 'nothing'}")
    return None


def _as_listed(
    row: _Row, numbers: Mapping[str, float | None],
    known: Mapping[tuple[str, str, str], Mapping[str, str]], problems: _Problems,
) -> bool | None:  # fmt: skip
    """Whether the job lists this pillar, its columns then being the job's; None, and told, if they are not."""
    stage = row.cells["stage"]
    job = known.get((stage, *_place(row.cells)))
    listed = job is not None
    if job is None:
        job = known.get((stage, "named", row.cells["site"]))
        if job is None or not _permuted(row.cells, job, ("x_mm", "y_mm")):
            return False  # of this name or not, it is a pillar that the job does not list
    off = [
        column
        for column in SEM_GIVEN[2:]
        if not (listed and column in ("x_mm", "y_mm"))
        and not _equal(column, row.cells[column], job[column], numbers.get(column))
    ]
    if not off:
        return True
    if len(off) > 1 and _permuted(row.cells, job, off):
        problems.changed(
            row.line,
            ",".join(off),
            f"want the columns {' and '.join(off)} as the job wrote them, got them swapped",
        )
        return None
    for column in off:
        problems.changed(
            row.line,
            column,
            f"{column}: want {plain(job[column])} as in the job's sem_sites.csv, got"
            f" {plain(row.cells[column])}",
        )
    return None


def _equal(column: str, cell: str, job: str, number: float | None) -> bool:
    if cell == job:
        return True
    if column in _TEXT or number is None or not job:
        return False
    return abs(number - float(job)) <= _SAME.get(column, _SAME_NM)


def _permuted(cells: Mapping[str, str], job: Mapping[str, str], columns: Sequence[str]) -> bool:
    """Whether these columns hold what the job wrote in them, each in another's place."""

    def values(row: Mapping[str, str]) -> list[str]:
        return sorted(
            f"{round(float(row[c]), 4) + 0.0:.4f}" if _NUMBER.fullmatch(row[c]) else row[c]
            for c in columns
        )

    return values(cells) == values(job)


def _own_site(line: int, numbers: Mapping[str, float | None], problems: _Problems) -> None:
    """A site that the job does not list has to be possible at least."""
    for column in ("master_nm", "drawn_nm"):
        value = numbers[column]
        if value is not None and value <= 0:
            problems.add(line, f"{column}: want a diameter above 0, got {value:g}")
    density = numbers["density"]
    if density is not None and not 0 <= density <= 1:
        problems.add(line, f"density: want 0 to 1, got {density:g}")
    master, drawn = numbers["master_nm"], numbers["drawn_nm"]
    if master and drawn and master > 0 and not 0.5 <= drawn / master <= 2:
        problems.add(line, f"drawn_nm: want a size near the master's, {master:g}, got {drawn:g}")


def _plausible(
    sites: Sequence[MeasuredSite], wanted_nm: Mapping[str, float], problems: _Problems
) -> None:
    """One sentence when most of the sizes cannot be diameters in nm."""
    ratio = np.array([s.measured_nm / max(s.master_nm + wanted_nm[s.stage], 1e-9) for s in sites])
    usual = float(np.median(ratio))
    if _PLAUSIBLE[0] <= usual <= _PLAUSIBLE[1]:
        for site, times in zip(sites, ratio, strict=True):
            if times > _LARGEST_RATIO:
                problems.add(
                    site.line,
                    f"measured_nm: want a diameter in nm, at most {_LARGEST_RATIO} times the wanted"
                    f" {site.master_nm + wanted_nm[site.stage]:.1f}, got {site.measured_nm:g}",
                )
        return
    guess = "are two columns swapped?"
    for factor, words in ((1e-3, "are they micrometres?"), (1e3, "are they picometres?"),
                          (0.1, "are they tens of nm?"), (10.0, "are they angstroms?"),
                          (1e-6, "are they millimetres?"), (0.5, "are they radii?")):  # fmt: skip
        if 0.85 < usual / factor < 1.15:
            guess = words
    problems.add(
        sites[0].line,
        f"measured_nm: want diameters in nm near the wanted ones, got {usual:.3g} times those at most"
        f" sites; {guess}",
    )
