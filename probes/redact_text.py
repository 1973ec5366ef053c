"""Secrets in text reads: those at known places, and those that are known by their form. Nothing is read here."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from probes.tokens import MARK, write_uuid

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.tokens import Known

_HEX: Final = "[0-9A-Fa-f]"
_UUID_FORM: Final = f"{_HEX}{{8}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{12}}"
UUID: Final = re.compile(f"(?<![0-9A-Za-z-]){_UUID_FORM}(?![0-9A-Za-z-])")
# Six bytes (Ethernet), eight (EUI-64) or up to twenty (InfiniBand) with one separator; a PCI address has four parts.
MAC: Final = re.compile(f"(?<![0-9A-Za-z:-]){_HEX}{{2}}([:-])(?:{_HEX}{{2}}\\1){{4,18}}{_HEX}{{2}}(?![0-9A-Za-z:-])")
_BYTES: Final = re.compile(f"{_HEX}{{2}}([ :-]?)(?:{_HEX}{{2}}\\1){{4,}}{_HEX}{{2}}")
# The kernel's forms of a drive's identity. Sources: Linux drivers/nvme/host/sysfs.c wwid_show and
# drivers/scsi/scsi_lib.c scsi_vpd_lun_id.
_NVME_IDENTITY: Final = re.compile(f"(nvme\\.{_HEX}+-)((?:{_HEX}{{2}})+)(-.*)", re.DOTALL)
_NUMBERED: Final = ("eui.", "naa.", "uuid.")

# Texts that hold a fixed GUID, which names a kind of thing.
FIXED_GUIDS: Final = frozenset(("class_id", "guid", "modalias"))


def hide_text(name: str, text: str, known: Known) -> str:
    """A text read of the file `name` with tokens in place of its secrets."""
    place = PLACES.get(name)
    if place is None:
        return text if name in FIXED_GUIDS else hide_forms(text, known)
    core = text.strip()
    start = text.index(core)
    return text[:start] + place(core, known) + text[start + len(core) :]


def hide_forms(text: str, known: Known) -> str:
    """The text with a token for each UUID and MAC address in it."""
    if text.count("-") >= 4:  # noqa: PLR2004 - the dashes of a UUID
        text = UUID.sub(lambda found: hide_number(found[0], known), text)
    if text.count(":") + text.count("-") >= 5:  # noqa: PLR2004 - the separators of a MAC address
        text = MAC.sub(lambda found: hide_number(found[0], known), text)
    return text


def hide_number(text: str, known: Known) -> str:
    """A UUID, or bytes in hexadecimal digits with or without separators: the token in the same form."""
    digits = "".join(letter for letter in text if letter.isalnum())
    token = known.number(bytes.fromhex(digits))
    if UUID.fullmatch(text):
        written = write_uuid(token)
    else:
        separator = "" if text[2].isalnum() else text[2]
        written = token.hex(separator) if separator else token.hex()
    return in_case_of(text, written)


def in_case_of(text: str, token: str) -> str:
    """The token in capital letters where the text it replaces is; a word's token has small letters always."""
    capital = text == text.upper() != text.lower() and not token.startswith(MARK)
    return token.upper() if capital else token


def identity(text: str, known: Known) -> str:
    """A serial number, a UUID, an EUI-64: whatever it is, by its form."""
    if UUID.fullmatch(text) or _BYTES.fullmatch(text):
        return hide_number(text, known)
    return known.word(text)


def serial_number(text: str, known: Known) -> str:
    """A serial number, whatever it is made of."""
    return hide_number(text, known) if UUID.fullmatch(text) else known.word(text)


def worldwide_identity(text: str, known: Known) -> str:
    """The identity of a disk or namespace, which begins with the kind of identity."""
    if text.startswith(_NUMBERED):
        kind, _, rest = text.partition(".")
        return f"{kind}.{identity(rest, known)}"
    found = _NVME_IDENTITY.fullmatch(text)
    if found is not None:
        serial = bytes.fromhex(found[2]).decode("latin-1")
        token = known.word(serial)[: len(serial)]
        return f"{found[1]}{token.encode('latin-1').hex()}{found[3]}"
    if text.startswith("t10."):
        return "t10." + known.word(text[4:])
    return identity(text, known)


def qualified_name(text: str, known: Known) -> str:
    """An NVMe Qualified Name: what follows the first colon is often a serial number, a UUID or a host's name.

    Source: NVM Express Base, NVMe Qualified Names.
    """
    authority, colon, rest = text.partition(":")
    if not colon:
        return known.word(text)
    if rest.startswith("uuid:"):
        return f"{authority}:uuid:{identity(rest[5:], known)}"
    return f"{authority}:{known.word(rest)}"


def host_name(text: str, known: Known) -> str:
    """The name of a machine; its first part alone is a secret too."""
    known.word(text.partition(".")[0])
    return known.word(text)


# The last part of a path to what the file holds.
PLACES: Final[dict[str, Callable[[str, Known], str]]] = {
    "board_asset_tag": serial_number,
    "board_serial": serial_number,
    "boot_id": identity,
    "chassis_asset_tag": serial_number,
    "chassis_serial": serial_number,
    "domainname": host_name,
    "eui": identity,
    "hostid": identity,
    "hostname": host_name,
    "hostnqn": qualified_name,
    "machine-id": identity,
    "nguid": identity,
    "nodename": host_name,
    "node_guid": identity,
    "phys_port_id": identity,
    "phys_switch_id": identity,
    "product_serial": serial_number,
    "product_uuid": identity,
    "serial": serial_number,
    "serial_number": serial_number,
    "subsysnqn": qualified_name,
    "sys_image_guid": identity,
    "unique_id": identity,
    "uuid": identity,
    "wwid": worldwide_identity,
    "wwn": worldwide_identity,
}
