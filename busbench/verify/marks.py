"""Annotation texts of the steps of the test sequence; for a control, its name."""

from __future__ import annotations

REST_MARK, DONE_MARK, AWAY_MARK, LET_GO_MARK = "rest", "done", "controls held away", "controls let go"
OFF_MARK, ON_MARK = "transmitter off", "transmitter on"
POWER_MARK, LINK_MARK = "receiver on", "transmitter on after the receiver"
ROUND_MARKS = (REST_MARK, DONE_MARK, AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK, POWER_MARK, LINK_MARK)
HELD_MARKS = (AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK)  # controls are held away in these steps
# Steps that must be repeated after a repeated step.
FOLLOWS = {AWAY_MARK: (OFF_MARK, ON_MARK, LET_GO_MARK), POWER_MARK: (LINK_MARK,)}
