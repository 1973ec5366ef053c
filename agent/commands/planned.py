"""How `plan` shows what it found: in the form that is asked for, on standard output or in a file. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import click
from msgspec import Struct

from agent import output

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.result import Candidate, Plan

ENDINGS: Final = {".html": "html", ".htm": "html", ".md": "markdown", ".markdown": "markdown", ".json": "json"}


class PlanForm(Struct, frozen=True, kw_only=True):
    """A form, and the file that it goes to (None: standard output); `made_at` is the time that it names.

    Text is short, unless it is to be `full`; the other forms are whole.
    """

    form: str
    out: str | None
    force: bool
    made_at: str
    full: bool = False

    def plan(self, found: Plan, name: str) -> None:
        """Show a plan; `name` is the sheet's name for people."""
        self._show("plan", found, name)

    def candidates(self, tried: Sequence[Candidate]) -> None:
        """Show kinds of cards side by side."""
        self._show("candidates", tried, tried[0].plan.sheet.source)

    def _show(self, what: Literal["plan", "candidates"], found: object, name: str) -> None:
        """Each form has a function of this name."""
        if self.form == "text":
            from functools import partial

            from agent.report import planning

            page = planning.candidates if what == "candidates" else partial(planning.plan, short=not self.full)
            output.page(page, found, name)
        elif self.form == "json":
            from agent.report import plan_data
            from agent.report.data import encode

            self._give(encode(getattr(plan_data, what)(found)))
        else:
            from agent.commands.reporting import own_name

            made = getattr(self._pages(), what)(found, own_name(name), self.made_at)
            self._give(made.encode("utf-8", "backslashreplace"))

    def _pages(self) -> Any:  # noqa: ANN401 - a module
        if self.form == "markdown":
            from agent.report import plan_markdown

            return plan_markdown
        from agent.report.page import plan

        return plan

    def _give(self, made: bytes) -> None:
        if self.out is None:
            output.whole(made)
            return
        from knowledge.phrasing import quoted
        from probes.files import write_whole

        write_whole(self.out, made, force=self.force)
        click.echo(f"Wrote the plan to {quoted(self.out)}.", err=True)


def chosen(form: str | None, out: str | None, *, force: bool) -> str:
    """The form that was asked for: by its name, else by the ending of the file (UsageError, BadInput)."""
    import os

    if out is None:
        return form or "text"
    if form == "text":
        raise click.UsageError("--out needs --format html, markdown or json.")
    found = form or ENDINGS.get(os.path.splitext(out)[1].lower())
    if found is None:
        raise click.UsageError(
            f"--out {out!r} ends in none of .html, .md and .json; the ending says which form it takes, else --format."
        )
    from probes.files import check_place

    check_place(out, force=force)
    return found
