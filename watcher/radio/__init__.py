"""Where samples come from: recordings now, radios later; one protocol."""

from watcher.radio.facts import RawFacts
from watcher.radio.recording import open_recording
from watcher.radio.source import SampleSource, Stretch

__all__ = ["RawFacts", "SampleSource", "Stretch", "open_recording"]
