"""Redaction: no secret is left in any form, what the agent decodes stays the same, and so do tokens for ever."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knowledge import pcie
from probes import capture
from probes.answers import failed
from probes.decode import Registers
from probes.linux import collecting as linux
from probes.reads import Recorded
from probes.redact import redact
from probes.redact_bytes import designators, firmware_table, health_log, identify_controller, vital_product_data
from probes.smbios import board_devices, board_identity, board_slots, problems, structures
from probes.tokens import Known, is_number_token, is_placeholder, is_word_token, swap_uuid
from tests.build import build, capture_bytes, record
from tests.firmware import BoardSlotWords, tables
from tests.machines import MACHINES
from tests.parts import Disk, Function, Machine, Nvme, Slot, card, drive, root_port
from tests.space import config_space

if TYPE_CHECKING:
    from probes.facts import Facts
    from probes.reads import Answer

PCI: Final = "/sys/bus/pci/devices"
NVME: Final = "/sys/class/nvme/nvme0"
SERIAL: Final = "HLA0042QX7"
UUID: Final = "901e2b6f-d347-5c40-9a11-c0ffee5d2a34"
UUID_BYTES: Final = bytes.fromhex(UUID.replace("-", ""))
MAC: Final = "06:f1:c4:0a:5b:c3"
MAC_BYTES: Final = bytes.fromhex(MAC.replace(":", ""))
# An EUI-64 made of that MAC address: FFFEh between its halves. Source: IEEE, Guidelines for EUI-64.
EUI: Final = MAC_BYTES[:3] + b"\xff\xfe" + MAC_BYTES[3:]


def hidden(answers: dict[str, Answer]) -> dict[str, Answer]:
    """The answers after redaction, which has to be the same after doing it again."""
    found, _ = redact(answers, ())
    assert redact(found, ()) == (found, ())
    return found


def hidden_text(name: str, text: str) -> str:
    """One text of the file `name` after redaction."""
    found = hidden({f"text {name}": text})[f"text {name}"]
    assert isinstance(found, str)
    return found


def hidden_bytes(key: str, data: bytes) -> bytes:
    """One read of bytes after redaction."""
    found = hidden({key: data})[key]
    assert isinstance(found, bytes)
    return found


# --- Tokens ----------------------------------------------------------------------------------------------------


def test_tokens_stay_the_same_for_ever() -> None:
    r"""A token of today equals that of any other day and machine: these were computed with another program.

    Source: printf 'lanewright capture token 1\0word\0hla0042qx7' | sha256sum, and the same for the number.
    """
    assert Known().word(SERIAL) == "~2a3219e52"
    assert Known().number(EUI).hex() == "7e576a4d7a286e40"


@given(st.text(st.characters(codec="ascii", exclude_categories=["C"]), min_size=1, max_size=90))
def test_a_word_is_a_token_or_a_placeholder(text: str) -> None:
    """Whatever is a secret becomes a token of its length or of eight characters, and a token stays what it is."""
    token = Known().word(text)
    if is_placeholder(text) or is_word_token(text):
        assert token == text
    else:
        assert is_word_token(token)
        assert len(token) == max(len(text), 8)
    assert Known().word(token) == token


@given(st.binary(min_size=6, max_size=40))
def test_a_number_is_a_token_of_its_length(data: bytes) -> None:
    """Bytes become a token of as many bytes, unless all are the same, and a token stays what it is."""
    token = Known().number(data)
    assert len(token) == len(data)
    assert is_number_token(token) or token == data
    assert (token == data) == (len(set(data)) == 1 or is_number_token(data))
    assert Known().number(token) == token


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "0",
        "00000000",
        "000-000.000",
        "0x0000000000000000",
        "xxxxxxxx",
        "....",
        "None",
        "N/A",
        "(none)",
        "Default string",
        "Default  String",
        "To Be Filled By O.E.M.",
        "to be filled",
        "Not Specified",
        "unknown",
        "System Serial Number",
        "Chassis Serial Number",
        "0123456789",
        "localhost",
    ],
)
def test_placeholders_stay(text: str) -> None:
    """What names nothing stays readable, so that nobody takes it for a serial number (common practice)."""
    assert hidden_text("/sys/class/dmi/id/product_serial", text) == text


def test_tokens_look_like_what_they_replace() -> None:
    """A MAC address stays one of a single device, locally administered (IEEE 802: bits 0 and 1 of its first byte)."""
    first = int(hidden_text("/sys/class/net/eth0/address", MAC)[:2], 16)
    assert (first & 1, first >> 1 & 1) == (0, 1)


# --- Places ----------------------------------------------------------------------------------------------------

# A text read, and what of it has to stay.
TEXTS: Final[dict[str, tuple[str, str]]] = {
    "/sys/class/nvme/nvme0/serial": (f"{SERIAL}          ", ""),
    "/sys/class/dmi/id/product_serial": (SERIAL, ""),
    "/sys/class/dmi/id/board_serial": (SERIAL, ""),
    "/sys/class/dmi/id/chassis_serial": (SERIAL, ""),
    "/sys/class/dmi/id/chassis_asset_tag": (SERIAL, ""),
    "/sys/class/dmi/id/product_uuid": (UUID, ""),
    "/proc/sys/kernel/hostname": ("bench-2.harrow-lane.example", ""),
    "/sys/class/nvme/nvme0/subsysnqn": (
        f"nqn.2014.08.org.nvmexpress:f1c4f1cf{SERIAL}          Reel 4",
        "nqn.2014.08.org.nvmexpress:",
    ),
    "/sys/class/nvme/nvme1/subsysnqn": (f"nqn.2014-08.org.nvmexpress:uuid:{UUID}", "nqn.2014-08.org.nvmexpress:uuid:"),
    "/sys/class/nvme/nvme2/subsysnqn": (SERIAL, ""),
    "/sys/block/nvme0n1/wwid": ("eui.00f1c45b71b0a1c2", "eui."),
    "/sys/block/nvme1n1/wwid": (f"uuid.{UUID}", "uuid."),
    "/sys/block/nvme2n1/wwid": (f"nvme.f1c4-{SERIAL.encode().hex()}-5265656c2034-00000001", "-5265656c2034-00000001"),
    "/sys/block/sda/device/wwid": ("naa.500f1c4e40a1b2c3", "naa."),
    "/sys/block/sdb/device/wwid": (f"t10.ATA     Holmsey Vault 8TB    {SERIAL}", "t10."),
    "/sys/block/sdc/device/wwid": (SERIAL, ""),
    "/sys/block/nvme0n1/uuid": (UUID, ""),
    "/sys/block/nvme0n1/nguid": (UUID.upper(), ""),
    "/sys/block/nvme0n1/eui": ("00 f1 c4 5b 71 b0 a1 c2", ""),
    "/sys/class/net/eth0/address": (MAC, ""),
    "/sys/class/net/eth1/address": (MAC.upper().replace(":", "-"), ""),
    "/sys/class/net/ib0/address": ("80:00:02:08:fe:80:00:00:00:00:00:00:06:f1:c4:0a:03:5b:c3:01", ""),
    "/sys/class/net/eth0/phys_switch_id": (MAC_BYTES.hex(), ""),
    "/proc/cmdline": (f"root=UUID={UUID} ip={MAC} quiet", "quiet"),
}


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_that_holds_a_secret_holds_a_token(name: str) -> None:
    """Each place loses its secret, keeps its form and its length, and what is no secret in it."""
    text, stays = TEXTS[name]
    found = hidden_text(name, text)
    assert found != text
    assert stays in found
    assert len(found) == len(text)
    for secret in (SERIAL, UUID, MAC, SERIAL.encode().hex(), MAC_BYTES.hex(), "bench-2", "5b71b0", "4e40a1b2"):
        assert secret.lower() not in found.lower()


@pytest.mark.parametrize("form", [UUID, UUID.upper(), MAC, MAC.upper().replace(":", "-"), "00 f1 c4 5b 71 b0 a1 c2"])
def test_a_number_keeps_its_form(form: str) -> None:
    """Separators and capital letters are those of the text that was read."""
    found = hidden_text("/sys/block/nvme0n1/nguid", form)
    assert [at for at, letter in enumerate(found) if letter in " :-"] == [
        at for at, letter in enumerate(form) if letter in " :-"
    ]
    assert found == (found.upper() if form == form.upper() else found.lower())


def test_one_secret_has_one_token_in_every_place() -> None:
    """Text, bytes and other spellings of one serial number or UUID still belong together afterwards."""
    table = hidden_bytes("bytes /sys/firmware/dmi/tables/DMI", bench_table())
    uuid = hidden_text("/sys/class/dmi/id/product_uuid", UUID)
    assert swap_uuid(bytes.fromhex(uuid.replace("-", ""))) in table
    serial = hidden_text(f"{NVME}/serial", SERIAL)
    assert identify(serial=SERIAL)[4:24] == SERIAL.encode().ljust(20)
    assert hidden_bytes("nvme identify /dev/nvme0", identify(serial=SERIAL))[4:24] == serial.encode().ljust(20)
    assert hidden_text("/sys/class/nvme/nvme7/serial", SERIAL.lower()) == serial


def identify(serial: str = SERIAL, qualified_name: bytes = b"", unit: bytes = bytes(16), more: bytes = b"") -> bytes:
    """Identify Controller. Offsets: NVM Express Base, Identify Controller (Linux include/linux/nvme.h nvme_id_ctrl)."""
    data = bytearray(4096)
    data[4:24] = serial.encode().ljust(20)
    data[24:64] = b"Ostrayne Reel 4 2TB".ljust(40)
    data[64:72] = b"RL4B2.10"
    data[112:128] = unit
    struct.pack_into("<HH", data, 266, 343, 358)
    data[768 : 768 + len(qualified_name)] = qualified_name
    data[3072 : 3072 + len(more)] = more
    return bytes(data)


def test_identify_controller_loses_its_secrets_only() -> None:
    """Serial number, unit identifier and subsystem name become tokens; model, firmware and limits stay.

    What makers put in behind byte 3072 is left out.
    """
    name = f"nqn.2019-08.example.ostrayne:{SERIAL}".encode()
    before = identify(qualified_name=name, unit=UUID_BYTES, more=b"made for " + SERIAL.encode())
    after = hidden_bytes("nvme identify /dev/nvme0", before)
    assert len(after) == len(before)
    assert SERIAL.encode() not in after
    assert UUID_BYTES not in after
    assert after[768:].startswith(b"nqn.2019-08.example.ostrayne:~")
    assert after[768 + len(name) :][:40] == bytes(40)
    assert after[3072:] == bytes(1024)
    same = {*range(4096)} - {*range(4, 24), *range(112, 128), *range(768, 1024), *range(3072, 4096)}
    assert all(before[place] == after[place] for place in same)


def space(serial: bytes) -> bytes:
    """Configuration space of an NVMe drive with this Device Serial Number (most significant byte first)."""
    return config_space(drive((4, 4), at="00.0", now=(4, 4), payload_now=256, serial=int.from_bytes(serial, "big")))


def test_the_device_serial_number_becomes_a_token() -> None:
    """The eight bytes of the capability change, and no register that is decoded does."""
    before = space(EUI)
    after = hidden_bytes(f"bytes {PCI}/0000:01:00.0/config", before)
    changed = [place for place in range(4096) if before[place] != after[place]]
    start = Registers(before).places["extended 0003"] + 4
    assert before[start : start + 8] == EUI[::-1]  # the low dword comes first: Linux drivers/pci/pci.c pci_get_dsn
    assert changed == [*range(start, start + 8)]
    for layout in pcie.ALL_LAYOUTS:
        if layout is not pcie.DEVICE_SERIAL_NUMBER:
            assert Registers(before).raw(layout) == Registers(after).raw(layout)


@pytest.mark.parametrize("serial", [bytes(8), b"\xff" * 8])
def test_a_device_serial_number_that_is_none_stays(serial: bytes) -> None:
    """All zeros and all ones name nothing."""
    assert hidden_bytes(f"bytes {PCI}/0000:01:00.0/config", space(serial)) == space(serial)


def test_a_serial_number_that_lies_over_registers_stays() -> None:
    """Where a damaged list puts the capability over other registers, the registers are worth more."""
    data = bytearray(space(EUI))
    place = Registers(bytes(data)).places["extended 0003"]
    struct.pack_into("<I", data, place, 0x0001_0003 | (place + 4) << 20)
    struct.pack_into("<I", data, place + 4, 0x0001_0001)
    assert "extended 0001" in Registers(bytes(data)).places
    assert hidden_bytes(f"bytes {PCI}/0000:01:00.0/config", bytes(data)) == bytes(data)


def test_a_mac_address_inside_a_device_serial_number_is_known() -> None:
    """The address that a network card's serial number is made of is hidden in names that hold it, too."""
    found = hidden(
        {f"bytes {PCI}/0000:01:00.0/config": space(EUI), f"list {PCI}/0000:01:00.0/net": (f"enx{MAC_BYTES.hex()}",)}
    )
    assert found[f"list {PCI}/0000:01:00.0/net"] == (f"enx{Known().number(MAC_BYTES).hex()}",)


