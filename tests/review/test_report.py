"""The review page and the operator's sheet: complete, safe, the same every time, and usable in a browser.

What windows show is held against klayout's reading of the layout file; cut pillars are counted again
polygon by polygon. The browser is Chromium, driven by Playwright; where no Chromium is installed these
tests are skipped.
"""

from __future__ import annotations

import copy
import html
import json
import math
import re
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import pytest

import layoutgen as lg
from layoutgen.review.report import Section, operator_text
from layoutgen.review.svg import bars, dark, viridis, window_svg
from layoutgen.review.window import Drawn
from tests.e2e_recipes import LONE, Recipe, write

CHROMIUM = next(
    (
        path
        for name in ("chromium", "chromium-browser", "google-chrome")
        if (path := shutil.which(name))
    ),
    None,
)
HOSTILE = "</script><script>window.hacked=1</script><b onload=\"x\">&amp; '=1+1'"


def hostile(recipe: Recipe) -> None:
    recipe["waive"] = {"sampling": HOSTILE, "street": HOSTILE}
    recipe["wafer"]["street"] = "60 um"  # so the waived rule fails and its reason is shown
    recipe["pillars"]["library"] = "li<b>rary&.csv"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("report")
    return lg.build(lg.load_recipe(write(folder)), folder / "out")


@pytest.fixture(scope="module")
def attacked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("hostile")
    path = write(folder, change=hostile)
    (folder / "library.csv").rename(folder / "li<b>rary&.csv")
    return lg.build(lg.load_recipe(path), folder / "out", verify=False)


def page(job: Any) -> str:
    return str((job.folder / "report.html").read_text(encoding="utf-8"))


