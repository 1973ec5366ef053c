"""Secrets in the property lists of the Darwin registry printer: known by their keys and by their forms.

A string gets a token in its place, data a token of its length, a number becomes 0. What is taken out whole keeps its
empty element. Of a value under a key that is not asked for (`Element.is_kept`) only type and length are kept, once the
secrets in it are known. All else stays byte for byte (`probes/list_text.py`), and the list as well-formed as it was.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from probes.list_text import CONTAINERS, decoded, elements, encoding, in_text, replaced, writing, written
from probes.redact_text import hide_forms, hide_number, host_name, identity, qualified_name
from probes.redact_text import serial_number as serial_text
from probes.tokens import MARK, SHORTEST_NUMBER, is_number_token

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from probes.list_text import Element
    from probes.tokens import Known

# --- Keys --------------------------------------------------------------------------------------------------------

# A key is compared by its letters and digits alone. Sources of the keys: the headers and sources of the system's
# storage, USB, network and platform families, and XNU iokit (IOPlatformExpert.cpp, IOKitKeys.h).
_SERIAL: Final = re.compile(r".*serial(?:no|num|number)?(?:string)?|.*serialnumber.*|mlb|.*assettag|.*imei|.*meid")
_SHORT_SERIAL: Final = re.compile(r"(?:.*[-_ .:,])?[Ss][Nn]|.*[a-z]SN")  # as it is written: "wifi-module-sn"
_NUMBER: Final = re.compile(
    r".*(?:uuid|guid|macaddress|hardwareaddress|ethernetaddress|bdaddr|bluetoothaddress|worldwidename|wwn|wwid)\d*(?:key)?"
    r"|eui|eui64|naa|systemid|uniqueid|uniqueidentifier|uniquechipid|ecid|udid|dieid|permanentaddress"
    r"|hardwareid|machineid|hostid|uid"
    r"|.*(?:uuid|macaddress).*"
)
_PERSON: Final = re.compile(
    r".*(?:hostname|computername|username|longname|fullname|accountname|ownername|loginname|userid|sessionname|sessionid)"
    r"(?:key)?|.*vol(?:ume)?(?:name|label)"
)
_QUALIFIED: Final = re.compile(r".*nqn")
# Who is logged in, the firmware's variables, which program opened what, what opens a lock; and what screens and devices
# on a cable say of themselves, serial numbers and all.
_TAKEN_OUT: Final = re.compile(
    r"ioconsoleusers.*|ioconsolesession.*|.*nvram.*|iouserclientcreator|.*nonce|.*password.*"
    r"|.*edid|.*overridenoconnect|savedconfig|.*drom"
)
_VARIABLES: Final = re.compile(r".*nvram.*|options", re.IGNORECASE)
_HEADER: Final = frozenset(
    {
        *("IOObjectClass", "IORegistryEntryID", "IORegistryEntryName", "IORegistryEntryLocation"),
        *("IORegistryEntryChildren", "IOObjectRetainCount", "IOServiceState", "IOServiceBusyState"),
        "IOServiceBusyTime",
    }
)
# Entries that bear a name of the system's own. All others may bear one that people gave, or a device's own: volumes,
# sets of disks, what is plugged in. Of those only the name of a model is kept.
_NAMED_BY_SYSTEM: Final = re.compile(r"IO(?:PCI|Platform|DT|RegistryEntry)\w*|IOService|AppleACPI\w*")
_MODELS: Final = frozenset({"Product Name", "Vendor Name", "Model Number"})
# Where an entry stands below another: numbers of units. Those of some buses are as long as an address that is unique.
_LOCATION: Final = re.compile(r"[0-9A-Fa-f]{1,8}(?:,[0-9A-Fa-f]{1,8})*")
# The address of a disk on its bus, which its maker gave it: 5 and fifteen digits. Source: T10, NAA 5h.
_ON_BUS: Final = re.compile(r"(?<![0-9A-Fa-f])5[0-9A-Fa-f]{15}(?![0-9A-Fa-f])")

MOST_KEYS: Final = 4096  # that are kept in mind; a machine has some hundred
_NOT_COMPARED: Final = re.compile(r"[^a-z0-9]+")


@lru_cache(MOST_KEYS)
def folded(key: str) -> str:
    """A key by its letters and digits, small."""
    return _NOT_COMPARED.sub("", key.lower())


@lru_cache(MOST_KEYS)
def _is_taken_out(key: str) -> bool:
    return _TAKEN_OUT.fullmatch(folded(key)) is not None


@lru_cache(MOST_KEYS)
def _place(key: str) -> Callable[[str, Known], str] | None:
    """What hides a string under this key, None where the key is not one of a secret."""
    name = folded(key)
    if _SERIAL.fullmatch(name) or _SHORT_SERIAL.fullmatch(key):
        return serial_text
    if _NUMBER.fullmatch(name):
        return identity
    if _QUALIFIED.fullmatch(name):
        return qualified_name
    return _person if _PERSON.fullmatch(name) else None


def _person(text: str, known: Known) -> str:
    """The name of a person, a machine or a volume; its parts alone are secrets too."""
    for part in text.split():
        known.name(part)
    return host_name(text, known)


_EMPTY: Final = {"integer": "0", "real": "0", "date": "2001-01-01T00:00:00Z"}  # what these become

# --- The first pass ----------------------------------------------------------------------------------------------


def hide_answer(answer: str | bytes, known: Known) -> str | bytes:
    """An answer of the registry printer with tokens in place of its secrets. Doing it again changes nothing."""
    return in_text(answer, lambda text: hide_registry(text, known))


def hide_registry(text: str, known: Known) -> str:
    """A property list of the registry printer with tokens in place of its secrets."""
    changes: list[tuple[int, int, str]] = []
    found = list(elements(text))
    models = frozenset(
        word
        for element in found
        if element.key in _MODELS and element.tag == "string"
        for word in written(text[element.start : element.end]).split()
    )
    for element in found:
        if element.tag in CONTAINERS:
            changes += _in_container(text, element, known, models)
        elif element.tag not in {"key", "true", "false"} and _is_taken_out(element.key):
            changes.append((element.start, element.end, _EMPTY.get(element.tag, "")))
        else:
            new = _hidden(text[element.start : element.end], element, known)
            if new is not None:
                changes.append((element.start, element.end, new))
    return replaced(text, changes) if changes else text


def _in_container(text: str, element: Element, known: Known, models: frozenset[str]) -> Iterator[tuple[int, int, str]]:
    """What of a container is taken out whole, and the name of an entry that people name."""
    if element.key and _is_taken_out(element.key):
        yield element.start, element.end, ""
    if element.tag != "dict":
        return
    kind, name = (_content(text, element.holds.get(key)) for key in ("IOObjectClass", "IORegistryEntryName"))
    if _VARIABLES.fullmatch(kind) or _VARIABLES.fullmatch(name):
        for key, held in element.holds.items():
            if key not in _HEADER and held.tag not in {"true", "false"}:
                yield held.start, held.end, _EMPTY.get(held.tag, "")
    place = element.holds.get("IORegistryEntryName")
    if place is None or not kind or name == kind or _NAMED_BY_SYSTEM.fullmatch(kind):
        return
    if place.tag == "string" and not models.issuperset(name.removesuffix(" Media").split()):
        _forms(name, known)
        yield place.start, place.end, known.word(name, remember=False)


def _content(text: str, held: Element | None) -> str:
    return written(text[held.start : held.end]) if held is not None and held.tag == "string" else ""


def _hidden(raw: str, element: Element, known: Known) -> str | None:
    """The content of one leaf with its secret replaced, None where it stays."""
    place = None if element.tag == "key" else _place(element.key)
    kept = element.is_kept or element.tag == "key"
    if element.tag in {"string", "key"}:
        text = written(raw)
        new = _hidden_text(text, place, known, element)
        new = new if kept or place is not None else MARK * len(text)
        return None if new == text else writing(new)
    if element.tag == "data":
        data = decoded(raw) if element.whole else None
        if data is None:
            return None if kept and place is None else ""
        found = _hidden_data(data, place, known)
        found = found if kept or place is not None else bytes(len(data))
        return None if found == data else encoding(raw, found)
    return None if kept and place is None else _EMPTY.get(element.tag)


def _forms(text: str, known: Known, *, addresses: bool = True) -> str:
    """The text with tokens for all that is known by its form."""
    text = hide_forms(text, known, addresses=addresses)
    return _ON_BUS.sub(lambda found: hide_number(found[0], known), text)


def _hidden_text(text: str, place: Callable[[str, Known], str] | None, known: Known, element: Element) -> str:
    if element.key == "IORegistryEntryLocation" and element.tag != "key" and not _LOCATION.fullmatch(text):
        place = identity
    if place is None:
        return _forms(text, known, addresses=not element.names_a_kind)
    core = text.strip()
    start = text.index(core)
    return text[:start] + place(core, known) + text[start + len(core) :] if core else text


def _hidden_data(data: bytes, place: Callable[[str, Known], str] | None, known: Known) -> bytes:
    """As many bytes with tokens in place of what is secret in them; pieces of text end with NUL."""
    pieces = data.split(b"\0")
    readable = all(_text_of(piece) is not None for piece in pieces)
    if place is None:
        return b"\0".join(_in_piece(piece, _forms, known) for piece in pieces) if readable else data
    core = data.rstrip(b"\0")
    if any(is_number_token(data[:size]) for size in range(len(core), min(len(core) + 4, len(data)) + 1)):
        return data
    if readable:
        return b"\0".join(_in_piece(piece, place, known) for piece in pieces)
    size = _size_of_number(data) if place is identity else 0
    if size:
        return known.number(data[:size]) + data[size:]
    if len(core) < SHORTEST_NUMBER:
        return bytes(len(data))
    return known.number(core) + data[len(core) :]


def _in_piece(piece: bytes, place: Callable[[str, Known], str], known: Known) -> bytes:
    """A piece of text with a token in as many bytes: it is cut, or filled up as only a token can be."""
    core = piece.strip()
    if not core:
        return piece
    new = place(core.decode(), known).encode()
    start = piece.index(core)
    return piece[:start] + new[: len(core)].ljust(len(core), b"0") + piece[start + len(core) :]


def _text_of(piece: bytes) -> str | None:
    """The piece as text, None where it is none."""
    try:
        text = piece.decode()
    except UnicodeDecodeError:
        return None
    return text if all(letter.isprintable() or letter in "\t\r\n" for letter in text) else None


_SIZES: Final = (6, 8, 16)  # of a MAC address, an EUI-64 or world-wide name, a UUID


def _size_of_number(data: bytes) -> int:
    """How many bytes of these are a number of a usual size, all behind it being NUL; 0 where none is."""
    core = len(data.rstrip(b"\0"))
    return next((size for size in _SIZES if core <= size <= len(data)), 0)
