"""Signalling through the whole receiver: from samples to findings, flags, codes, clips and channel IQ."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dsp.modulate import Am, Audio, Ctcss, DigitalCode, Fm, Unmodulated
from dsp.modulate.beacon import beacon_audio
from dsp.modulate.morse import morse
from dsp.modulate.same import same_message
from dsp.modulate.scene import Scene
from dsp.modulate.tones import key_sequence, silence, tone
from tests.on_the_air import (
    BEGAN_UTC,
    CENTRE_HZ,
    MemoryClips,
    call,
    cut,
    listed,
    receive,
    scene,
    seconds_in,
    speech,
    spoken,
)
from watcher.log.reading import transmissions
from watcher.log.writing import WatchLog
from watcher.plan.model import Channel, TonePair, WatchPlan
from watcher.radio.recording import open_recording
from watcher.radio.sigmf_annotations import read_annotations
from watcher.receive import decoders
from watcher.receive.chain import ReceiveChain
from watcher.receive.clips import ClipStore
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.records import ConditionKind, Kind, Sign
from watcher.watch.replay import replay

RATE_HZ = 240_000
AUDIO_HZ = 16_000
CHANNEL = listed(30_000)
HEADER = "ZCZC-WXR-TOR-016001+0030-1240255-XYZW/NWS-"  # Idaho's county 001, 4 May 02:55 UTC


def sent(audio: np.ndarray, *, deviation_hz: float = 2500.0, drive: float = 0.8, **more: object) -> Fm:
    """Audio over a land-mobile transmitter."""
    return Fm(
        audio=Audio(samples=audio, rate_hz=AUDIO_HZ), deviation_limit_hz=deviation_hz, drive=drive, **more
    )  # type: ignore[arg-type]


def joined(*parts: np.ndarray) -> np.ndarray:
    return np.concatenate(parts).astype(np.float32)


def quiet(seconds: float) -> np.ndarray:
    return silence(seconds=seconds, rate_hz=AUDIO_HZ)


def test_keys_are_written_as_they_were_pressed() -> None:
    keys = joined(quiet(0.5), key_sequence("146*#", rate_hz=AUDIO_HZ), quiet(0.7))
    seconds = len(keys) / AUDIO_HZ
    (one,) = receive(
        scene(RATE_HZ, seconds + 3, call(CHANNEL, 1, 1 + seconds, 15, modulation=sent(keys))), [CHANNEL]
    ).transmissions
    assert one.texts(Sign.DTMF) == ("146*#",)
    (found,) = one.findings
    assert found.start_s == pytest.approx(0.6, abs=0.03)  # a pause of 0.1 s goes ahead


def test_a_zero_held_for_three_seconds_raises_its_flag() -> None:
    held = joined(quiet(0.5), key_sequence("0", rate_hz=AUDIO_HZ, tone_s=3.5), quiet(1.0))
    (one,) = receive(
        scene(RATE_HZ, 8, call(CHANNEL, 1, 6, 10, modulation=sent(held))), [CHANNEL]
    ).transmissions
    assert "long-tone" in one.flags
    (found,) = (each for each in one.findings if each.sign is Sign.LONG_TONE)
    assert found.stop_s - found.start_s == pytest.approx(3.5, abs=0.06)


def flags_raised(channel: Channel, made: Scene) -> list[tuple[float, tuple[str, ...]]]:
    """After which seconds of a scene, in steps of a tenth, something on the air has raised which flags."""
    chain = ReceiveChain([channel], RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)
    samples = made.render(np.random.default_rng(1))
    raised = []
    for block in cut(samples, RATE_HZ, [RATE_HZ // 10]):
        chain.push(block)
        raised += [(block.stop_sample / RATE_HZ, one.flags) for one in chain.flagged_on_air]
    return raised


def test_a_long_zero_is_known_while_it_is_on_the_air() -> None:
    held = joined(quiet(0.5), key_sequence("0", rate_hz=AUDIO_HZ, tone_s=12.0), quiet(0.5))
    made = scene(RATE_HZ, 16, call(CHANNEL, 1, 14, 10, modulation=sent(held)))
    raised = flags_raised(CHANNEL, made)
    # It is one after 3 s of the tone, 4.6 s into the scene; the receiver is up to 2.5 s behind.
    assert 4.6 <= raised[0][0] <= 7.2 and raised[-1][0] > 14
    assert {flags for _, flags in raised} == {("long-tone",)}
    # Where a tone is required nobody is called before it is known to be there.
    assert not flags_raised(CHANNEL.model_copy(update={"expect_tone_hz": 100.0, "require_tone": True}), made)


def test_a_page_is_measured_and_named_by_the_plan() -> None:
    page = joined(
        quiet(0.4),
        tone(tone_hz=853.2, seconds=1.0, rate_hz=AUDIO_HZ),
        tone(tone_hz=1185.2, seconds=3.0, rate_hz=AUDIO_HZ),
        quiet(0.5),
    )
    rules = ReceiveRules(tone_pairs=(TonePair(name="Valley fire", first_hz=853.2, second_hz=1185.2),))
    (one,) = receive(
        scene(RATE_HZ, 8, call(CHANNEL, 1, 5.9, 15, modulation=sent(page))), [CHANNEL], rules=rules
    ).transmissions
    (found,) = (each for each in one.findings if each.sign is Sign.TWO_TONE)
    assert found.words.startswith("page Valley fire")
    assert found.figures["first_hz"] == pytest.approx(853.2, abs=1.0)
    assert found.figures["second_hz"] == pytest.approx(1185.2, abs=1.0)
    assert found.figures["second_s"] == pytest.approx(3.0, abs=0.05)


def test_a_digital_code_is_named_once_with_its_other_name() -> None:
    """Code 023 inverted is its partner's normal code, 047: 047N, shown as 023I as well (config/dcs.csv)."""
    modulation = Fm(audio=spoken(), drive=4.0, code=DigitalCode(code="023", inverted=True))
    (one,) = receive(
        scene(RATE_HZ, 5, call(CHANNEL, 1, 4, 12, modulation=modulation)), [CHANNEL]
    ).transmissions
    assert one.code is not None
    assert (one.code.code, one.code.other_name) == ("047N", "023I")
    assert one.tone is not None and one.tone.tone_hz is None


