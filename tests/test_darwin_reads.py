"""The promise for Darwin: a reading that fails is never silence. What each lost answer takes away, and what stays.

Every answer of every Darwin machine of `fixtures/` fails alone: by an error, a sentence, a list that ends too early.
Then every single property of a small machine cannot be used. Forms of values: IOKitUser, IOCFSerialize.c; which
entries a list has, and that nothing at all is written where none matches: IOKitTools, ioreg.tproj/ioreg.c.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import asdict, replace

from agent.audit import audit
from agent.report import data
from knowledge import pcie
from probes import collect
from probes.answers import failed
from probes.capture import encode, load_file, parse, recorded
from probes.darwin.functions import KEPT_BELOW, NO_END
from probes.darwin.lists import ODD
from probes.decode import NOT_GIVEN
from probes.facts import BlockDevice
from probes.reads import Recorded
from probes.unread import Unread
from tests.machines import FIXTURES
from tests.plists import (
    ASKED,
    BRIDGE,
    CAPABILITIES,
    ENDPOINT,
    EXPRESS,
    GEN_3_X4,
    INTEGRATED,
    NVME,
    ROOT_PORT,
    STATUS,
    Keys,
    block,
    controller,
    drive,
    entry,
    express,
    facts,
    function,
    media,
    one,
    reads,
)
from tests.registry_machines import DARWIN_MACHINES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from probes.capture import Capture
    from probes.facts import Facts
    from probes.reads import Answer

CAPTURES: Final = {name: load_file(str(FIXTURES / name / "capture.json")) for name in sorted(DARWIN_MACHINES)}
FABRIC: Final = "Thornwick Fabric"
SENTENCE: Final = "the registry printer was ended by signal 9"


def seen(capture: Capture, **changed: Answer) -> Facts:
    """The facts of a capture of which some answers of the registry are replaced."""
    answers = {**capture.reads, **{f"registry {name}": answer for name, answer in changed.items()}}
    return collect(Recorded(answers, capture.platform), (), capture.taken_at)


WHOLE: Final = {name: seen(capture) for name, capture in CAPTURES.items()}


def failures(name: str, question: str) -> Iterator[tuple[Answer, str]]:
    """Ways in which an answer of a machine is lost, each with a part of the reason."""
    key = f"registry {question}"
    for error in ("EIO", "EACCES", "ETIMEDOUT", "ENOENT", "EFBIG", "ENODATA"):
        yield failed(key, error), f"({error})"
    yield Unread(key, SENTENCE, vital=True), SENTENCE
    whole = CAPTURES[name].reads[key]
    assert isinstance(whole, str)
    end = whole.rindex("</plist>") if whole else 0
    middle = whole.find("<integer>", end // 2)
    for place in (1, end // 5, end // 2, middle + 4, middle + 10, end - 12, end, end + 4) if whole else ():
        yield whole[:place], "cut short"
        yield whole[:place].encode(), "cut short"


CASES: Final = [(name, question) for name in CAPTURES for question in ASKED]
of_each_question: Final = pytest.mark.parametrize(("name", "question"), CASES)


# --- A list that is lost -----------------------------------------------------------------------------------------


def kept_of(drive_: Any) -> tuple[object, ...]:  # noqa: ANN401 - a drive of the facts
    """What tells a drive from others."""
    return (drive_.kind, drive_.model, drive_.firmware, drive_.serial)


@pytest.mark.parametrize("name", CAPTURES)
def test_without_the_functions_drives_stay_and_hang_on_nobody_knows_what(name: str) -> None:
    """No function is told, and where more may be; a drive's function is unread, save where it cannot have one."""
    whole = WHOLE[name]
    for answer, why in failures(name, "pci"):
        found = seen(CAPTURES[name], pci=answer)
        assert found.functions == ()
        assert [(gap.of, gap.entry, gap.kind, gap.why.what) for gap in found.gaps] == [
            ("functions", "", "", ASKED["pci"])
        ]
        assert why in found.gaps[0].why.why
        assert [kept_of(made) for made in found.drives] == [kept_of(made) for made in whole.drives]
        assert [made.blocks for made in found.drives] == [made.blocks for made in whole.drives]
        for made in found.drives:
            lost = made.address
            if made.interconnect == FABRIC:
                assert lost is None
            else:
                assert isinstance(lost, Unread)
                assert why in lost.why
        assert found.host == whole.host


