"""What single rows, findings and words of a comparison rest on: each case is decided by one sign alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare import gained, lanes, rates, readings
from agent.compare.doubts import Doubts
from agent.compare.matching import MatchedMachines
from agent.compare.naming import alone, subject
from agent.compare.whole import compare
from agent.model.findings import Evidence, Finding, Rate, Severity, Verdict
from agent.model.stripes import StripeSeen
from agent.sheets.writing import from_audit
from knowledge import pcie
from knowledge.rates import NEAR_LIMIT_CELSIUS
from probes.decode import Registers
from probes.facts import ErrorCounters, Facts, StripeSet
from probes.tokens import Known
from probes.unread import Unread
from tests import kept
from tests.boards import bench_1, reel_4
from tests.test_compare import seen as judged_machine
from tests.test_compare_losses import _against as against
from tests.test_compare_small import function, host, of_drive

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.audit import Audit
    from agent.compare.changes import Change

ROOT: Final = Unread("what was asked for", "given to the super-user only", needs_root=True)
PLACES: Final = (("00:01.0", "01:00.0"), ("00:02.0", "02:00.0"), ("00:03.0", "03:00.0"))


def tower(*more: Any) -> Facts:  # noqa: ANN401 - functions
    """Three NVMe drives, disk0 to disk2, at ports of the board, and a disk on its controller."""
    ends = [
        one
        for at, card in PLACES
        for one in (kept.port(at), kept.device(address=card, parent=at, errors=ErrorCounters({}, {}, {})))
    ]
    drives = [kept.drive(f"disk{number}", card, serial=f"A-{number}") for number, (_, card) in enumerate(PLACES)]
    disk = kept.drive("disk9", "00:1f.2", kind="sata", serial="B-9", interconnect="SATA")
    return kept.facts(*more, *ends, kept.function("00:1f.2", 0x010601), drives=(*drives, disk))


TOWER: Final = tower()
# The same tower in which a device before all others gave every part another number.
SHIFTED: Final = tower(kept.function("00:00.1", kept.AUDIO))


def judged(seen: Facts | Audit) -> Audit:
    """The audit of a machine, where it is not one already."""
    return audit(seen) if isinstance(seen, Facts) else seen


def matched(before: Facts | Audit, after: Facts | Audit) -> MatchedMachines:
    """Two machines, or two audits that say something of them, with their parts matched."""
    return MatchedMachines(judged(before), judged(after))


def told(rows: Iterable[Change]) -> list[tuple[str, str, str, str]]:
    """What, before, after and direction of each row."""
    return [(one.what, one.before, one.after, one.direction) for one in rows]


def said(doubts: Doubts) -> list[tuple[str, str]]:
    """What is in doubt, and why."""
    return [(one.what, one.why) for one in doubts.result()]


# --- Links ---------------------------------------------------------------------------------------------------------


def of_link(verdict: Verdict, now: Rate | None = Rate(3, 4), seen: Facts = TOWER, **more: Any) -> Audit:  # noqa: ANN401, B008
    """The tower whose first drive's link has this verdict."""
    found = audit(seen)
    first, *others = found.links
    assert first.device_address == "01:00.0"
    return replace(found, links=(replace(first, verdict=verdict, now=now, **more), *others))


AT_REST: Final = of_link(Verdict.RESTING, Rate(1, 4), best=Rate(3, 4))
SHALLOW: Final = function("01:00.0", registers=Registers.of({pcie.LINK_STATUS: ROOT}))(TOWER)


