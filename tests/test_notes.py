"""Field notes on machines: which hold, which cannot be told, which contradict each other, and what the finding says."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import Audit, audit, only_at
from agent.model.findings import Severity, Verdict
from agent.model.shelf import Shelf
from agent.notebook.checks import complaints
from agent.notes.matching import NotablePart, match
from agent.notes.seen import contradictions
from agent.report import inventory_text
from knowledge.fieldnotes import NOT_ADVISED
from knowledge.notes import FILES, index, shipped
from knowledge.steps import FIRMWARE, STEPS
from probes import collect
from probes.capture import parse, recorded
from probes.unread import Unread
from tests import notes_index
from tests.machines import hall_server
from tests.notes import note
from tests.test_report import printed

if TYPE_CHECKING:
    from agent.model.findings import Finding
    from knowledge.fieldnotes import Note
    from probes.facts import Facts

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
CAPTURES: Final = tuple(sorted(path.parent.name for path in FIXTURES.glob("*/capture.json")))
NOTED: Final = "bench-2-noted-parts"
NOTES: Final = tuple(note for name in FILES for note in shipped(name))


@functools.cache
def facts_of(name: str) -> Facts:
    """The facts of a fixture."""
    capture = parse((FIXTURES / name / "capture.json").read_bytes(), name)
    first, looks = recorded(capture)
    return collect(first, looks, capture.taken_at)


def noted(facts: Facts, *notes: Note) -> tuple[Audit, list[Finding]]:
    """The audit with notes of the user's own, and the findings that they make."""
    found = audit(facts, notes=Shelf(notes))
    return found, [one for one in found.findings if one.rule == "field-note"]


def untold(found: Audit) -> list[Unread]:
    """Notes of which it cannot be told whether they hold."""
    return [one for one in found.unread if one.what.startswith("field note")]


# --- Conditions ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "subjects"),
    [
        ({"card": ["f1c4:4210"]}, ["nvme0", "nvme1", "nvme2", "nvme3", "nvme5"]),
        ({"card": ["f1c5:*"]}, ["nvme4"]),
        ({"card": ["f1c4:4210"], "slot_kind": ["card", "not told"]}, ["nvme0", "nvme1", "nvme2", "nvme3", "nvme5"]),
        ({"card": ["f1c4:4210"], "slot_kind": ["not told"]}, ["nvme5"]),
        ({"card": ["f1c5:0210"], "slot_kind": ["m.2"]}, ["nvme4"]),
        ({"class": ["0108"], "model": {"contains": "folio"}}, ["nvme4"]),
        ({"model": {"is": ["quillmark  FOLIO 1tb"]}}, ["nvme4"]),
        ({"model": {"contains": "Vault"}}, ["sda", "sdb"]),
        ({"class": ["010802"], "firmware": {"is": ["QF-2.3.1"]}}, ["nvme4"]),
        ({"class": ["0108"], "firmware": {"at_least": "QF-2.3", "below": "QF-2.4"}}, ["nvme4"]),
        ({"subsystem": ["f1e0:0012"], "class": ["0300"]}, ["0000:05:00.0"]),
        ({"machine": {"product": {"is": ["editing tower 1"]}}}, ["host"]),
        ({"machine": {"maker": {"contains": "harrow"}}, "platform": ["linux"]}, ["host"]),
        ({"card": ["f1c5:*"], "machine": {"product": {"contains": "tower 2"}}}, []),
        ({"card": ["f1c5:*"], "platform": ["darwin"]}, []),
        ({"card": ["f1c5:*"], "firmware": {"below": "QF-2.3.1"}}, []),
        ({"card": ["f1e0:*"], "firmware": {"is": ["1"]}}, []),
        ({"card": ["ffff:0001"]}, []),
        ({"class": ["060101"]}, []),
    ],
)
def test_a_note_holds_where_all_its_conditions_do(when: dict[str, Any], subjects: list[str]) -> None:
    """Every operator holds for the parts that it names and for no other, and nothing is left untold."""
    found, findings = noted(facts_of("bench-1-upgraded"), note(when=when, seen={"quirk": "odd"}))
    named: list[str] = []
    for one in findings:
        rest = one.headline.partition("; so for ")[2].partition("; field note")[0]
        named += [one.subject, *(name for name in rest.split(", ") if name)]
    assert subjects == named
    assert [] == untold(found)


