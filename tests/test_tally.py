"""Many captures to one table: a small one worked out by hand, merging in any order, who counts as one and the same."""

from __future__ import annotations

import random
import statistics
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import msgpack, structs

from agent.model.findings import Rate, Verdict
from agent.model.throughput import link_mbps
from agent.tally.gathering import EARLIEST, LATEST, kept, moment
from agent.tally.merging import Tally, merged
from agent.tally.running import TallyRun, run
from agent.tally.seen import Batch, CardNumbers, LinkRun, LinkSeen, MachineKind, MachineSeen
from agent.tally.table import SORTS, Choice, Table, table
from knowledge.problems import BadInput
from tests.build import build, capture_bytes
from tests.machines import FIXTURES
from tests.tallies import day, first_kind, five, lan, port, put, reel, second_kind, seen

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tests.parts import Machine

REEL: Final = CardNumbers(0xF1C4, 0x4210, 0xF1AF, 0x0001)
LAN: Final = CardNumbers(0xF1D0, 0x1010, 0xF1AF, 0x0001)
FIRST: Final = MachineKind("linux", "Harrow Lane Archive", "Editing tower 1", "WS-7")
SECOND: Final = MachineKind("linux", "Harrow Lane Archive", "Editing tower 2", "WS-5")


def of(machine: Machine, **more: Any) -> MachineSeen:  # noqa: ANN401 - arguments of capture_bytes
    """What a tally keeps of a machine."""
    return seen(capture_bytes(build(machine), **more))


def tabled(machines: Sequence[MachineSeen], **choice: Any) -> Table:  # noqa: ANN401 - fields of Choice
    """The table of these machines."""
    return table(TallyRun(Tally(machines), 0, ()), Choice(**choice))


def tower(links: tuple[LinkSeen, ...]) -> MachineSeen:
    """A machine with these links."""
    return MachineSeen(key=b"m", kind=FIRST, named=True, taken=1.0, firmware=None, dark=0, links=links)


# --- By hand ---------------------------------------------------------------------------------------------------


def test_a_table_of_five_captures_is_as_worked_out_by_hand() -> None:
    """Five captures of three machines give three lines, each cell as reckoned by hand from what was built.

    Link rates, from memory of the standard: x4 at 16 GT/s carries 7,877 MB/s, at 8 GT/s 3,938, at 5 GT/s 2,000.
    """
    found = tabled([seen(data) for data in five().values()])
    assert (5, 3, 0) == (found.counts.captures, found.counts.machines, found.counts.nameless)
    assert (2, 3, 0) == (found.kinds, found.of, found.dark)
    slow, reels, network = found.lines

    # bench-3: R3 was seen twice, the newer time with A2; R4 was seen once, slow.
    assert (REEL, SECOND, 1, 2) == (slow.card, slow.machine, slow.machines, slow.links)
    assert ((Verdict.SLOW, 1), (Verdict.FULL, 1)) == slow.verdicts
    assert (Rate(4, 4), Rate(2, 4), 2) == (slow.best, slow.typical, slow.rated)
    assert 39.85 == slow.hottest
    assert (("A1", 1), ("A2", 1)) == slow.firmware
    assert (("2.08", 1),) == slow.host_firmware
    assert not slow.confirmed

    # bench-1: R1 was narrow and hot, and is full; bench-2: R2 is at the best of its slot.
    assert (REEL, FIRST, 2, 2) == (reels.card, reels.machine, reels.machines, reels.links)
    assert ((Verdict.SLOT_LIMITED, 1), (Verdict.FULL, 1)) == reels.verdicts
    assert (Rate(4, 4), Rate(3, 4), 2) == (reels.best, reels.typical, reels.rated)
    assert 48.85 == reels.hottest
    assert (("A2", 2),) == reels.firmware
    assert (("4.11", 1), ("4.12", 1)) == reels.host_firmware
    assert ("NVMe drive", (("Ostrayne Reel 4 2TB", 2),)) == (reels.what, reels.names)
    assert reels.confirmed

    assert (LAN, FIRST, 1, 1) == (network.card, network.machine, network.machines, network.links)
    assert ((Verdict.FULL, 1),) == network.verdicts
    assert (Rate(3, 4), Rate(3, 4), None) == (network.best, network.typical, network.hottest)
    assert ((), (("4.12", 1),)) == (network.firmware, network.host_firmware)
    assert network.confirmed