@pytest.mark.parametrize("name", CAPTURES)
def test_without_the_block_devices_controllers_tell_the_nvme_drives(name: str) -> None:
    """NVMe drives keep their model and their function, their block devices are unread; disks are a gap."""
    whole = WHOLE[name]
    nvme = [made for made in whole.drives if made.kind == "nvme"]
    for answer, why in failures(name, "drives"):
        found = seen(CAPTURES[name], drives=answer)
        assert found.functions == whole.functions
        assert sorted(map(str, map(kept_of, found.drives))) == sorted(map(str, map(kept_of, nvme)))
        assert {made.address for made in found.drives} == {made.address for made in nvme}
        for made in found.drives:
            assert isinstance(made.blocks, Unread)
            assert why in made.blocks.why
        assert [(gap.of, gap.kind, gap.why.what) for gap in found.gaps] == [("drives", "disk", ASKED["drives"])]
        assert why in found.gaps[0].why.why


@pytest.mark.parametrize("name", CAPTURES)
def test_without_the_controllers_block_devices_tell_the_nvme_drives(name: str) -> None:
    """Every drive that has a block device stays as it was; whether there are more is a gap."""
    for answer, why in failures(name, "controllers"):
        found = seen(CAPTURES[name], controllers=answer)
        assert (found.functions, found.drives, found.host) == (
            WHOLE[name].functions,
            WHOLE[name].drives,
            WHOLE[name].host,
        )
        assert [(gap.of, gap.kind, gap.why.what) for gap in found.gaps] == [("drives", "nvme", ASKED["controllers"])]
        assert why in found.gaps[0].why.why


OF_HOST: Final = {
    "host": ("kernel", "maker", "product", "product_version", "board"),
    "firmware": ("firmware_maker", "firmware_version", "firmware_date"),
}


@pytest.mark.parametrize("question", OF_HOST)
@pytest.mark.parametrize("name", CAPTURES)
def test_without_the_device_tree_the_machine_is_not_said_to_have_no_maker(name: str, question: str) -> None:
    """What the answer would tell is unread with its reason, said in one line; nothing that is judged changes."""
    whole = asdict(WHOLE[name].host)
    for answer, why in failures(name, question):
        found = seen(CAPTURES[name], **{question: answer})
        told = asdict(found.host)
        for field in OF_HOST[question]:
            assert isinstance(told[field], Unread), field
            assert why in told[field].why
        same = [field for field in told if field not in OF_HOST[question]]
        assert {field: told[field] for field in same} == {field: whole[field] for field in same}
        (line,) = [one for one in found.unread if one not in WHOLE[name].unread]
        assert line.what == ASKED[question]
        assert why in line.why
        assert (line.vital, found.gaps) == (False, ())
        assert (found.functions, found.drives) == (WHOLE[name].functions, WHOLE[name].drives)


FIGURES: Final = {"boot_time": "up_seconds", "cpu_count": "processors", "virtual_memory.total": "memory_bytes"}


@pytest.mark.parametrize("subject", FIGURES)
@pytest.mark.parametrize("error", ["EIO", "EACCES", "psutil did not answer (OSError)"])
def test_a_figure_of_the_host_that_failed_is_one_minor_line(subject: str, error: str) -> None:
    """It is unread with its reason, told once, and no verdict rests on it; two of them are one line still."""
    key, capture = f"psutil {subject}", CAPTURES["tower-6-live"]
    lost = failed(key, error) if error.isupper() else Unread(key, error)
    found = collect(Recorded({**capture.reads, key: lost}, "darwin"), (), capture.taken_at)
    assert getattr(found.host, FIGURES[subject]) == lost
    assert [one for one in found.unread if one not in WHOLE["tower-6-live"].unread] == [lost.minor]
    all_lost = {f"psutil {other}": replace(lost, what=f"psutil {other}") for other in FIGURES}
    found = collect(Recorded({**capture.reads, **all_lost}, "darwin"), (), capture.taken_at)
    (line,) = [one for one in found.unread if one not in WHOLE["tower-6-live"].unread]
    assert (line.what, line.vital) == ("the machine as a whole", False)
    assert line.why == f"3 readings failed: {lost.why}"


