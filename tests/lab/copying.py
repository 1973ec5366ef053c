"""Run inside a guest: copies what its kernel tells of PCI devices, drives and firmware to files below a folder.

`python copying.py FOLDER`. Files that a mere read would change, wake or make huge are left out. Uses nothing of ours.
"""

from __future__ import annotations

import os
import sys
from typing import Final

TREES: Final = (
    "/sys/bus/pci",
    "/sys/block",
    "/sys/class/dmi",
    "/sys/class/hwmon",
    "/sys/class/nvme",
    "/sys/devices/pci0000:00",
    "/sys/devices/virtual/dmi",
    "/sys/firmware/dmi/tables",
)
FILES: Final = ("/proc/cpuinfo", "/proc/uptime", "/proc/sys/kernel/hostname", "/proc/sys/kernel/osrelease")
# Memory and option ROMs of devices, switches that act on a read or need not be there, and folders without end.
LEFT_OUT: Final = ("resource", "rom", "vpd", "reset", "remove", "rescan", "bind", "unbind", "new_id", "drivers_")
FOLDERS_LEFT_OUT: Final = {"drivers", "power", "msi_irqs", "queue", "mq", "net", "trace", "integrity", "holders"}
LIMIT: Final = 1 << 20


def main(folder: str) -> None:
    """Copy everything below `folder`."""
    for tree in TREES:
        for place, names, files in os.walk(tree):
            os.makedirs(folder + place, exist_ok=True)
            for name in (*names, *files):
                if os.path.islink(f"{place}/{name}"):
                    os.symlink(os.readlink(f"{place}/{name}"), f"{folder}{place}/{name}")
                elif name in files and not name.startswith(LEFT_OUT):
                    copy(f"{place}/{name}", folder)
            names[:] = [name for name in names if name not in FOLDERS_LEFT_OUT]
    for path in FILES:
        os.makedirs(os.path.dirname(folder + path), exist_ok=True)
        copy(path, folder)


def copy(path: str, folder: str) -> None:
    """Copy one file, if it can be read."""
    try:
        with open(path, "rb", buffering=0) as source:
            data = source.read(LIMIT)
    except OSError:
        return
    with open(folder + path, "wb") as target:
        target.write(data or b"")


if __name__ == "__main__":
    main(sys.argv[1])
