"""What names one thing or one person is replaced by a token: serial numbers, UUIDs, host names, MAC addresses.

A token (`probes/tokens.py`) is the same for the same secret in every capture, whoever makes it: captures can be
compared, and a known part can be found in one. It keeps a secret from readers and from searches. It does not
keep it from someone who guesses: whoever has a serial number, or can try all MAC addresses of a maker, or likely
host names, can make the token and compare. What must stay hidden from such a person has to be taken out of the
capture by hand. Makers, models, versions, addresses on the bus and all figures stay, and may tell one machine
from others.

Two passes: first the places that are known to hold a secret (`redact_text`, `redact_bytes`) and all that has the
form of a UUID or MAC address; then all other text and bytes, keys and paths included, for every secret that the
first pass has met. What the agent decodes is the same before and after.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from probes import list_text, redact_bytes, redact_registry
from probes.redact_text import FIXED_GUIDS, MAC, UUID, hide_number, hide_text, in_case_of
from probes.tokens import MARK, SHARED_UUID, SHORTEST_SECRET, Known, fold, swap_uuid, write_uuid
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from probes.reads import Answer

    Answers = dict[str, Answer]


def redact(
    answers: Mapping[str, Answer], samples: Sequence[tuple[float, Mapping[str, Answer]]]
) -> tuple[dict[str, Answer], tuple[tuple[float, dict[str, Answer]], ...]]:
    """The same answers and later looks with a token in place of each secret. Doing it again changes nothing."""
    known = Known()
    first = _hide_places(answers, known)
    later = [(offset, _hide_places(found, known)) for offset, found in samples]
    rest = _Rest(known, [first, *(found for _, found in later)])
    return rest.hide(first), tuple((offset, rest.hide(found)) for offset, found in later)


def _hide_places(answers: Mapping[str, Answer], known: Known) -> Answers:
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

# Texts that name a kind of thing, not one thing. A host may bear the name of its model: there a secret without
# digits is no secret.
_KIND_NAMES: Final = frozenset(
    {
        *("bios_date", "bios_release", "bios_vendor", "bios_version", "board_name", "board_vendor", "board_version"),
        *("chassis_type", "chassis_vendor", "chassis_version", "device", "driver", "firmware_rev", "label", "model"),
        *("name", "osrelease", "product_family", "product_name", "product_sku", "product_version", "rev", "state"),
        *("sys_vendor", "vendor"),
    }
)
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
_ADDRESS_LIKE: Final = re.compile(r"(?=.*[:.])[0-9a-fx:.]+")
_TOKEN: Final = f"{MARK}[0-9a-f]{{{SHORTEST_SECRET - 1},}}"
_EDGE: Final = ("(?<![0-9A-Za-z])", "(?![0-9A-Za-z])")
_HEX_EDGE: Final = ("(?<![0-9A-Fa-f])", "(?![0-9A-Fa-f])")
_PRINTABLE: Final = re.compile(rb"[ -~]{6,}")
_ZEROS: Final = re.compile(rb"\0{9,}")
# In Identify Controller: model and firmware, and the maker's own bytes. All else there is figures.
_IDENTIFY_PARTS: Final = ((24, 72), (3072, 4096))


class _Rest:
    """Replaces the secrets of the first pass wherever else they are."""

    def __init__(self, known: Known, everything: Sequence[Answers]) -> None:
        """Look which secrets are anywhere at all: nearly always none, and then there is nothing to do."""
        self._known = known
        held = set(_contents(everything))
        texts = "\n".join(item for item in held if isinstance(item, str) and not _KERNEL_PART.fullmatch(item))
        found = {item for item in held if isinstance(item, bytes)}
        runs = {run for data in found for run in _PRINTABLE.findall(data)}
        self._forms_in_paths = UUID.search(texts) is not None or MAC.search(texts) is not None
        texts = fold(texts + "\n" + b"\n".join(runs).decode("latin-1"))
        data = b"\n".join(_ZEROS.sub(bytes(8), item) for item in found)
        self._words: dict[str, str] = {}
        self._raw = {secret: token for secret, token in _raw_forms(known) if secret in data}
        patterns, hard = [_TOKEN], [_TOKEN]
        for secret, token, edges in sorted(_written_forms(known), key=_longest_first):
            if secret in texts and not _ADDRESS_LIKE.fullmatch(secret):
                self._words[secret] = token
                pattern = f"{edges[0]}{re.escape(secret)}{edges[1]}"
                patterns.append(pattern)
                if any(letter.isdigit() for letter in secret):
                    hard.append(pattern)
        self._any = re.compile("|".join(patterns), re.IGNORECASE | re.ASCII)
        self._hard = re.compile("|".join(hard), re.IGNORECASE | re.ASCII)
        self._raw_any = re.compile(b"|".join(map(re.escape, self._raw)), re.DOTALL)

    def hide(self, answers: Answers) -> Answers:
        """The answers, and their keys, without the secrets."""
        if not (self._words or self._raw or self._forms_in_paths):
            return answers
        return dict(self._hide_answer(key, answer) for key, answer in answers.items())

    def _hide_answer(self, key: str, answer: Answer) -> tuple[str, Answer]:
        kind, _, subject = key.partition(" ")
        new_key = key if kind == "psutil" else f"{kind} {self._path(subject)}"
        if isinstance(answer, Unread):
            return new_key, answer if new_key == key else replace(answer, what=new_key)
        if isinstance(answer, tuple):
            return new_key, tuple(map(self._part, answer))
        if kind == "registry":
            return new_key, list_text.in_text(answer, self._registry)
        if isinstance(answer, bytes):
            return new_key, self._bytes(_name_of_bytes(kind, subject), answer)
        if kind == "link":
            return new_key, self._path(answer)
        return new_key, answer if _is_plain(key, answer) else self._text(answer, named=_names_a_kind(key))

    def _text(self, text: str, *, named: bool = False) -> str:
        return (self._hard if named else self._any).sub(self._token, text)

    def _token(self, found: re.Match[str]) -> str:
        token = self._words.get(fold(found[0]))
        if token is None:
            return found[0]
        return in_case_of(found[0], token)

    def _path(self, path: str) -> str:
        return "/".join(map(self._part, path.split("/")))

    def _part(self, part: str) -> str:
        """One part of a path; the same everywhere, so that what belonged together still does."""
        if _KERNEL_PART.fullmatch(part.strip()):
            return part
        if UUID.fullmatch(part):
            return hide_number(part, self._known)
        part = MAC.sub(lambda found: hide_number(found[0], self._known), part)
        return self._text(part)

    def _bytes(self, name: str, data: bytes) -> bytes:
        if name.startswith("log-"):
            return data
        if name == "DMI":
            return redact_bytes.map_strings(data, lambda text: self._in_bytes(text, named=True))
        if name == "identify":
            for start, end in _IDENTIFY_PARTS:
                data = data[:start] + self._in_bytes(data[start:end], named=start < end // 2) + data[end:]
            return data
        found = self._in_bytes(data)
        return found if name != "config" or redact_bytes.same_registers(data, found) else data

    def _registry(self, text: str) -> str:
        """A property list of the registry without the secrets; what names a thing of the system's own stays."""
        return list_text.map_values(
            text,
            lambda element, value: value if element.is_plain else self._text(value, named=element.names_a_kind),
            lambda element, data: data if element.is_plain else self._in_bytes(data, named=element.names_a_kind),
        )

    def _in_bytes(self, data: bytes, *, named: bool = False) -> bytes:
        """The same number of bytes without the secrets."""
        text = data.decode("latin-1")
        pattern = self._hard if named else self._any
        data = pattern.sub(lambda found: self._token(found)[: len(found[0])], text).encode("latin-1")
        return self._raw_any.sub(lambda found: self._raw[found[0]], data) if self._raw else data