def test_the_clip_ends_where_the_goodbye_begins() -> None:
    clips = MemoryClips()
    modulation = Fm(audio=spoken(), drive=4.0, tone=Ctcss(tone_hz=100.0, reverse_burst_s=0.18))
    emission = call(CHANNEL, 1, 4, 20, modulation=modulation)
    (one,) = receive(scene(RATE_HZ, 6, emission), [CHANNEL], clips=clips).transmissions
    assert seconds_in(one.end_utc) == pytest.approx(4.0, abs=0.01)  # the carrier's own end stays
    assert seconds_in(one.clip_end_utc) == pytest.approx(4.0 - 0.18, abs=0.03)
    (clip,) = clips.finished
    length_s = (one.clip_end_utc - one.clip_start_utc).total_seconds()
    assert len(clip.kept) / AUDIO_HZ == pytest.approx(length_s, abs=0.002)


@pytest.mark.parametrize("tone_hz", [100.0, 123.0, None])
def test_another_tone_than_the_expected_is_kept_all_the_same(tone_hz: float | None) -> None:
    channel = listed(30_000, expect_tone_hz=100.0)
    emission = call(channel, 1, 4, 12, modulation=speech(tone_hz=tone_hz))
    (one,) = receive(scene(RATE_HZ, 6, emission), [channel]).transmissions
    assert one.tone is not None and one.tone.tone_hz == tone_hz


def test_a_required_tone_is_a_condition_and_what_lacks_it_is_told() -> None:
    channel = listed(30_000, expect_tone_hz=100.0, require_tone=True)
    clips = MemoryClips()
    heard = receive(
        scene(
            RATE_HZ,
            13,
            call(channel, 1, 4, 12, modulation=speech(tone_hz=123.0)),
            call(channel, 5, 8, 12, modulation=speech()),
            call(channel, 9, 12, 12, modulation=speech(tone_hz=100.0)),
        ),
        [channel],
        clips=clips,
    )
    (one,) = heard.transmissions
    assert seconds_in(one.start_utc) == pytest.approx(9, abs=0.02)
    assert len(clips.finished) == 1 and len(clips.discarded) == 2
    lacking = [each for each in heard.conditions if each.kind is ConditionKind.WITHOUT_TONE]
    assert [round(seconds_in(each.start_utc)) for each in lacking] == [1, 5]
    assert "tone 123.0 Hz" in lacking[0].evidence and "tone 100.0 Hz is required" in lacking[0].evidence


