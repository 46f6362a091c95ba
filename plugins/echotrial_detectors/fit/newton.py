"""Gauss-Newton on the layer model, one record and start at a time.

Unknowns: arrival, wall, gap, spread (periods), loss (neper per period of travel), shape (see
`stack.Aperture`); the amplitude is projected out. What is minimised is
freedom * log(residual energy) + sum of squared priors, minus twice the log posterior with the
noise level unknown.
"""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.lanes import BEAM, FREQUENCY, LANES, LAW, PULSE, ROWS

ARRIVAL, WALL, GAP, SPREAD, LOSS, SHAPE = range(6)
UNKNOWNS = 6
#: Model and derivatives; the column beside their inner products holds those with the record.
SIDE = UNKNOWNS + 1
#: Where each quantity's `LANES` real parts stand in the room that `accumulate` works in; the
#: imaginary parts follow.
_BELOW, _SLOPE, _TOTAL, _THROUGH, _EXCESS, _LEANING, _MODEL = (2 * i * LANES for i in range(7))
_BY_ARRIVAL, _BY_WALL, _BY_GAP, _BY_SPREAD, _BY_LOSS, _BY_SHAPE = (
    _MODEL + 2 * i * LANES for i in range(1, SIDE)
)
_SHIFT, _PATH, _BASE, _KNOWN = (_MODEL + 2 * (SIDE + i) * LANES for i in range(4))
_PULSE, _FREQUENCY, _LAW, _BEAM = (_KNOWN + i * LANES for i in (PULSE, FREQUENCY, LAW, BEAM))
_ROOM = _KNOWN + ROWS * LANES
#: A pivot below this share of its diagonal is no pivot.
_SINGULAR = 1e-13

_Real = NDArray[np.float64]


