"""The forms of a report: words and figures for people, JSON for programs, both of the same audit and harmless."""

from __future__ import annotations

import io
import re
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import asdict, replace
from rich.cells import cell_len
from rich.console import Console

from agent.audit import audit
from agent.model.findings import Evidence, Finding, Severity, Verdict
from agent.report import data, inventory_text, step_blocks, text, words
from agent.report.plain import describe, place, rate_or_unknown, size, told
from knowledge.phrasing import mbps, mbps_range, plain
from knowledge.problems import BadInput
from knowledge.steps import POWER_OFF, STEPS
from probes.facts import BlockDevice
from probes.unread import Unread
from tests.build import build, facts, set_link
from tests.judging import CARD, PORT, tower
from tests.machines import MACHINES
from tests.parts import Disk, Function, Machine, Nvme, Slot, card, drive, root_port
from tests.test_machines import machines_with

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.report.text import Page

every_machine = pytest.mark.parametrize("name", sorted(MACHINES))


@cache
def audited(name: str) -> Audit:
    """The audit of a machine of the fixtures, made from its description."""
    setup = MACHINES[name]()
    return audit(facts(setup.tree, setup.looks, setup.again, privileged=setup.privileged))


def printed(page: Page, width: int, *, colour: bool = False) -> str:
    """A page as it is printed."""
    output = io.StringIO()
    console = Console(file=output, width=width, color_system="standard" if colour else None, force_terminal=colour)
    text.show(page, console)
    return output.getvalue()


@cache
def page_of(name: str, width: int = 100, command: str = "check") -> str:
    """The text of a machine at a width."""
    form = {"check": text.whole, "short": text.check, "inventory": inventory_text.inventory}[command]
    return printed(form(audited(name), width, "this machine"), width)


def in_one(words: str) -> str:
    """The same words on one line, so that breaks do not matter."""
    return re.sub(r"\s+", " ", words).strip()


# --- Words and figures ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("Reel 4 2TB", "Reel 4 2TB"),
        ("", ""),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("a\nb\tc\r", "a\\x0ab\\x09c\\x0d"),
        ("\x00\x7f\x9b", "\\x00\\x7f\\x9b"),
        ("\u202egnp", "\\u202egnp"),  # turns the writing direction
        ("a\u200bb\ufeff", "a\\u200bb\\ufeff"),
        ("caf\u00e9 \u6f22", "caf\u00e9 \u6f22"),
        ("e\u0301\u0301", "e\u0301\u0301"),
        ("e\u0301\u0301\u0301\u0301", "e\u0301\u0301\\u0301\\u0301"),  # a heap of accents
        ("[bold]x[/bold]", "[bold]x[/bold]"),
        ("\ud800", "\\ud800"),
    ],
)
def test_text_of_devices_is_made_harmless(raw: str, shown: str) -> None:
    """What could act on a terminal comes out spelt; everything that is only a letter stays."""
    assert shown == plain(raw)


@given(st.text(max_size=400), st.integers(4, 300))
def test_any_text_is_harmless(raw: str, limit: int) -> None:
    """Whatever a device says, it comes out printable and bounded, and saying it twice changes nothing."""
    shown = plain(raw, limit)
    assert shown.isprintable()
    assert len(shown) <= 6 * limit  # an escape has six characters
    assert shown == plain(shown, len(shown) + 1)
    if raw.isascii() and raw.isprintable() and len(raw) <= limit:
        assert raw == shown


def test_long_text_is_cut_and_says_so() -> None:
    """A text past its limit ends in three dots within it."""
    assert "W" * 197 + "..." == plain("W" * 4000)
    assert "W" * 200 == plain("W" * 200)


def test_figures_have_one_style() -> None:
    """Rates have separators and no decimals, as people of the trade say them."""
    assert "3,938 MB/s" == mbps(3938.4615)
    assert "2,954 to 3,601 MB/s" == mbps_range((2953.8, 3600.9))
    assert "250 MB/s" == mbps(250.0)
    assert "not known" == rate_or_unknown(None)
    assert "8 GT/s (Gen 3) x4" == rate_or_unknown(audited("bench-2-worn-riser").links[0].now)


