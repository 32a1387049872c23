"""A narrower span around another centre, cut out of a wider stream."""

from __future__ import annotations

import numpy as np
import scipy.signal

from dsp.blocks import ComplexSamples

STOPBAND_DB = 80.0
FLAT_SHARE = 0.8  # of the new span; what lies beyond falls off, and nothing folds over
_HALF_TAPS_PER_STEP = 26  # Kaiser's rule gives 25.1 for 80 dB over a tenth of the new rate


class SpanCut:
    """Shift, filter, and keep every `step`-th sample; filter delay is taken off.

    Parameters
    ----------
    sample_rate_hz : int
        Of the wide stream.
    offset_hz : int
        Of the new centre from the old one.
    step : int
        The new rate is `sample_rate_hz / step`; at least 2.

    Notes
    -----
    Output m shows the instant of input m × step. The filter is J. F. Kaiser's (1974): 80 dB of stop band from
    half of the new rate on. `reset` forgets everything but where the mixing oscillator stands.
    """

    def __init__(self, sample_rate_hz: int, offset_hz: int, step: int) -> None:
        if step < 2:
            raise ValueError(f"step is {step}; it must be at least 2")
        self._rate_hz = sample_rate_hz
        self._offset_hz = offset_hz
        self._step = step
        self._half = _HALF_TAPS_PER_STEP * step
        edge = (FLAT_SHARE + 1) / 2 / step  # the middle of the transition, in halves of the old rate
        self._taps = scipy.signal.firwin(
            2 * self._half + 1, edge, window=("kaiser", scipy.signal.kaiser_beta(STOPBAND_DB))
        ).astype(np.float32)
        self.reset()

    def reset(self) -> None:
        """Begin anew after samples were lost; the next block begins at a multiple of `step`."""
        self._kept = np.zeros(self._half, np.complex64)

    def push(self, samples: ComplexSamples, first_sample: int) -> ComplexSamples:
        """What became known with this block; about 26 output samples are known one block later.

        Parameters
        ----------
        samples : ndarray of complex64, shape (n,)
        first_sample : int
            Count of `samples[0]` at the wide rate.
        """
        # Whole numbers up to the last step: the phase stays exact however long the stream.
        turns = (np.arange(first_sample, first_sample + len(samples)) * -self._offset_hz) % self._rate_hz
        turned = samples * np.exp(2j * np.pi / self._rate_hz * turns).astype(np.complex64)
        kept = np.concatenate((self._kept, turned))
        count = max(0, (len(kept) - 2 * self._half - 1) // self._step + 1)
        whole = scipy.signal.upfirdn(self._taps, kept, down=self._step)
        start = 2 * self._half // self._step
        self._kept = kept[count * self._step :]
        return np.ascontiguousarray(whole[start : start + count], dtype=np.complex64)
