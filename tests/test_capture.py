"""The capture file: what is written comes back, every damaged or foreign file costs one sentence, no half files."""

from __future__ import annotations

import contextlib
import errno
import gzip
import io
import json
import os
import signal
import subprocess
import sys
import time
import zlib
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.report import schemas
from knowledge.phrasing import printable
from knowledge.problems import BadInput
from probes import capture, files
from probes.answers import REASONS, failed
from probes.unread import Unread
from tests.machines import FIXTURES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from probes.reads import Answer

HERE: Final = Path(__file__).resolve().parent.parent
CALM: Final = FIXTURES / "bench-1-upgraded" / "capture.json"
MOMENT: Final = "2026-03-02T09:00:00Z"

# One answer of each form, as the contract in the design writes it.
WRITTEN: Final = (
    b'{"format":"lanewright-capture","version":1,"platform":"linux","taken_at":"2026-03-02T09:00:00Z",'
    b'"agent":"0.1.0","redacted":true,"reads":{'
    b'"text /sys/a":{"text":"0x8"},"bytes /sys/b":{"hex":"00fF"},"list /sys/c":{"list":["d","e"]},'
    b'"link /sys/f":{"link":"../g"},"text /sys/h":{"error":"EACCES"},"udev pci":{"error":"udev did not answer"}},'
    b'"samples":[{"offset":2,"reads":{}},{"offset":0.5,"reads":{"text /sys/a":{"text":"0x4"}}}]}'
)
ANSWERS: Final[dict[str, Answer]] = {
    "text /sys/a": "0x8",
    "bytes /sys/b": b"\x00\xff",
    "list /sys/c": ("d", "e"),
    "link /sys/f": "../g",
    "text /sys/h": failed("text /sys/h", "EACCES"),
    "udev pci": Unread("udev pci", "udev did not answer"),
}


def encoded(answers: Mapping[str, Answer] = ANSWERS, samples: capture.Samples = ()) -> bytes:
    """A capture with these answers as they are."""
    return capture.encode(
        platform="linux", taken_at=MOMENT, agent="0.1.0", answers=answers, samples=samples, keep_serials=True
    )


def write(
    path: str, *, answers: Mapping[str, Answer] = ANSWERS, force: bool = False, keep_serials: bool = True
) -> None:
    """Write a capture to `path`."""
    capture.write_file(
        path,
        platform="linux",
        taken_at=MOMENT,
        agent="0.1.0",
        answers=answers,
        samples=(),
        keep_serials=keep_serials,
        force=force,
    )


def changed(**keys: Any) -> bytes:  # noqa: ANN401 - any JSON
    """The capture above with some top-level keys changed; None takes one away."""
    whole = json.loads(WRITTEN) | keys
    return json.dumps({key: value for key, value in whole.items() if value is not None}).encode()


def with_read(entry: object, key: str = "text /sys/a") -> bytes:
    """The capture above with one answer only."""
    return changed(reads={key: entry}, samples=[])


def refusal(data: bytes) -> str:
    """The sentence with which these bytes are refused."""
    with pytest.raises(BadInput) as caught:
        capture.parse(data, '"bench-2.json"')
    return str(caught.value)


# --- Reading ---------------------------------------------------------------------------------------------------


def test_every_form_of_answer_is_read() -> None:
    """Each form becomes what a live read would have given, and samples come in the order of time."""
    found = capture.parse(WRITTEN, "test")
    assert found.reads == ANSWERS
    assert found.samples == ((0.5, {"text /sys/a": "0x4"}), (2.0, {}))
    assert (found.platform, found.taken_at, found.agent, found.redacted) == ("linux", MOMENT, "0.1.0", True)


def test_recorded_reads_answer_as_then() -> None:
    """The first look answers as recorded, a later look overlays it, and what was never asked is unread."""
    first, ((offset, later), (last, _)) = capture.recorded(capture.parse(WRITTEN, "test"))
    assert (offset, last, first.platform) == (0.5, 2.0, "linux")
    assert (first.text("/sys/a"), later.text("/sys/a")) == ("0x8", "0x4")
    assert (later.data("/sys/b"), later.names("/sys/c"), later.target("/sys/f")) == (b"\x00\xff", ("d", "e"), "../g")
    assert first.text("/sys/h") == failed("text /sys/h", "EACCES")
    assert later.text("/etc/hostname") == Unread("text /etc/hostname", "not in this capture")


