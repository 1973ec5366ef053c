"""Darwin machines whose registry answers badly: cut, empty, of another shape, hostile. Made from those of `fixtures/`.

What is read stays as it was, what cannot be read is said to be so, and nothing raises. Statuses that no link can have
are those of the parsing rules: 0, all bits set, an empty dictionary, a speed or a width that the specification has not.
"""

from __future__ import annotations

import io
import plistlib
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from agent.audit import Audit, audit
from agent.model.findings import Severity, Verdict
from agent.report import data, inventory_text, text
from probes import collect
from probes.answers import REGISTRY_LIMIT, failed
from probes.reads import Recorded
from probes.unread import Unread
from tests.json_schema import problems
from tests.plists import ASKED
from tests.registry_entries import printed
from tests.registry_machines import DARWIN_MACHINES, RegistryReads

if TYPE_CHECKING:
    from collections.abc import Iterator

    from probes.facts import Facts
    from probes.reads import Reads

    Node = dict[str, Any]
    Answer = str | bytes | Unread

CARRIER: Final = "tower-2-narrow-carrier"
NEVER_EMPTY: Final = frozenset({"pci", "drives", "host"})  # a machine may have no NVMe drive, and no classic firmware
MOMENT: Final = "2026-03-02T09:00:00+00:00"
CHILDREN: Final = "IORegistryEntryChildren"
ANSWERS: Final = {name: make().tower.answers() for name, make in DARWIN_MACHINES.items()}


# --- Machines that are damaged -----------------------------------------------------------------------------------


def damaged(name: str = CARRIER, /, **changed: Answer) -> RegistryReads:
    """A machine of which some answers are replaced."""
    answers: dict[str, Answer] = {**ANSWERS[name], **changed}
    return RegistryReads(answers, DARWIN_MACHINES[name]().tower.figures())


def survived(reads: Reads) -> Audit:
    """The audit of whatever answers: facts, JSON as the schema has it, printable texts."""
    found = audit(collect(reads, (), MOMENT))
    schema = msgspec.json.schema(data.CheckData)
    encoded = data.encode(data.check(found))
    assert [] == problems({"$ref": schema["$ref"]}, msgspec.json.decode(encoded), schema)
    data.encode(data.inventory(found))
    for page in (
        text.check(found, 80, "this machine"),
        text.whole(found, 80, "this machine"),
        inventory_text.inventory(found, 80, "this machine"),
    ):
        output = io.StringIO()
        text.show(page, Console(file=output, width=80, color_system=None))
        assert [] == [line for line in output.getvalue().split("\n") if not line.isprintable()]
    return found


def tree(name: str = CARRIER, question: str = "pci") -> list[Node]:
    """An answer as plistlib reads it, to be changed and printed again."""
    found: list[Node] = plistlib.loads(ANSWERS[name][question].encode())
    return found


def nodes(trees: list[Node]) -> Iterator[Node]:
    """Every entry of an answer, those below after those above."""
    for one in trees:
        yield one
        yield from nodes(one.get(CHILDREN, []))


def functions(trees: list[Node]) -> list[Node]:
    """The PCI functions of an answer."""
    return [one for one in nodes(trees) if "vendor-id" in one]


def at(trees: list[Node], bus: int) -> Node:
    """The first function of a bus, by the text that the system has of its place."""
    return next(one for one in functions(trees) if one["pcidebug"].startswith(f"{bus}:0:0"))


def verdicts(found: Audit) -> dict[str, str]:
    """The verdict of each link."""
    return {judged.link.key: str(judged.verdict) for judged in found.links}


def unread(facts: Facts) -> dict[str, str]:
    """What could not be read, and why."""
    return {one.what: one.why for one in facts.unread}


WHOLE: Final = {name: survived(damaged(name)) for name in DARWIN_MACHINES}