@pytest.mark.parametrize(
    ("before", "after", "rows", "doubted"),
    [
        (AT_REST, of_link(Verdict.FULL), [], ["rate under load"]),
        (AT_REST, of_link(Verdict.NARROW), [("verdict", "resting", "narrow", "worse")], ["rate under load"]),
        (of_link(Verdict.NARROW), AT_REST, [("verdict", "narrow", "resting", "better")], ["rate under load"]),
        (of_link(Verdict.FULL, None), of_link(Verdict.FULL), [], []),
        (of_link(Verdict.FULL), of_link(Verdict.FULL, None), [], []),
        (of_link(Verdict.FULL), of_link(Verdict.VIRTUAL), [], ["lanes and speed"]),
        (of_link(Verdict.VIRTUAL), of_link(Verdict.FULL), [], ["lanes and speed"]),
        (
            of_link(Verdict.SLOW),
            of_link(Verdict.SET_SLOW, seen=SHALLOW),
            [],
            ["link registers of one part", "why the speed is low"],
        ),
        (of_link(Verdict.SLOW), of_link(Verdict.NARROW, seen=SHALLOW), [], ["link registers of one part"]),
        (of_link(Verdict.NARROW), of_link(Verdict.SLOW, seen=SHALLOW), [], ["link registers of one part"]),
    ],
)
def test_a_verdict_that_differs_is_told_or_why_not(
    before: Audit, after: Audit, rows: list[tuple[str, str, str, str]], doubted: list[str]
) -> None:
    """Rest beside calm is no news, beside a fault it is; a rate that one side lacks is none.

    Lanes that a machine makes up are in doubt where the other side tells real ones.

    Two verdicts of which one rests on registers that the other side did not read are none either; only of two that
    tell why a speed is low that is worth a doubt of its own.
    """
    doubts = Doubts()
    assert rows == told(lanes.links(matched(before, after), doubts))
    assert doubted == [what.partition(" of Ostrayne")[0].partition(" of disk0")[0] for what, _ in said(doubts)]


# --- Rates ---------------------------------------------------------------------------------------------------------


def with_rates(*drives: tuple[tuple[str, ...], float, float]) -> Audit:
    """The tower whose first drives have these ways to the processor, and read this much alone and together."""
    found = audit(TOWER)
    seen = {one.drive.name: one for one in found.drives}
    for number, (path, own, shared) in enumerate(drives):
        name = f"disk{number}"
        seen[name] = replace(
            seen[name],
            path=path,
            alone=(own, own),
            together=(shared, shared),
            alone_write=None,
            together_write=None,
        )
    return replace(found, drives=tuple(seen.values()))


QUIET: Final = (("other",), 500.0, 500.0)


@pytest.mark.parametrize(
    ("before", "after", "ways"),
    [
        (with_rates((("a",), 3000, 3000), QUIET), with_rates((("a",), 3000, 1500), QUIET), {"read together": "worse"}),
        (
            with_rates((("a",), 3000, 3000), QUIET),
            with_rates((("a",), 3000, 1500), (("a",), 500, 500)),
            {"read together": "other"},
        ),
        (
            with_rates((("a",), 3000, 3000), QUIET),
            with_rates((("a",), 2000, 1000), (("a",), 500, 500)),
            {"read alone": "worse", "read together": "worse"},
        ),
    ],
    ids=["alone", "more beside it", "more beside it, and less of its own"],
)
def test_a_share_says_something_where_its_own_rate_does_too(before: Audit, after: Audit, ways: dict[str, str]) -> None:
    """With more drives on the same way a smaller share is no loss, unless the drive alone is slower as well."""
    rows = rates.rates(matched(before, after), Doubts())
    assert ways == {one.what: one.direction for one in rows if one.subject.startswith("disk0")}


def test_one_figure_is_a_least() -> None:
    """A range has two ends; where only the lower one can be told that is said."""
    assert ["2,954 MB/s or more", "2,954 to 3,601 MB/s"] == [
        rates.range_words((2954.0,)),
        rates.range_words((2954.0, 3601.0)),
    ]


# --- Sets ----------------------------------------------------------------------------------------------------------


def a_set(name: str = "md0", members: tuple[str, ...] = ("disk0",), **more: Any) -> StripeSeen:  # noqa: ANN401
    """A set of these drives, the second partition of each."""
    fields: dict[str, Any] = {
        "blocks": tuple(f"{one}n1p2" for one in members),
        "missing": 0,
        "level": "raid1",
        **{key: value for key, value in more.items() if key in StripeSet.__struct_fields__},
    }
    stripe = StripeSet(
        name=name, places=2, layout=None, members=members, idle=(), state="clean", size_bytes=1000, **fields
    )
    return StripeSeen(
        stripe=stripe, raid=1, **{key: value for key, value in more.items() if key in StripeSeen.__struct_fields__}
    )


