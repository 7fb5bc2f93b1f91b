"""The walk as a state machine, the motions it makes, and its file."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busbench.drive.program import lock
from busbench.drive.surface_check import (
    Ended,
    Entry,
    Event,
    Move,
    Moved,
    Station,
    SurfacePhase,
    Walk,
    Word,
    Wrote,
    begin,
    resume,
    tally,
)  # fmt: skip
from busbench.drive.surface_file import SavedWalk, WalkHead, merge, read_walk, write_walk
from busbench.drive.surface_motion import hold_program, station_program, walk_limits
from busbench.errors import DriveError, OutputError
from busbench.model import I64
from busbench.wire.scale import Scale
from tests.drive.helpers import counts_of, sent

AILERON = Station("left aileron", 0, ("left aileron",), "up", "down", True, 173, 992, 1811)
FLAP = Station("right flap", 3, ("right flap",), "up", "down", False, 500, 1000, 1250, "mounted mirrored")
RELEASE = Station("tow release", 16, ("tow release",), "on", "off", True, 0, 0, 1)
STOPS = (AILERON, FLAP, RELEASE)
RAN = Moved(Move("2026-05-01T09:30:00Z", 14.5))
GO, YES, NO, ANSWER, REPEAT, SKIP, BACK, END = (
    Word.GO, Word.YES, Word.NO, Word.ANSWER, Word.REPEAT, Word.SKIP, Word.BACK, Word.END,
)  # fmt: skip
ALL_YES = (GO, RAN, YES, YES, YES, YES)


def stopped(word: Word | None = None) -> Moved:
    return Moved(Move("2026-05-01T09:30:00Z", 2.0, Ended.STOPPED), word)


def after(*events: Event, walk: Walk | None = None) -> Walk:
    state = walk or begin(STOPS)
    for event in events:
        state = state.after(event)
    return state


def test_it_announces_moves_asks_and_goes_on() -> None:
    walk = begin(STOPS)
    assert walk.prompt == "1 of 3: left aileron, channel 1, up first"
    walk = walk.after(GO)
    assert walk.phase is SurfacePhase.MOVING
    assert walk.prompt == "moving left aileron: up first; any key stops"
    walk = walk.after(RAN)
    asked = []
    for answer in (YES, NO, YES, YES):
        asked.append(walk.prompt)
        walk = walk.after(answer)
    assert asked == [
        "Did left aileron move, and nothing else?",
        "Did it go up first, then down?",
        "Did it reach its full throw both ways, and come back to neutral?",
        "Did it move smoothly, without jerk, hum or sticking?",
    ]
    assert walk.entries[0].answers == (True, False, True, True)
    assert walk.entries[0].state == "done"
    assert (walk.at, walk.phase) == (1, SurfacePhase.READY)
    assert walk.prompt == "2 of 3: right flap, channel 4, up first (mounted mirrored)"


def test_all_yes_is_good() -> None:
    walk = after(*ALL_YES * 3)
    assert (walk.phase, walk.is_good) == (SurfacePhase.REVIEW, True)
    assert walk.prompt == "all 3 walked, every answer yes"
    assert walk.after(END).is_over


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ((*ALL_YES * 2, GO, RAN, YES, NO, YES, YES), "3 to walk: 1 answer no, none skipped, none unanswered"),
        ((*ALL_YES * 2, SKIP), "3 to walk: no answer no, 1 skipped, none unanswered"),
        ((*ALL_YES, END), "3 to walk: no answer no, none skipped, 2 unanswered"),
    ],
)
def test_anything_else_is_not(events: tuple[Event, ...], said: str) -> None:
    walk = after(*events)
    assert not walk.is_good
    assert tally(walk.entries) == said


def test_nothing_moves_without_its_word() -> None:
    for word in set(Word) - {GO}:
        assert begin(STOPS).after(word).phase is not SurfacePhase.MOVING
    assert after(GO, RAN, GO).phase is SurfacePhase.ASKING
    # Enter hit once more in haste after a stop moves nothing; only the word to repeat does.
    assert after(GO, stopped(GO), GO).phase is SurfacePhase.STOPPED
    assert after(GO, stopped(REPEAT)).phase is SurfacePhase.STOPPED
    assert after(GO, stopped(), REPEAT).phase is SurfacePhase.MOVING


def test_a_stop_is_noted_and_leaves_the_choice() -> None:
    walk = after(GO, stopped())
    assert [move.ended for move in walk.entry.moves] == ["stopped"]
    assert walk.prompt == "left aileron was stopped"
    assert after(ANSWER, walk=walk).prompt == "Did left aileron move, and nothing else?"
    assert after(GO, stopped(SKIP)).at == 1
    assert after(*ALL_YES, GO, stopped(BACK)).at == 0
    assert after(GO, stopped(END)).is_over


def test_a_motion_called_off_is_no_motion() -> None:
    walk = after(GO, Moved(None))
    assert (walk.phase, walk.entry.moves) == (SurfacePhase.STOPPED, ())
    assert ANSWER not in walk.words


def test_back_goes_question_by_question_then_to_the_device_before() -> None:
    walk = after(*ALL_YES, GO, RAN, YES, NO)
    walk = walk.after(BACK)
    assert walk.prompt == "Did it go up first, then down? (was: no)"
    walk = after(BACK, BACK, walk=walk)
    assert walk.prompt == "1 of 3: left aileron, channel 1, up first; answered already"
    walk = after(GO, RAN, NO, YES, YES, YES, walk=walk)
    assert walk.entries[0].answers == (False, True, True, True)
    assert (walk.at, walk.entry.answers) == (1, (True, False, None, None))
    assert begin(STOPS).after(BACK) == begin(STOPS)


def test_repeat_keeps_answers_and_asks_on() -> None:
    walk = after(GO, RAN, YES, YES, REPEAT, RAN)
    assert len(walk.entry.moves) == 2
    assert walk.prompt.startswith("Did it reach its full throw")


def test_skip_keeps_what_is_answered() -> None:
    walk = after(GO, RAN, YES, SKIP)
    assert (walk.entries[0].state, walk.entries[0].answers[0]) == ("skipped", True)
    walk = after(BACK, GO, RAN, YES, YES, YES, walk=walk)
    assert walk.entries[0].state == "done"
    walk = after(BACK, SKIP, walk=walk)
    assert walk.entries[0].state == "done"


def test_notes_add_up() -> None:
    walk = after(Wrote("  hums\tat rest "), GO, RAN, Wrote("slop"), Wrote(" "))
    assert walk.entry.note == "hums at rest; slop"
    assert walk.phase is SurfacePhase.ASKING
    assert after(GO, Wrote("x")).entry.note == ""


def test_two_on_one_channel_are_asked_for_together() -> None:
    both = replace(AILERON, name="left elevator + right elevator", members=("left elevator", "right elevator"))
    walk = begin([both]).after(GO).after(RAN).after(YES)
    assert walk.prompt == "Did they go up first, then down?"


def test_resume_begins_where_something_is_missing() -> None:
    walk = after(*ALL_YES, SKIP, GO, RAN, YES)
    again = resume(walk.entries)
    assert (again.at, again.phase) == (1, SurfacePhase.READY)
    again = after(*ALL_YES, walk=again)
    assert again.prompt == "3 of 3: tow release, channel 17, on first; 1 of 4 questions answered"
    again = after(ANSWER, walk=again)
    assert again.prompt == "Did it go on first, then off?"
    done = resume(after(*ALL_YES * 3).entries)
    assert done.phase is SurfacePhase.REVIEW


SCALE = Scale()
LIMITS = lock(walk_limits(STOPS, scale=SCALE), channel=7, rest=173)


def rows(stop: Station) -> I64:
    return counts_of(sent(station_program(stop, limits=LIMITS, scale=SCALE, period_s=0.015)).raw)


def turns(level: I64) -> list[int]:
    """Levels at which a movement turns round, and where it ends."""
    moves = level[np.r_[True, np.diff(level) != 0]]
    at = np.nonzero(np.diff(np.sign(np.diff(moves))))[0] + 1
    return [*moves[at].tolist(), int(moves[-1])]


@pytest.mark.parametrize(
    ("stop", "wanted"),
    [
        (AILERON, [1401.5, 582.5, 1811, 173, 992]),
        (FLAP, [750, 1125, 500, 1250, 1000]),
    ],
)
def test_a_motion_goes_out_and_back_both_ways_then_to_its_ends(stop: Station, wanted: list[float]) -> None:
    level = rows(stop)[:, stop.channel]
    assert level[0] == stop.neutral
    assert turns(level) == pytest.approx(wanted, abs=6)  # 6 counts are one frame's way
    assert (int(level.min()), int(level.max())) == (stop.low, stop.high)
    assert (level == stop.low).sum() * 0.015 >= 1.0
    assert (level == stop.high).sum() * 0.015 >= 1.0
    assert np.abs(np.diff(level)).max() <= 7  # 50 % a second: 409.5 counts/s in 15 ms, rounded


def test_all_else_is_held_and_the_motor_locked() -> None:
    for stop in STOPS:
        moving = rows(stop)
        others = np.delete(moving, stop.channel, axis=1) if stop.channel < 16 else moving
        assert np.ptp(others, axis=0).max() == 0
        assert set(moving[:, 7].tolist()) == {173}
        limits = station_program(stop, limits=LIMITS, scale=SCALE, period_s=0.015).limits
        assert [channel for channel in range(18) if not limits.is_locked(channel)] == [stop.channel]
    assert rows(AILERON)[0, 3] == 1000
    held = counts_of(sent(hold_program(limits=LIMITS, scale=SCALE, period_s=0.5)).raw)
    assert np.ptp(held, axis=0).max() == 0


def test_a_two_state_channel_switches() -> None:
    raw = sent(station_program(RELEASE, limits=LIMITS, scale=SCALE, period_s=0.5)).raw
    assert raw[:, 23].tolist() == [0] * (len(raw) - 16) + [1] * 4 + [0] * 4 + [1] * 4 + [0] * 4
    assert not any(sent(hold_program(limits=LIMITS, scale=SCALE, period_s=0.5)).raw[:, 23])


def test_a_two_state_channel_that_rests_on_is_switched_off_and_on_again() -> None:
    stop = replace(RELEASE, neutral=1, first="off", then="on", is_high_first=False)
    limits = walk_limits([*STOPS[:-1], stop], scale=SCALE)
    raw = sent(station_program(stop, limits=limits, scale=SCALE, period_s=0.5)).raw
    assert raw[:, 23].tolist()[-16:] == [0] * 4 + [1] * 4 + [0] * 4 + [1] * 4
    assert all(sent(station_program(AILERON, limits=limits, scale=SCALE, period_s=0.5)).raw[:, 23])
    assert all(sent(hold_program(limits=limits, scale=SCALE, period_s=0.5)).raw[:, 23])


def head(rig: str = "Heron") -> WalkHead:
    return WalkHead(rig, "virtual:", True, "2026-05-01T09:00:00Z", LIMITS, 0.015, 100.0, SCALE, (("pack", "a sensor"),))


def test_the_file_says_what_the_docstring_says(tmp_path: Path) -> None:
    path = tmp_path / "heron.json"
    walk = after(GO, RAN, YES, NO, Wrote("trim"), SKIP)
    write_walk(path, head(), walk.entries)
    said = json.loads(path.read_text(encoding="utf-8"))
    assert list(said) == [
        "version", "rig", "port", "is_rehearsal", "start_utc", "limits", "program", "devices", "not_walked",
    ]  # fmt: skip
    assert said["limits"]["channels"][7] == {
        "channel": 8, "rest_counts": 173, "low_counts": 173, "high_counts": 1811,
        "rate_counts_per_s": 819.0, "is_locked": True,
    }  # fmt: skip
    assert said["devices"][0] == {
        "name": "left aileron", "channel": 1, "members": ["left aileron"], "first": "up", "then": "down",
        "is_high_first": True, "low_counts": 173, "neutral_counts": 992, "high_counts": 1811, "remark": "",
        "moves": [
            {"t_utc": "2026-05-01T09:30:00Z", "duration_s": 14.5, "ended": "ran", "reason": "", "seen": []}
        ],
        "answers": {"right_surface": True, "right_way": False, "full_throw": None, "smooth": None},
        "note": "trim", "state": "skipped",
    }  # fmt: skip
    assert said["not_walked"] == [{"name": "pack", "why": "a sensor"}]
    assert read_walk(path) == SavedWalk("Heron", True, "2026-05-01T09:00:00Z", walk.entries, (("pack", "a sensor"),))
    del said["not_walked"]  # as older files are
    path.write_text(json.dumps(said), encoding="utf-8")
    assert read_walk(path).not_walked is None
    assert [file.name for file in tmp_path.iterdir()] == ["heron.json"]


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "heron.json"
    write_walk(path, head(), begin(STOPS).entries)
    old = path.read_bytes()

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match=r"heron\.json: cannot be written \(No space left on device\)"):
        write_walk(path, head(), after(*ALL_YES).entries)
    assert path.read_bytes() == old
    assert [file.name for file in tmp_path.iterdir()] == ["heron.json"]


def test_a_motion_may_be_as_short_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "heron.json"
    write_walk(path, head(), [Entry(AILERON, (Move("2026-05-01T09:30:00Z", 1e-7, Ended.STOPPED),))])
    assert read_walk(path).entries[0].moves[0].duration_s == 1e-7


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "line 1, column 2 is not JSON"),
        ("[]", "holds no answers of a walk"),
        ("{}", "holds no answers of a walk"),
        ('{"version": 2}', "version: 2 is not known: this busbench knows 1"),
        ('{"version": 1, "devices": [{"name": "x"}]}', "devices[1].channel: missing"),
    ],
)
def test_no_such_file_gets_one_line(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "heron.json"
    path.write_text(text)
    with pytest.raises(DriveError) as error:
        read_walk(path)
    assert str(error.value).startswith(str(path))
    assert said in str(error.value)


def test_a_changed_plan_has_its_device_walked_anew() -> None:
    saved = SavedWalk("Heron", True, "", after(Wrote("stiff"), *ALL_YES * 2).entries)
    entries, anew = merge((replace(AILERON, high=1700), FLAP, RELEASE), saved, path="heron.json")
    assert anew == ("left aileron",)
    assert (entries[0].state, entries[0].note, entries[1].state) == ("open", "stiff", "done")
    with pytest.raises(DriveError, match='answers for "tow release", which the plan does not have walked'):
        merge((AILERON, FLAP), saved, path="heron.json")