def _contents(everything: Iterable[Answers]) -> Iterator[str | bytes]:
    """All text and bytes in which a secret may be; of paths each part."""
    for answers in everything:
        for key, answer in answers.items():
            yield from key.partition(" ")[2].split("/")
            if key.startswith("registry ") and isinstance(answer, str | bytes):
                yield from list_text.contents(answer)
            elif isinstance(answer, bytes):
                yield answer
            elif isinstance(answer, tuple):
                yield from answer
            elif isinstance(answer, str) and key.startswith("link "):
                yield from answer.split("/")
            elif isinstance(answer, str) and not _is_plain(key, answer):
                yield answer


def _is_plain(key: str, answer: str) -> bool:
    """Whether a text is a figure, or of the kernel's own words."""
    name = key.rpartition("/")[2]
    return key.startswith("psutil ") or name in _PLAIN_NAMES or _FIGURE.fullmatch(answer) is not None


def _names_a_kind(key: str) -> bool:
    name = key.rpartition("/")[2]
    return key.startswith("udev ") or name in _KIND_NAMES or name.endswith("_label")


def _longest_first(form: tuple[str, str, tuple[str, str]]) -> tuple[int, str]:
    return -len(form[0]), form[0]


def _written_forms(known: Known) -> Iterator[tuple[str, str, tuple[str, str]]]:
    """Each form in which a secret is written (small letters), its token, and what must not stand around it."""
    for word, token in known.words.items():
        folded = fold(word)
        mixed = any(letter.isdigit() for letter in word) and any(letter.isalpha() for letter in word)
        yield folded, token, ("", "") if mixed else _EDGE
        for spelt in {word, folded, word.upper() if word.isascii() else word}:
            yield _in_hex(spelt), _in_hex(token[: len(spelt)]), ("", "")
    for number, stands in known.numbers.items():
        yield number.hex(), stands.hex(), _HEX_EDGE
        for separator in ":- ":
            yield number.hex(separator), stands.hex(separator), _HEX_EDGE
        if len(number) == len(SHARED_UUID):
            yield write_uuid(number), write_uuid(stands), _HEX_EDGE
            yield write_uuid(swap_uuid(number)), write_uuid(swap_uuid(stands)), _HEX_EDGE


def _in_hex(word: str) -> str:
    return word.encode("utf-8", "surrogatepass").hex()


def _raw_forms(known: Known) -> Iterator[tuple[bytes, bytes]]:
    """Each order in which the bytes of a secret may stand."""
    for number, token in known.numbers.items():
        yield number, token
        yield number[::-1], token[::-1]
        if len(number) == len(SHARED_UUID):
            yield swap_uuid(number), swap_uuid(token)
