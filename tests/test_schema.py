"""Tables by their declaration: each mistake has its key, what is wrong, and what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

import msgspec
import pytest
from msgspec import Meta

from busbench.errors import BusbenchError
from busbench.schema import Table, TableError, TablePlace, TableReader, default_text, key_texts

pytestmark = pytest.mark.every_row

TEXT = 'size = 1\n[[item]]\nname = "a"\n\n  [[ item ]]\nname = "b"\n[item.lead]\n'


class Lead(Table, frozen=True, kw_only=True):
    """A lead.

    Args:
        awg, length_m: its gauge, and its
            length. (Written on two lines.)
        tint: its colour.
    """

    awg: Annotated[int, Meta(ge=10, le=40)]
    length_m: Annotated[float, Meta(gt=0, extra={"unit": "m"})] = 0.3
    tint: str = msgspec.field(default="red", name="colour")


class Item(Table, frozen=True, kw_only=True):
    """An item, of which hubs have no channel."""

    name: Annotated[str, Meta(min_length=1, max_length=8)]
    kind: Literal["servo", "hub"] = "servo"
    channel: Annotated[int, Meta(ge=1, le=18)] | None = None
    level: Annotated[float, Meta(ge=-100, le=100, extra={"unit": "%"})] | Literal["hold"] = 0.0
    motor: bool | Literal["engine"] = False
    lead: Lead | None = None
    steps: tuple[Annotated[float, Meta(ge=0)], ...] = ()
    marks: Annotated[tuple[int, ...], Meta(min_length=1)] = (1,)

    def __post_init__(self) -> None:
        if self.name == "odd":
            raise TableError("does not go together", hint="choose")

    @classmethod
    def known(cls, raw: Mapping[str, Any]) -> tuple[str, Sequence[str]]:
        """Hubs have no channel."""
        names = cls.__struct_encode_fields__
        return ("a hub", [one for one in names if one != "channel"]) if raw.get("kind") == "hub" else ("", names)


class Plan(Table, frozen=True, kw_only=True):
    """A plan."""

    size: float
    count: Annotated[int, Meta(ge=0)] = 0
    most: Annotated[int, Meta(gt=2, le=9, extra={"unit": "s"})] = 5
    word: Annotated[str, Meta(extra={"hint": "give a word of the list"})] = ""
    item: Annotated[tuple[Item, ...], Meta(min_length=1, max_length=2)]
    seed: Annotated[int, Meta(ge=0, le=(1 << 63) - 1)] = 0
    free: Any = None


class RefusedError(BusbenchError):
    """A refusal in its parts."""

    def __init__(self, key: str, what: str, hint: str) -> None:
        self.parts = key, what, hint
        super().__init__(what, hint=hint)


def plan(**more: object) -> dict[str, object]:
    return {"size": 1.5, "item": [{"name": "a"}], **more}


def item(**more: object) -> dict[str, object]:
    return plan(item=[{"name": "a"}, {"name": "b", **more}])


def refused(raw: dict[str, object], *, text: str = "") -> tuple[str, str, str]:
    with pytest.raises(RefusedError) as caught:
        TableReader(raw, Plan, raises=RefusedError, of="a plan", text=text).read()
    return caught.value.parts


def test_what_is_right_is_read_as_its_types() -> None:
    lead = {"awg": 24.0, "colour": "blue"}
    more = {
        "kind": "servo",
        "channel": 3.0,
        "level": "hold",
        "motor": True,
        "lead": lead,
        "steps": [0, 1],
        "marks": (2,),
    }
    made = TableReader(item(**more), Plan, raises=RefusedError).read()
    first, second = made.item
    assert (made.size, made.count, made.most, made.free) == (1.5, 0, 5, None)
    assert (first.channel, first.level, first.motor, first.lead, first.steps) == (None, 0.0, False, None, ())
    assert (second.channel, second.level, second.motor, second.steps, second.marks) == (
        3,
        "hold",
        True,
        (0.0, 1.0),
        (2,),
    )
    assert [type(one) for one in (second.channel, *second.steps, made.size)] == [int, float, float, float]
    assert second.lead == Lead(awg=24, length_m=0.3, tint="blue")
    assert type(second.lead.awg) is int
    assert TableReader(plan(free={"x": [1]}), Plan, raises=RefusedError).read().free == {"x": [1]}
    assert TableReader(item(motor="engine", level=-100), Plan, raises=RefusedError).read().item[1].motor == "engine"


@pytest.mark.parametrize(
    ("raw", "key", "what", "hint"),
    [
        ({"item": [{"name": "a"}]}, "size", "missing", "state it below "),
        ({"size": 1}, "item", "missing", "write [[item]], and below it name"),
        (plan(item=[]), "item", "[] holds nothing", "write [[item]], and below it name"),
        (plan(item={}), "item", "is not a list of tables", "write [[item]] above each"),
        (plan(item=[{"name": "a"}] * 3), "item", "3 tables are too many", "state at most 2"),
        (plan(item=["a"]), "item[1]", '"a" is not a table', "write [[item]] above its keys"),
        (plan(item=[{}]), "item[1].name", "missing", "state it below [[item]]"),
        (item(lead={}), "item[2].lead.awg", 'missing (item "b")', "give 10 to 40"),
        (item(lead=1), "item[2].lead", '1 is not a table (item "b")', "write [item.lead] above its keys"),
        (item(steps=1), "item[2].steps", '1 is not a list (item "b")', "write it in brackets, such as [1, 2]"),
        (item(steps=[0, -1]), "item[2].steps[2]", '-1 is out of range (item "b")', "give a number of at least 0"),
        (item(marks=[]), "item[2].marks", '[] holds nothing (item "b")', "write it in brackets, such as [1, 2]"),
        (item(name="odd"), "item[2]", 'does not go together (item "odd")', "choose"),
        (plan(item=[{"name": ""}]), "item[1].name", '"" has 0 characters', "give 1 to 8"),
        (plan(item=[{"name": "123456789"}]), "item[1].name", '"123456789" has 9 characters', "give 1 to 8"),
        (plan(item=[{"name": "a\nb"}]), "item[1].name", '"a\\nb" holds a control character',
         "use plain text on one line"),
        (plan(item=[{"name": 5}]), "item[1].name", "5 is not a line of text", "write it in quotes"),
        # numbers
        (plan(size="1.5"), "size", '"1.5" is not a number', "write it without quotes"),
        (plan(size="1,5"), "size", '"1,5" is not a number', ""),
        (plan(size=True), "size", "true is not a number", ""),
        (plan(size=math.nan), "size", "nan is not a number", "write digits"),
        (plan(size=math.inf), "size", "inf is not a number", "write digits"),
        (plan(size=2e6), "size", "2000000 is far too large", "mind the unit in the key's name"),
        (plan(size=-5e-7), "size", "-5e-07 is far too small", "mind the unit in the key's name"),
        (plan(seed=-1), "seed", "-1 is out of range", "give 0 to 9223372036854775807"),
        (plan(count=-1), "count", "-1 is out of range", "give a whole number of at least 0"),
        (plan(count=1.5), "count", "1.5 is not a whole number", "give a whole number of at least 0"),
        (plan(count="1.5"), "count", '"1.5" is not a whole number', "write it without quotes"),
        (plan(most=2), "most", "2 is out of range", "give a whole number above 2, at most 9 s"),
        (plan(most=10), "most", "10 is out of range", "give a whole number above 2, at most 9 s"),
        (item(channel=0), "item[2].channel", '0 is out of range (item "b")', "give 1 to 18"),
        (item(channel=19), "item[2].channel", '19 is out of range (item "b")', "give 1 to 18"),
        (item(channel=math.inf), "item[2].channel", 'inf is not a number (item "b")', "give 1 to 18"),
        (item(level=-100.5), "item[2].level", '-100.5 is out of range (item "b")', "give -100 to 100 %"),
        (item(lead={"awg": 20, "length_m": 0}), "item[2].lead.length_m", '0 is out of range (item "b")',
         "give a number above 0 m"),
        # words
        (item(level="hald"), "item[2].level", '"hald" is not known (item "b")', 'did you mean "hold"?'),
        (item(level="x"), "item[2].level", '"x" is not known (item "b")', 'give "hold" or a number'),
        (item(kind="x"), "item[2].kind", '"x" is not known (item "b")', 'give "hub" or "servo"'),
        (item(kind=True), "item[2].kind", 'true is not known (item "b")', 'give "hub" or "servo"'),
        (item(motor="x"), "item[2].motor", '"x" is not known (item "b")', 'give "engine", true or false'),
        (item(motor=1), "item[2].motor", '1 is not known (item "b")', 'give "engine", true or false'),
        (plan(word=1), "word", "1 is not a line of text", "give a word of the list"),
        # keys
        (plan(sise=1), "sise", "not a key of a plan", "did you mean size?"),
        (plan(items=1), "items", "not a key of a plan", "did you mean [[item]]?"),
        (plan(xyz=1), "xyz", "not a key of a plan", "it knows size, count, most, word, item, seed, free"),
        (plan(channel=1), "channel", "not a key of a plan", "it goes below [[item]]"),
        (item(awg=1), "item[2].awg", 'not a key of [[item]] (item "b")', "it goes below [item.lead]"),
        (item(lead={"awg": 20, "channel": 1}), "item[2].lead.channel", 'not a key of [item.lead] (item "b")',
         "it goes below [[item]], above [item.lead]"),
        (item(kind="hub", channel=1), "item[2].channel", 'not a key of a hub (item "b")',
         "it knows name, kind, level, motor, lead, steps, marks"),
        (item(lead={"awg": 20, "tint": "x"}), "item[2].lead.tint", 'not a key of [item.lead] (item "b")',
         "it knows awg, length_m, colour"),
        (item(**{"": 1}), "item[2].''", 'not a key of [[item]] (item "b")',
         "it knows name, kind, channel, level, motor, lead, steps, marks"),
    ],
)  # fmt: skip
def test_each_mistake_has_its_words(raw: dict[str, object], key: str, what: str, hint: str) -> None:
    assert refused(raw) == (key, what, hint)


def test_an_entry_is_found_by_its_line() -> None:
    assert refused(item(channel=0), text=TEXT)[1] == '0 is out of range (item "b", table at line 5)'
    assert refused(plan(item=[{"name": "a", "channel": 0}]), text=TEXT)[1] == (
        '0 is out of range (item "a", table at line 2)'
    )
    assert refused(plan(item=[{"channel": 0}]), text=TEXT)[1] == "0 is out of range (table at line 2)"
    assert refused(plan(item=[{"name": ""}]), text=TEXT)[1] == '"" has 0 characters (table at line 2)'
    assert refused(item(channel=0), text="[[item]]\n# [[item]]\n")[1] == '0 is out of range (item "b")'


@pytest.mark.parametrize("value", [1e-6, -1e-6, 1e6, -1e6, 0, 0.0])
def test_a_number_without_bounds_is_neither_huge_nor_tiny(value: float) -> None:
    assert TableReader(plan(size=value), Plan, raises=RefusedError).read().size == value
    assert TableReader(plan(count=10**6), Plan, raises=RefusedError).read().count == 10**6
    assert refused(plan(count=10**6 + 1))[1] == "1000001 is far too large"


def test_a_place_gives_the_errors_of_its_keys() -> None:
    reader = TableReader(item(channel=3), Plan, raises=RefusedError)
    place = TablePlace(reader, ("item", 1))
    assert ("channel" in place, "level" in place, place.given("channel"), place.given("level")) == (
        True,
        False,
        3,
        None,
    )
    assert reader.given(("item", 7, "name")) is reader.given(("size", "x")) is None
    for error, parts in (
        (place.error("channel", "is odd", hint="mend it"), ("item[2].channel", '3 is odd (item "b")', "mend it")),
        (place.error("channel", "is odd", value=9), ("item[2].channel", '9 is odd (item "b")', "")),
        (place.error("lead", "is odd", value={"awg": 1}), ("item[2].lead", 'is odd (item "b")', "")),
        (place.error("level", "is odd"), ("item[2].level", 'is odd (item "b")', "")),
        (place.missing("channel"), ("item[2].channel", 'missing (item "b")', "give 1 to 18")),
        (place.missing("level", hint="say it"), ("item[2].level", 'missing (item "b")', "say it")),
    ):
        assert isinstance(error, RefusedError)
        assert error.parts == parts


def test_texts_of_keys_are_those_of_the_docstring() -> None:
    words = "its gauge, and its length. (Written on two lines.)"
    assert key_texts(Lead) == {"awg": words, "length_m": words, "tint": "its colour"}
    assert key_texts(Plan) == dict.fromkeys(("size", "count", "most", "word", "item", "seed", "free"), "")


def test_defaults_are_written_as_in_a_file() -> None:
    fields = {one.name: one for table in (Item, Lead, Plan) for one in msgspec.structs.fields(table)}
    texts = {name: default_text(one) for name, one in fields.items()}
    assert {name: text for name, text in texts.items() if text} == {
        "kind": '"servo"', "level": "0", "motor": "false", "length_m": "0.3", "tint": '"red"', "count": "0",
        "seed": "0", "most": "5", "word": '""',
    }  # fmt: skip