# --- Answers that are not there ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
@pytest.mark.parametrize("missing", ASKED)
@pytest.mark.parametrize("answer", ["", failed("registry", "ETIMEDOUT")], ids=["nothing matched", "failed"])
def test_what_does_not_hang_on_a_missing_answer_stays_as_it_was(name: str, missing: str, answer: Answer) -> None:
    """Without one answer the rest is still right; one that failed, or is empty and never should be, is told once."""
    whole, found = WHOLE[name], survived(damaged(name, **{missing: answer}))
    if missing == "pci":
        assert () == found.facts.functions
        assert () == found.links
    else:
        assert whole.facts.functions == found.facts.functions
        assert verdicts(whole) == verdicts(found)
    if missing in {"host", "firmware"}:
        assert whole.facts.drives == found.facts.drives
    if missing != "host":
        assert whole.facts.host.product == found.facts.host.product
    told = [one.what for one in found.facts.unread if one not in whole.facts.unread]
    assert told == ([ASKED[missing]] if isinstance(answer, Unread) or missing in NEVER_EMPTY else [])


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
def test_how_current_a_status_is_shows_in_the_keys_where_no_release_is_told(name: str) -> None:
    """Keys that came with a release tell what its kernel does, when the registry's root could not be read."""
    found = survived(damaged(name, host=failed("registry host", "ETIMEDOUT")))
    assert isinstance(found.facts.host.product, Unread)
    assert isinstance(found.facts.host.kernel, Unread)
    assert {one.fresh for one in WHOLE[name].links} == {one.fresh for one in found.links}


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
def test_a_drive_whose_function_could_not_be_read_is_not_taken_for_one_without(name: str) -> None:
    """Without the PCI functions a drive that says "PCI-Express" is neither virtual nor healthy nor at fault.

    Rule 8 of the parsing rules: a drive of the processor's own fabric is known by its interconnect.
    """
    found = survived(damaged(name, pci=failed("registry pci", "ETIMEDOUT")))
    assert found.drives
    for one in found.drives:
        fabric = one.drive.model == "Thornwick Onboard 1TB"
        assert isinstance(one.drive.address, type(None) if fabric else Unread)
        assert (Verdict.VIRTUAL if fabric else None) == one.verdict
    assert [] == [one for one in found.findings if one.severity is Severity.FAULT]


def test_a_capture_without_an_answer_says_so() -> None:
    """A capture that lacks a question replays as unread, "not in this capture"."""
    answers = {key: answer for key, answer in DARWIN_MACHINES[CARRIER]().answers().items() if key != "registry pci"}
    found = survived(Recorded(answers, "darwin"))
    assert () == found.links
    assert unread(found.facts)[ASKED["pci"]] == "not in this capture"
    assert {"disk0", "disk1", "disk2", "disk3", "disk4"} == {drive.name for drive in found.facts.drives}


def test_a_machine_that_answers_nothing_has_no_facts_and_says_why() -> None:
    """Every question that failed is told; nothing is made up."""
    found = survived(RegistryReads({}, {}))
    assert () == found.links
    assert () == found.drives
    assert {ASKED[name] for name in ("pci", "drives", "controllers")} <= set(unread(found.facts))
    assert unread(found.facts)["the machine as a whole"] == "2 readings failed: not there (ENOENT)"
    assert isinstance(found.facts.host.firmware_version, Unread)
    assert isinstance(found.facts.host.memory_bytes, Unread)


# --- Answers of another form ---------------------------------------------------------------------------------------

