"""A reading that fails beside a measurement is never silence and never good news, whichever and however it fails.

A drive is measured on a machine whose links, temperatures and counts are told by a tree, once whole and once with one
reading failing, at the audit before or under load. What is said may not be better, and the reason stands in each form.
"""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest

from agent.audit import audit
from agent.commands import measuring
from agent.commands.measuring import status, surroundings
from agent.commands.reach import unlisted
from agent.measure.judging import OWN_LIMIT, judge
from agent.measure.loaded import Around
from agent.measure.measured import Measured, MeasureRequest, Spread, Target
from agent.measure.targets import target_of, targets
from agent.measure.timing import between, measure
from agent.report import measure_data
from agent.report.measuring import page
from knowledge.problems import BadInput, NothingRead
from probes import collect
from probes.answers import failed
from probes.blocks import ReadTarget, place
from probes.unread import Unread
from tests.build import TreeReads, set_link
from tests.failing import ERRORS, HOWS, LINK, SENSOR, Failing, Fault, Sign
from tests.test_blocks import file_of
from tests.watched import FIRST, STARTED, two_drives

if TYPE_CHECKING:
    from pathlib import Path

    from agent.audit import Audit
    from agent.measure.measured import Measurement

WHENS: Final = {"before": (-1e9, 5.0), "under load": (5.0, 1e9), "for good": (-1e9, 1e9)}
# What fails. Links, as they are held against a rate, are read once at the audit and once under load.
READINGS: Final[dict[str, str | tuple[str, ...]]] = {
    "temperature": f"text {SENSOR}",
    "list of temperatures": "list /sys/class/hwmon",
    "limits": "nvme identify /dev/nvme0",
    "link": f"text {LINK}",
    "whether it sleeps": f"text {FIRST}/power",
    "registers": f"bytes {FIRST}/config",
    "work of others": "psutil disk_io_counters",
    "list of drives": "list /sys/class/nvme",
    "list of block devices": "list /sys/block",
    "whether it is counted": "text /sys/block/nvme0n1/queue/iostats",
    "which device it is": "link /sys/dev/block/259:0",
    "errors": f"text {ERRORS}",
    "its block devices": ("list /sys/class/nvme/nvme0", "list /sys/block"),
    "where it hangs": ("link /sys/class/nvme/nvme0", "text /sys/class/nvme/nvme0/address"),
    "what its port hangs on": "link /sys/bus/pci/devices/0000:",
}
SLOW: Final = 1000.0  # MB/s: far below what four lanes at 16 GT/s carry, far above what one at 2.5 GT/s does
FAST: Final = 6500.0


class Run(msgspec.Struct):
    """A measurement with the audit that it was held against, and how often a reading failed."""

    said: Measurement
    found: Audit
    failures: int


def reached(aim: Target, median: float) -> Measured:
    """A measurement with this median."""
    spread = Spread(median, (median, median), (median, median), (median, median), 39)
    return Measured(target=aim, requests=9537, read_bytes=10**10, spread=spread)


def run(fault: Fault, median: float, *, rested: bool = False) -> Run:
    """A drive read at this rate; one that `rested` had one lane at 2.5 GT/s at the audit, and all under load."""
    reads = Failing(Sign("link", -1e9, 5.0) if rested else Sign(), fault)
    if rested:
        set_link(reads.tree, ("0000:00:01.0", "0000:01:00.0"), (1, 1))
    found = audit(collect(reads, (), STARTED))
    lists = unlisted(found.facts)
    aim = target_of("nvme0", ReadTarget("/dev/nvme0n1", "block", "259:0"), found, reads, lists)
    around = surroundings(reads, found, reads.clock)
    reads.clock.sleep(10.0)
    before, warm = around.traffic(), around.temperature("nvme0")
    links = dict(around.links(aim.hops))
    reads.clock.sleep(10.0)
    others, lost = between(before, around.traffic(), {"nvme0n1": 5 * 10**9}, 10.0)
    one = msgspec.structs.replace(
        reached(aim, median),
        celsius=None if warm is None or isinstance(warm, Unread) else (warm, warm),
        celsius_lost=warm if isinstance(warm, Unread) else None,
        links=links,
        others_mbps=others,
        others_lost=lost,
    )
    return Run(judge(found, [one], MeasureRequest(), ()), found, reads.failures)


