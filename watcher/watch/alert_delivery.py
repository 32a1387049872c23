"""The ways an alert goes out: a service, a command on this computer, a sound.

Each returns what went wrong as one phrase, or None. No phrase holds the address of a service: it may be a
secret. Whatever a service does, a delivery is over after `LONGEST_S`.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path

from watcher.plan.duties import Alert
from watcher.watch.alert_texts import Message

LONGEST_S = 60.0
"""Far over what a service that works takes (judgement, no source)."""

LONGEST_SOUND_S = 30.0
LONGEST_REASON = 160  # characters of a service's own words that are repeated


class Delivery:
    """Delivers the messages of one alert, one at a time.

    Parameters
    ----------
    alert : Alert
    environ : mapping of str to str
        Where `env:NAME` addresses are looked up.
    longest_s : float
        A delivery that takes longer has failed; while it still hangs, no other is begun.
    """

    def __init__(
        self, alert: Alert, environ: Mapping[str, str] = os.environ, *, longest_s: float = LONGEST_S
    ) -> None:
        self._alert = alert
        self._environ = environ
        self._longest_s = longest_s
        self._busy: threading.Thread | None = None

    def send(self, message: Message, *, urgent: bool) -> str | None:
        """Send it; what went wrong, or None. Never raises and never takes longer than `longest_s`."""
        if self._busy is not None and self._busy.is_alive():
            return "the last message still hangs"
        outcome: list[str | None] = ["it did not end in time"]

        def work() -> None:
            try:
                outcome[0] = self._send(message, urgent)
            except Exception as failure:  # noqa: BLE001 - a service may raise anything; the watch goes on
                outcome[0] = f"{type(failure).__name__}"

        self._busy = threading.Thread(target=work, name="alert-delivery", daemon=True)
        self._busy.start()
        self._busy.join(self._longest_s)
        return outcome[0]

    def _send(self, message: Message, urgent: bool) -> str | None:
        if self._alert.command:
            return run_command(self._alert.command, message, self._longest_s)
        if self._alert.sound is not None:
            return play_sound(self._alert.sound)
        address = address_of(self._alert, self._environ)
        if address is None:
            return f"the environment has no {self._alert.way.removeprefix('env:')}"
        return notify_service(address, message, urgent=urgent)


def address_of(alert: Alert, environ: Mapping[str, str]) -> str | None:
    """The address of a service; None where the environment should hold it and does not."""
    address = alert.to or ""
    return environ.get(address.removeprefix("env:")) if address.startswith("env:") else address


def address_problem(alert: Alert, environ: Mapping[str, str] = os.environ) -> str | None:
    """What is wrong with the way an alert goes, before anything is sent; None where nothing is seen."""
    if alert.command:
        return None if _found(alert.command[0], environ) else f"there is no program {alert.command[0]}"
    if alert.sound is not None:
        return None if alert.sound.is_file() else f"there is no file {alert.sound}"
    address = address_of(alert, environ)
    if address is None:
        return f"the environment has no {alert.way.removeprefix('env:')}"
    import apprise  # noqa: PLC0415 - a quarter of a second that only those who use it pay

    _quiet_library_log()
    if not apprise.Apprise().add(address):
        return "no such kind of service is known, or its address is incomplete"
    return None


def notify_service(address: str, message: Message, *, urgent: bool) -> str | None:
    """Tell a service."""
    import apprise  # noqa: PLC0415 - as above

    _quiet_library_log()
    # The watch tells in its own name, and lets no service fetch a picture from elsewhere.
    asset = apprise.AppriseAsset(
        app_id="Midwatch",
        app_desc="Radio watch",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        secure_logging=True,
    )
    service = apprise.Apprise(asset=asset)
    if not service.add(address):
        return "no such kind of service is known, or its address is incomplete"
    kind = apprise.NotifyType.WARNING if urgent else apprise.NotifyType.INFO
    sent = service.notify(
        body=message.body, title=message.title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT
    )
    return None if sent else "the service did not take it"


def run_command(command: tuple[str, ...], message: Message, longest_s: float) -> str | None:
    """Run a program without a shell, with title and body as lines on its standard input."""
    with tempfile.TemporaryFile() as said:
        try:
            running = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=said,
                start_new_session=True,  # so that what it starts itself ends with it
                text=True,
                encoding="utf-8",
            )
        except OSError as failure:
            return failure.strerror or "it cannot be run"
        try:
            running.communicate(f"{message.title}\n\n{message.body}\n", timeout=0.9 * longest_s)
        except subprocess.TimeoutExpired:
            os.killpg(running.pid, signal.SIGKILL)
            running.wait()
            return "it did not end in time and was stopped"
        if running.returncode == 0:
            return None
        said.seek(0)
        lines = said.read(4096).decode("utf-8", "replace").split("\n")
        why = next((line.strip() for line in lines if line.strip()), "")[:LONGEST_REASON]
        return f"it ended with code {running.returncode}" + (f": {why}" if why else "")


def play_sound(path: Path) -> str | None:
    """Play an audio file on the system's own device, `LONGEST_SOUND_S` of it at most."""
    import soundfile  # noqa: PLC0415 - only where a sound is asked for

    try:
        import sounddevice  # noqa: PLC0415 - raises OSError where the computer has no PortAudio
    except (ImportError, OSError):
        return "this computer has no PortAudio library"
    try:
        with soundfile.SoundFile(path) as file:
            audio = file.read(int(LONGEST_SOUND_S * file.samplerate), dtype="float32", always_2d=True)
            rate_hz = file.samplerate
    except (OSError, RuntimeError):
        return f"{path.name} cannot be read as audio"
    try:
        with sounddevice.OutputStream(
            samplerate=rate_hz, channels=audio.shape[1], dtype="float32", latency="high"
        ) as stream:
            stream.write(audio)
    except sounddevice.PortAudioError as failure:
        return f"no sound can be played ({_first_line(failure)})"
    return None


def _found(program: str, environ: Mapping[str, str]) -> bool:
    places = [""] if "/" in program else environ.get("PATH", os.defpath).split(os.pathsep)
    return any(os.access(Path(place) / program, os.X_OK) for place in places)


def _quiet_library_log() -> None:
    """The library's own warnings stay off standard error, where the watch writes its lines."""
    log = logging.getLogger("apprise")
    if not log.handlers:
        log.addHandler(logging.NullHandler())


def _first_line(failure: Exception) -> str:
    return str(failure).partition("\n")[0][:LONGEST_REASON]
