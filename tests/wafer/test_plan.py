"""The whole wafer: what stands where, what is refused, and what is only warned of."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely

from layoutgen.errors import InputError
from layoutgen.recipe.model import Recipe
from layoutgen.wafer.frames import Disc, Rect
from layoutgen.wafer.glyphs import label_box, label_polygons
from layoutgen.wafer.plan import WaferPlan, plan_wafer

Make = Callable[..., Recipe]
Data = dict[str, Any]

LENS = {"lens": "big", "at": ["0 mm", "0 mm"]}


def planned(make: Make, change: Callable[[Data], None] | None = None, **more: Any) -> WaferPlan:
    return plan_wafer(make(change), dbu_nm=more.pop("dbu_nm", 1.0), **more)


def refused(make: Make, change: Callable[[Data], None], **more: Any) -> tuple[str, ...]:
    with pytest.raises(InputError) as caught:
        planned(make, change, **more)
    return caught.value.problems


def on_die(*items: dict[str, Any]) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        data["dies"]["lens"] = list(items)

    return change


def with_marks(*marks: dict[str, Any], **wafer: Any) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        data["wafer"].update(marks=list(marks), **wafer)

    return change


def cross_at(*at: tuple[str, str], arm: str = "500 um") -> dict[str, Any]:
    return {"kind": "cross", "arm": arm, "width": "20 um", "at": [list(p) for p in at]}


# --- dies ---------------------------------------------------------------------------------------


def test_a_thousand_2_mm_lenses_fit_a_200_mm_wafer(wafer_recipe: Make) -> None:
    # 5 mm dies centred on the wafer, 5 mm of edge exclusion: 1049 by brute force
    plan = planned(wafer_recipe)
    assert plan.die_counts == {"lens": 1049}
    assert plan.rules[0].name == "street"
    assert plan.rules[0].value == pytest.approx(1500)  # (5 mm - 2 mm) / 2


def test_instead_sites_replace_the_fill_die(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["dies"]["wide"] = [{**LENS, "bias": "4 nm"}]
        data["wafer"]["instead"] = [{"die": "wide", "sites": [[1, 0], [-1, 5]]}]

    plan = planned(wafer_recipe, change)
    assert plan.die_counts == {"lens": 1047, "wide": 2}
    assert {(d.col, d.row, d.x, d.y) for d in plan.dies if d.name == "wide"} == {
        (1, 0, 5_000_000, 0),
        (-1, 5, -5_000_000, 25_000_000),
    }
    assert plan.die_parts["wide"][0].bias_nm == 4.0


def test_instead_sites_that_are_not_there_are_warned_of(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["dies"]["wide"] = [LENS]
        data["wafer"]["instead"] = [{"die": "wide", "sites": [[19, 0], [2, 0], [3, 0]]}]
        data["wafer"]["marks"] = [cross_at(("10 mm", "0 mm"))]
        data["wafer"]["keep_out"] = [{"at": ["15 mm", "0 mm"], "size": ["1 mm", "1 mm"]}]

    warnings = planned(wafer_recipe, change).warnings
    assert any("[19, 0] for die 'wide' does not exist: no whole die" in w for w in warnings)
    assert any("[2, 0] for die 'wide' is lost to the cross mark" in w for w in warnings)
    assert any("[3, 0] for die 'wide' does not exist: it lies in a keep-out" in w for w in warnings)
    assert "dies.wide: defined and never placed" in warnings


def test_a_site_given_twice_is_refused(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["dies"]["wide"] = [LENS]
        data["wafer"]["instead"] = [
            {"die": "wide", "sites": [[1, 0]]},
            {"die": "lens", "sites": [[1, 0]]},
        ]

    (problem,) = refused(wafer_recipe, change)
    assert "wafer.instead[1].sites: want each site once, got [1, 0] for die 'lens'" in problem
    assert "'wide'" in problem


def witnesses(*dies: str, **counts: int) -> Callable[[Data], None]:
    def change(data: Data) -> None:
        data["dies"] |= {name: [LENS] for name in dies}
        data["wafer"]["witness"] = {"dies": list(dies), **counts}

    return change


def test_witness_groups_stand_at_centre_middle_and_rim(wafer_recipe: Make) -> None:
    plan = planned(wafer_recipe, witnesses("step"))
    assert plan.die_counts == {"lens": 1040, "step": 9}
    found = {(d.col, d.row) for d in plan.dies if d.name == "step"}
    # whole dies of 5 mm in a circle of 95 mm: [18, 3] and its images are the outermost centres, 91.24 mm out
    rim = max(math.hypot(d.x, d.y) for d in plan.dies)
    assert rim == pytest.approx(5e6 * math.hypot(18, 3))
    assert (0, 0) in found
    # half of 18.25 dies is 9.12: the die [9, 0]; at the rim nothing is nearer to (18.25, 0) than [18, 0]
    assert found == {(0, 0)} | {p for k in (9, 18) for p in ((k, 0), (-k, 0), (0, k), (0, -k))}


def test_a_witness_group_is_dies_beside_each_other(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        witnesses("step", "film", middle=2, rim=0)(data)
        data["wafer"]["instead"] = [{"die": "lens", "sites": [[9, 0]]}]  # given away: not free

    plan = planned(wafer_recipe, change)
    assert plan.die_counts == {"lens": 1043, "step": 3, "film": 3}
    at = {name: [(d.col, d.row) for d in plan.dies if d.name == name] for name in ("step", "film")}
    assert set(at["step"]) == {(0, 0), (-9, 0), (10, 0)}
    # of equally near dies the lower row, then the lower col
    assert set(at["film"]) == {(0, -1), (-9, -1), (10, -1)}


def test_a_mirrored_wafer_has_its_witnesses_at_the_same_places_of_the_part(
    wafer_recipe: Make,
) -> None:
    def mirrored(data: Data) -> None:
        witnesses("step", "film", middle=3, rim=5)(data)
        data["replication"] = {"transfers": "odd"}

    plain = planned(wafer_recipe, witnesses("step", "film", middle=3, rim=5))
    turned = planned(wafer_recipe, mirrored)
    assert [(d.col, d.row, d.name) for d in plain.dies] == [
        (d.col, d.row, d.name) for d in turned.dies
    ]


def test_witness_groups_that_have_no_room_are_refused(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        witnesses("step", rim=64, middle=64)(data)
        data["wafer"]["diameter"] = "40 mm"
        data["wafer"]["edge_exclusion"] = "1 mm"

    (problem,) = refused(wafer_recipe, change)
    assert problem.startswith("wafer.witness: want 129 free dies for 129 groups of 1, got ")


def test_zones_are_rings_of_die_centres_and_their_rim_belongs_to_them(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["wafer"]["zones"] = [  # in no order: the smallest `outer` that reaches counts
            {"outer": "60 mm", "bias": "-2 nm"},
            {"outer": "25 mm", "bias": "-1 nm"},
        ]

    by_place = {(d.col, d.row): d.zone_bias_nm for d in planned(wafer_recipe, change).dies}
    assert by_place[0, 0] == -1
    assert by_place[3, 4] == -1  # 15, 20 mm: 25 mm from the centre
    assert by_place[4, 4] == -2
    assert by_place[12, 0] == -2  # 60 mm
    assert by_place[12, 1] == 0  # beyond the last
    for (col, row), bias in by_place.items():
        far2 = 25 * (col * col + row * row)
        assert bias == (-1 if far2 <= 625 else -2 if far2 <= 3600 else 0)


# --- marks --------------------------------------------------------------------------------------


def test_a_mark_takes_the_dies_that_it_falls_on(wafer_recipe: Make) -> None:
    # dies end at 2.5 mm + k 5 mm: a cross 0.2 mm off such a corner reaches into three dies; in the
    # fourth there is nothing but the corner of its bounding box
    plan = planned(wafer_recipe, with_marks(cross_at(("12.7 mm", "12.7 mm"))))
    assert plan.dropped.marks == ((3, 2), (2, 3), (3, 3))
    assert len(plan.dies) == 1046
    one = planned(wafer_recipe, with_marks(cross_at(("15 mm", "15 mm"))))
    assert one.dropped.marks == ((3, 3),)


def test_a_mark_that_touches_a_die_leaves_it(wafer_recipe: Make) -> None:
    # tip on the edge between [2, 3] and [3, 3]
    plan = planned(wafer_recipe, with_marks(cross_at(("13 mm", "15 mm"))))
    assert plan.dropped.marks == ((3, 3),)


def test_marks_in_the_edge_exclusion_are_refused_and_touching_it_is_not(wafer_recipe: Make) -> None:
    # the arm along x ends in a corner at (x + 0.5, y + 0.01) mm, and (76, 57) mm, 4 : 3, is 95 mm
    # from the centre
    ok = planned(wafer_recipe, with_marks(cross_at(("75.5 mm", "56.99 mm"))))
    assert ok.rules[1].name == "edge_exclusion"
    assert ok.rules[1].value == pytest.approx(5.0, abs=1e-9)
    (problem,) = refused(wafer_recipe, with_marks(cross_at(("75.500001 mm", "56.99 mm"))))
    assert problem.startswith("wafer.marks[0]: want cross at [75.5 mm, 56.99 mm] within 95 mm")


def test_marks_in_keep_outs_and_over_each_other_are_refused_all_at_once(wafer_recipe: Make) -> None:
    change = with_marks(
        cross_at(("0 mm", "80 mm"), ("20 mm", "0 mm")),
        {"kind": "box", "outer": "100 um", "width": "10 um", "at": [["20.3 mm", "0 mm"]]},
        keep_out=[{"at": ["0 mm", "83 mm"], "size": ["20 mm", "6 mm"]}],
    )
    problems = refused(wafer_recipe, change)
    assert len(problems) == 2
    assert any("want cross at [0 mm, 80 mm] outside of wafer.keep_out[0]" in p for p in problems)
    assert any(
        "want box at [20.3 mm, 0 mm] clear of the cross of wafer.marks[0] at [20 mm, 0 mm]" in p
        for p in problems
    )


def test_a_keep_out_is_as_wide_and_as_high_for_marks_as_it_says(wafer_recipe: Make) -> None:
    # 20 mm by 6 mm around (0, 83) mm: 8 mm beside its middle is inside, 8 mm above it is not
    def beside(*at: tuple[str, str]) -> Callable[[Data], None]:
        keep_out = [{"at": ["0 mm", "83 mm"], "size": ["20 mm", "6 mm"]}]
        return with_marks(cross_at(*at), keep_out=keep_out)

    (problem,) = refused(wafer_recipe, beside(("8 mm", "83 mm")))
    assert "want cross at [8 mm, 83 mm] outside of wafer.keep_out[0]" in problem
    planned(wafer_recipe, beside(("0 mm", "91 mm")))
    planned(wafer_recipe, beside(("11 mm", "83 mm")))


def test_a_waived_rule_is_kept_as_a_failed_one(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        with_marks(cross_at(("95 mm", "0 mm")))(data)
        data["waive"] = {"edge_exclusion": "the stepper reads it there"}

    rules = {rule.name: rule for rule in planned(wafer_recipe, change).rules}
    assert not rules["edge_exclusion"].ok
    assert rules["edge_exclusion"].value == pytest.approx(4.5, abs=1e-5)
    assert rules["street"].ok

    # with the background exposed a mark reaches as far as its frame: 100 um farther, at one arm's tip
    def framed(data: Data) -> None:
        change(data)
        data["exposure"].update(exposed="background", frame_width="100 um")

    (rule,) = [r for r in planned(wafer_recipe, framed).rules if r.name == "edge_exclusion"]
    assert rule.value == pytest.approx(4.4, abs=1e-4)
    assert not rule.ok


def test_a_mark_near_a_die_in_its_street_is_warned_of(wafer_recipe: Make) -> None:
    # tip 1 um from the edge of [2, 3]
    change = with_marks(cross_at(("13.001 mm", "15 mm")), street="100 um")
    warnings = planned(wafer_recipe, change).warnings
    assert any("from die [2, 3], nearer than half a street, 50 um" in w for w in warnings)


# --- what stands on a die -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("second", "name"),
    [
        ({"lens": "big", "at": ["1.9 mm", "0 mm"]}, "lens 'big'"),
        ({"deflector": "d8", "at": ["0 mm", "1.2 mm"]}, "deflector 'd8'"),
        ({"pad": "cd", "at": ["-1 mm", "0 mm"]}, "pad 'cd'"),
        ({"pad": "ladder", "at": ["0 mm", "-1 mm"]}, "pad 'ladder'"),
        # 207 um by 126 um: one end alone, on each side, lies on the lens
        ({"pad": "ladder", "at": ["1.09 mm", "0 mm"]}, "pad 'ladder'"),
        ({"pad": "ladder", "at": ["-1.09 mm", "0 mm"]}, "pad 'ladder'"),
        ({"pad": "ladder", "at": ["0 mm", "1.05 mm"]}, "pad 'ladder'"),
        ({"pad": "ladder", "at": ["0 mm", "-1.05 mm"]}, "pad 'ladder'"),
        ({"label": "die", "at": ["1 mm", "0 mm"], "height": "60 um"}, "label 'die'"),
        ({"label": {"text": "A-1"}, "at": ["1 mm", "0 mm"], "height": "60 um"}, "label 'A-1'"),
        ({"cell": "logo", "at": ["1 mm", "0 mm"]}, "cell 'logo'"),
    ],
)
def test_overlaps_are_refused_with_both_names(
    wafer_recipe: Make, second: dict[str, Any], name: str
) -> None:
    def change(data: Data) -> None:
        on_die({"lens": "big", "at": ["0 mm", "0 mm"]}, second)(data)
        data["wafer"]["die_pitch"] = ["10 mm", "10 mm"]

    (problem,) = refused(wafer_recipe, change, cell_boxes={"logo": (0, 0, 1000, 1000)})
    assert problem.startswith(
        f"dies.lens[1]: want {name} clear of lens 'big' (item 0 at [0 mm, 0 mm])"
    )


def test_parts_that_touch_do_not_overlap(wafer_recipe: Make) -> None:
    change = on_die(
        {"lens": "big", "at": ["-1 mm", "0 mm"]},
        {"lens": "big", "at": ["1 mm", "0 mm"]},  # 2 mm apertures, 2 mm apart
        {"deflector": "d8", "at": ["1 mm", "1.25 mm"]},  # its lower side on the rim
        {"deflector": "d8", "at": ["1.5 mm", "1.25 mm"]},  # side on side
    )
    assert len(planned(wafer_recipe, change).die_parts["lens"]) == 4


def test_a_box_in_the_corner_beside_a_circle_does_not_overlap(wafer_recipe: Make) -> None:
    # nearest corner of the deflector at (0.8, 0.8) mm: 1.13 mm from the axis, the rim is at 1 mm
    change = on_die(LENS, {"deflector": "d8", "at": ["1.05 mm", "1.05 mm"]})
    assert len(planned(wafer_recipe, change).die_parts["lens"]) == 2
    # and at (0.7, 0.7) mm, 0.99 mm from the axis, it does
    assert refused(wafer_recipe, on_die(LENS, {"deflector": "d8", "at": ["0.95 mm", "0.95 mm"]}))


def test_the_street_is_kept_free_up_to_half_of_it(wafer_recipe: Make) -> None:
    def change(at: str) -> Callable[[Data], None]:
        def put(data: Data) -> None:
            on_die({"deflector": "d8", "at": [at, "0 mm"]})(data)
            data["wafer"]["street"] = "100 um"

        return put

    # 2.5 mm - 0.05 mm - 0.25 mm
    assert planned(wafer_recipe, change("2.2 mm")).rules[0].value == pytest.approx(50)
    (near,) = refused(wafer_recipe, change("-2.200001 mm"))
    assert near == (
        "dies.lens[0]: want deflector 'd8' at least half a street, 50 um, from the die's edge, "
        "got 49.999 um"
    )
    (touching,) = refused(wafer_recipe, change("2.25 mm"))
    assert touching.endswith("at least half a street, 50 um, from the die's edge, got 0 um")
    (outside,) = refused(wafer_recipe, change("2.4 mm"))
    assert "inside its die of 5000 um x 5000 um, got 150 um beyond its edge" in outside


def test_what_the_recipe_lacks_is_said(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["exposure"] = {}
        on_die(
            {"label": {"text": "@"}, "at": ["0 mm", "0 mm"], "height": "60 um"},
            {"label": "die", "at": ["1 mm", "1 mm"]},
            {"pad": "ladder", "at": ["1 mm", "0 mm"]},
            {"cell": "logo", "at": ["-1 mm", "0 mm"]},
            {"lens": "small", "at": ["-1 mm", "1 mm"]},
        )(data)

    problems = refused(wafer_recipe, change)
    assert [p.partition(":")[0] for p in problems] == [f"dies.lens[{k}]" for k in range(5)]
    assert all(": want " in p and "got " in p for p in problems)


def test_a_cell_stands_with_the_middle_of_its_box_on_its_place(wafer_recipe: Make) -> None:
    def change(transfers: str) -> Callable[[Data], None]:
        def put(data: Data) -> None:
            on_die({"cell": "logo", "at": ["1 mm", "0.5 mm"]})(data)
            data["replication"] = {"transfers": transfers}

        return put

    for transfers, sign in (("even", 1), ("odd", -1)):
        plan = planned(wafer_recipe, change(transfers), cell_boxes={"logo": (100, -50, 300, 150)})
        (part,) = plan.die_parts["lens"]
        assert (part.x, part.y) == (sign * 1_000_000, 500_000)
        # a point p of the cell goes to origin + (sign p.x, p.y)
        corners = [
            (part.origin_x + sign * x, part.origin_y + y) for x, y in ((100, -50), (300, 150))
        ]
        assert sum(x for x, _ in corners) / 2 == part.x
        assert sum(y for _, y in corners) / 2 == part.y
        (box,) = part.outlines
        assert box.bounds == (part.x - 100, 499_900, part.x + 100, 500_100)


def test_a_collar_under_2_beta_is_warned_of(wafer_recipe: Make) -> None:
    def collar(length: str) -> Callable[[Data], None]:
        def change(data: Data) -> None:
            data["lenses"][0]["collar"] = length

        return change

    assert planned(wafer_recipe, collar("18 um")).warnings == ()
    (warning,) = planned(wafer_recipe, collar("17.9 um")).warnings
    assert warning.startswith("lenses.big.collar: 17.9 um is under 2 beta, 18 um")


# --- as written ---------------------------------------------------------------------------------


def scaled_and_mirrored(data: Data) -> None:
    data["replication"] = {
        "transfers": "odd",
        "steps": [{"name": "imprint", "scale": "150 ppm"}, {"name": "etch", "scale": "-50 ppm"}],
    }
    on_die(LENS, {"deflector": "d8", "at": ["1.9 mm", "-1.3 mm"]})(data)
    data["wafer"]["marks"] = [
        cross_at(("80 mm", "2.5 mm")),
        {"kind": "vernier", "pitches": ["8 um", "8.2 um"], "lines": 4, "length": "40 um",
         "direction": "30 deg", "at": [["-80 mm", "1 mm"]]},
    ]  # fmt: skip


def test_places_are_divided_by_the_scale_rounded_and_mirrored(wafer_recipe: Make) -> None:
    plan = planned(wafer_recipe, scaled_and_mirrored)
    by_name = {(d.col, d.row): d for d in plan.dies}
    # 5 mm / 1.0001 = 4999500.05 nm; 1.9 mm / 1.0001 = 1899810.02; 1.3 mm / 1.0001 = 1299870.01
    assert (by_name[1, 0].x, by_name[1, 0].y) == (-4999500, 0)
    lens, deflector = plan.die_parts["lens"]
    assert (deflector.x, deflector.y) == (-1899810, -1299870)
    (disc,), (square,) = lens.outlines, deflector.outlines
    assert isinstance(disc, Disc)
    assert disc.radius == pytest.approx(1e6 / 1.0001)
    assert isinstance(square, Rect)
    assert square.x1 - square.x0 == 500_000  # in steps of the master's lattice
    # 80 mm / 1.0001 = 79992000.8 nm; a mark's size is the master's
    assert (plan.marks[0].x, plan.marks[0].y) == (-79992001, 2499750)
    assert plan.marks[0].polygons[0][:, 0].max() == -79992001 + 500_000


def test_a_mirrored_plan_is_the_mirror_image_of_the_plan(wafer_recipe: Make) -> None:
    def even(data: Data) -> None:
        scaled_and_mirrored(data)
        data["replication"]["transfers"] = "even"

    odd, plain = planned(wafer_recipe, scaled_and_mirrored), planned(wafer_recipe, even)
    assert [(d.name, d.col, d.row, -d.x, d.y) for d in plain.dies] == [
        (d.name, d.col, d.row, d.x, d.y) for d in odd.dies
    ]
    assert plain.dropped == odd.dropped
    for a, b in zip(plain.marks, odd.marks, strict=True):
        for p, q in zip(a.polygons, b.polygons, strict=True):
            image = shapely.Polygon(p * np.array([-1, 1]))
            assert image.equals(shapely.Polygon(q))
            assert shapely.Polygon(q).exterior.is_ccw


@pytest.mark.parametrize(
    ("transfers", "labels", "in_mirror"),
    [
        ("even", "part", False),
        ("even", "master", False),
        ("odd", "part", True),
        ("odd", "master", False),
    ],
)
def test_labels_read_right_where_they_should(
    wafer_recipe: Make, transfers: str, labels: str, in_mirror: bool
) -> None:
    def change(data: Data) -> None:
        on_die({"label": "die", "at": ["-1.9 mm", "1.9 mm"], "height": "60 um"})(data)
        data["replication"] = {"transfers": transfers, "labels": labels}

    plan = planned(wafer_recipe, change)
    die = next(d for d in plan.dies if (d.col, d.row) == (3, -12))
    (part,) = plan.die_parts["lens"]
    x = 1_900_000 if transfers == "odd" else -1_900_000
    letters = label_polygons("3,-12", height_dbu=60_000, mirrored=in_mirror)
    drawn = plan.label_on(die, part)
    assert all(np.array_equal(a + [x, 1_900_000], b) for a, b in zip(letters, drawn, strict=True))


def test_lengths_count_in_database_units(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        on_die({"lens": "big", "at": ["100 nm", "-0.25 nm"]})(data)

    plan = planned(wafer_recipe, change, dbu_nm=0.5)
    (part,) = plan.die_parts["lens"]
    assert (part.x, part.y) == (200, 0)  # -0.5 steps: half up
    assert plan.dies[0].y == -2 * 90_000_000
    assert len(plan.dies) == 1049


# --- frames and outlines ------------------------------------------------------------------------


def test_frames_exist_where_the_background_is_exposed_and_are_one_where_they_meet(
    wafer_recipe: Make,
) -> None:
    def change(data: Data) -> None:
        data["exposure"].update(exposed="background", frame_width="20 um")
        on_die(
            {"lens": "big", "at": ["-1 mm", "0 mm"]},
            {"lens": "big", "at": ["1.03 mm", "0 mm"]},  # rims 30 um apart, frames overlap
            {"deflector": "d8", "at": ["0 mm", "2 mm"]},
            {"label": "die", "at": ["0 mm", "-2 mm"], "height": "60 um"},
        )(data)
        data["wafer"]["marks"] = [cross_at(("80 mm", "0 mm"))]

    plan = planned(wafer_recipe, change)
    frames = [shapely.Polygon(f) for f in plan.frames_on(plan.dies[0])]
    assert len(frames) == 3
    lenses, deflector, label = frames
    gon = shapely.Point(0, 0).buffer(1.02e6, quad_segs=64)  # 256 corners, by another library
    gons = [shapely.affinity.translate(gon, x, 0) for x in (-1_000_000, 1_030_000)]
    assert lenses.area == pytest.approx(shapely.union_all(gons).area, rel=1e-6)
    assert deflector.bounds == (-270_000, 1_730_000, 270_000, 2_270_000)
    assert label.bounds[3] - label.bounds[1] == pytest.approx(100_000, abs=5)
    (mark,) = plan.mark_frames
    assert shapely.Polygon(mark).area == 2 * 1_040_000 * 60_000 - 60_000**2
    assert planned(wafer_recipe).frames_on(plan.dies[0]) == ()


def test_frames_of_labels_are_as_wide_as_their_letters(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["exposure"].update(exposed="background", frame_width="20 um")
        on_die({"label": "die", "at": ["0 mm", "0 mm"], "height": "60 um"})(data)

    plan = planned(wafer_recipe, change)
    widths = set()
    for die in plan.dies[::7]:
        ((x0, _, x1, _),) = (shapely.Polygon(f).bounds for f in plan.frames_on(die))
        wanted = label_box(die.label, 60_000)[0] + 2 * 20_000
        assert x1 - x0 == pytest.approx(wanted, abs=2)
        widths.add((len(die.label), wanted))
    # a 1 is narrower than an 8, so labels of one length differ
    assert len(widths) > len({length for length, _ in widths})


def test_a_label_is_kept_clear_at_its_widest(wafer_recipe: Make) -> None:
    labels = {die.label for die in planned(wafer_recipe).dies}
    widest = max(label_box(label, 60_000)[0] for label in labels)
    radius = 1_000_000

    def beside(gap_dbu: int) -> Callable[[Data], None]:
        x = radius + gap_dbu + widest // 2
        return on_die(
            {"lens": "big", "at": ["0 mm", "0 mm"]},
            {"label": "die", "at": [f"{x} nm", "0 mm"], "height": "60 um"},
        )

    planned(wafer_recipe, beside(10))
    (problem,) = refused(wafer_recipe, beside(-10))
    assert "got an overlap" in problem


def test_a_density_pad_carries_a_frame_around_each_patch(wafer_recipe: Make) -> None:
    def change(data: Data) -> None:
        data["exposure"].update(exposed="background", frame_width="10 um")
        on_die({"pad": "ladder", "at": ["0 mm", "0 mm"]})(data)

    plan = planned(wafer_recipe, change)
    areas = [shapely.Polygon(f).area for f in plan.frames_on(plan.dies[0])]
    assert areas == [(45_000 + 20_000) ** 2] * 6  # 5 beta of 9 um, grown


def test_outlines_are_the_wafer_the_exclusion_and_every_die(wafer_recipe: Make) -> None:
    plan = planned(wafer_recipe)
    assert len(plan.outlines) == 2 + len(plan.dies)
    dies = shapely.union_all([shapely.Polygon(p) for p in plan.outlines[2:]])
    assert dies.area == 1049 * 5_000_000**2
    assert shapely.Polygon(plan.wafer_outlines[1]).buffer(1000).contains(dies)


def test_ten_thousand_dies_with_the_best_offset_are_a_matter_of_a_second(
    wafer_recipe: Make,
) -> None:
    def change(data: Data) -> None:
        data["lenses"][0]["aperture"] = "1 mm"
        data["wafer"].update(die_pitch=["1.6 mm", "1.6 mm"], grid_offset="best")
        data["wafer"]["keep_out"] = [{"at": ["0 mm", "90 mm"], "size": ["20 mm", "6 mm"]}]

    start = time.process_time()
    plan = planned(wafer_recipe, change)
    # generous: it takes a fifth of that; an offset search that tries offsets takes hours
    assert time.process_time() - start < 5
    assert len(plan.dies) > 10_000


def test_stitch_marks_want_write_fields_that_hold_them(wafer_recipe: Make) -> None:
    stitch = {
        "kind": "stitch", "pitches": ["8 um", "8.2 um"], "lines": 21, "length": "40 um",
        "at": [["2.5 mm", "2.5 mm"]],
    }  # fmt: skip
    # an arm: 40 um of the next arm's lines, a pitch of 8.2 um, and a comb of 2 (82 + 2) um
    (problem,) = refused(wafer_recipe, with_marks(stitch))
    assert problem == (
        "wafer.marks[0]: want exposure.write_field of at least half the stitch mark's side, 216.2 um, got nothing"
    )

    def within(field: str) -> Callable[[Data], None]:
        def change(data: Data) -> None:
            with_marks(stitch)(data)
            data["exposure"]["write_field"] = field

        return change

    (problem,) = refused(wafer_recipe, within("216 um"))
    assert problem.endswith("216.2 um, got 216 um")
    (mark,) = planned(wafer_recipe, within("216.2 um")).marks
    assert len(mark.polygons) == 4 * 42