def room(
    strips: int, blocks: int, free: int = 0
) -> tuple[_Real, _Real, _Real, _Real, _Real, _Real]:
    """Room for the kernels: lanes, rows, powers of delays, phasors, inner products, equations.

    `free` is how many directions there are along which records are free, see `accumulate`.
    """
    delays = 2 + strips
    return (
        np.zeros(max(_ROOM, free * SIDE)),
        np.zeros((SIDE, 2 * blocks * LANES)),
        np.zeros(2 * delays * LANES),
        np.zeros((delays, 4)),
        np.zeros((2, SIDE, SIDE + 1)),
        np.zeros((UNKNOWNS, UNKNOWNS + 1)),
    )


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def accumulate(
    theta: _Real, y: _Real, record: int, known: _Real, blocks: int, damping: float, first: float,
    step: float, strips: _Real, film: float, r01: float, r12: float, work: _Real, rows: _Real,
    power: _Real, phasor: _Real, products: _Real, into: int,
) -> None:  # fmt: skip
    """Inner products of the model and its derivatives, and with the record, in `products[into]`.

    Row 0 is the model itself at unit amplitude, row i + 1 its derivative by unknown i; the last
    column is theirs with the record. Below the diagonal alone. A row of `y` is a record and behind
    it, laid out alike, unit vectors along which it is free: they are projected out of the model, as
    they have been of the record. Bins are equally spaced, so all delays are made by recurrence. A
    processor takes several lanes at once.
    """
    count, width = strips.shape[1], 2 * blocks * LANES
    free = y.shape[1] // width - 1
    wall, loss, shape = theta[WALL], theta[LOSS], theta[SHAPE]
    for q in range(2 + count):
        delay = theta[ARRIVAL] if q == 0 else wall
        if q > 1:
            delay = theta[GAP] + theta[SPREAD] * strips[0, q - 2]
        lost = film if q > 1 else 0.0
        size, angle = np.exp(-delay * (damping + lost * (first / np.pi - 1))), delay * first
        phasor[q, 0], phasor[q, 1] = size * np.cos(angle), -size * np.sin(angle)
        size, angle = np.exp(-delay * lost * step / np.pi), delay * step
        turn_re, turn_im = size * np.cos(angle), -size * np.sin(angle)
        re, im = 1.0, 0.0
        at = 2 * q * LANES
        for lane in range(LANES):
            power[at + lane] = re
            power[at + LANES + lane] = im
            re, im = re * turn_re - im * turn_im, re * turn_im + im * turn_re
        phasor[q, 2], phasor[q, 3] = re, im
    t01, t12 = 1 - r01 * r01, r12 * r12 - 1
    for lane in range(4 * LANES):
        work[_SHIFT + lane] = power[lane]
    for block in range(blocks):
        at = block * ROWS * LANES
        for lane in range(ROWS * LANES):
            work[_KNOWN + lane] = known[at + lane]
        path_re, path_im = phasor[1, 0], phasor[1, 1]
        for lane in range(LANES):
            # exp(z) for |z| up to about one, to 1e-4: the [2/2] Pade approximant of z/2, squared.
            a = loss * work[_LAW + lane] + work[_BEAM + lane]
            b = loss * work[_LAW + LANES + lane] + work[_BEAM + LANES + lane]
            half_re, half_im = -0.5 * wall * a, -0.5 * wall * b
            even_re = 1 + (half_re * half_re - half_im * half_im) / 12
            even_im = half_re * half_im / 6
            top_re, top_im = even_re + 0.5 * half_re, even_im + 0.5 * half_im
            low_re, low_im = even_re - 0.5 * half_re, even_im - 0.5 * half_im
            over = 1 / (low_re * low_re + low_im * low_im)
            root_re = (top_re * low_re + top_im * low_im) * over
            root_im = (top_im * low_re - top_re * low_im) * over
            more_re, more_im = root_re * root_re - root_im * root_im, 2 * root_re * root_im
            p = work[_PATH + lane]
            q = work[_PATH + LANES + lane]
            way_re, way_im = path_re * p - path_im * q, path_re * q + path_im * p
            trip_re = way_re * more_re - way_im * more_im
            trip_im = way_re * more_im + way_im * more_re
            v_re, v_im = 1 - r12 * trip_re, r12 * trip_im  # conjugate of 1 - r12 trip
            over = 1 / (v_re * v_re + v_im * v_im)
            v_re, v_im = v_re * over, v_im * over
            up = r12 - trip_re
            work[_BELOW + lane] = up * v_re + trip_im * v_im
            work[_BELOW + LANES + lane] = up * v_im - trip_im * v_re
            a, b = t12 * (v_re * v_re - v_im * v_im), t12 * (2 * v_re * v_im)
            work[_SLOPE + lane] = a * trip_re - b * trip_im
            work[_SLOPE + LANES + lane] = a * trip_im + b * trip_re
        for lane in range(8 * LANES):
            work[_TOTAL + lane] = 0.0
        for k in range(count):
            excess, lean = strips[0, k], strips[2, k]
            weight = strips[1, k] + shape * lean
            film_re, film_im = phasor[2 + k, 0], phasor[2 + k, 1]
            powers = (4 + 2 * k) * LANES
            for lane in range(LANES):
                p, q = power[powers + lane], power[powers + LANES + lane]
                f_re, f_im = film_re * p - film_im * q, film_re * q + film_im * p
                b_re, b_im = work[_BELOW + lane], work[_BELOW + LANES + lane]
                low_re, low_im = b_re * f_re - b_im * f_im, b_re * f_im + b_im * f_re
                v_re, v_im = 1 + r01 * low_re, -r01 * low_im
                over = 1 / (v_re * v_re + v_im * v_im)
                v_re, v_im = v_re * over, v_im * over
                up = r01 + low_re
                answer_re, answer_im = up * v_re - low_im * v_im, up * v_im + low_im * v_re
                work[_TOTAL + lane] += weight * answer_re
                work[_TOTAL + LANES + lane] += weight * answer_im
                work[_LEANING + lane] += lean * answer_re
                work[_LEANING + LANES + lane] += lean * answer_im
                a = weight * t01 * (v_re * v_re - v_im * v_im)
                b = weight * t01 * (2 * v_re * v_im)
                part_re, part_im = a * f_re - b * f_im, a * f_im + b * f_re
                work[_THROUGH + lane] += part_re
                work[_THROUGH + LANES + lane] += part_im
                work[_EXCESS + lane] += excess * part_re
                work[_EXCESS + LANES + lane] += excess * part_im
        shift_re, shift_im = phasor[0, 0], phasor[0, 1]
        for lane in range(LANES):
            p, q = work[_SHIFT + lane], work[_SHIFT + LANES + lane]
            re, im = shift_re * p - shift_im * q, shift_re * q + shift_im * p
            p, q = work[_PULSE + lane], work[_PULSE + LANES + lane]
            base_re, base_im = im * q - re * p, -re * q - im * p
            work[_BASE + lane] = base_re
            work[_BASE + LANES + lane] = base_im
            p, q = work[_TOTAL + lane], work[_TOTAL + LANES + lane]
            re, im = base_re * p - base_im * q, base_re * q + base_im * p
            turning = work[_FREQUENCY + lane]
            work[_MODEL + lane] = re
            work[_MODEL + LANES + lane] = im
            row = _BY_ARRIVAL + lane
            work[row] = turning * im - damping * re
            work[row + LANES] = -damping * im - turning * re
        for lane in range(LANES):
            base_re, base_im = work[_BASE + lane], work[_BASE + LANES + lane]
            p, q = work[_THROUGH + lane], work[_THROUGH + LANES + lane]
            a, b = base_re * p - base_im * q, base_re * q + base_im * p
            s, t = work[_SLOPE + lane], work[_SLOPE + LANES + lane]
            part_re, part_im = a * s - b * t, a * t + b * s
            turning = work[_FREQUENCY + lane]
            law_re, law_im = (
                work[_LAW + lane],
                work[_LAW + LANES + lane],
            )
            rate_re = damping + loss * law_re + work[_BEAM + lane]
            rate_im = turning + loss * law_im + work[_BEAM + LANES + lane]
            row = _BY_WALL + lane
            work[row] = rate_im * part_im - rate_re * part_re
            work[row + LANES] = -rate_re * part_im - rate_im * part_re
            row = _BY_LOSS + lane
            work[row] = wall * (law_im * part_im - law_re * part_re)
            work[row + LANES] = -wall * (law_re * part_im + law_im * part_re)
        for lane in range(LANES):
            base_re, base_im = work[_BASE + lane], work[_BASE + LANES + lane]
            turning = work[_FREQUENCY + lane]
            s, t = work[_BELOW + lane], work[_BELOW + LANES + lane]
            re, im = base_re * s - base_im * t, base_re * t + base_im * s
            fading = damping + film * (turning / np.pi - 1)
            a, b = turning * im - fading * re, -fading * im - turning * re
            p, q = work[_THROUGH + lane], work[_THROUGH + LANES + lane]
            row = _BY_GAP + lane
            work[row] = a * p - b * q
            work[row + LANES] = a * q + b * p
            p, q = work[_EXCESS + lane], work[_EXCESS + LANES + lane]
            row = _BY_SPREAD + lane
            work[row] = a * p - b * q
            work[row + LANES] = a * q + b * p
            p, q = work[_LEANING + lane], work[_LEANING + LANES + lane]
            row = _BY_SHAPE + lane
            work[row] = base_re * p - base_im * q
            work[row + LANES] = base_re * q + base_im * p
        for i in range(SIDE):
            for lane in range(2 * LANES):
                rows[i, 2 * block * LANES + lane] = work[_MODEL + 2 * i * LANES + lane]
        for q in range(2 + count):
            re, im = phasor[q, 0], phasor[q, 1]
            phasor[q, 0] = re * phasor[q, 2] - im * phasor[q, 3]
            phasor[q, 1] = re * phasor[q, 3] + im * phasor[q, 2]
    for i in range(SIDE):
        one = rows[i]
        for j in range(i + 1):
            other, total = rows[j], 0.0
            for at in range(width):
                total += one[at] * other[at]
            products[into, i, j] = total
    # With all rows at once a record is read once; its totals stay in the processor.
    r0, r1, r2, r3, r4, r5, r6 = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6]
    for f in range(1 + free):
        other = y[record, f * width : (f + 1) * width]
        t0, t1, t2, t3, t4, t5, t6 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for at in range(width):
            value = other[at]
            t0 += r0[at] * value
            t1 += r1[at] * value
            t2 += r2[at] * value
            t3 += r3[at] * value
            t4 += r4[at] * value
            t5 += r5[at] * value
            t6 += r6[at] * value
        found = (t0, t1, t2, t3, t4, t5, t6)
        for i in range(SIDE):
            if f == 0:
                products[into, i, SIDE] = found[i]
            else:
                work[(f - 1) * SIDE + i] = found[i]  # the lanes are done with
    for f in range(free):
        at = f * SIDE
        for i in range(SIDE):
            for j in range(i + 1):
                products[into, i, j] -= work[at + i] * work[at + j]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def misfit(
    theta: _Real, centre: _Real, spread: _Real, energy: float, freedom: float, products: _Real,
    of: int,
) -> tuple[float, float, float]:  # fmt: skip
    """(what is minimised, residual energy, amplitude); a negative amplitude explains nothing."""
    onto = products[of, 0, SIDE]
    amplitude = onto / products[of, 0, 0] if onto > 0 else 0.0
    residual = energy - amplitude * onto
    if residual < 1e-12 * energy:
        residual = 1e-12 * energy
    penalty = 0.0
    for i in range(UNKNOWNS):
        penalty += ((theta[i] - centre[i]) / spread[i]) ** 2
    return freedom * np.log(residual / energy) + penalty, residual, amplitude


