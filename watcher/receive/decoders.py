"""Which audible decoders a channel gets, and what their claims say in plain words.

A new decoder is one line in `decoding_of` and one teller. A teller turns one claim into findings; claims
that replace an earlier one keep its start, and :func:`watcher.receive.findings.merged` keeps the latest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from functools import cache, partial
from zoneinfo import ZoneInfo

import numpy as np

from dsp.signalling.alert_tone import AlertTone
from dsp.signalling.audible_tones import AudibleTones, ToneClaim
from dsp.signalling.beacon import BeaconDecoder, BeaconSweep
from dsp.signalling.dtmf import Digit, dialled
from dsp.signalling.kind import KindDecoder
from dsp.signalling.long_tone import LongTone
from dsp.signalling.morse import MorseDecoder, MorseReading
from dsp.signalling.same import SameDecoder, SameEnd, SameMessage
from dsp.signalling.two_tone import TonePage, named_page
from watcher.plan.model import Channel, TonePair
from watcher.receive.decoding import Decoder, Decoding, Teller
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.records import Finding, Sign
from watcher.receive.same_words import SameEvent, load_events, same_words
from watcher.receive.voice_path import FULL_SCALE_DEPTH, FULL_SCALE_HZ
from watcher.shipped import config_folder

BEACON_TEST_MINUTES = 5


def decoding_of(channel: Channel, rules: ReceiveRules, carrier_up_utc: datetime) -> Decoding:
    """The decoders of one transmission on a channel whose carrier came up at that instant."""
    is_am = channel.mode == "am"
    decoders: list[tuple[str, Decoder, Teller]] = [
        ("tone", AudibleTones(), _ToneTeller(rules.tone_pairs)),
        ("SAME", SameDecoder(), _SameTeller(carrier_up_utc, ZoneInfo(rules.time_zone))),
        ("Morse", MorseDecoder(), _morse),
    ]
    if is_am:  # emergency locators send AM
        decoders.append(("beacon", BeaconDecoder(), partial(_beacon, carrier_up_utc)))
    full_scale = FULL_SCALE_DEPTH if is_am else FULL_SCALE_HZ
    return Decoding(decoders, full_scale / 32767, KindDecoder(is_am=is_am))


class _ToneTeller:
    def __init__(self, pairs: tuple[TonePair, ...]) -> None:
        self._pairs = {pair.name: (pair.first_hz, pair.second_hz) for pair in pairs}
        self._digits: list[Digit] = []

    def __call__(self, claim: ToneClaim) -> Iterator[Finding]:
        match claim:
            case Digit():
                self._digits.append(claim)
                keys = dialled(self._digits)
                yield Finding(Sign.DTMF, self._digits[0].start_s, claim.stop_s, keys, f"keys {keys}")
            case LongTone():
                held = f"zero held for {claim.stop_s - claim.start_s:.1f} s{_going_on(claim.ended)}"
                yield Finding(
                    Sign.LONG_TONE,
                    claim.start_s,
                    claim.stop_s,
                    "0",
                    held,
                    figures={"row_hz": claim.row_hz, "column_hz": claim.column_hz, "filled": claim.filled},
                )
            case AlertTone():
                yield Finding(
                    Sign.ALERT_TONE,
                    claim.start_s,
                    claim.stop_s,
                    f"{claim.frequency_hz:.1f} Hz",
                    f"warning tone for {claim.stop_s - claim.start_s:.1f} s{_going_on(claim.ended)}",
                    _probability(claim.log_odds),
                    {"frequency_hz": claim.frequency_hz},
                )
            case TonePage():
                yield _paged(claim, self._pairs)


def _going_on(ended: bool) -> str:
    return "" if ended else " and going on"


def _paged(page: TonePage, pairs: Mapping[str, tuple[float, float | None]]) -> Finding:
    figures = {"first_hz": page.first_hz, "first_s": page.first_s, "share": page.share}
    text = f"{page.first_hz:.1f} Hz {page.first_s:.1f} s"
    if page.second_hz is not None and page.second_s is not None:
        figures |= {"second_hz": page.second_hz, "second_s": page.second_s}
        text += f", {page.second_hz:.1f} Hz {page.second_s:.1f} s"
    name = named_page(page, pairs)
    words = f"page {name} ({text})" if name else f"page {text}"
    return Finding(Sign.TWO_TONE, page.start_s, page.stop_s, text, words, figures=figures)


class _SameTeller:
    def __init__(self, carrier_up_utc: datetime, zone: ZoneInfo) -> None:
        self._carrier_up_utc = carrier_up_utc
        self._zone = zone

    def __call__(self, claim: SameMessage | SameEnd) -> Iterator[Finding]:
        if isinstance(claim, SameEnd):
            yield Finding(Sign.SAME_END, claim.start_s, claim.stop_s, "NNNN", "end of the alert message")
            return
        heard_utc = self._carrier_up_utc + timedelta(seconds=claim.start_s)
        said = same_words(claim.header, _events(), heard_utc, self._zone)
        once = " Heard once only." if claim.heard_once else ""
        once += "" if claim.confident else " The header may be misread."
        yield Finding(
            Sign.SAME if claim.confident else Sign.SAME_UNSURE,
            claim.start_s,
            claim.stop_s,
            claim.header,
            said.sentence + once,
            _probability(claim.log_odds),
            {"severity": float(said.severity), "bursts": float(claim.bursts)},
        )


def _morse(claim: MorseReading) -> Iterator[Finding]:
    yield Finding(
        Sign.MORSE,
        claim.start_s,
        claim.stop_s,
        claim.text,
        f'Morse "{claim.text}" at {claim.words_per_minute:.0f} words a minute',
        claim.confidence,
        {"pitch_hz": claim.pitch_hz, "words_per_minute": claim.words_per_minute},
    )


def is_beacon_test_time(instant_utc: datetime) -> bool:
    """Whether a ground test of a beacon is allowed: the first five minutes of any hour (FAA AIM 6-2-4 b).

    Zones off by half an hour have hours of their own; those of the rule's country are whole.
    """
    return instant_utc.minute < BEACON_TEST_MINUTES


def _beacon(carrier_up_utc: datetime, claim: BeaconSweep) -> Iterator[Finding]:
    words = (
        f"{claim.sweeps} {claim.direction} sweeps, {claim.rate_hz:.1f} a second, {claim.high_hz:.0f} to "
        f"{claim.low_hz:.0f} Hz"
    )
    if not claim.is_distress_sweep:
        words += "; an emergency locator's sweep falls, by the rule"
    elif is_beacon_test_time(carrier_up_utc + timedelta(seconds=claim.start_s)):
        words += (
            "; ground tests are allowed in the first five minutes of an hour and last three sweeps at most"
        )
        words += "" if claim.is_short_as_a_test else ": this lasted longer"
    yield Finding(
        Sign.BEACON if claim.is_distress_sweep else Sign.SWEEP,
        claim.start_s,
        claim.stop_s,
        f"{claim.sweeps} sweeps",
        words,
        figures={
            "sweeps": float(claim.sweeps),
            "rate_hz": claim.rate_hz,
            "high_hz": claim.high_hz,
            "low_hz": claim.low_hz,
        },
    )


@cache
def _events() -> dict[str, SameEvent]:
    return load_events(config_folder() / "same_events.csv")


def _probability(log_odds: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(log_odds, -50, 50))))
