"""A networked RTL-SDR: a server in the test speaks the driver's own protocol on loopback."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

from watcher.errors import RadioError
from watcher.radio.live import LiveRadio, RadioLost
from watcher.radio.network_link import GREETED_WITHIN_S
from watcher.radio.network_radio import GAINS_DB, NetworkRadio
from watcher.radio.rtlsdr_settings import RtlSdrSettings

CENTRE_HZ = 146_500_000
RATE_HZ = 240_000
FIXED = RtlSdrSettings(sample_rate_hz=RATE_HZ, gain_db=28.0)
TOLD_WITHIN_S = 3.0
MODULUS = 65_521  # a prime, so that no lost block goes unseen


class Server:
    """Greets, sends a counter as cu8 at the pace of the clock, and keeps the commands it gets."""

    def __init__(self, greeting: bytes = struct.pack(">4sII", b"RTL0", 5, 29)) -> None:
        self.greeting = greeting
        self.commands: list[tuple[int, int]] = []
        self.silent = False
        self.noise_db: float | None = None
        self.clients = 0
        self.tuned_at = 0  # samples sent when the last command to tune came
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.port = self._listener.getsockname()[1]
        self._closing = threading.Event()
        self._hang_up = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def hang_up(self) -> None:
        """Close the connection of now."""
        self._hang_up.set()

    def close(self) -> None:
        self._closing.set()
        self._thread.join(3)
        self._listener.close()

    def gain_db(self) -> float:
        """As last commanded, of the tuner of kind 5."""
        steps = [number for command, number in self.commands if command == 13]
        return GAINS_DB[5, 29][steps[-1]] if steps else 0.0

    def _serve(self) -> None:
        while not self._closing.is_set():
            with contextlib.suppress(TimeoutError):
                client, _ = self._listener.accept()
                self.clients += 1
                self._hang_up.clear()
                with client, contextlib.suppress(OSError):
                    self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        client.sendall(self.greeting)
        client.settimeout(0.001)
        rng = np.random.default_rng(3)
        began, sent, waiting = time.monotonic(), 0, b""
        while not self._closing.is_set() and not self._hang_up.is_set():
            with contextlib.suppress(TimeoutError):
                got = client.recv(1024)
                if not got:
                    return
                waiting += got
            while len(waiting) >= 5:
                self.commands.append(struct.unpack(">BI", waiting[:5]))
                waiting = waiting[5:]
                self.tuned_at = sent if self.commands[-1][0] == 1 else self.tuned_at
            due = int((time.monotonic() - began) * RATE_HZ)
            if due > sent and not self.silent:
                client.settimeout(2)
                client.sendall(self._content(rng, sent, due - sent))
                client.settimeout(0.001)
                sent = due

    def _content(self, rng: np.random.Generator, first: int, samples: int) -> bytes:
        if self.noise_db is not None:
            scale = 127.5 * 10 ** ((self.noise_db + self.gain_db()) / 20) / 2**0.5
            return np.clip(np.rint(rng.normal(127.5, scale, 2 * samples)), 0, 255).astype(np.uint8).tobytes()
        counter = (first + np.arange(samples)) % MODULUS
        return np.stack([counter & 255, counter >> 8], 1).astype(np.uint8).tobytes()


@pytest.fixture
def server() -> Iterator[Server]:
    server = Server()
    yield server
    server.close()


def radio_at(server: Server, settings: RtlSdrSettings = FIXED) -> NetworkRadio:
    return NetworkRadio(settings, "127.0.0.1", server.port, settle_s=0.1, stall_s=0.3, greeted_within_s=0.5)


def test_a_stream_is_gap_free_and_every_setting_is_commanded(server: Server) -> None:
    """Numbers of the commands: the driver's own protocol (1 centre, 2 rate, 3 by hand, 4 gain in 0.1 dB, 5
    ppm, 8 converter's gain control, 9 direct sampling, 14 antenna supply)."""
    settings = RtlSdrSettings(sample_rate_hz=RATE_HZ, gain_db=28.0, driver_ppm=-3, bias_tee=True)
    radio: LiveRadio = radio_at(server, settings)
    radio.open()
    time.sleep(0.1)
    stream = radio.tune(CENTRE_HZ)
    blocks = [block for _ in range(4) if (block := stream.read(2.0))]
    radio.close()
    radio.close()
    assert len(blocks) == 4
    stop = 0
    start = None
    for block in blocks:
        assert (block.first_sample, block.lost_before) == (stop, 0)
        stop = block.stop_sample
        low = np.rint(block.samples.real * 127.5 + 127.5).astype(int)
        counter = low + 256 * np.rint(block.samples.imag * 127.5 + 127.5).astype(int)
        start = counter[0] if start is None else start
        assert np.array_equal(counter, (start + block.first_sample + np.arange(len(counter))) % MODULUS)
    assert start >= server.tuned_at > 0  # what was under way while it was tuned is not shown
    assert (stream.facts.sample_rate_hz, stream.facts.centre_hz) == (RATE_HZ, CENTRE_HZ)
    time.sleep(0.05)
    assert server.commands == [
        *((9, 0), (2, RATE_HZ), (5, 2**32 - 3), (8, 0), (3, 1), (4, 280), (14, 1)),
        *((1, CENTRE_HZ), (14, 0)),
    ]
    assert radio.label == f"networked RTL-SDR at 127.0.0.1:{server.port}"


