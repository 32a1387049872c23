"""The stand-in in a program of its own, commanded through its control file while it runs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.radio_stand_in.placing import command, environment_of_a_program

PROGRAM = """
import sys
from watcher.radio.live import RadioLost
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_settings import RtlSdrSettings

radio = RtlSdrRadio(RtlSdrSettings(gain_db=0.0), stall_s=0.3)
for _ in range(3):
    try:
        radio.open()
        stream = radio.tune(146_500_000)
        assert stream.read(1.0) is not None
        print("heard", radio.label, flush=True)
        while True:
            stream.read(0.1)
    except RadioLost as lost:
        print(lost, flush=True)
    radio.close()
    sys.stdin.readline()
"""


def test_faults_are_commanded_while_the_program_runs(
    stand_in_library: Path, tmp_path: Path, checkout: Path
) -> None:
    environment = environment_of_a_program(stand_in_library, tmp_path, {"serial": "far ridge", "present": 1})
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        cwd=checkout,
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as program:
        assert program.stdin is not None and program.stdout is not None

        def told() -> str:
            assert program.stdout is not None
            return program.stdout.readline().strip()

        def go_on() -> None:
            assert program.stdin is not None
            program.stdin.write("\n")
            program.stdin.flush()

        assert told() == "heard RTL-SDR"
        command(tmp_path, {"present": 0, "unplug_code": 0})
        assert told() == "RTL-SDR went away while it was read; check its plug and its cable"
        command(tmp_path, {"present": 1, "unplug_code": -5})
        go_on()
        assert told() == "heard RTL-SDR"
        command(tmp_path, {"stall_after_ms": 0})
        assert told().startswith("RTL-SDR sent no samples for 0.3 s")
        command(tmp_path, {"stall_after_ms": -1, "present": 0})
        go_on()
        assert told() == "RTL-SDR: no RTL-SDR is plugged in; check its plug and its cable"
        go_on()
    assert program.returncode == 0
