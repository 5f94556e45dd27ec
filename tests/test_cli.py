"""The commands: exit statuses, JSON, and the job folder that they leave."""

from __future__ import annotations

import hashlib
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdstk
import jsonschema
import numpy as np
import pytest
import yaml
from typer.testing import CliRunner

from layoutgen.cli import app, main
from layoutgen.pipeline.build import build
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import CLI, FULL, LONE, Recipe, environment, run, write

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


# --- what goes to standard output and what to standard error ----------------------------------------

TEN_FAULTS: dict[str, Callable[[Recipe], Any]] = {
    "substrate_index": lambda data: data.update(substrate_index="glass"),
    "revison": lambda data: data.update(revison="B"),
    "pitch": lambda data: data["lattice"].update(pitch=400),
    "height": lambda data: data["pillars"].update(height="600 mm of rain"),
    "vertices": lambda data: data["pillars"].update(vertices=7),
    "library": lambda data: data["pillars"].update(library="nowhere.csv"),
    "aperture": lambda data: data["lenses"][0].update(aperture="-3 mm"),
    "focal_length": lambda data: data["lenses"][0]["phase"][0].update(focal_length="3 kg"),
    "term": lambda data: data["exposure"]["backscatter"][0].update(term="lorentzian"),
    "transfers": lambda data: data["replication"].update(transfers="some"),
}


@pytest.mark.parametrize("command", ["build", "check"])
def test_ten_faults_are_ten_sentences_at_once(tmp_path: Path, command: str) -> None:
    def all_ten(data: Recipe) -> None:
        for fault in TEN_FAULTS.values():
            fault(data)

    path = write(tmp_path, FULL, all_ten)
    out = ["--out", str(tmp_path / "jobs")] if command == "build" else []
    result = RUNNER.invoke(app, [command, str(path), *out])
    assert result.exit_code == 2
    assert result.stdout == ""
    sentences = result.stderr.splitlines()
    assert len(sentences) == 10, result.stderr
    for key in TEN_FAULTS:
        (told,) = [sentence for sentence in sentences if re.search(rf"[ .]{key}\b", sentence)]
        assert re.match(r"full\.yaml:\d+: ", told), told
        assert ": want " in told or ", want " in told or " want " in told, told
    assert not (tmp_path / "jobs").exists()


@pytest.mark.parametrize("name", TEN_FAULTS)
def test_each_fault_alone_is_one_sentence_and_status_2(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, FULL, TEN_FAULTS[name])
    result = RUNNER.invoke(app, ["check", str(path), "--json"])
    assert result.exit_code == 2
    found = json.loads(result.stdout)
    assert found["problems"] == result.stderr.splitlines()
    assert len(found["problems"]) == 1


@pytest.mark.parametrize(
    "content, words",
    [
        (None, "want"),
        (b"", "want"),
        (b"[1, 2]", "want"),
        (b"name: [", "want"),
        (b"\xff\xfe\x00", "want"),
        (b"name: a\nname: b\n", "name"),
    ],
    ids=["missing", "empty", "a list", "broken", "not text", "repeated key"],
)
def test_what_is_no_recipe_is_refused_in_sentences(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    path = tmp_path / "odd.yaml"
    if content is not None:
        path.write_bytes(content)
    for command in (["check", str(path)], ["build", str(path), "--out", str(tmp_path / "jobs")]):
        result = RUNNER.invoke(app, command)
        assert result.exit_code == 2, result.output
        assert words in result.stderr
        assert "Traceback" not in result.stderr
        assert result.stdout == ""
    assert not (tmp_path / "jobs").exists()


def test_json_of_build_is_one_object_and_nothing_else(tmp_path: Path) -> None:
    path = write(tmp_path, LONE)
    result = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path / "jobs"), "--json"])
    assert result.exit_code == 0
    assert len(result.stdout.splitlines()) == 1
    found = json.loads(result.stdout)
    assert (found["folder"], found["existed"]) == (str(tmp_path / "jobs" / "lone-A"), False)
    manifest = json.loads((tmp_path / "jobs" / "lone-A" / "manifest.json").read_text())
    assert {key: found[key] for key in manifest} == manifest


