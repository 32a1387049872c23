"""The demo recording is valid SigMF and holds what its truth says.

Validity is the SigMF library's verdict (specification 1.2). What is on the air is measured with
scipy alone, by mixing, filtering and the definitions: nothing of `dsp` takes part.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sigmf
from numpy.typing import NDArray
from scipy import fft, signal

from watcher import shipped
from watcher.plan import read_plan
from watcher.radio.sigmf_annotations import read_annotations

LARGEST_BYTES = 12_000_000  # the repository stays small
CHANNEL_RATE_HZ = 32_000


@dataclass(frozen=True)
class Demo:
    """Both metadata files as plain JSON, and the samples by the SigMF library's own reading."""

    meta: dict[str, Any]
    truth: dict[str, Any]
    samples: NDArray[np.complex64]

    @property
    def rate_hz(self) -> int:
        return int(self.meta["global"]["core:sample_rate"])

    def captures(self) -> list[tuple[int, int, int]]:
        """(first sample, stop sample, centre in Hz) of each capture."""
        starts = [capture["core:sample_start"] for capture in self.meta["captures"]]
        stops = [*starts[1:], len(self.samples)]
        centres = [capture["core:frequency"] for capture in self.meta["captures"]]
        return list(zip(starts, stops, centres, strict=True))

    def capture_of(self, annotation: dict[str, Any]) -> tuple[int, int, int]:
        at = annotation["core:sample_start"]
        return next(capture for capture in self.captures() if capture[0] <= at < capture[1])

    def channel(self, carrier_hz: float, width_hz: float, start: int, stop: int) -> NDArray[np.complex64]:
        """A stretch of one channel at 32 kS/s, the carrier at 0 Hz: its bins of one long transform."""
        centre_hz = next(centre for first, end, centre in self.captures() if first <= start < end)
        ratio = self.rate_hz // CHANNEL_RATE_HZ
        count = (stop - start) // (2 * ratio) * 2 * ratio
        turns = (carrier_hz - centre_hz) / self.rate_hz * np.arange(count)
        moved = self.samples[start : start + count] * np.exp(-2j * np.pi * turns).astype(np.complex64)
        spectrum = fft.fft(moved)
        spectrum[np.abs(fft.fftfreq(count, 1 / self.rate_hz)) > width_hz / 2] = 0
        half = count // ratio // 2
        return fft.ifft(np.concatenate([spectrum[:half], spectrum[-half:]])) / ratio


@pytest.fixture(scope="module")
def demo() -> Demo:
    meta_path = shipped.demo_recording()
    recording = sigmf.fromfile(meta_path)  # compares the checksum too
    return Demo(
        json.loads(meta_path.read_text(encoding="utf-8")),
        json.loads(shipped.demo_truth().read_text(encoding="utf-8")),
        np.asarray(recording.read_samples(), np.complex64),
    )


def sent(demo: Demo, kind: str) -> list[dict[str, Any]]:
    """The annotations of one kind."""
    return [one for one in demo.truth["annotations"] if one["midwatch:kind"] == kind]


def span_inside(demo: Demo, annotation: dict[str, Any], margin_s: float = 0.05) -> tuple[int, int]:
    """First and stop sample of a key-down, a little inside its slopes."""
    margin = round(margin_s * demo.rate_hz)
    first = annotation["core:sample_start"]
    return first + margin, first + annotation["core:sample_count"] - margin


