"""Reflection at the tip, averaged over strips of couplant gap, with all echoes of the wall.

For a strip of couplant gap h in front of a wall, with e = exp(-2 gamma_c h) and G the wall's round
trip (see `round_trip`), the layer recursion is

    R = A + T G / (1 - B G),   A = (r01 + r12 e) / D,   B = -(r12 + r01 e) / D,
    T = (1 - r01^2) (1 - r12^2) e / D^2,                D = 1 + r01 r12 e.

A is the reflection of an infinitely thick wall (the tail), T G (B G)^(k-1) the k-th back-wall
echo. A, T and B change slowly with frequency, because a gap is thin: they are worked out at nodes
and run along parabolas in between (`spacing`). Only G needs every bin.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.grid import BEYOND
from echotrial_corpora.split import at, exponential, kernel, over, part, put, scaled

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain

#: Strips worked on at once, in rows of `split` numbers.
LANES = 12
T, B = 0, 2 * LANES
WIDTH = 4 * LANES
E, TURN, X, XTURN = (WIDTH + 2 * LANES * i for i in range(4))
BEND, OFFSET, WEIGHT = (WIDTH + LANES * i for i in range(8, 11))
ROWS = WIDTH + 11 * LANES
#: Largest turn of the gap's round trip from node to node, radians. A parabola through three
#: points of exp(j phase) then misses by 8e-6, late in the record by 100 times that (see `grid`).
MOST_TURN = 0.06
WIDEST = BEYOND // 2
#: Bins between every second node, at most: a block. In it: the round trips G, what is found, and
#: the bins' numbers, which as floats let loops vectorise.
BLOCK = 2 * WIDEST
G, FOUND, RAMP = 0, 2 * BLOCK, 4 * BLOCK


def spacing(chain: "Chain", params: np.ndarray, gaps: NDArray[np.float64]) -> NDArray[np.int64]:
    """Bins between nodes for each record, WIDEST at most."""
    y = 1 / (params["couplant_density"] * params["couplant_velocity"])
    y_wall = 1 / (params["density"] * params["velocity"])
    y_front = np.abs(chain.admittance[chain.grid.count // 2])
    ring = np.abs((y_front - y) / (y_front + y) * (y - y_wall) / (y + y_wall))
    delay = 2 * gaps.max(axis=1) / params["couplant_velocity"] / (1 - np.minimum(ring, 0.99))
    delay += 2 * np.abs(params["taper"]) * chain.radius_m / params["velocity"]
    fits = MOST_TURN / (2 * np.pi * chain.grid.step_hz * np.maximum(delay, 1e-15))
    return np.asarray(np.clip(fits, 1, WIDEST), dtype=np.int64)


@part
def _start(p, gap, places, weights, j0, s, leap, w):
    """Set up the state of the strips from number `j0` on; lanes left over weigh nothing."""
    c, a = p.couplant_velocity, p.couplant_loss
    for j in range(w.size):
        w[j] = 0
    for j in range(LANES):
        if j0 + j < gap.size:
            h, offset = -2 * gap[j0 + j], p.taper * places[j0 + j]
            beyond = -2 * offset / p.velocity
            put(w, E + j, LANES, exponential(scaled(s, h / c) - scaled(s * s, a * h)))
            turn = scaled(leap, h / c) - scaled(leap * (s + s + leap), a * h)
            put(w, TURN + j, LANES, exponential(turn))
            put(w, X + j, LANES, exponential(scaled(s, beyond)))
            put(w, XTURN + j, LANES, exponential(scaled(leap, beyond)))
            w[BEND + j] = math.exp(-2 * h * a * (leap * leap).real)
            w[OFFSET + j], w[WEIGHT + j] = offset, weights[j0 + j]


@part
def _node(w, front, inner, more, means, c):
    """T and B of all lanes at node `c`, the weight in T; means of A, T, T B. On to the next."""
    both, through = front * inner, (1 - front * front) * (1 - inner * inner)
    sum_a, sum_t, sum_b = 0j, 0j, 0j
    for j in range(LANES):
        e, x, weight = at(w, E + j, LANES), at(w, X + j, LANES), w[WEIGHT + j]
        # what the taper adds to the round trip, its loss to second order
        z = scaled(more, w[OFFSET + j])
        y = x * (1 - z * (1 - scaled(z, 0.5)))
        d = over(1 + both * e)
        sum_a += scaled((front + inner * e) * d, weight)
        b = (inner + front * e) * d * scaled(y, -1.0)
        t = through * e * d * d * scaled(y, weight)
        sum_t += t
        sum_b += t * b
        put(w, T + j, LANES, t)
        put(w, B + j, LANES, b)
        turn = at(w, TURN + j, LANES)
        put(w, E + j, LANES, e * turn)
        put(w, TURN + j, LANES, scaled(turn, w[BEND + j]))
        put(w, X + j, LANES, x * at(w, XTURN + j, LANES))
    means[c, 0], means[c, 1], means[c, 2] = sum_a, sum_t, sum_b


@part
def _nodes(p, s, step, apart, loss, lossy, admittance, count, w, nodes, means):
    """Go through the nodes, `apart` bins from each other."""
    c, a = p.couplant_velocity, p.couplant_loss
    for at_node in range(count):
        k = at_node * apart
        y_wall = scaled(1 / p.velocity + scaled(lossy[k], p.attenuation), 1 / p.density)
        y_gap = scaled(1 / c - scaled(s + scaled(step, k), a), 1 / p.couplant_density)
        front, inner = y_gap, 0j
        if p.kind == 1:  # dry: the delay line ends in air
            front = y_wall
        else:
            inner = (y_gap - y_wall) * over(y_gap + y_wall)
        front = (admittance[k] - front) * over(admittance[k] + front)
        _node(w, front, inner, scaled(loss[k], 2 * p.attenuation), means, at_node)
        for j in range(WIDTH):
            nodes[at_node, j] = w[j]


@part
def _parabolas(nodes, c, per_bin, rows):
    """Fill `rows` with value, slope and bend of every number between nodes c, c + 1 and c + 2."""
    half = 0.5 * per_bin * per_bin
    for j in range(WIDTH):
        x, y, z = nodes[c, j], nodes[c + 1, j], nodes[c + 2, j]
        rows[j], rows[WIDTH + j] = x, per_bin * (2 * y - 1.5 * x - 0.5 * z)
        rows[2 * WIDTH + j] = half * (z - 2 * y + x)


@part
def _curve(rows, j):
    """Value, slope and bend of number `j`."""
    value, bend = at(rows, j, LANES), at(rows, 2 * WIDTH + j, LANES)
    return value, at(rows, WIDTH + j, LANES), bend


@part
def _add_strip(rows, j, w, size):
    """Add T / (1 - B G) of strip `j` to the first `size` bins of a block."""
    t0, t1, t2 = _curve(rows, T + j)
    b0, b1, b2 = _curve(rows, B + j)
    for k in range((size + 3) // 4 * 4):  # those beyond are not looked at; loops like fours
        u = w[RAMP + k]
        t = t0 + scaled(t1 + scaled(t2, u), u)
        b = b0 + scaled(b1 + scaled(b2, u), u)
        found = at(w, FOUND + k, BLOCK) + t * over(1 - b * at(w, G + k, BLOCK))
        put(w, FOUND + k, BLOCK, found)


@part
def _along(rows, j, u):
    """Number `j` on its parabola, `u` bins from its first node."""
    value, slope, bend = _curve(rows, j)
    return value + scaled(slope + scaled(bend, u), u)


@part
def _bins(nodes, means, apart, i, j0, trip, every, rows, w, echoes, mean, hold, back):
    """Add the strips of `_nodes` to record `i`, along parabolas over blocks of 2 `apart` bins."""
    bins, lanes, per_bin = trip.shape[1], min(LANES, hold.shape[2] - j0), 1 / apart
    coarse = 0
    for c in range(0, (bins + apart - 1) // apart, 2):
        first = c * apart
        size = min(2 * apart, bins - first)
        _parabolas(nodes, c, per_bin, rows)
        for u in range(size):
            put(w, G + u, BLOCK, trip[i, first + u])
            put(w, FOUND + u, BLOCK, 0j)
        for j in range(lanes):
            _add_strip(rows, j, w, size)
        for u in range(size):
            echoes[i, first + u] += at(w, FOUND + u, BLOCK) * at(w, G + u, BLOCK)
        for m in range(3):
            x, y, z = means[c, m], means[c + 1, m], means[c + 2, m]
            bend = scaled(z - y - y + x, 0.5 * per_bin * per_bin)
            slope = scaled(y + y - scaled(x, 1.5) - scaled(z, 0.5), per_bin)
            for u in range(size):
                mean[m, i, first + u] += x + scaled(slope + scaled(bend, w[RAMP + u]), w[RAMP + u])
        while coarse * every < first + size:
            u = w[RAMP + coarse * every - first]
            for j in range(lanes):
                hold[i, coarse, j0 + j] = _along(rows, T + j, u)
                back[i, coarse, j0 + j] = _along(rows, B + j, u)
            coarse += 1


@kernel
def strips(
    params, gaps, places, weights, s, step, loss, lossy, admittance, apart, trip, every,
    echoes, mean, hold, back,
):  # fmt: skip
    """Fill `echoes`, (n, bins), and `mean`, (3, n, bins): means of A, T and T B.

    At every `every`-th bin `hold` and `back`, (n, coarse bins, strips), get T and B of each strip
    (its weight and its part of the taper in them), for the single orders.
    """
    bins = trip.shape[1]
    nodes = np.empty((bins + BEYOND, WIDTH))
    means = np.empty((bins + BEYOND, 3), np.complex128)
    w, rows, block = np.empty(ROWS), np.empty(3 * WIDTH), np.zeros(RAMP + BLOCK)
    for k in range(BLOCK):
        block[RAMP + k] = k
    for i in range(params.size):
        for k in range(bins):
            echoes[i, k] = mean[0, i, k] = mean[1, i, k] = mean[2, i, k] = 0
        h = apart[i]
        count = 2 * ((bins + 2 * h - 1) // (2 * h)) + 1
        for j0 in range(0, places.size, LANES):
            _start(params[i], gaps[i], places, weights, j0, s, scaled(step, h), w)
            _nodes(params[i], s, step, h, loss, lossy, admittance, count, w, nodes, means)
            _bins(nodes, means, h, i, j0, trip, every, rows, block, echoes, mean, hold, back)