def test_json_holds_the_problems_of_a_refused_build_too(tmp_path: Path) -> None:
    path = write(tmp_path, LONE, TEN_FAULTS["aperture"])
    result = RUNNER.invoke(app, ["build", str(path), "--out", str(tmp_path), "--json"])
    assert result.exit_code == 2
    assert json.loads(result.stdout) == {"problems": result.stderr.splitlines()}


def test_check_foretells_what_build_makes(tmp_path: Path) -> None:
    def costed(data: Recipe) -> None:
        data["exposure"] |= {"dose": "300 uC/cm2", "current": "5 nA"}

    path = write(tmp_path, FULL, costed)
    found = json.loads(RUNNER.invoke(app, ["check", str(path), "--json"]).stdout)
    job = build(load_recipe(path), tmp_path / "jobs", verify=False)
    assert set(found) >= {
        "problems", "warnings", "rules", "dies", "pillars", "bytes", "write_time_s",
    }  # fmt: skip
    for key in ("dies", "pillars"):
        assert found[key] == job.manifest[key]
    assert found["write_time_s"] == pytest.approx(job.manifest["write_time_s"], abs=1e-3)
    assert found["problems"] == []
    assert found["warnings"] == job.manifest["warnings"]
    for form, size in found["bytes"].items():
        assert size == pytest.approx(job.layout(form).stat().st_size, rel=0.5)
    assert not list(tmp_path.glob("jobs/.*"))


def test_quiet_prints_nothing_where_nothing_is_wrong(tmp_path: Path) -> None:
    def silent(data: Recipe) -> None:  # a collar of 2 beta: no warning
        data["lenses"][0]["collar"] = "18 um"

    path = write(tmp_path, LONE, silent)
    for command in (
        ["check", str(path), "--quiet"],
        ["build", str(path), "--out", str(tmp_path / "jobs"), "--quiet"],
        ["verify", str(tmp_path / "jobs" / "lone-A"), "--quiet"],
    ):
        result = RUNNER.invoke(app, command)
        assert (result.exit_code, result.stdout, result.stderr) == (0, "", ""), command


def test_no_verify_is_written_into_the_manifest_and_a_later_build_makes_up_for_it(
    tmp_path: Path,
) -> None:
    path = write(tmp_path, LONE)
    for extra, verified in (["--no-verify"], False), ([], None):
        out = ["--out", str(tmp_path / "jobs"), *extra]
        result = RUNNER.invoke(app, ["build", str(path), *out])
        assert result.exit_code == 0
        if verified is not None:
            manifest = json.loads((tmp_path / "jobs" / "lone-A" / "manifest.json").read_text())
            assert manifest["verified"] is verified
            assert "verified  no" in result.stdout
    assert RUNNER.invoke(app, ["verify", str(tmp_path / "jobs" / "lone-A")]).exit_code == 0


def test_help_names_every_command_and_status_is_0() -> None:
    result = RUNNER.invoke(app, ["--help"])
    assert result.exit_code == 0
    for command in ("build", "check", "verify", "schema"):
        assert re.search(rf"\b{command}\b", result.stdout)
        one = RUNNER.invoke(app, [command, "--help"])
        assert one.exit_code == 0
    assert RUNNER.invoke(app, ["fabricate"]).exit_code == 2
    assert RUNNER.invoke(app, ["build", "recipe.yaml", "--jobs", "0"]).exit_code == 2


def test_schema_accepts_the_recipes_and_refuses_each_fault_of_form(tmp_path: Path) -> None:
    result = run("schema")
    assert (result.returncode, result.stderr) == (0, "")
    validator = jsonschema.Draft202012Validator(json.loads(result.stdout))
    for recipe_ in (FULL, LONE):
        assert list(validator.iter_errors(json.loads(json.dumps(recipe_)))) == []
    for name in set(TEN_FAULTS) - {"library", "vertices", "aperture"}:  # these need a look further
        data = json.loads(json.dumps(FULL))
        TEN_FAULTS[name](data)
        assert list(validator.iter_errors(data)), name


