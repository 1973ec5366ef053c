"""Every folder of `fixtures/`: the capture is as its machine makes it, and the audit says what `about.toml` expects."""

from __future__ import annotations

import io
import re
from functools import cache
from typing import TYPE_CHECKING, Final

import pytest
from rich.console import Console

from agent.audit import audit
from agent.model.abilities import rate_text
from agent.model.findings import Severity
from agent.report import data, text
from agent.rules import RULES
from probes import capture, collect
from probes.reads import Recording
from tests.against import SHEET, about, audit_against, sheet_of
from tests.machines import CAPTURED, FIXTURES, Setup, hall_server
from tests.registry_machines import DARWIN_MACHINES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from agent.audit import Audit
    from agent.model.judged import Judged
    from probes.facts import Facts
    from tests.conftest import Golden

FOLDERS: Final = sorted(place.parent.name for place in FIXTURES.glob("*/about.toml"))
ORIGINS: Final = {"invented", "emulated lab"}
ALWAYS: Final = {"story", "origin", "rules", "exit", "expect", "links"}
SOMETIMES: Final = {"slots", "narrowest", "together", "says", "against", "fresh", "rates", "parents", "drives"}
BY_HAND: Final = {"fresh", "rates", "parents", "drives", "slots", "narrowest"}  # asked of every Darwin machine
every_folder = pytest.mark.parametrize("name", FOLDERS)
every_machine = pytest.mark.parametrize("name", sorted(CAPTURED))


@cache
def audited(name: str) -> Audit:
    """The audit of the machine's capture, held against its build sheet where it has one."""
    return audit_against(_facts((FIXTURES / name / "capture.json").read_bytes()), sheet_of(name))


def machines_with(
    names: Iterable[str], has: Callable[[Audit], object], of: Callable[[str], Audit] = audited
) -> pytest.MarkDecorator:
    """Run a test on each machine whose audit (`of` its name) has what the test looks at; there must be one."""
    found = [name for name in sorted(names) if has(of(name))]
    assert found, "no machine has what the test looks at"
    return pytest.mark.parametrize("name", found)


def replayed(content: bytes) -> Audit:
    """The audit of a capture file."""
    return audit(_facts(content))


def _facts(content: bytes) -> Facts:
    kept = capture.parse(content, "capture.json")
    first, later = capture.recorded(kept)
    return collect(first, later, kept.taken_at)


@every_machine
def test_a_capture_is_what_its_machine_makes_now(name: str) -> None:
    """Making a capture anew gives the same bytes; `python -m tests.machines` rewrites what was changed on purpose."""
    expected = (FIXTURES / name / "capture.json").read_bytes()
    assert expected == CAPTURED[name]().capture(), f"run: python -m tests.machines {name}"


def test_every_machine_has_its_folder_and_every_folder_its_expectation() -> None:
    """No machine is without a hand-written expectation, and no folder without a capture."""
    assert set(CAPTURED) <= set(FOLDERS)
    assert sorted(place.name for place in FIXTURES.iterdir() if place.is_dir() and place.name != "sheets") == FOLDERS
    assert [name for name in FOLDERS if not (FIXTURES / name / "capture.json").is_file()] == []


@every_folder
def test_an_expectation_tells_its_story(name: str) -> None:
    """Each says in words what happened, where it comes from and what a person would say, and names only known rules."""
    told = about(name)
    assert ALWAYS <= set(told) <= ALWAYS | SOMETIMES
    assert told["story"].strip()
    assert told["origin"] in ORIGINS
    assert told["expect"]
    assert set(told["rules"]) <= set(RULES)
    assert (FIXTURES / name / SHEET).is_file() == told.get("against", False)
    assert name not in DARWIN_MACHINES or set(told) >= BY_HAND


@every_folder
def test_every_link_has_the_verdict_that_a_person_gave(name: str) -> None:
    """All links of the machine are judged, and each as `about.toml` says."""
    actual = {judged.device_address or judged.port_address: str(judged.verdict) for judged in audited(name).links}
    assert about(name)["links"] == actual


@every_folder
def test_slots_and_shares_are_as_a_person_worked_them_out(name: str) -> None:
    """Where `about.toml` names slots, narrowest hops or rates with all drives at once, the audit has the same."""
    told, seen = about(name), audited(name)
    slots = {judged.port_address: judged.link.slot.name for judged in seen.links if judged.link.slot is not None}
    narrowest = {one.drive.name: one.narrowest for one in seen.drives if one.narrowest is not None}
    together = {one.drive.name: [round(rate) for rate in one.together] for one in seen.drives if one.together}
    assert told.get("slots", slots) == slots
    assert told.get("narrowest", narrowest) == narrowest
    assert told.get("together", together) == together


@every_folder
def test_rates_and_places_are_as_a_person_worked_them_out(name: str) -> None:
    """Where `about.toml` has tables of rates, parents and drives worked out by hand, the audit has the same, and whole.

    A rate reads "what it runs at of the best of both ends"; where there is no best, only what it runs at.
    """
    told, seen = about(name), audited(name)
    rates = {judged.device_address: _rate_of(judged) for judged in seen.links if judged.device_address is not None}
    parents = {function.address: function.parent or function.root for function in seen.facts.functions}
    drives = {drive.name: drive.address or "" for drive in seen.facts.drives}
    fresh = {judged.fresh for judged in seen.links}
    assert told.get("rates", rates) == rates
    assert told.get("parents", parents) == parents
    assert told.get("drives", drives) == drives
    assert {told["fresh"]} == fresh if "fresh" in told else fresh <= {"live"}