def product_data(serial: bytes = SERIAL.encode()) -> bytes:
    """Vital Product Data with a right checksum. Source: PCI Local Bus Specification 3.0, appendix I."""

    def item(keyword: bytes, content: bytes) -> bytes:
        return keyword + bytes([len(content)]) + content

    name = b"Scanlink capture card"
    fields = item(b"PN", b"SC-12") + item(b"EC", b"B") + item(b"SN", serial) + item(b"V0", MAC_BYTES.hex().encode())
    head = b"\x82" + struct.pack("<H", len(name)) + name + b"\x90" + struct.pack("<H", len(fields) + 6) + fields
    head += b"RV\x03"
    return head + bytes([-sum(head) & 0xFF, 0, 0]) + b"\x91\x0a\0" + item(b"YA", SERIAL.encode()[:7]) + b"\x78"


def test_vital_product_data_loses_its_secrets_only() -> None:
    """Serial number, asset tag and the maker's own fields become tokens; names, part number and checksum stay right."""
    before = product_data()
    after = hidden_bytes(f"bytes {PCI}/0000:01:00.0/vpd", before)
    assert len(after) == len(before)
    assert SERIAL.encode() not in after
    assert MAC_BYTES.hex().encode() not in after
    assert b"Scanlink capture card" in after
    assert b"PN\x05SC-12EC\x01B" in after
    for data in (before, after):
        assert sum(data[: data.index(b"RV") + 4]) & 0xFF == 0