def test_a_machines_firmware_is_a_condition() -> None:
    """A note of a machine with older firmware holds there and not where the firmware is newer."""
    machine = {"product": {"contains": "tower"}}
    facts = facts_of("bench-1-upgraded")
    version = facts.host.firmware_version
    assert version is not None
    below = note(when={"machine": machine, "host_firmware": {"below": version}}, seen={"boots": False})
    up_to = note(when={"machine": machine, "host_firmware": {"is": [version]}}, seen={"boots": False})
    assert [] == noted(facts, below)[1]
    assert ["host"] == [one.subject for one in noted(facts, up_to)[1]]


def test_a_port_is_a_part_as_well() -> None:
    """A note of a port holds for the port, and is not mixed up with what is below it."""
    facts = facts_of("bench-1-upgraded")
    port = next(one for one in facts.functions if one.address == "0000:00:05.0")
    findings = noted(facts, note(when={"card": [f"{port.vendor_id:04x}:{port.device_id:04x}"]}, advises=["reseat"]))[1]
    assert ["0000:00:05.0"] == [one.subject for one in findings]
    assert findings[0].steps[0].text.startswith("Take out the device 0000:00:05.0 ")


def test_functions_of_one_card_are_one_part() -> None:
    """A card of two functions that both match is told once."""
    (finding,) = noted(facts_of("bench-1-upgraded"), note(when={"card": ["f1d0:1010"]}))[1]
    assert "so for" not in finding.headline


# --- Cannot tell -----------------------------------------------------------------------------------------------


def test_a_missing_reading_is_told_where_the_rest_matches() -> None:
    """A drive whose firmware could not be read makes "cannot tell" of a note about it, and no finding."""
    facts = facts_of("bench-1-upgraded")
    drives = tuple(replace(one, firmware=Unread("firmware", "no answer")) for one in facts.drives)
    about = note(when={"card": ["f1c5:0210"], "firmware": {"below": "9"}})
    found, findings = noted(replace(facts, drives=drives), about)
    assert [] == findings
    (one,) = untold(found)
    assert "field note reel-is-full for nvme4" == one.what
    assert "cannot tell whether it holds: its firmware could not be read (no answer)" == one.why


def test_a_missing_reading_says_nothing_where_the_rest_does_not_match() -> None:
    """Silence of parts of another kind is no reason to say that a note may hold."""
    facts = facts_of("bench-1-upgraded")
    drives = tuple(replace(one, firmware=Unread("firmware", "no answer")) for one in facts.drives)
    found, findings = noted(replace(facts, drives=drives), note(when={"card": ["ffff:*"], "firmware": {"below": "9"}}))
    assert ([], []) == (findings, untold(found))


def test_numbers_that_cannot_be_read_are_told_elsewhere() -> None:
    """A function whose numbers could not be read is no candidate of every note there is."""
    facts = facts_of("bench-1-upgraded")
    unknown = Unread("vendor", "no answer")
    functions = tuple(replace(one, vendor_id=unknown, device_id=unknown) for one in facts.functions)
    found, findings = noted(replace(facts, functions=functions), note(when={"card": ["f1c5:0210"]}))
    assert ([], []) == (findings, untold(found))


LOST: Final = Unread("register", "no answer", vital=True)