def swing_hz(channel: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Instantaneous frequency: the textbook discriminator."""
    return np.angle(channel[1:] * channel[:-1].conj()) * CHANNEL_RATE_HZ / (2 * np.pi)


def mean_power(samples: NDArray[np.complex64]) -> float:
    return float(np.mean(np.abs(samples.astype(np.complex128)) ** 2))


def test_both_metadata_files_satisfy_the_standard(demo: Demo) -> None:
    sigmf.validate.validate(demo.meta)
    sigmf.validate.validate(demo.truth)


def test_truth_belongs_to_these_samples_and_not_to_the_recording(demo: Demo) -> None:
    digest = hashlib.sha512(shipped.demo_recording().with_suffix(".sigmf-data").read_bytes()).hexdigest()
    assert demo.truth["global"]["core:sha512"] == demo.meta["global"]["core:sha512"] == digest
    assert demo.truth["captures"] == demo.meta["captures"]
    assert demo.meta["annotations"] == []


def test_recording_is_small_and_dwells_at_the_top_of_the_hour(demo: Demo) -> None:
    assert 2 * len(demo.samples) < LARGEST_BYTES
    starts_utc = [datetime.fromisoformat(capture["core:datetime"]) for capture in demo.meta["captures"]]
    local = starts_utc[0].astimezone(read_plan(shipped.demo_plan()).station.zone)
    assert (local.hour, local.minute, local.second) == (3, 0, 0)
    for (first, stop, _), (before, after) in zip(demo.captures(), pairwise(starts_utc), strict=False):
        lost_s = (after - before).total_seconds() - (stop - first) / demo.rate_hz
        assert 0 < lost_s < 0.1, "a retune loses a moment, and the times say so"


def test_converter_is_neither_asleep_nor_overdriven(demo: Demo) -> None:
    codes = np.fromfile(shipped.demo_recording().with_suffix(".sigmf-data"), np.uint8)
    assert np.count_nonzero((codes == 0) | (codes == 255)) < 1e-5 * len(codes)
    assert codes.std() > 3.0


def test_truth_names_the_channels_of_the_plan(demo: Demo) -> None:
    plan = read_plan(shipped.demo_plan())
    assert not plan.warnings
    named = set()
    for annotation in demo.truth["annotations"]:
        channel = plan.channel(annotation["core:label"])
        named.add(channel.name)
        _, _, centre_hz = demo.capture_of(annotation)
        assert annotation["midwatch:frequency_hz"] == channel.frequency_hz
        assert annotation["midwatch:mode"] == channel.mode
        assert annotation["midwatch:noise_width_hz"] == channel.pass_band_hz
        assert not plan.channels_outside(centre_hz, 0.4 * demo.rate_hz).count(channel)
    quiet = {channel.name for channel in plan.channels} - named
    assert quiet, "the plan lists channels on which nobody speaks"


def test_truth_reads_as_annotations(demo: Demo) -> None:
    read = read_annotations(shipped.demo_truth())
    assert [one.label for one in read] == [one["core:label"] for one in demo.truth["annotations"]]
    assert {one.stretch for one in read} == {0, 1, 2}


def test_scene_holds_what_the_demo_is_to_show(demo: Demo) -> None:
    calls = {(one["core:label"], one["midwatch:ctcss_hz"]) for one in sent(demo, "transmission")}
    assert calls == {
        ("Hollin Hill repeater", 123.0),
        ("2 m calling", None),
        ("Weather 162.550", None),
        ("Family radio 3", 67.0),
    }
    (weak,) = (one for one in sent(demo, "transmission") if one["core:label"] == "2 m calling")
    assert weak["midwatch:snr_db"] == pytest.approx(6.0)
    assert [one["core:label"] for one in sent(demo, "steady carrier")] == ["Hikers"]


def test_carriers_stand_over_the_noise_as_the_truth_says(demo: Demo) -> None:
    """C/N by its definition: power with the carrier, less the noise, over the noise of an empty place.

    A constant envelope loses what its modulation throws beyond the pass band; Carson's rule leaves under 2 %
    of the power outside, 0.1 dB. The rest of the bound is the scatter of two powers over 2 s (28,000
    independent samples, 0.05 dB at two sigma).
    """
    two_s = 2 * demo.rate_hz
    for annotation in demo.truth["annotations"]:
        width_hz = annotation["midwatch:noise_width_hz"]
        carrier_hz = annotation["midwatch:frequency_hz"] + annotation["midwatch:frequency_error_hz"]
        first, _, centre_hz = demo.capture_of(annotation)
        start, _ = span_inside(demo, annotation)
        with_carrier = mean_power(demo.channel(carrier_hz, width_hz, start, start + two_s))
        noise = mean_power(demo.channel(centre_hz - 62_000, width_hz, first, first + two_s))
        cnr_db = 10 * np.log10(with_carrier / noise - 1)
        assert cnr_db == pytest.approx(annotation["midwatch:snr_db"], abs=0.2), annotation["core:label"]


def test_carriers_come_up_and_fall_where_the_truth_says(demo: Demo) -> None:
    """Half the power is passed within 4 ms of each edge; the noise before and after is the channel's own."""
    for annotation in sent(demo, "transmission"):
        if annotation["midwatch:snr_db"] < 10:
            continue
        carrier_hz = annotation["midwatch:frequency_hz"] + annotation["midwatch:frequency_error_hz"]
        first, stop, _ = demo.capture_of(annotation)
        start = annotation["core:sample_start"]
        edges = [(start, 1), (start + annotation["core:sample_count"], -1)]
        for edge, direction in edges:
            if edge in (first, stop):
                continue
            reach = round(0.1 * demo.rate_hz)
            channel = demo.channel(carrier_hz, 11_000, edge - reach, edge + reach)
            power = np.convolve(np.abs(channel) ** 2, np.full(33, 1 / 33), mode="same")[::direction]
            half = 0.5 * power[len(power) // 2 + 160 : -160].mean()
            up_s = (np.flatnonzero(power > half)[0] - len(power) / 2) / CHANNEL_RATE_HZ
            assert abs(up_s) < 0.004, (annotation["core:label"], edge, up_s)


def test_sub_audible_tones_are_there_and_nowhere_else(demo: Demo) -> None:
    """The strongest line below 260 Hz in the discriminator's spectrum; toneless ones have none so strong."""
    for annotation in sent(demo, "transmission"):
        carrier_hz = annotation["midwatch:frequency_hz"] + annotation["midwatch:frequency_error_hz"]
        width_hz = annotation["midwatch:noise_width_hz"]
        discriminated = swing_hz(demo.channel(carrier_hz, width_hz, *span_inside(demo, annotation, 0.2)))
        audible = signal.decimate(discriminated, 16, ftype="fir")
        frequencies_hz, power = signal.periodogram(
            audible, CHANNEL_RATE_HZ / 16, window="hann", nfft=1 << 17, scaling="spectrum"
        )
        band = (frequencies_hz > 60) & (frequencies_hz < 260)
        peak = np.argmax(power[band])
        strongest_hz, deviation_hz = frequencies_hz[band][peak], np.sqrt(2 * power[band][peak])
        tone_hz = annotation["midwatch:ctcss_hz"]
        if tone_hz is None:
            assert deviation_hz < 100, annotation["core:label"]
        else:
            sent_hz = annotation["midwatch:ctcss_deviation_hz"]
            assert strongest_hz == pytest.approx(tone_hz, abs=0.2), annotation["core:label"]
            assert deviation_hz == pytest.approx(sent_hz, rel=0.1), annotation["core:label"]


def test_voices_move_the_carrier_as_a_radio_would(demo: Demo) -> None:
    """Between 0.5 and 2 kHz rms with speech, peaks at the limit: common practice for the loudness, no source.

    Only well above the discriminator's threshold, where noise adds little.
    """
    for annotation in sent(demo, "transmission"):
        if annotation["midwatch:snr_db"] < 15:
            continue
        carrier_hz = annotation["midwatch:frequency_hz"] + annotation["midwatch:frequency_error_hz"]
        width_hz = annotation["midwatch:noise_width_hz"]
        swing = swing_hz(demo.channel(carrier_hz, width_hz, *span_inside(demo, annotation, 0.3)))
        limit_hz = annotation["midwatch:deviation_limit_hz"]
        assert 500 < swing.std() < 2000, annotation["core:label"]
        assert 0.8 * limit_hz < np.percentile(np.abs(swing), 99.5) < 1.1 * limit_hz, annotation["core:label"]


def test_birdie_is_one_steady_line(demo: Demo) -> None:
    (birdie,) = sent(demo, "steady carrier")
    first, stop, _ = demo.capture_of(birdie)
    assert (birdie["core:sample_start"], birdie["core:sample_count"]) == (first, stop - first)
    carrier_hz = birdie["midwatch:frequency_hz"] + birdie["midwatch:frequency_error_hz"]
    channel = demo.channel(carrier_hz, birdie["midwatch:noise_width_hz"], first, stop)
    on_the_line = np.abs(channel.mean()) ** 2
    expected_share = 1 / (1 + 10 ** (-birdie["midwatch:snr_db"] / 10))
    assert on_the_line / mean_power(channel) == pytest.approx(expected_share, abs=0.02)


@pytest.mark.slow
def test_build_script_still_makes_this_scene(demo: Demo, checkout: Path, tmp_path: Path) -> None:
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not here to speak the words")
    said = subprocess.run(["espeak-ng", "--version"], check=True, capture_output=True, text=True).stdout
    if not said.startswith(demo.truth["global"]["core:recorder"]):
        pytest.skip(f"another release of espeak-ng speaks at another speed: {said.strip()}")
    command = [sys.executable, "-m", "recordings.build_demo", "--into", str(tmp_path)]
    subprocess.run(command, cwd=checkout, check=True, capture_output=True)
    made = json.loads((tmp_path / shipped.demo_truth().name).read_text(encoding="utf-8"))
    assert made["annotations"] == demo.truth["annotations"]
    assert made["captures"] == demo.truth["captures"]


def test_build_script_says_what_it_lacks(checkout: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "recordings.build_demo", "--into", str(tmp_path)]
    finished = subprocess.run(
        command,
        cwd=checkout,
        env=os.environ | {"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode != 0
    assert finished.stderr.splitlines() == [
        "espeak-ng speaks the words and is not here; install the system package espeak-ng."
    ]
    assert not list(tmp_path.iterdir())
