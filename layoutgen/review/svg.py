"""Drawings for the review page as SVG and PNG that are the same bytes on every machine.

Colours of sizes are viridis (S. van der Walt & N. Smith, 2015), here from 33 of its colours with
straight lines between; kinds have those of Okabe and Ito. Maps are PNG with a palette (RFC 2083),
packed by a deflate that gives equal bytes everywhere.
"""

from __future__ import annotations

import base64
import math
import struct
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import pairwise

import numpy as np
from isal import isal_zlib
from markupsafe import Markup, escape
from numpy.typing import NDArray

from layoutgen.review.window import Drawn

__all__ = ["KINDS", "bars", "map_png", "outline_path", "squares_path", "viridis", "window_svg"]

FloatArray = NDArray[np.float64]

KINDS = ("#56B4E9", "#E69F00", "#009E73", "#CC79A7", "#F0E442", "#D55E00", "#0072B2", "#999999")
_VIRIDIS = (
    "440154", "470d60", "48186a", "482374", "472d7b", "453781", "424086", "3e4989", "3b528b", "375b8d", "33638d",
    "2f6b8e", "2c728e", "297a8e", "26828e", "23898e", "21918c", "1f988b", "1fa088", "22a785", "28ae80", "32b67a",
    "3fbc73", "4ec36b", "5ec962", "70cf57", "84d44b", "98d83e", "addc30", "c2df23", "d8e219", "ece51b", "fde725",
)  # fmt: skip
_ANCHORS = tuple(tuple(float(int(c[k : k + 2], 16)) for k in (0, 2, 4)) for c in _VIRIDIS)


def viridis(share: float) -> str:
    """The colour at a share from 0 to 1, #rrggbb."""
    red, green, blue = _colour(share)
    return f"#{red:02x}{green:02x}{blue:02x}"


def _colour(share: float) -> tuple[int, int, int]:
    at = min(max(share, 0.0), 1.0) * (len(_ANCHORS) - 1)
    k = min(int(at), len(_ANCHORS) - 2)
    part = at - k
    red, green, blue = (
        int(low + part * (high - low) + 0.5)
        for low, high in zip(_ANCHORS[k], _ANCHORS[k + 1], strict=True)
    )
    return red, green, blue


@cache
def _palette() -> bytes:
    """Black, for what is clear, and the colours of 255 even steps."""
    return bytes(3) + b"".join(bytes(_colour(k / 254)) for k in range(255))


def dark(share: float) -> bool:
    """Whether a colour of viridis wants light letters, by its luminance (ITU-R BT.709)."""
    red, green, blue = _colour(share)
    return (0.2126 * red + 0.7152 * green + 0.0722 * blue) / 255 < 0.45


def outline_path(points: Iterable[tuple[int, int]]) -> str:
    """A closed path; y is turned over, as SVG counts it downwards."""
    return "M" + "L".join(f"{x},{-y}" for x, y in points) + "z"


def squares_path(centres: Iterable[tuple[int, int]], half: tuple[int, int]) -> str:
    """Rectangles around centres, as one path."""
    width, height = 2 * half[0], 2 * half[1]
    return "".join(f"M{x - half[0]},{-y - half[1]}h{width}v{height}h-{width}z" for x, y in centres)


