"""Holds the notes of the program against the kernel's source, where that is installed on this machine.

Sources: drivers/nvme/host/pci.c (nvme_id_table), drivers/nvme/host/core.c (core_quirks), drivers/pci/quirks.c and
include/linux/pci_ids.h of Linux 6.1, unpacked below /usr/src (of Debian: package linux-source-6.1). Other versions have
other tables, so that these are skipped for them.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from knowledge.notes import FILES, shipped

TREES: Final = tuple(path.parent for path in Path("/usr/src").glob("linux-source-6.1*/drivers"))
NOTES: Final = {note.id: note for name in FILES for note in shipped(name)}
# Emulated drives that the table names as well; no workstation has one.
EMULATED: Final = frozenset({"1b36:0010", "8086:5845"})

pytestmark = pytest.mark.skipif(not TREES, reason="no source of Linux 6.1 below /usr/src")


@cache
def source(name: str) -> str:
    """A file of the kernel without its comments."""
    text = (TREES[0] / name).read_text(encoding="utf-8")
    return re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)


@cache
def numbers() -> dict[str, int]:
    """The vendors and devices that the kernel has names for."""
    found = re.findall(
        r"#define\s+(PCI_(?:VENDOR|DEVICE)_ID_\w+)\s+(0x[0-9a-fA-F]+)", source("include/linux/pci_ids.h")
    )
    return {name: int(number, 16) for name, number in found}


def number(word: str, prefix: str = "") -> int:
    """A number as the source writes it: in figures or by its name."""
    return int(word, 16) if word.startswith("0x") else numbers()[prefix + word]


def nvme(quirk: str) -> set[str]:
    """The drives of nvme_id_table with a quirk."""
    table = source("drivers/nvme/host/pci.c").partition("nvme_id_table[] = {")[2].partition("MODULE_DEVICE_TABLE")[0]
    entry = r"\{\s*PCI_(V?)DEVICE\((\w+),\s*(\w+)\)\s*,\s*\.driver_data\s*=([^}]*)\}"
    return {
        f"{number(vendor, 'PCI_VENDOR_ID_' if short else ''):04x}:{int(device, 16):04x}"
        for short, vendor, device, quirks in re.findall(entry, table)
        if f"NVME_QUIRK_{quirk}" in re.findall(r"\w+", quirks)
    }


def fixed_up(hook: str) -> set[str]:
    """The devices that drivers/pci/quirks.c hands to one function."""
    call = rf"DECLARE_PCI_FIXUP_\w+\(\s*(\w+),\s*(\w+),(?:\s*\w+,\s*\d+,)?\s*{hook}\)"
    found = re.findall(call, source("drivers/pci/quirks.c"))
    return {f"{number(vendor):04x}:{number(device):04x}" for vendor, device in found}


@pytest.mark.parametrize(
    ("name", "quirk"),
    [
        ("nvme-deepest-sleep-left-out", "NO_DEEPEST_PS"),
        ("nvme-slow-to-get-ready", "DELAY_BEFORE_CHK_RDY"),
        ("nvme-namespace-names-not-unique", "BOGUS_NID"),
        ("nvme-writes-zeroes-in-full", "DISABLE_WRITE_ZEROES"),
        ("nvme-one-limit-for-heat", "NO_SECONDARY_TEMP_THRESH"),
        ("nvme-heat-limit-fixed", "NO_TEMP_THRESH_CHANGE"),
        ("nvme-one-command-at-a-time", "QDEPTH_ONE"),
        ("nvme-likes-aligned-requests", "STRIPE_SIZE"),
    ],
)
def test_drives_are_those_of_the_kernels_table(name: str, quirk: str) -> None:
    """A note about drives names just the drives that the kernel's table gives the quirk, but emulated ones."""
    assert nvme(quirk) - EMULATED == set(NOTES[name].when.card or ())
    assert f"NVME_QUIRK_{quirk}" in NOTES[name].evidence[0].source


@pytest.mark.parametrize(
    ("name", "hook"),
    [
        ("link-saving-off-behind-bridge", "quirk_disable_aspm_l0s_l1"),
        ("link-no-light-sleep", "quirk_disable_aspm_l0s"),
        ("link-payload-at-most-256", "fixup_mpss_256"),
        ("link-retrain-bit-stays", "quirk_enable_clear_retrain_link"),
        ("bridge-no-extended-tags", "quirk_no_ext_tags"),
        ("display-link-rests-deeply", "aspm_l1_acceptable_latency"),
        ("controller-hangs-on-function-reset", "quirk_no_flr"),
    ],
)
def test_parts_are_those_of_the_kernels_fixups(name: str, hook: str) -> None:
    """A note about links names just the devices that the kernel handles so."""
    assert fixed_up(hook) == set(NOTES[name].when.card or ())


@pytest.mark.parametrize(
    ("name", "hook"),
    [
        ("link-lost-after-bus-reset", "quirk_no_bus_reset"),
        ("link-dead-after-bus-reset", "quirk_no_bus_reset"),
        ("port-relaxed-ordering-slow", "quirk_relaxedordering_disable"),
    ],
)
def test_parts_are_among_the_kernels_fixups(name: str, hook: str) -> None:
    """A note that is of some of the devices that the kernel handles so names none beside them."""
    assert set(NOTES[name].when.card or ()) < fixed_up(hook)


def test_the_delay_before_a_drive_is_asked_is_the_kernels() -> None:
    """The wait of 2.3 s is the one of the kernel's header of its NVMe driver, in milliseconds."""
    assert re.search(r"NVME_QUIRK_DELAY_AMOUNT\s+2300\b", source("drivers/nvme/host/nvme.h"))
    assert "2.3 s" in str(NOTES["nvme-slow-to-get-ready"].seen.quirk)


def test_the_firmware_with_the_race_is_the_kernels() -> None:
    """The vendor and the one firmware version of a note are those of the kernel's list."""
    when = NOTES["nvme-suspend-race-22301111"].when
    found = re.search(
        r'\.vid = 0x14a4,\s*\.fr = "(\w+)",\s*\.quirks = NVME_QUIRK_SIMPLE_SUSPEND', source("drivers/nvme/host/core.c")
    )
    assert found is not None
    assert when.firmware is not None
    assert ((found[1],), ("14a4:*",)) == (when.firmware.exactly, when.card)
