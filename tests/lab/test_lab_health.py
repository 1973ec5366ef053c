"""What an emulated drive says of its health arrives in the guest's reports, to the bit and to the byte.

QEMU's drive (hw/nvme/ctrl.c): 323 K, no spare and no threshold (both read 0), firmware "1.0" in slot 1, data units of
1,000 blocks of 512 bytes rounded up; its property `smart_critical_warning` is byte 0 of its health log.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.lab.boot import Guest, lanewright
from tests.lab.kernel import Missing, missing
from tests.lab.need import cannot
from tests.lab.racks import PATIENT

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.lab

PROPERTY: Final = "smart_critical_warning"
# Byte 0 of log 02h and the rules that speak up: NVM Express Base, SMART / Health Information log page.
SPOKEN: Final = {
    0x01: {"drive-spare-low"},
    0x02: {"drive-heat-warning"},
    0x04: {"drive-unreliable"},
    0x08: {"drive-read-only"},
    0x10: {"drive-backup-failed"},
    0x1F: {"drive-spare-low", "drive-heat-warning", "drive-unreliable", "drive-read-only", "drive-backup-failed"},
    0x00: set(),
}
READ_BYTES: Final = 100 * 2**20
UNIT: Final = 512_000


@pytest.fixture(scope="module")
def guest() -> Iterator[Guest]:
    """A running guest with one drive."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    try:
        with Guest(PATIENT) as running:
            yield running
    except Missing as problem:
        cannot(str(problem))


def check(guest: Guest, *, ordinary: bool = False, code: int = 0) -> dict[str, Any]:
    """What `check` says in the guest."""
    done = guest.run(lanewright("check --settle 0 --format json"), ordinary=ordinary)
    assert (code, "") == (done.code, done.stderr), done.stdout
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def test_a_new_emulated_drive_is_well(guest: Guest) -> None:
    """A spare and a threshold of 0 alarm nobody; temperature, firmware slot and counters are what QEMU gives."""
    told = check(guest)
    assert [] == [one["rule"] for one in told["findings"] if one["severity"] != "ok"]
    (drive,) = told["drives"]
    health, slots = drive["health"], drive["firmware_slots"]
    assert (49.85, 69.85, []) == (health["celsius"], drive["warning_celsius"], health["warnings"])
    assert (0, 0, 0) == (health["spare_percent"], health["spare_threshold_percent"], health["used_percent"])
    assert (0, 0, 0, 0) == tuple(
        health[name] for name in ("media_errors", "unsafe_shutdowns", "warning_minutes", "power_on_hours")
    )
    assert (1, None, "1.0") == (slots["active"], slots["after_reset"], slots["revisions"][0])


@pytest.mark.parametrize("byte", SPOKEN)
def test_each_critical_warning_arrives(byte: int, guest: Guest) -> None:
    """A warning that is set in the drive while the guest runs is found, with its bit, and ends `check` with 1."""
    guest.set_property("first", PROPERTY, byte)
    told = check(guest, code=int(byte != 0))
    assert SPOKEN[byte] == {one["rule"] for one in told["findings"] if one["severity"] == "fault"}
    bits = {bit for bit in range(8) if byte >> bit & 1}
    readings = [
        reading["source"] for one in told["findings"] for reading in one["evidence"] if "page 02h" in reading["source"]
    ]
    assert {f"bit {bit}" for bit in bits} == {source.split(", ")[2].split(" (")[0] for source in readings}
    assert len(bits) == len(told["drives"][0]["health"]["warnings"])


def test_what_is_read_is_counted(guest: Guest) -> None:
    """After 100 MiB are read the drive's own count has grown by as much, to the data unit."""
    before = check(guest)["drives"][0]["health"]["read_bytes"]
    done = guest.run(f"dd if=/dev/nvme0n1 of=/dev/null bs=1M count={READ_BYTES >> 20} iflag=direct")
    assert 0 == done.code, done.stderr
    grown = check(guest)["drives"][0]["health"]["read_bytes"] - before
    assert grown % UNIT == 0
    assert abs(grown - READ_BYTES) <= UNIT


def test_an_ordinary_user_is_told_what_is_missing(guest: Guest) -> None:
    """The kernel gives log pages to the super-user only: no figure is made up, and one line says so."""
    told = check(guest, ordinary=True)
    (drive,) = told["drives"]
    assert (None, None) == (drive["health"], drive["firmware_slots"])
    (finding,) = (one for one in told["findings"] if one["rule"] == "needs-root")
    assert 1 == sum("wear" in one["source"] for one in finding["evidence"])


def test_the_inventory_tells_its_life(guest: Guest) -> None:
    """The page for people has the hours, the firmware slot and that no spare is told."""
    done = guest.run(lanewright("inventory"))
    assert (0, "") == (done.code, done.stderr)
    words = " ".join(done.stdout.split())
    assert [] == [one for one in ("powered on for 0 h", "spare not told", "1 1.0 (in use") if one not in words]
