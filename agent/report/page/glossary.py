"""The words of the page explained: severities, verdicts and rules that stand on it, and no others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.explain import Explanation


class GlossaryWord(Struct, frozen=True, kw_only=True):
    """One word; `anchor` is its place on the page."""

    anchor: str
    word: str
    kind: str
    title: str
    meaning: str
    evidence: str
    causes: tuple[str, ...]
    cannot_tell: str
    source: str


def anchor(kind: str, word: str) -> str:
    """Where a word is explained on the page."""
    return f"word-{kind}-{word}"


def glossary(audits: Sequence[Audit]) -> tuple[GlossaryWord, ...]:
    """The words of these audits, severities first, in the order of the explanations."""
    from agent.explain import words
    from agent.report.words import findings, remarks

    shown = [finding for audit in audits for finding in (*findings(audit), *remarks(audit))]
    used = {("severity", finding.severity.value) for finding in shown} | {("rule", finding.rule) for finding in shown}
    used |= {("verdict", judged.verdict.value) for audit in audits for judged in audit.links}
    order = ("severity", "verdict", "rule")
    found = [word for word in words() if (word.kind, word.word) in used] if used else []
    return tuple(
        _explained(explanation) for explanation in sorted(found, key=lambda explanation: order.index(explanation.kind))
    )


def _explained(explanation: Explanation) -> GlossaryWord:
    return GlossaryWord(
        anchor=anchor(explanation.kind, explanation.word),
        word=explanation.word,
        kind=explanation.kind,
        title=explanation.title,
        meaning=explanation.meaning,
        evidence=explanation.evidence,
        causes=explanation.causes,
        cannot_tell=explanation.cannot_tell,
        source=explanation.source,
    )
