"""The generator: spectra of many records by recursion over bins, without an exponential per bin.

For a strip of couplant gap h in front of a wall, with e = exp(-2 gamma_c h) and G the wall's round
trip (inner face and all it meets on the way), the layer recursion is

    R = A + T G / (1 - B G),   A = (r01 + r12 e) / D,   B = -(r12 + r01 e) / D,
    T = (1 - r01^2) (1 - r12^2) e / D^2,                D = 1 + r01 r12 e.

A is the reflection of an infinitely thick wall (the tail), T G (B G)^(k-1) the k-th back-wall
echo. What is even over bins (phases, Gaussians, quadratic losses) is an exponential of a
polynomial of second degree in the bin number, which a second-order recurrence runs through.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import numpy as np
from numba import njit

#: Bins between the nodes at which the diffraction correction is worked out.
NODE = 8
#: The round trip whose correction fixes the ratio from one to the next (see `_spread`).
FAR_ORDER = 6
#: Orders up to which the echoes get a correction of their own (see `_own_spread`), unless the
#: diffraction parameter S grows by less than SMALL over all of them; and the reflection below which
#: an echo needs none.
#: It changes slowly with frequency, so that every OWN_NODE-th node is enough.
OWN_NODE = 2
OWN_ORDERS, SMALL, FAINT = 32, 0.5, 3e-4


@njit(inline="always")
def _over(z):
    """1 / z, in the plain way that vectorises."""
    return z.conjugate() / (z.real * z.real + z.imag * z.imag)


@njit(cache=True, nogil=True, error_model="numpy")
def _piston(x, table, step):
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
def _spread(p, s, radius, paths, table, step, bare, first, ratio):
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
        bare[j] = 1 if paths == 0 else _piston(x * (1 / paths), table, step)
        d1 = _piston(x * (1 / (paths + trip)), table, step)
        far = _piston(x * (1 / (paths + FAR_ORDER * trip)), table, step)
        ratio[j] = (far * _over(d1)) ** (1 / (FAR_ORDER - 1))
        first[j] = d1 * _over(bare[j] * ratio[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _pulse(p, s, start, rate, spectrum):
    """The pulse's spectrum about its arrival, in samples: the recurrence for `pulse_spectrum`."""
    step = s[1] - s[0]
    delay = p.late - start
    half = 0.5 / (p.width * p.width)
    centre = 2j * np.pi * p.centre
    ring = 2j * np.pi * p.ring
    curve = np.exp(2 * half * step * step)
    scale = 0.5 * rate * np.sqrt(2 * np.pi) / p.width
    # the image at negative frequencies matters only where its Gaussian reaches above zero
    reach = int((7 * p.width - 2 * np.pi * p.centre) / step.imag)
    for sign in (1, -1):
        off = s[0] - sign * centre
        value = scale * np.exp(off * off * half - s[0] * delay + sign * 1j * p.phase)
        turn = np.exp((2 * off * step + step * step) * half - step * delay)
        for k in range(s.size if sign == 1 else min(max(reach, 0), s.size)):
            off = s[k] - sign * centre
            part = value * _over(1 + off * p.decay)
            if p.ring_gain != 0:
                part *= 1 + p.ring_gain * _over(s[k] - sign * ring + p.ring_rate)
            spectrum[k] = part if sign == 1 else spectrum[k] + part
            value *= turn
            turn *= curve


@njit(cache=True, nogil=True, error_model="numpy")
def _recorded(s, delay, rate, recorded, spectrum):
    """A recorded echo's spectrum, moved to its arrival."""
    turn, step = np.exp(-s[0] * delay) * rate, np.exp(-(s[1] - s[0]) * delay)
    for k in range(s.size):
        spectrum[k] = recorded[k] * turn
        turn *= step


@njit(cache=True, nogil=True, error_model="numpy")
def _faces(p, s, loss, admittance, front, inner, back):
    """Reflections delay line | couplant | wall and wall | backing, at every NODE-th bin."""
    for j in range(front.size):
        k = min(j * NODE, s.size - 1)
        y_wall = (1 / p.velocity + p.attenuation * loss[k] * _over(s[k])) / p.density
        y_gap = (1 / p.couplant_velocity - p.couplant_loss * s[k]) / p.couplant_density
        front[j] = (admittance[k] - y_gap) * _over(admittance[k] + y_gap)
        inner[j] = (y_gap - y_wall) * _over(y_gap + y_wall)
        back[j] = p.divergence * (y_wall - p.backing) * _over(y_wall + p.backing)
        if p.layer > 0:  # its face and what is behind it come in bin by bin
            back[j] = p.divergence
        if p.kind == 1:  # dry: the delay line ends in air
            front[j], inner[j] = (admittance[k] - y_wall) * _over(admittance[k] + y_wall), 0
        if p.kind != 0:
            back[j] = 0


