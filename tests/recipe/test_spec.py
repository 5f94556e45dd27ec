"""Library specs: read, refused, and written into the header of a table."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from layoutgen.errors import InputError
from layoutgen.optics.materials import index_at
from layoutgen.recipe.spec import LoadedSpec, header_lines, load_spec, spec_of_header
from layoutgen.recipe.tables import read_library

Data = dict[str, Any]

SPEC: Data = {
    "name": "asi-940nm",
    "lattice": {"kind": "square", "pitch": "400 nm"},
    "wavelengths": ["940 nm"],
    "light_from": "substrate",
    "stack": {
        "substrate": {"index": 1.45},
        "below": [{"index": 1.9, "thickness": "80 nm"}],
        "pillars": {
            "index": [3.7, 0.008], "height": "600 nm", "around": {"index": 1}, "sidewall": "90 deg",
            "shape": "disc",
        },
        "above": [],
        "superstrate": {"index": 1},
    },
    "diameter": {"min": "100 nm", "max": "310 nm", "step": "1 nm"},
    "incidence": {"angle": "0 deg", "azimuth": "0 deg"},
}  # fmt: skip


def spec(folder: Path, change: Callable[[Data], Any] | None = None) -> LoadedSpec:
    data = yaml.safe_load(yaml.safe_dump(SPEC))
    if change is not None:
        change(data)
    path = folder / "spec.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    return load_spec(path, index_at)


def problems(folder: Path, change: Callable[[Data], Any]) -> tuple[str, ...]:
    with pytest.raises(InputError) as caught:
        spec(folder, change)
    return caught.value.problems


def test_every_key_arrives_in_its_unit(tmp_path: Path) -> None:
    found = spec(tmp_path).spec
    assert found.lattice.pitch_nm == 400
    assert found.wavelengths_nm == (940.0,)
    assert found.stack.pillars.index == (3.7, 0.008)
    assert found.stack.pillars.height_nm == 600
    assert found.stack.below[0].thickness_nm == 80
    assert found.sizes.max_nm == 310
    assert found.rows_per_wavelength == 211
    assert found.flare_nm == 0


def test_optional_parts_may_be_left_out(tmp_path: Path) -> None:
    def bare(data: Data) -> None:
        del data["light_from"], data["incidence"]
        for key in ("below", "above", "superstrate"):
            del data["stack"][key]
        for key in ("around", "sidewall", "shape"):
            del data["stack"]["pillars"][key]

    found = spec(tmp_path, bare).spec
    assert found.light_from == "substrate"
    assert found.incidence.angle_deg == 0
    assert found.stack.superstrate.index == (1.0, 0.0)
    assert found.stack.pillars.around.index == (1.0, 0.0)
    assert found.stack.pillars.sidewall_deg == 90
    assert found.stack.pillars.shape == "disc"


FAULTS: dict[str, tuple[Callable[[Data], Any], str]] = {
    "gain in a pillar": (
        lambda d: d["stack"]["pillars"].update(index=[3.6, -0.01]),
        "stack.pillars.index: want k of at least 0 (absorption), got -0.01 (gain)",
    ),
    "gain in a film": (
        lambda d: d["stack"]["below"][0].update(index=[1.9, -1]),
        "stack.below[0].index: want k of at least 0 (absorption), got -1 (gain)",
    ),
    "no index": (
        lambda d: d["stack"]["substrate"].update(index=0),
        "stack.substrate.index: want an index n above 0, at most 20, got 0",
    ),
    "a permittivity of three parts": (
        lambda d: d["stack"]["substrate"].update(index=[1, 2, 3]),
        "stack.substrate.index: want an index such as 1.45, [3.6, 0.01] or fused silica, got a list",
    ),
    "an unknown material": (
        lambda d: d["stack"]["substrate"].update(index="glass"),
        "stack.substrate.index: want a number, [n, k] or one of air, fused silica, silicon nitride,"
        " niobium pentoxide, got 'glass'",
    ),
    "a wavelength beyond the formula": (
        lambda d: (d["stack"]["pillars"].update(index="niobium pentoxide"),
                   d.update(wavelengths=["1.1 um"])),
        "stack.pillars.index: want a wavelength from 420 nm to 1050 nm, for which the formula of"
        " niobium pentoxide holds, got 1100 nm",
    ),
    "no height": (
        lambda d: d["stack"]["pillars"].update(height="0 nm"),
        "stack.pillars.height: want a length above 0, got '0 nm'",
    ),
    "no thickness": (
        lambda d: d["stack"]["below"][0].update(thickness="0 nm"),
        "stack.below[0].thickness: want a length above 0, got '0 nm'",
    ),
    "a bare number": (
        lambda d: d["stack"]["pillars"].update(height=600),
        "stack.pillars.height: want a length such as '400 nm', got 600",
    ),
    "a wrong unit": (
        lambda d: d["incidence"].update(angle="5 nm"),
        "incidence.angle: want an angle such as '5 deg', got '5 nm'",
    ),
    "an unknown key": (
        lambda d: d["stack"]["pillars"].update(heigth="600 nm"),
        "stack.pillars: want a known key",
    ),
    "pillars that touch": (
        lambda d: d["diameter"].update(max="400 nm"),
        "diameter.max: want diameters below 400 nm, where pillars of the square lattice touch, got"
        " 400 nm",
    ),
    "squares that touch across rows": (
        lambda d: (d["lattice"].update(kind="hexagonal"), d["diameter"].update(max="347 nm"),
                   d["stack"]["pillars"].update(shape="square")),
        "diameter.max: want sides below 346.410161514 nm, where pillars of the hexagonal lattice"
        " touch, got 347 nm",
    ),
    "tapered pillars that touch at their base": (
        lambda d: (d["stack"]["pillars"].update(sidewall="80 deg"),
                   d["diameter"].update(min="150 nm")),
        "diameter.max: want diameters at the wide end below 400 nm, where pillars of the square"
        " lattice touch, got 415.796188425 nm",
    ),
    "tapered pillars without a top": (
        lambda d: (d["stack"]["pillars"].update(sidewall="80 deg"),
                   d["diameter"].update(max="200 nm")),
        "diameter.min: want more than 105.796188425 nm, which the sidewall takes off at the narrow"
        " end, got 100 nm",
    ),
    "min above max": (
        lambda d: d["diameter"].update(min="311 nm"),
        "diameter.min: want at most max (310 nm), got 311 nm",
    ),
    "too many rows": (
        lambda d: d["diameter"].update(step="2 pm"),
        "diameter.step: want at most 100000 rows, all wavelengths together, got 105001 of them",
    ),
    "too many rows, all wavelengths together": (
        lambda d: (d["diameter"].update(step="10 pm"),
                   d.update(wavelengths=[f"{940 + i} nm" for i in range(5)])),
        "diameter.step: want at most 100000 rows, all wavelengths together, got 105005 of them",
    ),
    "one row": (
        lambda d: d["diameter"].update(step="300 nm"),
        "diameter.step: want at least 2 sizes from min to max, got 1",
    ),
    "no wavelength": (
        lambda d: d.update(wavelengths=[]),
        "wavelengths: want a list of at least one entry, got an empty list",
    ),
    "a wavelength twice": (
        lambda d: d.update(wavelengths=["940 nm", "0.94 um"]),
        "wavelengths[1]: want each wavelength once, got 940 nm again",
    ),
    "light out of an absorber": (
        lambda d: d["stack"]["substrate"].update(index=[1.45, 0.1]),
        "stack.substrate.index: want a medium without absorption where the light comes from, got"
        " k = 0.1",
    ),
    "light that cannot leave": (
        lambda d: d["incidence"].update(angle="45 deg"),
        "incidence.angle: want less than 43.6028 deg, beyond which light of 940 nm cannot leave into"
        " the superstrate, got 45 deg",
    ),
    "a wall that is none": (
        lambda d: d["stack"]["pillars"].update(sidewall="30 deg"),
        "stack.pillars.sidewall: want an angle from 60 to 120, got '30 deg'",
    ),
    "another side": (
        lambda d: d.update(light_from="above"),
        "light_from: want substrate or superstrate, got 'above'",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_one_sentence_with_its_place(tmp_path: Path, name: str) -> None:
    change, sentence = FAULTS[name]
    (told,) = problems(tmp_path, change)
    assert told.startswith("spec.yaml:")
    where = told.split(": ", 1)[1]
    assert where.startswith(sentence.split(": ")[0])
    assert sentence.split(": ", 1)[1] in told


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    names = ("gain in a film", "an unknown material", "no height", "a wrong unit", "min above max")

    def several(data: Data) -> None:
        for name in names:
            FAULTS[name][0](data)

    told = problems(tmp_path, several)
    assert len(told) == len(names)
    lines = [int(sentence.split(":")[1]) for sentence in told]
    assert lines == sorted(lines)


def test_an_absorbing_side_is_fine_where_light_only_leaves(tmp_path: Path) -> None:
    def absorbing(data: Data) -> None:
        data["stack"]["superstrate"]["index"] = [1.5, 0.2]

    assert spec(tmp_path, absorbing).spec.stack.superstrate.index == (1.5, 0.2)


def test_the_header_of_a_table_gives_the_spec_back(tmp_path: Path) -> None:
    def rich(data: Data) -> None:
        data["stack"]["substrate"]["index"] = "fused silica"
        data["stack"]["above"] = [{"index": [1.4, 0.0], "thickness": "0.1 um"}]
        data["wavelengths"] = ["940 nm", "0.95 um"]
        data["orders"] = 225

    loaded = spec(tmp_path, rich)
    rows = "\n".join(f"{d},0,1,{w}" for w in (940, 950) for d in (100, 200))
    text = "\n".join(header_lines(loaded)) + "\ndiameter_nm,phase_rad,transmission,wavelength_nm\n"
    table = read_library((text + rows + "\n").encode(), "table.csv")
    assert spec_of_header(table.header) == loaded.spec
    # what a recipe is held against
    assert table.stated.kind == "square"
    assert table.stated.pitch_nm == 400
    assert table.stated.height_nm == 600


def test_a_header_that_is_no_spec_gives_none() -> None:
    assert spec_of_header({"lattice": "{kind: square, pitch: 400 nm}"}) is None
    assert spec_of_header({}) is None
