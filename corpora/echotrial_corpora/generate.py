"""The generator: spectra of many records by recursion over bins, without an exponential per bin.

What is even over bins (phases, Gaussians, quadratic losses) is an exponential of a polynomial of
second degree in the bin number, which a second-order recurrence runs through. One kernel for each
part of the model goes over a few records at a time, so that what it leaves stays in the cache.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.grid import NODE
from echotrial_corpora.round_trip import round_trips
from echotrial_corpora.split import at, between, exponential, kernel, over, put, scaled
from echotrial_corpora.spreading import BLOCK, own_spread, spread
from echotrial_corpora.strips import spacing, strips

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain

Complex = NDArray[np.complex128]
#: Records that go through the kernels together.
BATCH = 32
#: Strips of couplant gap that the single orders have room for.
MOST_STRIPS = 72


def spectra(
    chain: "Chain",
    params: np.ndarray,
    gaps: NDArray[np.float64],
    grain: Complex | None,
    every: int,
    terms: Complex,
    apart: NDArray[np.int64] | None = None,
) -> tuple[Complex, Complex]:
    """Damped spectra of records and of their tails, (n, bins) each; see `strips` for the model.

    Parameters
    ----------
    gaps
        (n, strips).
    grain
        (n, bins) of scatterers, or None.
    terms
        (n, orders, coarse bins), filled with single back-wall echoes at every `every`-th bin.
    apart
        (n,) from `strips.spacing`, where it must not change with the parameters.
    """
    total, tail = np.empty((2, params.size, chain.grid.count), np.complex128)
    apart = spacing(chain, params, gaps) if apart is None else apart
    grain = np.empty((0, 0), np.complex128) if grain is None else grain
    work = Work(chain, min(BATCH, params.size), gaps.shape[1], every)
    for i in range(0, params.size, BATCH):
        some = slice(i, i + BATCH)
        _batch(
            chain, work, params[some], gaps[some], grain[some], every, apart[some], terms[some],
            total[some], tail[some],
        )  # fmt: skip
    return total, tail


class Work:
    """Arrays in which the kernels work, made once: fresh memory costs a tenth of the time."""

    def __init__(self, chain: "Chain", n: int, strips: int, every: int) -> None:
        bins = chain.grid.count
        blocks = -(-bins // BLOCK)
        self.nodes = np.empty((2, n, chain.bare.size), np.complex128)
        self.bins = np.empty((7, n, bins), np.complex128)
        self.strips = np.empty((2, n, -(-bins // every), strips), np.complex128)
        self.depth = np.empty((2, bins), np.complex128)
        self.blocks = np.zeros((blocks, 6 * BLOCK))
        self.block_nodes = np.empty((2, blocks + 1), np.complex128)


def _batch(chain, work, params, gaps, grain, every, apart, terms, total, tail) -> None:
    n = params.size
    s, step = complex(chain.grid.s[0]), complex(chain.grid.s[1] - chain.grid.s[0])
    first, ratio = work.nodes[0, :n], work.nodes[1, :n]
    trip, alone, echoes, pulse = (work.bins[i, :n] for i in range(4))
    mean = work.bins[4:] if n == work.bins.shape[1] else np.empty((3, n, trip.shape[1]), complex)
    hold, back = work.strips[0, :n], work.strips[1, :n]
    piston = (chain.diffraction, chain.diffraction_step)
    spread(params, s, step, chain.radius_m**2, chain.paths, chain.bare, *piston, first, ratio)
    round_trips(
        params, s, step, chain.wall_loss, chain.wall_admittance, ratio,
        *work.depth, trip, alone,
    )  # fmt: skip
    strips(
        params, gaps, chain.places, chain.weights, s, step, chain.wall_loss,
        chain.wall_admittance, chain.admittance, apart, trip, every, echoes, mean, hold, back,
    )  # fmt: skip
    pulses(params, s, step, chain.grid.rate_hz, chain.recorded, pulse)
    if terms.size:
        orders(params, pulse, chain.trips, first, hold, back, alone, every, terms)
    if chain.paths >= 0:
        own_spread(
            params, s, step, chain.radius_m**2, chain.paths, chain.bare, *piston, first, ratio,
            trip, mean[1], mean[2], every, work.blocks, work.block_nodes, echoes, terms,
        )  # fmt: skip
    arrive(
        params, s, step, chain.trips, first, pulse, chain.contact, echoes, mean[0], mean[1], grain,
        total, tail,
    )  # fmt: skip


@kernel
def pulses(params, s, step, rate, recorded, spectrum):
    """Fill the pulse's spectrum at its arrival, in samples, as a perfect mirror (-1) sends it.

    The recurrence for `probe.pulse_spectrum`, or a recorded echo's, moved.
    """
    bins = spectrum.shape[1]
    for i in range(params.size):
        p = params[i]
        delay = p.start - p.late
        if recorded.size > 0:
            value = scaled(exponential(scaled(s, delay)), -rate)
            turn = exponential(scaled(step, delay))
            for k in range(bins):
                spectrum[i, k] = recorded[k] * value
                value *= turn
            continue
        decay, gain = p.decay, p.ring_gain
        half = 0.5 / (p.width * p.width)
        curve = math.exp(2 * half * (step * step).real)
        # the image at negative frequencies matters only where its Gaussian reaches above zero
        reach = int((7 * p.width - 2 * math.pi * p.centre) / step.imag)
        for sign in range(1, -2, -2):
            off = s - complex(0.0, sign * 2 * math.pi * p.centre)
            pole = s + complex(p.ring_rate, -sign * 2 * math.pi * p.ring)
            value = scaled(off * off, half) + scaled(s, delay) + complex(0.0, sign * p.phase)
            value = scaled(exponential(value), -0.5 * rate * math.sqrt(2 * math.pi) / p.width)
            turn = scaled((off + off + step) * step, half) + scaled(step, delay)
            turn = exponential(turn)
            for k in range(bins if sign == 1 else min(reach, bins)):
                here = value * (pole + gain) * over((1 + scaled(off, decay)) * pole)
                spectrum[i, k] = here if sign == 1 else spectrum[i, k] + here
                value *= turn
                turn = scaled(turn, curve)
                off += step
                pole += step


@kernel
def orders(params, pulse, trips, first, hold, back, alone, every, terms):
    """Single back-wall echoes T G (B G)^(k-1), summed over the strips, at every `every`-th bin."""
    n = hold.shape[2]
    w = np.empty(4 * MOST_STRIPS)
    for i in range(params.size):
        for c in range(hold.shape[1]):
            k = c * every
            g = alone[i, k]  # 0 without a wall
            common = pulse[i, k] * trips[0, k] * between(first, i, k, NODE) * g
            for j in range(n):
                put(w, j, MOST_STRIPS, common * hold[i, c, j])
                put(w, 2 * MOST_STRIPS + j, MOST_STRIPS, back[i, c, j] * g)
            for order in range(terms.shape[1]):
                found = 0j
                for j in range(n):
                    z = at(w, j, MOST_STRIPS)
                    found += z
                    put(w, j, MOST_STRIPS, z * at(w, 2 * MOST_STRIPS + j, MOST_STRIPS))
                terms[i, order, c] = found


@kernel
def arrive(
    params, s, step, trips, first, pulse, contact, echoes, mean_a, mean_t, grain, total, tail
):
    """The record and its tail from the reflection at the tip, over trips through the delay line."""
    for i in range(params.size):
        p = params[i]
        heat, warm = exponential(scaled(s, -p.heat)), exponential(scaled(step, -p.heat))
        coarse = p.grain if grain.shape[0] > 0 else 0.0
        for k in range(total.shape[1]):
            lead = between(first, i, k, NODE)
            a = 0j if contact else mean_a[i, k]
            r = a + echoes[i, k] * lead
            sum_r, sum_a, power_r, power_a = r * trips[0, k], a * trips[0, k], r, a
            for m in range(1, trips.shape[0]):
                power_r, power_a = power_r * heat * r, power_a * heat * a
                sum_r += power_r * trips[m, k]
                sum_a += power_a * trips[m, k]
            heat *= warm
            if coarse > 0:
                sum_r += scaled(mean_t[i, k] * lead * trips[0, k] * grain[i, k], coarse)
            total[i, k], tail[i, k] = pulse[i, k] * sum_r, pulse[i, k] * sum_a
