"""Laws over the registry of rules: each explains itself, fires where it should, is quiet where it should, and helps."""

from __future__ import annotations

import functools
import importlib
import pkgutil
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import pytest
from msgspec.structs import asdict, replace

from agent import rules
from agent.advisor import LOOKS
from agent.audit import audit
from agent.model.findings import Severity, Verdict
from agent.rules import RULES
from agent.rules.rule import REGISTERED, Rule
from knowledge import steps
from knowledge.steps import STEPS
from probes import collect
from probes.capture import parse, recorded
from probes.decode import Registers
from probes.facts import Drive, ErrorCounters, Facts, Host, LinkAttributes, PciFunction, Sensor
from probes.unread import Unread
from tests.against import audit_against, sheet_of
from tests.machines import MACHINES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.model.judged_machine import JudgedMachine
    from agent.rules import Found

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
FOLDERS: Final = tuple(sorted(path.parent.name for path in FIXTURES.glob("*/about.toml")))
EVERY_RULE: Final = pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
EVERY_STEP: Final = pytest.mark.parametrize("step", STEPS.values(), ids=STEPS)
EVERY_MACHINE: Final = pytest.mark.parametrize("name", FOLDERS)
BETTER_PLACES: Final = frozenset({"plan-places", "spread-drives"})  # looks, and still no first thing to do
Kind = TypeVar("Kind")


@functools.cache
def facts_of(name: str) -> Facts:
    """The facts of a machine of `fixtures/`, or of one that is generated because its capture would be large."""
    path = FIXTURES / name / "capture.json"
    capture = parse(path.read_bytes() if path.is_file() else MACHINES[name]().capture(), name)
    first, looks = recorded(capture)
    return collect(first, looks, capture.taken_at)


@functools.cache
def audit_of(name: str) -> Audit:
    """The audit of a machine, held against its build sheet where it has one."""
    return audit_against(facts_of(name), sheet_of(name))


def unread(kind: type[Kind], /, **known: Any) -> Kind:  # noqa: ANN401 - fields of any kind of fact
    """A fact of which only `known` is known: every field that may be an `Unread` is one."""
    fields = [name for name, words in kind.__annotations__.items() if "Unread" in words]
    return kind(**{**{name: Unread(name, "no answer") for name in fields}, **known})


def silent(address: str, parent: str | None = None) -> PciFunction:
    """A function that is listed and of which nothing could be read."""
    nothing = dict.fromkeys(
        ("driver", "numa_node", "label", "removable", "physical_function", "vendor_name", "model_name")
    )
    return unread(
        PciFunction,
        **nothing,
        address=address,
        parent=parent,
        root="pci0000:00",
        registers=Registers(Unread(address, "no answer")),
        link=unread(LinkAttributes),
        errors=unread(ErrorCounters),
        virtual_functions=(),
    )


def silent_machine(*functions: PciFunction) -> Facts:
    """A machine of which nothing could be read but the addresses of its functions and the name of a drive."""
    told = (
        "maker product product_version board_maker board firmware_maker firmware_version firmware_date firmware_release"
    )
    drive = unread(Drive, name="nvme0", kind="nvme", address=functions[-1].address, state=None, blocks=())
    sensor = unread(
        Sensor, chip="nvme", label="", drive="nvme0", address=None, warning_celsius=None, critical_celsius=None
    )
    return unread(
        Facts,
        platform="linux",
        taken_at="",
        host=unread(Host, **dict.fromkeys(told.split())),
        functions=functions,
        kernel_slots=(),
        board_devices=(),
        drives=(drive,),
        sensors=(sensor,),
        looks=(),
        unread=(),
    )


# --- Each rule -------------------------------------------------------------------------------------------------


@EVERY_RULE
def test_a_rule_explains_itself(rule: Rule) -> None:
    """A rule's title is one sentence without its end, and no part of its text is empty."""
    assert re.fullmatch(r"[A-Z][^\n]*[^.\s]", rule.title)
    assert isinstance(rule.severity, Severity)
    text = rule.explained
    assert all((text.evidence.strip(), text.cannot_tell.strip(), text.source.strip()))
    assert text.causes
    assert all(cause.strip() for cause in text.causes)