@pytest.mark.parametrize(
    ("sizes", "shown"),
    [
        ([2_000_398_934_016], "2.0 TB"),
        ([500_107_862_016], "500 GB"),
        ([500_107_862_016, 1_500_301_910_016], "2.0 TB"),  # namespaces of one drive
        ([], ""),
        ([0], ""),
    ],
)
def test_sizes_are_of_ten(sizes: list[int], shown: str) -> None:
    """Drives are sold in GB and TB of 10^9 and 10^12 bytes; what is not known is not shown."""
    one = replace(audited("bench-2-worn-riser").facts.drives[0], blocks=tuple(BlockDevice("x", each) for each in sizes))
    assert shown == size(one)


def test_a_size_that_is_not_read_whole_is_told_as_such() -> None:
    """What is known of a drive's size is no more than its least, where a block device has none that could be read."""
    one = audited("bench-2-worn-riser").facts.drives[0]
    blocks = (BlockDevice("a", 10**12), BlockDevice("b", Unread("x", "y")))
    assert "at least 1.0 TB" == size(replace(one, blocks=blocks))
    assert "size not known" == size(replace(one, blocks=blocks[1:]))
    assert "size not known" == size(replace(one, blocks=Unread("x", "y")))
    assert "" == size(replace(one, blocks=()))
    assert ("could not be read", "none", "x") == (told(Unread("a", "b")), told("", "none"), told("x"))


@pytest.mark.parametrize(
    ("function", "words"),
    [
        (drive((4, 4), Nvme(model="Reel 4")), "NVMe drive Reel 4"),
        (card("network", (3, 4), model="LN-10 network card"), "LN-10 network card"),
        (card("network", (3, 4), model="LN-10"), "network card LN-10"),
        (card("network", (3, 4), vendor=0xF1D0, device=0x1010), "network card (maker f1d0, model 1010)"),
        (card("display", (3, 16), model="\x1b[31mred"), "display card \\x1b[31mred"),
        (card("audio", (3, 16), attributes={"class": "0xff0000"}), "device (maker f1a0, model 0000)"),
        (card("audio", (3, 16), attributes={"class": "no"}), "device (maker f1a0, model 0000)"),
        (card("audio", (3, 16), attributes={"class": None, "vendor": None}), "device"),
    ],
)
def test_a_function_is_told_in_a_few_words(function: Function, words: str) -> None:
    """The kind by its class, then the best name there is; numbers where there is none; never an invented one."""
    found = audit(facts(build(tower(function))))
    assert words == describe(found.machine.functions[CARD], found)


def test_a_switch_is_called_one() -> None:
    """Ports of a packet switch are bridges by class and switches by their port type."""
    found = audited("bench-2-worn-riser")
    assert "Packet switch PS-12" == describe(found.machine.functions["0000:01:00.0"], found)


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ("07/02/2021", "2021-07-02"),
        ("12/31/2024", "2024-12-31"),
        ("31/12/2024", "31/12/2024"),
        ("07/02/21", "07/02/21"),
        ("07/02", "07/02"),
        ("", ""),
        ("02/30/2021", "02/30/2021"),
        ("2021-07-02", "2021-07-02"),
        ("soon\x1b", "soon\\x1b"),
    ],
)
def test_the_date_of_firmware_is_told_as_others_are(raw: str, told: str) -> None:
    """Month, day and year come as ISO 8601 has them; what is no such date stays as it is, harmless.

    Source: System Management BIOS (DSP0134) 7.1, BIOS Information (type 0), release date.
    """
    assert told == words.day(raw)


def test_a_place_is_the_slot_or_the_address() -> None:
    """People go by the slot's name; a bare number is called a slot; without a slot the port's address stands."""
    named = {"SLOT3": "SLOT3", "PCIE1": "PCIE1", "7": "slot 7"}
    for name, expected in named.items():
        found = audit(facts(build(tower(drive((4, 4)), slot=Slot(number=3, name=name)))))
        assert expected == place(found.links[0].link)
    found = audit(facts(build(tower(drive((4, 4)), slot=None))))
    assert PORT == place(found.links[0].link)


# --- The two forms of one audit ------------------------------------------------------------------------------------


def in_full(found: Audit) -> list[Finding]:
    """The findings that stand in the text in full; what only root can read has a place of its own, without steps."""
    return [one for one in found.findings if one.severity is not Severity.OK and one.rule != "needs-root"]


