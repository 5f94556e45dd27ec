"""Measured SEM files: what an operator may hand back, and one clear sentence for what they may not."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layoutgen.errors import InputError
from layoutgen.recipe.measured import SEM_FILLED, SEM_GIVEN, MeasuredSites, job_of, read_measured

TITLE, HASH = "porch-A", "ab" * 32
COLUMNS = [*SEM_GIVEN, *SEM_FILLED]
#: What each stage adds to the master; the recipe's steps are +4 nm and -6 nm.
WANTED = {"resist": 0.0, "master": 0.0, "imprint": 4.0, "etch": -2.0}
Row = dict[str, str]


def listed_rows() -> list[Row]:
    """Six pillars at two stages, as a job lists them: every given column filled, the others empty."""
    rows = []
    for stage in ("resist", "master"):
        for k in range(6):
            master = 140 + 20 * k
            rows.append(
                {
                    "site": f"S{k + 1:03d}", "stage": stage, "die": "lens", "col": str(k - 2), "row": "3",
                    "x_mm": f"{-1.25 + 5 * k:.7f}", "y_mm": f"{15.0004 - k:.7f}", "feature": "dot",
                    "lens_radius_um": f"{12.5 + k:.4f}", "target_nm": f"{master - 2:.4f}",
                    "master_nm": f"{master:.4f}", "split_nm": "4" if k == 5 else "0",
                    "drawn_nm": f"{master + 3:.4f}", "density": f"{0.1 + 0.05 * k:.5f}",
                }
                | dict.fromkeys(SEM_FILLED, "")
            )  # fmt: skip
    return rows


def text_of(rows: list[Row], columns: list[str] | None = None) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = columns or COLUMNS
    writer.writerow(names)
    writer.writerows([[row.get(name, "") for name in names] for row in rows])
    return f"# job: {TITLE} {HASH}\n{out.getvalue()}"


LISTED = text_of(listed_rows()).encode()


def filled() -> list[Row]:
    """The same file back from the SEM: the master stage measured, 2 nm over the drawn size."""
    rows = listed_rows()
    for row in rows:
        if row["stage"] == "master":
            row["measured_nm"] = f"{float(row['drawn_nm']) + 2:.2f}"
    return rows


def read(data: str | bytes) -> MeasuredSites:
    raw = data.encode() if isinstance(data, str) else data
    return read_measured(
        raw, "m.csv", job_title=TITLE, job_hash=HASH, listed=LISTED, wanted_nm=WANTED
    )


def refused(data: str | bytes) -> str:
    with pytest.raises(InputError) as error:
        read(data)
    return "\n".join(error.value.problems)


def changed(change: Callable[[list[Row]], object]) -> str:
    """The text of a filled file after a change to its rows."""
    rows = filled()
    change(rows)
    return text_of(rows)


def measured_rows(rows: list[Row]) -> list[Row]:
    return [row for row in rows if row["measured_nm"]]


# --- what is taken --------------------------------------------------------------------------------


def test_rows_without_a_size_are_skipped_and_the_rest_come_back_as_written() -> None:
    found = read(text_of(filled()))
    assert (found.job_title, found.job_hash) == (TITLE, HASH)
    assert [s.site for s in found.sites] == [f"S{k:03d}" for k in range(1, 7)]
    assert {s.stage for s in found.sites} == {"master"}
    first = found.sites[0]
    assert (first.master_nm, first.drawn_nm, first.measured_nm) == (140.0, 143.0, 145.0)
    assert (first.x_mm, first.y_mm, first.density) == (-1.25, 15.0004, 0.1)
    assert (first.sigma_nm, first.count) == (None, None)
    assert all(s.listed for s in found.sites)


def spreadsheet(text: str) -> bytes:
    """As a spreadsheet saves it: byte order mark, CRLF, the first line quoted or filled up with commas."""
    head, rest = text.split("\n", 1)
    return b"\xef\xbb\xbf" + (head + "," * 18 + "\n" + rest).replace("\n", "\r\n").encode()


@pytest.mark.parametrize(
    "data",
    [
        text_of(filled()).replace("\n", "\r\n"),
        "\ufeff" + text_of(filled()),
        spreadsheet(text_of(filled())),
        '"' + text_of(filled()).replace("\n", '"\n', 1),
        text_of(filled()) + "\n\n# a remark\n",
        text_of(filled()).rstrip("\n"),
    ],
    ids=["crlf", "bom", "spreadsheet", "quoted first line", "remark at the end", "no newline"],
)
def test_what_spreadsheets_do_to_a_file_changes_nothing(data: str | bytes) -> None:
    assert read(data).sites == read(text_of(filled())).sites


def test_columns_may_stand_in_any_order_and_numbers_lose_their_zeros() -> None:
    rows = filled()
    for row in rows:
        for column in ("x_mm", "y_mm", "target_nm", "master_nm", "drawn_nm", "density"):
            row[column] = (
                f"{float(row[column]):g}"
                if column not in ("x_mm", "y_mm")
                else f"{float(row[column])}"
            )
    found = read(text_of(rows, COLUMNS[::-1]))
    assert all(s.listed for s in found.sites)
    assert [s.measured_nm for s in found.sites] == [
        s.measured_nm for s in read(text_of(filled())).sites
    ]


def test_a_note_may_hold_commas_and_quotes() -> None:
    def note(rows: list[Row]) -> None:
        measured_rows(rows)[0]["note"] = 'charging, said the operator: "drifts"'

    assert len(read(changed(note)).sites) == 6


def test_a_pillar_that_the_job_does_not_list_is_taken_and_marked() -> None:
    def add(rows: list[Row]) -> None:
        rows.append(measured_rows(rows)[0] | {"site": "mine", "x_mm": "33.1", "y_mm": "-7.5"})

    found = read(changed(add))
    assert [s.listed for s in found.sites] == [True] * 6 + [False]


def test_a_listed_name_at_another_place_is_another_pillar() -> None:
    def move(rows: list[Row]) -> None:
        measured_rows(rows)[0].update(x_mm="33.1", y_mm="-7.5", density="0.31", master_nm="150")

    assert [s.listed for s in read(changed(move)).sites] == [False] + [True] * 5


def test_the_first_line_tells_the_job() -> None:
    assert job_of(text_of(filled()).encode(), "m.csv") == (TITLE, HASH)


# --- another job ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line, sentence",
    [
        (f"# job: hearth-A {HASH}", "m.csv:1: want sites of the job porch-A, got those of another job, hearth-A"),
        (f"# job: porch-B {HASH}", "m.csv:1: want sites of the job porch-A, got those of another revision, porch-B"),
        (f"# job: porch-A {'cd' * 32}", "m.csv:1: want sites of porch-A with the hash abababababab..., got"
         " cdcdcdcdcdcd...: of another build under the same name"),
        ("site,stage", "m.csv:1: want the line '# job: NAME-REVISION HASH', got 'site,stage'"),
        ("# job: porch-A", "m.csv:1: want the line '# job: NAME-REVISION HASH', got '# job: porch-A'"),
    ],
    ids=["job", "revision", "hash", "no line", "no hash"],
)  # fmt: skip
def test_a_file_of_another_job_is_refused(line: str, sentence: str) -> None:
    assert refused(line + "\n" + text_of(filled()).split("\n", 1)[1]) == sentence


# --- files that are none --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data, sentence",
    [
        (b"", "m.csv:1: want the job's sem_sites.csv with measured sizes, got an empty file"),
        (b"\xef\xbb\xbf\r\n", "m.csv:1: want the job's sem_sites.csv with measured sizes, got an empty file"),
        (f"# job: {TITLE} {HASH}\n".encode(), "m.csv:1: want a line of column names (site,stage,die,col,...), got none"),
        (text_of(filled()).replace(",", ";").encode(), "m.csv:2: want columns separated by commas, got semicolons"),
        (text_of(filled()).replace(",", "\t").encode(), "m.csv:2: want columns separated by commas, got tabs"),
        (text_of(filled()).encode("utf-16"), "m.csv:1: want UTF-8 text, got the byte FF"),
        (text_of(filled()).encode() + b"\0", "m.csv:15: want text, got a zero byte"),
        (text_of(listed_rows()).encode(), "m.csv: want sizes in the column measured_nm, got 12 rows without any"),
    ],
    ids=["empty", "only a mark", "no columns", "semicolons", "tabs", "utf-16", "zero byte", "nothing measured"],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_told_in_one_sentence(data: bytes, sentence: str) -> None:
    assert refused(data) == sentence


def test_columns_of_another_unit_and_missing_ones_are_told() -> None:
    columns = [c if c != "measured_nm" else "measured_um" for c in COLUMNS]
    assert (
        refused(text_of(filled(), columns))
        == "m.csv:2: want the column 'measured_nm', got 'measured_um'"
    )
    columns = [c for c in COLUMNS if c not in ("density", "drawn_nm")]
    assert refused(text_of(filled(), columns)) == (
        "m.csv:2: want the columns drawn_nm, density as well, got none of that name"
    )
    columns = [*COLUMNS, "density"]
    assert "want each column once, got 'density' twice" in refused(text_of(filled(), columns))


def test_a_row_with_a_decimal_comma_is_refused() -> None:
    text = text_of(filled()).replace("145.00", "145,00")
    assert refused(text) == "m.csv:9: want 19 columns, got 20"


# --- sizes that are none --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "column, cell, sentence",
    [
        ("measured_nm", "nan", "m.csv:9: measured_nm: want a number, got 'nan'"),
        ("measured_nm", "inf", "m.csv:9: measured_nm: want a number, got 'inf'"),
        ("measured_nm", "1e999", "m.csv:9: measured_nm: want a number, got '1e999'"),
        ("measured_nm", "201 nm", "m.csv:9: measured_nm: want a number, got '201 nm'"),
        ("measured_nm", "n/a", "m.csv:9: measured_nm: want a number, got 'n/a'"),
        ("measured_nm", "-145", "m.csv:9: measured_nm: want a diameter above 0, got -145"),
        ("measured_nm", "0", "m.csv:9: measured_nm: want a diameter above 0, got 0"),
        ("sigma_nm", "-0.8", "m.csv:9: sigma_nm: want above 0, or nothing, got -0.8"),
        ("sigma_nm", "small", "m.csv:9: sigma_nm: want a number, got 'small'"),
        ("count", "2.5", "m.csv:9: count: want a whole number from 1, or nothing, got 2.5"),
        ("count", "0", "m.csv:9: count: want a whole number from 1, or nothing, got 0"),
        ("stage", "mastre", "m.csv:9: stage: want one of resist, master, imprint, etch, got 'mastre'"),
        ("site", "", "m.csv:9: site: want a name, got nothing"),
        ("x_mm", "", "m.csv:9: x_mm: want a number, got nothing"),
        ("density", "0.3", "m.csv:9: density: want '0.10000' as in the job's sem_sites.csv, got '0.3'"),
        ("drawn_nm", "150", "m.csv:9: drawn_nm: want '143.0000' as in the job's sem_sites.csv, got '150'"),
        ("die", "wide", "m.csv:9: die: want 'lens' as in the job's sem_sites.csv, got 'wide'"),
    ],
)  # fmt: skip
def test_a_wrong_cell_is_told_with_its_line(column: str, cell: str, sentence: str) -> None:
    def spoil(rows: list[Row]) -> None:
        measured_rows(rows)[0][column] = cell

    assert refused(changed(spoil)) == sentence


def test_a_site_that_stands_twice_is_told_with_both_lines() -> None:
    def twice(rows: list[Row]) -> None:
        rows.append(dict(measured_rows(rows)[2]))

    assert refused(changed(twice)) == (
        "m.csv:15: want each site once per stage (line 11), got S003 at stage master again"
    )

    def a_slip(rows: list[Row]) -> None:
        measured_rows(rows)[3]["measured_nm"] = "1.55e8"

    assert re.search(
        r":\d+: measured_nm: want a diameter in nm, at most 100 times the wanted \d+\.\d, got 1\.55e\+08",
        refused(changed(a_slip)),
    )

    def same_pillar(rows: list[Row]) -> None:
        rows.append(measured_rows(rows)[2] | {"site": "again"})

    assert "want each site once per stage (line 11), got again at stage master again" in refused(
        changed(same_pillar)
    )


@pytest.mark.parametrize(
    "factor, words",
    [(1e-3, "are they micrometres?"), (1e-6, "are they millimetres?"), (0.5, "are they radii?"),
     (10.0, "are they angstroms?"), (1e3, "are they picometres?"), (3.0, "are two columns swapped?")],
)  # fmt: skip
def test_sizes_in_another_unit_are_one_sentence(factor: float, words: str) -> None:
    def scale(rows: list[Row]) -> None:
        for row in measured_rows(rows):
            row["measured_nm"] = f"{float(row['measured_nm']) * factor:.7g}"

    told = refused(changed(scale))
    assert told.count("\n") == 0
    assert told.startswith("m.csv:9: measured_nm: want diameters in nm near the wanted ones, got")
    assert told.endswith(words)


def test_a_single_gross_size_is_left_to_the_outlier_rule() -> None:
    def gross(rows: list[Row]) -> None:
        measured_rows(rows)[0]["measured_nm"] = "40"

    assert len(read(changed(gross)).sites) == 6


@pytest.mark.parametrize(
    "one, other", [("drawn_nm", "density"), ("x_mm", "y_mm"), ("master_nm", "lens_radius_um")]
)
def test_swapped_columns_are_one_sentence(one: str, other: str) -> None:
    def swap(rows: list[Row]) -> None:
        for row in rows:
            row[one], row[other] = row[other], row[one]

    told = refused(changed(swap))
    assert told.count("\n") == 0
    assert f"{one} and {other}" in told or f"{other} and {one}" in told
    assert told.endswith("as the job wrote them, got them swapped (6 rows are so)")


def test_measured_and_drawn_swapped_are_told_once() -> None:
    names = {"measured_nm": "drawn_nm", "drawn_nm": "measured_nm"}
    rows = [{names.get(k, k): v for k, v in row.items()} for row in filled() if row["measured_nm"]]
    assert refused(text_of(rows)) == (
        "m.csv:3: drawn_nm: want '143.0000' as in the job's sem_sites.csv, got '145.00' (6 rows are so)"
    )


def test_measured_and_sigma_swapped_are_told_once() -> None:
    def swap(rows: list[Row]) -> None:
        for row in measured_rows(rows):
            row["sigma_nm"], row["measured_nm"] = row["measured_nm"], "0.8"

    assert refused(changed(swap)).endswith("are two columns swapped?")


def test_a_sorted_column_is_refused() -> None:
    def sort(rows: list[Row]) -> None:
        held = measured_rows(rows)
        for row, value in zip(
            held, sorted((r["density"] for r in held), reverse=True), strict=True
        ):
            row["density"] = value

    assert "density: want '0.10000' as in the job's sem_sites.csv, got '0.35000'" in refused(
        changed(sort)
    )


def test_a_recipe_without_backscatter_has_no_density_and_no_table_to_refine() -> None:
    rows = [row | {"density": ""} for row in filled()]
    listed = text_of([row | {"density": ""} for row in listed_rows()]).encode()
    with pytest.raises(InputError, match="density: want a number, got nothing: the recipe has no"):
        read_measured(
            text_of(rows).encode(), "m.csv", job_title=TITLE, job_hash=HASH, listed=listed, wanted_nm=WANTED,
        )  # fmt: skip


def test_many_problems_are_cut_off_with_their_number() -> None:
    rows = [measured_rows(filled())[0] | {"measured_nm": "x", "site": f"N{k}"} for k in range(50)]
    told = refused(text_of(rows)).split("\n")
    assert len(told) == 21
    assert told[-1] == "m.csv: 30 more problems of this file"


@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda t: f"# job: {TITLE} {HASH}\n{t}".encode()),
        st.lists(st.sampled_from([*text_of(filled()).split("\n"), '"', ",,", "#", "\ufeff"]), max_size=20).map(
            lambda lines: "\n".join([f"# job: {TITLE} {HASH}", *lines]).encode()
        ),
    )
)  # fmt: skip
def test_any_bytes_are_read_or_refused_in_sentences(data: bytes) -> None:
    problems: tuple[str, ...] = ()
    sites: tuple[object, ...] = ()
    try:
        sites = read(data).sites
    except InputError as error:
        problems = error.problems
    assert bool(sites) != bool(problems)
    assert all(problem.startswith("m.csv") for problem in problems)
