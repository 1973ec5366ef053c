"""A guest: QEMU with a kernel of `kernel.image`, and commands run inside it. QEMU ends on every path."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import socket
import stat
import subprocess
import sys
import sysconfig
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import click
from msgspec import Struct

import agent
from tests.lab.kernel import image

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from types import TracebackType

# Hard limits, far above what is needed: a loaded machine must not fail a test, a stuck guest must not hold it up.
BOOT_SECONDS: Final = 180
COMMAND_SECONDS: Final = 120
END_SECONDS: Final = 20

# How a command becomes an ordinary user's: no name, no groups, no capabilities.
ORDINARY: Final = "setpriv --reuid 65534 --regid 65534 --clear-groups --inh-caps=-all --"

CHECKOUT: Final = Path(agent.__file__).resolve().parent.parent
# Where the program's libraries are; of any use only if they are not where Python looks by itself.
LIBRARIES: Final = Path(click.__file__).resolve().parent.parent
SEARCHED: Final = f"{CHECKOUT}:{LIBRARIES}"
SHARED_PACKAGES: Final = ("agent", "knowledge", "probes")


class GuestFailed(Exception):  # noqa: N818 - the guest failed, not the code
    """The guest did not boot, did not answer in time or ended too early; the text ends with its console."""


class Rack(Struct, frozen=True):
    """A machine to build. `devices` are QEMU's -device arguments, `disks` the sizes of empty disks by node name.

    `tables` are raw SMBIOS structures; `identity` are QEMU's -smbios arguments.
    """

    name: str
    machine: str = "q35"
    devices: tuple[str, ...] = ()
    disks: tuple[tuple[str, int], ...] = ()
    tables: tuple[bytes, ...] = ()
    identity: tuple[str, ...] = ()
    arguments: tuple[str, ...] = ()
    processor: str = "max"
    processors: int = 1
    memory_mib: int = 768


class Result(Struct, frozen=True):
    """What a command left: exit code, both streams, and the files it made in its working folder."""

    code: int
    stdout: str
    stderr: str
    files: dict[str, bytes]


class Guest:
    """A running guest; use as a context manager. Booting goes on in the background until the first `run`."""

    def __init__(self, rack: Rack) -> None:
        """Start the boot of `rack` (Missing where the kernel cannot be had)."""
        self.rack = rack
        self._folder = Path(tempfile.mkdtemp(prefix="lanewright-lab-"))
        self._share = self._folder / "share"
        self._share.mkdir()
        self._number = 0
        self._received = b""
        self._ready = False
        self._process: subprocess.Popen[bytes] | None = None
        self._port, port = socket.socketpair()
        self._monitor, monitor = socket.socketpair()
        self._monitor.settimeout(COMMAND_SECONDS)
        self._talk = self._monitor.makefile("rwb")
        self._greeted = False
        try:
            _write_open(self._share)
            with port, monitor, (self._folder / "emulator").open("wb") as said:
                self._process = subprocess.Popen(
                    self._command(port.fileno(), monitor.fileno()),
                    stdin=subprocess.DEVNULL,
                    stdout=said,
                    stderr=subprocess.STDOUT,
                    pass_fds=(port.fileno(), monitor.fileno()),
                )
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        """The guest itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """End QEMU."""
        self.close()

    def close(self) -> None:
        """End QEMU, gently first where it listens, and remove what was shared with it."""
        process = self._process
        try:
            if process is not None and process.poll() is None and self._ready:
                self._port.sendall(b"off\n")
                process.wait(END_SECONDS)
        except (OSError, subprocess.TimeoutExpired):
            pass
        finally:
            if process is not None:
                process.kill()
                process.wait()
            self._port.close()
            with contextlib.suppress(OSError):
                self._talk.close()
            self._monitor.close()
            shutil.rmtree(self._folder, ignore_errors=True)

    def run(
        self,
        command: str,
        *,
        ordinary: bool = False,
        files: Mapping[str, bytes] | None = None,
        seconds: float = COMMAND_SECONDS,
    ) -> Result:
        """Run a shell command as root, or as an `ordinary` user, in a folder that holds `files`.

        After `seconds` the guest is ended and GuestFailed raised.
        """
        self._wait_until_ready()
        self._number += 1
        here = self._share / str(self._number)
        (here / "in").mkdir(parents=True)
        (here / "out").mkdir()
        (here / "command").write_text(command, encoding="utf-8")
        if ordinary:
            (here / "ordinary").touch()
        for name, content in (files or {}).items():
            path = here / "in" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        self._port.sendall(b"%d\n" % self._number)
        self._expect(b"done %d" % self._number, seconds)
        out = here / "out"
        return Result(
            int((here / "code").read_text(encoding="utf-8")),
            (here / "stdout").read_text(encoding="utf-8", errors="replace"),
            (here / "stderr").read_text(encoding="utf-8", errors="replace"),
            {name: (out / name).read_bytes() for name in sorted(_files(out) - set(files or ()))},
        )

    def unplug(self, device: str) -> None:
        """Ask the guest to give up a device (its QEMU id) and wait until it is gone; takes some 6 s."""
        self._wait_until_ready()
        for told in self._told_by_monitor("device_del", id=device):
            if told.get("event") == "DEVICE_DELETED" and told["data"].get("device") == device:
                return
        raise GuestFailed(f"guest {self.rack.name} ended while it gave up {device}")

    def set_property(self, device: str, name: str, value: int) -> None:
        """Set a property of an emulated device (its QEMU id), as its emulator offers it."""
        self._wait_until_ready()
        for told in self._told_by_monitor("qom-set", path=f"/machine/peripheral/{device}", property=name, value=value):
            if "return" in told:
                return
        raise GuestFailed(f"guest {self.rack.name} ended while {name} of {device} was set")

    def _told_by_monitor(self, execute: str, **arguments: str | int) -> Iterator[dict[str, Any]]:
        """Send QEMU's monitor a command; what it says from there on, its answer among it."""
        questions: list[dict[str, Any]] = [] if self._greeted else [{"execute": "qmp_capabilities"}]
        self._greeted = True
        for question in (*questions, {"execute": execute, "arguments": arguments, "id": "asked"}):
            self._talk.write(json.dumps(question).encode() + b"\n")
        self._talk.flush()
        asked = False
        for line in self._talk:
            told = json.loads(line)
            asked = asked or told.get("id") == "asked"
            if "error" in told:
                raise GuestFailed(f"guest {self.rack.name} refused {execute} of {arguments}: {told['error']}")
            if asked or "event" in told:
                yield told

    @property
    def process(self) -> int:
        """The number of QEMU's process."""
        assert self._process is not None
        return self._process.pid

    def console(self) -> str:
        """What the kernel and QEMU said so far."""
        texts = [self._folder / name for name in ("console", "emulator")]
        return "\n".join(path.read_text(encoding="utf-8", errors="replace") for path in texts if path.is_file())

    def _wait_until_ready(self) -> None:
        if not self._ready:
            self._expect(b"ready", BOOT_SECONDS)
            self._ready = True

    def _expect(self, line: bytes, seconds: float) -> None:
        """Wait for a line from the guest; end it and raise GuestFailed when it does not come."""
        end = time.monotonic() + seconds
        while line not in self._received.splitlines():
            waited, _, _ = select.select([self._port], [], [], max(0.0, end - time.monotonic()))
            data = self._port.recv(4096) if waited else b""
            if not data:
                why = "ended too early" if waited else f"gave no answer within {seconds:g} s"
                said = self.console()
                self._ready = False
                self.close()
                raise GuestFailed(f"guest {self.rack.name} {why} (waiting for {line.decode()!r})\n{said}")
            self._received += data
        self._received = b""

    def _command(self, port: int, monitor: int) -> list[str]:
        booted = image()
        rack = self.rack
        # The kernel ends QEMU with this process, however it ends; where it had ended before that, nothing starts.
        command = ["setpriv", "--pdeathsig", "KILL", "--"]
        command += ["sh", "-c", '[ "$PPID" = "$0" ] && exec "$@"', str(os.getpid()), "qemu-system-x86_64"]
        command += ["-nodefaults", "-no-user-config", "-display", "none", "-no-reboot"]
        command += ["-machine", rack.machine, "-accel", "tcg,thread=single", "-cpu", rack.processor]
        command += ["-smp", str(rack.processors), "-m", f"{rack.memory_mib}M"]
        command += ["-kernel", str(booted.kernel), "-initrd", str(booted.initramfs)]
        # On a busy machine the emulated timer may look broken to the kernel's own check: it is left out.
        command += ["-append", "console=ttyS0 loglevel=4 panic=-1 no_timer_check rdinit=/init"]
        command += ["-serial", f"file:{self._folder / 'console'}"]
        command += ["-chardev", f"socket,id=port,fd={port}", "-serial", "chardev:port"]
        command += ["-chardev", f"socket,id=monitor,fd={monitor}", "-mon", "chardev=monitor,mode=control"]
        command += _shared("host", Path("/"), "readonly=on,multidevs=remap")
        command += _shared("share", self._share, "multidevs=remap")
        for name, size in rack.disks:
            command += ["-blockdev", f"driver=null-co,node-name={name},size={size},read-zeroes=on"]
        for device in rack.devices:
            command += ["-device", device]
        for number, table in enumerate(rack.tables):
            path = self._folder / f"table-{number}"
            path.write_bytes(table)
            command += ["-smbios", f"file={path}"]
        for identity in rack.identity:
            command += ["-smbios", identity]
        return [*command, *rack.arguments]


