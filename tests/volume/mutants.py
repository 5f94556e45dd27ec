"""Breaks in the numeric core, one at a time: does the test suite notice?

    python -m tests.volume.mutants --count 100 --seed 1           which of 100 seeded breaks the tests notice
    python -m tests.volume.mutants --seed 1 --one 17              one of them again
    python -m tests.volume.mutants --seed 1 --list                what would be broken, nothing run

A break alters one operator or number of a module in lattice, codes, optics, exposure, wafer or layout: plus
for minus, times for divided by, < for <=, a whole number by one, axis 0 for 1, x for y in a pair, a dropped
minus, min for max, sine for cosine. Each runs in a copy of the tree, in which every kernel that may hold the
broken line is compiled anew: first the tests of its own room, then, where those notice nothing, those of the
rooms above and of the whole, but for browsers, faults and volume runs. What lives is either a gap in the
tests or a change that alters nothing; both are listed with file and line to look at. Changes that have
been found to alter nothing stand in harmless.yaml, each with its reason, and others are drawn for them.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from queue import Queue

import numpy as np
import yaml

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "layoutgen"
ROOMS = ("optics", "exposure", "wafer", "layout")
#: Tests of the whole that notice most come first; those that need a browser or watch processes are left out.
FIRST = (
    "tests/reference",
    "tests/test_build.py",
    "tests/test_verify.py",
    "tests/test_rules.py",
    "tests/test_verniers.py",
)
LEFT_OUT = (
    "test_pages",
    "test_readme",
    "test_rooms",
    "test_faults",
    "test_distribution",
    "test_cli",
    "test_job_edges",
)
#: A suite that hangs has noticed.
LONGEST_S = 1500.0

_SIGNS: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "/"), ast.Mod: ("%", "//"), ast.LShift: ("<<", ">>"), ast.RShift: (">>", "<<"),
}  # fmt: skip
_EDGES: dict[type[ast.cmpop], tuple[str, str]] = {
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="),
}  # fmt: skip
_PAIRS = {"min": "max", "max": "min", "sin": "cos", "cos": "sin", "minimum": "maximum", "maximum": "minimum",
          "floor": "ceil", "ceil": "floor"}  # fmt: skip


@dataclass(frozen=True)
class Break:
    """One change: the text of a module from start to end becomes another."""

    module: str
    line: int
    start: int
    end: int
    new: str
    kind: str

    def lines(self, source: str) -> tuple[str, str]:
        """The line before and after."""
        before, after = (
            text.splitlines()[self.line - 1].strip() for text in (source, self.applied(source))
        )
        return before, after

    def told(self, source: str) -> str:
        """File, line, and the line before and after."""
        before, after = self.lines(source)
        return f"{self.module}:{self.line} ({self.kind}): {before}  ->  {after}"

    def applied(self, source: str) -> str:
        return source[: self.start] + self.new + source[self.end :]


def modules() -> list[Path]:
    """The numeric core."""
    found = [PACKAGE / "lattice.py", PACKAGE / "codes.py"]
    for room in ROOMS:
        found += sorted((PACKAGE / room).glob("[!_]*.py"))
    return found


class _Finder(ast.NodeVisitor):
    """Every place of a module that can be broken. Sentences, annotations, decorators and defaults are left."""

    def __init__(self, module: str, source: str) -> None:
        self.module, self.source = module, source
        lines = source.splitlines(keepends=True)
        self.starts = np.cumsum([0, *map(len, lines)])
        self.lines = lines
        self.found: list[Break] = []

    def at(self, line: int, column: int) -> int:
        """Place in the source of a column that counts bytes, as the parser gives it."""
        return int(self.starts[line - 1]) + len(self.lines[line - 1].encode()[:column].decode())

    def span(self, node: ast.expr) -> tuple[int, int]:
        end_line, end_column = node.end_lineno or 0, node.end_col_offset or 0
        return self.at(node.lineno, node.col_offset), self.at(end_line, end_column)

    def add(self, kind: str, start: int, end: int, new: str) -> None:
        line = self.source.count("\n", 0, start) + 1
        self.found.append(Break(self.module, line, start, end, new, kind))

    def between(self, kind: str, left: ast.expr, right: ast.expr, old: str, new: str) -> None:
        start, end = self.span(left)[1], self.span(right)[0]
        place = self.source.find(old, start, end)
        if place >= 0:
            self.add(kind, place, place + len(old), new)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for statement in node.body:
            self.visit(statement)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            if isinstance(statement, ast.FunctionDef):
                self.visit(statement)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Raise(self, node: ast.Raise) -> None: ...

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None: ...

    def visit_Assert(self, node: ast.Assert) -> None: ...

    def visit_BinOp(self, node: ast.BinOp) -> None:
        texts = (isinstance(side, (ast.Constant, ast.JoinedStr)) and not isinstance(getattr(side, "value", 0), (int, float, complex))
                 for side in (node.left, node.right))  # fmt: skip
        if type(node.op) in _SIGNS and not any(texts):
            self.between("sign", node.left, node.right, *_SIGNS[type(node.op)])
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        left = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            if type(operator) in _EDGES:
                self.between("edge", left, right, *_EDGES[type(operator)])
            left = right
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.USub):
            start, _ = self.span(node)
            self.add("minus", start, start + 1, " ")
            if isinstance(node.operand, ast.Constant):
                return  # -1 as a shape or a place from the end: one less means the same or nothing
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if (
            isinstance(node.value, int)
            and not isinstance(node.value, bool)
            and abs(node.value) < 100
        ):
            start, end = self.span(node)
            self.add("one", start, end, str(node.value + 1))

    def visit_Subscript(self, node: ast.Subscript) -> None:
        if isinstance(node.slice, ast.Constant) and node.slice.value in (0, 1):
            start, end = self.span(node.slice)
            self.add("axis", start, end, str(1 - node.slice.value))
            self.visit(node.value)
        else:
            self.generic_visit(node)

    def visit_Tuple(self, node: ast.Tuple) -> None:
        for first, second in zip(node.elts, node.elts[1:], strict=False):
            one, two = ast.unparse(first), ast.unparse(second)
            if isinstance(node.ctx, ast.Load) and one != two and one.replace("x", "y") == two:
                start, end = self.span(first)[0], self.span(second)[1]
                self.add("axis", start, end, f"{two}, {one}")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = (
            node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        )
        if name in _PAIRS:
            _, end = self.span(node.func)
            self.add("ends", end - len(name), end, _PAIRS[name])
        self.generic_visit(node)


def breaks_of(path: Path) -> list[Break]:
    source = path.read_text(encoding="utf-8")
    finder = _Finder(path.relative_to(ROOT).as_posix(), source)
    finder.visit(ast.parse(source))
    return finder.found


def harmless() -> set[tuple[str, str, str]]:
    """Module, line before and line after of the breaks that alter nothing."""
    known = yaml.safe_load(Path(__file__).with_name("harmless.yaml").read_text(encoding="utf-8"))
    return {(each["module"], each["before"], each["after"]) for each in known}


def choose(count: int, seed: int) -> list[Break]:
    """Seeded breaks; each module gets its share by the places that it has, each kind of break a like chance.

    Those that alter nothing are left out. A break's chance comes from its own text, so that another line of
    the source elsewhere seldom makes another choice.
    """
    every: list[Break] = []
    chances: list[float] = []
    known = harmless()
    for path in modules():
        source = path.read_text(encoding="utf-8")
        times: Counter[tuple[str, str]] = Counter()
        for broken in breaks_of(path):
            lines = broken.lines(source)
            times[lines] += 1
            if (broken.module, *lines) not in known:
                every.append(broken)
                text = f"{seed}|{broken.module}|{lines}|{times[lines]}"
                digest = hashlib.blake2b(text.encode(), digest_size=8).digest()
                chances.append((int.from_bytes(digest) + 1) / 2**64)
    kinds = Counter(broken.kind for broken in every)
    # the least exponential waits, at rates that are the weights (Efraimidis and Spirakis 2006)
    waits = [-math.log(u) * kinds[b.kind] for u, b in zip(chances, every, strict=True)]
    return [every[k] for k in sorted(range(len(every)), key=waits.__getitem__)[:count]]


def _looks(tree: Path, module: str) -> Iterator[list[str]]:
    """What to run, in turn: the tests of the break's room, what notices most, and the rest of what stands above."""
    room = Path(module).parts[1]
    if room in ROOMS:
        yield [f"tests/{room}"]
        above = [f"tests/{name}" for name in ROOMS[ROOMS.index(room) + 1 :]]
    else:
        yield ["tests/layout", "tests/wafer"]
        above = ["tests/exposure"]
    whole = [
        f"tests/{p.name}"
        for p in sorted((tree / "tests").glob("test_*.py"))
        if p.stem not in LEFT_OUT and f"tests/{p.name}" not in FIRST
    ]
    review = ["tests/review", "--ignore=tests/review/test_report.py"]
    yield [*FIRST]
    yield [*above, *whole, *review]


