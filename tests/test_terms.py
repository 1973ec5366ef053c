"""Each term of the trade that a screen shows can be asked for with `explain`."""

from __future__ import annotations

import re
from typing import Final

import pytest

from agent.explain import explanations, is_word
from agent.manual.chapters import found
from agent.model.findings import Severity, Verdict
from tests.docs import HERE

# What the forms print, kept as goldens: every check of a recorded machine, comparisons, and the pages of README.
SCREENS: Final = tuple(
    sorted(
        place for name in ("*/check.txt", "*/check.json", "compare-*.txt") for place in HERE.glob(f"fixtures/{name}")
    )
)

# Sorts of terms by their shape; each stands in some golden. Names of registers and their fields end in such a word.
SHAPES: Final = {
    "units": r"\b(?:GT/s|MB/s|[KMGT]i?B)\b",
    "widths": r"\bx(?:1|2|4|8|16)\b",
    "generations": r"\bGen \d\b",
    "levels of sets": r"\bRAID \d+\b",
    "registers": r"\b(?:Link|Slot|Device|Lane|Power|Presence|Replay|Receiver|Bad|Target|Negotiated|Maximum|MRL)"
    r"(?: [A-Z][A-Za-z]*)* (?:Status|Control|Capabilities|Speed|Width|State|Detected|Timeout|Error|TLP|DLLP)\b",
}

# Terms that no shape tells, as check, inventory, plan, compare, measure and soak print them.
TERMS: Final = (
    *("packet switch", "bifurcation", "split", "lanes", "carrier", "riser", "retimer", "root port", "uplink", "hop"),
    *("narrowest hop", "best", "at best", "alone", "together", "ceiling", "payload", "equalization", "replay"),
    *(
        "correctable error",
        "presence detected",
        "presence detect",
        "latched",
        "Target Link Speed",
        "D3cold",
        "D0",
        "D3hot",
    ),
    *("passthrough", "passed through", "virtual machine", "hypervisor", "firmware setup", "SMBIOS", "host bridge"),
    *("unsafe shutdown", "unsafe shutdowns", "spare blocks", "spare", "unrecoverable read errors", "percentage used"),
    *("slowed by heat", "warning temperature", "critical temperature", "write cache", "stripe set", "stripe", "median"),
    *("proved", "proved best", "build sheet", "sheet", "capture", "token", "soak", "field note", "as of", "root"),
    *("GB", "GiB", "TB", "lane", "MB/s", "GT/s", "Gen 4", "x4", "settle", "measure", "address", "endpoint"),
)


def explained(term: str) -> bool:
    """Whether it, or what it ends in, is a word or a chapter: "Slot Status" of "PCIE1 Slot Status"."""
    parts = term.split()
    return any(is_word(" ".join(parts[first:])) for first in range(max(1, len(parts) - 1))) or found(term) is not None


@pytest.mark.parametrize("term", TERMS)
def test_a_term_of_the_trade_can_be_asked_for(term: str) -> None:
    """The word that a reader copies off the screen is explained as it stands there."""
    assert "word" in {one.kind for one in explanations(term)}


@pytest.mark.parametrize("shape", SHAPES)
def test_what_the_screens_show_can_be_asked_for(shape: str) -> None:
    """Units, widths, levels of sets and names of registers, as found in the goldens."""
    texts = [" ".join(place.read_text(encoding="utf-8").split()) for place in SCREENS]
    shown = {term for text in texts for term in re.findall(SHAPES[shape], text)}
    assert shown
    assert set() == {term for term in shown if not explained(term)}


@pytest.mark.parametrize("word", [*Verdict, *Severity])
def test_words_beside_a_link_or_a_finding_can_be_asked_for(word: Verdict | Severity) -> None:
    """Each verdict and severity is explained under the word that the table shows."""
    assert word.value in {one.word for one in explanations(word.value)}
