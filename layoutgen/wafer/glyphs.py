"""Letters for labels: dots on a grid of five columns and seven rows, drawn as rectangles.

The letterforms are our own: capitals, digits and the signs that names and places need. Small
letters are written as capitals. Each character takes six columns, the last one empty, so a text
of n characters is 6 n - 1 dots wide and 7 high. The dot's side is the nearest even number of
database units to height / 7, at least 2, so that a label's box has its centre on the grid.

Runs of dots in a row that stand on equal runs are merged, so a character is a few rectangles that
touch and do not overlap: simple polygons without holes in any file format.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["dot_side", "label_box", "label_polygons", "unknown_characters"]

Polygon = NDArray[np.int64]

COLUMNS, ROWS, ADVANCE = 5, 7, 6

# Rows from the top, as the eye reads them; # is a dot.
_FORMS = """
A .###. #...# #...# ##### #...# #...# #...#
B ####. #...# #...# ####. #...# #...# ####.
C .#### #.... #.... #.... #.... #.... .####
D ####. #...# #...# #...# #...# #...# ####.
E ##### #.... #.... ####. #.... #.... #####
F ##### #.... #.... ####. #.... #.... #....
G .#### #.... #.... #..## #...# #...# .####
H #...# #...# #...# ##### #...# #...# #...#
I ##### ..#.. ..#.. ..#.. ..#.. ..#.. #####
J ..### ...#. ...#. ...#. ...#. #..#. .##..
K #...# #..#. #.#.. ##... #.#.. #..#. #...#
L #.... #.... #.... #.... #.... #.... #####
M #...# ##.## #.#.# #.#.# #...# #...# #...#
N #...# ##..# ##..# #.#.# #..## #..## #...#
O .###. #...# #...# #...# #...# #...# .###.
P ####. #...# #...# ####. #.... #.... #....
Q .###. #...# #...# #...# #.#.# #..#. .##.#
R ####. #...# #...# ####. #.#.. #..#. #...#
S .#### #.... #.... .###. ....# ....# ####.
T ##### ..#.. ..#.. ..#.. ..#.. ..#.. ..#..
U #...# #...# #...# #...# #...# #...# .###.
V #...# #...# #...# #...# .#.#. .#.#. ..#..
W #...# #...# #...# #.#.# #.#.# ##.## #...#
X #...# #...# .#.#. ..#.. .#.#. #...# #...#
Y #...# #...# .#.#. ..#.. ..#.. ..#.. ..#..
Z ##### ....# ...#. ..#.. .#... #.... #####
0 .###. #..## #..## #.#.# ##..# ##..# .###.
1 ..#.. .##.. #.#.. ..#.. ..#.. ..#.. #####
2 .###. #...# ....# ..##. .#... #.... #####
3 ####. ....# ....# .###. ....# ....# ####.
4 #..#. #..#. #..#. ##### ...#. ...#. ...#.
5 ##### #.... ####. ....# ....# #...# .###.
6 .###. #.... #.... ####. #...# #...# .###.
7 ##### ....# ....# ...#. ..#.. ..#.. ..#..
8 .###. #...# #...# .###. #...# #...# .###.
9 .###. #...# #...# .#### ....# ....# .###.
- ..... ..... ..... .###. ..... ..... .....
+ ..... ..#.. ..#.. ##### ..#.. ..#.. .....
_ ..... ..... ..... ..... ..... ..... #####
. ..... ..... ..... ..... ..... .##.. .##..
, ..... ..... ..... ..... ..##. ..#.. .#...
/ ....# ....# ...#. ..#.. .#... #.... #....
: ..... .##.. .##.. ..... .##.. .##.. .....
[ .###. .#... .#... .#... .#... .#... .###.
] .###. ...#. ...#. ...#. ...#. ...#. .###.
( ...#. ..#.. .#... .#... .#... ..#.. ...#.
) .#... ..#.. ...#. ...#. ...#. ..#.. .#...
# .#.#. .#.#. ##### .#.#. ##### .#.#. .#.#.
""".strip()
FORMS: dict[str, tuple[str, ...]] = {
    line[0]: tuple(line.split(" ")[1:]) for line in _FORMS.splitlines()
}
FORMS[" "] = (".....",) * ROWS


def unknown_characters(text: str) -> str:
    """The characters of a text that have no letterform, each once, in order."""
    return "".join(dict.fromkeys(c for c in text if _form_name(c) not in FORMS))


def _form_name(character: str) -> str:
    return character.upper() if character.isascii() else character


def dot_side(height_dbu: int) -> int:
    """Side of a dot for letters of about this height; raises ValueError under 7 database units."""
    if height_dbu < ROWS:
        raise ValueError(f"want a label at least {ROWS} database units high, got {height_dbu}")
    return max(2, 2 * ((height_dbu + ROWS) // (2 * ROWS)))


def label_box(text: str, height_dbu: int) -> tuple[int, int]:
    """Width and height of a label's box, that of its dots, in database units, both even."""
    side = dot_side(height_dbu)
    x0, y0, x1, y1 = _inked(text)
    return (x1 - x0) * side, (y1 - y0) * side


