"""What one transmission measured: power, carrier to noise, carrier frequency, deviation, SINAD.

Each function takes the samples of one transmission, once it is over, and gives a value with its standard
uncertainty, or None where the samples cannot say. Nothing here knows of channels or time.
"""

from dsp.measure.power import carrier_to_noise_db, power_dbfs
from dsp.measure.reading import ChannelNoise, Reading
from dsp.measure.sinad import sinad_db
from dsp.measure.swing import frequency_error_hz, peak_deviation_hz, rms_deviation_hz

__all__ = [
    "ChannelNoise",
    "Reading",
    "carrier_to_noise_db",
    "frequency_error_hz",
    "peak_deviation_hz",
    "power_dbfs",
    "rms_deviation_hz",
    "sinad_db",
]
