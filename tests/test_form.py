"""Forms filled from values by the types of their fields: sources, rounding, what could not be read, what is given."""

from __future__ import annotations

from typing import Annotated

import msgspec
import pytest
from msgspec import Struct

from agent.report.form import By, From, MbpsRange, Rounded, Through, build
from probes.unread import Unread

LOST = Unread("text /x", "permission denied")


class Lane(Struct):
    """A part of a value."""

    width: int
    rate: float
    speed: int | Unread | None = None


class Link(Struct):
    """A value that a form is of."""

    name: str | Unread
    lane: Lane | Unread | None
    spare: tuple[Lane, ...] = ()
    range: tuple[float, float] | None = None


class LaneData(Struct):
    """The form of a part."""

    width: int
    rate: Annotated[float, Rounded(1)]
    speed: int | None


class LinkData(Struct, kw_only=True):
    """The form of the whole."""

    version: int = 1
    name: str | None
    lane: LaneData | None
    lanes: Annotated[int | None, From("lane.width")]
    spare: tuple[LaneData, ...]
    range: MbpsRange | None
    count: Annotated[int, By(lambda link: len(link.spare))]
    whole: Annotated[Annotated[int, Rounded(None)] | None, From("lane.rate")]
    shout: Annotated[str | None, Through(lambda name: f"{name}!"), From("name")]


def test_a_form_is_filled_by_its_types() -> None:
    """Own names, a path, a function, rounding at any depth; a default without a mark stays."""
    found = build(LinkData, Link("a", Lane(4, 2.55, 3), (Lane(1, 0.449),), (1.26, 2.0)))
    assert found == LinkData(
        name="a",
        lane=LaneData(4, round(2.55, 1), 3),
        lanes=4,
        spare=(LaneData(1, 0.4, None),),
        range=(1.3, 2.0),
        count=1,
        whole=3,
        shout="a!",
    )
    assert isinstance(found.whole, int)


@pytest.mark.parametrize("lost", [None, LOST])
def test_what_could_not_be_read_is_null(lost: Unread | None) -> None:
    """Itself, what stands behind it, and within a part."""
    found = build(LinkData, Link(LOST, lost, (Lane(1, 1.0, lost),)))
    assert (found.name, found.lane, found.lanes, found.whole, found.range) == (None, None, None, None, None)
    assert found.spare == (LaneData(1, 1.0, None),)


def test_what_is_given_goes_before_the_value() -> None:
    """It is rounded and formed as well; a form made already stays as it is."""
    made = LaneData(9, 9.99, None)
    found = build(LinkData, Link("a", None), version=2, lane=made, range=(0.123, 4.567), spare=[Lane(1, 0.06)])
    assert (found.version, found.range, found.spare) == (2, (0.1, 4.6), (LaneData(1, 0.1, None),))
    assert found.lane is made


def test_a_name_that_the_value_lacks_is_an_error() -> None:
    """A form that does not fit its value is found by any test that fills it."""
    with pytest.raises(AttributeError):
        build(LaneData, Link("a", None))


def test_the_schema_knows_no_marks() -> None:
    """A schema is that of the plain types."""
    properties = msgspec.json.schema(LinkData)["$defs"]["LinkData"]["properties"]
    assert properties["lanes"] == {"anyOf": [{"type": "integer"}, {"type": "null"}]}
    assert msgspec.json.encode(build(LaneData, Lane(1, 0.06))) == b'{"width":1,"rate":0.1,"speed":null}'
