"""A radio and a clock for tests of the standing watch: time passes as samples are read, and not otherwise.

The air is a scene of `dsp.modulate` around one centre; the radio cuts what its tuning can hear out of it and
fails when it is told to.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from watcher.radio.live import RadioLost, StreamFacts

BEGAN_UTC = datetime(2031, 5, 4, 2, 58, tzinfo=UTC)


@dataclass(eq=False)
class PassingClock:
    """Time that passes when somebody waits or a radio is read."""

    now_s: float = 0.0
    step_s: float = 0.0  # by which the wall clock has been set forward or back

    def utc(self) -> datetime:
        return BEGAN_UTC + timedelta(seconds=self.now_s + self.step_s)

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, event: threading.Event, seconds: float) -> bool:
        if not event.is_set():
            self.now_s += max(seconds, 1e-3)
        return event.is_set()


Air = Callable[[int, int, float, int], NDArray[np.complex64]]
"""From centre, rate, the second it begins at and how many samples to samples."""


@dataclass(frozen=True)
class Fault:
    """Something that happens to the radio at a second of the clock.

    `kind` is "gone" (unplugged until `until_s`), "loss" (samples are lost for `seconds`), "stall".
    """

    at_s: float
    kind: str
    until_s: float = 0.0
    seconds: float = 0.0


@dataclass(eq=False)
class AirRadio:
    """A radio of tests that obeys `watcher.radio.live.LiveRadio`."""

    clock: PassingClock
    air: Air
    rate_hz: int
    faults: tuple[Fault, ...] = ()
    block_s: float = 0.1
    tune_s: float = 0.15
    label: str = "test radio"
    opened: int = 0
    closed: int = 0
    is_open: bool = False
    said: list[str] = field(default_factory=list)

    def gone(self) -> Fault | None:
        now_s = self.clock.now_s
        return next(
            (f for f in self.faults if f.kind in {"gone", "stall"} and f.at_s <= now_s < f.until_s), None
        )

    def open(self) -> None:
        assert not self.is_open
        if self.gone():
            raise RadioLost("the test radio is not there; plug it in")
        self.is_open = True
        self.opened += 1

    def tune(self, centre_hz: int) -> AirStream:
        assert self.is_open, "a closed radio was tuned"
        if self.gone():
            raise RadioLost("the test radio went away; plug it in")
        self.clock.now_s += self.tune_s
        return AirStream(self, centre_hz)

    def close(self) -> None:
        self.closed += self.is_open
        self.is_open = False

    def notes(self) -> list[str]:
        said, self.said = self.said, []
        return said


class AirStream:
    """One tuning of it."""

    def __init__(self, radio: AirRadio, centre_hz: int) -> None:
        self._radio = radio
        self._began_s = radio.clock.now_s
        self._next = 0
        self._lost: set[Fault] = set()
        self._over = False
        self.facts = StreamFacts(radio.clock.utc(), radio.rate_hz, centre_hz)

    def read(self, timeout_s: float) -> IqBlock | None:
        radio, clock = self._radio, self._radio.clock
        assert radio.is_open and not self._over, "a stream that is over was read"
        count = round(radio.block_s * radio.rate_hz)
        if fault := radio.gone():
            if fault.kind == "stall" and clock.now_s < fault.at_s + 2.0:
                clock.now_s += timeout_s
                return None
            raise RadioLost("the test radio went away; plug it in")
        lost = 0
        for each in radio.faults:
            if each.kind == "loss" and each.at_s <= clock.now_s and each not in self._lost:
                self._lost.add(each)
                if each.at_s > self._began_s:
                    lost = round(each.seconds * radio.rate_hz)
                    clock.now_s += each.seconds
        clock.now_s += radio.block_s
        first = self._next + lost
        self._next = first + count
        samples = radio.air(self.facts.centre_hz, radio.rate_hz, self._began_s + first / radio.rate_hz, count)
        return IqBlock(samples, first, radio.rate_hz, self.facts.centre_hz, lost_before=lost)

    def stop(self) -> None:
        self._over = True


@dataclass(eq=False)
class TonesInNoise:
    """Air in which FM stations talk at set times: a phase-modulated carrier each, exact at any instant."""

    stations: tuple[tuple[int, float, float], ...]  # frequency in Hz, second it comes up, second it falls
    snr_amplitude: float = 0.2
    seed: int = 3

    def __call__(self, centre_hz: int, rate_hz: int, start_s: float, count: int) -> NDArray[np.complex64]:
        rng = np.random.default_rng([self.seed, int(start_s * 1000) % 2**31])
        noise = rng.normal(scale=0.02, size=(2, count)).astype(np.float32)
        samples = (noise[0] + 1j * noise[1]).astype(np.complex64)
        t = start_s + np.arange(count) / rate_hz
        for frequency_hz, up_s, down_s in self.stations:
            if abs(frequency_hz - centre_hz) > 0.45 * rate_hz:
                continue
            on = (t >= up_s) & (t < down_s)
            if on.any():
                swing = 1.5 * np.sin(2 * np.pi * 700 * t) + 0.8 * np.sin(2 * np.pi * 431 * t)
                turns = ((frequency_hz - centre_hz) * t) % 1.0
                carrier = np.exp(2j * np.pi * turns + 1j * swing).astype(np.complex64)
                samples += np.where(on, np.float32(self.snr_amplitude) * carrier, 0)
        return samples
