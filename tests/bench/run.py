"""`make bench`: what the receiver costs, in CPU seconds per second of IQ, one core, one run.

Every figure comes from its own process, so that no cache or heap is shared; ratios within one run are
what counts, because machines are noisy. Writes build/bench.json.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np  # noqa: E402
import scipy.fft  # noqa: E402
import scipy.signal  # noqa: E402

from tests.bench.busy_band import (  # noqa: E402
    CENTRE_HZ,
    RATE_HZ,
    busy_channels,
    busy_plan,
    busy_samples,
    quiet_samples,
    write_recording,
)
from tests.bench.standing import measure_standing, write_plan  # noqa: E402

COUNTS = (8, 32, 128)
REPEATS = 3
STAND_S = 20.0  # of real time for each look at the standing watch
PERIOD_S = 5  # made once and repeated: making 128 stations takes longer than receiving them


def measure_chain(recording: str, count: int, fft: str, *, is_quiet: bool = False) -> dict[str, float]:
    """The whole road, file to FLAC and log, on one recording in which every channel talks, or none."""
    from watcher.radio.recording import open_recording
    from watcher.watch.replay import replay

    _choose_fft(fft)
    source = open_recording(recording)
    seconds = (source.stretches()[0].samples or 0) / RATE_HZ
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        outcome = replay(busy_plan(count), [source], Path(folder))
        spent = time.process_time() - began
        clips = len(list(Path(folder).glob("*/*.flac")))
    heard = 0 if is_quiet else count
    assert clips == outcome.heard == heard, f"{clips} clips of {heard} that should be"
    return {"cpu_s": spent / seconds, "peak_rss_mib": _peak_rss_mib()}


def measure_without_decoders(recording: str, count: int, fft: str) -> dict[str, float]:
    """The chain with tone, measures, clips and log, but without every other decoder of signalling."""
    from watcher.receive import chain, gathering

    chain.decoding_of = lambda *_: None
    gathering.Gathering.code = lambda *_: None
    gathering.Gathering.goodbye_s = lambda *_: None
    return measure_chain(recording, count, fft)


def _peak_rss_mib() -> float:
    """The most this process held. Not getrusage: on Linux that remembers what the parent held at the fork."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    (line,) = (line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def measure_ffts(recording: str, fft: str) -> dict[str, float]:
    """The forward FFTs alone, as the chain does them: same length, same overlap, same batches."""
    from dsp.channelizer import FRAMES_PER_SLICE
    from dsp.filter_bank_design import shape_for_rate

    _choose_fft(fft)
    shape = shape_for_rate(RATE_HZ)
    samples = _samples_of(recording)
    taken = shape.fft_length + (FRAMES_PER_SLICE - 1) * shape.hop_samples
    step = FRAMES_PER_SLICE * shape.hop_samples
    starts = range(0, len(samples) - taken, step)
    began = time.process_time()
    for at in starts:
        windows = np.lib.stride_tricks.sliding_window_view(samples[at : at + taken], shape.fft_length)
        scipy.fft.fft(windows[:: shape.hop_samples], axis=-1)
    spent = time.process_time() - began
    return {"cpu_s": spent / (len(starts) * step / RATE_HZ)}


def measure_plain(recording: str, count: int) -> dict[str, float]:
    """The obvious alternative: each channel mixed to 0 Hz, decimated by a FIR filter, demodulated.

    No squelch, no audio filter, no clips: only what brings a channel to its discriminator.
    """
    from dsp.filter_bank_design import prototype, shape_for_rate

    shape = shape_for_rate(RATE_HZ)
    taps = prototype(shape, 11_000).astype(np.float32)
    samples = _samples_of(recording)[:RATE_HZ]
    n = np.arange(len(samples))
    began = time.process_time()
    for channel in busy_channels(count):
        offset_hz = channel.frequency_hz - CENTRE_HZ
        mixed = samples * np.exp((-2j * np.pi * offset_hz / RATE_HZ) * n).astype(np.complex64)
        narrow = scipy.signal.upfirdn(taps, mixed, 1, shape.decimation)
        np.angle(narrow[1:] * narrow[:-1].conj())
    return {"cpu_s": time.process_time() - began}


