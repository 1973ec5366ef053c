"""What `plan` is asked for, and the answer to it: a sheet is read, parts are added or tried, places are found.

Reads the sheet and nothing else. Shows nothing and takes no time: what tells that time is left is an argument.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.planner.clock import Time
    from agent.planner.result import Candidate, Plan
    from agent.sheets.sheet import CardSpec, DriveSpec


class PlanRequest(Struct, frozen=True):
    """A sheet by its file ("-": standard input), kinds of cards and drives to add to it, kinds of cards to try in it.

    `drives` are words such as "4xgen4".
    """

    sheet: str
    cards: tuple[str, ...] = ()
    drives: tuple[str, ...] = ()
    tried: tuple[str, ...] = ()


class Proposal(Struct, frozen=True):
    """The plan of a sheet, its text as it was read, its name for people, and the parts that were added to it."""

    plan: Plan
    text: str
    name: str
    cards: tuple[CardSpec, ...]
    drives: tuple[DriveSpec, ...]


def proposed(asked: PlanRequest, time: Time) -> Proposal:
    """The plan of a sheet with the parts that are added to it."""
    from agent.planner.plan import plan
    from agent.sheets.reading import parse, read_text

    text, name = read_text(asked.sheet)
    given = sheet = parse(text, name)
    if asked.cards or asked.drives:
        from agent.planner.whatif import added

        sheet = added(given, asked.cards, _drives(asked))
    cards = tuple(card for card in sheet.cards if card not in given.cards)
    drives = tuple(drive for drive in sheet.drives if drive not in given.drives)
    found = plan(sheet, time.searching, telling=time.telling, suggest=True)
    return Proposal(found, text, name, cards, drives)


def written(proposal: Proposal) -> str:
    """The text of the sheet with the parts that were added, and all places as planned."""
    from agent.sheets.adding import with_parts
    from agent.sheets.writing import with_placement

    text = proposal.text
    if proposal.cards or proposal.drives:
        text = with_parts(text, proposal.cards, proposal.drives)
    return with_placement(text, proposal.plan.placement, proposal.name)


def compared(asked: PlanRequest, clock: Callable[[], Time]) -> tuple[Candidate, ...]:
    """Each kind that is tried, in the machine of the sheet; `clock` starts the time of one kind."""
    from agent.planner.whatif import added, compare
    from agent.sheets.reading import read

    sheet = read(asked.sheet)
    drives = _drives(asked)
    if asked.cards:
        sheet = added(sheet, asked.cards, ())
    tried: list[Candidate] = []
    for kind in asked.tried:
        time = clock()
        tried += compare(sheet, (kind,), drives, time.searching, time.telling)
    return tuple(tried)


def _drives(asked: PlanRequest) -> tuple[DriveSpec, ...]:
    from agent.sheets.reading import drives_of

    return tuple(drive for words in asked.drives for drive in drives_of(words))


def complete(found: Plan) -> bool:
    """Whether every part has a place and every need is met."""
    return not found.unplaced and all(need.answer != "not met" for need in found.needs)
