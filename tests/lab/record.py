"""Records guests of the lab as fixture folders: `python -m tests.lab.record OUTDIR`.

Each folder holds the capture and its `about.toml`, which says how it was made and, by hand, what is to be found in it.
A capture is what `lanewright capture` wrote inside the guest. One thing is changed afterwards: the emulator's and the
processor maker's own names, which no option changes, are replaced by invented ones of the same length.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from tests.lab.boot import Guest, lanewright
from tests.lab.edits import End, configurations, run_shown
from tests.lab.racks import BENCH

if TYPE_CHECKING:
    from collections.abc import Iterator

INVENTED: Final = {"QEMU NVMe Ctrl": "Reel Store One", "AuthenticAMD": "HarrowLaneAr"}
UNWANTED: Final = ("QEMU", "SeaBIOS", "AMD", "Bochs", "Red Hat")
NAME: Final = "drive.json"


class Recording(Struct, frozen=True):
    """One guest to record: the folder's name, the ends shown in place of the real ones, and its `about.toml`."""

    folder: str
    ends: tuple[End, ...]
    about: str


ONE_DRIVE: Final = Recording(
    "lab-one-drive",
    (),
    '''\
story = """
A guest of the emulated lab with one root port, PCIE1, and one NVMe drive in it: a real kernel on hardware that
software emulates. What an emulated drive says of its link is made up, and nothing is at fault.
Made by: python -m tests.lab.record OUTDIR (rack BENCH, as root). The emulator's names are replaced by invented ones.
"""
origin = "emulated lab"
# Exactly the rules that speak up (severity above ok).
rules = []
exit = 0
# What a person who knows the machine would say of it.
expect = ["An emulated drive at 49.9 degrees Celsius in PCIE1; its link says nothing of lanes."]

# Every link, by the address of its card, or of its port where nothing answers.
[links]
"0000:01:00.0" = "virtual"

# Slots by port.
[slots]
"0000:00:04.0" = "PCIE1"
''',
)

NARROWED: Final = Recording(
    "lab-narrowed",
    (
        End("0000:00:04.0", can=(3, 4), now=(3, 2), target=3),
        End("0000:01:00.0", can=(3, 4), now=(3, 2)),
    ),
    '''\
story = """
The guest of lab-one-drive, its kernel showing a link that both ends can run at 8 GT/s x4 and that runs with two lanes.
Emulated links do not train, so copies of the configuration space and of the link attributes of port and drive, with
these values, were bind-mounted over the real ones while it was recorded.
Made by: python -m tests.lab.record OUTDIR (rack BENCH, as root). The emulator's names are replaced by invented ones.
"""
origin = "emulated lab"
# Exactly the rules that speak up (severity above ok).
rules = ["link-narrow"]
exit = 1
# What a person who knows the machine would say of it.
expect = ["The drive in PCIE1 runs with 2 of 4 lanes, look after look: reseat, clean. Half of 3,938 MB/s is lost."]

# Every link, by the address of its card, or of its port where nothing answers.
[links]
"0000:01:00.0" = "narrow"

# Slots by port.
[slots]
"0000:00:04.0" = "PCIE1"
''',
)


def main(place: Path) -> None:
    """Record both below `place`; nothing is written if a recording fails."""
    with Guest(BENCH) as guest:
        recorded = list(recordings(guest))
    for folder, files in recorded:
        (place / folder).mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (place / folder / name).write_bytes(content)


def recordings(guest: Guest) -> Iterator[tuple[str, dict[str, bytes]]]:
    """Folder name and files of each recording of a guest of the rack BENCH."""
    configs = configurations(guest)
    for wanted in (ONE_DRIVE, NARROWED):
        result = run_shown(guest, wanted.ends, configs, lanewright(f"capture {NAME} --settle 1"))
        if result.code:
            raise RuntimeError(f"the guest recorded nothing: {result.stderr}")
        yield wanted.folder, {"capture.json": neutral(result.files[NAME]), "about.toml": wanted.about.encode()}


def neutral(capture: bytes) -> bytes:
    """The capture without the emulator's names, as text or as bytes; ValueError if one is left."""
    for name, invented in INVENTED.items():
        capture = capture.replace(name.encode(), invented.encode())
        capture = capture.replace(name.encode().hex().encode(), invented.encode().hex().encode())
    left = [name for name in UNWANTED if name.encode() in capture or name.encode().hex().encode() in capture]
    if left:
        raise ValueError(f"the capture still names {', '.join(left)}")
    return capture


if __name__ == "__main__":
    main(Path(sys.argv[1]))