def sets(of: Facts | Audit, *found: StripeSeen) -> Audit:
    """A machine with these sets."""
    return replace(judged(of), stripes=found)


RENAMED: Final = of_drive("disk0", name="disk7")(SHIFTED)


@pytest.mark.parametrize(
    ("before", "after", "whats"),
    [
        (sets(TOWER, a_set()), sets(SHIFTED, a_set("md127")), []),
        (sets(SHIFTED, a_set()), sets(TOWER, a_set("md127")), []),
        (sets(TOWER, a_set()), sets(RENAMED, a_set("md127", ("disk7",))), []),
        (sets(TOWER, a_set()), sets(TOWER, a_set("md127", ("disk1",))), ["level and members", "level and members"]),
        (
            sets(TOWER, a_set()),
            sets(TOWER, a_set("md127", blocks=("disk0n1p3",))),
            ["level and members", "level and members"],
        ),
        (
            sets(TOWER, a_set(members=("",), blocks=("up1",))),
            sets(TOWER, a_set("md127", ("",), blocks=("vp1",))),
            ["level and members", "level and members"],
        ),
        (sets(TOWER, a_set(missing=1)), sets(TOWER, a_set(missing=2)), ["missing members"]),
        (sets(TOWER, a_set(missing=2)), sets(TOWER, a_set(missing=2)), []),
    ],
    ids=[
        *("other numbers of parts", "and back", "another name of its drive", "another drive", "another partition"),
        *("members that are no drive that is known", "a member less", "as many lost"),
    ],
)
def test_a_set_is_the_same_by_its_members(before: Audit, after: Audit, whats: list[str]) -> None:
    """By its drives and their partitions, whatever these, the drives and the set are called now."""
    assert whats == [one.what for one in rates.stripe_sets(matched(before, after), Doubts())]


def test_members_that_were_lost_are_counted() -> None:
    """One was missing, two are now: figures in words and numbers, and worse."""
    rows = list(rates.stripe_sets(matched(sets(TOWER, a_set(missing=1)), sets(TOWER, a_set(missing=2))), Doubts()))
    assert [("missing members", "1", "2", "worse")] == told(rows)
    assert [((1.0,), (2.0,))] == [(one.before_values, one.after_values) for one in rows]


@pytest.mark.parametrize(
    ("before", "after", "way"),
    [
        (("own", "up"), ("own", "up"), "worse"),
        (("own", "elsewhere"), ("own", "up"), "other"),
        (("own", "up"), ("own", "elsewhere"), "worse"),
    ],
    ids=["beside it before and after", "beside it now", "beside it before"],
)
def test_other_drives_on_the_way_of_a_set_take_their_share(
    before: tuple[str, ...], after: tuple[str, ...], way: str
) -> None:
    """Only a drive that came to the same way into the processor explains a smaller share of a set."""
    sides = [
        sets(
            with_rates((("member", "up"), 900, 900), (path, 500, 500)), a_set(alone=(900, 900), together=(least, least))
        )
        for path, least in ((before, 900), (after, 450))
    ]
    assert {"read together": way} == {one.what: one.direction for one in rates.stripe_sets(matched(*sides), Doubts())}


def test_a_way_that_is_called_otherwise_is_the_same_way() -> None:
    """The drive beside the set was there before, too, on a way that had another name then."""
    sides = [
        sets(
            with_rates((("member", up), 900, 900), (("own", up), 500, 500)),
            a_set(alone=(900, 900), together=(least, least)),
        )
        for up, least in (("up", 900), ("up again", 450))
    ]
    assert ["worse"] == [one.direction for one in rates.stripe_sets(matched(*sides), Doubts())]


# --- The machine and its drives ------------------------------------------------------------------------------------

GIB: Final = 2**30