# --- An answer that is empty -------------------------------------------------------------------------------------


@pytest.mark.parametrize("answer", ["", "\n", b"", '<plist version="1.0"><array/></plist>'])
@pytest.mark.parametrize(
    ("question", "expected"),
    [
        ("pci", [("functions", "")]),
        ("drives", [("drives", "disk")]),
        ("controllers", []),
        ("firmware", []),
    ],
)
def test_nothing_is_an_answer_only_where_a_machine_may_have_none(
    question: str, expected: list[tuple[str, str]], answer: Answer
) -> None:
    """A machine may have no NVMe drive and no classic firmware; it has PCI functions and starts from something."""
    for name, capture in CAPTURES.items():
        found = seen(capture, **{question: answer})
        assert [(gap.of, gap.kind) for gap in found.gaps] == expected, name
        assert all(gap.why.vital and gap.why in found.unread for gap in found.gaps)
        assert isinstance(found.host.product, str)


def test_a_device_tree_without_an_entry_was_not_read() -> None:
    """There is always a root."""
    found = seen(CAPTURES["tower-6-live"], host="")
    assert isinstance(found.host.product, Unread)
    assert ASKED["host"] in [one.what for one in found.unread]


def test_entries_of_which_none_is_a_function_are_no_list_of_functions() -> None:
    """A list of headers alone is whole, and holds no function all the same."""
    found = facts(entry(0x210, IOObjectClass="IOPCIDevice"))
    assert [gap.of for gap in found.gaps if gap.why.what == ASKED["pci"]] == ["functions"]


# --- The law -----------------------------------------------------------------------------------------------------


def missing(whole: Any, spoilt: Any, place: str = "") -> Iterator[str]:  # noqa: ANN401 - values of JSON
    """The places of a report at which something stood that stands there no more."""
    if isinstance(whole, dict) and isinstance(spoilt, dict):
        for key in whole:
            yield from missing(whole[key], spoilt.get(key), f"{place}/{key}")
    elif isinstance(whole, list) and isinstance(spoilt, list) and len(whole) == len(spoilt):
        for number, (before, after) in enumerate(zip(whole, spoilt, strict=True)):
            yield from missing(before, after, f"{place}/{number}")
    elif whole != spoilt:
        yield place


def report(found: Facts) -> dict[str, Any]:
    """What `check` says in JSON."""
    said: dict[str, Any] = json.loads(data.encode(data.check(audit(found))))
    return said


REPORTS: Final = {name: report(whole) for name, whole in WHOLE.items()}


def silent(before: dict[str, Any], spoilt: Facts, why: str) -> list[str]:
    """What a report says no more, with no word of the reason among what was not read."""
    after = report(spoilt)
    if any(why in line["why"] for line in after.pop("unread") if line not in before["unread"]):
        return []
    return list(missing({key: told for key, told in before.items() if key != "unread"}, after))


@pytest.mark.long
@of_each_question
def test_whatever_a_report_says_no_more_stands_among_what_was_not_read(name: str, question: str) -> None:
    """Each way to lose each answer: no exception, and the reason stands where the report tells what it misses."""
    for answer, why in failures(name, question):
        assert silent(REPORTS[name], seen(CAPTURES[name], **{question: answer}), why) == []


@of_each_question
def test_a_reason_that_is_kept_back_is_silence(name: str, question: str) -> None:
    """The law above fails where the lines of what was not read are taken away."""
    answer = failed(f"registry {question}", "EIO")
    spoilt = seen(CAPTURES[name], **{question: answer})
    hushed = replace(spoilt, unread=WHOLE[name].unread, gaps=())
    # Block devices tell all that a report says of NVMe drives; a machine may have no classic firmware to tell of.
    takes_nothing = {"controllers": True, "firmware": WHOLE[name].host.firmware_version is None}.get(question, False)
    assert (silent(REPORTS[name], hushed, "(EIO)") == []) is takes_nothing


