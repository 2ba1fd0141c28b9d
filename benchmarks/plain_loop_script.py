"""The same with what is known to help a plain script: single precision, channel after channel."""

import sys

import numpy as np
import scipy.signal
import soundfile

FULL_SCALE_V, SENSITIVITY_V_PER_PA = 10.0, 0.005

samples, rate = soundfile.read(sys.argv[1], dtype="float32")
midbands = 1000.0 * 10.0 ** (np.arange(-16, 10) / 10.0)
levels = []
for channel in range(samples.shape[1]):
    pressure = np.ascontiguousarray(samples[:, channel]) * np.float32(FULL_SCALE_V / SENSITIVITY_V_PER_PA)
    hz, density = scipy.signal.welch(pressure, rate, "hann", 10240, 5120)
    powers = [density[(hz >= m * 10**-0.05) & (hz < m * 10**0.05)].sum() * hz[1] for m in midbands]
    levels.append(10.0 * np.log10(np.array(powers) / 4e-10))
np.save(sys.argv[2], np.array(levels))
