"""Labels: every text is read back from its polygons, also through mirrors."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from layoutgen.wafer.glyphs import FORMS, dot_side, label_box, label_polygons

TEXTS = st.text(st.sampled_from(sorted(FORMS)), min_size=1, max_size=12)


def middle_of_ink(text: str) -> tuple[float, float]:
    """Middle of a text's dots, in dots from the lower left corner of its first character."""
    dots = [
        (6 * k + column, 6 - row)
        for k, character in enumerate(text.upper())
        for row, line in enumerate(FORMS[character])
        for column, dot in enumerate(line)
        if dot == "#"
    ]
    if not dots:
        return (6 * len(text) - 1) / 2, 3.5
    xs, ys = zip(*dots, strict=True)
    return (min(xs) + max(xs) + 1) / 2, (min(ys) + max(ys) + 1) / 2


def read_label(polygons: list[NDArray[np.int64]], height_dbu: int, text: str) -> str:
    """Read as many characters as `text` has off the middle of each dot; ? is no character.

    `text` only tells where the characters should stand: its dots are centred on (0, 0).
    """
    side = dot_side(height_dbu)
    middle_x, middle_y = middle_of_ink(text)
    dots = shapely.union_all([shapely.Polygon(p) for p in polygons])
    shapely.prepare(dots)
    known = {rows: character for character, rows in FORMS.items()}
    read = ""
    for k in range(len(text)):
        rows = []
        for row in range(7):
            y = (6.5 - row - middle_y) * side
            xs = [(6 * k + column + 0.5 - middle_x) * side for column in range(5)]
            rows.append("".join(".#"[int(shapely.contains_xy(dots, x, y))] for x in xs))
        read += known.get(tuple(rows), "?")
    return read


def mirror(polygons: list[NDArray[np.int64]]) -> list[NDArray[np.int64]]:
    return [(p * np.array([-1, 1]))[::-1] for p in polygons]


@given(text=TEXTS, height=st.integers(7, 5000))
def test_a_label_reads_back_as_its_text(text: str, height: int) -> None:
    polygons = label_polygons(text, height_dbu=height, mirrored=False)
    assert read_label(polygons, height, text) == text


@given(text=TEXTS, height=st.integers(7, 5000))
def test_a_mirrored_label_reads_right_in_a_mirror(text: str, height: int) -> None:
    polygons = label_polygons(text, height_dbu=height, mirrored=True)
    assert read_label(mirror(polygons), height, text) == text


def test_a_mirrored_label_does_not_read_right_without_one() -> None:
    polygons = label_polygons("3,-12", height_dbu=70, mirrored=True)
    assert read_label(polygons, 70, "3,-12") != "3,-12"


def test_letters_that_mirrors_leave_alone_are_those_of_block_capitals() -> None:
    # In plain block capitals A H I M O T U V W X Y have an upright axis, the others have none.
    same = {c for c in FORMS if c.isalpha() and all(r == r[::-1] for r in FORMS[c])}
    assert same == set("AHIMOTUVWXY")


def test_small_letters_are_drawn_as_capitals() -> None:
    small = label_polygons("cd-a", height_dbu=70, mirrored=False)
    assert read_label(small, 70, "CD-A") == "CD-A"


def test_no_two_characters_look_alike_to_within_two_dots() -> None:
    for a, b in combinations(sorted(FORMS), 2):
        differing = sum(x != y for x, y in zip("".join(FORMS[a]), "".join(FORMS[b]), strict=True))
        assert differing >= 2, (a, b)


@given(text=TEXTS, height=st.integers(7, 100_000))
def test_rectangles_stay_in_the_box_do_not_overlap_and_run_counter_clockwise(
    text: str, height: int
) -> None:
    polygons = label_polygons(text, height_dbu=height, mirrored=False)
    width, high = label_box(text, height)
    shapes = [shapely.Polygon(p) for p in polygons]
    assert all(s.exterior.is_ccw for s in shapes)
    dots = sum(row.count("#") for c in text for row in FORMS[c])
    assert sum(s.area for s in shapes) == dots * dot_side(height) ** 2
    assert shapely.union_all(shapes).area == pytest.approx(dots * dot_side(height) ** 2)
    corners = np.concatenate([*polygons, np.zeros((1, 2), dtype=np.int64)])
    assert np.abs(corners).max(axis=0)[0] <= width // 2
    assert np.abs(corners).max(axis=0)[1] <= high // 2


def test_the_box_of_a_60_um_label_is_within_a_dot_step_of_it() -> None:
    # 60000 / 7 = 8571.4; the nearest even number of steps is 8572
    assert label_box("0,0", 60_000) == (17 * 8572, 7 * 8572)


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(ValueError, match="got 'é€'"):
        label_polygons("é5€é", height_dbu=70, mirrored=False)
    with pytest.raises(ValueError, match="at least 7 database units high, got 6"):
        label_polygons("A", height_dbu=6, mirrored=False)