def _users() -> dict[str, set[str]]:
    """Module -> the names of the modules that import it, however far removed, itself included."""
    imports: dict[str, set[str]] = {}
    paths = {".".join(p.relative_to(ROOT).with_suffix("").parts): p for p in PACKAGE.rglob("*.py")}
    for name, path in paths.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        froms = [
            node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module
        ]
        imports[name] = {node.module for node in froms if node.module in paths and node.module}
    users = {name: {name} for name in paths}
    grew = True
    while grew:
        grew = False
        for name, held in imports.items():
            for other in held:
                more = users[name] - users[other]
                users[other] |= more
                grew = grew or bool(more)
    return users


@dataclass(frozen=True)
class Tree:
    """A copy of the tree for one break at a time, and its kernels as compiled before any."""

    folder: Path
    users: dict[str, set[str]]

    def run(self, look: list[str]) -> str:
        """The first test that fails, or nothing."""
        environment = {
            **os.environ, "PYTHONPATH": str(self.folder), "NUMBA_CACHE_DIR": str(self.folder / "kernels"),
            "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1",
            "XDG_CACHE_HOME": str(self.folder / "responses"),
        }  # fmt: skip
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *look]
        done = subprocess.run(
            command,
            cwd=self.folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
        )
        if done.returncode == 0:
            return ""
        # pytest was asked for what is not there: nobody has looked at anything
        if done.returncode > 3:
            raise SystemExit(f"{' '.join(command)}: {done.stdout}{done.stderr}")
        failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.M)
        return failed[1] if failed else f"status {done.returncode}"

    def prepare(self) -> None:
        """Compile the kernels, and see that the quicker tests notice nothing yet."""
        failed = self.run(
            [
                "tests/exposure",
                "tests/layout",
                "tests/wafer",
                "tests/test_build.py",
                "tests/test_predict.py",
            ]
        )
        if failed:
            raise SystemExit(f"the tests do not pass before anything is broken: {failed}")
        shutil.copytree(self.folder / "kernels", self.folder / "kernels-whole")

    def noticed(self, broken: Break, looks: int) -> tuple[str, float]:
        """In which look and by which test a break was noticed, or `lives`; and the seconds that it took."""
        path = self.folder / broken.module
        source, stat = path.read_text(encoding="utf-8"), path.stat()
        begin = time.perf_counter()
        shutil.rmtree(self.folder / "kernels", ignore_errors=True)
        shutil.copytree(self.folder / "kernels-whole", self.folder / "kernels")
        name = ".".join(Path(broken.module).with_suffix("").parts)
        for stem in {user.rpartition(".")[2] for user in self.users[name]}:
            for kernel in (self.folder / "kernels").rglob(f"{stem}.*"):
                kernel.unlink()
        path.write_text(broken.applied(source), encoding="utf-8")
        try:
            every = islice(_looks(self.folder, broken.module), looks)
            for number, look in enumerate(every, start=1):
                try:
                    failed = self.run(look)
                except subprocess.TimeoutExpired:
                    failed = "time"
                if failed:
                    return f"look {number}, {failed}", time.perf_counter() - begin
            return "lives", time.perf_counter() - begin
        finally:
            path.write_text(source, encoding="utf-8")
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
            shutil.rmtree(self.folder / "responses", ignore_errors=True)


