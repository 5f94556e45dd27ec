"""Rules on gaps, sizes, aspect ratios, fields, clock, labels and layers: figures by hand and from the layout file."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import pytest

import layoutgen as lg
from layoutgen.errors import RuleError
from layoutgen.pipeline.check import Check, check
from layoutgen.recipe.checks import RULES
from tests.e2e_recipes import FULL, LONE, Recipe, klayout_pillars, write

Change = Callable[[Recipe], None]


def rules(found: Check) -> dict[str, Any]:
    return {rule["name"]: rule for rule in found.as_json()["rules"]}


def checked(folder: Path, base: Recipe, change: Change | None = None) -> Check:
    return check(lg.load_recipe(write(folder, base, change)))


def test_gap_size_and_aspect_ratio_are_those_of_the_worst_stage(tmp_path: Path) -> None:
    # 600 nm high pillars from 120 nm on, pitch 400 nm; the imprint adds 4 nm and the etch takes 6 nm
    found = rules(checked(tmp_path, FULL))
    low, high = (found[f"{which}_size:lens:dot"]["value"] for which in ("min", "max"))
    assert 120 <= low < high <= 310
    assert found["gap:lens:dot"]["value"] == pytest.approx(400 - (high + 4))
    assert found["gap:lens:dot"]["limit"] == 70
    assert "after imprint" in found["gap:lens:dot"]["text"]
    assert found["aspect_ratio:lens:dot"]["value"] == pytest.approx(600 / (low + 4 - 6))
    assert found["aspect_ratio:lens:dot"]["limit"] == 8
    assert "after etch" in found["aspect_ratio:lens:dot"]["text"]
    # what the recipe gives itself is told: 200 nm is the pad's largest size
    assert found["gap:pad:cd"]["value"] == pytest.approx(400 - 204)
    assert found["gap:pad:cd"]["limit"] is None
    assert all(rule["ok"] for rule in found.values())


def test_the_drawn_gap_is_that_of_the_largest_pillar_in_the_file(tmp_path: Path) -> None:
    job = lg.build(lg.load_recipe(write(tmp_path, LONE)), tmp_path / "out")
    rule = next(r for r in job.manifest["rules"] if r["name"] == "gap_drawn:lens:dot")
    x, y, size = klayout_pillars(job.layout("oasis"), (-75_000, -75_000, 75_000, 75_000), {0}).T
    # an octagon on a grid of 1 nm misses its disc's diameter by up to half a nanometre
    assert rule["value"] == pytest.approx(400 - size.max(), abs=0.6)
    # and no two pillars of the lens stand nearer
    beside = (np.abs(x[:, None] - x) == 400) & (y[:, None] == y)
    i, j = np.nonzero(beside)
    assert float((400 - (size[i] + size[j]) / 2).min()) >= rule["value"] - 0.6


def test_drawn_shapes_that_touch_fail_and_may_be_waived(tmp_path: Path) -> None:
    def wide(recipe: Recipe) -> None:
        recipe["pillars"]["ladder"]["max"] = "450 nm"
        recipe["dies"]["lens"][0]["bias"] = "130 nm"

    path = write(tmp_path / "a", LONE, wide)
    failed = rules(check(lg.load_recipe(path)))["gap_drawn:lens:dot"]
    assert not failed["ok"]
    assert failed["value"] < 0
    with pytest.raises(RuleError, match="gap_drawn:lens:dot"):
        lg.build(lg.load_recipe(path), tmp_path / "out")
    assert not list((tmp_path / "out").glob("*"))

    def waived(recipe: Recipe) -> None:
        wide(recipe)
        recipe["waive"] = {"gap_drawn": "a test of touching pillars", "clamped": "likewise"}

    job = lg.build(lg.load_recipe(write(tmp_path / "b", LONE, waived)), tmp_path / "out")
    rule = next(r for r in job.manifest["rules"] if r["name"] == "gap_drawn:lens:dot")
    assert rule["ok"]
    assert rule["text"].endswith("waived: a test of touching pillars")


def test_without_height_the_aspect_ratio_says_so(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        del recipe["pillars"]["height"]
        del recipe["pillars"]["max_aspect_ratio"]

    rule = rules(checked(tmp_path, LONE, change))["aspect_ratio:lens:dot"]
    assert (rule["value"], rule["limit"], rule["ok"]) == (None, None, True)
    assert "no height is given" in rule["text"]


def test_a_clock_that_cannot_follow_is_told(tmp_path: Path) -> None:
    # definition: dwell = dose x step^2 / current; 300 uC/cm2 on 5 nm squares at 5 nA is 15 ns, 66.7 MHz
    def given(clock: str) -> Change:
        def change(recipe: Recipe) -> None:
            recipe["exposure"] |= {
                "dose": "300 uC/cm2", "current": "5 nA", "beam_step": "5 nm", "max_clock": clock,
            }  # fmt: skip

        return change

    slow, quick = (checked(tmp_path / c[:2], LONE, given(c)) for c in ("50 MHz", "80 MHz"))
    assert rules(slow)["beam_clock"]["value"] == pytest.approx(1e-6 / 15e-9)
    assert any("exposure.max_clock" in warning for warning in slow.warnings)
    assert not any("exposure.max_clock" in warning for warning in quick.warnings)
    assert "not checked" in rules(checked(tmp_path / "none", LONE))["beam_clock"]["text"]


def test_fields_are_counted_over_all_layers(tmp_path: Path) -> None:
    # a lens of 40 um on fields of 30 um takes four; one die stands on LONE's wafer for each site of its grid
    def change(recipe: Recipe) -> None:
        recipe["exposure"]["write_field"] = "30 um"

    found = checked(tmp_path / "a", LONE, change)
    assert rules(found)["fields"]["value"] == 4 * sum(found.dies.values())
    assert rules(checked(tmp_path / "b", LONE))["fields"]["value"] is None


@pytest.mark.parametrize(("height", "ok"), [("0.6 um", False), ("0.7 um", True)])
def test_labels_are_not_finer_than_the_smallest_pillar(
    tmp_path: Path, height: str, ok: bool
) -> None:
    # letters are seven dots high, the ladder begins at 90 nm
    def change(recipe: Recipe) -> None:
        recipe["dies"]["lens"].append({"label": "die", "at": ["-50 um", "50 um"], "height": height})

    rule = rules(checked(tmp_path, LONE, change))["label_height"]
    assert rule["ok"] is ok
    assert rule["value"] == pytest.approx(float(height.split()[0]) * 1000 / 7)
    assert rule["limit"] == 90
    assert "microscope" in rule["text"]


@pytest.mark.parametrize(("layer", "ok"), [(100, False), (7, True)])
def test_a_foreign_cell_on_a_viewing_layer_fails(tmp_path: Path, layer: int, ok: bool) -> None:
    library = gdstk.Library(unit=1e-6, precision=1e-9)
    library.new_cell("TOP").add(gdstk.rectangle((-5, -5), (5, 5), layer=layer))
    library.write_gds(str(tmp_path / "logo.gds"))

    def change(recipe: Recipe) -> None:
        recipe["cells"] = [{"name": "logo", "file": "logo.gds", "cell": "TOP"}]
        recipe["dies"]["lens"].append({"cell": "logo", "at": ["-50 um", "50 um"]})

    rule = rules(checked(tmp_path, LONE, change))["layers"]
    assert rule["ok"] is ok
    assert rule["value"] == (0 if ok else 1)
    assert ok or "draws on outlines, 100/0" in rule["text"]


def test_a_foreign_cell_on_the_layer_of_a_dose_fails_and_takes_no_name(tmp_path: Path) -> None:
    # the operator's boolean goes by names: a frame called after the logo would not be exposed
    library = gdstk.Library(unit=1e-6, precision=1e-9)
    top = library.new_cell("TOP")
    for layer in ((1, 101), (4, 101), (1, 0)):
        top.add(gdstk.rectangle((-5, -5), (5, 5), layer=layer[0], datatype=layer[1]))
    library.write_gds(str(tmp_path / "logo.gds"))

    def change(recipe: Recipe) -> None:
        recipe["exposure"].update(exposed="background", frame_width="4 um")
        recipe["cells"] = [{"name": "logo", "file": "logo.gds", "cell": "TOP"}]
        recipe["dies"] = {
            "lens": [{"cell": "logo", "at": ["0 um", "0 um"]}],
            "hot": [{"lens": "dot", "at": ["0 um", "0 um"], "dose": 1.1}],
            "cool": [{"lens": "dot", "at": ["0 um", "0 um"]}],
        }
        recipe["wafer"]["diameter"] = "600 um"
        recipe["wafer"]["instead"] = [
            {"die": "hot", "sites": [[0, 1]]},
            {"die": "cool", "sites": [[1, 0]]},
        ]

    rule = rules(checked(tmp_path, LONE, change))["layers"]
    assert not rule["ok"]
    assert rule["value"] == 2
    assert "draws on pillars_dose_1, 1/101" in rule["text"]
    assert "draws on frames_dose_1, 4/101" in rule["text"]

    def waived(recipe: Recipe) -> None:
        change(recipe)
        recipe["waive"] = {"layers": "on purpose"}

    job = lg.build(lg.load_recipe(write(tmp_path, LONE, waived)), tmp_path / "out")
    names = job.manifest["written_layers"]
    assert names["1/101"] == "pillars_dose_1"
    assert names["4/101"] == "frames_dose_1"
    assert names["1/0"] == "pillars"


def test_what_overlaps_in_a_foreign_cell_is_exposed_once(tmp_path: Path) -> None:
    def densities(name: str, boxes: list[tuple[float, float, float, float]]) -> list[float]:
        folder = tmp_path / name
        folder.mkdir()
        library = gdstk.Library(unit=1e-6, precision=1e-9)
        top = library.new_cell("TOP")
        for layer, (x0, y0, x1, y1) in enumerate(boxes):
            top.add(gdstk.rectangle((x0, y0), (x1, y1), layer=7 + layer))
        library.write_gds(str(folder / "logo.gds"))

        def change(recipe: Recipe) -> None:
            recipe["cells"] = [{"name": "logo", "file": "logo.gds", "cell": "TOP"}]
            recipe["dies"]["lens"].append({"cell": "logo", "at": ["26 um", "0 um"]})

        job = lg.build(lg.load_recipe(write(folder, LONE, change)), folder / "out")
        lines = (job.folder / "sem_sites.csv").read_text().splitlines()
        column = lines[1].split(",").index("density")
        return [float(line.split(",")[column]) for line in lines[2:]]

    once = densities("once", [(0, 0, 8, 20)])
    assert densities("twice", [(0, 0, 8, 20), (0, 0, 8, 20)]) == once
    assert densities("parts", [(0, 0, 8, 12), (0, 9, 8, 20)]) == once
    assert densities("none", [(0, 0, 8, 2)]) != once


def test_every_label_mark_and_part_has_write_fields_of_its_own(tmp_path: Path) -> None:
    def fields(change: Change) -> float:
        def with_fields(recipe: Recipe) -> None:
            recipe["exposure"]["write_field"] = "100 um"
            recipe["wafer"].update(diameter="1000 um", die_pitch=["200 um", "200 um"])
            change(recipe)

        value: float = rules(checked(tmp_path, LONE, with_fields))["fields"]["value"]
        return value

    dies = checked(
        tmp_path,
        LONE,
        lambda r: r["wafer"].update(diameter="1000 um", die_pitch=["200 um", "200 um"]),
    ).dies["lens"]
    assert fields(lambda r: None) == dies  # a lens of 40 um

    def label(text: str | None, height: str) -> Change:
        what = "die" if text is None else {"text": text}
        return lambda r: r["dies"]["lens"].append(
            {"label": what, "at": ["0 um", "60 um"], "height": height}
        )

    assert fields(label(None, "10 um")) == 2 * dies
    assert fields(label("A LONG ONE", "10 um")) == 2 * dies
    assert fields(label("A VERY LONG ONE", "14 um")) == 3 * dies  # over 100 um wide, under 200

    def framed(recipe: Recipe) -> None:
        recipe["exposure"].update(exposed="background", frame_width="10 um")

    assert fields(framed) == dies

    def marked(count: int, arm_um: float) -> Change:
        def change(recipe: Recipe) -> None:
            recipe["dies"]["lens"] = []
            recipe["wafer"]["marks"] = [
                {"kind": "cross", "arm": f"{arm_um:g} um", "width": "4 um",
                 "at": [[f"{100 * k - 200} um", "0 um"] for k in range(count)]}
            ]  # fmt: skip

        return change

    assert fields(marked(1, 30)) == 1
    assert fields(marked(4, 30)) == 4
    assert fields(marked(1, 120)) == 9


def test_the_frames_of_a_mark_and_of_a_die_beside_it_do_not_overlap(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["exposure"].update(exposed="background", frame_width="6 um")
        recipe["wafer"].update(diameter="320 um", die_pitch=["60 um", "60 um"])
        # a box beside the middle die's edge: its frame reaches over the lens's
        recipe["wafer"]["marks"] = [
            {"kind": "box", "outer": "16 um", "width": "3 um", "at": [["39 um", "0 um"]]}
        ]

    job = lg.build(lg.load_recipe(write(tmp_path, LONE, change)), tmp_path / "out")
    top: Any = gdstk.read_oas(str(job.layout("oasis"))).top_level()[0]
    frames = top.get_polygons(layer=4, datatype=0)
    merged = gdstk.boolean(frames, [], "or", precision=1e-4)
    total, once = (sum(p.area() for p in some) for some in (frames, merged))
    assert total == pytest.approx(once, abs=0.01)
    mark = gdstk.rectangle((39 - 14, -14), (39 + 14, 14))
    assert gdstk.boolean([mark], frames, "not", precision=1e-4) == []


def test_a_mirrored_vernier_is_listed_with_the_direction_it_is_written_in(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["replication"]["transfers"] = "odd"
        recipe["wafer"]["marks"][2]["direction"] = "30 deg"

    job = lg.build(lg.load_recipe(write(tmp_path, FULL, change)), tmp_path / "out")
    lines = (job.folder / "marks.csv").read_text().splitlines()
    columns = lines[0].split(",")
    (row,) = [line.split(",") for line in lines[1:] if line.startswith("vernier")]
    assert float(row[columns.index("direction_deg")]) == 330
    # the lines of both combs are 12 um long, at right angles to the direction
    x0, y0 = (float(row[columns.index(c)]) * 1e3 for c in ("x_mm", "y_mm"))
    top: Any = gdstk.read_oas(str(job.layout("oasis"))).top_level()[0]
    lines_ = [
        p.points
        for p in top.polygons
        if p.layer == 2 and np.hypot(*(p.points.mean(axis=0) - [x0, y0])) < 40
    ]
    assert len(lines_) == 10
    for points in lines_:
        edges = np.diff(np.vstack([points, points[:1]]), axis=0)
        longest = edges[np.hypot(*edges.T).argmax()]
        assert math.degrees(math.atan2(longest[1], longest[0])) % 180 == pytest.approx(60, abs=0.1)
    # comb a, known by its pitch, stands a quarter turn counter-clockwise of the direction, comb b opposite
    middles = np.array([p.mean(axis=0) for p in lines_]) - [x0, y0]
    along, across = (
        middles @ [math.cos(math.radians(a)), math.sin(math.radians(a))] for a in (330, 330 + 90)
    )
    pitches = [float(row[columns.index(f"pitch_{comb}_nm")]) / 1e3 for comb in "ab"]
    for comb, pitch in ((across > 0, pitches[0]), (across < 0, pitches[1])):
        assert np.diff(np.sort(along[comb])) == pytest.approx(pitch, abs=0.01)


def test_a_narrow_choice_of_pillars_is_warned_of(tmp_path: Path) -> None:
    def change(recipe: Recipe) -> None:
        recipe["pillars"]["diameter"] = {"min": "160 nm", "max": "200 nm"}

    found = checked(tmp_path / "a", LONE, change)
    covered = rules(found)["coverage:dot"]["value"]
    # the library's phase is a straight line, 2 pi over 210 nm, and candidates stand at whole nanometres
    assert covered == pytest.approx(2 * math.pi * 40 / 210, rel=0.05)
    assert any("under nine tenths of a turn" in warning for warning in found.warnings)
    wide = checked(tmp_path / "b", LONE)
    assert not any("nine tenths" in warning for warning in wide.warnings)


def test_a_mark_out_of_place_brings_no_other_problem_with_it(tmp_path: Path) -> None:
    # density pads count the frames around them, also where the wafer cannot be planned
    def change(recipe: Recipe) -> None:
        recipe["exposure"].update(exposed="background", frame_width="10 um")
        recipe["pads"][1]["densities"] = [0.7]
        recipe["dies"]["test"][0]["at"] = ["-60 um", "-10 um"]
        recipe["wafer"]["die_pitch"] = ["300 um", "300 um"]

    assert not checked(tmp_path / "well", FULL, change).problems

    def moved(recipe: Recipe) -> None:
        change(recipe)
        recipe["wafer"]["marks"] = [
            {"kind": "cross", "arm": "30 um", "width": "4 um", "at": [["590 um", "0 um"]]}
        ]

    problems = checked(tmp_path / "moved", FULL, moved).problems
    assert len(problems) == 1
    # with the line of the recipe that it is about
    lines = (tmp_path / "moved" / "full.yaml").read_text().splitlines()
    file, number, told = problems[0].split(":", 2)
    assert file == "full.yaml"
    assert "kind: cross" in lines[int(number) - 1]
    assert told.startswith(" wafer.marks[0]: want cross")


def test_every_rule_may_be_named_by_a_waiver(tmp_path: Path) -> None:
    given = {name.partition(":")[0] for name in rules(checked(tmp_path, FULL))}
    assert given <= RULES
    assert RULES - given <= {
        "sampling",
        "gdsii_limit",
        "kernel_range",
        "street",
        "keep_out",
        "edge_exclusion",
    }


@pytest.mark.parametrize("aperture_um", [40, 100])
def test_the_size_of_a_small_layout_is_foreseen_to_a_half(tmp_path: Path, aperture_um: int) -> None:
    # where lists and shapes take more than the pillars do
    def change(recipe: Recipe) -> None:
        recipe["lenses"][0].update(
            aperture=f"{aperture_um} um",
            phase=[{"kind": "focus", "focal_length": f"{2 * aperture_um} um"}],
        )

    loaded = lg.load_recipe(write(tmp_path, LONE, change))
    job = lg.build(loaded, tmp_path / "out")
    for form, size in check(loaded).bytes.items():
        assert size == pytest.approx(job.layout(form).stat().st_size, rel=0.5), form


def test_another_stack_than_the_librarys_is_warned_of(tmp_path: Path) -> None:
    def warnings(height: str, index: float) -> list[str]:
        folder = tmp_path / height[:3] / f"{index:g}"

        def change(recipe: Recipe) -> None:
            recipe["pillars"]["height"] = height
            recipe["substrate_index"] = index

        path = write(folder, LONE, change)
        library = folder / "library.csv"
        stack = (
            "# stack:\n#   substrate: {index: 1.45}\n#   pillars: {index: 3.6, height: 600 nm}\n"
            "#   superstrate: {index: 1}\n"
        )
        library.write_text(stack + library.read_text())
        return [w for w in check(lg.load_recipe(path)).warnings if "its header states" in w]

    assert warnings("600 nm", 1.45) == []
    assert warnings("650 nm", 1.45) == [
        "library.csv: its header states pillars.height 600 nm, and the recipe 650 nm"
    ]
    assert warnings("600 nm", 1.6) == [
        "library.csv: its header states substrate_index 1.45, and the recipe 1.6"
    ]


def test_rows_nearly_half_a_turn_apart_are_warned_of(tmp_path: Path) -> None:
    def warnings(name: str, turns: float, largest: str = "300 nm") -> list[str]:
        def change(recipe: Recipe) -> None:
            recipe["pillars"]["diameter"] = {"min": "120 nm", "max": largest}

        path = write(tmp_path / name, LONE, change)
        text = (tmp_path / name / "library.csv").read_text().splitlines()
        head = [line for line in text if line.startswith("#")]
        rows = [(100, 0.0), (150, 0.3), (200, 0.5), (250, 0.5 + turns), (320, 0.6 + turns)]
        table = [f"{d},{2 * math.pi * t:.6f},0.9" for d, t in rows]
        (tmp_path / name / "library.csv").write_text(
            "\n".join([*head, "diameter_nm,phase_rad,transmission", *table]) + "\n"
        )
        return [w for w in check(lg.load_recipe(path)).warnings if "two ways" in w]

    assert warnings("near", 0.39) == []
    (told,) = warnings("far", 0.45)
    assert told.startswith(
        "library.csv: phase moves by 0.45 turns between its rows of 200 and 250 nm"
    )
    # beyond half a turn it is read the other way round, and still told
    assert "0.45 turns between its rows of 200 and 250" in warnings("beyond", 0.55)[0]
    # rows that no pillar in use lies between are left alone
    assert warnings("unused", 0.45, largest="190 nm") == []


def test_foreign_vertices_off_the_grid_are_told(tmp_path: Path) -> None:
    def told(name: str, corner_um: float) -> list[str]:
        folder = tmp_path / name
        folder.mkdir()
        library = gdstk.Library(unit=1e-6, precision=1e-10)
        top = library.new_cell("TOP")
        top.add(gdstk.rectangle((0, 0), (4, corner_um), layer=7))
        if name == "thin":
            top.add(gdstk.rectangle((5, 0), (5.0003, 2), layer=7))
        library.write_gds(str(folder / "logo.gds"))

        def change(recipe: Recipe) -> None:
            recipe["cells"] = [{"name": "logo", "file": "logo.gds", "cell": "TOP"}]
            recipe["dies"]["lens"].append({"cell": "logo", "at": ["-50 um", "50 um"]})

        return [w for w in checked(folder, LONE, change).warnings if "off the grid" in w]

    assert told("on", 4.001) == []
    off = "cells[0]: 2 vertices of cell 'TOP' are off the grid of 1 nm and are moved to it"
    assert told("off", 4.0006) == [off]
    (thin,) = told("thin", 4.0)
    assert thin == f"{off}, and 1 polygons have no area there and are left out"
