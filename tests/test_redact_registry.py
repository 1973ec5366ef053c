"""Redaction of property lists of the Darwin registry: no secret is left in any encoding, all else stays as it is."""

from __future__ import annotations

import base64
import plistlib
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec.structs import replace

from probes.darwin import collecting as darwin
from probes.list_text import decoded, elements, encoding, map_values, written
from probes.reads import Recorded
from probes.redact import redact
from probes.tokens import Known
from tests.build import MOMENT
from tests.registry_machines import DARWIN_MACHINES

if TYPE_CHECKING:
    from probes.reads import Answer

SERIAL: Final = "HLA0042QX7"
UUID: Final = "901e2b6f-d347-5c40-9a11-c0ffee5d2a34"
UUID_BYTES: Final = bytes.fromhex(UUID.replace("-", ""))
MAC: Final = "06:f1:c4:0a:5b:c3"
MAC_BYTES: Final = bytes.fromhex(MAC.replace(":", ""))


def xml(tree: Any) -> str:  # noqa: ANN401 - any property list
    """A property list as the printer writes it."""
    return plistlib.dumps(tree, sort_keys=True).decode()


def hidden(*trees: Any) -> list[Any]:  # noqa: ANN401 - any property lists
    """Property lists after redaction, as one capture holds them; doing it again changes nothing."""
    answers: dict[str, Answer] = {f"registry list{number}": xml(tree) for number, tree in enumerate(trees)}
    return [plistlib.loads(text.encode()) for text in texts_of(answers)]


def texts_of(answers: dict[str, Answer]) -> list[str]:
    """The texts of a capture after redaction."""
    found, _ = redact(answers, ())
    assert redact(found, ())[0] == found
    texts = [answer for answer in found.values() if isinstance(answer, str)]
    assert len(texts) == len(answers)
    return texts


# --- By key ------------------------------------------------------------------------------------------------------

SECRET_KEYS: Final = (
    *("Serial Number", "IOPlatformSerialNumber", "serial-number", "USB Serial Number", "kUSBSerialNumberString"),
    *("mlb-serial-number", "BatterySerialNumber", "UUID", "IOPlatformUUID", "hardware-uuid", "system-id", "GUID"),
    *("World Wide Name", "IOMACAddress", "local-mac-address", "HostName", "kCGSSessionUserNameKey", "FullName"),
    *("kCGSessionLongUserNameKey", "Volume Name", "UserName", "EUI64", "Asset Tag", "unique-chip-id"),
)
KEPT_KEYS: Final = (
    *("vendor-id", "device-id", "reg", "IOName", "model", "Model Number", "Product Name", "Firmware Revision"),
    *("IOPCIExpressLinkStatus", "BSD Name", "Physical Interconnect", "Size", "Whole", "AAPL,slot-name", "pcidebug"),
    *("board-id", "IOKitBuildVersion", "compatible", "NVMe Revision Supported"),
    *("Physical Interconnect Location", "version", "name"),
)


@pytest.mark.parametrize("key", SECRET_KEYS)
def test_a_string_under_the_key_of_a_secret_becomes_a_token(key: str) -> None:
    """What pads the string stays, and markup around it too."""
    (found,) = hidden([{key: f"  {SERIAL} ", "model": "Reel & <4>"}])
    assert found == [{key: f"  {Known().word(SERIAL)} ", "model": "Reel & <4>"}]


@pytest.mark.parametrize("key", SECRET_KEYS)
@pytest.mark.parametrize("pads", [(b"", b""), (b"", b"\0"), (b"  ", b"   "), (b"", b"\0" * 22), (b" ", b" \0\0")])
def test_data_under_the_key_of_a_secret_becomes_a_token_of_its_length(key: str, pads: tuple[bytes, bytes]) -> None:
    """NUL ends and padding stay where they are, and the token is the one of the string."""
    (found,) = hidden([{key: pads[0] + SERIAL.encode() + pads[1]}])
    assert found[0][key] == pads[0] + Known().word(SERIAL).encode() + pads[1]


@pytest.mark.parametrize("key", KEPT_KEYS)
@pytest.mark.parametrize("value", ["Ostrayne Reel 4", b"Ostrayne Reel 4\0", b"\x86\x80\0\0", 17, True])
def test_other_values_stay(key: str, value: object) -> None:
    """Words, registers and figures under other keys are the same afterwards, to the byte."""
    tree = [{key: value, "IORegistryEntryChildren": [{key: [value, {key: value}]}]}]
    before = xml(tree)
    assert texts_of({"registry pci": before}) == [before]