@pytest.mark.parametrize("field", ["id", "severity", "title", "steps", "compared", "measured", "explained"])
def test_a_rule_without_a_field_is_refused_by_its_name(field: str) -> None:
    """A rule that lacks a field cannot be made, and the error names what is missing."""
    fields = asdict(RULES["link-narrow"])
    del fields[field]
    with pytest.raises(TypeError, match=field):
        Rule(**fields)


@EVERY_RULE
def test_a_cause_is_a_few_words(rule: Rule) -> None:
    """The usual cause stands on a line of its own, or in brackets: short, without a capital and an end."""
    assert len(rule.cause) <= 60
    assert rule.cause == "" or rule.cause[0].islower()
    assert not rule.cause.endswith(".")


@EVERY_MACHINE
def test_a_headline_goes_on_where_its_name_leaves_off(name: str) -> None:
    """It begins in the middle of a sentence, and what stands before its first semicolon is short."""
    for finding in audit_of(name).findings:
        first = finding.headline.partition(";")[0]
        assert first[0].islower(), finding.headline
        assert len(first) <= 120 or finding.rule.startswith("plan-"), finding.headline
        assert not finding.headline.endswith(".")


@EVERY_RULE
def test_a_rule_names_its_examples(rule: Rule) -> None:
    """A rule names machines it fires on and machines it is quiet on, and all of them exist."""
    assert rule.fires_on
    assert rule.quiet_on
    assert set(rule.fires_on) & set(rule.quiet_on) == set()
    assert [name for name in (*rule.fires_on, *rule.quiet_on) if name not in FOLDERS and name not in MACHINES] == []


@pytest.mark.parametrize(
    ("rule", "name"),
    [pytest.param(rule, name, id=f"{rule.id}-{name}") for rule in RULES.values() for name in rule.fires_on],
)
def test_a_rule_fires_where_it_should(rule: Rule, name: str) -> None:
    """A rule gives a finding with evidence on each machine that it names for that."""
    found = [finding for finding in audit_of(name).findings if finding.rule == rule.id]
    assert found
    assert all(one.source and one.read and one.expected for finding in found for one in finding.evidence)


@pytest.mark.parametrize(
    ("rule", "name"),
    [pytest.param(rule, name, id=f"{rule.id}-{name}") for rule in RULES.values() for name in rule.quiet_on],
)
def test_a_rule_is_quiet_where_it_should(rule: Rule, name: str) -> None:
    """A rule gives no finding on the machines that it names for that."""
    assert [finding.headline for finding in audit_of(name).findings if finding.rule == rule.id] == []


@EVERY_RULE
def test_a_rule_stands_in_its_family(rule: Rule) -> None:
    """A rule's code is in a file of the explicit list of families, under the rule's id with underscores."""
    assert rule.run.__module__ in {family.__name__ for family in rules.FAMILIES}
    assert rule.run.__name__ == f"_{rule.id.replace('-', '_')}"


# --- The registry ----------------------------------------------------------------------------------------------


def test_no_family_is_forgotten() -> None:
    """Every file in which a rule stands is in the list of families; what only helps a family has none."""
    families = {family.__name__ for family in rules.FAMILIES}
    files = {f"agent.rules.{one.name}" for one in pkgutil.iter_modules(rules.__path__)}
    helpers = {name for name in files - families if not name.startswith("agent.rules.sheet_")}
    assert families < files
    assert helpers == {"agent.rules.rule"}
    for name in files:
        importlib.import_module(name)
    assert {rule.run.__module__ for rule in REGISTERED.values()} == families


def test_a_rule_is_registered_with_what_it_runs() -> None:
    """What a rule decorates stays as it is, and stands in the list under the rule's id, with all that the rule has."""
    rule = replace(next(iter(RULES.values())), id="made-up-for-a-test")

    def run(seen: JudgedMachine) -> Iterator[Found | Unread]:
        yield Unread("what", f"{seen} was asked")

    assert rule(run) is run
    assert replace(rule, run=run) == REGISTERED.pop("made-up-for-a-test")