class Elements(HTMLParser):
    """Every start tag with its attributes, and text by the innermost element's tag."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.words.append((self._open[-1] if self._open else "", data.strip()))


# --- the page as a file -----------------------------------------------------------------------------


def test_the_page_is_in_the_job_with_its_hash(job: Any) -> None:
    for name in ("report.html", "operator.txt"):
        assert job.manifest["files"][name]["bytes"] == (job.folder / name).stat().st_size
    assert len(page(job)) < 5_000_000
    assert lg.verify(job.folder) == []


def test_of_many_lenses_the_first_are_told_in_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a page of a thousand lenses would be too large to open
    def several(recipe: Recipe) -> None:
        lens = recipe["lenses"][0]
        recipe["lenses"] = [
            {**copy.deepcopy(lens), "name": f"dot{k}", "aperture": f"{20 + k} um"} for k in range(4)
        ]
        recipe["dies"] = {
            f"die{k}": [{"lens": f"dot{k}", "at": ["0 um", "0 um"]}] for k in range(4)
        }
        recipe["wafer"] |= {"diameter": "700 um", "fill": "die0"}
        recipe["wafer"]["instead"] = [{"die": f"die{k}", "sites": [[k - 2, 0]]} for k in (1, 2, 3)]

    monkeypatch.setattr("layoutgen.pipeline.report.MOST_TOLD", 2)
    many = lg.build(lg.load_recipe(write(tmp_path, LONE, several)), tmp_path / "out", verify=False)
    text = page(many)
    headings = [words for tag, words in Elements(text).words if tag == "h3"]
    assert [h for h in headings if h.startswith("Lens dot")] == ["Lens dot0", "Lens dot1"]
    assert "2 more" in text
    assert "Lens dot1: share of the pillars" in text
    assert "Lens dot2: share of the pillars" not in text
    assert set(many.manifest["lenses"]) == {"dot0", "dot1", "dot2", "dot3"}
    assert {"gap:lens:dot3", "min_size:lens:dot3"} <= {
        rule["name"] for rule in many.manifest["rules"]
    }


def test_a_page_that_was_altered_is_found_out(job: Any, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    (copy / "report.html").write_text(page(job).replace("ok</span>", "fine</span>", 1))
    assert any("report.html" in sentence for sentence in lg.verify(copy))


def test_same_recipe_same_page(job: Any, tmp_path: Path) -> None:
    again = lg.build(lg.load_recipe(job.folder / "recipe.yaml"), tmp_path / "again", jobs=1)
    for name in ("report.html", "operator.txt"):
        assert (again.folder / name).read_bytes() == (job.folder / name).read_bytes()


def test_the_page_loads_nothing(job: Any) -> None:
    text = page(job)
    for tag, attributes in Elements(text).found:
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
            where = attributes.get(name)
            assert where is None or where.startswith(("#", "data:image/png;base64,")), (tag, where)
    style = re.findall(r"<style>(.*?)</style>", text, re.S)[0]
    assert "@import" not in style
    assert "url(" not in style
    assert "default-src 'none'" in text


def test_every_rule_warning_and_hash_is_on_the_page(job: Any) -> None:
    words = {word for _, word in Elements(page(job)).words}
    for rule in job.manifest["rules"]:
        assert rule["name"] in words
        assert rule["text"] in words
    for warning in job.manifest["warnings"]:
        assert warning in words
    for name, facts in job.manifest["files"].items():
        if name not in ("report.html", "operator.txt"):
            assert facts["sha256"] in words
    text = page(job)
    for wanted in (
        "read back and are equal",
        "signature",
        job.manifest["job"],
        "Mastering engineer",
    ):
        assert wanted in text


def test_a_job_that_was_not_read_back_says_so(attacked: Any) -> None:
    assert "were not read back" in page(attacked)
    assert "Read back" in (attacked.folder / "operator.txt").read_text()


def test_hostile_text_never_becomes_markup(attacked: Any) -> None:
    text = page(attacked)
    found = Elements(text)
    assert sum(tag == "script" for tag, _ in found.found) == 2
    assert not any(tag == "b" for tag, _ in found.found)
    assert (
        html.escape(HOSTILE, quote=True).replace("&#x27;", "&#39;").replace("&quot;", "&#34;")
        in text
    )
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert data is not None
    assert not set("<>&") & set(data[1])
    json.loads(data[1])


def test_the_dies_of_the_page_are_those_of_dies_csv(job: Any) -> None:
    data = re.search(r'id="data">(.*?)</script>', page(job), re.S)
    assert data is not None
    held = json.loads(data[1])
    told = {(held["kinds"][k]["name"], c, r, x, y) for k, c, r, x, y, _ in held["dies"]}
    rows = [line.split(",") for line in (job.folder / "dies.csv").read_text().splitlines()[1:]]
    assert told == {(n, int(c), int(r), float(x) * 1e3, float(y) * 1e3) for n, c, r, x, y in rows}
    wide = next(kind for kind in held["kinds"] if kind["name"] == "wide")
    assert wide["words"] == "+4 nm"
    assert wide["parts"] == ["lens dot"]


def drawings(text: str) -> Iterator[tuple[str, tuple[float, ...], str]]:
    """Windows of the page: title, centre in mm, and the SVG."""
    for figure in re.findall(r"<figure>\n<figcaption>(.*?)</figure>", text, re.S):
        place = re.search(r"<strong>(.*?)</strong><small>\((.*?), (.*?)\) mm", figure)
        svg = re.search(r'<svg class="window".*?</svg>', figure, re.S)
        if place is not None and svg is not None:
            yield place[1], (float(place[2]), float(place[3])), svg[0]


def test_pillars_of_every_window_are_those_of_the_file(job: Any) -> None:
    layout = kdb.Layout()
    layout.read(str(job.folder / "full-A.gds"))
    top = layout.top_cell()
    titles = []
    for title, (x_mm, y_mm), svg in drawings(page(job)):
        view = re.search(r'viewBox="(-?\d+) (-?\d+) (\d+) (\d+)"', svg)
        assert view is not None
        vx, vy, width, height = map(int, view.groups())
        x, y = round(x_mm * 1e6), round(y_mm * 1e6)
        shown: Counter[tuple[float, float, str]] = Counter()
        for fill in re.findall(r"<defs><path.*?</g>", svg, re.S):
            number = re.search(r'data-d="(.*?)"', fill)
            path = re.search(r' d="M(.*?)z"', fill)
            assert number is not None
            assert path is not None
            points = [tuple(map(int, p.split(","))) for p in path[1].split("L")]
            area = sum(
                a * d - b * c
                for (a, b), (c, d) in zip(points, [*points[1:], points[0]], strict=True)
            )
            if number[1]:  # the number on a pillar is its size, to the address grid
                assert abs(math.sqrt(2 * abs(area) / math.pi) - float(number[1])) < 0.6
            for use in re.findall(r'<use href="#\w+" x="(-?\d+)" y="(-?\d+)"/>', fill):
                px, py = int(use[0]), int(use[1])
                corners = sorted((px + a, -(py + b)) for a, b in points)
                shown[corners[0][0], corners[0][1], str(abs(area) / 2)] += 1
        expected: Counter[tuple[float, float, str]] = Counter()
        box = kdb.Box(x + vx, y - vy - height, x + vx + width, y - vy)
        for index in layout.layer_indexes():
            if layout.get_info(index).layer in (4, 100):
                continue
            shapes = top.begin_shapes_rec_touching(index, box)
            while not shapes.at_end():
                polygon = shapes.shape().polygon.transformed(shapes.trans())
                corner = min((p.x - x, p.y - y) for p in polygon.each_point_hull())
                expected[corner[0], corner[1], str(float(polygon.area()))] += 1
                shapes.next()
        assert shown == expected, title
        titles.append(title)
    assert len(titles) >= 10
    for words in ("centre", "zone boundary", "rim", "Grating", "Pad", "Mark", "Label"):
        assert any(words in title for title in titles), words


def test_sizes_are_shown_before_and_after_bias(job: Any) -> None:
    text = page(job)
    assert "share of the pillars by diameter, on the master and as drawn" in text
    assert text.count("data:image/png;base64,") == 2  # density and bias


# --- the operator's sheet ---------------------------------------------------------------------------


def sheet(job: Any) -> str:
    return str((job.folder / "operator.txt").read_text(encoding="utf-8"))


def test_the_sheet_tells_layers_doses_boolean_and_marks(job: Any) -> None:
    text = sheet(job)
    assert re.search(r"1/101 +pillars_dose_1, relative dose 1\.1", text)
    assert re.search(rf"Write +{re.escape(job.manifest['written'])}\n", text)
    assert "cross at (-0.4, 0) mm" in text
    assert "box at (0.4, 0) mm" in text
    assert re.search(r"100/0 +outlines, for viewing only", text)
    for name in ("full-A.oas", "full-A.gds"):
        assert job.manifest["files"][name]["sha256"] in text
    assert "site rules first" in text


def brute_force(job: Any, x0: float, y0: float, step_x: float, step_y: float) -> tuple[int, float]:
    """Pillars of the first lens that a boundary cuts, polygon by polygon, and the largest overhang."""
    rows = [line.split(",") for line in (job.folder / "dies.csv").read_text().splitlines()[1:]]
    x, y = (round(float(v) * 1e6) for v in next(r for r in rows if r[0] == "lens")[3:5])
    layout = kdb.Layout()
    layout.read(str(job.folder / f"{job.title}.gds"))
    shapes = layout.top_cell().begin_shapes_rec_touching(
        layout.layer(1, 0), kdb.Box(x - 30_000, y - 30_000, x + 30_000, y + 30_000)
    )
    count, worst = 0, 0.0
    while not shapes.at_end():
        box = shapes.shape().polygon.transformed(shapes.trans()).bbox()
        over = 0.0
        for low, high, first, step in (
            (box.left - x, box.right - x, x0, step_x),
            (box.bottom - y, box.top - y, y0, step_y),
        ):
            k = math.floor((low - first) / step) + 1  # the first boundary above the lower side
            if first + k * step < high:
                over = max(over, min(high - first - k * step, first + k * step - low))
        count += over > 0
        worst = max(worst, over)
        shapes.next()
    return count, worst


@pytest.mark.parametrize("write_field", ["5 um", "7.3 um"])
def test_square_fields_cut_nothing_by_brute_force(tmp_path: Path, write_field: str) -> None:
    def fields(recipe: Recipe) -> None:
        recipe["exposure"]["write_field"] = write_field

    built = lg.build(lg.load_recipe(write(tmp_path, LONE, fields)), tmp_path / "out", verify=False)
    told = re.search(r"lens dot +(\S+) um x (\S+) um; no pillar is cut", sheet(built))
    assert told is not None
    side = round(float(told[1]) * 1000)
    assert side == float(write_field.split()[0]) * 1000 // 400 * 400
    # fields about the axis: a boundary on it, or half a field beside it, moved on between two sites
    across = math.ceil(40_000 / side)
    first = -across * side / 2
    first += -first % 400
    assert brute_force(built, first, first, side, side) == (0, 0.0)


def test_hexagonal_fields_cut_what_the_sheet_says(tmp_path: Path) -> None:
    def hexagonal(recipe: Recipe) -> None:
        recipe["lattice"] = {"kind": "hexagonal", "pitch": "440 nm"}
        recipe["exposure"]["write_field"] = "6 um"

    path = write(tmp_path, LONE, hexagonal)
    library = tmp_path / "library.csv"
    wanted = "{kind: hexagonal, pitch: 440 nm}"
    library.write_text(library.read_text().replace("{kind: square, pitch: 400 nm}", wanted))
    built = lg.build(lg.load_recipe(path), tmp_path / "out", verify=False)
    told = re.search(
        r"lens dot +(\S+) um x (\S+) um; ([\d,]+) pillars are cut, by up to (\S+) nm", sheet(built)
    )
    assert told is not None
    row = round(440 * math.sqrt(3) / 2)
    step_x, step_y = 6000 // 440 * 440, 6000 // row * row
    assert (round(float(told[1]) * 1000), round(float(told[2]) * 1000)) == (step_x, step_y)
    # lines along y stand 220 nm apart, the first at the axis's gap; rows at whole row steps
    first_x = -math.ceil(2 * 20_000 / step_x) * step_x / 2
    first_x += (220 + 110 - first_x) % 220
    first_y = -math.ceil(2 * 20_000 / step_y) * step_y / 2
    first_y += (row / 2 - first_y) % row
    count, overhang = brute_force(built, first_x, first_y, step_x, step_y)
    dies = built.manifest["dies"]["lens"]
    assert int(told[3].replace(",", "")) == count * dies
    assert float(told[4]) == overhang
    assert count > 100


def test_rows_of_the_sheet_stand_below_each_other() -> None:
    text = operator_text("x-A", [Section("Layers", [("1/0", "pillars"), ("1/101", "more")])])
    assert text == "Operator's sheet: x-A\n\nLayers\n------\n1/0    pillars\n1/101  more\n"


# --- drawings ---------------------------------------------------------------------------------------


def test_colours_are_those_of_viridis() -> None:
    from matplotlib import colormaps

    for k in range(101):
        ours = [int(viridis(k / 100)[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        assert (
            max(abs(a - b) for a, b in zip(ours, colormaps["viridis"](k / 100), strict=False))
            < 0.015
        )
    assert dark(0.0)
    assert not dark(1.0)


def test_bars_take_what_there_is() -> None:
    assert bars([("a", [])], "nm", "t") == ""
    svg = str(bars([("<a>", [(100.0, 0.5), (101.0, 0.25), (110.0, 0.25)])], "nm", "t"))
    assert "&lt;a&gt;" in svg
    assert svg.count("<path") == 2


# --- in a browser -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


def opened(
    browser: Any, job: Any, width: int = 1280, scheme: str = "light"
) -> tuple[Any, list[str], Callable[[], None]]:
    """The page in a browser without a network, what its console says, and how to close it."""
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True
    )
    tab = context.new_page()
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.goto((job.folder / "report.html").absolute().as_uri())
    return tab, said, context.close


def test_a_window_shows_the_outlines_that_pass_through_it_and_no_others() -> None:
    box = (1000, 2000, 1100, 2080)
    middle = np.zeros((1, 2), dtype=np.int64)
    around = [[0, 0], [5000, 0], [5000, 5000], [0, 5000]]  # a frame that the window lies in
    across = [
        [900, 2000],
        [1300, 2060],
        [900, 2060],
    ]  # two sides pass through it, no corner lies in it
    inside = [[1010, 2010], [1020, 2010], [1020, 2020]]
    beside = [[1101, 2000], [1200, 2000], [1200, 2080]]
    lines = [Drawn((4, 0), np.array(p), middle) for p in (around, across, inside, beside)]
    drawn = re.findall(r'class="line"[^>]* d="(.*?)"', str(window_svg("w", [], lines, box, "t")))
    assert drawn == ["M-150,40L250,-20L-150,-20z", "M-40,30L-30,30L-30,20z"]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_the_page_opens_without_a_word_and_fits(
    browser: Any, job: Any, width: int, scheme: str
) -> None:
    tab, said, close = opened(browser, job, width, scheme)
    assert said == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    paper = tab.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (paper == "rgb(255, 255, 255)") == (scheme == "light")
    close()


def test_a_die_is_picked_by_click_keys_and_numbers(browser: Any, job: Any) -> None:
    tab, said, close = opened(browser, job)
    rows = [line.split(",") for line in (job.folder / "dies.csv").read_text().splitlines()[1:]]
    name, col, row, x, y = next(r for r in rows if r[0] == "wide")
    panel = tab.locator("#die")
    box = tab.locator("#wafer").bounding_box()
    view = [float(v) for v in tab.locator("#wafer").get_attribute("viewBox").split()]
    scale = box["width"] / view[2]
    tab.locator("#wafer").click(
        position={
            "x": (float(x) * 1e3 - view[0]) * scale, "y": (-float(y) * 1e3 - view[1]) * scale
        }
    )  # fmt: skip
    assert f"Die {name} [{col}, {row}]" in panel.inner_text()
    assert "+4 nm" in panel.inner_text()
    assert "lens dot" in panel.inner_text()
    assert tab.locator("#wafer .picked").get_attribute("visibility") == "visible"
    # the next die to the left, by the keyboard alone
    tab.locator("#wafer").focus()
    tab.keyboard.press("ArrowLeft")
    left = max((int(r[1]) for r in rows if r[2] == row and int(r[1]) < int(col)), default=None)
    assert left is not None
    assert f"[{left}, {row}]" in panel.inner_text()
    tab.locator("input[name=col]").fill("0")
    tab.locator("input[name=row]").fill("1")
    tab.locator("input[name=row]").press("Enter")
    assert "Die test [0, 1]" in panel.inner_text()
    tab.locator("input[name=col]").fill("99")
    tab.get_by_role("button", name="Pick", exact=True).click()
    assert "No die stands there" in panel.inner_text()
    assert panel.get_attribute("aria-live") == "polite"
    assert said == []
    close()


def test_a_window_zooms_by_buttons_and_keys_and_keeps_its_sizes(browser: Any, job: Any) -> None:
    tab, said, close = opened(browser, job)
    window = tab.locator("svg.window").first
    whole = window.get_attribute("viewBox")
    tab.get_by_role("button", name=re.compile("^Zoom in: Lens dot: centre")).click()
    near = [float(v) for v in window.get_attribute("viewBox").split()]
    assert near[2] == pytest.approx(float(whole.split()[2]) / 2)
    window.focus()
    for _ in range(3):
        tab.keyboard.press("+")
    tab.keyboard.press("ArrowLeft")
    closer = [float(v) for v in window.get_attribute("viewBox").split()]
    assert closer[2] == pytest.approx(near[2] * 0.7**3)
    assert closer[0] < near[0] + (near[2] - closer[2]) / 2
    # a pillar on the screen is as wide as its polygon in the file
    use = window.locator("use").nth(40)
    number = float(use.evaluate("node => node.parentNode.dataset.d"))
    seen = use.bounding_box()["width"] / window.evaluate("node => node.getScreenCTM().a")
    drawn = {float(s["drawn_nm"]): s["polygon_dbu"] for s in job.manifest["shapes"]}
    polygon = drawn[number]
    assert seen == pytest.approx(max(p[0] for p in polygon) - min(p[0] for p in polygon), abs=0.5)
    tab.keyboard.press("0")
    assert window.get_attribute("viewBox") == whole
    assert said == []
    close()


def test_everything_can_be_reached_and_is_named_for_a_screen_reader(browser: Any, job: Any) -> None:
    tab, _, close = opened(browser, job)
    for selector in ("svg#wafer", "svg.window", "svg.chart"):
        for each in tab.locator(selector).all():
            assert each.get_attribute("aria-label")
    for each in tab.locator("img").all():
        assert each.get_attribute("alt")
    for each in tab.locator("section").all():
        labelled = each.get_attribute("aria-labelledby")
        assert tab.locator(f"#{labelled}").count() == 1
    levels = [
        int(t[1])
        for t in tab.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(h => h.tagName)")
    ]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.className") == "skip"
    close()


def test_hostile_text_does_nothing_in_a_browser(browser: Any, attacked: Any) -> None:
    tab, said, close = opened(browser, attacked)
    assert tab.evaluate("window.hacked") is None
    assert said == []
    assert HOSTILE in tab.locator("#rules").inner_text()
    close()


def test_the_page_prints_on_a4(browser: Any, job: Any, tmp_path: Path) -> None:
    tab, _, close = opened(browser, job)
    data = tab.pdf(prefer_css_page_size=True)
    sizes = {tuple(float(v) for v in box.split()[2:4])
             for box in re.findall(rb"/MediaBox \[(.*?)\]", data)}  # fmt: skip
    assert sizes
    for width, height in sizes:  # 210 mm x 297 mm in points of 1/72 inch
        assert width == pytest.approx(595.3, abs=1)
        assert height == pytest.approx(841.9, abs=1)
    tab.emulate_media(media="print")
    assert not tab.locator("nav").is_visible()
    close()
