"""Small property lists of a registry for tests: one dictionary an entry, printed by plistlib, and what answers so.

Whole machines are made in `tests/registry.py`; here is what a test of one rule needs, every key written out.
"""

from __future__ import annotations

import plistlib
from typing import TYPE_CHECKING, Any, Final

from probes.darwin import collecting as darwin
from probes.reads import Recorded

if TYPE_CHECKING:
    from probes.facts import Facts, PciFunction
    from probes.reads import Answer

Keys = dict[str, Any]

# What each question is for, as it is told where it could not be read.
ASKED: Final = {
    "pci": "which PCI functions there are (I/O Registry)",
    "drives": "which disks there are (I/O Registry)",
    "controllers": "which NVMe drives there are (I/O Registry)",
    "host": "what machine this is, and which release it runs (I/O Registry)",
    "firmware": "which firmware the machine has (I/O Registry)",
}

STATUS: Final = "IOPCIExpressLinkStatus"
CAPABILITIES: Final = "IOPCIExpressLinkCapabilities"
EXPRESS: Final = "IOPCIExpressCapabilities"
BRIDGE: Final = 0x060400
NVME: Final = 0x010802

# Registers written out by the masks of include/uapi/linux/pci_regs.h: PCI_EXP_LNKCAP_SLS_8_0GB 3 and MLW 4 << 4;
# PCI_EXP_LNKSTA_CLS_8_0GB 3 and PCI_EXP_LNKSTA_NLW_X4 0x40; PCI_EXP_TYPE_* in bits 7:4 above a version of 2.
GEN_3_X4: Final = 0x43
ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT, INTEGRATED = 0x42, 0x52, 0x62, 0x02, 0x92
TO_PCI: Final = 0x72


def entry(ident: int, *children: Keys, **keys: object) -> Keys:
    """An entry with its id and what is below it; a key with a space or a hyphen is written with `more`."""
    more = keys.pop("more", {})
    assert isinstance(more, dict)
    made: Keys = {"IORegistryEntryID": ident, **keys, **more}
    return made | {"IORegistryEntryChildren": list(children)} if children else made


def word(number: int) -> bytes:
    """Four bytes, the least significant first, as the properties of a PCI device have them."""
    return number.to_bytes(4, "little")


def function(ident: int, at: tuple[int, int, int], code: int, *children: Keys, **keys: object) -> Keys:
    """A PCI function at bus, device and function, with what is below it. `keys` come last and may replace others."""
    bus, device, number = at
    more = keys.pop("more", {})
    assert isinstance(more, dict)
    told: Keys = {
        "IOObjectClass": "IOPCIDevice",
        "vendor-id": word(0xF1C4),
        "device-id": word(0x3004),
        "class-code": word(code),
        "revision-id": word(1),
        "reg": word(bus << 16 | device << 11 | number << 8) + bytes(16),
    }
    return entry(ident, *children, more=told | more, **keys)


def express(kind: int, capabilities: object = GEN_3_X4, status: object = GEN_3_X4) -> Keys:
    """The three registers of a PCI Express function."""
    return {EXPRESS: kind, CAPABILITIES: capabilities, STATUS: status}


def drive(at: tuple[int, int, int] = (1, 0, 0), ident: int = 0x210, *below: Keys, **keys: object) -> Keys:
    """An NVMe drive's PCI function; `more` may replace its registers."""
    more = keys.pop("more", {})
    assert isinstance(more, dict)
    return function(ident, at, NVME, *below, more=express(ENDPOINT) | more, **keys)


def media(name: str, size: object = 2_000_398_934_016, *below: Keys, whole: object = True, ident: int = 0x500) -> Keys:
    """A medium; a whole one unless told otherwise."""
    return entry(ident, *below, more={"BSD Name": name, "Whole": whole, "Size": size})


def block(ident: int, *below: Keys, interconnect: str = "PCI-Express", location: str = "Internal", **more: str) -> Keys:
    """A block device with its texts padded as drives pad them."""
    told = {"Product Name": "Ostrayne Reel 3 2TB", "Product Revision Level": "RL3A1.07", "Serial Number": "RL3-1"}
    traits = {key: f"{value}    " for key, value in (told | more).items()}
    protocol = {"Physical Interconnect": interconnect, "Physical Interconnect Location": location}
    return entry(
        ident, *below, more={"Device Characteristics": traits, "Protocol Characteristics": protocol, "IOUnit": 0}
    )


def controller(ident: int, serial: str = "RL3-1") -> Keys:
    """An NVMe controller."""
    told = {"Model Number": "Ostrayne Reel 3 2TB  ", "Firmware Revision": "RL3A1.07", "Serial Number": f"{serial}   "}
    return entry(ident, more=told | {"NVMe Revision Supported": "1.30"})


def hanging(code: int = NVME, at: tuple[int, int, int] = (1, 0, 0)) -> Keys:
    """A PCI function with a controller 0x300 and a block device 0x400 below it, headers alone."""
    below = entry(0x300, entry(0x301, entry(0x400, entry(0x500))))
    return function(0x210, at, code, below, more=express(ENDPOINT))


def printed(what: Keys | list[Any] | str | bytes | float) -> str:
    """A property list as the printer has it: XML of version 1, keys in order."""
    return plistlib.dumps(what, fmt=plistlib.FMT_XML).decode()


def root(kernel: str) -> str:
    """The registry's root with the kernel's version, and the product below it."""
    product = entry(0x110, model=b"Grading tower 7A\0", manufacturer=b"Harrow Lane Archive\0")
    return printed(entry(0x100, product, IOKitBuildVersion=f"Darwin Kernel Version {kernel}: made for tests"))


def reads(**answers: object) -> Recorded:
    """What answers with these lists; text, bytes and Unread as they are, all else printed. Without a word: nothing."""
    told: dict[str, Answer] = dict.fromkeys((f"registry {name}" for name in ("pci", "drives", "controllers")), "")
    told |= {"registry host": root("16.7.0"), "registry firmware": ""}
    for name, answer in answers.items():
        told[f"registry {name}"] = printed(answer) if isinstance(answer, list | dict) else answer  # type: ignore[assignment]
    return Recorded(told, "darwin")


def facts(*functions: Keys, **answers: object) -> Facts:
    """The facts of a machine with these trees of PCI functions."""
    return darwin.collect(reads(pci=list(functions), **answers), (), "2026-03-02T09:00:00+00:00")


def one(*functions: Keys, **answers: object) -> PciFunction:
    """The only PCI function of a machine."""
    (found,) = facts(*functions, **answers).functions
    return found