@pytest.mark.parametrize("name", CAPTURES)
def test_a_later_look_that_failed_is_told(name: str) -> None:
    """The links of a later look are not told, and why; the first look stays what it was."""
    capture = CAPTURES[name]
    first = Recorded(capture.reads, "darwin")
    later = Recorded({"registry pci": failed("registry pci", "EIO")}, "darwin", first)
    found = collect(first, [(1.5, later)], capture.taken_at)
    assert found.functions == WHOLE[name].functions
    assert [dict(look.functions) for look in found.looks] == [{}]
    (line,) = [one for one in found.unread if one not in WHOLE[name].unread]
    assert "1.5 s" in line.what
    assert "EIO" in line.why


@pytest.mark.parametrize("question", ASKED)
@pytest.mark.parametrize(
    "lost", [Unread("", SENTENCE, vital=True), failed("", "EIO"), failed("", "EACCES")], ids=["words", "EIO", "EACCES"]
)
def test_a_question_that_failed_is_as_grave_in_a_replay(question: str, lost: Unread) -> None:
    """A capture keeps an errno name or a sentence; either brings back the same answer, and the same facts."""
    key = f"registry {question}"
    answers: dict[str, Answer] = {**CAPTURES["tower-6-live"].reads, key: replace(lost, what=key)}
    live = collect(Recorded(answers, "darwin"), (), "2026-03-02T09:00:00+00:00")
    form: dict[str, Any] = {"platform": "darwin", "taken_at": live.taken_at, "agent": "0.1.0", "samples": []}
    kept = parse(encode(**form, answers=answers, keep_serials=True), "x")
    assert kept.reads[key] == answers[key]
    assert collect(recorded(kept)[0], (), live.taken_at) == live


# --- Properties that are there and cannot be used ----------------------------------------------------------------

SLOT: Final = "AAPL,slot-name"
WIRED: Final = "IOPCIExpressMaxLinkWidthOverride"
TUNNELLED: Final = "IOPCITunnelled"
NO_USE: Final[tuple[Any, ...]] = ([], {"lanes": 4}, 3.5)


def tower(port: Keys | None = None, card: Keys | None = None, **answers: object) -> Facts:
    """A root port with an NVMe drive, of which some properties are replaced."""
    below = drive((1, 0, 0), 0x210, entry(0x300, entry(0x400)), more=card or {})
    above = function(0x201, (0, 1, 0), BRIDGE, below, more=express(ROOT_PORT) | (port or {}))
    told: dict[str, Any] = {"drives": [block(0x400, media("disk2"))], "controllers": [controller(0x300)]}
    return facts(above, **(told | answers))


def line(found: Facts, what: str) -> Unread:
    """The one line of what was not read that begins so."""
    (told,) = [one for one in found.unread if one.what == what]
    return told


@pytest.mark.parametrize("value", NO_USE)
@pytest.mark.parametrize(
    ("key", "field", "why", "vital"),
    [
        ("model", "model_name", "is no text", False),
        (SLOT, "slot_name", "is no text", False),
        ("vendor-id", "vendor_id", "is no number", False),
        ("device-id", "device_id", "is no number", False),
        ("subsystem-id", "subsystem_id", "is no number", False),
        ("revision-id", "revision", "is no number", False),
        ("class-code", "class_code", "is no number", True),
        (TUNNELLED, "tunnelled", "says neither yes nor no", True),
        (WIRED, "wired_lanes", "is no number", True),
    ],
)
def test_a_property_that_cannot_be_used_is_unread_and_told(
    key: str,
    field: str,
    why: str,
    vital: bool,  # noqa: FBT001 - a row of the table
    value: object,
) -> None:
    """It is neither missing nor guessed: the function has the reason, and so has the list of what was not read."""
    (_, card) = tower(card={key: value}).functions
    assert getattr(card, field) == Unread(f"{key} of 01:00.0", why, vital=vital)
    assert line(tower(card={key: value}), f"{key} of 01:00.0") == getattr(card, field)
    assert not [one for one in tower().unread if "01:00.0" in one.what]


