"""Every kind of secret, planted in every place and every form on both platforms, is gone after redaction."""

from __future__ import annotations

import base64
import plistlib
import struct
from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit
from probes import collect, search
from probes.capture import load_file
from probes.decode import Registers
from probes.reads import Recorded
from probes.redact import left_out, redact
from probes.redact_bytes import left_out as places_left_out
from probes.tokens import Known
from probes.unread import Unread
from tests.build import MOMENT
from tests.firmware import BoardSlotWords, tables
from tests.machines import FIXTURES
from tests.parts import drive
from tests.space import config_space
from tests.test_machines import FOLDERS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from probes.reads import Answer

SERIAL: Final = "HLA0042QX7"
HOST: Final = "cuttingroom"
UUID: Final = bytes.fromhex("901e2b6fd3475c409a11c0ffee5d2a34")
MAC: Final = bytes.fromhex("06f1c40a5bc3")
# Known by the Device Serial Number of a network card alone. Source: IEEE, Guidelines for EUI-64.
CARD_MAC: Final = bytes.fromhex("0af1c4c1d2e5")


def swapped(data: bytes, size: int) -> bytes:
    """Each `size` bytes in the other order, filled up with spaces."""
    data = data.ljust(-(-len(data) // size) * size)
    return b"".join(data[place : place + size][::-1] for place in range(0, len(data), size))


def in_base64(secret: bytes, before: int) -> bytes:
    """What of base64 is made of the secret alone, where so many bytes stand before it."""
    digits = base64.urlsafe_b64encode(b"<" * before + secret + b"> ")
    return digits[-(-before * 8 // 6) : (before + len(secret)) * 8 // 6]


def dashed(number: bytes) -> str:
    """A UUID in its written form. Source: RFC 9562."""
    digits = number.hex()
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def little(uuid: bytes) -> bytes:
    """A UUID as the firmware's table has it. Source: DMTF DSP0134, System - UUID."""
    return b"".join((uuid[3::-1], uuid[5:3:-1], uuid[7:5:-1], uuid[8:]))


# Each form as it is planted; what has to be gone is the same, except of base64.
FORMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    "plain": lambda raw: raw,
    "reversed": lambda raw: raw[::-1],
    "pairs swapped": lambda raw: swapped(raw, 2),
    "words swapped": lambda raw: swapped(raw, 4),
    "hexadecimal digits": lambda raw: raw.hex().encode(),
    "hexadecimal digits in capitals": lambda raw: raw.hex().upper().encode(),
    "hexadecimal digits, reversed": lambda raw: raw[::-1].hex().encode(),
    "base64": lambda raw: in_base64(raw, 0),
    "base64, one byte on": lambda raw: in_base64(raw, 1),
    "base64, two bytes on": lambda raw: in_base64(raw, 2),
}
WORD_FORMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    **FORMS,
    "capitals": lambda raw: raw.upper(),
    "small letters": lambda raw: raw.lower(),
    "UTF-16, low byte first": lambda raw: raw.decode().encode("utf-16-le"),
    "UTF-16, high byte first": lambda raw: raw.decode().encode("utf-16-be"),
    "UTF-16 in hexadecimal digits": lambda raw: raw.decode().encode("utf-16-le").hex().encode(),
    "braces": lambda raw: b"{%b}" % raw,
    "URN": lambda raw: b"urn:dev:%b" % raw,
}
NUMBER_FORMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    **FORMS,
    "colons": lambda raw: raw.hex(":").encode(),
    "dashes": lambda raw: raw.hex("-").upper().encode(),
    "dots": lambda raw: raw.hex(".").encode(),
    "dots between fours": lambda raw: raw.hex(".", 2).encode(),
    "spaces": lambda raw: raw.hex(" ").encode(),
    "colons in UTF-16": lambda raw: raw.hex(":").encode("utf-16-le"),
}
UUID_FORMS: Final[dict[str, Callable[[bytes], bytes]]] = {
    **NUMBER_FORMS,
    "written": lambda raw: dashed(raw).encode(),
    "written in capitals": lambda raw: dashed(raw).upper().encode(),
    "written in braces": lambda raw: f"{{{dashed(raw)}}}".encode(),
    "written as URN": lambda raw: f"urn:uuid:{dashed(raw)}".encode(),
    "of the firmware": little,
    "of the firmware, written": lambda raw: dashed(little(raw)).encode(),
}
KINDS: Final[dict[str, tuple[bytes, dict[str, Callable[[bytes], bytes]]]]] = {
    "serial number": (SERIAL.encode(), WORD_FORMS),
    "name": (HOST.encode(), WORD_FORMS),
    "UUID": (UUID, UUID_FORMS),
    "MAC address": (MAC, NUMBER_FORMS),
    "MAC address of a card": (CARD_MAC, NUMBER_FORMS),
}


def plants() -> Iterator[tuple[str, str, bytes, bytes]]:
    """Kind, form, what is planted and what of it has to be gone."""
    for kind, (raw, forms) in KINDS.items():
        for form, write in forms.items():
            gone = write(raw)
            planted = gone
            if form.startswith("base64"):
                planted = base64.urlsafe_b64encode(b"<" * ("one" in form) + b"<<" * ("two" in form) + raw + b"> ")
            yield kind, form, planted, gone


# --- Places ------------------------------------------------------------------------------------------------------

KNOWN_ON_LINUX: Final[dict[str, Answer]] = {
    "text /sys/class/nvme/nvme0/serial": SERIAL,
    "text /proc/sys/kernel/hostname": f"{HOST}.harrow.example",
    "text /sys/class/dmi/id/product_uuid": dashed(UUID),
    "text /sys/class/net/eth0/address": MAC.hex(":"),
    "bytes /sys/bus/pci/devices/0000:01:00.0/config": config_space(
        drive(
            (4, 4),
            at="00.0",
            now=(4, 4),
            payload_now=256,
            serial=int.from_bytes(CARD_MAC[:3] + b"\xff\xfe" + CARD_MAC[3:], "big"),
        )
    ),
}
SYSTEM: Final = {
    "Serial Number": SERIAL,
    "kCGSSessionUserNameKey": HOST,
    "IOPlatformUUID": dashed(UUID),
    "IOMACAddress": MAC,
    "local-mac-address": CARD_MAC,
}


def firmware(fixed: bytes, words: bytes) -> bytes:
    """A table whose structures hold these bytes where nothing is read: in fixed parts, strings, behind its end."""
    table = tables(
        firmware=("Tidmarel", "4.12", "03/18/2025", "4.12"),
        system=("Harrow Lane Archive", "Editing tower", "2", "None"),
        board=("Tidmarel", "WS-7", "Rev B", "None"),
        slots=[BoardSlotWords(designation="SLOT1")],
        onboard=[],
    )
    words = words.replace(b"\0", b"\1")
    more = b""
    for kind, size in ((0, 0x18), (1, 0x1B), (2, 0x08), (9, 0x18), (41, 0x0B), (3, 9)):
        head = bytes([1]) + bytes(size - 5)
        more += (
            struct.pack("<BBH", kind, size + len(fixed), 0x4000 + kind) + head + fixed + b"SLOT2\0" + words + b"\0\0"
        )
    return more + table[:-6] + struct.pack("<BBH", 127, 4 + len(fixed), 0xFEFF) + fixed + words + b"\0\0" + fixed


def page(name: str, size: int, planted: bytes) -> bytes:
    """An answer of a drive with these bytes wherever they fit in what is not read."""
    data = bytearray(b"\1" * size)
    for start, end in places_left_out(name):
        if end - start >= len(planted):
            data[start : start + len(planted)] = planted
    return bytes(data)


def on_linux(planted: bytes, at: int) -> dict[str, tuple[str, Answer]]:
    """Each place of a Linux machine with this in it, under a key of its own."""
    text = f"at{' ' * (at % 4)} {planted.decode('latin-1')} x"
    part = text.replace("/", "_")
    path = f"/sys/place/{at}"
    words: dict[str, tuple[str, Answer]] = {
        "text": (f"text {path}/note", text),
        "list": (f"list {path}/folder", ("power", part)),
        "link": (f"link {path}/device", f"../../{part}/x"),
        "key": (f"text {path}/{part}/note", "0x0"),
        "key of a link": (f"link {path}/{part}/device", "../x"),
        "key of a drive": (f"nvme log-03 /dev/{part}", bytes(512)),
        "error": (f"text {path}/broken", Unread(f"text {path}/broken", f"the sensor said {text}")),
        "name of hardware": (f"udev 0000:{at:02x}:00.0", text),
        "name of a disk": ("psutil disk_io_counters", '{"%s":{"read_bytes":1}}' % text),  # noqa: UP031 - braces
        "processor": ("text /proc/cpuinfo", f"processor\t: 0\nSerial\t\t: {text}\nflags\t\t: fpu"),
    }
    data: dict[str, tuple[str, Answer]] = {
        "bytes": (f"bytes {path}/blob", b"\xff\x01" + b"\xfe" * (at % 4) + planted + b"\xff\x80"),
        "Identify": (f"nvme identify /dev/nvme{at}", page("identify", 4096, planted)),
        "log 02h": (f"nvme log-02 /dev/nvme{at}", page("log-02", 512, planted)),
        "log 03h": (f"nvme log-03 /dev/nvme{at}", page("log-03", 512, planted)),
        "firmware's table": ("bytes /sys/firmware/dmi/tables/DMI", firmware(planted, planted)),
    }
    if text.isascii() and text.isprintable():
        return words | data
    return data


def on_darwin(planted: bytes, at: int) -> dict[str, tuple[str, Answer]]:
    """Each place of a property list with this in it."""
    data = b"\xff\x01" + b"\xfe" * (at % 4) + planted + b"\xff\x80"
    trees: dict[str, Any] = {"data that is asked for": {"board-id": data}, "other data": {"SROM": data}}
    text = f"at{' ' * (at % 4)} {planted.decode('latin-1')} x"
    if text.isascii() and text.isprintable():
        trees |= {
            "text that is asked for": {"model": text},
            "other text": {"note": text, "list": [text, {"more": text}]},
            "key": {text: True},
            "name of what is plugged in": {"IOObjectClass": "IOUSBHostDevice", "IORegistryEntryName": text},
            "name of a set": {"IOObjectClass": "AppleRAIDSet", "IORegistryEntryName": text, "Whole": True},
            "name of an entry": {"IOObjectClass": "IOThing", "IORegistryEntryName": text},
            "place of an entry": {"IORegistryEntryLocation": text},
            "disk image": {"image-path": f"/Users/x/{text}.dmg".encode()},
        }
    return {name: (f"registry {name}", plistlib.dumps([tree]).decode()) for name, tree in trees.items()}


# Where a word without a digit may be the name of a kind of thing: it is not looked for.
OF_KINDS: Final = frozenset({"name of hardware", "text that is asked for", "data that is asked for"})


def contents(key: str, answer: Answer) -> bytes:
    """All that is told, as bytes."""
    if key.startswith("registry ") and isinstance(answer, str):
        return repr_of(plistlib.loads(answer.encode()))
    told: bytes
    match answer:
        case bytes():
            told = answer
        case str():
            told = answer.encode("utf-8", "surrogatepass")
        case Unread():
            told = f"{answer.what} {answer.why}".encode()
        case _:
            told = "\n".join(answer).encode()
    return key.encode() + b"\n" + told


def repr_of(tree: Any) -> bytes:  # noqa: ANN401 - any property list
    """Everything in a property list."""
    if isinstance(tree, dict):
        return b"\n".join(repr_of(one) for pair in tree.items() for one in pair)
    if isinstance(tree, list):
        return b"\n".join(map(repr_of, tree))
    return tree if isinstance(tree, bytes) else str(tree).encode()


PLATFORMS: Final[dict[str, tuple[dict[str, Answer], Callable[[bytes, int], dict[str, tuple[str, Answer]]]]]] = {
    "linux": (KNOWN_ON_LINUX, on_linux),
    "darwin": ({"registry host": plistlib.dumps([SYSTEM]).decode()}, on_darwin),
}


def planted_and_left(platform: str) -> tuple[int, list[str]]:
    """How much was planted on this platform, and what of it is left after redaction."""
    known, grow = PLATFORMS[platform]
    looks: list[tuple[float, dict[str, Answer]]] = []
    expected: list[tuple[str, bytes]] = []
    for at, (kind, form, planted, gone) in enumerate(plants()):
        for place, (key, answer) in grow(planted, at).items():
            if place in OF_KINDS and kind == "name":
                continue
            assert gone in contents(key, answer), (kind, form, place)
            looks.append((float(len(looks)), {key: answer}))
            expected.append((f"{kind}: {form}: {place}", gone))
    _, found = redact(known, looks)
    left = [
        name
        for (name, gone), (_, look) in zip(expected, found, strict=True)
        if any(gone in contents(key, answer) for key, answer in look.items())
    ]
    return len(expected), left


@pytest.mark.parametrize("platform", PLATFORMS)
def test_no_secret_is_left_in_any_place_and_form(platform: str) -> None:
    """Each kind is known by one place alone; all others hold it in one form."""
    planted, left = planted_and_left(platform)
    assert left == []
    assert planted > len(list(plants())) * 2


WAYS: Final[dict[str, tuple[str, Callable[[Any], object], str]]] = {
    "UTF-16, low byte first": ("_CODINGS", lambda old: old[1:], "UTF-16, low byte first"),
    "UTF-16, high byte first": ("_CODINGS", lambda old: (*old[:1], *old[2:]), "UTF-16, high byte first"),
    "digits": ("_CODINGS", lambda old: (*old[:2], *old[3:]), "hexadecimal digits"),
    "base64": ("_CODINGS", lambda old: old[:3], "base64"),
    "pairs": ("_SWAPPED", lambda old: old[1:], "pairs swapped"),
    "words": ("_SWAPPED", lambda old: old[:1], "words swapped"),
    "depth": ("_DEPTH", lambda _: 1, "UTF-16 in hexadecimal digits"),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("platform", PLATFORMS)
def test_a_form_that_is_left_out_is_found_out(platform: str, way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without one of the ways in which secrets are looked for, the test above fails, and names the form."""
    name, less, form = WAYS[way]
    monkeypatch.setattr(search, name, less(getattr(search, name)))
    _, left = planted_and_left(platform)
    assert form in {one.split(": ")[1] for one in left}


@pytest.mark.parametrize("form", ["reversed", "of the firmware"])
def test_an_order_that_is_left_out_is_found_out(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same for the orders of bytes that are looked for as secrets of their own."""
    written = UUID_FORMS[form](UUID)
    answers: dict[str, Answer] = {"text /sys/class/dmi/id/product_uuid": dashed(UUID), "bytes /sys/blob": written}
    found, _ = redact(answers, ())
    assert found["bytes /sys/blob"] != written
    monkeypatch.setattr(
        search.SecretSearch, "_take_number", lambda self, number, token: self._numbers.update({number: token})
    )
    found, _ = redact(answers, ())
    assert found["bytes /sys/blob"] == written


def test_a_word_in_reverse_that_is_left_out_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same for words."""
    answers: dict[str, Answer] = {"text /sys/x/serial": SERIAL, "text /sys/note": SERIAL[::-1]}
    assert redact(answers, ())[0]["text /sys/note"] == Known().word(SERIAL)[::-1]
    real = search.SecretSearch._token  # noqa: SLF001 - with no words in reverse

    def without(self: search.SecretSearch, *args: Any, **more: Any) -> bytes | None:  # noqa: ANN401 - passed on
        self._reversed.clear()
        return real(self, *args, **more)

    monkeypatch.setattr(search.SecretSearch, "_token", without)
    assert redact(answers, ())[0]["text /sys/note"] == SERIAL[::-1]


# --- What is left out ----------------------------------------------------------------------------------------------


def test_what_is_left_out_is_named() -> None:
    """The head of a capture says where nothing is kept of what was read, and of nothing else."""
    answers: dict[str, Answer] = {"nvme identify /dev/nvme0": bytes(4096), "text /proc/cpuinfo": "flags\t: fpu"}
    named = left_out([answers])
    assert set(named) == {"nvme identify", "text cpuinfo"}
    # Vendor Specific. Source: NVM Express Base, Identify Controller data structure.
    assert ", 3072-4095, and of each 32 from 2048 on 2, 19, 23-31" in named["nvme identify"]
    assert left_out([{"nvme identify /dev/nvme0": Unread("nvme identify /dev/nvme0", "no")}]) == {}


@pytest.mark.parametrize("byte", [0x00, 0xFF])
@pytest.mark.parametrize("name", ["log-02", "log-03"])
def test_a_page_that_tells_nothing_stays_one_and_no_other_becomes_one(name: str, byte: int) -> None:
    """A page of one byte throughout is told as empty: what is left out must not change that."""
    key = f"nvme {name} /dev/nvme0"
    empty = bytes([byte]) * 512
    whole = empty[:-4] + b"QX70"
    found, _ = redact({key: empty}, ())
    other, _ = redact({key: whole}, ())
    assert found == {key: empty}
    told = other[key]
    assert isinstance(told, bytes)
    assert (len(told), b"QX70" in told, len(set(told)) > 1) == (512, False, True)
    assert redact(other, ())[0] == other


def test_of_the_processor_only_what_is_used_is_kept() -> None:
    """The first line of flags stays; where there is none, nothing of it does, but that there was something."""
    for text, kept in (
        ("processor : 0\nflags : fpu hypervisor\nSerial : 0042QX\nflags : fpu", "flags : fpu hypervisor"),
        ("vendor_id : X\nmachine : 0042QX", "(no line of it is used)"),
        ("", ""),
    ):
        assert redact({"text /proc/cpuinfo": text}, ())[0] == {"text /proc/cpuinfo": kept}


# --- What is no secret ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "text", "secret"),
    [
        ("pc7", "made for pc7, and PC7", True),
        ("zoe", "of zoe", True),
        ("ws-7", "on ws-7 now", True),
        ("zoe", "of zoes", False),
        ("pc7", "pc7_input", False),
        ("pc", "of pc", False),
        ("nvme", "an nvme drive", False),
    ],
)
def test_short_names_are_looked_for_as_words_of_their_own(name: str, text: str, secret: bool) -> None:  # noqa: FBT001
    """A name of three to five characters is hidden where it stands alone, unless many things are called so."""
    answers: dict[str, Answer] = {"text /proc/sys/kernel/hostname": name, "text /sys/note": text}
    answers |= {
        "text /sys/class/dmi/id/board_name": f"{name} board",
        "text /sys/class/nvme/nvme0/model": f"Reel {name}",
    }
    found, _ = redact(answers, ())
    told = found["text /sys/note"]
    assert isinstance(told, str)
    assert (name not in told.lower()) is secret
    assert found["text /sys/class/dmi/id/board_name"] == f"{name} board"
    assert found["text /sys/class/nvme/nvme0/model"] == f"Reel {name}"
    assert found["text /proc/sys/kernel/hostname"] == Known().word(name)


@pytest.mark.parametrize(
    ("text", "secret"),
    [
        ("at 192.0.2.17 since", "192.0.2.17"),  # RFC 5737, for documentation
        ("at 2001:db8::17", "2001:db8::17"),  # RFC 3849, for documentation
        ("at 2001:DB8:0:0:1:2:3:4,", "2001:DB8:0:0:1:2:3:4"),
        ("at 06f1.c40a.5bc3.", "06f1.c40a.5bc3"),
        ("at 06.f1.c4.0a.5b.c3.", "06.f1.c4.0a.5b.c3"),
        ("kept in /home/annika/x", "annika"),
        ("reader SN:QX70042", "QX70042"),
        ("reader, Serial number: QX70042", "QX70042"),
        ("reader, Serial Number : QX70042", "QX70042"),
    ],
)
def test_addresses_and_folders_are_known_by_their_form(text: str, secret: str) -> None:
    """Wherever they stand, in words that name no kind of thing; and they are secrets elsewhere, too."""
    answers: dict[str, Answer] = {"text /sys/note": text, "text /sys/b/note": Unread("text /sys/b/note", f"<{secret}>")}
    found, _ = redact(answers, ())
    assert [one for one in (text, *found.values()) if secret.lower() in str(one).lower()] == [text]


@pytest.mark.parametrize(
    ("name", "spelt"),
    [
        ("Jörg", "JÖRG"),
        ("Jörg", "Jo\u0308rg"),
        ("Müller-Werkstatt", "MÜLLER-WERKSTATT"),
        ("Müller-Werkstatt", "mu\u0308ller-werkstatt"),
        ("Mu\u0308ller-Werkstatt", "Müller-Werkstatt"),
    ],
)
def test_a_name_is_known_in_each_of_its_spellings(name: str, spelt: str) -> None:
    """In other cases, and with its marks joined to their letters or apart, as file systems may give them."""
    answers: dict[str, Answer] = {"text /proc/sys/kernel/hostname": name, "text /sys/note": f"kept on {spelt} now"}
    found, _ = redact(answers, ())
    token = found["text /proc/sys/kernel/hostname"]
    assert isinstance(token, str)
    assert token != name
    assert f"kept on {token} now" == found["text /sys/note"]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("bios_version", "10.1.8.5"),
        ("note", "0000:00:01.0 0000:01:00.0"),
        ("note", "127.0.0.1 ::1 0.0.0.0"),
        ("note", "1234.5678.9012 10.12.03.14.15.92"),
        ("note", "version 4.12.0"),
        ("note", "std::move"),
    ],
)
def test_versions_and_places_are_no_addresses(name: str, text: str) -> None:
    """What only looks like an address stays."""
    assert redact({f"text /sys/{name}": text}, ())[0] == {f"text /sys/{name}": text}


def test_a_number_that_is_written_like_a_serial_number_is_known_in_other_forms() -> None:
    """A serial number that is a MAC address in plain digits is one in bytes, too."""
    found, _ = redact({"text /sys/x/serial": MAC.hex(), "bytes /sys/blob": b"\xff" + MAC + b"\xff"}, ())
    assert found["bytes /sys/blob"] == b"\xff" + Known().number(MAC) + b"\xff"


@pytest.mark.parametrize("inside", [b"\xff\xfe", b"\xff\xff"])
def test_the_address_in_a_card_s_number_is_known(inside: bytes) -> None:
    """Both ways to make an eight-byte number of a MAC address are told."""
    number = int.from_bytes(CARD_MAC[:3] + inside + CARD_MAC[3:], "big")
    space = config_space(drive((4, 4), at="00.0", now=(4, 4), payload_now=256, serial=number))
    answers: dict[str, Answer] = {
        "bytes /sys/bus/pci/devices/0000:01:00.0/config": space,
        "text /sys/note": CARD_MAC.hex(),
    }
    assert redact(answers, ())[0]["text /sys/note"] == Known().number(CARD_MAC).hex()


def test_registers_are_worth_more_than_a_secret_that_lies_over_them() -> None:
    """A secret that is found where registers stand stays there: configuration space decodes to the same."""
    space = config_space(drive((4, 4), at="00.0", now=(4, 4), payload_now=256))
    secret = space[0x40:0x4C]
    known: dict[str, Answer] = {"text /sys/x/nguid": secret.hex()}
    found, _ = redact({**known, "bytes /sys/bus/pci/devices/0000:01:00.0/config": space}, ())
    after = found["bytes /sys/bus/pci/devices/0000:01:00.0/config"]
    assert isinstance(after, bytes)
    assert Registers(after).places == Registers(space).places


# --- Whole machines ------------------------------------------------------------------------------------------------


def judged(answers: dict[str, Answer], samples: Sequence[tuple[float, dict[str, Answer]]], platform: str) -> object:
    """All that is said of a machine: verdicts, findings with their evidence, rates, what was not read."""
    first = Recorded(answers, platform)
    looks = [(offset, Recorded(found, platform, first)) for offset, found in samples]
    found = audit(collect(first, looks, MOMENT))
    links = [(one.link.key, one.verdict, one.evidence, one.mbps) for one in found.links]
    drives = [(one.drive.name, one.alone, one.together) for one in found.drives]
    return links, found.findings, drives, found.facts.unread, found.facts.gaps


@pytest.mark.parametrize("name", [name for name in FOLDERS if name != "hostile-names"])
def test_a_machine_is_judged_alike_whole_and_redacted(name: str) -> None:
    """Each stored machine has the same verdicts, findings and rates, and the same was not read."""
    stored = load_file(str(FIXTURES / name / "capture.json"))
    before: tuple[dict[str, Answer], Any] = dict(stored.reads), [(at, dict(look)) for at, look in stored.samples]
    after = redact(*before)
    assert after[0] != before[0]
    assert judged(*after, stored.platform) == judged(*before, stored.platform)


# --- Many ----------------------------------------------------------------------------------------------------------


def test_the_work_does_not_grow_with_content_times_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice as many secrets in twice as much text are looked up at most some three times as often."""
    asked: list[int] = []
    real = search.SecretSearch._token  # noqa: SLF001 - each look at a place where a secret may stand is counted

    def counted(*args: Any, **more: Any) -> bytes | None:  # noqa: ANN401 - passed on
        asked.append(1)
        return real(*args, **more)

    monkeypatch.setattr(search.SecretSearch, "_token", counted)
    counts = []
    for many in (2000, 4000):
        asked.clear()
        numbers = [f"QX{number * 7919 % 99991:05}HLA" for number in range(many)]
        answers: dict[str, Answer] = {f"text /sys/{number}/serial": number for number in numbers}
        answers["text /sys/note"] = " ".join(numbers)
        found, _ = redact(answers, ())
        assert not any(number in str(found["text /sys/note"]) for number in numbers)
        counts.append(len(asked))
    assert counts[0] >= 2000
    assert counts[1] < 3 * counts[0]
