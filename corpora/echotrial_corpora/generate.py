"""The generator: spectra of many records by recursion over bins, without an exponential per bin.

For a strip of couplant gap h in front of a wall, with e = exp(-2 gamma_c h) and G the wall's round
trip (inner face and all it meets on the way), the layer recursion is

    R = A + T G / (1 - B G),   A = (r01 + r12 e) / D,   B = -(r12 + r01 e) / D,
    T = (1 - r01^2) (1 - r12^2) e / D^2,                D = 1 + r01 r12 e.

A is the reflection of an infinitely thick wall (the tail), T G (B G)^(k-1) the k-th back-wall
echo. What is even over bins (phases, Gaussians, quadratic losses) is an exponential of a
polynomial of second degree in the bin number, which a second-order recurrence runs through.
"""

import numpy as np
from numba import njit

#: Bins between the nodes at which the diffraction correction is worked out.
NODE = 16
#: The round trip whose correction fixes the ratio from one to the next (see `_spread`).
FAR_ORDER = 4


@njit(inline="always")
def _over(z):  # type: ignore[no-untyped-def]
    """1 / z, in the plain way that vectorises."""
    return z.conjugate() / (z.real * z.real + z.imag * z.imag)


@njit(cache=True, nogil=True, error_model="numpy")
def _piston(x, table, step):  # type: ignore[no-untyped-def]
    """Diffraction correction at complex x, from a table of values and slopes (cubic Hermite)."""
    real = x.real
    last = table.shape[1] - 2
    if real >= last * step:
        return 1 - np.sqrt(2 / (np.pi * x)) * np.exp(-0.25j * np.pi) * (1 + 0.125j / x)
    i = int(real / step)
    u = real / step - i
    d0, d1, m0, m1 = table[0, i], table[0, i + 1], step * table[1, i], step * table[1, i + 1]
    value = (
        d0 * (1 + 2 * u) * (1 - u) ** 2
        + d1 * u * u * (3 - 2 * u)
        + m0 * u * (1 - u) ** 2
        - m1 * u * u * (1 - u)
    )
    slope = table[1, i] * (1 - u) + table[1, i + 1] * u
    return value + 1j * x.imag * slope