@pytest.mark.parametrize("key", [STATUS, CAPABILITIES, EXPRESS])
def test_a_register_that_is_no_number_is_told_as_vital(key: str) -> None:
    """A link nobody can judge may hide a fault."""
    assert line(tower(card={key: []}), f"{key} of 01:00.0").vital
    assert line(tower(port={"IOPCIExpressSlotStatus": "none"}), "IOPCIExpressSlotStatus of 00:01.0").vital


def test_several_properties_of_one_function_are_one_line() -> None:
    """Each is named with its own reason; the line is as grave as the gravest of them."""
    told = line(tower(card={"model": [], SLOT: 1.5}), "01:00.0")
    assert (told.why, told.vital) == (f"model is no text; {SLOT} is no text", False)
    told = line(tower(card={"model": [], "class-code": 1.5}), "01:00.0")
    assert (told.why, told.vital) == ("class-code is no number; model is no text", True)


@pytest.mark.parametrize("key", ["vendor-id", "device-id", "class-code"])
def test_a_number_that_every_function_has_is_missed(key: str) -> None:
    """The system gives it of each PCI function (IOPCIFamily), so without it something went wrong."""
    whole = drive((1, 0, 0), 0x210)
    del whole[key]
    assert line(facts(whole), f"{key} of 01:00.0").why == NOT_GIVEN
    assert f"{key} of 01:00.0" not in [one.what for one in facts(drive((1, 0, 0), 0x210)).unread]


def test_an_address_in_no_known_form_is_told() -> None:
    """A function without a place goes by its entry, and it is said why."""
    told = line(facts(drive(more={"reg": 3.5})), "address of entry-210")
    assert told.why == "is not told in a form that is known"


def test_what_is_left_out_for_none_is_none() -> None:
    """The system writes no tunnel, no width of a slot, no model and no subsystem where there is none (IOPCIFamily)."""
    (_, card) = tower().functions
    assert (card.tunnelled, card.wired_lanes, card.model_name, card.subsystem_id) == (False, None, None, 0)


# Bit 8 of PCI Express Capabilities: Slot Implemented (PCI_EXP_FLAGS_SLOT 0x0100, include/uapi/linux/pci_regs.h).
WITH_SLOT: Final = 0x0100


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (express(ROOT_PORT) | {SLOT: b"Slot-4\0"}, "Slot-4"),
        (express(ROOT_PORT), None),
        (express(INTEGRATED), None),
        (express(ROOT_PORT | WITH_SLOT), Unread("slot name", NOT_GIVEN)),
        (express(ENDPOINT), Unread("slot name", NOT_GIVEN)),
        ({CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4}, Unread("slot name", NOT_GIVEN)),
        (express(ROOT_PORT) | {EXPRESS: "?"}, Unread("slot name", NOT_GIVEN)),
        ({}, Unread("slot name", NOT_GIVEN)),
        (express(ROOT_PORT) | {SLOT: []}, Unread(f"{SLOT} of 00:01.0", "is no text")),
    ],
    ids=["named", "no slot", "integrated", "nameless", "card", "old release", "no type", "conventional", "no text"],
)
def test_no_slot_is_not_a_slot_without_a_name(keys: Keys, expected: str | Unread | None) -> None:
    """A port that leads to no slot says so; what nobody named, on releases that name none too, is not known."""
    assert one(function(0x201, (0, 1, 0), BRIDGE, more=keys)).slot_name == expected


def test_a_card_whose_slots_name_cannot_be_read_is_not_said_to_be_in_none() -> None:
    """Its port leads to no slot by its register, and the firmware names one all the same, in a form nobody knows."""
    (plain,) = audit(tower()).links
    assert (plain.link.slot, plain.link.slot_lost) == (None, None)
    (judged,) = audit(tower(card={SLOT: []})).links
    assert judged.link.slot is None
    assert judged.link.slot_lost == Unread("which slot 01:00.0 sits in", "is no text")


