"""Reading data for a measurement: what is refused, which piece comes when, how many bytes, how it ends early."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import subprocess
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from threading import Event, Lock, Semaphore
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knowledge.problems import BadInput
from probes.blocks import ALIGNED, Failure, ReadLoad, ReadPlan, ReadTarget, aligned, pieces, place

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MIB: Final = 1024 * 1024
PATIENCE: Final = 180.0
ODD: Final = 3 * MIB + 12_345  # no multiple of a sector


class Seen:
    """Reads as the system does, and notes what came for which place."""

    def __init__(self) -> None:
        """Nothing was read yet."""
        self.parts: list[tuple[int, bytes]] = []
        self._lock = Lock()

    def __call__(self, handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        """As `os.preadv`."""
        done = os.preadv(handle, buffers, offset)
        with self._lock:
            self.parts.append((offset, bytes(buffers[0][:done])))
        return done

    def whole(self) -> bytes:
        """What was read, in the order of its places."""
        return b"".join(part for _, part in sorted(self.parts))


def file_of(folder: Path, size: int = ODD) -> Path:
    """A file of random bytes."""
    path = folder / "reel"
    path.write_bytes(os.urandom(size))
    return path


def run(load: ReadLoad) -> None:
    """Let a load run to its end."""
    changed = Event()
    load.start(changed)
    assert changed.wait(PATIENCE)
    assert 0 == load.finish(PATIENCE)


# --- Which piece comes when ------------------------------------------------------------------------------------

sizes = st.integers(1, 50 * ALIGNED)
blocks = st.integers(1, 4).map(lambda count: count * ALIGNED)


@given(size=sizes, block=blocks, most=st.integers(1, 200 * ALIGNED), begin=st.integers(0, 49))
def test_sequential_pieces_cover_everything_once_a_turn(size: int, block: int, most: int, begin: int) -> None:
    """Pieces in sequence follow each other without gap from where they begin, and anew at the end, `most` in all."""
    start = begin * ALIGNED % size // ALIGNED * ALIGNED
    piece = pieces(size, ReadPlan(block, 1, "sequential", most, begin=start))
    covered, number = 0, 0
    while (now := piece(number))[1]:
        offset, length = now
        assert (start + covered) % size == offset
        assert length <= min(block, size - offset)
        covered, number = covered + length, number + 1
    assert most == covered
    assert 0 == piece(number + 1)[1]


@given(size=sizes, block=blocks, number=st.integers(0, 10**6), seed=st.integers(0, 2**70))
def test_random_pieces_lie_within_the_data(size: int, block: int, number: int, seed: int) -> None:
    """A random piece is a whole block on the boundary of one, or all there is of less than a block."""
    offset, length = pieces(size, ReadPlan(block, 1, "random", None, seed))(number)
    assert (0, min(block, size)) == (offset % block, length)
    assert offset + length <= size


def test_random_places_are_those_of_the_published_mixing() -> None:
    """Random places are those of splitmix64, by the vector that its reference implementation gives.

    Source: values of splitmix64 for the seed 1234567, as published with the reference implementation.
    """
    piece = pieces(ALIGNED << 64, ReadPlan(ALIGNED, 1, "random", None, 1_234_567))
    expected = [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431]
    assert expected == [piece(number)[0] // ALIGNED for number in range(4)]


@given(size=sizes, block=blocks, most=st.integers(1, 200 * ALIGNED), number=st.integers(0, 100))
def test_lengths_past_the_cache_are_whole_sectors_within_the_limit(
    size: int, block: int, most: int, number: int
) -> None:
    """What is asked for past the page cache is whole sectors, and gives no byte beyond the limit."""
    offset, length = pieces(size, ReadPlan(block, 1, "sequential", most))(number)
    asked = aligned(offset, length, size)
    assert 0 == asked % ALIGNED
    assert min(asked, size - offset) <= length


# --- How many bytes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [1, 8])
@pytest.mark.parametrize("size", [1, ALIGNED, MIB, ODD])
def test_a_file_is_read_byte_for_byte(tmp_path: Path, size: int, depth: int) -> None:
    """Every byte of a file is read once when as many bytes are asked for as it has."""
    path, seen = file_of(tmp_path, size), Seen()
    load = ReadLoad(place(str(path)), ReadPlan(64 * 1024, depth, "sequential", size), seen)
    run(load)
    assert (size, size) == (load.size, load.read_bytes)
    assert -(-size // (64 * 1024)) == load.requests
    assert path.read_bytes() == seen.whole()
    assert load.failure is None


@settings(deadline=None, max_examples=30)
@given(most=st.integers(ALIGNED, 2 * ODD), depth=st.integers(1, 5))
def test_no_byte_is_read_beyond_a_limit(most: int, depth: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    """With a limit all bytes up to it are read, less what is no whole sector at its end."""
    path = tmp_path_factory.getbasetemp() / "limited"
    if not path.exists():
        path.write_bytes(os.urandom(ODD))
    load = ReadLoad(place(str(path)), ReadPlan(256 * 1024, depth, "sequential", most))
    run(load)
    assert most - ALIGNED < load.read_bytes <= most
    turn = most % ODD
    assert (most if not load.direct or not turn else most - turn % (256 * 1024) % ALIGNED) == load.read_bytes


def test_random_reading_keeps_to_a_limit(tmp_path: Path) -> None:
    """Random requests are as many as the limit holds."""
    load = ReadLoad(place(str(file_of(tmp_path))), ReadPlan(ALIGNED, 32, "random", 1000 * ALIGNED))
    run(load)
    assert (1000, 1000 * ALIGNED) == (load.requests, load.read_bytes)


def test_requests_are_in_flight_at_once(tmp_path: Path) -> None:
    """As many requests wait for the drive at the same time as were asked for."""
    waiting, most, lock, enough = 0, 0, Lock(), Event()
    first = True

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        nonlocal waiting, most, first
        with lock:
            alone, first = first, False
            waiting += 1
            most = max(most, waiting)
        if most == 6:
            enough.set()
        if not alone:
            enough.wait(PATIENCE)
        with lock:
            waiting -= 1
        return os.preadv(handle, buffers, offset)

    load = ReadLoad(place(str(file_of(tmp_path))), ReadPlan(ALIGNED, 6, "sequential", 64 * ALIGNED), read)
    run(load)
    assert 6 == most


# --- Past the page cache, or not -------------------------------------------------------------------------------


def flags_of(handle: int) -> int:
    """The flags of an open file, from the kernel."""
    return fcntl.fcntl(handle, fcntl.F_GETFL)


def test_files_are_opened_for_reading_past_the_page_cache(tmp_path: Path) -> None:
    """The file is opened read-only, and with O_DIRECT where `direct` says so; by the kernel's own answer."""
    flags: list[int] = []

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        flags.append(flags_of(handle))
        return os.preadv(handle, buffers, offset)

    load = ReadLoad(place(str(file_of(tmp_path))), ReadPlan(ALIGNED, 1, "sequential", ALIGNED), read)
    load.close()
    assert [os.O_RDONLY] == [found & os.O_ACCMODE for found in flags]
    assert [load.direct] == [bool(found & os.O_DIRECT) for found in flags]


