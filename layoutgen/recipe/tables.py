"""Tables in: phase libraries, bias tables and sampled phases, from bytes to checked arrays.

A table is CSV in UTF-8 with a header line whose names carry the units, and `#` lines for its
provenance. `# key: value` lines hold what a library was computed for (lattice, wavelengths,
stack); a value may run on over further `#` lines that are indented, as in YAML.

    library   diameter_nm | side_nm, phase_rad, transmission [, reflection] [, wavelength_nm] [, flag]
    bias      density, diameter_nm, bias_nm     a full grid of density and master diameter
    sampled   numbers only, [row, col] = [y, x], lowest y first; or a .npy file of the same

Phase runs from the pillar's base to its top, transmission is that of the zero order. Every fault
is a sentence `file:line: what was wanted, what came`. Nothing is guessed, sorted or filled in.
"""

from __future__ import annotations

import difflib
import io
import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.recipe.document import parse_document
from layoutgen.units import parse_quantity, plain

__all__ = [
    "BiasTableData", "LibraryTable", "SampledPhaseData", "csv_bytes", "header_value", "read_bias",
    "read_library", "read_sampled",
]  # fmt: skip

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
_T = TypeVar("_T", bound=np.generic)

LARGEST_TABLE = 5_000_000  # bytes; a library of 1 nm rows at 20 wavelengths is 0.2 MB
MOST_PROBLEMS = 20  # of one table; more would bury the first
WAVELENGTH_TOLERANCE_NM = 1e-6  # two ways of writing one wavelength differ by less
TRANSMISSION_SLACK = 1e-6  # a solver's rounding may pass 1 by this much

#: What a computed library holds besides: no lens is chosen by them.
MORE_COLUMNS = (
    "reflection", "phase_s_rad", "transmission_s", "reflection_s", "phase_p_rad", "transmission_p",
    "reflection_p",
)  # fmt: skip

_HEADER_KEY = re.compile(r"#[ ]?([A-Za-z_][A-Za-z0-9_.]*):(?:[ \t]+(.*))?$")
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_LENGTH_TEXT = re.compile(r"[0-9][0-9.]*\s*(?:pm|nm|[uµμ]m)\b")


@dataclass(frozen=True, eq=False)
class LibraryTable:
    """Size -> phase and transmission of one material stack; all arrays (rows,), in file order.

    Sizes ascend within each wavelength. `squares`: the sizes are sides, not diameters.
    """

    name: str
    size_nm: FloatArray
    phase_rad: FloatArray
    transmission: FloatArray
    wavelength_nm: FloatArray | None
    flag: BoolArray
    squares: bool
    header: Mapping[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.size_nm)

    def at_wavelength(self, wavelength_nm: float) -> LibraryTable:
        """The rows of one wavelength; the whole table when it has no such column.

        Raises ValueError when the column does not hold it.
        """
        if self.wavelength_nm is None:
            return self
        rows = np.abs(self.wavelength_nm - wavelength_nm) <= WAVELENGTH_TOLERANCE_NM
        if not rows.any():
            held = ", ".join(f"{w:.15g} nm" for w in self.wavelengths_nm)
            raise ValueError(f"want rows of {wavelength_nm:.15g} nm, got rows of {held}")
        return LibraryTable(
            self.name,
            _frozen(self.size_nm[rows]),
            _frozen(self.phase_rad[rows]),
            _frozen(self.transmission[rows]),
            _frozen(self.wavelength_nm[rows]),
            _frozen(self.flag[rows]),
            self.squares,
            self.header,
        )

    @property
    def wavelengths_nm(self) -> tuple[float, ...]:
        """The wavelengths that the table is for: its column's, else its header's, else none."""
        if self.wavelength_nm is not None:
            return tuple(float(w) for w in np.unique(self.wavelength_nm))
        return self.stated.wavelengths_nm

    @property
    def substrate_index(self) -> float | None:
        """The substrate's refractive index if the header gives it as a number."""
        return self.stated.substrate_index

    @cached_property
    def stated(self) -> Stated:
        """What the header says about the stack; raises ValueError where it cannot be read."""
        return _stated(self.header)


