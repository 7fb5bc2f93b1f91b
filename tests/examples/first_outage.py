"""Listen to a port and stop at the first outage: `python first_outage.py PORT`."""

import sys

import busbench

with busbench.open_port(sys.argv[1]) as port:
    receiver = busbench.Receiver(port, record="listened.pcapng")
    for frames in receiver:
        flagged = frames.flags & 0b1100  # frame lost, failsafe
        if flagged.any():
            break
outages = busbench.read_recording("listened.pcapng").outages()
print(outages.events[0].kind, outages.events[0].frames)