@lru_cache(maxsize=4096)
def _inked(text: str) -> tuple[int, int, int, int]:
    """The box around a text's dots, in dots from the lower left corner of its first character."""
    boxes = [
        (ADVANCE * k + x0, y0, ADVANCE * k + x1, y1)
        for k, character in enumerate(text)
        if _form_name(character) in FORMS
        for x0, y0, x1, y1 in _rectangles(character)
    ]
    if not boxes:  # nothing but blanks
        return 0, 0, ADVANCE * len(text) - 1, ROWS
    return (
        min(b[0] for b in boxes),
        min(b[1] for b in boxes),
        max(b[2] for b in boxes),
        max(b[3] for b in boxes),
    )


@lru_cache(maxsize=256)
def _rectangles(character: str) -> tuple[tuple[int, int, int, int], ...]:
    """A character as (x0, y0, x1, y1) in dots from its lower left corner, y up."""
    rows = FORMS[_form_name(character)][::-1]
    done: list[tuple[int, int, int, int]] = []
    open_runs: dict[tuple[int, int], int] = {}  # (first column, end) -> row where it began
    for y in range(ROWS + 1):
        runs = set(_runs(rows[y])) if y < ROWS else set()
        for run in sorted(open_runs):
            if run not in runs:
                done.append((run[0], open_runs.pop(run), run[1], y))
        for run in sorted(runs):
            open_runs.setdefault(run, y)
    return tuple(done)


def _runs(row: str) -> list[tuple[int, int]]:
    runs, start = [], None
    for x, dot in enumerate(row + "."):
        if dot == "#" and start is None:
            start = x
        elif dot != "#" and start is not None:
            runs.append((start, x))
            start = None
    return runs


def glyph_polygons(character: str, *, height_dbu: int, mirrored: bool) -> list[Polygon]:
    """Rectangles of one character from its lower left corner, (4, 2) int64, counter-clockwise.

    mirrored turns x into -x. A blank has none.
    """
    side = dot_side(height_dbu)
    polygons = []
    for x0, y0, x1, y1 in _rectangles(character):
        low, high = (-x1 * side, -x0 * side) if mirrored else (x0 * side, x1 * side)
        bottom, top = y0 * side, y1 * side
        polygons.append(
            np.array([[low, bottom], [high, bottom], [high, top], [low, top]], dtype=np.int64)
        )
    return polygons


def glyph_places(text: str, *, height_dbu: int, mirrored: bool) -> list[tuple[str, int, int]]:
    """Each character of a text, as its form is named, with the place of its corner.

    The label's box is centred on (0, 0). ValueError for a character without a form or a height
    under 7 database units.
    """
    unknown = unknown_characters(text)
    if unknown:
        raise ValueError(f"want letters, digits and - + _ . , / : [ ] ( ) #, got {unknown!r}")
    side = dot_side(height_dbu)
    x0, y0, x1, y1 = _inked(text)
    half = side // 2  # a dot's side is even
    sign = -1 if mirrored else 1
    return [
        (
            _form_name(character),
            sign * (2 * ADVANCE * k - x0 - x1) * half,
            -(y0 + y1) * half,
        )
        for k, character in enumerate(text)
    ]


def label_polygons(text: str, *, height_dbu: int, mirrored: bool) -> list[Polygon]:
    """Rectangles of a text whose box is centred on (0, 0), (4, 2) int64, counter-clockwise.

    mirrored turns x into -x: what reads right on the part when the layout is mirrored. Raises
    ValueError for a character without a form or a height under 7 database units.
    """
    return [
        polygon + np.array([x, y], dtype=np.int64)
        for character, x, y in glyph_places(text, height_dbu=height_dbu, mirrored=mirrored)
        for polygon in glyph_polygons(character, height_dbu=height_dbu, mirrored=mirrored)
    ]
