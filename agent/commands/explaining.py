"""The command `explain`: its words, and which form is shown. Reads no machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from agent import output

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem


def _beginning(_context: click.Context, _argument: click.Parameter, incomplete: str) -> list[str | CompletionItem]:
    """The words that begin so, for shells that complete what is typed; a word of two is one with a hyphen there."""
    from agent.explain import words

    typed = incomplete.lower()
    return [*dict.fromkeys(key for one in words() if (key := one.word.replace(" ", "-")).startswith(typed))]


@click.command()
@click.argument("words", metavar="[WORD]", nargs=-1, shell_complete=_beginning)
@click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True, help="How to show it."
)
def explain(words: tuple[str, ...], form: str) -> None:
    """Explain a rule, a verdict, a severity, a step or a word: what it means and what it cannot tell.

    WORD is one that a report shows, such as slot-limited, reseat or narrowest hop, in upper or lower case; a kind may
    stand before it (step move). Without WORD all that there are are listed.

    Exit status: 0 explained; 2 no such word.
    """
    from agent import explain as explained

    found = explained.explanations(" ".join(words)) if words else explained.words()
    if form == "json":
        from agent.report import explain_data

        output.form(explain_data.form(found))
    else:
        from agent.report import explaining

        output.page(explaining.explained if words else explaining.listed, found, "")