BOMB: Final = (
    '<?xml version="1.0"?><!DOCTYPE plist [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {after} "{10 * f"&{before};"}">' for before, after in zip("abcdefgh", "bcdefghi", strict=True))
    + ']><plist version="1.0"><array><string>&i;</string></array></plist>'
)
OUTSIDE: Final = (
    '<?xml version="1.0"?><!DOCTYPE plist [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    '<plist version="1.0"><array><dict><key>model</key><string>&a;</string></dict></array></plist>'
)
LIST: Final = '<?xml version="1.0" encoding="UTF-8"?><plist version="1.0">{}</plist>'
BAD_ANSWERS: Final[dict[str, Answer]] = {
    "text of an old printer": "The entries of this machine, in words\n  a bridge, then a card\n",
    "entities that grow": BOMB,
    "an entity from outside": OUTSIDE,
    "a binary list": plistlib.dumps([{"vendor-id": b"\x01\x02\0\0"}], fmt=plistlib.FMT_BINARY),
    "bytes that are no text": b"\xff\xfe\xfd\x80" * 40,
    "zero bytes": b"\0" * 64,
    "only spaces and a word": "   \n  oops",
    "an open tag": "<",
    "markup of another kind": "<html><body>Nothing here</body></html>",
    "a number": LIST.format("<integer>7</integer>"),
    "a string": LIST.format("<string>none</string>"),
    "no value": LIST.format(""),
    "too large": " " * 8 + "<!--" + "x" * REGISTRY_LIMIT + "-->" + LIST.format("<array/>"),
}


# Lists whose fault is in a value that nobody asks for: it may be left out unread.
ODD_ANSWERS: Final[dict[str, str]] = {
    "a date that is none": LIST.format("<array><date>yesterday</date></array>"),
    "a number that is none": LIST.format("<array><integer>many</integer></array>"),
    "data that is none": LIST.format("<array><data>!!!!!</data></array>"),
    "a key without a value": LIST.format("<array><dict><key>vendor-id</key></dict></array>"),
}


@pytest.mark.parametrize("missing", ASKED)
@pytest.mark.parametrize("answer", ODD_ANSWERS.values(), ids=ODD_ANSWERS)
def test_a_fault_in_what_nobody_asks_for_does_no_harm(missing: str, answer: str) -> None:
    """There are no entries then, told as unread or not; nothing else changes."""
    found = survived(damaged(**{missing: answer}))
    if missing == "pci":
        assert () == found.links
    else:
        assert verdicts(WHOLE[CARRIER]) == verdicts(found)


@pytest.mark.parametrize("missing", ASKED)
@pytest.mark.parametrize("answer", BAD_ANSWERS.values(), ids=BAD_ANSWERS)
def test_an_answer_that_is_no_list_of_entries_is_unread_and_the_rest_is_right(
    missing: str, answer: str | bytes
) -> None:
    """It is told once, in one sentence, what is wrong with the answer; nothing else changes."""
    found = survived(damaged(**{missing: answer}))
    why = unread(found.facts)[ASKED[missing]]
    assert why
    assert "\n" not in why
    assert "root:" not in why
    assert 1 == sum(one.what == ASKED[missing] for one in found.facts.unread)
    if missing != "pci":
        assert verdicts(WHOLE[CARRIER]) == verdicts(found)


def test_a_list_that_was_cut_is_unread_wherever_it_was_cut() -> None:
    """A list without its end holds no entries, not some of them: half a machine would look like a whole one."""
    answer = ANSWERS[CARRIER]["pci"]
    for place in range(1, len(answer) - len("</plist>\n"), 3997):
        found = survived(damaged(pci=answer[:place]))
        assert () == found.links, place
        assert ASKED["pci"] in unread(found.facts), place
    assert verdicts(WHOLE[CARRIER]) == verdicts(survived(damaged(pci=answer.rstrip())))


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
def test_a_dictionary_in_place_of_an_array_holds_the_same_entries(name: str) -> None:
    """Without the option for matches alone the printer writes one tree: what is in it is the same."""
    root: Node = {"IORegistryEntryName": "Root", "IORegistryEntryID": 0x100000100, "IOObjectClass": "IORegistryEntry"}
    changed = {
        question: printed({**root, CHILDREN: tree(name, question)})
        for question in ("pci", "drives", "controllers", "firmware")
        if ANSWERS[name][question]
    }
    found = survived(damaged(name, pci=changed["pci"]))
    assert WHOLE[name].facts.functions == found.facts.functions
    assert verdicts(WHOLE[name]) == verdicts(found)
    assert WHOLE[name].facts.host == survived(damaged(name, **changed)).facts.host


