"""Plans for the tests of pages: of the sheets of `fixtures/`, of one of everything, of a large and of a hostile sheet.

What a page or a document says is read back with parsers of others: html.parser, markdown-it-py. Test help only.
"""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Final

from agent.planner.clock import Time
from agent.planner.plan import plan as planned
from agent.proposals import PlanRequest, compared
from agent.report import plan_markdown
from agent.report.page import plan as page
from agent.sheets.reading import read
from agent.sheets.sheet import CardSpec, DriveSpec, MachineSpec, Sheet, SlotSpec, StripeSpec, Uplink
from tests.forms_marked import blocks
from tests.machines import FIXTURES
from tests.pages import HOSTILE, MADE_AT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.result import Candidate, Plan

SHEETS: Final = sorted(place.stem for place in (FIXTURES / "sheets").glob("*.toml"))
KINDS: Final = ("switch-carrier-4-x16-gen4", "split-carrier-4-x16-gen4")
# Elements that have no end: HTML Living Standard, section 13.1.2; and those of SVG that are written without one.
EMPTY: Final = frozenset({"meta", "br", "col", "rect", "path", "line"})


@cache
def of_sheet(name: str) -> Plan:
    """The plan of a sheet of `fixtures/`."""
    return planned(read(str(FIXTURES / "sheets" / f"{name}.toml")), suggest=True)


@cache
def large() -> Plan:
    """The plan of a machine with a carrier of 24 bays, 20 drives and many empty slots."""
    slots = [SlotSpec(label="SLOT1", connector=16, lanes=16, generation=4, power_watts=300)]
    slots += [SlotSpec(label=f"SLOT{number}", connector=1, lanes=1, generation=3) for number in range(2, 9)]
    rack = CardSpec(name="rack", connector=16, lanes=16, generation=4, carrier="switch", bays=24, cable_watts=300.0)
    drives = [DriveSpec(name=f"reel-{number:02}", generation=4) for number in range(1, 21)]
    machine = MachineSpec(name="vault")
    return planned(Sheet(source="vault.toml", machine=machine, slots=tuple(slots), cards=(rack,), drives=tuple(drives)))


@cache
def hostile() -> Plan:
    """The plan of a sheet all of whose names try to break out of where they stand."""

    def bad(name: str) -> str:
        return f"{name} {HOSTILE}"

    slots = (
        SlotSpec(label=bad("SLOT1"), connector=16, lanes=16, generation=4, splits=((4,) * 4,), uplink=bad("hub")),
        SlotSpec(label=bad("M2"), kind="m.2", connector=4, lanes=4, generation=4),
        SlotSpec(label=bad("SLOT2"), connector=4, lanes=4, generation=3),
    )
    cards = (
        CardSpec(name=bad("rack"), connector=16, lanes=16, generation=4, carrier="passive", bays=4, slot=bad("SLOT1")),
        CardSpec(name=bad("screen"), connector=16, lanes=16, generation=4, wants_mbps=9000.0),
    )
    drives = (
        DriveSpec(name=bad("reel"), kind=bad("kind"), generation=4, model=bad("model"), slot=bad("M2")),
        DriveSpec(name=bad("tape"), generation=4, model=bad("model"), length=bad("2280")),
        DriveSpec(name=bad("film"), generation=4),
    )
    return planned(
        Sheet(
            source=bad("sheet"),
            machine=MachineSpec(name=bad("machine"), product=bad("product")),
            uplinks=(Uplink(name=bad("hub"), lanes=8, generation=4),),
            slots=slots,
            cards=cards,
            drives=drives,
            stripes=(StripeSpec(bad("set"), 0, (bad("reel"), bad("tape"))),),
        )
    )


@cache
def kinds_of(name: str) -> tuple[Candidate, ...]:
    """Kinds of carriers side by side in the machine of a sheet of `fixtures/`."""
    asked = PlanRequest(str(FIXTURES / "sheets" / f"{name}.toml"), (), ("4xgen4",), KINDS)
    return compared(asked, Time)


def html_of(found: Plan | Sequence[Candidate], source: str = "sheet.toml") -> str:
    """The page of a plan, or of kinds side by side."""
    if isinstance(found, tuple | list):
        return page.candidates(found, source, MADE_AT)
    return page.plan(found, source, MADE_AT)  # type: ignore[arg-type] # a sequence of candidates is a tuple or a list


def markdown_of(found: Plan | Sequence[Candidate], source: str = "sheet.toml") -> str:
    """The Markdown of the same."""
    if isinstance(found, tuple | list):
        return plan_markdown.candidates(found, source, MADE_AT)
    return plan_markdown.plan(found, source, MADE_AT)  # type: ignore[arg-type] # as above


@cache
def plan_page() -> str:
    """The page of the plan of a refit."""
    return html_of(of_sheet("bench-1-refit"))


@cache
def small_page() -> str:
    """The page of a small plan, whose need is not met."""
    return html_of(of_sheet("bench-3-unmet"))


@cache
def large_page() -> str:
    """The page of a carrier with many bays."""
    return html_of(large())


@cache
def hostile_page() -> str:
    """The page of a plan whose every name is hostile."""
    return html_of(hostile(), HOSTILE)


@cache
def kinds_page() -> str:
    """The page of kinds of cards side by side."""
    return html_of(kinds_of("bench-3-unmet"))


# --- Reading back ----------------------------------------------------------------------------------------------


class PageReader(HTMLParser):
    """What a page says: its words outside the style sheet, piece by piece with the elements that they stand in."""

    def __init__(self, text: str) -> None:
        """Read a page."""
        super().__init__()
        self.open: list[str] = []
        self.found: list[tuple[tuple[str, ...], str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element, named with its classes ("ul.index")."""
        if tag not in EMPTY:
            classes = dict(attrs).get("class") or ""
            self.open.append(".".join([tag, *classes.split()]))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element without content says nothing."""

    def handle_endtag(self, tag: str) -> None:
        """The end of the innermost element, which has to be this one."""
        last = self.open.pop()
        assert last.split(".")[0] == tag, f"{tag} ends {last}"

    def handle_data(self, data: str) -> None:
        """Words."""
        if "style" not in self.open and data.strip():
            self.found.append((tuple(self.open), " ".join(data.split())))

    def inside(self, *names: str) -> list[str]:
        """The words inside elements of these names, one within the other."""
        return [words for place, words in self.found if _in_order(names, place)]

    @property
    def words(self) -> str:
        """All words of the page that people see or hear."""
        return " ".join(words for place, words in self.found if "title" not in place)


def _in_order(names: Sequence[str], place: Sequence[str]) -> bool:
    left = iter(place)
    return all(any(name == one or name in one.split(".") for one in left) for name in names)


def words_of_markdown(text: str) -> str:
    """All words of a document, block by block."""
    return " ".join(words for _, texts in blocks(text) for words in texts)


def squeezed(text: str) -> str:
    """Words without any space, as wrapping does not matter."""
    return re.sub(r"\s", "", text)