@machines_with(MACHINES, lambda found: any(one.evidence for one in in_full(found)), audited)
def test_every_reading_of_every_finding_is_in_the_text(name: str) -> None:
    """No evidence is left out of the text: its source and what was read stand there, and whatever was expected else."""
    words = in_one(page_of(name, 300))
    for finding in in_full(audited(name)):
        for one in finding.evidence:
            assert in_one(f"{plain(one.source)}: {plain(one.read)}") in words


@machines_with(MACHINES, lambda found: len({step.action for one in found.findings for step in one.steps}) > 1, audited)
def test_steps_go_from_least_to_most_invasive(name: str) -> None:
    """The steps of a finding are in the order of what they ask for."""
    for finding in audited(name).findings:
        ranks = [STEPS[step.action].rank for step in finding.steps]
        assert ranks == sorted(ranks)


@machines_with(MACHINES, lambda found: any(one.steps for one in in_full(found)), audited)
def test_every_step_has_its_cautions_before_it(name: str) -> None:
    """In the text a step stands after all its cautions."""
    words = page_of(name, 400)
    for finding in in_full(audited(name)):
        for step in finding.steps:
            at = words.index(plain(step.text, 600))
            assert [] == [caution for caution in step.cautions if caution not in words[:at]]


def unread_by_root(found: Audit) -> list[Unread]:
    """What could not be read, and would not be by root either."""
    return [one for one in found.unread if not one.needs_root]


@machines_with(MACHINES, unread_by_root, audited)
def test_what_could_not_be_read_is_in_the_text(name: str) -> None:
    """Each line of `unread` that root could not add stands in the text with its reason."""
    words = in_one(page_of(name, 400))
    for one in unread_by_root(audited(name)):
        assert in_one(plain(one.why)) in words


@every_machine
def test_a_healthy_link_takes_one_line(name: str) -> None:
    """A link that is full has its line in the list and no more, however wide the page is."""
    full = [one for one in audited(name).links if one.verdict is Verdict.FULL]
    for width in (80, 100, 200):
        lines = [line for line in page_of(name, width).splitlines() if line.split()[:1] == ["full"]]
        assert len(full) == len(lines)


@every_machine
def test_colour_adds_nothing_but_colour(name: str) -> None:
    """Every colour is doubled by a word: without its colours a page says the same."""
    coloured = printed(text.whole(audited(name), 100, "this machine"), 100, colour=True)
    assert page_of(name) == re.sub(r"\x1b\[[0-9;]*m", "", coloured)


@every_machine
@pytest.mark.parametrize("command", ["check", "short", "inventory"])
def test_text_holds_no_control_character(name: str, command: str) -> None:
    """A page is letters and line ends."""
    assert [] == [line for line in page_of(name, 100, command).split("\n") if not line.isprintable()]


@every_machine
def test_the_inventory_lists_everything(name: str) -> None:
    """Every function but the virtual ones, every drive and every slot has its place."""
    found, words = audited(name), in_one(page_of(name, 300, "inventory"))
    form = data.inventory(found)
    assert len(found.facts.functions) == len(form.functions)
    assert [] == [
        one.address for one in found.facts.functions if not one.physical_function and one.address not in words
    ]
    for seen in found.drives:
        assert plain(seen.drive.name) in words
        assert in_one(told(seen.drive.model, "model not known")) in words
        assert in_one(f"firmware {told(seen.drive.firmware)}") in words
    on_cards = {link.port_address: link.link.card_port for link in found.links if link.link.on_card}
    for slot in form.slots:
        known = f"port {on_cards[slot.port]}" if slot.port in on_cards else plain(slot.name, 40).removesuffix("...")
        assert in_one(known) in words


# --- JSON ----------------------------------------------------------------------------------------------------------


@every_machine
def test_json_says_what_the_audit_says(name: str) -> None:
    """Verdicts, findings, drives and what could not be read come out whole and in their order."""
    found = audited(name)
    form = msgspec.json.decode(data.encode(data.check(found)), type=data.CheckData)
    assert form == data.check(found)
    assert [(one.port_address, one.device_address, str(one.verdict)) for one in found.links] == [
        (one.port, one.device, one.verdict) for one in form.links
    ]
    assert [(one.rule, str(one.severity), one.subject, one.headline) for one in found.findings] == [
        (one.rule, one.severity, one.subject, one.headline) for one in form.findings
    ]
    assert [one.drive.name for one in found.drives] == [one.name for one in form.drives]
    assert [(one.asked, one.why) for one in found.unread] == [(one.what, one.why) for one in form.unread]
    ranks = [Severity(one.severity).rank for one in form.findings]
    assert ranks == sorted(ranks)