def test_the_last_of_two_equal_keys_counts() -> None:
    """A key that is there twice is no ambiguity and no error: the last one counts (RFC 8259 leaves it open)."""
    twice = WRITTEN.replace(
        b'"text /sys/a":{"text":"0x8"},', b'"text /sys/a":{"text":"0x1"},"text /sys/a":{"text":"0x2"},'
    )
    assert capture.parse(twice, "test").reads["text /sys/a"] == "0x2"


def test_packed_is_told_by_content_not_by_name(tmp_path: Path) -> None:
    """A gzip file may have any name, and a plain one may end in .gz."""
    packed, plain = tmp_path / "a.json", tmp_path / "b.gz"
    packed.write_bytes(gzip.compress(WRITTEN))
    plain.write_bytes(WRITTEN)
    assert capture.load_file(str(packed)).reads == capture.load_file(str(plain)).reads == ANSWERS


def test_standard_input_is_read() -> None:
    """The name "-" stands for standard input, plain or packed."""
    program = "from probes.capture import load_file; print(len(load_file('-').reads))"
    for data in (WRITTEN, gzip.compress(WRITTEN)):
        done = subprocess.run([sys.executable, "-c", program], input=data, capture_output=True, cwd=HERE, check=True)
        assert done.stdout == b"6\n"


def test_a_terminal_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is read from a terminal: the user is told at once what to do."""
    leader, follower = os.openpty()
    with open(follower, encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        with pytest.raises(BadInput, match="nothing is sent to standard input; send a file to it"):
            capture.load_file("-")
    os.close(leader)


def test_a_closed_standard_input_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program started without standard input says so."""
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(BadInput, match="nothing is sent to standard input"):
        capture.load_file("-")
    closed = io.TextIOWrapper(io.BytesIO(b""))
    closed.close()
    monkeypatch.setattr(sys, "stdin", closed)
    with pytest.raises(BadInput, match="standard input cannot be read"):
        capture.load_file("-")


