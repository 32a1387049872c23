"""The local web page for the hour after the watch: hear, mark, note. Reads the log, never the receiver.

Its door is a socket on the loopback address. It changes nothing in the folder but marks in the log.
"""

from watcher.review.application import Settings, application
from watcher.review.serving import serve

__all__ = ["Settings", "application", "serve"]