def _files(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file() and not path.is_symlink()}


def _shared(name: str, path: Path, more: str) -> list[str]:
    place = str(path).replace(",", ",,")  # how QEMU's option lists hold a comma
    return [
        *("-fsdev", f"local,id={name},path={place},security_model=none,{more}"),
        *("-device", f"virtio-9p-pci,fsdev={name},mount_tag={name}"),
    ]


# --- The program inside ----------------------------------------------------------------------------------------


def lanewright(arguments: str, *, under: str = "") -> str:
    """The shell words that run the program under test, by the Python that runs the tests, `under` another program."""
    return python(f"-m agent {arguments}", under=under)


def python(arguments: str, *, under: str = "") -> str:
    """The shell words that run Python itself, with the checkout's packages in reach."""
    return f"PYTHONPATH='{SEARCHED}' {under} '{sys.executable}' {arguments}"


def _write_open(share: Path) -> None:
    """Say which folders and trees the guest must open for an ordinary user, in its own layer."""
    ends = {
        *(CHECKOUT / name for name in SHARED_PACKAGES),
        LIBRARIES,
        Path(sys.prefix),
        Path(sysconfig.get_path("stdlib")),
    }
    ends |= set(_steps(Path(sys.executable)))
    folders = {parent for end in ends for parent in end.parents}
    folders |= {parent for end in ends for parent in end.resolve().parents}
    closed = sorted(str(folder) for folder in folders if folder.stat().st_mode & 0o005 != 0o005)
    (share / "open-folders").write_text("".join(f"{folder}\n" for folder in closed), encoding="utf-8")
    trees = sorted(str(end) for end in ends if end.is_dir() and any(_closed(end)))
    (share / "open-trees").write_text("".join(f"{tree}\n" for tree in trees), encoding="utf-8")


def _steps(link: Path) -> Iterator[Path]:
    """A path and everything it leads to, link by link."""
    yield link
    while link.is_symlink():
        link = link.parent / link.readlink()
        yield link


def _closed(tree: Path) -> Iterator[str]:
    """Files and folders of a tree that an ordinary user cannot read."""
    for place, _, files in os.walk(tree):
        if os.stat(place).st_mode & 0o005 != 0o005:
            yield place
        for name in files:
            mode = os.lstat(f"{place}/{name}").st_mode
            if stat.S_ISREG(mode) and not mode & 0o004:
                yield f"{place}/{name}"
