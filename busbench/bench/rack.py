"""Several receivers at once, on one clock and into one recording."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Self

from busbench.bench.receiver import LinkState, Receiver, Reception
from busbench.bench.recorder import KEEP_ALL, Recorder, Retention, line_of_port
from busbench.errors import BusbenchError, PortError
from busbench.port.port import LivePort


class Rack:
    """Receivers read in turn; an unplugged or lost adapter does not delay the others.

    Args:
        ports: open ports; the rack does not close them.
        record: path of a new recording with an interface per port, in order, or None.
        force: True to overwrite an existing recording.
        units: the receiver or aircraft at each port; none, one for all, or one per port.
        note: a note about the whole recording.
        retention: what is kept of a long recording.
        now: clock of the ports' times, in ns; None for that of real ports.

    Attributes:
        receivers: one per port.
        lost: why a port was lost, by its number.

    Raises:
        BusbenchError: several units, but not one per port.
        OutputError: the recording exists, or cannot be written; here and later.
    """

    def __init__(
        self,
        ports: Sequence[LivePort],
        *,
        record: str | None = None,
        force: bool = False,
        units: Sequence[str] = (),
        note: str = "",
        retention: Retention = KEEP_ALL,
        now: Callable[[], int] | None = None,
    ) -> None:
        if len(units) > 1 and len(units) != len(ports):
            what = f"{len(units)} units for {len(ports)} ports"
            raise BusbenchError(f"--unit: {what}", hint="give one for all, or one for each port in their order")
        self.receivers = tuple(Receiver(port, now=now) for port in ports)
        self.lost: dict[int, PortError] = {}
        self._recorder: Recorder | None = None
        if record is not None:
            units = units if len(units) == len(ports) else [*units, ""][:1] * len(ports)
            lines = [line_of_port(port, unit=unit, note=note) for port, unit in zip(ports, units, strict=True)]
            self._recorder = Recorder(
                record, lines, start_utc_ns=ports[0].start_utc_ns, force=force, retention=retention,
                now=self.receivers[0].now,
            )  # fmt: skip
            for number, receiver in enumerate(self.receivers):
                receiver.listeners.append(partial(self._recorder.add, number=number))

    @property
    def has_ended(self) -> bool:
        """True if no port can deliver any more."""
        return all(receiver.state in (LinkState.ENDED, LinkState.LOST) for receiver in self.receivers)

    def pump(self, timeout_s: float) -> list[tuple[int, Reception]]:
        """Read each port.

        Args:
            timeout_s: seconds; with one port the max wait for the first byte, with several the wait, so that
                bytes that arrived meanwhile are read at once.

        Returns:
            The receptions, each with its port's number.

        Raises:
            PortError: the last port is lost; all earlier data was returned.
            OutputError: writing the recording failed.
        """
        if len(self.receivers) > 1:
            if not any((one.last_t_ns or 0) > one.now() for one in self.receivers):  # not faster than time
                time.sleep(timeout_s)
            timeout_s = 0
        came = []
        for number, receiver in enumerate(self.receivers):
            if receiver.state in (LinkState.ENDED, LinkState.LOST):
                continue
            try:
                came.append((number, receiver.pump(timeout_s)))
            except PortError as error:
                self.lost[number] = error
                if len(self.lost) == len(self.receivers):
                    raise
        return came

    def finish(self) -> list[tuple[int, Reception]]:
        """The last frames of each port; ends the recording.

        Raises:
            OutputError: its end cannot be written.
        """
        ends = [receiver.unwritten_end_ns() for receiver in self.receivers]
        last = [(number, receiver.finish()) for number, receiver in enumerate(self.receivers)]
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            for number, end_ns in enumerate(ends):
                recorder.end(end_ns, number=number)
            recorder.close()
        return last

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._recorder is not None:
            self.finish()
