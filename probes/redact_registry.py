"""Secrets in the property lists of the Darwin registry printer: known by their keys and by their forms.

A string gets a token in its place, data a token of its length, a number becomes 0. What is taken out whole keeps its
empty element. All else stays byte for byte (`probes/list_text.py`), and the list stays as well-formed as it was.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from probes.list_text import CONTAINERS, decoded, elements, encoding, in_text, replaced, writing, written
from probes.redact_text import hide_forms, host_name, identity, qualified_name
from probes.redact_text import serial_number as serial_text
from probes.tokens import SHORTEST_NUMBER, is_number_token

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from probes.list_text import Element
    from probes.tokens import Known

# --- Keys --------------------------------------------------------------------------------------------------------

# A key is compared by its letters and digits alone. Sources of the keys: the headers and sources of the system's
# storage, USB, network and platform families, and XNU iokit (IOPlatformExpert.cpp, IOKitKeys.h).
_SERIAL: Final = re.compile(r".*serial(?:no|num|number)?(?:string)?|.*serialnumber.*|mlb|.*assettag|.*imei|.*meid")
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
# Keys whose UUIDs name a kind of thing: of a partition, of a plug-in.
_KINDS: Final = frozenset({"content", "contenthint", "iocfplugintypes"})
# Entries that bear the names that people give to their volumes and to what they plug in.
_NAMED_BY_PEOPLE: Final = re.compile(
    r".*(?:Media|Volume|Snapshot|Container|RAIDSet|CoreStorage\w*|USB\w*Device|HID\w*Device|Bluetooth\w*)"
)

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
    if _SERIAL.fullmatch(name):
        return serial_text
    if _NUMBER.fullmatch(name):
        return identity
    if _QUALIFIED.fullmatch(name):
        return qualified_name
    return _person if _PERSON.fullmatch(name) else None


def _person(text: str, known: Known) -> str:
    """The name of a person, a machine or a volume; its parts alone are secrets too."""
    for part in text.split():
        known.word(part)
    return host_name(text, known)


_EMPTY: Final = {"integer": "0", "real": "0"}  # what a number becomes

# --- The first pass ----------------------------------------------------------------------------------------------


def hide_answer(answer: str | bytes, known: Known) -> str | bytes:
    """An answer of the registry printer with tokens in place of its secrets. Doing it again changes nothing."""
    return in_text(answer, lambda text: hide_registry(text, known))


def hide_registry(text: str, known: Known) -> str:
    """A property list of the registry printer with tokens in place of its secrets."""
    changes: list[tuple[int, int, str]] = []
    for element in elements(text):
        if element.tag in CONTAINERS:
            changes += _in_container(text, element, known)
        elif element.tag not in {"key", "true", "false"} and _is_taken_out(element.key):
            changes.append((element.start, element.end, _EMPTY.get(element.tag, "")))
        else:
            new = _hidden(text[element.start : element.end], element, known)
            if new is not None:
                changes.append((element.start, element.end, new))
    return replaced(text, changes) if changes else text


def _in_container(text: str, element: Element, known: Known) -> Iterator[tuple[int, int, str]]:
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
    whole = element.holds.get("Whole")
    place = element.holds.get("IORegistryEntryName")
    named = place is not None and name != kind and _NAMED_BY_PEOPLE.fullmatch(kind)
    if place is not None and named and (whole is None or whole.tag != "true"):
        yield place.start, place.end, known.word(name, remember=False)


def _content(text: str, held: Element | None) -> str:
    return written(text[held.start : held.end]) if held is not None and held.tag == "string" else ""


def _hidden(raw: str, element: Element, known: Known) -> str | None:
    """The content of one leaf with its secret replaced, None where it stays."""
    place = None if element.tag == "key" else _place(element.key)
    of_kinds = folded(element.key) in _KINDS or folded(element.within) in _KINDS
    if element.tag in {"string", "key"}:
        text = written(raw)
        new = _hidden_text(text, place, known, of_kinds=of_kinds)
        return None if new == text else writing(new)
    if element.tag == "data":
        data = decoded(raw) if element.whole else None
        if data is None:
            return None if place is None else ""
        found = _hidden_data(data, place, known, of_kinds=of_kinds)
        return None if found == data else encoding(raw, found)
    return None if place is None else _EMPTY.get(element.tag)


def _hidden_text(text: str, place: Callable[[str, Known], str] | None, known: Known, *, of_kinds: bool) -> str:
    if place is None:
        return text if of_kinds else hide_forms(text, known)
    core = text.strip()
    start = text.index(core)
    return text[:start] + place(core, known) + text[start + len(core) :] if core else text


def _hidden_data(data: bytes, place: Callable[[str, Known], str] | None, known: Known, *, of_kinds: bool) -> bytes:
    """As many bytes with tokens in place of what is secret in them; pieces of text end with NUL."""
    pieces = data.split(b"\0")
    readable = all(_text_of(piece) is not None for piece in pieces)
    if place is None:
        return data if of_kinds or not readable else b"\0".join(_in_piece(piece, hide_forms, known) for piece in pieces)
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