PACKED: Final = gzip.compress(WRITTEN, mtime=0)
UNUSABLE: Final = "is not a usable capture: "
# What decoders of JSON say, of msgspec and of the standard library: people get our words instead.
DECODER_WORDS: Final = ("`", "$", "malformed", "truncated", "Invalid", "Expected", "Expecting", "Object ", "delimiter")
REFUSED: Final[dict[str, tuple[bytes, str]]] = {
    "nothing": (b"", "is empty"),
    "nothing packed": (gzip.compress(b""), "is empty"),
    "cut short": (WRITTEN[:-40], UNUSABLE),
    "two documents": (WRITTEN + b"{}", UNUSABLE),
    "only spaces": (b" \n" * 40, UNUSABLE),
    "no JSON": (b"bench-2 runs at x4", UNUSABLE),
    "a byte order mark": (b"\xef\xbb\xbf" + WRITTEN, UNUSABLE),
    "UTF-16": (WRITTEN.decode().encode("utf-16"), UNUSABLE),
    "zeros": (bytes(400), UNUSABLE),
    "a zero byte in a string": (WRITTEN.replace(b"0x8", b"0\x008"), UNUSABLE),
    "invalid UTF-8 in an answer": (WRITTEN.replace(b"0x8", b"\xff\xfe"), UNUSABLE),
    "invalid UTF-8 in a key": (WRITTEN.replace(b"/sys/a", b"/\xc3\x28"), UNUSABLE),
    "half a character": (WRITTEN.replace(b"0x8", b"\\ud800"), UNUSABLE),
    "an array": (b"[]", UNUSABLE),
    "a number": (b"1", UNUSABLE),
    "null": (b"null", UNUSABLE),
    "another format": (changed(format="lanewright-check"), UNUSABLE),
    "no format": (changed(format=None), UNUSABLE),
    "no version": (changed(version=None), UNUSABLE),
    "version 0": (changed(version=0), "version"),
    "a version in words": (changed(version="1"), "version"),
    "a version that is true": (changed(version=True), "version"),
    "a version with a fraction": (changed(version=1.5), "version"),
    "a version past all bounds": (WRITTEN.replace(b'"version":1', b'"version":' + b"9" * 400), "version"),
    "no platform": (changed(platform=None), UNUSABLE),
    "a long platform": (changed(platform="x" * 65), "platform"),
    "no moment": (changed(taken_at=None), UNUSABLE),
    "a moment that is none": (changed(taken_at="yesterday"), "taken_at"),
    "a moment without zone": (changed(taken_at="2026-03-02T09:00:00"), "taken_at"),
    "no agent": (changed(agent=None), UNUSABLE),
    "redacted in words": (changed(redacted="yes"), "redacted"),
    "no reads": (changed(reads=None), UNUSABLE),
    "no samples": (changed(samples=None), UNUSABLE),
    "an unknown key": (changed(notes=[]), UNUSABLE),
    "reads in an array": (changed(reads=[]), "reads"),
    "an answer that is null": (with_read(None), "reads"),
    "an answer without form": (with_read({}), "needs exactly one answer"),
    "an answer in two forms": (with_read({"text": "a", "hex": "00"}), "needs exactly one answer"),
    "an answer in an unknown form": (with_read({"base64": "AAAA"}), UNUSABLE),
    "text that is a number": (with_read({"text": 8}), "text"),
    "text that is too long": (with_read({"text": "x" * (4 * 1024 * 1024 + 1)}), "text"),
    "hex that is none": (with_read({"hex": "0g"}), "hexadecimal"),
    "half a byte": (with_read({"hex": "0"}), "hexadecimal"),
    "hex with a space": (with_read({"hex": "00 01"}), "hexadecimal"),
    "hex beyond ASCII": (with_read({"hex": "\uff10\uff10"}), "hexadecimal"),
    "a list of numbers": (with_read({"list": [1]}), "list"),
    "a list too long": (with_read({"list": ["x"] * 10_001}), "list"),
    "a link that is a list": (with_read({"link": ["a"]}), "link"),
    "a link too long": (with_read({"link": "x" * 4097}), "link"),
    "a key too long": (with_read({"text": ""}, "text /" + "x" * 4097), UNUSABLE),
    "an error that is a number": (with_read({"error": 13}), "error"),
    "samples in an object": (changed(samples={}), "samples"),
    "a sample without offset": (changed(samples=[{"reads": {}}]), UNUSABLE),
    "a sample without reads": (changed(samples=[{"offset": 1}]), UNUSABLE),
    "a sample before the first look": (changed(samples=[{"offset": -0.1, "reads": {}}]), "offset"),
    "a sample at no time": (WRITTEN.replace(b'"offset":2', b'"offset":NaN'), UNUSABLE),
    "a sample at the end of time": (WRITTEN.replace(b'"offset":2', b'"offset":1e999'), "offset"),
    "a sample a lifetime later": (WRITTEN.replace(b'"offset":2', b'"offset":1e10'), "offset"),
    "a sample with half an answer": (changed(samples=[{"offset": 1, "reads": {"text /a": {}}}]), "exactly one"),
    "too many samples": (changed(samples=[{"offset": 1, "reads": {}}] * 10_001), "samples"),
    "packed and cut": (PACKED[:-9], "ends too early"),
    "packed and cut in its header": (PACKED[:5], "ends too early"),
    "packed and damaged": (PACKED[:60] + bytes([PACKED[60] ^ 0x55]) + PACKED[61:], "does not unpack"),
    "packed with a wrong checksum": (PACKED[:-8] + bytes(4) + PACKED[-4:], "does not unpack"),
    "packed twice": (gzip.compress(PACKED), UNUSABLE),
    "packed with more behind": (PACKED + b"x", "more follows after its end"),
    "packed in two parts": (gzip.compress(WRITTEN[:50]) + gzip.compress(WRITTEN[50:]), "more follows after its end"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_capture_is_refused_in_one_sentence(name: str) -> None:
    """The sentence names the file, the reason, and what to do, on one printable line."""
    data, reason = REFUSED[name]
    sentence = refusal(data)
    assert sentence.startswith('"bench-2.json" is ')
    assert reason in sentence
    assert "; " in sentence
    assert [] == [word for word in DECODER_WORDS if word in sentence]
    assert sentence.isprintable()
    assert len(sentence) < 400


@pytest.mark.parametrize("version", [2, 7, 10**12])
def test_a_newer_version_asks_for_an_update(version: int) -> None:
    """A newer file is told from a damaged one, even if it holds keys that nobody knows yet."""
    for data in (changed(version=version), changed(version=version, reads=None, links=[{"port": 1}])):
        assert refusal(data).startswith('"bench-2.json" is of a newer version')


def test_text_of_the_file_in_a_message_is_harmless() -> None:
    """Names that a message takes from the file reach nobody as terminal commands."""
    assert "\\x1b[2J" in refusal(with_read({}, "text /\x1b[2J\u202e"))
    assert "\\u202e" in refusal(with_read({}, "text /\x1b[2J\u202e"))
    assert refusal(changed(**{"\x1b]0;owned\x07": 1})).isprintable()


@pytest.mark.parametrize(
    ("reads", "samples"), [(250_001, 0), (125_000, 125_001)], ids=["in the first look", "with the later looks"]
)
def test_too_many_reads_are_refused(reads: int, samples: int) -> None:
    """No machine gives a quarter of a million readings."""
    first = ",".join(f'"{number:x}":{{"link":""}}' for number in range(reads))
    later = ",".join(f'"{number:x}":{{"link":""}}' for number in range(samples))
    head = WRITTEN[: WRITTEN.index(b'"reads"')].decode()
    data = f'{head}"reads":{{{first}}},"samples":[{{"offset":1,"reads":{{{later}}}}}]}}'
    assert "larger than any machine's capture" in refusal(data.encode())


# --- Files -----------------------------------------------------------------------------------------------------


def unreadable(path: str) -> str:
    """The sentence with which a file is refused."""
    with pytest.raises(BadInput) as caught:
        capture.load_file(path)
    sentence = str(caught.value)
    assert sentence.isprintable()
    return sentence


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    """A directory, a pipe and a device are named as no files, without opening or waiting."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (tmp_path, pipe, Path("/dev/zero")):
        assert unreadable(str(path)) == (
            f'"{path}" is not a regular file; give the name of a file, or - to read standard input'
        )


# --- Pipes ---------------------------------------------------------------------------------------------------------


def sent(data: bytes) -> tuple[Thread, int]:
    """A pipe with this content, and the thread that writes it."""
    begin, end = os.pipe()

    def write() -> None:
        with contextlib.suppress(BrokenPipeError), os.fdopen(end, "wb") as writing:
            writing.write(data)

    thread = Thread(target=write)
    thread.start()
    return thread, begin


@pytest.mark.parametrize("folder", ["/dev/fd", "/proc/self/fd"])
@pytest.mark.parametrize("packed", [False, True])
def test_an_open_pipe_is_a_capture(folder: str, *, packed: bool) -> None:
    """A capture comes through a pipe of the process as it does from a file, also when it is larger than the pipe."""
    whole = CALM.read_bytes() + b" " * 300_000
    thread, begin = sent(gzip.compress(whole) if packed else whole)
    try:
        assert capture.load_file(str(CALM)) == capture.load_file(f"{folder}/{begin}")
    finally:
        os.close(begin)
        thread.join()


def test_a_pipe_may_be_looked_into_before_it_is_read() -> None:
    """What is read of a pipe to see how it begins is not lost to whoever reads it whole, however often that is done."""
    thread, begin = sent(CALM.read_bytes())
    place = f"/dev/fd/{begin}"
    try:
        looks = [bytes(files.read_whole(place, limit)[: limit + 1]) for limit in (16, 4, 100)]
        assert [CALM.read_bytes()[: limit + 1] for limit in (16, 4, 100)] == looks
        assert capture.load_file(str(CALM)) == capture.load_file(place)
        assert "a pipe, which can be read once" in unreadable(place)
    finally:
        os.close(begin)
        thread.join()


def test_an_endless_pipe_is_read_to_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a pipe no more is read than of a file: a capture past the limit is refused while it is still being sent."""
    monkeypatch.setattr(capture, "JSON_LIMIT", 1_000_000)
    thread, begin = sent(b" " * 3_000_000)
    try:
        assert "larger than any machine's capture" in unreadable(f"/dev/fd/{begin}")
        assert len(os.read(begin, 10)) == 10
    finally:
        os.close(begin)
        thread.join()


@pytest.mark.parametrize(
    "name", ["/dev/fd/999999", "/dev/fd/x", "/dev/fd/", "/dev/fd/1e3", "/dev/fd/-1", "/dev/fd/\u0663"]
)
def test_a_name_that_stands_for_no_pipe_is_refused(name: str) -> None:
    """A number that nothing is open under, and what is no number, cost one sentence."""
    assert name in unreadable(name)


def test_a_pipe_that_is_written_to_is_refused() -> None:
    """The end of a pipe that can only be written to gives one sentence."""
    begin, end = os.pipe()
    try:
        assert "cannot be read" in unreadable(f"/dev/fd/{end}")
    finally:
        os.close(begin)
        os.close(end)


def test_a_file_that_cannot_be_opened_is_refused(tmp_path: Path) -> None:
    """Missing, looping and impossible names each give the system's reason."""
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    reasons = {
        str(tmp_path / "nothing.json"): os.strerror(errno.ENOENT),
        f"{Path(__file__)}/x": os.strerror(errno.ENOTDIR),
        str(loop): os.strerror(errno.ELOOP),
        "x" * 300: os.strerror(errno.ENAMETOOLONG),
        "a\0b": "the name is not one a file can have",
        "": os.strerror(errno.ENOENT),
    }
    for path, reason in reasons.items():
        sentence = unreadable(path)
        assert reason.lower() in sentence
        assert sentence.endswith("check the name and your rights to it")


def test_a_file_of_another_user_is_refused(tmp_path: Path) -> None:
    """A file that this user may not read costs one sentence."""
    path = tmp_path / "capture.json"
    path.write_bytes(WRITTEN)
    path.chmod(0)
    if os.geteuid() != 0:
        assert os.strerror(errno.EACCES).lower() in unreadable(str(path))
        return
    os.seteuid(65534)  # the user "nobody", as the super-user reads everything
    try:
        assert os.strerror(errno.EACCES).lower() in unreadable(str(path))
    finally:
        os.seteuid(0)


@pytest.mark.parametrize("name", ["\x1b[31m.json", "a\nb.json", "\u202egnp.json", "\x9b2J", os.fsdecode(b"\xff.json")])
def test_a_hostile_name_is_spelt_out(name: str) -> None:
    """Control, invisible and broken characters of a file's name never reach the terminal."""
    sentence = unreadable(f"/nowhere/{name}")
    assert "\\" in sentence
    assert len(sentence.splitlines()) == 1


def test_long_names_are_cut() -> None:
    """A message stays a line that can be read."""
    assert len(unreadable("/nowhere/" + "x" * 200_000)) < 300


def test_large_files_are_not_read_whole(tmp_path: Path) -> None:
    """A file past the limit is refused for its size, whatever is in it."""
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(capture.JSON_LIMIT + 1)
    assert "is larger than any machine's capture" in unreadable(str(path))
    with path.open("r+b") as file:
        file.write(PACKED)
        file.truncate(capture.PACKED_LIMIT + 1)
    assert "is larger than any machine's capture" in unreadable(str(path))


def test_a_file_that_says_it_is_empty_is_read_to_its_end() -> None:
    """Files of the kernel give no size and come in pieces: all of them are read, up to the limit."""
    path = Path("/proc/kallsyms")
    whole = path.read_bytes()
    assert len(whole) > 1024 * 1024
    assert files.read_whole(str(path), len(whole)) == whole
    assert len(files.read_whole(str(path), 500_000)) > 500_000
    assert UNUSABLE in unreadable(str(path))


# --- Round trips -----------------------------------------------------------------------------------------------

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
names = st.tuples() | st.lists(texts, max_size=4).map(tuple)
errno_names = st.sampled_from([*REASONS, "EPROTO", "E2BIG", "EFOO"])
sentences = st.sampled_from(["not in this capture", "udev did not answer (KeyError)", "the capture holds another form"])


@st.composite
def reads(draw: st.DrawFn) -> dict[str, Answer]:
    """Answers as `probes.reads` gives them."""
    found: dict[str, Answer] = {}
    for path in draw(st.lists(texts, max_size=6)):
        kind = draw(st.sampled_from(["text", "bytes", "list", "link", "udev", "psutil", "nvme"]))
        key = f"{kind} {path}"
        form = {"bytes": st.binary(max_size=40), "nvme": st.binary(max_size=40), "list": names}.get(kind, texts)
        answer = draw(form | st.builds(failed, st.just(key), errno_names) | st.builds(Unread, st.just(key), sentences))
        found[key] = answer
    return found


@pytest.mark.long
@given(reads(), st.lists(st.tuples(st.floats(0, 1e6), reads()), max_size=3))
def test_what_is_written_comes_back(answers: dict[str, Answer], samples: list[tuple[float, dict[str, Answer]]]) -> None:
    """Every answer, failed ones included, is equal after a round trip, and so is each later look."""
    found = capture.parse(encoded(answers, samples), "test")
    assert found.reads == answers
    assert list(found.samples) == sorted(samples, key=lambda sample: sample[0])


@pytest.mark.parametrize("name", [*REASONS, "EPROTO"])
def test_a_failed_read_replays_as_itself(name: str) -> None:
    """The file holds the errno name alone; reason and need for root come back from it."""
    answer = failed("text /sys/a", name)
    data = encoded({"text /sys/a": answer})
    assert f'"text /sys/a":{{"error":"{name}"}}'.encode() in data
    assert capture.parse(data, "test").reads["text /sys/a"] == answer


def test_a_sentence_from_a_file_is_short_and_printable() -> None:
    """A hostile reason for a failed read is spelt out and cut."""
    answer = capture.parse(with_read({"error": "\x1b[2J" + "x" * 900}), "test").reads["text /sys/a"]
    assert isinstance(answer, Unread)
    assert answer.why.isprintable()
    assert len(answer.why) == capture.SENTENCE_LIMIT


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=20,
)
entries = json_values | st.dictionaries(
    st.sampled_from(["text", "hex", "list", "link", "error"]), json_values, max_size=2
)
near_captures = st.fixed_dictionaries(
    {"reads": st.dictionaries(texts, entries, max_size=3)},
    optional={
        "format": st.just("lanewright-capture") | json_values,
        "version": st.just(1) | json_values,
        "samples": json_values,
        "redacted": json_values,
        "taken_at": json_values,
    },
).map(lambda keys: {**json.loads(WRITTEN), **keys})


@given(json_values | near_captures)
def test_any_json_is_a_capture_or_one_sentence(value: object) -> None:
    """Whatever JSON a file holds, there is a capture or a BadInput, never another error."""
    try:
        found = capture.parse(json.dumps(value).encode(), "test")
    except BadInput as problem:
        assert str(problem).isprintable()  # noqa: PT017 - both ways out are right
    else:
        capture.recorded(found)
        assert isinstance(found.reads, dict)


@given(st.binary(max_size=200) | st.binary(max_size=60).map(lambda tail: PACKED[:40] + tail))
def test_any_bytes_are_a_capture_or_one_sentence(data: bytes) -> None:
    """Whatever a file holds, plain or packed, there is one sentence; no short file is a capture by chance."""
    assert refusal(data).isprintable()


@given(st.integers(0, len(WRITTEN) - 1), st.integers(1, 255))
def test_one_damaged_byte_is_a_capture_or_one_sentence(place: int, change: int) -> None:
    """A capture with one byte changed still decodes, or costs one sentence."""
    data = WRITTEN[:place] + bytes([WRITTEN[place] ^ change]) + WRITTEN[place + 1 :]
    try:
        found = capture.parse(data, "test")
    except BadInput as problem:
        assert str(problem).isprintable()  # noqa: PT017 - both ways out are right
    else:
        assert len(found.reads) <= len(ANSWERS)


# --- Writing ---------------------------------------------------------------------------------------------------


def test_the_file_is_as_designed() -> None:
    """The written file has the keys and forms of the contract, one answer a line in the order of the keys."""
    data = encoded(ANSWERS, [(0.5, {"text /sys/a": "0x4"})])
    found = json.loads(data)
    expected = json.loads(WRITTEN)
    expected["reads"]["bytes /sys/b"]["hex"] = "00ff"
    assert found == expected | {"redacted": False, "samples": expected["samples"][1:]}
    keys = [line.split(b":")[0] for line in data.splitlines() if line.startswith((b'"text', b'"list', b'"link'))]
    assert keys[:4] == sorted(keys[:4])


@pytest.mark.parametrize("name", ["capture.json", "capture.json.gz"])
def test_a_written_file_is_read_back(tmp_path: Path, name: str) -> None:
    """A file is packed by its name, and the same machine makes the same bytes at any time."""
    path, again = str(tmp_path / name), str(tmp_path / f"again-{name}")
    write(path)
    write(again)
    assert capture.load_file(path).reads == ANSWERS
    data = Path(path).read_bytes()
    assert data == Path(again).read_bytes()
    assert (data[:2] == b"\x1f\x8b") == name.endswith(".gz")
    if name.endswith(".gz"):
        assert data[4:8] == bytes(4)  # RFC 1952: MTIME 0, no time stamp is available
        assert gzip.decompress(data) == encoded()


def test_serial_numbers_are_replaced_unless_kept() -> None:
    """Redaction is the rule: only `keep_serials` leaves a serial number in the bytes, and the file says which."""
    answers: dict[str, Answer] = {"text /sys/class/nvme/nvme0/serial": "HLA0042QX7"}
    words: dict[str, Any] = {
        "platform": "linux",
        "taken_at": MOMENT,
        "agent": "0.1.0",
        "answers": answers,
        "samples": (),
    }
    kept = capture.encode(keep_serials=True, **words)
    hidden = capture.encode(keep_serials=False, **words)
    assert (b"HLA0042QX7" in kept, b"HLA0042QX7" in hidden) == (True, False)
    assert (json.loads(kept)["redacted"], json.loads(hidden)["redacted"]) == (False, True)


def test_the_head_says_what_is_left_out() -> None:
    """The places of a drive's answer in which nothing is kept stand before the answers, unless all is kept."""
    words: dict[str, Any] = {"platform": "linux", "taken_at": MOMENT, "agent": "0.1.0", "samples": ()}
    words["answers"] = {"nvme log-02 /dev/nvme0": bytes(range(256)) * 2}
    hidden = capture.encode(keep_serials=False, **words)
    # Reserved since revision 1.3. Source: NVM Express Base, SMART / Health Information log page.
    assert json.loads(hidden)["left_out"]["nvme log-02"].endswith("232-511")
    assert hidden.index(b'"left_out"') < hidden.index(b'"reads"')
    assert capture.parse(hidden, "x").reads["nvme log-02 /dev/nvme0"] != words["answers"]["nvme log-02 /dev/nvme0"]
    assert "left_out" not in json.loads(capture.encode(keep_serials=True, **words))


def test_more_than_can_be_read_back_is_not_written(tmp_path: Path) -> None:
    """A capture past the limits of reading is refused before it is written."""
    answers: dict[str, Answer] = {f"text /{number}": "" for number in range(capture.READS_LIMIT + 1)}
    with pytest.raises(BadInput, match="than a capture can hold"):
        write(str(tmp_path / "capture.json"), answers=answers)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_stays_without_force(tmp_path: Path) -> None:
    """What is there is kept, and the sentence names --force; with it the file is replaced."""
    path = tmp_path / "capture.json"
    path.write_text("the work of last week")
    with pytest.raises(BadInput) as caught:
        write(str(path))
    assert str(caught.value) == f'"{path}" exists; choose another name, or overwrite it with --force'
    assert path.read_text() == "the work of last week"
    write(str(path), force=True)
    assert capture.load_file(str(path)).reads == ANSWERS
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_is_replaced_not_followed(tmp_path: Path) -> None:
    """With --force a symbolic link gives way to the file; where it led stays untouched."""
    kept, link = tmp_path / "kept", tmp_path / "capture.json"
    kept.write_text("kept")
    link.symlink_to(kept)
    with pytest.raises(BadInput, match="--force"):
        write(str(link))
    write(str(link), force=True)
    assert (kept.read_text(), link.is_symlink()) == ("kept", False)


def test_the_file_has_ordinary_rights(tmp_path: Path) -> None:
    """The user's mask decides who may read a capture, as for any file; one that keeps serial numbers is private."""
    before = os.umask(0o027)
    try:
        write(str(tmp_path / "capture.json"), keep_serials=False)
        write(str(tmp_path / "whole.json"))
    finally:
        os.umask(before)
    assert (tmp_path / "capture.json").stat().st_mode & 0o777 == 0o640
    assert (tmp_path / "whole.json").stat().st_mode & 0o777 == 0o600


def unwritable(path: str, *, force: bool = False) -> str:
    """The sentence with which a place is refused."""
    with pytest.raises(BadInput) as caught:
        write(path, force=force)
    sentence = str(caught.value)
    assert sentence.isprintable()
    return sentence


@pytest.mark.parametrize("folder", ["/sys", "/sys/class", "/dev", "/dev/pts", "/proc", "/proc/self/fd", "/dev/../sys"])
def test_nothing_is_written_below_folders_of_the_kernel(folder: str) -> None:
    """Not even with --force is a file opened below /sys, /dev or /proc."""
    for name in ("capture.json", "null"):
        assert "folder of the kernel" in unwritable(f"{folder}/{name}", force=True)


def test_a_link_to_a_folder_of_the_kernel_is_one(tmp_path: Path) -> None:
    """A detour over a symbolic link changes nothing."""
    (tmp_path / "devices").symlink_to("/sys/bus/pci/devices")
    assert "folder of the kernel" in unwritable(f"{tmp_path}/devices/capture.json", force=True)


def test_places_that_are_no_file_are_refused(tmp_path: Path) -> None:
    """A folder, a pipe, a missing folder and impossible names are each one sentence, also with --force."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    (tmp_path / "file").write_text("")
    reasons = {
        str(tmp_path): "is a folder; add the name of a file",
        f"{tmp_path}/": "is a folder; add the name of a file",
        str(pipe): "exists and is not a regular file; choose another name",
        f"{tmp_path}/none/capture.json": os.strerror(errno.ENOENT).lower(),
        f"{tmp_path}/file/capture.json": os.strerror(errno.ENOTDIR).lower(),
        f"{tmp_path}/{'x' * 300}": os.strerror(errno.ENAMETOOLONG).lower(),
        f"{tmp_path}/a\0b": "not one a file can have",
    }
    for path, reason in reasons.items():
        assert reason in unwritable(path, force=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "pipe"]


def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program that takes the name while the capture is written keeps its file."""
    path = tmp_path / "capture.json"

    def other_program(_: int) -> None:
        path.write_text("mine")

    monkeypatch.setattr(os, "fsync", other_program)
    assert "exists; choose another name" in unwritable(str(path))
    assert (path.read_text(), len(list(tmp_path.iterdir()))) == ("mine", 1)


@pytest.mark.parametrize("code", [errno.EPERM, errno.EOPNOTSUPP])
def test_memory_sticks_without_hard_links_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    """Where the file system has no hard links the file still appears whole, and an existing one is kept."""

    def link(*_: str) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "link", link)
    path = tmp_path / "capture.json"
    write(str(path))
    assert capture.load_file(str(path)).reads == ANSWERS
    assert "exists; choose another name" in unwritable(str(path))
    assert list(tmp_path.iterdir()) == [path]


