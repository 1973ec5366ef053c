"""Which functions of a machine are worth another look."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model import machine as topology
from agent.model import verdicts
from agent.model.findings import Verdict
from agent.model.link_errors import link_error_count

if TYPE_CHECKING:
    from probes.facts import Facts


def below_best(facts: Facts) -> tuple[str, ...]:
    """Addresses worth another look: both ends of each link below its best, or with errors counted."""
    built = topology.build(facts)
    found: list[str] = []
    for judged in verdicts.judge(built):
        ends = judged.link.ends
        noisy = judged.verdict is not Verdict.VIRTUAL and any(link_error_count(end) for end in ends)
        if judged.below_best or (noisy and judged.link.device is not None):
            found += [end.address for end in ends]
    return tuple(dict.fromkeys(found))