@numba.njit(cache=True, nogil=True, error_model="numpy")
def normal_step(
    theta: _Real, centre: _Real, spread: _Real, floor: _Real, noise: float, amplitude: float,
    damping: float, products: _Real, of: int, equations: _Real,
) -> float:  # fmt: skip
    """Solve the normal equations; the step is the last column of `equations`.

    Half the Hessian and the negative half gradient, amplitude projected out, unknowns that rest on
    their floor and want to go below it held; by Cholesky's factor. Returns what the step should
    gain.
    """
    onto, held = UNKNOWNS, 0
    for i in range(UNKNOWNS):
        slope = products[of, i + 1, SIDE] - amplitude * products[of, i + 1, 0]
        off = (theta[i] - centre[i]) / (spread[i] * spread[i])
        equations[i, onto] = amplitude * slope / noise - off
        if theta[i] <= floor[i] and equations[i, onto] < 0:
            held |= 1 << i
    for i in range(UNKNOWNS):
        for j in range(i + 1):
            shared = products[of, i + 1, 0] * products[of, j + 1, 0] / products[of, 0, 0]
            value = amplitude * amplitude * (products[of, i + 1, j + 1] - shared) / noise
            equations[i, j] = 0.0 if (held >> i | held >> j) & 1 else value
        equations[i, i] += 1 / (spread[i] * spread[i])
        if held >> i & 1:
            equations[i, i], equations[i, onto] = 1.0, 0.0
    gain = 0.0
    for i in range(UNKNOWNS):
        equations[i, i] *= 1 + damping
    for i in range(UNKNOWNS):
        for j in range(i + 1):
            total = equations[i, j]
            for k in range(j):
                total -= equations[i, k] * equations[j, k]
            if j < i:
                equations[i, j] = total / equations[j, j]
            else:
                least = _SINGULAR * equations[i, i]
                equations[i, i] = np.sqrt(total if total > least else least)
        total = equations[i, onto]
        for k in range(i):
            total -= equations[i, k] * equations[k, onto]
        equations[i, onto] = total / equations[i, i]
        gain += equations[i, onto] * equations[i, onto]
    for i in range(UNKNOWNS - 1, -1, -1):
        total = equations[i, onto]
        for k in range(i + 1, UNKNOWNS):
            total -= equations[k, i] * equations[k, onto]
        equations[i, onto] = total / equations[i, i]
    return gain


