"""What is no change: a machine beside itself, a restart that numbers everything anew, another user, another order."""

from __future__ import annotations

from functools import cache
from random import Random
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.audit import audit
from agent.compare.sentence import NOTHING
from agent.compare.whole import compare
from probes import capture, collect
from tests.machines import FIXTURES
from tests.renumbered import restarted

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Change, Comparison, Direction, FindingChange
    from agent.model.findings import Finding
    from probes.facts import Facts

FOLDERS: Final = sorted(place.parent.name for place in FIXTURES.glob("*/capture.json"))
MIRROR: Final[dict[Direction, Direction]] = {"better": "worse", "worse": "better", "other": "other"}
every_folder = pytest.mark.parametrize("name", FOLDERS)


@cache
def facts_of(name: str) -> Facts:
    """The facts of a machine of `fixtures/`."""
    kept = capture.parse((FIXTURES / name / "capture.json").read_bytes(), name)
    first, later = capture.recorded(kept)
    return collect(first, later, kept.taken_at)


@cache
def audit_of(name: str) -> Audit:
    """Its audit."""
    return audit(facts_of(name))


@cache
def compared(before: str, after: str) -> Comparison:
    """Two machines of `fixtures/`."""
    return compare(audit_of(before), audit_of(after))


def unchanged(found: Comparison) -> None:
    """Hold that nothing at all differs, and that nothing is in doubt."""
    assert () == found.parts
    assert () == found.changes
    assert () == found.findings
    assert () == found.doubts
    assert (NOTHING, False, "") == (found.verdict, found.worse, found.other_machine)
    assert found.nothing_changed


@every_folder
def test_a_machine_beside_itself_has_not_changed(name: str) -> None:
    """Comparing a capture with itself says that nothing changed, and no more."""
    unchanged(compared(name, name))


@pytest.mark.long
@every_folder
@settings(max_examples=12)
@given(draw=st.randoms(use_true_random=False))
def test_a_restart_is_no_change(name: str, draw: Random) -> None:
    """New numbers of buses and drives, another order, other uptime and temperatures are no change."""
    again = audit(restarted(facts_of(name), draw))
    unchanged(compare(audit_of(name), again))
    unchanged(compare(again, audit_of(name)))


@every_folder
def test_a_capture_without_serial_numbers_shows_the_same_machine(name: str) -> None:
    """Tokens in place of serial numbers and names, on either side or on both, are no change."""
    kept = capture.parse((FIXTURES / name / "capture.json").read_bytes(), name)
    hidden = capture.encode(
        platform=kept.platform,
        taken_at=kept.taken_at,
        agent=kept.agent,
        answers=kept.reads,
        samples=kept.samples,
        keep_serials=False,
    )
    again = capture.parse(hidden, name)
    first, later = capture.recorded(again)
    redacted = audit(collect(first, later, again.taken_at))
    unchanged(compare(audit_of(name), redacted))
    unchanged(compare(redacted, audit_of(name)))
    unchanged(compare(redacted, redacted))


def test_a_restart_gives_other_numbers() -> None:
    """The machine after a restart, as these tests have it, shares neither numbers nor order with the one before."""
    draw = Random(4)  # noqa: S311 - no secret, and the same in every run
    before, after = facts_of("bench-1-upgraded"), restarted(facts_of("bench-1-upgraded"), draw)
    behind = [one.address for one in before.functions if one.parent is not None]
    assert set() == set(behind) & {one.address for one in after.functions}
    assert [one.name for one in before.drives] != [one.name for one in after.drives]
    assert len(before.functions) == len(after.functions)
    assert before.host.up_seconds != after.host.up_seconds


PAIRS: Final = [
    (before, after)
    for start in ("bench-1", "bench-2", "bench-3", "guest", "tower")
    for before in FOLDERS
    for after in FOLDERS
    if before < after and before.startswith(start) and after.startswith(start)
]


def _mirrored(one: Change) -> tuple[object, ...]:
    return (
        one.topic,
        one.what,
        one.after,
        one.before,
        MIRROR[one.direction],
        one.after_values,
        one.before_values,
        one.unit,
    )


def _told(one: Change) -> tuple[object, ...]:
    return one.topic, one.what, one.before, one.after, one.direction, one.before_values, one.after_values, one.unit


def _count(rows: list[tuple[object, ...]]) -> list[str]:
    return sorted(map(repr, rows))


@pytest.mark.parametrize(("before", "after"), PAIRS)
def test_the_other_way_round_everything_is_the_other_way_round(before: str, after: str) -> None:
    """What is added one way is removed the other, better is worse, and the figures change places."""
    there, back = compared(before, after), compared(after, before)
    kinds = {"added": "removed", "removed": "added", "moved": "moved"}
    assert _count([(one.kind, one.before, one.after) for one in there.parts]) == _count(
        [(kinds[one.kind], one.after, one.before) for one in back.parts]
    )
    assert _count([_told(one) for one in there.changes]) == _count([_mirrored(one) for one in back.changes])
    turned = {"gained": "lost", "cleared": "gained", "gone": "gained", "changed": "changed"}
    lost = {"gained": "gained", "cleared": "lost", "gone": "lost", "changed": "changed"}
    assert _count([(lost[one.kind], one.before, one.after) for one in there.findings]) == _count(
        [(turned[one.kind], one.after, one.before) for one in back.findings]
    )
    # What went with its part is no cure, though what comes with a part may well be bad.
    with_part = [one.before for one in (*there.findings, *back.findings) if one.kind == "gone"]
    assert _count([(one.before, one.after, one.direction) for one in there.findings if _of(one) not in with_part]) == (
        _count([(one.after, one.before, MIRROR[one.direction]) for one in back.findings if _of(one) not in with_part])
    )
    assert len(there.doubts) == len(back.doubts)
    assert bool(there.other_machine) == bool(back.other_machine)


def _of(one: FindingChange) -> Finding | None:
    return one.before if one.before is not None else one.after


def _parts(found: Comparison) -> list[str]:
    named = [(one.kind, one.before or one.after) for one in found.parts]
    return _count([(kind, part.kind, part.name, part.identity) for kind, part in named if part is not None])


def _rows(found: Comparison) -> list[str]:
    """The rows but those of temperatures, which are others."""
    return _count([_told(one) for one in found.changes if one.topic != "temperature"])


@settings(max_examples=40)
@given(draw=st.randoms(use_true_random=False), pair=st.sampled_from(PAIRS))
def test_a_change_is_the_same_change_after_a_restart(draw: Random, pair: tuple[str, str]) -> None:
    """What changed between two machines is the same however the second one was numbered."""
    before, after = pair
    plainly = compared(before, after)
    again = compare(audit_of(before), audit(restarted(facts_of(after), draw)))
    assert _parts(plainly) == _parts(again)
    assert _rows(plainly) == _rows(again)
    assert plainly.worse == again.worse
    assert _count([(one.kind, one.direction) for one in plainly.findings]) == _count(
        [(one.kind, one.direction) for one in again.findings]
    )