@dataclass(frozen=True, slots=True)
class Stated:
    """What a library's header says that it was computed for; None or empty where it is silent."""

    kind: str | None = None
    pitch_nm: float | None = None
    wavelengths_nm: tuple[float, ...] = ()
    height_nm: float | None = None
    substrate_index: float | None = None
    pillar_index: float | None = None
    around_index: float | None = None


@dataclass(frozen=True, eq=False)
class BiasTableData:
    """Proximity bias on a full grid: bias_nm[i, j] at densities[i] and master diameters_nm[j].

    densities is (n,), 0..1, diameters_nm (m,), both ascending; bias_nm is (n, m).
    """

    name: str
    densities: FloatArray
    diameters_nm: FloatArray
    bias_nm: FloatArray
    header: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class SampledPhaseData:
    """An unwrapped phase in rad, (rows, cols) = [y, x], the first row at the lowest y."""

    name: str
    phase_rad: FloatArray


# --- what every CSV has -------------------------------------------------------------------------


@dataclass
class _Csv:
    """The lines of one CSV: header keys, column names, and (line number, cells) of each row."""

    name: str
    header: dict[str, str] = field(default_factory=dict)
    key_lines: dict[str, int] = field(default_factory=dict)
    columns: list[str] = field(default_factory=list)
    columns_line: int = 1
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def problem(self, line: int, sentence: str) -> None:
        self.problems.append(f"{self.name}:{line}: {sentence}")

    def stop_on_problems(self) -> None:
        if len(self.problems) > MOST_PROBLEMS:
            more = len(self.problems) - MOST_PROBLEMS
            self.problems[MOST_PROBLEMS:] = [f"{self.name}: {more} more problems of this table"]
        if self.problems:
            raise InputError(self.problems)


def _text(data: bytes, name: str) -> str:
    if len(data) > LARGEST_TABLE:
        raise InputError(
            f"{name}:1: want a table of at most {LARGEST_TABLE} bytes, got {len(data)}"
        )
    if data.startswith(b"\xef\xbb\xbf"):
        raise InputError(
            f"{name}:1: want UTF-8 without a byte order mark, got the bytes EF BB BF before the text"
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{name}:{line}: want UTF-8 text, got the byte {data[error.start]:02X}"
        ) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputError(f"{name}:{line}: want text, got a zero byte")
    return text


def _lines(data: bytes, name: str) -> _Csv:
    """Split into header keys, column names and rows of cells; every row as wide as the header."""
    csv = _Csv(name)
    key = ""
    # only \n and \r\n end a line; str.splitlines would also split at form feeds and the like
    for number, raw in enumerate(_text(data, name).split("\n"), start=1):
        line = raw.rstrip("\r").rstrip()
        if not line:
            key = ""
        elif line.startswith("#"):
            match = _HEADER_KEY.fullmatch(line)
            if match is not None:
                key = match[1]
                if key in csv.header:
                    csv.problem(
                        number, f"want one line '# {key}: ...', got a second (first: line "
                        f"{csv.key_lines[key]})"
                    )  # fmt: skip
                csv.header[key] = (match[2] or "").strip()
                csv.key_lines[key] = number
            elif key and re.match(r"#\s{2,}\S", line):
                csv.header[key] += "\n" + line[1:]
            else:
                key = ""
        elif not csv.columns:
            csv.columns = [cell.strip() for cell in line.split(",")]
            csv.columns_line = number
            if ";" in line or "\t" in line:
                mark = "semicolons" if ";" in line else "tabs"
                csv.problem(number, f"want columns separated by commas, got {mark}")
                csv.stop_on_problems()
        else:
            cells = [cell.strip() for cell in line.split(",")]
            if len(cells) != len(csv.columns):
                csv.problem(number, f"want {len(csv.columns)} columns, got {len(cells)}")
            else:
                csv.rows.append((number, cells))
    return csv


