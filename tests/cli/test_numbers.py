"""Values of options at their bounds, and lists of channels."""

from __future__ import annotations

from typing import Any

import click
import pytest

from busbench.cli.drive_options import CHANNEL, _OneChannel
from busbench.cli.numbers import FiniteRange, WholeRange, name_of, parse_channels, quoted
from busbench.errors import BusbenchError

OPTION = click.Option(["-s", "--seconds"])


def refused(kind: Any, value: object) -> str:
    with pytest.raises(BusbenchError) as caught:
        kind.convert(value, OPTION, None)
    return str(caught.value)


@pytest.mark.parametrize(
    ("kind", "fits", "beyond", "hint"),
    [
        (WholeRange(1, 2047), ["1", "2047"], ["0", "2048", "-1"], "1 to 2047"),
        (WholeRange(0, 10**9), ["0", "1000000000"], ["1000000001"], "0 to 1000000000"),
        (WholeRange(1), ["1", "99999999"], ["0"], "1 or more"),
        (FiniteRange(5, 1000), ["5", "1000", "5.0001"], ["4.75", "1000.5"], "5 to 1000"),
        (FiniteRange(0.01), ["0.01", "1e300"], ["0.0099", "0", "-1"], "0.01 or more"),
        (FiniteRange(0, min_open=True), ["1e-300", "7"], ["0", "-0.5"], "more than 0"),
        (FiniteRange(0, 2e7), ["0", "2e7"], ["20000001", "-1"], "0 to 20000000"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_bound_belongs_to_the_range_and_what_is_beyond_is_refused(
    kind: Any, fits: list[str], beyond: list[str], hint: str
) -> None:
    assert [kind.convert(text, OPTION, None) for text in fits] == [float(text) for text in fits]
    assert [refused(kind, text) for text in beyond] == [
        f"--seconds: {text} is out of range: give {hint}" for text in beyond
    ]


def test_what_is_not_a_number_is_quoted() -> None:
    assert [refused(FiniteRange(0), text) for text in ("nan", "inf", "-inf", "x")] == [
        f'--seconds: "{text}" is not a number' for text in ("nan", "inf", "-inf", "x")
    ]
    assert refused(WholeRange(0), "1.5") == '--seconds: "1.5" is not a whole number'
    assert quoted("x" * 40) == f'"{"x" * 40}"'
    assert quoted("x" * 41) == f'"{"x" * 39}…"'
    context = click.Context(click.Command("probe"), info_name="probe")
    with pytest.raises(BusbenchError, match=r"not a whole number: see probe --help$"):
        WholeRange(0).convert("x", OPTION, context)


def test_a_parameter_has_the_name_that_help_shows() -> None:
    assert name_of(OPTION) == "--seconds"
    assert name_of(None) == "command line"
    assert name_of(click.Argument(["port"], metavar="[PORT…]")) == "PORT"
    assert name_of(click.Argument(["port"])) == "PORT"


@pytest.mark.parametrize(
    ("text", "channels"),
    [("1", [1]), ("1-4,9,18", [1, 2, 3, 4, 9, 18]), (" 5 , 2-2", [5, 2]), ("0" * 19 + "3", [3])],
)
def test_channels_of_a_list(text: str, channels: list[int]) -> None:
    assert parse_channels(text, option="--ch") == channels


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0-3", '"0-3" is out of range: give 1 to 18'),
        ("17-19", '"17-19" is out of range: give 1 to 18'),
        ("4-3", '"4-3" runs backwards: write 3-4'),
        ("1,", '"" is not a channel: give channels as in 1-4,9,17'),
        ("3-", '"3-" is not a channel: give channels as in 1-4,9,17'),
        ("-3", '"-3" is not a channel: give channels as in 1-4,9,17'),
        ("0" * 20 + "3", f'"{"0" * 20}3" is not a channel: give channels as in 1-4,9,17'),
    ],
)
def test_what_is_no_list_of_channels(text: str, says: str) -> None:
    with pytest.raises(BusbenchError) as caught:
        parse_channels(text, option="--ch")
    assert str(caught.value) == f"--ch: {says}"


def test_a_channel_is_a_number_or_a_name_for_an_error_later() -> None:
    assert [CHANNEL.convert(text, None, None) for text in (" 7 ", "9" * 9, "9" * 10, "rudder", "1-4")] == [
        7, 999_999_999, "9" * 10, "rudder", "1-4",
    ]  # fmt: skip
    assert _OneChannel().convert("7", OPTION, None) == 7
    with pytest.raises(BusbenchError, match=r'^--from-channel: "7-8" names several channels: give one'):
        _OneChannel().convert("7-8", OPTION, None)
    with pytest.raises(BusbenchError, match="is not a whole number"):
        _OneChannel().convert("7-7", OPTION, None)  # one channel, but not a number
