"""From a plan to its posts: which radio hears which tunings, and what receives them."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from watcher.errors import PlanError
from watcher.plan.dwell import DwellPlan, DwellScheduler, plan_dwells
from watcher.plan.model import Radio, WatchPlan
from watcher.plan.radio_duties import radio_duties
from watcher.plan.tunings import Tuning, plan_tunings
from watcher.radio.live import LiveRadio, StreamFacts
from watcher.radio.opening import open_radio
from watcher.radio.recording import open_recording
from watcher.receive.chain import ReceiveChain
from watcher.receive.clips import ClipStore
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.span import is_inside
from watcher.receive.spectra import SpectrumStore
from watcher.watch.clock import Clock
from watcher.watch.post import MakeChain, Post, Said
from watcher.watch.time_account import TimeAccount


class DwellChooser:
    """A radio's place in its cycle of visits, as a post asks for it."""

    def __init__(self, plan: DwellPlan) -> None:
        self._scheduler = DwellScheduler(plan)

    def next(self, now_s: float) -> int:
        """The tuning to go to now."""
        return self._scheduler.next(now_s).tuning

    def settled(self, now_s: float) -> None:
        """The first samples of it have come."""
        self._scheduler.settled(now_s)

    def stays(self, now_s: float, *, busy: bool) -> bool:
        """Whether to stay on the present one."""
        return self._scheduler.stays(now_s, busy=busy)


@dataclass(frozen=True, slots=True)
class Share:
    """One radio, the tunings it may be on, and its cycle of visits among them."""

    radio: Radio
    tunings: tuple[Tuning, ...]
    dwells: DwellPlan


def shares_of(plan: WatchPlan) -> tuple[Share, ...]:
    """What each radio of a plan is to hear.

    The radios that can be tuned anywhere share the fewest tunings that hear every channel. A recording that
    stands in as a radio has what lies inside it, on its one tuning or, at a part of its rate, on several.

    Raises
    ------
    PlanError
        The plan names no radio, or a channel that no radio can hear.
    RadioError
        A recording that stands in cannot be read.
    """
    if not plan.radios:
        raise PlanError("the plan has no [[radio]] table; a standing watch must have at least one")
    shares = {duty.number: Share(duty.radio, duty.tunings, duty.dwell) for duty in radio_duties(plan)}
    for number, radio in enumerate(plan.radios):
        if radio.kind == "recording" and radio.path is not None:
            shares[number] = _of_recording(radio, radio.path, plan)
    return tuple(shares[number] for number in sorted(shares))


def _of_recording(radio: Radio, path: Path, plan: WatchPlan) -> Share:
    with closing(open_recording(path)) as recording:
        stretch = recording.stretches()[0]
    whole_hz, centre_hz = stretch.sample_rate_hz, stretch.centre_hz
    channels = tuple(c for c in plan.channels if is_inside(c, whole_hz, centre_hz, radio.ppm))
    if not channels:
        raise PlanError(f"radio: no channel of the plan lies inside {path.name}")
    if radio.sample_rate_hz in (None, whole_hz):
        taken_hz = sum(channel.pass_band_hz for channel in channels)
        tunings: tuple[Tuning, ...] = (Tuning(centre_hz, channels, max(0, whole_hz - taken_hz)),)
    else:
        assert radio.sample_rate_hz is not None
        try:
            tunings = plan_tunings(channels, radio.sample_rate_hz, crystal_hz=None)
        except ValueError as problem:
            raise PlanError(str(problem)) from problem
    return Share(radio, tunings, plan_dwells(tunings, 1, plan.dwell)[0])


def posts_of(
    plan: WatchPlan,
    clips: ClipStore,
    *,
    account: TimeAccount,
    clock: Clock,
    said: Said,
    rules: ReceiveRules | None = None,
    opening: Callable[[Radio], LiveRadio] = open_radio,
) -> list[Post]:
    """One post for each radio that has something to hear.

    Raises
    ------
    PlanError, RadioError
        The plan asks what no radio can do.
    """
    shares = shares_of(plan)
    warnings = [warning for share in shares for tuning in share.tunings for warning in tuning.warnings]
    for warning in dict.fromkeys(warnings):
        said("tuning", worth_a_look=warning)
    spectra = SpectrumStore(
        clips.folder,
        least_free_gb=plan.keep.least_free_gb,
        tell=lambda sentence: said("spectrum", why=sentence),
    )
    return [
        Post(
            number,
            opening(share.radio),
            share.tunings,
            chooser=DwellChooser(share.dwells),
            make_chain=_chain(share, plan, clips, rules or ReceiveRules.of(plan), spectra),
            account=account,
            clock=clock,
            said=said,
        )
        for number, share in enumerate(shares)
    ]


def _chain(
    share: Share, plan: WatchPlan, clips: ClipStore, rules: ReceiveRules, spectra: SpectrumStore
) -> MakeChain:
    """What makes the receiver of a tuning once its stream is there."""

    def chain(tuning: Tuning, facts: StreamFacts) -> ReceiveChain:
        return ReceiveChain(
            tuning.channels,
            facts.sample_rate_hz,
            facts.centre_hz,
            facts.anchor_utc,
            clips,
            ppm=share.radio.ppm,
            longest_clip_s=plan.station.longest_clip_s,
            rules=rules,
            spectra=spectra,
        )

    return chain