def test_a_closed_pipe_ends_the_command_quietly() -> None:
    process = subprocess.Popen(
        [*CLI, "schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    told = process.stderr.read()
    process.stderr.close()
    assert process.wait() in (0, 1)
    assert told == b""


def test_help_loads_nothing_heavy() -> None:
    heavy = "numba scipy matplotlib shapely gdstk numpy".split()  # noqa: SIM905
    code = (
        "import sys\nfrom layoutgen.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print([m for m in {heavy} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "--help"], capture_output=True, text=True, env=environment()
    )
    assert done.stderr.strip() == "[]"


def test_ctrl_c_before_a_command_has_begun_ends_in_a_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("layoutgen.cli.app", stopped)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 130
    assert capsys.readouterr().err == "stopped; nothing was begun\n"


def compiling(number: signal.Signals) -> None:
    """A signal that comes while the compiler of the kernels is at work; nothing may be raised in there."""
    code = "import signal\nsignal.raise_signal(number)\nreached.append(1)"
    reached: list[int] = []
    exec(
        code, {"__name__": "llvmlite.binding.executionengine", "number": number, "reached": reached}
    )
    assert reached == [1]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("after", ["waits", "goes on", "fails"])
def test_a_signal_while_kernels_are_compiled_stops_the_run_after_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals, after: str
) -> None:
    def interrupted(*_: Any, progress: Any, **__: Any) -> None:
        compiling(number)
        if after == "fails":
            raise RuntimeError("no compiled object yet")
        if after == "goes on":
            progress("writing", 0.5)
        time.sleep(20)

    monkeypatch.setattr("layoutgen.pipeline.build.build", interrupted)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    begin = time.monotonic()
    try:
        done = RUNNER.invoke(
            app, ["build", str(write(tmp_path, LONE)), "--out", str(tmp_path / "o")]
        )
    finally:
        signal.signal(signal.SIGINT, before)
    assert done.exit_code == 130
    assert done.stderr == "stopped; nothing is left under the job's name\n"
    assert time.monotonic() - begin < 15  # it did not wait for the end
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    # and the next run knows nothing of it
    monkeypatch.undo()
    done = RUNNER.invoke(app, ["check", str(tmp_path / "lone.yaml"), "--quiet"])
    assert done.exit_code == 0


def test_a_stop_once_the_job_has_its_name_comes_too_late(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recipe = load_recipe(write(tmp_path, LONE))
    out = tmp_path / "o"

    def interrupted(folder: Path) -> None:
        if folder == out:
            raise KeyboardInterrupt

    monkeypatch.setattr("layoutgen.pipeline.build._sync", interrupted)
    job = build(recipe, out)
    assert job.folder == out / "lone-A"
    assert [path.name for path in out.iterdir()] == ["lone-A"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_after_the_job_is_written_finds_nothing_to_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    def late(folder: Path, *_: Any) -> str:
        signal.raise_signal(number)
        return f"{folder}: told to the end"

    monkeypatch.setattr("layoutgen.cli._job_text", late)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        done = RUNNER.invoke(
            app, ["build", str(write(tmp_path, LONE)), "--out", str(tmp_path / "o")]
        )
        assert signal.getsignal(signal.SIGINT) == signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert done.exit_code == 0
    assert done.stdout == f"{tmp_path / 'o' / 'lone-A'}: told to the end\n"
    # a run after it can be stopped as ever
    monkeypatch.setattr("layoutgen.pipeline.build.build", lambda *_, **__: signal.raise_signal(number))  # fmt: skip
    done = RUNNER.invoke(app, ["build", str(tmp_path / "lone.yaml"), "--out", str(tmp_path / "p")])
    assert done.exit_code == 130