def test_a_dictionary_in_place_of_one_child_is_that_child() -> None:
    """With the option for ancestors the printer writes a dictionary where an entry has one child."""
    trees = tree()
    for one in list(nodes(trees)):
        if len(one.get(CHILDREN, ())) == 1:
            one["only"] = True
    for one in reversed(list(nodes(trees))):
        if one.pop("only", False):
            one[CHILDREN] = one[CHILDREN][0]
    found = survived(damaged(pci=printed(trees)))
    assert WHOLE[CARRIER].facts.functions == found.facts.functions
    assert WHOLE[CARRIER].facts.drives == found.facts.drives


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
@pytest.mark.parametrize("first", [False, True], ids=["again at the end", "first of all"])
def test_an_entry_that_is_printed_again_counts_once_and_keeps_its_place(name: str, first: bool) -> None:  # noqa: FBT001 - parametrized
    """What is below several parents is printed below each; what is printed at the top as well keeps its parent."""
    trees = tree(name)
    again = [dict(one) for one in functions(trees) if one not in trees]
    more = [*again, *trees] if first else [*trees, *again, *trees]
    found = survived(damaged(name, pci=printed(more), drives=printed(2 * tree(name, "drives"))))
    assert WHOLE[name].facts.functions == found.facts.functions
    assert WHOLE[name].facts.drives == found.facts.drives
    assert verdicts(WHOLE[name]) == verdicts(found)


def test_an_entry_below_itself_ends_nothing() -> None:
    """Ids that lead in a circle are followed once."""
    trees = tree()
    drive = at(trees, 3)
    drive[CHILDREN] = [{**at(trees, 1), CHILDREN: [{**drive, CHILDREN: []}]}]
    found = survived(damaged(pci=printed(trees)))
    assert verdicts(WHOLE[CARRIER]) == verdicts(found)


@pytest.mark.parametrize("depth", [3_000, 30_000])
def test_a_deep_list_is_read_or_refused(depth: int) -> None:
    """Levels upon levels of nothing change nothing that is beside them."""
    begin = f"<dict><key>{CHILDREN}</key><array>"
    nested = depth * begin + depth * "</array></dict>"
    answer = ANSWERS[CARRIER]["pci"].replace("<array>", f"<array>{nested}", 1)
    found = survived(damaged(pci=answer))
    assert verdicts(found) in ({}, verdicts(WHOLE[CARRIER]))
    assert bool(found.links) != (ASKED["pci"] in unread(found.facts))


def test_a_chain_of_many_bridges_is_walked_without_end() -> None:
    """A hundred bridges below each other are a damaged list; it is judged all the same."""
    bridge = next(one for one in functions(tree()) if one["pcidebug"].startswith("0:1:0"))
    chain: Node = {}
    for number in reversed(range(120)):
        below = [chain] if chain else []
        place = bytes((0, number % 8 + 8, number % 256, 0)) + bytes(16)
        chain = {**bridge, "IORegistryEntryID": 0x100001000 + number, "reg": place, CHILDREN: below}
    found = survived(damaged(pci=printed([chain])))
    assert len(found.facts.functions) == 120


# --- Keys of another form ------------------------------------------------------------------------------------------

NO_STATUS: Final[dict[str, object]] = {
    "all bits set": 0xFFFF,
    "all bits set, signed": -1,
    "an empty dictionary": {},
    "nothing": 0,
    "speed code 0": 0x1040,
    "speed code 7": 0x1047,
    "speed code 15": 0x104F,
    "no lanes": 0x1003,
    "three lanes": 0x1033,
    "64 lanes": 0x1003 | 64 << 4 & 0x3F0,
    "a word": "fast",
    "an array": [],
    "no data": b"",
    "much data": bytes(64),
    "a fraction": 3.5,
}


