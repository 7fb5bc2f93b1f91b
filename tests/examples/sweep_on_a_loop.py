"""Drive a sweep to a port whose TX is tied to RX, and measure what came back: `python sweep_on_a_loop.py PORT PROGRAM`.

Servos and motor unplugged: only cable and adapter are measured.
"""

import sys

import busbench

port_name, program_path = sys.argv[1:]
program = busbench.read_program(program_path).without_motor()
came: list[busbench.FrameTable] = []
with busbench.open_port(port_name) as port:
    how = busbench.DriveRun(port, program, armed=True, listener=lambda one: came.append(one.found.frames)).wait()
frames = busbench.FrameTable.concat(came)
print(how.frames, "sent,", len(frames), "back")
print("channel 1 from", frames.channels[:, 0].min(), "to", frames.channels[:, 0].max())