def test_a_memory_stick_that_breaks_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the name has to be taken before the file is moved there, a failure gives the name back."""

    def fail(*_: str) -> None:
        raise OSError(errno.EPERM, "no")

    monkeypatch.setattr(os, "link", fail)
    monkeypatch.setattr(os, "replace", fail)
    assert "cannot be written" in unwritable(str(tmp_path / "capture.json"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("system_call", "force"), [("fsync", False), ("link", False), ("replace", True)])
@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "full"), OSError(errno.EIO, "broken")], ids=["full", "broken"])
def test_a_write_that_fails_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system_call: str, error: OSError, *, force: bool
) -> None:
    """A disk that fills up or breaks at any step leaves no file and nothing beside it."""

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(os, system_call, fail)
    path = str(tmp_path / "capture.json")
    assert f'"{path}" cannot be written ({os.strerror(error.errno or 0).lower()})' in unwritable(path, force=force)
    assert list(tmp_path.iterdir()) == []


# Writes a large capture again and again, until it is stopped.
WRITER: Final = """
import sys
from probes.files import write_whole
print("ready", flush=True)
while True:
    write_whole(sys.argv[1], b"x" * 4_000_000, force=True)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_stopped_write_leaves_no_half_file(tmp_path: Path, number: signal.Signals) -> None:
    """Whenever a signal comes, the file is there whole or not at all, and nothing lies beside it."""
    for attempt in range(6):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(folder / "capture.json")],
            cwd=HERE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert writer.stdout is not None
        try:
            writer.stdout.readline()
            time.sleep(0.003 * attempt)
            writer.send_signal(number)
            assert writer.wait(20) != 0
        finally:
            writer.kill()  # it writes for ever if the signal does not stop it
            writer.wait()
            writer.stdout.close()
        left = {path.name: path.stat().st_size for path in folder.iterdir()}
        assert left in ({}, {"capture.json": 4_000_000})


