"""The platform Darwin: what it gives, what it cannot, and which modules ask it."""

from __future__ import annotations

from typing import Final

from probes.platforms import Platform

_NOT_ASKED: Final = "drives give these through plug-ins of the system, which are not asked"

OFFERS: Final = {
    "functions": "PCI functions with identity and the registers of their links",
    "links": "link width and speed of both ends; how current they are differs by release",
    "slots": "slots by the firmware's name, where it gives one",
    "presence": "cards detected in slots without a link (from 10.9 on)",
    "drives": "NVMe and SATA drives with model and firmware",
    "names": "model names, where firmware or driver give them",
}
WITHOUT: Final = {
    "configuration space": "the I/O Registry holds single registers of it alone",
    "errors": "error counters are not in the I/O Registry",
    "temperatures": _NOT_ASKED,
    "limits": _NOT_ASKED,
    "health": _NOT_ASKED,
    "stripes": "sets of software RAID are not looked for here",
}

PLATFORM: Final = Platform(
    module="probes.darwin.collecting",
    offers=OFFERS,
    without=WITHOUT,
    read_from="the registry of devices that the system keeps",
    not_followed="this platform gives no temperatures, and neither the rates of drives nor the state of links for as"
    " long as they work",
    by_programs=True,
    setup_place="In the firmware setup, where this machine has one",
)
