"""Explanations: nothing goes unexplained, nothing is explained that is not there, and all forms show the same."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from click.testing import CliRunner, Result
from hypothesis import example, given
from hypothesis import strategies as st

from agent.cli import main
from agent.explain import KINDS, Explanation, explanation, explanations, is_word, nearest, words
from agent.manual.chapters import titles
from agent.model.findings import VERDICTS, Severity, Verdict
from agent.report import explain_data, explaining, schemas
from agent.rules import RULES
from knowledge.explained import SHAPES, texts
from knowledge.problems import BadInput
from knowledge.steps import STEPS
from tests.docs import HERE
from tests.json_schema import problems
from tests.test_machines import FOLDERS, audited
from tests.test_report import printed

if TYPE_CHECKING:
    from agent.report.paper import Page
    from agent.rules.rule import Rule

every_word = pytest.mark.parametrize("one", words(), ids=lambda one: f"{one.kind}-{one.word}".replace(" ", "-"))

# Registers and log pages by the names of their specifications, as findings name them.
WORN: Final = HERE / "fixtures" / "bench-2-worn-riser" / "capture.json"
REGISTERS: Final = (
    "Link Capabilities",
    "Link Status",
    "Link Status 2",
    "Link Control",
    "Link Control 2",
    "Slot Capabilities",
    "Slot Status",
    "Slot Control",
    "Device Control",
    "Device Capabilities",
    "Lane Error Status",
    "02h",
    "03h",
)

# Critical Warning bits of the health log. Source: Linux include/linux/nvme.h, NVME_SMART_CRIT_* (6.12); bit 5: NVM
# Express Base 1.4, SMART / Health Information log page.
CRITICAL_WARNINGS: Final = {
    "drive-spare-low": 0,
    "drive-heat-warning": 1,
    "drive-unreliable": 2,
    "drive-read-only": 3,
    "drive-backup-failed": 4,
}


def sentences(text: str) -> list[str]:
    """The sentences of a text, in small letters."""
    return [one.strip(". ").lower() for one in re.split(r"(?<=[.!?])\s+", text)]


# --- The texts -------------------------------------------------------------------------------------------------


def test_nothing_goes_unexplained_and_nothing_is_explained_that_is_not_there() -> None:
    """Every severity and step has its text, and every text has its thing; rules and verdicts bring their own."""
    found = texts()
    assert set(Verdict) == set(VERDICTS)
    assert set(Severity) == set(found.severities)
    assert set(STEPS) == set(found.steps)
    assert len(words()) == len(RULES) + len(Verdict) + sum(len(getattr(found, name)) for name in SHAPES)


def test_the_words_of_the_design_are_explained() -> None:
    """The words that the program made up for itself, and those that its figures go by, can be asked for."""
    ours = {"capture", "link", "best", "hop", "narrowest hop", "build sheet", "soak", "field note"}
    assert ours | {"ceiling", "alone", "together", "settle", "presence", "payload"} <= set(texts().words)


@every_word
def test_an_explanation_has_all_its_parts(one: Explanation) -> None:
    """Title, meaning, evidence, limits and source are whole sentences; verdicts, severities and rules have causes."""
    for part in (one.title, one.meaning, one.evidence, one.cannot_tell, one.source):
        if one.kind == "word" and part in {one.evidence, one.cannot_tell} and not part:
            continue  # a word of the trade may rest on nothing, and settle all that it speaks of
        assert part == " ".join(part.split())
        assert part.endswith("."), part
        assert part[0].isupper() or part.startswith(("lanewright ", '"')), part
        assert "{" not in part, part
    assert bool(one.causes) >= (one.kind in {"verdict", "severity", "rule"})
    assert [] == [cause for cause in one.causes if not cause[0].isupper() or cause.endswith(".")]
    assert (one.kind in {"verdict", "rule"}) == (one.severity is not None)


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_what_a_rule_means_stands_by_itself(rule: Rule) -> None:
    """It begins with what is found, by name: no "it" or "this" that leans on a title which may not be shown."""
    first, *rest = sentences(rule.explained.meaning)
    assert re.match(r"(a|an|two) [a-z]", first, re.IGNORECASE), first
    assert len(first.split()) > 6
    assert rest, "a definition alone says no more than the title"


@every_word
def test_an_explanation_is_plain_text_of_ascii(one: Explanation) -> None:
    """No character of it can act in a terminal, and none needs a font."""
    parts = [*one.causes, one.title, one.meaning, one.evidence, one.cannot_tell, one.source]
    assert [] == [part for part in parts if not (part.isascii() and part.isprintable())]


def test_no_sentence_stands_twice() -> None:
    """What is said of one thing is not said again of another: a text that fits two fits neither."""
    seen: dict[str, list[str]] = {}
    for one in words():
        of_its_own = [one.meaning, one.cannot_tell, *one.causes]
        of_its_own += [one.title] if one.kind != "step" else []  # steps stand in agent/findings and are tested there
        of_its_own += [one.evidence] if one.kind != "step" else []
        for text in of_its_own:
            for sentence in filter(None, sentences(text)):
                seen.setdefault(sentence, []).append(f"{one.kind} {one.word}")
    assert {} == {sentence: places for sentence, places in seen.items() if len(places) > 1}


@every_word
def test_every_word_that_is_pointed_at_can_be_asked_for(one: Explanation) -> None:
    """See also, the steps of a rule and the rules of a step are words in turn, each once, and never the word itself."""
    pointed = [*one.see_also, *one.steps, *one.rules]
    assert pointed == list(dict.fromkeys(pointed))
    for word in pointed:
        assert [] != [other for other in explanations(word) if other != one]


def test_rules_and_steps_point_at_each_other() -> None:
    """A step names the rules that lead to it, and a rule its steps, as the advisor has them."""
    for rule in RULES.values():
        (one,) = explanations(f"rule {rule.id}")
        assert rule.steps == one.steps
        for action in rule.steps:
            assert rule.id in explanations(f"step {action}")[0].rules


@pytest.mark.parametrize("action", STEPS)
def test_a_step_has_the_cautions_of_the_advisor(action: str) -> None:
    """Cautions, source and the way to verify are those of the step itself."""
    (one,) = explanations(f"step {action}")
    assert STEPS[action].cautions == one.cautions
    assert STEPS[action].source.lower() in one.source.lower()


# --- Held against what the rules do, and against the standard --------------------------------------------------


def _is_verdict(one: Explanation) -> bool:
    return one.kind == "verdict"


@pytest.mark.parametrize("name", FOLDERS)
def test_an_explanation_names_the_registers_that_its_findings_rest_on(name: str) -> None:
    """Each register or log page in the evidence of a finding stands in what its rule, or its verdict, rests on."""
    missing = []
    for finding in audited(name).findings:
        (rule,) = explanations(f"rule {finding.rule}")
        told = [rule, *(one for word in (rule.word, *rule.see_also) for one in explanations(word) if _is_verdict(one))]
        said = " ".join(one.evidence for one in told)
        for source in {one.source for one in finding.evidence}:
            missing += [
                (finding.rule, register)
                for register in REGISTERS
                if re.search(rf"\b{register}\b(?! 2)", source) and not re.search(rf"\b{register}\b(?! 2)", said)
            ]
    assert [] == missing


@pytest.mark.parametrize(("rule", "bit"), CRITICAL_WARNINGS.items())
def test_a_critical_warning_is_told_by_its_bit(rule: str, bit: int) -> None:
    """The bit that is named is the one of the published list."""
    assert re.search(rf"Critical Warning bit {bit}\b", explanation(rule).evidence)


def test_generations_are_told_with_their_published_speeds() -> None:
    """PCI Express Base, Supported Link Speeds Vector, and the announcement of 7.0: 2.5, 5, 8, 16, 32, 64, 128 GT/s."""
    assert ["2.5", "5", "8", "16", "32", "64", "128"] == re.findall(r"\d+(?:\.\d+)?", explanation("generation").title)[
        1:
    ]


def test_a_drive_of_which_too_much_was_written_is_told_where_the_standard_stops() -> None:
    """NVM Express Base, Percentage Used: the value may exceed 100, and stops at 255."""
    assert "stops at 255 %" in explanation("drive-worn").meaning


def test_a_smaller_payload_costs_what_is_said() -> None:
    """128 bytes against 256 on x4 at 8 GT/s: published bound of 3316.6 and 3600.9 MB/s, a difference of about 280."""
    assert 280 == round(3600.9 - 3316.6, -1)
    assert "280 MB/s" in explanation("payload").meaning


# --- Looking up ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", ["narrowest hop", "Narrowest-Hop", " NARROWEST  hop ", "narrowest_hop"])
def test_case_and_spaces_do_not_matter(asked: str) -> None:
    """A word is found however it is written down."""
    assert "narrowest hop" == explanation(asked).word


def test_a_word_of_two_kinds_gives_both() -> None:
    """A verdict and a rule, or a verdict and a severity, share a word; a kind before it chooses."""
    assert ["verdict", "rule"] == [one.kind for one in explanations("slot-limited")]
    assert ["verdict", "severity"] == [one.kind for one in explanations("unknown")]
    assert ["rule"] == [one.kind for one in explanations("rule slot-limited")]
    assert "verdict" == explanation("slot-limited").kind


@every_word
def test_every_word_is_found_by_its_own_name(one: Explanation) -> None:
    """Nothing is explained that nobody can ask for."""
    assert one in explanations(one.word)
    assert (one,) == explanations(f"{one.kind} {one.word}")


@pytest.mark.parametrize(
    ("asked", "near"),
    [
        ("paylod", "payload"),
        ("narow", "narrow"),
        ("limited", "slot-limited"),
        ("reseet", "reseat"),
        ("bifurkation", "split"),
    ],
)
def test_an_unknown_word_names_the_nearest(asked: str, near: str) -> None:
    """A slip of the pen is answered with words that there are."""
    assert near in nearest(asked)
    with pytest.raises(BadInput, match=re.escape(near)):
        explanation(asked)


@given(st.text(max_size=80))
@example("")
@example("\x1b[31m")
@example("rule")
@example("step ")
def test_any_text_is_a_word_or_bad_input(asked: str) -> None:
    """Whatever is asked for, there is an explanation or one sentence."""
    try:
        found = explanations(asked)
    except BadInput as problem:
        assert "\n" not in str(problem).replace(asked.strip()[:60], "")  # noqa: PT017 - either may come
    else:
        assert all(isinstance(one, Explanation) for one in found)


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        ("lanes", "lane"),
        ("bifurcation", "split"),
        ("gen 4", "generation"),
        ("GiB", "GB"),
        ("at best", "best"),
        ("Throttling", "slowed by heat"),
        ("presence detect", "presence"),
        ("unsafe shutdowns", "unsafe shutdown"),
    ],
)
def test_a_word_is_found_by_its_other_names(asked: str, word: str) -> None:
    """The trade's other names for a thing, its plural and its abbreviation lead to it."""
    assert word == explanation(asked).word