@njit(cache=True, nogil=True, error_model="numpy")
def _spread(p, s, radius, paths, table, step, first, ratio):  # type: ignore[no-untyped-def]
    """Diffraction of the back-wall echoes relative to the tip's echo, at every NODE-th bin.

    `first` x `ratio`^k stands for D_k / D_0: exact for k = 1 and FAR_ORDER.
    """
    for j in range(first.size):
        if paths < 0 or p.kind != 0:
            first[j], ratio[j] = 1, 1
            continue
        at = s[0] + j * NODE * (s[1] - s[0])
        x = -1j * at * radius * radius
        trip = 2 * p.thickness * p.velocity
        bare = 1 + 0j if paths == 0 else _piston(x / paths, table, step)
        d1 = _piston(x / (paths + trip), table, step)
        far = _piston(x / (paths + FAR_ORDER * trip), table, step)
        ratio[j] = (far / d1) ** (1 / (FAR_ORDER - 1))
        first[j] = d1 / (bare * ratio[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _pulse(p, s, start, rate, spectrum):  # type: ignore[no-untyped-def]
    """The pulse's spectrum about its arrival, in samples: the recurrence for `pulse_spectrum`."""
    step = s[1] - s[0]
    delay = p.late - start
    half = 0.5 / (p.width * p.width)
    centre = 2j * np.pi * p.centre
    ring = 2j * np.pi * p.ring
    curve = np.exp(2 * half * step * step)
    off, image = s[0] - centre, s[0] + centre
    scale = 0.5 * rate * np.sqrt(2 * np.pi) / p.width
    a = scale * np.exp(off * off * half - s[0] * delay + 1j * p.phase)
    b = scale * np.exp(image * image * half - s[0] * delay - 1j * p.phase)
    ra = np.exp((2 * off * step + step * step) * half - step * delay)
    rb = np.exp((2 * image * step + step * step) * half - step * delay)
    for k in range(s.size):
        off, image = s[k] - centre, s[k] + centre
        pa, pb = a * _over(1 + off * p.decay), b * _over(1 + image * p.decay)
        if p.ring_gain != 0:
            pa *= 1 + p.ring_gain * _over(s[k] - ring + p.ring_rate)
            pb *= 1 + p.ring_gain * _over(s[k] + ring + p.ring_rate)
        spectrum[k] = pa + pb
        a, b, ra, rb = a * ra, b * rb, ra * curve, rb * curve


@njit(cache=True, nogil=True, error_model="numpy")
def _recorded(s, delay, rate, recorded, spectrum):  # type: ignore[no-untyped-def]
    """A recorded echo's spectrum, moved to its arrival."""
    turn, step = np.exp(-s[0] * delay) * rate, np.exp(-(s[1] - s[0]) * delay)
    for k in range(s.size):
        spectrum[k] = recorded[k] * turn
        turn *= step


@njit(cache=True, nogil=True, error_model="numpy")
def _faces(p, s, loss, admittance, front, inner, trip, alone):  # type: ignore[no-untyped-def]
    """Per bin: reflections delay line | couplant and couplant | wall, and the wall's round trip.

    `trip` has everything inside the wall, `alone` only the back wall (without a lamination's own
    echoes); both without diffraction.
    """
    rough = 2 * (p.roughness / p.velocity) ** 2
    for k in range(s.size):
        extra = p.attenuation * loss[k]
        gamma = s[k] / p.velocity + extra
        y_wall = (1 / p.velocity + extra * _over(s[k])) / p.density
        y_gap = (1 / p.couplant_velocity - p.couplant_loss * s[k]) / p.couplant_density
        front[k] = (admittance[k] - y_gap) * _over(admittance[k] + y_gap)
        inner[k] = (y_gap - y_wall) * _over(y_gap + y_wall)
        if p.kind == 1:  # dry: the delay line ends in air, and nothing lies behind
            front[k] = (admittance[k] - y_wall) * _over(admittance[k] + y_wall)
            inner[k] = 0
        if p.kind != 0:
            trip[k], alone[k] = 0, 0
            continue
        back = (y_wall - p.backing) * _over(y_wall + p.backing)
        if p.layer > 0:
            to_layer = (y_wall - p.layer_admittance) * _over(y_wall + p.layer_admittance)
            beyond = (p.layer_admittance - p.backing) / (p.layer_admittance + p.backing)
            load = beyond * np.exp(-2 * s[k] * p.layer / p.layer_velocity)
            back = (to_layer + load) * _over(1 + to_layer * load)
        back *= p.divergence
        once = back * np.exp(rough * s[k] * s[k] - 2 * gamma * p.thickness)
        trip[k], alone[k] = once, once
        if p.lamination > 0:
            # a thin partial reflector: r from both sides, 1 - r^2 through it both ways
            depth = np.exp(-2 * gamma * p.lamination_depth)
            rest = once * _over(depth)
            trip[k] = depth * (rest - p.lamination) * _over(1 - p.lamination * rest)
            alone[k] = once * (1 - p.lamination * p.lamination)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _strips(p, s, loss, gap, places, weights, front, inner, trip, every, tail, echoes, hold, back):  # type: ignore[no-untyped-def]
    """Mean over the strips: tail (A), all back-wall echoes, and at every `every`-th bin T and B.

    `hold` and `back` get T w and B of each strip there, for the single orders.
    """
    n = gap.size
    step = s[1] - s[0]
    e, turn, bend = np.empty(n, np.complex128), np.empty(n, np.complex128), np.empty(n)
    x, xturn = np.ones(n, np.complex128), np.ones(n, np.complex128)
    for j in range(n):
        c, a = p.couplant_velocity, p.couplant_loss
        e[j] = np.exp(-2 * gap[j] * (s[0] / c - a * s[0] * s[0]))
        turn[j] = np.exp(-2 * gap[j] * (step / c - a * (2 * s[0] * step + step * step)))
        bend[j] = np.exp(4 * gap[j] * a * (step * step).real)
        x[j] = np.exp(-2 * s[0] / p.velocity * p.taper * places[j])
        xturn[j] = np.exp(-2 * step / p.velocity * p.taper * places[j])
    two, ts, bs = np.empty(n, np.complex128), np.empty(n, np.complex128), np.empty(n, np.complex128)
    for k in range(s.size):
        r01, r12, g = front[k], inner[k], trip[k]
        both, through = r01 * r12, (1 - r01 * r01) * (1 - r12 * r12)
        sum_a, sum_t = 0j, 0j
        more = 2 * p.attenuation * p.taper * loss[k]
        for j in range(n):
            d = _over(1 + both * e[j])
            z = more * places[j]
            gj = g * x[j] * (1 - z * (1 - 0.5 * z))
            b = -(r12 + r01 * e[j]) * d
            t = weights[j] * through * e[j] * d * d
            sum_a += weights[j] * (r01 + r12 * e[j]) * d
            sum_t += t * gj * _over(1 - b * gj)
            ts[j], bs[j] = t * x[j] * (1 - z * (1 - 0.5 * z)), b * x[j] * (1 - z * (1 - 0.5 * z))
        for j in range(n):
            e[j] *= turn[j]
            turn[j] *= bend[j]
            x[j] *= xturn[j]
        tail[k], echoes[k] = sum_a, sum_t
        if k % every == 0:
            hold[k // every], back[k // every] = ts, bs


@njit(cache=True, nogil=True, error_model="numpy")
def _one(p, gap, s, loss, admittance, trips, recorded, places, weights, radius, paths, table,
         table_step, rate, contact, grain, every, total, tail, terms):  # type: ignore[no-untyped-def]  # fmt: skip
    """Spectra of one record: all of it, its tail, and single orders at every `every`-th bin."""
    bins = s.size
    front, inner, trip, alone = np.empty((4, bins), np.complex128)
    mean_a, mean_t, pulse = np.empty((3, bins), np.complex128)
    nodes = bins // NODE + 2
    first, ratio = np.empty((2, nodes), np.complex128)
    coarse = (bins + every - 1) // every
    hold = np.empty((coarse, gap.size), np.complex128)
    back = np.empty((coarse, gap.size), np.complex128)
    _spread(p, s, radius, paths, table, table_step, first, ratio)
    _faces(p, s, loss, admittance, front, inner, trip, alone)
    lead = np.empty(bins, np.complex128)
    for k in range(bins):
        j, u = k // NODE, (k % NODE) / NODE
        q = ratio[j] * (1 - u) + ratio[j + 1] * u
        lead[k] = first[j] * (1 - u) + first[j + 1] * u
        trip[k] *= q
        alone[k] *= q
    _strips(p, s, loss, gap, places, weights, front, inner, trip, every, mean_a, mean_t, hold, back)
    if recorded.size > 0:
        _recorded(s, p.late - p.start, rate, recorded, pulse)
    else:
        _pulse(p, s, p.start, rate, pulse)
    heat, warm = np.exp(-s[0] * p.heat), np.exp(-(s[1] - s[0]) * p.heat)
    for k in range(bins):
        a = 0j if contact else mean_a[k]
        r = a + lead[k] * mean_t[k]
        sum_r, sum_a, later, power_r, power_a = 0j, 0j, 1 + 0j, 1 + 0j, 1 + 0j
        for m in range(trips.shape[0]):
            power_r, power_a = power_r * r, power_a * a
            sum_r += power_r * trips[m, k] * later
            sum_a += power_a * trips[m, k] * later
            later *= heat
        heat *= warm
        total[k], tail[k] = -pulse[k] * sum_r, -pulse[k] * sum_a
        if p.grain > 0:
            spread = (1 - front[k] * front[k]) * (1 - inner[k] * inner[k])
            total[k] += p.grain * spread * pulse[k] * trips[0, k] * grain[k]
    for c in range(coarse):
        k = c * every
        common = -pulse[k] * trips[0, k] * lead[k]
        for j in range(gap.size):
            z, ratio_k = common * hold[c, j] * alone[k], back[c, j] * alone[k]
            for order in range(terms.shape[0]):
                if j == 0:
                    terms[order, c] = 0
                terms[order, c] += z
                z *= ratio_k


@njit(cache=True, nogil=True, error_model="numpy")
def spectra(params, gaps, s, loss, admittance, trips, recorded, places, weights, radius, paths,
            table, table_step, rate, contact, grain, every, total, tail, terms):  # type: ignore[no-untyped-def]  # fmt: skip
    """Fill `total` (n, bins), `tail` (n, bins) and `terms` (n, orders, coarse bins)."""
    for i in range(params.size):
        _one(
            params[i], gaps[i], s, loss, admittance, trips, recorded, places, weights, radius,
            paths, table, table_step, rate, contact, grain[min(i, grain.shape[0] - 1)], every,
            total[i], tail[i], terms[i],
        )  # fmt: skip
