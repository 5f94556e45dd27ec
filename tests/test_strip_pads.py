"""Strip pads, for cleaving, step heights and films: closed forms, and klayout's reading of the built file."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import pytest

import layoutgen as lg
from layoutgen.errors import InputError
from layoutgen.recipe.model import StripPad
from layoutgen.wafer.pads import row_extent, row_of_squares
from tests.e2e_recipes import FULL, Recipe, klayout_pillars, write

STRIPS = {
    "name": "cleave", "kind": "strips", "diameters": ["140 nm", "200 nm", "180 nm"],
    "length": "36 um", "width": "8 um", "blank": True,
}  # fmt: skip


def recipe(direction: str, exposed: str, transfers: str) -> Any:
    def change(data: Recipe) -> None:
        data["pads"] = [{**STRIPS, "direction": direction}]
        data["dies"]["test"] = [{"pad": "cleave", "at": ["10 um", "20 um"]}]
        data["replication"]["transfers"] = transfers
        data["exposure"]["exposed"] = exposed
        if exposed == "background":
            data["exposure"]["frame_width"] = "5 um"
        data["wafer"]["instead"] = [{"die": "test", "sites": [[0, 0]]}]
        data["dies"] = {key: data["dies"][key] for key in ("lens", "test")}
        del data["deflectors"]

    return change


@pytest.mark.parametrize("transfers", ["even", "odd"])
@pytest.mark.parametrize("exposed", ["shapes", "background"])
@pytest.mark.parametrize("direction", ["x", "y"])
def test_strips_are_written_where_they_should_be(
    tmp_path: Path, direction: str, exposed: str, transfers: str
) -> None:
    # 36 um by 8 um at a pitch of 400 nm hold 90 by 20 sites; the blank strip, the fourth, holds none
    path = write(tmp_path, FULL, recipe(direction, exposed, transfers))
    job = lg.build(lg.load_recipe(path), tmp_path / "out")
    assert job.manifest["verified"]
    x, y, size = klayout_pillars(job.layout("oasis"), (-80_000, -80_000, 80_000, 80_000), {2}).T
    flip = -1 if transfers == "odd" else 1
    x, y = flip * x - 10_000, y - 20_000  # from the pad's centre, on the part
    along, across = (x, y) if direction == "x" else (y, x)
    assert len(x) == 3 * 90 * 20
    assert np.abs(along).max() == 17_800  # 45 sites each way from the middle
    strips = np.floor((across + 16_000) / 8_000).astype(int)
    assert np.unique(strips).tolist() == [0, 1, 2]
    # 140, 200 and 180 nm, less the table's 20 nm times the exposed share: up to 0.3, or from 0.3 to 0.9 around them
    for k, master in enumerate((140, 200, 180)):
        bias = size[strips == k] - master
        low, high = (-6, 0) if exposed == "shapes" else (-19, -5)
        assert low - 0.6 <= bias.min() <= bias.max() <= high + 0.6


def test_the_blank_strip_is_floor_in_the_background_tone(tmp_path: Path) -> None:
    # the writer exposes frames less shapes: the frame covers the blank strip, and no shape stands there
    path = write(tmp_path, FULL, recipe("x", "background", "even"))
    job = lg.build(lg.load_recipe(path), tmp_path / "out", verify=False)
    layout = kdb.Layout()
    layout.read(str(job.layout("oasis")))
    frames = kdb.Region(layout.top_cell().begin_shapes_rec(layout.layer(4, 0))).merged()
    pad = kdb.Box(10_000 - 18_000, 20_000 - 16_000, 10_000 + 18_000, 20_000 + 16_000)
    assert (kdb.Region(pad.enlarged(5_000, 5_000)) - frames).is_empty()
    blank = kdb.Region(kdb.Box(pad.left, 20_000 + 8_000, pad.right, pad.top))
    shapes = kdb.Region(layout.top_cell().begin_shapes_rec(layout.layer(1, 2)))
    assert (shapes & blank).is_empty()


def test_places_are_counted_and_centred() -> None:
    pad = StripPad.model_validate({**STRIPS, "direction": "y"})
    squares = row_of_squares(pad, Fraction(1), mirrored=False)
    assert [(s.x_low, s.x_high) for s in squares] == [(-16e3, -8e3), (-8e3, 0), (0, 8e3)]
    assert {(s.y_low, s.y_high) for s in squares} == {(-18e3, 18e3)}
    assert row_extent(pad, Fraction(1)) == (16e3, 18e3)
    mirrored = row_of_squares(pad, Fraction(1), mirrored=True)
    assert [(s.x_low, s.x_high) for s in mirrored] == [(8e3, 16e3), (0, 8e3), (-8e3, 0)]
    closed = StripPad.model_validate({**STRIPS, "blank": False})
    assert row_extent(closed, Fraction(1)) == (18e3, 12e3)


def test_the_blank_strip_keeps_its_place(tmp_path: Path) -> None:
    def change(data: Recipe) -> None:
        recipe("x", "shapes", "even")(data)
        # 13 um above the pad's centre lies the blank strip
        label = {"label": {"text": "X"}, "at": ["10 um", "33 um"], "height": "7 um"}
        data["dies"]["test"].append(label)

    found = lg.check(lg.load_recipe(write(tmp_path, FULL, change)))
    assert any("cleave" in problem and "label" in problem for problem in found.problems)


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [
        ("length", "300 nm", "want at least one pitch (400 nm), got 300 nm"),
        ("width", "0.1 um", "want at least one pitch (400 nm), got 100 nm"),
        ("length", "1 km", "length"),
        ("direction", "z", "direction"),
        ("blank", "perhaps", "blank"),
        ("diameters", [], "diameters"),
        ("diameters", ["140"], "diameters"),
        ("size", "5 um", "size"),
    ],
)
def test_faults_are_told(tmp_path: Path, key: str, value: Any, sentence: str) -> None:
    def change(data: Recipe) -> None:
        recipe("x", "shapes", "even")(data)
        data["pads"][0][key] = value

    with pytest.raises(InputError) as caught:
        lg.load_recipe(write(tmp_path, FULL, change))
    assert len(caught.value.problems) == 1
    assert "pads[0]" in caught.value.problems[0]
    assert sentence in caught.value.problems[0]
