"""The guest's kernel and first file system: fetched with apt, unpacked into a cache folder, never installed."""

from __future__ import annotations

import lzma
import os
import platform
import shutil
import struct
import subprocess
import tempfile
import zlib
from functools import cache
from pathlib import Path
from typing import Final

from msgspec import Struct

# Debian's package without a version: it depends on the one that holds the kernel.
PACKAGE: Final = "linux-image-amd64"
NAMED: Final = "linux-image-"
FETCH_SECONDS: Final = 300

# In the order of need: the way to the host's files first, then the devices whose drivers the lab wants to see at work.
MODULES: Final = (
    *("virtio_pci", "9pnet_virtio", "9p", "overlay"),
    *("nvme", "e1000e", "virtio_net", "ahci", "sd_mod", "raid0", "aer_inject", "fuse"),
)
INIT: Final = Path(__file__).with_name("init.sh")

# Programs of the host and Debian's package for each; all but the first three are run inside the guest.
TOOLS: Final = {
    "qemu-system-x86_64": "qemu-system-x86",
    "apt-get": "apt",
    "dpkg": "dpkg",
    "setpriv": "util-linux",
    "unshare": "util-linux",
    "mount": "mount",
    "strace": "strace",
    "udevadm": "udev",
}
BUSYBOX: Final = ("/bin/busybox", "/usr/bin/busybox")

# Documentation/x86/boot.rst: setup sectors, magic, offset and length of the compressed payload.
SETUP_SECTORS: Final = 0x1F1
HEADER_MAGIC: Final = 0x202
PAYLOAD: Final = 0x248
SECTOR: Final = 512


class Missing(Exception):  # noqa: N818 - it says that a tool is missing, not that the code erred
    """The lab cannot run here; the text says why."""


class Image(Struct, frozen=True):
    """What QEMU boots: an uncompressed kernel and a first file system."""

    kernel: Path
    initramfs: Path


def cache_folder() -> Path:
    """The folder for the kernel package and what is made of it."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "lanewright-lab"


def missing() -> str | None:
    """Why the lab cannot run here, or None; the kernel's absence shows only in `image`."""
    if platform.machine() != "x86_64":
        return "the lab boots an x86-64 kernel and shares this machine's files with it"
    for tool, package in TOOLS.items():
        if shutil.which(tool) is None:
            return f"{tool} is missing (Debian package {package})"
    if _busybox() is None:
        return "a static busybox is missing (Debian package busybox-static)"
    return None


def _busybox() -> Path | None:
    """A busybox that runs without any library: it names no interpreter."""
    for name in BUSYBOX:
        path = Path(name)
        if path.is_file() and b"/ld-linux" not in path.read_bytes()[:4096]:
            return path
    return None


@cache
def image() -> Image:
    """The kernel and its first file system, made where they are not in the cache yet (Missing if that fails)."""
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    package = _package(folder)
    kernel = folder / f"{package.stem}.vmlinux"
    modules = folder / f"{package.stem}.{zlib.crc32(' '.join(MODULES).encode()):08x}.modules"
    if not kernel.is_file() or not modules.is_dir():
        _unpack(package, kernel, modules)
    busybox = _busybox()
    assert busybox is not None
    initramfs = modules.with_suffix(".initramfs")
    new = initramfs.with_suffix(f".{os.getpid()}")
    new.write_bytes(first_files(busybox, modules))
    new.replace(initramfs)
    return Image(kernel, initramfs)


def _package(folder: Path) -> Path:
    """The kernel package in the cache, fetched if none is there."""
    found = sorted(folder.glob(f"{NAMED}*.deb"))
    if found:
        return found[-1]
    told = _run("apt-cache", "depends", "--important", PACKAGE)
    names = [word for word in told.split() if word.startswith(NAMED) and word != PACKAGE]
    if not names:
        raise Missing(f"apt knows no package that {PACKAGE} depends on; apt-get update may help")
    with tempfile.TemporaryDirectory(dir=folder) as place:
        _run("apt-get", "download", "-q", names[0], folder=Path(place))
        fetched = next(Path(place).glob("*.deb"))
        return fetched.replace(folder / fetched.name)