def test_a_repeater_says_who_it_is_in_morse() -> None:
    keyed = morse("XY1ZZ/R", words_per_minute=20, pitch_hz=800, rate_hz=AUDIO_HZ)
    ident = joined(quiet(0.5), keyed, quiet(1.0))
    seconds = len(ident) / AUDIO_HZ
    emission = call(CHANNEL, 1, 1 + seconds, 12, modulation=sent(ident))
    (one,) = receive(scene(RATE_HZ, seconds + 3, emission), [CHANNEL]).transmissions
    assert one.texts(Sign.MORSE) == ("XY1ZZ/R",)
    (found,) = one.findings
    assert found.probability is not None and found.probability > 0.5
    assert one.kind is not None and one.kind.kind is Kind.TONES


def test_a_locator_beacon_raises_its_flag_with_the_note_on_tests() -> None:
    channel = listed(30_000, mode="am", bandwidth_hz=25_000)
    sweeps = beacon_audio(seconds=6.0, rate_hz=AUDIO_HZ)
    emission = call(channel, 1, 7, 12, modulation=Am(audio=Audio(samples=sweeps, rate_hz=AUDIO_HZ)))
    (one,) = receive(scene(RATE_HZ, 9, emission), [channel]).transmissions
    assert "beacon" in one.flags
    (found,) = (each for each in one.findings if each.sign is Sign.BEACON)
    # The scene begins at 03:00, in the minutes in which ground tests are allowed (FAA AIM 6-2-4 b).
    assert "ground tests are allowed" in found.words and "this lasted longer" in found.words


def test_ground_tests_of_beacons_are_for_the_first_minutes_of_an_hour() -> None:
    """FAA AIM 6-2-4 b: the first five minutes after any hour."""
    assert decoders.is_beacon_test_time(datetime(2031, 5, 4, 3, 4, 59, tzinfo=UTC))
    assert not decoders.is_beacon_test_time(datetime(2031, 5, 4, 3, 5, tzinfo=UTC))


def test_a_voice_is_called_a_voice_and_a_bare_carrier_none() -> None:
    (voice,) = receive(scene(RATE_HZ, 6, call(CHANNEL, 1, 5, 12)), [CHANNEL]).transmissions
    assert voice.kind is not None and voice.kind.kind is Kind.VOICE
    assert voice.kind.speech_s is not None and voice.kind.speech_s > 1
    (bare,) = receive(
        scene(RATE_HZ, 6, call(CHANNEL, 1, 5, 12, modulation=Unmodulated())), [CHANNEL]
    ).transmissions
    assert bare.kind is not None and bare.kind.kind is Kind.CARRIER


def weather(seconds: float) -> np.ndarray:
    """A station that never stops: 20 s of talk, an alert, and talk again."""
    talk = np.tile(spoken().samples, 8)[: 20 * AUDIO_HZ] * 0.5
    alert = same_message(
        HEADER, rate_hz=AUDIO_HZ, message=spoken(2).samples[: 4 * AUDIO_HZ] * 0.5, alert_tone_s=8.0
    )
    tail = np.tile(spoken(3).samples, 12)[: round(seconds * AUDIO_HZ) - len(talk) - len(alert)] * 0.5
    return joined(talk, alert, tail)


def test_of_a_channel_that_is_always_busy_only_alerts_make_clips() -> None:
    channel = listed(30_000, mode="fm", bandwidth_hz=25_000, keep="alerts")
    clips = MemoryClips()
    seconds = 65.0
    on_air = call(channel, 0, seconds, 25, modulation=sent(weather(seconds), deviation_hz=5000))
    heard = receive(scene(RATE_HZ, seconds, on_air), [channel], clips=clips)
    (clip,) = clips.finished
    alert = clip.facts
    assert alert.texts(Sign.SAME) == (HEADER,)
    assert set(alert.flags) == {"same", "alert-tone"}
    assert "Tornado Warning" in " ".join(each.words for each in alert.findings)
    assert seconds_in(alert.clip_start_utc) == pytest.approx(20 - 3, abs=0.3)
    ended = max(each.stop_s for each in alert.findings if each.sign is Sign.SAME_END)
    assert ended + 1.5 < seconds_in(alert.clip_end_utc) < ended + 6
    assert len(clip.kept) / AUDIO_HZ == pytest.approx(alert.seconds, abs=0.01)
    # Every second of the carrier is in one record, and in one only.
    spans = [(one.start_utc, one.end_utc) for one in heard.transmissions]
    assert all(before[1] == after[0] for before, after in pairwise(spans))
    assert seconds_in(spans[0][0]) == 0 and seconds_in(spans[-1][1]) == pytest.approx(seconds, abs=0.05)


