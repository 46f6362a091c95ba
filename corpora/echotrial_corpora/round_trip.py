"""One round trip through the wall: its thickness, loss, rough back wall and what is behind it."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from echotrial_corpora.grid import NODE
from echotrial_corpora.split import between, exponential, kernel, over, part, scaled


@part
def _through(s, step, loss, slow, lossy, rough, found):
    """Fill exp(slow s + lossy loss + rough s^2), bin by bin.

    Over NODE bins the exponent is followed by the parabola through its first, middle and last
    value, which a second-order recurrence runs through: exact but for the cubic part of the loss.
    """
    here = scaled(s, slow) + scaled(loss[0], lossy) + scaled(s * s, rough)
    value, turn, curve = exponential(here), 0j, 0j
    for k in range(found.size):
        if k % NODE == 0:
            at = s + scaled(step, k + NODE // 2)
            mid = scaled(at, slow) + scaled(loss[k + NODE // 2], lossy) + scaled(at * at, rough)
            at = s + scaled(step, k + NODE)
            end = scaled(at, slow) + scaled(loss[k + NODE], lossy) + scaled(at * at, rough)
            twice = scaled(end - mid - mid + here, 4 / (NODE * NODE))
            turn = exponential(scaled(end - here, 1 / NODE) - scaled(twice, (NODE - 1) / 2))
            curve = 1 + twice * (1 + twice * (0.5 + scaled(twice, 1 / 6)))
            here = end
        found[k] = value
        value *= turn
        turn *= curve


@kernel
def round_trips(params, s, step, loss, admittance, ratio, depth, ahead, trip, alone):
    """Fill `trip` with all that meets a wave inside the wall, `alone` with its back wall only.

    Parameters
    ----------
    loss, admittance
        Propagation constant for a loss of 1 Np/m, and the same over s, on the bins and beyond.
    ratio
        (n, nodes), see `spreading`; it goes with every round trip.
    depth, ahead
        (bins,), to work in.
    """
    for i in range(params.size):
        p = params[i]
        near, inner = p.lamination_depth, p.lamination
        rough = 2 * (p.roughness / p.velocity) ** 2
        if inner > 0:
            slow = -2 * near / p.velocity
            _through(s, step, loss, slow, -2 * near * p.attenuation, 0.0, ahead)
        else:
            near = 0.0
            for k in range(ahead.size):
                ahead[k] = 1
        far = -2 * (p.thickness - near)
        _through(s, step, loss, far / p.velocity, far * p.attenuation, rough, depth)
        layered, load, turn = p.backing, 0j, 0j
        if p.layer > 0:
            layered = p.layer_admittance
            beyond = (layered - p.backing) / (layered + p.backing)
            rate = -2 * p.layer / p.layer_velocity
            load, turn = scaled(exponential(scaled(s, rate)), beyond), scaled(step, rate)
            turn = exponential(turn)
        slow, light, lossy = 1 / p.velocity, 1 / p.density, p.attenuation
        divergence = p.divergence if p.kind == 0 else 0.0
        for k in range(ahead.size):
            y_wall = scaled(slow + scaled(admittance[k], lossy), light)
            less, more = y_wall - layered, y_wall + layered
            # A lamination is a thin partial reflector: r from either side, 1 - r^2 through it
            # both ways. (inside - r) / (1 - r inside) with inside = num / den, in one division:
            num = scaled(depth[k] * (less + load * more), divergence)
            den = more + load * less
            load *= turn
            rest = den - scaled(num, inner)
            lead = between(ratio, i, k, NODE) * ahead[k] * over(den * rest)
            trip[i, k] = lead * (num - scaled(den, inner)) * den
            alone[i, k] = scaled(lead * num * rest, 1 - inner * inner)
