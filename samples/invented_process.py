"""An invented process that prints a job, and an invented SEM that measures it.

Nothing here was measured or computed from physics: it stands in for the clean room, so that the loop
of build, measure, refine, build can be tried without one. It fills the empty columns of a job's
sem_sites.csv:

    python samples/invented_process.py JOB MEASURED.csv [ROUND] [--noise 0.8] [--stages resist,master]

    resist     drawn size times a slope, plus what backscattered electrons add (it levels off towards high
               densities, and small pillars get more of it), plus a radial term of the coater
    master     resist less what the etch takes, a little more where it is dense
    a replica  master plus a bias of its own, not quite that of the recipe

Dies written with more dose come out larger. The SEM reads with noise, and now and then it measures a
neighbour or a particle. ROUND draws other noise; the process stays the same.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path
from typing import Any

import numpy as np

INVENTED = "invented process; invented SEM"
SLOPE = 0.94  # d(printed)/d(drawn)
RADIAL_NM = -2.2  # at the rim of the wafer
WAFER_RADIUS_MM = 100.0
REPLICA_NM = {"imprint": 4.4, "etch": -1.7}  # on top of the master, cumulated
MORE_DOSE_NM = {"hot": 5.0}  # by the die's name in the recipe
GROSS_SHARE = 0.03


def printed_nm(
    density: Any, master_nm: Any, drawn_nm: Any, radius_mm: Any, stage: str, die: str = ""
) -> Any:
    """The diameter that the process makes, of numbers or arrays; the SEM has not looked yet."""
    backscatter = 26.0 * (1 - np.exp(-density / 0.45)) * (0.85 + 30.0 / master_nm)
    resist = master_nm + SLOPE * (drawn_nm - master_nm) - 5.5 + backscatter
    resist += RADIAL_NM * (radius_mm / WAFER_RADIUS_MM) ** 2 + MORE_DOSE_NM.get(die, 0.0)
    if stage == "resist":
        return resist
    master = resist - 1.5 - 6.0 * (density - 0.25)
    return master if stage == "master" else master + REPLICA_NM[stage]


def fill(text: str, stages: list[str], *, noise_nm: float, seed: int) -> str:
    """The text of a sem_sites.csv with the sizes that the SEM reads at these stages."""
    head, columns, *lines = text.splitlines()
    names = columns.split(",")
    rng = np.random.default_rng(seed)
    out = [head, columns]
    for cells in csv.reader(lines):
        row = dict(zip(names, cells, strict=True))
        noise, gross, far = rng.normal(), rng.uniform(), rng.uniform(8, 30)
        if row["stage"] in stages:
            size = printed_nm(
                float(row["density"]), float(row["master_nm"]), float(row["drawn_nm"]),
                float(np.hypot(float(row["x_mm"]), float(row["y_mm"]))), row["stage"], row["die"],
            )  # fmt: skip
            size += noise_nm * noise
            if noise_nm and gross < GROSS_SHARE:
                size += far if gross < GROSS_SHARE / 2 else -far
            row |= {"measured_nm": f"{size:.2f}", "count": row["count"] or "1", "note": INVENTED}
            if noise_nm:
                row["sigma_nm"] = f"{noise_nm:g}"
        out.append(",".join(row[name] for name in names))
    return "\n".join(out) + "\n"


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("job", type=Path)
    words.add_argument("measured", type=Path)
    words.add_argument("round", type=int, nargs="?", default=1, help="draws other noise")
    words.add_argument("--noise", type=float, default=0.8, help="of one reading, in nm")
    words.add_argument("--stages", default="resist,master")
    asked = words.parse_args()
    text = (asked.job / "sem_sites.csv").read_text(encoding="utf-8")
    filled = fill(text, asked.stages.split(","), noise_nm=asked.noise, seed=asked.round)
    asked.measured.write_text(filled, encoding="utf-8", newline="\n")
    count = sum(line.endswith(INVENTED) for line in filled.splitlines())
    sys.stdout.write(f"{asked.measured}: {count} sizes, {INVENTED}\n")


if __name__ == "__main__":
    main()
