"""What a rule is, and what it may see. Rules hold no state and change nothing they see."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.findings import Evidence, Rate, Severity
    from agent.judged import Judged
    from agent.machine import Machine
    from agent.throughput import Share
    from probes.unread import Unread


class Seen(Struct, frozen=True):
    """All that a rule may see: the machine, its judged links, and each drive's share alone and together.

    The shares are by the drive's name; a drive whose path says nothing of rates has none.
    """

    machine: Machine
    judged: tuple[Judged, ...]
    by_key: dict[str, Judged]
    alone: dict[str, Share]
    together: dict[str, Share]

    def at(self, key: str) -> Judged | None:
        """The judged link of this key (`Link.key`)."""
        return self.by_key.get(key)


class Move(Struct, frozen=True):
    """A better place for a card: the slot in words, the rate there, and whose card is there now (None: free)."""

    slot: str
    rate: Rate
    gain_mbps: float
    swaps_with: str | None = None
    needs_carrier: bool = False


class Found(Struct, frozen=True):
    """What one rule saw on one subject. The runner makes it a finding with id, severity and steps.

    `severity` overrides the rule's own; `judged` and `move` feed the steps.
    """

    subject: str
    headline: str
    evidence: tuple[Evidence, ...]
    severity: Severity | None = None
    judged: Judged | None = None
    move: Move | None = None
    gain_mbps: float | None = None


class Rule(Struct, frozen=True):
    """A registered rule: its id, the severity it gives, machines of `fixtures/` it must and must not fire on."""

    id: str
    severity: Severity
    fires_on: tuple[str, ...]
    quiet_on: tuple[str, ...]
    run: Callable[[Seen], Iterator[Found | Unread]]

    @property
    def title(self) -> str:
        """The first line of the rule's docstring, without its full stop."""
        return (self.run.__doc__ or "").strip().split("\n", 1)[0].rstrip(".")


RULES: Final[dict[str, Rule]] = {}


def rule(
    name: str, severity: Severity, *, fires_on: tuple[str, ...], quiet_on: tuple[str, ...]
) -> Callable[[Callable[[Seen], Iterator[Found | Unread]]], Callable[[Seen], Iterator[Found | Unread]]]:
    """Register a rule under a name that nobody else has (ValueError)."""

    def register(run: Callable[[Seen], Iterator[Found | Unread]]) -> Callable[[Seen], Iterator[Found | Unread]]:
        if name in RULES:
            raise ValueError(f"two rules are called {name}")
        RULES[name] = Rule(name, severity, fires_on, quiet_on, run)
        return run

    return register