@pytest.mark.parametrize(
    ("lost", "named"),
    [
        pytest.param({"vendor_id": LOST}, True, id="its maker alone"),
        pytest.param({"device_id": LOST}, True, id="its model alone"),
        pytest.param({}, False, id="neither"),
        pytest.param({"vendor_id": LOST, "physical_function": "0000:01:00.0"}, False, id="of a virtual function"),
    ],
)
def test_a_part_without_its_numbers_may_have_any_note(lost: dict[str, Any], named: bool) -> None:  # noqa: FBT001 - a parameter
    """One number that failed is enough to leave open which notes hold; a virtual function is no part of its own."""
    facts = facts_of("bench-1-upgraded")
    functions = (replace(facts.functions[0], **lost), *facts.functions[1:])
    told = [one.what for one in audit(replace(facts, functions=functions)).unread if "field note" in one.what]
    assert ([f"which field notes hold for {functions[0].address}"] if named else []) == told


def test_a_file_of_the_users_own_that_is_damaged_is_told() -> None:
    """Notes of a damaged file are held against nothing: the check says so, once, in the words of the reader."""
    damaged = Unread("a file of your own field notes", "own.toml, line 3: this is not TOML")
    seen = audit(facts_of("bench-1-upgraded"), notes=Shelf((), (damaged,)))
    assert [damaged] == [one for one in seen.unread if one.what == damaged.what]


def test_a_drive_without_a_driver_may_have_any_firmware() -> None:
    """Of an NVMe function that the system has no drive for, a note about firmware cannot be told."""
    facts = facts_of("bench-1-upgraded")
    found, findings = noted(
        replace(facts, drives=()), note(when={"card": ["f1c5:0210"], "firmware": {"is": ["QF-2.3.1"]}})
    )
    assert [] == findings
    assert "the system has no drive there" in untold(found)[0].why


def test_a_slot_that_nobody_describes_is_cannot_tell() -> None:
    """A note about a kind of slot cannot be told where the firmware describes no slot, unless it asks for just that."""
    about = note(when={"card": ["f1c4:4210"], "slot_kind": ["card"]})
    found, findings = noted(facts_of("bench-1-upgraded"), about)
    assert ["nvme0"] == [one.subject for one in findings]
    assert "; so for nvme1, nvme2, nvme3; " in findings[0].headline
    assert ["field note reel-is-full for nvme5"] == [one.what for one in untold(found)]


# --- What was seen ---------------------------------------------------------------------------------------------


def test_a_note_says_where_the_machine_shows_the_same() -> None:
    """A machine that does what the note has seen is said to show the same, and one that does not, otherwise."""
    facts = facts_of("bench-1-upgraded")
    same = noted(facts, note(seen={"verdict": "full", "link": {"gtps": 16, "width": 4}}))[1][0]
    other = noted(facts, note(seen={"verdict": "narrow"}))[1][0]
    assert "this machine shows the same" in same.headline
    assert "this machine shows otherwise" in other.headline
    assert ("nvme0 verdict", "full", "narrow, by field note reel-is-full") in {
        (one.source, one.read, one.expected) for one in other.evidence
    }


def test_a_note_about_a_verdict_changes_none() -> None:
    """Whatever notes say of a link, its verdict and its rates stay."""
    facts = facts_of("bench-1-upgraded")
    plainly = audit(facts)
    found, findings = noted(facts, note(seen={"verdict": "narrow", "quirk": "reports fewer lanes than it has"}))
    assert findings
    assert plainly.links == found.links
    assert plainly.drives == found.drives
    assert Verdict.FULL in {judged.verdict for judged in found.links}


def test_a_rate_is_held_against_what_is_expected_alone() -> None:
    """A rate within what the drive should reach alone is the same; a far lower one is not."""
    facts = facts_of("bench-1-upgraded")
    assert "shows the same" in noted(facts, note(seen={"rate_mbps": 6500}))[1][0].headline
    assert "shows otherwise" in noted(facts, note(seen={"rate_mbps": 700}))[1][0].headline