@pytest.mark.parametrize("key", ["model", "manufacturer", "board-id", "version", "IOKitBuildVersion"])
def test_a_word_of_the_machine_that_cannot_be_used_is_unread(key: str) -> None:
    """It takes no other word of the machine away, and one minor line tells of it."""
    words: Keys = {
        "model": "Grading tower 7A",
        "manufacturer": "Harrow Lane Archive",
        "board-id": "7",
        "version": "1.0",
    }
    of_root: Keys = {"IOKitBuildVersion": "Darwin Kernel Version 22.6.0: made for tests"}
    (words if key in words else of_root)[key] = []
    found = facts(drive(), host=entry(0x100, entry(0x110, more=words), more=of_root))
    fields = {"model": "product", "manufacturer": "maker", "board-id": "board", "version": "product_version"}
    fields["IOKitBuildVersion"] = "kernel"
    told = {name: getattr(found.host, field) for name, field in fields.items()}
    assert [name for name, word in told.items() if isinstance(word, Unread)] == [key]
    (lost,) = [one for one in found.unread if one.why == "is no text"]
    assert lost.vital is False


@pytest.mark.parametrize("code", ["?", None])
def test_a_port_of_unknown_class_is_known_by_what_is_below_it(code: object) -> None:
    """Where a release tells no types, a function with another below it is a port, and one without may be a card."""
    told = {CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4, "class-code": code}
    above = function(0x201, (0, 1, 0), BRIDGE, function(0x202, (1, 0, 0), NVME, more=told), more=told)
    for keys in (above, above["IORegistryEntryChildren"][0]):
        if code is None:
            del keys["class-code"]
    port, card = facts(above).functions
    kept = port.registers.read(pcie.LINK_STATUS, "negotiated_link_width")
    assert kept == Unread(f"{STATUS} of 00:01.0", KEPT_BELOW)
    lost = card.registers.read(pcie.LINK_STATUS, "negotiated_link_width")
    assert lost == Unread(f"{STATUS} of 01:00.0", NO_END)
    found = audit(facts(above))
    assert [(judged.port_address, judged.device_address) for judged in found.links] == [("00:01.0", "01:00.0")]
    assert [str(judged.verdict) for judged in found.links] == ["unknown"]


# --- Drives ------------------------------------------------------------------------------------------------------

TRAITS: Final = "Device Characteristics"
PROTOCOL: Final = "Protocol Characteristics"


def disk(ident: int = 0x400, **changed: object) -> Keys:
    """A block device with its medium; `changed` values replace those of either table, or the tables."""
    made = block(ident, media("disk2", ident=ident + 0x100))
    for key, value in changed.items():
        name = key.replace("_", " ")
        place = next((made[table] for table in (TRAITS, PROTOCOL) if name in made[table]), made)
        place[name] = value
    return made


@pytest.mark.parametrize("value", NO_USE)
def test_words_of_a_drive_that_cannot_be_used_are_unread(value: object) -> None:
    """Model, firmware and serial number that are no texts are unread with that reason, and one line tells of all."""
    device = disk(Product_Name=value, Product_Revision_Level=value, Serial_Number=value)
    found = tower(drives=[device], controllers="")
    (made,) = found.drives
    for told in (made.model, made.firmware, made.serial):
        assert isinstance(told, Unread)
        assert told.why == "is no text"
    assert line(found, "disk2").why == (
        "Product Name is no text; Product Revision Level is no text; Serial Number is no text"
    )


def test_a_word_that_the_controller_lacks_is_the_block_devices() -> None:
    """One of both is enough to know it; that the other cannot be used is told all the same."""
    found = tower(controllers=[controller(0x300) | {"Model Number": []}])
    assert [made.model for made in found.drives] == ["Ostrayne Reel 3 2TB"]
    assert line(found, "Model Number of disk2").why == "is no text"


@pytest.mark.parametrize("table", [TRAITS, PROTOCOL])
def test_a_table_of_another_form_is_told(table: str) -> None:
    """What would stand in it is unread for that reason, not left out by the system."""
    found = tower(drives=[disk() | {table: "none"}], controllers="")
    (made,) = found.drives
    assert line(found, f"{table} of disk2").why == "is no table"
    for told in (made.model, made.firmware, made.serial) if table == TRAITS else (made.interconnect,):
        assert isinstance(told, Unread)
        assert told.why == "is no table"


