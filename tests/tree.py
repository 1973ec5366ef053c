"""A Linux machine's file tree in memory, and the `Reads` that answers from it. Knows no PCI.

One tree holds what the super-user sees; `TreeReads` shows it to the super-user or to an ordinary user, and
`Tree.write_below` puts it on a disk for tests of `--root`.
"""

from __future__ import annotations

import posixpath
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from probes.answers import failed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from probes.unread import Unread

MOST_LINKS: Final = 40  # how many symbolic links Linux follows on one path (include/linux/namei.h, MAXSYMLINKS)


class Directory(Struct, frozen=True):
    """A directory; what is in it is found by path."""


class Link(Struct, frozen=True):
    """A symbolic link, as written."""

    target: str


class Failure(Struct, frozen=True):
    """Anything that fails with this errno name when it is read, listed or followed."""

    errno: str


Node = str | bytes | Directory | Link | Failure


class TreeError(Exception):
    """Carries the errno name of a read that failed."""

    def __init__(self, errno: str) -> None:
        """`errno` is a name such as "ENOENT"."""
        super().__init__(errno)
        self.errno = errno


class Tree:
    """Absolute path to text, bytes, directory, symbolic link or errno.

    `udev`, `psutil` and `nvme` hold the answers that do not come from files (None for udev: not offered).
    """

    def __init__(self) -> None:
        """An empty tree."""
        self.nodes: dict[str, Node] = {"/": Directory()}
        self._names: dict[str, set[str]] = {"/": set()}
        self.root_only: set[str] = set()
        self.short: dict[str, int] = {}
        self.udev: dict[str, str] | None = {}
        self.psutil: dict[str, str] = {}
        self.nvme: dict[str, bytes | Failure] = {}

    # --- Making --------------------------------------------------------------------------------------------

    def put(self, path: str, node: Node) -> None:
        """Put `node` at `path`, making the directories above it; replaces what was there."""
        self.directory(posixpath.dirname(path))
        self.nodes[path] = node
        self._names[posixpath.dirname(path)].add(posixpath.basename(path))

    def directory(self, path: str) -> None:
        """Make a directory and those above it, where they are missing."""
        if path in self._names:
            return
        above = posixpath.dirname(path)
        self.directory(above)
        self.nodes[path] = Directory()
        self._names[path] = set()
        self._names[above].add(posixpath.basename(path))

    def texts(self, place: str, **files: str | int) -> None:
        """Put several small text files into the directory `place`."""
        for name, content in files.items():
            self.put(f"{place}/{name}", str(content))

    def link(self, path: str, to: str) -> None:
        """Put a relative symbolic link at `path` that leads to the absolute path `to`, as sysfs does."""
        self.put(path, Link(posixpath.relpath(to, posixpath.dirname(path))))

    def fail(self, path: str, errno: str) -> None:
        """Let `path` fail from now on; a directory then fails to list, what is in it still answers."""
        self.put(path, Failure(errno))

    def remove(self, path: str) -> None:
        """Take away `path` and all below it."""
        for name in sorted(self._names.pop(path, ())):
            self._remove_below(f"{path}/{name}")
        self.nodes.pop(path, None)
        self._names.get(posixpath.dirname(path), set()).discard(posixpath.basename(path))

    def _remove_below(self, path: str) -> None:
        for name in self._names.pop(path, ()):
            self._remove_below(f"{path}/{name}")
        self.nodes.pop(path, None)

    def copy(self) -> Tree:
        """Another tree with the same content."""
        other = Tree()
        other.nodes = dict(self.nodes)
        other._names = {path: set(names) for path, names in self._names.items()}
        other.root_only = set(self.root_only)
        other.short = dict(self.short)
        other.udev = None if self.udev is None else dict(self.udev)
        other.psutil = dict(self.psutil)
        other.nvme = dict(self.nvme)
        return other

    # --- Asking --------------------------------------------------------------------------------------------

    def resolve(self, path: str, *, follow_last: bool = True) -> str:
        """The path with its symbolic links followed; raises TreeError as the kernel would."""
        left = [part for part in reversed(path.split("/")) if part]
        here, followed = "/", 0
        while left:
            part = left.pop()
            if part in {".", ".."}:
                here = posixpath.dirname(here) if part == ".." else here
                continue
            if here not in self._names:
                raise TreeError("ENOTDIR")
            here = posixpath.join(here, part)
            node = self.nodes.get(here)
            if node is None:
                raise TreeError("ENOENT")
            if isinstance(node, Link) and (left or follow_last):
                followed += 1
                if followed > MOST_LINKS:
                    raise TreeError("ELOOP")
                left.extend(part for part in reversed(node.target.split("/")) if part)
                here = "/" if node.target.startswith("/") else posixpath.dirname(here)
        return here

    def read(self, path: str, *, privileged: bool = True) -> bytes:
        """What reading the file `path` gives this user; raises TreeError."""
        place = self.resolve(path)
        node = self.nodes[place]
        if isinstance(node, Failure):
            raise TreeError(node.errno)
        if isinstance(node, Directory | Link):
            raise TreeError("EISDIR")
        if not privileged and place in self.root_only:
            raise TreeError("EACCES")
        content = node.encode("utf-8", "surrogateescape") + b"\n" if isinstance(node, str) else node
        return content if privileged else content[: self.short.get(place)]

    def listed(self, path: str) -> tuple[str, ...]:
        """The names in the directory `path`, sorted; raises TreeError."""
        place = self.resolve(path)
        node = self.nodes[place]
        if isinstance(node, Failure):
            raise TreeError(node.errno)
        if not isinstance(node, Directory):
            raise TreeError("ENOTDIR")
        return tuple(sorted(self._names[place]))

    def followed(self, path: str) -> str:
        """Where the symbolic link `path` leads, as written; raises TreeError."""
        node = self.nodes[self.resolve(path, follow_last=False)]
        if isinstance(node, Failure):
            raise TreeError(node.errno)
        if not isinstance(node, Link):
            raise TreeError("EINVAL")
        return node.target

    # --- Writing -------------------------------------------------------------------------------------------

    def write_below(self, directory: Path, *, privileged: bool = True) -> tuple[str, ...]:
        """Put the tree on disk below `directory` and give the paths that fail and were therefore left out.

        An ordinary user's view has short files cut and the super-user's files left out: a disk cannot show a
        file that is longer than what it gives, and tests may run as the super-user, who reads everything.
        """
        left_out = tuple(self._unwritable(privileged=privileged))
        skipped = set(left_out)
        for path, node in self.nodes.items():
            place = directory / path.lstrip("/")
            if path in skipped:
                continue
            place.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(node, Directory):
                place.mkdir(exist_ok=True)
            elif isinstance(node, Link):
                place.symlink_to(node.target)
            else:
                place.write_bytes(self.read(path, privileged=privileged))
        return left_out

    def _unwritable(self, *, privileged: bool) -> Iterator[str]:
        for path, node in self.nodes.items():
            if isinstance(node, Failure) or (not privileged and path in self.root_only):
                yield path


