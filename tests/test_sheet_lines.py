"""Where the keys of a TOML text stand, held against the standard library's reader and against texts of known layout."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any, Final

from hypothesis import given
from hypothesis import strategies as st

from agent.toml.lines import lines_of

if TYPE_CHECKING:
    from collections.abc import Iterator


def paths(data: Any, path: str = "") -> Iterator[str]:  # noqa: ANN401 - whatever TOML can hold
    """The path of every key and element of what the standard library's reader made of a text."""
    if isinstance(data, dict):
        for name, value in data.items():
            inner = f"{path}.{name}" if path else name
            yield inner
            yield from paths(value, inner)
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield f"{path}[{number}]"
            yield from paths(value, f"{path}[{number}]")


# Every form of TOML 1.0 (toml.io/en/v1.0.0) that could lead astray; QQQ stands for three single quotes. The digits in a
# name are the line that it stands in, the first line being 1.
FORMS: Final = r'''a1 = "x # no remark = 3 [" # a remark = 3 [
"b2" = 'x\' # [[
'c"3' . d3 = 1.5
e4 = """
f6 = 1
\""" g7 = [ """"
h7 = """""x"""""
i8 = QQQ
j9 = '' # x ''QQQ
k10 = [ # ]
  1, "]", # ,
  [2,
   3 ] ,
]
l15 = { m15 = 1, "n15" = { o15.p15 = "}" } , q15 = [ { r15 = 1 },
  { s16 = 2,  t16 = [
  1] } ] }
u18 = 1979-05-27 07:32:00.5
[ v19 . "w19" ] # [x]
x20 = +inf
[[y21]]
z22 = 0xff
[[y21.a23]]
[[ y21 . a23 ]]
b25.c25 = true
b25.d26 = false
[y21.e27]
[[y21]]
f29 = """"""
[v19."w19".g30]
"h\u00e9 31" = [ ]
'''.replace("QQQ", "'" * 3)


def test_every_form_of_toml_gives_its_lines() -> None:
    """Keys stand in the line that their names end in, whatever quotes, brackets and remarks are around them."""
    data = tomllib.loads(FORMS)
    lines = lines_of(FORMS)
    assert set(paths(data)) == set(lines)
    named = {path: line for path, line in lines.items() if not path.endswith("]")}
    assert 30 < len(named)
    assert named == {path: int("".join(filter(str.isdigit, path.rpartition(".")[2]))) for path in named}
    assert [11, 11, 12, 12, 13] == [lines[f"k10[{path}]"] for path in ("0", "1", "2", "2][0", "2][1")]
    assert [15, 16, 17] == [lines[f"l15.{path}"] for path in ("q15[0]", "q15[1]", "q15[1].t16[0]")]
    assert [21, 28, 23, 24] == [lines[path] for path in ("y21[0]", "y21[1]", "y21[0].a23[0]", "y21[0].a23[1]")]


def test_deep_lists_give_lines_where_the_reader_takes_them() -> None:
    """Lists nested as deep as the standard library's reader takes them are followed to the innermost."""
    deep = 150
    text = "a = " + "[\n" * deep + "]" * deep
    assert tomllib.loads(text)
    lines = lines_of(text)
    assert deep == lines["a" + "[0]" * (deep - 1)] == len(lines)


class Writer:
    """Writes TOML in a layout that chance decides, and keeps the line of each key as it goes."""

    def __init__(self, draw: st.DrawFn) -> None:
        """Start an empty text."""
        self._draw = draw
        self.text = ""
        self.lines: dict[str, int] = {}

    def note(self, path: str) -> None:
        """What comes next is the key or element at a path."""
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def blank(self) -> None:
        """Blanks within a line."""
        self.text += self._draw(st.sampled_from(["", " ", "\t", "  "]))

    def gap(self) -> None:
        """What may stand between elements of a list: blanks, line ends and remarks."""
        self.text += self._draw(st.sampled_from(["", " ", "\n", ' # x = [1, "\n', "\n\n\t# ]] }\n"]))

    def end(self) -> None:
        """The end of a statement, and what may stand before the next."""
        self.text += self._draw(st.sampled_from(["\n", ' # [y] = "\n', "\n\n", "\n# '''\n\t\n", " \n"]))

    def name(self, name: str) -> None:
        """A name of a key, bare or in quotes."""
        self.text += self._draw(st.sampled_from([name, f'"{name}"', f"'{name}'"]))

    def value(self, value: Any, path: str) -> None:  # noqa: ANN401 - tables, lists, scalars
        """A value; line ends stand only where TOML takes them: in lists, not in braces."""
        if isinstance(value, dict):
            self.text += "{"
            for number, (name, inner) in enumerate(value.items()):
                self.text += "," if number else ""
                self.blank()
                self.note(f"{path}.{name}")
                self.name(name)
                self.blank()
                self.text += "="
                self.blank()
                self.value(inner, f"{path}.{name}")
                self.blank()
            self.text += "}"
        elif isinstance(value, list):
            self.text += "["
            for number, inner in enumerate(value):
                self.gap()
                self.note(f"{path}[{number}]")
                self.value(inner, f"{path}[{number}]")
                self.gap()
                self.text += "," if number + 1 < len(value) or self._draw(st.booleans()) else ""
            self.gap()
            self.text += "]"
        else:
            self.text += value


SCALARS: Final = st.sampled_from(
    [
        "1",
        "-4.5",
        "true",
        "'[#'",
        '"a\\"b]"',
        '"""\n# "x"\n[y]\n"""',
        "'''\n''}\n'''",
        "1979-05-27 07:32:00",
        '""',
        "inf",
    ]
)
NAMES: Final = st.sampled_from(["a", "b", "lanes", "name-2"])
INLINE: Final = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3), max_leaves=6
)


@st.composite
def layouts(draw: st.DrawFn) -> tuple[str, dict[str, int]]:
    """A TOML text and the line of each of its keys."""
    writer = Writer(draw)
    if draw(st.booleans()):
        writer.end()
    counts: dict[str, int] = {}
    for table in draw(st.lists(st.sampled_from(["", "[machine]", "[[slot]]", "[[card]]"]), max_size=5)):
        path = table.strip("[]")
        if (not table and writer.text.strip()) or (table == "[machine]" and path in writer.lines):
            continue
        if table:
            writer.note(path)
        if table.startswith("[["):
            counts[path] = counts.get(path, -1) + 1
            path = f"{path}[{counts[path]}]"
            writer.note(path)
        if table:
            brackets = table.count("[")
            writer.text += "[" * brackets
            writer.blank()
            writer.name(table.strip("[]"))
            writer.blank()
            writer.text += "]" * brackets
            writer.end()
        for name, value in draw(st.dictionaries(NAMES, INLINE, max_size=4)).items():
            inner = f"{path}.{name}" if path else name
            writer.note(inner)
            writer.name(name)
            if draw(st.booleans()):
                inner = f"{inner}.deeper"
                writer.note(inner)
                writer.blank()
                writer.text += "."
                writer.blank()
                writer.name("deeper")
            writer.blank()
            writer.text += "="
            writer.blank()
            writer.value(value, inner)
            writer.end()
    return writer.text, writer.lines


@given(layouts())
def test_any_layout_gives_the_right_lines(layout: tuple[str, dict[str, int]]) -> None:
    """Remarks, blank lines, lists over several lines, tables in braces and dotted keys do not shift a line."""
    text, lines = layout
    assert set(paths(tomllib.loads(text))) == set(lines)
    assert lines == lines_of(text)