def flat(text: str) -> str:
    """Words with single spaces."""
    return re.sub(r"\s+", " ", text)


def silent(one: Run, why: str) -> list[str]:
    """The forms in which nothing says that a reading failed, for this reason."""
    text = flat("\n".join(line.plain for line in page((one.said, one.found), 200, "this machine").lines))
    sent = msgspec.json.decode(msgspec.json.encode(measure_data.form(one.said, one.found)))
    (told,) = sent["measured"]
    whys = [lost["why"] for lost in (*told["unread"], *told["delivery"]["unread"])]
    return [
        *(["json"] if not any(why in each for each in whys) else []),
        *(["text"] if not any(why in each and flat(each) in text for each in whys) else []),
    ]


@pytest.mark.long
@pytest.mark.parametrize("reading", READINGS)
@pytest.mark.parametrize("when", WHENS)
@pytest.mark.parametrize("how", HOWS)
@pytest.mark.parametrize(("median", "rested"), [(SLOW, False), (SLOW, True), (FAST, False)])
def test_a_reading_that_fails_makes_nothing_better(
    reading: str, when: str, how: str, median: float, *, rested: bool
) -> None:
    """With one reading failing no drive delivers that did not, and no run ends well that did not."""
    whole = run(Fault(), median, rested=rested)
    assert ("delivers" if median == FAST else "short") == whole.said.deliveries[0].verdict
    spoilt = run(Fault(READINGS[reading], how, *WHENS[when]), median, rested=rested)
    assert spoilt.failures or when != "for good"
    delivery = spoilt.said.deliveries[0]
    assert "delivers" != delivery.verdict or median == FAST
    assert 0 != status(spoilt.said) or median == FAST
    assert delivery.verdict != "none" or status(spoilt.said) == 1


@pytest.mark.parametrize(
    ("reading", "when"),
    [
        ("temperature", "under load"),
        ("list of temperatures", "for good"),
        ("limits", "before"),
        ("link", "under load"),
        ("whether it sleeps", "under load"),
        ("work of others", "under load"),
        ("list of drives", "before"),
        ("whether it is counted", "before"),
        ("which device it is", "before"),
        ("its block devices", "before"),
        ("where it hangs", "before"),
        ("what its port hangs on", "before"),
    ],
)
@pytest.mark.parametrize("how", ["EIO", "EACCES", "ENODEV"])
def test_why_a_reading_failed_is_told(reading: str, when: str, how: str) -> None:
    """Whatever failed beside a measurement stands with its reason in text and JSON, well or short."""
    for median in (SLOW, FAST):
        one = run(Fault(READINGS[reading], how, *WHENS[when]), median)
        assert one.failures
        assert [] == silent(one, failed("", how).why)
        assert OWN_LIMIT not in one.said.deliveries[0].reasons or reading in {"limits", "which device it is"}


def test_a_link_that_cannot_be_read_under_load_has_no_verdict_that_is_good() -> None:
    """A rate within the range of the link as it was before has no verdict; one below it is short at any rate."""
    fault = Fault(f"text {LINK}", "EIO", *WHENS["under load"])
    why = f"the link 0000:00:01.0 under load could not be read ({failed('', 'EIO').why})"
    good, short = (run(fault, median).said.deliveries[0] for median in (FAST, SLOW))
    assert ("none", f"{why}, so whether the range is that of its links is not known") == (good.verdict, good.why)
    assert ("short", f"{why}, so whether it ran as before is not known") == (short.verdict, short.reasons[-1])