def test_the_maker_s_own_fields_are_no_secrets_elsewhere() -> None:
    """A maker's field may hold a model or a speed, which is no secret: only the serial number is looked for."""
    data = product_data().replace(MAC_BYTES.hex().encode(), b"Lane3 rate16")
    found = hidden({f"bytes {PCI}/0000:01:00.0/vpd": data, "text /sys/note": f"Lane3 rate16 {SERIAL}"})
    assert found["text /sys/note"] == f"Lane3 rate16 {Known().word(SERIAL)}"


def test_the_uuid_that_many_boards_share_stays() -> None:
    """A UUID that nobody set names no machine (common practice)."""
    shared = "03000200-0400-0500-0006-000700080009"
    assert hidden_text("/sys/class/dmi/id/product_uuid", shared) == shared


def test_pages_of_a_disk_lose_its_identity() -> None:
    """Serial number (page 80h) and designators (page 83h) become tokens; lengths and makers stay.

    Source of the form: T10 SCSI Primary Commands, Unit Serial Number and Device Identification pages.
    """
    page = struct.pack(">BBH", 0, 0x80, 20) + SERIAL.encode().rjust(20)
    serial = Known().word(SERIAL).encode()
    assert hidden_bytes("bytes /sys/block/sda/device/vpd_pg80", page) == page[:4] + serial.rjust(20)

    def designator(code: int, kind: int, content: bytes) -> bytes:
        return bytes([code, kind, 0, len(content)]) + content

    number = bytes.fromhex("500f1c4e40a1b2c3")
    items = (
        designator(2, 0, SERIAL.encode().rjust(20)),
        designator(2, 1, b"ATA     Holmsey Vault 8TB    " + SERIAL.encode()),
        designator(1, 3, number),
        designator(1, 4, b"\0\0\0\1"),
        designator(3, 8, f"naa.{number.hex()}".encode() + b"\0"),
    )
    body = b"".join(items)
    before = struct.pack(">BBH", 0, 0x83, len(body)) + body
    after = hidden_bytes("bytes /sys/block/sda/device/vpd_pg83", before)
    assert len(after) == len(before)
    assert SERIAL.encode() not in after
    assert number not in after
    assert number.hex().encode() not in after
    assert b"ATA     ~" in after
    assert serial.rjust(20) in after
    assert items[3] in after


