"""What the tests of the receiver share: listed channels, scenes sent through the chain, what came out.

The samples come from `dsp.modulate`, whose own truth is held to theory elsewhere (tests/checks).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from dsp.modulate import VOICE_RATE_HZ, Am, Audio, Ctcss, Emission, Fm, Modulation, Scene, voice
from watcher.errors import RadioError
from watcher.plan.model import Channel, Mode
from watcher.radio.source import Stretch
from watcher.receive.chain import ReceiveChain, Record
from watcher.receive.clips import ClipStore
from watcher.receive.records import Clip, Condition, EndedBy, Gap, Transmission, Watched

CENTRE_HZ = 146_520_000
BEGAN_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)


def listed(
    offset_hz: float, *, mode: Mode = "nfm", bandwidth_hz: int = 12_500, name: str = "", **more: Any
) -> Channel:
    """A listed channel this far from the scene's centre."""
    name = name or f"{mode} {offset_hz:+.0f}"
    frequency_hz = round(CENTRE_HZ + offset_hz)
    return Channel(name=name, frequency_hz=frequency_hz, mode=mode, bandwidth_hz=bandwidth_hz, **more)


@lru_cache(maxsize=16)
def spoken(seed: int = 1, seconds: float = 5.0) -> Audio:
    """A voice without long pauses that repeats itself."""
    made = voice(seconds=seconds, rng=np.random.default_rng(seed), pauses=False)
    return Audio(samples=made, rate_hz=VOICE_RATE_HZ, repeats=True)


def speech(
    seed: int = 1, *, deviation_hz: float = 2500.0, tone_hz: float | None = None, seconds: float = 5.0
) -> Fm:
    """Land-mobile FM as a hand-held sends it; `seconds` is how long the voice goes before it repeats."""
    tone = None if tone_hz is None else Ctcss(tone_hz=tone_hz)
    return Fm(audio=spoken(seed, seconds), deviation_limit_hz=deviation_hz, drive=4.0, tone=tone)


def call(
    channel: Channel,
    start_s: float,
    stop_s: float,
    cnr_db: float,
    *,
    modulation: Modulation | None = None,
    error_hz: float = 0.0,
    **more: Any,
) -> Emission:
    """One key-down on a channel, its ratio stated in the channel's pass band."""
    if modulation is None:
        modulation = (
            Am(audio=spoken())
            if channel.mode == "am"
            else speech(deviation_hz=channel.rated_deviation_hz or 0)
        )
    return Emission(
        start_s=start_s,
        stop_s=stop_s,
        offset_hz=channel.frequency_hz - CENTRE_HZ + error_hz,
        cnr_db=cnr_db,
        cnr_width_hz=channel.pass_band_hz,
        modulation=modulation,
        label=channel.name,
        **more,
    )


def scene(sample_rate_hz: int, seconds: float, *emissions: Emission, **more: Any) -> Scene:
    """A scene around the shared centre."""
    return Scene(
        sample_rate_hz=sample_rate_hz, seconds=seconds, emissions=emissions, centre_hz=CENTRE_HZ, **more
    )


@dataclass(frozen=True, eq=False)
class Heard:
    """The records of one run."""

    records: list[Record] = field(default_factory=list)

    @property
    def transmissions(self) -> list[Transmission]:
        """In order of start."""
        found = [r.transmission if isinstance(r, Clip) else r for r in self.records]
        return sorted((r for r in found if isinstance(r, Transmission)), key=lambda one: one.start_utc)

    def on(self, channel: Channel | str) -> list[Transmission]:
        """The transmissions of one channel."""
        name = channel if isinstance(channel, str) else channel.name
        return [one for one in self.transmissions if one.channel == name]

    @property
    def clips(self) -> list[Clip]:
        return sorted(
            (r for r in self.records if isinstance(r, Clip)), key=lambda c: c.transmission.start_utc
        )

    @property
    def gaps(self) -> list[Gap]:
        return [r for r in self.records if isinstance(r, Gap)]

    @property
    def conditions(self) -> list[Condition]:
        return [r for r in self.records if isinstance(r, Condition)]

    @property
    def watched(self) -> list[Watched]:
        return [r for r in self.records if isinstance(r, Watched)]

    def watched_on(self, channel: Channel) -> list[tuple[datetime, datetime]]:
        """The time a channel was watched, touching spans made one; overlaps are a mistake."""
        spans = sorted((w.start_utc, w.stop_utc) for w in self.watched if w.channel == channel.name)
        merged: list[tuple[datetime, datetime]] = []
        for start, stop in spans:
            assert not merged or start >= merged[-1][1], "time is told twice"
            if merged and start == merged[-1][1]:
                merged[-1] = (merged[-1][0], stop)
            else:
                merged.append((start, stop))
        return merged


def seconds_in(instant: datetime) -> float:
    """Seconds since the scene began."""
    return (instant - BEGAN_UTC).total_seconds()


def utc_at(seconds: float) -> datetime:
    """The instant so long after the scene began."""
    return BEGAN_UTC + timedelta(seconds=seconds)


