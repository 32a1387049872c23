"""Run by test_spectra_kill.py in a process of its own: keeps spectra without end, until it is killed.

usage: spectra_killer.py FOLDER HOUR
"""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import numpy as np

from dsp.channelizer import FRAMES_PER_SLICE
from dsp.filter_bank_design import CELL_BINS, shape_for_rate
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ
from watcher.receive.spectra import SpectrumPicture, SpectrumStore
from watcher.receive.stream_clock import StreamClock

RATE_HZ = 2_400_000


def main() -> None:
    folder, hour = Path(sys.argv[1]), int(sys.argv[2])
    shape = shape_for_rate(RATE_HZ)
    picture = SpectrumPicture(SpectrumStore(folder), shape, CENTRE_HZ, CENTRE_HZ)
    picture.begin(StreamClock(BEGAN_UTC + timedelta(hours=hour), RATE_HZ, 0, shape.hop_samples))
    rng = np.random.default_rng(hour)
    drawn = rng.exponential(1e-6, (FRAMES_PER_SLICE, shape.fft_length // CELL_BINS)).astype(np.float32)
    while True:
        picture.take(drawn)


if __name__ == "__main__":
    main()