def _unpack(package: Path, kernel: Path, modules: Path) -> None:
    """Take the kernel and the modules that the lab loads out of the package."""
    with tempfile.TemporaryDirectory(dir=package.parent) as place:
        _run("dpkg", "-x", str(package), place)
        compressed = next(Path(place, "boot").glob("vmlinuz-*"))
        whole = Path(place, "vmlinux")
        whole.write_bytes(uncompressed(compressed.read_bytes()))
        few = Path(place, "modules")
        few.mkdir()
        for number, path in enumerate(_in_order(Path(place, "lib/modules"))):
            shutil.copyfile(path, few / f"{number:02}-{path.name}")
        whole.replace(kernel)
        if not modules.is_dir():
            few.rename(modules)


def _run(*command: str, folder: Path | None = None) -> str:
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=FETCH_SECONDS,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        raise Missing(f"{command[0]} gave no answer within {FETCH_SECONDS} s") from None
    if done.returncode:
        raise Missing(f"{' '.join(command)} failed: {done.stderr.strip()}")
    return done.stdout


def uncompressed(kernel: bytes) -> bytes:
    """The kernel proper out of a bootable kernel file. Source: Documentation/x86/boot.rst, payload_offset."""
    if kernel[HEADER_MAGIC : HEADER_MAGIC + 4] != b"HdrS":
        raise Missing("the kernel package holds no kernel for this boot protocol")
    offset, length = struct.unpack_from("<II", kernel, PAYLOAD)
    start = (kernel[SETUP_SECTORS] + 1) * SECTOR + offset
    # The last four bytes are the size; the decompressor stops before them by itself.
    return lzma.LZMADecompressor().decompress(kernel[start : start + length])


def _in_order(place: Path) -> list[Path]:
    """The files of `MODULES` and of all they depend on, each after what it needs."""
    files = {path.name.partition(".")[0].replace("-", "_"): path for path in place.rglob("*.ko*")}
    found: dict[str, Path] = {}

    def add(name: str) -> None:
        if name in found or name not in files:  # what is not a file is built in
            return
        for needed in _needs(files[name]):
            add(needed)
        found[name] = files[name]

    for name in MODULES:
        add(name)
    return list(found.values())


def _needs(module: Path) -> list[str]:
    """What a module says it depends on (its section .modinfo holds NUL-ended texts, one of them "depends=a,b")."""
    data = module.read_bytes()
    start = data.index(b"\0depends=") + len(b"\0depends=")
    names = data[start : data.index(b"\0", start)].decode()
    return [name.replace("-", "_") for name in names.split(",") if name]


# --- The first file system -------------------------------------------------------------------------------------


def first_files(busybox: Path, modules: Path) -> bytes:
    """An archive of busybox, the modules and the first program, as the kernel unpacks it."""
    parts = [_folder(name) for name in ("bin", "modules", "proc", "sys", "dev", "shm", "share", "host", "above", "new")]
    parts += [_file("init", 0o755, INIT.read_bytes()), _file("bin/busybox", 0o755, busybox.read_bytes())]
    parts += [_file(f"modules/{path.name}", 0o644, path.read_bytes()) for path in sorted(modules.iterdir())]
    return b"".join([*parts, _entry("TRAILER!!!", 0, b"")])


def _folder(name: str) -> bytes:
    return _entry(name, 0o040755, b"")


def _file(name: str, mode: int, data: bytes) -> bytes:
    return _entry(name, 0o100000 | mode, data)


def _entry(name: str, mode: int, data: bytes) -> bytes:
    """One entry. Source: Documentation/driver-api/early-userspace/buffer-format.rst ("newc")."""
    path = name.encode() + b"\0"
    numbers = (0, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(path), 0)
    head = b"070701" + b"".join(b"%08X" % number for number in numbers) + path
    return _even(head) + _even(data)


def _even(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
