"""A soak on a real kernel: what is logged of an emulated drive is what a command did to it, to the byte.

QEMU's drives are at 323 K with a warning limit of 343 K (hw/nvme/ctrl.c); hwmon shows kelvin less 273.15.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.lab.boot import Guest, lanewright
from tests.lab.kernel import Missing, missing
from tests.lab.need import cannot
from tests.lab.racks import TOWER

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.lab

MEBIBYTE: Final = 1 << 20
WRITTEN: Final = 192 * MEBIBYTE
READ: Final = 64 * MEBIBYTE
WORKED: Final = "0000:05:00.0"
BESIDE: Final = "0000:06:00.0"
# This drive is part of a subsystem, so the kernel reaches it by paths: what programs use is not what counts.
OF_PATHS: Final = "0000:01:00.0"
# dd moves whole blocks past the page cache, so the drive sees these bytes and no others.
WORK: Final = (
    f"block=/dev/$(basename /sys/bus/pci/devices/{WORKED}/nvme/nvme*/nvme*n1) && "
    "dd if=/dev/zero of=$block bs=1M count=192 oflag=direct && "
    "dd if=$block of=/dev/null bs=1M count=64 iflag=direct && sleep 1; exit 4"
)


@pytest.fixture(scope="module")
def tower() -> Iterator[Guest]:
    """The tower, booted."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    try:
        guest = Guest(TOWER)
    except Missing as problem:
        cannot(str(problem))
    with guest:
        yield guest


@pytest.fixture(scope="module")
def soaked(tower: Guest) -> tuple[int, dict[str, Any]]:
    """A soak beside a command that writes and reads known amounts: its exit status, and its JSON."""
    done = tower.run(lanewright(f"soak --log one.sqlite --format json --out soak.json -- sh -c '{WORK}'"), seconds=180)
    return done.code, json.loads(done.files["soak.json"])


def test_the_bytes_of_a_soak_are_those_of_its_command(soaked: tuple[int, dict[str, Any]]) -> None:
    """The drive that the command worked on has its bytes, exactly; the drive beside it has none."""
    status, found = soaked
    assert 4 == status
    load = {drive["address"]: drive["load"] for drive in found["drives"]}
    assert (READ, WRITTEN) == (load[WORKED]["read_bytes"], load[WORKED]["written_bytes"])
    assert (0, 0) == (load[BESIDE]["read_bytes"], load[BESIDE]["written_bytes"])


def test_the_bytes_of_a_drive_of_several_paths_are_counted(tower: Guest) -> None:
    """What a command does to a drive that the kernel reaches by paths is that drive's, to the byte, and no other's.

    The kernel's own counts before and after say on which device it counted: with Linux 6.1 on the path alone.
    """
    work = (
        f"cd /sys/bus/pci/devices/{OF_PATHS}/nvme/nvme* && number=$(basename $PWD) && number=${{number#nvme}} && "
        "path=$(basename nvme*c${number}n1) && block=/dev/${path%c*}n1 && "
        "dd if=/dev/zero of=$block bs=1M count=96 oflag=direct && "
        "dd if=$block of=/dev/null bs=1M count=32 iflag=direct && sleep 1"
    )
    soak = lanewright(f"soak --log paths.sqlite --format json --out paths.json -- sh -c '{work}'")
    done = tower.run(f"cp /proc/diskstats before; {soak}; cp /proc/diskstats after", seconds=180)
    assert 0 == done.code
    load = {drive["address"]: drive["load"] for drive in json.loads(done.files["paths.json"])["drives"]}
    assert (32 * MEBIBYTE, 96 * MEBIBYTE) == (load[OF_PATHS]["read_bytes"], load[OF_PATHS]["written_bytes"])
    for address in {WORKED, BESIDE}:
        assert (0, 0) == (load[address]["read_bytes"], load[address]["written_bytes"])
    before, after = (_written(done.files[name]) for name in ("before", "after"))
    by_device = {name: after[name] - before[name] for name in after if after[name] != before[name]}
    assert 1 == sum("c" in name for name in by_device)
    assert {96 * MEBIBYTE} == set(by_device.values())


def test_a_log_on_a_shared_file_system_is_written_and_read(tower: Guest) -> None:
    """On a 9p share of the host, where SQLite's write-ahead log cannot be, a soak is logged whole and shown."""
    soak = lanewright("soak --log $shared/a.sqlite --every 0.2s --for 3s --view none")
    show = lanewright("soak --show $shared/a.sqlite --format json --out shown.json")
    made = "shared=$(mktemp -d /.share/log.XXXXXX) && grep ' /.share 9p ' /proc/mounts"
    done = tower.run(f"{made} && {soak} && ls $shared >left && {show}", seconds=180)
    assert (0, "") == (done.code, done.stderr if done.code else "")
    assert b"a.sqlite\n" == done.files["left"]
    shown = json.loads(done.files["shown.json"])
    assert "time" == shown["end"]["reason"]
    assert shown["samples"] >= 2


def _written(diskstats: bytes) -> dict[str, int]:
    """Bytes written by device: Documentation/admin-guide/iostats.rst, field 7, sectors of 512 bytes."""
    return {line.split()[2]: int(line.split()[9]) * 512 for line in diskstats.decode("ascii").splitlines()}


def test_temperatures_and_limits_arrive(soaked: tuple[int, dict[str, Any]]) -> None:
    """All drives have the emulator's temperature and warning limit, and none is said to have throttled."""
    _, found = soaked
    assert 4 == len(found["drives"])
    for drive in found["drives"]:
        assert pytest.approx(323 - 273.15, abs=0.01) == drive["temperatures"]["most"]
        expected = {"celsius": pytest.approx(343 - 273.15, abs=0.01), "kind": "warning", "source": ""}
        assert expected == drive["limit"]
        assert drive["throttling"]["kind"] in {"none", "unknown"}
