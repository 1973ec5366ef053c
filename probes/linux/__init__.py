"""The platform Linux: what it gives, and which modules ask it."""

from __future__ import annotations

from typing import Final

from probes.platforms import Platform

OFFERS: Final = {
    "functions": "PCI functions with their configuration space (past 64 bytes: root)",
    "links": "link width and speed of both ends",
    "slots": "slots by kernel name; by firmware description (root)",
    "presence": "cards detected in slots without a link (root)",
    "errors": "error counters of each function",
    "drives": "NVMe and SATA drives with model and firmware",
    "temperatures": "drive temperatures",
    "limits": "a drive's critical temperature; its warning temperature (root)",
    "health": "a drive's hours, wear, spare, error counts and firmware slots (root)",
    "names": "maker and model names, where udev has them",
    "stripes": "sets of software RAID and the drives in them",
}

PLATFORM: Final = Platform(
    module="probes.linux.collecting",
    watching="probes.linux.watch",
    offers=OFFERS,
    without={},
    read_from="the kernel's files below /sys",
    no_driver="none",
    passes_devices_through=True,
    starts_by_fork=True,
)