def _check_columns(csv: _Csv, required: Sequence[str], optional: Sequence[str]) -> None:
    """Refuse missing, repeated and unknown columns; `a|b` in `required` means one of the two."""
    known = [name for group in (*required, *optional) for name in group.split("|")]
    if not csv.columns:
        names = ",".join(group.split("|")[0] for group in required)
        csv.problem(1, f"want a line of column names ({names}), got none")
        csv.stop_on_problems()
    explained: set[str] = set()
    line = csv.columns_line
    for at, column in enumerate(csv.columns):
        if column in csv.columns[:at]:
            csv.problem(line, f"want each column once, got '{column}' twice")
        elif column not in known:
            # the same quantity in another unit first, then a slip of the pen
            stem = column.rsplit("_", 1)[0]
            near = [k for k in known if k.rsplit("_", 1)[0] == stem]
            near = near or difflib.get_close_matches(column, known, 1, 0.6)
            if near:
                explained.add(near[0])
                csv.problem(line, f"want the column '{near[0]}', got {plain(column)}")
            else:
                csv.problem(line, f"want the columns {', '.join(known)}, got {plain(column)}")
    for group in required:
        either = group.split("|")
        held = [name for name in either if name in csv.columns]
        if len(held) > 1:
            csv.problem(line, f"want only one of the columns {' and '.join(held)}, got both")
        elif not held and not explained.intersection(either):
            csv.problem(line, f"want a column '{' or '.join(either)}', got none")
    csv.stop_on_problems()


def _number(csv: _Csv, line: int, column: str, cell: str, wanted: str = "a number") -> float:
    """The cell as a finite number; nan, and a problem noted, when it is none."""
    if _NUMBER.fullmatch(cell):
        value = float(cell)
        if math.isfinite(value):
            return value
    csv.problem(line, f"{column}: want {wanted}, got {repr(cell) if cell else 'nothing'}")
    return math.nan


def _frozen(array: NDArray[_T]) -> NDArray[_T]:
    array.flags.writeable = False
    return array


# --- libraries ----------------------------------------------------------------------------------


def read_library(data: bytes, name: str) -> LibraryTable:
    """Read a phase library; `name` is what error sentences call the file."""
    csv = _lines(data, name)
    _check_columns(
        csv,
        ["diameter_nm|side_nm", "phase_rad", "transmission"],
        ["wavelength_nm", "flag", *MORE_COLUMNS],
    )
    size_column = "side_nm" if "side_nm" in csv.columns else "diameter_nm"
    size, phase, power, wave, flag = [], [], [], [], []
    last: dict[float, tuple[float, int]] = {}  # wavelength -> last size and its line
    count: dict[float, int] = {}
    for line, row_cells in csv.rows:
        row = dict(zip(csv.columns, row_cells, strict=True))
        d = _number(csv, line, size_column, row[size_column], "a size in nm")
        if d <= 0:
            csv.problem(line, f"{size_column}: want a size above 0, got {row[size_column]}")
        t = _number(csv, line, "transmission", row["transmission"])
        if t < 0 or t > 1 + TRANSMISSION_SLACK:
            csv.problem(line, f"transmission: want 0 to 1, got {row['transmission']}")
        w = 0.0
        if "wavelength_nm" in row:
            w = _number(csv, line, "wavelength_nm", row["wavelength_nm"])
            if w <= 0:
                csv.problem(line, f"wavelength_nm: want above 0, got {row['wavelength_nm']}")
        if w in last and d <= last[w][0]:
            before, at = last[w]
            csv.problem(
                line,
                f"{size_column}: want sizes that ascend, each once (line {at}: {before:.15g}), "
                f"got {row[size_column]}",
            )
        if not (math.isnan(d) or math.isnan(w)):
            last[w] = (d, line)
            count[w] = count.get(w, 0) + 1
        size.append(d)
        phase.append(_number(csv, line, "phase_rad", row["phase_rad"]))
        power.append(t)
        wave.append(w)
        flag.append(row.get("flag", "").lower() not in ("", "0", "false", "no"))
        for column in MORE_COLUMNS:
            if column in row:
                _number(csv, line, column, row[column])
    if not csv.problems:
        for w, rows in count.items() or [(0.0, 0)]:
            if rows < 2:
                of = f" of {w:.15g} nm" if w else ""
                csv.problem(csv.columns_line, f"want at least 2 rows{of}, got {rows}")
    table = LibraryTable(
        name,
        _frozen(np.array(size, dtype=np.float64)),
        _frozen(np.array(phase, dtype=np.float64)),
        _frozen(np.array(power, dtype=np.float64)),
        _frozen(np.array(wave, dtype=np.float64)) if "wavelength_nm" in csv.columns else None,
        _frozen(np.array(flag, dtype=np.bool_)),
        size_column == "side_nm",
        csv.header,
    )
    try:
        stated = table.stated
    except _HeaderError as error:
        csv.problem(csv.key_lines[error.key], f"{error.path}: {error}")
    else:
        if table.wavelength_nm is None and len(stated.wavelengths_nm) > 1:
            csv.problem(
                csv.columns_line,
                "want a column 'wavelength_nm', as the header states "
                f"{len(stated.wavelengths_nm)} wavelengths, got none",
            )
    csv.stop_on_problems()
    return table


