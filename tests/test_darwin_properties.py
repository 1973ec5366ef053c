"""The promise for Darwin: whatever the registry printer writes, there are facts, an audit and a report, no exception.

Property lists are made by plistlib from anything that it can write, and then spoilt: cut, bytes replaced, pieces moved.
"""

from __future__ import annotations

import plistlib
from datetime import UTC, datetime
from typing import Any, Final

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from knowledge.problems import BadInput
from probes import collect
from probes.capture import Capture, encode, parse, recorded
from probes.darwin.cut import Cutter
from probes.darwin.functions import CUTTER, RAW
from probes.darwin.storage import CUTTER as DRIVES_CUTTER
from probes.reads import Recorded
from tests.plists import Keys, block, controller, drive, hanging, media, printed, reads, root
from tests.registry_machines import DARWIN_MACHINES
from tests.spent import within
from tests.test_properties import MOMENT, PATIENCE, hold

QUESTIONS: Final = ("pci", "drives", "controllers", "host", "firmware")
MACHINES: Final = {name: dict(make().tower.answers()) for name, make in DARWIN_MACHINES.items()}

# --- Strategies --------------------------------------------------------------------------------------------------

WORDS: Final = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12)
PLAIN: Final = st.one_of(
    WORDS,
    st.integers(-(2**63), 2**64 - 1),
    st.integers(-5, 70),
    st.binary(max_size=12),
    st.booleans(),
    st.floats(allow_nan=False),
    st.datetimes(datetime(1, 1, 1), datetime(9999, 1, 1)),  # noqa: DTZ001 - plistlib writes dates without a zone
)
ANYTHING: Final = st.recursive(
    PLAIN, lambda below: st.lists(below, max_size=4) | st.dictionaries(WORDS, below, max_size=4), max_leaves=12
)

FUNCTION_KEYS: Final = (
    *("vendor-id", "device-id", "class-code", "revision-id", "subsystem-vendor-id", "subsystem-id", "reg", "pcidebug"),
    *("model", "AAPL,slot-name", "IOPCITunnelled", "IOPCIExpressMaxLinkWidthOverride", "IOPCIExpressLinkStatus"),
    *RAW,
)
DRIVE_KEYS: Final = (
    *("Model Number", "Firmware Revision", "Serial Number", "NVMe Revision Supported", "BSD Name", "Whole", "Size"),
    *("device-type", "IOObjectClass", "Physical Interconnect"),
)
OTHER_KEYS: Final = (
    "IOName",
    "model",
    "IOKitBuildVersion",
    "manufacturer",
    "version",
    "compatible",
    "Whole thing",
    "<reg>",
)
TABLES: Final = ("Device Characteristics", "Protocol Characteristics")
TABLE_KEYS: Final = (
    *("Product Name", "Product Revision Level", "Serial Number", "Physical Interconnect"),
    *("Physical Interconnect Location", "Medium Type"),
)
# Values as the registry has them, so that much of what is made means something.
TELLING: Final = st.one_of(
    st.sampled_from((0x43, 0x1043, 0x1041, 0x103, 0, 0xFFFF, -1, 0x42, 0x52, 0x62, 0x02, 0x92, 0x142, 8, 4)),
    st.sampled_from((b"\0\4\6\0", b"\2\x08\1\0", b"\1\6\1\0", b"\0\0\3\0", b"\0\0\1\0" + bytes(16), b"\0\x08\0\0")),
    st.sampled_from(
        ("1:0:0", "0:1:0(1:1)", "disk0", "disk1", "PCI-Express", "USB", "SATA", "Internal", "External", "RL-1")
    ),
    st.just({}),
    st.booleans(),
    ANYTHING,
)


@st.composite
def entries(draw: st.DrawFn, levels: int = 3) -> Keys:
    """An entry of a registry with some keys that are read, some that are not, and entries below it."""
    made: Keys = draw(st.dictionaries(st.sampled_from((*FUNCTION_KEYS, *DRIVE_KEYS, *OTHER_KEYS)), TELLING, max_size=8))
    for name in draw(st.lists(st.sampled_from(TABLES), max_size=2)):
        made[name] = draw(st.dictionaries(st.sampled_from(TABLE_KEYS), TELLING, max_size=4) | TELLING)
    ident = draw(st.integers(1, 40) | st.none() | TELLING)
    if ident is not None:
        made["IORegistryEntryID"] = ident
    if levels and draw(st.booleans()):
        below = draw(st.lists(entries(levels - 1), max_size=3))
        made["IORegistryEntryChildren"] = draw(st.sampled_from((below, below, below, below[0] if below else {})))
    return made


TREES: Final = st.lists(entries(), max_size=4)


def numbered(trees: list[Keys]) -> list[Keys]:
    """The same trees with another id for every entry that has one, in their order."""
    waiting: list[object] = list(trees)
    for ident, node in enumerate(waiting, 0x200):
        if isinstance(node, dict):
            if "IORegistryEntryID" in node:
                node["IORegistryEntryID"] = ident
            below = node.get("IORegistryEntryChildren")
            waiting += below if isinstance(below, list) else [below]
    return trees


