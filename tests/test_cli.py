"""The commands: exit statuses, JSON, and the job folder that they leave."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path

import gdstk
import numpy as np
import pytest
import yaml
from typer.testing import CliRunner

from layoutgen.cli import app

RUNNER = CliRunner()
Change = Callable[[dict[str, object]], None]


def recipe(folder: Path, root: Path, change: Change | None = None) -> Path:
    """The demo with a small lens on a small wafer."""
    data = yaml.safe_load((root / "recipes" / "porch-collimator.yaml").read_text())
    data["pillars"]["library"] = str(root / "samples" / "libraries" / "asi-940nm.csv")
    data["exposure"]["bias_table"] = str(root / "samples" / "bias" / "start.csv")
    data["lenses"][0].update(aperture="40 um", phase=[{"kind": "focus", "focal_length": "120 um"}])
    data["deflectors"][0]["size"] = "24 um"
    data["pads"] = [{"name": "cd", "kind": "uniform", "diameters": ["160 nm"], "size": "12 um"}]
    data["dies"] = {
        "lens": [{"lens": "collimator", "at": ["0 mm", "0 mm"]},
                 {"label": "die", "at": ["-0.2 mm", "0.2 mm"], "height": "20 um"}],
        "test": [{"deflector": "d8", "at": ["-0.1 mm", "0 mm"]},
                 {"pad": "cd", "at": ["0.1 mm", "0 mm"]}],
    }  # fmt: skip
    data["wafer"] = {
        "diameter": "4 mm", "edge_exclusion": "0.1 mm", "die_pitch": ["1 mm", "1 mm"],
        "fill": "lens", "instead": [{"die": "test", "sites": [[0, 0]]}],
    }  # fmt: skip
    if change is not None:
        change(data)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "small.yaml"
    path.write_text(yaml.safe_dump(data))
    return path


def test_check_prints_one_json_object_with_its_keys(tmp_path: Path, root: Path) -> None:
    result = RUNNER.invoke(app, ["check", str(recipe(tmp_path, root)), "--json"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert {"problems", "warnings", "rules", "dies", "pillars", "bytes", "write_time_s"} <= set(
        found
    )
    assert all({"name", "value", "limit", "ok"} <= set(rule) for rule in found["rules"])
    assert set(found["bytes"]) == {"oasis", "gdsii"}
    assert found["pillars"] > 0


def test_a_job_holds_what_its_manifest_says(tmp_path: Path, root: Path) -> None:
    path = recipe(tmp_path, root)
    result = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs"), "--json"])
    assert result.exit_code == 0, result.output
    job = tmp_path / "jobs" / "porch-collimator-A"
    manifest = json.loads((job / "manifest.json").read_text())
    wanted = (
        "name revision layoutgen inputs job files layers tone written mirrored doses verified"
        " database_unit_nm shapes lenses dies pillars write_time_s"
    )
    assert set(wanted.split()) <= set(manifest)
    lens = manifest["lenses"]["collimator"]
    facts = (
        "lattice pillars phase_offset_rad coherent_gain coverage_rad symmetry codes clamped"
        " density_residual surroundings"
    )
    assert set(facts.split()) <= set(lens)
    assert sum(lens["codes"].values()) == lens["pillars"]
    assert manifest["verified"] is True
    for name, held in manifest["files"].items():
        data = (job / name).read_bytes()
        assert held == {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    assert (job / "dies.csv").read_text().splitlines()[0] == "die,col,row,x_mm,y_mm"
    assert (job / "marks.csv").read_text().startswith("kind,x_mm,y_mm")
    again = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs")])
    assert again.exit_code == 0
    assert "already there" in again.stdout


def test_every_sem_site_stands_on_a_pillar_of_its_size(tmp_path: Path, root: Path) -> None:
    path = recipe(tmp_path, root)
    RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs"), "--quiet"])
    job = tmp_path / "jobs" / "porch-collimator-A"
    lines = (job / "sem_sites.csv").read_text().splitlines()
    assert re.fullmatch(r"# job: porch-collimator-A [0-9a-f]{64}", lines[0])
    assert lines[1] == (
        "site,stage,die,col,row,x_mm,y_mm,feature,lens_radius_um,target_nm,master_nm,split_nm,"
        "drawn_nm,density,measured_nm,sigma_nm,count,edge_method,note"
    )
    rows = [line.split(",") for line in lines[2:]]
    assert {row[1] for row in rows} == {"resist", "master", "imprint", "etch"}
    # gdstk, a reader of others, says where pillars stand; areas give their diameters
    top = gdstk.read_gds(str(job / "porch-collimator-A.gds")).top_level()[0]
    assert isinstance(top, gdstk.Cell)
    drawn: dict[tuple[int, int], float] = {}
    for polygon in top.get_polygons():
        if polygon.layer == 1:
            (x0, y0), (x1, y1) = polygon.bounding_box()
            key = round((x0 + x1) * 500), round((y0 + y1) * 500)
            drawn[key] = 2e3 * float(np.sqrt(polygon.area() / np.pi))
    resist = [row for row in rows if row[1] == "resist"]
    assert len(resist) >= 30
    for row in resist:
        assert re.fullmatch(r"-?\d+\.\d{7}", row[5])
        place = round(float(row[5]) * 1e6), round(float(row[6]) * 1e6)
        assert drawn[place] == pytest.approx(float(row[12]), abs=0.3)


def test_a_wrong_recipe_ends_with_status_2_and_a_sentence_each(tmp_path: Path, root: Path) -> None:
    def faults(data: dict[str, object]) -> None:
        data["revison"] = "B"
        data["substrate_index"] = "glass"
        data["lattice"] = {"kind": "square", "pitch": 400}

    path = recipe(tmp_path, root, faults)
    result = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs")])
    assert result.exit_code == 2
    sentences = result.stderr.strip().splitlines()
    assert len(sentences) == 3
    assert all(sentence.startswith("small.yaml:") for sentence in sentences)
    assert not (tmp_path / "jobs").exists()


def test_a_failed_rule_ends_with_status_1_unless_it_is_waived(tmp_path: Path, root: Path) -> None:
    def narrow(data: dict[str, object]) -> None:
        data["pillars"]["ladder"] = {"min": "150 nm", "max": "250 nm", "step": "1 nm"}  # type: ignore[index]

    path = recipe(tmp_path / "a", root, narrow)
    out = str(tmp_path / "jobs")
    assert RUNNER.invoke(app, ["check", str(path)]).exit_code == 1
    result = RUNNER.invoke(app, ["build", str(path), "--out", out])
    assert result.exit_code == 1
    assert "clamped" in result.stderr
    assert not (tmp_path / "jobs" / "porch-collimator-A").exists()

    def waived(data: dict[str, object]) -> None:
        narrow(data)
        data["waive"] = {"clamped": "a trial of the ladder's ends"}

    path = recipe(tmp_path / "b", root, waived)
    assert RUNNER.invoke(app, ["build", str(path), "--out", out]).exit_code == 0


def test_a_gdsii_over_its_limit_is_refused_before_any_work(tmp_path: Path, root: Path) -> None:
    def limit(data: dict[str, object]) -> None:
        data["output"]["gdsii_limit"] = "1 kB"  # type: ignore[index]

    path = recipe(tmp_path, root, limit)
    result = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs")])
    assert result.exit_code == 1
    assert "gdsii_limit" in result.stderr
    assert not (tmp_path / "jobs").exists()


def test_schema_and_verify_of_what_is_no_job(tmp_path: Path) -> None:
    assert json.loads(RUNNER.invoke(app, ["schema"]).stdout)["type"] == "object"
    result = RUNNER.invoke(app, ["verify", str(tmp_path)])
    assert result.exit_code == 2
    assert "want a job folder" in result.stderr
