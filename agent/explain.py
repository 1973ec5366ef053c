"""Every rule, verdict, severity, step and word explained: what the code says, and the texts of knowledge/explained.

Loaded only when somebody asks. Judges nothing and shows nothing; every form of an explanation is made from this.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.model.findings import Severity, Verdict
from agent.rules import RULES
from knowledge.explained import texts
from knowledge.manual import CHAPTERS
from knowledge.phrasing import begun, listed
from knowledge.problems import BadInput
from knowledge.steps import COUNTED_ANYHOW, SINCE, SOURCE, STEPS, USUAL_SETUP_PLACE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.explained import Explained
    from knowledge.explained import Doing, Term
    from knowledge.steps import StepKind

Kind = Literal["verdict", "severity", "rule", "step", "word"]
KINDS: Final[tuple[Kind, ...]] = ("verdict", "severity", "rule", "step", "word")
MOST_NEAR: Final = 6  # words that are offered in place of one that nobody knows
LONGEST: Final = 60  # characters of such a word that are said back
ALIKE: Final = 0.6  # how alike two words must be, 0 to 1

# What fills the places of a step's text where no machine is meant.
IN_GENERAL: Final = {
    "here": "its place",
    "rate": "the best rate of its link",
    "other": "",
    "shows": "lanewright check shows that it is mended",
    "load": "the link should reach its best rate; if it does, it was only resting",
    "counted": COUNTED_ANYHOW,
    "beside": "The slot beside it is filled",
    "setup": USUAL_SETUP_PLACE,
    "lower": "the speed below its best",
    "note": "NAME",
    "idle": "",
    "advice": "Do what the text of the field note says.",
    "since": SINCE["start-up"],
    "register": "status",
    "read": "The bit",
}


class Explanation(Struct, frozen=True, kw_only=True):
    """One word explained.

    `title` says it in one sentence. `evidence` is what it rests on, for a step how one sees that it helped. `causes`
    are the usual ones, () for steps and words that have none. `see_also` are words that can be asked for in turn, and
    so are `steps`, those that a rule may lead to, and `rules`, those that lead to a step. `cautions` come before the
    step, whose `brief` says it in a few words. `severity` is that of a rule or verdict. `also` are other names of a
    word. `evidence` and `cannot_tell` of a word are "" where there is nothing to say.
    """

    word: str
    kind: Kind
    title: str
    meaning: str
    evidence: str
    causes: tuple[str, ...]
    cannot_tell: str
    source: str
    see_also: tuple[str, ...]
    severity: str | None = None
    cautions: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    brief: str = ""


def explanation(word: str) -> Explanation:
    """The explanation of a word; of several the first of `explanations` (BadInput as there)."""
    return explanations(word)[0]


def explanations(word: str) -> tuple[Explanation, ...]:
    """All explanations of a word, as a verdict and a rule may share one: in the order of `KINDS`.

    Upper and lower case, spaces and hyphens are alike; a kind may stand before the word ("step move"). An unknown word
    raises BadInput, which names the nearest that there are.
    """
    found = _found(word)
    if not found:
        near = nearest(word)
        hint = f"did you mean {listed(near, 'or')}" if near else "lanewright explain lists all words and chapters"
        raise BadInput(f'there is no explanation of "{word.strip()[:LONGEST]}"; {hint}')
    return found


def is_word(asked: str) -> bool:
    """Whether there is an explanation of it."""
    return _found(asked) != ()


def _found(word: str) -> tuple[Explanation, ...]:
    asked = _key(word)
    known = _by_key()
    kind, _, rest = asked.partition("-")
    if asked not in known and kind in KINDS:
        return tuple(text for text in known.get(rest, ()) if text.kind == kind)
    return known.get(asked) or _other_names().get(asked) or (() if asked in CHAPTERS else _of_many(asked))


def _of_many(asked: str) -> tuple[Explanation, ...]:
    """The word whose plural this is."""
    one = asked.removesuffix("s")
    return tuple(text for text in (_by_key().get(one) or _other_names().get(one, ())) if text.kind == "word")


@cache
def words() -> tuple[Explanation, ...]:
    """Every explanation: verdicts and severities worst first, rules and steps in their own order, then words."""
    return tuple(_all())


def nearest(word: str) -> tuple[str, ...]:
    """Words and chapters that hold the one asked for, or are written much like it; the nearest first."""
    from difflib import get_close_matches

    asked = _key(word)
    every = [*_by_key(), *_other_names(), *CHAPTERS]
    parts = [key for key in every if len(asked) > 2 and asked in key]  # noqa: PLR2004 - shorter ones are everywhere
    alike = get_close_matches(asked, every, MOST_NEAR, ALIKE)
    near = list(dict.fromkeys((*parts, *alike)))[:MOST_NEAR]
    return tuple(dict.fromkeys(word for key in near for word in _written(key)))


def _written(key: str) -> tuple[str, ...]:
    """The words of a key as they are written; a chapter's name is its key."""
    return tuple(text.word for text in _by_key().get(key) or _other_names().get(key, ())) or (key,)


