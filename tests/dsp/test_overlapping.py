"""Overlapping windows are those of numpy, without a copy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.lib.stride_tricks import sliding_window_view

from dsp.overlapping import overlapping


@given(st.integers(0, 200), st.integers(1, 40), st.integers(1, 50), st.sampled_from(["f4", "c8", "i2"]))
def test_windows_are_those_of_numpy(count: int, length: int, hop: int, kind: str) -> None:
    samples = np.arange(count).astype(kind)
    windows = overlapping(samples, length, hop)
    if count < length:
        assert windows.shape == (0, length)
        return
    np.testing.assert_array_equal(windows, sliding_window_view(samples, length)[::hop])
    assert np.shares_memory(windows, samples)
    assert not windows.flags.writeable
    assert samples.flags.writeable


def test_samples_that_lie_apart_are_refused() -> None:
    with pytest.raises(ValueError, match="contiguous"):
        overlapping(np.arange(20)[::2], 4, 2)
    with pytest.raises(ValueError, match="hop 0"):
        overlapping(np.arange(20), 4, 0)
