"""The task as an engineer writes it down today: read all, Welch over all channels, scale, sum bands. No checks."""

import sys

import numpy as np
import scipy.signal
import soundfile

FULL_SCALE_V, SENSITIVITY_V_PER_PA = 10.0, 0.005

samples, rate = soundfile.read(sys.argv[1])
pressure = samples.T * (FULL_SCALE_V / SENSITIVITY_V_PER_PA)
hz, density = scipy.signal.welch(pressure, rate, "hann", 10240, 5120)
midbands = 1000.0 * 10.0 ** (np.arange(-16, 10) / 10.0)
powers = [density[:, (hz >= m * 10**-0.05) & (hz < m * 10**0.05)].sum(axis=1) * hz[1] for m in midbands]
np.save(sys.argv[2], 10.0 * np.log10(np.array(powers) / 4e-10))