def test_what_refuses_the_bypass_is_read_without_it(tmp_path: Path) -> None:
    """Where reading past the page cache is refused, all is read through it, and `direct` says so."""

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        if flags_of(handle) & os.O_DIRECT:
            raise OSError(errno.EINVAL, "refused")
        return os.preadv(handle, buffers, offset)

    path = file_of(tmp_path)
    load = ReadLoad(place(str(path)), ReadPlan(MIB, 4, "sequential", ODD), read)
    run(load)
    assert (False, ODD) == (load.direct, load.read_bytes)


# --- Ends that come early --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("number", "gone"), [(errno.ENODEV, True), (errno.ENXIO, True), (errno.EIO, False)])
def test_an_error_ends_a_load_and_keeps_what_was_read(tmp_path: Path, number: int, gone: bool) -> None:  # noqa: FBT001
    """A drive that vanishes or fails ends the load; what was read before stays counted."""

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        if offset >= 2 * MIB:
            raise OSError(number, "as a drive does")
        return os.preadv(handle, buffers, offset)

    load = ReadLoad(place(str(file_of(tmp_path))), ReadPlan(MIB, 1), read)
    run(load)
    assert Failure(errno.errorcode[number], 2 * MIB, gone=gone) == load.failure
    assert 2 * MIB == load.read_bytes


def test_a_file_made_shorter_ends_a_load(tmp_path: Path) -> None:
    """A file that is made shorter while it is read ends the load at its new end."""
    path = file_of(tmp_path, 4 * MIB)
    load = ReadLoad(place(str(path)), ReadPlan(MIB, 1))
    os.truncate(path, 2 * MIB)
    run(load)
    assert Failure("", 2 * MIB, gone=False) == load.failure
    assert 2 * MIB == load.read_bytes


def test_requests_that_never_come_back_are_counted(tmp_path: Path) -> None:
    """Requests that hang in a drive hold nothing up: they are counted when the patience ends."""
    hang, hanging, numbers = Event(), Semaphore(0), count()

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        if next(numbers):  # the first comes back: only then are the others made
            hanging.release()
            hang.wait(PATIENCE)
        return os.preadv(handle, buffers, offset)

    load = ReadLoad(place(str(file_of(tmp_path))), ReadPlan(ALIGNED, 3), read)
    load.start(Event())
    for _ in range(3):
        assert hanging.acquire(timeout=PATIENCE)
    assert 3 == load.finish(0.2)
    hang.set()
    assert 0 == load.finish(PATIENCE)


