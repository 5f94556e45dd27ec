"""A layout file is whole or not there, and says how many bytes it has and what they hash to."""

from __future__ import annotations

import errno
import hashlib
from pathlib import Path

import pytest

from layoutgen.errors import LayoutgenError
from layoutgen.layout.write import LayoutFile


def test_size_and_digest_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "a.oas"
    with LayoutFile(path) as out:
        for piece in (b"abc", b"", b"x" * 3_000_000):
            out.write(piece)
    assert out.size == path.stat().st_size == 3_000_003
    assert out.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_block_that_fails_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "a.oas"

    def interrupted() -> None:
        with LayoutFile(path) as out:
            out.write(b"half of it")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert not path.exists()


def test_a_full_disk_is_told_in_one_sentence_that_says_what_to_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.oas"

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(LayoutgenError, match="full disk") as caught, LayoutFile(path) as out:
        out.write(b"all of it")
    assert str(tmp_path) in str(caught.value)
    assert "free space in" in str(caught.value)
    assert not path.exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is full")
def test_a_device_that_is_full_is_told_while_writing(tmp_path: Path) -> None:
    # /dev/full fails every write with ENOSPC
    out = LayoutFile(tmp_path / "a.oas")
    with Path("/dev/full").open("wb", buffering=0) as device:
        out._file = device
        with pytest.raises(LayoutgenError, match="full disk"):
            out.write(b"something")


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.oas"
    path.write_bytes(b"mine")
    with pytest.raises(LayoutgenError, match="never overwritten"), LayoutFile(path):
        pass
    assert path.read_bytes() == b"mine"


def test_a_folder_that_does_not_exist_is_told(tmp_path: Path) -> None:
    with (
        pytest.raises(LayoutgenError, match="want to write"),
        LayoutFile(tmp_path / "no" / "a.oas"),
    ):
        pass
