"""Papers for handing over: the communications log, a general message, a relay draft. Reads the log only."""

from watcher.report.forms.communications_log import CommunicationsLog, communications_log
from watcher.report.forms.message import GeneralMessage
from watcher.report.forms.relay import RelayDraft, relay_draft

__all__ = ["CommunicationsLog", "GeneralMessage", "RelayDraft", "communications_log", "relay_draft"]
