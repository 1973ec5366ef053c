"""What is fuzzed: each target takes any bytes and may raise a Problem, which is a sentence, and nothing else."""

from __future__ import annotations

import contextlib
import os
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.audit import audit
from agent.notebook import note_files
from agent.report import data as forms
from agent.report import inventory_text, markdown, text
from agent.sheets import reading
from agent.soak.analysis import analyse
from knowledge.problems import Problem
from probes import collect, soaklog
from probes.capture import encode, parse, recorded
from probes.reads import Recorded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from probes.capture import Capture
    from probes.reads import Answer

HERE: Final = Path(__file__).resolve().parent
FIXTURES: Final = HERE.parent.parent / "fixtures"
CORPUS: Final = HERE / "corpus"
LINUX: Final = "lab-one-drive"
DARWIN: Final = "tower-2-narrow-drive"
DMI: Final = "bytes /sys/firmware/dmi/tables/DMI"
NARROW: Final = 60  # columns


class Target(Struct, frozen=True):
    """What is done with bytes, and with which ones it begins."""

    run: Callable[[bytes], None]
    seeds: Callable[[], Iterable[bytes]]


@cache
def machine(name: str) -> Capture:
    """A machine of the fixtures."""
    return parse((FIXTURES / name / "capture.json").read_bytes(), name)


def shown(answers: Mapping[str, Answer], platform: str) -> None:
    """Judge what was answered, and show it in each form."""
    found = audit(collect(Recorded(answers, platform), (), machine(LINUX).taken_at))
    for page in (text.check, text.whole, inventory_text.inventory):
        assert page(found, NARROW, "fuzzed").lines
    assert forms.encode(forms.check(found))
    assert markdown.check(found, "fuzzed")


def replaced(name: str, key: str, answer: Answer) -> tuple[dict[str, Answer], str]:
    """A machine of which one answer is another."""
    seen = machine(name)
    return {**seen.reads, key: answer}, seen.platform


def keys(name: str, begin: str, end: str = "") -> list[str]:
    """The questions of a machine whose keys begin and end so, in order."""
    return sorted(key for key in machine(name).reads if key.startswith(begin) and key.endswith(end))


def chosen(places: list[str], data: bytes) -> tuple[str, bytes]:
    """A place by the first byte, and what is left for it."""
    return places[data[0] % len(places)], data[1:]


def by_place(places: list[str], name: str) -> Iterable[bytes]:
    """The answers of a machine at some places, each with its place before it."""
    for number, key in enumerate(places[:256]):
        answer = machine(name).reads[key]
        if isinstance(answer, str | bytes):
            yield bytes([number]) + (answer if isinstance(answer, bytes) else answer.encode())


# --- Targets ---------------------------------------------------------------------------------------------------


def space(data: bytes) -> None:
    """The configuration space of a function."""
    if data:
        key, rest = chosen(keys(LINUX, "bytes ", "/config"), data)
        shown(*replaced(LINUX, key, rest))


def firmware(data: bytes) -> None:
    """The firmware's table of the machine (System Management BIOS)."""
    shown(*replaced(LINUX, DMI, data))


def words(data: bytes) -> None:
    """A small text file of the kernel."""
    if data:
        key, rest = chosen(keys(LINUX, "text "), data)
        shown(*replaced(LINUX, key, rest.decode("utf-8", "replace").rstrip()))


def registry(data: bytes) -> None:
    """A list of the registry's printer."""
    if data:
        key, rest = chosen(keys(DARWIN, "registry "), data)
        shown(*replaced(DARWIN, key, _as_printed(rest)))


def _as_printed(data: bytes) -> str | bytes:
    try:
        return data.decode()
    except UnicodeDecodeError:
        return data


def capture(data: bytes) -> None:
    """A capture's file."""
    seen = parse(data, "fuzzed")
    first, looks = recorded(seen)
    found = audit(collect(first, looks, seen.taken_at))
    assert forms.encode(forms.check(found))


def log(data: bytes) -> None:
    """The log of a soak."""
    handle, name = tempfile.mkstemp(dir="/dev/shm" if os.path.isdir("/dev/shm") else None)  # noqa: S108 - in memory
    try:
        os.write(handle, data)
        os.close(handle)
        assert analyse(soaklog.read(name)).seconds >= 0.0
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            with contextlib.suppress(OSError):
                os.unlink(name + ending)


def sheet(data: bytes) -> None:
    """A build sheet."""
    reading.parse(data.decode("utf-8", "replace"), "fuzzed")


def note(data: bytes) -> None:
    """A file of field notes."""
    note_files.parsed(data.decode("utf-8", "replace"), "fuzzed")


def redaction(data: bytes) -> None:
    """Redaction of any answer: it ends, what it makes can be read, and doing it again changes nothing."""
    if not data:
        return
    platform = (LINUX, DARWIN)[data[0] % 2]
    key, rest = chosen(keys(platform, ""), data[1:] or b"\0")
    reads, system = replaced(
        platform, key, rest if key.startswith(("bytes ", "nvme ")) else rest.decode("utf-8", "replace")
    )
    once = _redacted(reads, system)
    assert once == _redacted(parse(once, "fuzzed").reads, system), "redacting twice is not redacting once"


def _redacted(reads: Mapping[str, Answer], platform: str) -> bytes:
    return encode(
        platform=platform,
        taken_at=machine(LINUX).taken_at,
        agent="0",
        answers=reads,
        samples=(),
        keep_serials=False,
    )


# --- Seeds -----------------------------------------------------------------------------------------------------


def _tables() -> Iterable[bytes]:
    for folder in sorted(FIXTURES.iterdir()):
        if (folder / "capture.json").exists():
            found = machine(folder.name).reads.get(DMI)
            if isinstance(found, bytes):
                yield found


def _files(pattern: str) -> Callable[[], Iterable[bytes]]:
    return lambda: [path.read_bytes() for path in sorted(FIXTURES.glob(pattern))]


def _logs() -> Iterable[bytes]:
    from tests.test_written_files import log_file

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "log.sqlite"
        log_file(place)
        yield place.read_bytes()


def _notes() -> Iterable[bytes]:
    folder = HERE.parent.parent / "knowledge" / "notes"
    return [path.read_bytes() for path in sorted(folder.rglob("*.toml"))]


def _redactions() -> Iterable[bytes]:
    for number, name in enumerate((LINUX, DARWIN)):
        for seed in by_place(keys(name, ""), name):
            yield bytes([number]) + seed


TARGETS: Final = {
    "space": Target(space, lambda: by_place(keys(LINUX, "bytes ", "/config"), LINUX)),
    "firmware": Target(firmware, _tables),
    "words": Target(words, lambda: by_place(keys(LINUX, "text "), LINUX)),
    "registry": Target(registry, lambda: by_place(keys(DARWIN, "registry "), DARWIN)),
    "capture": Target(capture, _files("lab-*/capture.json")),
    "log": Target(log, _logs),
    "sheet": Target(sheet, _files("sheets/*.toml")),
    "note": Target(note, _notes),
    "redaction": Target(redaction, _redactions),
}


def tried(name: str, data: bytes) -> str:
    """What a target says of bytes: the sentence of a Problem, or nothing."""
    try:
        TARGETS[name].run(data)
    except Problem as problem:
        return str(problem)
    return ""