# --- What holds for every answer ---------------------------------------------------------------------------------


def hold_soon(answers: Recorded) -> None:
    """Facts, an audit, JSON and text, soon; and the same facts from a capture."""
    with within(PATIENCE):
        seen = collect(answers, (), MOMENT)
        hold(seen)
    form: dict[str, Any] = {"platform": "darwin", "taken_at": MOMENT, "agent": "0.1.0", "samples": []}
    kept = parse(encode(**form, answers=dict(answers.answers), keep_serials=True), "x")
    assert seen == collect(recorded(kept)[0], (), MOMENT)
    shared = parse(encode(**form, answers=dict(answers.answers), keep_serials=False), "x")
    hold(collect(recorded(shared)[0], (), MOMENT))


def machine(**answers: object) -> Recorded:
    """A small machine with some answers replaced."""
    whole = {"pci": [hanging()], "drives": [block(0x400, media("disk2"))], "controllers": [controller(0x300)]}
    return reads(**(whole | answers))


@settings(max_examples=80)
@given(ANYTHING, st.sampled_from(QUESTIONS), st.sampled_from((plistlib.FMT_XML, plistlib.FMT_BINARY)))
def test_any_property_list_is_survived(value: Any, question: str, form: plistlib.PlistFormat) -> None:  # noqa: ANN401
    """Any value that a property list can hold, in XML or binary, as any answer: facts, and the rest unchanged."""
    hold_soon(machine(**{question: plistlib.dumps(value, fmt=form)}))


@pytest.mark.long
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(TREES, TREES, TREES, entries(2), st.lists(entries(0), max_size=1))
def test_any_registry_is_a_machine(
    pci: list[Keys], drives: list[Keys], controllers: list[Keys], host: Keys, firmware: list[Keys]
) -> None:
    """Trees whose keys are those of a registry, with any values in any place, are a machine like others."""
    hold_soon(reads(pci=pci, drives=drives, controllers=controllers, host=host, firmware=firmware))


@pytest.mark.long
@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(TREES, TREES, TREES)
@example([{"reg": 0, "IORegistryEntryChildren": [{}, {"vendor-id": 1}]}], [], [])
def test_a_list_means_the_same_cut_and_whole(pci: list[Keys], drives: list[Keys], controllers: list[Keys]) -> None:
    """Cutting a list before it is parsed changes no fact. Bytes are never cut: they show what the whole list says."""
    lists = {
        "pci": printed(numbered(pci)),
        "drives": printed(numbered(drives)),
        "controllers": printed(numbered(controllers)),
    }
    whole = {name: answer.encode() for name, answer in lists.items()}
    assert collect(reads(**whole), (), MOMENT) == collect(reads(**lists), (), MOMENT)


def test_lists_of_whole_machines_mean_the_same_cut_and_whole() -> None:
    """What holds for small lists holds for machines with drives, drivers and names, and these lists are really cut."""
    for answers in MACHINES.values():
        whole = {name: answer.encode() for name, answer in answers.items()}
        assert collect(reads(**whole), (), MOMENT) == collect(reads(**answers), (), MOMENT)
        assert len(CUTTER.cut(answers["pci"])) < 0.4 * len(answers["pci"])
        assert len(DRIVES_CUTTER.cut(answers["drives"])) < 0.7 * len(answers["drives"])


ODD_FORMS: Final = (
    "<array><dict><key>reg</key><!-- no --><integer>256</integer></dict></array>",
    "<array><dict><key >reg</key><integer>256</integer></dict></array>",
    "<array><dict ><key>reg</key><integer>256</integer></dict></array>",
    "<array><dict><key>reg</key ><integer>256</integer></dict></array>",
    "<array><dict><key>reg</key><integer>256</integer></dict></array >",
    "<array><dict><key>reg</key><array><integer>256</integer></array></dict></array>",
    "<array><dict><key>x</key><string><![CDATA[<key>reg</key><integer>1</integer>]]></string></dict></array>",
    "<array><dict><key>x</key><?do <key>reg</key><integer>1</integer>?><integer>1</integer></dict></array>",
    "<array><array><dict><key>reg</key><integer>256</integer></dict></array></array>",
    "<array><dict><key>IORegistryEntryChildren</key><string>none</string></dict></array>",
    "<array><dict><key>IORegistryEntryChildren</key><dict/></dict></array>",
    "<array><dict><key>Device Characteristics</key><array/></dict></array>",
    "<dict><key>reg</key><integer>256</integer></dict><dict/>",
    "<array><dict></array></dict>",
    "<array><dict>",
    "<array></array>",
    "",
)