def bench_table(slots: list[BoardSlotWords] | None = None) -> bytes:
    """The firmware's table of a tower."""
    return tables(
        firmware=("Tidmarel", "4.12", "03/18/2025", "4.12"),
        system=("Harrow Lane Archive", "Editing tower", "2", SERIAL),
        board=("Tidmarel", "WS-7", "Rev B", "TW0007381"),
        slots=slots
        or [BoardSlotWords(designation="SLOT1"), BoardSlotWords(designation="M2_1", kind="m.2", connector=4)],
        onboard=[("Onboard LAN", 5, None)],
    )


def structure(kind: int, fixed: bytes, *strings: bytes) -> bytes:
    """One SMBIOS structure. Source: DMTF DSP0134."""
    texts = b"".join(text + b"\0" for text in strings) or b"\0"
    return struct.pack("<BBH", kind, 4 + len(fixed), kind) + fixed + texts + b"\0"


def test_the_firmware_table_loses_its_secrets_only() -> None:
    """Serial numbers, asset tag and UUID become tokens of the same length; all that is read stays."""
    before = bench_table()
    after = hidden_bytes("bytes /sys/firmware/dmi/tables/DMI", before)
    assert len(after) == len(before)
    for secret in (SERIAL.encode(), b"TW0007381", bytes.fromhex("6f2b1e9047d3405c9a11c0ffee5d2a34")):
        assert secret in before
        assert secret not in after
    assert (board_slots(after), board_devices(after)) == (board_slots(before), board_devices(before))
    assert {name: text for name, text in board_identity(after).items() if text} == board_identity(before)
    for kept in (
        b"Tidmarel\0004.12\00003/18/2025",
        b"Harrow Lane Archive\0Editing tower\0002\0~",
        b"SLOT1",
        b"Onboard LAN",
    ):
        assert kept in after