@njit(cache=True, nogil=True, error_model="numpy")
def _depth(p, s, loss, thickness, found):
    """Round trip through a thickness of the wall, exp(-2 gamma d), and the rough back wall's part.

    Over NODE bins the exponent is followed by the parabola through its first, middle and last
    value, which a second-order recurrence runs through: exact but for the cubic part of the loss.
    """
    rough = 2 * (p.roughness / p.velocity) ** 2
    last = s.size - 1
    for k in range(0, s.size, NODE):
        n = min(NODE, last - k) if k < last else 1
        n += n % 2
        values = np.empty(3, np.complex128)
        for j in range(3):
            i = min(k + j * n // 2, last)
            gamma = s[i] / p.velocity + p.attenuation * loss[i]
            values[j] = rough * s[i] * s[i] - 2 * gamma * thickness
        bend = (values[2] - 2 * values[1] + values[0]) / (2 * (n / 2) ** 2)
        slope = (4 * values[1] - 3 * values[0] - values[2]) / n
        value, turn, curve = np.exp(values[0]), np.exp(slope + bend), np.exp(2 * bend)
        for i in range(k, min(k + NODE, s.size)):
            found[i] = value
            value *= turn
            turn *= curve


@njit(cache=True, nogil=True, error_model="numpy")
def _round_trip(p, s, loss, back, trip, alone):
    """All that meets a wave inside the wall (`trip`), and its back wall only (`alone`).

    On entry `back` is the reflection of the back wall at every NODE-th bin, 1 before a layer.
    """
    _depth(p, s, loss, p.thickness, trip)
    _expand(back, NODE, alone)
    for k in range(s.size):
        trip[k] *= alone[k]
        alone[k] = trip[k]
    if p.layer > 0:
        beyond = (p.layer_admittance - p.backing) / (p.layer_admittance + p.backing)
        rate = -2 * p.layer / p.layer_velocity
        load, turn = beyond * np.exp(s[0] * rate), np.exp((s[1] - s[0]) * rate)
        for k in range(s.size):
            y_wall = (1 / p.velocity + p.attenuation * loss[k] * _over(s[k])) * (1 / p.density)
            face = (y_wall - p.layer_admittance) * _over(y_wall + p.layer_admittance)
            trip[k] *= (face + load) * _over(1 + face * load)
            alone[k] = trip[k]
            load *= turn
    if p.lamination > 0:
        # a thin partial reflector: r from either side, 1 - r^2 through it both ways
        depth = np.empty(s.size, np.complex128)
        _depth(p, s, loss, p.lamination_depth, depth)
        for k in range(s.size):
            rest = trip[k] * _over(depth[k])
            trip[k] = depth[k] * (rest - p.lamination) * _over(1 - p.lamination * rest)
            alone[k] *= 1 - p.lamination * p.lamination


@njit(cache=True, nogil=True, error_model="numpy")
def _lanes(p, s, gap, places, weights, w):
    """Set up the state of up to LANES strips for `_sweep`; lanes left over weigh nothing."""
    step = s[1] - s[0]
    c, a = p.couplant_velocity, p.couplant_loss
    w[:] = 0
    for j in range(gap.size):
        e = np.exp(-2 * gap[j] * (s[0] / c - a * s[0] * s[0]))
        turn = np.exp(-2 * gap[j] * (step / c - a * (2 * s[0] * step + step * step)))
        offset = p.taper * places[j]
        x, xturn = np.exp(-2 * s[0] / p.velocity * offset), np.exp(-2 * step / p.velocity * offset)
        w[E + j], w[E + LANES + j] = e.real, e.imag
        w[TURN + j], w[TURN + LANES + j] = turn.real, turn.imag
        w[BEND + j] = np.exp(4 * gap[j] * a * (step * step).real)
        w[X + j], w[X + LANES + j] = x.real, x.imag
        w[XTURN + j], w[XTURN + LANES + j] = xturn.real, xturn.imag
        w[OFFSET + j], w[WEIGHT + j] = offset, weights[j]


# Real arithmetic on rows of one array of constant width: the form that vectorises. LLVM can see
# that the rows do not overlap; it cannot for a dozen separate arrays.
LANES, MOST_STRIPS = 12, 72
E, TURN, X, XTURN, HOLD, BACK = (2 * LANES * i for i in range(6))
BEND, OFFSET, WEIGHT = (LANES * i for i in range(12, 15))
ROWS = 15


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})
def _sweep(p, loss, front, inner, trip, w, every, tail, echoes, through_t, through_b, hold, back):
    """Add the mean over LANES strips to `tail` (A) and `echoes` (T G / (1 - B G)), bin by bin.

    `through_t` and `through_b` get the means of T and T B.

    At every `every`-th bin, `hold` and `back` get T and B of each strip (its weight and its part
    of the taper in them), for the single orders.
    """
    strips = hold.shape[1]
    for k in range(front.size):
        ar, ai, cr, ci = front[k].real, front[k].imag, inner[k].real, inner[k].imag
        gr, gi = trip[k].real, trip[k].imag
        more = 2 * p.attenuation * loss[k]
        mr, mi = more.real, more.imag
        br, bi = ar * cr - ai * ci, ar * ci + ai * cr
        through = (1 - front[k] * front[k]) * (1 - inner[k] * inner[k])
        ur, ui, vr, vi = 0.0, 0.0, 0.0, 0.0
        sr, si, pr, pi = 0.0, 0.0, 0.0, 0.0
        for j in range(LANES):
            er, ei = w[E + j], w[E + LANES + j]
            # x: what the taper adds to the round trip, its loss to second order
            zr, zi = mr * w[OFFSET + j], mi * w[OFFSET + j]
            lr, li = 1 - zr + 0.5 * (zr * zr - zi * zi), zr * zi - zi
            xr, xi = w[X + j], w[X + LANES + j]
            yr, yi = xr * lr - xi * li, xr * li + xi * lr
            # d = 1 / (1 + r01 r12 e)
            dr, di = 1 + br * er - bi * ei, br * ei + bi * er
            q = 1 / (dr * dr + di * di)
            dr, di = dr * q, -di * q
            # A = (r01 + r12 e) d
            nr, ni = ar + cr * er - ci * ei, ai + cr * ei + ci * er
            ur += w[WEIGHT + j] * (nr * dr - ni * di)
            ui += w[WEIGHT + j] * (nr * di + ni * dr)
            # B x = -(r12 + r01 e) d x
            nr, ni = cr + ar * er - ai * ei, ci + ar * ei + ai * er
            hr, hi = ni * di - nr * dr, -nr * di - ni * dr
            kr, ki = hr * yr - hi * yi, hr * yi + hi * yr
            # T x = e d^2 x, without what all strips share
            nr, ni = er * dr - ei * di, er * di + ei * dr
            hr, hi = nr * dr - ni * di, nr * di + ni * dr
            tr = w[WEIGHT + j] * (hr * yr - hi * yi)
            ti = w[WEIGHT + j] * (hr * yi + hi * yr)
            w[HOLD + j], w[HOLD + LANES + j] = tr, ti
            w[BACK + j], w[BACK + LANES + j] = kr, ki
            sr += tr
            si += ti
            pr += tr * kr - ti * ki
            pi += tr * ki + ti * kr
            # T x / (1 - B x G)
            dr, di = 1 - kr * gr + ki * gi, -kr * gi - ki * gr
            q = 1 / (dr * dr + di * di)
            dr, di = dr * q, -di * q
            vr += tr * dr - ti * di
            vi += tr * di + ti * dr
            # on to the next bin
            hr, hi = w[TURN + j], w[TURN + LANES + j]
            w[E + j], w[E + LANES + j] = er * hr - ei * hi, er * hi + ei * hr
            w[TURN + j], w[TURN + LANES + j] = hr * w[BEND + j], hi * w[BEND + j]
            hr, hi = w[XTURN + j], w[XTURN + LANES + j]
            w[X + j], w[X + LANES + j] = xr * hr - xi * hi, xr * hi + xi * hr
        tail[k] += complex(ur, ui)
        echoes[k] += complex(vr, vi) * through * trip[k]
        through_t[k] += complex(sr, si) * through
        through_b[k] += complex(pr, pi) * through
        if k % every == 0:
            for j in range(strips):
                hold[k // every, j] = complex(w[HOLD + j], w[HOLD + LANES + j]) * through
                back[k // every, j] = complex(w[BACK + j], w[BACK + LANES + j])


@njit(cache=True, nogil=True, error_model="numpy")
def _strips(
    p,
    s,
    loss,
    gap,
    places,
    weights,
    front,
    inner,
    trip,
    every,
    tail,
    echoes,
    through_t,
    through_b,
    hold,
    back,
):
    """Mean over all strips, LANES at a time (see `_sweep`)."""
    w = np.empty(ROWS * LANES)
    tail[:], echoes[:], through_t[:], through_b[:] = 0, 0, 0, 0
    for j in range(0, gap.size, LANES):
        some = slice(j, j + LANES)
        _lanes(p, s, gap[some], places[some], weights[some], w)
        _sweep(
            p, loss, front, inner, trip, w, every, tail, echoes, through_t, through_b,
            hold[:, some], back[:, some],
        )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})
