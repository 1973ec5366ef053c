"""Reports of several machines, captures and soaks: what stands first, what each part is called, what is as of then."""

from __future__ import annotations

from typing import TYPE_CHECKING

import html5lib
from msgspec import structs

from agent.audit import audit
from agent.report.page import page
from agent.report.page.handover import report
from agent.report.page.roles import WHAT_WAS_TO_DO
from agent.report.page.soaks import soak, told_apart
from probes.tokens import Known
from tests.pages import MADE_AT, audited, facts, soaked, whole_page

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from agent.audit import Audit


def read(text: str) -> Element:
    """A page as an independent parser has it."""
    tree: Element = html5lib.parse(text, treebuilder="etree", namespaceHTMLElements=False)
    return tree


def words(element: Element) -> str:
    """The text of an element, spaces made one."""
    return " ".join("".join(element.itertext()).split())


def heads(text: str) -> list[str]:
    """The headings of a page's parts, in their order."""
    return [words(one) for one in read(text).iter("h2")]


def named(name: str | None, product: str | None = "Lab bench") -> Audit:
    """A machine that is called so."""
    whole = facts("bench-2-worn-riser")
    host = structs.replace(whole.host, name=name, maker=None, product=product)
    return audit(structs.replace(whole, host=host))


def test_several_parts_begin_with_a_line_each_worst_first() -> None:
    """With machines and soaks the first thing on a page is a line for each, worst first, that leads to its place."""
    machines = [(name, audited(name)) for name in ("bench-1-upgraded", "bench-2-worn-riser")]
    tree = read(page(machines, [("soak.sqlite (log)", *soaked())], None, MADE_AT))
    first = next(tree.iter("main"))[0]
    lines = [words(one) for one in first.iter("li")]
    assert 3 == len(lines)
    assert ["fault", "fault"] == [line.split()[0] for line in lines[:2]]
    assert "bench-1:" in lines[2]
    assert "Soak of bench-1: nvme1: dropped out" in " ".join(lines)
    anchors = {one.get("id") for one in tree.iter() if one.get("id")}
    assert {(one.get("href") or "")[1:] for one in first.iter("a")} <= anchors


def test_each_step_has_its_own_way_to_verify() -> None:
    """Every step on a page says how to see that it helped, also where the next one is seen the same way."""
    tree = read(page([("x", audited("bench-2-worn-riser"))], [], None, MADE_AT))
    steps = [step for steps in tree.iter("ol") if steps.get("class") == "steps" for step in steps.iter("li")]
    assert len(steps) > 2
    assert [1] * len(steps) == [sum(part.get("class") == "verify" for part in step.iter("p")) for step in steps]


def test_captures_that_are_not_compared_say_why() -> None:
    """Two captures of one machine beside one of another are not compared, and both forms say why."""
    names = ("bench-1-slot-limited", "bench-1-upgraded", "bench-2-worn-riser")
    machines = [(name, audited(name)) for name in names]
    for text in (page(machines, [], None, MADE_AT), report(machines, [], None, MADE_AT)):
        assert "not all captures here are of one machine" in text
    assert "not all captures here" not in whole_page()


def test_a_map_points_to_words_that_are_printed() -> None:
    """The description of a map points to the tables, which paper has too, not to the fold, which it has not."""
    text = page([("x", audited("bench-1-upgraded"))], [], None, MADE_AT)
    assert "The tables below say the same in words." in text
    assert "in words below the map" not in text


def test_one_machine_needs_no_list_of_parts() -> None:
    """A page of one machine alone begins with that machine."""
    assert "All in brief, worst first" not in heads(page([("x", audited("bench-1-upgraded"))], [], None, MADE_AT))


def test_after_stands_before_before() -> None:
    """Of two captures of one machine the later stands first; the earlier follows with its date, for the record."""
    found = heads(whole_page())
    after, before = (one for one in found if one.startswith("bench-1"))
    assert after.startswith("bench-1, after (read 20")
    assert before.startswith("bench-1, before, for the record (read 20")


def test_steps_of_before_are_as_of_then() -> None:
    """The steps of an earlier reading stand under words that say so; those of the later one do not."""
    sections = [one for one in read(whole_page()).iter("article") if one.get("class") == "machine"]
    before = next(words(one) for one in sections if "before, for the record" in words(one)[:60])
    after = next(words(one) for one in sections if words(one).startswith("bench-1, after"))
    assert f"{WHAT_WAS_TO_DO}, least invasive first" in before
    assert "What to do, least invasive first" not in before
    assert WHAT_WAS_TO_DO not in after


def test_a_name_that_was_kept_out_gives_way_to_the_product() -> None:
    """A machine whose name is a token is headed by its product, the token beside it, as in Markdown."""
    token = Known().word("archive-bench")
    first = page([("x", named(token))], [], None, MADE_AT)
    assert "Lab bench" == words(next(read(first).iter("h1")))
    assert heads(first)[0] == "Lab bench"
    assert f"name withheld: {token}" in first
    assert "## Lab bench (name withheld: " in report([("x", named(token))], [], None, MADE_AT)
    assert "A machine without a name" == heads(page([("x", named(None, None))], [], None, MADE_AT))[0]


def test_soaks_of_one_machine_have_headings_of_their_own() -> None:
    """Two soaks of one machine, even begun at the same time, have different headings."""
    shown = told_apart([soak(f"{name} (log)", *soaked(), number) for number, name in enumerate("ab", 1)])
    assert 2 == len({one.label for one in shown})
    assert "soak-1" == shown[0].prefix