def test_json_has_published_rates() -> None:
    """8 GT/s x4 carries 3938.5 MB/s and 16 GT/s x4 7876.9 MB/s after line coding (published link-rate tables)."""
    rates = {}
    for generation in (1, 2, 3, 4, 5):
        fitted = tower(drive((generation, 4)), (generation, 4))
        link = data.check(audit(facts(build(fitted)))).links[0]
        assert link.now is not None
        rates[link.now.gtps, link.now.width] = link.mbps
    assert {(2.5, 4): 1000.0, (5.0, 4): 2000.0, (8.0, 4): 3938.5, (16.0, 4): 7876.9, (32.0, 4): 15753.8} == rates


def test_json_has_null_for_what_is_not_there() -> None:
    """A hidden port, an unread width and a missing slot are null, never 0 or an empty text."""
    guest = Machine(name="guest", virtual=True, buses={"0000:00": [drive((4, 4), at="05.0")]})
    link = data.check(audit(facts(build(guest)))).links[0]
    assert (None, "0000:00:05.0", None, None) == (link.port, link.device, link.slot, link.port_can)
    empty = data.check(audit(facts(build(tower([], slot=None))))).links[0]
    assert (PORT, None, None, None, None) == (empty.port, empty.device, empty.now, empty.best, empty.mbps)
    torn = build(tower(card("network", (4, 4))))
    set_link(torn, (CARD,), (4, 2))
    unread = data.check(audit(facts(torn))).links[0]
    assert ("unknown", None, None) == (unread.verdict, unread.now, unread.mbps)


def test_json_keeps_every_letter_and_shows_none_that_acts() -> None:
    """Device text comes back letter by letter, and no control character stands in the JSON itself."""
    odd = "\x1b[31m\x7f\x85\u202e\u2028 \u6f22 \U0001f4be \\u001b"
    found = audit(facts(build(tower(card("network", (4, 4), model="x", attributes={"label": odd.rstrip()})))))
    function = replace(found.facts.functions[1], driver=odd)
    shown = data.encode(data.inventory(replace(found, facts=replace(found.facts, functions=(function,)))))
    assert [] == [line for line in shown.decode("utf-8").split("\n") if not line.isprintable()]
    assert odd == msgspec.json.decode(shown)["functions"][0]["driver"]


@given(st.text(max_size=60))
def test_json_of_any_text_comes_back(odd: str) -> None:
    """Any text goes into the JSON and comes back as it was; what JSON cannot hold does not raise."""
    found = audited("bench-2-worn-riser")
    finding = Finding("link-narrow", Severity.FAULT, odd, odd, (Evidence("a", odd, "b"),))
    encoded = data.encode(data.check(replace(found, findings=(finding,))))
    assert odd == msgspec.json.decode(encoded, type=data.CheckData).findings[0].headline
    assert all(line.isprintable() for line in encoded.decode("utf-8").split("\n"))


def test_json_is_read_by_people_too() -> None:
    """Two spaces a level, one key a line, and a line end at the end."""
    encoded = data.encode(data.check(audited("bench-1-upgraded")))
    assert encoded.startswith(b'{\n  "format": "lanewright-check",\n  "version": 1,\n')
    assert encoded.endswith(b"}\n")


# --- Sentences -----------------------------------------------------------------------------------------------------


def ports_of(*rates: tuple[int, int]) -> list[Function]:
    """Ports for network cards of 16 GT/s x4, each with what its link runs at."""
    return [
        root_port(f"0{number}.0", (4, 4), [card("network", (4, 4))], now=now, slot=Slot(number=number))
        for number, now in enumerate(rates, 1)
    ]


def answered(*ports: Function) -> tuple[str, Severity]:
    """The first line of a machine with these ports."""
    return words.answer(audit(facts(build(Machine(name="bench-9", buses={"0000:00": list(ports)})))))


