"""Tables: what is read, and each fault that a CSV can have. Sentences are the project's wording."""

from __future__ import annotations

import io
import pickle
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.recipe.tables import read_bias, read_library, read_sampled

HEAD = "diameter_nm,phase_rad,transmission\n"
ROWS = "100,0.0,0.95\n200,3.0,0.90\n"


def _library_faults(text: str | bytes) -> tuple[str, ...]:
    with pytest.raises(InputError) as caught:
        read_library(text if isinstance(text, bytes) else text.encode(), "lib.csv")
    return caught.value.problems


def _bias_faults(text: str) -> tuple[str, ...]:
    with pytest.raises(InputError) as caught:
        read_bias(text.encode(), "bias.csv")
    return caught.value.problems


def test_a_library_is_read_as_written() -> None:
    table = read_library((HEAD + ROWS).encode(), "lib.csv")
    np.testing.assert_array_equal(table.size_nm, [100, 200])
    np.testing.assert_array_equal(table.phase_rad, [0, 3])
    np.testing.assert_array_equal(table.transmission, [0.95, 0.9])
    assert table.wavelength_nm is None
    assert not table.flag.any()
    assert not table.squares
    assert not table.size_nm.flags.writeable


def test_windows_line_ends_and_spaces_are_no_fault() -> None:
    text = "diameter_nm, phase_rad, transmission\r\n100, 0, 1\r\n200, 3, 1\r\n\r\n"
    assert len(read_library(text.encode(), "lib.csv")) == 2


def test_columns_may_stand_in_any_order_and_flags_be_any_word() -> None:
    text = (
        "flag,transmission,side_nm,phase_rad\n,1,100,0\nresonance,1,110,1\n0,1,120,2\n1,1,130,3\n"
    )
    table = read_library(text.encode(), "lib.csv")
    assert table.squares
    assert table.flag.tolist() == [False, True, False, True]


def test_rows_of_one_wavelength_are_chosen() -> None:
    text = HEAD.replace("\n", ",wavelength_nm\n")
    text += "100,0,1,940\n200,3,1,940\n100,0,1,850\n200,4,1,850\n"
    table = read_library(text.encode(), "lib.csv")
    assert table.wavelengths_nm == (850.0, 940.0)
    np.testing.assert_array_equal(table.at_wavelength(850.0).phase_rad, [0, 4])
    with pytest.raises(ValueError, match="want rows of 633 nm, got rows of 850 nm, 940 nm"):
        table.at_wavelength(633.0)


@pytest.mark.parametrize(
    "header",
    [
        (
            "# lattice: {kind: hexagonal, pitch: 0.4 um}\n# wavelengths: [940 nm]\n"
            "# stack: {substrate: {index: [1.45, 0]}, pillars: {index: 3.6, height: 600 nm}}\n"
        ),
        (
            "# lattice:\n#   kind: hexagonal\n#   pitch: 400 nm\n# wavelengths:\n#   - 940 nm\n"
            "# stack:\n#   substrate: {index: 1.45}\n#   pillars:\n#     height: 600 nm\n"
        ),
        (
            "# lattice: hexagonal, pitch 400 nm\n# wavelength: 940 nm\n# height: 600 nm\n"
            "# substrate_index: 1.45\n"
        ),
    ],
)
def test_the_header_tells_what_a_library_was_computed_for(header: str) -> None:
    stated = read_library((header + HEAD + ROWS).encode(), "lib.csv").stated
    assert stated.kind == "hexagonal"
    assert stated.pitch_nm == 400.0
    assert stated.wavelengths_nm == (940.0,)
    assert stated.height_nm == 600.0
    assert stated.substrate_index == 1.45


def test_prose_after_a_hash_is_no_key() -> None:
    table = read_library(f"# made by hand: see the log book\n#!x\n{HEAD}{ROWS}".encode(), "l")
    assert table.header == {}
    assert table.stated.kind is None


