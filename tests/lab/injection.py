"""What must hold of a reading that failed, judged from documents alone: nothing here runs, boots or reads a machine.

One run of the program was whole, another the same but for one reading that was made to fail. Four laws:

1. `broken`: it ends by itself, with one of its exit statuses and without a traceback.
2. `silence`: what it no longer says (a finding, a verdict, a drive, a figure) it explains by a reason that is new.
3. `good_news`: where a list failed, or a fault is no longer told, it does not end with 0 and does not say all is well.
4. `false_changes`: compared with the whole run, either way round, it names doubts and nothing else.

Keys of the documents are those of `lanewright schema check` and `lanewright schema compare`.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

Document: TypeAlias = "Mapping[str, Any]"

# What `check` may end with (README, exit status), and what of it always comes with a document.
STATUSES: Final = frozenset({0, 1, 2, 3})
WITH_DOCUMENT: Final = frozenset({0, 1})
ALL_IS_WELL: Final = "Nothing to do"
TRACEBACK: Final = "Traceback (most recent call last)"

# Words about how a thing was found, not what was found; and what names the thing itself.
NO_STATEMENTS: Final = frozenset({"evidence", "looks", "severity", "status_as_of", "why", "caution", "copies_read"})
NOTHING_SAID: Final[tuple[object, ...]] = (None, [], "unknown")
# What says that a reading was refused, where the program says it without the name of the error.
WORDS_FOR: Final = {"EACCES": ("EACCES", "super-user")}
COUNTED: Final = re.compile(r"\b\d+(?= [a-z])")
# How many words name a thing as a whole; with more it is a figure of one.
WORDS_OF_THINGS: Final = {"finding": 3, "link": 3, "verdict": 2, "drive": 2, "set": 2}
NO_CHANGES: Final = ("parts", "changes", "findings")

Statement = tuple[str, ...]


class Said(Struct, frozen=True):
    """What one run of a command left. `code` is None where it had to be ended."""

    code: int | None
    document: Document | None
    errors: str
    text: str = ""


class Spoilt(Struct, frozen=True):
    """A run of `check` with one reading spoilt, and the comparisons of the whole machine with it, both ways.

    `error` is the name of the error that was put in, None where the reading was cut short instead. `listing` tells
    that the reading lists functions, drives, sensors or sets, `harmless` that all of it could be had, if not at once.
    """

    check: Said
    compared: tuple[Said, ...]
    error: str | None
    listing: bool = False
    harmless: bool = False


class Violation(Struct, frozen=True, order=True):
    """A law that does not hold: its number, and what was found."""

    law: int
    words: str


def violations(whole: Said, spoilt: Spoilt) -> list[Violation]:
    """All that is wrong with a spoilt run, held against the whole one."""
    laws = {
        1: broken(spoilt.check),
        2: silence(whole, spoilt),
        3: good_news(whole, spoilt),
        4: (words for one in spoilt.compared for words in (*false_changes(one), *no_doubt(one, whole, spoilt))),
    }
    return sorted({Violation(law, words) for law, found in laws.items() for words in found})


# --- The first law ---------------------------------------------------------------------------------------------


def broken(said: Said) -> Iterator[str]:
    """How a run ended that did not end as it may."""
    if said.code is None:
        yield "it did not end by itself"
    elif said.code not in STATUSES:
        yield f"it ended with {said.code}"
    if TRACEBACK in said.errors + said.text:
        yield f"a traceback: {said.errors.strip().splitlines()[-1:]}"
    if said.code in WITH_DOCUMENT and said.document is None:
        yield "it gave no document"


# --- The second law --------------------------------------------------------------------------------------------


def silence(whole: Said, spoilt: Spoilt) -> Iterator[str]:
    """Statements that are gone although no new reason is given."""
    gone = lost(whole.document, spoilt.check.document)
    if gone and spoilt.harmless:
        yield f"gone although nothing failed: {shortened(gone)}"
    elif gone and not list(new_reasons(whole, spoilt)):
        yield f"gone without a reason: {shortened(gone)}"


def lost(whole: Document | None, spoilt: Document | None) -> list[Statement]:
    """What the whole run says and the spoilt one does not say in the same way."""
    before, after = statements(whole), statements(spoilt)
    return sorted(key for key, value in before.items() if after.get(key) != value)


def statements(check: Document | None) -> dict[Statement, Any]:
    """All that a document of `check` says of findings, links, drives, sets and the machine, by what it is of."""
    found: dict[Statement, Any] = {}
    if check is None:
        return found
    for one in check["findings"]:
        if one["severity"] != "unknown":
            found["finding", one["rule"], one["subject"]] = one["severity"]
    for link in check["links"]:
        ends = str(link["port"]), str(link["device"])
        found["link", *ends] = True
        found.update(figures(("link", *ends), {key: value for key, value in link.items() if key != "verdict"}))
        found.update(figures(("verdict",), {" ".join(ends): link["verdict"]}))
    for kind, name in (("drives", "drive"), ("stripes", "set")):
        for one in check[kind]:
            found[name, one["name"]] = True
            found.update(figures((name, one["name"]), one))
    found.update(figures(("host",), check["host"]))
    return found


def figures(place: Statement, of: Document) -> Iterator[tuple[Statement, Any]]:
    """Every value below a part of a document that says something: null, an empty list and "unknown" say nothing."""
    for key, value in of.items():
        if key in NO_STATEMENTS or value in NOTHING_SAID:
            continue
        if isinstance(value, dict):
            yield from figures((*place, key), value)
        else:
            yield (*place, key), value


def new_reasons(whole: Said, spoilt: Spoilt) -> Iterator[str]:
    """Reasons that the spoilt run gives for what it does not know, and the whole one does not.

    A reason for the same error counts if it is of another thing; how many things it is of does not matter.
    """
    document = spoilt.check.document
    given = [("", spoilt.check.errors)] if document is None else sorted(reasons(document))
    known = set(reasons(whole.document))
    of_others = {why for _, why in known}
    for what, why in given:
        if spoilt.error is None:
            new = why not in of_others
        else:
            new = (what, why) not in known and names(spoilt.error, f"{what} {why}")
        if new and why.strip():
            yield f"{what}: {why}"


def names(error: str, words: str) -> bool:
    """Whether `words` tell of this error."""
    return any(word in words for word in WORDS_FOR.get(error, (error,)))


def reasons(check: Document | None) -> Iterator[tuple[str, str]]:
    """(what, why) of all that a document says it does not know; numbers of things are left out."""
    if check is None:
        return
    for one in check["unread"]:
        yield COUNTED.sub("N", one["what"]), one["why"]
    for one in check["findings"]:
        if one["severity"] == "unknown":
            for reading in one["evidence"]:
                yield COUNTED.sub("N", reading["source"]), reading["read"]


# --- The third law ---------------------------------------------------------------------------------------------


def good_news(whole: Said, spoilt: Spoilt) -> Iterator[str]:
    """What a run says that all is well with, although it cannot know."""
    gone = faults(whole.document) - faults(spoilt.check.document)
    if not gone and not spoilt.listing:
        return
    hidden = f"{shortened(sorted(gone))} no longer told" if gone else "a list is missing"
    if spoilt.check.code == 0:
        yield f"it ended with 0, {hidden}"
    if any(line.startswith(ALL_IS_WELL) for line in spoilt.check.text.splitlines()):
        yield f'its page says "{ALL_IS_WELL}", {hidden}'


def faults(check: Document | None) -> set[Statement]:
    """Rule and subject of each fault."""
    found = () if check is None else check["findings"]
    return {(one["rule"], one["subject"]) for one in found if one["severity"] == "fault"}


# --- The fourth law --------------------------------------------------------------------------------------------


def false_changes(compared: Said) -> Iterator[str]:
    """What a comparison of a machine with itself says that has changed."""
    yield from broken(compared)
    if compared.document is None:
        return
    for kind in NO_CHANGES:
        for one in compared.document[kind]:
            yield f"{kind}: {summary(one)}"
    if compared.document["other_machine"]:
        yield f"another machine: {compared.document['other_machine']}"
    if compared.code or compared.document["worse"]:
        yield f"it ended with {compared.code}: {compared.document['verdict']}"


def no_doubt(compared: Said, whole: Said, spoilt: Spoilt) -> Iterator[str]:
    """Whether a comparison is silent although a finding, a link or its verdict, a drive or a set is gone."""
    gone = [one for one in lost(whole.document, spoilt.check.document) if len(one) == WORDS_OF_THINGS.get(one[0])]
    if gone and compared.document is not None and not compared.document["doubts"]:
        yield f"no doubt is named, but gone is {shortened(gone)}"


def summary(change: Document) -> str:
    """A few words of a change of any kind."""
    kind, subject, what = (change.get(key, "") for key in ("kind", "subject", "what"))
    sides = [side for side in (change["before"], change["after"]) if isinstance(side, dict)]
    named = [str(side.get("name") or side.get("rule")) for side in sides[:1]]
    return " ".join(filter(None, [kind, *named, subject, what]))


# --- Words -----------------------------------------------------------------------------------------------------


def shortened(found: Iterable[Statement], most: int = 3) -> str:
    """The first of them, and how many more there are."""
    listed = [" ".join(one) for one in found]
    more = len(listed) - most
    return ", ".join(listed[:most]) + (f" and {more} more" if more > 0 else "")
