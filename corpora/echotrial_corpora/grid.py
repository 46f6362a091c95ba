"""The frequencies at which records are made, and the damping that keeps them from wrapping round.

A spectrum on a grid of period T gives the record plus all its copies n T later. Evaluated at
s = sigma + j omega instead of j omega it belongs to the record times exp(-sigma t), whose copies
are weaker by exp(-sigma T); multiplying by exp(+sigma t) afterwards restores the record.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.fft
from numpy.typing import NDArray

#: Period over record length, and Nepers of damping over one period. What wraps round is at most
#: 9e-4 of what the record still holds 1.25 lengths later.
STRETCH = 1.25
DAMPING = 7.0
#: Where the spectrum of the pulse is cut off, standard deviations of a Gaussian (-80 dB).
REACH = 4.3
#: Bins between the nodes of what changes slowly with frequency, and how far beyond the last bin
#: tables go, for the nodes there.
NODE, BEYOND = 8, 16


@dataclass(frozen=True)
class Grid:
    """Bins `first` ... `first + count - 1` of an FFT of length `n_fft` at `rate_hz`."""

    rate_hz: float
    samples: int
    low_hz: float
    high_hz: float

    @cached_property
    def n_fft(self) -> int:
        """Length of the transform, even."""
        return 2 * int(scipy.fft.next_fast_len(int(STRETCH * self.samples / 2), real=True))

    @property
    def step_hz(self) -> float:
        """Bin spacing."""
        return self.rate_hz / self.n_fft

    @property
    def damping(self) -> float:
        """Real part of s, 1/s."""
        return DAMPING * self.step_hz

    @property
    def first(self) -> int:
        """First bin in band, never that of zero frequency."""
        return max(1, int(self.low_hz / self.step_hz))

    @property
    def count(self) -> int:
        """Number of bins in band, below the Nyquist frequency."""
        return min(int(self.high_hz / self.step_hz) + 1, (self.n_fft - 1) // 2) - self.first + 1

    @cached_property
    def s(self) -> NDArray[np.complex128]:
        """Laplace variable of the bins in band, (count,)."""
        bins = self.first + np.arange(self.count)
        return np.asarray(self.damping + 2j * np.pi * self.step_hz * bins)

    @cached_property
    def s_beyond(self) -> NDArray[np.complex128]:
        """`s` and BEYOND bins more, (count + BEYOND,)."""
        bins = self.first + np.arange(self.count + BEYOND)
        return np.asarray(self.damping + 2j * np.pi * self.step_hz * bins)

    @cached_property
    def restore(self) -> NDArray[np.float64]:
        """exp(+sigma t) over the record, (samples,)."""
        return np.asarray(np.exp(self.damping * np.arange(self.samples) / self.rate_hz))

    def coarser(self, shortest_s: float) -> int:
        """Largest step over bins (a power of two, at most 8) with a period of `shortest_s`."""
        fits = [k for k in (1, 2, 4, 8) if 1 / (self.step_hz * k) >= shortest_s]
        return max(fits, default=1)