@pytest.mark.parametrize(
    ("before", "after", "rows", "doubted"),
    [
        ({"product": "Tower"}, {"product": " Tower "}, [], []),
        ({"product": "Tower"}, {"product": None}, [], [("product of the machine", "after: it is not reported")]),
        ({"product": " "}, {"product": "Tower"}, [], [("product of the machine", "before: it is not reported")]),
        ({"product": "Tower"}, {"product": "Rack"}, [("product", "Tower", "Rack", "other")], []),
        ({"memory_bytes": 100 * GIB}, {"memory_bytes": 97 * GIB}, [], []),
        ({"memory_bytes": 97 * GIB}, {"memory_bytes": 100 * GIB}, [], []),
        ({"memory_bytes": 1000 * GIB}, {"memory_bytes": 971 * GIB}, [], []),
        (
            {"memory_bytes": 100 * GIB},
            {"memory_bytes": 96 * GIB},
            [("memory", "100.0 GiB", "96.0 GiB", "other")],
            [],
        ),
    ],
)
def test_texts_and_memory_of_the_machine(
    before: dict[str, Any],
    after: dict[str, Any],
    rows: list[tuple[str, str, str, str]],
    doubted: list[tuple[str, str]],
) -> None:
    """A text that one side does not tell is a doubt; memory may vary by three parts in a hundred of the larger."""
    doubts = Doubts()
    assert rows == told(readings.machine(matched(host(**before)(TOWER), host(**after)(TOWER)), doubts))
    assert doubted == said(doubts)


def warm(seen: Facts, celsius: Any, **more: Any) -> Audit:  # noqa: ANN401 - fields of DriveSeen
    """A machine whose first drive has this temperature, and no limits but those given."""
    found = audit(seen)
    first, *others = found.drives
    assert first.drive.name == "disk0"
    fields = {"celsius": celsius, "warning_celsius": None, "critical_celsius": None, **more}
    return replace(found, drives=(replace(first, **fields), *others))


@pytest.mark.parametrize(("by", "rows"), [(NEAR_LIMIT_CELSIUS - 0.5, 0), (NEAR_LIMIT_CELSIUS, 1)])
def test_a_temperature_counts_from_five_degrees_on(by: float, rows: int) -> None:
    """A drive without limits is warmer by as much as is worth a row, or by less."""
    found = list(readings.drives(matched(warm(TOWER, 40.0), warm(TOWER, 40.0 + by)), Doubts()))
    assert ["temperature"] * rows == [one.what for one in found]


@pytest.mark.parametrize(
    ("limits", "level"),
    [((None, None), 0), ((40.0, None), 1), ((None, 40.0), 2), ((41.0, None), 0), ((None, 41.0), 0), ((30.0, 40.0), 2)],
)
def test_a_drive_is_at_the_limits_that_it_has(limits: tuple[float | None, float | None], level: int) -> None:
    """At or above a limit counts; a limit that nobody knows is not passed."""
    found = warm(TOWER, 40.0, warning_celsius=limits[0], critical_celsius=limits[1])
    assert level == readings.level_of(found.drives[0], 40.0)


UNCLAIMED: Final = replace(TOWER, drives=TOWER.drives[1:])


def test_a_drive_that_no_driver_claims_has_no_rows() -> None:
    """What the system says of a drive is compared where it says something on both sides."""
    changed = of_drive("disk0", firmware="RL3A9.99")(TOWER)
    assert ["firmware"] == [one.what for one in readings.drives(matched(TOWER, changed), Doubts())]
    for sides in ((UNCLAIMED, changed), (changed, UNCLAIMED)):
        assert [] == list(readings.drives(matched(*sides), Doubts()))


# --- Findings ------------------------------------------------------------------------------------------------------


def finding(
    headline: str, rule: str = "drive-not-serving", of: str = "disk0", severity: Severity = Severity.FAULT
) -> Finding:
    """A finding."""
    return Finding(rule, severity, of, headline, (Evidence("a", "b", "c"),))


def with_findings(seen: Facts | Audit, *found: Finding) -> Audit:
    """A machine of which these are found, and nothing else."""
    return replace(judged(seen), findings=found)


def gains(before: Audit, after: Audit) -> Iterator[tuple[str, str]]:
    """How each finding came or went, and whether that is good."""
    yield from ((one.kind, one.direction) for one in gained.findings(matched(before, after), Doubts()))


