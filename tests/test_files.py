"""Files that appear whole or not at all, and checksums paid for once."""

import hashlib
import os
from pathlib import Path

import pytest
from echotrial import files
from echotrial.files import Checksums, new_file, new_folder, sha256, write_text


def _names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_file_appears_only_when_it_is_whole(tmp_path: Path) -> None:
    write_text(tmp_path / "a.txt", "old")
    with pytest.raises(RuntimeError), new_file(tmp_path / "a.txt") as part:  # noqa: PT012
        part.write_text("half")
        assert (tmp_path / "a.txt").read_text() == "old"
        raise RuntimeError
    assert _names(tmp_path) == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_folder_appears_only_when_it_is_whole(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), new_folder(tmp_path / "deep" / "c") as part:  # noqa: PT012
        (part / "x").write_text("half")
        assert not (tmp_path / "deep" / "c").exists()
        raise RuntimeError
    assert _names(tmp_path / "deep") == []


def test_a_folder_that_is_there_stays_unless_it_is_replaced(tmp_path: Path) -> None:
    with new_folder(tmp_path / "c") as part:
        (part / "first").touch()
    with pytest.raises(FileExistsError), new_folder(tmp_path / "c"):
        pass
    assert _names(tmp_path / "c") == ["first"]
    with pytest.raises(RuntimeError), new_folder(tmp_path / "c", replace=True):
        raise RuntimeError
    assert _names(tmp_path / "c") == ["first"]
    with new_folder(tmp_path / "c", replace=True) as part:
        (part / "second").touch()
    assert _names(tmp_path / "c") == ["second"]
    assert _names(tmp_path) == ["c"]


def test_a_folder_made_by_another_meanwhile_is_kept(tmp_path: Path) -> None:
    with pytest.raises(FileExistsError), new_folder(tmp_path / "c") as part:  # noqa: PT012
        (part / "ours").touch()
        (tmp_path / "c").mkdir()
        (tmp_path / "c" / "theirs").touch()
    assert _names(tmp_path / "c") == ["theirs"]
    assert _names(tmp_path) == ["c"]


def test_checksum_is_that_of_hashlib(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"abc" * 1000)
    assert sha256(tmp_path / "x") == hashlib.sha256(b"abc" * 1000).hexdigest()


def test_an_unchanged_file_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[Path] = []
    monkeypatch.setattr(files, "sha256", lambda path: read.append(path) or f"digest {len(read)}")
    path, memory = tmp_path / "x", Checksums(tmp_path / "memory" / "m.json")
    path.write_bytes(b"1234")
    os.utime(path, ns=(10**18, 10**18))
    assert [memory.sha256(path), Checksums(memory.memory).sha256(path)] == ["digest 1"] * 2
    os.utime(path, ns=(10**18, 10**18 + 1))
    assert memory.sha256(path) == "digest 2"
    path.write_bytes(b"12345")
    os.utime(path, ns=(10**18, 10**18 + 1))
    assert memory.sha256(path) == "digest 3"


def test_a_file_changed_this_moment_is_not_trusted_to_stay(tmp_path: Path) -> None:
    path, memory = tmp_path / "x", Checksums(tmp_path / "m.json")
    path.write_bytes(b"1234")
    before = path.stat().st_mtime_ns
    first = memory.sha256(path)
    path.write_bytes(b"4321")
    os.utime(path, ns=(before, before))
    assert memory.sha256(path) != first


@pytest.mark.parametrize("content", ["", "no JSON", "[]", "3"])
def test_a_broken_memory_costs_time_and_nothing_else(tmp_path: Path, content: str) -> None:
    (tmp_path / "m.json").write_text(content)
    (tmp_path / "x").write_bytes(b"abc")
    assert Checksums(tmp_path / "m.json").sha256(tmp_path / "x") == sha256(tmp_path / "x")
