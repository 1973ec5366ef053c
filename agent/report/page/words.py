"""Words that the page alone has, beside those that all forms share (agent/report/words.py, drive_words.py).

Decides nothing. All text of devices passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict
from agent.model.unseen_parts import missed
from agent.report import words
from agent.report.drive_words import temperature as with_first_limit
from knowledge.phrasing import begun, celsius_text, mbps_range, plain
from probes.tokens import is_word_token

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.judged import Judged

# What there is to say of a port below which nothing was seen.
NOTHING: Final = {
    Verdict.DARK: "a card is detected, but does not answer",
    Verdict.UNKNOWN: "not known whether a card is there",
}
NAME: Final = 60  # characters of a name in a line of its own
SHORT: Final = 40


def sentence(text: str) -> str:
    """Words with a capital and an end, as a sentence has them; "" stays as it is."""
    whole = begun(text)
    return whole if not whole or whole.endswith((".", "!", "?")) else f"{whole}."


# --- The machine -----------------------------------------------------------------------------------------------


def name(audit: Audit) -> str:
    """The machine's name; where it has none, or was kept out, the product, else words for the absence."""
    called = audit.facts.host.name
    if isinstance(called, str) and called and not is_word_token(called):
        return plain(called, NAME)
    return product(audit) or (
        "A machine without a name" if missed(called) is None else "A machine (its name could not be read)"
    )


def beside(audit: Audit) -> str:
    """What stands beside the machine's name: its product, or what became of a name that is not shown ("" for none)."""
    called = audit.facts.host.name
    if isinstance(called, str) and called:
        return f"name withheld: {plain(called, SHORT)}" if is_word_token(called) else product(audit)
    if not product(audit):
        return ""
    return "no name reported" if missed(called) is None else "its name could not be read"


def product(audit: Audit) -> str:
    """Maker and product, "" where neither is told."""
    host = audit.facts.host
    return " ".join(plain(part, NAME) for part in (host.maker, host.product) if isinstance(part, str))


# --- A link ----------------------------------------------------------------------------------------------------


def what(judged: Judged, audit: Audit) -> str:
    """What sits at the end of a link."""
    if judged.link.device is None:
        return NOTHING.get(judged.verdict, "nothing fitted")
    return words.leads_to(judged, audit)


def now(judged: Judged) -> str:
    """The rate of a link now, or what there is in its place."""
    if judged.link.device is None and judged.verdict is not Verdict.UNKNOWN:
        return "no link"
    return words.rate_now(judged)


# --- A drive ---------------------------------------------------------------------------------------------------


def temperature(seen: DriveSeen) -> str:
    """A drive's temperature with both of its limits, where it has both."""
    warning, critical = seen.warning_celsius, seen.critical_celsius
    if not isinstance(seen.celsius, float | int) or warning is None or critical is None:
        return with_first_limit(seen)
    limits = f"warning at {celsius_text(warning)}, critical at {celsius_text(critical)}"
    return f"{celsius_text(seen.celsius)} ({limits})"


def rates(found: tuple[float, float] | None) -> str:
    """A range of rates, or that it is not known."""
    return "not known" if found is None else mbps_range(found)
