"""Secrets in text reads: those at known places, and those that are known by their form. Nothing is read here."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from probes.tokens import MARK, is_network_address

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.tokens import Known

_HEX: Final = "[0-9A-Fa-f]"
_UUID_FORM: Final = f"{_HEX}{{8}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{12}}"
UUID: Final = re.compile(f"(?<![0-9A-Za-z-]){_UUID_FORM}(?![0-9A-Za-z-])")
# Six bytes (Ethernet), eight (EUI-64) or up to twenty (InfiniBand) with one separator; a PCI address has four parts.
_NOT_BEFORE: Final = r"(?<![0-9A-Za-z:-])(?<![0-9A-Za-z]\.)"
_NOT_BEHIND: Final = r"(?![0-9A-Za-z:-]|\.[0-9A-Za-z])"
MAC: Final = re.compile(f"{_NOT_BEFORE}{_HEX}{{2}}([:.-])(?:{_HEX}{{2}}\\1){{4,18}}{_HEX}{{2}}{_NOT_BEHIND}")
_IN_FOURS: Final = re.compile(f"{_NOT_BEFORE}{_HEX}{{4}}\\.{_HEX}{{4}}\\.{_HEX}{{4}}{_NOT_BEHIND}")
# What may be an address of the Internet Protocol; whether it is one is looked at then.
_FOUR_PARTS: Final = re.compile(r"(?<![0-9A-Za-z.])(?:[0-9]{1,3}\.){3}[0-9]{1,3}(?![0-9A-Za-z]|\.[0-9A-Za-z])")
_COLONS: Final = re.compile(
    f"(?<![0-9A-Za-z:.])(?=[0-9A-Fa-f:]*::|(?:{_HEX}+:){{7}})[0-9A-Fa-f:]{{3,39}}(?![0-9A-Za-z:])"
)
# The folder of a person; a serial number that is told as one ("SN:QX700", "Serial number: QX700").
_HOME: Final = re.compile(r"(/(?:Users|home)/)([^/\0\n]+)")
_SAYS_SERIAL: Final = re.compile(r"[NnRrLlOo]\.? ?[:#=]")
_TOLD_SERIAL: Final = re.compile(
    r"((?<![0-9A-Za-z])(?:s/?n|serial(?:[ _-]?(?:no|number))?)\.? ?[:#=] ?)([0-9A-Za-z][0-9A-Za-z-]{3,})", re.IGNORECASE
)
_SIGNS: Final = "-:. "
_NO_SIGNS: Final = str.maketrans("", "", _SIGNS)
_WRAPPED: Final = re.compile(f"(\\{{|[Uu][Rr][Nn]:[Uu][Uu][Ii][Dd]:)({_UUID_FORM})(\\}}?)")
_BYTES: Final = re.compile(f"{_HEX}{{2}}([ :-]?)(?:{_HEX}{{2}}\\1){{4,}}{_HEX}{{2}}")
# The kernel's forms of a drive's identity. Sources: Linux drivers/nvme/host/sysfs.c wwid_show and
# drivers/scsi/scsi_lib.c scsi_vpd_lun_id.
_NVME_IDENTITY: Final = re.compile(f"(nvme\\.{_HEX}+-)((?:{_HEX}{{2}})+)(-.*)", re.DOTALL)
_NUMBERED: Final = ("eui.", "naa.", "uuid.")

# Texts that name a kind of thing, not one thing. A host may bear the name of its model: there a secret without
# digits is no secret, and four numbers with dots are a version.
KIND_NAMES: Final = frozenset(
    {
        *("bios_date", "bios_release", "bios_vendor", "bios_version", "board_name", "board_vendor", "board_version"),
        *("chassis_type", "chassis_vendor", "chassis_version", "device", "driver", "firmware_rev", "label", "model"),
        *("name", "osrelease", "product_family", "product_name", "product_sku", "product_version", "rev", "state"),
        *("sys_vendor", "vendor", "version"),
    }
)

# Texts that hold a fixed GUID, which names a kind of thing.
FIXED_GUIDS: Final = frozenset(("class_id", "guid", "modalias"))


def hide_text(name: str, text: str, known: Known) -> str:
    """A text read of the file `name` with tokens in place of its secrets."""
    if name == "cpuinfo":
        return _used_line(text)
    place = PLACES.get(name)
    if place is None:
        return text if name in FIXED_GUIDS else hide_forms(text, known, addresses=not names_a_kind(name))
    core = text.strip()
    start = text.index(core)
    return text[:start] + place(core, known) + text[start + len(core) :]


def names_a_kind(name: str) -> bool:
    """Whether the file of this name holds the name of a kind of thing."""
    return name in KIND_NAMES or name.endswith("_label")


def _used_line(text: str) -> str:
    """Of what the kernel tells of processors the line that is used: others hold serial numbers on some machines."""
    if not text.strip():
        return text
    return next((line for line in text.splitlines() if line.startswith("flags")), "(no line of it is used)")


def hide_forms(text: str, known: Known, *, addresses: bool = True) -> str:
    """The text with a token for each UUID and MAC address in it, and for network addresses where there may be some."""
    dots, colons = text.count("."), text.count(":")
    if text.count("-") >= 4:  # noqa: PLR2004 - the dashes of a UUID
        text = UUID.sub(lambda found: hide_number(found[0], known), text)
    if dots + colons + text.count("-") >= 5:  # noqa: PLR2004 - the separators of a MAC address
        text = MAC.sub(lambda found: _unless_version(found[0], known), text)
    if dots >= 2:  # noqa: PLR2004 - the dots of a MAC address in parts of four digits
        text = _IN_FOURS.sub(lambda found: _unless_version(found[0], known), text)
    if addresses and dots >= 3:  # noqa: PLR2004 - the dots of an address
        text = _FOUR_PARTS.sub(lambda found: _network_address(found[0], known), text)
    if addresses and colons > 1:
        text = _COLONS.sub(lambda found: _network_address(found[0], known), text)
    if "/Users/" in text or "/home/" in text:
        text = _HOME.sub(lambda found: found[1] + known.name(found[2]), text)
    return _TOLD_SERIAL.sub(lambda found: found[1] + known.word(found[2]), text) if _SAYS_SERIAL.search(text) else text


def _unless_version(text: str, known: Known) -> str:
    """The token of a MAC address; with dots, and without a letter, it may as well be a version."""
    return text if "." in text and text.replace(".", "").isdigit() else hide_number(text, known)


def _network_address(text: str, known: Known) -> str:
    return known.word(text) if is_network_address(text) else text


def hide_number(text: str, known: Known) -> str:
    """A UUID, or bytes in hexadecimal digits with or without separators: the token in the same form."""
    digits = text.translate(_NO_SIGNS)
    raw = bytes.fromhex(digits)
    token = known.number(raw)
    if token == raw:
        return text
    fresh = iter(token.hex())
    return in_case_of(text, "".join([letter if letter in _SIGNS else next(fresh) for letter in text]))


def in_case_of(text: str, token: str) -> str:
    """The token in capital letters where the text it replaces is; a word's token has small letters always."""
    capital = text == text.upper() != text.lower() and not token.startswith(MARK)
    return token.upper() if capital else token


def identity(text: str, known: Known) -> str:
    """A serial number, a UUID, an EUI-64: whatever it is, by its form."""
    wrapped = _WRAPPED.fullmatch(text)
    if wrapped is not None:
        return f"{wrapped[1]}{hide_number(wrapped[2], known)}{wrapped[3]}"
    if UUID.fullmatch(text) or _BYTES.fullmatch(text):
        return hide_number(text, known)
    return known.word(text)


def serial_number(text: str, known: Known) -> str:
    """A serial number, whatever it is made of."""
    return identity(text, known) if UUID.fullmatch(text) or _WRAPPED.fullmatch(text) else known.word(text)


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
    """The name of a machine; its first part alone is a secret too, unless it is an address."""
    if not is_network_address(text):
        known.name(text.partition(".")[0])
    return known.name(text)


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