def test_the_first_line_is_the_worst_finding_and_counts_the_others() -> None:
    """The place and what it does stand first; faults, limits and notes beyond that are counted, worst first."""
    limited = root_port("05.0", (3, 4), [card("network", (4, 4))], slot=Slot(number=5))
    resting = root_port("06.0", (4, 16), [card("display", (4, 16))], now=(1, 16))
    line, severity = answered(*ports_of((4, 2), (4, 1)), limited, resting)
    assert Severity.FAULT is severity
    assert line.startswith("Fault: slot 2 ")  # which lost three lanes of four
    assert line.endswith(" 1 more fault, 1 limit, 1 note.")
    one, _ = answered(*ports_of((4, 2)))
    assert one.startswith("1 fault: slot 1 ")
    assert " more " not in one


def test_a_limit_alone_is_said_to_be_no_fault() -> None:
    """Who reads the first line alone does not take a limit for a fault."""
    line, severity = answered(root_port("05.0", (3, 4), [card("network", (4, 4))], slot=Slot(number=5)))
    assert (Severity.LIMIT, True) == (severity, line.startswith("No fault. 1 limit: slot 5 "))


def test_what_could_not_be_read_is_in_the_first_line() -> None:
    """A reading that may hide a fault takes away every good word of the first line."""
    found = audit(facts(build(tower(card("network", (4, 4))))))
    lost = Unread("functions", "it broke", vital=True)
    line, severity = words.answer(replace(found, unread=(lost,)))
    assert (Severity.UNKNOWN, True) == (severity, line.startswith("Not passed: ") and "it broke" in line)
    limited = audit(facts(build(tower(card("network", (4, 4)), (3, 4)))))
    line, _ = words.answer(replace(limited, unread=(lost,)))
    assert "No fault" not in line
    assert line.endswith("; more may hide in what could not be read.")


def test_the_first_line_says_that_all_is_well() -> None:
    """With nothing to do the page says so, and says "every card" only where every link is full."""
    line, severity = answered(*ports_of((4, 4)))
    assert (Severity.OK, True) == (severity, "every card" in line and "1 link" in line)
    tunnelled = audit(facts(build(tower(card("network", (1, 4), vendor_specific=0x1234), (1, 4)))))
    line, severity = words.answer(tunnelled)
    assert (Severity.OK, False) == (severity, "every card" in line)


def test_faults_of_a_machine_without_cards_are_told() -> None:
    """A hot disk on a machine without links is the first line."""
    hot = Function(kind="sata", at="17.0", conventional=True, disks=[Disk(celsius=61)])
    line, severity = answered(hot)
    assert (Severity.FAULT, True) == (severity, line.startswith("1 fault: sda "))


def test_data_at_risk_is_told_as_what_to_do() -> None:
    """A drive that loses data is to be copied first: the line begins with that."""
    line, _ = words.answer(audited("bench-2-failing-drives"))
    assert line.startswith("Back up nvme")


@every_machine
def test_what_to_do_first_comes_with_its_caution(name: str) -> None:
    """The second line is the first step of the worst finding that has one; hands inside come with the power off."""
    found = audited(name)
    groups = map(step_blocks.steps_of, words.by_subject(words.findings(found)))
    step = next((steps[0] for steps in groups if steps), None)
    line = words.first_step(found)
    if step is None:
        assert ("host" in f"{line}{words.answer(found)[0]}") == (found.facts.host.virtual is True)
    else:
        assert in_one(line)[-20:-1].lower() in plain(step.brief).lower()
        assert (POWER_OFF in step.cautions) == ("power off" in line)


# --- The short page ------------------------------------------------------------------------------------------------


def hands_inside(found: Audit) -> bool:
    """Whether the first step of anything that is told has cautions."""
    return any(step.cautions for one in words.findings(found) for step in one.steps[:1])


@every_machine
def test_a_short_page_is_short(name: str) -> None:
    """No page has more than 60 lines at 80 columns, and its first two lines are the answer."""
    lines = page_of(name, 80, "short").rstrip("\n").split("\n")
    assert len(lines) <= 60
    assert in_one(" ".join(lines)).startswith(in_one(words.answer(audited(name))[0]))


@machines_with(MACHINES, lambda found: len(words.by_subject(words.findings(found))) == 1, audited)
def test_one_fault_fits_one_screen(name: str) -> None:
    """A machine on which one thing is wrong takes no more than 40 lines."""
    assert page_of(name, 80, "short").rstrip("\n").count("\n") < 40