def _copy(to: Path) -> Path:
    """The tree as it is now, without what was built in it."""
    shutil.copytree(
        ROOT,
        to,
        ignore=shutil.ignore_patterns(".*", "__pycache__", "jobs", "build", "dist", "*.egg-info"),
    )
    return to


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.volume.mutants",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--one", type=int, nargs="+", help="these alone")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--looks", type=int, default=3, help="2: without the slow tests")
    parser.add_argument("--list", action="store_true", help="tell what would be broken")
    asked = parser.parse_args()
    chosen = list(enumerate(choose(asked.count, asked.seed)))
    chosen = [item for item in chosen[asked.first :] if asked.one is None or item[0] in asked.one]
    told = {k: b.told((ROOT / b.module).read_text(encoding="utf-8")) for k, b in chosen}
    if asked.list:
        print("\n".join(f"{k} {text}" for k, text in told.items()))
        return 0
    lives = []
    with tempfile.TemporaryDirectory() as scratch:
        users = _users()
        made = [Tree(_copy(Path(scratch) / str(k)), users) for k in range(asked.jobs)]
        with ThreadPoolExecutor(asked.jobs) as pool:
            list(pool.map(Tree.prepare, made))
        trees: Queue[Tree] = Queue()
        for tree in made:
            trees.put(tree)

        def one(item: tuple[int, Break]) -> tuple[int, str, float]:
            tree = trees.get()
            try:
                return item[0], *tree.noticed(item[1], asked.looks)
            finally:
                trees.put(tree)

        with ThreadPoolExecutor(asked.jobs) as pool:
            for k, verdict, seconds in pool.map(one, chosen):
                print(f"{k} {verdict}, {seconds:.0f} s: {told[k]}", flush=True)
                if verdict == "lives":
                    lives.append(k)
    print(f"\n| breaks | noticed | live |\n|---|---|---|\n| {len(chosen)}, seed {asked.seed} |"
          f" {len(chosen) - len(lives)} | {len(lives)} |")  # fmt: skip
    return bool(lives)


if __name__ == "__main__":
    sys.exit(main())
