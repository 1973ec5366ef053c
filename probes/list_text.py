"""The text of a property list of the registry printer (Darwin): where its elements stand, other values in their places.

Nothing but values changes, byte for byte: base64 data is changed at equal length and written again where it stood. The
text may be cut or no property list at all; what is left open at its end counts as closed there. Nothing is read here.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_TAG: Final = re.compile(r"<(/?)([A-Za-z]+)(?![A-Za-z])[^<>]*(?<!/)(/?)>|<!--|<!\[CDATA\[")
_ENDS: Final = {"<!--": "-->", "<![CDATA[": "]]>"}
CONTAINERS: Final = frozenset({"dict", "array", "set"})
_LEAVES: Final = frozenset({"key", "string", "data", "integer", "real", "date", "true", "false"})
_BEGIN: Final = re.compile(r"<!--|<!\[CDATA\[")

LONGEST_CLASS: Final = 128  # characters of a class's name
# Values that hold the system's own words and figures, and those that name a kind of part.
_PLAIN: Final = frozenset(
    {
        *("IOObjectClass", "IORegistryEntryLocation", "BSD Name", "IOName", "name", "pcidebug", "reg", "class-code"),
        *("vendor-id", "device-id", "revision-id", "subsystem-vendor-id", "subsystem-id", "compatible", "device_type"),
        *("Physical Interconnect", "Physical Interconnect Location", "Medium Type", "device-type"),
        *("assigned-addresses", "ranges", "acpi-path", "IOClass", "IOProviderClass", "CFBundleIdentifier"),
    }
)
_OF_KINDS: Final = frozenset(
    {
        *("model", "Model", "Model Number", "Product Name", "Vendor Name", "Product Revision Level"),
        *("Firmware Revision", "AAPL,slot-name", "manufacturer", "version", "vendor", "release-date", "board-id"),
        *("IOKitBuildVersion", "OS Build Version", "product-name", "NVMe Revision Supported"),
    }
)
# Figures, and what holds the list together. With those above these are the keys whose values are kept: what the probe
# asks for, and what tells where an entry stands.
_OF_FIGURES: Final = frozenset(
    {
        *("IORegistryEntryID", "IORegistryEntryName", "IORegistryEntryChildren", "IOObjectRetainCount"),
        *("IOServiceState", "IOServiceBusyState", "IOServiceBusyTime", "Size", "Whole", "IOPCITunnelled"),
        "IOPCIHPType",
        *("Device Characteristics", "Protocol Characteristics", "Serial Number"),
    }
)
_OF_REGISTERS: Final = "IOPCIExpress"
_KEPT: Final = _PLAIN | _OF_KINDS | _OF_FIGURES


class Element(Struct):
    """One element of a property list: where its content stands, and under which key.

    In an array the key is that of the array. `within` is the key of the dict (or array) around it, `beside` the values
    of that dict so far, by their keys; of a dict, `holds` are its own. `whole` tells that its end was there.
    """

    tag: str
    key: str
    start: int
    end: int
    within: str
    beside: dict[str, Element]
    holds: dict[str, Element]
    value: str = ""
    whole: bool = True

    @property
    def is_kept(self) -> bool:
        """Whether the value stands under a key that is asked for."""
        return self.key in _KEPT or self.key.startswith(_OF_REGISTERS)

    @property
    def is_plain(self) -> bool:
        """Whether the value is a word or a figure of the system's own, whatever secret looks like it."""
        return self.key in _PLAIN

    @property
    def names_a_kind(self) -> bool:
        """Whether the value names a kind of thing: there a secret without digits is no secret."""
        if self.key == "IORegistryEntryName":
            return "IOObjectClass" not in self.beside or self.beside["IOObjectClass"].value.startswith("IOPCI")
        return self.key in _OF_KINDS


class _Frame:
    """A container that is open: its tag, its key, where its content begins, and what it holds so far."""

    __slots__ = ("_open", "holds", "key", "pending", "start", "tag")

    def __init__(self, tag: str, key: str, start: int, above: _Frame | None = None) -> None:
        self._open: frozenset[str] = frozenset((tag,)) if above is None else above.with_tag(tag)
        self.tag = tag
        self.key = key
        self.start = start
        self.pending = ""
        self.holds: dict[str, Element] = {}

    def with_tag(self, tag: str) -> frozenset[str]:
        """The kinds of container that are open here, and another one."""
        return self._open if tag in self._open else self._open | {tag}

    def around(self, tag: str) -> bool:
        """Whether this, or a container around it, is of this kind."""
        return tag in self._open

    def take_key(self) -> str:
        """The key of what comes next."""
        if self.tag != "dict":
            return self.key
        key, self.pending = self.pending, ""
        return key


def _tags(text: str) -> Iterator[tuple[str, bool, bool, int, int]]:
    """Every tag outside of comments and character data: name, whether it closes, whether it is empty, start, end.

    A comment without an end is none: what stands in it is looked through.
    """
    place = 0
    endless = set()
    while (found := _TAG.search(text, place)) is not None:
        place = found.end()
        mark = _ENDS.get(found[0])
        if mark is None:
            yield found[2], bool(found[1]), bool(found[3]), found.start(), place
        elif mark not in endless:
            end = text.find(mark, place)
            if end < 0:
                endless.add(mark)
            else:
                place = end + len(mark)


