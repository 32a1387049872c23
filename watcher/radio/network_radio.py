"""A networked RTL-SDR, for an antenna far from the desk, as a live radio.

The protocol has no login and no encryption and takes 38 Mbit/s at 2.4 MS/s: keep it on a network of your own
or inside a tunnel. It tells no loss; what the far end drops is found by the clock alone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime

from watcher.errors import RadioError
from watcher.radio import network_link as link
from watcher.radio.clocks import running_s, utc_now
from watcher.radio.gain_choice import GainStep, choose_gain, quantising_floor_dbfs_hz
from watcher.radio.gain_sweep import KeptGains, measure_step
from watcher.radio.live import RadioLost
from watcher.radio.network_link import NetworkLink
from watcher.radio.ring_stream import STALL_S, Ending, RingStream, block_bytes_for, ring_for
from watcher.radio.rtlsdr_settings import RtlSdrSettings
from watcher.radio.sample_formats import CU8

SETTLE_S = 0.3
"""After a command: what is still under way was received before it. A local network's delay with plenty to
spare; the protocol has no way to ask."""

LOOK_S = 10.0
"""How long the network may hold samples back before they count as lost."""

GAINS_DB = {
    # Of the commonest tuner, kind 5 in the greeting, as its driver lists them.
    (5, 29): (
        *(0.0, 0.9, 1.4, 2.7, 3.7, 7.7, 8.7, 12.5, 14.4, 15.7, 16.6, 19.7, 20.7, 22.9, 25.4),
        *(28.0, 29.7, 32.8, 33.8, 36.4, 37.2, 38.6, 40.2, 42.1, 43.4, 43.9, 44.5, 48.0, 49.6),
    )
}


class NetworkRadio:
    """A :class:`~watcher.radio.live.LiveRadio` over a connection; whoever stands the watch connects again.

    Parameters
    ----------
    settings : RtlSdrSettings
    host, port : str, int
    settle_s : float
        From a command to the first samples believed to be taken after it.
    stall_s : float
        Silence after which the radio counts as stalled.
    greeted_within_s : float
        Longest wait for the far end to answer.
    clock, now : callable
        Seconds that never step; the system clock.
    """

    def __init__(
        self,
        settings: RtlSdrSettings,
        host: str,
        port: int,
        *,
        settle_s: float = SETTLE_S,
        stall_s: float = STALL_S,
        greeted_within_s: float = link.GREETED_WITHIN_S,
        clock: Callable[[], float] = running_s,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self._settings = settings
        self._host = host
        self._port = port
        self._settle_s = settle_s
        self._stall_s = stall_s
        self._greeted_within_s = greeted_within_s
        self._clock = clock
        self._now = now
        self._block_bytes = block_bytes_for(settings.sample_rate_hz, CU8.sample_bytes)
        self._link: NetworkLink | None = None
        self._stream: RingStream | None = None
        self._kept_gains = KeptGains(clock)
        self._notes: list[str] = []

    @property
    def label(self) -> str:
        """Kind and address."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"networked RTL-SDR at {host}:{self._port}"

    def open(self) -> None:
        """Connect, and set what does not change with the frequency.

        Raises
        ------
        RadioLost
            It cannot be reached or does not greet.
        RadioError
            What answers is no networked RTL-SDR.
        """
        if self._link is not None:
            return
        self._link = NetworkLink(self._host, self._port, self.label, self._block_bytes, self._clock)
        try:
            self._link.wait_for_greeting(self._greeted_within_s)
            self._configure(self._link)
        except BaseException:
            self.close()
            raise

    def tune(self, centre_hz: int) -> RingStream:
        """Begin a stream around a frequency; where the gain is "auto" and not yet known there, choose it
        first.

        Raises
        ------
        RadioLost
            The connection is gone. A frequency that the far end refuses cannot be seen.
        RadioError
            The frequency does not fit into a command.
        """
        if not 0 < centre_hz < 2**32:
            raise RadioError(
                f"{self.label}: {centre_hz} Hz cannot be tuned; it must be between 1 and {2**32 - 1}"
            )
        opened = self._opened()
        self._end_stream()
        opened.send(link.SET_CENTRE, centre_hz)
        if self._settings.gain_db == "auto" and self._settings.direct_sampling == "off" and opened.gains:
            self._choose_gain(opened, centre_hz)
        return self._begin(opened, centre_hz)

    def close(self) -> None:
        """End the connection; never fails, may be called twice."""
        self._end_stream()
        opened, self._link = self._link, None
        if opened is None:
            return
        if self._settings.bias_tee:
            try:
                opened.send(link.SET_BIAS_TEE, 0)
            except RadioLost as gone:
                self._notes.append(f"{gone}; its antenna supply may still be on")
        opened.close()

    def notes(self) -> list[str]:
        """Sentences since the last call; about a stream, once it has ended."""
        told, self._notes = self._notes, []
        return told

    def _opened(self) -> NetworkLink:
        if self._link is None:
            raise RadioLost(f"{self.label} is not open; open it again")
        return self._link

    def _configure(self, opened: NetworkLink) -> None:
        settings = self._settings
        opened.send(link.SET_DIRECT_SAMPLING, {"off": 0, "i": 1, "q": 2}[settings.direct_sampling])
        opened.send(link.SET_RATE, settings.sample_rate_hz)
        if settings.driver_ppm:
            opened.send(link.SET_PPM, settings.driver_ppm)
        opened.send(link.SET_CONVERTER_AGC, 0)
        by_hand = settings.gain_db != "auto" or opened.gains > 0
        opened.send(link.SET_GAIN_BY_HAND, int(by_hand))
        if settings.gain_db != "auto":
            opened.send(link.SET_GAIN, round(settings.gain_db * 10))
        elif not by_hand:
            self._notes.append(f"{self.label} names no gains; its own gain control is left on: give gain_db")
        opened.send(link.SET_BIAS_TEE, int(settings.bias_tee))

    def _begin(self, opened: NetworkLink, centre_hz: int) -> RingStream:
        rate_hz = self._settings.sample_rate_hz
        ending = Ending(threading.Event())
        ring = ring_for(rate_hz, CU8.sample_bytes, self._block_bytes)
        block_samples = self._block_bytes // CU8.sample_bytes
        self._stream = RingStream(
            ring,
            CU8,
            sample_rate_hz=rate_hz,
            centre_hz=centre_hz,
            label=self.label,
            ending=ending,
            end=lambda: opened.detach(ring),
            least_loss_samples=block_samples,
            look_blocks=round(LOOK_S * rate_hz / block_samples),
            stall_s=self._stall_s + self._settle_s,
            clock=self._clock,
            now=self._now,
        )
        opened.attach(ring, ending, self._settle_s)
        return self._stream

    def _end_stream(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.stop()
            self._notes += stream.notes()
            self._kept_gains.forget_if_clipped(stream.clipped_share)

    def _choose_gain(self, opened: NetworkLink, centre_hz: int) -> None:
        index = self._kept_gains.at(centre_hz)
        if index is None:
            in_db = GAINS_DB.get((opened.tuner, opened.gains))
            names = [f"step {step} of {opened.gains}" for step in range(1, opened.gains + 1)]
            if in_db is not None:
                names = [f"{gain_db:g} dB" for gain_db in in_db]

            def measure(step: int) -> GainStep:
                opened.send(link.SET_GAIN_INDEX, step)
                stream = self._begin(opened, centre_hz)  # begins once the command has settled
                try:
                    return measure_step(stream, self.label, settle_s=0.0)
                finally:
                    stream.stop()
                    self._stream = None

            choice = choose_gain(names, measure, quantising_floor_dbfs_hz(8, self._settings.sample_rate_hz))
            index = choice.index
            if self._kept_gains.keep(centre_hz, index):
                self._notes.append(
                    f"{self.label}: gain {names[index]} is set at {centre_hz / 1e6:.3f} MHz: {choice.why}"
                )
        opened.send(link.SET_GAIN_INDEX, index)