def test_other_names_hide_nothing() -> None:
    """No other name is a word of its own, a chapter or the other name of two words."""
    names = [squeezed(name.lower()) for one in words() for name in one.also]
    assert len(names) == len(set(names))
    assert set() == set(names) & ({squeezed(one.word.lower()) for one in words()} | set(titles()))


def test_a_chapter_is_not_taken_for_a_plural() -> None:
    """`explain captures` is the chapter, though a capture is a word."""
    assert not is_word("captures")
    assert is_word("capture")


# --- Forms -----------------------------------------------------------------------------------------------------


def shown(page: Page, width: int) -> str:
    """A page without spaces and line ends, as a long word may be broken on a narrow one."""
    return squeezed(printed(page, width))


def squeezed(text: str) -> str:
    """The text without spaces."""
    return re.sub(r"\s", "", text)


@every_word
@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_text_shows_every_part(one: Explanation, width: int) -> None:
    """Nothing is cut, however narrow the terminal is, and no line is longer than it."""
    page = explaining.explained((one,), width, "")
    text = shown(page, width)
    parts = [*one.cautions, *one.causes, one.title, one.meaning, one.evidence, one.cannot_tell, one.source]
    assert [] == [part for part in parts if squeezed(part) not in text]
    for words_of in (one.steps, one.rules, one.see_also):
        assert squeezed(", ".join(words_of)) in text
    assert [] == [line for line in printed(page, width).splitlines() if len(line) > width]


