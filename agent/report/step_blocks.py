"""Steps as all forms tell them: neighbours of a kind together, under the cautions that come before them.

A form decides looks only; how it escapes text is given.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.phrasing import mbps, plain
from knowledge.steps import FIRMWARE, POWER_OFF, SETUP, SHORT, STEPS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.model.findings import Finding, Step

STEP: Final = 600  # characters
VERIFY: Final = 400


class StepLine(Struct, frozen=True):
    """A step with its number, and how to see that it helped; `shared` tells that the next one is seen so as well."""

    number: int
    text: str
    verify: str
    shared: bool


class StepBlock(Struct, frozen=True):
    """Neighbouring steps. `before` begins their cautions, `again` has those that were told above, in brief."""

    before: str
    again: str
    cautions: tuple[str, ...]
    steps: tuple[StepLine, ...]


def steps_of(group: Sequence[Finding]) -> list[Step]:
    """All steps of the findings of one subject, each once, least invasive first."""
    steps = {step.text: step for finding in group for step in finding.steps}
    return sorted(steps.values(), key=lambda step: STEPS[step.action].rank)


def gains(steps: Sequence[Step]) -> set[float]:
    """The different gains that steps should bring, MB/s."""
    return {step.gain_mbps for step in steps if step.gain_mbps is not None}


def lead(words: str, steps: Sequence[Step]) -> str:
    """What stands above all steps: what to do, and what it should bring where that is one figure."""
    more = brings(steps)
    return f"{words}, least invasive first{f'; {more}' if more else ''}:"


def brings(steps: Sequence[Step]) -> str:
    """What the step that helps should bring, where that is one figure for all; "" otherwise."""
    found = gains(steps)
    return f"the step that helps should bring up to {mbps(*found)} more" if len(found) == 1 else ""


def blocks(
    steps: Sequence[Step],
    said: set[str],
    *,
    each_gain: bool,
    escape: Callable[[str, int], str] = plain,
    brief: bool = False,
) -> Iterator[StepBlock]:
    """The steps in their order; cautions that are not in `said` are told in full, and stand in it from then on.

    Steps in `brief` say what to do, without how, and not how to verify it.
    """
    first = 1
    for cautions, together in _runs(steps):
        again = ", ".join(SHORT.get(caution, caution) for caution in cautions if caution in said)
        yield StepBlock(
            f"Before {which(first, first + len(together) - 1)}:" if cautions else "",
            f" as above, {again}." if again else "",
            tuple(caution for caution in cautions if caution not in said),
            tuple(_lines(together, first, each_gain=each_gain, escape=escape, brief=brief)),
        )
        said.update(cautions)
        first += len(together)


def _lines(
    together: Sequence[Step], first: int, *, each_gain: bool, escape: Callable[[str, int], str], brief: bool
) -> Iterator[StepLine]:
    for place, step in enumerate(together):
        brings = f" Should bring up to {mbps(step.gain_mbps)} more." if step.gain_mbps and each_gain else ""
        shared = any(following.verify == step.verify for following in together[place + 1 : place + 2])
        text = f"{escape(step.brief, STEP)}." if brief and step.brief else escape(step.text, STEP)
        yield StepLine(first + place, f"{text}{brings}", "" if brief else escape(step.verify, VERIFY), shared)


def _runs(steps: Sequence[Step]) -> list[tuple[tuple[str, ...], list[Step]]]:
    """Neighbouring steps of a kind (looking, hands inside, settings, firmware) under all cautions any of them needs."""
    found: list[tuple[tuple[str, ...], list[Step]]] = []
    kinds: list[tuple[bool, ...]] = []
    for step in steps:
        kind = tuple(sign in step.cautions for sign in (POWER_OFF, SETUP, FIRMWARE))
        if kinds and kinds[-1] == kind:
            cautions, together = found[-1]
            found[-1] = (tuple(dict.fromkeys((*cautions, *step.cautions))), [*together, step])
        else:
            kinds.append(kind)
            found.append((step.cautions, [step]))
    return found


def which(first: int, last: int) -> str:
    """The steps from one number to another: "step 1", "steps 2 and 3", "steps 2 to 5"."""
    if first == last:
        return f"step {first}"
    return f"steps {first} {'and' if last == first + 1 else 'to'} {last}"