def test_an_interconnect_that_cannot_be_used_is_not_one_off_the_bus() -> None:
    """A drive is virtual where its interconnect names another way; one that nobody can read says nothing."""
    device = disk(Physical_Interconnect=[])
    found = tower(drives=[device])
    assert [(made.address, type(made.interconnect)) for made in found.drives] == [("01:00.0", Unread)]
    apart = facts(function(0x220, (0, 31, 0), 0x060100), drives=[device])
    (made,) = audit(apart).drives
    assert (made.drive.address, made.verdict) == (None, None)
    assert line(apart, "Physical Interconnect of disk2").why == "is no text"
    assert [one.interconnect for one in data.check(audit(apart)).drives] == [None]


LOST: Final = failed("registry pci", "ETIMEDOUT")
OFF_THE_BUS: Final = function(0x220, (0, 31, 0), 0x060100)
ON_NOBODY_KNOWS_WHAT: Final = function(0x210, (1, 0, 0), NVME, entry(0x400), more={"class-code": "?"})


@pytest.mark.parametrize(
    ("tree", "device", "why"),
    [
        (OFF_THE_BUS, disk(Physical_Interconnect_Location=[]), "is no text"),
        (OFF_THE_BUS, disk() | {"device-type": []}, "is no text"),
        (ON_NOBODY_KNOWS_WHAT, disk(Physical_Interconnect=""), "is no number"),
        (None, disk(Physical_Interconnect=""), "no answer in time (ETIMEDOUT)"),
        (None, disk(Physical_Interconnect="Strand", Physical_Interconnect_Location="External"), "no answer in time"),
    ],
    ids=["place", "kind", "class", "nothing known", "outside of something"],
)
def test_a_block_device_of_which_nobody_knows_whether_it_is_inside_is_a_gap(
    tree: Keys | None, device: Keys, why: str
) -> None:
    """It is not left out in silence, as those are that say that they are outside, and not made a drive."""
    pci = [tree] if tree is not None else LOST
    found = collect(reads(pci=pci, drives=[device]))
    assert found.drives == ()
    (gap,) = [one for one in found.gaps if one.entry]
    assert (gap.of, gap.entry, gap.kind, gap.why.vital) == ("drives", "disk2", "disk", True)
    assert gap.why.what == "what kind of disk disk2 is (I/O Registry)"
    assert gap.why.why.startswith(why)
    assert gap.why in found.unread


@pytest.mark.parametrize("words", ["USB", "FireWire", "Virtual Interface"])
def test_a_drive_outside_is_left_out_whether_functions_were_read_or_not(words: str) -> None:
    """It says itself that it is outside."""
    found = collect(reads(pci=LOST, drives=[disk(Physical_Interconnect=words)]))
    assert (found.drives, [gap.of for gap in found.gaps]) == ((), ["functions"])


@pytest.mark.parametrize("location", ["Internal", "External"])
def test_a_drive_on_pci_stays_a_drive_where_functions_could_not_be_read(location: str) -> None:
    """By its interconnect it hangs on one of them, in a dock as well."""
    device = disk(Physical_Interconnect_Location=location)
    found = collect(reads(pci=LOST, drives=[device]))
    assert [(made.name, type(made.address), made.interconnect) for made in found.drives] == [
        ("disk2", Unread, "PCI-Express")
    ]


def test_a_drive_whose_entry_has_no_id_is_found_by_its_serial_number() -> None:
    """Its function cannot be found then; the controller of the same serial number tells it, else it is unread."""
    device = disk()
    del device["IORegistryEntryID"]
    assert [(made.name, made.address) for made in tower(drives=[device]).drives] == [("disk2", "01:00.0")]
    (made,) = tower(drives=[device], controllers="").drives
    assert isinstance(made.address, Unread)
    assert made.address.vital
    assert made.address in tower(drives=[device], controllers="").unread


