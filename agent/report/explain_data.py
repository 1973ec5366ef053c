"""The JSON form of `explain`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import UNSET, Struct, UnsetType

from agent.report.form import build

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.explain import Explanation
    from agent.manual.chapters import Chapter

VERSION: Final = 1


class ExplanationData(Struct, frozen=True, kw_only=True):
    """One word explained. Read the cautions of a step before its title; `severity` is null for what has none.

    `evidence` is what it rests on, for a step how one sees that it helped; `steps` are those that a rule may lead to,
    `rules` those that lead to a step. `also` are other names of a word; its `evidence` and `cannot_tell` may be "".
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
    also: tuple[str, ...]


class ChapterData(Struct, frozen=True, kw_only=True):
    """A chapter of the manual; `markdown` is its text after the title, null in the list of all chapters."""

    name: str
    title: str
    markdown: str | None


class ExplainData(Struct, frozen=True, kw_only=True):
    """The explanations of one word, or of all words; or `chapters` of the manual, where those were asked for."""

    format: Literal["lanewright-explain"] = "lanewright-explain"
    version: int = VERSION
    explanations: tuple[ExplanationData, ...]
    chapters: tuple[ChapterData, ...] | UnsetType = UNSET


def form(found: Sequence[Explanation]) -> ExplainData:
    """The form of explanations."""
    return ExplainData(explanations=tuple(build(ExplanationData, explanation) for explanation in found))


def chapter(found: Chapter) -> ExplainData:
    """The form of one chapter."""
    return ExplainData(explanations=(), chapters=(build(ChapterData, found),))


def contents(titles: Mapping[str, str]) -> ExplainData:
    """The form of the list of chapters."""
    listed = (ChapterData(name=name, title=title, markdown=None) for name, title in titles.items())
    return ExplainData(explanations=(), chapters=tuple(listed))