def test_numbers_of_bytes_keep_their_length_and_their_end() -> None:
    """A MAC address of six bytes with NULs behind it, a UUID of sixteen, and other bytes each become a token."""
    (found,) = hidden(
        [
            {"local-mac-address": MAC_BYTES + b"\0\0", "IOMACAddress": MAC_BYTES, "hardware-uuid": UUID_BYTES},
            {
                "serial-number": b"\x01\xff\xfe\x80" * 5,
                "unique-chip-id": b"\x80\x01\x02\x03",
                "system-id": UUID.encode(),
            },
        ]
    )
    one, other = found
    assert one["local-mac-address"] == Known().number(MAC_BYTES) + b"\0\0"
    assert one["IOMACAddress"] == Known().number(MAC_BYTES)
    assert one["hardware-uuid"] == Known().number(UUID_BYTES)
    assert other["serial-number"] == Known().number(b"\x01\xff\xfe\x80" * 5)
    assert other["unique-chip-id"] == bytes(4)
    assert bytes.fromhex(other["system-id"].decode().replace("-", "")) == Known().number(UUID_BYTES)


def test_a_serial_number_in_pieces_is_hidden_in_every_piece() -> None:
    """Firmware of some releases keeps the end of a serial number apart, with NULs between."""
    piece = b"QX7" + bytes(10) + SERIAL.encode() + bytes(9)
    (found,) = hidden([{"serial-number": piece}])
    assert found[0]["serial-number"] == b"~" + found[0]["serial-number"][1:3] + bytes(10) + (
        Known().word(SERIAL).encode() + bytes(9)
    )
    assert b"QX7" not in found[0]["serial-number"]


def test_numbers_under_the_key_of_a_secret_become_none() -> None:
    """An integer cannot hold a token."""
    (found,) = hidden([{"Serial Number": 42004201, "userid": 501, "unique-chip-id": 99812, "Size": 99812}])
    assert found == [{"Serial Number": 0, "userid": 0, "unique-chip-id": 0, "Size": 99812}]


def test_lists_have_the_key_that_they_stand_under() -> None:
    """Each member of an array is a secret where the array's key says so; dictionaries in it have their own keys."""
    (found,) = hidden([{"USB Serial Number": [SERIAL, [SERIAL.encode()], {"model": "Reel", "UUID": UUID}]}])
    token = Known().word(SERIAL)
    first, (second,), third = found[0]["USB Serial Number"]
    assert (first, second, third["model"]) == (token, token.encode(), "Reel")
    assert third["UUID"] != UUID


def test_one_serial_number_has_one_token_in_every_answer() -> None:
    """A drive's controller and its block device still belong together, whatever form either has."""
    drives, controllers, pci = hidden(
        [{"Device Characteristics": {"Serial Number": f"{SERIAL}          ", "Product Name": "Reel"}}],
        [{"Serial Number": SERIAL.encode() + b"\0", "Model Number": "Reel"}],
        [{"model": f"made for {SERIAL.lower()}", "board-id": b"\xff" + SERIAL.encode() + b"\0"}],
    )
    token = Known().word(SERIAL)
    assert drives[0]["Device Characteristics"] == {"Serial Number": f"{token}          ", "Product Name": "Reel"}
    assert controllers[0]["Serial Number"] == token.encode() + b"\0"
    assert pci[0] == {"model": f"made for {token}", "board-id": b"\xff" + token.encode() + b"\0"}


def test_a_secret_of_the_registry_is_known_in_other_reads() -> None:
    """The second pass knows no border between kinds of reads."""
    answers: dict[str, Answer] = {"registry drives": xml([{"Serial Number": SERIAL}]), "text /note": f"<{SERIAL}>"}
    found, _ = redact(answers, [(1.0, {"registry pci": xml([{"note": SERIAL}])})])
    assert found["text /note"] == f"<{Known().word(SERIAL)}>"
    _, ((_, later),) = redact(answers, [(1.0, {"registry pci": xml([{"note": SERIAL}])})])
    assert SERIAL not in str(later)


# --- By form -----------------------------------------------------------------------------------------------------