def _samples_of(recording: str) -> np.ndarray:
    raw = np.fromfile(recording.removesuffix(".sigmf-meta") + ".sigmf-data", dtype=np.uint8)
    return ((raw.astype(np.float32) - 127.5) / 127.5).view(np.complex64)


def _choose_fft(fft: str) -> None:
    if fft == "fftw":
        import pyfftw

        pyfftw.config.NUM_THREADS = 1
        pyfftw.interfaces.cache.enable()
        scipy.fft.set_global_backend(pyfftw.interfaces.scipy_fft)


def _in_child(*arguments: object) -> dict[str, float]:
    """The best of a few runs: the others were disturbed."""
    best: dict[str, float] = {}
    for _ in range(REPEATS):
        done = subprocess.run(
            [sys.executable, __file__, "--child", *map(str, arguments)],
            check=True,
            capture_output=True,
            text=True,
            cwd=ROOT,
        )
        figures = json.loads(done.stdout.splitlines()[-1])
        if not best or figures["cpu_s"] < best["cpu_s"]:
            best = figures
    return best


def main() -> None:
    """Build the recordings, measure, print, write build/bench.json."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="length of the busy recordings")
    parser.add_argument("--child", nargs="+", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        what, recording, count, fft = arguments.child
        figures = {
            "bare": lambda: measure_without_decoders(recording, int(count), fft),
            "chain": lambda: measure_chain(recording, int(count), fft),
            "quiet": lambda: measure_chain(recording, int(count), fft, is_quiet=True),
            "ffts": lambda: measure_ffts(recording, fft),
            "plain": lambda: measure_plain(recording, int(count)),
        }[what]()
        print(json.dumps(figures))
        return
    build = ROOT / "build"
    folder = build / "bench"
    folder.mkdir(parents=True, exist_ok=True)
    results = _measure_all(folder, arguments.seconds)
    (build / "bench.json").write_text(json.dumps(results, indent=2) + "\n")
    shutil.rmtree(folder)
    print(f"\nwritten to {build / 'bench.json'}")


def _measure_standing(folder: Path, recording: Path) -> dict[str, float]:
    """The daemon, in real time: 32 busy channels in a window, and nothing between windows."""
    channels = [(channel.name, channel.frequency_hz / 1e6) for channel in busy_channels(32)]
    busy, idle = folder / "busy-plan.toml", folder / "idle-plan.toml"
    write_plan(busy, recording, channels, "continuous = true")
    # A window of one minute, twelve hours from now in UTC.
    hour = (time.gmtime().tm_hour + 12) % 24
    write_plan(idle, recording, channels, f'at = ["{hour:02d}:30"]\nlength_minutes = 1')
    within = measure_standing(busy, folder / "busy-watch", STAND_S)
    between = measure_standing(idle, folder / "idle-watch", STAND_S)
    print("  standing watch, 32 busy channels in real time, share of one core and resident memory")
    print(f"    in a window      {within['cpu_share']:.4f}   {within['rss_mib']:.0f} MiB")
    print(f"    between windows  {between['cpu_share']:.5f}   {between['rss_mib']:.0f} MiB")
    return {
        "stand_cpu_in_window": within["cpu_share"],
        "stand_cpu_between_windows": between["cpu_share"],
        "stand_rss_in_window_mib": within["rss_mib"],
        "stand_rss_between_windows_mib": between["rss_mib"],
    }


def _measure_all(folder: Path, seconds: int) -> dict[str, float]:
    chain: dict[int, dict[str, float]] = {}
    paths = {}
    for count in COUNTS:
        paths[count] = folder / f"busy-{count}"
        samples = busy_samples(count, PERIOD_S, np.random.default_rng(count))
        write_recording(paths[count], samples, max(1, seconds // PERIOD_S))
    meta = {count: f"{path}.sigmf-meta" for count, path in paths.items()}
    for count in COUNTS:
        chain[count] = _in_child("chain", meta[count], count, "scipy")
    silent = folder / "quiet"
    write_recording(silent, quiet_samples(PERIOD_S, np.random.default_rng(1)), max(1, seconds // PERIOD_S))
    quiet = {count: _in_child("quiet", f"{silent}.sigmf-meta", count, "scipy") for count in COUNTS}
    bare = _in_child("bare", meta[32], 32, "scipy")
    ffts = _in_child("ffts", meta[32], 32, "scipy")
    plain = _in_child("plain", meta[32], 32, "scipy")
    results = {f"chain_{n}_x_realtime": 1 / figures["cpu_s"] for n, figures in chain.items()}
    results["chain_32_over_fft"] = chain[32]["cpu_s"] / ffts["cpu_s"]
    results["chain_128_over_8"] = chain[128]["cpu_s"] / chain[8]["cpu_s"]
    results |= {f"quiet_{n}_x_realtime": 1 / figures["cpu_s"] for n, figures in quiet.items()}
    results["quiet_32_over_fft"] = quiet[32]["cpu_s"] / ffts["cpu_s"]
    results["quiet_128_over_8"] = quiet[128]["cpu_s"] / quiet[8]["cpu_s"]
    results["plain_over_chain_32"] = plain["cpu_s"] / chain[32]["cpu_s"]
    results["decoders_over_chain_32"] = chain[32]["cpu_s"] / bare["cpu_s"] - 1
    results["peak_rss_mib"] = max(figures["peak_rss_mib"] for figures in chain.values())
    print(
        f"CPU seconds per second of IQ at 2.4 MS/s, one core, {seconds} s in which every channel talks, "
        "file to FLAC and log"
    )
    for count, figures in chain.items():
        print(f"  {count:3d} channels   {figures['cpu_s']:.4f}   {1 / figures['cpu_s']:6.1f} times real time")
    for count, figures in quiet.items():
        cpu_s = figures["cpu_s"]
        print(f"  {count:3d}, quiet     {cpu_s:.4f}   {1 / cpu_s:6.1f} times, nobody talks")
    print(f"  32, bare       {bare['cpu_s']:.4f}   without the decoders of signalling but the tone's")
    print(f"  forward FFTs   {ffts['cpu_s']:.4f}")
    print(f"  plain, 32      {plain['cpu_s']:.4f}   mix, FIR decimation, discriminator per channel")
    try:
        import pyfftw  # noqa: F401
    except ImportError:
        print("  with the fast FFT library: not installed, not measured")
    else:
        fast = _in_child("chain", meta[32], 32, "fftw")
        fast_ffts = _in_child("ffts", meta[32], 32, "fftw")
        results["chain_32_x_realtime_fftw"] = 1 / fast["cpu_s"]
        results["chain_32_over_fft_fftw"] = fast["cpu_s"] / fast_ffts["cpu_s"]
        print(f"  32 channels    {fast['cpu_s']:.4f}   {1 / fast['cpu_s']:6.1f} times, fast FFT library")
        print(f"  forward FFTs   {fast_ffts['cpu_s']:.4f}   fast FFT library")
    results |= _measure_standing(folder, Path(meta[32]))
    print("\nratios and memory (design figures in brackets)")
    bounds = {
        "chain_32_x_realtime": ">= 25",
        "chain_32_over_fft": "<= 2.5",
        "chain_128_over_8": "<= 2.5",
        "decoders_over_chain_32": "< 0.40",
        "peak_rss_mib": "< 300",
        "stand_cpu_between_windows": "< 0.001",
    }
    for key, value in results.items():
        print(f"  {key:26s} {value:8.4g}  {'(' + bounds[key] + ')' if key in bounds else ''}")
    return results


if __name__ == "__main__":
    main()
