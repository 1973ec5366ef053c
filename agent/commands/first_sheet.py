"""`plan --new`: a person is asked for a first sheet on a terminal, or a template of one is written.

Talks and writes files; what is asked and what answers can be stands in agent/sheets/interview/.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Final

import click

from agent.interrupt import raised
from knowledge.phrasing import begun, counted, plain, quoted, sentence
from knowledge.problems import BadInput
from probes.files import check_place, drop, read_if_there, read_line, write_whole

if TYPE_CHECKING:
    from agent.sheets.interview.questions import Question
    from agent.sheets.interview.session import Session

SUFFIX: Final = ".answers"
_WIDTH: Final = 79
_MOST_SHOWN: Final = 4000  # characters of one thing that is said
_LINE_LIMIT: Final = 4096  # bytes of a line that are looked at; what a terminal sends at once is no longer
_HELP, _BACK, _LATER = "?", "back", "later"
_WELCOME: Final = (
    "One question at a time, in the words of the board's manual. Enter takes the answer in brackets; ? explains;"
    " back returns to the question before; later leaves, and the same command goes on from there."
)


def write_template(place: str, kind: str | None, *, force: bool) -> None:
    """Write the template of a kind of board, the usual one where none was chosen."""
    from agent.sheets.commented import USUAL_BOARD, template
    from knowledge.boards import board_kinds

    check_place(place, force=force)
    write_whole(place, template(kind or USUAL_BOARD).encode(), force=force)
    _tell(f"Wrote the template {kind or USUAL_BOARD} to {quoted(place)}: put your own figures and parts into it.")
    if kind is None:
        others = ", ".join(name for name in board_kinds() if name != USUAL_BOARD)
        _tell(f"There is no terminal to ask on. Other templates, for --template: {others}")
    _tell(f"Then: {_plan(place)}")


def ask(place: str, *, force: bool) -> None:
    """Ask for a sheet and write it. What was answered is kept beside it, whole, after each answer."""
    from agent.sheets.interview.session import Session

    check_place(place, force=force)
    kept = f"{place}{SUFFIX}"
    session = Session()
    _say(_WELCOME)
    click.echo()
    _take_up(session, kept)
    try:
        with raised():
            left = _asked(session, place)
    except KeyboardInterrupt:
        click.echo()
        _leave(session, place)
        raise
    if left:
        _leave(session, place)
        return
    write_whole(place, session.text.encode(), force=force)
    drop(kept)
    click.echo(f"\nWrote the build sheet {quoted(place)}. To see where each part belongs:\n\n    {_plan(place)}")


def _take_up(session: Session, kept: str) -> None:
    """Go on with the answers that are kept, if there are any; a folder that cannot be written is told here."""
    from agent.sheets.interview.session import MOST_BYTES, kept_answers, kept_text

    data = read_if_there(kept, MOST_BYTES)
    if data is None:
        write_whole(kept, kept_text((), kept.removesuffix(SUFFIX)).encode(), force=False)
        return
    lost = session.resume(kept_answers(data, kept))
    write_whole(kept, bytes(data), force=True)
    again = f"; {counted(lost, 'answer')} {'fits' if lost == 1 else 'fit'} no question any more" if lost else ""
    _say(f"{begun(counted(len(session.answers), 'answer'))} taken up from {quoted(kept)}{again}.")
    click.echo()


def _keep(session: Session, place: str) -> None:
    from agent.sheets.interview.session import kept_text

    write_whole(f"{place}{SUFFIX}", kept_text(session.answers, place).encode(), force=True)


def _leave(session: Session, place: str) -> None:
    """Say what is kept, and how to go on; a file without any answer, also of an earlier time, goes."""
    from agent.sheets.interview.session import MOST_BYTES, kept_answers

    kept = f"{place}{SUFFIX}"
    if not session.answers:
        data = read_if_there(kept, MOST_BYTES)
        if data is not None and kept_answers(data, kept):
            _tell(f"Nothing was answered; {quoted(kept)} is as it was.")
        else:
            drop(kept)
            _tell("Nothing was answered, and nothing is kept.")
        return
    again = shlex.join(["lanewright", "plan", "--new", place])
    _tell(f"Kept {counted(len(session.answers), 'answer')} in {quoted(kept)}. To go on: {plain(again)}")


# --- Asking ------------------------------------------------------------------------------------------------------


def _asked(session: Session, place: str) -> bool:
    """Ask until the end; whether the person left before."""
    shown = None
    while session.question is not None:
        if session.question is not shown:
            _show(session.question)
        shown = session.question
        default = f" [{shown.default}]" if shown.default else ""
        click.echo(plain(f"{shown.words}?{default} ", _MOST_SHOWN), nl=False)
        try:
            text = _line()
        except BadInput as wrong:
            _say(sentence(str(wrong)), "  ")
            continue
        if text is None or text.casefold() == _LATER:
            click.echo()
            return True
        if text == _HELP:
            _say(sentence(shown.more or "Enter takes what stands in brackets"), "  ")
        elif text.casefold() == _BACK:
            if not session.answers:
                _say("This is the first question.", "  ")
            session.back()
            _keep(session, place)
        elif session.answer(text) and session.question is not None:
            _keep(session, place)
    return False


def _show(question: Question) -> None:
    """Show what comes before the prompt: what is told, why the last answer was not taken, what can be chosen."""
    for line in question.told:
        _say(line)
    if question.wrong:
        _say(sentence(question.wrong), "  ")
        return
    width = max((len(name) for name, _ in question.options), default=0)
    for number, (name, what) in enumerate(question.options, 1):
        _say(f"{number:>2}  {name.ljust(width)}  {what}", "  ", width + 6)


def _line() -> str | None:
    """One line as it was typed, without blanks around it; None at the end of input. BadInput where it is no answer."""
    from agent.sheets.interview.session import LONGEST_ANSWER

    data = read_line(_LINE_LIMIT)
    if data is None:
        return None
    try:
        text = data.decode().strip() if len(data) < _LINE_LIMIT else ""
    except UnicodeDecodeError:
        raise BadInput("that is not UTF-8 text; type it again") from None
    if len(data) == _LINE_LIMIT or len(text) > LONGEST_ANSWER:
        raise BadInput(f"an answer has at most {LONGEST_ANSWER} characters")
    return text


# --- Saying ------------------------------------------------------------------------------------------------------


def _say(words: str, before: str = "", hang: int = 0) -> None:
    """Say something to the person who is asked, in lines that a terminal holds; further ones begin further in."""
    before += words[: len(words) - len(words.lstrip())]
    click.echo(
        click.wrap_text(
            plain(words.strip(), _MOST_SHOWN), _WIDTH, before, f"{before}{' ' * (hang or 2 * bool(before))}"
        )
    )


def _tell(words: str) -> None:
    click.echo(words, err=True)


def _plan(place: str) -> str:
    """The command that plans a sheet, as one types it."""
    return plain(shlex.join(["lanewright", "plan", place]))