def test_uuids_and_mac_addresses_are_hidden_by_their_form() -> None:
    """In strings, in data of text and in keys."""
    (found,) = hidden([{"model": f"/dev/{UUID}/x", "manufacturer": f"at {MAC.upper()}".encode() + b"\0", UUID: True}])
    words = str(found)
    assert [secret for secret in (UUID, MAC, MAC.upper()) if secret in words] == []
    assert [len(found[0][key]) for key in ("model", "manufacturer")] == [len(f"/dev/{UUID}/x"), len(f"at {MAC}\0")]
    assert [len(key) for key, value in found[0].items() if value is True] == [len(UUID)]


# --- Taken out -----------------------------------------------------------------------------------------------------


def test_users_of_the_console_are_taken_out_and_their_names_are_known() -> None:
    """Nothing is left of who is logged in; a name is hidden elsewhere as well, but not in the name of a model."""
    session = {
        "kCGSSessionUserNameKey": "lindqvist",
        "kCGSSessionUserIDKey": 501,
        "kCGSessionLongUserNameKey": "Annika Lindqvist",
        "kCGSSessionOnConsoleKey": True,
    }
    root, others = hidden(
        {"IOConsoleUsers": [session], "IOConsoleLocked": False, "IOKitBuildVersion": "Darwin Kernel Version 22.6.0"},
        [
            {
                "IOObjectClass": "IOUSBHostDevice",
                "IORegistryEntryName": "Headset of Annika",
                "note": "of Annika",
                "Annika": True,
                "Product Name": "Lindqvist 4",
            }
        ],
    )
    assert root == {
        "IOConsoleUsers": [],
        "IOConsoleLocked": False,
        "IOKitBuildVersion": "Darwin Kernel Version 22.6.0",
    }
    assert others[0]["IORegistryEntryName"] == Known().word("Headset of Annika")
    assert others[0]["note"] == "~" * len("of Annika")
    assert others[0][Known().word("Annika")] is True
    assert others[0]["Product Name"] == "Lindqvist 4"


def test_the_firmware_s_variables_are_taken_out_whole() -> None:
    """Of the node that holds them only its header is left, whatever a variable is called."""
    node = {
        "IOObjectClass": "IODTNVRAM",
        "IORegistryEntryName": "options",
        "IORegistryEntryID": 4294967561,
        "boot-args": "-v who=annika",
        "fmm-computer-name": b"bench of annika\0",
        "count": 7,
        "more": {"SystemAudioVolume": b"\x40", "token": "annika"},
    }
    (found,) = hidden({"IORegistryEntryChildren": [node], "IONVRAM-Variables": {"a": "annika"}, "model": "Tower"})
    assert "annika" not in str(found)
    (kept,) = found["IORegistryEntryChildren"]
    assert {key: value for key, value in kept.items() if value} == {
        "IOObjectClass": "IODTNVRAM",
        "IORegistryEntryName": "options",
        "IORegistryEntryID": 4294967561,
    }
    assert found["IONVRAM-Variables"] == {}
    assert found["model"] == "Tower"


def test_the_program_that_opened_an_entry_is_taken_out() -> None:
    """It says what runs on a machine, and under which number."""
    (found,) = hidden([{"IOUserClientCreator": "pid 512, Annika's Tool"}])
    assert found == [{"IOUserClientCreator": ""}]


def test_what_screens_and_cables_say_of_themselves_is_taken_out() -> None:
    """A screen's own description and a cable device's memory hold serial numbers among other things."""
    (found,) = hidden(
        [
            {
                "AAPL00,override-no-connect": b"\0\xff\xff\xff",
                "ThunderboltDROM": b"\1\2",
                "UID": 42,
                "EDID": b"\3",
                "reg": b"\4",
            }
        ]
    )
    assert found == [{"AAPL00,override-no-connect": b"", "ThunderboltDROM": b"", "UID": 0, "EDID": b"", "reg": b"\4"}]