@machines_with(MACHINES, hands_inside, audited)
def test_short_steps_have_their_cautions_before_them(name: str) -> None:
    """Each step that a short page shows stands after all its cautions, in full at least once on the page."""
    page = page_of(name, 400, "short")
    shown = 0
    for group in words.by_subject(words.findings(audited(name))):
        for number, step in enumerate(step_blocks.steps_of(group)[:2], 1):
            for line in (f"{number}. {plain(step.brief)}.", f"{number}. {plain(step.text, 600)}"):
                at = page.find(line)
                if at >= 0:
                    shown += 1
                    before = page[:at]
                    assert [] == [one for one in step.cautions if plain(one, 600) not in before]
    assert shown > 0


@every_machine
def test_every_finding_and_reading_that_failed_is_counted_in_short(name: str) -> None:
    """What a short page leaves out is counted on it: findings at a glance, links, readings that failed."""
    found, page = audited(name), in_one(page_of(name, 200, "short"))
    told = words.findings(found)
    if len(words.by_subject(told)) > 1:
        glance = page_of(name, 200, "short").split("Findings at a glance\n")[1].split("\n\n")[0]
        listed = [line for line in glance.split("\n") if line.split()[0] in {str(one) for one in Severity}]
        more = re.search(r"and (\d+) more findings?", glance)
        assert len(told) == len(listed) + (int(more[1]) if more else 0)
    lost = {plain(one.asked, 60) for one in found.unread if not one.needs_root}
    assert (not lost) == ("Could not be read: " not in page)


def crowded(count: int) -> Audit:
    """A machine of so many ports, each with a link that lacks lanes."""
    ports = [
        root_port(f"{number // 8 + 1:02x}.{number % 8}", (4, 4), [card("network", (4, 4))], now=(4, 1 + number % 2))
        for number in range(count)
    ]
    return audit(facts(build(Machine(name="bench-9", buses={"0000:00": ports}))))


def test_a_crowd_of_faults_still_fits() -> None:
    """Forty faults at once: the page stays short, counts what it leaves out and shows steps with their cautions."""
    found = crowded(40)
    assert 40 == len(words.findings(found))
    page = printed(text.check(found, 80, "x"), 80)
    assert page.count("\n") <= 60
    assert re.search(r"and \d+ more findings", page)
    assert page.index(POWER_OFF) < page.index("   1. ")
    assert 40 == printed(text.whole(found, 80, "x"), 80).count("  FAULT ")


@machines_with(MACHINES, words.findings, audited)
def test_one_finding_is_told_whole(name: str) -> None:
    """By its number a finding has all its readings and steps; numbers beyond the last are refused."""
    found = audited(name)
    groups = words.by_subject(words.findings(found))
    for number, group in enumerate(groups, 1):
        page = in_one(printed(text.one_finding(found, 400, "x", number=number), 400))
        for finding in group:
            assert all(in_one(plain(one.read)) in page for one in finding.evidence)
            assert all(in_one(plain(step.text, 600)) in page for step in finding.steps)
    for number in (0, len(groups) + 1):
        with pytest.raises(BadInput):
            text.one_finding(found, 80, "x", number=number)


# --- Words of the page with all of it ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("nvme", "words"),
    [
        (Nvme(kelvin=323, warning=343, critical=358), "49.9 C (warning at 69.9 C)"),
        (Nvme(kelvin=323, warning=0, critical=358), "49.9 C (critical at 84.9 C)"),
        (Nvme(kelvin=323, warning=0, critical=0), "49.9 C (no limit reported)"),
        (Nvme(kelvin=0), "no temperature reported"),
    ],
)
def test_a_temperature_comes_with_its_limit(nvme: Nvme, words: str) -> None:
    """The drive's own limit stands beside its temperature; where there is none, that is said."""
    shown = in_one(printed(text.whole(audit(facts(build(tower(drive((4, 4), nvme))))), 200, "x"), 200))
    assert words in shown


def test_a_temperature_that_failed_says_why() -> None:
    """An unreadable temperature is not a cool drive."""
    tree = build(tower(drive((4, 4), Nvme(kelvin=323))))
    tree.fail("/sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/hwmon1/temp1_input", "EIO")
    shown = in_one(printed(text.whole(audit(facts(tree)), 200, "x"), 200))
    assert "temperature not known (the device gave an input/output error (EIO))" in shown


