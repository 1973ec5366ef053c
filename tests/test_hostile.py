"""Hostile captures, given to the program as a user would: one sentence soon and in little memory, or shown harmlessly.

The limits are those of the issue: 2 seconds and 300 MB. Memory is held to the letter, by what the system counts for
the process; time with a factor for slow and busy machines.
"""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from msgspec import Struct, json

from probes.bounds import MOST_FUNCTIONS

if TYPE_CHECKING:
    from collections.abc import Callable

HERE: Final = Path(__file__).resolve().parent.parent
SECONDS: Final = 2.0
PATIENCE: Final = 4.0
MEMORY: Final = 300_000_000
LARGE: Final = 100_000_000

HEAD: Final = (
    b'{"format":"lanewright-capture","version":1,"platform":"linux","taken_at":"2026-03-02T09:00:00Z",'
    b'"agent":"0.1.0","redacted":true,'
)
TAIL: Final = b',"samples":[]}'
PCI: Final = "/sys/bus/pci/devices"


class Run(Struct, frozen=True):
    """What became of one run: status, both outputs, seconds of processor time, the most memory it held (bytes)."""

    status: int
    output: bytes
    errors: bytes
    seconds: float
    memory: int


# A small process between the tests and the program: the memory of a process counts from that of its parent.
LAUNCHER: Final = """
import os, sys
process = os.posix_spawn(sys.executable, [sys.executable, "-m", "agent", *sys.argv[1:]], os.environ)
_, status, usage = os.wait4(process, 0)
with open(os.environ["FIGURES"], "w") as figures:
    print(os.waitstatus_to_exitcode(status), usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024, file=figures)
"""