def test_names_of_volumes_are_names_that_people_give() -> None:
    """Partitions, volumes and sets of disks lose their names; whole disks that are named by their model do not."""
    media = {"IOObjectClass": "IOMedia", "BSD Name": "disk0", "Whole": True, "IORegistryEntryName": "Reel 4 Media"}
    part = {"IOObjectClass": "IOMedia", "BSD Name": "disk0s2", "Whole": False, "IORegistryEntryName": "Annika"}
    volume = {"IOObjectClass": "AppleAPFSVolume", "IORegistryEntryName": "Family of Annika"}
    driver = {"IOObjectClass": "IOMediaBSDClient", "IORegistryEntryName": "IOMediaBSDClient"}
    drawn = {**media, "IORegistryEntryName": "Cutting room"}
    tree = {**media, "IORegistryEntryChildren": [{**part, "IORegistryEntryChildren": [volume, driver]}, drawn]}
    (found,) = hidden([{"Device Characteristics": {"Product Name": "Reel 4"}, "IORegistryEntryChildren": [tree]}])
    (whole,) = found[0]["IORegistryEntryChildren"]
    assert whole["IORegistryEntryName"] == "Reel 4 Media"
    below, other = whole["IORegistryEntryChildren"]
    assert other["IORegistryEntryName"] == Known().word("Cutting room")
    assert (below["BSD Name"], below["IORegistryEntryName"]) == ("disk0s2", Known().word("Annika"))
    assert [one["IORegistryEntryName"][:1] for one in below["IORegistryEntryChildren"]] == ["~", "I"]
    assert "Annika" not in str(found)


# --- Text as it is -----------------------------------------------------------------------------------------------


def test_all_but_the_value_stays_to_the_byte() -> None:
    """Layout, attributes, comments, order, and base64 in lines are those of the printer."""
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<!-- HLA -->\n<plist version="1.0"><array>\n\t<dict>'
        "<key>model</key><string><![CDATA[<key>UUID</key>]]></string>\r\n"
        f'<key>Serial&#32;Number</key>\n<string id="1">A&amp;B{SERIAL}</string>'
        "<key>serial-number</key><data>\n\t\tSExBMDA0\n\t\tMlFYNwA=\n\t\t</data><key>x</key><true/></dict></array></plist>\n"
    )
    (found,) = texts_of({"registry pci": text})
    secret, token = f"A&B{SERIAL}", Known().word(SERIAL).encode() + b"\0"
    digits = base64.b64encode(token).decode()
    assert base64.b64encode(SERIAL.encode() + b"\0").decode() == "SExBMDA0MlFYNwA="
    expected = text.replace(f"A&amp;B{SERIAL}", Known().word(secret))
    assert found == expected.replace("SExBMDA0\n\t\tMlFYNwA=", f"{digits[:8]}\n\t\t{digits[8:]}")


@pytest.mark.parametrize("cut", range(0, 420, 7))
def test_a_text_that_is_cut_holds_no_secret_of_a_whole_value(cut: int) -> None:
    """Wherever the printer was stopped, what came before is redacted, and once more changes nothing."""
    text = xml([{"Serial Number": SERIAL, "UUID": UUID.encode(), "z": {"local-mac-address": MAC_BYTES}}])
    (found,) = texts_of({"registry pci": text[:cut]})
    for secret in (SERIAL, base64.b64encode(UUID.encode()).decode()[:24], base64.b64encode(MAC_BYTES).decode()):
        assert secret not in found


@pytest.mark.parametrize(
    "text", ["", "  \n", "<", "<plist", "<array><dict></array>", "</dict></dict>", "<key>a", "<!--"]
)
def test_damaged_and_empty_texts_stay(text: str) -> None:
    """What holds no value is left alone."""
    assert texts_of({"registry pci": text}) == [text]


def test_text_for_people_is_taken_out() -> None:
    """Old printers write text in place of a list: no secret of it is told from the rest, so nothing stays."""
    (found,) = texts_of({"registry pci": f'+-o Root\n  "IOPlatformSerialNumber" = "{SERIAL}"\n'})
    assert SERIAL not in found
    assert not found.startswith("<")


@pytest.mark.parametrize("coding", ["latin-1", "utf-16", "utf-16-le", "utf-16-be"])
def test_answers_of_bytes_are_redacted_too(coding: str) -> None:
    """A list that is no UTF-8 is redacted in its own encoding."""
    text = xml(
        [
            {
                "Serial Number": SERIAL,
                "model": "Rouleau d\N{LATIN SMALL LETTER E WITH ACUTE}j\N{LATIN SMALL LETTER A WITH GRAVE}",
            }
        ]
    )
    found, _ = redact({"registry pci": text.encode(coding)}, ())
    assert redact(found, ())[0] == found
    answer = found["registry pci"]
    assert isinstance(answer, bytes)
    assert answer.decode(coding) == text.replace(SERIAL, Known().word(SERIAL))