@pytest.mark.parametrize(
    ("sort", "expected"),
    [
        ("worst", [(REEL, SECOND), (REEL, FIRST), (LAN, FIRST)]),
        ("machines", [(REEL, FIRST), (REEL, SECOND), (LAN, FIRST)]),
        ("links", [(REEL, FIRST), (REEL, SECOND), (LAN, FIRST)]),
        ("card", [(REEL, FIRST), (REEL, SECOND), (LAN, FIRST)]),
        ("machine", [(REEL, FIRST), (LAN, FIRST), (REEL, SECOND)]),
        ("rate", [(REEL, FIRST), (LAN, FIRST), (REEL, SECOND)]),
        ("hottest", [(REEL, FIRST), (REEL, SECOND), (LAN, FIRST)]),
    ],
)
def test_lines_come_in_the_order_asked_for(sort: str, expected: list[tuple[CardNumbers, MachineKind]]) -> None:
    """Each order puts its own first; what is alike there goes by the numbers of the card, then by the machine."""
    assert sort in SORTS
    found = tabled([seen(data) for data in five().values()], sort=sort)
    assert expected == [(line.card, line.machine) for line in found.lines]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("f1c4:4210", [REEL, REEL]),
        ("F1D0:1010", [LAN]),
        ("f1d0:", [LAN]),
        (":4210:f1af", [REEL, REEL]),
        ("*:*:*:0001", [REEL, REEL, LAN]),
        ("0xf1d0:0x1010", [LAN]),
        ("reel 4", [REEL, REEL]),
        ("Network", [LAN]),
        ("ws-5", [REEL]),
        ("EDITING TOWER 1", [REEL, LAN]),
        ("linux", [REEL, REEL, LAN]),
    ],
)
def test_only_what_fits_the_words_is_shown(words: str, expected: list[CardNumbers]) -> None:
    """Numbers name a card from the vendor on, words a part of a card's or a machine's name, in any case of letters."""
    found = tabled([seen(data) for data in five().values()], only=words)
    assert expected == [line.card for line in found.lines]
    assert 3 == found.of


@pytest.mark.parametrize("words", ["f1c4:9999", "nothing of the kind", "f1c4:4210:f1af:0001:0000"])
def test_words_that_fit_nothing_are_refused(words: str) -> None:
    """Words that fit no line are a mistake of whoever gave them, and told with what can be given."""
    machines = [seen(data) for data in five().values()]
    with pytest.raises(BadInput, match="VENDOR:DEVICE"):
        tabled(machines, only=words)
    assert () == tabled([], only=words).lines


def test_lines_with_few_machines_or_doubts_can_be_left_out() -> None:
    """A least number of machines, and confirmed lines alone, leave out the others but still count them."""
    machines = [seen(data) for data in five().values()]
    assert [(REEL, FIRST)] == [(line.card, line.machine) for line in tabled(machines, least=2).lines]
    assert [(REEL, FIRST), (LAN, FIRST)] == [(one.card, one.machine) for one in tabled(machines, confirmed=True).lines]
    assert (0, 3) == (len(tabled(machines, least=3).lines), tabled(machines, least=3).of)


@pytest.mark.parametrize("number", range(len(Verdict)))
def test_only_links_at_their_best_confirm(number: int) -> None:
    """A line is confirmed by full and slot-limited links alone: by no verdict that leaves a doubt."""
    verdict = list(Verdict)[number]
    link = LinkSeen(b"one", 1.0, None, LinkRun(REEL, "NVMe drive", None, verdict, None, ()))
    line = tabled([tower((link,))]).lines[0]
    assert (verdict in {Verdict.FULL, Verdict.SLOT_LIMITED}) == line.confirmed