class TreeReads:
    """Answers from a `Tree` as a live machine would (see `probes.reads.Reads`).

    An ordinary user (`privileged=False`) gets short configuration space, no firmware tables and no drive.
    """

    def __init__(self, tree: Tree, *, privileged: bool = True, platform: str = "linux") -> None:
        """`platform` is a `sys.platform` value."""
        self.platform = platform
        self.tree = tree
        self._privileged = privileged

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        try:
            return self.tree.read(path, privileged=self._privileged).decode("utf-8", "replace").rstrip()
        except TreeError as error:
            return failed(f"text {path}", error.errno)

    def data(self, path: str) -> bytes | Unread:
        """See `Reads`."""
        try:
            return self.tree.read(path, privileged=self._privileged)
        except TreeError as error:
            return failed(f"bytes {path}", error.errno)

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """See `Reads`."""
        try:
            return tuple(sorted(_shown(name) for name in self.tree.listed(path)))
        except TreeError as error:
            return failed(f"list {path}", error.errno)

    def target(self, path: str) -> str | Unread:
        """See `Reads`."""
        try:
            return _shown(self.tree.followed(path))
        except TreeError as error:
            return failed(f"link {path}", error.errno)

    def udev(self, subject: str) -> str | Unread:
        """See `Reads`."""
        answers = self.tree.udev
        key = f"udev {subject}"
        if answers is None:
            return failed(key, "ENOSYS")
        return answers[subject] if subject in answers else failed(key, "ENODEV")

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        answers = self.tree.psutil
        return answers[subject] if subject in answers else failed(f"psutil {subject}", "ENOSYS")

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        key = f"nvme {subject}"
        if not self._privileged:
            return failed(key, "EACCES")
        answer = self.tree.nvme.get(subject, Failure("ENOENT"))
        return failed(key, answer.errno) if isinstance(answer, Failure) else answer

    def registry(self, name: str) -> str | bytes | Unread:
        """See `Reads`."""
        return failed(f"registry {name}", "ENOSYS")


def _shown(name: str) -> str:
    """A file name as `Live` gives it: what is no text is replaced."""
    return name.encode("utf-8", "replace").decode("utf-8")
