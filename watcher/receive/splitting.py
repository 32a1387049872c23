"""When a transmission that goes on is cut: at the longest clip, and where alerts alone make clips."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.receive.alert_spans import ALERT_LEAD_S, alert_is_over, alert_since_s
from watcher.receive.clips import ClipStore
from watcher.receive.on_air import Drawn, OnAir
from watcher.receive.receive_group import ReceiveGroup
from watcher.receive.stream_clock import StreamClock


def split_long_clips(
    on_air: dict[int, OnAir], groups: Sequence[ReceiveGroup], longest_clip_s: float, clock: StreamClock
) -> list[Drawn]:
    """Finish every piece that has reached the longest clip; the next one takes its place in `on_air`."""
    finished: list[Drawn] = []
    for number, one in on_air.items():
        group = groups[one.place.group]
        if group.history.stop - one.clip_start >= longest_clip_s * group.rate_hz:
            piece, on_air[number] = one.split(group.history.stop, clock)
            finished.append(piece)
    return finished


def split_for_alerts(
    on_air: dict[int, OnAir], groups: Sequence[ReceiveGroup], clips: ClipStore | None, clock: StreamClock
) -> list[Drawn]:
    """Where alerts alone make clips: begin one when an alert has begun, end it when the alert is over."""
    finished: list[Drawn] = []
    for number, one in on_air.items():
        if one.channel.keep != "alerts":
            continue
        now = groups[one.place.group].history.stop
        if one.keeps_clip:
            if alert_is_over(one.findings, one.alert_since_s, one.seconds_up(now)):
                piece, on_air[number] = one.split(now, clock, clips=None)
                finished.append(piece)
        elif (since_s := alert_since_s(one.findings)) is not None:
            from_s = since_s - ALERT_LEAD_S
            piece, on_air[number] = one.split_for_alert(since_s, from_s, clock, clips)
            finished.append(piece)
    return finished