def test_two_findings_of_one_part_are_told_by_their_words() -> None:
    """In another order they are the same two."""
    one, other = finding("it is at 3 errors"), finding("it is at 4 errors")
    assert [] == list(gains(with_findings(TOWER, one, other), with_findings(TOWER, other, one)))
    assert [("changed", "other")] == list(gains(with_findings(TOWER, one), with_findings(TOWER, other)))


@pytest.mark.parametrize(
    ("seen", "headline", "kinds"),
    [
        (TOWER, "it waits for disk1", []),
        (TOWER, "it waits for disk2", ["changed"]),
        (of_drive("disk1", name="disk5")(SHIFTED), "it waits for disk5", []),
    ],
    ids=["the same", "another", "the same by another name"],
)
def test_a_part_that_a_finding_names_is_the_same_by_any_name(seen: Facts, headline: str, kinds: list[str]) -> None:
    """A new name of a drive is no news, another drive is."""
    before = with_findings(TOWER, finding("it waits for disk1"))
    assert kinds == [kind for kind, _ in gains(before, with_findings(seen, finding(headline)))]


def test_words_that_rest_on_the_list_of_slots_need_it_on_both_sides() -> None:
    """Where one side did not read the firmware's list, other words for a slot are no change."""
    whole, blind = replace(TOWER, board_slots=()), replace(TOWER, board_slots=ROOT)
    one, other = finding("it sits in slot 1"), finding("it sits in slot 2")
    for seen, kinds in (
        ((whole, whole), ["changed"]),
        ((blind, blind), ["changed"]),
        ((whole, blind), []),
        ((blind, whole), []),
    ):
        sides = with_findings(seen[0], one), with_findings(seen[1], other)
        assert kinds == [kind for kind, _ in gains(*sides)]


@pytest.mark.parametrize(
    ("up", "kinds"),
    [
        ((60.0, 60.0), ["cleared"]),
        ((90.0, 60.0), []),
        ((ROOT, 60.0), ["cleared"]),
        ((60.0, ROOT), ["cleared"]),
    ],
)
def test_few_errors_that_are_gone_need_as_long_a_time(up: tuple[Any, Any], kinds: list[str]) -> None:
    """Errors are counted from each start; where one side does not tell how long it was up they are held to be gone."""
    before, after = (host(up_seconds=seconds)(TOWER) for seconds in up)
    few = finding("few errors", "link-errors", "01:00.0", Severity.NOTE)
    assert kinds == [kind for kind, _ in gains(with_findings(before, few), with_findings(after))]


@pytest.mark.parametrize(
    ("limit", "kinds"), [(None, [("cleared", "better")]), (70.0, [("cleared", "better")]), (ROOT, [])]
)
def test_heat_that_is_gone_needs_a_side_that_knows_the_limits(limit: Any, kinds: list[tuple[str, str]]) -> None:  # noqa: ANN401
    """A drive that has no limit is not at it; one whose limits only root is given may be."""
    after = warm(of_drive("disk0", warning_celsius=limit)(TOWER), 40.0)
    hot = finding("it is at its limit", "drive-hot")
    assert kinds == list(gains(with_findings(warm(TOWER, 72.0), hot), with_findings(after)))


@pytest.mark.parametrize(
    ("before", "after", "kinds"),
    [
        (65.0, 60.0, ["cleared"]),
        (65.0, 60.5, []),
        (60.0, 65.0, ["cleared"]),
        (ROOT, 40.0, []),
        (65.0, ROOT, []),
        (None, 40.0, []),
    ],
)
def test_a_note_of_heat_is_gone_where_the_temperature_is_another(before: Any, after: Any, kinds: list[str]) -> None:  # noqa: ANN401
    """Less than a drive's temperature varies is no news, and a temperature that was not read is told with its row."""
    near = finding("it is near its limit", "drive-hot", severity=Severity.NOTE)
    assert kinds == [
        kind for kind, _ in gains(with_findings(warm(TOWER, before), near), with_findings(warm(TOWER, after)))
    ]


# --- Words ---------------------------------------------------------------------------------------------------------

