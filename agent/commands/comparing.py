"""The command `compare`: options, the two sides, which form is shown, the exit status. Reads no data itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from agent import output

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.audit import Audit
    from agent.model.shelf import Shelf
    from agent.sheets.sheet import Sheet
    from agent.source import Source
    from probes.facts import Facts

FORMS = ("text", "json", "markdown")


def comparing(
    source: Callable[[str | None, str | None], Source],
    noted: Callable[[tuple[str, ...]], Shelf],
    settle_option: Callable[[Any], Any],
) -> click.Command:
    """The command; `source` makes a source of readings, `noted` brings the user's field notes of some folders."""

    @click.command(short_help="Show what an upgrade changed.")
    @click.argument("before")
    @click.argument("after", required=False)
    @click.option(
        "--root", metavar="DIR", help=("Read this system's files below DIR, such as a host's mounted in a container.")
    )
    @click.option(
        "--format", "form", type=click.Choice(FORMS), default="text", show_default=True, help="How to show it."
    )
    @settle_option
    @click.option("--against", metavar="SHEET", help="Check both against this build sheet; - is standard input.")
    @click.option(
        "--notes",
        "notes",
        metavar="DIR",
        multiple=True,
        help="Apply the field notes of this folder too. Can be repeated.",
    )
    @click.option("--as-given", is_flag=True, help="Take BEFORE as the older one whatever the dates say.")
    @click.option("--keep-serials", is_flag=True, help="In markdown, keep host names and serial numbers as they are.")
    @click.pass_context
    def compare(  # noqa: PLR0913 - one for each option
        context: click.Context,
        *,
        before: str,
        after: str | None,
        root: str | None,
        form: str,
        settle: float,
        against: str | None,
        notes: tuple[str, ...],
        as_given: bool,
        keep_serials: bool,
    ) -> None:
        """Show what an upgrade changed: parts, links, rates, firmware, temperatures, findings.

        Of two soak logs it shows what a heatsink or a fan gained, drive by drive, with its error.

        BEFORE and AFTER are captures (- is standard input); without AFTER, BEFORE is compared with this machine. Parts
        are matched by serial number, else by model and slot, never by bus number. What one side could not read is a
        doubt, not a change. A part that is gone without a replacement counts as worse, unless a build sheet (--against)
        says what belongs there.

        Exit status: 0 nothing got worse; 1 something did; 2 bad use or unreadable input; 3 nothing could be read,
        or nothing of two logs compared.
        """
        if [before, after, against].count("-") > 1:
            raise click.UsageError("Give - only once: standard input can be read only once.")
        if after is not None and root is not None:
            raise click.UsageError("--root and AFTER cannot go together: a capture already is another machine.")
        if _logs(before, after):
            if against is not None or notes:
                raise click.UsageError("--against and --notes go with captures, not with soak logs.")
            context.exit(_soaks(before, after, form, source(None, None).platform, as_given=as_given))
        sheet = _sheet(against)
        shelf = noted(notes)
        sides = source(before, None), source(after, root)
        unnamed = form == "markdown" and not keep_serials
        audits = [_audited(side.facts(settle), sheet, shelf, first=side is sides[0], unnamed=unnamed) for side in sides]
        from agent.compare.whole import compare as compared

        found = compared(audits[0], audits[1])
        if not as_given and not found.other_machine:
            _in_order(audits[0].facts.taken_at, audits[1].facts.taken_at)
        names = sides[0].name, sides[1].name
        if form == "json":
            from agent.report import compare_data

            output.form(compare_data.compare(found, *names))
        elif form == "markdown":
            from agent.report import compare_markdown

            document = compare_markdown.compare(found, *names)
            if unnamed:
                from agent.report.unnamed import for_forums

                document = for_forums(document, [side.facts for side in audits], sheet)
            output.whole(document.encode())
        else:
            from agent.report import comparing as report

            output.page(report.page, (found, *names), names[1])
        context.exit(1 if found.worse else 0)

    return compare


def _logs(before: str, after: str | None) -> bool:
    """Whether both are logs of soaks; one alone is refused (UsageError)."""
    from agent.commands.session import is_log

    found = is_log(before), after is not None and is_log(after)
    if any(found) and not all(found):
        raise click.UsageError("A soak log is compared with another one: give two, before and after.")
    return all(found)


def _soaks(before: str, after: str | None, form: str, system: str, *, as_given: bool) -> int:
    """Compare two logs; the exit status. `system` is what runs here."""
    from agent.commands import session
    from agent.soak.pairs import pair
    from knowledge.problems import NothingRead

    assert after is not None
    analyses = [session.analysed(name)[1] for name in (before, after)]
    if not as_given:
        _in_order(*(found.head.started_at for found in analyses))
    if form != "json":
        analyses = [session.named_here(found, system) for found in analyses]
    found = pair(*analyses)
    names = f"{before} (log)", f"{after} (log)"
    if form == "json":
        from agent.report import soak_pairs_data

        output.form(soak_pairs_data.pair(found, *names))
    elif form == "markdown":
        from agent.report import soak_pairs

        output.whole(soak_pairs.markdown(found, *names).encode())
    else:
        from agent.report import soak_pairs as report

        output.page(report.page, (found, *names), names[1])
    return NothingRead.exit_status if found.nothing else int(found.worse)


def _in_order(before: str, after: str) -> None:
    """Refuse a comparison the wrong way round (BadInput): what broke would be praised as mended."""
    from datetime import datetime

    from knowledge.problems import BadInput

    try:
        late, early = datetime.fromisoformat(before), datetime.fromisoformat(after)
        backwards = late > early
    except (TypeError, ValueError):  # no date, or one without a zone: nothing to tell them by
        return
    if backwards:
        raise BadInput(
            f"AFTER was read before BEFORE ({after}, {before}): name the older one first, "
            "or give --as-given if a clock was wrong"
        )


def _sheet(against: str | None) -> Sheet | None:
    if against is None:
        return None
    from agent.sheets.reading import read

    return read(against)


def _audited(facts: Facts, sheet: Sheet | None, shelf: Shelf, *, first: bool, unnamed: bool) -> Audit:
    """The audit of one side, held against the sheet; a first machine that the sheet is not for goes without."""
    from agent.audit import audit
    from knowledge.problems import BadInput

    told = facts
    if unnamed:
        from agent.report.unnamed import without_name

        facts = without_name(facts)
    found = audit(facts, notes=shelf)
    if sheet is None:
        return found
    from agent.sheets.expected import expected, limits, same_machine

    try:
        same_machine(sheet, told)
    except BadInput:
        if first:
            return found
        raise
    return audit(facts, planned=expected(sheet), limits=limits(sheet, found), notes=shelf)
