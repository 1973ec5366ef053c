"""Machines of `fixtures/` with a build sheet beside them: the sheet is what they are held against. Test help only."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agent.audit import Audit, audit
from agent.sheets.expected import expected, limits, same_machine
from agent.sheets.reading import parse

if TYPE_CHECKING:
    from agent.sheets.sheet import Sheet
    from probes.facts import Facts

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
SHEET: Final = "sheet.toml"


@cache
def about(name: str) -> dict[str, Any]:
    """What a person wrote down of the machine."""
    return tomllib.loads((FIXTURES / name / "about.toml").read_text(encoding="utf-8"))


def sheet_of(name: str) -> Sheet | None:
    """The sheet that a machine of `fixtures/` is held against, where `about.toml` says that it is."""
    place = FIXTURES / name / SHEET
    if not place.with_name("about.toml").is_file() or not about(name).get("against", False):
        return None
    return parse(place.read_text(encoding="utf-8"), SHEET)


def audit_against(facts: Facts, sheet: Sheet | None) -> Audit:
    """The audit of a machine, held against a sheet as `check --against` does it."""
    found = audit(facts)
    if sheet is None:
        return found
    same_machine(sheet, facts)
    return audit(facts, planned=expected(sheet), limits=limits(sheet, found))
