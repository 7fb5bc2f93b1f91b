"""The bit time of a line, measured on its level changes."""

from __future__ import annotations

import numpy as np

from busbench.model import F64, I64


class BitTime:
    """Measures the bit time, within 8 % of the nominal, on changes of like direction, which slow edges do not shift."""

    _FAR = 0.08  # of nominal: above this the setting is wrong, not the clock
    _STEP = 0.0025

    def __init__(self, nominal_ns: float) -> None:
        self.bit_ns = self._nominal_ns = nominal_ns
        self._sum_kd = self._sum_kk = 0.0

    def find(self, t_ns: I64) -> None:
        """Find it well enough to read characters; pauses between them still disturb it."""
        apart = (t_ns[2:8192] - t_ns[:8190][: max(0, t_ns.size - 2)]).astype(np.float64)
        apart = apart[apart < 10 * self._nominal_ns]
        if apart.size < 8:
            return
        bit_ns = self._search(apart)
        k = np.rint(apart / bit_ns)
        near = np.abs(apart / bit_ns - k) < 0.2
        self._set(float((k * apart)[near].sum()), float((k * k)[near].sum()))

    def add(self, spans: I64) -> None:
        """Measure on whole numbers of bits inside characters."""
        k = np.rint(spans / self.bit_ns)
        self._sum_kd += float((k * spans).sum())
        self._sum_kk += float((k * k).sum())
        self._set(self._sum_kd, self._sum_kk)

    def _set(self, sum_kd: float, sum_kk: float) -> None:
        if sum_kk and abs(sum_kd / sum_kk / self._nominal_ns - 1) <= self._FAR:
            self.bit_ns = sum_kd / sum_kk

    def _search(self, apart: F64) -> float:
        """The bit time that divides most distances."""
        ratios = np.arange(1 - self._FAR, 1 + self._FAR + self._STEP / 2, self._STEP)
        scores = [float(np.cos(2 * np.pi / (self._nominal_ns * ratio) * apart).mean()) for ratio in ratios]
        return self._nominal_ns * float(ratios[int(np.argmax(scores))])