def cut(
    samples: NDArray[np.complex64],
    sample_rate_hz: int,
    sizes: Iterable[int],
    lost: Sequence[tuple[int, int]] = (),
) -> Iterator[IqBlock]:
    """The samples in blocks of the given sizes (the last repeats), without the lost [first, stop) spans.

    Samples lost at the very end come as a last block that has none of its own, as sources do it.
    """
    endless = iter(sizes)
    size, at, missing = 1, 0, 0
    while at < len(samples):
        size = next(endless, size)
        inside = [stop for first, stop in lost if first <= at < stop]
        if inside:
            missing += inside[0] - at
            at = inside[0]
            continue
        stop = min([at + size, len(samples), *(first for first, _ in lost if first > at)])
        yield IqBlock(samples[at:stop].copy(), at, sample_rate_hz, CENTRE_HZ, lost_before=missing)
        at, missing = stop, 0
    if missing:
        yield IqBlock(np.empty(0, np.complex64), at, sample_rate_hz, CENTRE_HZ, lost_before=missing)


def receive(
    source: Scene | Iterable[IqBlock],
    channels: Sequence[Channel],
    *,
    sample_rate_hz: int | None = None,
    seed: int = 1,
    clips: ClipStore | MemoryClips | None = None,
    ended_by: EndedBy = EndedBy.END_OF_SAMPLES,
    **options: Any,
) -> Heard:
    """Everything the chain says about a scene or a row of blocks."""
    if isinstance(source, Scene):
        sample_rate_hz = source.sample_rate_hz
        source = source.blocks(np.random.default_rng(seed))
    assert sample_rate_hz is not None
    store = cast("ClipStore | None", clips)
    chain = ReceiveChain(channels, sample_rate_hz, CENTRE_HZ, BEGAN_UTC, store, **options)
    heard = Heard()
    for block in source:
        heard.records.extend(chain.push(block))
    heard.records.extend(chain.finish(ended_by))
    return heard


@dataclass(eq=False)
class MemoryClips:
    """Stands for the clip store: keeps the audio as it was written, before any levelling."""

    finished: list[MemoryClip] = field(default_factory=list)
    discarded: list[MemoryClip] = field(default_factory=list)
    opened: int = 0

    def open_clip(self, facts: Transmission) -> MemoryClip:
        self.opened += 1
        return MemoryClip(self, facts)

    def audio_of(self, channel: Channel) -> list[NDArray[np.int16]]:
        """The clips of one channel in the order in which they were finished."""
        return [clip.kept for clip in self.finished if clip.facts.channel == channel.name]


class MemoryClip:
    """One clip in memory."""

    def __init__(self, store: MemoryClips, facts: Transmission) -> None:
        self.store = store
        self.facts = facts
        self.audio = np.empty(0, np.int16)
        self.kept = self.audio
        self.carrier_frames = (0, 0)

    @property
    def frames(self) -> int:
        return len(self.audio)

    def write(self, audio: NDArray[np.int16]) -> None:
        self.audio = np.concatenate([self.audio, audio])

    def discard(self) -> None:
        self.store.discarded.append(self)

    def finish(
        self,
        transmission: Transmission,
        *,
        first_frame: int,
        last_frame: int,
        carrier_up_frame: int,
        carrier_down_frame: int,
        levelling: object = None,
    ) -> Clip:
        assert 0 <= first_frame < min(last_frame, len(self.audio))
        self.facts = transmission
        self.kept = self.audio[first_frame:last_frame]
        self.carrier_frames = (carrier_up_frame - first_frame, carrier_down_frame - first_frame)
        self.store.finished.append(self)
        return Clip(transmission, Path(f"{len(self.store.finished)}.flac"), "", len(self.kept))


def without_measures(one: Transmission) -> Transmission:
    """Channel, times and the like only."""
    return replace(
        one,
        snr_db=None,
        power_dbfs=None,
        frequency_error_hz=None,
        peak_deviation_hz=None,
        rms_deviation_hz=None,
        tone=None,
    )


@dataclass(eq=False)
class Recorded:
    """Stands for a recording: stretches of samples in memory, and a failure where one is wanted.

    `fails_at` is the count of blocks after which reading raises `failure`.
    """

    parts: list[tuple[datetime, int, NDArray[np.complex64]]]  # start, centre in Hz, samples
    sample_rate_hz: int = 48_000
    label: str = "night.wav"
    block_samples: int = 12_000
    lost: tuple[tuple[int, int], ...] = ()  # in the first stretch
    fails_at: int | None = None
    failure: Exception | None = None
    said: tuple[str, ...] = ()
    time_is_known: bool = True
    closed: bool = False
    blocks_given: int = 0

    def stretches(self) -> list[Stretch]:
        return [
            Stretch(start, self.time_is_known, self.sample_rate_hz, centre_hz, len(samples), self.label)
            for start, centre_hz, samples in self.parts
        ]

    def blocks(self, stretch: int) -> Iterator[IqBlock]:
        _, centre_hz, samples = self.parts[stretch]
        lost = self.lost if stretch == 0 else ()
        for block in cut(samples, self.sample_rate_hz, [self.block_samples], lost):
            if self.fails_at is not None and self.blocks_given >= self.fails_at:
                raise self.failure or RadioError(f"{self.label}: cannot be read any further")
            self.blocks_given += 1
            yield replace(block, centre_hz=centre_hz)

    def notes(self) -> list[str]:
        return list(self.said)

    def close(self) -> None:
        self.closed = True
