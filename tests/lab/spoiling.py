"""Run inside a guest: runs the program again and again, each time with one reading of the kernel's made to fail.

`python spoiling.py ORDERS OUT` reads a list of orders (see `tests/lab/faults.py`, `Order`) and writes what each run
left into the folder OUT, one file an order. Errors are put in by strace, at the system calls on one path; a reading cut
short is a file that is mounted over the kernel's, in a mount namespace of its own.

Start-up is nine tenths of a run on an emulated processor, so the program's modules are imported once, and each run is a
fork of this process that calls the program's own start. Nothing of the program has run in the process that is forked.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import os
import subprocess
import sys
import time
import traceback
from pathlib import Path
from typing import Any, Final, NoReturn

from agent import cli
from tests.lab import pieces

NOBODY: Final = 65534
PATIENCE: Final = 60.0  # seconds after which a run is ended
COMMANDS: Final = (
    ("check", "--format", "json", "--settle", "0"),
    ("capture", "-", "--keep-serials", "--settle", "0"),
)
INJECTED: Final = "(INJECTED)"

# linux/sched.h, linux/mount.h, linux/prctl.h
NEW_MOUNTS: Final = 0x00020000
BIND: Final = 4096
PRIVATE_BELOW: Final = 0x40000 | 0x4000
DUMPABLE: Final = 4


def main(orders: str, out: str) -> None:
    """Carry out all orders."""
    told = json.loads(Path(orders).read_text(encoding="utf-8"))
    warm()
    os.makedirs(out, exist_ok=True)
    for number, order in enumerate(told):
        place = Path(out, f"{number}.json")
        ended(os.fork() or separate(order, place))
        if not place.exists():
            place.write_text(json.dumps({"problem": "it was not carried out"}), encoding="utf-8")


def ended(process: int) -> int:
    """The exit status of a process, once it has ended."""
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


# --- One order -------------------------------------------------------------------------------------------------


def separate(order: dict[str, Any], place: Path) -> NoReturn:
    """Carry out an order in a mount namespace of its own, and end."""
    try:
        called("unshare", NEW_MOUNTS)
        called("mount", None, b"/", None, PRIVATE_BELOW, None)
        found = carried_out(order)
    except Exception:  # noqa: BLE001 - whatever goes wrong here is told to the test
        found = {"problem": traceback.format_exc()}
    place.write_text(json.dumps(found), encoding="utf-8")
    os._exit(0)


def called(name: str, *arguments: int | bytes | None) -> None:
    """Call a function of the C library that gives 0 if all went well (OSError)."""
    library = ctypes.CDLL(None, use_errno=True)
    if getattr(library, name)(*arguments):
        code = ctypes.get_errno()
        raise OSError(code, f"{name} of {arguments}: {os.strerror(code)}")


def carried_out(order: dict[str, Any]) -> dict[str, Any]:
    """Do what an order says: cover files, then run the program, with an error at some system calls."""
    places = names_of(order["drive"])
    for path, file in order["shown"].items():
        bound(file, filled(path, places))
    path = filled(order["path"], places)
    served = covered(order, path)
    start = time.monotonic()
    runs, trace = run_all(order, path)
    seconds = time.monotonic() - start
    found = {
        "names": places,
        "runs": runs,
        "seconds": seconds,
        "injected": [line for line in trace if INJECTED in line],
    }
    return found if served is None else {**found, "served": served.end()}


def bound(file: str, path: str) -> None:
    """Mount a file of this folder over another."""
    called("mount", os.path.abspath(file).encode(), path.encode(), None, BIND, None)


def names_of(address: str) -> dict[str, str]:
    """What the kernel calls the drive at an address, its sensor and its slot this time: the numbers depend on luck."""
    found = {}
    for word, folder in (("drive", "/sys/class/nvme"), ("sensor", "/sys/class/hwmon")):
        there = [name for name in os.listdir(folder) if f"/{address}/" in os.readlink(f"{folder}/{name}")]
        (found[word],) = there
    slots = Path("/sys/bus/pci/slots")
    told = {one.name: (one / "address").read_text(encoding="ascii").strip() for one in slots.iterdir()}
    (found["slot"],) = (name for name, place in told.items() if place == address.rpartition(".")[0])
    return found


def filled(path: str, places: dict[str, str]) -> str:
    """A path with the kernel's names in place of {drive}, {sensor} and {slot}."""
    return path.format(**places)


