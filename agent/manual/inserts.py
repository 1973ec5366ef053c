"""What chapters of the manual take from the program when they are read: lists of verdicts, rules, steps, registers.

Each gives Markdown of the manual's own kind. Nothing of it is stored, so nothing of it can grow old.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from knowledge.phrasing import sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from probes.platforms import Platform

INSERT: Final = re.compile(r"^\{\{ ([a-z ]+) \}\}$", re.MULTILINE)
NOT_PASSED: Final = "`check`: or readings failed that may hide a fault, and nothing at or above `--fail-on` was found."


def filled(markdown: str, more: Mapping[str, Callable[[], str]]) -> str:
    """The text with what the program knows in its places; `more` are makers that stand above this module."""
    makers = {**MAKERS, **more}
    return INSERT.sub(lambda match: makers[match[1]]().rstrip("\n"), markdown)


def _listed(rows: Iterable[tuple[str, str]]) -> str:
    return "".join(f"- **{name}**: {words}\n" for name, words in rows)


def verdicts() -> str:
    """Each verdict with its severity and meaning."""
    from agent.explain import words

    return _listed(
        (word.word, f"{word.severity}. {word.title} {word.meaning}") for word in words() if word.kind == "verdict"
    )


def severities() -> str:
    """Each severity with what it asks of you."""
    from agent.explain import words

    return _listed((word.word, word.title) for word in words() if word.kind == "severity")


def rules() -> str:
    """Each rule with its severity, what it finds and where that may lead."""
    from agent.explain import words

    return _listed(
        (word.word, f"{word.severity}. {word.title} Steps: {', '.join(word.steps) or 'none'}.")
        for word in words()
        if word.kind == "rule"
    )


def steps() -> str:
    """Each step from the least to the most invasive."""
    from agent.explain import words
    from knowledge.steps import STEPS

    return _listed(
        (word.word, f"{word.title}{' Hands inside the machine.' if STEPS[word.word].hardware else ''}")
        for word in words()
        if word.kind == "step"
    )


def questions() -> str:
    """The order in which the comparer asks."""
    from agent.model.verdicts import QUESTIONS

    return "".join(f"{number}. {words}\n" for number, words in enumerate(QUESTIONS, 1))


def exit_statuses() -> str:
    """What the exit status says."""
    from knowledge.problems import BadInput, NothingRead

    return _listed(
        (
            ("0", "Nothing at or above `--fail-on` (a fault, unless told otherwise) was found."),
            ("1", "Something at or above `--fail-on` was found."),
            (str(BadInput.exit_status), _meaning(BadInput)),
            (str(NothingRead.exit_status), f"{_meaning(NothingRead)} {NOT_PASSED}"),
        )
    )


def _meaning(problem: type[Exception]) -> str:
    return sentence((problem.__doc__ or "").split("(", 1)[0].strip())


def seen_where() -> str:
    """What can be seen on each platform, and why what cannot be is not."""
    from probes import PLATFORMS, platform

    modules = {name: platform(name) for name in PLATFORMS}
    kinds = dict.fromkeys(kind for module in modules.values() for kind in (*module.offers, *module.without))
    names = sorted(modules, key=lambda name: -len(modules[name].offers))
    parts = [f"### {name}\n\n{_listed((kind, _seen(kind, modules[name])) for kind in kinds)}" for name in names]
    return "\n".join((*parts, f"### any other\n\nUnknown: {platform('any other').without['everything']}.\n"))


def _seen(kind: str, module: Platform) -> str:
    """How a platform gives a kind of fact, or why it does not."""
    if kind in module.offers:
        return module.offers[kind]
    return f"unknown: {module.without[kind]}" if kind in module.without else "given with other kinds"


def registers() -> str:
    """Every register and structure that is decoded, by its home, with the source."""
    found: dict[tuple[str, str], list[str]] = {}
    for home, source, name, offset in _decoded():
        found.setdefault((home, source), []).append(f"`{name}` ({offset:02X}h)")
    return _listed((home, f"{', '.join(names)}. Source: {source}.") for (home, source), names in found.items())


def _decoded() -> Iterator[tuple[str, str, str, int]]:
    """Home, source, name and offset of everything that is decoded."""
    from knowledge import nvme, pcie

    for layout in (*pcie.ALL_LAYOUTS, *nvme.ALL_LAYOUTS):
        yield layout.home, layout.source, layout.name, layout.offset
    homes = {layout.source: layout.home for layout in nvme.ALL_LAYOUTS}
    for text in nvme.ALL_TEXTS:
        yield homes[text.source], text.source, text.name, text.offset


MAKERS: Final[dict[str, Callable[[], str]]] = {
    "verdicts": verdicts,
    "severities": severities,
    "exit status": exit_statuses,
    "seen where": seen_where,
    "rules": rules,
    "steps": steps,
    "registers": registers,
    "questions": questions,
}