def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    """When the system refuses more bytes in the middle of a write (here by a limit), nothing is left."""
    program = (
        "import resource, sys; from probes.files import write_whole; from knowledge.problems import BadInput\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))\n"
        "try: write_whole(sys.argv[1], bytes(300_000), force=False)\n"
        "except BadInput as problem: print(problem)"
    )
    path = tmp_path / "capture.json"
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], cwd=HERE, capture_output=True, text=True, check=True
    )
    assert done.stdout == (
        f'"{path}" cannot be written ({os.strerror(errno.EFBIG).lower()}); choose another folder or name\n'
    )
    assert list(tmp_path.iterdir()) == []


# --- The schema ------------------------------------------------------------------------------------------------


def test_the_schema_describes_the_file() -> None:
    """The JSON Schema names exactly the keys that are written, requires them and allows no others.

    Where nothing was left out, that is not said.
    """
    schema = schemas.schema("capture")
    file = schema["$defs"]["CaptureFile"]
    keys = set(json.loads(encoded()))
    assert set(file["properties"]) == keys | {"left_out"}
    assert set(file["required"]) == keys
    assert file["additionalProperties"] is False
    entry = schema["$defs"]["Entry"]
    assert set(entry["properties"]) == {"text", "hex", "list", "link", "error"}
    assert entry["additionalProperties"] is False
    json.dumps(schema)


# --- Words -----------------------------------------------------------------------------------------------------


@given(st.text(max_size=300), st.integers(10, 200))
def test_printable_text_is_printable_and_short(text: str, limit: int) -> None:
    """Any text comes out printable and within the limit; printable text within it stays as it is."""
    found = printable(text, limit)
    assert found.isprintable()
    assert len(found) <= limit
    if text.isprintable() and len(text) <= limit:
        assert found == text


def test_zlib_is_what_unpacks() -> None:
    """A file packed with the greatest and the least effort is read alike (RFC 1951 allows any blocks)."""
    for level in (0, 1, 9):
        packer = zlib.compressobj(level, wbits=31)
        assert capture.parse(packer.compress(WRITTEN) + packer.flush(), "test").reads == ANSWERS