@pytest.mark.parametrize("action", STEPS)
def test_cautions_come_before_the_step(action: str) -> None:
    """In the text all cautions of a step stand above its words, and in the JSON their key comes first."""
    (one,) = explanations(f"step {action}")
    text = shown(explaining.explained((one,), 80, ""), 80)
    at = text.index(squeezed(one.title))
    assert [] == [caution for caution in one.cautions if squeezed(caution) not in text[:at]]
    keys = list(msgspec.json.decode(msgspec.json.encode(explain_data.form((one,))))["explanations"][0])
    assert keys.index("cautions") < keys.index("title")


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_the_list_has_every_word_whole(width: int) -> None:
    """Without a word all of them are listed by kind, each with all of its title, or a step in brief; nothing is cut."""
    text = printed(explaining.listed(words(), width, ""), width)
    squeezed_text = squeezed(text)
    at = 0
    for kind in KINDS:
        for one in words():
            if one.kind == kind:
                at = squeezed_text.index(squeezed(one.word + (one.brief or one.title)), at)
    assert all(squeezed(name + title) in squeezed_text[at:] for name, title in titles().items())
    assert "..." not in text
    assert [] == [line for line in text.splitlines() if len(line) > width]


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_list_of_chapters_is_whole(width: int) -> None:
    """The chapters are listed with their whole titles."""
    text = printed(explaining.contents(titles(), width, ""), width)
    assert "..." not in text
    assert [] == [title for title in titles().values() if squeezed(title) not in squeezed(text)]


