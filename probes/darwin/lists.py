"""Property lists of the I/O Registry to entries: bounded parsing, a walk without recursion. Knows no key of a device.

The printer writes XML of version 1: an array of trees where it was asked for what matches, one dictionary for a whole
plane, no byte at all where nothing matches. Releases before 2011 print text for people in its place. Sources:
IOKitTools, ioreg.tproj/ioreg.c; IOKitUser, IOCFSerialize.c.

A name with a control character, which XML cannot hold, loses the character; a list that is larger than it may be, the
trees that are not whole. A list is untrusted: it may have `REGISTRY_LIMIT` bytes and no more, a tag of it some hundred.
Entities are refused, binary lists are not read, and neither depth nor a loop of entries matters, as nothing here calls
itself.
"""

from __future__ import annotations

import re
import sys
from itertools import islice
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from probes.answers import CUT, REGISTRY_LIMIT, failed
from probes.darwin.values import MOST, masked
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Container, Iterator, Mapping

    from probes.darwin.cut import Cutter
    from probes.reads import Reads

ID: Final = "IORegistryEntryID"
CHILDREN: Final = "IORegistryEntryChildren"
MOST_LEVELS: Final = 200  # trees of real machines have up to some forty

BINARY: Final = "a binary property list, which the registry printer does not write"
OLD: Final = "text in place of a property list, as the registry printers of releases before 2011 write it"
DAMAGED: Final = "it is no whole property list: it is cut short or damaged"
SHAPELESS: Final = "the property list holds no entries"
BEYOND: Final = "the list is larger than it may be: what comes after its first {trees} is lost"
ODD: Final = "what stands in the property list below one of its entries is no entry"


# Tags, comments and the like that are not too long, and text between them. The parser below reads a piece at a time and
# begins a tag anew with each piece: a single tag of a whole list's length would take it minutes.
_PLAIN: Final = re.compile(
    rb"(?:[^<]*+<(?:"
    rb'/?\w{1,64}(?:\s{1,64}\w{1,64}\s{0,8}=\s{0,8}"[^"<>]{0,256}"){0,8}\s{0,64}/?'
    rb'|!DOCTYPE\s{1,8}\w{1,64}(?:[^<>"\'\[]{0,64}"[^"<>]{0,256}"){0,2}\s{0,8}'
    rb"|!--[^<>]{0,4096}--|!\[CDATA\[[^<>]{0,4096}\]\]|\?[^<>]{0,256}\?"
    rb")>)*+[^<]*"
)


# What no list may hold (XML 1.0, production 2), as it is and as a reference, and what is put in its place.
_UNHELD: Final = re.compile(
    "[\0-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]|&#(?:x([0-9A-Fa-f]{1,8})|([0-9]{1,8}));"
)
_IN_PLACE: Final = "\ufffd"
_STEP: Final = re.compile(r"<(/?)(?:plist|array|dict)\b[^<>]*?(/?)>")
_TREES: Final = 2  # how deep its trees stand in a list: in an array, in a property list


class RegistryEntry(Struct):
    """An entry of the registry: its id, what it tells, and the id of the entry above it in the tree, if one is."""

    ident: int
    keys: Mapping[str, object]
    parent: int | None


Entries = dict[int, RegistryEntry]


def ask(
    reads: Reads,
    name: str,
    cutter: Cutter | None = None,
    idents: frozenset[str] | None = None,
    lost: list[Unread] | None = None,
) -> Entries | Unread:
    """The entries of one answer, by id, in the order of the list; each once, however often it was printed.

    With a `cutter` only what it wants is there; with `idents` (decimal digits) no other entries that have but an id.
    Of an answer that was larger than it may be its whole trees are there, and what is missing is told in `lost`.
    """
    key = f"registry {name}"
    answer = reads.registry(name)
    if isinstance(answer, Unread):
        return answer
    if isinstance(answer, str) and answer.endswith(CUT):
        answer, trees = _mended(answer.removesuffix(CUT))
        if not trees:
            return failed(key, "EFBIG")
        if lost is not None:
            lost.append(Unread(key, BEYOND.format(trees=f"{trees:,} tree{'s' * (trees > 1)}"), vital=True))
    found = _entries(answer, key, cutter, idents)
    if isinstance(found, Unread) and found.why == DAMAGED:
        held = _held(answer)
        return found if held == answer else _entries(held, key, cutter, idents)
    return found


def _entries(answer: str | bytes, key: str, cutter: Cutter | None, idents: frozenset[str] | None) -> Entries | Unread:
    """The entries of a list as it is."""
    text = answer
    if cutter is not None and isinstance(answer, str) and len(answer) <= REGISTRY_LIMIT:
        text = cutter.cut(answer, idents)
    found = _parse(text, key, plain=text is not answer)
    if found is None or isinstance(found, Unread):
        return {} if found is None else found
    if not isinstance(found, list | dict):
        return Unread(key, SHAPELESS, vital=True)
    entries = _flat(found)
    return Unread(key, ODD, vital=True) if entries is None else entries


