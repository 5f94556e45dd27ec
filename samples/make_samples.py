"""Write the first bias tables of the recipes in recipes/.

The numbers are invented. They are smooth, have the right sign (where pillars are exposed, dense areas
get a negative bias) and the size that such tables have, but nothing was measured or computed. Only
+ - * / are used, so the files come out byte for byte the same on every machine.

    python samples/make_samples.py [FOLDER]

The libraries in samples/libraries/ are no invention: each is computed from the spec beside it,

    layoutgen library samples/libraries/asi-940nm.yaml --out samples/libraries/asi-940nm.csv
"""

from __future__ import annotations

import sys
from pathlib import Path

INVENTED = "invented for this demonstration; not measured, not computed"


def bias(header: list[str], diameters_nm: range, reference_nm: float, slope_nm: float) -> str:
    """Zero at density 0.25 and the reference diameter, smaller where it is denser."""
    lines = [*header, f"# {INVENTED}", "density,diameter_nm,bias_nm"]
    for tenth in range(9):
        density = tenth / 10
        for d in diameters_nm:
            share = 0.8 + 0.2 * reference_nm / d  # small pillars feel the background a little more
            value = -slope_nm * (density - 0.25) / (1 + 0.4 * density) * share
            lines.append(f"{density:.1f},{d},{value:.2f}")
    return "\n".join(lines) + "\n"


def tables() -> dict[str, str]:
    """File name below samples/ -> text."""
    return {
        "bias/start.csv": bias(["# name: start, for asi-940nm"], range(80, 341, 20), 200, 44),
        "bias/start-633nm.csv": bias(
            ["# name: start, for sin-633nm"], range(60, 261, 20), 150, 36
        ),
    }  # fmt: skip


def main(folder: Path) -> None:
    for name, text in tables().items():
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
