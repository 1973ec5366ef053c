"""Class codes of PCI functions in plain words.

Source: PCI Code and ID Assignment Specification (class, sub-class, interface); the words are ours.
"""

from __future__ import annotations

from typing import Final

# Class and sub-class; the interface matters only where it is listed in INTERFACES.
KINDS: Final[dict[int, str]] = {
    0x0000: "older device",
    0x0100: "SCSI controller",
    0x0101: "IDE controller",
    0x0104: "RAID controller",
    0x0106: "SATA controller",
    0x0107: "SAS controller",
    0x0108: "solid-state drive",
    0x0180: "storage controller",
    0x0200: "network card",
    0x0207: "InfiniBand card",
    0x0280: "network controller",
    0x0300: "display card",
    0x0302: "3D processor",
    0x0380: "display controller",
    0x0400: "video capture card",
    0x0401: "sound card",
    0x0403: "sound device",
    0x0480: "multimedia device",
    0x0500: "memory",
    0x0580: "memory controller",
    0x0600: "host bridge",
    0x0601: "ISA bridge",
    0x0604: "PCI bridge",
    0x0607: "CardBus bridge",
    0x0680: "bridge",
    0x0700: "serial port",
    0x0780: "communication controller",
    0x0800: "interrupt controller",
    0x0805: "card reader",
    0x0806: "IOMMU",
    0x0807: "event collector",
    0x0880: "system device",
    0x0C00: "FireWire controller",
    0x0C03: "USB controller",
    0x0C05: "SMBus controller",
    0x0D80: "wireless controller",
    0x1000: "encryption device",
    0x1080: "encryption controller",
    0x1101: "performance counters",
    0x1180: "signal processor",
    0x1200: "processing accelerator",
}
BASES: Final[dict[int, str]] = {
    0x00: "device",
    0x01: "storage controller",
    0x02: "network controller",
    0x03: "display controller",
    0x04: "multimedia device",
    0x05: "memory controller",
    0x06: "bridge",
    0x07: "communication controller",
    0x08: "system device",
    0x09: "input device",
    0x0A: "docking station",
    0x0B: "processor",
    0x0C: "serial bus controller",
    0x0D: "wireless controller",
    0x0E: "intelligent controller",
    0x0F: "satellite receiver",
    0x10: "encryption controller",
    0x11: "signal processing controller",
    0x12: "processing accelerator",
    0x13: "instrumentation",
}
INTERFACES: Final[dict[int, str]] = {
    0x010802: "NVMe drive",
    0x018002: "NVMe drive",  # other mass storage by its class, as some drives of Darwin machines call themselves
    0x010601: "SATA controller",
    0x0C0330: "USB controller",
}


def describe_class(code: int) -> str:
    """A class code (class, sub-class, interface in 24 bits) in words: "NVMe drive" for 010802h."""
    interface = INTERFACES.get(code)
    if interface is not None:
        return interface
    return KINDS.get(code // 0x100) or BASES.get(code // 0x10000) or "device"


def class_words(code: object) -> str:
    """Words for a class code, or for a device whose code was not read."""
    return describe_class(code) if isinstance(code, int) else "device"