class _HeaderError(ValueError):
    """A header value that cannot be read: its key, and the path within it."""

    def __init__(self, key: str, path: str, sentence: str) -> None:
        super().__init__(sentence)
        self.key = key
        self.path = path


def header_value(header: Mapping[str, str], key: str) -> Any:
    """A header value read as YAML; text as it stands where it is no YAML."""
    text = header[key]
    block = f"{key}: {text}" if "\n" not in text else f"{key}:{text}"
    try:
        document = parse_document(block.encode("utf-8"), key)
    except InputError:
        return text
    return text if document.problems else document.data.get(key)


def _header_length(key: str, path: str, value: object) -> float:
    try:
        return parse_quantity(value, "length")
    except ValueError as error:
        raise _HeaderError(key, path, str(error)) from None


def _stated(header: Mapping[str, str]) -> Stated:
    kind: str | None = None
    pitch: float | None = None
    if "lattice" in header:
        value = header_value(header, "lattice")
        if isinstance(value, dict):
            kind = value.get("kind")
            if kind is not None and kind not in ("square", "hexagonal"):
                raise _HeaderError(
                    "lattice", "lattice.kind", f"want square or hexagonal, got {plain(kind)}"
                )
            if "pitch" in value:
                pitch = _header_length("lattice", "lattice.pitch", value["pitch"])
        else:  # free text such as 'square, pitch 400 nm'
            text = str(value)
            words = [word for word in ("square", "hexagonal") if word in text.lower()]
            kind = words[0] if len(words) == 1 else None
            lengths = _LENGTH_TEXT.findall(text)
            pitch = parse_quantity(lengths[0], "length") if len(lengths) == 1 else None
            if kind is None and pitch is None:
                raise _HeaderError(
                    "lattice",
                    "lattice",
                    f"want a lattice such as {{kind: square, pitch: 400 nm}}, got {plain(text)}",
                )
    if pitch is None and "pitch" in header:
        pitch = _header_length("pitch", "pitch", header_value(header, "pitch"))
    waves: tuple[float, ...] = ()
    for key in ("wavelengths", "wavelength"):
        if key in header and not waves:
            value = header_value(header, key)
            each = value if isinstance(value, tuple) else [value]
            waves = tuple(_header_length(key, key, item) for item in each)
    height: float | None = None
    if "height" in header:
        height = _header_length("height", "height", header_value(header, "height"))
    index: float | None = None
    if "substrate_index" in header:
        index = _index(header_value(header, "substrate_index"))
    stack = header_value(header, "stack") if "stack" in header else None
    if isinstance(stack, dict):
        pillars, substrate = stack.get("pillars"), stack.get("substrate")
        if height is None and isinstance(pillars, dict) and "height" in pillars:
            height = _header_length("stack", "stack.pillars.height", pillars["height"])
        if index is None and isinstance(substrate, dict):
            index = _index(substrate.get("index"))
    pillar: float | None = None
    around: float | None = None
    if isinstance(stack, dict) and isinstance(stack.get("pillars"), dict):
        pillar = _index(stack["pillars"].get("index"))
        filling = stack["pillars"].get("around")
        around = _index(filling.get("index")) if isinstance(filling, dict) else None
    return Stated(kind, pitch, waves, height, index, pillar, around)


