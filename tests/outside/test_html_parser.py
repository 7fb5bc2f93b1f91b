"""Every page that we write, read by html5lib, a parser written after the HTML standard, in strict mode.

Source: HTML Living Standard, 13.2.2 "Parse errors": the parser refuses what the standard names an error.
"""

from __future__ import annotations

import heron
import html5lib
import pytest
from html5lib.html5parser import ParseError

from busbench.model import ByteLog
from busbench.report.page import page_html
from busbench.report.provenance import Provenance
from busbench.rig.sheet import sheet_html
from busbench.verify.verify import verify
from tests.rig.rigs import HEAD, device, hub, rig
from tests.verify.rounds import RIG, recorded, round_of, without_times

FROM = Provenance("round.pcapng", "ab" * 32, "heron.toml", None, "2026-01-31 12:00 UTC", (("busbench", "9.9"),))
AWKWARD = "</td></table><script>a('&\"</script><!-- &notin; <p"
XHTML = "{http://www.w3.org/1999/xhtml}"


def awkward_rig() -> str:
    """A plan in which every word is as awkward as words can be."""
    name = AWKWARD.replace('"', '\\"')
    return (
        HEAD.replace('"Heron"', f'"{name}"')
        + hub(f"hub {name}")
        + device(f"{name} 1", 1, f'on = "hub {name}"', f'control = "{name}"', f'high_when = "{name}"')
        + device(f"{name} 2", 17, f'group = "{name}"', failsafe="-100")
        + device(f"{name} 3", 9, f'control = "{name}"', "motor = true", failsafe=None)
    )


def texts_of(page: str) -> str:
    """All words of a page as a reader sees them."""
    parser = html5lib.HTMLParser(strict=True)
    root = parser.parse(page)
    assert root.find(f".//{XHTML}script") is None
    return " ".join(root.itertext())


def test_the_parser_refuses_what_is_wrong() -> None:
    with pytest.raises(ParseError):
        texts_of("<!doctype html><title>x</title><p><table><tr><td></p></table>")


@pytest.mark.parametrize(
    "faults", [(), ("reversed aileron", "no failsafe flag"), ("silent failsafe",)], ids=["good", "two faults", "silent"]
)
def test_the_sign_off_page_of_a_round(faults: tuple[heron.Fault, ...]) -> None:
    assert "bench check" in texts_of(page_html(verify(round_of(*faults, has_marks=True), RIG), provenance=FROM))


def test_the_sign_off_page_without_times_or_frames() -> None:
    for recording in (without_times(bytes(100)), recorded(ByteLog.from_bytes(b""))):
        assert "not tested" in texts_of(page_html(verify(recording, RIG), provenance=FROM))


def test_pages_of_awkward_words() -> None:
    plan = rig(head=awkward_rig())
    marks = [(0, AWKWARD + "\u2028\x00\x1b\ufffe\udce9")]
    found = verify(recorded(ByteLog.from_bytes(b""), marks=marks), plan)
    where = Provenance(AWKWARD, None, AWKWARD, None, AWKWARD, ((AWKWARD, AWKWARD),))
    page = texts_of(page_html(found, provenance=where).encode().decode())
    assert AWKWARD + r"\u2028\x00\x1b\ufffe\udce9" in page
    assert AWKWARD in texts_of(sheet_html(plan, made_on=AWKWARD))


def test_the_set_up_sheet() -> None:
    assert "set-up sheet" in texts_of(sheet_html(RIG, made_on="2026-01-31"))
    assert "Labels" in texts_of(sheet_html(rig()))
