"""The door to the machine: all kinds of reads agree, nothing leads out of a root, blocks, or sends more than it may."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import shutil
import socket
import struct
import subprocess
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import msgspec
import pytest

from probes.answers import REASONS, failed
from probes.capture import encode, parse, recorded
from probes.linux import collecting as linux
from probes.reads import NVME_QUESTIONS, Live, Recorded, Recording
from probes.unread import Unread
from tests.build import TreeReads, build
from tests.judging import tower
from tests.machines import MACHINES
from tests.parts import Slot, drive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from probes.facts import Facts
    from probes.reads import Reads
    from tests.tree import Tree

Given = TypeVar("Given")
HEADER: Final = Path("/usr/include/linux/nvme_ioctl.h")
PATIENCE: Final = 180.0  # seconds after which a read counts as stuck, however busy the machine is


def errno_of(answer: object) -> str:
    """The errno name of an answer that failed."""
    assert isinstance(answer, Unread)
    return answer.why.replace("(", " ").rstrip(")").rpartition(" ")[2]


def soon(ask: Callable[[], Given]) -> Given:
    """What `ask` gives; fails where it does not come back."""
    found: list[Given] = []
    thread = threading.Thread(target=lambda: found.append(ask()), daemon=True)
    thread.start()
    thread.join(PATIENCE)
    assert not thread.is_alive()
    return found[0]


# --- Three kinds of reads, one answer ----------------------------------------------------------------------------


class FilesOnly(TreeReads):
    """A tree of files alone, as `--root` shows one: nothing of the host is asked."""

    def udev(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return failed(f"udev {subject}", "ENOTSUP")

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return failed(f"psutil {subject}", "ENOTSUP")

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        return failed(f"nvme {subject}", "ENOTSUP")


@pytest.mark.parametrize(
    "name", ["bench-1-upgraded", "bench-2-noisy-link", "bench-3-asleep", "guest-passthrough", "hostile-names"]
)
def test_memory_disk_recording_and_capture_give_the_same_facts(name: str, tmp_path: Path) -> None:
    """One machine has one set of facts: from memory, below a root directory, recorded, and from a capture file."""
    tree = MACHINES[name]().tree
    assert () == tree.write_below(tmp_path)
    expected = linux.collect(FilesOnly(tree))
    recording = Recording(Live(str(tmp_path)))
    assert expected == linux.collect(recording)
    assert expected == linux.collect(Recorded(recording.answers, "linux"))
    written = encode(
        platform="linux",
        taken_at="2026-03-02T09:00:00Z",
        agent="0.1.0",
        answers=recording.answers,
        samples=[],
        keep_serials=True,
    )
    assert expected == linux.collect(recorded(parse(written, "x"))[0])


def test_an_ordinary_users_files_below_a_root_give_an_ordinary_users_facts(tmp_path: Path) -> None:
    """64 bytes of configuration space are as short from a disk as from the kernel."""
    tree = MACHINES["bench-1-ordinary-user"]().tree
    tree.write_below(tmp_path, privileged=False)
    from_disk, from_memory = linux.collect(Live(str(tmp_path))), linux.collect(FilesOnly(tree, privileged=False))
    assert from_memory.functions == from_disk.functions
    assert from_memory.kernel_slots == from_disk.kernel_slots


def test_a_replay_of_nothing_asks_nobody() -> None:
    """What a capture lacks is "not in this capture"; the host is never asked in its place."""
    empty = Recorded({}, "linux")
    seen: Facts = linux.collect(empty)
    assert () == seen.functions
    assert "not in this capture" in seen.unread[0].why
    place = "/proc/uptime"
    for answer in (empty.text(place), empty.data(place), empty.names(place), empty.target(place)):
        assert isinstance(answer, Unread)
        assert "not in this capture" == answer.why
    for answer in (empty.udev("pci"), empty.psutil("cpu_count"), empty.nvme("identify /dev/nvme0")):
        assert isinstance(answer, Unread)


@pytest.mark.parametrize("answer", ["text", b"bytes", ("a", "list"), Unread("x", "y")])
def test_an_answer_of_another_form_is_unread(answer: Any) -> None:  # noqa: ANN401 - every form
    """A capture that holds a list where a text was asked for gives no text."""
    kinds: dict[str, type] = {"text": str, "bytes": bytes, "list": tuple, "link": str}
    for kind, form in kinds.items():
        reads = Recorded({f"{kind} /x": answer}, "linux")
        found = {"text": reads.text, "bytes": reads.data, "list": reads.names, "link": reads.target}[kind]("/x")
        assert isinstance(found, form if isinstance(answer, form) else Unread)
    reads = Recorded({"udev x": answer, "psutil x": answer, "nvme x": answer}, "linux")
    assert isinstance(reads.udev("x"), str if isinstance(answer, str) else Unread)
    assert isinstance(reads.psutil("x"), str if isinstance(answer, str) else Unread)
    assert isinstance(reads.nvme("x"), bytes if isinstance(answer, bytes) else Unread)


def test_what_failed_is_recorded_as_failed() -> None:
    """A failed read replays with the same reason, not as something missing."""
    recording = Recording(Live())
    first = recording.text("/proc/no-such-file")
    assert "ENOENT" == errno_of(first)
    assert first == Recorded(recording.answers, "linux").text("/proc/no-such-file")
    assert {"text /proc/no-such-file": first} == recording.answers


def test_later_answers_go_before_earlier_ones() -> None:
    """A later look answers what was asked again, the first reading all the rest."""
    first = Recorded({"text /a": "1", "text /b": "2", "bytes /c": b"3", "list /d": ("e",), "link /f": "g"}, "linux")
    later = Recorded({"text /a": "9", "bytes /c": Unread("bytes /c", "gone")}, "linux", first)
    assert ("9", "2", ("e",), "g") == (later.text("/a"), later.text("/b"), later.names("/d"), later.target("/f"))
    assert isinstance(later.data("/c"), Unread)


# --- A root ------------------------------------------------------------------------------------------------------


@pytest.fixture
def rooted(tmp_path: Path) -> Path:
    """A root directory `in`, and what must never be read beside it."""
    root = tmp_path / "in"
    (root / "sys" / "deep").mkdir(parents=True)
    (root / "sys" / "good").write_text("good\n", encoding="utf-8")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "secret").write_text("secret", encoding="utf-8")
    (tmp_path / "in-side").mkdir()
    (tmp_path / "in-side" / "secret").write_text("secret", encoding="utf-8")
    return root


@pytest.mark.parametrize(
    "target",
    [
        "../../out/secret",
        "../../out",
        "../../in-side/secret",  # a neighbour whose name begins alike
        "/etc/hostname",
        "/proc/self/environ",
        "/sys/good",  # absolute: of the host, not of the root
        "../../../../../../../../../../etc/passwd",
        "deep/../../../out/secret",
        "/dev/zero",
        "..//../out/secret",
    ],
)
def test_a_link_out_of_the_root_is_refused(rooted: Path, target: str) -> None:
    """No link, absolute or relative, leads to what is not below the root; it is told as such."""
    (rooted / "sys" / "link").symlink_to(target)
    reads = Live(str(rooted))
    for answer in (reads.text("/sys/link"), reads.data("/sys/link"), reads.names("/sys/link")):
        assert "ELOOP" == errno_of(answer)
    assert target == reads.target("/sys/link")  # where it leads may be told, it is not followed
    for answer in (reads.text("/sys/link/secret"), reads.target("/sys/link/secret")):
        assert isinstance(answer, Unread)


def test_links_within_the_root_are_followed(rooted: Path) -> None:
    """Relative links, of which sysfs is made, work below a root."""
    (rooted / "sys" / "deep" / "link").symlink_to("../good")
    (rooted / "sys" / "also").symlink_to("deep")
    reads = Live(str(rooted))
    assert "good" == reads.text("/sys/deep/link")
    assert "good" == reads.text("/sys/also/link")
    assert ("link",) == reads.names("/sys/also")
    assert "../good" == reads.target("/sys/also/link")


def test_links_that_lead_round_in_circles_end(rooted: Path) -> None:
    """A link to itself, two to each other: an error each, not a walk without end."""
    (rooted / "sys" / "self").symlink_to("self")
    (rooted / "sys" / "one").symlink_to("two")
    (rooted / "sys" / "two").symlink_to("one")
    reads = Live(str(rooted))
    for name in ("self", "one", "two/x"):
        for answer in (reads.text(f"/sys/{name}"), reads.data(f"/sys/{name}"), reads.names(f"/sys/{name}")):
            assert errno_of(answer) in {"ELOOP", "ENOENT"}


@pytest.mark.parametrize("form", ["{}", "{}/", "{}/.", "{}/sys/..", "relative", "link"])
def test_a_root_may_be_written_in_any_way(rooted: Path, form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A root with a slash at its end, relative to here, or behind a link of its own is the same root."""
    monkeypatch.chdir(rooted.parent)
    (rooted.parent / "to-in").symlink_to("in")
    root = {"relative": "in", "link": "to-in"}.get(form, form.format(rooted))
    (rooted / "sys" / "bad").symlink_to("../../out/secret")
    reads = Live(root)
    assert "good" == reads.text("/sys/good")
    assert "ELOOP" == errno_of(reads.text("/sys/bad"))