def test_a_line_is_called_by_what_keeps_it_from_being_confirmed() -> None:
    """Of verdicts of one severity the one that leaves a doubt stands first: a line in doubt is not called full."""
    found = tuple(
        LinkSeen(b"%d" % number, 1.0, None, LinkRun(REEL, "NVMe drive", None, verdict, None, ()))
        for number, verdict in enumerate((Verdict.FULL, Verdict.FULL, Verdict.VIRTUAL))
    )
    line = tabled([tower(found)]).lines[0]
    assert (Verdict.VIRTUAL, False) == (line.worst, line.confirmed)


# --- One and the same ------------------------------------------------------------------------------------------


def one_drive(at: str = "01.0", serial: str = "R1", now: tuple[int, int] | None = None, **more: Any) -> Machine:  # noqa: ANN401
    """A tower with one drive."""
    return first_kind(more.pop("name", "bench-1"), [port(at, reel(serial, "A1", 313), now=now)], **more)


def test_a_capture_given_twice_counts_once() -> None:
    """The same capture again changes no line and no number of machines."""
    machines = [seen(data) for data in five().values()]
    once, twice = tabled(machines), tabled(machines + machines)
    assert (once.lines, once.counts.machines) == (twice.lines, twice.counts.machines)
    assert 10 == twice.counts.captures


def test_tokens_stand_for_the_names_they_replace() -> None:
    """A machine and its drives are the same in a capture with tokens in place of names and serial numbers."""
    made = build(one_drive(name="bench-1.harrow-lane.example", serial="OST-REEL-0001"))
    open_, hidden = seen(capture_bytes(made)), seen(capture_bytes(made, redact=True))
    assert open_ == hidden
    assert b"OST-REEL-0001" not in capture_bytes(made, redact=True)


def test_a_drive_is_known_by_its_serial_number_in_another_slot() -> None:
    """A drive that changed slots is one link, as its newest capture has it."""
    found = tabled([of(one_drive("01.0", now=(4, 2)), taken_at=day(1)), of(one_drive("03.0"), taken_at=day(2))])
    assert [(1, ((Verdict.FULL, 1),))] == [(line.links, line.verdicts) for line in found.lines]


def test_a_card_without_a_serial_number_is_known_by_its_way_from_the_processor() -> None:
    """A network card is the same link when buses are numbered anew, and another one in another slot."""
    alone = first_kind("bench-1", [port("02.0", lan())])
    beside = first_kind("bench-1", [port("01.0", reel("R1", "A1", 313)), port("02.0", lan())])
    moved = first_kind("bench-1", [port("04.0", lan())])
    first, renumbered, elsewhere = (of(one, taken_at=day(1)) for one in (alone, beside, moved))
    assert {first.links[0].key} == {link.key for link in renumbered.links if link.seen.card == LAN}
    assert first.links[0].key != elsewhere.links[0].key


def test_two_drives_with_one_serial_number_are_two_links() -> None:
    """Drives that give the same serial number, or none, are told apart all the same."""
    for serial in ("R1", "", "0123456789"):
        ports = [port(f"0{number}.0", reel(serial, "A1", 313)) for number in (1, 2)]
        assert 2 == len({link.key for link in of(first_kind("bench-1", ports)).links})


def test_machines_of_one_name_and_other_make_are_two() -> None:
    """A host name tells a machine from those of its make alone."""
    ports = [port("01.0", reel("R1", "A1", 313))]
    assert 2 == tabled([of(first_kind("bench-1", ports)), of(second_kind("bench-1", ports))]).counts.machines