def covered(order: dict[str, Any], path: str) -> pieces.Served | None:
    """Put another file over the one to be spoilt, if the order says so: cut short, or one that is served."""
    if order["cut"] is not None:
        Path("cut").write_bytes(Path(path).read_bytes()[: order["cut"]])
        bound("cut", path)
    if order["served"] is None:
        return None
    return pieces.cover(path, Path(path).read_bytes(), pieces.Fault(**order["served"]))


# --- Runs ------------------------------------------------------------------------------------------------------


def run_all(order: dict[str, Any], path: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Run every command for the user of an order, under strace if an error is to be put in."""
    waiting, go = os.pipe()
    worker = os.fork()
    if worker == 0:
        os.setsid()
        os.close(go)
        os.read(waiting, 1)
        for number in order["commands"]:
            code = run(order, number)
            Path(f"code-{number}").write_text(json.dumps(code), encoding="utf-8")
        os._exit(0)
    os.close(waiting)
    tracer = attached(order, path, worker) if order["calls"] else None
    os.close(go)
    ended(worker)
    trace = []
    if tracer is not None:
        tracer.wait()
        trace = Path("trace").read_text(encoding="utf-8", errors="replace").splitlines()
    return [left(number) for number in order["commands"]], trace


def attached(order: dict[str, Any], path: str, worker: int) -> subprocess.Popen[bytes]:
    """A strace that puts the error in, once it has taken hold of the process."""
    calls = ",".join(order["calls"])
    fault = f"inject={calls}:error={order['error']}" + (f":when={order['when']}" if order["when"] else "")
    command = ["strace", "-f", "-o", "trace", "-P", path, "-e", f"trace={calls}", "-e", fault, "-p", str(worker)]
    tracer = subprocess.Popen(command, stderr=subprocess.PIPE)
    assert tracer.stderr is not None
    said = []
    for line in tracer.stderr:
        said.append(line.decode())
        if line.rstrip().endswith(b"attached"):
            return tracer
    raise RuntimeError("".join(said))


def left(number: int) -> dict[str, Any]:
    """What the run of a command left."""
    texts = [Path(f"{name}-{number}").read_text(encoding="utf-8", errors="replace") for name in ("out", "err", "code")]
    return {"out": texts[0], "err": texts[1], "code": json.loads(texts[2])}


def run(order: dict[str, Any], number: int) -> int | None:
    """The exit status of one run; None where it had to be ended."""
    process = os.fork()
    if process == 0:
        os.setpgid(0, 0)
        program(order, number)
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        done, status = os.waitpid(process, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.kill(process, 9)
    os.waitpid(process, 0)
    return None


def program(order: dict[str, Any], number: int) -> NoReturn:
    """Become the program: with its streams, its user and its words."""
    for stream, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(f"{name}-{number}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    if order["ordinary"]:
        os.setgroups([])
        os.setresgid(NOBODY, NOBODY, NOBODY)
        os.setresuid(NOBODY, NOBODY, NOBODY)
        called("prctl", DUMPABLE, 1, 0, 0, 0)  # as any process is that was started by this user
    if order["cold"]:
        os.execv(sys.executable, [sys.executable, "-m", "agent", *COMMANDS[number]])  # noqa: S606 - the program itself
    os._exit(started(COMMANDS[number]))


def started(command: tuple[str, ...]) -> int:
    """The exit status of the program's own start, with what the interpreter does at the end."""
    sys.argv = ["lanewright", *command]
    code = 1
    try:
        cli.start()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:  # noqa: BLE001 - as the interpreter does
        traceback.print_exc()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    return code


# --- Start-up --------------------------------------------------------------------------------------------------


def warm() -> None:
    """Import what a run imports, found out by one run in a process of its own."""
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        for command in COMMANDS:
            started(command)
        os.write(writing, "\n".join(sys.modules).encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as told:
        wanted = told.read().splitlines()
    ended(process)
    for name in wanted:
        if name.partition(".")[0] != "pyudev":  # it looks for the C library by other programs; ours knows better
            importlib.import_module(name)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
