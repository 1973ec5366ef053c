"""Pages of fixtures, soaks and comparisons, and machines whose every text is hostile to a page. Test help only."""

from __future__ import annotations

from functools import cache
from math import exp
from typing import TYPE_CHECKING, Any, Final, TypeVar

from msgspec import Struct, structs

from agent.audit import audit
from agent.compare.whole import compare
from agent.report.page import page
from probes import capture, collect
from probes.samples import Event
from tests import shown
from tests.machines import FIXTURES

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.soak.analysed import Analysis
    from probes.facts import Facts
    from probes.samples import Soak

Value = TypeVar("Value")
FOLDERS: Final = sorted(place.parent.name for place in FIXTURES.glob("*/capture.json"))
MADE_AT: Final = "2026-03-02T12:00:00Z"
# Ways to break out of where text stands on a page: of elements, attributes, titles, styles, comments, templates.
HOSTILE: Final = (
    "</svg></title></desc></style></textarea></table></article>"
    "<script>document.title='owned';console.error('owned')</script>"
    "<img src=x onerror=\"document.title='owned'\"><svg onload=alert(1)>"
    "\"' autofocus onfocus=alert(1) x='--><!--<![CDATA[ ]]>&lt;b&gt;&#60;i&#62; {{ 7 * 7 }}{% raw %}"
    "<link rel=stylesheet href=http://example.invalid/x.css><iframe src=javascript:alert(1)></iframe>"
    "<base href=http://example.invalid/><meta http-equiv=refresh content=0;url=http://example.invalid/>"
    "\x00\x1b[2J\u202e\u2028"
)
# Fields of facts, analyses and samples that hold text of devices, firmware or users.
TEXTS: Final = frozenset(
    {
        *("name", "maker", "product", "product_version", "board_maker", "board", "firmware_maker", "firmware_version"),
        *("firmware_date", "kernel", "vendor_name", "model_name", "model", "firmware", "serial", "state", "driver"),
        *("label", "designation", "usage", "chip", "words", "machine", "command", "source", "read", "expected", "text"),
        *("verify", "notes", "why", "headline", "verdict", "subject", "before", "after", "place", "what"),
        *("other_machine", "revisions", "level", "power_state", "interconnect", "slot_name", "cautions"),
    }
)


def facts(name: str) -> Facts:
    """The facts of a fixture."""
    kept = capture.parse((FIXTURES / name / "capture.json").read_bytes(), "capture.json")
    first, later = capture.recorded(kept)
    return collect(first, later, kept.taken_at)


@cache
def audited(name: str) -> Audit:
    """The audit of a fixture."""
    return audit(facts(name))


@cache
def page_of(name: str) -> str:
    """The page of a fixture."""
    return page([(f"{name} (capture)", audited(name))], [], None, MADE_AT)


@cache
def whole_page() -> str:
    """A page with everything: two captures of one machine, what changed between them, and a soak."""
    before, after = audited("bench-1-slot-limited"), audited("bench-1-upgraded")
    machines = [("before.json (capture)", before), ("after.json (capture)", after)]
    log, found = soaked()
    return page(machines, [("soak.sqlite (log)", log, found)], compare(before, after), MADE_AT)


@cache
def hostile_page() -> str:
    """A page of a machine, a comparison and a soak in which every text of devices and logs is hostile."""
    before = audit(tainted(facts("bench-1-slot-limited")))
    after = audit(tainted(facts("bench-2-worn-riser")))
    log, found = tainted(soaked())
    machines = [(HOSTILE, before), (HOSTILE, after), ("hostile-names", audited("hostile-names"))]
    return page(machines, [(HOSTILE, log, found)], tainted_rows(before, after), HOSTILE)


def tainted_rows(before: Audit, after: Audit) -> Any:  # noqa: ANN401 - a Comparison
    """A comparison whose own texts are hostile."""
    found = compare(before, after)
    rows = {name: tainted(getattr(found, name)) for name in ("parts", "changes", "findings", "doubts")}
    return structs.replace(found, verdict=HOSTILE, other_machine=HOSTILE, **rows)


def tainted(value: Value) -> Value:
    """The same with the hostile text behind each text that a device, a firmware, a log or a user can give."""
    return _tainted(value, inside=False)  # type: ignore[no-any-return] # it walks through all kinds of values


def _tainted(value: Any, *, inside: bool) -> Any:  # noqa: ANN401 - walks through all kinds of values
    if isinstance(value, str):
        return f"{value}{HOSTILE}" if inside else value
    if isinstance(value, tuple):
        return tuple(_tainted(one, inside=inside) for one in value)
    if isinstance(value, Struct):
        fields = {
            name: _tainted(getattr(value, name), inside=name in TEXTS and not _is_key(value, name))
            for name in value.__struct_fields__
        }
        return structs.replace(value, **fields)
    return value


def _is_key(value: Struct, name: str) -> bool:
    """Whether the rest of the program finds things by this text, so that no device can give it."""
    return name == "kernel" or (name == "state" and type(value).__name__ == "StripeSet")


# --- A soak ----------------------------------------------------------------------------------------------------


@cache
def soaked() -> tuple[Soak, Analysis]:
    """A soak of twenty minutes: one drive throttles, the other stays cool and is written as well."""
    hot, cool = shown.drive_head("nvme1"), shown.drive_head("nvme0")
    seconds = range(1201)
    slow = [0.0 if not 60 <= at <= 1100 else 2900.0 if at < 230 else 1200.0 + 20.0 * (at % 20) for at in seconds]
    fast = [0.0 if not 60 <= at <= 1100 else 2890.0 for at in seconds]
    events = (
        Event(226.0, "limit", "nvme1", "reached its warning temperature"),
        Event(300.0, "link", "nvme1", "its link went to 2.5 GT/s (Gen 1) x1"),
    )
    log = shown.logged(
        shown.track(hot, _warming(83.0, 58.0, 120.0), slow),
        shown.track(cool, _warming(70.0, 30.0, 150.0), fast, [100.0 * (at % 5) for at in seconds]),
        events=events,
    )
    found = shown.analysis(shown.hot("nvme1", head=hot), shown.cool("nvme0", head=cool), events=events)
    return log, found


def _warming(most: float, rise: float, tau: float) -> list[float]:
    """Degrees Celsius, second by second, from a minute on towards a settled temperature, held at `most`."""
    return [min(most, 36.0 + rise * (1.0 - exp(-max(0.0, at - 60.0) / tau))) for at in range(1201)]