def test_structures_that_nobody_uses_become_inactive() -> None:
    """Chassis, memory modules and the maker's strings lose all content; type 126 marks them, and nothing moves.

    Source: DMTF DSP0134, Inactive (Type 126).
    """
    chassis = structure(3, bytes([1, 3, 0, 2, 3, 3, 3, 3, 2]), b"Tidmarel", b"CH0007381", b"ASSET-7")
    module = structure(17, bytes(range(36)), b"DIMM_A1", b"MEM99812")
    strings = structure(11, b"\2", b"HLA-OEM-1", b"HLA-OEM-2")
    before = chassis + module + strings + bench_table()
    after = hidden_bytes("bytes /sys/firmware/dmi/tables/DMI", before)
    assert len(after) == len(before)
    assert [one.start for one in structures(after)] == [one.start for one in structures(before)]
    assert [one.kind for one in structures(after)][:4] == [126, 126, 126, 0]
    for secret in (
        b"Tidmarel\0CH",
        b"CH0007381",
        b"ASSET-7",
        b"MEM99812",
        b"DIMM_A1",
        b"HLA-OEM",
        bytes(range(20, 36)),
    ):
        assert secret in before
        assert secret not in after


def test_what_stands_behind_the_end_is_left_out() -> None:
    """Rubbish behind the end mark, and what a broken structure hides, may be anything and is not kept."""
    broken = struct.pack("<BBH", 9, 2, 0) + b"QX99812-SECRET"
    for tail in (b"QX99812-SECRET", broken):
        data = bench_table() + tail
        cut = bench_table()[:-6] + tail
        for table in (data, cut):
            after = hidden_bytes("bytes /sys/firmware/dmi/tables/DMI", table)
            assert b"QX99812" not in after
            assert problems(after) == problems(table)


def test_strings_of_system_and_board_are_kept_by_name_only() -> None:
    """Only maker, product, version, SKU and family are kept; a string that serves twice counts as a secret."""
    fixed = bytes([1, 2, 0, 2]) + bytes(16) + bytes([6, 0, 3])
    table = structure(1, fixed, b"Harrow Lane Archive", b"HLA-7781-X", b"Towers", b"left over 99") + structure(127, b"")
    found = hidden_bytes("bytes /sys/firmware/dmi/tables/DMI", table)
    assert b"Harrow Lane Archive" in found
    assert b"Towers" in found
    assert b"HLA-7781-X" not in found
    assert b"left over 99" not in found


@given(st.binary(max_size=300))
def test_any_firmware_table_is_survived(data: bytes) -> None:
    """Cut, looping and meaningless tables end somewhere, and stay the same when done again."""
    found = firmware_table(data, Known())
    assert firmware_table(found, Known()) == found
    assert len(found) <= len(data)
    assert (problems(found), board_slots(found), board_devices(found)) == (
        problems(data),
        board_slots(data),
        board_devices(data),
    )


@given(st.binary(max_size=80).map(lambda tail: product_data()[:30] + tail) | st.binary(max_size=120))
def test_any_product_data_and_page_is_survived(data: bytes) -> None:
    """Bytes that lie about their lengths keep their number."""
    for change in (vital_product_data, designators, identify_controller):
        assert len(change(data, Known())) == len(data)


# --- Everywhere else -------------------------------------------------------------------------------------------


def test_a_known_secret_is_replaced_wherever_else_it_is() -> None:
    """Text, names, link targets, keys, bytes, later looks: no other read still holds the serial number."""
    token = Known().word(SERIAL)
    answers: dict[str, Answer] = {
        f"text {NVME}/serial": SERIAL,
        "text /sys/class/thing/note": f"sold with {SERIAL.lower()}, twice",
        f"list /sys/class/enclosure/{SERIAL}-1": (f"slot {SERIAL}", "power"),
        f"link /sys/class/enclosure/{SERIAL}-1/device": f"../../disk-{SERIAL}/x",
        f"text /sys/class/enclosure/{SERIAL}-1/state": failed(f"text /sys/class/enclosure/{SERIAL}-1/state", "EIO"),
        "bytes /sys/class/thing/blob": b"\xff\0" + SERIAL.encode() + b"\x80" + SERIAL.encode().hex().encode(),
        "udev 0000:01:00.0": f"Ostrayne\nReel 4 ({SERIAL})",
    }
    later: dict[str, Answer] = {f"text /sys/class/enclosure/{SERIAL}-1/note": SERIAL}
    found, ((offset, sample),) = redact(answers, [(0.5, later)])
    assert found == {
        f"text {NVME}/serial": token,
        "text /sys/class/thing/note": f"sold with {token}, twice",
        f"list /sys/class/enclosure/{token}-1": (f"slot {token}", "power"),
        f"link /sys/class/enclosure/{token}-1/device": f"../../disk-{token}/x",
        f"text /sys/class/enclosure/{token}-1/state": failed(f"text /sys/class/enclosure/{token}-1/state", "EIO"),
        "bytes /sys/class/thing/blob": b"\xff\0" + token.encode() + b"\x80" + token.encode().hex().encode(),
        "udev 0000:01:00.0": f"Ostrayne\nReel 4 ({token})",
    }
    assert (offset, sample) == (0.5, {f"text /sys/class/enclosure/{token}-1/note": token})