@numba.njit(cache=True, nogil=True, error_model="numpy")
def refine(
    record: NDArray[np.int64], theta: _Real, centre: _Real, spread: _Real, floor: _Real,
    r12: _Real, y: _Real, known: _Real, blocks: int, damping: float, first: float, step: float,
    freedom: float, strips: _Real, film: float, r01: float, rounds: int, enough: float,
    work: _Real, rows: _Real, power: _Real, phasor: _Real, products: _Real, equations: _Real,
    trial: _Real, result: _Real, inner: _Real,
) -> None:  # fmt: skip
    """Levenberg-Marquardt from each `theta` (j, 6), which is moved to the minimum.

    Fit j is one of record[j], rows of `y`; `centre`, `floor` (j, 6) and `r12` (j,) are its own.
    It ends with the round that gains, or should gain, less than `enough`.

    `result` (j, 3) takes: what is minimised, residual energy and amplitude for a record of unit
    energy. `inner` (j, 7, 8) takes the last `products`.
    """
    for fit in range(record.size):
        row = record[fit]
        now: int = np.int64(0)  # type: ignore[assignment]  # a literal is a type of its own
        energy = 0.0
        for b in range(2 * blocks * LANES):
            energy += y[row, b] * y[row, b]
        accumulate(
            theta[fit], y, row, known, blocks, damping, first, step, strips, film, r01, r12[fit],
            work, rows, power, phasor, products, now,
        )  # fmt: skip
        value, residual, amplitude = misfit(
            theta[fit], centre[fit], spread, energy, freedom, products, now
        )
        stiff = 1e-3
        for _ in range(rounds):
            expected = normal_step(
                theta[fit], centre[fit], spread, floor[fit], residual / freedom, amplitude, stiff,
                products, now, equations,
            )  # fmt: skip
            for i in range(UNKNOWNS):
                moved = theta[fit, i] + equations[i, UNKNOWNS]
                trial[i] = moved if moved > floor[fit, i] else floor[fit, i]
            if expected < enough:
                for i in range(UNKNOWNS):
                    theta[fit, i] = trial[i]
                value -= expected
                break
            accumulate(
                trial, y, row, known, blocks, damping, first, step, strips, film, r01, r12[fit],
                work, rows, power, phasor, products, 1 - now,
            )  # fmt: skip
            found, found_residual, found_amplitude = misfit(
                trial, centre[fit], spread, energy, freedom, products, 1 - now
            )
            if found < value:
                gain = value - found
                value, residual, amplitude, now = found, found_residual, found_amplitude, 1 - now
                for i in range(UNKNOWNS):
                    theta[fit, i] = trial[i]
                stiff *= 0.1
                if gain < enough:
                    break
            else:
                stiff = 10 * stiff if stiff > 1e-3 else 1e-2
                if stiff > 1e4:
                    break
        result[fit, 0], result[fit, 1] = value, residual / energy
        result[fit, 2] = amplitude / np.sqrt(energy)
        for i in range(SIDE):
            for j in range(SIDE + 1):
                inner[fit, i, j] = products[now, i, j]
