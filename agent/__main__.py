"""`python -m agent` is `lanewright`: Ctrl-C and what the system refuses are seen to before anything else is loaded."""

import errno
import os
import sys

from agent.interrupt import ended, from_now_on

__all__ = ["start"]

UNUSABLE = 2  # the exit status of what the user can mend
REFUSED = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EAGAIN}
)
LEVEL = "PYTHONOPTIMIZE"
AGAIN = "LANEWRIGHT_BEGUN_AGAIN"  # in the environment of one that has: what LEVEL was before, "" for not set
TEXTS_KEPT = 1  # the level of optimization up to which Python keeps the texts of help pages and schemas


NO_MEMORY = "lanewright: there is not enough memory for this; give it more, or take away the limit"


def start() -> None:
    """Run the program as a process of its own."""
    from_now_on()
    before = os.environ.pop(AGAIN, None)
    if before is None and sys.flags.optimize > TEXTS_KEPT:
        _again_with_texts()
    if before is not None:  # what this program starts has the user's own environment
        os.environ.pop(LEVEL, None)
        os.environ.update({LEVEL: before} if before else {})
    try:
        from agent.cli import start as run

        run()
    except RuntimeError as error:
        if "thread" not in str(error):  # the interpreter has no kind of error of its own for that
            raise
        ended("lanewright: the system gives this process no thread; raise the limit of processes or memory", UNUSABLE)
    except SystemError as error:
        if "exception set" not in str(error):  # what the interpreter says where it ran out of memory half-way
            raise
        ended(NO_MEMORY, UNUSABLE)
    except MemoryError:
        ended(NO_MEMORY, UNUSABLE)
    except OSError as error:
        if error.errno not in REFUSED:
            raise
        reason = os.strerror(error.errno).lower()
        ended(f"lanewright: the system refused to go on ({reason}); make room, or raise the limit", UNUSABLE)


def _again_with_texts() -> None:
    """Begin again in this process with the texts of help pages and schemas: they are in the docstrings.

    Source: docs.python.org, "Command line and environment", -OO and PYTHONOPTIMIZE.
    """
    options = len(sys.orig_argv) - len(sys.argv) + 1  # the interpreter's own words, the program's name among them
    words = [word.replace("O", "") if _is_group(word) else word for word in sys.orig_argv[1:options]]
    environ = {**os.environ, LEVEL: str(TEXTS_KEPT), AGAIN: os.environ.get(LEVEL, "")}
    whole = [sys.orig_argv[0], "-O", *(word for word in words if word != "-"), *sys.orig_argv[options:]]
    os.execve(sys.executable, whole, environ)  # noqa: S606 - this very program


def _is_group(word: str) -> bool:
    """Whether a word is one of the interpreter's short options, of which several may stand together."""
    return word.startswith("-") and not word.startswith("--") and word.strip("-bBdEhiIOPqsSuvVxR?") == ""


if __name__ == "__main__":
    start()
