"""The JSON form of `explain`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

from msgspec import Struct

from agent.report.form import build
from agent.report.form import schema as schema_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.explain import Explanation

VERSION: Final = 1


class ExplanationData(Struct, frozen=True, kw_only=True):
    """One word explained. Read the cautions of a step before its title; `severity` is null for what has none.

    `evidence` is what it rests on, for a step how one sees that it helped; `steps` are those that a rule may lead to,
    `rules` those that lead to a step.
    """

    word: str
    kind: Literal["verdict", "severity", "rule", "step", "word"]
    severity: str | None
    cautions: tuple[str, ...]
    title: str
    meaning: str
    evidence: str
    causes: tuple[str, ...]
    cannot_tell: str
    source: str
    steps: tuple[str, ...]
    rules: tuple[str, ...]
    see_also: tuple[str, ...]


class ExplainData(Struct, frozen=True, kw_only=True):
    """The explanations of one word, or of all words."""

    format: Literal["lanewright-explain"] = "lanewright-explain"
    version: int = VERSION
    explanations: tuple[ExplanationData, ...]


def form(found: Sequence[Explanation]) -> ExplainData:
    """The form of explanations."""
    return ExplainData(explanations=tuple(build(ExplanationData, one) for one in found))


def schema() -> dict[str, Any]:
    """The JSON Schema of the form."""
    return schema_of(ExplainData)