def test_an_id_is_given_once() -> None:
    """A second rule of the same id is refused, and the first stays."""
    first = RULES["link-narrow"]
    with pytest.raises(ValueError, match="link-narrow"):
        first(first.run)
    assert RULES["link-narrow"] is first


@EVERY_MACHINE
def test_rules_hold_no_state(name: str) -> None:
    """Two audits of the same facts are equal: no rule remembers, and none changes what it sees."""
    first = audit_of(name)
    second = audit_against(facts_of(name), sheet_of(name))
    assert first.findings == second.findings
    assert first.unread == second.unread


# --- Worst first -----------------------------------------------------------------------------------------------


@EVERY_MACHINE
def test_data_at_risk_comes_before_all_else(name: str) -> None:
    """Findings go by their severity, and those of data at risk first within it, as their rules say."""
    found = audit_of(name).findings
    order = [(finding.severity.rank, not finding.data_at_risk) for finding in found]
    assert sorted(order) == order
    assert [RULES[finding.rule].data_at_risk for finding in found] == [finding.data_at_risk for finding in found]


def test_drives_that_lose_data_come_before_one_that_is_hot() -> None:
    """On the tower of failing drives the hot one is told last of the faults, and data that is lost already first."""
    faults = [one for one in audit_of("bench-2-failing-drives").findings if one.severity is Severity.FAULT]
    assert faults[0].rule == "drive-media-errors"
    assert [one.rule for one in faults if not one.data_at_risk] == ["drive-heat-warning"] == [faults[-1].rule]


# --- Nothing read ----------------------------------------------------------------------------------------------


def test_nothing_read_gives_no_finding() -> None:
    """On a machine of which nothing could be read no rule finds anything, and none breaks."""
    found = audit(silent_machine(silent("0000:00:01.0"), silent("0000:00:02.0")))
    assert found.findings == ()
    assert {judged.verdict.severity for judged in found.links} <= {Severity.OK, Severity.UNKNOWN}


def test_nothing_read_is_no_evidence() -> None:
    """On a machine of which nothing could be read no register is said to have been read."""
    found = audit(silent_machine(silent("0000:00:01.0"), silent("0000:00:02.0")))
    assert [one for judged in found.links for one in judged.evidence if "Device/Port Type" in one.source] == []


def test_a_link_of_which_nothing_is_read_is_unknown() -> None:
    """A device below a port of which nothing could be read is said to be unknown, and is neither blamed nor praised."""
    found = audit(silent_machine(silent("0000:00:01.0"), silent("0000:01:00.0", "0000:00:01.0")))
    assert [judged.verdict for judged in found.links] == [Verdict.UNKNOWN]
    assert {finding.severity for finding in found.findings} == {Severity.UNKNOWN}


@EVERY_MACHINE
def test_taking_readings_away_blames_nothing(name: str) -> None:
    """Without registers, link attributes and counters no link is called faulty or limited: silence is no evidence."""
    facts = facts_of(name)
    functions = tuple(
        replace(
            one,
            registers=Registers(Unread(one.address, "no answer")),
            link=unread(LinkAttributes),
            errors=unread(ErrorCounters),
        )
        for one in facts.functions
    )
    found = audit(replace(facts, functions=functions, looks=()))
    blamed = {finding.rule for finding in found.findings if finding.severity in {Severity.FAULT, Severity.LIMIT}}
    # What a drive says of itself, and the system of its sets, is read elsewhere and was left.
    elsewhere = {"agent.rules.drives", "agent.rules.health_log", "agent.rules.stripe_sets"}
    assert {name for name in blamed if RULES[name].run.__module__ not in elsewhere} == set()


# --- Steps -----------------------------------------------------------------------------------------------------


def test_every_step_has_a_rule() -> None:
    """Every step that a rule has is one; every step belongs to a rule or is a look the advisor adds."""
    assert {action for rule in RULES.values() for action in rule.steps} | LOOKS == set(STEPS)