@every_word
def test_the_first_line_is_the_answer(one: Explanation) -> None:
    """It begins with the word, its kind and what it is; a step with cautions begins with those."""
    first = printed(explaining.explained((one,), 80, ""), 80).splitlines()[0]
    assert first.startswith(f"{one.word} ({one.kind}")
    said = first.partition("): ")[2]
    assert one.title.startswith(said) != bool(one.cautions)
    assert said


def test_the_json_has_all_and_fits_its_schema() -> None:
    """The form of all words is as its schema says, and loses nothing."""
    form: Any = msgspec.json.decode(msgspec.json.encode(explain_data.form(words())))
    schema = schemas.schema("explain")
    assert [] == problems(schema, form, schema)
    assert [one.word for one in words()] == [one["word"] for one in form["explanations"]]
    again = msgspec.convert(form, explain_data.ExplainData)
    assert [msgspec.structs.asdict(one)["source"] for one in again.explanations] == [one.source for one in words()]


# --- The command -----------------------------------------------------------------------------------------------


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The program as its users run it."""
    command = [sys.executable, "-m", "agent", *arguments]
    kept = {"COLUMNS": "100", "NO_COLOR": "1", "PATH": "/usr/bin:/bin", **environment}
    return subprocess.run(command, cwd=HERE, env=kept, capture_output=True, text=True, check=False)


def test_the_command_explains() -> None:
    """`explain` takes a word of several parts in any case and ends with 0."""
    done = run("explain", "Narrowest", "HOP")
    assert (0, "") == (done.returncode, done.stderr)
    assert done.stdout.startswith("narrowest hop (word): ")


def test_the_schema_is_printed() -> None:
    """`schema explain` prints the schema that the JSON of the command fits."""
    schema = msgspec.json.decode(run("schema", "explain").stdout)
    form = msgspec.json.decode(run("explain", "slot-limited", "--format", "json").stdout)
    assert [] == problems(schema, form, schema)
    assert ["verdict", "rule"] == [one["kind"] for one in form["explanations"]]


def test_an_unknown_word_ends_with_2() -> None:
    """One sentence on standard error, nothing on standard output, and the word cannot act in the terminal."""
    done = run("explain", "paylod\x1b[31m")
    assert (2, "") == (done.returncode, done.stdout)
    assert 1 == done.stderr.count("\n")
    assert done.stderr.strip().isprintable()
    assert "payload" in done.stderr


def test_a_shell_can_complete_words() -> None:
    """Beginning with slot-, a shell offers the rules, and narrowest-hop as one word, once each."""
    offered = {}
    for begun in ("SLOT-", "narrowest"):
        words_so_far = {"_LANEWRIGHT_COMPLETE": "bash_complete", "COMP_WORDS": f"lanewright explain {begun}"}
        script = "from agent.cli import main; main(prog_name='lanewright')"
        done = subprocess.run(
            [sys.executable, "-c", script],
            cwd=HERE,
            env={**words_so_far, "COMP_CWORD": "2"},
            capture_output=True,
            text=True,
            check=True,
        )
        offered[begun] = [line.rpartition(",")[2] for line in done.stdout.split()]
    assert "slot-limited" in offered["SLOT-"]
    assert ["narrowest-hop"] == offered["narrowest"]
    assert len(offered["SLOT-"]) == len(set(offered["SLOT-"]))


def explained_finding(*more: str) -> Result:
    """What the command says of a finding of a machine with one fault."""
    return CliRunner().invoke(main, ["explain", *more, "--replay", str(WORN)])


def test_a_finding_is_explained_by_its_number() -> None:
    """By its number a finding comes with its readings, all its steps and what its rule means; nothing is wrong then."""
    done = explained_finding("1")
    words = " ".join(done.output.split())
    assert 0 == done.exit_code
    assert "0000:01:00.0 Link Status: " in words
    assert explanation("rule link-narrow").meaning.split(". ")[0] in words
    assert "   6. " in done.output


# A value for each option of `check`, as nothing else makes one up: what it is given there, explain has to take.
GIVEN: Final[dict[str, tuple[str, ...]]] = {
    "--replay": (),  # given anyway
    "--root": ("--root", "/nowhere"),
    "--settle": ("--settle", "0"),
    "--fail-on": ("--fail-on", "limit"),
    "--only": ("--only", "PCIE1"),
    "--against": ("--against", str(HERE / "fixtures" / "sheets" / "bench-3-unmet.toml")),
    "--notes": ("--notes", str(HERE / "knowledge" / "notes")),
    "--keep-serials": ("--keep-serials",),
    "--full": ("--full",),
}
HOW_SHOWN: Final = {"--format", "--finding"}  # explain has a form, and a NUMBER, of its own


def test_a_finding_is_explained_with_the_options_of_the_check_that_found_it() -> None:
    """Whatever check takes, explain takes for its NUMBER, and both say the same."""
    options = {option.opts[0] for option in main.commands["check"].params} - HOW_SHOWN
    assert options == set(GIVEN)
    for option in sorted(options):
        checked, explained = (
            CliRunner().invoke(main, [*command, *GIVEN[option], "--replay", str(WORN)])
            for command in (("check", "--finding", "1"), ("explain", "1"))
        )
        refused = checked.exit_code == 2
        assert (2 if refused else 0) == explained.exit_code
        assert checked.stdout == explained.stdout
        assert (option in {"--root", "--against"}) == refused
        assert checked.stderr.splitlines()[-1:] == explained.stderr.splitlines()[-1:]


def test_an_option_of_a_check_is_refused_without_a_number() -> None:
    """What is typed for a word is refused by name, also where it is what would be taken anyway."""
    for typed in filter(None, GIVEN.values()):
        done = CliRunner().invoke(main, ["explain", "narrow", *typed])
        assert (2, "") == (done.exit_code, done.stdout)
        assert typed[0] in done.stderr
    default = str(next(one.default for one in main.commands["check"].params if one.opts[0] == "--settle"))
    assert 2 == CliRunner().invoke(main, ["explain", "narrow", "--settle", default]).exit_code


@pytest.mark.parametrize("more", [("2",), ("0",), ("9" * 4000,), ("1", "--format", "json"), ("narrow",)], ids=repr)
def test_a_number_that_is_none_ends_with_2(more: tuple[str, ...]) -> None:
    """A finding that is not there, a form that it has not, and a machine for a word are told in a sentence."""
    done = explained_finding(*more)
    assert (2, "") == (done.exit_code, done.stdout)
    assert "Traceback" not in done.stderr