def test_the_path_points_out_the_narrowest_hop() -> None:
    """The way from drive to processor names each hop with its rate, and marks the one that decides."""
    found = audited("bench-1-switch-carrier")
    for seen in found.drives:
        if len(seen.path) < 2:
            continue
        hops = [found.by_key[key] for key in seen.path]
        words = in_one(page_of("bench-1-switch-carrier", 300))
        path = words[words.index("Drives, and") :]
        path = path[path.index(f"{seen.drive.name} ") :]
        path = path[path.index("drive > ") : path.index("> processor")]
        assert len(hops) == path.count(" (Gen ")
        assert 1 == path.count("narrowest")
        marked = path[path.index("narrowest") :]
        assert seen.narrowest is not None
        assert place(found.by_key[seen.narrowest].link) in marked.split(">")[0]


# --- Pages ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [40, 41, 60, 80, 120])
def test_paragraphs_and_columns_keep_to_the_width(width: int) -> None:
    """Wrapped at the width, indented and hung as told; wide letters count as two columns."""
    page = text.Page(width)
    page.heading("A heading that is longer than the narrowest page that there can ever be made")
    page.add("\u6f22\u5b57 " * 60 + "end", indent=4, hang=8)
    page.columns([("a", "b" * 20, "word " * 30), ("longer", "", "\u6f22" * 50)], ["red", ""])
    page.columns([("x" * 30, "y" * 30, "z" * 30)])
    page.table(("", "head", "h"), [("w" * 30, "y " * 30, "1"), ("", "\u6f22" * 2, "2,000")], right={2})
    shown = printed(page, width)
    assert [] == [line for line in shown.splitlines() if cell_len(line) > width]
    assert "end" in shown
    assert 52 == shown.count("\u6f22") - 60
    paragraph = [line for line in shown.splitlines() if "\u5b57" in line]
    assert paragraph[0].startswith("    \u6f22")
    assert all(line.startswith("        \u6f22") for line in paragraph[1:])


def test_a_narrower_page_than_40_columns_is_not_made() -> None:
    """A width below 40 columns is taken for 40: words must stay readable."""
    assert 40 == text.Page(1).width


def test_markup_of_the_terminal_library_stays_text() -> None:
    """Square brackets, links and emoji codes of a name are shown as they are."""
    page = text.Page(80)
    page.add("[bold red]x[/bold red] [link=http://example.invalid]y[/link] :smile: [/]")
    assert "[bold red]x[/bold red] [link=http://example.invalid]y[/link] :smile: [/]" == printed(page, 80).strip()


def test_every_form_of_evidence_is_shown_once() -> None:
    """What was expected is left out where the reading meets it word for word, and only there."""
    found = audited("bench-2-worn-riser")
    evidence = (
        Evidence("a register", "1", "0"),
        Evidence("another", "x4", "x4"),
        Evidence("third", "up to x4", "x4 or more"),
    )
    finding = Finding("link-narrow", Severity.FAULT, "0000:01:00.0", "a headline", evidence)
    words = in_one(printed(text.whole(replace(found, findings=(finding,)), 200, "x"), 200))
    assert "a register: 1; expected 0" in words
    assert "another: x4 third: up to x4" in words


def test_the_forms_are_data() -> None:
    """A form is frozen data: nothing that shows it can change it."""
    form: Any = data.check(audited("bench-1-upgraded"))
    with pytest.raises(AttributeError):
        form.version = 2
    head = ("format", "version", "answer", "worst", "counts", "taken_at", "platform", "host", "against")
    assert set(asdict(form)) == {*head, *LISTS}


LISTS: Final = ("links", "drives", "stripes", "findings", "unread")


def test_colour_is_on_the_word_alone() -> None:
    """The severity's word is coloured; what follows it is plain, so that nothing hangs on colour."""
    page = text.whole(audit(facts(build(tower(card("network", (4, 4)), now=(4, 2))))), 100, "x")
    (line,) = [one for one in page.lines if one.plain.strip().startswith("FAULT")]
    coloured = [line.plain[span.start : span.end].strip() for span in line.spans if "red" in str(span.style)]
    assert (["FAULT"], "") == (coloured, str(line.style))
