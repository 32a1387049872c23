"""The watch log: what was heard, what was quiet, what was not watched."""

from watcher.log.facts import WatchEnd, WatchEndedBy, WatchFacts
from watcher.log.writing import WatchLog

__all__ = ["WatchEnd", "WatchEndedBy", "WatchFacts", "WatchLog"]
