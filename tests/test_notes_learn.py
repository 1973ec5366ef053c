"""Notes learned from captures: what they say, how often, and that they hold where they were learned."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Severity
from agent.model.shelf import Shelf
from agent.notebook.learning import learned
from agent.notebook.note_files import parsed
from agent.notebook.note_text import written
from agent.notebook.tokens import token
from agent.notebook.trying import tried
from probes import collect
from probes.capture import load_file, parse, recorded
from probes.unread import Unread
from tests.boards import bench_1, display, reel_4
from tests.build import build, capture_bytes, facts

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from knowledge.fieldnotes import Note
    from probes.capture import Capture
    from tests.parts import Machine

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
CAPTURES: Final = tuple(sorted(path.parent.name for path in FIXTURES.glob("*/capture.json")))


def audited(capture: Capture) -> tuple[Capture, Audit]:
    """A capture with the audit of its machine."""
    first, looks = recorded(capture)
    return capture, audit(collect(first, looks, capture.taken_at))


def fixture(name: str) -> tuple[Capture, Audit]:
    """A fixture with its audit."""
    return audited(load_file(str(FIXTURES / name / "capture.json")))


def made(machine: Machine) -> tuple[Capture, Audit]:
    """A machine's capture with its audit."""
    return audited(parse(capture_bytes(build(machine)), "made"))


def reels(name: str, *, now: tuple[int, int] = (4, 4)) -> Machine:
    """A tower of this name with a drive in SLOT3, whose link runs at this."""
    tower = bench_1({"SLOT2": display(), "SLOT3": [reel_4("RL4-77001", now=now)]}, name=name)
    next(port for port in tower.buses["0000:00"] if port.at == "1b.0").now = now
    return tower


def of_drive(notes: tuple[Note, ...]) -> list[Note]:
    """The notes of the drive in SLOT3."""
    return [one for one in notes if one.when.card == ("f1c4:4210",)]


# --- Round trip ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CAPTURES)
def test_what_is_learned_lints_clean_and_holds_where_it_was_learned(name: str) -> None:
    """Notes of a fixture, written and read back, are without fault, hold on it, and agree with what it shows."""
    capture, found = fixture(name)
    notes = learned([(capture, found)]).notes
    read = parsed(written(notes), "learned")
    assert ((), notes) == (read.wrong, read.notes)
    for one in read.notes:
        assert [] != list(tried(one, found).holds), one.id
        assert token(capture) in {proof.capture for proof in one.evidence}


@pytest.mark.parametrize("name", CAPTURES)
def test_no_serial_number_and_no_host_name_is_learned(name: str) -> None:
    """Nothing that names one machine or one part goes into a note."""
    capture, found = fixture(name)
    text = written(learned([(capture, found)]).notes).casefold()
    secrets = [found.facts.host.name, *(drive.serial for drive in found.facts.drives)]
    assert [] == [one for one in secrets if isinstance(one, str) and len(one) > 3 and one.casefold() in text]


@pytest.mark.parametrize("name", CAPTURES)
def test_every_card_that_trained_is_learned_of(name: str) -> None:
    """Each link of a card that trained, and no other, is counted."""
    capture, found = fixture(name)
    trained = [
        one
        for one in found.links
        if one.verdict.kind.trained and one.now is not None and not (one.link.onboard or one.link.integrated)
    ]
    assert len(trained) == learned([(capture, found)]).sightings


# --- Counting --------------------------------------------------------------------------------------------------


def test_two_machines_make_it_confirmed() -> None:
    """The same outcome in two machines of a kind is one note, confirmed, with both captures as evidence."""
    found = learned([made(reels("tower-a")), made(reels("tower-b"))])
    (one,) = of_drive(found.notes)
    assert ("confirmed", 2) == (one.confidence, len(one.evidence))
    assert "seen 2 times in 2 machines" in one.text
    assert (2, 2) == (found.captures, found.machines)


def test_the_same_machine_counts_once() -> None:
    """Two captures of one machine are two sightings in one machine, and confirm nothing."""
    first, second = made(reels("tower-a")), made(reels("tower-a"))
    later = replace(second[0], taken_at="2026-04-01T08:00:00Z"), second[1]
    found = learned([first, later])
    (one,) = of_drive(found.notes)
    assert "reported" == one.confidence
    assert "seen 2 times in one machine" in one.text
    assert (2, 1) == (found.captures, found.machines)


def test_the_same_capture_is_taken_once() -> None:
    """A capture that is given twice counts once."""
    once = learned([made(reels("tower-a"))])
    assert once == learned([made(reels("tower-a")), made(reels("tower-a"))])


def test_machines_without_a_name_of_their_own_are_told_apart_by_their_captures() -> None:
    """A host name that many machines have tells none from another."""
    found = learned(
        [made(reels("localhost")), audited(replace(made(reels("localhost"))[0], taken_at="2026-04-01T08:00:00Z"))]
    )
    assert 2 == found.machines