def _index(value: object) -> float | None:
    """The real part of a refractive index given as a number or as [n, k]; None for a name."""
    if isinstance(value, tuple) and value:
        value = value[0]
    if isinstance(value, (int, float)) and not isinstance(value, bool) and value > 0:
        return float(value) if math.isfinite(value) else None
    return None


# --- bias tables --------------------------------------------------------------------------------


def read_bias(data: bytes, name: str) -> BiasTableData:
    """Read a bias table: a full grid of density and master diameter, sorted either way round."""
    csv = _lines(data, name)
    _check_columns(csv, ["density", "diameter_nm", "bias_nm"], [])
    cells: dict[tuple[float, float], tuple[float, int]] = {}
    order: list[tuple[float, float]] = []
    lines: list[int] = []
    for line, row_cells in csv.rows:
        row = dict(zip(csv.columns, row_cells, strict=True))
        rho = _number(csv, line, "density", row["density"])
        d = _number(csv, line, "diameter_nm", row["diameter_nm"])
        bias = _number(csv, line, "bias_nm", row["bias_nm"])
        if rho < 0 or rho > 1:
            csv.problem(line, f"density: want 0 to 1, got {row['density']}")
        if d <= 0:
            csv.problem(line, f"diameter_nm: want a diameter above 0, got {row['diameter_nm']}")
        if (rho, d) in cells:
            csv.problem(
                line,
                f"want each density and diameter once (line {cells[rho, d][1]}), "
                f"got {row['density']} and {row['diameter_nm']} again",
            )
        cells[rho, d] = (bias, line)
        order.append((rho, d))
        lines.append(line)
    if not csv.rows and not csv.problems:
        csv.problem(csv.columns_line, "want at least 1 row, got 0")
    csv.stop_on_problems()
    densities = sorted({rho for rho, _ in order})
    diameters = sorted({d for _, d in order})
    missing = [(r, d) for r in densities for d in diameters if (r, d) not in cells]
    if missing:
        r, d = missing[0]
        csv.problem(
            csv.columns_line,
            f"want a full grid of {len(densities)} densities and {len(diameters)} diameters, "
            f"got no row for density {r:.15g}, diameter {d:.15g} ({len(missing)} missing)",
        )
    elif order != sorted(order) and order != sorted(order, key=lambda node: node[::-1]):
        at = next(i for i in range(1, len(order)) if order[i] < order[i - 1])
        csv.problem(
            lines[at], "want rows sorted by density and diameter, got a smaller one after a larger"
        )
    csv.stop_on_problems()
    grid = np.array([[cells[r, d][0] for d in diameters] for r in densities], dtype=np.float64)
    return BiasTableData(
        name,
        _frozen(np.array(densities, dtype=np.float64)),
        _frozen(np.array(diameters, dtype=np.float64)),
        _frozen(grid),
        csv.header,
    )


# --- sampled phases -----------------------------------------------------------------------------

LARGEST_SAMPLED = 1_000_000_000  # bytes; 11,000 x 11,000 samples as doubles