def test_a_secret_of_a_later_look_is_known_in_the_first() -> None:
    """It does not matter which look gave the secret away."""
    first, _ = redact({"text /sys/a/note": SERIAL}, [(1.0, {f"text {NVME}/serial": SERIAL})])
    assert first == {"text /sys/a/note": Known().word(SERIAL)}


def test_numbers_are_found_in_every_spelling() -> None:
    """A UUID and a MAC address are hidden in either byte order and in every way of writing them."""
    forms = (
        UUID,
        UUID.upper(),
        UUID_BYTES.hex(),
        MAC.replace(":", ""),
        MAC.replace(":", "-"),
        "6f2b1e90-47d3-405c-9a11-c0ffee5d2a34",
    )
    answers: dict[str, Answer] = {"text /sys/class/dmi/id/product_uuid": UUID, "text /sys/class/net/e/address": MAC}
    answers |= {f"text /sys/note/{number}": f"<{form}>" for number, form in enumerate(forms)}
    answers["bytes /sys/blob"] = b"--".join((UUID_BYTES, swap_uuid(UUID_BYTES), MAC_BYTES, MAC_BYTES[::-1]))
    found = hidden(answers)
    assert [form for form in forms for answer in found.values() if form in str(answer)] == []
    data = found["bytes /sys/blob"]
    assert isinstance(data, bytes)
    assert len(data) == 16 + 16 + 6 + 6 + 6
    assert [part for part in (UUID_BYTES, swap_uuid(UUID_BYTES), MAC_BYTES, MAC_BYTES[::-1]) if part in data] == []


def test_the_short_name_of_a_host_is_a_secret_too() -> None:
    """The first part of a full host name is hidden on its own, in capitals as well."""
    found = hidden({"text /proc/sys/kernel/hostname": "bench-2.harrow.example", "text /sys/note": "asset BENCH-2"})
    assert found["text /sys/note"] == f"asset {Known().word('bench-2')}"


# Texts and names that hold no secret, however much a secret looks like them.
KEPT: Final[dict[str, Answer]] = {
    "udev pci": "0000:00:01.0\n0000:01:00.0",
    "psutil virtual_memory.total": "68719476736",
    f"list {PCI}": ("0000:00:01.0", "0000:01:00.0"),
    f"link {PCI}/0000:01:00.0": "../../../devices/pci0000:00/0000:00:01.0/0000:01:00.0",
    f"list {PCI}/0000:01:00.0": ("config", "current_link_speed", "device", "driver", "nvme", "vendor"),
    f"link {PCI}/0000:01:00.0/driver": "../../../../bus/pci/drivers/nvme",
    f"text {PCI}/0000:01:00.0/class": "0x010802",
    f"text {PCI}/0000:01:00.0/current_link_speed": "16.0 GT/s PCIe",
    f"text {PCI}/0000:01:00.0/aer_dev_correctable": "RxErr 12345678\nBadTLP 0\nTOTAL_ERR_COR 12345678",
    f"text {PCI}/0000:01:00.0/vendor": "0xf1c4",
    "text /sys/bus/pci/slots/1/address": "0000:01:00",
    "text /sys/class/hwmon/hwmon3/temp1_input": "40850",
    "text /sys/class/hwmon/hwmon3/temp1_label": "Composite",
    "text /sys/class/nvme/nvme0/model": "Ostrayne Reel 4 2TB",
    "text /sys/class/nvme/nvme0/nvme0n1/size": "3907029168",
    "text /sys/class/dmi/id/product_name": "Editing tower",
    "text /proc/cpuinfo": "flags\t\t: fpu hypervisor 12345678",
    "psutil disk_io_counters": '{"nvme0n1":{"read_bytes":12345678},"sda":{"read_bytes":40850}}',
    "text /sys/bus/vmbus/devices/x/class_id": "{f8615163-df3e-46c5-913f-f2d2f965ed0e}",
    "nvme log-02 /dev/nvme0": health_log(b" config " * 64, Known()),
    "text /sys/thing/uevent": "DRIVER=x\nPCI_SLOT_NAME=0000:01:00.0",
    "text /sys/thing/words": "observers wait",
    "nvme identify /dev/nvme0": identify_controller(identify(), Known()),
    "bytes /sys/firmware/dmi/tables/DMI": firmware_table(bench_table(), Known()),
}


