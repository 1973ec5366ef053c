"""Drives of a Darwin machine: which are told, where they hang, what they are.

Source: IOStorageFamily of the open sources of the system.
"""

from __future__ import annotations

import io
from typing import Final

import pytest
from rich.console import Console

from agent.audit import audit
from agent.model.findings import Severity
from agent.report import text
from probes.darwin.storage import NOT_FOUND
from probes.decode import NOT_GIVEN
from probes.facts import BlockDevice
from probes.unread import Unread
from tests.plists import (
    ENDPOINT,
    NVME,
    block,
    controller,
    entry,
    express,
    facts,
    function,
    hanging,
    media,
)

BARE: Final = function(0x220, (0, 31, 0), 0x060100)  # a function on which nothing hangs
OTHER: Final = block(0x40F, media("disk90", ident=0x50F), interconnect="Thornwick Fabric", **{"Serial Number": "TF-1"})

# --- Rules 7 and 8: drives ---


def test_a_drive_finds_its_function_by_entry_ids() -> None:
    """The block device's id stands among the headers below a function: that function is where the drive hangs."""
    found = facts(hanging(), drives=[block(0x400, media("disk2"))], controllers=[controller(0x300)])
    (made,) = found.drives
    assert (made.name, made.kind, made.address, made.interconnect) == ("disk2", "nvme", "01:00.0", "PCI-Express")
    assert (made.model, made.firmware, made.serial) == ("Ostrayne Reel 3 2TB", "RL3A1.07", "RL3-1")
    assert made.blocks == (BlockDevice("disk2", 2_000_398_934_016),)


@pytest.mark.parametrize("code", [0x010802, 0x018002])
def test_both_classes_are_nvme(code: int) -> None:
    """An NVMe controller's class may be that of a storage controller of another kind."""
    (made,) = facts(hanging(code), drives=[block(0x400, media("disk2"))]).drives
    assert (made.kind, made.address) == ("nvme", "01:00.0")


def test_a_controller_makes_a_drive_nvme_whatever_its_class() -> None:
    """The controller's own property tells an NVMe drive, not the names of classes, which differ by release."""
    (made,) = facts(hanging(0x010000), drives=[block(0x400, media("disk2"))], controllers=[controller(0x300)]).drives
    assert made.kind == "nvme"


def test_a_controller_without_a_block_device_is_a_drive_without_one() -> None:
    """A drive whose controller answers and whose namespace does not is still listed."""
    (_, made) = facts(hanging(), controllers=[controller(0x300)], drives=[OTHER]).drives
    assert (made.name, made.kind, made.address, made.blocks) == ("entry-300", "nvme", "01:00.0", ())
    assert (made.model, made.firmware) == ("Ostrayne Reel 3 2TB", "RL3A1.07")


def test_two_namespaces_are_one_drive() -> None:
    """A controller with two block devices is one drive with two."""
    tree = function(0x210, (1, 0, 0), NVME, entry(0x300, entry(0x400), entry(0x401)), more=express(ENDPOINT))
    devices = [block(0x400, media("disk2")), block(0x401, media("disk3", 512, ident=0x501))]
    (made,) = facts(tree, drives=devices, controllers=[controller(0x300)]).drives
    assert made.name == "disk2"
    assert made.blocks == (BlockDevice("disk2", 2_000_398_934_016), BlockDevice("disk3", 512))


def test_a_sata_disk_hangs_on_its_controller() -> None:
    """Two disks of one SATA controller are two drives on the same function."""
    tree = function(0x210, (0, 31, 2), 0x010601, entry(0x300, entry(0x400)), entry(0x301, entry(0x401)))
    devices = [
        block(0x400, media("disk0"), interconnect="SATA"),
        block(0x401, media("disk10", ident=0x501), interconnect="SATA"),
    ]
    found = facts(tree, drives=devices).drives
    assert [(made.name, made.kind, made.address) for made in found] == [
        ("disk0", "sata", "00:1f.2"),
        ("disk10", "sata", "00:1f.2"),
    ]
    assert all(made.health is None and made.warning_celsius is None for made in found)


def test_internal_storage_without_a_function_is_a_drive_without_a_link() -> None:
    """Storage on the processor's own fabric has no PCI function and is told with its interconnect, as virtual."""
    found = facts(
        drives=[block(0x400, media("disk0"), interconnect="Thornwick Fabric")],
        controllers=[controller(0x300)],
    )
    (made,) = found.drives
    assert (made.name, made.kind, made.address) == ("disk0", "nvme", None)
    assert made.interconnect == "Thornwick Fabric"
    assert [one.severity for one in audit(found).findings if one.severity is not Severity.OK] == []


@pytest.mark.parametrize("interconnect", ["PCI-Express", "PCI", "SATA"])
def test_a_drive_on_pci_whose_function_was_not_found_is_not_said_to_have_none(interconnect: str) -> None:
    """An interconnect that leads by way of PCI while no function is above means that it was not found."""
    found = facts(BARE, drives=[block(0x400, media("disk0"), interconnect=interconnect)])
    (made,) = found.drives
    assert made.address == Unread("which PCI function disk0 hangs on", NOT_FOUND, vital=True)
    assert made.interconnect == interconnect
    assert made.address in found.unread
    assert [one.verdict for one in audit(found).drives] == [None]