def test_firmware_that_is_there_needs_no_update() -> None:
    """Where the needed firmware is installed it is said, nothing is advised, and a limit is none."""
    facts = facts_of("bench-1-upgraded")
    more: dict[str, Any] = {"advises": ["update-firmware"], "severity": "limit", "confidence": "confirmed"}
    (met,) = noted(facts, note(when={"card": ["f1c5:0210"]}, seen={"firmware_needed": "QF-2.3"}, **more))[1]
    (unmet,) = noted(facts, note(when={"card": ["f1c5:0210"]}, seen={"firmware_needed": "QF-2.4"}, **more))[1]
    assert ("the firmware that it needs is there" in met.headline, met.steps, met.severity) == (True, (), Severity.NOTE)
    assert "older than the one that it needs" in unmet.headline
    assert ["update-firmware"] == [step.action for step in unmet.steps]
    assert Severity.LIMIT is unmet.severity


@pytest.mark.parametrize(
    ("seen", "severity"),
    [
        pytest.param({"verdict": "full"}, Severity.LIMIT, id="the same verdict"),
        pytest.param({"verdict": "narrow"}, Severity.NOTE, id="another verdict"),
        pytest.param({"verdict": "narrow", "quirk": "odd"}, Severity.NOTE, id="another verdict, and a quirk"),
        pytest.param({"quirk": "odd"}, Severity.LIMIT, id="nothing to hold it against"),
        pytest.param({"firmware_needed": "QF-2.4", "verdict": "full"}, Severity.LIMIT, id="older firmware"),
        pytest.param({"firmware_needed": "QF-2.3", "verdict": "full"}, Severity.NOTE, id="the needed firmware"),
        pytest.param(
            {"firmware_needed": "QF-2.3", "quirk": "odd"}, Severity.NOTE, id="the needed firmware, and a quirk"
        ),
    ],
)
def test_a_limit_that_this_machine_shows_not_is_a_note(seen: dict[str, Any], severity: Severity) -> None:
    """A confirmed limit stays one until the machine shows otherwise, or has the firmware that the note asks for."""
    about = note(
        when={"card": ["f1c5:0210"]}, seen=seen, severity="limit", confidence="confirmed", advises=["update-firmware"]
    )
    (finding,) = noted(facts_of("bench-1-upgraded"), about)[1]
    assert severity is finding.severity
    is_there = seen.get("firmware_needed") == "QF-2.3"
    assert ([] if is_there else ["update-firmware"]) == [step.action for step in finding.steps]


def test_what_a_note_rests_on_goes_from_the_newest() -> None:
    """Of six pieces of evidence the four newest are shown, and how many more there are."""
    days = ("2026-03-02", "2024-01-09", "2026-05-11", "2025-12-24", "2023-07-30", "2026-05-10")
    about = note(evidence=[{"source": f"bench on {day}", "date": day} for day in days])
    (finding,) = noted(facts_of("bench-1-upgraded"), about)[1]
    shown = [one.read for one in finding.evidence if one.source == "field note reel-is-full, reported"]
    newest = ("2026-05-11", "2026-05-10", "2026-03-02", "2025-12-24")
    more = "2 more pieces of evidence, see lanewright notes show"
    assert [*(f"bench on {day}, {day}" for day in newest), more] == shown


def test_what_is_the_same_is_as_expected() -> None:
    """Where the machine shows what the note has seen, nothing else is expected: no field note speaks against it."""
    (finding,) = noted(facts_of("bench-1-upgraded"), note(when={"card": ["f1c5:*"]}, seen={"verdict": "full"}))[1]
    assert [("full", "full")] == [(one.read, one.expected) for one in finding.evidence if one.source == "nvme4 verdict"]


def test_hands_go_to_the_drive_that_a_note_holds_for() -> None:
    """A step of a note of a drive names the drive, and one of another card names the card by its slot."""
    facts = facts_of("bench-1-upgraded")
    texts = [
        noted(facts, note(when={"card": [card]}, advises=["reseat"]))[1][0].steps[0].text
        for card in ("f1c4:4210", "f1d0:1010")
    ]
    assert "nvme0 in SLOT1" in texts[0]
    assert "the card in SLOT4 (0000:" in texts[1]


