"""The inner loops of `alignment` and `matching`: delays and amplitudes of known potentials, one sweep after another.

A delay is a phase of every bin, e^{−iωτ}; the bins are multiples of the first, so that all phases are powers of one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from acq.analysis.compiled import compiled
from acq.records import BoolArray, FloatArray

__all__ = ["ComplexArray", "add_potential", "left_over", "pick_delays", "refine_rows", "sum_products"]

ComplexArray = npt.NDArray[np.complex128]

_MAX_STEP_US = 40.0
_LEAST_SCALE, _MOST_SCALE = 0.02, 20.0
_LEAST_PIVOT = 1e-13  # of the diagonal; below it there is nothing but rounding


@compiled("(float64, float64[::1], float64[::1])", sums=True)
def _turn(angle: float, real: FloatArray, imaginary: FloatArray) -> None:
    """Powers 1 … b of e^{i·angle}, (b,) each: doubled, so that rounding grows with the logarithm of their number."""
    n = real.size
    real[0], imaginary[0] = np.cos(angle), np.sin(angle)
    known = 1
    while known < n:
        more = min(known, n - known)
        last_real, last_imaginary = real[known - 1], imaginary[known - 1]
        for k in range(more):
            real[known + k] = real[k] * last_real - imaginary[k] * last_imaginary
            imaginary[known + k] = real[k] * last_imaginary + imaginary[k] * last_real
        known += more


@compiled("(float64, float64[::1])")
def _fade(rate: float, out: FloatArray) -> None:
    """e^{−rate·k²} for k = 1 … b: each from the one before."""
    ratio, twice = np.exp(-rate), np.exp(-2.0 * rate)
    value, factor = 1.0, ratio
    for k in range(out.size):
        value *= factor
        factor *= twice
        out[k] = value


@compiled("(float64[:, ::1], int64)", sums=True)
def _factorise(matrix: FloatArray, n: int) -> None:
    """LDLᵀ of the symmetric matrix in the lower triangle of (n, n), in place: D on the diagonal, L below.

    Where rounding alone tells a parameter from those before it, D is negative: as little as could be told of it.
    """
    for j in range(n):
        whole = matrix[j, j]
        pivot = whole
        for k in range(j):
            pivot -= matrix[j, k] * matrix[j, k] * matrix[k, k]
        least = _LEAST_PIVOT * whole
        if not pivot > least:
            matrix[j, j] = -max(least, 1e-290)
            for i in range(j + 1, n):
                matrix[i, j] = 0.0
            continue
        matrix[j, j] = pivot
        for i in range(j + 1, n):
            entry = matrix[i, j]
            for k in range(j):
                entry -= matrix[i, k] * matrix[j, k] * matrix[k, k]
            matrix[i, j] = entry / pivot


@compiled("(float64[:, ::1], float64[::1], int64)", sums=True)
def _solve(factor: FloatArray, vector: FloatArray, n: int) -> None:
    """Solution of LDLᵀx = vector, in place of it; a parameter that nothing is told of stays as it is."""
    for i in range(n):
        for k in range(i):
            vector[i] -= factor[i, k] * vector[k]
    for i in range(n):
        vector[i] = vector[i] / factor[i, i] if factor[i, i] > 0.0 else 0.0
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            vector[i] -= factor[k, i] * vector[k]


@compiled(
    "(complex128[:, ::1], complex128[:, ::1], float64[::1], float64[::1], int64, float64[:, ::1], float64[:, ::1], "
    "boolean[:, ::1], float64[::1], float64[:, ::1], float64[::1], float64[:, ::1], float64[:, ::1], "
    "complex128[:, ::1], float64[:, :, ::1], float64[::1], float64[:, ::1])",
    sums=True,
)
def refine_rows(
    spectrum: ComplexArray,
    template: ComplexArray,
    root: FloatArray,
    omega: FloatArray,
    n_steps: int,
    delay: FloatArray,
    scale: FloatArray,
    present: BoolArray,
    precision: FloatArray,
    centre: FloatArray,
    sharpness: FloatArray,
    middle: FloatArray,
    variance: FloatArray,
    residual: ComplexArray,
    information: FloatArray,
    loss: FloatArray,
    projection: FloatArray,
) -> None:
    """Joint Gauss–Newton on delays and amplitudes of the potentials present in each sweep; see `refine_delays`.

    Parameters
    ----------
    spectrum : (n, b)
    template : (f, b), root : (b,)
        Square root of twice the weight of each bin, which whitens both.
    omega : (b,)
        Multiples 1 … b of the first, rad/µs.
    n_steps : int
        At least 1.
    delay, scale : (n, f)
        Starting values, replaced; the scale of an absent potential becomes 0.
    present : (n, f)
    precision, sharpness : (f,), centre, middle : (n, f)
        Of the priors of amplitudes and delays.
    variance, projection : (n, f), residual : (n, b), information : (n, 2f, 2f), loss : (n,)
        Filled; `projection` is the product of each present potential with the residual, both white.
    """
    n, f = delay.shape
    b = omega.size
    white_real, white_imaginary = np.empty((f, b)), np.empty((f, b))
    energy, steepness = np.zeros(f), np.zeros(f)
    for j in range(f):
        for k in range(b):
            white_real[j, k] = template[j, k].real * root[k]
            white_imaginary[j, k] = template[j, k].imag * root[k]
            power = white_real[j, k] ** 2 + white_imaginary[j, k] ** 2
            energy[j] += power
            steepness[j] += omega[k] ** 2 * power
    turn_real, turn_imaginary = np.empty(b), np.empty(b)
    shape_real, shape_imaginary = np.empty((f, b)), np.empty((f, b))
    target_real, target_imaginary = np.empty(b), np.empty(b)
    left_real, left_imaginary = np.empty(b), np.empty(b)
    matrix = np.zeros((2 * f, 2 * f))
    move, unit = np.empty(2 * f), np.empty(2 * f)
    which = np.empty(f, dtype=np.int64)
    for row in range(n):
        m = 0
        for j in range(f):
            if present[row, j]:
                which[m] = j
                m += 1
            else:
                scale[row, j] = 0.0
            variance[row, j] = np.nan
            projection[row, j] = 0.0
        for k in range(b):
            target_real[k] = spectrum[row, k].real * root[k]
            target_imaginary[k] = spectrum[row, k].imag * root[k]
        for step in range(n_steps + 1):
            for k in range(b):
                left_real[k] = target_real[k]
                left_imaginary[k] = target_imaginary[k]
            for p in range(m):
                j = which[p]
                _turn(-omega[0] * delay[row, j], turn_real, turn_imaginary)
                size = scale[row, j]
                own_real, own_imaginary = shape_real[p], shape_imaginary[p]
                of_real, of_imaginary = white_real[j], white_imaginary[j]
                for k in range(b):
                    real = turn_real[k] * of_real[k] - turn_imaginary[k] * of_imaginary[k]
                    imaginary = turn_real[k] * of_imaginary[k] + turn_imaginary[k] * of_real[k]
                    own_real[k] = real
                    own_imaginary[k] = imaginary
                    left_real[k] -= size * real
                    left_imaginary[k] -= size * imaginary
            if step == n_steps:
                break
            for p in range(m):
                j = which[p]
                size = scale[row, j]
                own_real, own_imaginary = shape_real[p], shape_imaginary[p]
                along, across = 0.0, 0.0
                for k in range(b):
                    along += own_real[k] * left_real[k] + own_imaginary[k] * left_imaginary[k]
                    across += omega[k] * (own_imaginary[k] * left_real[k] - own_real[k] * left_imaginary[k])
                move[p] = size * across + sharpness[j] * (middle[row, j] - delay[row, j])
                move[m + p] = along + precision[j] * (centre[row, j] - size)
                matrix[p, p] = size * size * steepness[j] + sharpness[j]
                matrix[m + p, m + p] = energy[j] + precision[j]
                matrix[m + p, p] = 0.0
                for q in range(p):
                    other = scale[row, which[q]]
                    near_real, near_imaginary = shape_real[q], shape_imaginary[q]
                    common, turned, bent = 0.0, 0.0, 0.0
                    for k in range(b):
                        product = own_real[k] * near_real[k] + own_imaginary[k] * near_imaginary[k]
                        cross = omega[k] * (own_imaginary[k] * near_real[k] - own_real[k] * near_imaginary[k])
                        common += product
                        turned += cross
                        bent += omega[k] * omega[k] * product
                    matrix[p, q] = size * other * bent
                    matrix[m + p, m + q] = common
                    matrix[m + q, p] = size * turned
                    matrix[m + p, q] = -other * turned
            if step == n_steps - 1:
                for i in range(2 * f):
                    for k in range(2 * f):
                        information[row, i, k] = 0.0
                    information[row, i, i] = 1.0
                for p in range(2 * m):
                    i = which[p] if p < m else f + which[p - m]
                    for q in range(p + 1):
                        k = which[q] if q < m else f + which[q - m]
                        information[row, i, k] = matrix[p, q]
                        information[row, k, i] = matrix[p, q]
            _factorise(matrix, 2 * m)
            _solve(matrix, move, 2 * m)
            if step == n_steps - 1:
                for p in range(m):
                    # The diagonal of the inverse: |D^{-1/2} L^{-1} e|² for each unit vector e.
                    total = 0.0
                    for i in range(p, 2 * m):
                        entry = 1.0 if i == p else 0.0
                        for k in range(p, i):
                            entry -= matrix[i, k] * unit[k]
                        unit[i] = entry
                        total += entry * entry / abs(matrix[i, i])
                    variance[row, which[p]] = total
            for p in range(m):
                j = which[p]
                delay[row, j] += min(max(move[p], -_MAX_STEP_US), _MAX_STEP_US)
                scale[row, j] = min(max(scale[row, j] + move[m + p], _LEAST_SCALE), _MOST_SCALE)
        total = 0.0
        for k in range(b):
            total += left_real[k] * left_real[k] + left_imaginary[k] * left_imaginary[k]
            residual[row, k] = complex(left_real[k] / root[k], left_imaginary[k] / root[k])
        for p in range(m):
            j = which[p]
            total += precision[j] * (scale[row, j] - centre[row, j]) ** 2
            own_real, own_imaginary = shape_real[p], shape_imaginary[p]
            along = 0.0
            for k in range(b):
                along += own_real[k] * left_real[k] + own_imaginary[k] * left_imaginary[k]
            projection[row, j] = along
        loss[row] = total


@compiled(
    "(complex128[:, ::1], complex128[::1], float64, int64, float64[:, ::1], float64[:, ::1], float64)",
    sums=True,
)
def add_potential(
    spectrum: ComplexArray,
    template: ComplexArray,
    step: float,
    column: int,
    delay: FloatArray,
    size: FloatArray,
    sign: float,
) -> None:
    """Add a potential to every sweep, (n, b), or take it off, in place.

    Parameters
    ----------
    template : (b,), step : float
        Angular frequency of the first bin, rad/µs.
    column : int
        Of `delay`, `size`, (n, f).
    sign : float
        1 or −1.
    """
    b = template.size
    turn_real, turn_imaginary = np.empty(b), np.empty(b)
    real, imaginary = np.empty(b), np.empty(b)
    for k in range(b):
        real[k], imaginary[k] = template[k].real, template[k].imag
    for row in range(spectrum.shape[0]):
        scale = sign * size[row, column]
        if scale == 0.0:
            continue
        _turn(-step * delay[row, column], turn_real, turn_imaginary)
        for k in range(b):
            spectrum[row, k] += complex(
                scale * (turn_real[k] * real[k] - turn_imaginary[k] * imaginary[k]),
                scale * (turn_real[k] * imaginary[k] + turn_imaginary[k] * real[k]),
            )


@compiled(
    "(float64[:, ::1], float64[::1], float64[::1], float64, float64, float64, int64, boolean[:, ::1], "
    "float64[:, ::1], float64[:, ::1])"
)
def pick_delays(
    output: FloatArray,
    grid_us: FloatArray,
    log_prior: FloatArray,
    energy: float,
    precision: float,
    least: float,
    column: int,
    wanted: BoolArray,
    delay: FloatArray,
    size: FloatArray,
) -> None:
    """The most probable delay on the grid and its amplitude, in one column of `delay` and `size`, (n, f).

    Parameters
    ----------
    output : (n, g)
        Matched output of the potential at every delay of the grid.
    grid_us, log_prior : (g,)
    energy, precision : float
        Of the potential, and of the prior of its amplitude about 1.
    least : float
        Below this amplitude, or where it is not wanted, (n, f), it is 0.
    """
    share = 0.5 / (energy + precision)
    for row in range(output.shape[0]):
        best, most = 0, -np.inf
        for k in range(grid_us.size):
            pull = max(output[row, k] + precision, 0.0)
            score = pull * pull * share + log_prior[k]
            if score > most:
                best, most = k, score
        amplitude = max(output[row, best] + precision, 0.0) / (energy + precision)
        delay[row, column] = grid_us[best]
        size[row, column] = amplitude if wanted[row, column] and amplitude >= least else 0.0


@compiled("(complex128[:, ::1], float64[::1], float64[::1])", sums=True)
def left_over(residual: ComplexArray, power: FloatArray, left: FloatArray) -> None:
    """Mean over the bins of the power of a residual, (n, b), over that of noise, (b,): to `left`, (n,)."""
    n, b = residual.shape
    share = 1.0 / (power * b)
    for row in range(n):
        total = 0.0
        for k in range(b):
            total += (residual[row, k].real ** 2 + residual[row, k].imag ** 2) * share[k]
        left[row] = total


@compiled(
    "(complex128[:, ::1], float64, float64[:, ::1], float64[:, ::1], float64[:, :, ::1], complex128[:, :, ::1], "
    "complex128[:, ::1])",
    sums=True,
)
def sum_products(
    spectrum: ComplexArray,
    step: float,
    delay: FloatArray,
    scale: FloatArray,
    covariance: FloatArray,
    normal: ComplexArray,
    right: ComplexArray,
) -> None:
    """What the least squares of templates need of all sweeps, expectations where delays and amplitudes are uncertain.

    For Gaussian errors E a·exp(iωd) = exp(iωd − ω²v/2)·(a + iωc), v the variance of d, c its covariance with a; for two
    amplitudes (a + iωc)(a' + iωc') + cov(a, a'). Without the covariances the templates of neighbours drift into each
    other.

    Parameters
    ----------
    spectrum : (n, b)
    step : float
        Angular frequency of the first bin, rad/µs.
    delay, scale : (n, f)
        Scale 0 where a fibre is absent.
    covariance : (n, 2f, 2f), or (0, 2f, 2f) where delays and amplitudes are taken as certain
        Of the errors of delays, then amplitudes.
    normal : (b, f, f), right : (b, f)
        Zeros, filled.
    """
    n, f = delay.shape
    b = spectrum.shape[1]
    is_certain = covariance.shape[0] == 0
    turn_real, turn_imaginary = np.empty((f, b)), np.empty((f, b))
    sum_real, sum_imaginary = np.zeros((f, b)), np.zeros((f, b))
    pair_real, pair_imaginary = np.zeros((f * f, b)), np.zeros((f * f, b))
    power = np.zeros(f)
    fade = np.empty(b)
    real, imaginary = np.empty(b), np.empty(b)
    for row in range(n):
        for k in range(b):
            real[k], imaginary[k] = spectrum[row, k].real, spectrum[row, k].imag
        for i in range(f):
            a = scale[row, i]
            if a == 0.0:
                continue
            own_real, own_imaginary = turn_real[i], turn_imaginary[i]
            _turn(-step * delay[row, i], own_real, own_imaginary)
            cross, variance = 0.0, 0.0
            power[i] += a * a
            if not is_certain:
                cross, variance = covariance[row, i, f + i], covariance[row, i, i]
                power[i] += covariance[row, f + i, f + i]
            _fade(0.5 * variance * step * step, fade)
            into_real, into_imaginary = sum_real[i], sum_imaginary[i]
            for k in range(b):
                lean = cross * step * (k + 1.0)
                # Conjugate of the phase times the size.
                size_real = fade[k] * (own_real[k] * a + own_imaginary[k] * lean)
                size_imaginary = fade[k] * (own_real[k] * lean - own_imaginary[k] * a)
                into_real[k] += size_real * real[k] - size_imaginary * imaginary[k]
                into_imaginary[k] += size_real * imaginary[k] + size_imaginary * real[k]
            for j in range(i):
                other = scale[row, j]
                if other == 0.0:
                    continue
                own, its, both, apart = 0.0, 0.0, 0.0, 0.0
                if not is_certain:
                    own = covariance[row, f + i, i] - covariance[row, f + i, j]
                    its = covariance[row, f + j, i] - covariance[row, f + j, j]
                    both = covariance[row, f + i, f + j]
                    apart = variance + covariance[row, j, j] - 2.0 * covariance[row, i, j]
                _fade(0.5 * apart * step * step, fade)
                near_real, near_imaginary = turn_real[j], turn_imaginary[j]
                into_real, into_imaginary = pair_real[i * f + j], pair_imaginary[i * f + j]
                for k in range(b):
                    omega = step * (k + 1.0)
                    size_real = fade[k] * (a * other - own * its * omega * omega + both)
                    size_imaginary = fade[k] * omega * (a * its + own * other)
                    phase_real = own_real[k] * near_real[k] + own_imaginary[k] * near_imaginary[k]
                    phase_imaginary = own_real[k] * near_imaginary[k] - own_imaginary[k] * near_real[k]
                    into_real[k] += phase_real * size_real - phase_imaginary * size_imaginary
                    into_imaginary[k] += phase_real * size_imaginary + phase_imaginary * size_real
    for k in range(b):
        for i in range(f):
            right[k, i] = complex(sum_real[i, k], sum_imaginary[i, k])
            normal[k, i, i] = power[i]
            for j in range(i):
                normal[k, i, j] = complex(pair_real[i * f + j, k], pair_imaginary[i * f + j, k])
                normal[k, j, i] = complex(pair_real[i * f + j, k], -pair_imaginary[i * f + j, k])
