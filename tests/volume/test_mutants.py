"""What the breaks of the numeric core are: one change each, sound Python, and the same for a seed."""

from __future__ import annotations

import ast

import pytest

from tests.volume.mutants import PACKAGE, ROOT, Break, breaks_of, choose, harmless, modules


def test_every_place_that_can_be_broken_gives_other_python() -> None:
    found = 0
    for path in modules():
        source = path.read_text(encoding="utf-8")
        whole = ast.dump(ast.parse(source))
        for broken in breaks_of(path)[::31]:
            assert ast.dump(ast.parse(broken.applied(source))) != whole, broken.told(source)
            found += 1
    assert found > 200


def test_a_seed_chooses_the_same_breaks_and_all_kinds_and_rooms() -> None:
    chosen = choose(100, 1)
    assert chosen == choose(100, 1)
    assert chosen != choose(100, 2)
    assert chosen[:30] == choose(30, 1)
    assert len(set(chosen)) == 100
    assert {b.kind for b in chosen} == {"sign", "edge", "one", "axis", "minus", "ends"}
    assert {b.module.split("/")[1] for b in chosen} >= {"optics", "exposure", "wafer", "layout"}


@pytest.mark.parametrize(
    ("line", "kinds"),
    [
        ("a = b + c\n", {"sign": "a = b - c\n"}),
        ("a = b < c\n", {"edge": "a = b <= c\n"}),
        ("a = x.shape[0]\n", {"axis": "a = x.shape[1]\n"}),
        ("a = (at_x, at_y)\n", {"axis": "a = (at_y, at_x)\n"}),
        ("a = -b\n", {"minus": "a =  b\n"}),
        ("a = min(b, c)\n", {"ends": "a = max(b, c)\n"}),
        ("a = é + 1\n", {"sign": "a = é - 1\n", "one": "a = é + 2\n"}),
        ("raise ValueError(1 + 2)\n", {}),
        ("a = f'{b + c}'\n", {}),
        ("a = 'b' + c\n", {}),
        ("a: tuple[int, 2] = b\n", {}),
    ],
)
def test_what_is_broken_and_how(
    line: str,
    kinds: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("broken")
    monkeypatch.setattr("tests.volume.mutants.ROOT", folder)
    (folder / "module.py").write_text(line, encoding="utf-8")
    found = {b.kind: b.applied(line) for b in breaks_of(folder / "module.py")}
    assert found == kinds


def test_a_break_is_told_with_its_place() -> None:
    path = PACKAGE / "lattice.py"
    source = path.read_text(encoding="utf-8")
    broken: Break = breaks_of(path)[0]
    told = broken.told(source)
    assert told.startswith(f"{path.relative_to(ROOT).as_posix()}:{broken.line} ({broken.kind}): ")
    assert "  ->  " in told


def test_each_harmless_break_is_one_that_can_be_drawn() -> None:
    known = harmless()
    every = {
        (broken.module, *broken.lines(path.read_text(encoding="utf-8")))
        for path in modules()
        for broken in breaks_of(path)
    }
    assert known <= every, sorted(known - every)
    drawn = {
        (broken.module, *broken.lines((ROOT / broken.module).read_text(encoding="utf-8")))
        for seed in (2, 3)
        for broken in choose(300, seed)
    }
    assert not drawn & known
