"""A reading that fails on a real kernel is neither silence nor good news, and a comparison with it names doubts alone.

Everything that the program asks of a guest is made to fail, kind by kind, as root and as an ordinary user; the laws are
those of `tests.lab.injection`, and `tests.lab.faults` says what fails and how.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.lab import faults
from tests.lab.faults import CALLS, FAMILIES, HOT, NARROW, ORDINARY, ROOT, USERS, WARNED, WELL, Case, Family, Outcome
from tests.lab.kernel import Missing, missing
from tests.lab.need import cannot

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

pytestmark = pytest.mark.lab

# Rule of the one fault of each state. Only the super-user may ask a drive what it warns of.
FAULTS: Final = {
    (ROOT, WELL): set(),
    (ROOT, NARROW): {"link-narrow"},
    (ROOT, WARNED): {"drive-unreliable"},
    (ORDINARY, WELL): set(),
    (ORDINARY, NARROW): {"link-narrow"},
    (ORDINARY, HOT): {"drive-hot"},
    (ORDINARY, WARNED): set(),
}


@pytest.fixture(scope="module")
def guests() -> list[list[Outcome]]:
    """What all orders led to, by guest."""
    reason = missing()
    if reason is not None:
        cannot(reason)
    try:
        return faults.run_guests(faults.orders(complete=False))
    except Missing as problem:
        cannot(str(problem))


@pytest.fixture(scope="module")
def cases(guests: Sequence[Sequence[Outcome]], tmp_path_factory: pytest.TempPathFactory) -> list[Case]:
    """Every spoilt run, judged."""
    folder = tmp_path_factory.mktemp("captures")
    return [case for outcomes in guests for case in faults.judged(outcomes, folder)]


@pytest.mark.parametrize("user", USERS)
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_a_reading_that_fails_is_told(family: Family, user: str, cases: Sequence[Case]) -> None:
    """However a reading fails: the laws hold, and the failure did take place."""
    found = [case for case in cases if (family.name, user) == (case.order.family, case.order.user)]
    refused = user == ORDINARY and family.refused and family.kind not in CALLS
    assert refused == (not found)
    assert [] == [case.void for case in found if case.void]
    assert [] == list(faults.table(found))


def test_everything_that_is_asked_fails_once(guests: Sequence[Sequence[Outcome]]) -> None:
    """Each kind of reading in a capture of the guest has its family, and each family is a reading in it."""
    (first, *_) = guests
    assert set() == faults.asked_in_vain(first)
    assert set() == faults.never_asked(first)


@pytest.mark.parametrize(("user", "state"), FAULTS)
def test_the_whole_guest_has_one_fault_at_most(user: str, state: str, guests: Sequence[Sequence[Outcome]]) -> None:
    """What spoilt runs are held against ends with 1 for its one fault, and with 0 without."""
    for outcomes in guests:
        whole = faults.wholes_of(outcomes)[user, state].check
        assert whole is not None
        assert whole.document is not None
        rules = [one["rule"] for one in whole.document["findings"] if one["severity"] == "fault"]
        assert sorted(FAULTS[user, state]) == rules
        assert (len(rules), "") == (whole.code, whole.errors)


@pytest.mark.parametrize("user", USERS)
def test_a_process_of_its_own_says_the_same(user: str, guests: Sequence[Sequence[Outcome]]) -> None:
    """A run that is forked from a process with all modules loaded is like one from its first instruction."""
    (first, *_) = guests
    (own,) = (one.check for one in first if one.order.cold and one.order.user == user)
    forked = faults.wholes_of(first)[user, WELL].check
    assert own is not None
    assert forked is not None
    assert timeless(own.document) == timeless(forked.document)
    assert (own.code, own.errors) == (forked.code, forked.errors)


def test_a_capture_replays_as_the_machine_was(guests: Sequence[Sequence[Outcome]], tmp_path: Path) -> None:
    """Where both were made under one fault, the machine itself says what its capture says elsewhere."""
    both = [one for outcomes in guests for one in outcomes if one.check is not None and one.capture.document]
    assert len(both) > len(FAMILIES)
    for one in both:
        assert one.check is not None
        replayed = faults.replayed("check", one.capture, tmp_path)
        assert [] == differences(timeless(one.check.document), timeless(replayed.document), str(one.order))
        assert one.check.code == replayed.code


# How often a machine was looked at, and for how long, hangs on how busy it was.
LOOKED: Final = re.compile(r"\b\d+ more looks? within \d+\.\d s")


def timeless(check: Mapping[str, Any] | None) -> dict[str, Any]:
    """What a document says, but for when it was made and how often the machine was looked at then."""
    assert check is not None
    told = {key: value for key, value in check.items() if key != "taken_at"}
    made: dict[str, Any] = json.loads(LOOKED.sub("more looks", json.dumps(told)))
    return made


def differences(one: Any, other: Any, where: str) -> list[str]:  # noqa: ANN401 - any JSON
    """Where two documents differ, and in what."""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = dict.fromkeys((*one, *other))
        pairs = [(f"{where}.{key}", one.get(key, "absent"), other.get(key, "absent")) for key in keys]
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = [(f"{where}[{number}]", *pair) for number, pair in enumerate(zip(one, other, strict=True))]
    else:
        return [] if one == other else [f"{where}: {one!r}, {other!r}"]
    return [found for place, mine, theirs in pairs for found in differences(mine, theirs, place)]