@pytest.mark.parametrize("status", NO_STATUS.values(), ids=NO_STATUS)
def test_a_status_that_no_link_can_have_is_not_known_and_all_others_stay(status: object) -> None:
    """The link of that device is `unknown`, with its reason; it is neither a fault nor healthy."""
    trees = tree()
    at(trees, 3)["IOPCIExpressLinkStatus"] = status
    found = survived(damaged(pci=printed(trees)))
    assert {**verdicts(WHOLE[CARRIER]), "02:00.0": "unknown"} == verdicts(found)
    judged = next(one for one in found.links if one.link.key == "02:00.0")
    assert judged.now is None
    assert judged.why
    assert "link-unread" in {one.rule for one in found.findings if one.subject == "03:00.0"}


@pytest.mark.parametrize("status", [0x1043, "4163", "0x1043", b"\x43\x10", b"\x43\x10\0\0", 0x1043 - 0x10000])
def test_a_number_may_come_as_data_or_words_and_with_a_sign(status: object) -> None:
    """Every form of the same number is the same reading."""
    trees = tree()
    at(trees, 3)["IOPCIExpressLinkStatus"] = status
    found = survived(damaged(pci=printed(trees)))
    assert WHOLE[CARRIER].facts.functions == found.facts.functions


@pytest.mark.parametrize("name", sorted(DARWIN_MACHINES))
def test_names_and_codes_may_come_in_other_forms(name: str) -> None:
    """Identifiers as integers, names as strings or as data that ends in zero bytes: the facts are the same."""
    trees = tree(name)
    for one in functions(trees):
        for key in ("vendor-id", "device-id", "class-code", "revision-id"):
            one[key] = int.from_bytes(one[key], "little")
        for key in ("name", "model", "AAPL,slot-name"):
            if isinstance(one.get(key), bytes):
                one[key] = one[key].rstrip(b"\0").decode()
            elif key in one:
                one[key] = one[key].encode() + b"\0\0"
        if one.get("IOPCITunnelled"):
            one["IOPCITunnelled"] = 1
    found = survived(damaged(name, pci=printed(trees)))
    assert WHOLE[name].facts.functions == found.facts.functions


def test_a_place_is_taken_from_the_text_where_the_data_is_missing() -> None:
    """Without `reg` the bus, device and function of `pcidebug` count; both say the same."""
    trees = tree()
    for one in functions(trees):
        del one["reg"]
    assert WHOLE[CARRIER].facts.functions == survived(damaged(pci=printed(trees))).facts.functions


@pytest.mark.parametrize("reg", [None, b"", b"\x01\x02", "", []])
def test_functions_without_a_place_go_by_their_ids_and_are_judged_the_same(reg: object) -> None:
    """The tree holds without addresses: each link keeps its verdict, under the id of its entry."""
    trees = tree()
    for one in functions(trees):
        del one["pcidebug"], one["reg"]
        if reg is not None:
            one["reg"] = reg
    found = survived(damaged(pci=printed(trees)))
    assert all(judged.link.key.startswith("entry-1000") for judged in found.links)
    assert sorted(verdicts(WHOLE[CARRIER]).values()) == sorted(verdicts(found).values())


def test_capabilities_that_cannot_be_leave_the_link_unknown() -> None:
    """A speed or width that the specification has not makes no best, and no verdict that needs one."""
    impossible: tuple[object, ...] = (0x0000_0D00, 0x0000_0C37, -1, 0x0000_0C4F, {})
    for capabilities in impossible:
        trees = tree()
        at(trees, 3)["IOPCIExpressLinkCapabilities"] = capabilities
        found = survived(damaged(pci=printed(trees)))
        judged = next(one for one in found.links if one.link.key == "02:00.0")
        assert judged.verdict.severity not in {Severity.FAULT, Severity.LIMIT}, capabilities
        assert judged.best is None, capabilities


