"""Diffraction of the back-wall echoes relative to the bare tip's echo.

Echo k has gone the path paths + k gain of S lambda (see `diffraction`), gain = 2 d c. The layer
recursion takes its factor D_k / D_0 along as first x ratio^k, which is exact for k = 1 and
FAR_ORDER; the first orders then get their own in place of it.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math

from echotrial_corpora.grid import NODE
from echotrial_corpora.split import at, between, kernel, over, part, put, scaled

#: The round trip whose correction fixes the ratio from one to the next.
FAR_ORDER = 6
#: Orders up to which the echoes get a correction of their own, unless the diffraction parameter S
#: grows by less than SMALL over all of them; and the reflection below which an echo needs none.
OWN_ORDERS, SMALL, FAINT = 32, 0.5, 1e-3
#: Bins between the nodes of an echo's own correction.
BLOCK = 2 * NODE
Z, Q, SUM = (2 * BLOCK * i for i in range(3))


@part
def piston_at(real, late, table, step):
    """Diffraction correction at x = real + j late, from a table of values and slopes.

    Cubic Hermite between the entries; beyond them the first two terms for large x.
    """
    last = table.shape[1] - 2
    if real >= last * step:
        size = math.sqrt(1 / (math.pi * real))
        turn = (0.125 - 0.5 * late) / real
        return complex(1 - size * (1 + turn), size * (1 - turn))
    i = int(real / step)
    u = real / step - i
    v = 1 - u
    a, b = table[1, i], table[1, i + 1]
    found = scaled(table[0, i], (1 + 2 * u) * v * v) + scaled(table[0, i + 1], u * u * (3 - 2 * u))
    found += scaled(scaled(a, v) - scaled(b, u), step * u * v)
    # for its imaginary part, the slope: late is small
    slope = scaled(a, v * late) + scaled(b, u * late)
    return complex(found.real - slope.imag, found.imag + slope.real)


@kernel
def spread(params, s, step, area, paths, bare, table, table_step, first, ratio):
    """Fill `first` and `ratio`, (n, nodes), at every NODE-th bin."""
    power = 1 / (FAR_ORDER - 1)
    for i in range(params.size):
        p = params[i]
        gain = 2 * p.thickness * p.velocity
        near, far = area / (paths + gain), area / (paths + FAR_ORDER * gain)
        for j in range(first.shape[1]):
            first[i, j] = ratio[i, j] = 1
            if paths >= 0 and p.kind == 0:
                omega = s.imag + j * NODE * step.imag
                a = piston_at(omega * near, -s.real * near, table, table_step)
                z = piston_at(omega * far, -s.real * far, table, table_step) * over(a)
                size = math.exp(0.5 * power * math.log(z.real * z.real + z.imag * z.imag))
                angle = power * math.atan2(z.imag, z.real)
                root = complex(size * math.cos(angle), size * math.sin(angle))
                ratio[i, j] = root
                first[i, j] = a * over(bare[j] * root)


@part
def _block(work, change, onward):
    """Add one echo's change over a block of bins, and go on to the next echo."""
    for u in range(BLOCK):
        z = at(work, Z + u, BLOCK)
        value = at(work, SUM + u, BLOCK) + z * (change + scaled(onward, u))
        put(work, SUM + u, BLOCK, value)
        put(work, Z + u, BLOCK, z * at(work, Q + u, BLOCK))


@kernel
def own_spread(
    params, s, step, area, paths, bare, table, table_step, first, ratio, trip, mean_t, mean_b,
    every, work, nodes, echoes, terms,
):  # fmt: skip
    """Give each of the first OWN_ORDERS echoes its own diffraction in place of first x ratio^k.

    In the whole record the change, itself small, is put on the mean over the strips of T and of
    T B (see `strips`): exact for k = 1 and 2, and for any k where the gap is even. The single
    orders get it exactly.

    Parameters
    ----------
    work, nodes
        (blocks, 6 BLOCK) and complex (2, blocks + 1), to work in.
    """
    bins, blocks = trip.shape[1], work.shape[0]
    for i in range(params.size):
        p = params[i]
        gain, delay = 2 * p.thickness * p.velocity, 2 * p.thickness / p.velocity
        if p.kind != 0 or OWN_ORDERS * gain < SMALL * p.centre * area:
            continue
        for k in range(bins):
            row, u = work[k // BLOCK], k % BLOCK
            put(row, Z + u, BLOCK, mean_t[i, k] * trip[i, k])
            put(row, Q + u, BLOCK, mean_b[i, k] * trip[i, k] * over(mean_t[i, k]))
            put(row, SUM + u, BLOCK, 0j)
        for j in range(blocks + 1):
            nodes[0, j] = over(bare[2 * j] * first[i, 2 * j])
        middle = min(int((p.centre * 2 * math.pi - s.imag) / step.imag), bins - 1)
        for order in range(1, OWN_ORDERS + 1):
            # undo the grid's damping up to where this echo is
            z = at(work[middle // BLOCK], Z + middle % BLOCK, BLOCK)
            size = (z.real * z.real + z.imag * z.imag) * math.exp(2 * s.real * order * delay)
            if size < FAINT * FAINT or order * delay * step.imag > 2 * math.pi + delay * step.imag:
                break
            shape = area / (paths + order * gain)
            for j in range(blocks + 1):
                nodes[0, j] *= over(ratio[i, 2 * j])
                omega = s.imag + j * BLOCK * step.imag
                own = piston_at(omega * shape, -s.real * shape, table, table_step)
                nodes[1, j] = own * nodes[0, j] - 1
            for j in range(blocks):
                onward = scaled(nodes[1, j + 1] - nodes[1, j], 1 / BLOCK)
                _block(work[j], nodes[1, j], onward)
            if order <= terms.shape[1]:
                for c in range(terms.shape[2]):
                    terms[i, order - 1, c] *= 1 + between(nodes, 1, c * every, BLOCK)
        for k in range(bins):
            echoes[i, k] += at(work[k // BLOCK], SUM + k % BLOCK, BLOCK)