def _held(answer: str | bytes) -> str | bytes:
    """The answer with what XML cannot hold replaced, so that one odd name costs no list; no list stays as it is."""
    if isinstance(answer, bytes):
        if not answer.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<") or b"<\0" in answer[:64]:
            return answer
        answer = answer.decode("utf-8", "replace")
    if len(answer) > REGISTRY_LIMIT or not answer.lstrip("\ufeff \t\r\n").startswith("<"):
        return answer
    return _UNHELD.sub(_replaced, answer)


def _replaced(found: re.Match[str]) -> str:
    """What stands in place of a character, or of a reference to one; a reference to one that may be there stays."""
    if found[1] is None and found[2] is None:
        return _IN_PLACE
    code = int(found[1], 16) if found[1] is not None else int(found[2])
    letter = chr(code) if code <= sys.maxunicode else "\0"
    return _IN_PLACE if _UNHELD.fullmatch(letter) else found[0]


def _mended(text: str) -> tuple[str, int]:
    """A list that was cut, with its whole trees alone, and how many these are.

    Keys come in order, and many of an entry after those below it: of a tree that is not whole the ports would be lost
    above their cards.
    """
    depth = trees = end = 0
    for step in _STEP.finditer(text):
        if step[1]:
            depth -= 1
            if depth == _TREES:
                trees, end = trees + 1, step.end()
        elif not step[2]:
            depth += 1
    return f"{text[:end]}</array></plist>", trees


def _parse(answer: str | bytes, key: str, *, plain: bool) -> object:
    """The value of a list, None where there is none; Unread where it cannot be read. One that was cut is `plain`."""
    begin = answer[:64].lstrip()
    if not begin:
        return None if not answer.strip() else Unread(key, DAMAGED, vital=True)
    data = answer.encode("utf-8", "replace") if isinstance(answer, str) else answer
    if len(data) > REGISTRY_LIMIT:
        return failed(key, "EFBIG")
    refused = "" if plain else _refused(data)
    if refused:
        return Unread(key, refused, vital=True)
    import plistlib

    try:
        found: object = plistlib.loads(data, fmt=plistlib.FMT_XML)
    except Exception:  # noqa: BLE001 - plistlib and expat raise their own errors and many plain ones
        return Unread(key, DAMAGED, vital=True)
    return Unread(key, SHAPELESS, vital=True) if found is None else found


def _refused(data: bytes) -> str:
    """Why a list is not given to the parser, "" where it is."""
    if data.startswith(b"bplist"):
        return BINARY
    if data.lstrip()[:1] not in {b"<", b"\xef", b"\xfe", b"\xff"}:
        return OLD
    return DAMAGED if b"\0" in data or _PLAIN.fullmatch(data) is None else ""


def _flat(tree: object) -> Entries | None:
    """Every entry once; where it is printed again, what was not told before is added.

    None where what stands below an entry is none: half a machine would look like a whole one.
    """
    found: Entries = {}
    unnamed = MOST
    waiting: list[tuple[object, int | None]] = [(item, None) for item in _items(tree)]
    while waiting:
        node, parent = waiting.pop()
        if not isinstance(node, dict):
            continue
        ident = masked(node.get(ID), 64)
        if ident is None:
            unnamed += 1
            ident = unnamed
        known = found.get(ident)
        if known is None:
            found[ident] = RegistryEntry(ident, node, parent)
        else:
            if node.keys() - known.keys.keys():
                known.keys = {**node, **known.keys}
            if known.parent is None and parent is not None and _is_apart(found, ident, parent):
                known.parent = parent
        below = node.get(CHILDREN)
        if below is not None and not isinstance(below, list | dict):
            return None
        waiting += [(item, ident) for item in _items(below)]
    return found


def _items(value: object) -> Iterator[object]:
    """Entries of an array, last first; a dictionary stands for the one entry that it is."""
    if isinstance(value, list):
        return reversed(value)
    return iter((value,) if isinstance(value, dict) else ())


def _is_apart(entries: Entries, ident: int, parent: int) -> bool:
    """Whether an entry is not among those above its new parent, which would make a loop; not told of deep trees."""
    line = tuple(islice(_line(entries, parent), MOST_LEVELS))
    return len(line) < MOST_LEVELS and ident not in line


def _line(entries: Entries, ident: int | None) -> Iterator[int]:
    """An entry and all above it."""
    while ident is not None:
        yield ident
        ident = entries[ident].parent


def nearest(entries: Entries, wanted: Container[int]) -> dict[int, int | None]:
    """The nearest of the `wanted` entries above each entry, itself left out; None where none is."""
    found: dict[int, int | None] = {}
    for ident in entries:
        waiting = []
        here: int | None = ident
        while here is not None and here not in found:
            waiting.append(here)
            here = entries[here].parent
        for entry in reversed(waiting):
            parent = entries[entry].parent
            found[entry] = parent if parent is None or parent in wanted else found[parent]
    return found