def _orders(scale, hold, back, alone, every, terms):
    """Single back-wall echoes T G (B G)^(k-1), summed over the strips, at every `every`-th bin."""
    n = hold.shape[1]
    w = np.empty(4 * MOST_STRIPS)
    for c in range(hold.shape[0]):
        g = alone[c * every]
        common = scale[c * every] * g
        for j in range(n):
            z, q = common * hold[c, j], back[c, j] * g
            w[j], w[MOST_STRIPS + j] = z.real, z.imag
            w[2 * MOST_STRIPS + j], w[3 * MOST_STRIPS + j] = q.real, q.imag
        for order in range(terms.shape[0]):
            real, imaginary = 0.0, 0.0
            for j in range(n):
                zr, zi = w[j], w[MOST_STRIPS + j]
                qr, qi = w[2 * MOST_STRIPS + j], w[3 * MOST_STRIPS + j]
                real += zr
                imaginary += zi
                w[j], w[MOST_STRIPS + j] = zr * qr - zi * qi, zr * qi + zi * qr
            terms[order, c] = complex(real, imaginary)


@njit(cache=True, nogil=True, error_model="numpy")
def _own_spread(
    p,
    s,
    radius,
    paths,
    table,
    step,
    bare,
    first,
    ratio,
    trip,
    through_t,
    through_b,
    every,
    echoes,
    terms,
):
    """Give each of the first OWN_ORDERS echoes its own diffraction in place of first x ratio^k.

    In the whole record the change, itself small, is put on the mean over the strips of T and of
    T B: exact for k = 1 and 2, and for any k where the gap is even. The single orders get it
    exactly.
    """
    gain, delay = 2 * p.thickness * p.velocity, 2 * p.thickness / p.velocity
    if paths < 0 or OWN_ORDERS * gain / (p.centre * radius * radius) < SMALL:
        return
    rest = s.size / (s[s.size - 1] - s[0]).imag * 2 * np.pi  # period of the grid
    orders = min(OWN_ORDERS, int(rest * p.velocity / (2 * p.thickness)) + 1)
    size = first.size // OWN_NODE + 2
    nodes, change = np.empty(size, np.complex128), np.empty(s.size, np.complex128)
    z, q = np.empty((2, s.size), np.complex128)
    for k in range(s.size):
        z[k] = through_t[k] * trip[k]
        q[k] = through_b[k] * _over(through_t[k]) * trip[k]
    model = np.empty(size, np.complex128)
    for j in range(size):
        model[j] = first[min(j * OWN_NODE, first.size - 1)]
    middle = min(int((p.centre * 2 * np.pi - s[0].imag) / (s[1] - s[0]).imag), s.size - 1)
    for order in range(1, orders + 1):
        # undo the grid's damping up to where this echo is
        if np.abs(z[middle]) * np.exp(s[0].real * order * delay) < FAINT:
            return
        for j in range(size):
            i = min(j * OWN_NODE, first.size - 1)
            x = -1j * (s[0] + i * NODE * (s[1] - s[0])) * radius * radius
            model[j] *= ratio[i]
            own = _piston(x * (1 / (paths + order * gain)), table, step)
            nodes[j] = own * _over(bare[i] * model[j]) - 1
        _expand(nodes, NODE * OWN_NODE, change)
        _add_products(change, q, z, echoes)
        if order <= terms.shape[0]:
            for c in range(terms.shape[1]):
                terms[order - 1, c] *= 1 + change[c * every]


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})
def _add_products(change, q, z, echoes):
    """Add z x change to `echoes` and go on to the next order, z = z q."""
    for k in range(z.size):
        zr, zi, cr, ci = z[k].real, z[k].imag, change[k].real, change[k].imag
        echoes[k] += complex(zr * cr - zi * ci, zr * ci + zi * cr)
        z[k] = complex(zr * q[k].real - zi * q[k].imag, zr * q[k].imag + zi * q[k].real)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})