def test_a_link_that_could_not_be_judged_has_no_prediction() -> None:
    """Where the audit could not read a link nothing is predicted, the reason is told, and the run does not end well."""
    tree = two_drives()
    for end in (FIRST, "/sys/bus/pci/devices/0000:00:01.0"):
        for name in ("current_link_speed", "current_link_width", "config"):
            tree.fail(tree.resolve(f"{end}/{name}"), "EIO")
    reads = TreeReads(tree)
    found = audit(collect(reads, (), STARTED))
    aim = target_of("nvme0", ReadTarget("/dev/nvme0n1", "block", "259:0"), found, reads)
    said = judge(found, [reached(aim, FAST)], MeasureRequest(), ())
    assert ("none", 1) == (said.deliveries[0].verdict, status(said))
    assert failed("", "EIO").why in said.deliveries[0].why
    assert [failed("", "EIO").why in one.why for one in said.deliveries[0].unread] == [True]


@pytest.mark.parametrize("median", [SLOW, FAST])
@pytest.mark.parametrize(
    ("reading", "why"),
    [
        ("what its port hangs on", "so the links on its way are not all known"),
        ("where it hangs", "no range, as the PCI function of nvme0 could not be read"),
        ("its block devices", "no range, as the block devices of nvme0 could not be read"),
        ("list of drives", "no range, as which NVMe drives there are (/sys/class/nvme) could not be"),
    ],
)
def test_a_way_that_cannot_be_followed_has_no_prediction(reading: str, why: str, median: float) -> None:
    """Where a link on the way may not be known no rate is held against it, well or short, and the run says so."""
    one = run(Fault(READINGS[reading], "EIO", *WHENS["before"]), median)
    (delivery,) = one.said.deliveries
    assert ("none", 1) == (delivery.verdict, status(one.said))
    assert why in delivery.why
    assert failed("", "EIO").why in delivery.why


@pytest.mark.parametrize("median", [SLOW, FAST])
def test_a_payload_size_that_cannot_be_read_makes_the_upper_end_a_bound(median: float) -> None:
    """Where the payload size fails the range says so with the reason: its low end, which decides, does not rest on it.

    Source: PCI Express Base, Device Control Register; the rule of thumb of the low end is of the link's rate alone.
    """
    whole, spoilt = (run(fault, median) for fault in (Fault(), Fault(f"bytes {FIRST}/config")))
    first, second = (one.said.deliveries[0] for one in (whole, spoilt))
    assert first.expected is not None
    assert second.expected is not None
    assert (first.verdict, first.expected[0]) == (second.verdict, second.expected[0])
    assert first.expected[1] < second.expected[1]
    bound = "the upper end of the range is that of the largest payload size, as that of 0000:01:00.0 could not be read"
    assert [f"{bound} ({failed('', 'EIO').why})"] == [one for one in second.reasons if "largest payload" in one]
    assert [] == [one for one in first.reasons if "largest payload" in one]


def test_one_unread_link_leaves_open_what_all_reach_at_once() -> None:
    """Of drives read at once one without a prediction takes that of the others, and of the sum, with its reason."""
    reads = Failing(Sign(), Fault(f"text {LINK}", "EIO", *WHENS["under load"]))
    found = audit(collect(reads, (), STARTED))
    aims = [
        target_of(f"nvme{number}", ReadTarget(f"/dev/nvme{number}n1", "block", f"259:{number}"), found, reads)
        for number in (0, 1)
    ]
    reads.clock.sleep(10.0)
    links = dict(surroundings(reads, found, reads.clock).links([key for aim in aims for key in aim.hops]))
    each = [msgspec.structs.replace(reached(aim, FAST), links={key: links[key] for key in aim.hops}) for aim in aims]
    said = judge(found, each, MeasureRequest(together=True), [2 * FAST] * 20)
    assert ["none", "delivers"] == [one.verdict for one in said.deliveries]
    assert said.sum_delivery is not None
    assert ("none", said.deliveries[0].why, 1) == (said.sum_delivery.verdict, said.sum_delivery.why, status(said))


# --- The law itself is tried ----------------------------------------------------------------------------------------


