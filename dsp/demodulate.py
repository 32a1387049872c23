"""From complex channel samples to what they carry: instantaneous frequency (FM), modulation depth (AM).

Nothing here filters or makes audio; `dsp.audio` does. Nothing here decides whether a carrier is there.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, RealSamples

Rows = NDArray[np.intp]

#: The phase step from sample n - 1 to n is the mean frequency between them: it belongs half a sample early.
FM_DELAY_SAMPLES = Fraction(1, 2)

# acos(c) / sqrt(1 - c²) on 0 <= c <= 1 as A + B0 / (c + Q0) + B1 / (c + Q1). The function is of Stieltjes'
# kind (its only singularities are a cut from -1 downwards), so few poles go far: the least-maximum fit with
# the value at c = 0 held at pi/2 leaves 5.1e-7 rad (computed by repeated reweighted least squares).
_A = 0.09346041090535939
_B = (1.0209006967393692, 1.6972349366608699)
_Q = (1.1227754354674473, 2.9877180154258545)

_SIGN_BIT = np.uint32(0x8000_0000)
# Five work planes of this many float32 stay in a 1 MB cache; smaller ones drown in call overhead.
_CHUNK_SAMPLES = 32768
# |z(n) z(n-1)| of two samples just under -180 dBFS each; squares of less leave float32's normal range.
_LEAST_PRODUCT = 5e-19


def instantaneous_frequency(
    samples: ComplexSamples,
    previous: ComplexSamples,
    sample_rate_hz: Fraction | float,
    out: RealSamples | None = None,
    pair_power: RealSamples | None = None,
) -> RealSamples:
    """Frequency of each sample against the one before it, for many channels at once.

    f(n) = rate / (2 pi) * arg(z(n) conj z(n-1))

    Parameters
    ----------
    samples : ndarray of complex64, shape (rows, m)
        Any magnitude from -180 dBFS up; the result does not depend on it.
    previous : ndarray of complex64, shape (rows,)
        The sample just before `samples[:, 0]`, one a row; 0 where there is none.
    sample_rate_hz : Fraction or float
        Of `samples`.
    out : ndarray of float32, shape (rows, m), optional
        Where the frequencies go.
    pair_power : ndarray of float32, shape (rows, m), optional
        Where |z(n) z(n-1)|² goes, which the work yields anyway: the weight that each frequency deserves.

    Returns
    -------
    ndarray of float32, shape (rows, m)
        Hz, in -rate/2 to rate/2. Two samples of which one is zero (or whose product lies under -360 dBFS)
        give 0 Hz. A non-finite sample gives non-finite frequencies beside it and nowhere else.

    Raises
    ------
    ValueError
        The shapes do not fit each other, or the rate is not positive.
    TypeError
        `samples` or `previous` is not complex64.

    Notes
    -----
    Error at most 1e-6 rad (2.5 mHz at 16 kHz): half of it the fit above, the rest float32 rounding. A wave
    of constant phase gives exactly 0. The value stands half a sample before its sample
    (`FM_DELAY_SAMPLES`), and averaging over the step multiplies a modulating tone f by sinc(f / rate):
    `dsp.audio` takes both off.

    Examples
    --------
    >>> import numpy as np
    >>> wave = np.exp(2j * np.pi * 1000 * np.arange(5) / 16000).astype(np.complex64)
    >>> instantaneous_frequency(wave[None, 1:], wave[:1], 16000.0).round(2)
    array([[1000., 1000., 1000., 1000.]], dtype=float32)
    """
    if samples.dtype != np.complex64 or previous.dtype != np.complex64:
        raise TypeError(f"samples are {samples.dtype}, previous {previous.dtype}; both must be complex64")
    if samples.ndim != 2 or previous.shape != samples.shape[:1]:
        raise ValueError(
            f"samples have shape {samples.shape} and previous {previous.shape}; "
            "they must be (rows, m) and (rows,)"
        )
    if not sample_rate_hz > 0:
        raise ValueError(f"sample_rate_hz is {sample_rate_hz}; it must be positive")
    if out is None:
        out = np.empty(samples.shape, np.float32)
    for name, given in (("out", out), ("pair_power", pair_power)):
        if given is not None and (given.shape != samples.shape or given.dtype != np.float32):
            raise ValueError(f"{name} is {given.dtype} {given.shape}; it must be float32 {samples.shape}")

    rows, m = samples.shape
    if rows == 0 or m == 0:
        return out
    columns = min(m, _CHUNK_SAMPLES)
    group = max(1, min(rows, _CHUNK_SAMPLES // columns))
    planes = np.empty((5, group * (columns + 1)), np.float32)
    hz_per_radian = float(sample_rate_hz) / (2 * np.pi)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
        for row in range(0, rows, group):
            span = slice(row, min(row + group, rows))
            before = previous[span]
            for column in range(0, m, columns):
                part = (span, slice(column, column + columns))
                piece = samples[part]
                power = None if pair_power is None else pair_power[part]
                _phase_steps(piece, before, hz_per_radian, planes, out[part], pair_power=power)
                before = piece[:, -1]
    return out


def _phase_steps(
    samples: ComplexSamples,
    previous: ComplexSamples,
    unit: float,
    planes: NDArray[np.float32],
    out: RealSamples,
    *,
    pair_power: RealSamples | None,
) -> None:
    """Write arg(z(n) conj z(n-1)) times `unit` to `out`, and the square of its magnitude to `pair_power`.

    `planes` is work space of shape (5, at least rows * (m + 1)). The angle of x + iy is counted from the
    imaginary axis, psi = atan2(x, |y|), because it then needs no look at the sign of x: the wanted angle is
    pi/2 - psi with the sign of y. With c = |y| / r, psi is x / r times the fitted function of c.
    """
    rows, m = samples.shape
    used = rows * (m + 1)
    re, im, x, y, r = (plane[:used] for plane in planes)
    # Real and imaginary parts apart, each row led by its previous sample: from here on every step is one flat
    # pass. At the seams between rows the flat shift pairs strangers; that column is never read.
    re_rows, im_rows = re.reshape(rows, m + 1), im.reshape(rows, m + 1)
    re_rows[:, 0], im_rows[:, 0] = previous.real, previous.imag
    re_rows[:, 1:], im_rows[:, 1:] = samples.real, samples.imag
    re_now, re_then, im_now, im_then = re[1:], re[:-1], im[1:], im[:-1]
    x, y, r = x[1:], y[1:], r[1:]

    np.multiply(re_now, re_then, out=x)
    np.multiply(im_now, im_then, out=r)
    np.add(x, r, out=x)
    np.multiply(im_now, re_then, out=y)
    np.multiply(re_now, im_then, out=r)
    np.subtract(y, r, out=y)

    p, c = re[:-1], im[:-1]  # the parts are used up: their planes serve again
    np.multiply(x, x, out=r)
    np.multiply(y, y, out=p)
    np.add(r, p, out=r)
    if pair_power is not None:
        pair_power[...] = planes[4, :used].reshape(rows, m + 1)[:, 1:]
    np.sqrt(r, out=r)
    faint = r < _LEAST_PRODUCT if not r.min() >= _LEAST_PRODUCT else None

    a, b0, b1 = np.float32(_A * unit), np.float32(_B[0] * unit), np.float32(_B[1] * unit)
    q0, q1 = np.float32(_Q[0]), np.float32(_Q[1])
    # pi/2 rounded as the passes below round it at c = 0, so that a wave of constant phase gives exactly 0
    quarter = np.float32(np.float32(b0 / q0 + b1 / q1) + a)

    np.abs(y, out=c)
    np.divide(c, r, out=c)
    np.divide(x, r, out=x)
    np.add(c, q0, out=p)
    np.divide(b0, p, out=p)
    np.add(c, q1, out=c)
    np.divide(b1, c, out=c)
    np.add(p, c, out=p)
    np.add(p, a, out=p)
    np.multiply(p, x, out=p)
    np.subtract(quarter, p, out=p)
    if faint is not None:
        p[faint] = 0.0
    sign = y.view(np.uint32)
    np.bitwise_and(sign, _SIGN_BIT, out=sign)
    bits = p.view(np.uint32)
    np.bitwise_or(bits, sign, out=bits)
    out[...] = re_rows[:, :-1]


class AmDetector:
    """Modulation depth of amplitude-modulated channels: (envelope - carrier) / carrier.

    Parameters
    ----------
    sample_rate_hz : Fraction or float
    rows : int
        How many channels have a place here.
    carrier_time_s : float
        Time constant of the carrier's average. 0.15 s: a 300 Hz tone moves it by 0.35 % of its depth, and
        a fade of a second is followed. Common practice, no source.

    Notes
    -----
    Causal; `delay_samples` is 0. The carrier starts as the plain mean of the envelope since the row's first
    sample and turns into the slow average when that mean is one time constant long, so the first samples do
    not thump. The envelope of a carrier modulated by 100 % reaches twice the carrier; one sample beyond four
    times it (in noise alone once in 290,000, by Rayleigh's law) means that a stronger carrier rose, and the
    average begins anew there. `reset()` forgets carriers.

    Examples
    --------
    >>> import numpy as np
    >>> tone = 0.1 * (1 + 0.5 * np.sin(2 * np.pi * 1000 * np.arange(16000) / 16000))
    >>> depth = AmDetector(16000.0, rows=1).push(tone[None].astype(np.complex64), np.array([0]))
    >>> float(depth.max().round(2))
    0.5
    """

    delay_samples = 0
    _RISE = 4.0
    _LEAST_CARRIER = 1e-15  # -300 dBFS: only so that silence divides to 0

    def __init__(self, sample_rate_hz: Fraction | float, rows: int, carrier_time_s: float = 0.15) -> None:
        settled = round(float(sample_rate_hz) * carrier_time_s)
        if settled < 1:
            raise ValueError(
                f"sample_rate_hz {sample_rate_hz} times carrier_time_s {carrier_time_s} "
                "is less than one sample; it must be at least one"
            )
        if rows < 1:
            raise ValueError(f"rows is {rows}; it must be at least 1")
        self._settled = settled
        self._alpha = 1.0 / settled
        self._carrier = np.zeros(rows)
        self._count = np.zeros(rows, np.int64)  # samples in the running mean, up to `_settled`

    def reset(self, rows: Rows | None = None) -> None:
        """Forget the carrier of the given rows, or of all."""
        chosen = slice(None) if rows is None else rows
        self._carrier[chosen] = 0.0
        self._count[chosen] = 0

    def push(self, samples: ComplexSamples, rows: Rows) -> RealSamples:
        """Modulation depth of the next samples of the given rows.

        Parameters
        ----------
        samples : ndarray of complex64, shape (n, m)
        rows : ndarray of intp, shape (n,)
            The places of the n channels, each at most once.

        Returns
        -------
        ndarray of float32, shape (n, m)
            0 is the bare carrier, -1 to 1 the range of a carrier modulated by 100 %. Zeros in give zeros out.

        Raises
        ------
        ValueError
            `rows` does not fit `samples`.
        """
        if samples.ndim != 2 or rows.shape != samples.shape[:1]:
            raise ValueError(
                f"samples have shape {samples.shape} and rows {rows.shape}; they must be (n, m) and (n,)"
            )
        envelope = np.abs(samples)
        if envelope.size == 0:
            return envelope
        state = self._carrier[rows]
        carrier64, _ = scipy.signal.lfilter(
            [self._alpha],
            [1.0, self._alpha - 1.0],
            envelope,
            axis=-1,
            zi=((1.0 - self._alpha) * state)[:, None],
        )
        carrier = carrier64.astype(np.float32)
        risen = (envelope > self._RISE * carrier).any(axis=-1)
        self._carrier[rows] = carrier64[:, -1]
        for n in np.flatnonzero(risen | (self._count[rows] < self._settled)):
            self._follow_start(envelope[n], carrier[n], int(rows[n]), float(state[n]))
        np.subtract(envelope, carrier, out=envelope)
        np.maximum(carrier, np.float32(self._LEAST_CARRIER), out=carrier)
        np.divide(envelope, carrier, out=envelope)
        return envelope

    def _follow_start(self, envelope: RealSamples, carrier: RealSamples, row: int, state: float) -> None:
        """Write the carrier of one row whose average is young or begins anew within these samples."""
        count, mean, at = int(self._count[row]), state, 0
        m = len(envelope)
        while at < m:
            stop = min(m, at + self._settled - count) if count < self._settled else m
            piece = envelope[at:stop].astype(np.float64)
            if count < self._settled:
                total = np.cumsum(np.concatenate(([mean * count + piece[0]], piece[1:])))
                line = total / np.arange(count + 1, count + 1 + len(piece))
            else:
                line, _ = scipy.signal.lfilter(
                    [self._alpha], [1.0, self._alpha - 1.0], piece, zi=[(1.0 - self._alpha) * mean]
                )
            beyond = np.flatnonzero(piece > self._RISE * line)
            # A running mean that holds the sample itself is never exceeded fourfold by a first sample.
            taken = int(beyond[0]) if len(beyond) else len(piece)
            carrier[at : at + taken] = line[:taken]
            if taken:
                mean = float(line[taken - 1])
                count = min(count + taken, self._settled)
            if len(beyond):
                count, mean = 0, 0.0
            at += taken
        self._carrier[row], self._count[row] = mean, count
