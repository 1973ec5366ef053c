"""One thing that changed on one tower, both ways round: what a comparison says of it, and what it does not.

`fixtures/compare-small-changes.txt` holds what it says, to be read in review; the changes are made here, each alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.whole import compare
from probes.facts import Health
from probes.unread import Unread
from tests.machines import FIXTURES
from tests.test_compare_same import facts_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.compare.changes import Comparison
    from probes.facts import Facts
    from tests.conftest import Golden

    Edit = Callable[[Facts], Facts]

SETS: Final = "bench-1-stripe-set"
WORN: Final = "bench-2-failing-drives"
BROKEN: Final = Unread("what was asked for", "the device gave an error", vital=True)
ROOT: Final = Unread("what was asked for", "given to the super-user only", needs_root=True)


def host(**fields: Any) -> Edit:  # noqa: ANN401 - fields of Host
    """The machine as a whole is another way."""
    return lambda seen: replace(seen, host=replace(seen.host, **fields))


def of_drive(name: str, /, **fields: Any) -> Edit:  # noqa: ANN401 - fields of Drive
    """One drive is another way."""
    return lambda seen: replace(
        seen, drives=tuple(replace(one, **fields) if one.name == name else one for one in seen.drives)
    )


def health(name: str, **fields: Any) -> Edit:  # noqa: ANN401 - fields of Health
    """The log of one drive says something else."""

    def edit(seen: Facts) -> Facts:
        (log,) = [one.health for one in seen.drives if one.name == name]
        assert isinstance(log, Health)
        return of_drive(name, health=replace(log, **fields))(seen)

    return edit


def function(address: str, **fields: Any) -> Edit:  # noqa: ANN401 - fields of PciFunction
    """One function is another way."""
    return lambda seen: replace(
        seen, functions=tuple(replace(one, **fields) if one.address == address else one for one in seen.functions)
    )


def warmer(name: str, by: float) -> Edit:
    """One drive is warmer."""
    return lambda seen: replace(
        seen,
        sensors=tuple(
            replace(one, celsius=one.celsius + by) if one.drive == name and isinstance(one.celsius, float) else one
            for one in seen.sensors
        ),
    )


def of_set(which: str, /, **fields: Any) -> Edit:  # noqa: ANN401 - fields of StripeSet
    """One set of drives is another way."""

    def edit(seen: Facts) -> Facts:
        assert not isinstance(seen.stripes, Unread)
        return replace(
            seen, stripes=tuple(replace(one, **fields) if one.name == which else one for one in seen.stripes)
        )

    return edit


def _memory(seen: Facts) -> Facts:
    assert isinstance(seen.host.memory_bytes, int)
    return host(memory_bytes=int(seen.host.memory_bytes * 0.998))(seen)


def _short(seen: Facts) -> Facts:
    assert not isinstance(seen.stripes, Unread)
    (whole,) = [one for one in seen.stripes if one.name == "md1"]
    return of_set("md1", members=whole.members[:1], blocks=whole.blocks[:1], missing=1)(seen)


CHANGES: Final[dict[str, tuple[str, Edit]]] = {
    "another kernel": (SETS, host(kernel="6.18.2")),
    "other firmware of the machine": (SETS, host(firmware_version="2.08")),
    "firmware of the machine that was not read": (SETS, host(firmware_version=BROKEN)),
    "another product": (SETS, host(product="Editing tower 9")),
    "another name": (SETS, host(name="bench-9")),
    "a module of memory less": (SETS, host(memory_bytes=2**34)),
    "a little memory less, as the firmware keeps it": (SETS, _memory),
    "fewer processors": (SETS, host(processors=4)),
    "another driver of a card": (SETS, function("0000:02:00.0", driver="set-aside")),
    "another revision of a card": (SETS, function("0000:01:00.0", revision=9)),
    "a drive with other firmware": (SETS, of_drive("nvme0", firmware="RL3A9.99")),
    "a drive whose firmware was not read": (SETS, of_drive("nvme0", firmware=BROKEN)),
    "a dead drive": (SETS, of_drive("nvme0", state="dead")),
    "a drive five degrees warmer": (SETS, warmer("nvme0", 5.0)),
    "a drive four degrees warmer": (SETS, warmer("nvme0", 4.0)),
    "a drive past its limit": (SETS, warmer("nvme0", 40.0)),
    "a set that runs no more": (SETS, of_set("md1", state="inactive")),
    "a set of another level": (SETS, of_set("md1", level="raid0")),
    "a set by another name": (SETS, of_set("md1", name="md127")),
    "a set that lost a member": (SETS, _short),
    "no sets": (SETS, lambda seen: replace(seen, stripes=())),
    "more errors of its data": (WORN, health("nvme1", media_errors=4)),
    "another spare": (WORN, health("nvme0", spare_percent=3)),
    "a spare that is low no more": (WORN, health("nvme0", spare_low=False, spare_percent=90)),
    "more wear": (WORN, health("nvme2", used_percent=97)),
    "a drive that takes writes again": (WORN, health("nvme2", read_only=False)),
    "a broken backup store that holds again": (WORN, health("nvme3", backup_failed=False)),
    "more time at its limit": (WORN, health("nvme4", warning_minutes=9000, critical_minutes=60)),
    "more lost power": (WORN, health("nvme3", unsafe_shutdowns=290)),
    "more entries in its error log": (WORN, health("nvme0", error_entries=77)),
    "a log that root alone gets": (WORN, of_drive("nvme2", health=ROOT)),
    "a log that failed": (WORN, of_drive("nvme2", health=BROKEN)),
    "firmware slots that root alone gets": (WORN, of_drive("nvme5", firmware_slots=ROOT)),
}


def told(found: Comparison) -> Iterator[str]:
    """All that a comparison says, a row a line."""
    yield f"  {found.verdict}"
    if found.other_machine:
        yield f"    other machine: {found.other_machine}"
    for part in found.parts:
        places = " -> ".join("nowhere" if side is None else side.place for side in (part.before, part.after))
        yield f"    {part.direction} part {part.kind}: {places}"
    for row in found.changes:
        yield f"    {row.direction} {row.topic}: {row.subject}: {row.what}: {row.before} -> {row.after}"
    for gain in found.findings:
        headlines = " -> ".join("nothing" if side is None else side.headline for side in (gain.before, gain.after))
        yield f"    {gain.direction} finding {gain.kind}: {gain.subject}: {headlines}"
    yield from (f"    in doubt: {doubt.what}: {doubt.why}" for doubt in found.doubts)


def test_one_thing_that_changed_is_told_as_was_reviewed(golden: Golden) -> None:
    """Each change alone, and taken back, says what the golden file has, and nothing else."""
    lines = []
    for words, (name, edit) in CHANGES.items():
        before, after = audit(facts_of(name)), audit(edit(facts_of(name)))
        lines += [words, *told(compare(before, after)), f"{words}, taken back", *told(compare(after, before))]
    golden(FIXTURES / "compare-small-changes.txt", "\n".join([*lines, ""]))


@pytest.mark.parametrize("words", CHANGES)
def test_a_change_changes_the_facts(words: str) -> None:
    """No change of the table is empty."""
    name, edit = CHANGES[words]
    assert edit(facts_of(name)) != facts_of(name)


def test_a_part_a_figure_or_a_finding_alone_is_a_change() -> None:
    """Each of the three is enough for something to have changed; a doubt alone is none."""
    figure = compare(audit(facts_of(SETS)), audit(host(kernel="6.18.2")(facts_of(SETS))))
    finding = compare(audit(facts_of(SETS)), audit(of_drive("nvme0", state="dead")(facts_of(SETS))))
    part = compare(audit(facts_of("bench-1-need-broken")), audit(facts_of("bench-1-ordinary-user")))
    doubt = compare(audit(facts_of(SETS)), audit(host(firmware_version=BROKEN)(facts_of(SETS))))
    kinds = [(bool(one.parts), bool(one.changes), bool(one.findings)) for one in (part, figure, finding, doubt)]
    assert [(True, False, False), (False, True, False), (False, False, True), (False, False, False)] == kinds
    assert [False, False, False, True] == [one.nothing_changed for one in (part, figure, finding, doubt)]
