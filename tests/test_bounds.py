"""Work grows with the input and ends at limits: what is larger than any machine is refused in one sentence.

Limits of the kernel hold a process to the processor time and the memory that an input of its size may take; they are
some times what is needed, so that a slow system passes, and far below what an input took that had work grow with a
square.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from agent.notebook import FILE_LIMIT
from agent.notebook.catalogue import linted
from agent.notebook.places import MOST_BYTES
from knowledge.problems import BadInput
from probes import bounds, capture, collect, folders
from probes.answers import NAMES_LIMIT
from probes.reads import MOST_KEPT, Live, Recording
from probes.unread import Unread
from tests import large

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.facts import Facts
    from tests.large import Large, Looks

HERE: Final = Path(__file__).parent.parent
SECONDS: Final = 15  # of processor time
BYTES: Final = 1024 * 1024 * 1024  # of addresses; what is used is about a third of them
START: Final = "from agent.cli import start; start()"


def limited(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the program with these words within the limits."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))

    return subprocess.run(
        [sys.executable, "-c", START, *words],
        cwd=HERE,
        preexec_fn=limit,
        capture_output=True,
        text=True,
        check=False,
    )


def facts(made: Large, looks: Looks | None = None) -> Facts:
    """The facts of a machine, by way of its capture."""
    found = capture.parse(large.capture(made.finished(), looks or ()), "it")
    first, later = capture.recorded(found)
    return collect(first, later, found.taken_at)


# --- Machines --------------------------------------------------------------------------------------------------


def across(domains: int) -> Large:
    """Switches below each other, one in each domain: no domain has many of them."""
    made = large.Large()
    here = made.add("root")
    for _ in range(domains):
        made.next_domain()
        here = made.add("down", made.add("up", here))
    return made


def silent(drives: int) -> Large:
    """A machine of drives of which nothing is told."""
    made = large.wide(1)
    made.silent(drives, 0)
    return made


def unclassed(ports: int, domains: int) -> Large:
    """Ports that are such by their registers alone: their class is that of a network card."""
    made = large.wide(ports, domains, [("root", "")])
    for key, answer in made.answers.items():
        if key.endswith("/class"):
            answer["text"] = large.NETWORK
    return made


def endpoints(functions: int) -> Large:
    """A machine of cards on root buses."""
    made = large.Large()
    for number in range(functions):
        if number % 256 == 0:
            made.next_domain()
        made.add("network")
    return made


def test_a_chain_as_deep_as_buses_allow_is_taken() -> None:
    """Of 127 switches below each other each link is on the way of the drive at their end."""
    from agent.audit import audit

    found = audit(facts(large.chain(127)))
    assert [128] == [len(seen.path) for seen in found.drives]


@pytest.mark.parametrize(
    ("make", "looks", "words"),
    [
        (lambda: large.chain(128), (0, 0), '257 bridges in domain "0000", which has 256 buses'),
        (lambda: across(128), (0, 0), "is below 256 bridges, and a domain has 256 buses"),
        (lambda: large.wide(256, 5), (0, 0), "1,280 bridges, and no more than 1,024 are taken"),
        (lambda: unclassed(256, 5), (0, 0), "1,280 bridges, and no more than 1,024 are taken"),
        (lambda: large.brush(20, 200, 3), (0, 0), "bridges above its drives, and no more than 20,000 are taken"),
        (lambda: silent(2048), (0, 0), "2,049 drives, and no more than 2,048 are taken"),
        (lambda: endpoints(6001), (0, 0), "6,001 PCI functions, and no more than 6,000 are taken"),
        (lambda: large.wide(2), (3751, 4), "15,004 functions looked at again, and no more than 15,000 are taken"),
    ],
    ids=["chain", "across", "bridges", "registers", "brush", "drives", "functions", "looks"],
)
def test_what_no_machine_can_be_is_refused(make: Callable[[], Large], looks: tuple[int, int], words: str) -> None:
    """Past what buses allow, and past what any machine has, one sentence says what there is too much of."""
    with pytest.raises(BadInput) as caught:
        facts(make(), large.looked_at(*looks))
    assert str(caught.value).startswith("what was read is larger than any machine: ")
    assert words in str(caught.value)


def test_a_loop_of_parents_counts_as_deep_as_it_is() -> None:
    """Functions that hang below each other in a circle, which only damage makes, are held to the same depth."""
    made = large.Large()
    ring = []
    for number in range(bounds.BUSES + 1):
        if number % 100 == 0:  # no domain has as many bridges as it has buses
            made.next_domain()
        ring.append(made.add("network"))
    for here, above in zip(ring, ring[1:] + ring[:1], strict=True):
        made.answers[f"link {large.DEVICES}/{here}"] = {"link": f"../../../devices/pci0000:00/{above}/{here}"}
    with pytest.raises(BadInput, match="is below 257 bridges"):
        facts(made)


def test_the_program_says_so_and_exits_with_2(tmp_path: Path) -> None:
    """Commands that read captures end with the sentence and status 2; a tally passes the file over."""
    place = tmp_path / "deep.json.gz"
    place.write_bytes(large.capture(large.chain(1200).finished()))
    for words in (("check", "--replay", place), ("compare", place, place), ("report", tmp_path / "a.md", place)):
        done = limited(*map(str, words))
        assert (2, "") == (done.returncode, done.stdout), words
        assert 'lanewright: what was read is larger than any machine: 2,401 bridges in domain "0000"' in done.stderr
        assert 1 == len(done.stderr.splitlines())
    done = limited("tally", str(tmp_path))
    assert 2 == done.returncode
    assert "passed over: what was read is larger than any machine: 2,401 bridges" in done.stderr


LARGEST: Final[dict[str, Callable[[], tuple[Large, Looks]]]] = {
    "slots": lambda: (large.wide(256, 4, [("slot", "fast drive"), ("wide slot", "")]), []),
    "held slots": lambda: (large.wide(256, 4, [("slot", "fast drive"), ("wide slot", "drive")]), []),
    "ladder": lambda: (large.ladder(80, 2, "narrow drive", errors=True), []),
    "brush": lambda: (large.brush(19, 200, 2, "fast drive"), []),
    "looks": lambda: (large.wide(10), large.looked_at(7_500, 2)),
    "looks and functions": lambda: (endpoints(6000), large.looked_at(7_500, 2)),
    "silent drives": lambda: (silent(2047), []),
}


@pytest.mark.parametrize("name", LARGEST)
def test_the_largest_machine_takes_little(name: str, tmp_path: Path) -> None:
    """What is just within the limits is less than a megabyte, and is checked and compared within bounds."""
    made, looks = LARGEST[name]()
    data = large.capture(made.finished(), looks)
    assert len(data) < 1_000_000
    place = tmp_path / "large.json.gz"
    place.write_bytes(data)
    for words in (("check", "--format", "json", "--replay", place), ("check", "--replay", place)):
        done = limited(*map(str, words))
        assert done.returncode in {0, 1, 3}, (words, done.stderr[-500:])
    done = limited("compare", str(place), str(place))
    assert 0 == done.returncode, done.stderr[-500:]


# --- Captures --------------------------------------------------------------------------------------------------


def test_more_names_than_are_read_back_are_not_written() -> None:
    """A list of names past the limit of reading is refused by whoever writes it; one at the limit is read back."""
    fixed = {"platform": "linux", "taken_at": "2025-11-04T09:30:00+01:00", "agent": "0"}
    names = tuple(f"{number}" for number in range(NAMES_LIMIT + 1))
    answers = {"list /sys/block": names[1:]}
    data = capture.encode(**fixed, answers=answers, samples=(), keep_serials=True)
    assert answers == capture.parse(data, "it").reads
    longer = {"list /sys/block": names}
    with pytest.raises(BadInput, match="than a capture can hold"):
        capture.encode(**fixed, answers=longer, samples=(), keep_serials=True)
    with pytest.raises(BadInput, match="than a capture can hold"):
        capture.encode(**fixed, answers={}, samples=[(1.0, longer)], keep_serials=True)


def test_a_packed_file_past_the_limit_is_not_written(tmp_path: Path) -> None:
    """What packs to more than is read back is refused in one sentence, and no file is left."""
    parts = {f"bytes /{number}": os.urandom(1024 * 1024) for number in range(9)}
    with pytest.raises(BadInput, match="than a capture can hold"):
        capture.write_file(
            str(tmp_path / "a.json.gz"),
            platform="linux",
            taken_at="2025-11-04T09:30:00+01:00",
            agent="0",
            answers=parts,
            samples=(),
            keep_serials=True,
            force=False,
        )
    assert [] == list(tmp_path.iterdir())


def test_a_folder_with_more_names_than_a_capture_holds_is_too_large(tmp_path: Path) -> None:
    """Its list is unread, live as in a capture of it."""
    folder = tmp_path / "sys/block"
    folder.mkdir(parents=True)
    for number in range(NAMES_LIMIT + 1):
        (folder / f"sd{number}").touch()
    found = Live(str(tmp_path), "linux").names("/sys/block")
    assert isinstance(found, Unread)
    assert "EFBIG" == found.code


def test_reading_stops_where_no_more_could_be_kept(tmp_path: Path) -> None:
    """Of configuration space without end below a root no more is read than a capture can hold."""
    for number in range(MOST_KEPT // 2 // (1024 * 1024) + 1):
        place = tmp_path / f"sys/bus/pci/devices/0000:{number:02x}:00.0"
        place.mkdir(parents=True)
        with (place / "config").open("wb") as file:
            file.truncate(2 * 1024 * 1024)
    with pytest.raises(BadInput, match="more than can be held"):
        collect(Recording(Live(str(tmp_path), "linux")))


# --- Other inputs ----------------------------------------------------------------------------------------------


def test_a_list_of_too_many_names_is_refused(tmp_path: Path) -> None:
    """A list with millions of names is refused before each becomes a text of its own."""
    place = tmp_path / "names"
    place.write_bytes(b"a\n" * 20_000_000)
    with place.open("rb") as file:
        done = subprocess.run(
            [sys.executable, "-c", START, "tally", "-"],
            cwd=HERE,
            stdin=file,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES)),
            capture_output=True,
            text=True,
            check=False,
        )
    assert (2, 1) == (done.returncode, len(done.stderr.splitlines()))
    assert "standard input lists more names than can be read at once" in done.stderr
    assert folders.MOST_NAMES < 20_000_000


def test_files_of_notes_have_a_limit_together(tmp_path: Path) -> None:
    """A folder at the limit is looked through; one past it is refused, and of a large file its own limit counts."""
    text = "#" + "\n" * (FILE_LIMIT - 1)
    for number in range(MOST_BYTES // FILE_LIMIT):
        (tmp_path / f"{number}.toml").write_text(text)
    assert 4 == len(linted([str(tmp_path)], {}).files)
    (tmp_path / "more.toml").write_text("#")
    with pytest.raises(BadInput, match="have more than 2,048 KiB together"):
        linted([str(tmp_path)], {})