def _rate_of(judged: Judged) -> str:
    now = "not read" if judged.now is None else rate_text(judged.now)
    return now if judged.best is None else f"{now} of {rate_text(judged.best)}"


@every_folder
def test_exactly_the_named_rules_speak_up(name: str) -> None:
    """Rules above ok fire where they are expected, and no other does."""
    actual = {finding.rule for finding in audited(name).findings if finding.severity is not Severity.OK}
    assert set(about(name)["rules"]) == actual


@every_folder
def test_findings_hold_what_a_person_would_point_at(name: str) -> None:
    """Where `about.toml` asks for a figure or a place, the findings of that rule show it."""
    shown: dict[str, str] = {}
    for finding in audited(name).findings:
        parts = [finding.headline]
        for one in finding.evidence:
            parts += [one.source, one.read, one.expected]
        shown[finding.rule] = " | ".join((shown.get(finding.rule, ""), *parts))
    missing = [
        (rule, words)
        for rule, asked in about(name).get("says", {}).items()
        for words in asked
        if words not in shown.get(rule, "")
    ]
    assert missing == []


@every_folder
def test_the_exit_status_follows_the_worst_that_was_found(name: str) -> None:
    """A fault, and only a fault, makes `check` end with status 1."""
    assert about(name)["exit"] == int(audited(name).worst is Severity.FAULT)


@every_folder
def test_what_people_read_is_what_was_reviewed(name: str, golden: Golden) -> None:
    """The text of `check` at 100 columns without colour is the golden one."""
    output = io.StringIO()
    console = Console(file=output, width=100, color_system=None, markup=False, highlight=False, soft_wrap=True)
    text.show(text.check(audited(name), 100, f"{name} (capture)"), console)
    golden(FIXTURES / name / "check.txt", output.getvalue())


@every_folder
def test_what_programs_read_is_what_was_reviewed(name: str, golden: Golden) -> None:
    """The JSON of `check` is the golden one."""
    golden(FIXTURES / name / "check.json", data.encode(data.check(audited(name))).decode("utf-8"))


def test_an_ordinary_user_gets_the_verdicts_of_root_wherever_a_card_answers() -> None:
    """The verdicts of links with a card rest on world-readable attributes: the same machine, the same verdicts."""
    root, user = audited("bench-1-upgraded"), audited("bench-1-ordinary-user")
    expected = {judged.device_address: judged.verdict for judged in root.links if judged.device_address}
    assert expected == {judged.device_address: judged.verdict for judged in user.links if judged.device_address}


def test_before_and_after_are_one_machine_on_two_days() -> None:
    """Every drive of bench-1-before is in bench-1-after by its serial number, beside three new ones."""
    before, after = (audited(f"bench-1-{when}").facts for when in ("before", "after"))
    serials = [{drive.serial for drive in facts.drives} for facts in (before, after)]
    models = [{function.model_name for function in facts.functions} for facts in (before, after)]
    assert before.host == after.host
    assert before.taken_at < after.taken_at
    assert serials[0] < serials[1]
    assert 3 == len(serials[1] - serials[0])
    assert models[0] < models[1]


@every_machine
def test_no_machine_has_a_name_of_a_makers_form(name: str) -> None:
    """No machine is called by a word with two numbers and a comma, nor has its board or firmware a maker's code.

    What such names and codes look like is from memory.
    """
    host = audited(name).facts.host
    named = [told for told in (host.product, host.board, host.firmware_version) if isinstance(told, str)]
    assert [] == [told for told in named if re.search(r"\d,\d|-[0-9A-F]{8,}|\.[0-9]{4}\.|\.B[0-9]{2}$", told)]


@every_machine
def test_a_capture_holds_exactly_the_questions_that_a_replay_asks(name: str) -> None:
    """Nothing that is asked is missing from a capture, and nothing is kept that nobody asks."""
    kept = capture.parse((FIXTURES / name / "capture.json").read_bytes(), "capture.json")
    asked = Recording(capture.recorded(kept)[0])
    collect(asked)
    assert set(kept.reads) == set(asked.answers)


def test_a_sleeping_device_is_not_asked_anything_that_would_wake_it() -> None:
    """Configuration space and link attributes of a D3cold device are not read.

    Source: drivers/pci/pci.c pci_config_pm_runtime_get resumes a device in D3cold for such a read.
    """
    kept = capture.parse((FIXTURES / "bench-3-asleep" / "capture.json").read_bytes(), "capture.json")
    place = "/sys/bus/pci/devices/0000:02:00.0"
    assert kept.reads[f"text {place}/power_state"] == "D3cold"
    waking = {"config", "current_link_speed", "current_link_width", "max_link_speed", "max_link_width"}
    asked = {key.rpartition("/")[2] for key in kept.reads if key.partition(" ")[2].startswith(f"{place}/")}
    assert set() == waking & asked


@pytest.mark.long
def test_a_hall_server_of_two_thousand_functions_is_judged_whole(tmp_path: Path) -> None:
    """A large machine is made, written, read and judged; its 14 times 10 links are all found and full."""
    setup = hall_server()
    place = tmp_path / "hall-server.json.gz"
    _write(setup, place)
    kept = capture.load_file(str(place))
    first, later = capture.recorded(kept)
    seen = audit(collect(first, later, kept.taken_at))
    assert len(seen.facts.functions) == 2000
    carriers = sum(function.driver == "nvme" for function in seen.facts.functions) // 8
    assert carriers * 10 == len(seen.links)
    assert {"full"} == {str(judged.verdict) for judged in seen.links}


def _write(setup: Setup, place: Path) -> None:
    import gzip

    place.write_bytes(gzip.compress(setup.capture(), mtime=0))