LIBRARY_FAULTS: dict[str, tuple[str | bytes, str]] = {
    "empty": (
        "",
        "lib.csv:1: want a line of column names (diameter_nm,phase_rad,transmission), got none",
    ),
    "a missing column": (
        "diameter_nm,phase_rad\n100,0\n200,1\n",
        "lib.csv:1: want a column 'transmission', got none",
    ),
    "an unknown column": (
        "diameter_nm,phase_rad,transmission,colour\n100,0,1,1\n200,1,1,1\n",
        (
            "lib.csv:1: want the columns diameter_nm, side_nm, phase_rad, transmission, "
            "wavelength_nm, flag, reflection, phase_s_rad, transmission_s, reflection_s, phase_p_rad, "
            "transmission_p, reflection_p, got 'colour'"
        ),
    ),
    "another unit": (
        "diameter_um,phase_rad,transmission\n0.1,0,1\n0.2,1,1\n",
        "lib.csv:1: want the column 'diameter_nm', got 'diameter_um'",
    ),
    "degrees": (
        "diameter_nm,phase_deg,transmission\n100,0,1\n200,1,1\n",
        "lib.csv:1: want the column 'phase_rad', got 'phase_deg'",
    ),
    "a column twice": (
        "diameter_nm,phase_rad,phase_rad,transmission\n100,0,0,1\n200,1,1,1\n",
        "lib.csv:1: want each column once, got 'phase_rad' twice",
    ),
    "sides and diameters": (
        "diameter_nm,side_nm,phase_rad,transmission\n100,90,0,1\n200,180,1,1\n",
        "lib.csv:1: want only one of the columns diameter_nm and side_nm, got both",
    ),
    "semicolons": (
        "diameter_nm;phase_rad;transmission\n100;0;1\n",
        "lib.csv:1: want columns separated by commas, got semicolons",
    ),
    "a decimal comma": (HEAD + "100,0,0,95\n" + ROWS, "lib.csv:2: want 3 columns, got 4"),
    "unsorted": (
        HEAD + "200,3,0.9\n100,0,0.9\n",
        "lib.csv:3: diameter_nm: want sizes that ascend, each once (line 2: 200), got 100",
    ),
    "repeated": (
        HEAD + "100,0,0.9\n100,0,0.9\n",
        "lib.csv:3: diameter_nm: want sizes that ascend, each once (line 2: 100), got 100",
    ),
    "not a number": (
        HEAD + "100,nan,0.9\n200,1,1\n",
        "lib.csv:2: phase_rad: want a number, got 'nan'",
    ),
    "infinite": (HEAD + "100,inf,0.9\n200,1,1\n", "lib.csv:2: phase_rad: want a number, got 'inf'"),
    "too large for a double": (
        HEAD + "100,1e999,0.9\n200,1,1\n",
        "lib.csv:2: phase_rad: want a number, got '1e999'",
    ),
    "nothing": (HEAD + "100,,0.9\n200,1,1\n", "lib.csv:2: phase_rad: want a number, got nothing"),
    "a negative size": (
        HEAD + "-100,0,0.9\n200,1,1\n",
        "lib.csv:2: diameter_nm: want a size above 0, got -100",
    ),
    "more light than came": (
        HEAD + "100,0,1.01\n200,1,1\n",
        "lib.csv:2: transmission: want 0 to 1, got 1.01",
    ),
    "per cent": (HEAD + "100,0,95\n200,1,1\n", "lib.csv:2: transmission: want 0 to 1, got 95"),
    "one row": (HEAD + "100,0,0.9\n", "lib.csv:1: want at least 2 rows, got 1"),
    "one row of a wavelength": (
        HEAD.replace("\n", ",wavelength_nm\n") + "100,0,1,940\n200,1,1,940\n100,0,1,850\n",
        "lib.csv:1: want at least 2 rows of 850 nm, got 1",
    ),
    "two wavelengths without a column": (
        "# wavelengths: [940 nm, 850 nm]\n" + HEAD + ROWS,
        "lib.csv:2: want a column 'wavelength_nm', as the header states 2 wavelengths, got none",
    ),
    "a pitch without unit": (
        "# lattice: {kind: square, pitch: 400}\n" + HEAD + ROWS,
        "lib.csv:1: lattice.pitch: want a length such as '400 nm', got 400",
    ),
    "a lattice of another kind": (
        "# lattice: {kind: round, pitch: 400 nm}\n" + HEAD + ROWS,
        "lib.csv:1: lattice.kind: want square or hexagonal, got 'round'",
    ),
    "a header key twice": (
        "# wavelength: 940 nm\n# wavelength: 850 nm\n" + HEAD + ROWS,
        "lib.csv:2: want one line '# wavelength: ...', got a second (first: line 1)",
    ),
    "a byte order mark": (
        b"\xef\xbb\xbf" + (HEAD + ROWS).encode(),
        "lib.csv:1: want UTF-8 without a byte order mark, got the bytes EF BB BF before the text",
    ),
    "Latin-1": (
        b"# \xb5m\n" + (HEAD + ROWS).encode(),
        "lib.csv:1: want UTF-8 text, got the byte B5",
    ),
    "a zero byte": (HEAD + "100,0,\0\n" + ROWS, "lib.csv:2: want text, got a zero byte"),
    "a film instead of a table": (
        b"#" * 5_000_001,
        "lib.csv:1: want a table of at most 5000000 bytes, got 5000001",
    ),
}


