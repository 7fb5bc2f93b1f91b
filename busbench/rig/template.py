"""The commented rig file to start from."""

from __future__ import annotations

STARTER = """\
# The plan of an aircraft. Check it with `busbench rig check`, then see
# `busbench rig power` (voltage and current) and `busbench rig sheet` (set-up and labels).
# Lines that begin with # say nothing to the tool: take the # away to use a key.

[rig]
name = "My aircraft"
period_ms = 14.0         # frame period that the receiver is set to, often 7, 14 or 15
# sensor_slots = true    # the receiver leaves slots for sensors between frames

[supply]
voltage_v = 7.4          # without load
resistance_ohm = 0.05    # inside pack, regulator and switch together
minimum_v = 5.0          # what every device and the receiver need
# maximum_v = 8.4        # highest voltage that every device accepts
lead = { length_m = 0.2, awg = 18 }   # from the supply to the receiver
# limit_a = 10           # continuous current of regulator or switch

[supply.pack]            # for endurance
cells = 2
capacity_mah = 3000
# usable_pct = 80

# A hub is where the bus branches. Lengths are one way. A lead states its gauge (awg),
# its copper area (area_mm2) or its measured resistance out and back (resistance_ohm).
[[hub]]
name = "left wing"
from = "receiver"        # or another hub
lead = { length_m = 0.8, awg = 20, connector_ohm = 0.01 }
limit_a = 5

[[hub]]
name = "right wing"
from = "receiver"
lead = { length_m = 0.8, awg = 20, connector_ohm = 0.01 }
limit_a = 5

# A second supply lead straight to a hub.
# [[feed]]
# to = "left wing"
# lead = { length_m = 1.0, awg = 18 }

# One table for each device. Keys that you leave out are taken as shown after the #.
[[device]]
name = "left aileron"
kind = "servo"           # on the bus; "off-bus" on an ordinary pulse lead; "sensor"
channel = 1              # 1-18; 17 and 18 have two states only
control = "aileron stick"   # what moves it; `busbench verify` asks for it by this name
# gimbal = "right stick" # controls on one gimbal: `verify` lets them move a little with one another
high_when = "right"      # position of the control at which the channel is at its high end
above_neutral = "down"   # which way the surface goes then, seen on the finished aircraft
# rest_pct = 0           # where the channel is while the control is left alone
failsafe = 0             # without a link: "hold", "silence" or a position in percent
# when_silent = "hold"   # without frames: "hold", "release" or a position in percent
on = "left wing"         # a hub, or "receiver"
lead = { length_m = 0.3, awg = 24 }
# mounting = "normal"    # "mirrored" for the second of a pair
# reversed = false       # true where the device is set to run the other way
# group = "flaps"        # one name for devices that are meant to move together
# neutral_us = 1500      # its neutral, where it is not the scale's centre
# travel_pct = 100       # its ends, in percent either side of neutral
# geometry = { arm_mm = 12, horn_mm = 20, base_mm = 80, chord_mm = 50, arm_deg = 45 }
speed_s_per_60deg = 0.15   # from here on what its data sheet says
# start_ramp_s = 0       # time over which its speed rises after power-up
dead_band_us = 3
current_a = { idle = 0.02, moving = 0.5, stall = 2.0 }   # holding, hold_lowered_after_s

[[device]]
name = "right aileron"
channel = 2
control = "aileron stick"
high_when = "right"
above_neutral = "up"
failsafe = 0
on = "right wing"
lead = { length_m = 0.3, awg = 24 }
mounting = "mirrored"
speed_s_per_60deg = 0.15
dead_band_us = 3
current_a = { idle = 0.02, moving = 0.5, stall = 2.0 }

# A speed controller is connected to an ordinary pulse lead of the receiver.
# [[device]]
# name = "motor"
# kind = "off-bus"
# channel = 3
# motor = "electric"     # or "engine": can turn a propeller, locked when driving; false: it cannot
# control = "motor slider"
# rest_pct = -100        # where it is off, as sent: must be stated where reversed = true
# failsafe = -100        # an electric motor must stop without a link; an engine goes to idle
# idle_pct = -85         # of an engine: its channel at idle, as sent
# ignition_kill = "kill switch"   # of an engine: a device of this plan, or a switch by hand
# lead = { length_m = 0.2, awg = 22 }
# current_a = { idle = 0 }   # it feeds itself

# Pulse width from counts: measure it if you can, with `busbench pulses`.
[scale]
centre_counts = 992
centre_us = 1500.0
us_per_count = 0.625

# What passes `busbench verify`: these are the defaults.
# [verify]
# period_pct = 1         # mean period against period_ms
# jitter_ms = 0.5        # rms
# loss_pct = 1           # upper 95 % bound of missing, of lost and of damaged frames
# outage_s = 0.1         # longest outage besides the failsafe test
# glitches = 0
# noise_counts = 2       # rms at rest
# rest_counts = 8        # either side of neutral
# end_pct = 3            # either side of travel_pct
# others_counts = 8      # move of other channels while one control is moved
# hands_pct = 10         # what a hand may add: on the same gimbal, or while it holds a control away
# failsafe_after_s = 1.5
# failsafe_counts = 8
# recovery_s = 2
# return_s = 0.5
# pulse_us = 5           # width of pulse outputs, either side of the scale
# frames_least = 500
"""
