"""A check of a Darwin machine with a registry of 3 MB and 200 functions against bare imports of its libraries.

The machine is invented: carriers with a switch and four drives, display cards, network cards, conventional functions.
Every function has many keys that the probe has no use for, and a tree of drivers with headers alone below it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from probes.capture import encode
from tests.bench.measure import LANEWRIGHT, compare, process, side_by_side
from tests.build import AGENT, MOMENT
from tests.registry import Release, Tower, functions, pci_entry
from tests.registry_entries import Entry, number_entries, subtrees, walk
from tests.registry_machines import conventional, disk, display, downstream, gigabit, reel, root_port, upstream

if TYPE_CHECKING:
    from tests.registry import Pci
    from tests.registry_entries import Properties

CHECK: Final = "check --replay, registry of 3 MB"
LIBRARIES: Final = "import click, rich.console, rich.table, plistlib"
GOAL: Final = 2.2

CARRIERS, DISPLAYS, NETWORKS, OTHERS = 4, 10, 40, 50  # cards; with their ports these are 200 functions
FUNCTIONS: Final = 200
HEADERS: Final = 6  # entries below a function that is no bridge, beside those of its drive
KEYS: Final = 48  # of a function, that the probe has no use for
LEAST_BYTES: Final = 3_000_000


def cards() -> list[Pci]:
    """What the ports of the one host bridge hold, and the conventional functions beside them."""
    found = []
    bus = 1
    for number in range(CARRIERS):
        ports = []
        for port in range(4):
            one = disk(4 * number + port, "Ostrayne Reel 3 2TB", f"RL3-{number}{port}")
            below = [reel((bus + 2 + port, 0, 0), (3, 4), one)]
            ports.append(downstream((bus + 1, port, 0), (3, 4), bus + 2 + port, below))
        card = upstream((bus, 0, 0), (3, 16), (bus + 1, bus + 5), ports)
        found.append(root_port((0, number, 0), f"RP{number:02}", (3, 16), (bus, bus + 5), [card], slot=number + 1))
        bus += 6
    for number in range(DISPLAYS):
        place = (0, 10 + number, 0)
        found.append(root_port(place, f"GP{number:02}", (3, 16), (bus, bus), display(bus, (3, 16)), slot=20 + number))
        bus += 1
    for number in range(NETWORKS):
        below = [gigabit((bus, 0, 0))]
        found.append(root_port((0, 20 + number // 8, number % 8), f"NP{number:02}", (3, 4), (bus, bus), below))
        bus += 1
    found += [conventional((0, 25 + number // 8, number % 8), f"DV{number:02}", 0x088000) for number in range(OTHERS)]
    return found


def unrelated(number: int) -> Properties:
    """Keys of a function that tell nothing of its link: windows of memory, interrupts, words of its drivers."""
    told: Properties = {
        "IOPowerManagement": {"CurrentPowerState": 2, "MaxPowerState": 3, "ChildrenPowerState": 2},
        "IODeviceMemory": [[{"address": 0x9000_0000 + one * 0x1_0000, "length": 0x1_0000}] for one in range(4)],
        "IOInterruptSpecifiers": [bytes((number % 256, one, 0, 0, 7, 0, 1, 0)) for one in range(3)],
        "IOInterruptControllers": [f"IOPCIMessagedInterruptController{one}" for one in range(3)],
        "assigned-addresses": bytes(100),
        "ranges": bytes(range(96)),
    }
    for one in range(KEYS):
        name = f"driver-word-{one:02}"
        told[name] = (number * one, f"trait {one} of function {number}", bytes((one,) * 12), one % 2 == 0)[one % 4]
    return told


def headers(number: int) -> list[Entry]:
    """A tree of drivers below a function."""
    made: list[Entry] = []
    for one in range(HEADERS):
        leaf = Entry(name=f"interest-{one}", kind="HarrowDriverInterest")
        made = [
            Entry(name=f"driver-{number}-{one}", kind=f"HarrowDriver{one}", location=f"{one:x}", children=[leaf, *made])
        ]
    return made


def answers() -> dict[str, str]:
    """What the registry printer would give."""
    tower = Tower(release=Release(kernel="22.6.0"), model="Grading tower 9A", bridges=[cards()])
    entries = [pci_entry(one, tower.release) for one in tower.bridges[0]]
    found = [entry for entry in walk(entries) if entry.isa("IOPCIDevice")]
    assert len(found) == FUNCTIONS == len(list(functions(tower)))
    for number, entry in enumerate(found):
        entry.properties |= unrelated(number)
        entry.children += headers(number)
    number_entries(entries)
    tower.bridges = []
    return {
        **tower.answers(),
        "pci": subtrees(entries, lambda entry: entry.isa("IOPCIDevice")),
        "drives": subtrees(entries, lambda entry: entry.isa("IOBlockStorageDevice"), everything=True),
        "controllers": subtrees(entries, lambda entry: "NVMe Revision Supported" in entry.properties, depth=1),
    }


def capture() -> bytes:
    """The capture of that machine."""
    told = {f"registry {name}": answer for name, answer in answers().items()}
    assert len(told["registry pci"]) >= LEAST_BYTES
    return encode(platform="darwin", taken_at=MOMENT, agent=AGENT, answers=told, samples=(), keep_serials=True)


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.json"
        path.write_bytes(capture())
        subjects = {
            CHECK: process(*LANEWRIGHT, "check", "--replay", str(path), statuses=(0, 1)),
            LIBRARIES: process("-c", LIBRARIES),
        }
        compare(side_by_side(subjects), CHECK, LIBRARIES, GOAL)


if __name__ == "__main__":
    main()
