"""The laws of `tests.lab.injection` on made-up documents: a good run breaks none, and each break of one is found.

Runs without the lab: the documents are a few lines by hand, with the keys of the program's JSON forms.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any, Final

import pytest
from msgspec import structs

from tests.lab.faults import CALLS, FAMILIES, ORDINARY, ROOT, Order, general, orders, void
from tests.lab.injection import Said, Spoilt, Violation, lost, violations

Change = Callable[[dict[str, Any]], object]
Document = dict[str, Any]

FAULT: Final[Document] = {"rule": "link-narrow", "severity": "fault", "subject": "0000:01:00.0", "evidence": []}
LINK: Final[Document] = {
    "port": "0000:00:04.0",
    "device": "0000:01:00.0",
    "slot": "PCIE1",
    "what": "NVMe drive",
    "now": {"gtps": 8.0, "width": 2},
    "best": None,
    "verdict": "narrow",
    "severity": "fault",
    "why": "2 of 4 lanes",
}
DRIVE: Final[Document] = {
    "name": "nvme0",
    "celsius": 49.85,
    "alone_mbps": [1.0, 2.0],
    "health": {"used_percent": 3},
    "path": [],
}
SET: Final[Document] = {"name": "md127", "level": "raid0", "drives": ["nvme0"], "caution": "keep a backup"}
CHECK: Final[Document] = {
    "findings": [FAULT],
    "links": [LINK],
    "drives": [DRIVE],
    "stripes": [SET],
    "host": {"name": "bench-9"},
    "unread": [{"what": "warning temperature of nvme0, nvme1", "why": "the drive answers the super-user only"}],
}
LOST: Final = {"what": "text /sys/class/hwmon/hwmon0/temp1_input", "why": "an input/output error (EIO)"}
SAME: Final[Document] = {
    "verdict": "Nothing changed in what both sides tell.",
    "worse": False,
    "other_machine": "",
    "parts": [],
    "changes": [],
    "findings": [],
    "doubts": [{"what": "temperature of nvme0", "why": "could not be read (EIO)"}],
}
PAGE: Final = "bench-9\n\n1 fault, 1 drive. One reading failed.\n"
WHOLE: Final = Said(1, CHECK, "", "bench-9\n\n1 fault, 1 drive.\n")


def check(change: Change = lambda _: None) -> dict[str, Any]:
    """The document of the whole run without the temperature of the drive, with the reason; then changed."""
    document = copy.deepcopy(CHECK)
    document["drives"][0]["celsius"] = None
    document["unread"].append(dict(LOST))
    change(document)
    return document


def spoilt(document: dict[str, Any] | None = None, /, **more: Any) -> Spoilt:  # noqa: ANN401 - fields of either
    """A run that breaks no law; `more` are fields that differ, of `Spoilt` or of its run of `check`."""
    of_run = {name: more.pop(name) for name in ("code", "errors", "text", "document") if name in more}
    run = Said(**{"code": 1, "document": document or check(), "errors": "", "text": PAGE, **of_run})
    told = Said(0, SAME, "")
    return Spoilt(**{"check": run, "compared": (told, told), "error": "EIO", **more})


def laws(found: Spoilt, whole: Said = WHOLE) -> list[int]:
    """The numbers of the laws that are broken, each once for every way."""
    return [violation.law for violation in violations(whole, found)]


def test_a_good_run_breaks_no_law() -> None:
    """What is no longer said has its reason, the fault is still told, and the comparison names a doubt."""
    assert [] == violations(WHOLE, spoilt())
    assert [("drive", "nvme0", "celsius")] == lost(CHECK, check())


# --- The first law ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "more",
    [
        {"code": None},
        {"code": 4},
        {"code": -11},
        {"errors": "Traceback (most recent call last):\n  ...\nKeyError: 'x'\n"},
        {"code": 3, "errors": "Traceback (most recent call last):\n  ...\nKeyError: 'EIO'\n"},
    ],
)
def test_a_run_ends_by_itself_and_without_a_traceback(more: dict[str, Any]) -> None:
    """A hang, a status of no meaning, a signal and a traceback break the first law."""
    assert [1] == laws(spoilt(**more))


def test_a_run_that_ends_well_gives_its_document() -> None:
    """A status that promises a document is not enough; without one everything is gone as well."""
    assert [1, 2, 3] == laws(spoilt(code=0, document=None))


def test_a_comparison_ends_by_itself_too() -> None:
    """The first law is asked of a comparison as part of the fourth."""
    died = Said(1, None, "Traceback (most recent call last):\nKeyError")
    assert [4, 4] == laws(spoilt(compared=(died, Said(0, SAME, ""))))


def _without_fault(document: dict[str, Any]) -> None:
    document["findings"].clear()


# --- The second law --------------------------------------------------------------------------------------------


def _without_reason(document: dict[str, Any]) -> None:
    document["unread"].pop()


@pytest.mark.parametrize(
    "change",
    [
        lambda document: document["drives"].clear(),
        lambda document: document["drives"][0]["health"].update(used_percent=None),
        lambda document: document["drives"][0].update(alone_mbps=[1.0, 3.0]),
        lambda document: document["stripes"].clear(),
        lambda document: document["links"].clear(),
        lambda document: document["links"][0].update(verdict="unknown"),
        lambda document: document["links"][0].update(verdict="full"),
        lambda document: document["links"][0].update(now=None),
        lambda document: document["host"].update(name=None),
    ],
)
def test_nothing_goes_without_a_reason(change: Change) -> None:
    """A drive, a set, a verdict or a figure that is gone, or is another, breaks the second law without a reason."""

    def changed(document: dict[str, Any]) -> None:
        _without_reason(document)
        document["drives"][0]["celsius"] = 49.85
        change(document)

    assert [2] == laws(spoilt(check(changed)))
    assert [] == laws(spoilt(check(change)))


def test_a_finding_does_not_go_without_a_reason() -> None:
    """A finding that is gone is missed like anything else; of less than a fault the third law says nothing."""
    whole = structs.replace(WHOLE, document={**CHECK, "findings": [FAULT, {**FAULT, "severity": "note", "rule": "x"}]})
    assert [] == laws(spoilt(), whole)
    assert [2] == laws(spoilt(check(_without_reason)), whole)


@pytest.mark.parametrize(
    "reason",
    [
        {"what": "nvme0", "why": ""},
        {"what": "nvme0", "why": "could not be read"},
        {"what": "nvme0", "why": "no answer in time (ETIMEDOUT)"},
        CHECK["unread"][0],
    ],
)
def test_a_reason_is_new_and_names_the_error(reason: dict[str, str]) -> None:
    """No reason is one that the whole run gave too, one without words, or one for another error."""

    def changed(document: dict[str, Any]) -> None:
        document["unread"][-1] = reason

    assert [2] == laws(spoilt(check(changed)))


def test_fewer_things_with_a_known_reason_are_no_new_reason() -> None:
    """Where a reading was cut short, a line about things that nobody could read does not count when it gets shorter."""

    def changed(document: dict[str, Any]) -> None:
        document["unread"] = [{**CHECK["unread"][0], "what": "warning temperature of nvme1"}]

    assert [2] == laws(spoilt(check(changed), error=None))
    assert [] == laws(spoilt(error=None))


def test_a_finding_of_what_is_unknown_gives_a_reason() -> None:
    """The evidence of a finding of severity unknown counts as a reason, and is no statement by itself."""

    def changed(document: dict[str, Any]) -> None:
        evidence = {"source": LOST["what"], "read": document["unread"].pop()["why"], "expected": "a temperature"}
        document["findings"].append({**FAULT, "rule": "link-unread", "severity": "unknown", "evidence": [evidence]})

    assert [] == laws(spoilt(check(changed)))
    assert [] == lost(check(changed), check())


def test_a_refusal_may_be_told_as_a_matter_of_rights() -> None:
    """For EACCES the words about the super-user are enough."""

    def changed(document: dict[str, Any]) -> None:
        document["unread"][-1] = {"what": "health of nvme0", "why": "the drive answers the super-user only"}

    assert [] == laws(spoilt(check(changed), error="EACCES"))
    assert [2] == laws(spoilt(check(changed), error="EIO"))


def test_where_nothing_could_be_read_the_sentence_is_the_reason() -> None:
    """Without a document the sentence on standard error has to name the error."""
    nothing = {"code": 3, "document": None, "text": "", "compared": ()}
    assert [] == laws(spoilt(**nothing, errors="lanewright: nothing could be read: list /sys: failed (EIO)"))
    assert [2] == laws(spoilt(**nothing, errors="lanewright: nothing could be read"))
    assert [] == laws(spoilt(code=3))


def test_a_reading_in_pieces_loses_nothing() -> None:
    """Where all could be had a reason does not help."""
    assert [2] == laws(spoilt(harmless=True))
    assert [] == laws(spoilt(copy.deepcopy(CHECK), harmless=True))


# --- The third law ---------------------------------------------------------------------------------------------


def test_a_fault_that_is_no_longer_told_is_no_good_news() -> None:
    """Status 0 and a page that says that all is well break the third law, each by itself."""
    well = "bench-9\n\nNothing to do (1 link, 1 drive).\n"
    assert [] == laws(spoilt(check(_without_fault)))
    assert [3] == laws(spoilt(check(_without_fault), code=0))
    assert [3] == laws(spoilt(check(_without_fault), text=well))
    assert [3, 3] == laws(spoilt(check(_without_fault), code=0, text=well))


def test_a_list_that_is_missing_is_no_good_news() -> None:
    """Where a list failed nobody knows whether there was a fault, so the same holds."""
    whole = structs.replace(WHOLE, code=0, document={**CHECK, "findings": []})
    assert [3] == laws(spoilt(check(_without_fault), code=0, listing=True), whole)
    assert [] == laws(spoilt(check(_without_fault), code=0), whole)


# --- The fourth law --------------------------------------------------------------------------------------------

PART: Final = {"kind": "removed", "before": {"name": "Reel"}, "after": None}
FIGURE: Final = {"subject": "nvme0", "what": "temperature", "before": "49.9 C", "after": "not told"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"parts": [PART]}, "parts: removed Reel"),
        ({"changes": [FIGURE]}, "changes: nvme0 temperature"),
        (
            {"findings": [{**PART, "kind": "cleared", "before": FAULT, "subject": "PCIE1"}]},
            "findings: cleared link-narrow PCIE1",
        ),
        ({"other_machine": "their names differ"}, "another machine: their names differ"),
        ({"worse": True, "verdict": "Worse."}, "it ended with 0: Worse."),
    ],
)
def test_a_comparison_names_no_change(change: dict[str, Any], words: str) -> None:
    """A part, a figure, a finding, another machine or a worse one: none of it came about by a reading that failed."""
    for place in (0, 1):
        compared = [Said(0, SAME, ""), Said(0, SAME, "")]
        compared[place] = Said(0, {**SAME, **change}, "")
        assert [Violation(4, words)] == violations(WHOLE, spoilt(compared=tuple(compared)))


SILENT: Final = Said(0, {**SAME, "doubts": []}, "")


@pytest.mark.parametrize(
    "change",
    [
        _without_fault,
        lambda document: document["drives"].clear(),
        lambda document: document["stripes"].clear(),
        lambda document: document["links"].clear(),
        lambda document: document["links"][0].update(verdict="unknown"),
    ],
)
def test_a_comparison_names_a_doubt(change: Change) -> None:
    """Where a finding, a link, a verdict, a drive or a set is gone, silence is no comparison; a figure may be small."""
    assert [4] == laws(spoilt(check(change), compared=(SILENT,)))
    assert [] == laws(spoilt(compared=(SILENT,)))


def test_a_comparison_ends_with_nothing() -> None:
    """Status 1 says that something got worse."""
    assert [4] == laws(spoilt(compared=(Said(1, SAME, ""),)))


# --- Orders ----------------------------------------------------------------------------------------------------


def test_every_family_is_spoilt_for_everybody() -> None:
    """Each family has an order of each user, but for files that the kernel gives to the super-user only."""
    met = {(order.family, order.user) for order in orders()}
    refused = {(one.name, ORDINARY) for one in FAMILIES if one.refused and one.kind not in CALLS}
    wanted = {(one.name, user) for one in FAMILIES for user in (ROOT, ORDINARY)}
    assert met | refused == wanted
    assert met.isdisjoint(refused)


def test_every_error_is_met() -> None:
    """Lists, links and commands to drives fail in every way as either user."""
    calling = {one.name for one in FAMILIES if one.kind in CALLS}
    met = {(order.user, order.error) for order in orders() if order.family in calling}
    assert {(user, error) for user in (ROOT, ORDINARY) for error in ("EIO", "EACCES", "ENODEV", "EINTR")} == met


INJECTED: Final = ["201 read(7, 0x55, 8192) = -1 EIO (Input/output error) (INJECTED)"]


@pytest.mark.parametrize(
    ("order", "told", "proves"),
    [
        ({"calls": ("read",)}, {"injected": INJECTED}, False),
        ({"calls": ("read",), "commands": (1,)}, {"injected": INJECTED}, True),
        ({"calls": ("read",)}, {"injected": [*INJECTED, *INJECTED]}, False),
        ({"calls": ("read",)}, {"injected": [*INJECTED, INJECTED[0].replace("201", "203")]}, True),
        ({"served": {"start": "EIO"}}, {"served": "rere"}, True),
        ({"served": {"start": "EIO"}}, {"served": "rre"}, False),
        ({"served": {"start": "EIO", "times": 1}}, {"served": "err"}, True),
        ({"served": {"size": 2}}, {"served": "rrrrrr"}, True),
        ({"served": {"size": 2}}, {"served": "rrrr"}, False),
        ({"served": {"size": 2, "later": "EIO"}}, {"served": "rrrrrr"}, False),
    ],
)
def test_an_order_that_met_nothing_is_void(order: dict[str, Any], told: dict[str, Any], *, proves: bool) -> None:
    """Every run must have met its error; a file in pieces must have been asked for more than once, to its end."""
    made = Order("nvme model", ROOT, "well", "EIO", **order)
    assert proves == ("" == void(made, {"injected": [], **told}))


def test_keys_of_a_kind_are_one() -> None:
    """Numbers of drives, sensors, slots, sets and functions do not make two kinds of reading."""
    assert general("text /sys/class/nvme/nvme0/nvme0n1/size") == general("text /sys/class/nvme/nvme1/nvme1n1/size")
    assert general("list /sys/bus/pci/devices/0000:00:04.0") == general("list /sys/bus/pci/devices/0000:01:00.0")
    assert general("text /sys/bus/pci/slots/1/address") != general("text /sys/bus/pci/slots/1/adapter")
