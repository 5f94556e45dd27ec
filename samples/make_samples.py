"""Write the sample tables: libraries and first bias tables of the recipes in recipes/.

The numbers are invented. They are smooth, have the right signs (phase rises with diameter; where
pillars are exposed, dense areas get a negative bias) and the size that such tables have, but
nothing was measured or computed by a field solver. Only + - * / are used, so the files come out
byte for byte the same on every machine.

    python samples/make_samples.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

INVENTED = "invented for this demonstration; not measured, not computed"


def smooth_step(u: float) -> float:
    """From 0 at u = 0 to 1 at u = 1, without slope at either end."""
    return u * u * (3 - 2 * u)


def library(
    header: list[str], low_nm: int, high_nm: int, first_rad: float, span_rad: float, dip: float
) -> str:
    """Phase from first_rad over span_rad, half of it even and half an S; transmission with two dips."""
    lines = [*header, f"# {INVENTED}", "diameter_nm,phase_rad,transmission"]
    for d in range(low_nm, high_nm + 1):
        u = (d - low_nm) / (high_nm - low_nm)
        phase = first_rad + span_rad * (0.5 * u + 0.5 * smooth_step(u))
        wave = 16 * u * (1 - u) * (0.5 - u) * (0.5 - u)  # 0 at both ends and in the middle
        transmission = 0.98 - dip * 4 * wave - 0.02 * u
        lines.append(f"{d},{phase:.5f},{transmission:.5f}")
    return "\n".join(lines) + "\n"


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
        "libraries/asi-940nm.csv": library(
            [
                "# name: asi-940nm",
                "# lattice: {kind: square, pitch: 400 nm}",
                "# wavelengths: [940 nm]",
                "# light_from: substrate",
                "# stack:",
                "#   substrate: {index: 1.45}",
                "#   pillars: {index: 3.6, height: 600 nm, around: {index: 1}, shape: disc}",
                "#   superstrate: {index: 1}",
                "# diameter: {min: 100 nm, max: 320 nm, step: 1 nm}",
            ],
            100, 320, 0.35, 7.6, 0.09,
        ),
        "libraries/sin-633nm.csv": library(
            [
                "# name: sin-633nm",
                "# lattice: {kind: square, pitch: 300 nm}",
                "# wavelengths: [633 nm]",
                "# light_from: substrate",
                "# stack:",
                "#   substrate: {index: 1.457}",
                "#   pillars: {index: 2.04, height: 900 nm, around: {index: 1}, shape: disc}",
                "#   superstrate: {index: 1}",
                "# diameter: {min: 70 nm, max: 250 nm, step: 1 nm}",
            ],
            70, 250, 0.22, 7.4, 0.07,
        ),
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