REEL: Final = "Ostrayne Reel 3 1TB"


def moved(seen: Facts) -> Facts:
    """The first and the second drive changed places; the serial numbers tell."""
    return of_drive("disk1", serial="A-0")(of_drive("disk0", serial="A-1")(seen))


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (TOWER, TOWER, f"disk0 ({REEL}) at port 00:01.0"),
        (TOWER, of_drive("disk0", name="disk5")(TOWER), f"{REEL} at port 00:01.0"),
        (TOWER, UNCLAIMED, "NVMe drive (maker f1c4, model 0042) at port 00:01.0"),
        (UNCLAIMED, TOWER, f"{REEL} at port 00:01.0"),
        (TOWER, moved(TOWER), f"{REEL} (at port 00:02.0 before, at port 00:01.0 now)"),
    ],
    ids=["the same", "another name", "claimed no more", "claimed now", "moved"],
)
def test_a_part_in_both_is_called_by_what_holds_on_both_sides(before: Facts, after: Facts, words: str) -> None:
    """Its name where that is the same, its model, its place, or both places of one that moved."""
    pair = matched(before, after)
    (told_as,) = [subject(pair, one, other) for one, other in pair.pairs() if other.address == "01:00.0"]
    assert words == told_as


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("01:00.0", f"disk0 ({REEL}) at port 00:01.0"),
        ("00:1f.2", "SATA controller (maker f1c4, model 0042) on the board, at 00:1f.2"),
        (None, f"disk9 ({REEL}) on the SATA controller (maker f1c4, model 0042)"),
    ],
)
def test_a_part_of_one_side_is_called_by_name_model_and_place(address: str | None, words: str) -> None:
    """A drive has its name first; a place on something is said without a further word."""
    pair = matched(TOWER, TOWER)
    (told_as,) = [alone(pair, thing, 1) for thing in pair.after.things if thing.address == address]
    assert words == told_as


def test_a_disk_has_no_place_on_its_controller() -> None:
    """Where it is plugged in there is not told, so another word for how it is attached moves nothing."""
    pair = matched(TOWER, of_drive("disk9", interconnect="ATA")(TOWER))
    ((before, after),) = [one for one in pair.pairs() if one[1].address is None]
    assert not pair.moved(before, after)


# --- The whole -----------------------------------------------------------------------------------------------------


def test_a_name_that_was_kept_out_is_told_as_that() -> None:
    """The same machine by its parts, with another name, of which only a token is left."""
    token = Known().word("bench-9", remember=False)
    found = compare(audit(TOWER), audit(host(name=token)(TOWER)))
    assert [("name", '"bench-2"', f"kept out of the capture ({token})", "other")] == told(found.changes)


def test_a_comparison_has_the_rates_and_both_machines_as_they_were() -> None:
    """What a drive should reach is part of it, and each side is the one that was given."""
    before = with_rates((("a",), 3000, 3000), QUIET)
    after = with_rates((("a",), 2000, 2000), QUIET)
    found = compare(before, after)
    assert ["read alone", "read together"] == [one.what for one in found.changes]
    assert [True, True] == [found.before is before, found.after is after]


def test_of_a_planned_upgrade_the_planned_drives_are_counted() -> None:
    """Held against its sheet, a machine is told by the drives that the sheet has, and by those that were added."""
    before = judged_machine(bench_1({"M2_1": [reel_4("A-1")]}))
    after = judged_machine(bench_1({"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}))
    planned = compare(before, against(after, from_audit(after, "after")))
    assert "The upgrade delivers: 2 of 2 planned drives at full link; one drive added." == planned.verdict
    assert "The upgrade delivers: the new drive at full link." == compare(before, after).verdict


def test_a_set_that_only_one_of_two_machines_has_is_told_once() -> None:
    """What is missed of the first machine stands with what is worse, and not once more with the rest."""
    other = host(name="bench-9")(replace(TOWER, drives=(), functions=TOWER.functions[:2]))
    found = compare(sets(TOWER, a_set()), audit(other))
    assert found.other_machine
    assert 1 == found.verdict.count("stripe set md0 ")