def test_a_firmware_step_carries_its_caution_first() -> None:
    """An update that a note advises has the whole firmware caution before it, in the words of the steps."""
    found = audit(facts_of(NOTED))
    steps = [step for one in found.findings if one.rule == "field-note" for step in one.steps]
    (update,) = [step for step in steps if step.action == "update-firmware"]
    assert (FIRMWARE,) == update.cautions


def test_steps_of_a_note_come_in_order_with_their_cautions() -> None:
    """Whatever a note advises, in whatever order, comes from least to most invasive and with its cautions."""
    advised = [action for action in reversed(STEPS) if action not in NOT_ADVISED]
    for number in range(0, len(advised), 8):
        some = advised[number : number + 8]
        finding = noted(facts_of("bench-1-upgraded"), note(advises=some))[1][0]
        ranks = [STEPS[step.action].rank for step in finding.steps]
        assert sorted(ranks) == ranks
        assert all(STEPS[step.action].cautions == step.cautions for step in finding.steps)
        assert [] == [step.text for step in finding.steps if "{" in step.text + step.verify]


def test_only_one_part_shows_its_notes() -> None:
    """A note that several drives have in common is shown with each of them, also when one alone is asked for."""
    found, _ = noted(facts_of("bench-1-upgraded"), note())
    for name in ("nvme0", "nvme3", "nvme5"):
        assert ["field-note"] == [one.rule for one in only_at(found, name).findings if one.rule == "field-note"]
    assert [] == [one.rule for one in only_at(found, "nvme4").findings if one.rule == "field-note"]


# --- Steps of its own, and notes of passing through ------------------------------------------------------------


def test_a_note_may_say_itself_what_to_do() -> None:
    """Where a note advises to follow it, the step is its own text; braces in it fill nothing in."""
    about = note(advises=["follow-note"], text="Fit the {slot} screw\nfirst.")
    (finding,) = noted(facts_of("bench-1-upgraded"), about)[1]
    assert [("follow-note", "Fit the {slot} screw first.")] == [(one.action, one.text) for one in finding.steps]
    assert about.id in finding.steps[0].brief


@pytest.mark.parametrize("one", NOTES, ids=lambda one: one.id)
def test_a_shipped_note_leads_to_steps_of_its_own(one: Note) -> None:
    """No note of the program sends its reader to read again; one that has nothing to do says so."""
    assert "look-again" not in one.advises
    assert one.advises or "Nothing needs doing" in one.text


@pytest.mark.parametrize(
    ("changed", "severity"),
    [
        pytest.param({}, Severity.OK, id="nothing passed through"),
        pytest.param({"driver": "vfio-pci"}, Severity.NOTE, id="its function is passed through"),
        pytest.param({"driver": "nvme"}, Severity.OK, id="its own driver"),
        pytest.param({"driver": LOST}, Severity.NOTE, id="a driver that could not be read"),
        pytest.param({"virtual": True}, Severity.NOTE, id="a guest"),
        pytest.param({"virtual": LOST}, Severity.NOTE, id="what it is could not be read"),
    ],
)
def test_a_note_of_passing_through_is_told_where_that_is_in_play(changed: dict[str, Any], severity: Severity) -> None:
    """Elsewhere it is no finding and leads to nothing, but stays in the record, for the inventory."""
    facts = facts_of("bench-1-upgraded")
    driver = {key: value for key, value in changed.items() if key == "driver"}
    functions = tuple(replace(one, **driver) if one.device_id == 0x0210 else one for one in facts.functions)
    virtual = changed.get("virtual", facts.host.virtual)
    facts = replace(facts, functions=functions, host=replace(facts.host, virtual=virtual))
    about = note(when={"card": ["f1c5:0210"]}, seen={"quirk": "odd"}, only="passthrough", advises=["follow-note"])
    found = audit(facts, notes=Shelf((about,)))
    (finding,) = [one for one in found.findings if one.rule == "field-note"]
    assert (severity, severity is Severity.NOTE) == (finding.severity, bool(finding.steps))