@pytest.mark.parametrize(("keep_iq", "kept"), [("none", []), ("flagged", [True]), ("all", [False, True])])
def test_the_channels_iq_lies_beside_its_clip(tmp_path: Path, keep_iq: str, kept: list[bool]) -> None:
    held = joined(quiet(0.3), key_sequence("0", rate_hz=AUDIO_HZ, tone_s=3.3), quiet(0.3))
    calls = (call(CHANNEL, 1, 3, 15), call(CHANNEL, 5, 9, 15, modulation=sent(held)))
    with ClipStore(tmp_path) as clips:
        heard = receive(
            scene(RATE_HZ, 11, *calls),
            [CHANNEL],
            clips=clips,
            rules=ReceiveRules(keep_iq=keep_iq),  # type: ignore[arg-type]
        )
        for clip in heard.clips:
            clips.release(clip)
    assert ["long-tone" in one.flags for one in heard.transmissions if one.iq] == kept
    for clip in heard.clips:
        one = clip.transmission
        if one.iq is None:
            continue
        assert one.iq == f"{clip.path.with_suffix('').as_posix()}.sigmf-meta"
        with closing(open_recording(tmp_path / one.iq)) as recording:
            (stretch,) = recording.stretches()
        assert stretch.centre_hz == CHANNEL.frequency_hz and stretch.sample_rate_hz == AUDIO_HZ
        assert abs((stretch.start_utc - one.clip_start_utc).total_seconds()) < 0.001
        (note,) = read_annotations(tmp_path / one.iq)
        assert note.samples is not None
        assert note.samples / AUDIO_HZ == pytest.approx(one.seconds, abs=0.01)
        assert note.first_sample / AUDIO_HZ == pytest.approx(0.5, abs=0.01)
        assert stretch.samples is not None
        audio, _ = soundfile.read(tmp_path / clip.path)
        assert stretch.samples >= len(audio)
    assert sorted(path.name for path in (tmp_path / "unfinished").iterdir()) == ["lock"]


def test_kept_iq_can_be_received_again(tmp_path: Path) -> None:
    """What was one transmission is one again with its tone; its ratio to the noise is not known."""
    emission = call(CHANNEL, 1, 4, 12, modulation=speech(tone_hz=100.0))
    with ClipStore(tmp_path / "first") as clips:
        heard = receive(
            scene(RATE_HZ, 6, emission), [CHANNEL], clips=clips, rules=ReceiveRules(keep_iq="all")
        )
        for clip in heard.clips:
            clips.release(clip)
    (first,) = heard.transmissions
    with closing(open_recording(tmp_path / "first" / str(first.iq))) as recording:
        replay(WatchPlan(channels=(CHANNEL,)), [recording], tmp_path / "again")
    with WatchLog.open_to_read(tmp_path / "again") as log:
        (again,) = (entry.transmission for entry in transmissions(log))
    assert again.tone is not None and again.tone.tone_hz == 100.0
    assert abs((again.start_utc - first.start_utc).total_seconds()) < 0.1
    assert abs((again.end_utc - first.end_utc).total_seconds()) < 0.1
    assert again.snr_db is None


class _Broken:
    def __init__(self) -> None:
        pass

    def push(self, passage: object) -> list[object]:
        raise RuntimeError("broken on purpose")

    def finish(self) -> list[object]:
        raise RuntimeError("broken on purpose")


def test_a_decoder_that_raises_costs_its_own_result_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoders, "SameDecoder", _Broken)
    keys = joined(quiet(0.5), key_sequence("911", rate_hz=AUDIO_HZ), quiet(2.0))
    clips = MemoryClips()
    emission = call(CHANNEL, 1, 4, 15, modulation=sent(keys))
    heard = receive(scene(RATE_HZ, 6, emission), [CHANNEL], clips=clips)
    (one,) = heard.transmissions
    assert one.texts(Sign.DTMF) == ("911",) and one.tone is not None and len(clips.finished) == 1
