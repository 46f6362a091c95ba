"""The set-up that belongs to a spec, with the bare tip's echo at nominal values.

Computed in plain numpy, apart from the generator.
"""

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from echotrial.setup import Medium, Setup, Waveform
from numpy.typing import NDArray

from echotrial_corpora.chain import Chain, chain_of
from echotrial_corpora.probe import pulse_spectrum

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec, Stuff

#: The bare tip's echo is shown at this share of full scale.
HEIGHT = 0.8
#: Samples between those of the grid, where an envelope's peak is looked for.
FINER = 16


def setup_of(spec: "CorpusSpec") -> Setup:
    """What the operator of a spec's records knows: nominal values, and the stated errors."""
    wall, probe, operator = spec.wall, spec.probe, spec.operator
    low, high = wall.thickness.low, wall.thickness.high
    contact = spec.delay_line is None
    zero = operator.zero_offset
    if zero is None:
        zero = spec.face.delay if spec.face else 0.0
    return Setup(
        centre_frequency=probe.centre_frequency.nominal,
        bandwidth=probe.bandwidth.nominal,
        velocity=wall.row.velocity * (1 + operator.velocity_error),
        velocity_uncertainty=wall.row.velocity * operator.velocity_uncertainty,
        zero_offset=zero,
        interface_echo=None if contact else interface_echo(spec),
        wall_range=(low, high if high > low else low * 1.001),
        tolerance=operator.tolerance,
        delay_line=_medium(spec.delay_line, spec.delay_line.length) if spec.delay_line else None,
        couplant=_medium(spec.couplant),
        wall=_medium(wall),
        outside_diameter=wall.outside_diameter.nominal if wall.outside_diameter else None,
        element_diameter=probe.element_diameter,
        mode=operator.mode or (1 if contact else None),
        reference_echo=reference_echo(spec) if operator.reference_echo and not contact else None,
    )


def _medium(stuff: "Stuff", length: float | None = None) -> Medium:
    row = stuff.row
    return Medium(
        material=stuff.material, impedance=row.impedance, velocity=row.velocity, length=length
    )


def bare_tip(spec: "CorpusSpec") -> NDArray[np.complex128]:
    """Spectrum of the bare tip's echo in samples, with the time of sample 0 at `chain.start_s`."""
    chain = chain_of(spec)
    s, rate = chain.grid.s, chain.grid.rate_hz
    pulse = nominal_pulse(spec, chain)
    # reflection -1 counts as +1: every polarity is relative to this echo
    trips = sum((-1) ** m * trip for m, trip in enumerate(chain.trips))
    return np.asarray(pulse * rate * trips * np.exp(-s * (chain.arrival_s - chain.start_s)))


def nominal_pulse(spec: "CorpusSpec", chain: Chain) -> NDArray[np.complex128]:
    """The pulse's spectrum about its centre, seconds."""
    if chain.recorded.size:
        return chain.recorded
    probe = spec.probe
    ring = (
        (
            probe.ring.frequency.nominal,
            float(np.exp(probe.ring.level.nominal)),
            probe.ring.decay.nominal,
        )
        if probe.ring
        else (0.0, 0.0, 1.0)
    )
    return pulse_spectrum(
        chain.grid.s,
        probe.centre_frequency.nominal,
        probe.bandwidth.nominal,
        probe.phase.nominal,
        probe.decay.nominal,
        *ring,
    )


def _in_time(chain: Chain, spectrum: NDArray[np.complex128], finer: int) -> NDArray[np.float64]:
    grid = chain.grid
    length = grid.n_fft * finer
    padded = np.zeros(length // 2 + 1, np.complex128)
    padded[grid.first : grid.first + grid.count] = spectrum
    found = scipy.fft.irfft(padded, length) * finer
    return np.asarray(found * np.exp(grid.damping * np.arange(length) / (grid.rate_hz * finer)))


def reference_echo(spec: "CorpusSpec") -> Waveform:
    """The echo of the bare tip on the records' clock, float32."""
    chain = chain_of(spec)
    samples = _in_time(chain, bare_tip(spec), 1)[: spec.samples]
    samples = (samples * HEIGHT / np.abs(samples).max()).astype(np.float32)
    samples.flags.writeable = False
    return Waveform(samples, spec.rate, chain.start_s)


def reference_peak(spec: "CorpusSpec") -> float:
    """Largest sample of the bare tip's echo before gain."""
    chain = chain_of(spec)
    return float(np.abs(_in_time(chain, bare_tip(spec), 1)[: spec.samples]).max())


def _analytic(samples: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Analytic signal of an even number of samples.

    To the bit that of ``scipy.signal.hilbert`` (a test compares them), which takes a second to
    import.
    """
    once = np.zeros(samples.size)
    once[[0, samples.size // 2]] = 1.0
    once[1 : samples.size // 2] = 2.0
    return np.asarray(scipy.fft.ifft(scipy.fft.fft(samples) * once))


def interface_echo(spec: "CorpusSpec") -> float:
    """Envelope peak of the bare tip's echo on the records' clock, seconds."""
    chain = chain_of(spec)
    fine = _in_time(chain, bare_tip(spec), FINER)[: spec.samples * FINER]
    envelope = np.abs(_analytic(fine))
    k = int(np.argmax(envelope))
    a, b, c = np.log(envelope[k - 1 : k + 2])
    top = k + 0.5 * (a - c) / (a - 2 * b + c)
    return float(chain.start_s + top / (spec.rate * FINER))
