"""Words that annotate the steps of the test sequence in a recording; of a control, its name."""

from __future__ import annotations

REST_MARK, DONE_MARK, AWAY_MARK, LET_GO_MARK = "rest", "done", "controls held away", "controls let go"
OFF_MARK, ON_MARK = "transmitter off", "transmitter on"
POWER_MARK, LINK_MARK = "receiver on", "transmitter on after the receiver"
ROUND_MARKS = (REST_MARK, DONE_MARK, AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK, POWER_MARK, LINK_MARK)
HELD_MARKS = (AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK)  # controls are held away in these steps
# What a step takes back when it begins again: those that follow from it.
FOLLOWS = {AWAY_MARK: (OFF_MARK, ON_MARK, LET_GO_MARK), POWER_MARK: (LINK_MARK,)}