@EVERY_STEP
def test_hands_inside_the_machine_are_cautioned(step: steps.StepKind) -> None:
    """A step that touches hardware says first: power off and unplug, discharge, anti-static care, heat, back up."""
    if step.hardware:
        needed = {steps.POWER_OFF, steps.DISCHARGE, steps.STATIC, steps.HOT, steps.BACKUP}
        assert needed - set(step.cautions) == set()
    else:
        assert {steps.POWER_OFF, steps.DISCHARGE, steps.STATIC} & set(step.cautions) == set()


@EVERY_STEP
def test_words_call_for_their_cautions(step: steps.StepKind) -> None:
    """A step that leads to newer firmware, changes the firmware setup or touches the supply carries its caution."""
    if step.action == "update-firmware" or "newer firmware" in step.text:
        assert steps.FIRMWARE in step.cautions
    if ("firmware setup" in step.text or "{setup}" in step.text) and step.action not in LOOKS:
        assert steps.SETUP in step.cautions
    if "supply" in step.text:
        assert steps.LICENSED in step.cautions


def test_the_firmware_caution_is_whole() -> None:
    """The firmware caution names backup, power, exact model and procedure, and says that nothing is flashed here."""
    words = ("back up", "stable power", "exact model", "maker's procedure", "never interrupt", "never writes firmware")
    assert [word for word in words if word not in steps.FIRMWARE] == []


def test_steps_go_from_least_to_most_invasive() -> None:
    """Looking comes before hands, hands before another slot, that before firmware setup, update and replacement."""
    order = ("look-under-load", "reseat", "clean", "remove-riser", "move", "set-speed", "update-firmware", "replace")
    ranks = [STEPS[action].rank for action in order]
    assert ranks == sorted(set(ranks))
    looks = [
        step.rank
        for step in STEPS.values()
        if (not step.cautions or step.action in LOOKS) and step.action not in BETTER_PLACES
    ]
    assert max(looks) < min(step.rank for step in STEPS.values() if step.cautions and step.action not in LOOKS)
    with_cautions = {step.action for step in STEPS.values() if step.cautions}
    assert with_cautions & LOOKS == {"restart-and-read", "read-event-again", "look-again"}
    assert STEPS["restart-and-read"].rank == min(looks)


@pytest.mark.parametrize("action", sorted(BETTER_PLACES))
def test_a_plan_comes_after_a_cure_at_hand(action: str) -> None:
    """Whoever can move or swap a card does so before planning all places anew, and plans before the firmware setup."""
    assert STEPS["move"].rank <= STEPS["swap"].rank < STEPS[action].rank < STEPS["set-speed"].rank


@EVERY_STEP
def test_what_restarts_the_machine_warns_of_open_work(step: steps.StepKind) -> None:
    """A step that says "restart" or a full power-off carries the caution to save first."""
    told = f"{step.brief} {step.text}".lower()
    if "restart" in told or "shut the machine down" in told:
        assert steps.SAVE in step.cautions


@EVERY_STEP
def test_a_boot_option_has_its_caution_and_nothing_else_has(step: steps.StepKind) -> None:
    """The caution about boot options stands before the steps that change one, and before no other."""
    assert (steps.START in step.cautions) == ("boot option" in step.text)


@EVERY_MACHINE
def test_what_has_a_way_out_comes_before_what_has_none(name: str) -> None:
    """Among findings of one severity and one danger to data, those with steps lead: the first has the advice."""
    found = audit_of(name).findings
    order = [(finding.severity.rank, not finding.data_at_risk, not finding.steps) for finding in found]
    assert sorted(order) == order


@EVERY_MACHINE
def test_faults_come_with_steps_in_order(name: str) -> None:
    """Every fault and limit leads to steps, least invasive first, each with its cautions and a way to verify."""
    for finding in audit_of(name).findings:
        ranks = [STEPS[step.action].rank for step in finding.steps]
        assert ranks == sorted(ranks)
        assert all(step.text and step.verify for step in finding.steps)
        assert all(step.cautions == STEPS[step.action].cautions for step in finding.steps)
        if finding.severity is Severity.FAULT:
            assert finding.steps
