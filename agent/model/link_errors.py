"""The errors of a link that one of its ends has counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from probes.facts import PciFunction


def link_error_count(function: PciFunction) -> int:
    """Errors of the link itself that this end has counted; 0 where it counts none or cannot tell (see `errors`)."""
    return sum(count for _, count in link_error_counts(function))


def link_error_counts(function: PciFunction) -> list[tuple[str, int]]:
    """The specification's name and the count of each kind of link error this end has seen."""
    counted = function.errors
    if counted is None:
        return []
    found = []
    for names, known, aliases in (
        (counted.correctable, pcie.CORRECTABLE_ERRORS, pcie.CORRECTABLE_ERROR_ALIASES),
        (counted.nonfatal, pcie.UNCORRECTABLE_ERRORS, pcie.UNCORRECTABLE_ERROR_ALIASES),
        (counted.fatal, pcie.UNCORRECTABLE_ERRORS, pcie.UNCORRECTABLE_ERROR_ALIASES),
    ):
        if isinstance(names, Unread):
            continue
        for name, count in names.items():
            _, words, of_link = known.get(aliases.get(name, name), (0, "", False))
            if of_link and count:
                found.append((words, count))
    return found