@pytest.mark.parametrize("lanes", [0, 3, 64, -1, "eight", {}])
def test_a_width_of_the_slot_that_cannot_be_makes_no_fault(lanes: object) -> None:
    """An override that is no number of lanes hides how many are wired: a narrow link may be as it was built."""
    name = "tower-3-calm-display"
    trees = tree(name)
    for one in functions(trees):
        if "IOPCIExpressMaxLinkWidthOverride" in one:
            one["IOPCIExpressMaxLinkWidthOverride"] = lanes
    found = survived(damaged(name, pci=printed(trees)))
    assert {**verdicts(WHOLE[name]), "00:01.0": "unknown"} == verdicts(found)
    judged = next(one for one in found.links if one.link.key == "00:01.0")
    assert "IOPCIExpressMaxLinkWidthOverride" in judged.why


HOSTILE: Final = b"\x1b[31m[bold]Slot\x07\r\n<b>\xe2\x80\xae\xff" + 3000 * b"x"


def test_hostile_words_have_no_effect_anywhere() -> None:
    """Control characters, markup, wrong UTF-8 and endless words in names reach no terminal."""
    answers = {question: tree(question=question) for question in ("pci", "drives", "controllers", "firmware")}
    for trees in answers.values():
        for one in nodes(trees):
            for key in ("model", "AAPL,slot-name", "name", "IORegistryEntryLocation", "vendor", "version"):
                one[key] = HOSTILE
            for key in ("BSD Name", "Model Number", "Firmware Revision", "Serial Number"):
                if key in one:
                    one[key] = HOSTILE
            if "Device Characteristics" in one:
                one["Device Characteristics"] = dict.fromkeys(one["Device Characteristics"], HOSTILE)
                one["Protocol Characteristics"] = dict.fromkeys(one["Protocol Characteristics"], HOSTILE)
    found = survived(damaged(**{question: printed(trees) for question, trees in answers.items()}))
    assert verdicts(WHOLE[CARRIER]) == verdicts(found)


# --- Any damage ----------------------------------------------------------------------------------------------------

VALUES: Final = st.one_of(
    st.integers(-(2**63), 2**64 - 1),
    st.booleans(),
    st.binary(max_size=24),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=24),
    st.just({}),
    st.just([]),
    st.floats(allow_nan=False),
)


@pytest.mark.long
@given(
    st.sampled_from(sorted(DARWIN_MACHINES)),
    st.sampled_from(["pci", "drives", "controllers", "firmware"]),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 10_000), VALUES | st.none()), min_size=1, max_size=6),
)
def test_any_keys_that_are_changed_or_lost_give_facts_and_never_an_error(
    name: str, question: str, changes: list[tuple[int, int, Any]]
) -> None:
    """Whatever stands in place of some values: facts, an audit, JSON and text; ports without cards are no links."""
    if not ANSWERS[name][question]:
        return
    trees = tree(name, question)
    places = list(nodes(trees))
    for entry, key, value in changes:
        one = places[entry % len(places)]
        keys = sorted(one)
        if not keys:
            continue
        if value is None:
            del one[keys[key % len(keys)]]
        else:
            one[keys[key % len(keys)]] = value
    found = survived(damaged(name, **{question: printed(trees)}))
    for judged in found.links:
        if judged.device_address is None:
            assert judged.verdict in {Verdict.EMPTY, Verdict.UNKNOWN, Verdict.DARK}
            assert judged.now is None


def test_every_damage_above_is_made_of_machines_that_are_whole() -> None:
    """The machines that are damaged here answer well when they are left alone: nothing failed, links were found."""
    for name, found in WHOLE.items():
        assert found.links, name
        assert [] == [one.what for one in found.facts.unread if one.what in ASKED.values()], name
