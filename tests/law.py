"""The law of failed readings: one that fails alone takes nothing away in silence, and brings no good or bad news.

Each answer of a machine is spoilt in each way in which it can fail, and what the program then says is held against
what it says of the whole machine. The judge reads the forms that people and programs get and the rows of a comparison;
how the program keeps what it could not read is no matter here. `python -m tests.law [MACHINE ...]` prints the figures.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from agent.audit import audit
from agent.compare.whole import compare
from agent.model.findings import Severity
from agent.report import data, words
from probes import collect
from probes.answers import failed
from probes.capture import load_file, recorded
from probes.reads import Recorded, Recording
from probes.unread import Unread
from tests.machines import FIXTURES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from probes.facts import Facts
    from probes.reads import Answer

# Errors that any read may end with; a device that does not answer in time ends only what has to wait for it.
ERRORS: Final = ("EIO", "EACCES", "ENODEV")
LATE: Final = "ETIMEDOUT"
WAITS: Final = ("nvme", "registry", "udev", "psutil")
SHORT: Final = "a short answer"
# A text of one line comes whole or not at all; of these a part can be told from the whole.
MANY_LINES: Final = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
# What the kernel keeps for the super-user: without it there is no fault to hide from an ordinary user.
OF_ROOT: Final = ("bytes /sys/firmware/dmi/", "bytes /sys/bus/pci/devices/", "nvme ")
ROOT_REASON: Final = "super-user"


class Spoilt(Struct, frozen=True):
    """An answer that fails: its key, and how; in the first look (-1), or in a later one by its number."""

    key: str
    how: str
    look: int = -1

    @property
    def family(self) -> str:
        """What sort of reading this is: the key without numbers."""
        without = re.sub(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]", "FUNCTION", self.key)
        return re.sub(r"(?<=[a-z])\d+", "N", without) + (", looked at again" if self.look >= 0 else "")


class Broken(Struct, frozen=True):
    """A breach of the law: by which spoilt answers, which of its clauses, and what was seen."""

    spoilt: tuple[Spoilt, ...]
    clause: str
    seen: str

    def __str__(self) -> str:
        """One line."""
        return f"{self.clause}: {'; '.join(f'{one.key} {one.how}' for one in self.spoilt)}: {self.seen[:300]}"


class Patient:
    """A stored machine, to be spoilt."""

    def __init__(self, name: str, judge: Callable[[Facts], Audit] = audit) -> None:
        """`judge` makes an audit of facts; a test of this test gives one that breaks the law."""
        found = load_file(str(FIXTURES / name / "capture.json"))
        self.platform, self.taken_at, self.samples = found.platform, found.taken_at, found.samples
        self.answers = found.reads
        recording = Recording(recorded(found)[0])
        looks = recorded(found)[1]
        self._judge = judge
        collect(recording, looks, found.taken_at)
        self.asked = tuple(key for key, answer in recording.answers.items() if not isinstance(answer, Unread))
        self.whole = self._judge(self._facts(found.reads, found.samples))
        self.said = Said(self.whole)

    def _facts(self, answers: Mapping[str, Answer], samples: Sequence[tuple[float, Mapping[str, Answer]]]) -> Facts:
        """The facts of the machine with these answers, and those of its later looks."""
        first = Recorded(answers, self.platform)
        looks = [(offset, Recorded(more, self.platform, first)) for offset, more in samples]
        return collect(first, looks, self.taken_at)

    def failures(self) -> Iterator[Spoilt]:
        """Each answer that was asked for, in each way in which it can fail."""
        for key in self.asked:
            for how in _ways(key, self.answers[key]):
                yield Spoilt(key, how)
        for look, (_, answers) in enumerate(self.samples):
            for key, answer in answers.items():
                if not isinstance(answer, Unread):
                    for how in _ways(key, answer):
                        yield Spoilt(key, how, look)

    def spoilt(self, *failures: Spoilt) -> Audit:
        """The audit of the machine in which these answers fail."""
        answers, samples = dict(self.answers), [(offset, dict(more)) for offset, more in self.samples]
        for one in failures:
            at = answers if one.look < 0 else samples[one.look][1]
            answer = _short(one.key, self.answer(one)) if one.how == SHORT else failed(one.key, one.how)
            assert answer is not None
            at[one.key] = answer
        return self._judge(self._facts(answers, samples))

    def answer(self, one: Spoilt) -> Answer:
        """The answer that fails, as it was."""
        return self.answers[one.key] if one.look < 0 else self.samples[one.look][1][one.key]

    def breaches(self, *failures: Spoilt) -> Iterator[Broken]:
        """How the law is broken where these answers fail."""
        try:
            spoilt = self.spoilt(*failures)
            told = Said(spoilt)
            pairs = [compare(self.whole, spoilt), compare(spoilt, self.whole)]
        except Exception as error:  # noqa: BLE001 - any error at all breaks the law
            yield Broken(failures, "no exception", repr(error))
            return
        for clause, seen in (*_of_check(self.said, told, failures), *(("compare", one) for one in _of_pairs(pairs))):
            yield Broken(failures, clause, seen)


def _ways(key: str, answer: Answer) -> Iterator[str]:
    """The ways in which an answer can fail."""
    yield from ERRORS
    if key.startswith(WAITS):
        yield LATE
    if _short(key, answer) is not None:
        yield SHORT


def _short(key: str, answer: Answer) -> Answer | None:
    """The first half of an answer that can come in part, None for others."""
    if isinstance(answer, bytes):
        return answer[: len(answer) // 2] if len(answer) > 1 else None
    if isinstance(answer, str) and key.endswith(MANY_LINES) and len(answer) > 1:
        return answer[: len(answer) // 2]
    return None


class Said:
    """What the program says of a machine, in its forms."""

    def __init__(self, found: Audit) -> None:
        """Make the forms that programs read, the first line for people and the exit status."""
        self.check: dict[str, Any] = json.loads(data.encode(data.check(found)))
        self.inventory: dict[str, Any] = json.loads(data.encode(data.inventory(found)))
        self.first_line = "".join(part for part, _ in words.summary(found))
        self.status = found.status(Severity.FAULT)
        self.unlisted = tuple(gap.of for gap in found.facts.gaps)

    def statements(self) -> set[tuple[object, ...]]:
        """Everything that is asserted: findings, verdicts, and each figure or word of a link, a drive or a function."""
        found: set[tuple[object, ...]] = {
            ("finding", one["rule"], one["subject"], one["headline"])
            for one in self.check["findings"]
            if one["severity"] != "unknown"
        }
        for kind, name in (("links", "port"), ("drives", "name"), ("stripes", "name"), ("functions", "address")):
            for one in self.inventory[kind]:
                key = one[name] or one.get("device")
                found |= {(kind, key, field, _flat(value)) for field, value in _leaves(one) if _tells(field, value)}
        found |= {("slot", one["name"]) for one in self.inventory["slots"]}
        found |= {("host", field, value) for field, value in self.check["host"].items() if value is not None}
        return found

    def faults(self, *severities: str) -> set[tuple[str, str]]:
        """Rule and subject of each finding of these severities."""
        return {(one["rule"], one["subject"]) for one in self.check["findings"] if one["severity"] in severities}

    def lost(self) -> list[str]:
        """What is said not to have been read, with the reasons."""
        unknown = (one for one in self.check["findings"] if one["severity"] == "unknown")
        return [f"{one['what']}: {one['why']}" for one in self.check["unread"]] + [
            f"{one['source']}: {one['read']}" for finding in unknown for one in finding["evidence"]
        ]


def _leaves(record: dict[str, Any]) -> Iterator[tuple[str, object]]:
    yield from record.items()


def _tells(field: str, value: object) -> bool:
    """Whether a field asserts something: what is null, empty or unknown does not, nor does the reason of a verdict."""
    return value not in (None, "", [], {}, "unknown") and field not in {"why", "evidence", "looks", "severity"}


def _flat(value: object) -> str:
    return json.dumps(value, sort_keys=True)


# --- The clauses -----------------------------------------------------------------------------------------------


def _of_check(whole: Said, told: Said, failures: tuple[Spoilt, ...]) -> Iterator[tuple[str, str]]:
    """What `check` and `inventory` say of the spoilt machine, against what they said of the whole one."""
    silent = whole.statements() - told.statements()
    new = [one for one in told.lost() if one not in whole.lost()]
    if silent:
        for one in failures:
            # Of several failures one may take away what the other would have.
            if not any(reason in lost for lost in new for reason in _reasons(one)) and (len(failures) == 1 or not new):
                yield "said with its reason", f"{sorted(map(str, silent))[:3]} gone, new are {new[:3]}"
    # The same heat may be told by the drive's own log where its sensor, or its limits, could not be read.
    here, there = ({(HEAT.get(rule, rule), of) for rule, of in side.faults("fault")} for side in (told, whole))
    worse = here - there
    if worse:
        yield "no false alarm", str(sorted(worse))
    open_to_all = any(one.how != "EACCES" or not one.key.startswith(OF_ROOT) for one in failures)
    gone = there - here
    if (gone or told.unlisted) and not told.status and open_to_all:
        yield "the exit status tells", f"{sorted(gone)} gone, {told.unlisted} not listed, status 0"
    if (gone or told.unlisted) and told.first_line.startswith("Nothing to do") and ROOT_WORD not in told.first_line:
        yield "the first line tells", told.first_line
    if told.unlisted and "could not be read" not in told.first_line:
        yield "the first line tells", f"{told.unlisted} not listed: {told.first_line}"


HEAT: Final = {"drive-heat-warning": "drive-hot"}
ROOT_WORD: Final = "root"


def _reasons(one: Spoilt) -> tuple[str, ...]:
    """What the reason of a failure has in it: the name of the error; of a short answer, only that there is one.

    What is kept for the super-user is said once for many, in words.
    """
    if one.how == SHORT:
        return ("",)
    return (one.how, ROOT_REASON) if one.how == "EACCES" and one.key.startswith(OF_ROOT) else (one.how,)


def _of_pairs(pairs: Iterable[Comparison]) -> Iterator[str]:
    """A comparison of whole and spoilt names doubts only."""
    for found in pairs:
        if not found.nothing_changed or found.worse or found.other_machine:
            yield f"{found.verdict} {found.other_machine}"


# --- The figures -----------------------------------------------------------------------------------------------


def one_of_each(patient: Patient) -> Iterator[Spoilt]:
    """The first answer of each family in each way in which it can fail."""
    seen = set()
    for one in patient.failures():
        if (one.family, one.how) not in seen:
            seen.add((one.family, one.how))
            yield one


def main(names: Iterable[str], failures: Callable[[Patient], Iterator[Spoilt]]) -> None:
    """Print, for each machine, how many failures broke the law, and in which families of reads."""
    for name in names:
        patient = Patient(name)
        count = 0
        found: dict[tuple[str, str], list[Broken]] = {}
        for one in failures(patient):
            count += 1
            for broken in patient.breaches(one):
                found.setdefault((broken.clause, one.family), []).append(broken)
        print(f"{name}: {count} failures, {sum(map(len, found.values()))} breaches", flush=True)  # noqa: T201
        for (clause, family), some in found.items():
            print(f"  {len(some)} x {clause}: {family}\n      {some[0]}", flush=True)  # noqa: T201


if __name__ == "__main__":
    import sys

    told = [word for word in sys.argv[1:] if not word.startswith("-")]
    named = told or sorted(path.parent.name for path in FIXTURES.glob("*/capture.json"))
    main(named, one_of_each if "--one-of-each" in sys.argv else Patient.failures)
