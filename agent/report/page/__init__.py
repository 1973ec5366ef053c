"""The report as one HTML file: whole in itself, without scripts, and nothing in it asks the network for anything.

Decides nothing: it shows what audits, analyses and comparisons say. Every text passes `plain` and is escaped by the
templates; the one style sheet is allowed by its digest, and nothing else is allowed at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from knowledge.phrasing import plain, some

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from agent.soak.analysed import Analysis
    from probes.samples import Soak

LONGEST: Final = 2000  # characters of one text; views cut names shorter


def page(
    machines: Sequence[tuple[str, Audit]],
    soaks: Sequence[tuple[str, Soak, Analysis]],
    comparison: Comparison | None,
    made_at: str,
) -> str:
    """The page of machines and soaks, each with what it was read from in words, and of what changed between two.

    `made_at` is the date and time for the foot of the page.
    """
    from agent.report.health import HEAD
    from agent.report.page.changes import changes
    from agent.report.page.glossary import glossary
    from agent.report.page.machine import machine
    from agent.report.page.origins import origins
    from agent.report.page.overview import overview, overview_title
    from agent.report.page.roles import WHAT_WAS_TO_DO, as_of_then, in_order, told_apart, uncompared
    from agent.report.page.soaks import soak
    from agent.report.page.soaks import told_apart as soaks_told_apart
    from agent.report.words import moment

    ordered = in_order(machines, comparison)
    shown = told_apart(
        [(role, machine(source, audit, number)) for number, (role, source, audit) in enumerate(ordered, 1)]
    )
    drives = soaks_told_apart(
        [soak(source, log, found, number) for number, (source, log, found) in enumerate(soaks, 1)]
    )
    explained = glossary([audit for _, audit in machines])
    return rendered(
        "page.html.j2",
        title=_title([one.name for one in shown], [drive.machine for drive in drives]),
        machines=shown,
        soaks=drives,
        as_of_then=as_of_then,
        what_was_to_do=WHAT_WAS_TO_DO,
        uncompared=uncompared(machines, comparison),
        overview=overview(shown, drives),
        overview_title=overview_title(shown),
        changes=None if comparison is None else changes(comparison),
        health_head=HEAD,
        origins=origins([audit for _, audit in machines], soaks=bool(soaks)),
        glossary=explained,
        known={glossary_word.anchor for glossary_word in explained},
        made_at=moment(plain(made_at, 40)),
    )


def rendered(template: str, **shown: Any) -> str:  # noqa: ANN401 - whatever the template shows
    """A whole page by the template of this name, with the one style sheet and what allows it."""
    environment = _environment()
    style = _style(environment)
    return environment.get_template(template).render(style=style, digest=_digest(style), **shown)


def _title(machines: Sequence[str], soaks: Sequence[str]) -> str:
    return some(dict.fromkeys((*machines, *soaks)), 3)


def _environment() -> Environment:
    """Templates that escape all that is put into them; a name that they do not know is a fault of ours."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("agent.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_harmless,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _harmless(value: Any) -> Any:  # noqa: ANN401 - whatever a template puts out
    """Text without characters that act; marked-up text comes from our own templates alone and stays."""
    return value if hasattr(value, "__html__") or not isinstance(value, str) else plain(value, LONGEST)


def _style(environment: Environment) -> Any:  # noqa: ANN401 - text that is marked as safe
    """The style sheet, as it stands in the page to the letter."""
    from markupsafe import Markup

    assert environment.loader is not None
    return Markup(environment.loader.get_source(environment, "style.css")[0])  # noqa: S704 - our own file


def _digest(style: str) -> str:
    """What allows this style sheet and no other. Source: W3C Content Security Policy Level 3, section 2.3.1."""
    from base64 import b64encode
    from hashlib import sha256

    return f"sha256-{b64encode(sha256(style.encode()).digest()).decode()}"