def read_sampled(data: bytes, name: str, suffix: str) -> SampledPhaseData:
    """Read a sampled phase; `suffix` (.npy or .csv) says how. At least 4 x 4, for a cubic spline."""
    if suffix.lower() not in (".npy", ".csv"):
        raise InputError(f"{name}: want a file that ends in .npy or .csv, got {plain(suffix)}")
    if len(data) > LARGEST_SAMPLED:
        raise InputError(f"{name}: want at most {LARGEST_SAMPLED} bytes, got {len(data)}")
    array = _npy(data, name) if suffix.lower() == ".npy" else _csv_grid(data, name)
    if array.ndim != 2 or min(array.shape) < 4:
        shape = " x ".join(str(n) for n in array.shape) or "one number"
        raise InputError(f"{name}:1: want a 2-D array of at least 4 x 4 samples, got {shape}")
    bad = np.argwhere(~np.isfinite(array))
    if len(bad):
        row, col = bad[0]
        raise InputError(
            f"{name}:1: want finite phases, got {array[row, col]} at row {row}, column {col}"
        )
    return SampledPhaseData(name, _frozen(array))


def _npy(data: bytes, name: str) -> FloatArray:
    """The array of a .npy file, without ever unpickling; sizes are checked before memory is taken."""
    file = io.BytesIO(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # numpy warns where it mends a header; we refuse it
            version = np.lib.format.read_magic(file)
            if version == (1, 0):
                shape, fortran, dtype = np.lib.format.read_array_header_1_0(file)
            elif version == (2, 0):
                shape, fortran, dtype = np.lib.format.read_array_header_2_0(file)
            else:
                raise ValueError(f"version {version[0]}.{version[1]}")
    except Exception as error:  # the header is a Python literal: a broken one fails in many ways
        reason = (str(error) or type(error).__name__).splitlines()[0]
        raise InputError(
            f"{name}:1: want a .npy file of version 1.0 or 2.0, got one that cannot be read "
            f"({reason})"
        ) from None
    if dtype.kind not in "fiu":
        raise InputError(f"{name}:1: want real numbers, got the type {dtype}")
    body = data[file.tell() :]
    wanted = math.prod(shape) * dtype.itemsize
    if len(body) != wanted:
        raise InputError(f"{name}:1: want {wanted} bytes of samples, got {len(body)}")
    flat = np.frombuffer(body, dtype=dtype)
    array = flat.reshape(shape, order="F" if fortran else "C")
    with np.errstate(over="ignore"):
        return np.array(array, dtype=np.float64, order="C")


def _csv_grid(data: bytes, name: str) -> FloatArray:
    if data.startswith(b"\xef\xbb\xbf"):
        raise InputError(
            f"{name}:1: want UTF-8 without a byte order mark, got the bytes EF BB BF before the text"
        )
    rows: list[FloatArray] = []
    for line, raw in enumerate(data.split(b"\n"), start=1):
        row = raw.strip()
        if not row or row.startswith(b"#"):
            continue
        cells = row.split(b",")
        if rows and len(cells) != len(rows[0]):
            raise InputError(
                f"{name}:{line}: want {len(rows[0])} numbers as in the first row, got {len(cells)}"
            )
        try:
            rows.append(np.array(cells, dtype=np.bytes_).astype(np.float64))
        except ValueError:
            raise InputError(f"{name}:{line}: want numbers, got {_first_text(cells)}") from None
        if not np.isfinite(rows[-1]).all():
            raise InputError(f"{name}:{line}: want finite numbers, got {_first_text(cells)}")
    return np.array(rows, dtype=np.float64) if rows else np.zeros((0, 0))


def _first_text(cells: Sequence[bytes]) -> str:
    for cell in cells:
        text = cell.decode("utf-8", "replace").strip()
        if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            return plain(text) if text else "nothing"
    return "something else"


# --- out ----------------------------------------------------------------------------------------


def csv_bytes(
    header: Mapping[str, str],
    notes: Sequence[str],
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
) -> bytes:
    """A table as this module reads it: `# key: value` lines, `# note` lines, names, rows."""
    lines = [f"# {key}: {value}" for key, value in header.items()]
    lines += [f"# {note}" for note in notes]
    lines.append(",".join(columns))
    lines += [",".join(row) for row in rows]
    return ("\n".join(lines) + "\n").encode("utf-8")