def test_the_inventory_has_what_a_check_keeps_to_itself() -> None:
    """The note of the reset quirk of a controller is no finding of the tower, and stands below its functions."""
    found = audit(facts_of(NOTED))
    (quiet,) = [one for one in found.findings if one.rule == "field-note" and one.severity is Severity.OK]
    shown = " ".join(printed(inventory_text.inventory(found, 80, NOTED), 80).split())
    assert " ".join(quiet.headline.split()) in shown
    assert "link-lost-after-bus-reset" in quiet.headline


# --- Contradictions --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "things"),
    [
        ({"seen": {"verdict": "full"}}, {"seen": {"verdict": "narrow"}}, ("verdict",)),
        ({"seen": {"verdict": "full"}}, {"seen": {"verdict": "full"}}, ()),
        ({"seen": {"boots": True}}, {"seen": {"boots": False}}, ("start",)),
        ({"seen": {"rate_mbps": 3000}}, {"seen": {"rate_mbps": 1500}}, ("rate",)),
        ({"seen": {"rate_mbps": 3000}}, {"seen": {"rate_mbps": 3100}}, ()),
        ({"seen": {"link": {"gtps": 8, "width": 4}}}, {"seen": {"link": {"gtps": 8, "width": 2}}}, ("link",)),
        ({"seen": {"firmware_needed": "2.1"}}, {"seen": {"firmware_needed": "2.01"}}, ()),
        ({"seen": {"quirk": "a"}}, {"seen": {"quirk": "b"}}, ()),
        ({"seen": {"quirk": "a"}, "confidence": "disputed"}, {"seen": {"quirk": "a"}}, ("quirk",)),
        ({"seen": {"verdict": "full"}, "confidence": "disputed"}, {"seen": {"verdict": "full"}}, ("verdict",)),
        ({"seen": {"verdict": "full"}, "confidence": "disputed"}, {"seen": {"quirk": "b"}}, ()),
    ],
)
def test_notes_contradict_each_other_in_what_they_have_seen(
    one: dict[str, Any], other: dict[str, Any], things: tuple[str, ...]
) -> None:
    """Two notes contradict each other in a thing that both have seen otherwise, or that one of them disputes."""
    assert things == contradictions(note(**one), note(**other))
    assert things == contradictions(note(**other), note(**one))


def test_contradicting_notes_are_both_shown_and_name_each_other() -> None:
    """Of two notes that contradict each other on a part, both are findings, and each says so with its evidence."""
    first = note(id="one", seen={"boots": True})
    second = note(id="two", seen={"boots": False}, when={"card": ["f1c4:4210"], "slot_kind": ["card"]})
    findings = noted(facts_of("bench-1-upgraded"), first, second)[1]
    told = {one.headline.partition("; field note ")[2].partition(",")[0]: one for one in findings}
    assert {"one", "two"} == set(told)
    assert "field note two contradicts it" in told["one"].headline
    assert "field note one contradicts it" in told["two"].headline
    assert any("contradicts this one in its start (for nvme0" in one.read for one in told["one"].evidence)


def test_notes_on_different_parts_contradict_nothing() -> None:
    """Notes that hold for different parts of one machine are no contradiction."""
    first = note(id="one", seen={"boots": True}, when={"card": ["f1c4:4210"]})
    second = note(id="two", seen={"boots": False}, when={"card": ["f1c5:0210"]})
    assert [] == [one for one in noted(facts_of("bench-1-upgraded"), first, second)[1] if "contradicts" in one.headline]


# --- Notes of the program --------------------------------------------------------------------------------------


