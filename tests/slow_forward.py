"""A slow, obvious twin of the generator: one frequency response per strip and order, no tricks.

A transform eight times as long instead of damping, the whole band instead of a part of it, an
exponential per bin instead of recurrences, every back-wall order with its own diffraction.
"""

import numpy as np
from echotrial_corpora.attenuation import propagation
from echotrial_corpora.chain import chain_of
from echotrial_corpora.couplant import gaps
from echotrial_corpora.diffraction import piston
from echotrial_corpora.receiver import band_pass

LONGER = 16


def pulse(p, s):
    """Analytic half plus its mirror image, straight from the definition."""

    def half(s):
        off = s - 2j * np.pi * p["centre"]
        found = np.sqrt(2 * np.pi) / p["width"] * np.exp(off**2 / (2 * p["width"] ** 2))
        found = found * np.exp(1j * p["phase"]) / (1 + off * p["decay"])
        if p["ring_gain"]:
            found *= 1 + p["ring_gain"] / (s - 2j * np.pi * p["ring"] + p["ring_rate"])
        return found

    return (half(s) + np.conj(half(np.conj(s)))) / 2


def responses(spec, p, s, orders):
    """Tail and single back-wall echoes (a perfect mirror is -1), averaged over strips."""
    chain, centre = chain_of(spec), spec.probe.centre_frequency.nominal
    front = spec.delay_line or spec.face
    row = front.row
    gamma_d = propagation(
        s, row.velocity, row.attenuation, row.attenuation_exponent, row.attenuation_frequency
    )
    z_d = row.density * s / gamma_d
    gamma_c = s / p["couplant_velocity"] - p["couplant_loss"] * s**2
    z_c = p["couplant_density"] * s / gamma_c
    gamma_w = propagation(
        s, p["velocity"], p["attenuation"], spec.wall.row.attenuation_exponent, centre
    )
    z_w = p["density"] * s / gamma_w
    z_b = 1 / p["backing"]
    if p["kind"] == 1:
        z_c = z_w
    r01, r12 = (z_c - z_d) / (z_c + z_d), (z_w - z_c) / (z_w + z_c)
    back = (z_b - z_w) / (z_b + z_w)
    if p["layer"]:
        z_l = 1 / p["layer_admittance"]
        face, beyond = (z_l - z_w) / (z_l + z_w), (z_b - z_l) / (z_b + z_l)
        e = np.exp(-2 * s * p["layer"] / p["layer_velocity"])
        back = (face + beyond * e) / (1 + face * beyond * e)
    back = back * p["divergence"] * np.exp(2 * (s * p["roughness"] / p["velocity"]) ** 2)
    tail, echoes = 0, np.zeros((orders, s.size), complex)
    radius = spec.probe.element_diameter / 2
    for x, weight, gap in zip(
        chain.places,
        chain.weights,
        gaps(p["gap"], p["curvature"], p["tilt"], p["offset"], chain.places),
        strict=True,
    ):
        e = np.exp(-2 * gamma_c * gap)
        d = 1 + r01 * r12 * e
        tail = tail + weight * (r01 + r12 * e) / d
        if p["kind"] != 0:
            continue
        g = back * np.exp(-2 * gamma_w * (p["thickness"] + p["taper"] * x))
        b, t = -(r12 + r01 * e) / d, (1 - r01**2) * (1 - r12**2) * e / d**2
        for k in range(orders):
            echoes[k] += weight * t * g * (b * g) ** k
    if spec.probe.diffraction and p["kind"] == 0:
        path = 2 * spec.delay_line.length * row.velocity if spec.delay_line else 0.0
        bare = piston(-1j * s * radius**2 / path) if path else 1.0
        for k in range(orders):
            whole = path + 2 * (k + 1) * p["thickness"] * p["velocity"]
            echoes[k] *= piston(-1j * s * radius**2 / whole) / bare
    return tail, echoes


def spectra(spec, p, orders=60):
    """(s, n, record, tail, single orders) on the long grid, sample 0 at the record's start."""
    n = spec.samples * LONGER
    f = np.fft.rfftfreq(n, 1 / spec.rate)[1:-1]
    s = 2j * np.pi * f
    tail, echoes = responses(spec, p, s, orders)
    put = pulse(p, s) * np.exp(-s * (p["late"] - p["start"])) * spec.rate
    put = put * band_pass(s, *spec.receiver.band)
    if spec.face:
        tail = 0 * tail
    line = spec.delay_line
    for path in line.side_wall if line else ():
        put = put * (1 + np.exp(path.level.nominal - s * path.delay))
    r = tail + echoes.sum(axis=0)
    whole, alone = r, tail
    if line and line.repeat:
        row = line.row
        gamma = propagation(
            s, row.velocity, row.attenuation, row.attenuation_exponent, row.attenuation_frequency
        )
        trip = np.exp(line.repeat.nominal - 2 * gamma * line.length - s * p["heat"])
        if spec.probe.diffraction:
            x = -1j * s * (spec.probe.element_diameter / 2) ** 2 / (2 * line.length * row.velocity)
            trip = trip * piston(x / 2) / piston(x)
        whole, alone = whole + r**2 * trip, alone + tail**2 * trip
    return s, n, -put * whole, -put * alone, -put * echoes


def in_time(spectrum, n, finer=1):
    """Real signal at `finer` times the rate from the bins between DC and Nyquist."""
    padded = np.zeros(n * finer // 2 + 1, complex)
    padded[1 : 1 + spectrum.size] = spectrum
    return np.fft.irfft(padded, n * finer) * finer


def envelope(spectrum, n, finer=1):
    """Envelope at `finer` times the rate."""
    padded = np.zeros(n * finer, complex)
    padded[1 : 1 + spectrum.size] = 2 * spectrum
    return np.abs(np.fft.ifft(padded)) * finer
