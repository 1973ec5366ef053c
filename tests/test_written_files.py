"""What is written where: no input, no log and nothing of another user's is overwritten, and rights stay narrow.

A second user is played by files and folders that are given to another number; that needs root.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Final

import pytest
from click.testing import CliRunner

from agent.cli import main
from knowledge.problems import BadInput
from probes import soaklog
from probes.files import begin_run, owners, read_if_there, read_whole, write_whole
from probes.samples import DriveHead, DriveSample, End, Head, Moment

if TYPE_CHECKING:
    from pathlib import Path

CAPTURE: Final = "fixtures/bench-1-half-carrier/capture.json"
OTHER: Final = 65_534  # a user who is not root: "nobody" by common practice
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can play two users")


HEAD: Final = Head(
    started_at="2026-03-02T09:00:00Z",
    agent="0.1.0",
    platform="linux",
    machine="bench-2",
    every=1.0,
    command=(),
    drives=(
        DriveHead(
            name="nvme0",
            address="0000:04:00.0",
            model="Fen Row F4",
            firmware="F4R1",
            serial=None,
            sensors=("Composite",),
            warning_celsius=None,
            critical_celsius=None,
            blocks=("nvme0n1",),
            link=(4, 4),
            expected=None,
        ),
    ),
    others=(),
)


def log_file(path: Path, *, private: bool = False) -> None:
    """A finished log of two samples."""
    begun(path, private=private).close(End(1.0, "time", None))


def begun(path: Path, *, private: bool) -> soaklog.Writer:
    """A log of two samples that is still being written."""
    log = soaklog.Writer(str(path), HEAD, b"", private=private)
    for second in (0.0, 1.0):
        log.add(Moment(second, 0.0, (DriveSample((40.0,), 0, 0, 0, 0, 0, (4, 4), 0),), ()))
    log.commit()
    return log


@pytest.fixture(autouse=True)
def _new_run() -> None:
    begin_run()


def ran(*words: str) -> tuple[int, str]:
    """The exit status and what was said of it."""
    made = CliRunner().invoke(main, list(words))
    assert made.exception is None or isinstance(made.exception, SystemExit)
    return made.exit_code, made.stderr


@pytest.mark.parametrize(
    "words",
    [
        ["soak", "--export", "csv", "LOG", "--out", "LOG", "--force"],
        ["soak", "--show", "LOG", "--format", "json", "--out", "LOG", "--force"],
        ["soak", "--show", "LOG", "--format", "json", "--out", "LINK", "--force"],
        ["capture", "--replay", "CAPTURE", "--force", "LOG"],
        ["capture", "--replay", "CAPTURE", "--force", "CAPTURE"],
        ["notes", "learn", "CAPTURE", "--write", "CAPTURE", "--force"],
    ],
)
def test_no_output_takes_the_place_of_an_input_or_a_log(tmp_path: Path, words: list[str]) -> None:
    """Also with --force, and also by another name of the same file; what was there is there still."""
    places = {"LOG": tmp_path / "log.sqlite", "CAPTURE": tmp_path / "capture.json", "LINK": tmp_path / "link.json"}
    log_file(places["LOG"])
    shutil.copy(CAPTURE, places["CAPTURE"])
    places["LINK"].symlink_to(places["LOG"])
    before = {name: place.read_bytes() for name, place in places.items()}
    status, said = ran(*[str(places.get(word, word)) for word in words])
    assert 2 == status
    assert said.startswith("lanewright: ")
    assert before == {name: place.read_bytes() for name, place in places.items()}
    assert places["LINK"].is_symlink()


def test_a_picture_with_the_name_of_the_log_is_refused(tmp_path: Path) -> None:
    """The log just made is no less a log where its name is that of a picture."""
    log = tmp_path / "log.svg"
    log_file(log)
    status, _ = ran("soak", "--show", str(log), "--plot", str(log), "--force")
    assert 2 == status
    assert soaklog.read(str(log)).tracks


def test_what_was_read_may_be_replaced_in_the_next_run(tmp_path: Path) -> None:
    """It is the same run that would lose its own input."""
    place = tmp_path / "a"
    place.write_bytes(b"one")
    read_whole(str(place), 10)
    with pytest.raises(BadInput, match="is an input of this command"):
        write_whole(str(place), b"two", force=True)
    begin_run()
    write_whole(str(place), b"two", force=True)
    assert b"two" == place.read_bytes()


@pytest.mark.parametrize(("private", "rights"), [(False, 0o644), (True, 0o600)])
def test_a_file_with_secrets_is_its_owners_alone(tmp_path: Path, *, private: bool, rights: int) -> None:
    """600 where serial numbers are kept, else as the user's mask has it."""
    place = tmp_path / "a"
    old = os.umask(0o022)
    try:
        write_whole(str(place), b"it", force=False, private=private)
    finally:
        os.umask(old)
    assert rights == place.stat().st_mode & 0o777