def test_a_second_tuning_begins_at_zero(server: Server) -> None:
    radio = radio_at(server)
    radio.open()
    for centre_hz in (CENTRE_HZ, 462_600_000):
        block = radio.tune(centre_hz).read(2.0)
        assert block is not None and (block.first_sample, block.centre_hz) == (0, centre_hz)
    radio.close()
    assert server.clients == 1


def test_automatic_gain_is_measured_over_the_network(server: Server) -> None:
    """-75 dBFS at 0 dB, as for the receiver on USB; an even converter adds step² / 12 to I and to Q."""
    server.noise_db = -75
    radio = NetworkRadio(
        RtlSdrSettings(sample_rate_hz=RATE_HZ), "127.0.0.1", server.port, settle_s=0.05, stall_s=0.5
    )
    radio.open()
    assert radio.tune(CENTRE_HZ).read(2.0) is not None  # the server has had the last command
    (note,) = radio.notes()
    assert f"gain {server.gain_db():g} dB is set at 146.500 MHz: the noise floor stands 1" in note
    assert 33.8 <= server.gain_db() <= 40.2
    radio.close()


def test_a_tuner_without_listed_gains_keeps_its_own_control() -> None:
    server = Server(struct.pack(">4sII", b"RTL0", 0, 0))
    radio = radio_at(server, RtlSdrSettings(sample_rate_hz=RATE_HZ))
    radio.open()
    assert radio.tune(CENTRE_HZ).read(2.0) is not None
    radio.close()
    assert (3, 0) in server.commands and 13 not in dict(server.commands)
    assert any("names no gains; its own gain control is left on" in note for note in radio.notes())
    server.close()


def test_nobody_there() -> None:
    free = socket.create_server(("127.0.0.1", 0))
    port = free.getsockname()[1]
    free.close()
    radio = NetworkRadio(FIXED, "127.0.0.1", port)
    began = time.monotonic()
    with pytest.raises(RadioLost, match=r"cannot be reached \(.+\); check that it is on and the address"):
        radio.open()
    assert time.monotonic() - began < TOLD_WITHIN_S
    with pytest.raises(RadioLost, match="is not open; open it again"):
        radio.tune(CENTRE_HZ)


def test_something_else_at_that_port() -> None:
    server = Server(b"220 ready to serve\r\n")
    with pytest.raises(
        RadioError, match=r"is no networked RTL-SDR: it greets with b'220 ', not with b'RTL0'"
    ) as told:
        radio_at(server).open()
    assert not isinstance(told.value, RadioLost)
    server.close()


def test_a_server_that_is_taken_says_nothing() -> None:
    """One client at a time: the next one waits without a word."""
    server = Server(b"")
    server.silent = True
    began = time.monotonic()
    with pytest.raises(RadioLost, match=r"did not answer within 0\.5 s; it may be off or serve"):
        radio_at(server).open()
    assert time.monotonic() - began < 1.5
    assert GREETED_WITHIN_S < TOLD_WITHIN_S
    server.close()


def test_the_far_end_goes_away_and_comes_back(server: Server) -> None:
    radio = radio_at(server)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    assert stream.read(2.0) is not None
    server.hang_up()
    with pytest.raises(RadioLost, match="closed the connection; check the far end and the network between"):
        while True:
            stream.read(0.5)
    with pytest.raises(RadioLost):
        radio.tune(CENTRE_HZ)
    radio.close()
    radio.open()
    assert radio.tune(CENTRE_HZ).read(2.0) is not None
    radio.close()
    assert server.clients == 2


def test_the_far_end_falls_silent(server: Server) -> None:
    radio = radio_at(server)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    assert stream.read(2.0) is not None
    server.silent = True
    with pytest.raises(RadioLost, match=r"sent no samples for 0.4 s"):
        while True:
            stream.read(0.5)
    radio.close()


def test_a_frequency_that_fits_no_command_is_refused(server: Server) -> None:
    radio = radio_at(server)
    radio.open()
    with pytest.raises(RadioError, match="4294967296 Hz cannot be tuned"):
        radio.tune(2**32)
    radio.close()