def test_machines_without_a_name_are_told_apart_by_their_drives() -> None:
    """Where the host name says nothing, serial numbers of drives tell, and without those each capture is a machine."""
    named = [of(one_drive(name="localhost", serial=serial)) for serial in ("R1", "R2", "R1")]
    assert (2, 2) == (tabled(named).counts.machines, tabled(named).counts.nameless)
    bare = [of(first_kind("localhost", [port("02.0", lan())]), taken_at=day(number)) for number in (1, 2, 1)]
    assert (2, 2) == (tabled(bare).counts.machines, tabled(bare).counts.nameless)


def test_an_upgrade_makes_no_second_machine_of_one_without_a_name() -> None:
    """Machines without a name that share a drive are one, through as many steps as there are, if of one make."""

    def fitted(*serials: str, kind: Any = first_kind) -> MachineSeen:  # noqa: ANN401 - one of the kinds
        ports = [port(f"0{number}.0", reel(serial, "A1", 313)) for number, serial in enumerate(serials, 1)]
        return of(kind("localhost", [*ports, port("09.0", lan())]))

    before, after, last = fitted("R1"), fitted("R1", "R2"), fitted("R2", "R3")
    found = tabled([before, last, after])
    assert (1, 1, 3) == (found.counts.machines, found.counts.nameless, found.counts.captures)
    assert [(1, 3), (1, 1)] == [
        (line.machines, line.links) for line in tabled([last, before, after], sort="card").lines
    ]
    assert 2 == tabled([before, last]).counts.machines
    assert 2 == tabled([before, fitted("R1", kind=second_kind)]).counts.machines


def test_moments_are_compared_whatever_their_zone() -> None:
    """The newest capture is found by the moment, not by how it is written."""
    early, late = "2026-03-02T23:30:00+09:00", "2026-03-02T15:00:00Z"
    found = tabled([of(one_drive(now=(4, 2)), taken_at=early), of(one_drive(), taken_at=late)])
    assert ((Verdict.FULL, 1),) == found.lines[0].verdicts
    assert moment(late) - moment(early) == 1800
    assert (EARLIEST, LATEST) == (moment("0001-01-01T00:00:00+14:00"), moment("9999-12-31T23:59:59-14:00"))


def test_kept_text_is_short_and_can_be_written() -> None:
    """Text is cut, stripped, and free of halves of characters; what is blank is no text."""
    assert ("x" * 77 + "...", "a b", None, None) == tuple(map(kept, ("x" * 4000, "  a b ", " \t", None)))
    assert "\\udc80" == kept("\udc80")


# --- Merging ---------------------------------------------------------------------------------------------------

RATES: Final = (None, Rate(1, 16), Rate(2, 4), Rate(2, 8), Rate(3, 4), Rate(4, 2), Rate(4, 4))
seens = st.builds(
    LinkRun,
    card=st.sampled_from([REEL, LAN, CardNumbers(None, None, None, None)]),
    what=st.sampled_from(["NVMe drive", "network card"]),
    name=st.sampled_from([None, "Reel", "=1+1"]),
    verdict=st.sampled_from(Verdict),
    rate=st.sampled_from(RATES),
    firmware=st.sampled_from([(), ("A1",), ("A1", "A2")]),
    at_start=st.booleans(),
)
links = st.builds(
    LinkSeen,
    key=st.sampled_from([b"1", b"2", b"3", b"4"]),
    taken=st.just(0.0),
    hottest=st.sampled_from([None, 20.0, 30.0, 40.0]),
    seen=seens,
)