def test_a_binary_list_is_taken_out() -> None:
    """Nobody writes one here, and nothing of it is decoded: only what tells that it is one stays."""
    data = plistlib.dumps({"Serial Number": SERIAL}, fmt=plistlib.FMT_BINARY)
    found, _ = redact({"registry pci": data}, ())
    assert found == {"registry pci": data[:8]}


@pytest.mark.parametrize(
    "secret",
    [
        *("string", "array", "vendor-id", "IOPCIDevice", "pci-bridge", "0x010802", "disk0s2", "AAAAAA==", "00:1c.0"),
        *("Ostrayne", "plist", "integer", "IORegistryEntryName", "0:28:0(1:1)", "pci1000,0097", "Internal", "&lt;"),
    ],
)
def test_structure_survives_a_secret_that_looks_like_it(secret: str) -> None:
    """A user or a serial number that is called like a part of the list breaks nothing that is decoded."""
    function = {
        "vendor-id": b"\x86\x80\0\0",
        "reg": b"\0\xe0\0\0" + bytes(16),
        "pcidebug": "0:28:0(1:1)",
        "IOName": "pci-bridge",
        "compatible": b"pci1000,0097\0",
        "IOObjectClass": "IOPCIDevice",
        "model": "Ostrayne Reel",
        "BSD Name": "disk0s2",
        "Physical Interconnect Location": "Internal",
        "IOPCIExpressLinkStatus": 4161,
    }
    tree = [{**function, "IORegistryEntryID": 7, "kCGSSessionUserNameKey": secret}]
    (found,) = hidden(tree)
    assert {key: found[0][key] for key in function} == function
    assert found[0]["kCGSSessionUserNameKey"] != secret


# --- Any list ----------------------------------------------------------------------------------------------------

_texts = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ufffe\uffff"), max_size=12
) | st.sampled_from(["&amp;", "<string>", "]]>", "<!--", "~abcdef0", "Reel 4"])
_serials = st.text(st.characters(codec="ascii", categories=["Lu", "Nd"]), min_size=7, max_size=18).filter(
    lambda one: len(set(one)) > 3 and any(map(str.isdigit, one)) and any(map(str.isalpha, one))
)


@st.composite
def _trees(draw: st.DrawFn, secret: str) -> Any:  # noqa: ANN401 - any property list
    """A property list with a serial number in many places and forms; ordinary values never hold it."""
    forms = st.sampled_from(
        [secret, f"  {secret} ", secret.encode(), secret.encode() + b"\0", b" " + secret.encode() + b"  \0\0"]
    )
    planted = st.sampled_from(
        [f"of <{secret}> & co", secret.lower(), b"\xff" + secret.encode(), [secret, {"n": secret}]]
    )
    plain = _texts | st.binary(max_size=20) | st.integers(-(2**63), 2**63 - 1) | st.booleans()
    leaves = st.dictionaries(st.sampled_from(KEPT_KEYS[4:]), plain, max_size=4)
    secrets = st.dictionaries(st.sampled_from(SECRET_KEYS[:6]), forms, max_size=3)
    others = st.dictionaries(st.sampled_from(["note", "blob", "path"]), planted, max_size=2)
    dicts = st.builds(
        lambda *parts: {key: value for part in parts for key, value in part.items()}, leaves, secrets, others
    )
    below = st.recursive(
        dicts, lambda inner: st.builds(lambda one, more: {**one, "below": more}, dicts, st.lists(inner, max_size=3))
    )
    return draw(st.lists(below, min_size=1, max_size=3))


def _encodings(secret: str) -> set[bytes]:
    return {one.encode() for one in (secret, secret.lower(), secret.encode().hex())}


def _values(tree: Any, key: str = "") -> list[tuple[str, Any]]:  # noqa: ANN401 - any property list
    """Every value with the key above it."""
    if isinstance(tree, dict):
        return [one for name, value in sorted(tree.items()) for one in _values(value, name)]
    if isinstance(tree, list):
        return [one for value in tree for one in _values(value, key)]
    return [(key, tree)]


