"""Recipes: one with each fault, one with ten, and the sound ones.

The sentences are this project's own wording; what each fault is comes from the recipe's rules.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from layoutgen.errors import InputError
from layoutgen.recipe.load import load_recipe
from tests.recipe.conftest import BASE, BIAS, LIBRARY, Faults, Load

D8 = "{name: d8, period: [8, 0], size: 50 um, wavelength: 940 nm}"
FOCUS = "{kind: focus, focal_length: 150 um}"
LENS = "lens: [{lens: dot, at: [0 mm, 0 mm]}"

# (what is replaced, by what, the one sentence that must come)
ONE_FAULT = {
    "a length that is a word": (
        "aperture: 60 um", "aperture: ten",
        "recipe.yaml:16: lenses[0].aperture: want a length such as '3 mm', got 'ten'",
    ),
    "a length without unit": (
        "pitch: 400 nm", "pitch: 400",
        "recipe.yaml:3: lattice.pitch: want a length such as '400 nm', got 400",
    ),
    "a negative length": (
        "aperture: 60 um", "aperture: -60 um",
        "recipe.yaml:16: lenses[0].aperture: want a length above 0, got '-60 um'",
    ),
    "a length of kilometres": (
        "aperture: 60 um", "aperture: 1e300 nm",
        "recipe.yaml:16: lenses[0].aperture: want a length from 1 pm to 1 m, got '1e300 nm'",
    ),
    "a misspelt key": (
        "aperture: 60 um", "apertur: 60 um",
        "recipe.yaml:16: lenses[0].apertur: want a known key (nearest: aperture), got 'apertur'",
    ),
    "a number for a key": (
        "substrate_index: 1.45", "7: 1.45",
        (
            "recipe.yaml:4: [7]: want one of the keys name, revision, lattice, substrate_index, "
            "pillars, lenses, replication, exposure, deflectors, pads, cells, dies, wafer, output, "
            "waive, got 7"
        ),
    ),
    "a missing key": (
        "    aperture: 60 um\n", "",
        "recipe.yaml:14: lenses[0].aperture: want a length such as '3 mm', got nothing",
    ),
    "a missing section": (
        "name: base\n", "",
        "recipe.yaml:1: name: want 1 to 64 letters, digits or -, got nothing",
    ),
    "a repeated key": (
        "revision: A\n", "revision: A\nrevision: B\n",
        "recipe.yaml:3: revision: want the key once (first on line 2), got it again",
    ),
    "a choice that is none": (
        "kind: square", "kind: round",
        "recipe.yaml:3: lattice.kind: want square or hexagonal, got 'round'",
    ),
    "a phase term of no kind": (
        "kind: focus", "kind: focuss",
        ("recipe.yaml:20: lenses[0].phase[0].kind: want focus, relay, polynomial, tilt, spiral, "
        "cylinder, axicon, zernike or sampled, got 'focuss'"),
    ),
    "no phase term": (
        f"      - {FOCUS}", "      []",
        "recipe.yaml:20: lenses[0].phase: want a list of at least one entry, got an empty list",
    ),
    "a power of ten without point and sign": (
        "max_aspect_ratio: 8", "max_aspect_ratio: 1e6",
        ("recipe.yaml:12: pillars.max_aspect_ratio: want a number above 0, at most 1000, got '1e6' "
        "(which YAML reads as text: write it out, or as 1.0e+6)"),
    ),
    "a truth value for a name": (
        "fill: lens", "fill: on",
        ("recipe.yaml:45: wafer.fill: want 1 to 64 letters, digits or -, got on "
        "(which YAML reads as true; quote it to mean text)"),
    ),
    "a number in base eight": (
        "max_aspect_ratio: 8", "max_aspect_ratio: 010",
        "recipe.yaml:12: pillars.max_aspect_ratio: want a plain decimal number, got 010",
    ),
    "a number that is none": (
        "substrate_index: 1.45", "substrate_index: .nan",
        "recipe.yaml:4: substrate_index: want a number from 0.1 to 10, got .nan",
    ),
    "a point of one coordinate": (
        "{lens: dot, at: [0 mm, 0 mm]}", "{lens: dot, at: [0 mm]}",
        ("recipe.yaml:37: dies.lens[0].at: want a list of 2 entries, each a length such as '3 mm', "
        "got 1"),
    ),
    "a site that is not whole": (
        "sites: [[1, 0]]", "sites: [[1.5, 0]]",
        "recipe.yaml:50: wafer.instead[1].sites[0][0]: want a whole number, got 1.5",
    ),
    "six vertices": (
        "vertices: 8", "vertices: 6",
        "recipe.yaml:8: pillars.vertices: want 4 (squares) or a multiple of 8, got 6",
    ),
    "a ladder with a step left over": (
        "step: 1 nm", "step: 0.7 nm",
        ("recipe.yaml:10: pillars.ladder.step: want a whole number of steps from 90 nm to 330 nm, "
        "got steps of 0.7 nm"),
    ),
    "a ladder of too many sizes": (
        "step: 1 nm", "step: 0.001 nm",
        "recipe.yaml:10: pillars.ladder.step: want a ladder of at most 65535 sizes, got 240001",
    ),
    "limits the wrong way round": (
        "{min: 120 nm, max: 310 nm}", "{min: 310 nm, max: 120 nm}",
        "recipe.yaml:9: pillars.diameter.max: want at least min (310 nm), got 120 nm",
    ),
    "an odd pitch with an axis between pillars": (
        "pitch: 400 nm", "pitch: 401 nm",
        ("recipe.yaml:3: lattice.pitch: want an even number of address-grid steps of 1 nm for "
        "centre: gap (nearest: 400 nm or 402 nm), got 401 nm"),
    ),
    "no lattice for a lens": (
        "lattice: {kind: square, pitch: 400 nm}\n", "",
        ("recipe.yaml:13: lenses[0].lattice: want a lattice here or for the whole recipe, "
        "got neither"),
    ),
    "a lens that no one defined": (
        LENS, "lens: [{lens: dto, at: [0 mm, 0 mm]}",
        "recipe.yaml:37: dies.lens[0].lens: want a known lens name (nearest: dot), got 'dto'",
    ),
    "a cell that no one defined": (
        LENS, "lens: [{cell: logo, at: [0 mm, 0 mm]}",
        ("recipe.yaml:37: dies.lens[0].cell: want the name of a cell, of which there is none, "
        "got 'logo'"),
    ),
    "two things in one place": (
        LENS, "lens: [{lens: dot, pad: cd, at: [0 mm, 0 mm]}",
        ("recipe.yaml:37: dies.lens[0]: want exactly one of lens, deflector, pad, label, cell, "
        "got lens and pad"),
    ),
    "a label without height": (
        ", height: 60 um}", "}",
        ("recipe.yaml:37: dies.lens[1].height: want the height of the label such as '60 um', "
        "got nothing"),
    ),
    "a lens with a height": (
        LENS, "lens: [{lens: dot, at: [0 mm, 0 mm], height: 3 um}",
        "recipe.yaml:37: dies.lens[0].height: want a height with a label only, got it with a lens",
    ),
    "a label with a bias": (
        "height: 60 um}", "height: 60 um, bias: 1 nm}",
        ("recipe.yaml:37: dies.lens[1].bias: want a bias with a lens, deflector or pad only, "
        "got it with a label"),
    ),
    "a label that is neither": (
        "label: die", "label: dice",
        "recipe.yaml:37: dies.lens[1].label: want die or {text: ...}, got 'dice'",
    ),
    "a filling die that no one defined": (
        "fill: lens", "fill: lents",
        "recipe.yaml:45: wafer.fill: want a known die name (nearest: lens), got 'lents'",
    ),
    "one site for two dies": (
        "sites: [[1, 0]]", "sites: [[3, 0]]",
        ("recipe.yaml:50: wafer.instead[1].sites[0]: want a site of its own, got [3, 0], which is "
        "that of wafer.instead[0].sites[1]"),
    ),
    "two parts of one name": (
        "name: steps", "name: d8",
        ("recipe.yaml:35: pads[1].name: want a name of its own, got 'd8', which is that of "
        "deflectors[0]"),
    ),
    "a rim as wide as the wafer": (
        "edge_exclusion: 5 mm", "edge_exclusion: 50 mm",
        ("recipe.yaml:43: wafer.edge_exclusion: want less than the wafer's radius (50 mm), "
        "got 50 mm"),
    ),
    "a million dies and more": (
        "die_pitch: [5 mm, 5 mm]\n  fill: lens\n  street: 100 um", "die_pitch: [50 um, 50 um]\n  fill: lens\n  street: 10 um",
        ("recipe.yaml:44: wafer.die_pitch: want a pitch of at most 1000000 dies on the wafer, "
        "got [50 um, 50 um], which makes about 4e+06"),
    ),
    "a street as wide as a die": (
        "street: 100 um", "street: 5 mm",
        "recipe.yaml:46: wafer.street: want less than the die pitch (5 mm), got 5 mm",
    ),
    "two zones of one radius": (
        "outer: 50 mm", "outer: 30 mm",
        ("recipe.yaml:47: wafer.zones[1].outer: want a radius of its own, got 30 mm, which is that "
        "of wafer.zones[0]"),
    ),
    "a lens larger than the wafer": (
        "aperture: 60 um", "aperture: 95 mm",
        ("recipe.yaml:16: lenses[0].aperture: want a lens with its collar of at most 90 mm across "
        "(the wafer within its edge exclusion), got 95 mm"),
    ),
    "a deflector without direction": (
        "period: [8, 0]", "period: [0, 0]",
        ("recipe.yaml:32: deflectors[0].period: want a lattice vector [columns, rows] other than "
        "[0, 0], got it"),
    ),
    "a density of the whole plane": (
        "densities: [0.1, 0.2]", "densities: [0.1, 1.5]",
        "recipe.yaml:35: pads[1].densities[1]: want a number between 0 and 1, got 1.5",
    ),
    "a Zernike index below zero": (
        FOCUS, "{kind: zernike, coefficients: {-1: 0.5}}",
        ("recipe.yaml:20: lenses[0].phase[0].coefficients[-1]: want a single index from 0 to 1000, "
        "got -1"),
    ),
    "a right angle": (
        FOCUS, "{kind: tilt, angle: 90 deg, direction: 0 deg}",
        ("recipe.yaml:20: lenses[0].phase[0].angle: want an angle between -90 deg and 90 deg, "
        "got 90 deg"),
    ),
    "background without frames": (
        "exposed: shapes", "exposed: background",
        ("recipe.yaml:26: exposure.frame_width: want a length such as '20 um', as the background "
        "is exposed, got nothing"),
    ),
    "a bias table without density": (
        "  backscatter: [{term: gaussian, range: 9 um, ratio: 0.7}]\n", "",
        ("recipe.yaml:26: exposure.backscatter: want at least one term, as a bias table needs the "
        "density, got none"),
    ),
    "an exponent for a Gaussian": (
        "ratio: 0.7", "ratio: 0.7, exponent: 3",
        ("recipe.yaml:27: exposure.backscatter[0].exponent: want it with a power term only, "
        "got a gaussian term"),
    ),
    "a database unit below 32 bits": (
        "database_unit: 1 nm", "database_unit: 0.1 nm",
        ("recipe.yaml:54: output.database_unit: want 0.5 nm or more (32-bit coordinates), "
        "got 0.1 nm"),
    ),
    "an address grid between database units": (
        "address_grid: 1 nm", "address_grid: 2.5 nm",
        ("recipe.yaml:29: exposure.address_grid: want a whole number of database units of 1 nm, "
        "got 2.5 nm"),
    ),
    "two roles on one layer": (
        "marks: 2/0", "marks: 1/0",
        ("recipe.yaml:55: output.layers.marks: want a layer/datatype of its own, got 1/0, which is "
        "that of pillars"),
    ),
    "a layer number past two bytes": (
        "pillars: 1/0", "pillars: 70000/0",
        ("recipe.yaml:55: output.layers.pillars: want layer/datatype such as '1/0', each from 0 to "
        "65535, got '70000/0'"),
    ),
    "a layer for no role": (
        "pillars: 1/0", "pilars: 9/0",
        ("recipe.yaml:55: output.layers.pilars: want a known layer name (nearest: pillars), "
        "got 'pilars'"),
    ),
    "a layer where a dose split goes": (
        "marks: 2/0", "marks: 1/101",
        ("recipe.yaml:39: dies.hot[0].dose: want a layer/datatype of its own for this dose of "
        "pillars, got 1/101, which is that of marks at dose 1"),
    ),
    "a replication step named as a stage": (
        "name: etch", "name: master",
        ("recipe.yaml:24: replication.steps[1].name: want a name other than resist and master, "
        "got 'master'"),
    ),
    "a table that is not there": (
        "library: library.csv", "library: none.csv",
        "recipe.yaml:6: pillars.library: want a file that exists, got none there ('none.csv')",
    ),
    "another wavelength than the library's": (
        "wavelength: 940 nm\n", "wavelength: 850 nm\n",
        ("recipe.yaml:6: pillars.library: want a library for the wavelength of lenses[0], 850 nm, "
        "got one for 940 nm"),
    ),
    "another pitch than the library's": (
        "pitch: 400 nm", "pitch: 390 nm",
        ("recipe.yaml:6: pillars.library: want a library for the pitch, 390 nm, "
        "got one for 400 nm"),
    ),
    "another lattice than the library's": (
        "kind: square", "kind: hexagonal",
        ("recipe.yaml:6: pillars.library: want a library for the hexagonal lattice, got one for a "
        "square lattice"),
    ),
    "sizes beyond the library": (
        "{min: 120 nm, max: 310 nm}", "{min: 100 nm, max: 310 nm}",
        ("recipe.yaml:6: pillars.library: want a library over the target diameters, 98 nm to "
        "308 nm, got 100 nm to 320 nm"),
    ),
    "a library of discs for squares": (
        ("vertices: 8\n  diameter: {min: 120 nm, max: 310 nm}\n  ladder: {min: 90 nm, max: 330 nm, "
        "step: 1 nm}"),
        ("vertices: 4\n  diameter: {min: 120 nm, max: 310 nm}\n  ladder: {min: 90 nm, max: 330 nm, "
        "step: 2 nm}"),
        ("recipe.yaml:6: pillars.library: want a library with the column side_nm for squares, "
        "got diameter_nm"),
    ),
    "an anchor": (
        "name: base", "name: &n base",
        "recipe.yaml:1: name: want a value without an anchor, got &n",
    ),
    "a tag": (
        "name: base", "name: !!python/object:os.system base",
        "recipe.yaml:1: name: want a value without a tag, got !!python/object:os.system",
    ),
}  # fmt: skip


def test_the_base_recipe_has_no_fault(load: Load) -> None:
    loaded = load()
    assert loaded.recipe.lenses[0].aperture_nm == 60_000.0
    assert loaded.recipe.replication_bias_nm == -2.0
    assert loaded.text == BASE.encode()


@pytest.mark.parametrize("case", ONE_FAULT)
def test_one_fault_gives_one_sentence(case: str, faults: Faults) -> None:
    old, new, sentence = ONE_FAULT[case]
    library = LIBRARY
    if case == "no lattice for a lens":  # three parts miss it; the lens comes first
        assert faults((old, new))[0] == sentence
    else:
        assert faults((old, new), library=library) == (sentence,)


def test_ten_faults_give_ten_sentences_in_the_order_of_the_file(faults: Faults) -> None:
    told = faults(
        ("revision: A\n", "revision: A\nrevision: B\n"),
        ("substrate_index: 1.45", "substrate_index: glass"),
        ("vertices: 8", "vertices: 6"),
        ("aperture: 60 um", "aperture: 60"),
        ("kind: focus, focal_length", "kind: focus, focal_lenght"),
        ("ratio: 0.7", "ratio: -0.7"),
        ("period: [8, 0]", "period: [0, 0]"),
        ("{pad: cd, at", "{pad: dc, at"),
        ("fill: lens", "fill: lents"),
        ("marks: 2/0", "marks: 1/0"),
        bias=BIAS.replace("0.8,100,-20", "0.8,100,x"),
    )
    assert told == (
        "recipe.yaml:3: revision: want the key once (first on line 2), got it again",
        "recipe.yaml:5: substrate_index: want a number from 0.1 to 10, got 'glass'",
        "recipe.yaml:9: pillars.vertices: want 4 (squares) or a multiple of 8, got 6",
        "recipe.yaml:17: lenses[0].aperture: want a length such as '3 mm', got 60",
        (
            "recipe.yaml:21: lenses[0].phase[0].focal_lenght: want a known key "
            "(nearest: focal_length), got 'focal_lenght'"
        ),
        "recipe.yaml:28: exposure.backscatter[0].ratio: want a number above 0, at most 100, got -0.7",
        (
            "recipe.yaml:33: deflectors[0].period: want a lattice vector [columns, rows] other than "
            "[0, 0], got it"
        ),
        "recipe.yaml:41: dies.test[1].pad: want one of the pad names cd, steps, got 'dc'",
        "recipe.yaml:46: wafer.fill: want a known die name (nearest: lens), got 'lents'",
        (
            "recipe.yaml:56: output.layers.marks: want a layer/datatype of its own, got 1/0, which is "
            "that of pillars"
        ),
        "bias.csv:4: bias_nm: want a number, got 'x'",
    )


def test_layers_left_out_are_filled_in(load: Load) -> None:
    layers = load(("marks: 2/0", "marks: 7/3")).layers
    assert layers["marks"] == (7, 3)
    assert layers["pillars"] == (1, 0)
    assert layers["outlines"] == (100, 0)


def test_an_odd_pitch_is_fine_where_every_site_stands_on_the_grid(load: Load) -> None:
    # centre: site puts sites at whole multiples of the pitch; gap at half-odd multiples of it.
    loaded = load(
        ("pitch: 400 nm", "pitch: 401 nm"),
        ("centre: gap", "centre: site"),
        (f"  - {D8}", "  []"),
        ("  - {name: cd, kind: uniform, diameters: [120 nm, 160 nm], size: 60 um}\n", ""),
        ("test: [{deflector: d8, at: [-1 mm, 0 mm]}, {pad: cd, at", "test: [{pad: steps, at"),
        library=LIBRARY.replace("400 nm", "401 nm"),
    )
    assert loaded.recipe.lattice is not None
    assert loaded.recipe.lattice.pitch_nm == 401.0


def test_a_coarser_address_grid_asks_for_a_coarser_pitch(faults: Faults) -> None:
    told = faults(("address_grid: 1 nm", "address_grid: 3 nm"))
    assert told[0] == (
        "recipe.yaml:3: lattice.pitch: want an even number of address-grid steps of 3 nm for "
        "centre: gap (nearest: 402 nm), got 400 nm"
    )


def test_the_smallest_gap_narrows_the_sizes_that_the_library_must_hold(load: Load) -> None:
    # 400 nm pitch - 90 nm gap - 4 nm after the imprint leaves masters up to 306 nm.
    load(("max: 310 nm", "max: 390 nm"), ("min_gap: 70 nm", "min_gap: 90 nm"))


def test_dose_splits_count_upwards_from_the_smallest(load: Load) -> None:
    loaded = load(("at: [0 mm, 0 mm], bias: 4 nm", "at: [0 mm, 0 mm], dose: 0.9"))
    assert loaded.dose_steps == {0.9: 1, 1.1: 2}


def test_each_input_is_kept_as_it_was_read(load: Load) -> None:
    loaded = load()
    assert set(loaded.inputs) == {"library.csv", "bias.csv"}
    kept = loaded.inputs["library.csv"]
    assert kept.data == LIBRARY.encode()
    assert kept.sha256 == hashlib.sha256(LIBRARY.encode()).hexdigest()
    assert loaded.bias_table is not None
    np.testing.assert_array_equal(loaded.bias_table.bias_nm, [[0, 0], [-20, -16]])


@pytest.mark.parametrize(
    ("rule", "problem"),
    [
        ("street", ""),
        ("gap:lens:dot", ""),
        ("min_gapp", "want one of the rule names aspect_ratio, beam_clock, "),
        ("kep_out", "want a known rule name (nearest: keep_out), got 'kep_out'"),
        ("gap:lens:dott", "want a known lens, deflector or pad name (nearest: dot), got 'dott'"),
    ],
)  # fmt: skip
def test_a_rule_that_is_waived_is_one_that_there_is(load: Load, rule: str, problem: str) -> None:
    change = ("revision: A\n", f'revision: A\nwaive: {{"{rule}": agreed with the client}}\n')
    if not problem:
        assert load(change).recipe.waive == {rule: "agreed with the client"}
        return
    with pytest.raises(InputError) as caught:
        load(change)
    (said,) = caught.value.problems
    assert said.startswith("recipe.yaml:3: waive.")
    assert f": {problem}" in said


def _job_folder(folder: Path, *, sha256: str | None = None) -> Path:
    (folder / "tables").mkdir(parents=True)
    (folder / "recipe.yaml").write_text(BASE.replace("library.csv", "../far/away/library.csv"))
    inputs = {}
    for name, kept, text in (
        ("../far/away/library.csv", "tables/1-library.csv", LIBRARY),
        ("bias.csv", "tables/2-bias.csv", BIAS),
    ):
        (folder / kept).write_text(text)
        digest = hashlib.sha256(text.encode()).hexdigest()
        inputs[name] = {"file": kept, "sha256": sha256 or digest}
    (folder / "manifest.json").write_text(json.dumps({"inputs": inputs}))
    return folder / "recipe.yaml"


def test_beside_a_manifest_tables_are_found_in_the_job_folder(tmp_path: Path) -> None:
    loaded = load_recipe(_job_folder(tmp_path / "job"))
    assert loaded.inputs["bias.csv"].file.name == "2-bias.csv"
    assert "../far/away/library.csv" in loaded.libraries


def test_a_copy_with_another_hash_than_the_manifest_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_recipe(_job_folder(tmp_path / "job", sha256="0" * 64))
    digest = hashlib.sha256(LIBRARY.encode()).hexdigest()
    assert caught.value.problems[0] == (
        "recipe.yaml:6: pillars.library: want tables/1-library.csv with the sha256 of "
        f"manifest.json, {'0' * 64}, got {digest}"
    )


def test_a_manifest_may_not_point_out_of_its_folder(tmp_path: Path) -> None:
    recipe = _job_folder(tmp_path / "job")
    entry = {"file": "../secret.csv", "sha256": "0" * 64}
    (tmp_path / "job/manifest.json").write_text(json.dumps({"inputs": {"bias.csv": entry}}))
    with pytest.raises(InputError) as caught:
        load_recipe(recipe)
    assert caught.value.problems[0] == (
        "manifest.json: inputs.bias.csv: want {file: path in the job folder, sha256: 64 "
        "hexadecimal digits}, got a mapping"
    )


def test_a_sampled_phase_must_cover_aperture_and_collar(tmp_path: Path, faults: Faults) -> None:
    np.save(tmp_path / "phase.npy", np.zeros((60, 61)))
    told = faults((FOCUS, "{kind: sampled, file: phase.npy, pitch: 1 um}"))
    assert told == (  # 60 samples reach 29.5 um either way, the aperture 30 um
        (
            "recipe.yaml:20: lenses[0].phase[0].file: want samples over aperture and collar, 30 um "
            "from the middle along y, got 29.5 um"
        ),
    )


def test_a_foreign_cell_file_is_known_by_its_first_bytes(
    tmp_path: Path, load: Load, faults: Faults
) -> None:
    # SEMI P39: OASIS opens with this text; Calma's GDSII with a 6-byte HEADER record, type 00 02.
    change = ("dies:\n", "cells: [{name: logo, file: logo.oas, cell: TOP}]\ndies:\n")
    (tmp_path / "logo.oas").write_bytes(b"%SEMI-OASIS\r\n\x01\x031.0")
    assert load(change).inputs["logo.oas"].data.startswith(b"%SEMI")
    (tmp_path / "logo.oas").write_bytes(b"\x00\x06\x00\x02\x02\x58")
    assert load(change).inputs["logo.oas"].data.startswith(b"\x00\x06")
    (tmp_path / "logo.oas").write_bytes(b"PK")
    assert faults(change) == (
        "recipe.yaml:36: cells[0].file: want a GDSII or OASIS file, got one that starts otherwise",
    )


def test_a_table_shared_by_two_parts_is_told_once(faults: Faults) -> None:
    told = faults(library=LIBRARY.replace("3.0,0.90", "3.0,1.90"))
    assert told == ("library.csv:6: transmission: want 0 to 1, got 1.90",)


@pytest.mark.parametrize("name", ["porch-collimator", "lantern-visible"])
def test_the_recipes_that_come_with_the_project_load(name: str, root: Path) -> None:
    loaded = load_recipe(root / "recipes" / f"{name}.yaml")
    assert loaded.recipe.name == name
    assert loaded.bias_table is not None
    # a whole turn of phase is within reach of the sizes that the limits allow
    (library,) = loaded.libraries.values()
    assert library.phase_rad[-1] - library.phase_rad[0] > 2 * np.pi
