"""How long a pillar library takes: CPU seconds on one core, without the cache.

    python -m tests.benchmarks.library

The silicon sample over 200 diameters with its checks, and the time of one diameter at both numbers of
orders (medians). Prints Markdown.
"""

from __future__ import annotations

import statistics
import time
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from threadpoolctl import threadpool_limits

from layoutgen.pipeline.library import array_of, library, load_spec
from tests.benchmarks.speed import machine

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "samples" / "libraries" / "asi-940nm.yaml"


def main() -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "spec.yaml"
        path.write_text(SAMPLE.read_text().replace("max: 330 nm", "max: 299 nm"))
        loaded = load_spec(path)
    array = array_of(loaded.spec, 940.0)
    print(f"{machine()}; {date.today()}; python -m tests.benchmarks.library\n")
    print("| what | CPU s |\n|---|---|")
    with threadpool_limits(limits=1, user_api="blas"):
        for orders in (loaded.spec.orders, 2 * loaded.spec.orders):
            times = []
            for diameter_nm in range(150, 160):
                started = time.process_time()
                array.respond(diameter_nm, orders)
                times.append(time.process_time() - started)
            print(
                f"| one diameter, at most {orders} orders | {statistics.median(times):.3f} |",
                flush=True,
            )
    started = time.process_time()
    (rows,) = library(loaded, jobs=1, cached=False).wavelengths
    spent = time.process_time() - started
    print(f"| {len(rows.size_nm)} diameters and {int(rows.checked.sum())} checks | {spent:.1f} |")


if __name__ == "__main__":
    main()