def _expand(nodes, spacing, found):
    """Fill every bin from what is smooth and known at every `spacing`-th, along straight lines."""
    for j in range((found.size + spacing - 1) // spacing):
        value, slope = nodes[j], (nodes[j + 1] - nodes[j]) * (1 / spacing)
        for k in range(min(spacing, found.size - j * spacing)):
            found[j * spacing + k] = value + k * slope


@njit(cache=True, nogil=True, error_model="numpy")
def _one(
    p,
    gap,
    s,
    loss,
    admittance,
    trips,
    recorded,
    places,
    weights,
    radius,
    paths,
    table,
    table_step,
    rate,
    contact,
    grain,
    every,
    total,
    tail,
    terms,
):
    """Spectra of one record: all of it, its tail, and single orders at every `every`-th bin."""
    bins = s.size
    bare, first, ratio, front, inner, back = np.empty((6, bins // NODE + 2), np.complex128)
    r01, r12, trip, alone, echoes, pulse, lead = np.empty((7, bins), np.complex128)
    through_t, through_b = np.empty((2, bins), np.complex128)
    hold, turn = np.empty((2, (bins + every - 1) // every, gap.size), np.complex128)
    _spread(p, s, radius, paths, table, table_step, bare, first, ratio)
    _faces(p, s, loss, admittance, front, inner, back)
    _round_trip(p, s, loss, back, trip, alone)
    _expand(front, NODE, r01)
    _expand(inner, NODE, r12)
    _expand(ratio, NODE, lead)
    for k in range(bins):
        trip[k] *= lead[k]
        alone[k] *= lead[k]
    _expand(first, NODE, lead)
    _strips(
        p, s, loss, gap, places, weights, r01, r12, trip, every, tail, echoes, through_t,
        through_b, hold, turn,
    )  # fmt: skip
    if recorded.size > 0:
        _recorded(s, p.late - p.start, rate, recorded, pulse)
    else:
        _pulse(p, s, p.start, rate, pulse)
    for k in range(bins):
        pulse[k] = -pulse[k]
        r12[k] = pulse[k] * trips[0, k] * lead[k]  # what every back-wall echo carries
    if p.kind == 0:
        _orders(r12, hold, turn, alone, every, terms)
        _own_spread(
            p, s, radius, paths, table, table_step, bare, first, ratio, trip, through_t,
            through_b, every, echoes, terms,
        )  # fmt: skip
    _trips(p, s, trips, lead, pulse, contact, echoes, total, tail)
    if p.grain > 0:
        for k in range(bins):
            total[k] += p.grain * through_t[k] * r12[k] * grain[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _trips(p, s, trips, lead, pulse, contact, echoes, total, tail):
    """The record and its tail from the reflection at the tip, over trips through the delay line."""
    heat, warm = np.exp(-s[0] * p.heat), np.exp(-(s[1] - s[0]) * p.heat)
    for k in range(s.size):
        a = 0j if contact else tail[k]
        r = a + echoes[k] * lead[k]
        sum_r, sum_a = r * trips[0, k], a * trips[0, k]
        power_r, power_a = r * heat, a * heat
        for m in range(1, trips.shape[0]):
            power_r, power_a = power_r * r, power_a * a
            sum_r += power_r * trips[m, k]
            sum_a += power_a * trips[m, k]
            power_r, power_a = power_r * heat, power_a * heat
        heat *= warm
        total[k], tail[k] = pulse[k] * sum_r, pulse[k] * sum_a


@njit(cache=True, nogil=True, error_model="numpy")
def spectra(
    params,
    gaps,
    s,
    loss,
    admittance,
    trips,
    recorded,
    places,
    weights,
    radius,
    paths,
    table,
    table_step,
    rate,
    contact,
    grain,
    every,
    total,
    tail,
    terms,
):
    """Fill `total` (n, bins), `tail` (n, bins) and `terms` (n, orders, coarse bins)."""
    for i in range(params.size):
        _one(
            params[i], gaps[i], s, loss, admittance, trips, recorded, places, weights, radius,
            paths, table, table_step, rate, contact, grain[min(i, grain.shape[0] - 1)], every,
            total[i], tail[i], terms[i],
        )  # fmt: skip