@pytest.mark.parametrize("case", LIBRARY_FAULTS)
def test_each_fault_of_a_library_has_its_sentence(case: str) -> None:
    text, sentence = LIBRARY_FAULTS[case]
    assert _library_faults(text) == (sentence,)


def test_faults_of_several_rows_come_together() -> None:
    assert _library_faults(HEAD + "100,x,0.9\n200,1,7\n") == (
        "lib.csv:2: phase_rad: want a number, got 'x'",
        "lib.csv:3: transmission: want 0 to 1, got 7",
    )


def test_a_table_full_of_faults_is_cut_short() -> None:
    told = _library_faults(HEAD + "".join(f"{100 + n},x,0.9\n" for n in range(100)))
    assert len(told) == 21
    assert told[-1] == "lib.csv: 80 more problems of this table"


def test_a_solvers_rounding_past_one_is_let_through() -> None:
    table = read_library((HEAD + "100,0,1.0000005\n200,1,1\n").encode(), "lib.csv")
    assert table.transmission[0] == 1.0000005


BIAS_HEAD = "density,diameter_nm,bias_nm\n"


def test_a_bias_grid_may_be_sorted_either_way_round() -> None:
    by_density = read_bias((BIAS_HEAD + "0,100,1\n0,200,2\n1,100,3\n1,200,4\n").encode(), "b")
    by_size = read_bias((BIAS_HEAD + "0,100,1\n1,100,3\n0,200,2\n1,200,4\n").encode(), "b")
    for table in (by_density, by_size):
        assert table.densities.tolist() == [0, 1]
        assert table.diameters_nm.tolist() == [100, 200]
        assert table.bias_nm.tolist() == [[1, 2], [3, 4]]


BIAS_FAULTS = {
    "a hole in the grid": (
        "0,100,1\n0,200,2\n1,100,3\n",
        (
            "bias.csv:1: want a full grid of 2 densities and 2 diameters, got no row for density 1, "
            "diameter 200 (1 missing)"
        ),
    ),
    "a repeated node": (
        "0,100,1\n0,100,2\n",
        "bias.csv:3: want each density and diameter once (line 2), got 0 and 100 again",
    ),
    "jumbled rows": (
        "0,100,1\n1,200,4\n0,200,2\n1,100,3\n",
        "bias.csv:4: want rows sorted by density and diameter, got a smaller one after a larger",
    ),
    "a density past one": ("1.5,100,1\n", "bias.csv:2: density: want 0 to 1, got 1.5"),
    "a negative density": ("-0.1,100,1\n", "bias.csv:2: density: want 0 to 1, got -0.1"),
    "a diameter of nothing": (
        "0,0,1\n",
        "bias.csv:2: diameter_nm: want a diameter above 0, got 0",
    ),
    "no bias": ("0,100,\n", "bias.csv:2: bias_nm: want a number, got nothing"),
    "no rows": ("", "bias.csv:1: want at least 1 row, got 0"),
}


