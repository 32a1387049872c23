"""How weak a tone or digital code may be and how soon it is named, by the whole receiver."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from statistics import median

import numpy as np

from dsp.modulate import VOICE_RATE_HZ, Audio, Ctcss, DigitalCode, Emission, Fm, Scene, voice
from dsp.signalling.tone_table import TONES_HZ
from watcher.plan.model import Channel
from watcher.receive.chain import ReceiveChain
from watcher.receive.records import Clip, Transmission
from watcher.trial import bench_limits as limits
from watcher.trial.bench_rows import Curve, Plot, Row

RATE_HZ = 240_000
CENTRE_HZ = 146_520_000
CHANNELS = 8
SPACING_HZ = 25_000
SENT_S, PERIOD_S, LEAD_S = 1.0, 1.6, 1.0
WANTED = 0.9  # share of right ones that makes the threshold (our choice)
CODES = ("023", "047", "114", "205", "311", "432", "606", "754")
LEVELS_DB = (-3.0, -2.0, -1.0, 0.0, 1.0, 3.0)
BEGAN_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Told:
    """Of the stations of one level: how many were named rightly, wrongly, not at all; first words in ms."""

    sent: int
    right: int
    wrong: int
    first_word_ms: tuple[float, ...]


def tones_and_codes(seed: int, each: int, levels: tuple[float, ...] = LEVELS_DB) -> tuple[list[Row], Plot]:
    """Decode thresholds and times of CTCSS and DCS on voice with its low end, 350 Hz of deviation.

    Parameters
    ----------
    seed : int
    each : int
        Transmissions on each of eight channels at each level.
    levels : tuple of float
        Carrier to noise in 11 kHz, dB, rising.
    """
    rows: list[Row] = []
    curves = []
    for name, codes in (("CTCSS", False), ("DCS", True)):
        told = [_told(seed, each, level, codes) for level in levels]
        shares = tuple(one.right / one.sent for one in told)
        curves.append(Curve(name, levels, shares))
        rows += _rows(name, levels, told, shares, codes)
    title = f"Sub-audible signalling named rightly in {SENT_S:g} s of speech"
    return rows, Plot(title, "carrier to noise, dB", "share right", tuple(curves))


def _rows(
    name: str, levels: tuple[float, ...], told: list[Told], shares: tuple[float, ...], codes: bool
) -> Iterator[Row]:
    sent = told[0].sent
    yield Row(
        f"{name} decode threshold",
        "12.5 kHz",
        _reached(levels, shares),
        "dB",
        note=f"{100 * WANTED:.0f} % of {sent} a level named rightly, {SENT_S:g} s of speech each",
    )
    wrong = sum(one.wrong for one in told)
    total = sum(one.sent for one in told)
    yield Row(f"{name} named wrongly", "12.5 kHz", 100 * wrong / total, "%", note=f"{wrong} of {total}")
    if not codes:
        firsts = told[-1].first_word_ms
        yield Row(
            f"{name} first word",
            "12.5 kHz",
            median(firsts) if firsts else None,
            "ms",
            limits.TONE_OPENING_MS,
            note=f"median at {levels[-1]:g} dB, from the carrier's rise",
        )


def _told(seed: int, each: int, cnr_db: float, codes: bool) -> Told:
    """Send and receive the stations of one level."""
    rng = np.random.default_rng([seed, round(10 * cnr_db) + 1000, codes])
    places = [(n - (CHANNELS - 1) / 2) * SPACING_HZ for n in range(CHANNELS)]
    channels = [
        Channel(name=str(n), frequency_hz=round(CENTRE_HZ + place), mode="nfm", bandwidth_hz=12_500)
        for n, place in enumerate(places)
    ]
    said = Audio(samples=voice(seconds=10.0, rng=rng, pauses=False), rate_hz=VOICE_RATE_HZ, repeats=True)
    sent: dict[tuple[str, int], float | str] = {}
    emissions = []
    for n, place in enumerate(places):
        for turn in range(each):
            if codes:
                digits = CODES[int(rng.integers(len(CODES)))]
                sent[str(n), turn] = f"{digits}N"
                sending = Fm(audio=said, drive=4.0, code=DigitalCode(code=digits))
            else:
                tone_hz = float(TONES_HZ[int(rng.integers(len(TONES_HZ)))])
                sent[str(n), turn] = tone_hz
                sending = Fm(audio=said, drive=4.0, tone=Ctcss(tone_hz=tone_hz))
            start_s = LEAD_S + turn * PERIOD_S
            emissions.append(
                Emission(
                    start_s=start_s,
                    stop_s=start_s + SENT_S,
                    offset_hz=place,
                    cnr_db=cnr_db,
                    modulation=sending,
                )
            )
    scene = Scene(
        sample_rate_hz=RATE_HZ,
        seconds=LEAD_S + each * PERIOD_S,
        emissions=tuple(emissions),
        centre_hz=CENTRE_HZ,
    )
    chain = ReceiveChain(channels, RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)
    records = [record for block in scene.blocks(rng) for record in chain.push(block)] + chain.finish()
    right, wrong, firsts = 0, 0, []
    for record in records:
        heard = record.transmission if isinstance(record, Clip) else record
        if not isinstance(heard, Transmission):
            continue
        middle_s = ((heard.start_utc - BEGAN_UTC).total_seconds() + heard.seconds / 2 - LEAD_S) / PERIOD_S
        truth = sent.get((heard.channel, int(middle_s)))
        named = _named(heard, codes)
        if named is None or truth is None:
            continue
        if named != truth:
            wrong += 1
            continue
        right += 1
        sent.pop((heard.channel, int(middle_s)))  # one that was split counts once
        if heard.tone is not None and heard.tone.first_word_ms is not None:
            firsts.append(heard.tone.first_word_ms)
    return Told(CHANNELS * each, right, wrong, tuple(firsts))


def _named(heard: Transmission, codes: bool) -> float | str | None:
    if codes:
        return None if heard.code is None else heard.code.code
    return None if heard.tone is None else heard.tone.tone_hz


def _reached(levels: tuple[float, ...], shares: tuple[float, ...]) -> float | None:
    """The level from which on the share stays reached, by straight lines between; None where it is not."""
    if shares[-1] < WANTED:
        return None
    for (low, one), (high, other) in reversed(list(pairwise(zip(levels, shares, strict=True)))):
        if one < WANTED:
            return low + (high - low) * (WANTED - one) / (other - one)
    return levels[0]