@pytest.mark.parametrize(
    "changes",
    [
        {"interconnect": "USB", "location": "External"},
        {"interconnect": "USB", "location": "Internal"},
        {"interconnect": "FireWire", "location": "External"},
        {"interconnect": "Secure Digital", "location": "Internal"},
        {"interconnect": "Virtual Interface", "location": "File"},
        {"interconnect": "Thornwick Fabric", "location": "External"},
        {"interconnect": "SATA", "location": ""},
    ],
)
def test_outside_drives_are_left_out(changes: dict[str, str]) -> None:
    """Drives of outside connections, cards and images that hang on no PCI function are not of this trade."""
    found = facts(BARE, drives=[block(0x400, media("disk4"), **changes)])
    assert (found.drives, found.gaps) == ((), ())


@pytest.mark.parametrize("code", [0x0C0330, 0x080501])
def test_drives_behind_serial_buses_and_card_readers_are_left_out(code: int) -> None:
    """What hangs on a USB controller or a card reader is outside, whatever it calls its interconnect."""
    assert facts(hanging(code), drives=[block(0x400, media("disk4"), interconnect="")]).drives == ()


def test_optical_drives_are_left_out() -> None:
    """A drive for discs says so (IOStorageFamily, IODVDBlockStorageDevice.h)."""
    device = block(0x400, media("disk4"), interconnect="SATA") | {"device-type": "DVD"}
    assert facts(hanging(0x010601), drives=[device]).drives == ()


def test_an_nvme_drive_in_a_dock_is_a_drive_of_its_function() -> None:
    """An external drive that hangs on a PCI function is listed: its link is a tunnel's affair."""
    (made,) = facts(hanging(), drives=[block(0x400, media("disk4"), location="External")]).drives
    assert made.address == "01:00.0"


def test_the_medium_is_the_nearest_whole_one() -> None:
    """Partitions are not whole, and volumes made of them are whole but further away."""
    volume = media("disk5", 7, ident=0x503)
    part = media("disk2s2", 8, entry(0x502, volume), whole=False, ident=0x501)
    (made,) = facts(hanging(), drives=[block(0x400, entry(0x499, media("disk2", 9, entry(0x498, part))))]).drives
    assert made.blocks == (BlockDevice("disk2", 9),)


@pytest.mark.parametrize(
    ("size", "why"), [(-1, "reads -1"), ("many", "is no number"), ([], "is no number"), (None, NOT_GIVEN)]
)
def test_a_size_that_is_none_is_unread(size: object, why: str) -> None:
    """A medium without a size in bytes keeps its name, and its size is unread."""
    made = media("disk2", size)
    if size is None:
        del made["Size"]
    whole = facts(hanging(), drives=[block(0x400, made)])
    assert [one.blocks for one in whole.drives] == [(BlockDevice("disk2", Unread("Size of disk2", why)),)]
    assert Unread("Size of disk2", why) in whole.unread


def test_a_drive_that_tells_nothing_of_itself_is_unread_piece_by_piece() -> None:
    """Model, firmware and serial number that are not there are not given."""
    bare = entry(0x400, media("disk2"))
    (made,) = facts(hanging(), drives=[bare]).drives
    for found in (made.model, made.firmware, made.serial):
        assert isinstance(found, Unread)
        assert found.why == NOT_GIVEN


@pytest.mark.parametrize("location", ["External", "Internal"])
def test_a_disk_behind_usb_is_named_and_is_no_drive(location: str) -> None:
    """Who looks for a drive in an enclosure is told that it is there and has no link; a check passes all the same."""
    outside = block(0x402, media("disk3", ident=0x502), interconnect="USB", location=location)
    found = facts(hanging(), drives=[block(0x400, media("disk2")), outside], controllers=[controller(0x300)])
    assert [made.name for made in found.drives] == ["disk2"]
    (told,) = (one for one in found.unread if "USB" in one.why)
    assert (told.what, told.why) == ("disk3 (Ostrayne Reel 3 2TB)", "behind USB: no PCI Express link of its own")
    assert not told.failed
    output = io.StringIO()
    text.show(text.whole(audit(found), 100, "this machine"), Console(file=output, width=100, color_system=None))
    assert "disk3 (Ostrayne Reel 3 2TB): behind USB: no PCI Express link of its own" in output.getvalue()


@pytest.mark.parametrize("interconnect", ["Virtual Interface", "FireWire", "Secure Digital"])
def test_other_disks_outside_are_not_said_to_be_behind_usb(interconnect: str) -> None:
    """A mounted image is no disk, and what hangs on another bus hangs on no USB."""
    outside = block(0x402, media("disk3", ident=0x502), interconnect=interconnect)
    assert [one for one in facts(hanging(), drives=[outside]).unread if "USB" in one.why] == []


def test_a_reader_of_cards_without_a_card_is_not_named() -> None:
    """A block device without a medium is a slot, not a disk."""
    assert [one for one in facts(hanging(), drives=[block(0x402, interconnect="USB")]).unread if "USB" in one.why] == []
