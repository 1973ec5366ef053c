"""The errors a user can act on. Everything else that is raised is a defect and keeps its traceback."""


class Problem(Exception):  # noqa: N818 - what a user meets is a problem, and the two below say of what kind
    """Base of the two errors below; never raised itself.

    The message is one sentence that says what, where and what to try.
    """

    exit_status = 2


class BadInput(Problem):
    """The user's words or file cannot be used (exit status 2); `line` is the one that it is about, where known."""

    exit_status = 2

    def __init__(self, words: str, line: int | None = None) -> None:
        """Say it in one sentence, which names the line as well."""
        super().__init__(words)
        self.line = line


class NothingRead(Problem):
    """Nothing at all, or nothing of the kind that was asked for, could be read (exit status 3)."""

    exit_status = 3