@st.composite
def machines_seen(draw: st.DrawFn, *, nameless: bool = True) -> MachineSeen:
    """One of few machines at one of few moments, so that many say something of the same; some without a name."""
    key = draw(st.sampled_from([b"m1", b"m2", b"m3", b"m4", b"m5"] if nameless else [b"m1", b"m2"]))
    taken = draw(st.sampled_from([1.0, 2.0, 3.0]))
    found = draw(st.lists(links, max_size=4, unique_by=lambda link: link.key))
    return MachineSeen(
        key=key,
        kind=FIRST if key == b"m1" else SECOND,
        named=key in {b"m1", b"m2"},
        taken=taken,
        firmware=draw(st.sampled_from([None, "4.11", "4.12"])),
        dark=draw(st.integers(0, 2)),
        links=tuple(
            structs.replace(link, taken=taken, by_serial=nameless and link.key in {b"1", b"2"})
            for link in sorted(found, key=lambda link: link.key)
        ),
    )


@pytest.mark.long
@settings(max_examples=300, deadline=None)
@given(machines=st.lists(machines_seen(), max_size=8), order=st.randoms(use_true_random=False), parts=st.integers(1, 4))
def test_order_and_grouping_change_nothing(machines: list[MachineSeen], order: random.Random, parts: int) -> None:
    """Captures in any order, tallied in any groups that are merged in any order, give the same table."""
    expected = tabled(machines)
    shuffled = order.sample(machines, len(machines))
    groups = [Tally(shuffled[start::parts]) for start in range(parts)]
    order.shuffle(groups)
    whole = Tally()
    for group in groups:
        whole.merge(group)
    assert expected == table(TallyRun(whole, 0, ()), Choice())


@settings(max_examples=300, deadline=None)
@given(three=st.lists(machines_seen(), min_size=3, max_size=3))
def test_merging_is_associative_commutative_and_idempotent(three: list[MachineSeen]) -> None:
    """What captures of one machine say together does not depend on brackets, order or repetition."""
    a, b, c = (structs.replace(one, key=b"m1", kind=FIRST) for one in three)
    assert merged(a, b) == merged(b, a)
    assert merged(merged(a, b), c) == merged(a, merged(b, c))
    assert merged(a, a) == a


@pytest.mark.long
@settings(max_examples=300, deadline=None)
@given(machines=st.lists(machines_seen(nameless=False), min_size=1, max_size=8))
def test_the_newest_of_each_link_counts_and_the_hottest_of_all(machines: list[MachineSeen]) -> None:
    """Each link is there once, with a newest reading that some capture gave, and its hottest of all captures."""
    whole = {(machine.key, link.key): link for machine in Tally(machines) for link in machine.links}
    given_: dict[tuple[bytes, bytes], list[LinkSeen]] = {}
    for machine in machines:
        for link in machine.links:
            given_.setdefault((machine.key, link.key), []).append(link)
    assert given_.keys() == whole.keys()
    for key, all_of in given_.items():
        newest = max(link.taken for link in all_of)
        assert whole[key].seen in [link.seen for link in all_of if link.taken == newest]
        assert max((one.hottest for one in all_of if one.hottest is not None), default=None) == whole[key].hottest


@settings(max_examples=200, deadline=None)
@given(rates=st.lists(st.sampled_from(RATES[1:]), min_size=1, max_size=12))
def test_the_typical_rate_is_the_lower_median(rates: list[Rate]) -> None:
    """The typical and the best rate, from counts, are what Python's statistics and max say of the rates themselves."""
    found = tuple(
        LinkSeen(b"%d" % number, 1.0, None, LinkRun(REEL, "NVMe drive", None, Verdict.FULL, rate, ()))
        for number, rate in enumerate(rates)
    )
    line = tabled([tower(found)]).lines[0]
    speeds = [link_mbps(rate.speed, rate.width) for rate in rates]
    assert line.typical is not None
    assert line.best is not None
    assert statistics.median_low(speeds) == link_mbps(line.typical.speed, line.typical.width)
    assert max(speeds) == link_mbps(line.best.speed, line.best.width)


@settings(max_examples=100, deadline=None)
@given(machines=st.lists(machines_seen(), max_size=4))
def test_rows_cross_between_processes_unchanged(machines: list[MachineSeen]) -> None:
    """What a worker packs is what the tally unpacks."""
    batch = Batch(tuple(machines), ((0, "a reason", True),))
    assert batch == msgpack.decode(msgpack.encode(batch), type=Batch)


