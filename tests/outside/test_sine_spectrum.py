"""The frames of a sine hold that sine and nothing else, seen through numpy's Fourier transform.

Source: numpy.fft; the bound on what rounding to whole counts adds is the usual one
for quantising noise, variance 1/12 spread over all bins (from memory).
"""

import numpy as np

from busbench.drive.frame_generator import frame_blocks
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program_file import ProgramReader, build_program
from busbench.wire.codec import unpack_channels


def _no_recording(name: str) -> ReplaySource:
    raise AssertionError(name)


def test_spectrum_of_the_frames() -> None:
    part = {"channel": 3, "shape": "sine", "low": 592, "high": 1392, "period": 4.096, "cycles": 10, "unit": "counts"}
    top = {"frame_period": 0.008, "limits": {"rate": 1000}}
    program = build_program(ProgramReader({**top, "part": [part]}, source="test"), name="test", load=_no_recording)
    raw = np.concatenate([block.raw for block in frame_blocks(program)])[: program.slots]
    counts = unpack_channels(raw)[:, 2].astype(np.float64)
    assert counts.size == 5120
    amplitude = 2.0 * np.abs(np.fft.rfft(counts)) / counts.size
    assert amplitude[0] / 2.0 == np.mean(counts)
    assert abs(amplitude[0] / 2.0 - 992.0) < 0.01
    assert int(np.argmax(amplitude[1:])) + 1 == 10  # ten cycles in the window
    assert abs(amplitude[10] - 400.0) < 0.05
    rest = np.delete(amplitude, [0, 10])
    noise = np.sqrt(np.sum(rest**2) / 2.0)
    assert abs(noise - np.sqrt(1.0 / 12.0)) < 0.03
    # Rounding repeats with each cycle and so gathers in some harmonics: below 1/2000 of the sine.
    assert rest.max() < 0.2
    # Its quarter turn is where a sine has it: -90 degrees against a cosine.
    assert abs(np.degrees(np.angle(np.fft.rfft(counts)[10])) + 90.0) < 0.05