@pytest.mark.parametrize(("before", "after"), [(0o600, 0o600), (0o640, 0o640), (0o666, 0o644), (0o444, 0o444)])
def test_no_file_gets_wider_rights_than_the_one_it_replaces(tmp_path: Path, before: int, after: int) -> None:
    """What its owner kept from others stays kept from them."""
    place = tmp_path / "a"
    place.write_bytes(b"one")
    place.chmod(before)
    old = os.umask(0o022)
    try:
        write_whole(str(place), b"two", force=True)
    finally:
        os.umask(old)
    assert (b"two", after) == (place.read_bytes(), place.stat().st_mode & 0o777)


@pytest.mark.parametrize("kept", [False, True])
def test_a_capture_that_keeps_serial_numbers_is_private(tmp_path: Path, *, kept: bool) -> None:
    """By the option that keeps them."""
    place = tmp_path / "capture.json"
    old = os.umask(0o022)
    try:
        ran("capture", "--replay", CAPTURE, str(place), *(["--keep-serials"] if kept else []))
    finally:
        os.umask(old)
    assert (0o600 if kept else 0o644) == place.stat().st_mode & 0o777


@pytest.mark.parametrize("private", [False, True])
def test_a_private_log_and_its_side_files_are_private(tmp_path: Path, *, private: bool) -> None:
    """SQLite gives the side files the rights of the log."""
    place = tmp_path / "log.sqlite"
    old = os.umask(0o022)
    try:
        log = begun(place, private=private)
        rights = {name: (tmp_path / name).stat().st_mode & 0o777 for name in os.listdir(tmp_path)}
        log.close(End(1.0, "time", None))
    finally:
        os.umask(old)
    expected = 0o600 if private else 0o644
    assert rights == dict.fromkeys(("log.sqlite", "log.sqlite-wal", "log.sqlite-shm"), expected)


@pytest.mark.parametrize("ending", ["-wal", "-shm"])
def test_a_log_is_not_made_beside_side_files_of_somebody_else(tmp_path: Path, ending: str) -> None:
    """They would be opened by their name, whoever laid them there; they stay as they are."""
    laid = tmp_path / f"log.sqlite{ending}"
    laid.write_bytes(b"laid")
    with pytest.raises(BadInput, match="cannot be made"):
        log_file(tmp_path / "log.sqlite")
    assert [laid.name] == os.listdir(tmp_path)
    assert b"laid" == laid.read_bytes()


KILLED: Final = """
import os, signal, sys
from probes.soaklog import writing
from tests.test_written_files import log_file
begin = writing._begin
def killed(file, *rest):
    if sys.argv[2] == "before":
        os.kill(os.getpid(), signal.SIGTERM)
    begin(file, *rest)
    os.kill(os.getpid(), signal.SIGTERM)
writing._begin = killed
log_file(sys.argv[1])
"""


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_signal_while_a_log_is_made_leaves_a_whole_one(tmp_path: Path, moment: str) -> None:
    """It waits until the tables are there: what is left is a log that can be read."""
    place = tmp_path / "log.sqlite"
    ended = subprocess.run([sys.executable, "-c", KILLED, str(place), moment], check=False, capture_output=True)
    assert -signal.SIGTERM == ended.returncode
    assert 1 == len(soaklog.read(str(place)).tracks)


