"""Names that lead to captures: files, folders at any depth, lists on standard input; what leads nowhere is told."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from knowledge.problems import BadInput
from probes import folders


def put(folder: Path, *names: str) -> None:
    """Make empty files."""
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()


def test_a_folder_is_walked_for_what_ends_like_a_capture(tmp_path: Path) -> None:
    """Files of a capture's endings are found at any depth, in order of their names, and no others."""
    put(tmp_path, "b/c/1.json", "a.json.gz", "a.json", "notes.txt", "b/2.gz", "b/.hidden.json", "json", "c/x.JSON")
    (tmp_path / "folder.json").mkdir()
    files, refused = folders.captures([str(tmp_path)])
    found = [str(Path(name).relative_to(tmp_path)) for name in files]
    assert ["a.json", "a.json.gz", "b/.hidden.json", "b/c/1.json"] == found
    assert [] == refused


def test_names_are_taken_as_they_are_and_once(tmp_path: Path) -> None:
    """A file that is named is taken whatever it is called or whether it is there, and a file named twice once."""
    put(tmp_path, "odd.name", "a.json")
    names = [str(tmp_path / name) for name in ("odd.name", "a.json", "a.json", "missing.json")]
    files, refused = folders.captures([*names, str(tmp_path)])
    assert sorted(set(names)) == files
    assert [] == refused


def test_a_walk_ends_and_opens_nothing_odd(tmp_path: Path) -> None:
    """A link to a folder is not followed, a link to a file is, and what is no file is left alone."""
    put(tmp_path, "in/a.json", "out.txt")
    (tmp_path / "in" / "up").symlink_to(tmp_path / "in", target_is_directory=True)
    (tmp_path / "in" / "link.json").symlink_to(tmp_path / "out.txt")
    (tmp_path / "in" / "gone.json").symlink_to(tmp_path / "nowhere")
    os.mkfifo(tmp_path / "in" / "pipe.json")
    files, _ = folders.captures([str(tmp_path / "in")])
    assert ["a.json", "link.json"] == [Path(name).name for name in files]


def test_a_folder_without_captures_is_told(tmp_path: Path) -> None:
    """A folder that holds none is refused with the endings that are looked for."""
    put(tmp_path, "a.txt")
    files, refused = folders.captures([str(tmp_path)])
    assert [] == files
    assert [(str(tmp_path), f'"{tmp_path}" holds no file whose name ends in .json or .json.gz')] == refused


@pytest.mark.skipif(os.geteuid() == 0, reason="the super-user may read every folder")
def test_a_folder_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """What is beside a closed folder is found all the same."""
    put(tmp_path, "a.json", "shut/b.json")
    (tmp_path / "shut").chmod(0)
    files, refused = folders.captures([str(tmp_path)])
    (tmp_path / "shut").chmod(0o700)
    assert [str(tmp_path / "a.json")] == files
    assert "permission denied" in refused[0][1]


class _Input:
    """A standard input that holds these bytes."""

    def __init__(self, data: bytes) -> None:
        self.buffer = io.BytesIO(data)

    @staticmethod
    def isatty() -> bool:
        """No terminal."""
        return False


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"a.json\nb c.json\n", ["a.json", "b c.json"]),
        (b"a.json\r\nb.json", ["a.json", "b.json"]),
        (b"a\nb.json\0c.json\0", ["a\nb.json", "c.json"]),
        (b"\n\n", []),
        (b"", []),
        (b"-\n", ["./-"]),
        (b"\xff.json\n", ["\udcff.json"]),
    ],
)
def test_a_list_has_a_name_a_line_or_names_ended_by_nul(
    monkeypatch: pytest.MonkeyPatch, data: bytes, expected: list[str]
) -> None:
    """Names are lines; where there is a NUL they end at each, and a line feed is part of a name."""
    monkeypatch.setattr("sys.stdin", _Input(data))
    assert expected == folders.listed()


def test_a_list_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than a list can hold is refused before memory is gone."""
    monkeypatch.setattr("sys.stdin", _Input(b"a" * (folders.LIST_LIMIT + 1)))
    with pytest.raises(BadInput, match="more names than can be read at once"):
        folders.listed()
