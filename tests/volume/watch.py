"""One case under watch, and many of them: the clock, the memory, the counts and the table of a volume run."""

from __future__ import annotations

import argparse
import collections
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from layoutgen.errors import LayoutgenError

__all__ = ["LONGEST_S", "MOST_MB", "Case", "Work", "run_many", "watched"]

LONGEST_S = 10.0
#: What a case may add to the memory that the process holds before it: 1 GB less the 310 MB or so of the program itself.
MOST_MB = 700.0

#: What a case does: its verdict and what was said. LayoutgenError is a refusal, anything else a failure.
Work = Callable[[], tuple[str, str]]


@dataclass(frozen=True)
class Case:
    """How one case ended. peak_mb: the most memory that it added to what the process held before."""

    verdict: str
    said: str
    seconds: float
    peak_mb: float


class TooSlow(BaseException):
    """A case took longer than it may."""


def _forget_peak() -> None:
    """Let the kernel count the peak anew, where it can (proc(5), clear_refs)."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def _held_mb(which: str) -> float:
    """VmRSS, what is held now, or VmHWM, the most since `_forget_peak`; of the whole run where the kernel cannot tell."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{which}:")) / 1024


def watched(work: Work) -> Case:
    """Do the work of one case: `failed` with any exception but the package's own, over time or memory."""

    def late(_signal: int, _frame: FrameType | None) -> None:
        raise TooSlow

    before = signal.signal(signal.SIGALRM, late)
    _forget_peak()
    held_mb = _held_mb("VmRSS")
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    begin = time.perf_counter()
    try:
        verdict, said = work()
    except LayoutgenError as error:
        verdict, said = "refused", str(error)
    except TooSlow:
        verdict, said = "failed", f"over {LONGEST_S:g} s"
    except Exception:
        verdict, said = "failed", traceback.format_exc(limit=-4)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    seconds, peak_mb = time.perf_counter() - begin, _held_mb("VmHWM") - held_mb
    if verdict == "refused" and not said.strip():
        verdict, said = "failed", "refused without a word"
    if peak_mb > MOST_MB:
        verdict, said = "failed", f"{peak_mb:.0f} MB more, over {MOST_MB:g} MB; {verdict}: {said}"
    return Case(verdict, said, seconds, peak_mb)


def run_many(
    name: str, description: str | None, verdicts: tuple[str, ...], run: Callable[[int, int], Case]
) -> int:
    """The command of a volume run: cases by seed and number, a row of counts, and 1 where one failed."""
    parser = argparse.ArgumentParser(
        prog=f"python -m {name}",
        description=description,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--count", type=int, default=10_000, help="how many cases")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--one", type=int, help="this case alone, and what was said of it")
    asked = parser.parse_args()
    numbers = range(asked.first, asked.first + asked.count)
    counts: collections.Counter[str] = collections.Counter()
    slowest, largest = (0.0, -1), (0.0, -1)
    for number in numbers if asked.one is None else [asked.one]:
        case = run(asked.seed, number)
        counts[case.verdict] += 1
        slowest, largest = (
            max(slowest, (case.seconds, number)),
            max(largest, (case.peak_mb, number)),
        )
        if case.verdict == "failed" or asked.one is not None:
            print(f"case {number} {case.verdict}:\n{case.said}", file=sys.stderr)
    columns = ("cases", *verdicts, "failed", "slowest", "peak")
    cells = (
        f"{counts.total()}, seed {asked.seed}",
        *(str(counts[verdict]) for verdict in (*verdicts, "failed")),
        f"{slowest[0]:.2f} s, case {slowest[1]}",
        f"{largest[0]:.0f} MB, case {largest[1]}",
    )
    for row in (columns, ("---",) * len(columns), cells):
        print(f"| {' | '.join(row)} |")
    return int(counts["failed"] > 0)