@as_root
@pytest.mark.parametrize(("mode", "owner", "allowed"), [(0o755, 0, True), (0o1777, 0, True), (0o777, 0, False)])
@pytest.mark.parametrize("deeper", [False, True])
def test_root_logs_only_where_others_cannot_change_it(
    tmp_path: Path, mode: int, owner: int, *, allowed: bool, deeper: bool
) -> None:
    """Nor below such a folder; in a sticky one a file is its owner's alone to take away."""
    folder = tmp_path / "folder"
    folder.mkdir()
    place = folder / "deeper" if deeper else folder
    place.mkdir(exist_ok=True)
    folder.chmod(mode)
    os.chown(folder, owner, -1)
    if allowed:
        log_file(place / "log.sqlite")
        assert soaklog.read(str(place / "log.sqlite")).tracks
    else:
        with pytest.raises(BadInput, match="other users may change"):
            log_file(place / "log.sqlite")
        assert [] == os.listdir(place)


@as_root
def test_root_logs_in_a_users_folder_for_that_user_alone(tmp_path: Path) -> None:
    """Who asked by sudo may log to his own folder; another's is refused."""
    folder = tmp_path / "folder"
    folder.mkdir()
    os.chown(folder, OTHER, -1)
    with pytest.raises(BadInput, match="other users may change"):
        log_file(folder / "log.sqlite")
    begin_run(str(OTHER))
    assert frozenset({0, OTHER}) == owners()
    log_file(folder / "log.sqlite")
    assert ["log.sqlite"] == os.listdir(folder)


@as_root
@pytest.mark.parametrize(("mode", "owner"), [(0o1777, 0), (0o777, 0), (0o755, OTHER)], ids=["sticky", "shared", "own"])
def test_what_another_user_laid_is_not_replaced(tmp_path: Path, mode: int, owner: int) -> None:
    """Not even with --force, nor a link to nothing; a file of one's own is, and one in a folder of one's own."""
    tmp_path.chmod(mode)
    os.chown(tmp_path, owner, -1)
    for name, target in (("file", ""), ("link", "file"), ("dangling", "nothing")):
        place = tmp_path / name
        if target:
            place.symlink_to(tmp_path / target)
        else:
            place.write_bytes(b"another's")
        os.chown(place, OTHER, -1, follow_symlinks=False)
        with pytest.raises(BadInput, match="another user"):
            write_whole(str(place), b"new", force=True)
        assert bool(target) == place.is_symlink()
    assert b"another's" == (tmp_path / "file").read_bytes()
    tmp_path.chmod(0o755)
    os.chown(tmp_path, 0, -1)
    write_whole(str(tmp_path / "file"), b"new", force=True)
    assert b"new" == (tmp_path / "file").read_bytes()


@as_root
@pytest.mark.parametrize(("mode", "owner"), [(0o1777, 0), (0o777, 0), (0o755, OTHER)], ids=["sticky", "shared", "own"])
def test_a_draft_that_another_user_laid_is_not_taken_up(tmp_path: Path, mode: int, owner: int) -> None:
    """Also no link of his to a file that only root may read; one's own draft is read."""
    place = tmp_path / "sheet.toml.answers"
    secret = tmp_path / "secret"
    secret.write_bytes(b"root's")
    place.symlink_to(secret)
    assert b"root's" == read_if_there(str(place), 100)
    os.chown(place, OTHER, -1, follow_symlinks=False)
    tmp_path.chmod(mode)
    os.chown(tmp_path, owner, -1)
    with pytest.raises(BadInput, match="another user"):
        read_if_there(str(place), 100)