def elements(text: str) -> Iterator[Element]:
    """Every element with content, keys among them, a container after all that it holds. Any text is survived."""
    frames = [_Frame("", "", 0)]
    opened: tuple[str, int] | None = None
    for tag, closing, empty, start, end in _tags(text):
        if tag not in _LEAVES and tag not in CONTAINERS:
            continue
        before, opened = opened, None
        if before is not None:
            yield _leaf(text, frames[-1], before, start)
        if closing and (before is None or before[0] != tag):
            yield from _close(frames, tag, start)
        elif closing:
            continue
        elif tag in CONTAINERS:
            frames.append(_Frame(tag, frames[-1].take_key(), end, frames[-1]))
            yield from _close(frames, tag, end) if empty else ()
        elif empty:
            yield _leaf(text, frames[-1], (tag, end), end)
        else:
            opened = (tag, end)
    if opened is not None:
        yield _leaf(text, frames[-1], opened, len(text), whole=False)
    while len(frames) > 1:
        yield from _close(frames, frames[-1].tag, len(text), whole=False)


def _leaf(text: str, frame: _Frame, opened: tuple[str, int], end: int, *, whole: bool = True) -> Element:
    tag, start = opened
    if tag == "key":
        frame.pending = written(text[start:end])
        return Element(tag, frame.pending, start, end, frame.key, frame.holds, {}, whole=whole)
    value = text[start:end] if tag == "string" and end - start <= LONGEST_CLASS else ""
    made = Element(tag, frame.take_key(), start, end, frame.key, frame.holds, {}, value, whole)
    frame.holds[made.key] = made
    return made


def _close(frames: list[_Frame], tag: str, end: int, *, whole: bool = True) -> Iterator[Element]:
    """Close the innermost container of this kind, and all that was left open in it; none where none is open."""
    if not frames[-1].around(tag):
        return
    while True:
        frame = frames.pop()
        above = frames[-1]
        made = Element(frame.tag, frame.key, frame.start, end, above.key, above.holds, frame.holds, whole=whole)
        above.holds[made.key] = made
        yield made
        if frame.tag == tag:
            return


def written(raw: str) -> str:
    """The characters that the content of an element stands for."""
    if "<" in raw:
        raw = "".join(_unmarked(raw))
    if "&" in raw:
        from html import unescape

        return unescape(raw)
    return raw


def _unmarked(raw: str) -> Iterator[str]:
    """The content without comments, and with character data as it would be written without its marks."""
    place = 0
    endless = set()
    while (found := _BEGIN.search(raw, place)) is not None:
        mark = _ENDS[found[0]]
        end = -1 if mark in endless else raw.find(mark, found.end())
        if end < 0:
            endless.add(mark)
            yield raw[place : found.end()]
            place = found.end()
            continue
        yield raw[place : found.start()]
        if found[0] != "<!--":
            yield raw[found.end() : end].replace("&", "&amp;")
        place = end + len(mark)
    yield raw[place:]


def writing(text: str) -> str:
    """The content of an element that stands for these characters."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def decoded(raw: str) -> bytes | None:
    """The bytes that base64 content stands for; None where it stands for none."""
    from binascii import Error, a2b_base64

    try:
        return a2b_base64("".join(written(raw).split()))
    except (Error, ValueError):
        return None


def encoding(raw: str, data: bytes) -> str:
    """Base64 of as many bytes as `raw` stands for, laid out as that is."""
    from binascii import b2a_base64

    digits = b2a_base64(data, newline=False).decode()
    places = "".join(raw.split())
    if len(places) != len(digits) or "<" in raw or "&" in raw:
        return digits
    fresh = iter(digits)
    return "".join(letter if letter.isspace() else next(fresh) for letter in raw)


def replaced(text: str, changes: list[tuple[int, int, str]]) -> str:
    """The text with other contents at some places; what lies inside a wider change goes with it; the last counts."""
    parts = []
    place = 0
    last = {(start, -end): content for start, end, content in changes}
    for (start, ended), content in sorted(last.items()):
        end = -ended
        if start >= place:
            parts += [text[place:start], content]
            place = end
    return "".join((*parts, text[place:]))


def map_values(
    text: str, change_text: Callable[[Element, str], str], change_data: Callable[[Element, bytes], bytes]
) -> str:
    """The text with each string, each data and each key changed; data to as many bytes, no key that is asked for."""
    changes = []
    for element in elements(text):
        raw = text[element.start : element.end]
        if element.tag == "string" or (element.tag == "key" and not element.is_kept):
            before = written(raw)
            after = change_text(element, before)
            if after != before:
                changes.append((element.start, element.end, writing(after)))
        elif element.tag == "data":
            data = decoded(raw)
            new = change_data(element, data) if data else data
            if new != data and new is not None:
                changes.append((element.start, element.end, encoding(raw, new)))
    return replaced(text, changes) if changes else text


# --- Answers ------------------------------------------------------------------------------------------------------


def in_text(answer: str | bytes, change: Callable[[str], str]) -> str | bytes:
    """The answer with its text changed; of what is no text of a property list, only that it is none is left."""
    if isinstance(answer, str):
        return _if_list(answer, change)
    if answer.startswith(b"bplist"):
        return answer[:8]
    for mark, coding in _CODINGS.items():
        if answer.startswith(mark):
            return _if_list(answer.decode(coding, "surrogatepass"), change).encode(coding, "surrogatepass")
    return _if_list(answer.decode("latin-1"), change).encode("latin-1")


# How a text of two bytes a character begins, with its byte order mark or without.
_CODINGS: Final = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be", b"<\0": "utf-16-le", b"\0<": "utf-16-be"}
_NO_LIST: Final = "(text that is no property list; taken out)"


def _if_list(text: str, change: Callable[[str], str]) -> str:
    begin = text.lstrip("\ufeff\xef\xbb\xbf \t\r\n")
    return change(text) if not begin or begin.startswith("<") else _NO_LIST