def test_what_is_written_in_another_way_is_not_cut() -> None:
    """Comments, spaces in tags, values of many parts and what does not fit together are left to the parser."""
    cutter = Cutter("reg", tables="Device Characteristics")
    for form in ODD_FORMS[:9]:
        answer = f'<?xml version="1.0"?><plist version="1.0">{form}</plist>'
        assert answer == cutter.cut(answer)
    for form in ODD_FORMS:
        answer = f'<?xml version="1.0"?><plist version="1.0">{form}</plist>'
        assert collect(reads(pci=answer.encode())).functions == collect(reads(pci=answer)).functions
        hold(collect(reads(pci=answer, drives=answer, controllers=answer), (), MOMENT))


# --- Spoilt text -----------------------------------------------------------------------------------------------------

GOOD: Final = [answer for answers in MACHINES.values() for answer in answers.values() if answer]
TAGS: Final = st.sampled_from(
    (
        *("<dict>", "</dict>", "<array>", "</array>", "<dict/>", "<array/>", "<key>reg</key>", "</plist>", "<plist>"),
        *("<key>IORegistryEntryChildren</key>", "<integer>-1</integer>", "<integer>0x</integer>", "<data>?</data>"),
        *("<date>soon</date>", "<real>much</real>", "<true/>", "<!-- -->", "<![CDATA[", "]]>", "&amp;", "&x;", "<?x?>"),
        *("<!DOCTYPE plist [<!ENTITY x '1'>]>", "<integer>" + "9" * 5000 + "</integer>", "<key></key>", "<", ">", "\n"),
        *("<key>IORegistryEntryID</key><integer>4294967811</integer>", "\N{ZERO WIDTH NO-BREAK SPACE}", "<string>"),
    )
)


@st.composite
def spoilt(draw: st.DrawFn) -> str:
    """An answer of a machine in which pieces are replaced, put in, taken out, doubled, or which is cut."""
    made = draw(st.sampled_from(GOOD))
    for _ in range(draw(st.integers(1, 5))):
        begin = draw(st.integers(0, len(made)))
        end = begin + draw(st.sampled_from((0, 0, 1, 7, 200)))
        piece = draw(st.one_of(TAGS, TAGS, WORDS, st.just(made[begin:end] * 2)))
        made = made[:begin] + piece + made[end:]
    return made[: draw(st.integers(0, len(made)))] if draw(st.integers(0, 4)) == 0 else made


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(spoilt(), st.sampled_from(QUESTIONS), st.booleans())
def test_any_spoilt_text_is_survived(answer: str, question: str, as_bytes: bool) -> None:  # noqa: FBT001 - drawn
    """Whatever becomes of an answer on its way, there are facts, and one reason where a list is lost."""
    hold_soon(machine(**{question: answer.encode() if as_bytes else answer}))


@settings(max_examples=60)
@given(st.binary(max_size=300) | st.binary(max_size=60).map(lambda more: b"<?xml" + more), st.sampled_from(QUESTIONS))
@example(b"\xff\xfe<\0p\0l\0i\0s\0t\0>\0", "pci")
@example(b'<?xml version="1.0" encoding="utf-7"?><plist/>', "pci")
@example(b'<?xml version="1.0" encoding="no such"?><plist/>', "host")
def test_any_bytes_are_survived(answer: bytes, question: str) -> None:
    """Bytes of any kind, other encodings among them, are an answer like others."""
    hold_soon(machine(**{question: answer}))


@settings(max_examples=40)
@given(spoilt(), st.integers(0, 3000), st.binary(max_size=3))
def test_a_spoilt_capture_is_one_clear_error_or_a_machine(answer: str, place: int, piece: bytes) -> None:
    """A capture of such a machine with bytes replaced anywhere is read, or refused in one sentence."""
    form: dict[str, Any] = {"platform": "darwin", "taken_at": MOMENT, "agent": "0.1.0", "samples": []}
    data = encode(**form, answers=dict(machine(pci=answer).answers), keep_serials=True)
    data = data[:place] + piece + data[place + len(piece) :]
    kept = taken(data)
    if isinstance(kept, str):
        assert "\n" not in kept
    else:
        hold(collect(recorded(kept)[0], (), MOMENT))


def taken(data: bytes) -> Capture | str:
    """A capture, or why it is none."""
    try:
        return parse(data, "x")
    except BadInput as problem:
        return str(problem)


@settings(max_examples=40)
@given(TREES, st.floats(0, 600))
def test_any_later_look_is_survived(pci: list[Keys], offset: float) -> None:
    """A later look may hold anything; the first stays what it was, and the laws hold over both."""
    first = reads(pci=[hanging(), drive((2, 0, 0), 0x220)], host=root("25.0.0"))
    later = Recorded({"registry pci": printed(pci)}, "darwin", first)
    seen = collect(first, [(offset, later)], MOMENT)
    assert seen.functions == collect(first, (), MOMENT).functions
    hold(seen)


def test_dates_are_values_like_others() -> None:
    """A date where a register should be is no number, and stops nothing."""
    moment = datetime(2026, 3, 2, tzinfo=UTC).replace(tzinfo=None)
    hold_soon(machine(pci=[drive(more={"IOPCIExpressLinkStatus": moment, "reg": moment})]))
