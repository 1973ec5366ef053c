"""Whatever two captures hold, comparing them ends soon, with rows, in every form, and never with an exception."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from agent.audit import audit
from agent.compare.whole import compare
from agent.report import compare_data, compare_markdown, comparing
from agent.report.data import encode
from probes.linux import collecting as linux
from probes.reads import Recorded
from tests.build import DEVICES, TreeReads
from tests.spent import within
from tests.test_properties import ANSWERS, KEYS, MOMENT, PATIENCE, REPLIES, SMALL, broken_trees

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from probes.facts import Facts
    from probes.reads import Answer
    from tests.tree import Tree

WHOLE: Final = audit(linux.collect(TreeReads(SMALL), (), MOMENT))


def hold(seen: Facts) -> None:
    """Compare a machine with itself, and with the same machine whole, both ways and in every form."""
    broken = audit(seen)
    with within(PATIENCE):
        same = _shown(broken, broken)
        assert same.nothing_changed
        assert () == same.doubts
        there, back = _shown(WHOLE, broken), _shown(broken, WHOLE)
        assert len(there.parts) == len(back.parts)
        assert sorted((one.topic, one.what) for one in there.changes) == sorted(
            (one.topic, one.what) for one in back.changes
        )
        assert len(there.findings) == len(back.findings)


def _shown(before: Audit, after: Audit) -> Comparison:
    """A comparison that every form can show."""
    found = compare(before, after)
    assert found.verdict.endswith(".")
    assert not found.verdict.endswith(": .")
    assert found.nothing_changed == found.verdict.startswith("Nothing changed")
    assert encode(compare_data.compare(found, "a", "b"))
    assert compare_markdown.compare(found, "a", "b").startswith("# ")
    console = Console(file=io.StringIO(), width=60, color_system=None)
    comparing.show(comparing.page((found, "a", "b"), 60, "b"), console)
    return found


@pytest.mark.long
@settings(max_examples=80)
@given(broken_trees(), st.booleans())
def test_any_broken_tree_can_be_compared(tree: Tree, privileged: bool) -> None:  # noqa: FBT001
    """Files that fail, vanish or turn into something else cost rows and doubts, not the comparison."""
    hold(linux.collect(TreeReads(tree, privileged=privileged), (), MOMENT))


@settings(max_examples=80)
@given(st.dictionaries(KEYS, REPLIES, min_size=1, max_size=12), st.lists(KEYS, max_size=12))
def test_any_answers_can_be_compared(changed: dict[str, Answer], missing: list[str]) -> None:
    """A capture may hold any answer to any question, of any form, and lack any other."""
    answers = {key: answer for key, answer in (ANSWERS | changed).items() if key not in missing or key in changed}
    hold(linux.collect(Recorded(answers, "linux"), (), MOMENT))


@settings(max_examples=60)
@given(st.permutations(sorted(SMALL.listed(DEVICES))), st.lists(st.integers(0, 30), min_size=17, max_size=17))
def test_parts_that_hold_each_other_can_be_compared(order: list[str], above: list[int]) -> None:
    """Functions may be said to hang below any other, in rings or in no order; every place is told."""
    answers = dict(ANSWERS)
    for address, number in zip(order, above, strict=False):
        parent = order[number] if number < len(order) else "pci0000:00"
        answers[f"link {DEVICES}/{address}"] = f"../../../devices/pci0000:00/{parent}/{address}"
    hold(linux.collect(Recorded(answers, "linux"), (), MOMENT))