def test_a_root_is_told_as_what_is_below_it(rooted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a system tells true places by another name than was given, files below the root are still inside."""
    (rooted / "sys" / "file").write_text("kept")
    told = rooted.parent / "told"
    shutil.copytree(rooted, told, symlinks=True)
    real = os.readlink

    def renamed(path: str, **more: int | None) -> str:
        return str(real(path, **more)).replace(str(rooted), str(told))

    monkeypatch.setattr(os, "readlink", renamed)
    assert "kept" == Live(str(rooted)).text("/sys/file")


@pytest.mark.parametrize("kind", ["text", "data", "names", "target"])
@pytest.mark.parametrize("before", [0, 1])
def test_a_folder_that_becomes_a_link_meanwhile_leads_nowhere(
    rooted: Path, monkeypatch: pytest.MonkeyPatch, kind: str, before: int
) -> None:
    """Who may change what is below a root cannot have a file from elsewhere read, however well he times it."""
    outside = rooted.parent / "elsewhere"
    outside.mkdir()
    (outside / "file").write_text("secret")
    (outside / "link").symlink_to("secret")
    folder = rooted / "sys" / "swapped"
    folder.mkdir()
    (folder / "file").write_text("kept")
    (folder / "link").symlink_to("kept")
    asked = {"text": "file", "data": "file", "names": "", "target": "link"}[kind]
    live, subject = Live(str(rooted)), f"/sys/swapped/{asked}".rstrip("/")
    for _ in range(before):  # the true place of the folder is known then
        assert not isinstance(getattr(live, kind)(subject), Unread)
    opened = os.open

    def swapped(path: str, flags: int, *rest: int) -> int:
        if folder.is_dir() and not folder.is_symlink():
            folder.rename(rooted / "sys" / "away")
            folder.symlink_to(outside)
        return opened(path, flags, *rest)

    monkeypatch.setattr(os, "open", swapped)
    found = getattr(live, kind)(subject)
    assert folder.is_symlink()
    assert "secret" not in repr(found)
    assert isinstance(found, Unread)


def test_the_whole_machine_may_be_the_root() -> None:
    """`/` as a root shows the files of this machine and asks the host nothing else."""
    reads = Live("/")
    assert Live().text("/proc/sys/kernel/osrelease") == reads.text("/proc/sys/kernel/osrelease")
    assert Live().names("/sys/bus") == reads.names("/sys/bus")


def test_below_a_root_nothing_is_asked_of_the_host(rooted: Path) -> None:
    """udev, psutil and drives belong to this machine, not to the one whose files are read."""
    reads = Live(str(rooted))
    answers = (
        *(reads.udev("pci"), reads.udev("0000:00:00.0"), reads.psutil("cpu_count")),
        *(
            reads.psutil("virtual_memory.total"),
            reads.psutil("sensors_temperatures"),
            reads.nvme("identify /dev/nvme0"),
            reads.nvme("log-02 /dev/nvme0"),
        ),
    )
    assert ["ENOTSUP"] * 7 == [errno_of(answer) for answer in answers]


# Documentation/admin-guide/iostats.rst of the Linux kernel: major, minor, name; then 1 reads, 3 sectors read, 5 writes,
# 7 sectors written, 10 milliseconds at work; sectors of 512 bytes. Eleven fields; four for partitions before 2.6.25.
DISKSTATS: Final = """\
   8       0 sda 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27
   8       1 sda1 7 7 7 7
 259       1 nvme1c1n1 1 2 3 4 5 6 7 8 9 10 11
 259       2 nvme1n1 0 0 0 0 0 0 0 0 0 -5 0
 259       3 nvme2n1 1 2 3 4 5 6 7 8 9 1e3 11
nonsense
"""


def counts_below(root: Path, content: str | None) -> object:
    """What is counted of block devices below a root whose table has that content."""
    (root / "proc").mkdir(exist_ok=True)
    if content is not None:
        (root / "proc" / "diskstats").write_text(content, encoding="utf-8")
    answer = Live(str(root)).psutil("disk_io_counters")
    return answer if isinstance(answer, Unread) else msgspec.json.decode(answer)


def test_below_a_root_the_kernels_table_gives_the_counts_of_disks(rooted: Path) -> None:
    """Below a root the kernel's own table there is read, in psutil's form; lines that are not of it are left out."""
    assert {
        "nvme1c1n1": {"busy_time": 10, "read_bytes": 1536, "read_count": 1, "write_bytes": 3584, "write_count": 5},
        "sda": {"busy_time": 20, "read_bytes": 6656, "read_count": 11, "write_bytes": 8704, "write_count": 15},
    } == counts_below(rooted, DISKSTATS)
    assert {} == counts_below(rooted, "\x00\x1b[2J\n\n")


def test_below_a_root_without_that_table_there_are_no_counts(rooted: Path) -> None:
    """A root without the table, or with one that is a link out of it, has no counts, and says why."""
    assert "ENOENT" == errno_of(counts_below(rooted, None))
    (rooted / "proc" / "diskstats").symlink_to("/proc/diskstats")
    assert "ELOOP" == errno_of(counts_below(rooted, None))


def test_below_the_whole_machine_counts_are_those_of_psutil() -> None:
    """With `/` as the root the same devices with the same names of counts come as psutil has them."""
    tables = (Live(root).psutil("disk_io_counters") for root in (None, "/"))
    by_psutil, by_table = (msgspec.json.decode(str(one), type=dict[str, dict[str, int]]) for one in tables)
    assert list(by_psutil) == list(by_table)
    for name, counts in by_psutil.items():
        assert list(counts) == list(by_table[name])
        # Read a moment later: what came in between is little.
        assert all(0 <= by_table[name][count] - number <= 2**30 for count, number in counts.items())


def test_a_table_that_comes_in_pieces_is_read_to_its_end(rooted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A table that the kernel gives less than a page at a time, as it does with many disks, is read whole."""
    read = os.read
    monkeypatch.setattr(os, "read", lambda handle, size: read(handle, min(size, 3000)))
    disks = "".join(f"259 {number} nvme{number}n1 1 2 3 4 5 6 7 8 9 10 11\n" for number in range(500))
    found = counts_below(rooted, disks)
    assert isinstance(found, dict)
    assert 500 == len(found)


# --- Files that are none -----------------------------------------------------------------------------------------


def _strange(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    (folder / "folder").mkdir()
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(folder / "socket"))


@pytest.mark.parametrize("below_a_root", [True, False])
@pytest.mark.parametrize("name", ["pipe", "folder", "socket"])
def test_what_is_no_file_does_not_block(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    below_a_root: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A pipe that nobody writes to, a directory, a socket: the answer comes at once and is no content."""
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    _strange(Path())
    reads, place = (Live(str(tmp_path)), f"/{name}") if below_a_root else (Live(), str(tmp_path / name))
    for ask in (reads.text, reads.data):
        answer = soon(lambda ask=ask: ask(place))  # type: ignore[misc]
        assert isinstance(answer, Unread) or not answer
    assert isinstance(soon(lambda: reads.names(place)), tuple if name == "folder" else Unread)
    assert "EINVAL" == errno_of(soon(lambda: reads.target(place)))


def test_below_a_root_a_pipe_is_not_taken_for_an_empty_file(tmp_path: Path) -> None:
    """Only regular files are read below a root: there nothing is the kernel's."""
    _strange(tmp_path)
    reads = Live(str(tmp_path))
    assert ["EINVAL", "EINVAL"] == [errno_of(soon(lambda: reads.text("/pipe"))), errno_of(reads.data("/folder"))]


def test_a_pipe_that_is_held_open_does_not_block(tmp_path: Path) -> None:
    """A writer that says nothing keeps nobody waiting."""
    os.mkfifo(tmp_path / "pipe")
    held = os.open(tmp_path / "pipe", os.O_RDWR | os.O_NONBLOCK)
    try:
        answer = soon(lambda: Live().text(str(tmp_path / "pipe")))
    finally:
        os.close(held)
    assert "EAGAIN" == errno_of(answer)


def test_a_machine_of_strange_files_is_read_to_its_end(tmp_path: Path) -> None:
    """Pipes and directories in place of every file of a device cost one line and no time."""
    tree = build(tower(drive((4, 4))))
    tree.write_below(tmp_path)
    place = tmp_path / "sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"
    for number, file in enumerate(sorted(path for path in place.iterdir() if path.is_file())):
        file.unlink()
        if number % 2:
            os.mkfifo(file)
        else:
            file.mkdir()
    seen = soon(lambda: linux.collect(Live(str(tmp_path))))
    assert ["0000:01:00.0"] == [one.what for one in seen.unread if "01:00.0" in one.what]


def test_long_files_are_cut() -> None:
    """A file without end gives so many bytes and no more."""
    assert 1024 * 1024 == len(_bytes(soon(lambda: Live().data("/dev/zero"))))
    text = soon(lambda: Live().text("/dev/zero"))
    assert isinstance(text, str)
    assert len(text) <= 64 * 1024


def _bytes(answer: bytes | Unread) -> bytes:
    assert isinstance(answer, bytes)
    return answer


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 8192, 8193, 70_000, 1024 * 1024])
def test_a_file_is_read_whole(tmp_path: Path, size: int) -> None:
    """Every byte comes, whatever the size of a page or of a read."""
    content = (os.urandom(997) * (size // 997 + 1))[:size]
    (tmp_path / "file").write_bytes(content)
    assert content == Live().data(str(tmp_path / "file"))
    assert content == Live(str(tmp_path)).data("/file")


@pytest.mark.parametrize("most", [1, 7, 64, 4000])
@pytest.mark.parametrize("below_a_root", [True, False])
def test_a_file_that_comes_in_pieces_is_read_to_its_end(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    most: int,
    below_a_root: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A read may give less than was asked for before the end of a file (read(2)): what follows is not lost."""
    read = os.read
    content = os.urandom(5000)
    (tmp_path / "file").write_bytes(content)
    (tmp_path / "words").write_bytes(content.hex().encode())
    monkeypatch.setattr(os, "read", lambda handle, size: read(handle, min(size, most)))
    reads, place = (Live(str(tmp_path)), "") if below_a_root else (Live(), str(tmp_path))
    assert (content, content.hex()) == (reads.data(f"{place}/file"), reads.text(f"{place}/words"))


def test_an_error_after_the_first_piece_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that breaks off with an error is unread: half of a value is none."""
    read = os.read
    given: list[bytes] = []

    def breaks_off(handle: int, size: int) -> bytes:
        if given:
            raise OSError(errno.EIO, "broken off")
        given.append(read(handle, min(size, 3)))
        return given[0]

    (tmp_path / "file").write_bytes(b"16.0 GT/s PCIe\n")
    monkeypatch.setattr(os, "read", breaks_off)
    assert "EIO" == errno_of(Live().text(str(tmp_path / "file")))
    assert [b"16."] == given


@pytest.mark.parametrize(
    ("path", "errno"),
    [
        ("/no/such/file", "ENOENT"),
        ("/etc/passwd/x", "ENOTDIR"),
        ("/proc/\0/x", "EINVAL"),
        ("/" + "x" * 300, "ENAMETOOLONG"),
        ("/proc/\ud800", "EINVAL"),
        ("/proc/self", "EISDIR"),
        ("", "ENOENT"),
    ],
)
def test_what_fails_says_why(path: str, errno: str) -> None:
    """A failed read is a value with its errno's name, never an exception; odd names included."""
    for answer in (Live().text(path), Live().data(path)):
        assert errno == errno_of(answer) or (errno == "EINVAL" and errno_of(answer) == "ENOENT")
    others = (Live().names(path), Live().target(path), Live("/").text(path), Live("/").names(path))
    assert all(isinstance(answer, Unread | str | tuple) for answer in others)


def test_text_of_any_bytes_is_text(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 are replaced; names likewise; nothing raises."""
    (tmp_path / "file").write_bytes(b"\xff\xfe good \xc3\x28 \n\n")
    os.mkdir(os.fsencode(tmp_path) + b"/\xff")
    assert "\ufffd\ufffd good \ufffd(" == Live().text(str(tmp_path / "file"))
    names = Live().names(str(tmp_path))
    assert isinstance(names, tuple)
    assert "".join(names).encode("utf-8")


def test_what_may_not_be_read_asks_for_root(tmp_path: Path) -> None:
    """A file without rights is unread for an ordinary user, with the note that root may read it."""
    (tmp_path / "file").write_text("x", encoding="utf-8")
    (tmp_path / "file").chmod(0)
    user = os.geteuid()
    place = os.open(tmp_path, os.O_RDONLY)  # the folders above may be the super-user's
    try:
        if user == 0:
            os.seteuid(65534)
        answer = Live().text(f"/proc/self/fd/{place}/file")
    finally:
        os.seteuid(user)
        os.close(place)
    assert isinstance(answer, Unread)
    assert (True, "EACCES") == (answer.needs_root, errno_of(answer))


def test_reasons_are_of_errors_that_exist() -> None:
    """Every errno name that has words of its own is one of this system's, and only lack of rights asks for root."""
    import errno

    assert set(REASONS) <= set(errno.errorcode.values()) | {"ENOTSUP"}
    assert ["EACCES", "EPERM"] == sorted(name for name in REASONS if failed("x", name).needs_root)
    assert "failed with EOWNERDEAD" == failed("x", "EOWNERDEAD").why


# --- The host ----------------------------------------------------------------------------------------------------


def test_figures_of_the_host_agree_with_the_system() -> None:
    """Memory and processors are what the system itself says (sysconf(3), /proc/meminfo)."""
    reads = Live()
    total = int(Path("/proc/meminfo").read_text(encoding="utf-8").split()[1]) * 1024
    assert str(total) == reads.psutil("virtual_memory.total")
    assert str(os.sysconf("SC_NPROCESSORS_ONLN")) == reads.psutil("cpu_count")


def test_udev_lists_what_the_kernel_lists() -> None:
    """Where udev's library is there, its list of functions is the kernel's own."""
    answer = Live().udev("pci")
    if isinstance(answer, Unread):
        pytest.skip(f"udev's library is not on this machine: {answer.why}")
    assert tuple(sorted(answer.split())) == (Live().names("/sys/bus/pci/devices") or ())


@pytest.mark.parametrize("subject", ["0000:ff:1f.7", "../../etc", "", "x" * 5000, "\0", "\ud800"])
def test_udev_does_not_raise(subject: str) -> None:
    """A function that is gone, or no function at all, is an unread value."""
    assert isinstance(Live().udev(subject), Unread)


# --- Commands to a drive -----------------------------------------------------------------------------------------


def test_only_identify_and_get_log_page_are_known() -> None:
    """The opcodes are 06h and 02h; both move data from the drive only (bits 1:0 of an opcode are 10b).

    Source: NVM Express Base, opcodes of admin commands (include/linux/nvme.h nvme_admin_identify, _get_log_page).
    """
    assert {"identify": 0x06, "log-02": 0x02, "log-03": 0x02} == {
        name: question[0] for name, question in NVME_QUESTIONS.items()
    }
    assert {0b10} == {question[0] & 3 for question in NVME_QUESTIONS.values()}


def test_log_pages_are_asked_whole_and_clear_nothing() -> None:
    """Dword 10 holds the page, the number of dwords less one, and Retain Asynchronous Event; all namespaces are meant.

    Source: NVM Express Base, Get Log Page, Command Dword 10.
    """
    for name, page in (("log-02", 0x02), ("log-03", 0x03)):
        _, dword10, namespace, length = NVME_QUESTIONS[name]
        assert page == dword10 & 0xFF
        assert 1 == dword10 >> 15 & 1
        assert length == ((dword10 >> 16) + 1) * 4
        assert (0xFFFFFFFF, 512) == (namespace, length)
    assert (0x06, 0x01, 0, 4096) == NVME_QUESTIONS["identify"]  # CNS 01h: the controller


Figures = dict[str, int]
FIELDS: Final = (
    *("opcode", "flags", "rsvd1", "nsid", "cdw2", "cdw3", "metadata", "addr", "metadata_len", "data_len"),
    *("cdw10", "cdw11", "cdw12", "cdw13", "cdw14", "cdw15", "timeout_ms", "result"),
)


@pytest.fixture(scope="module")
def header(tmp_path_factory: pytest.TempPathFactory) -> Figures:
    """Number of the command, size and offsets of its structure, as a compiler reads this machine's kernel header."""
    compiler = shutil.which("cc")
    if compiler is None or not HEADER.is_file():
        pytest.skip("no C compiler, or no kernel headers, on this machine")
    folder = tmp_path_factory.mktemp("header")
    lines = "\n".join(
        f'printf("{name} %zu\\n{name}:size %zu\\n", offsetof(struct nvme_admin_cmd, {name}), '
        f"sizeof(((struct nvme_admin_cmd *)0)->{name}));"
        for name in FIELDS
    )
    (folder / "x.c").write_text(
        "#include <stddef.h>\n#include <stdio.h>\n#include <linux/ioctl.h>\n#include <linux/nvme_ioctl.h>\n"
        "int main(void) {\n"
        'printf("number %lu\\n", (unsigned long)NVME_IOCTL_ADMIN_CMD);\n'
        'printf("structure %zu\\n", sizeof(struct nvme_admin_cmd));\n'
        f"{lines}\nreturn 0; }}\n",
        encoding="utf-8",
    )
    subprocess.run([compiler, "-o", "x", "x.c"], cwd=folder, check=True)
    output = subprocess.run([str(folder / "x")], check=True, capture_output=True, text=True).stdout
    return {name: int(figure) for name, figure in (line.split() for line in output.splitlines())}


class Sent:
    """Stands in for the kernel's ioctl(2): keeps what was sent and answers with `status` or an errno."""

    def __init__(self, status: int = 0, error: int = 0) -> None:
        """`status` is the drive's, `error` an errno."""
        self.calls: list[tuple[int, int, bytes]] = []
        self.status = status
        self.error = error

    def __call__(self, handle: int, number: int, argument: bytearray) -> int:
        """Fill the answer with 5Ah bytes."""
        flags = fcntl.fcntl(handle, fcntl.F_GETFL)
        self.calls.append((flags & os.O_ACCMODE, number, bytes(argument)))
        if self.error:
            raise OSError(self.error, os.strerror(self.error))
        (address,) = struct.unpack_from("<Q", argument, 24)
        (length,) = struct.unpack_from("<I", argument, 36)
        ctypes.memset(address, 0x5A, length)
        return self.status


@pytest.fixture
def device(tmp_path: Path) -> Iterator[str]:
    """A file that is opened in place of a drive."""
    (tmp_path / "nvme0").write_bytes(b"")
    yield str(tmp_path / "nvme0")
    assert b"" == (tmp_path / "nvme0").read_bytes()


@pytest.mark.parametrize("name", sorted(NVME_QUESTIONS))
def test_a_command_is_laid_out_as_the_kernel_header_says(
    name: str, header: Figures, device: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The number of the ioctl, the 72 bytes of the structure and every field stand where the header has them.

    Source: include/uapi/linux/nvme_ioctl.h, compiled here.
    """
    sent = Sent()
    monkeypatch.setattr(fcntl, "ioctl", sent)
    answer = Live().nvme(f"{name} {device}")
    opcode, dword10, namespace, length = NVME_QUESTIONS[name]
    assert b"\x5a" * length == answer
    ((access, number, command),) = sent.calls
    assert os.O_RDONLY == access
    assert header["number"] == number
    assert header["structure"] == len(command) == 72

    def field(one: str) -> int:
        start = header[one]
        return int.from_bytes(command[start : start + header[f"{one}:size"]], "little")

    known = {"opcode": opcode, "nsid": namespace, "data_len": length, "cdw10": dword10}
    assert known == {one: field(one) for one in known}
    assert field("addr") > 0
    assert 0 < field("timeout_ms") <= 60_000
    rest = set(FIELDS) - set(known) - {"addr", "timeout_ms"}
    assert set() == {one for one in rest if field(one)}


def test_a_drive_that_refuses_is_unread(device: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A status of the drive, or an errno of the kernel, is a reason; bytes that nobody sent are no answer."""
    import errno

    monkeypatch.setattr(fcntl, "ioctl", Sent(status=0x4002))
    assert "EIO" == errno_of(Live().nvme(f"identify {device}"))
    for number in (errno.EACCES, errno.ENODEV, errno.ENOTTY, errno.EINTR):
        monkeypatch.setattr(fcntl, "ioctl", Sent(error=number))
        answer = Live().nvme(f"log-02 {device}")
        assert isinstance(answer, Unread)
        assert errno.errorcode[number] in answer.why
        assert (number == errno.EACCES) == answer.needs_root


@pytest.mark.parametrize(
    "subject", ["format {}", "log-07 {}", "sanitize {}", "", "identify", "IDENTIFY {}", "log-2 {}"]
)
def test_no_other_command_is_sent(subject: str, device: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A question that is not on the list reaches no drive, and is unread."""
    sent = Sent()
    monkeypatch.setattr(fcntl, "ioctl", sent)
    assert isinstance(Live().nvme(subject.format(device)), Unread)
    assert [] == sent.calls


def test_an_unknown_figure_of_the_host_is_unread() -> None:
    """A question that psutil is not asked is unread."""
    assert isinstance(Live().psutil("users"), Unread)


def test_a_file_that_is_no_drive_answers_nothing(device: str) -> None:
    """The kernel itself refuses the command for a file that is no drive."""
    assert "ENOTTY" == errno_of(Live().nvme(f"identify {device}"))
    assert "ENOENT" == errno_of(Live().nvme("identify /dev/no-such-drive"))


# --- This machine ------------------------------------------------------------------------------------------------


def test_this_machine_replays_as_it_was_read() -> None:
    """The facts of the machine that runs the tests are the same from the recording as live."""
    recording = Recording(Live())
    live = linux.collect(recording)
    assert live == linux.collect(Recorded(recording.answers, "linux"))
    assert all(
        key.split(" ")[0] in {"text", "bytes", "list", "link", "udev", "psutil", "nvme"} for key in recording.answers
    )


def _reads(tree: Tree) -> list[Reads]:
    return [TreeReads(tree), Recording(TreeReads(tree)), Recorded({}, "linux"), Live("/nonexistent")]


def test_every_kind_of_reads_is_one() -> None:
    """All kinds answer the same seven questions, and none raises."""
    tree = build(tower(drive((4, 4)), slot=Slot(number=1)))
    for reads in _reads(tree):
        for ask in (reads.text, reads.data, reads.names, reads.target, reads.udev, reads.psutil, reads.nvme):
            answer = ask("/sys/none")
            assert isinstance(answer, Unread)
            assert "/sys/none" in answer.what