@pytest.mark.parametrize("case", BIAS_FAULTS)
def test_each_fault_of_a_bias_table_has_its_sentence(case: str) -> None:
    text, sentence = BIAS_FAULTS[case]
    assert _bias_faults(BIAS_HEAD + text) == (sentence,)


def test_a_bias_table_in_micrometres_is_refused() -> None:
    assert _bias_faults("density,diameter_nm,bias_um\n0,100,1\n") == (
        "bias.csv:1: want the column 'bias_nm', got 'bias_um'",
    )


def _npy(array: NDArray[Any], *, allow_pickle: bool = False) -> bytes:
    file = io.BytesIO()
    np.save(file, array, allow_pickle=allow_pickle)
    return file.getvalue()


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["<f8", ">f4", "<i2"])
def test_a_sampled_phase_reads_the_same_from_npy_and_csv(order: str, dtype: str) -> None:
    values = np.arange(20, dtype=np.float64).reshape(4, 5)
    stored = np.asarray(values.astype(dtype), order=order)  # type: ignore[call-overload]
    csv = "# rows from low y\n" + "\n".join(",".join(f"{v}" for v in row) for row in values)
    from_npy = read_sampled(_npy(stored), "p.npy", ".npy")
    from_csv = read_sampled(csv.encode(), "p.csv", ".csv")
    np.testing.assert_array_equal(from_npy.phase_rad, values)
    np.testing.assert_array_equal(from_csv.phase_rad, values)
    assert from_npy.phase_rad.dtype == np.float64


class _Trap:
    """Unpickling this would leave a mark; reading must not unpickle."""

    ran = False

    def __reduce__(self) -> tuple[object, tuple[object, ...]]:
        return setattr, (_Trap, "ran", True)


@pytest.mark.parametrize(
    "data, suffix, sentence",
    [
        (_npy(np.zeros((3, 9))), ".npy",
         "p:1: want a 2-D array of at least 4 x 4 samples, got 3 x 9"),
        (_npy(np.zeros(16)), ".npy", "p:1: want a 2-D array of at least 4 x 4 samples, got 16"),
        (_npy(np.full((4, 4), np.nan)), ".npy",
         "p:1: want finite phases, got nan at row 0, column 0"),
        (_npy(np.zeros((4, 4), dtype=complex)), ".npy",
         "p:1: want real numbers, got the type complex128"),
        (_npy(np.zeros((4, 4)))[:-8], ".npy", "p:1: want 128 bytes of samples, got 120"),
        (_npy(np.zeros((4, 4))), ".txt", "p: want a file that ends in .npy or .csv, got '.txt'"),
        (b"1,2,3,4\n1,2,3\n", ".csv", "p:2: want 4 numbers as in the first row, got 3"),
        (b"1,2,3,x\n", ".csv", "p:1: want numbers, got 'x'"),
        (b"1,2,3,nan\n", ".csv", "p:1: want finite numbers, got 'nan'"),
        (b"", ".csv", "p:1: want a 2-D array of at least 4 x 4 samples, got 0 x 0"),
    ],
)  # fmt: skip
def test_each_fault_of_a_sampled_phase_has_its_sentence(
    data: bytes, suffix: str, sentence: str
) -> None:
    with pytest.raises(InputError) as caught:
        read_sampled(data, "p", suffix)
    assert caught.value.problems == (sentence,)


def test_a_sampled_phase_is_never_unpickled() -> None:
    array = np.array([[_Trap()] * 4] * 4, dtype=object)
    with pytest.raises(InputError, match="want real numbers, got the type object"):
        read_sampled(_npy(array, allow_pickle=True), "p", ".npy")
    with pytest.raises(InputError, match=r"want a \.npy file"):
        read_sampled(pickle.dumps(_Trap()), "p", ".npy")
    assert not _Trap.ran


def test_a_header_that_claims_twelve_terabytes_takes_no_memory() -> None:
    file = io.BytesIO()
    claim = {"descr": "<f8", "fortran_order": False, "shape": (400_000_000, 4_000)}
    np.lib.format.write_array_header_1_0(file, claim)
    with pytest.raises(InputError, match="want 12800000000000 bytes of samples, got 128"):
        read_sampled(file.getvalue() + bytes(128), "p", ".npy")