@pytest.mark.long
@given(_serials.flatmap(lambda secret: st.tuples(st.just(secret), _trees(secret))))
def test_no_secret_survives_and_no_other_value_changes(given_: tuple[str, Any]) -> None:
    """Any list of any depth: the secret is in no string and no data, and values of other keys are what they were."""
    secret, tree = given_
    before = _values(tree)
    # A word of the system's own that happens to be the secret is another test's matter.
    assume(not any(key in KEPT_KEYS and secret.lower() in str(value).lower() for key, value in before))
    (found,) = hidden(tree)
    after = _values(found)
    assert [key for key, _ in before] == [key for key, _ in after]
    met = any(key in SECRET_KEYS for key, _ in before)
    for (key, old), (_, new) in zip(before, after, strict=True):
        raw = new.encode("utf-8", "surrogatepass") if isinstance(new, str) else new
        if met and isinstance(raw, bytes):
            assert not [one for one in _encodings(secret) if one.lower() in raw.lower()]
        if key in KEPT_KEYS:
            assert (type(new), new) == (type(old), old)


@given(st.text(st.sampled_from("<>/&;!-[]?abkeydictstringarray \n=\"'"), max_size=80) | st.text(max_size=60))
def test_any_text_is_survived(text: str) -> None:
    """Tags that are cut, crossed or no tags at all end somewhere, and nothing changes the second time."""
    texts_of({"registry pci": text})
    spans = [(one.start, one.end) for one in elements(text)]
    assert all(0 <= start <= end <= len(text) for start, end in spans)
    assert map_values(text, lambda _, value: value, lambda _, data: data) == text


@given(st.binary(max_size=40), st.integers(1, 9))
def test_base64_keeps_its_layout(data: bytes, width: int) -> None:
    """Bytes of the same number stand in the same places of the same lines."""
    digits = base64.b64encode(data).decode()
    raw = "\n\t" + "\n\t".join(digits[place : place + width] for place in range(0, len(digits), width)) + "\n"
    assert decoded(raw) == data
    new = encoding(raw, bytes(len(data)))
    assert decoded(new) == bytes(len(data))
    assert [place for place, one in enumerate(new) if one.isspace()] == [
        place for place, one in enumerate(raw) if one.isspace()
    ]


@given(_texts)
def test_what_is_written_is_what_plistlib_reads(text: str) -> None:
    """The characters of a value are those that plistlib, the standard library's reader, takes from it."""
    whole = xml([text])
    (one,) = [element for element in elements(whole) if element.tag == "string"]
    assert written(whole[one.start : one.end]) == plistlib.loads(whole.encode())[0]


# --- Whole machines ----------------------------------------------------------------------------------------------


def decoded_of(answers: dict[str, Answer]) -> str:
    """All that the probe makes of a machine's answers, serial numbers apart."""
    facts = darwin.collect(Recorded(answers, "darwin"), (), MOMENT)
    drives = tuple(replace(one, serial=None) for one in facts.drives)
    return repr(replace(facts, drives=drives))


@pytest.mark.parametrize("name", DARWIN_MACHINES)
def test_the_towers_of_the_archive_stay_what_they_are(name: str) -> None:
    """For every Darwin machine of the fixtures what is decoded is the same before and after, and no secret stays."""
    answers = DARWIN_MACHINES[name]().answers()
    found, _ = redact(answers, ())
    assert redact(found, ())[0] == found
    assert decoded_of(found) == decoded_of(answers)
    serials = {one.serial for one in darwin.collect(Recorded(answers, "darwin")).drives if isinstance(one.serial, str)}
    assert serials
    words = "".join(str(answer) for answer in found.values())
    assert [one for one in (*serials, "HLA04417TWR", "4C1F8D52", "edda") if one in words] == []


def test_a_tower_whose_users_have_odd_names_stays_what_it_is() -> None:
    """Whoever is logged in, the machine is decoded as before."""
    answers = DARWIN_MACHINES["tower-2-narrow-carrier"]().answers()
    names = (
        "HLA0042QX7",
        "disk1",
        "0x010802",
        "Ostrayne",
        "Ostrayne Reel",
        "IOMedia",
        "Darwin",
        "NVMeController",
        "Root",
    )
    users = "".join(f"<dict><key>kCGSSessionUserNameKey</key><string>{name}</string></dict>" for name in names)
    host = answers["registry host"]
    assert isinstance(host, str)
    before = host.replace(
        "<key>IOConsoleUsers</key>",
        f"<key>IOConsoleUsersBefore</key><array>{users}</array><key>IOConsoleUsers</key>",
    )
    assert before != host
    found, _ = redact({**answers, "registry host": before}, ())
    assert decoded_of(found) == decoded_of(answers)
