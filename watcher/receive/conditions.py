"""Channel conditions in the making: steady carriers and images, from first sight to the record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.detector import ImageHeard, TurnedSteady
from watcher.plan.model import Channel
from watcher.receive.records import UNMODULATED, Condition, ConditionKind, EndedBy, Measured, Transmission
from watcher.receive.stream_clock import StreamClock

ZERO_FREQUENCY_REACH_HZ = 300.0  # a carrier this close to the radio's own centre is its spike
IMAGE_FORGET_S = 5.0  # an image not seen for this long is over


@dataclass(slots=True)
class _Running:
    kind: ConditionKind
    first_frame: int
    last_frame: int
    offset_hz: float | None
    snr_db: float | None
    evidence: str


class ConditionBook:
    """Keep what each channel suffers from, and give it out as records when it is over.

    Parameters
    ----------
    names : list of str
        Channel names.
    offsets_hz : list of float
        Channel centres from the radio's centre.
    """

    def __init__(self, names: list[str], offsets_hz: list[float]) -> None:
        self._names = names
        self._offsets_hz = offsets_hz
        self._carriers: dict[int, _Running] = {}
        self._images: dict[int, _Running] = {}

    def carrier(self, event: TurnedSteady, since_frame: int, floor: float) -> None:
        """A steady carrier is known from now on; it has been there since `since_frame`."""
        ratio = event.carrier_power / max(floor, 1e-20)
        self.idle_carrier(
            event.channel, since_frame, event.frame, event.frequency_hz, float(10 * np.log10(ratio))
        )

    def idle_carrier(
        self, channel: int, first_frame: int, last_frame: int, offset_hz: float, snr_db: float | None
    ) -> None:
        """Note an idle carrier with the span seen so far."""
        at_zero = abs(self._offsets_hz[channel] + offset_hz) < ZERO_FREQUENCY_REACH_HZ
        kind = ConditionKind.ZERO_FREQUENCY_SPIKE if at_zero else ConditionKind.STEADY_CARRIER
        evidence = (
            f"a carrier {offset_hz:+.0f} Hz from the channel's centre, there before and never modulated"
            + (", at the radio's own centre frequency" if at_zero else "")
        )
        self._carriers[channel] = _Running(kind, first_frame, last_frame, offset_hz, snr_db, evidence)

    def carrier_since(self, channel: int) -> int | None:
        """First frame of the channel's steady carrier, None if it has none."""
        running = self._carriers.get(channel)
        return None if running is None else running.first_frame

    def carrier_gone(self, channel: int, frame: int, clock: StreamClock) -> Condition | None:
        """The steady carrier has gone; its record."""
        running = self._carriers.pop(channel, None)
        return None if running is None else self._record(channel, running, frame, clock)

    def forget_carrier(self, channel: int) -> None:
        """It was a station after all."""
        self._carriers.pop(channel, None)

    def image(self, event: ImageHeard, frames: int) -> None:
        """An image was heard for `frames` frames from the event on."""
        stop = event.frame + frames
        running = self._images.get(event.channel)
        if running is None:
            evidence = (
                "the mirrored copy of a strong signal on the other side of the radio's centre, "
                f"{event.rejection_db:.0f} dB under it"
            )
            running = _Running(ConditionKind.IMAGE, event.frame, stop, None, None, evidence)
            self._images[event.channel] = running
        running.last_frame = stop

    def over(self, frame: int, frame_s: float, clock: StreamClock) -> list[Condition]:
        """Records of the images that have not been seen for a while."""
        past = [n for n, r in self._images.items() if (frame - r.last_frame) * frame_s > IMAGE_FORGET_S]
        return [self._record(n, r, r.last_frame, clock) for n in past for r in [self._images.pop(n)]]

    def finish(self, frame: int, clock: StreamClock) -> list[Condition]:
        """Records of everything still running when the run of samples ends at `frame`."""
        records = [self._record(n, r, frame, clock) for n, r in self._carriers.items()]
        records += [self._record(n, r, min(r.last_frame, frame), clock) for n, r in self._images.items()]
        self._carriers.clear()
        self._images.clear()
        return records

    def _record(self, channel: int, running: _Running, stop_frame: int, clock: StreamClock) -> Condition:
        return Condition(
            channel=self._names[channel],
            kind=running.kind,
            start_utc=clock.utc_of_frame(running.first_frame),
            stop_utc=clock.utc_of_frame(max(stop_frame, running.first_frame)),
            offset_hz=running.offset_hz,
            snr_db=running.snr_db,
            evidence=running.evidence,
        )


def bare_transmission(channel: Channel, condition: Condition, first: int, stop: int) -> Transmission:
    """The record of a station's bare carrier that first looked like a condition; nothing to hear.

    `first` and `stop` are counts of input samples.
    """
    return Transmission(
        channel=channel.name,
        frequency_hz=channel.frequency_hz,
        mode=channel.mode,
        start_sample=first,
        stop_sample=stop,
        start_utc=condition.start_utc,
        end_utc=condition.stop_utc,
        clip_start_utc=condition.start_utc,
        clip_end_utc=condition.stop_utc,
        ended_by=EndedBy.CARRIER_DROP,
        on_at_start=True,
        snr_db=None if condition.snr_db is None else Measured(condition.snr_db),
        frequency_error_hz=None if condition.offset_hz is None else Measured(condition.offset_hz),
        flags=(UNMODULATED,),
    )