def run(folder: Path, *words: str) -> Run:
    """Run the program with these arguments, measured."""
    figures = folder / "figures"
    done = subprocess.run(
        [sys.executable, "-c", LAUNCHER, *words],
        cwd=HERE,
        env=os.environ | {"FIGURES": str(figures)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=True,
        timeout=120,
    )
    status, seconds, memory = figures.read_text().split()
    return Run(int(status), done.stdout, done.stderr, float(seconds), int(memory))


def assert_one_sentence(done: Run) -> None:
    """Exit 2, nothing on standard output, one printable line on the other."""
    assert (done.status, done.output) == (2, b"")
    lines = done.errors.decode().splitlines()
    assert len(lines) == 1
    assert lines[0].isprintable()
    assert "Traceback" not in lines[0]
    assert len(lines[0]) < 700


def capture_of(reads: dict[str, dict[str, object]], samples: list[dict[str, object]] | None = None) -> bytes:
    """A capture with these answers."""
    return HEAD + b'"reads":%b,"samples":%b}' % (json.encode(reads), json.encode(samples or []))


# --- Large -----------------------------------------------------------------------------------------------------


def repeated(part: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    """`part` as often as fits into 100 MB."""
    return before + part * ((LARGE - len(before) - len(after)) // len(part)) + after


def packed(*parts: bytes, level: int = 9) -> bytes:
    """The parts as one gzip file."""
    packer = zlib.compressobj(level, wbits=31)
    return b"".join(packer.compress(part) for part in parts) + packer.flush()


GZIP_HEADER: Final = b"\x1f\x8b\x08\0\0\0\0\0\0\x03"  # RFC 1952: no name, no time, made on Unix
TEXT: Final = HEAD + b'"reads":{"text /a":{"text":"'
ENTRIES: Final = HEAD + b'"reads":{'
LIST: Final = HEAD + b'"reads":{"list /a":{"list":["a"'


def empty_blocks(size: int) -> bytes:
    """A gzip file of blocks that hold nothing, each with its own codes to build: the slowest there is to unpack.

    Source of the form: RFC 1951, section 3.2.7.
    """
    bits: list[int] = []

    def number(value: int, width: int) -> None:
        bits.extend(value >> place & 1 for place in range(width))

    def code(word: str) -> None:
        bits.extend(int(bit) for bit in word)

    lengths = {18: 1, 0: 2, 1: 2}  # code 18 (a run of zeros) is "0", code 0 is "10", code 1 is "11"
    for _ in range(8):
        number(0, 1)
        number(2, 2)
        number(29, 5)
        number(0, 5)
        number(14, 4)
        for symbol in (16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1):
            number(lengths.get(symbol, 0), 3)
        for zeros in (138, 118):
            code("0")
            number(zeros - 11, 7)
        code("11")  # the end of a block has a code of one bit
        code("0")
        number(28 - 11, 7)
        code("11")
        code("11")
        code("0")
    block = bytes(sum(bit << place for place, bit in enumerate(bits[at : at + 8])) for at in range(0, len(bits), 8))
    return GZIP_HEADER + block * (size // len(block))


BOMBS: Final[dict[str, Callable[[], bytes]]] = {
    "100 MB of arrays": lambda: repeated(b"["),
    "100 MB of objects": lambda: repeated(b'{"a":'),
    "100 MB of arrays in an answer": lambda: repeated(b"[", TEXT[:-1]),
    "100 MB of arrays in an unknown key": lambda: repeated(b"[", HEAD + b'"reads":{},"more":'),
    "100 MB of arrays in a newer version": lambda: repeated(b"[", HEAD.replace(b":1", b":2") + b'"more":'),
    "100 MB of one key": lambda: repeated(b'"text /a":{"text":"b"},', ENTRIES, b'"a":{"text":""}}' + TAIL),
    "100 MB of one top-level key": lambda: repeated(b'"reads":{},', HEAD, TAIL[1:]),
    "100 MB of text": lambda: repeated(b"a", TEXT, b'"}}' + TAIL),
    "100 MB of text with one wide character": lambda: repeated(b"a", TEXT, "\U0001f4be".encode() + b'"}}' + TAIL),
    "100 MB of text with one wide escape": lambda: repeated(b"a", TEXT, b'\\ud83d\\ude00"}}' + TAIL),
    "100 MB of escapes": lambda: repeated(b"\\u0000", TEXT, b'"}}' + TAIL),
    "100 MB of a key": lambda: repeated(b"a", ENTRIES + b'"', b'":{"text":""}}' + TAIL),
    "100 MB of bytes": lambda: repeated(b"00", HEAD + b'"reads":{"bytes /a":{"hex":"', b'"}}' + TAIL),
    "100 MB of names": lambda: repeated(b',"a"', LIST, b"]}}" + TAIL),
    "100 MB of empty names": lambda: repeated(b',""', LIST, b"]}}" + TAIL),
    "100 MB of answers": lambda: ENTRIES + b",".join(b'"%x":{"text":""}' % at for at in range(4_600_000)),
    "100 MB of samples": lambda: repeated(b'{"offset":1,"reads":{}},', HEAD + b'"reads":{},"samples":['),
    "100 MB of digits": lambda: repeated(b"9", b'{"version":'),
    "100 MB of spaces": lambda: repeated(b" "),
    "100 MB of zeros": lambda: bytes(LARGE),
    "as many answers as weigh too little to be refused unread": lambda: (
        ENTRIES + b",".join(b'"%x":{"text":"%x"}' % (at, at) for at in range(430_000)) + b"}" + TAIL
    ),
    "as many failed answers": lambda: (
        ENTRIES + b",".join(b'"%x":{"error":"no answer %x"}' % (at, at) for at in range(430_000)) + b"}" + TAIL
    ),
    "as much wide text as weighs too little": lambda: TEXT + b"a" * 36_000_000 + "\U0001f4be".encode() + b'"}}' + TAIL,
    "a bomb of spaces": lambda: packed(*[b" " * 1_000_000] * 300),
    "a bomb of arrays": lambda: packed(*[b"[" * 1_000_000] * 95),
    "a bomb of names": lambda: packed(LIST, *[b',"a"' * 250_000] * 300),
    "a bomb in a bomb": lambda: packed(packed(*[b"[" * 1_000_000] * 300)),
    "8 MB of empty members": lambda: packed(b"") * 400_000,
    "8 MB of empty blocks": lambda: empty_blocks(8 * 1024 * 1024),
    "8 MB of stored blocks without content": lambda: GZIP_HEADER + b"\0\0\0\xff\xff" * 1_600_000,
    "8 MB of a file name": lambda: GZIP_HEADER.replace(b"\x08\0", b"\x08\x08", 1) + b"a" * 8_000_000,
    "100 MB packed not at all": lambda: packed(b"[" * LARGE, level=0),
}


@pytest.mark.long
@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_costs_one_sentence(tmp_path: Path, name: str) -> None:
    """What is made to exhaust the program ends it with one sentence, soon and in little memory."""
    path = tmp_path / "bench-2.json"
    path.write_bytes(BOMBS[name]())
    done = run(tmp_path, "check", "--replay", str(path))
    path.unlink()
    assert_one_sentence(done)
    assert done.memory < MEMORY
    assert done.seconds < SECONDS * PATIENCE


# --- Files and names -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["folder", "pipe", "device", "nothing", "empty", "text", "another capture"])
def test_what_is_no_capture_costs_one_sentence(tmp_path: Path, kind: str) -> None:
    """Nothing that a user may name by mistake is waited for, and each costs one sentence."""
    path = tmp_path / "it"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind != "nothing":
        path.write_bytes({"empty": b"", "text": b"x4 at 8 GT/s\n"}.get(kind, HEAD.replace(b"capture", b"check") + b"}"))
    done = run(tmp_path, "check", "--replay", "/dev/zero" if kind == "device" else str(path))
    assert_one_sentence(done)
    assert done.seconds < SECONDS * PATIENCE


@pytest.mark.parametrize("name", ["\x1b[2J\x1b]0;owned\x07", "[bold]x[red]\n\n", "\u202e\u2066", "\x9b31m", "-"])
def test_a_hostile_file_name_is_shown_harmlessly(tmp_path: Path, name: str) -> None:
    """A file's name never acts on the terminal, whether it cannot be read or holds no capture."""
    path = tmp_path / f"{name} x"
    assert_one_sentence(run(tmp_path, "check", "--replay", str(path)))
    path.write_bytes(b"{}")
    assert_one_sentence(run(tmp_path, "check", "--replay", str(path)))


# --- Shown harmlessly ------------------------------------------------------------------------------------------

TRICKS: Final = ("../../../../../../etc/passwd", "/etc/passwd", "0000:01:00.0/../../../../etc", "a\0b", "~root", "%s")
COMMANDS: Final = (
    ("check",),
    ("check", "--format", "json"),
    ("inventory",),
    ("inventory", "--format", "json"),
)


def tricks() -> bytes:
    """A capture whose names and links lead out of every folder, to files that it claims to know."""
    reads: dict[str, dict[str, object]] = {
        f"list {PCI}": {"list": ["0000:00:01.0", "0000:01:00.0", *TRICKS]},
        "list /sys/class/nvme": {"list": ["nvme0", *TRICKS]},
        "list /sys/class/hwmon": {"list": [*TRICKS]},
        "list /sys/block": {"list": ["sda", *TRICKS]},
        "list /sys/bus/pci/slots": {"list": [*TRICKS]},
        "text /proc/sys/kernel/hostname": {"link": "/etc/hostname"},
        "bytes /sys/firmware/dmi/tables/DMI": {"text": "/etc/shadow"},
    }
    for name in ("0000:00:01.0", "0000:01:00.0"):
        reads[f"link {PCI}/{name}"] = {"link": "../../../../etc/passwd"}
        reads[f"list {PCI}/{name}"] = {"list": ["config", "driver", "vendor", "physfn", *TRICKS]}
        reads[f"link {PCI}/{name}/driver"] = {"link": "/etc/passwd"}
        reads[f"link {PCI}/{name}/physfn"] = {"link": f"../{name}"}
        reads[f"text {PCI}/{name}/vendor"] = {"list": ["/etc/passwd"]}
    return capture_of(reads, [{"offset": 1, "reads": {f"text {PCI}/../../../etc/passwd": {"text": "root"}}}])


def doubled() -> bytes:
    """A capture in which every name is there twice, with answers that contradict each other."""
    half = json.encode({f"list {PCI}": {"list": []}, f"text {PCI}": {"error": "EIO"}})[1:-1]
    other = json.encode({f"list {PCI}": {"list": ["0000:00:00.0"] * 3}, f"text {PCI}": {"hex": "00"}})[1:-1]
    twice = b'"reads":{%b,%b},"reads":{%b,%b},"samples":[],"samples":[]}' % (half, other, other, half)
    return HEAD + b'"platform":"none","platform":"linux","redacted":false,' + twice


def hostile_machine() -> bytes:
    """A capture of a machine whose parts and firmware say hostile things."""
    from tests.build import capture_bytes
    from tests.hostile import hostile

    return capture_bytes(hostile())


HARMLESS: Final[dict[str, Callable[[], bytes]]] = {"tricks": tricks, "doubled": doubled, "machine": hostile_machine}


@pytest.mark.long
@pytest.mark.parametrize("name", HARMLESS)
@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_hostile_text_is_shown_harmlessly(tmp_path: Path, name: str, words: tuple[str, ...]) -> None:
    """No control, direction or invisible character of a capture comes out; the run ends as for any machine."""
    path = tmp_path / "capture.json"
    path.write_bytes(HARMLESS[name]())
    done = run(tmp_path, *words, "--replay", str(path))
    assert done.status in {0, 1, 3}
    assert b"Traceback" not in done.errors
    assert b"\x1b" not in done.output + done.errors
    lines = (done.output + done.errors).decode().split("\n")
    assert [line for line in lines if not line.isprintable()] == []
    if words[-1] == "json" and done.status != 3:
        json.decode(done.output)


# Runs the program and tells, on standard error, every file that it opens and every program that it starts.
WATCHED: Final = """
import os, sys
from agent.cli import main
events = []
def hook(event, arguments):
    if event in ("open", "os.listdir", "os.scandir", "os.system", "os.exec", "os.posix_spawn", "subprocess.Popen",
                 "socket.connect", "socket.getaddrinfo", "ctypes.dlopen", "fcntl.ioctl"):
        events.append(f"SEEN {event} {arguments[0]!s}")
sys.addaudithook(hook)
try:
    main(sys.argv[1:])
finally:
    os.write(2, "\\n".join(events).encode("utf-8", "backslashreplace"))
"""


@pytest.mark.parametrize("name", HARMLESS)
def test_a_replay_asks_the_host_nothing(tmp_path: Path, name: str) -> None:
    """Whatever a capture names, no file but the capture and the program's own is opened, and nothing is started."""
    path = tmp_path / "capture.json"
    path.write_bytes(HARMLESS[name]())
    words = ["inventory", "--replay", str(path), "--format", "json"]
    done = subprocess.run([sys.executable, "-c", WATCHED, *words], cwd=HERE, capture_output=True, check=False)
    seen = {line[5:] for line in done.stderr.decode().splitlines() if line.startswith("SEEN ")}
    assert f"open {path}" in seen
    own = tuple(
        f"{event} {place}/" for event in ("open", "os.listdir") for place in (HERE, sys.prefix, sys.base_prefix)
    )
    assert {event for event in seen if not event.startswith(own)} == {f"open {path}"}


@pytest.mark.long
def test_the_longest_listing_is_shown(tmp_path: Path) -> None:
    """As many functions as are taken, of which nothing else is known, are no reason to run out of time or memory."""
    names = [f"0000:{at >> 8:02x}:{at >> 3 & 31:02x}.{at & 7}" for at in range(MOST_FUNCTIONS)]
    path = tmp_path / "capture.json"
    path.write_bytes(capture_of({f"list {PCI}": {"list": names}}))
    done = run(tmp_path, "check", "--replay", str(path))
    assert done.status == 3  # drives and slots that nobody listed may hide a fault
    assert done.memory < MEMORY
    assert done.seconds < SECONDS * PATIENCE


def test_a_capture_in_the_way_is_kept(tmp_path: Path) -> None:
    """A replayed capture is written anew, but never over a file or into a folder of the kernel without being asked."""
    path, copy = tmp_path / "capture.json", tmp_path / "copy.json.gz"
    path.write_bytes(tricks())
    assert run(tmp_path, "capture", "--replay", str(path), str(copy)).status == 0
    kept = gzip.decompress(copy.read_bytes())
    again = run(tmp_path, "capture", "--replay", str(path), str(copy))
    assert_one_sentence(again)
    assert b"--force" in again.errors
    assert_one_sentence(run(tmp_path, "capture", "--replay", str(path), "--force", "/sys/class/capture.json"))
    assert gzip.decompress(copy.read_bytes()) == kept
