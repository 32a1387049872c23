"""Watch plans: what to listen to, read from TOML and checked."""

from watcher.plan.model import Channel, Mode, Radio, Station, TonePair, WatchPlan, Window, channels_outside
from watcher.plan.reading import read_plan

__all__ = [
    "Channel",
    "Mode",
    "Radio",
    "Station",
    "TonePair",
    "WatchPlan",
    "Window",
    "channels_outside",
    "read_plan",
]
