"""A live `check` only reads: its system calls hold no opening for writing, no device command but one, no new process.

The outside source is the kernel itself, through strace; names of calls and flags are those of the manual pages.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from msgspec import Struct

from tests.lab.need import cannot

if TYPE_CHECKING:
    from collections.abc import Iterable

HERE: Final = Path(__file__).resolve().parent.parent

# Calls that open, change a file system, start a process, command a device or reach another machine.
OPENING: Final = frozenset({"open", "openat", "openat2", "creat"})
STARTING: Final = frozenset({"fork", "vfork", "clone", "clone3", "execve", "execveat"})
CHANGING: Final = frozenset(
    {
        *("unlink", "unlinkat", "rename", "renameat", "renameat2", "mkdir", "mkdirat", "rmdir", "link", "linkat"),
        *("symlink", "symlinkat", "mknod", "mknodat", "truncate", "ftruncate", "fallocate", "chmod", "fchmod"),
        *("fchmodat", "chown", "fchown", "lchown", "fchownat", "setxattr", "lsetxattr", "fsetxattr", "removexattr"),
        *("utimensat", "mount", "umount2", "pwrite64", "pwritev", "connect", "sendto", "sendmsg", "bind", "kill"),
        *("ptrace", "iopl", "ioperm"),
    }
)
STRACE: Final = f"strace -f -qq -e signal=none -e trace={','.join(sorted(OPENING | STARTING | CHANGING | {'ioctl'}))}"
WRITING: Final = re.compile(r"\bO_(WRONLY|RDWR|CREAT|TRUNC|APPEND|TMPFILE)\b")
HARMLESS_TO_WRITE: Final = ('"/dev/null"', '"/dev/tty"')
# Questions to a terminal (ioctl_tty(2)); Python asks TCGETS of every file it opens as text.
TERMINAL_QUESTIONS: Final = frozenset({"TCGETS", "TIOCGWINSZ", "TIOCGPGRP"})
# include/uapi/linux/nvme_ioctl.h: _IOWR('N', 0x41, struct nvme_admin_cmd), 0xC0484E41.
DRIVE_COMMANDS: Final = frozenset({"NVME_IOCTL_ADMIN_CMD", "_IOC(_IOC_READ|_IOC_WRITE, 0x4e, 0x41, 0x48)"})
LINE: Final = re.compile(
    r"(?:\[pid +)?(?P<process>\d+)?\]? *(?P<name>\w+)\((?P<arguments>.*?)(?:\) += .*| <unfinished.*)?$"
)


class Call(Struct, frozen=True):
    """One system call as strace writes it."""

    name: str
    arguments: str


def calls(text: str) -> list[Call]:
    """The calls of a trace, in order; the second half of a call that was cut in two is left out."""
    found = (LINE.match(line) for line in text.splitlines() if "resumed>" not in line)
    return [Call(one["name"], one["arguments"]) for one in found if one is not None]


def offences(traced: Iterable[Call]) -> list[Call]:
    """The calls that a program which only reads does not make; its own start, the first `execve`, is none."""
    return [call for number, call in enumerate(traced) if (number or call.name != "execve") and _offends(call)]


def _offends(call: Call) -> bool:
    if call.name in OPENING:
        return call.name == "creat" or (
            WRITING.search(call.arguments) is not None and not any(name in call.arguments for name in HARMLESS_TO_WRITE)
        )
    if call.name == "ioctl":
        asked = call.arguments.partition(", ")[2]
        return not asked.startswith((*TERMINAL_QUESTIONS, *DRIVE_COMMANDS))
    if call.name.startswith("clone"):
        return "CLONE_THREAD" not in call.arguments
    return True


@pytest.fixture
def traced(tmp_path: Path) -> Tracer:
    """Runs Python with the given arguments under strace."""
    if shutil.which("strace") is None:
        cannot("strace is missing (Debian package strace)")
    return Tracer(tmp_path / "calls")


class Tracer:
    """Runs Python under strace and gives its exit status and calls."""

    def __init__(self, place: Path) -> None:
        """Calls are written to `place`."""
        self._place = place

    def __call__(self, *arguments: str) -> tuple[int, list[Call]]:
        """Run it; a machine that forbids tracing is no machine for this test."""
        command = [*STRACE.split(), "-o", str(self._place), sys.executable, *arguments]
        settings = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(command, cwd=HERE, env=settings, capture_output=True, text=True, check=False)
        if "PTRACE" in done.stderr:
            cannot(f"tracing is not allowed here: {done.stderr.strip()}")
        return done.returncode, calls(self._place.read_text(encoding="utf-8"))


def test_the_trace_shows_what_a_program_does(traced: Tracer, tmp_path: Path) -> None:
    """Opening for writing, starting a process, removing a file and commanding a device are seen and called offences."""
    target = tmp_path / "target"
    program = (
        "import fcntl, os, subprocess, sys\n"
        f"open({str(target)!r}, 'w').close()\n"
        "subprocess.run([sys.executable, '-c', ''])\n"
        f"os.unlink({str(target)!r})\n"
        "try: fcntl.ioctl(0, 0x4e40)\n"
        "except OSError: pass\n"
    )
    status, found = traced("-I", "-S", "-c", program)
    assert status == 0
    names = {call.name for call in offences(found)}
    assert {"openat", "execve", "unlink", "ioctl"} <= names
    assert names & {"fork", "vfork", "clone", "clone3"}


@pytest.mark.parametrize("arguments", [("check",), ("check", "--format", "json"), ("inventory",)], ids=" ".join)
def test_a_live_run_only_reads(traced: Tracer, arguments: tuple[str, ...]) -> None:
    """On this machine, whatever it is, nothing is opened for writing, commanded or started."""
    status, found = traced("-m", "agent", *arguments)
    assert status in {0, 1, 3}
    assert [] == offences(found)
    assert any("/sys/bus/pci" in call.arguments for call in found)