@pytest.mark.parametrize(
    "secret",
    [
        "0000:01:00.0",
        "0000:01:00",
        "config",
        "device",
        "vendor",
        "nvme0n1",
        "nvme",
        "hwmon3",
        "temp1_input",
        "Composite",
        "0x010802",
        "0xf1c4",
        "12345678",
        "68719476736",
        "3907029168",
        "40850",
        "editing",
        "Ostrayne",
        "devices",
        "drivers",
        "current_link_speed",
        "pci0000:00",
        "identify",
        "hypervisor",
        "TOTAL_ERR_COR",
        "16.0 GT/s PCIe",
        "virtual_memory",
        "server",
        "Onboard",
        "Harrow",
    ],
)
def test_structure_survives_a_secret_that_looks_like_it(secret: str) -> None:
    """A host or serial number that is called like a part of the kernel's tree breaks nothing."""
    for place in ("/proc/sys/kernel/hostname", "/sys/class/tty/x/serial"):
        own: dict[str, Answer] = {
            f"text {place}": secret,
            "text /sys/note": f"<{secret}>",
            "bytes /sys/note": f"<{secret}>".encode(),
        }
        found = hidden({**KEPT, **own})
        assert {key: answer for key, answer in found.items() if key not in own} == KEPT
        assert found[f"text {place}"] != secret


def test_what_is_too_plain_to_be_told_from_an_accident_is_hidden_in_its_place_only() -> None:
    """Short serial numbers and those of few different characters or bytes are not looked for elsewhere."""
    plain = bytes(7) + b"\1"
    answers: dict[str, Answer] = {
        "text /sys/a/serial": "QX700",
        "text /sys/b/serial": "1010101",
        f"bytes {PCI}/0000:01:00.0/config": space(plain),
        "text /sys/note": "QX700 1010101",
        "bytes /sys/note": b"--" + plain + b"--" + plain[::-1],
    }
    found = hidden(answers)
    assert [key for key in answers if found[key] == answers[key]] == ["text /sys/note", "bytes /sys/note"]


def test_a_token_is_not_taken_for_a_secret() -> None:
    """A host whose name is a part of another secret's token leaves that token alone."""
    part = Known().word(SERIAL)[1:7]
    found = hidden(
        {f"text {NVME}/serial": SERIAL, "text /proc/sys/kernel/hostname": part, "text /sys/note": f"<{part}>"}
    )
    assert found[f"text {NVME}/serial"] == Known().word(SERIAL)
    assert found["text /sys/note"] == f"<{Known().word(part)}>"


def test_a_secret_in_the_firmware_table_leaves_its_figures_alone() -> None:
    """In the table only strings are searched, so that no slot changes its width."""
    slot = BoardSlotWords(designation=f"SLOT of {SERIAL}", number=0x4C48, kind="card")
    before = structure(9, SERIAL.encode() + bytes(12), f"bay {SERIAL}".encode()) + bench_table([slot])
    after = hidden({f"text {NVME}/serial": SERIAL, "bytes /sys/firmware/dmi/tables/DMI": before})
    table = after["bytes /sys/firmware/dmi/tables/DMI"]
    assert isinstance(table, bytes)
    assert table[4:14] == SERIAL.encode()
    assert table.count(SERIAL.encode()) == 1
    assert table.count(Known().word(SERIAL).encode()) == 2


# --- Whole machines --------------------------------------------------------------------------------------------


def facts_of(answers: dict[str, Answer], samples: capture.Samples) -> Facts:
    """What the agent sees in these answers."""
    first = Recorded(answers, "linux")
    return linux.collect(first, [(offset, Recorded(found, "linux", first)) for offset, found in samples])


def without_secrets(facts: Facts) -> str:
    """All facts but serial numbers and the host's name, to be compared."""
    hidden_host = facts.host.__class__(
        **{name: getattr(facts.host, name) for name in facts.host.__struct_fields__} | {"name": ""}
    )
    drives = [
        one.__class__(**{name: getattr(one, name) for name in one.__struct_fields__} | {"serial": ""})
        for one in facts.drives
    ]
    functions = [
        [getattr(one, name) for name in one.__struct_fields__ if name != "registers"] + registers(one.registers)
        for look in (facts.functions, *(look.functions.values() for look in facts.looks))
        for one in look
    ]
    rest = (facts.kernel_slots, facts.board_slots, facts.board_devices, facts.sensors, facts.unread, facts.platform)
    return repr((hidden_host, drives, functions, rest))


def registers(found: Registers) -> list[object]:
    """Everything that is decoded of a function but its serial number."""
    decoded = [found.raw(layout) for layout in pcie.ALL_LAYOUTS if layout is not pcie.DEVICE_SERIAL_NUMBER]
    return [*decoded, found.places, found.problems, found.vendor_specific]