@pytest.mark.parametrize(
    ("now", "told"),
    [
        pytest.param((4, 2), {"full": "reported", "narrow": "disputed"}, id="a fault of that link"),
        pytest.param((3, 4), {"full": "reported", "slow": "disputed"}, id="another fault"),
    ],
)
def test_other_outcomes_make_it_disputed(now: tuple[int, int], told: dict[str, str]) -> None:
    """Where the same card did otherwise in another machine, there are two notes that name both; a fault is no trait."""
    notes = of_drive(learned([made(reels("tower-a")), made(reels("tower-b", now=now))]).notes)
    assert told == {str(one.seen.verdict): one.confidence for one in notes}
    assert all("Also seen once in one machine of that kind as" in one.text for one in notes)


def test_resting_links_teach_nothing() -> None:
    """A link that rests to save power has not trained at what it shows."""
    notes = learned([fixture("bench-3-idle")]).notes
    assert [] == [one for one in notes if one.seen.verdict == "resting"]
    assert [] == [one for one in notes if one.when.card == ("f1e0:1200",)]


def test_a_product_that_holds_the_host_name_is_left_out() -> None:
    """A machine whose product text has its own host name in it is not named by that product."""
    tower = reels("tower-a")
    tower.product = "Built for TOWER-A"
    (one,) = of_drive(learned([made(tower)]).notes)
    assert one.when.machine is not None
    assert one.when.machine.product is None


def test_hostile_names_are_learned_of_without_harm() -> None:
    """Of a machine with hostile texts the notes are plain, printable and read back."""
    text = written(learned([fixture("hostile-names")]).notes)
    assert all(letter.isprintable() or letter == "\n" for letter in text)
    assert () == parsed(text, "x").wrong


def test_ids_stay_the_same() -> None:
    """The same card, place and outcome get the same id in every run, so that a newer note stands for an older one."""
    first = [one.id for one in learned([made(reels("tower-a"))]).notes]
    second = [one.id for one in learned([made(reels("tower-a")), made(reels("tower-b"))]).notes]
    assert first == second


# --- What becomes of it in a check -------------------------------------------------------------------------------


def noted(machine: Machine, notes: tuple[Note, ...]) -> list[Finding]:
    """The findings that learned notes make of a machine."""
    found = audit(facts(build(machine)), notes=Shelf(notes))
    return [one for one in found.findings if one.rule == "field-note"]


FULL: Final = tuple(reels(f"tower-{letter}") for letter in "abc")
NARROW: Final = reels("tower-d", now=(4, 2))


@pytest.mark.parametrize("others", [[], [NARROW]], ids=["all alike", "one with a fault"])
def test_a_machine_that_is_as_learned_has_no_word_of_it(others: list[Machine]) -> None:
    """What was learned from machines like this one is not told where the machine agrees with it."""
    notes = learned(map(made, (*FULL, *others))).notes
    assert of_drive(notes)
    assert [] == noted(reels("tower-x"), notes)


def test_a_machine_that_is_otherwise_has_one_line_of_it() -> None:
    """All that was seen of the card is counted in one line, the most frequent first, with each note as evidence."""
    notes = learned(map(made, (*FULL, NARROW))).notes
    (finding,) = noted(reels("tower-x", now=(4, 2)), notes)
    assert (Severity.NOTE, "nvme0", ()) == (finding.severity, finding.subject, finding.steps)
    assert "at full link 3 times, narrow once" in finding.headline
    assert {one.id for one in of_drive(notes)} == {one.expected.rpartition(" ")[2] for one in finding.evidence}


def test_a_fault_that_was_learned_is_no_trait_of_the_card() -> None:
    """A note of a link with a fault says nothing of a card, be its link whole or not."""
    notes = learned([made(NARROW)]).notes
    (one,) = of_drive(notes)
    assert ("narrow", True) == (one.seen.verdict, one.learned)
    assert [] == noted(reels("tower-x"), notes)
    assert [] == noted(reels("tower-x", now=(4, 2)), notes)


# --- Tokens ----------------------------------------------------------------------------------------------------


def test_a_token_is_of_what_was_read(tmp_path: Path) -> None:
    """The token is the same for a capture under any name, packed or not, and another for another capture."""
    content = (FIXTURES / "bench-1-upgraded" / "capture.json").read_bytes()
    packed = tmp_path / "x.json.gz"
    packed.write_bytes(gzip.compress(content))
    mine = token(parse(content, "a"))
    assert mine == token(load_file(str(packed)))
    assert mine != token(fixture("bench-1-slot-limited")[0])
    changed = parse(content, "a")
    assert mine != token(replace(changed, taken_at="2026-04-01T08:00:00Z"))


def test_a_token_stays_what_it_was_before_failures_had_codes() -> None:
    """Notes name captures by tokens for years; the code of a failure, which came later, does not count."""
    capture = fixture("bench-1-ordinary-user")[0]
    failures = {key: answer for key, answer in capture.reads.items() if isinstance(answer, Unread) and answer.code}
    assert failures
    bare = {key: replace(answer, code="") for key, answer in failures.items()}
    assert token(capture) == token(replace(capture, reads={**capture.reads, **bare}))
