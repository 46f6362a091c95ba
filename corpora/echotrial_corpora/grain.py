"""Grain noise: echoes of many small scatterers in the wall, as noise carried by the pulse.

Gaussian by the number of scatterers, so that its envelope is Rayleigh-distributed; it starts at
the interface echo and dies out with a decay of its own.
"""

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial_corpora.probe import pulse_spectrum
from echotrial_corpora.streams import bulk

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain
    from echotrial_corpora.spec import CorpusSpec

#: After so many decays the scatterers end, 70 dB below those at the interface.
DECAYS = 8.0


def grain_spectra(
    spec: "CorpusSpec", chain: "Chain", names: tuple[object, ...], count: int
) -> NDArray[np.complex128] | None:
    """Spectra of the scatterers' series, (count, bins), for an rms of 1 at the interface echo.

    None without grain noise. Neighbouring scatterers are alike over the correlation length:
    a Gaussian filter of that length in depth.
    """
    grain = spec.wall.grain
    if grain is None:
        return None
    grid = chain.grid
    size = min(int(DECAYS * grain.decay * grid.rate_hz) + 1, grid.n_fft)
    time = np.arange(size) / grid.rate_hz
    window = np.exp(-time / grain.decay - grid.damping * time).astype(np.float32)
    series = bulk(*names, "grain").standard_normal((count, size), np.float32)
    series *= window
    found = scipy.fft.rfft(series, grid.n_fft, axis=1)[:, grid.first : grid.first + grid.count]
    return np.asarray(found * _filter(spec, chain))


def _filter(spec: "CorpusSpec", chain: "Chain") -> NDArray[np.complex128]:
    grain, grid = spec.wall.grain, chain.grid
    assert grain is not None
    delay = 2 * grain.correlation / spec.wall.row.velocity
    smooth = np.exp((delay * grid.s) ** 2 / 4)
    if chain.recorded.size:
        pulse = chain.recorded * grid.rate_hz
    else:
        probe = spec.probe
        pulse = grid.rate_hz * pulse_spectrum(
            grid.s, probe.centre_frequency.nominal, probe.bandwidth.nominal
        )
    power = 2 * np.sum(np.abs(pulse * smooth) ** 2) / grid.n_fft
    return np.asarray(smooth / np.sqrt(power))