# --- Files -----------------------------------------------------------------------------------------------------


def ran(files: Sequence[Path], jobs: int) -> tuple[Table, list[int]]:
    """The table of these files, and what was told on the way."""
    told: list[int] = []
    return table(run([str(one) for one in files], jobs, told.append, host="linux"), Choice()), told


def test_any_number_of_processes_gives_the_same(tmp_path: Path) -> None:
    """One process or several, and files in any order, give the same table, passed-over files included."""
    put(tmp_path, {**{f"{number}/{name}": data for number in range(3) for name, data in five().items()}})
    put(tmp_path, {f"bad-{number}.json": b"{" for number in range(12)})
    files = sorted(tmp_path.rglob("*.json"))
    expected, told = ran(files, 1)
    assert (15, 3, 12, 10) == (
        expected.counts.captures,
        expected.counts.machines,
        expected.passed_over,
        len(expected.refused),
    )
    assert len(files) == told[-1]
    assert sorted(told) == told
    for number, jobs in enumerate((2, 3, 5)):
        shuffled = random.Random(number).sample(files, len(files))  # noqa: S311 - an order, no secret
        found, told = ran(shuffled, jobs)
        assert expected == found
        assert len(files) == told[-1]


def test_every_fixture_counts() -> None:
    """All machines of the fixtures can be tallied, each once by its name and make, and none is passed over."""
    found, _ = ran(sorted(FIXTURES.glob("*/capture.json")), 1)
    assert (0, ()) == (found.passed_over, found.refused)
    assert found.counts.captures == len(list(FIXTURES.glob("*/capture.json")))
    assert len(found.lines) == len({(line.card, line.machine) for line in found.lines})
    assert all(line.links == sum(count for _, count in line.verdicts) for line in found.lines)


def test_an_unknown_platform_is_passed_over_with_the_reason(tmp_path: Path) -> None:
    """A capture of a platform that nothing is known of is named with that reason."""
    data = five()["a.json"].replace(b'"platform":"linux"', b'"platform":"plan9"')
    put(tmp_path, {"a.json": data, "b.json": five()["b.json"]})
    found, _ = ran(sorted(tmp_path.iterdir()), 1)
    assert (1, 1) == (found.counts.captures, found.passed_over)
    assert "does not know the platform 'plan9'" in found.refused[0][1]


def test_a_bomb_takes_nothing_down(tmp_path: Path) -> None:
    """A packed file that would unpack to gigabytes is passed over by the worker that meets it, and others count."""
    import zlib

    packer = zlib.compressobj(9, wbits=31)
    bomb = b"".join([packer.compress(b'{"a":"'), *(packer.compress(bytes(1 << 20)) for _ in range(200))])
    put(tmp_path, {"0.json.gz": bomb + packer.flush(), "deep.json": b"[" * 1_000_000, **five()})
    for jobs in (1, 2):
        found, _ = ran(sorted(tmp_path.iterdir()), jobs)
        assert (5, 2) == (found.counts.captures, found.passed_over)
        assert ["0.json.gz", "deep.json"] == [name.rpartition("/")[2] for name, _ in (*found.refused, *found.others)]


def test_readings_of_the_start_are_counted() -> None:
    """Links whose rate a system gave as it was at its start are counted beside the verdicts."""
    darwin = [place for place in FIXTURES.glob("*/capture.json") if b'"platform":"darwin"' in place.read_bytes()[:400]]
    found, _ = ran(sorted(darwin), 1)
    assert found.counts.captures == len(darwin) > 0
    linux, _ = ran([FIXTURES / "bench-1-upgraded" / "capture.json"], 1)
    assert {0} == {line.at_start for line in linux.lines}
    assert 0 < sum(line.at_start for line in found.lines) < sum(line.links for line in found.lines)