def test_the_index_is_as_its_files_make_it() -> None:
    """The index holds just the numbers that the shipped notes ask for."""
    assert notes_index.PLACE.read_text(encoding="utf-8") == notes_index.made(), "run: python -m tests.notes_index"


@pytest.mark.parametrize("one", NOTES, ids=lambda one: one.id)
def test_a_shipped_note_is_right_as_a_whole(one: Note) -> None:
    """Every note that comes with the program says who published it, names numbers alone, and passes all checks."""
    assert [] == list(complaints(one))
    assert one.when.card
    assert all(proof.source.startswith("Linux 6.1.192, drivers/") for proof in one.evidence)
    assert all(proof.capture is None for proof in one.evidence)
    assert "note" == one.severity


def test_shipped_notes_are_unique_and_enough() -> None:
    """There are at least twelve notes, no id twice, in the files that the package names."""
    ids = [one.id for one in NOTES]
    assert sorted(set(ids)) == sorted(ids)
    assert len(ids) >= 12
    files = {path.stem for path in (FIXTURES.parent / "knowledge" / "notes").glob("*.toml")}
    assert set(FILES) == files


@pytest.mark.parametrize("name", CAPTURES)
def test_shipped_notes_hold_only_where_their_numbers_are(name: str) -> None:
    """On no fixture does a note of the program speak but where a part with its numbers is fitted."""
    facts = facts_of(name)
    numbers = {
        (one.vendor_id << 16) | one.device_id
        for one in facts.functions
        if isinstance(one.vendor_id, int) and isinstance(one.device_id, int)
    }
    here = numbers & set(index.CARDS) or {number >> 16 for number in numbers} & set(index.VENDORS)
    spoken = [one for one in audit(facts).findings if one.rule == "field-note"]
    assert bool(spoken) <= bool(here)
    assert bool(spoken) == (name == NOTED)


def test_the_index_leaves_out_no_note_that_holds() -> None:
    """What the notes of the program find with the index is what they find when all are held against the machine."""
    facts = facts_of(NOTED)
    with_index = [one.headline for one in audit(facts).findings if one.rule == "field-note"]
    assert sorted(with_index) == sorted(one.headline for one in noted(facts, *NOTES)[1])


def test_the_users_own_note_goes_before_one_of_the_program() -> None:
    """A note of the same id as one of the program stands in its place."""
    (sata,) = [one for one in NOTES if one.id == "link-lost-after-bus-reset"]
    findings = noted(facts_of(NOTED), replace(sata, title="we have never seen this"))[1]
    told = [one.headline for one in findings if sata.id in one.headline]
    assert 1 == len(told)
    assert told[0].startswith("we have never seen this")


def test_many_notes_on_a_large_machine_are_held_one_by_one() -> None:
    """Of a thousand notes on a machine of two thousand functions just those of parts that are there hold."""
    capture = parse(hall_server().capture(), "hall")
    facts = collect(recorded(capture)[0], (), capture.taken_at)
    many = [note(id=f"n{number}", when={"card": [f"{number:04x}:0001"]}) for number in range(1000)]
    findings = noted(facts, *many, note(when={"card": ["f1d0:2020"]}))[1]
    assert [True] == ["field note reel-is-full" in one.headline for one in findings]
    cards = [one for one in facts.functions if one.vendor_id == 0xF1D0 and one.physical_function is None]
    assert f"and {len(cards) - 9} more; field note" in findings[0].headline


def test_a_condition_names_what_it_wanted_and_read() -> None:
    """A condition that fails says what was read and what was wanted."""
    facts = facts_of("bench-1-upgraded")
    function = next(one for one in facts.functions if one.device_id == 0x0210)
    held = match(note(), NotablePart("nvme4", function), "linux", facts.host)
    assert (False, "f1c5:0210", "f1c4:4210") == (
        held.holds,
        held.conditions[0].read,
        held.conditions[0].wanted,
    )