def window_svg(
    key: str, drawn: Sequence[tuple[Drawn, str, str, bool]], lines: Sequence[Drawn],
    box: tuple[int, int, int, int], title: str,
) -> Markup:  # fmt: skip
    """A window of the layout: polygons in database units around its centre.

    key: of its own among the page's. drawn: each outline with its number (or nothing), its fill, and whether
    that is dark. The numbers stand on the pillars.
    """
    cx, cy = (box[0] + box[2]) // 2, (box[1] + box[3]) // 2
    width, height = box[2] - box[0], box[3] - box[1]
    parts = [
        f'<svg class="window" id="{escape(key)}" viewBox="{box[0] - cx} {cy - box[3]} {width} {height}"'
        f' tabindex="0" role="img" aria-label="{escape(title)}">'
    ]
    thin = max(1, width // 300)
    for line in lines:
        for polygon in line.polygons():
            if not _comes_by(polygon, box):
                continue
            path = outline_path((x - cx, y - cy) for x, y in polygon.tolist())
            parts.append(f'<path class="line" stroke-width="{thin}" d="{path}"/>')
    letters: list[str] = []
    for k, (each, number, fill, is_dark) in enumerate(drawn):
        shape = f"{escape(key)}s{k}"
        words, pale = escape(number), ' class="pale"' if is_dark else ""
        low, high = each.outline.min(axis=0), each.outline.max(axis=0)
        middle = ((low + high) // 2).tolist()
        path = outline_path((x, y) for x, y in each.outline.tolist())
        parts.append(f'<defs><path id="{shape}" d="{path}"/></defs>')
        parts.append(f'<g fill="{escape(fill)}" data-d="{words}">')
        size = int(high[0] - low[0]) // max(3, len(number))
        for x, y in each.places.tolist():
            parts.append(f'<use href="#{shape}" x="{x - cx}" y="{cy - y}"/>')
            if number:
                letters.append(
                    f'<text x="{x - cx + middle[0]}" y="{cy - y - middle[1]}" font-size="{size}"{pale}>{words}</text>'
                )
        parts.append("</g>")
    return Markup("".join([*parts, *letters, "</svg>"]))  # every text in it is escaped above


def _comes_by(polygon: NDArray[np.int64], box: tuple[int, int, int, int]) -> bool:
    """Whether a side of a polygon (n, 2), not closed, comes near a box: the box of the side touches it."""
    ends = polygon, np.roll(polygon, -1, axis=0)
    low, high = np.minimum(*ends), np.maximum(*ends)
    return bool(((high >= box[:2]) & (low <= box[2:])).all(axis=1).any())


def bars(
    series: Sequence[tuple[str, Sequence[tuple[float, float]]]], unit: str, title: str
) -> Markup:
    """Shares over sizes as steps, one line a series: (name, [(size, share)])."""
    width, height, left, low = 640, 220, 46, 30
    sizes = [x for _, points in series for x, _ in points]
    shares = [y for _, points in series for _, y in points]
    if not sizes:
        return Markup("")
    x0, x1 = min(sizes), max(sizes)
    top = max(shares) or 1.0
    step = min((b - a for _, p in series for (a, _), (b, _) in pairwise(p)), default=1.0)
    span = x1 - x0 + step

    def at(x: float, y: float) -> str:
        px = left + (x - x0 + step / 2) / span * (width - left - 10)
        return f"{px:.1f},{height - low - y / top * (height - low - 14):.1f}"

    parts = [
        Markup('<svg class="chart" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
            width, height, title
        )
    ]
    for k, (name, points) in enumerate(series):
        path = ""
        last = None
        for x, y in points:
            if last is None or x - last > step * 1.5:
                path += (
                    f"M{at(x - step / 2, 0)}"
                    if last is None
                    else f"L{at(last + step / 2, 0)}L{at(x - step / 2, 0)}"
                )
            path += f"L{at(x - step / 2, y)}L{at(x + step / 2, y)}"
            last = x
        path += f"L{at((last or 0.0) + step / 2, 0)}"
        parts.append(
            Markup('<path class="series s{}" d="{}"/><text class="key s{}" x="{}" y="{}">{}</text>').format(
                k, path, k, width - 150, 20 + 16 * k, name
            )
        )  # fmt: skip
    for tick in _ticks(x0, x1):
        place = at(tick, 0).partition(",")[0]
        parts.append(
            Markup('<text class="tick" x="{}" y="{}">{}</text>').format(
                place, height - low + 16, f"{tick:g}"
            )
        )
    parts.append(
        Markup('<path class="axis" d="M{},{}H{}"/><text class="tick" x="{}" y="{}">{}</text>'
               '<text class="share" x="4" y="20">{} %</text></svg>').format(
            left, height - low, width - 10, (left + width) // 2, height - 2, unit, f"{100 * top:.2g}")
    )  # fmt: skip
    return Markup("").join(parts)


def _ticks(low: float, high: float) -> list[float]:
    if high <= low:
        return [low]
    power = 10 ** math.floor(math.log10((high - low) / 4))
    step = next(s * power for s in (1, 2, 5, 10) if (high - low) / (s * power) <= 8)
    first = math.ceil(low / step)
    return [k * step for k in range(first, math.floor(high / step) + 1)]


def map_png(values: FloatArray, low: float, high: float) -> str:
    """A map as a data address of a PNG; row 0 is the lowest, nan is clear."""
    span = high - low if high > low else 1.0
    index = np.floor(np.clip((values - low) / span, 0.0, 1.0) * 254 + 0.5)
    pixels = np.where(np.isfinite(values), np.nan_to_num(index) + 1, 0).astype(np.uint8)[::-1]
    rows, cols = pixels.shape
    raw = b"".join(b"\0" + pixels[r].tobytes() for r in range(rows))
    # level 0, whose bytes are the same in every process (see layout.oasis)
    packed = isal_zlib.compress(raw, 0, wbits=15)
    header = struct.pack(">IIBBBBB", cols, rows, 8, 3, 0, 0, 0)
    chunks = (
        (b"IHDR", header),
        (b"PLTE", _palette()),
        (b"tRNS", b"\0"),
        (b"IDAT", packed),
        (b"IEND", b""),
    )
    data = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", isal_zlib.crc32(kind + body))
        for kind, body in chunks
    )
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")