def test_an_nvme_function_without_a_controller_may_have_a_block_device_that_was_not_read() -> None:
    """It is not said that the system has no drive there; where the block devices were read, it is."""
    lost = tower(drives=failed("registry drives", "EIO"), controllers="")
    (gap,) = [gap for gap in lost.gaps if gap.entry]
    assert (gap.of, gap.entry, gap.kind, gap.why.vital) == ("drives", "01:00.0", "nvme", True)
    assert gap.why in lost.unread
    assert "drive-unclaimed" not in [found.rule for found in audit(lost).findings]
    apart = disk(0x40F, Physical_Interconnect=FABRIC)
    assert "drive-unclaimed" in [found.rule for found in audit(tower(drives=[apart], controllers="")).findings]
    known = tower(drives=failed("registry drives", "EIO"))
    assert [gap.entry for gap in known.gaps] == [""]


@pytest.mark.parametrize("place", ["controllers", "pci"])
def test_a_controller_whose_entry_has_no_id_is_found_by_its_serial_number(place: str) -> None:
    """It is not told as a drive of its own beside its block device, which shows the function of both."""
    told = controller(0x300)
    inner = entry(0x300, entry(0x400))
    del (told if place == "controllers" else inner)["IORegistryEntryID"]
    tree = function(0x210, (1, 0, 0), NVME, inner, more=express(ENDPOINT))
    devices = [disk(), disk(0x401)]
    inner["IORegistryEntryChildren"].append(entry(0x401))
    (made,) = facts(tree, drives=devices, controllers=[told]).drives
    assert (made.address, made.model) == ("01:00.0", "Ostrayne Reel 3 2TB")
    assert made.blocks == (BlockDevice("disk2", 2_000_398_934_016),) * 2


@pytest.mark.parametrize(("lost", "of_two"), [("controller", 2), ("device", 3)])
def test_a_drive_on_the_processors_fabric_is_one_by_its_model_where_no_number_tells(lost: str, of_two: int) -> None:
    """Neither hangs on a function, so the serial number joins them; without it the only one of a model that fits."""
    device = disk(Physical_Interconnect=FABRIC)
    told = controller(0x300)
    (told if lost == "controller" else device[TRAITS])["Serial Number"] = []
    (made,) = facts(OFF_THE_BUS, drives=[device], controllers=[told]).drives
    assert (made.name, made.kind, made.address, made.serial) == ("disk2", "nvme", None, "RL3-1")
    two = facts(OFF_THE_BUS, drives=[device], controllers=[told, controller(0x310, "RL3-2")]).drives
    assert len(two) == of_two


@pytest.mark.parametrize("whole", ["?", [], None])
def test_a_medium_that_may_be_a_part_leaves_the_block_devices_unread(whole: object) -> None:
    """The nearest medium is whole, and those below it may be too: nobody takes one of these for the drive's own."""
    medium = media("disk2", 2_000, media("disk5", 1_000, ident=0x501), whole=whole)
    if whole is None:
        del medium["Whole"]
    found = tower(drives=[block(0x400, medium)])
    (made,) = found.drives
    assert isinstance(made.blocks, Unread)
    assert made.blocks.why == (NOT_GIVEN if whole is None else "says neither yes nor no")
    assert made.blocks in found.unread


def test_a_medium_whose_name_cannot_be_used_keeps_its_size() -> None:
    """It goes by its entry, and it is told why."""
    medium = media("disk2", 2_000)
    medium["BSD Name"] = []
    found = tower(drives=[block(0x400, medium)])
    assert [made.blocks for made in found.drives] == [(BlockDevice("entry-500", 2_000),)]
    assert line(found, "BSD Name of entry-500").why == "is no text"


def test_what_stands_below_an_entry_and_is_none_makes_no_whole_list() -> None:
    """Half a machine would look like a whole one."""
    below = drive((1, 0, 0), 0x210) | {"IORegistryEntryChildren": "none"}
    found = facts(function(0x201, (0, 1, 0), BRIDGE, below, more=express(ROOT_PORT)))
    assert found.functions == ()
    assert line(found, ASKED["pci"]).why == ODD
