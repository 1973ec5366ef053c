"""What names one thing or one person is replaced by a token: serial numbers, UUIDs, host names, MAC addresses.

A token (`probes/tokens.py`) is the same for the same secret in every capture, whoever makes it: captures can be
compared, and a known part can be found in one. It keeps a secret from readers and from searches. It does not
keep it from someone who guesses: whoever has a serial number, or can try all MAC addresses of a maker, or likely
host names, can make the token and compare. What must stay hidden from such a person has to be taken out of the
capture by hand. Makers, models, versions, addresses on the bus and all figures stay, and may tell one machine
from others.

Two passes: first the places that are known to hold a secret (`redact_text`, `redact_bytes`, `redact_registry`), what
has the form of a UUID or an address, and what is not decoded, which is left out; then all other text and bytes, keys,
paths and the words of errors included, for every secret that the first pass has met (`probes/search.py`). Both are
done until nothing changes any more. What the agent decodes is the same before and after.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from probes import list_text, redact_bytes, redact_registry
from probes.answers import ASLEEP, NOT_RECORDED, NOTHING_GIVEN, REASONS, failed
from probes.redact_text import FIXED_GUIDS, hide_forms, hide_text, names_a_kind
from probes.search import SecretSearch
from probes.tokens import Known
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from probes.reads import Answer

    Answers = dict[str, Answer]
    Later = tuple[tuple[float, Answers], ...]

MOST_ROUNDS: Final = 8  # two for what machines say; text that was made to look like secrets in tokens may take more


def redact(
    answers: Mapping[str, Answer], samples: Sequence[tuple[float, Mapping[str, Answer]]]
) -> tuple[Answers, Later]:
    """The same answers and later looks with a token in place of each secret. Doing it again changes nothing."""
    before = dict(answers), tuple((offset, dict(found)) for offset, found in samples)
    for _ in range(MOST_ROUNDS):
        after = _round(*before)
        if after == before:
            break
        before = after
    return before


def left_out(looks: Iterable[Mapping[str, Answer]]) -> dict[str, str]:
    """Where these answers hold nothing in place of what nobody reads: by the kind of answer, in words."""
    kinds = {_kind_of(key) for found in looks for key, answer in found.items() if not isinstance(answer, Unread)}
    return {kind: words for kind, words in _LEFT_OUT.items() if kind in kinds}


def _kind_of(key: str) -> str:
    kind, _, subject = key.partition(" ")
    return kind if kind == "registry" else f"{kind} {_name_of_bytes(kind, subject)}"


_LEFT_OUT: Final = {
    **{f"nvme {name}": redact_bytes.left_out_in_words(name) for name in ("identify", "log-02", "log-03")},
    "bytes DMI": "structures of other types than 0, 1, 2, 9 and 41; of these the bytes and strings that are not read",
    "text cpuinfo": "all lines but the first of flags",
    "registry": "values under keys that are not read: only type and length are kept",
}


def _round(answers: Answers, samples: Later) -> tuple[Answers, Later]:
    known = Known()
    looks = [_hide_places(found, known) for found in (answers, *(found for _, found in samples))]
    found = _hide_rest(looks, known)
    return found[0], tuple((offset, look) for (offset, _), look in zip(samples, found[1:], strict=True))


def _hide_places(answers: Answers, known: Known) -> Answers:
    """The first pass."""
    found: Answers = {}
    for key, answer in answers.items():
        kind, _, subject = key.partition(" ")
        if kind == "registry" and isinstance(answer, str | bytes):
            found[key] = redact_registry.hide_answer(answer, known)
        elif isinstance(answer, bytes):
            place = redact_bytes.PLACES.get(_name_of_bytes(kind, subject))
            found[key] = answer if place is None else place(answer, known)
        elif isinstance(answer, str) and kind == "text":
            found[key] = hide_text(subject.rpartition("/")[2], answer, known)
        else:
            found[key] = answer
    return found


def _name_of_bytes(kind: str, subject: str) -> str:
    """What a read of bytes holds: the name of the file, or of the structure that a drive gives."""
    return subject.partition(" ")[0] if kind == "nvme" else subject.rpartition("/")[2]


# --- The second pass -------------------------------------------------------------------------------------------

# Texts that the kernel prints from numbers and words of its own.
_PLAIN_NAMES: Final = FIXED_GUIDS | frozenset(
    {
        *("adapter", "aer_dev_correctable", "aer_dev_fatal", "aer_dev_nonfatal", "class", "cpuinfo"),
        *("cur_bus_speed", "current_link_speed", "current_link_width", "max_bus_speed", "max_link_speed"),
        *("max_link_width", "numa_node", "power_state", "removable", "runtime_status", "size", "uptime"),
    }
)
_FIGURE: Final = re.compile(r"[-+]?\d+(?:\.\d+)?|0x[0-9a-f]+|[0-9a-f]{4,8}(?::[0-9a-f]{2}){1,2}(?:\.[0-7])?")
# Parts of a path that are the kernel's words, or numbers of a PCI function, a drive, a sensor.
_KERNEL_PART: Final = re.compile(
    r"[a-z_]*|\d+|(?:pci)?[0-9a-f]{4,8}(?::[0-9a-f]{2}){1,2}(?:\.[0-7])?|(?:target)?\d+(?::\d+)+"
    r"|(?:ata|card|cpu|curr|dm-|eth|fan|host|hwmon|in|loop|md|node|power|ram|resource|sd|temp|thermal_zone|usb|virtfn)"
    r"\d+(?:_[a-z]+)?|nvme\d+(?:c\d+)?(?:n\d+)?|sd[a-z]+\d*|[a-z]+64|i2c-\d+"
)
# In Identify Controller and log page 03h: model and firmware. All else that is kept there is figures and tokens.
_TEXT_PARTS: Final = {"identify": ((24, 72),), "log-03": ((8, 64),)}
# Sentences of ours in place of an answer: they say why there is none, and what that means.
_OUR_WORDS: Final = frozenset({NOTHING_GIVEN, ASLEEP, NOT_RECORDED})


class _Contents:
    """All text and bytes in which a secret may be: first they are collected, then each is answered for.

    They are told apart by whether they name a kind of thing, where fewer secrets are looked for.
    """

    def __init__(self, known: Known) -> None:
        """Begin with collecting; what has the form of a UUID or an address is a secret more."""
        self.known = known
        self._texts: dict[bool, dict[str, str]] = {True: {}, False: {}}
        self._bytes: dict[bool, dict[bytes, bytes]] = {True: {}, False: {}}

    def text(self, text: str, *, named: bool = False) -> str:
        """The text as it is to be."""
        return self._texts[named].setdefault(text, text)

    def data(self, data: bytes, *, named: bool = False) -> bytes:
        """The bytes as they are to be, as many."""
        return self._bytes[named].setdefault(data, data)

    def formed(self, text: str, *, named: bool = False) -> str:
        """The same for text in which what has the form of a UUID or an address was not looked for yet."""
        return self.text(hide_forms(text, self.known, addresses=not named), named=named)

    def search(self, search: SecretSearch) -> None:
        """Look for all secrets in all that was collected."""
        for named, texts in self._texts.items():
            texts.update(zip(texts, search.in_texts([*texts], named=named), strict=True))
        for named, found in self._bytes.items():
            found.update(zip(found, search.in_bytes([*found], named=named), strict=True))


def _hide_rest(looks: list[Answers], known: Known) -> list[Answers]:
    """The second pass: all looks, and their keys, without the secrets."""
    contents = _Contents(known)
    found = [_answered(look, contents) for look in looks]
    search = SecretSearch(known)
    if not search:
        return found
    contents.search(search)
    return [_answered(look, contents) for look in looks]


def _answered(answers: Answers, contents: _Contents) -> Answers:
    return dict(_hide_answer(key, answer, contents) for key, answer in answers.items())


def _hide_answer(key: str, answer: Answer, contents: _Contents) -> tuple[str, Answer]:
    kind, _, subject = key.partition(" ")
    new_key = f"{kind} {contents.formed(subject, named=True) if kind == 'psutil' else _path(subject, contents)}"
    if isinstance(answer, Unread):
        return new_key, _lost(key, new_key, answer, contents)
    if isinstance(answer, tuple):
        return new_key, tuple(_part(part, contents) for part in answer)
    if kind == "registry":
        return new_key, list_text.in_text(answer, lambda text: _registry(text, contents))
    if isinstance(answer, bytes):
        return new_key, _bytes(_name_of_bytes(kind, subject), answer, contents)
    return new_key, _text(kind, subject, answer, contents)


def _text(kind: str, subject: str, text: str, contents: _Contents) -> str:
    if kind == "link":
        return _path(text, contents)
    if kind == "psutil":
        return _table(text, contents)
    name = subject.rpartition("/")[2]
    if name in _PLAIN_NAMES or _FIGURE.fullmatch(text):
        return text
    return contents.formed(text, named=True) if kind == "udev" else contents.text(text, named=names_a_kind(name))


def _lost(key: str, new_key: str, answer: Unread, contents: _Contents) -> Unread:
    """A failure with its words; those that are ours stay."""
    if answer.why in _OUR_WORDS or (answer.code in REASONS and failed(key, answer.code).why == answer.why):
        why = answer.why
    else:
        why = contents.formed(answer.why)
    if (new_key, why) == (key, answer.why):
        return answer
    what = new_key if answer.what == key else contents.formed(answer.what)
    return replace(answer, what=what, why=why, code=answer.code if why == answer.why else "")


def _path(path: str, contents: _Contents) -> str:
    return "/".join(_part(part, contents) for part in path.split("/"))


def _part(part: str, contents: _Contents) -> str:
    """One part of a path; the same everywhere, so that what belonged together still does."""
    return part if _KERNEL_PART.fullmatch(part.strip()) else contents.formed(part)


def _bytes(name: str, data: bytes, contents: _Contents) -> bytes:
    if name == "DMI":
        return redact_bytes.map_strings(data, lambda text: contents.data(text, named=True))
    if name in _TEXT_PARTS:
        for start, end in _TEXT_PARTS[name]:
            data = data[:start] + contents.data(data[start:end], named=True) + data[end:]
        return data
    if name.startswith("log-"):
        return data
    found = contents.data(data)
    return found if name != "config" or found == data or redact_bytes.same_registers(data, found) else data


def _registry(text: str, contents: _Contents) -> str:
    """A property list of the registry without the secrets; what names a thing of the system's own stays."""
    return list_text.map_values(
        text,
        lambda element, value: value if element.is_plain else contents.text(value, named=element.names_a_kind),
        lambda element, data: data if element.is_plain else contents.data(data, named=element.names_a_kind),
    )


def _table(answer: str, contents: _Contents) -> str:
    """What psutil told, as a table in JSON: names of sensors and disks in it; all else is figures."""
    from msgspec import DecodeError, json

    if not answer.startswith("{"):
        return answer if _FIGURE.fullmatch(answer) else contents.formed(answer, named=True)
    try:
        table = json.decode(answer)
        return json.encode(_mapped(table, lambda name: _part(name, contents))).decode()
    except (DecodeError, RecursionError, UnicodeEncodeError):
        return contents.formed(answer)


def _mapped(table: object, change: Callable[[str], str]) -> object:
    if isinstance(table, dict):
        return {change(key): _mapped(value, change) for key, value in table.items()}
    if isinstance(table, list):
        return [_mapped(value, change) for value in table]
    return change(table) if isinstance(table, str) else table