# One machine's parts say the same hostile text everywhere, as serial number and as name: there the name is a secret.
@pytest.mark.parametrize("name", [name for name in MACHINES if name != "hostile-names"])
def test_the_machines_of_the_archive_stay_what_they_are(name: str) -> None:
    """For every machine of the fixtures, all that is decoded is the same before and after."""
    setup = MACHINES[name]()
    found = capture.parse(setup.capture(), "test")
    answers, samples = redact(found.reads, found.samples)
    assert without_secrets(facts_of(answers, samples)) == without_secrets(facts_of(dict(found.reads), found.samples))
    assert redact(answers, samples) == (answers, samples)


def tower(serials: list[str], host: str) -> Machine:
    """A tower with two NVMe drives and a disk."""
    first = drive((4, 4), Nvme(serial=serials[0], sensors=(310, 320)), serial=0x06F1C4FFFE000001)
    second = drive((4, 4), Nvme(serial=serials[1]), serial=0x06F1C4FFFE0A5BC3)
    disks = [Disk(serial=serials[2][:20])]
    ports: list[Function] = [
        root_port("01.0", (4, 4), [first], slot=Slot(number=1, name="SLOT1", kernel_name="1")),
        root_port("02.0", (4, 4), [second], slot=Slot(number=2, name="M2_1", kind="m.2")),
        card("sata", (3, 1), at="17.0", integrated=True, disks=disks),
    ]
    return Machine(name=host, buses={"0000:00": ports})


words = st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=1, max_size=20) | st.sampled_from(
    [
        "0000:01:00.0",
        "nvme0",
        "config",
        "Composite",
        "SLOT1",
        "M2_1",
        "Ostrayne",
        "0x010802",
        "Reel",
        "0",
        "HLA0000001",
        "ata1",
        "pci0000:00",
        "a-b-c-d-e-f",
        "40850",
        "drivetemp",
        "00:00:00:00:00:00",
        UUID,
        MAC,
        "~abcdef0",
    ]
)


@pytest.mark.long
@given(st.lists(words, min_size=3, max_size=3), words)
def test_any_serial_number_and_host_name_leave_the_machine_as_it_is(serials: list[str], host: str) -> None:
    """Whatever drives and host are called, links, slots, drives and temperatures decode to the same."""
    answers, samples = record(build(tower(serials, host)))
    found, later = redact(answers, samples)
    assert redact(found, later) == (found, later)
    assert without_secrets(facts_of(found, later)) == without_secrets(facts_of(answers, samples))


def test_no_secret_of_a_machine_is_left_in_its_file() -> None:
    """The bytes of the capture hold no serial number, UUID or host name in any spelling."""
    machine = tower(["HLA0042QX7", "HLA0043QX7", "HV00412233"], "bench-2")
    data = capture_bytes(build(machine), redact=True).lower()
    kept = capture_bytes(build(machine)).lower()
    words = ["HLA0042QX7", "HLA0043QX7", "HV00412233", "HLA-BENCH-2-0007", "TW0007381", "bench-2", UUID]
    secrets = [spelt for word in words for spelt in (word.lower(), word.encode().hex(), word.lower().encode().hex())]
    secrets += [UUID_BYTES.hex(), swap_uuid(UUID_BYTES).hex(), EUI.hex(), EUI[::-1].hex(), MAC_BYTES.hex()]
    assert [secret for secret in secrets if secret.encode() in data] == []
    assert len([secret for secret in secrets if secret.encode() in kept]) > 8


keys = st.sampled_from(
    [
        f"text {NVME}/serial",
        "text /proc/sys/kernel/hostname",
        f"bytes {PCI}/0000:00:00.0/config",
        "link /a/b",
        "list /a",
        "bytes /sys/firmware/dmi/tables/DMI",
        "nvme identify /dev/nvme0",
        "text /sys/class/net/a/address",
        "text /a/wwid",
        f"bytes {PCI}/0000:00:00.0/vpd",
        "bytes /a/vpd_pg83",
        "text /a/subsysnqn",
        "text /a/uuid",
        "udev pci",
        "text /b",
    ]
)
values: st.SearchStrategy[Answer] = (
    st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
    | st.binary(max_size=200)
    | st.lists(words, max_size=3).map(tuple)
    | words
)


@given(st.dictionaries(keys, values, max_size=8))
def test_any_reads_are_survived(answers: dict[str, Answer]) -> None:
    """Whatever was read where, redaction gives answers of the same kinds, and the same when done again."""
    found, _ = redact(answers, ())
    assert [type(answer) for answer in found.values()] == [type(answer) for answer in answers.values()]
    assert redact(found, ()) == (found, ())
    config = answers.get(f"bytes {PCI}/0000:00:00.0/config")
    if isinstance(config, bytes):
        after = found[f"bytes {PCI}/0000:00:00.0/config"]
        assert isinstance(after, bytes)
        assert registers(Registers(after)) == registers(Registers(config))