# --- Each kind -------------------------------------------------------------------------------------------------


def _all() -> Iterator[Explanation]:
    found = texts()
    for verdict in Verdict:
        yield _of_judgement(verdict.value, "verdict", verdict.meaning, verdict.severity, verdict.kind.explained)
    for severity in Severity:
        if severity in found.severities:
            yield _of_term(severity.value, "severity", found.severities[severity])
    for rule in RULES.values():
        yield _of_judgement(rule.id, "rule", rule.title, rule.severity, rule.explained, rule.steps)
    for step in sorted(STEPS.values(), key=lambda step_kind: step_kind.rank):
        if step.action in found.steps:
            yield _of_step(step, found.steps[step.action])
    for word, term in found.words.items():
        yield _of_term(word, "word", term)


def _of_term(word: str, kind: Kind, text: Term) -> Explanation:
    return Explanation(
        word=word,
        kind=kind,
        title=text.title,
        meaning=text.meaning,
        evidence=text.evidence,
        causes=text.causes,
        cannot_tell=text.cannot_tell,
        source=text.source,
        see_also=text.see_also,
        also=text.also,
    )


def _of_judgement(
    word: str, kind: Kind, title: str, severity: Severity, text: Explained, steps: tuple[str, ...] = ()
) -> Explanation:
    return Explanation(
        word=word,
        kind=kind,
        title=_sentence(title),
        meaning=text.meaning,
        evidence=text.evidence,
        causes=text.causes,
        cannot_tell=text.cannot_tell,
        source=text.source,
        see_also=tuple(entry for entry in text.see_also if entry not in steps),
        severity=severity,
        steps=steps,
    )


def _of_step(step: StepKind, text: Doing) -> Explanation:
    rules = tuple(_leading_to(step.action))
    fill = {**IN_GENERAL, "subject": text.subject, "slot": text.slot}
    return Explanation(
        word=step.action,
        kind="step",
        title=_filled(step.text, fill),
        meaning=text.meaning,
        evidence=_begun(_filled(step.verify, fill)),
        causes=(),
        cannot_tell=text.cannot_tell,
        source=step.source if step.source != SOURCE else _sentence(SOURCE),
        see_also=tuple(word for word in text.see_also if word not in rules),
        cautions=step.cautions,
        rules=rules,
        brief=_filled(step.brief, fill),
    )


def _leading_to(action: str) -> Iterator[str]:
    """The rules that may lead to a step, by their list or, where a status may be old, by what they rest on."""
    for rule in RULES.values():
        if action in rule.steps or (action == "restart-and-read" and rule.of_status):
            yield rule.id


def _filled(text: str, fill: dict[str, str]) -> str:
    return text.format_map(fill).replace(" ()", "")


def _sentence(words: str) -> str:
    """The words with a capital and a full stop."""
    return f"{_begun(words).rstrip('.')}."


def _begun(words: str) -> str:
    """The words with a capital, but for the program's own name."""
    return words if words.startswith("lanewright") else begun(words)


# --- Looking up ------------------------------------------------------------------------------------------------


def _key(word: str) -> str:
    return re.sub(r"[\s_-]+", "-", word.strip().lower())


@cache
def _by_key() -> dict[str, tuple[Explanation, ...]]:
    found: dict[str, tuple[Explanation, ...]] = {}
    for word in words():
        found[_key(word.word)] = (*found.get(_key(word.word), ()), word)
    return found


@cache
def _other_names() -> dict[str, tuple[Explanation, ...]]:
    return {_key(name): (word,) for word in words() for name in word.also}