# --- What is refused -------------------------------------------------------------------------------------------


@contextmanager
def pipe(folder: Path) -> Iterator[Path]:
    """A named pipe."""
    os.mkfifo(folder / "pipe")
    yield folder / "pipe"


def test_what_is_no_drive_and_no_file_is_refused(tmp_path: Path) -> None:
    """Folders, pipes, terminals, memory, files of the kernel and names of nothing are refused in one sentence each."""
    with pipe(tmp_path) as fifo:
        refused = {
            str(tmp_path): "a folder",
            str(fifo): "a pipe",
            "/dev/tty": "a character device",
            "/dev/zero": "a character device",
            "/proc/self/maps": "a file of the kernel",
            "/sys/kernel/notes": "a file of the kernel",
            str(tmp_path / "nothing"): "no such file or directory",
            "bad\0name": "the name is not one a file can have",
        }
        for path, words in refused.items():
            with pytest.raises(BadInput, match=words) as told:
                place(path)
            assert "\n" not in str(told.value)


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    """There is nothing to measure in a file of no bytes."""
    with pytest.raises(BadInput, match="is empty"):
        ReadLoad(place(str(file_of(tmp_path, 0))), ReadPlan(ALIGNED, 1))


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM])
def test_a_missing_right_is_named(tmp_path: Path, number: int) -> None:
    """Who may not read is told which right is missing."""

    def read(_: int, __: Sequence[memoryview], ___: int) -> int:
        raise OSError(number, "as for an ordinary user")

    with pytest.raises(BadInput, match="permission is missing"):
        ReadLoad(place(str(file_of(tmp_path))), ReadPlan(ALIGNED, 1), read)


@pytest.mark.parametrize(
    ("number", "words"), [(errno.EACCES, "permission denied"), (errno.EPERM, "operation not permitted")]
)
def test_a_device_that_the_system_refuses_is_told_as_such(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, number: int, words: str
) -> None:
    """The super-user is told that the system refused, in its words, and where that happens."""

    def refuse(*_: object) -> int:
        raise OSError(number, "as in a container")

    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(BadInput) as told:
        ReadLoad(ReadTarget(str(tmp_path / "sda"), "block", "8:0"), ReadPlan(ALIGNED, 1))
    assert f"the system refused it even to root ({words}), as containers and sandboxes do" in str(told.value)


def test_another_file_under_the_same_name_is_not_read(tmp_path: Path) -> None:
    """What was a file when it was looked at, and is a pipe when it is opened, is refused and not waited for."""
    path = file_of(tmp_path)
    found = place(str(path))
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(BadInput, match="cannot be read"):
        ReadLoad(found, ReadPlan(ALIGNED, 1))


def test_holes_are_noticed(tmp_path: Path) -> None:
    """A file whose data is not all stored is told apart from one whose data is."""
    full, hollow = file_of(tmp_path, MIB), tmp_path / "hollow"
    os.sync()
    with hollow.open("wb") as made:
        made.truncate(MIB)
    assert (False, True) == (place(str(full)).has_holes, place(str(hollow)).has_holes)


# --- A block device --------------------------------------------------------------------------------------------


@contextmanager
def loop_device(path: Path) -> Iterator[str]:
    """A block device over a file, read-only; skips where it cannot be made."""
    if os.geteuid() != 0 or shutil.which("losetup") is None:
        pytest.skip("a loop device takes the super-user and losetup")
    made = subprocess.run(
        ["losetup", "--show", "--find", "--read-only", "--direct-io=on", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode:
        pytest.skip(f"no loop device: {made.stderr.strip()}")
    try:
        yield made.stdout.strip()
    finally:
        subprocess.run(["losetup", "--detach", made.stdout.strip()], check=True)


def sectors_read(device: str) -> int:
    """Sectors of 512 bytes that the kernel counts as read (Documentation/block/stat.rst, third field)."""
    return int(Path(f"/sys/block/{Path(device).name}/stat").read_text(encoding="ascii").split()[2])


def test_a_block_device_is_read_as_often_as_the_kernel_counts(tmp_path: Path) -> None:
    """The bytes counted are those that the kernel counts for the block device, and those that it holds."""
    path, seen = file_of(tmp_path, 4 * MIB), Seen()
    with loop_device(path) as device:
        found = place(device)
        assert "block" == found.kind
        before = sectors_read(device)
        load = ReadLoad(found, ReadPlan(256 * 1024, 4, "sequential", 4 * MIB), seen)
        run(load)
        counted = (sectors_read(device) - before) * 512
    assert load.direct
    assert (4 * MIB, 4 * MIB) == (load.size, load.read_bytes)
    assert load.read_bytes == counted
    assert path.read_bytes() == seen.whole()