def test_the_law_finds_a_run_that_drops_the_reasons(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a link that could not be read is taken for one that was not looked at, a drive delivers that does not."""
    links = measuring._links  # noqa: SLF001 - what is broken on purpose

    def dropping(*given: Any) -> dict[str, Any]:  # noqa: ANN401 - as it is given
        return {key: rate for key, rate in links(*given).items() if not isinstance(rate, Unread)}

    fault = Fault(f"text {LINK}", "EIO", *WHENS["under load"])
    assert "delivers" != run(fault, SLOW, rested=True).said.deliveries[0].verdict
    monkeypatch.setattr(measuring, "_links", dropping)
    broken = run(fault, SLOW, rested=True)
    assert ("delivers", 0) == (broken.said.deliveries[0].verdict, status(broken.said))
    assert silent(broken, failed("", "EIO").why)


# --- A run and its names ---------------------------------------------------------------------------------------------


@pytest.mark.long
def test_a_run_keeps_what_failed_meanwhile(tmp_path: Path) -> None:
    """A temperature, a link and counts that fail while a drive is read are in what came of it, with their reasons."""
    lost = Unread("x", "the device gave an input/output error (EIO)")
    around = Around(
        time.monotonic, temperature=lambda _: lost, links=lambda keys: dict.fromkeys(keys, lost), traffic=lambda: lost
    )
    aim = Target(name="nvme0", place=place(str(file_of(tmp_path))), what="drive", drive="nvme0", hops=("0000:00:01.0",))
    (one,), _, _ = measure([aim], MeasureRequest(seconds=2.0), around)
    assert (None, lost, {"0000:00:01.0": lost}, {}, lost) == (
        one.celsius,
        one.celsius_lost,
        one.links,
        one.others_mbps,
        one.others_lost,
    )
    assert ["the link 0000:00:01.0 under load", "its temperature", "what others read and wrote meanwhile"] == [
        each.what for each in one.unread
    ]


def test_a_temperature_that_fails_at_times_is_kept_and_told(tmp_path: Path) -> None:
    """Where the temperature fails after the start what was read stands, beside that it is not all of it."""
    told: list[float | Unread] = [40.0, Unread("x", "no answer")]
    around = Around(time.monotonic, temperature=lambda _: told.pop(0) if len(told) > 1 else told[0])
    aim = Target(name="nvme0", place=place(str(file_of(tmp_path))), what="drive", drive="nvme0", warning_celsius=70.0)
    (one,), _, _ = measure([aim], MeasureRequest(seconds=1.5), around)
    assert ((40.0, 40.0), [Unread("its temperature all the time", "no answer")]) == (one.celsius, list(one.unread))


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ({"a": (0, 0)}, {"a": (10**7, 10**6)}, {"a": (1.0, 0.1)}),
        ({"a": (0, 0)}, {}, {"a": Unread("a", "it was not counted any more")}),
        ({"a": Unread("rates", "no")}, {"a": (1, 1)}, {"a": Unread("rates", "no")}),
        ({"a": (0, 0)}, {"a": Unread("rates", "no")}, {"a": Unread("rates", "no")}),
        ({"a": (5, 5)}, {"a": (1, 1)}, {}),  # a count that fell tells nothing
    ],
)
def test_counts_that_fail_are_no_rate_of_nothing(
    before: dict[str, Any], after: dict[str, Any], expected: dict[str, Any]
) -> None:
    """What cannot be counted at the start or at the end of a run is told as that, never as no work of others."""
    assert (expected, None) == between(before, after, {}, 10.0)


def test_a_name_is_looked_for_where_the_lists_are() -> None:
    """A name that leads nowhere is refused as such, but not where a list of drives could not be read."""
    reads = Failing(Sign(), Fault("list /sys/class/nvme", "EIO"))
    found = audit(collect(reads, (), STARTED))
    with pytest.raises(BadInput):
        targets(["nvme77"], found, reads)
    with pytest.raises(NothingRead, match=r"which NVMe drives there are .* could not be read: the device gave"):
        targets(["nvme77"], found, reads, unlisted(found.facts))
