"""The narrow IQ of one transmission beside its clip, so that it can be decoded again later.

It grows among the unfinished clips and is moved beside the finished one before the row of the log is
committed, the metadata last: a recording without metadata is a broken-off one, and the next start removes it.
"""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path, PurePosixPath

from dsp.blocks import ComplexSamples
from watcher.durable import sync_folder
from watcher.plan.model import Channel
from watcher.radio.sigmf_annotations import Annotation
from watcher.radio.sigmf_recording import DATA_SUFFIX, META_SUFFIX
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.receive.clip_failures import told_plainly
from watcher.receive.records import Transmission

WHAT_IT_IS = "One channel as the watch received it, cut to its pass band, at the channel's own rate."


class IqKeeping:
    """The IQ of one transmission while it is on the air.

    Parameters
    ----------
    folder : Path
        Of the watch.
    unfinished : Path
        Where unfinished clips stand.
    name : str
        Of the unfinished clip.
    channel : Channel
    rate_hz : float
        Of the channel's samples; written as the nearest whole number.
    start_utc : datetime
        Instant of the first sample.

    Raises
    ------
    StorageError
        From any method: the files cannot be written.
    """

    def __init__(
        self,
        folder: Path,
        unfinished: Path,
        name: str,
        *,
        channel: Channel,
        rate_hz: float,
        start_utc: datetime,
    ) -> None:
        self._folder = folder
        self._base = unfinished / name
        self._channel = channel
        self._rate_hz = rate_hz
        with told_plainly(folder):
            # 32-bit floats: a weak station is far below a least step of 16 bits of the radio's full scale.
            self._writer = SigmfWriter(self._base, "cf32_le", round(rate_hz), WHAT_IT_IS, None)
        self._writer.start_capture(channel.frequency_hz, start_utc)

    def write(self, samples: ComplexSamples) -> None:
        """Append channel samples, shape (m,)."""
        with told_plainly(self._folder):
            self._writer.write(samples)

    def keep(self, clip: PurePosixPath, heard: Transmission) -> str:
        """Finish the recording beside the clip; returns the path of its metadata, relative to the folder."""
        up_s = (heard.start_utc - heard.clip_start_utc).total_seconds()
        said = [f"tone {heard.tone.tone_hz:.1f} Hz"] if heard.tone and heard.tone.tone_hz else []
        said += [f"code {heard.code.code}"] if heard.code and heard.code.code else []
        half_hz = self._channel.pass_band_hz / 2
        self._writer.annotate(
            Annotation(
                stretch=0,
                first_sample=max(0, round(up_s * self._rate_hz)),
                samples=round(heard.seconds * self._rate_hz),
                lower_hz=heard.frequency_hz - half_hz,
                upper_hz=heard.frequency_hz + half_hz,
                label=heard.channel,
                comment="; ".join([*said, *(each.words for each in heard.findings)]),
                facts={"flags": list(heard.flags), "clip": clip.as_posix()},
            )
        )
        with told_plainly(self._folder):
            self._writer.finish()
            target = self._folder / clip.with_suffix("")
            for suffix in (DATA_SUFFIX, META_SUFFIX):
                _with(self._base, suffix).replace(_with(target, suffix))
            sync_folder(target.parent)
        return f"{clip.with_suffix('').as_posix()}{META_SUFFIX}"

    def discard(self) -> None:
        """It is not wanted: remove it."""
        with told_plainly(self._folder):
            self._writer.abandon()
            for suffix in (META_SUFFIX, DATA_SUFFIX):
                _with(self._base, suffix).unlink(missing_ok=True)


def remove_broken_off(unfinished: Path) -> None:
    """Remove what a crash left of recordings; their clips are kept."""
    for suffix in (META_SUFFIX, DATA_SUFFIX):
        for left in unfinished.glob(f"*{suffix}"):
            with contextlib.suppress(FileNotFoundError):
                left.unlink()


def _with(base: Path, suffix: str) -> Path:
    return base.with_name(base.name + suffix)
